/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Whole VCs at once, for the encoder and decoder that work on four frames of a TU together: the
 * same bits, states and counts as quarter by quarter, with the state of the VC in registers and
 * nothing looked at twice. Whatever is not plain (justification, slips, defects, errors of the
 * label) is left to the quarters.
 */
#include "core/frame/vc1_quarter.h"

#define C_BITS  (EVL_VC1_C1 | EVL_VC1_C2)
#define I_PLACE 1u /* of the I bit in byte 2: value 1 << I_PLACE */

/* ---- encoder ---- */

/* Data of quarter q of an asynchronous VC without justification; returns the XOR of all but byte
 * 1. */
static inline uint64_t fill(struct evl_bitfifo *fifo, uint32_t q, bool t1, uint8_t *out)
{
	uint32_t at = fifo->read;
	uint8_t second = q > 0 ? EVL_VC1_C_NOMINAL : 0;
	if (t1) {
		second |= (uint8_t)((fifo->buf[at / 8] >> (7 - at % 8) & 1) << I_PLACE);
		at++;
	} else {
		out[34] = 0;
	}
	out[1] = second;
	uint64_t x = evl_shift_out(out + 2, fifo->buf + at / 8, at % 8, t1 ? 24 : 32);
	fifo->read = at + (t1 ? 192 : 256);
	return x ^ second;
}

static inline void whole(struct evl_vc1_tx *tx, uint8_t *out, uint32_t stride, bool t1)
{
	uint64_t x = 0;
	for (uint32_t q = 0; q < 4; q++, out += stride) {
		out[0] = evl_vc1_overhead(tx, q);
		x ^= fill(&tx->fifo, q, t1, out) ^ out[0];
	}
	tx->parity = x;
	tx->number++;
}

void evl_vc1_tx_whole(struct evl_vc1_tx *tx, int32_t when, uint8_t *out, uint32_t stride)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[tx->mode];
	evl_vc1_decide(tx, shape, when);
	bool plain = tx->justify == 0 && evl_bitfifo_level(&tx->fifo) >= 4u * shape->bits;
	if (plain && tx->mode == EVL_VC1_E1_ASYNC) {
		whole(tx, out, stride, false);
	} else if (plain && tx->mode == EVL_VC1_T1_ASYNC) {
		whole(tx, out, stride, true);
	} else {
		for (uint32_t q = 0; q < 4; q++) {
			evl_vc1_tx_decided(tx, out + q * stride);
		}
	}
}
