/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/convert.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { CHUNK = 256 * 1024 };

enum evl_status evl_rec_import_raw(struct evl_rec_writer *w, uint32_t channel, const char *path,
	uint64_t *bytes, struct evl_err *err)
{
	struct stat sb;
	*bytes = 0;
	FILE *f = fopen(path, "rb");
	if (f == NULL) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
	}
	uint8_t *buf = evl_xmalloc(CHUNK);
	enum evl_status st = EVL_OK;
	if (fstat(fileno(f), &sb) == 0 && S_ISDIR(sb.st_mode)) {
		st = evl_err_set(err, EVL_E_INVALID, "%s: is a folder, not a file of bits", path);
	}
	size_t n;
	while (st == EVL_OK && (n = fread(buf, 1, CHUNK, f)) > 0) {
		st = evl_rec_write(w, channel, *bytes * 8, buf, n, 0, err);
		*bytes += n;
	}
	if (st == EVL_OK && ferror(f)) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
	} else if (st == EVL_OK && *bytes == 0) {
		st = evl_err_set(
			err, EVL_E_INVALID, "%s: is empty; there is nothing to import", path);
	}
	free(buf);
	fclose(f);
	return st;
}

/* Writes the marks up to an instant, and says how many are written by now. */
static enum evl_status copy_marks(struct evl_rec *r, struct evl_rec_writer *w, uint32_t *done,
	uint64_t until_ns, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	while (st == EVL_OK && *done < evl_rec_mark_count(r) &&
		evl_rec_mark_at(r, *done)->time_ns <= until_ns) {
		st = evl_rec_mark(w, evl_rec_mark_at(r, (*done)++), err);
	}
	return st;
}

/* The bits of one channel within [from, to). */
static enum evl_status copy_window(struct evl_rec *r, struct evl_rec_writer *w, uint32_t channel,
	uint64_t from, uint64_t to, uint8_t *buf, struct evl_err *err)
{
	while (from < to) {
		struct evl_rec_piece p;
		enum evl_status st = evl_rec_piece(r, channel, from, &p, err);
		if (st == EVL_E_END || (st == EVL_OK && p.bit_offset >= to)) {
			return EVL_OK;
		}
		uint64_t left = to - p.bit_offset < p.bits ? to - p.bit_offset : p.bits;
		size_t n = left / 8 < CHUNK ? (size_t)(left / 8) : CHUNK;
		if (st == EVL_OK) {
			st = evl_rec_read(r, channel, p.bit_offset, buf, n, err);
		}
		if (st == EVL_OK) {
			st = evl_rec_write(w, channel, p.bit_offset, buf, n,
				p.flags & ~(uint32_t)EVL_REC_GAP, err);
		}
		if (st < 0) {
			return st;
		}
		from = p.bit_offset + (uint64_t)n * 8;
	}
	return EVL_OK;
}

enum evl_status evl_rec_copy(struct evl_rec *r, const char *out,
	const struct evl_rec_limits *limits, struct evl_rec_totals *totals, struct evl_err *err)
{
	enum { STEP_FRAMES = 400 }; /* 50 ms: channels stay in step */
	uint32_t count = evl_rec_channel_count(r);
	struct evl_rec_writer *w = NULL;
	struct evl_rec_channel *ch = evl_xcalloc(count, sizeof *ch);
	uint8_t *buf = evl_xmalloc(CHUNK);
	uint64_t frames = 0;
	uint64_t start_ns = UINT64_MAX;
	for (uint32_t c = 0; c < count; c++) {
		const struct evl_rec_info *i = evl_rec_info(r, c);
		uint64_t n = i->end_bits / evl_rate_frame_bits(i->channel.rate) + 1;
		ch[c] = i->channel;
		frames = n > frames ? n : frames;
		start_ns = ch[c].start_ns < start_ns ? ch[c].start_ns : start_ns;
	}
	uint32_t marks = 0;
	enum evl_status st =
		evl_rec_writer_create_set(&w, out, ch, count, evl_rec_meta(r), limits, err);
	for (uint64_t f = 0; st == EVL_OK && f < frames; f += STEP_FRAMES) {
		st = copy_marks(r, w, &marks, start_ns + f * EVL_FRAME_NS, err);
		for (uint32_t c = 0; st == EVL_OK && c < count; c++) {
			uint64_t bits = evl_rate_frame_bits(ch[c].rate);
			st = copy_window(r, w, c, f * bits, (f + STEP_FRAMES) * bits, buf, err);
		}
	}
	if (st == EVL_OK) {
		st = copy_marks(r, w, &marks, UINT64_MAX, err);
	}
	if (st == EVL_OK) {
		st = evl_rec_finish(w, NULL, totals, err);
	} else {
		evl_rec_abandon(w);
	}
	free(buf);
	free(ch);
	return st;
}
