/* SPDX-License-Identifier: Apache-2.0 */
/* The VCs of the general encoder: path overhead, TUG-3 and TUG-2, bulk; ITU-T
 * G.707 7.2, 7.3, 9.3.1. */
#include <string.h>

#include "core/frame/prefetch.h"
#include "core/frame/sdh_tx.h"
#include "core/signal/bip.h"

#define ROWS     EVL_STM1_ROWS
#define G1_RDI   0x08
#define G1_MAX   8    /* errors that G1 can report for one VC */
#define H4_SPARE 0xfc /* bits 1-6, sent as ones */
#define NPI_1    0x93 /* null pointer indication: 1001SS11 11100000, SS = 00 */
#define NPI_2    0xe0
#define TUG3     86u /* columns */

static void fill_poh(struct sdh_tx_path *p, uint8_t *vc)
{
	uint32_t rei = p->rei < G1_MAX ? p->rei : G1_MAX;
	uint8_t made[SDH_POH_BYTES] = {0};
	p->rei -= rei;
	made[EVL_SDH_J1] =
		p->trace.kind != EVL_TRACE_NONE ? evl_trace_byte(&p->trace, p->number) : 0;
	made[EVL_SDH_B3] = p->b3;
	made[EVL_SDH_C2] = p->c2;
	made[EVL_SDH_G1] = (uint8_t)(rei << 4 | (p->rdi ? G1_RDI : 0));
	made[EVL_SDH_H4] = p->hold == EVL_SDH_TUG ? (uint8_t)(H4_SPARE | ((p->number + 1) & 3)) : 0;
	for (uint32_t r = 0; r < SDH_POH_BYTES; r++) {
		vc[r * p->columns] = (p->forced >> r & 1) != 0 ? p->poh[r] : made[r];
	}
}

/* ---- TU-12 and TU-11 ---- */

static void make_tus(struct sdh_tx_path *p, uint32_t phase, int32_t when)
{
	struct evl_sdh_tx *tx = p->tx;
	for (uint32_t i = p->tu_first; i < (uint32_t)p->tu_first + p->tu_count; i++) {
		struct sdh_tx_tu *t = &tx->tu[i];
		uint8_t *out = t->tu11 ? tx->block11[0][t->row] : tx->block12[0][t->row];
		evl_tu1_tx_frame(&t->tu, phase, when, out);
		if (t->word_forced && phase < 2) {
			out[0] = (uint8_t)(phase == 0 ? t->word >> 8 : t->word);
		}
		if (t->ais) {
			memset(out, 0xff, t->tu.shape->bytes);
		}
	}
}

/* Of four frames, the first at `when`: the state of a TU is fetched once and its VC made in one go.
 */
static void make_multiframe(struct sdh_tx_path *p, int32_t when)
{
	struct evl_sdh_tx *tx = p->tx;
	for (uint32_t i = p->tu_first; i < (uint32_t)p->tu_first + p->tu_count; i++) {
		struct sdh_tx_tu *t = &tx->tu[i];
		uint8_t *out = t->tu11 ? tx->block11[0][t->row] : tx->block12[0][t->row];
		const uint32_t stride = t->tu11 ? sizeof(tx->block11[0]) : sizeof(tx->block12[0]);
		if (i + 1 < (uint32_t)p->tu_first + p->tu_count) {
			const struct evl_bitfifo *fifo = &t[1].tu.vc.fifo;
			evl_prefetch(&t[1].tu, EVL_TU1_TX_HOT);
			evl_prefetch(fifo->buf + fifo->read / 8, 192);
		}
		evl_tu1_tx_multiframe(&t->tu, when, out, stride);
		if (t->word_forced) {
			out[0] = (uint8_t)(t->word >> 8);
			out[stride] = (uint8_t)t->word;
		}
		for (uint32_t f = 0; t->ais && f < SDH_MULTI; f++) {
			memset(out + f * stride, 0xff, t->tu.shape->bytes);
		}
	}
}

/* True when the next three VCs are sure to begin at the same place of the next three frames, and
 * the bits of the clients for them are there. */
