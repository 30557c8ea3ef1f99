/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finding a channel's blocks with bounded memory. A window lists WINDOW_BLOCKS consecutive blocks
 * of the file, sorted by channel; channels that are read in step share one window or two. The seek
 * points say where to begin the window that holds an offset.
 */
#include "core/recording/internal.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/bytes.h"

/* All channels' read-ahead buffers together, and each one's largest. */
enum { LANES_BYTES = 32 * 1024 * 1024, LANE_BYTES = 64 * 1024 };

bool rec_windows_init(struct evl_rec *r)
{
	r->scratch = calloc(WINDOW_BLOCKS, sizeof *r->scratch);
	r->lanes = calloc(r->channels, sizeof *r->lanes);
	bool good = r->scratch != NULL && r->lanes != NULL;
	for (int i = 0; i < WINDOWS; i++) {
		struct rec_window *w = &r->windows[i];
		w->first = calloc(r->channels + 1, sizeof *w->first);
		w->blocks = calloc(WINDOW_BLOCKS, sizeof *w->blocks);
		good = good && w->first != NULL && w->blocks != NULL;
	}
	r->lane_bytes = LANES_BYTES / r->channels;
	r->lane_bytes = r->lane_bytes < LANE_BYTES ? r->lane_bytes : LANE_BYTES;
	for (uint32_t c = 0; good && c < r->channels; c++) {
		r->lanes[c].buf = malloc(r->lane_bytes);
		good = r->lanes[c].buf != NULL;
	}
	return good;
}

void rec_windows_finish(struct evl_rec *r)
{
	for (int i = 0; i < WINDOWS; i++) {
		free(r->windows[i].first);
		free(r->windows[i].blocks);
	}
	for (uint32_t c = 0; r->lanes != NULL && c < r->channels; c++) {
		free(r->lanes[c].buf);
	}
	free(r->lanes);
	free(r->scratch);
}

enum evl_status rec_pread(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err)
{
	return r->packed != NULL ? rec_packed_read(r, pos, buf, bytes, err)
				 : rec_file_pread(r, pos, buf, bytes, err);
}

enum evl_status rec_file_pread(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err)
{
	uint8_t *p = buf;
	while (bytes > 0) {
		ssize_t n = pread(r->fd, p, bytes, (off_t)pos);
		if (n < 0 && errno == EINTR) {
			continue;
		}
		if (n < 0) {
			return evl_err_set(err, EVL_E_IO,
				"%s: cannot be read at byte %" PRIu64 ": %s", r->path, pos,
				strerror(errno));
		}
		if (n == 0) {
			return evl_err_set(err, EVL_E_IO,
				"%s: became shorter than %" PRIu64 " bytes while it was read",
				r->path, pos + bytes);
		}
		p += n;
		pos += (uint64_t)n;
		bytes -= (size_t)n;
	}
	return EVL_OK;
}

/* A view of `bytes` bytes at `pos`, which lie within the file; valid until the next call. */
static enum evl_status fetch(
	struct evl_rec *r, uint64_t pos, uint32_t bytes, const uint8_t **out, struct evl_err *err)
{
	evl_require(bytes <= FETCH_BYTES && bytes <= r->size && pos <= r->size - bytes);
	if (pos < r->fetched_from || pos + bytes > r->fetched_from + r->fetched_bytes) {
		uint64_t left = r->size - pos;
		uint32_t n = left < FETCH_BYTES ? (uint32_t)left : FETCH_BYTES;
		r->fetched_bytes = 0;
		enum evl_status st = rec_pread(r, pos, r->fetched, n, err);
		if (st < 0) {
			return st;
		}
		r->fetched_from = pos;
		r->fetched_bytes = n;
	}
	*out = r->fetched + (pos - r->fetched_from);
	return EVL_OK;
}

static enum evl_status broken(struct evl_err *err, uint64_t pos, const char *what)
{
	return evl_err_set(
		err, EVL_E_CORRUPT, "the block at byte %" PRIu64 " is altered: %s", pos, what);
}

