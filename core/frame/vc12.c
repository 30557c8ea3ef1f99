/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/vc12.h"

#include <string.h>

#include "core/signal/bip.h"

#define E1_FRAME      EVL_VC12_E1_BITS
#define PERSISTENCE   5    /* VCs until a label counts, G.783 */
#define C_NOMINAL     0x80 /* C1 = 1, C2 = 0 */
#define C1_BIT        0x80
#define C2_BIT        0x40
#define S1_BIT        0x01
#define TX_LOW        128   /* bits too few, and ... */
#define TX_HIGH       256   /* ... too many, at which the input store slips */
#define RX_HIGH       1536u /* bits at which the output store slips */
#define RX_START_BITS EVL_VC12_RX_DELAY_BITS

static uint64_t load64(const uint8_t *p)
{
	uint64_t v;
	memcpy(&v, p, sizeof(v));
	return v;
}

static uint8_t fold(uint64_t x)
{
	x ^= x >> 32;
	x ^= x >> 16;
	x ^= x >> 8;
	return (uint8_t)x;
}

/* Copies 32 bytes and returns the XOR of its words, without reading what was just written. */
static inline uint64_t copy_xor(uint8_t *dst, const uint8_t *src)
{
	uint64_t a = load64(src), b = load64(src + 8), c = load64(src + 16), d = load64(src + 24);
	memcpy(dst, &a, 8);
	memcpy(dst + 8, &b, 8);
	memcpy(dst + 16, &c, 8);
	memcpy(dst + 24, &d, 8);
	return a ^ b ^ c ^ d;
}

static uint64_t xor32(const uint8_t *p)
{
	return load64(p) ^ load64(p + 8) ^ load64(p + 16) ^ load64(p + 24);
}

/* ---- encoder ---- */

void evl_vc12_tx_init(struct evl_vc12_tx *tx, uint64_t number)
{
	*tx = (struct evl_vc12_tx){
		.label = EVL_LABEL_ASYNCHRONOUS, .fresh = true, .number = number};
	evl_bitfifo_init(&tx->fifo);
	(void)evl_trace_make(tx->j2, "");
}

void evl_vc12_tx_cut(struct evl_vc12_tx *tx)
{
	tx->quarter = 0;
	tx->parity = 0;
	tx->fresh = true;
}

/* At the first byte of a VC: how many bits it shall carry. */
static void decide(struct evl_vc12_tx *tx, int32_t when)
{
	const int64_t bit = EVL_VC12_TICKS;
	int64_t spread = (int64_t)E1_FRAME * when;
	if (tx->fresh || tx->relevel) {
		/* All bits of a frame are pushed at its start, hence one frame more. */
		int64_t want = (int64_t)(EVL_VC12_TX_DELAY_BITS + E1_FRAME) * bit - spread;
		uint32_t level = (uint32_t)(want / bit / 8 * 8);
		evl_bitfifo_set_level(&tx->fifo, level);
		tx->target = level * bit + spread;
		tx->fresh = tx->relevel = false;
	}
	int64_t over = evl_bitfifo_level(&tx->fifo) * bit + spread - tx->target;
	if (over < -TX_LOW * bit) {
		evl_bitfifo_repeat(&tx->fifo);
		over += E1_FRAME * bit;
		tx->slips++;
	} else if (over > TX_HIGH * bit) {
		evl_bitfifo_skip(&tx->fifo);
		over -= E1_FRAME * bit;
		tx->slips++;
	}
	tx->justify = over > bit ? 1 : over < -bit ? -1 : 0;
	tx->extra += over > bit;
	tx->missing += over < -bit;
}

/* Fills the 32 data bytes, and S1; returns the XOR of the data words. */
static uint64_t data_tx(struct evl_vc12_tx *tx, uint8_t *q)
{
	struct evl_bitfifo *fifo = &tx->fifo;
	bool nominal = tx->quarter < 3 || tx->justify == 0;
	if (nominal && fifo->read % 8 == 0) {
		evl_require(evl_bitfifo_level(fifo) >= E1_FRAME);
		uint64_t x = copy_xor(q + 2, fifo->buf + fifo->read / 8);
		fifo->read += E1_FRAME;
		return x;
	}
	if (nominal) {
		evl_bitfifo_pull(&tx->fifo, q + 2, 0, E1_FRAME);
	} else if (tx->justify > 0) {
		uint8_t s1 = 0;
		evl_bitfifo_pull(&tx->fifo, &s1, 7, 1);
		q[1] = (uint8_t)(q[1] | s1);
		evl_bitfifo_pull(&tx->fifo, q + 2, 0, E1_FRAME);
	} else {
		q[2] = 0;
		evl_bitfifo_pull(&tx->fifo, q + 2, 1, E1_FRAME - 1);
	}
	return xor32(q + 2);
}

