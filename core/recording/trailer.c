/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/internal.h"

#include <string.h>

#include "core/base/bytes.h"

size_t rec_trailer_bytes(uint32_t channels, uint32_t points, uint32_t marks)
{
	return TRAILER_FIXED + (size_t)TRAILER_CHANNEL * channels +
	       rec_seek_bytes(channels, points) + (size_t)marks * 8 + EVL_SHA256_BYTES + 4;
}

void rec_trailer_put(uint8_t *out, size_t bytes, const struct rec_trailer *t,
	const struct evl_rec_info *infos, const struct rec_seek *seek,
	const struct rec_marks *marks)
{
	evl_store_le32(out, BLOCK_CUSTOM_FIXED);
	evl_store_le32(out + 4, (uint32_t)bytes);
	evl_store_le32(out + 8, ENTERPRISE);
	memcpy(out + 12, TRAILER_TAG, 8);
	evl_store_le32(out + 20, seek->channels);
	evl_store_le32(out + 24, seek->count);
	evl_store_le32(out + 28, marks->count);
	evl_store_le64(out + 32, t->position);
	evl_store_le64(out + 40, t->blocks);
	memcpy(out + 48, t->file_digest, EVL_SHA256_BYTES);
	uint8_t *p = out + TRAILER_FIXED;
	for (uint32_t c = 0; c < seek->channels; c++, p += TRAILER_CHANNEL) {
		evl_store_le64(p, infos[c].blocks);
		evl_store_le64(p + 8, infos[c].bits);
		evl_store_le64(p + 16, infos[c].first_bit);
		evl_store_le64(p + 24, infos[c].end_bits);
		evl_store_le64(p + 32, infos[c].gaps);
		evl_store_le64(p + 40, infos[c].overruns);
		memcpy(p + 48, infos[c].digest, EVL_SHA256_BYTES);
	}
	rec_seek_put(seek, p);
	p += rec_seek_bytes(seek->channels, seek->count);
	for (uint32_t i = 0; i < marks->count; i++, p += 8) {
		evl_store_le64(p, marks->position[i]);
	}
	evl_sha256_of(out, (size_t)(p - out), p);
	evl_store_le32(p + EVL_SHA256_BYTES, (uint32_t)bytes);
}

const char *rec_trailer_get(const uint8_t *in, size_t bytes, struct rec_trailer *t,
	struct evl_rec_info *infos, struct rec_seek *seek, struct rec_marks *marks,
	uint64_t data_from, uint64_t position)
{
	uint8_t digest[EVL_SHA256_BYTES];
	if (bytes < TRAILER_FIXED + EVL_SHA256_BYTES + 4) {
		return "it is too short";
	}
	size_t body = bytes - EVL_SHA256_BYTES - 4;
	evl_sha256_of(in, body, digest);
	if (evl_load_le32(in + bytes - 4) != bytes || memcmp(in + 12, TRAILER_TAG, 8) != 0 ||
		memcmp(digest, in + body, sizeof digest) != 0) {
		return "its own digest does not fit";
	}
	/* From here on only a writer with a fault, or a forger, can have made it so. */
	uint32_t points = evl_load_le32(in + 24);
	uint32_t mark_count = evl_load_le32(in + 28);
	if (evl_load_le32(in + 20) != seek->channels || points > seek->cap ||
		mark_count > EVL_REC_MARKS_MAX ||
		bytes != rec_trailer_bytes(seek->channels, points, mark_count)) {
		return "its counts do not fit the file";
	}
	t->position = evl_load_le64(in + 32);
	t->blocks = evl_load_le64(in + 40);
	memcpy(t->file_digest, in + 48, EVL_SHA256_BYTES);
	if (t->position != position) {
		return "it belongs to another place in the file";
	}
	const uint8_t *p = in + TRAILER_FIXED;
	for (uint32_t c = 0; c < seek->channels; c++, p += TRAILER_CHANNEL) {
		infos[c].blocks = evl_load_le64(p);
		infos[c].bits = evl_load_le64(p + 8);
		infos[c].first_bit = evl_load_le64(p + 16);
		infos[c].end_bits = evl_load_le64(p + 24);
		infos[c].gaps = evl_load_le64(p + 32);
		infos[c].overruns = evl_load_le64(p + 40);
		infos[c].has_digest = true;
		memcpy(infos[c].digest, p + 48, EVL_SHA256_BYTES);
	}
	if (!rec_seek_get(seek, p, points, data_from, position)) {
		return "its index is out of order";
	}
	p += rec_seek_bytes(seek->channels, points);
	for (uint32_t i = 0; i < mark_count; i++, p += 8) {
		marks->position[i] = evl_load_le64(p);
		if (marks->position[i] % 4 != 0 || marks->position[i] < data_from ||
			marks->position[i] >= position ||
			(i > 0 && marks->position[i] <= marks->position[i - 1])) {
			return "its list of marks is out of order";
		}
	}
	marks->count = mark_count;
	/* The writer doubled the stride as often as the points did not suffice. */
	while (points > 0 && (t->blocks - 1) / seek->stride >= points && seek->stride < 1u << 30) {
		seek->stride *= 2;
	}
	return NULL;
}
