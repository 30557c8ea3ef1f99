/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The client bits of a quarter of VC-12 or VC-11, shared by vc1.c and vc1_other.c only. The VC-12
 * with asynchronous E1 is here, to be inlined; all other mappings are in vc1_other.c:
 *
 *	parity ^= mode == EVL_VC1_E1_ASYNC ? evl_vc12_fill(tx, out) : evl_vc1_fill_other(tx, out);
 */
#pragma once

#include <string.h>

#include "core/frame/shift.h"
#include "core/frame/vc1.h"

#define EVL_VC1_C1        0x80
#define EVL_VC1_C2        0x40
#define EVL_VC1_C_NOMINAL 0x80 /* C1 = 1, C2 = 0 */

#define EVL_VC1_PERSISTENCE 5 /* VCs until a label counts, G.783 */

/* Byte 2 of quarters 1..3 by justification -1, 0, +1. */
static inline uint8_t evl_vc1_control(int8_t justify)
{
	return justify == 0 ? EVL_VC1_C_NOMINAL : justify < 0 ? EVL_VC1_C1 | EVL_VC1_C2 : 0;
}

/* BIP-2 (9.3.2.1) of bytes that were XORed as words. */
static inline uint8_t evl_vc1_bip2(uint64_t x)
{
	x ^= x >> 32;
	x ^= x >> 16;
	x ^= x >> 8;
	x ^= x >> 4;
	x ^= x >> 2;
	return (uint8_t)(x & 3);
}

/* How many bits the VC that begins shall carry. */
void evl_vc1_decide(struct evl_vc1_tx *tx, const struct evl_vc1_shape *shape, int32_t when);

/* A quarter of a VC for which that is decided. */
void evl_vc1_tx_decided(struct evl_vc1_tx *tx, uint8_t *out);

/* V5, J2, N2 or K4. */
static inline uint8_t evl_vc1_overhead(struct evl_vc1_tx *tx, uint32_t q)
{
	if (q == 0) {
		uint8_t rei = tx->rei > 0;
		tx->rei = (uint8_t)(tx->rei - rei);
		uint8_t v5 = (uint8_t)(evl_vc1_bip2(tx->parity) << 6 | rei << 5 | tx->rfi << 4 |
				       tx->label << 1 | tx->rdi);
		tx->parity = 0;
		return (tx->forced & 1) != 0 ? tx->poh[0] : v5;
	}
	if (q == 1 && (tx->forced & 2) == 0) {
		return tx->long_j2 != NULL ? tx->long_j2[tx->number % 64]
					   : tx->j2[tx->number % EVL_TRACE_16];
	}
	return tx->poh[q];
}

static inline uint64_t evl_vc1_load64(const uint8_t *p)
{
	uint64_t v;
	memcpy(&v, p, sizeof(v));
	return v;
}

static inline uint64_t evl_vc1_xor32(const uint8_t *p)
{
	return evl_vc1_load64(p) ^ evl_vc1_load64(p + 8) ^ evl_vc1_load64(p + 16) ^
	       evl_vc1_load64(p + 24);
}

/* A client far too slow, with pointers that take the VC late in the frame, can leave less in the
 * store than the quarter needs before the level is judged again: slip now. */
static inline void evl_vc1_slip_empty(struct evl_vc1_tx *tx, uint32_t frame)
{
	const uint32_t need = frame + (uint32_t)(tx->quarter == 3 ? tx->justify : 0);
	while (evl_bitfifo_level(&tx->fifo) < need) {
		evl_bitfifo_repeat(&tx->fifo, frame);
		tx->slips++;
	}
}

/* All but V5, J2, N2, K4 of the 35 bytes; returns the XOR of bytes 3..35 as words. */
static inline uint64_t evl_vc12_fill(struct evl_vc1_tx *tx, uint8_t *q)
{
	struct evl_bitfifo *fifo = &tx->fifo;
	const uint32_t frame = EVL_VC12_E1_BITS;
	bool nominal = tx->quarter < 3 || tx->justify == 0;
	q[1] = tx->quarter > 0 ? evl_vc1_control(tx->justify) : 0;
	q[34] = 0;
	evl_vc1_slip_empty(tx, frame);
	if (nominal) {
		uint64_t x = evl_shift_out(q + 2, fifo->buf + fifo->read / 8, fifo->read % 8, 32);
		fifo->read += frame;
		return x;
	}
	if (tx->justify > 0) {
		uint8_t s1 = 0;
		evl_bitfifo_pull(fifo, &s1, 7, 1);
		q[1] = (uint8_t)(q[1] | s1);
		evl_bitfifo_pull(fifo, q + 2, 0, frame);
	} else {
		q[2] = 0;
		evl_bitfifo_pull(fifo, q + 2, 1, frame - 1);
	}
	return evl_vc1_xor32(q + 2);
}

