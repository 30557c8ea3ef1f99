/* SPDX-License-Identifier: Apache-2.0 */
/* The mappings of VC-12 and VC-11 but the asynchronous one of 2048 kbit/s, ITU-T
 * G.707 10.1.4, 10.1.5; the layouts of VC-11 are from memory, see vc1.h. */
#include "core/frame/shift.h"
#include "core/frame/vc1_quarter.h"

#define T1_BYTES  24u /* of a quarter */
#define T1_BITS   192u
#define I_BIT     0x02u /* in byte 2: I, S2 and F */
#define S1_BIT    0x04u
#define STUFF_ROW 4u /* T1 in TU-12: every 4th byte of the frame is stuff, V1 being the first */

static uint64_t pull_t1(struct evl_bitfifo *fifo, uint8_t *dst)
{
	evl_require(evl_bitfifo_level(fifo) >= T1_BITS);
	uint64_t x = evl_shift_out(dst, fifo->buf + fifo->read / 8, fifo->read % 8, T1_BYTES);
	fifo->read += T1_BITS;
	return x;
}

static void push_t1(struct evl_bitfifo *fifo, const uint8_t *src)
{
	evl_require(evl_bitfifo_level(fifo) + T1_BITS <= evl_bitfifo_most(fifo));
	evl_bitfifo_make_room(fifo, T1_BITS + 8);
	(void)evl_shift_in(fifo->buf + fifo->write / 8, src, fifo->write % 8, T1_BYTES);
	fifo->write += T1_BITS;
}

/* One bit at a time: I, S1, S2 and F. */
static uint8_t pull_bit(struct evl_bitfifo *fifo)
{
	evl_require(evl_bitfifo_level(fifo) >= 1);
	uint8_t bit = fifo->buf[fifo->read / 8] >> (7 - fifo->read % 8) & 1;
	fifo->read++;
	return bit;
}

static void push_bit(struct evl_bitfifo *fifo, bool bit)
{
	evl_require(evl_bitfifo_level(fifo) < evl_bitfifo_most(fifo));
	evl_bitfifo_make_room(fifo, 1);
	uint8_t *byte = &fifo->buf[fifo->write / 8], mask = (uint8_t)(0x80 >> fifo->write % 8);
	*byte = (uint8_t)(bit ? *byte | mask : *byte & ~mask);
	fifo->write++;
}

/* ---- VC-11 in the 35 bytes of a quarter of VC-12 ---- */

static void widen(uint8_t *q)
{
	uint8_t thin[EVL_VC11_QUARTER];
	memcpy(thin, q, sizeof(thin));
	for (uint32_t i = 0, from = 0; i < EVL_VC12_QUARTER; i++) {
		q[i] = (i + 1) % STUFF_ROW == 3 ? 0 : thin[from++];
	}
}

static uint8_t narrow(uint8_t thin[EVL_VC11_QUARTER], const uint8_t *q)
{
	uint8_t stuff = 0;
	for (uint32_t i = 0, to = 0; i < EVL_VC12_QUARTER; i++) {
		if ((i + 1) % STUFF_ROW == 3) {
			stuff ^= q[i];
		} else {
			thin[to++] = q[i];
		}
	}
	return stuff;
}

/* ---- encoder ---- */

/* P1 P0 counts the four signalling bits A, B, C, D of 6 frames each; the S bits of frame f of the 6
 * are those of channels 4 f + 1 to 4 f + 4 (from memory). */
static uint8_t signalling(const struct evl_vc1_tx *tx)
{
	uint32_t frame = (uint32_t)((4 * tx->number + tx->quarter) % 24);
	uint32_t p = frame / 6, first = frame % 6 * 4, s = 0;
	for (uint32_t c = first; c < first + 4; c++) {
		s = s << 1 | (tx->abcd[c] >> (3 - p) & 1u);
	}
	return (uint8_t)(p << 6 | s << 2);
}

