/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Whole VCs at once, for the encoder and decoder that work on four frames of a TU together: the
 * same bits, states and counts as quarter by quarter, with the state of the VC in registers and
 * nothing looked at twice. Whatever is not plain (justification, slips, defects, errors of the
 * label) is left to the quarters.
 */
#include "core/frame/vc1_move.h"
#include "core/frame/vc1_quarter.h"

#define C_BITS       (EVL_VC1_C1 | EVL_VC1_C2)
#define V5_LABEL_RDI 0x0fu
#define LEAST_LEVEL  96u /* bits: more than the output of four frames can differ from the input */

/* ---- encoder ---- */

void evl_vc1_tx_whole(struct evl_vc1_tx *tx, int32_t when, uint8_t *out, uint32_t stride)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[tx->mode];
	evl_vc1_decide(tx, shape, when);
	bool plain = tx->justify == 0 && evl_bitfifo_level(&tx->fifo) >= 4u * shape->bits;
	const bool t1 = tx->mode == EVL_VC1_T1_ASYNC;
	if (!plain || (!t1 && tx->mode != EVL_VC1_E1_ASYNC)) {
		for (uint32_t q = 0; q < 4; q++) {
			evl_vc1_tx_decided(tx, out + q * stride);
		}
		return;
	}
	uint8_t poh[4];
	for (uint32_t q = 0; q < 4; q++) {
		poh[q] = evl_vc1_overhead(tx, q);
	}
	tx->parity = evl_vc1_move_out(out, stride, tx->fifo.buf, tx->fifo.read, poh, t1);
	tx->fifo.read += 4u * shape->bits;
	tx->number++;
}

/* ---- decoder ---- */

/* True when the four quarters change nothing but parities and the store: C1 and C2 nominal, label
 * and RDI as they have been, the store open, on whole bytes and far from its ends. */
static bool is_plain(const struct evl_vc1_rx *rx, const uint8_t *in, uint32_t stride)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[rx->mode];
	const uint32_t level = evl_bitfifo_level(&rx->fifo);
	const uint8_t control = (uint8_t)((in[stride + 1] ^ EVL_VC1_C_NOMINAL) |
					  (in[2 * stride + 1] ^ EVL_VC1_C_NOMINAL) |
					  (in[3 * stride + 1] ^ EVL_VC1_C_NOMINAL));
	return rx->open && !rx->held && rx->quarter == 0 && rx->have_parity &&
	       rx->label == shape->label && rx->label_run == EVL_VC1_PERSISTENCE &&
	       (rx->uneq_run | rx->rdi_run) == 0 && !rx->rdi && !rx->uneq && !rx->plm &&
	       (in[0] & V5_LABEL_RDI) == (uint32_t)shape->label << 1 && (control & C_BITS) == 0 &&
	       rx->fifo.read % 8 == 0 && level >= LEAST_LEVEL && level <= 5u * shape->bits;
}

static inline uint32_t due_whole(
	struct evl_vc1_rx *rx, bool steer, const int32_t late[4], uint32_t bytes[4], uint32_t bits)
{
	uint32_t sum = 0;
	const int64_t due = rx->owed / EVL_VC1_OWED;
	if (!steer && due >= 0 && due < 8 && rx->owed == due * EVL_VC1_OWED) {
		/* Whole bits, at the nominal rate. */
		uint32_t left = (uint32_t)due;
		for (uint32_t k = 0; k < 4; k++) {
			bytes[k] = (left + bits) / 8;
			left = (left + bits) % 8;
			sum += bytes[k];
		}
		rx->owed = left * EVL_VC1_OWED;
		rx->late = late[3] + (int32_t)EVL_VC1_TICKS;
		return sum;
	}
	int64_t level = evl_bitfifo_level(&rx->fifo) - 4 * (int64_t)bits;
	for (uint32_t k = 0; k < 4; k++) {
		level += bits;
		rx->late = late[k];
		bytes[k] = evl_vc1_due(rx, bits, steer, level);
		level -= 8 * (int64_t)bytes[k];
		sum += bytes[k];
	}
	rx->late += EVL_VC1_TICKS;
	return sum;
}

const uint8_t *evl_vc1_rx_whole(struct evl_vc1_rx *rx, const uint8_t *in, uint32_t stride,
	const int32_t late[4], bool steer, uint32_t bytes[4])
{
	const bool t1 = rx->mode == EVL_VC1_T1_ASYNC;
	if ((!t1 && rx->mode != EVL_VC1_E1_ASYNC) || !is_plain(rx, in, stride)) {
		return NULL;
	}
	evl_vc1_parity(rx, in[0]);
	rx->counts.lp_rei += in[0] >> 5 & 1;
	rx->c1 = 3;
	rx->c2 = 0;
	rx->fresh_j2 = true;
	for (uint32_t q = 0; q < 4; q++) {
		rx->poh[q] = in[q * stride];
	}
	const uint32_t bits = t1 ? EVL_VC11_T1_BITS : EVL_VC12_E1_BITS;
	evl_bitfifo_make_room(&rx->fifo, 4 * bits + 8);
	rx->parity = evl_vc1_move_in(rx->fifo.buf, rx->fifo.write, in, stride, t1);
	rx->fifo.write += 4 * bits;
	uint32_t sum = t1 ? due_whole(rx, steer, late, bytes, EVL_VC11_T1_BITS)
			  : due_whole(rx, steer, late, bytes, EVL_VC12_E1_BITS);
	const uint8_t *out = rx->fifo.buf + rx->fifo.read / 8;
	rx->fifo.read += 8 * sum;
	return out;
}
