/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/reader.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/recording/internal.h"
#include "core/recording/stream_digest.h"

const char *evl_rec_path(const struct evl_rec *r)
{
	return r->path;
}

const char *evl_rec_software(const struct evl_rec *r)
{
	return r->software;
}

const char *evl_rec_meta(const struct evl_rec *r)
{
	return r->meta;
}

bool evl_rec_is_finished(const struct evl_rec *r)
{
	return r->finished;
}

const char *evl_rec_missing(const struct evl_rec *r)
{
	return r->missing;
}

uint32_t evl_rec_mark_count(const struct evl_rec *r)
{
	return r->marks.count;
}

const struct evl_rec_mark *evl_rec_mark_at(const struct evl_rec *r, uint32_t index)
{
	evl_require(index < r->marks.count);
	return &r->marks.marks[index];
}

uint32_t evl_rec_channel_count(const struct evl_rec *r)
{
	return r->channels;
}

const struct evl_rec_info *evl_rec_info(const struct evl_rec *r, uint32_t channel)
{
	evl_require(channel < r->channels);
	return &r->infos[channel];
}

bool evl_rec_find(const struct evl_rec *r, const char *name, uint32_t *channel)
{
	for (uint32_t c = 0; c < r->channels; c++) {
		if (strcmp(r->plain[c].name, name) == 0) {
			*channel = c;
			return true;
		}
	}
	return false;
}

/* Copies bytes of one block, small amounts by way of the channel's read-ahead buffer. */
static enum evl_status copy(struct evl_rec *r, uint32_t channel, const struct rec_block *b,
	uint64_t pos, uint8_t *out, size_t bytes, struct evl_err *err)
{
	struct rec_lane *l = &r->lanes[channel];
	if (pos < l->from || pos + bytes > l->from + l->bytes) {
		if (bytes >= r->lane_bytes) {
			return rec_pread(r, pos, out, bytes, err);
		}
		uint64_t left = b->data_pos + b->bytes - pos;
		l->bytes = 0;
		uint32_t n = left < r->lane_bytes ? (uint32_t)left : r->lane_bytes;
		enum evl_status st = rec_pread(r, pos, l->buf, n, err);
		if (st < 0) {
			return st;
		}
		l->from = pos;
		l->bytes = n;
	}
	memcpy(out, l->buf + (pos - l->from), bytes);
	return EVL_OK;
}

enum evl_status evl_rec_read(struct evl_rec *r, uint32_t channel, uint64_t bit_offset, void *buf,
	size_t bytes, struct evl_err *err)
{
	evl_require(channel < r->channels && bit_offset % 8 == 0);
	if (r->set != NULL) {
		return rec_set_read(r, channel, bit_offset, buf, bytes, err);
	}
	uint8_t *out = buf;
	while (bytes > 0) {
		const struct rec_block *b;
		enum evl_status st = rec_locate(r, channel, bit_offset, &b, err);
		if (st == EVL_E_END) {
			return evl_err_set(err, EVL_E_END,
				"%s: channel %s ends before bit %" PRIu64 " (frame %" PRIu64 ")",
				r->path, r->plain[channel].name, bit_offset,
				bit_offset / evl_rate_frame_bits(r->plain[channel].rate));
		}
		if (st < 0) {
			return st;
		}
		if (b->bit_offset > bit_offset) {
			return evl_err_set(err, EVL_E_NOTFOUND,
				"%s: channel %s has a gap: bits %" PRIu64 " to %" PRIu64
				" were not recorded",
				r->path, r->plain[channel].name, bit_offset, b->bit_offset - 1);
		}
		uint64_t skip = (bit_offset - b->bit_offset) / 8;
		size_t n = b->bytes - (size_t)skip;
		n = n < bytes ? n : bytes;
		st = copy(r, channel, b, b->data_pos + skip, out, n, err);
		if (st < 0) {
			return st;
		}
		out += n;
		bytes -= n;
		bit_offset += (uint64_t)n * 8;
	}
	return EVL_OK;
}