enum evl_status rec_block_at(struct evl_rec *r, uint64_t pos, uint64_t limit, struct rec_block *out,
	bool *cut, struct evl_err *err)
{
	const uint8_t *p;
	uint64_t left = limit - pos;
	*cut = left < PACKET_BYTES;
	if (left < 4) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"the block at byte %" PRIu64 " is cut after %" PRIu64 " bytes", pos, left);
	}
	uint32_t have = left < PACKET_BYTES ? (uint32_t)left : PACKET_BYTES;
	enum evl_status st = fetch(r, pos, have, &p, err);
	if (st < 0) {
		return st;
	}
	uint32_t type = evl_load_le32(p);
	if (type == BLOCK_CUSTOM_FIXED) {
		bool whole = left >= 8 && evl_load_le32(p + 4) <= left;
		*cut = !whole;
		return evl_err_set(err, EVL_E_CORRUPT, "the trailer at byte %" PRIu64 " is %s", pos,
			whole ? "altered" : "cut");
	}
	if (type == BLOCK_MARK && left >= PACKET_BYTES) {
		uint32_t n = evl_load_le32(p + 4);
		if (n > left && n <= MARK_BLOCK_MAX) {
			*cut = true;
			return evl_err_set(err, EVL_E_CORRUPT,
				"the mark at byte %" PRIu64 " is cut: %" PRIu64 " of its %" PRIu32
				" bytes are there",
				pos, left, n);
		}
		char text[EVL_REC_MARK_TEXT_MAX + 1];
		struct evl_rec_mark mark;
		const char *bad = "its length cannot be";
		if (n <= MARK_BLOCK_MAX) {
			st = fetch(r, pos, n, &p, err);
			if (st < 0) {
				return st;
			}
			bad = rec_get_mark(&mark, text, p, n, r->channels);
		}
		out->channel = (uint32_t)MARK_CHANNEL;
		out->block_bytes = n;
		return bad != NULL ? broken(err, pos, bad) : EVL_OK;
	}
	if (type != BLOCK_PACKET && type != BLOCK_MARK) {
		*cut = false;
		return broken(err, pos, "its type is not one that a recording has there");
	}
	if (*cut) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"the block at byte %" PRIu64 " is cut after %" PRIu64 " bytes", pos, left);
	}
	uint64_t time_ns;
	const char *wrong = rec_get_packet_head(out, &time_ns, p, pos, r->channels);
	if (wrong != NULL) {
		return broken(err, pos, wrong);
	}
	if (out->block_bytes > left) {
		*cut = true;
		return evl_err_set(err, EVL_E_CORRUPT,
			"the block at byte %" PRIu64 " (channel %s) is cut: %" PRIu64
			" of its %" PRIu32 " bytes are there",
			pos, r->plain[out->channel].name, left, out->block_bytes);
	}
	uint32_t skip = PACKET_BYTES + rec_padded(out->bytes);
	st = fetch(r, pos + skip, out->block_bytes - skip, &p, err);
	if (st < 0) {
		return st;
	}
	wrong = rec_get_packet_tail(out, time_ns, p, out->block_bytes - skip, r->plain);
	return wrong != NULL ? broken(err, pos, wrong) : EVL_OK;
}

/* Lists the blocks from `from` on. Sorting by counting keeps the order of the file. */
static enum evl_status load(
	struct evl_rec *r, struct rec_window *w, uint64_t from, struct evl_err *err)
{
	uint64_t pos = from;
	uint32_t n = 0;
	w->from = w->to = 0;
	memset(w->first, 0, (r->channels + 1) * sizeof *w->first);
	while (pos < r->data_to && n < WINDOW_BLOCKS) {
		struct rec_block *b = &r->scratch[n];
		bool cut;
		enum evl_status st = rec_block_at(r, pos, r->data_to, b, &cut, err);
		if (st == EVL_E_CORRUPT) {
			evl_err_prefix(err, "%s", r->path);
		}
		if (st < 0) {
			return st;
		}
		pos += b->block_bytes;
		if (b->channel != (uint32_t)MARK_CHANNEL) {
			w->first[b->channel + 1]++;
			n++;
		}
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		w->first[c + 1] += w->first[c];
	}
	/* Fill each channel's part from its end, so that first[] needs no second copy. */
	for (uint32_t i = n; i-- > 0;) {
		w->blocks[--w->first[r->scratch[i].channel + 1]] = r->scratch[i];
	}
	/* first[c + 1] now says where c begins; bring it back to where c ends. */
	memmove(w->first, w->first + 1, r->channels * sizeof *w->first);
	w->first[r->channels] = n;
	w->from = from;
	w->to = pos;
	w->last = pos >= r->data_to;
	return EVL_OK;
}

