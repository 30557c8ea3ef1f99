/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/vc1.h"

#include <string.h>

#include "core/frame/vc1_quarter.h"

#define PERSISTENCE EVL_VC1_PERSISTENCE

const struct evl_vc1_shape evl_vc1_shapes[EVL_VC1_MODES] = {
	[EVL_VC1_E1_ASYNC] = {35, false, false, EVL_LABEL_ASYNCHRONOUS, 256, 640, 640, 8},
	[EVL_VC1_E1_BYTE] = {35, false, true, EVL_LABEL_BYTE, 256, 640, 640, 256},
	[EVL_VC1_T1_ASYNC] = {26, true, false, EVL_LABEL_ASYNCHRONOUS, 193, 482, 483, 1},
	[EVL_VC1_T1_BYTE] = {26, true, true, EVL_LABEL_BYTE, 193, 482, 483, 193},
	[EVL_VC1_T1_ASYNC_TU12] = {35, true, false, EVL_LABEL_ASYNCHRONOUS, 193, 482, 483, 1},
	[EVL_VC1_T1_BYTE_TU12] = {35, true, true, EVL_LABEL_BYTE, 193, 482, 483, 193},
};

/* ---- encoder ---- */

void evl_vc1_tx_init(struct evl_vc1_tx *tx, enum evl_vc1_mode mode, uint64_t number)
{
	memset(tx, 0, sizeof(*tx));
	tx->mode = (uint8_t)mode;
	tx->label = evl_vc1_shapes[mode].label;
	struct evl_trace blank;
	(void)evl_trace_set(&blank, EVL_TRACE_16, "", NULL);
	memcpy(tx->j2, blank.bytes, sizeof(tx->j2));
	memset(tx->abcd, 0xff, sizeof(tx->abcd));
	evl_vc1_tx_restart(tx, number);
}

void evl_vc1_tx_restart(struct evl_vc1_tx *tx, uint64_t number)
{
	evl_vc1_tx_cut(tx);
	tx->number = number;
	tx->rei = 0;
	tx->justify = 0;
	tx->relevel = false;
	tx->slips = tx->extra = tx->missing = 0;
	evl_bitfifo_init(&tx->fifo, tx->store, sizeof(tx->store), EVL_VC1_TX_BACK);
}

void evl_vc1_tx_cut(struct evl_vc1_tx *tx)
{
	tx->quarter = 0;
	tx->parity = 0;
	tx->fresh = true;
}

/* At the first byte of a VC: how many bits it shall carry. */
void evl_vc1_decide(struct evl_vc1_tx *tx, const struct evl_vc1_shape *shape, int32_t when)
{
	const int64_t bit = EVL_VC1_TICKS;
	const uint32_t frame = shape->bits;
	int64_t spread = (int64_t)frame * when;
	if (tx->fresh || tx->relevel) {
		/* All bits of a frame are pushed at its start, hence one frame more. */
		int64_t want = (int64_t)(shape->tx_delay + frame) * bit - spread;
		uint32_t level = (uint32_t)(want / bit / shape->unit * shape->unit);
		if (shape->byte) { /* stay on the frames of the client */
			uint32_t off = evl_bitfifo_level(&tx->fifo) % frame;
			level = level / frame * frame + off;
		}
		evl_bitfifo_set_level(&tx->fifo, level);
		tx->target = level * bit + spread;
		tx->fresh = tx->relevel = false;
	}
	int64_t over = evl_bitfifo_level(&tx->fifo) * bit + spread - tx->target;
	if (over < -(int64_t)(frame / 2) * bit) {
		evl_bitfifo_repeat(&tx->fifo, frame);
		over += frame * bit;
		tx->slips++;
	} else if (over > frame * bit) {
		evl_bitfifo_skip(&tx->fifo, frame);
		over -= frame * bit;
		tx->slips++;
	}
	tx->justify = shape->byte ? 0 : over > bit ? 1 : over < -bit ? -1 : 0;
	tx->extra += tx->justify > 0;
	tx->missing += tx->justify < 0;
}

void evl_vc1_tx_decided(struct evl_vc1_tx *tx, uint8_t *out)
{
	out[0] = evl_vc1_overhead(tx, tx->quarter);
	tx->parity ^=
		tx->mode == EVL_VC1_E1_ASYNC ? evl_vc12_fill(tx, out) : evl_vc1_fill_other(tx, out);
	tx->parity ^= (uint64_t)(out[0] ^ out[1]);
	if (++tx->quarter == 4) {
		tx->quarter = 0;
		tx->number++;
	}
}

void evl_vc1_tx_quarter(struct evl_vc1_tx *tx, int32_t when, uint8_t *out)
{
	if (tx->quarter == 0) {
		evl_vc1_decide(tx, &evl_vc1_shapes[tx->mode], when);
	}
	evl_vc1_tx_decided(tx, out);
}

/* ---- decoder ---- */

void evl_vc1_rx_init(struct evl_vc1_rx *rx, enum evl_vc1_mode mode, uint8_t rdi_limit)
{
	memset(rx, 0, sizeof(*rx));
	rx->mode = (uint8_t)mode;
	rx->rdi_limit = rdi_limit;
	evl_bitfifo_init(&rx->fifo, rx->store, sizeof(rx->store), EVL_VC1_RX_BACK);
}

void evl_vc1_rx_cut(struct evl_vc1_rx *rx)
{
	rx->open = rx->held = rx->fresh_j2 = false;
	rx->quarter = 0;
	rx->have_parity = false;
	rx->rdi_run = rx->rfi_run = rx->uneq_run = rx->label_run = 0;
	rx->uneq = rx->plm = rx->rdi = rx->rfi = false;
	rx->s_at = 0xff;
}