static uint64_t fill_t1(struct evl_vc1_tx *tx, uint8_t *q)
{
	struct evl_bitfifo *fifo = &tx->fifo;
	uint32_t odd = 1; /* bits in byte 2 */
	if (evl_vc1_shapes[tx->mode].byte) {
		q[1] = signalling(tx);
	} else {
		q[1] = tx->quarter > 0 ? evl_vc1_control(tx->justify) : 0;
		if (tx->quarter == 3) {
			odd = (uint32_t)(1 + tx->justify);
		}
	}
	for (uint32_t i = odd; i > 0; i--) { /* S1 is the bit before S2 */
		q[1] = (uint8_t)(q[1] | pull_bit(fifo) << i);
	}
	return pull_t1(fifo, q + 2);
}

static uint64_t xor24(const uint8_t *p)
{
	return evl_vc1_load64(p) ^ evl_vc1_load64(p + 8) ^ evl_vc1_load64(p + 16);
}

uint64_t evl_vc1_fill_other(struct evl_vc1_tx *tx, uint8_t *q)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[tx->mode];
	evl_vc1_slip_empty(tx, shape->bits);
	if (!shape->t1) {
		q[1] = q[34] = 0;
		evl_bitfifo_pull(&tx->fifo, q + 2, 0, EVL_VC12_E1_BITS);
		return evl_vc1_xor32(q + 2);
	}
	uint64_t x = fill_t1(tx, q);
	if (shape->quarter == EVL_VC12_QUARTER) {
		widen(q); /* byte 2 stays where it is */
	}
	return x;
}

/* ---- decoder ---- */

static void signalling_rx(struct evl_vc1_rx *rx, uint8_t byte)
{
	uint8_t p = byte >> 6;
	rx->s_at = p != rx->p ? 0 : rx->s_at < 6 ? (uint8_t)(rx->s_at + 1) : 0xff;
	rx->p = p;
	if (rx->s_at >= 6) {
		return;
	}
	for (uint32_t i = 0; i < 4; i++) {
		uint8_t mask = (uint8_t)(8u >> p), *abcd = &rx->abcd[4u * rx->s_at + i];
		*abcd = (byte >> (5 - i) & 1) != 0 ? (uint8_t)(*abcd | mask)
						   : (uint8_t)(*abcd & ~mask);
	}
}

static void take_t1(struct evl_vc1_rx *rx, const uint8_t *q)
{
	uint32_t odd = 1;
	if (evl_vc1_shapes[rx->mode].byte) {
		signalling_rx(rx, q[1]);
	} else if (rx->quarter == 3) {
		/* S1 is bit 6, S2 bit 7 of the byte. */
		bool s1 = rx->c1 < 2, s2 = rx->c2 < 2;
		rx->counts.extra += s1 && s2;
		rx->counts.missing += !s1 && !s2;
		if (s1) {
			push_bit(&rx->fifo, (q[1] & S1_BIT) != 0);
		}
		odd = s2;
	}
	if (odd > 0) {
		push_bit(&rx->fifo, (q[1] & I_BIT) != 0);
	}
	push_t1(&rx->fifo, q + 2);
}

uint64_t evl_vc1_take_other(struct evl_vc1_rx *rx, const uint8_t *q)
{
	const struct evl_vc1_shape *shape = &evl_vc1_shapes[rx->mode];
	if (rx->open) {
		evl_vc1_slip_full(rx, shape->bits);
	}
	if (!shape->t1) {
		if (rx->open) {
			evl_bitfifo_push(&rx->fifo, q + 2, 0, EVL_VC12_E1_BITS);
		}
		return evl_vc1_xor32(q + 2) ^ q[34];
	}
	uint8_t thin[EVL_VC11_QUARTER], stuff = 0;
	if (shape->quarter == EVL_VC12_QUARTER) {
		stuff = narrow(thin, q);
		q = thin;
	}
	if (rx->open) {
		take_t1(rx, q);
	}
	return xor24(q + 2) ^ stuff;
}