static enum evl_status window_at(
	struct evl_rec *r, uint64_t from, struct rec_window **out, struct evl_err *err)
{
	struct rec_window *oldest = &r->windows[0];
	for (int i = 0; i < WINDOWS; i++) {
		struct rec_window *w = &r->windows[i];
		if (w->from != w->to && w->from == from) {
			*out = w;
			return EVL_OK;
		}
		if (w->stamp < oldest->stamp) {
			oldest = w;
		}
	}
	*out = oldest;
	return load(r, oldest, from, err);
}

static uint64_t block_end(const struct rec_block *b)
{
	return b->bit_offset + (uint64_t)b->bytes * 8;
}

/* The first block of the channel in the window that ends after the offset, or NULL. */
static const struct rec_block *search(
	struct evl_rec *r, struct rec_window *w, uint32_t channel, uint64_t bit_offset)
{
	uint32_t lo = w->first[channel];
	uint32_t hi = w->first[channel + 1];
	uint32_t end = hi;
	while (lo < hi) {
		uint32_t mid = lo + (hi - lo) / 2;
		if (block_end(&w->blocks[mid]) > bit_offset) {
			hi = mid;
		} else {
			lo = mid + 1;
		}
	}
	if (lo == end) {
		return NULL;
	}
	w->stamp = ++r->clock;
	r->lanes[channel].window = w;
	r->lanes[channel].window_from = w->from;
	r->lanes[channel].block = lo;
	return &w->blocks[lo];
}

/* Where to begin looking for an offset: the last seek point at or before it, and from there back to
 * the last of few places, so that channels whose blocks stand near each other share a window. */
static uint64_t seek_position(const struct evl_rec *r, uint32_t channel, uint64_t bit_offset)
{
	const struct rec_seek *t = &r->seek;
	uint32_t lo = 0;
	uint32_t hi = t->count;
	while (lo < hi) {
		uint32_t mid = lo + (hi - lo) / 2;
		if (t->first[(size_t)mid * t->channels + channel] <= bit_offset) {
			lo = mid + 1;
		} else {
			hi = mid;
		}
	}
	uint32_t grid = t->stride < WINDOW_BLOCKS / 2 ? WINDOW_BLOCKS / 2 / (uint32_t)t->stride : 1;
	return lo > 0 ? t->position[(lo - 1) / grid * grid] : r->data_from;
}

enum evl_status rec_locate(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	const struct rec_block **out, struct evl_err *err)
{
	/* Mostly the block of the last call, or the next one. */
	const struct rec_lane *l = &r->lanes[channel];
	if (l->window != NULL && l->window->from == l->window_from &&
		l->block >= l->window->first[channel] && l->block < l->window->first[channel + 1]) {
		const struct rec_block *b = &l->window->blocks[l->block];
		if (bit_offset >= b->bit_offset && bit_offset < block_end(b)) {
			l->window->stamp = ++r->clock;
			*out = b;
			return EVL_OK;
		}
	}
	uint64_t start = 0;
	for (int i = 0; i < WINDOWS; i++) {
		struct rec_window *w = &r->windows[i];
		uint32_t a = w->first[channel];
		uint32_t z = w->first[channel + 1];
		if (w->from == w->to || a == z) {
			continue;
		}
		if (w->blocks[a].bit_offset <= bit_offset &&
			bit_offset < block_end(&w->blocks[z - 1])) {
			*out = search(r, w, channel, bit_offset);
			return EVL_OK;
		}
		if (block_end(&w->blocks[z - 1]) <= bit_offset && w->to > start) {
			start = w->to;
		}
	}
	uint64_t sought = seek_position(r, channel, bit_offset);
	start = start > sought ? start : sought;
	while (start < r->data_to) {
		struct rec_window *w;
		enum evl_status st = window_at(r, start, &w, err);
		if (st < 0) {
			return st;
		}
		const struct rec_block *b = search(r, w, channel, bit_offset);
		if (b != NULL) {
			*out = b;
			return EVL_OK;
		}
		w->stamp = ++r->clock;
		start = w->to;
	}
	return EVL_E_END;
}