static void toggle_after(bool *state, uint8_t *run, bool now, uint8_t limit)
{
	if (now == *state) {
		*run = 0;
	} else if (++*run >= limit) {
		*state = now;
		*run = 0;
	}
}

static void label_rx(struct evl_vc1_rx *rx, uint8_t label)
{
	toggle_after(&rx->uneq, &rx->uneq_run, label == EVL_LABEL_UNEQUIPPED, PERSISTENCE);
	rx->label_run = label == rx->label ? (uint8_t)(rx->label_run + (rx->label_run < 5)) : 1;
	rx->label = label;
	if (rx->label_run == PERSISTENCE) {
		rx->plm = label != evl_vc1_shapes[rx->mode].label &&
			  label != EVL_LABEL_UNEQUIPPED && label != EVL_LABEL_EQUIPPED &&
			  label != EVL_LABEL_VC_AIS;
	}
}

static void overhead_rx(struct evl_vc1_rx *rx, uint8_t v5)
{
	evl_vc1_parity(rx, v5);
	rx->counts.lp_rei += v5 >> 5 & 1;
	toggle_after(&rx->rdi, &rx->rdi_run, (v5 & 1) != 0, rx->rdi_limit);
	/* V5 bit 4 is RFI only in the byte-synchronous VC-11 (9.3.2.1). */
	if (rx->mode == EVL_VC1_T1_BYTE || rx->mode == EVL_VC1_T1_BYTE_TU12) {
		toggle_after(&rx->rfi, &rx->rfi_run, (v5 & 0x10) != 0, PERSISTENCE);
	}
	label_rx(rx, v5 >> 1 & 7);
	rx->parity = 0;
	rx->c1 = rx->c2 = 0;
}

/* Begins with ones in the store, so many that the delay does not depend on where in the frame the
 * VC lies. Rounded up where the encoder rounds down, so that both roundings cancel. */
static void open_store(struct evl_vc1_rx *rx, int32_t late)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[rx->mode];
	int64_t want = (int64_t)shape->rx_delay * EVL_VC1_TICKS - (int64_t)shape->bits * late;
	int64_t unit = shape->unit * (int64_t)EVL_VC1_TICKS;
	int64_t bits = want > 0 ? (want + unit - 1) / unit * shape->unit : 0;
	bits += rx->owed / EVL_VC1_OWED; /* what the output is behind */
	bits = bits < EVL_VC1_MOST_PREFILL ? bits : EVL_VC1_MOST_PREFILL;
	/* All that is read is whole bytes, and stays on whole bytes of the store but for slips. */
	evl_bitfifo_prefill(&rx->fifo, (uint32_t)bits);
	rx->prefill = (uint32_t)bits;
	rx->open = true;
}

void evl_vc1_rx_quarter(struct evl_vc1_rx *rx, const uint8_t *in, int32_t late)
{
	rx->poh[rx->quarter] = in[0];
	if (rx->quarter == 0) {
		overhead_rx(rx, in[0]);
		bool valid = !rx->uneq && !rx->plm && !rx->held;
		if (!valid) {
			rx->open = false;
		} else if (!rx->open) {
			open_store(rx, late);
		}
	} else {
		rx->fresh_j2 |= rx->quarter == 1;
		rx->c1 = (uint8_t)(rx->c1 + (in[1] >> 7));
		rx->c2 = (uint8_t)(rx->c2 + (in[1] >> 6 & 1));
	}
	rx->late = late;
	rx->parity ^=
		rx->mode == EVL_VC1_E1_ASYNC ? evl_vc12_take(rx, in) : evl_vc1_take_other(rx, in);
	rx->parity ^= (uint64_t)(in[0] ^ in[1]);
	if (++rx->quarter == 4) {
		rx->quarter = 0;
		rx->have_parity = true;
	}
}

void evl_vc1_rx_pull(struct evl_vc1_rx *rx, uint8_t out[32])
{
	if (!rx->open) {
		memset(out, 0xff, 32);
		return;
	}
	if (evl_bitfifo_level(&rx->fifo) < EVL_VC12_E1_BITS) {
		evl_bitfifo_repeat(&rx->fifo, EVL_VC12_E1_BITS);
		rx->counts.slips_repeated++;
	}
	evl_bitfifo_pull(&rx->fifo, out, 0, EVL_VC12_E1_BITS);
	rx->late += EVL_VC1_TICKS;
}

uint32_t evl_vc1_rx_pull_bytes(struct evl_vc1_rx *rx, bool steer, uint8_t *out)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[rx->mode];
	const uint32_t frame = shape->bits;
	if (!steer && rx->owed == 0 && frame == EVL_VC12_E1_BITS) {
		evl_vc1_rx_pull(rx, out);
		return EVL_VC12_E1_BITS / 8;
	}
	const uint32_t bytes = evl_vc1_due(rx, frame, steer, evl_bitfifo_level(&rx->fifo));
	if (!rx->open) {
		memset(out, 0xff, bytes);
		return bytes;
	}
	while (evl_bitfifo_level(&rx->fifo) < 8 * bytes) {
		evl_bitfifo_repeat(&rx->fifo, frame);
		rx->counts.slips_repeated++;
	}
	evl_bitfifo_pull(&rx->fifo, out, 0, 8 * bytes);
	rx->late += EVL_VC1_TICKS;
	return bytes;
}