static bool is_steady(const struct sdh_tx_path *p)
{
	const struct evl_ptr_tx *ptr = &p->au.ptr;
	return p->tx->ahead >= SDH_MULTI - 1 && !p->tx->offsets && !p->jump && !ptr->has_new &&
	       ptr->pending == 0;
}

/* dst takes the columns of src that the mask says, row by row. */
static void merge(uint8_t *dst, const uint8_t *src, const uint8_t *mask, uint32_t columns)
{
	for (uint32_t row = 0; row < ROWS; row++) {
		for (uint32_t c = 0; c < columns; c++) {
			dst[c] = (uint8_t)((dst[c] & ~mask[c]) | (src[c] & mask[c]));
		}
		dst += columns;
		src += columns;
	}
}

static void join_vc4(struct sdh_tx_path *p, uint32_t frame, uint8_t *vc)
{
	struct evl_sdh_tx *tx = p->tx;
	if (p->any12) {
		evl_columns_join(vc, tx->block12[frame]);
	}
	if (p->any11) {
		evl_columns_join_tu11(p->any12 ? tx->vc : vc, tx->block11[frame]);
	}
	if (p->any12 && p->any11) {
		merge(vc, tx->vc, p->take11, EVL_VC4_COLUMNS);
	}
}

/* Columns 1, 30 and 59 of the 87 are no payload; those of stuff are equal, here zero. */
static void join_vc3(struct sdh_tx_path *p, uint32_t frame, uint8_t *vc)
{
	struct evl_sdh_tx *tx = p->tx;
	if (!p->any12) {
		evl_columns_join_whole_vc3(vc, tx->block11[frame]);
		for (uint32_t row = 0; row < ROWS; row++) {
			vc[row * EVL_VC3_COLUMNS + 29] = vc[row * EVL_VC3_COLUMNS + 58] = 0;
		}
		return;
	}
	evl_columns_join_vc3(tx->vc3, tx->block12[frame], false);
	if (p->any11) {
		evl_columns_join_vc3(tx->vc, tx->block11[frame], true);
		merge(tx->vc3, tx->vc, p->take11, EVL_VC3_PAYLOAD);
	}
	for (uint32_t row = 0; row < ROWS; row++) {
		uint8_t *to = vc + row * EVL_VC3_COLUMNS;
		const uint8_t *from = tx->vc3 + row * EVL_VC3_PAYLOAD;
		memcpy(to + 1, from, 28);
		to[29] = to[58] = 0;
		memcpy(to + 30, from + 28, 28);
		memcpy(to + 59, from + 56, 28);
	}
}

/* ---- TUG-3 ---- */

/* TU-3: H1, H2, H3 in rows 1 to 3 of the first column, then stuff; VC-3 in 85 columns (7.2.2). */
static void put_tu3(struct sdh_tx_path *p, uint8_t *vc)
{
	uint8_t tug[ROWS * TUG3], h3 = 0;
	const struct evl_au_room room = {tug + 1, TUG3, &h3};
	for (uint32_t row = 0; row < ROWS; row++) {
		tug[row * TUG3] = 0;
	}
	uint16_t word = evl_au_tx_frame(&p->au, &room, sdh_make_vc, p);
	word = p->word_forced ? p->word : word;
	tug[0] = (uint8_t)(word >> 8);
	tug[TUG3] = (uint8_t)word;
	tug[2 * TUG3] = h3;
	if (p->ais) {
		memset(tug, 0xff, sizeof(tug));
	}
	for (uint32_t row = 0; row < ROWS; row++) {
		uint8_t *to = vc + row * EVL_VC4_COLUMNS + 3 + p->k;
		const uint8_t *from = tug + row * TUG3;
		for (uint32_t c = 0; c < TUG3; c++) {
			to[3 * c] = from[c];
		}
	}
}