void evl_vc12_tx_quarter(struct evl_vc12_tx *tx, int32_t when, uint8_t out[EVL_VC12_QUARTER])
{
	static const uint8_t control[3] = {C1_BIT | C2_BIT, C_NOMINAL, 0};
	out[1] = 0;
	if (tx->quarter == 0) {
		decide(tx, when);
		uint8_t rei = tx->rei > 0;
		tx->rei = (uint8_t)(tx->rei - rei);
		out[0] = (uint8_t)(evl_bip2_of_bip8(fold(tx->parity)) << 6 | rei << 5 |
				   tx->label << 1 | tx->rdi);
		tx->parity = 0;
	} else {
		out[0] = tx->quarter == 1 ? tx->j2[tx->number % EVL_TRACE_BYTES] : 0;
		out[1] = control[tx->justify + 1];
	}
	out[34] = 0;
	tx->parity ^= data_tx(tx, out);
	tx->parity ^= (uint64_t)(out[0] ^ out[1]);
	if (++tx->quarter == 4) {
		tx->quarter = 0;
		tx->number++;
	}
}

/* ---- decoder ---- */

void evl_vc12_rx_init(struct evl_vc12_rx *rx, uint8_t rdi_limit)
{
	memset(rx, 0, sizeof(*rx));
	rx->rdi_limit = rdi_limit;
	evl_bitfifo_init(&rx->fifo);
}