enum evl_status evl_rec_piece(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	struct evl_rec_piece *out, struct evl_err *err)
{
	evl_require(channel < r->channels && bit_offset % 8 == 0);
	if (r->set != NULL) {
		return rec_set_piece(r, channel, bit_offset, out, err);
	}
	const struct rec_block *b;
	enum evl_status st = rec_locate(r, channel, bit_offset, &b, err);
	if (st == EVL_E_END) {
		return evl_err_set(err, EVL_E_END, "%s: channel %s ends before bit %" PRIu64,
			r->path, r->plain[channel].name, bit_offset);
	}
	if (st < 0) {
		return st;
	}
	uint64_t from = b->bit_offset > bit_offset ? b->bit_offset : bit_offset;
	out->bit_offset = from;
	out->bits = b->bit_offset + (uint64_t)b->bytes * 8 - from;
	out->flags = from == b->bit_offset ? b->flags : b->flags & ~(uint32_t)EVL_REC_GAP;
	return EVL_OK;
}

typedef enum evl_status (*take_bits)(
	void *context, uint64_t bit_offset, const uint8_t *data, size_t bytes, struct evl_err *err);

/* Hands over all bits of a channel in order. */
static enum evl_status each_bit(
	struct evl_rec *r, uint32_t channel, take_bits take, void *context, struct evl_err *err)
{
	enum { CHUNK = SNAPLEN };
	uint8_t *buf = malloc(CHUNK);
	if (buf == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "%s: no memory to read it", r->path);
	}
	uint64_t at = 0;
	enum evl_status st;
	struct evl_rec_piece piece = {0};
	while ((st = evl_rec_piece(r, channel, at, &piece, err)) == EVL_OK) {
		size_t n = (size_t)(piece.bits / 8);
		st = evl_rec_read(r, channel, piece.bit_offset, buf, n, err);
		if (st == EVL_OK) {
			st = take(context, piece.bit_offset, buf, n, err);
		}
		if (st < 0) {
			break;
		}
		at = piece.bit_offset + piece.bits;
	}
	free(buf);
	return st == EVL_E_END ? EVL_OK : st;
}

struct digesting {
	struct evl_rec *r;
	struct evl_stream_digest *digest;
};

static enum evl_status to_digest(
	void *context, uint64_t bit_offset, const uint8_t *data, size_t bytes, struct evl_err *err)
{
	struct digesting *d = context;
	if (evl_stream_digest_update(d->digest, bit_offset, data, bytes) < 0) {
		return evl_err_set(
			err, EVL_E_CORRUPT, "%s: blocks of a channel are out of order", d->r->path);
	}
	return EVL_OK;
}

enum evl_status evl_rec_digest(
	struct evl_rec *r, uint32_t channel, uint8_t out[EVL_SHA256_BYTES], struct evl_err *err)
{
	struct digesting d = {r, evl_stream_digest_create()};
	enum evl_status st = each_bit(r, channel, to_digest, &d, err);
	evl_stream_digest_end(d.digest, out);
	evl_stream_digest_destroy(d.digest);
	return st;
}

struct extracting {
	FILE *out;
	const char *name;
	uint64_t bytes, gaps, next_bit;
};

static enum evl_status to_file(
	void *context, uint64_t bit_offset, const uint8_t *data, size_t bytes, struct evl_err *err)
{
	struct extracting *x = context;
	if (bit_offset != x->next_bit) {
		x->gaps++;
	}
	x->next_bit = bit_offset + (uint64_t)bytes * 8;
	if (fwrite(data, 1, bytes, x->out) != bytes) {
		return evl_err_set(err, EVL_E_IO,
			"%s: cannot be written: %s; %" PRIu64 " bytes were handed over before",
			x->name, strerror(errno), x->bytes);
	}
	x->bytes += bytes;
	return EVL_OK;
}

enum evl_status evl_rec_extract(struct evl_rec *r, uint32_t channel, FILE *out,
	const char *out_name, uint64_t *bytes, uint64_t *gaps, struct evl_err *err)
{
	struct extracting x = {out, out_name, 0, 0, 0};
	enum evl_status st = each_bit(r, channel, to_file, &x, err);
	if (st == EVL_OK && fflush(out) != 0) {
		st = evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", out_name, strerror(errno));
	}
	if (bytes != NULL) {
		*bytes = x.bytes;
	}
	if (gaps != NULL) {
		*gaps = x.gaps;
	}
	return st;
}
