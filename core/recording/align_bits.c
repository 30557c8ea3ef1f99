/* SPDX-License-Identifier: Apache-2.0 */
#include <string.h>

#include "core/recording/internal.h"
#include "core/signal/bits.h"

enum evl_status rec_span_at(
	struct rec_side *s, int64_t at, int64_t most, struct rec_span *out, struct evl_err *err)
{
	*out = (struct rec_span){INT64_MAX, INT64_MAX};
	at = (at > 0 ? at : 0) + s->from;
	/* Pieces begin at whole bytes; the first may begin up to 7 bits before `at`. */
	uint64_t next = (uint64_t)at & ~(uint64_t)7;
	for (;;) {
		struct evl_rec_piece p;
		enum evl_status st = evl_rec_piece(s->r, s->channel, next, &p, err);
		if (st < 0 && st != EVL_E_END) {
			return st;
		}
		int64_t from = (int64_t)p.bit_offset;
		int64_t to = (int64_t)(p.bit_offset + p.bits);
		to = to < s->to ? to : s->to;
		if (st == EVL_E_END || from >= s->to || to <= at) {
			break;
		}
		if (out->from == INT64_MAX) {
			out->from = from > at ? from : at;
			out->to = to;
		} else if (from != out->to) {
			break; /* a gap */
		}
		out->to = to;
		if (out->to - out->from >= most) {
			out->to = out->from + most;
			break;
		}
		next = (uint64_t)to;
	}
	if (out->from != INT64_MAX) {
		out->from -= s->from;
		out->to -= s->from;
	}
	return EVL_OK;
}

enum evl_status rec_span_read(
	struct rec_side *s, int64_t from, int64_t bits, uint8_t *out, struct evl_err *err)
{
	evl_require(from >= 0 && bits > 0 && bits <= ALIGN_CHUNK_BITS);
	from += s->from;
	unsigned shift = (unsigned)(from % 8);
	size_t need = (size_t)(shift + (uint64_t)bits + 7) / 8;
	size_t bytes = (size_t)(bits + 7) / 8;
	enum evl_status st = evl_rec_read(
		s->r, s->channel, (uint64_t)from - shift, shift == 0 ? out : s->raw, need, err);
	if (st < 0) {
		return st;
	}
	if (shift != 0) {
		s->raw[need] = 0;
		s->raw[need + 1] = 0;
		evl_bits_shift(out, s->raw, bytes, shift);
	}
	if (bits % 8 != 0) {
		out[bytes - 1] = (uint8_t)(out[bytes - 1] & 0xFF00u >> bits % 8);
	}
	memset(out + bytes, 0, 8);
	return EVL_OK;
}