void evl_vc12_rx_cut(struct evl_vc12_rx *rx)
{
	rx->open = false;
	rx->quarter = 0;
	rx->have_parity = false;
	rx->rdi_run = rx->uneq_run = rx->label_run = 0;
	rx->uneq = rx->plm = rx->rdi = false;
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

static void label_rx(struct evl_vc12_rx *rx, uint8_t label)
{
	toggle_after(&rx->uneq, &rx->uneq_run, label == EVL_LABEL_UNEQUIPPED, PERSISTENCE);
	rx->label_run = label == rx->label ? (uint8_t)(rx->label_run + (rx->label_run < 5)) : 1;
	rx->label = label;
	if (rx->label_run == PERSISTENCE) {
		rx->plm = label != EVL_LABEL_ASYNCHRONOUS && label != EVL_LABEL_UNEQUIPPED &&
			  label != EVL_LABEL_EQUIPPED && label != EVL_LABEL_VC_AIS;
	}
}

static void overhead_rx(struct evl_vc12_rx *rx, uint8_t v5)
{
	if (rx->have_parity) {
		uint8_t diff = (uint8_t)(v5 >> 6 ^ evl_bip2_of_bip8(fold(rx->parity)));
		uint8_t errors = (uint8_t)((diff & 1) + (diff >> 1));
		rx->counts.bip2_errors += errors;
		if (errors > 0 && rx->rei_out < 255) {
			rx->rei_out++;
		}
	}
	rx->counts.lp_rei += v5 >> 5 & 1;
	toggle_after(&rx->rdi, &rx->rdi_run, (v5 & 1) != 0, rx->rdi_limit);
	label_rx(rx, v5 >> 1 & 7);
	rx->parity = 0;
	rx->c1 = rx->c2 = 0;
}

/* Begins with ones in the store, so many that the delay does not depend on where in the frame the
 * VC lies. Rounded up where the encoder rounds down, so that both roundings cancel. */
static void open_store(struct evl_vc12_rx *rx, int32_t late)
{
	int64_t want = (int64_t)RX_START_BITS * EVL_VC12_TICKS - (int64_t)E1_FRAME * late;
	int64_t unit = 8 * (int64_t)EVL_VC12_TICKS;
	int64_t bits = want > 0 ? (want + unit - 1) / unit * 8 : 0;
	bits = bits < 8 * (int64_t)EVL_BITFIFO_BACK ? bits : 8 * (int64_t)EVL_BITFIFO_BACK;
	evl_bitfifo_init(&rx->fifo);
	evl_bitfifo_set_level(&rx->fifo, (uint32_t)bits);
	rx->prefill = (uint32_t)bits;
	rx->owed = 0;
	rx->open = true;
}

/* Takes the data bits; returns the XOR of the data words. */
static uint64_t data_rx(struct evl_vc12_rx *rx, const uint8_t *q)
{
	struct evl_bitfifo *fifo = &rx->fifo;
	if (evl_bitfifo_level(&rx->fifo) > RX_HIGH) {
		evl_bitfifo_skip(&rx->fifo);
		rx->counts.slips_lost++;
	}
	bool s1_data = rx->quarter == 3 && rx->c1 < 2, s2_data = rx->quarter < 3 || rx->c2 < 2;
	if (!s1_data && s2_data && fifo->write % 8 == 0) {
		evl_bitfifo_make_room(fifo, E1_FRAME);
		uint64_t x = copy_xor(fifo->buf + fifo->write / 8, q + 2);
		fifo->write += E1_FRAME;
		return x;
	}
	if (s1_data == s2_data) {
		rx->counts.extra += s1_data;
		rx->counts.missing += !s1_data;
	}
	if (s1_data) {
		evl_bitfifo_push(&rx->fifo, q + 1, 7, 1);
	}
	if (s2_data) {
		evl_bitfifo_push(&rx->fifo, q + 2, 0, E1_FRAME);
	} else {
		evl_bitfifo_push(&rx->fifo, q + 2, 1, E1_FRAME - 1);
	}
	return xor32(q + 2);
}

void evl_vc12_rx_quarter(struct evl_vc12_rx *rx, const uint8_t in[EVL_VC12_QUARTER], int32_t late)
{
	if (rx->quarter == 0) {
		overhead_rx(rx, in[0]);
		bool valid = !rx->uneq && !rx->plm;
		if (!valid) {
			rx->open = false;
		} else if (!rx->open) {
			open_store(rx, late);
		}
	} else {
		rx->c1 = (uint8_t)(rx->c1 + ((in[1] & C1_BIT) != 0));
		rx->c2 = (uint8_t)(rx->c2 + ((in[1] & C2_BIT) != 0));
	}
	rx->late = late;
	rx->parity ^= rx->open ? data_rx(rx, in) : xor32(in + 2);
	rx->parity ^= (uint64_t)(in[0] ^ in[1] ^ in[34]);
	if (++rx->quarter == 4) {
		rx->quarter = 0;
		rx->have_parity = true;
	}
}

void evl_vc12_rx_pull(struct evl_vc12_rx *rx, uint8_t out[32])
{
	if (!rx->open) {
		memset(out, 0xff, 32);
		return;
	}
	if (evl_bitfifo_level(&rx->fifo) < E1_FRAME) {
		evl_bitfifo_repeat(&rx->fifo);
		rx->counts.slips_repeated++;
	}
	evl_bitfifo_pull(&rx->fifo, out, 0, E1_FRAME);
	rx->late += EVL_VC12_TICKS;
}

uint32_t evl_vc12_rx_pull_bytes(struct evl_vc12_rx *rx, uint8_t out[EVL_VC12_MOST_BYTES])
{
	if (!rx->open) {
		memset(out, 0xff, 32);
		return 32;
	}
	/* A quarter is pushed at once; as if its bits came in evenly, 256 in EVL_VC12_TICKS, the
	 * level would be one quarter less and what came since its first byte more. */
	int64_t level = (int64_t)evl_bitfifo_level(&rx->fifo) * EVL_VC12_TICKS +
			(int64_t)E1_FRAME * rx->late;
	int64_t over = level - (int64_t)(RX_START_BITS + E1_FRAME) * EVL_VC12_TICKS -
		       rx->owed / EVL_VC12_DESYNC_FRAMES;
	rx->owed += E1_FRAME * EVL_VC12_OWED + over;
	int64_t bytes = rx->owed / (8 * EVL_VC12_OWED);
	bytes = bytes < 31 ? 31 : bytes > EVL_VC12_MOST_BYTES ? EVL_VC12_MOST_BYTES : bytes;
	rx->owed -= bytes * 8 * EVL_VC12_OWED;
	while (evl_bitfifo_level(&rx->fifo) < 8 * (uint32_t)bytes) {
		evl_bitfifo_repeat(&rx->fifo);
		rx->counts.slips_repeated++;
	}
	evl_bitfifo_pull(&rx->fifo, out, 0, 8 * (uint32_t)bytes);
	rx->late += EVL_VC12_TICKS;
	return (uint32_t)bytes;
}