/* Room in the output store before a quarter is pushed. */
static inline void evl_vc1_slip_full(struct evl_vc1_rx *rx, uint32_t frame)
{
	if (evl_bitfifo_level(&rx->fifo) > 6 * frame) {
		evl_bitfifo_skip(&rx->fifo, frame);
		rx->counts.slips_lost++;
	}
}

/* Takes the data bits if the store is open; returns the XOR of bytes 3..35 as words. */
static inline uint64_t evl_vc12_take(struct evl_vc1_rx *rx, const uint8_t *q)
{
	struct evl_bitfifo *fifo = &rx->fifo;
	const uint32_t frame = EVL_VC12_E1_BITS;
	if (!rx->open) {
		return evl_vc1_xor32(q + 2) ^ q[34];
	}
	evl_vc1_slip_full(rx, frame);
	bool s1_data = rx->quarter == 3 && rx->c1 < 2, s2_data = rx->quarter < 3 || rx->c2 < 2;
	if (!s1_data && s2_data) {
		evl_bitfifo_make_room(fifo, frame + 8);
		uint64_t x = evl_shift_in(fifo->buf + fifo->write / 8, q + 2, fifo->write % 8, 32);
		fifo->write += frame;
		return x ^ q[34];
	}
	if (s1_data == s2_data) {
		rx->counts.extra += s1_data;
		rx->counts.missing += !s1_data;
	}
	if (s1_data) {
		evl_bitfifo_push(fifo, q + 1, 7, 1);
	}
	if (s2_data) {
		evl_bitfifo_push(fifo, q + 2, 0, frame);
	} else {
		evl_bitfifo_push(fifo, q + 2, 1, frame - 1);
	}
	return evl_vc1_xor32(q + 2) ^ q[34];
}

/* V5 begins a VC: compares the parity of the one before. */
static inline void evl_vc1_parity(struct evl_vc1_rx *rx, uint8_t v5)
{
	if (rx->have_parity) {
		uint8_t diff = (uint8_t)(v5 >> 6 ^ evl_vc1_bip2(rx->parity));
		uint8_t errors = (uint8_t)((diff & 1) + (diff >> 1));
		rx->counts.bip2_errors += errors;
		rx->counts.bip2_blocks += errors > 0;
		if (errors > 0 && rx->rei_out < 255) {
			rx->rei_out++;
		}
	}
}

/* Bytes of output for one frame time, with `level` bits in the store. */
static inline uint32_t evl_vc1_due(struct evl_vc1_rx *rx, uint32_t frame, bool steer, int64_t level)
{
	if (rx->open && steer) {
		/* A quarter is pushed at once; as if its bits came in evenly, a frame of the client
		 * in EVL_VC1_TICKS, the level would be one quarter less and what came since its
		 * first byte more. */
		const uint32_t delay = evl_vc1_shapes[rx->mode].rx_delay;
		rx->owed += level * EVL_VC1_TICKS + (int64_t)frame * rx->late -
			    (int64_t)(delay + frame) * EVL_VC1_TICKS -
			    rx->owed / EVL_VC1_DESYNC_FRAMES;
	}
	/* Whole bytes of what is owed, within what a frame may bring; no division. */
	const int64_t byte = 8 * EVL_VC1_OWED;
	const uint32_t least = frame / 8 - 1, most = (frame + 7) / 8 + 1;
	int64_t owed = rx->owed + frame * EVL_VC1_OWED - least * byte;
	uint32_t bytes = least;
	for (uint32_t n = least; n < most; n++) {
		bytes += owed >= byte * (n + 1 - least);
	}
	rx->owed = owed - (bytes - least) * byte;
	return bytes;
}

uint64_t evl_vc1_fill_other(struct evl_vc1_tx *tx, uint8_t *q);
uint64_t evl_vc1_take_other(struct evl_vc1_rx *rx, const uint8_t *q);