static void fill_tug3s(struct sdh_tx_path *p, uint8_t *vc)
{
	const struct evl_sdh_aug *aug = &p->tx->map.aug[p->aug];
	for (uint32_t row = 0; row < ROWS; row++) {
		memset(vc + row * EVL_VC4_COLUMNS, 0, EVL_TU12_FIRST);
	}
	for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
		if (aug->part[k].hold == EVL_SDH_TUG) {
			vc[3 + k] = NPI_1;
			vc[EVL_VC4_COLUMNS + 3 + k] = NPI_2;
		} else if (aug->part[k].hold == EVL_SDH_BULK) {
			put_tu3(&p->tx->tu3[3 * p->aug + k], vc);
		} else {
			for (uint32_t i = 0; i < ROWS * TUG3; i++) {
				vc[i / TUG3 * EVL_VC4_COLUMNS + 3 + k + i % TUG3 * 3] = 0;
			}
		}
	}
}

/* ---- bulk ---- */

static void pop(struct sdh_queue *q, uint8_t *to, uint32_t n)
{
	uint32_t part = q->size - q->head < n ? q->size - q->head : n;
	memcpy(to, q->bytes + q->head, part);
	memcpy(to + part, q->bytes, n - part);
	q->head = (q->head + n) % q->size;
	q->used -= n;
}

/* Of the columns of the VC the first `skip` are no payload; in AU-3 nor are 30 and 59. */
static void fill_bulk(struct sdh_tx_path *p, uint8_t *vc)
{
	const uint32_t columns = p->columns;
	struct sdh_queue *q = p->client >= 0 ? sdh_tx_queue(p->tx, (uint32_t)p->client) : NULL;
	const uint32_t container = q != NULL ? q->size / SDH_QUEUE : 0;
	if (q == NULL || q->used < container) {
		memset(vc, 0, (size_t)ROWS * columns);
		if (q != NULL) {
			q->starved++;
		}
		return;
	}
	uint32_t skip = columns == EVL_VC4_4C_COLUMNS ? 4 : 1;
	for (uint32_t row = 0; row < ROWS; row++) {
		uint8_t *to = vc + row * columns;
		memset(to, 0, skip);
		if (columns == EVL_VC3_COLUMNS) {
			pop(q, to + 1, 28);
			to[29] = to[58] = 0;
			pop(q, to + 30, 28);
			pop(q, to + 59, 28);
		} else {
			pop(q, to + skip, columns - skip);
		}
	}
}

static void join(struct sdh_tx_path *p, uint32_t frame, uint8_t *vc)
{
	if (p->columns == EVL_VC4_COLUMNS) {
		join_vc4(p, frame, vc);
	} else {
		join_vc3(p, frame, vc);
	}
}

/* The TUs of the next VC, in `room` or in a VC made before. */
static uint8_t *make_tugs(struct sdh_tx_path *p, uint8_t *room, int32_t when)
{
	uint8_t(*ready)[EVL_VC4_ROOM] = p->tx->ready[p - p->tx->high];
	const uint32_t phase = (uint32_t)(p->number % SDH_MULTI);
	if (p->ready == 0 && (phase != 0 || !is_steady(p))) {
		make_tus(p, phase, when);
		join(p, 0, room);
		return room;
	}
	if (p->ready == 0) {
		make_multiframe(p, when);
		for (uint32_t f = 0; f < SDH_MULTI; f++) {
			join(p, f, ready[f]);
		}
		p->ready = SDH_MULTI;
	}
	return ready[SDH_MULTI - p->ready--];
}

const uint8_t *sdh_make_vc(void *ctx, uint8_t *room, uint32_t start)
{
	struct sdh_tx_path *p = ctx;
	const uint32_t bytes = (uint32_t)ROWS * p->columns;
	uint8_t *vc = room;
	if (p->hold == EVL_SDH_TUG) {
		int32_t when = (int32_t)(EVL_VC1_TICKS / bytes * start) -
			       (int32_t)(EVL_VC1_TICKS * p->tx->ahead);
		vc = make_tugs(p, room, when);
		if (p->columns == EVL_VC4_COLUMNS) {
			fill_tug3s(p, vc);
		}
	} else {
		fill_bulk(p, vc);
	}
	fill_poh(p, vc);
	p->b3 = evl_bip8(vc, bytes);
	p->number++;
	return vc;
}
