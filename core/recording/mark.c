/* SPDX-License-Identifier: Apache-2.0 */
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"
#include "core/recording/internal.h"

bool rec_is_line(const char *text, size_t most)
{
	size_t n = text != NULL ? strlen(text) : 0;
	if (n == 0 || n > most) {
		return false;
	}
	for (size_t i = 0; i < n; i++) {
		if ((unsigned char)text[i] < 0x20 || text[i] == 0x7F) {
			return false;
		}
	}
	json_t *utf8 = json_string(text); /* NULL unless it is UTF-8 */
	json_decref(utf8);
	return utf8 != NULL;
}

bool rec_marks_init(struct rec_marks *m, bool with_texts)
{
	m->count = 0;
	m->position = calloc(EVL_REC_MARKS_MAX, sizeof *m->position);
	m->marks = with_texts ? calloc(EVL_REC_MARKS_MAX, sizeof *m->marks) : NULL;
	return m->position != NULL && (m->marks != NULL || !with_texts);
}

void rec_marks_finish(struct rec_marks *m)
{
	for (uint32_t i = 0; m->marks != NULL && i < m->count; i++) {
		free((char *)m->marks[i].text);
	}
	free(m->marks);
	free(m->position);
	memset(m, 0, sizeof *m);
}

const char *rec_marks_add(struct rec_marks *m, uint64_t position, const struct evl_rec_mark *mark)
{
	if (m->count == EVL_REC_MARKS_MAX) {
		return "there are more marks than a recording can have";
	}
	m->position[m->count] = position;
	if (m->marks != NULL) {
		m->marks[m->count] = *mark;
		m->marks[m->count].text = evl_xstrdup(mark->text);
	}
	m->count++;
	return NULL;
}

size_t rec_put_mark(uint8_t *out, const struct evl_rec_mark *mark)
{
	uint32_t n = (uint32_t)strlen(mark->text);
	evl_store_le32(out, BLOCK_MARK);
	evl_store_le32(out + 8, ENTERPRISE);
	memcpy(out + 12, MARK_TAG, 8);
	evl_store_le64(out + 20, mark->time_ns);
	evl_store_le32(out + 28, mark->channel < 0 ? UINT32_MAX : (uint32_t)mark->channel);
	evl_store_le32(out + 32, n);
	memcpy(out + MARK_BYTES, mark->text, n);
	memset(out + MARK_BYTES + n, 0, rec_padded(n) - n);
	return rec_put_tail(out, out + MARK_BYTES + rec_padded(n));
}

const char *rec_get_mark(struct evl_rec_mark *mark, char *text, const uint8_t *block, size_t bytes,
	uint32_t channels)
{
	if (bytes < MARK_BYTES + 4 + TAIL_BYTES || bytes > MARK_BLOCK_MAX || bytes % 4 != 0) {
		return "its length cannot be";
	}
	uint32_t n = evl_load_le32(block + 32);
	uint32_t channel = evl_load_le32(block + 28);
	if (evl_load_le32(block + 8) != ENTERPRISE || memcmp(block + 12, MARK_TAG, 8) != 0 ||
		n == 0 || n > EVL_REC_MARK_TEXT_MAX ||
		bytes != MARK_BYTES + rec_padded(n) + TAIL_BYTES || !rec_has_tail(block, bytes)) {
		return "it is not a mark as a recording has them";
	}
	memcpy(text, block + MARK_BYTES, n);
	text[n] = '\0';
	mark->time_ns = evl_load_le64(block + 20);
	mark->channel = channel == UINT32_MAX ? -1 : (int64_t)channel;
	mark->text = text;
	if (strlen(text) != n || !rec_is_line(text, EVL_REC_MARK_TEXT_MAX)) {
		return "its text is not a line of UTF-8";
	}
	if (mark->time_ns >= (uint64_t)1 << 62 || (channel != UINT32_MAX && channel >= channels)) {
		return "its instant or channel cannot be";
	}
	return NULL;
}
