/* SPDX-License-Identifier: Apache-2.0 */
/* The VCs of the general decoder: path overhead, TUG-3 and TUG-2, bulk; ITU-T G.707 7.2, 7.3, 9.3.
 */
#include <string.h>

#include "core/frame/prefetch.h"
#include "core/frame/sdh_rx.h"

#define ROWS    EVL_STM1_ROWS
#define TUG3    86u /* columns */
#define BIT     SDH_BIT
#define TU_FAIL (BIT(EVL_ALARM_TU_AIS) | BIT(EVL_ALARM_TU_LOP))
#define PATH_HIGH                                                                                  \
	(BIT(EVL_ALARM_HP_UNEQ) | BIT(EVL_ALARM_HP_PLM) | BIT(EVL_ALARM_HP_RDI) |                  \
		BIT(EVL_ALARM_HP_LOM) | BIT(EVL_ALARM_HP_TIM))
#define PATH_TU3                                                                                   \
	(BIT(EVL_ALARM_LP_UNEQ) | BIT(EVL_ALARM_LP_PLM) | BIT(EVL_ALARM_LP_RDI) |                  \
		BIT(EVL_ALARM_LP_TIM))

void sdh_rx_set(struct evl_sdh_rx *rx, struct evl_sdh_at at, uint32_t *defects, uint32_t mask,
	uint32_t now, uint64_t bit)
{
	uint32_t changed = (*defects ^ now) & mask;
	*defects = (*defects & ~mask) | (now & mask);
	for (uint32_t a = EVL_ALARM_LOS; changed != 0 && a < EVL_ALARM_COUNT; a++) {
		if ((changed >> a & 1) != 0) {
			sdh_rx_note(rx, (enum evl_alarm)a, at, (now >> a & 1) != 0,
				rx->section.base + bit);
		}
	}
}

/* Line bit after byte `byte` of the payload that begins with the present VC (less than 0: before),
 * as if there were no justification in it. */
static uint64_t end_from(
	const struct sdh_rx_path *p, uint64_t vc_frame, uint32_t vc_index, int32_t byte)
{
	const struct evl_sdh_rx *rx = p->rx;
	const uint32_t columns = p->au.shape->columns, size = ROWS * columns;
	uint32_t index = (uint32_t)((int32_t)(vc_index + size) + byte);
	uint32_t frame = index / size, place = index % size;
	uint64_t at = (uint64_t)(place / columns) * EVL_STM1_COLUMNS * rx->n + p->first +
		      (uint64_t)p->step * (place % columns) + 1;
	return vc_frame + (uint64_t)frame * rx->frame_bits - rx->frame_bits + 8u * at;
}

static uint64_t end_of(const struct sdh_rx_path *p, int32_t byte)
{
	const struct evl_sdh_rx *rx = p->rx;
	return p->tu3 ? rx->frame_bit + rx->frame_bits
		      : end_from(p, p->vc_frame, p->vc_index, byte);
}

static void locate(struct sdh_rx_path *p, uint64_t start_bit)
{
	struct evl_sdh_rx *rx = p->rx;
	uint64_t frame = rx->frame_bit, number = rx->frames;
	if (start_bit < frame) {
		frame -= rx->frame_bits;
		number--;
	}
	const uint32_t columns = p->au.shape->columns;
	uint32_t byte = (uint32_t)((start_bit - frame) / 8);
	uint32_t row = byte / (EVL_STM1_COLUMNS * rx->n), at = byte % (EVL_STM1_COLUMNS * rx->n);
	/* A VC that begins in H3 counts as beginning right after it. */
	p->vc_index = row * columns + (at > p->first ? (at - p->first) / p->step : 0);
	p->vc_frame = frame;
	p->vc_when =
		number * EVL_VC1_TICKS + (uint64_t)(EVL_VC1_TICKS / (ROWS * columns)) * p->vc_index;
}

/* ---- TU-12 and TU-11 ---- */

/* Takes over what changed in a TU; the trace does not outlive its path. */
static void tu_changed(struct sdh_rx_path *p, struct sdh_rx_tu *t, uint32_t before, uint64_t bit)
{
	const struct evl_sdh_at at = {EVL_SDH_CLIENT, (uint32_t)t->client};
	uint32_t now = t->tu.defects;
	if ((now & TU_FAIL) != 0) {
		evl_trace_rx_cut(&t->trace);
	}
	sdh_rx_set(p->rx, at, &before, ~0u, now, bit);
}

static void tus_only(struct sdh_rx_path *p, bool ais, uint32_t phase, uint64_t bit)
{
	struct evl_sdh_rx *rx = p->rx;
	sdh_rx_flush(p);
	for (uint32_t i = p->tu_first; i < (uint32_t)p->tu_first + p->tu_count; i++) {
		struct sdh_rx_tu *t = &rx->tu[i];
		uint32_t before = t->tu.defects;
		evl_trace_rx_cut(&t->trace);
		if (ais ? evl_tu1_rx_ais(&t->tu, phase) : evl_tu1_rx_lost(&t->tu)) {
			tu_changed(p, t, before, bit);
		}
	}
}

/* TU-3 as well. */
static void all_tus(struct sdh_rx_path *p, bool ais, uint32_t phase, uint64_t bit)
{
	struct evl_sdh_rx *rx = p->rx;
	tus_only(p, ais, phase, bit);
	for (uint32_t k = 0; p->tug3 && k < EVL_SDH_PARTS; k++) {
		struct sdh_rx_path *q = &rx->tu3[3 * p->aug + k];
		if (!q->exists) {
			continue;
		}
		if (ais) {
			evl_au_rx_ais(&q->au);
			sdh_rx_set(rx, q->at, &q->defects, TU_FAIL,
				q->au.ptr.state == EVL_PTR_AIS ? BIT(EVL_ALARM_TU_AIS) : 0, bit);
			sdh_rx_miss(q, bit);
		} else {
			evl_au_rx_lost(&q->au);
		}
	}
}

/* Byte i of a TU of row t, counted in the VC. */
static int32_t byte_of(const struct sdh_rx_path *p, const struct sdh_rx_tu *t, uint32_t i)
{
	bool vc3 = p->au.shape == &evl_au3_shape;
	const struct evl_columns_shape *s =
		vc3 ? (t->tu11 ? &evl_columns_vc3_tu11 : &evl_columns_vc3_tu12)
		    : (t->tu11 ? &evl_columns_vc4_tu11 : &evl_columns_vc4_tu12);
	uint32_t column = s->first + i % s->per_row * s->width + t->row;
	if (vc3) {
		column = 1 + column + (column >= 28) + (column >= 56);
	}
	return (int32_t)(i / s->per_row * p->au.shape->columns + column);
}

static void one_tu(
	struct sdh_rx_path *p, struct sdh_rx_tu *t, const struct sdh_rx_op *op, const uint8_t *in)
{
	const uint32_t bytes = t->tu.shape->bytes;
	uint32_t before = t->tu.defects;
	bool changed = evl_tu1_rx_frame(&t->tu, op->phase, &op->place, in);
	bool pointer = ((before ^ t->tu.defects) & TU_FAIL) != 0;
	if (t->tu.vc.fresh_j2) {
		t->tu.vc.fresh_j2 = false;
		if (!p->rx->bare) {
			(void)evl_trace_rx_byte(&t->trace, t->tu.vc.poh[1]);
		}
		if (t->trace.tim != t->tu.vc.held) {
			changed |= evl_tu1_rx_hold(&t->tu, t->trace.tim);
			pointer = true; /* decided in this frame, V5 was in an earlier one */
		}
	}
	if (changed) {
		/* Byte of the TU: V2, or where V5 was; that may be in the frame before. */
		int32_t i = pointer ? 0 : t->tu.v5_byte;
		int32_t back = i < 0 ? 1 : 0;
		int32_t byte = byte_of(p, t, (uint32_t)(i + back * (int32_t)bytes) % bytes) -
			       back * (int32_t)(ROWS * p->au.shape->columns);
		tu_changed(p, t, before, end_from(p, op->vc_frame, op->vc_index, byte));
	}
}

static void split(struct sdh_rx_path *p, uint32_t frame, const uint8_t *vc)
{
	struct evl_sdh_rx *rx = p->rx;
	if (p->au.shape == &evl_au3_shape && !p->any12) {
		evl_columns_split_whole_vc3(rx->block11[frame], vc);
		return;
	}
	if (p->au.shape == &evl_au3_shape) {
		for (uint32_t row = 0; row < ROWS; row++) {
			const uint8_t *from = vc + row * EVL_VC3_COLUMNS;
			uint8_t *to = rx->vc3 + row * EVL_VC3_PAYLOAD;
			memcpy(to, from + 1, 28);
			memcpy(to + 28, from + 30, 28);
			memcpy(to + 56, from + 59, 28);
		}
		evl_columns_split_vc3(rx->block12[frame], rx->vc3, false);
		if (p->any11) {
			evl_columns_split_vc3(rx->block11[frame], rx->vc3, true);
		}
		return;
	}
	if (p->any12) {
		evl_columns_split(rx->block12[frame], vc);
	}
	if (p->any11) {
		evl_columns_split_tu11(rx->block11[frame], vc);
	}
}

/* ---- TU-12 and TU-11: what waits ---- */

/* Four whole frames and their output at once, when nothing happens in them. */
static bool multiframe(struct sdh_rx_path *p, struct sdh_rx_tu *t,
	const struct evl_tu1_place *place, const uint8_t *in, uint32_t stride)
{
	uint32_t bytes[SDH_SLOTS];
	uint64_t ends[SDH_SLOTS];
	const uint8_t j2 = in[stride + 1];
	const bool bare = p->rx->bare;
	if (t->trace.tim || (!bare && !evl_trace_rx_in_step(&t->trace, j2))) {
		return false;
	}
	const uint8_t *bits = evl_tu1_rx_multiframe(&t->tu, place, in, stride, p->rx->steer, bytes);
	if (bits == NULL) {
		return false;
	}
	if (!bare) {
		evl_trace_rx_step(&t->trace);
	}
	t->tu.vc.fresh_j2 = false;
	for (uint32_t f = 0; f < SDH_SLOTS; f++) {
		ends[f] = p->op[2 * f + 1].end;
	}
	sdh_rx_give(p->rx, (uint32_t)t->client, bits, bytes, ends, SDH_SLOTS);
	return true;
}

static void prefetch_output(const struct evl_sdh_rx *rx, uint32_t client)
{
	if (rx->data[client] != NULL) {
		evl_prefetch(rx->data[client] + rx->bytes[client], 128);
	}
}

void sdh_rx_flush(struct sdh_rx_path *p)
{
	struct evl_sdh_rx *rx = p->rx;
	struct evl_tu1_place place[SDH_SLOTS];
	bool plain = p->ops == 2 * SDH_SLOTS && p->waiting == SDH_SLOTS;
	uint32_t frame = 0;
	for (uint32_t k = 0; k < p->ops; k++) {
		struct sdh_rx_op *op = &p->op[k];
		plain = plain && op->output == (k % 2 == 1) && (op->output || op->phase == k / 2);
		if (!op->output) {
			split(p, frame, rx->ring[p - rx->high][op->slot]);
			place[frame] = op->place;
			op->slot = (uint8_t)frame++;
		}
	}
	for (uint32_t i = p->tu_first; p->ops > 0 && i < (uint32_t)p->tu_first + p->tu_count; i++) {
		struct sdh_rx_tu *t = &rx->tu[i];
		const uint8_t *in = t->tu11 ? rx->block11[0][t->row] : rx->block12[0][t->row];
		const uint32_t stride = t->tu11 ? sizeof(rx->block11[0]) : sizeof(rx->block12[0]);
		if (i + 1 < (uint32_t)p->tu_first + p->tu_count) {
			evl_prefetch(t + 1, sizeof(*t));
			prefetch_output(rx, (uint32_t)t[1].client);
		}
		if (plain && multiframe(p, t, place, in, stride)) {
			continue;
		}
		for (uint32_t k = 0; k < p->ops; k++) {
			const struct sdh_rx_op *op = &p->op[k];
			if (op->output) {
				sdh_rx_pull(rx, (uint32_t)t->client, op->end);
			} else {
				one_tu(p, t, op, in + op->slot * stride);
			}
		}
	}
	p->ops = p->waiting = 0;
}

static void tributaries(struct sdh_rx_path *p, uint32_t phase)
{
	struct evl_sdh_rx *rx = p->rx;
	if (p->waiting == SDH_SLOTS || p->ops == SDH_OPS) {
		sdh_rx_flush(p);
	}
	p->op[p->ops++] = (struct sdh_rx_op){
		.slot = p->slot,
		.phase = (uint8_t)phase,
		.vc_index = p->vc_index,
		.vc_frame = p->vc_frame,
		.place = {.when = p->vc_when, .now = rx->frames * EVL_VC1_TICKS},
	};
	p->waiting++;
	p->slot = (uint8_t)((p->slot + 1) % (SDH_SLOTS + 1));
	p->au.vc = rx->ring[p - rx->high][p->slot];
}

void sdh_rx_output(struct sdh_rx_path *p)
{
	struct evl_sdh_rx *rx = p->rx;
	if (p->ops == 0) {
		for (uint32_t i = p->tu_first; i < (uint32_t)p->tu_first + p->tu_count; i++) {
			sdh_rx_pull(rx, (uint32_t)rx->tu[i].client, rx->section.end);
		}
		return;
	}
	const bool last = p->op[p->ops - 1].phase == SDH_SLOTS - 1;
	if (p->ops == SDH_OPS) {
		sdh_rx_flush(p);
		sdh_rx_output(p);
		return;
	}
	p->op[p->ops++] = (struct sdh_rx_op){.output = true, .end = rx->section.end};
	if (last) {
		sdh_rx_flush(p);
	}
}

/* ---- TU-3 ---- */

static void tu3(struct sdh_rx_path *p, const uint8_t *vc)
{
	struct evl_sdh_rx *rx = p->rx;
	uint8_t tug[ROWS * TUG3];
	for (uint32_t row = 0; row < ROWS; row++) {
		const uint8_t *from = vc + row * EVL_VC4_COLUMNS + 3 + p->k;
		for (uint32_t c = 0; c < TUG3; c++) {
			tug[row * TUG3 + c] = from[3 * c];
		}
	}
	const struct evl_au_view view = {
		.payload = tug + 1, .stride = TUG3, .h3 = tug + 2 * TUG3, .bit = 0, .step = 0};
	p->got_vc = false;
	enum evl_ptr_action action =
		evl_au_rx_frame(&p->au, (uint16_t)(tug[0] << 8 | tug[TUG3]), &view, sdh_rx_vc, p);
	p->increments += action == EVL_PTR_INC;
	p->decrements += action == EVL_PTR_DEC;
	p->new_pointers += action == EVL_PTR_NEW;
	uint64_t bit = rx->frame_bit + rx->frame_bits;
	uint32_t now = p->au.ptr.state == EVL_PTR_AIS   ? BIT(EVL_ALARM_TU_AIS)
		       : p->au.ptr.state == EVL_PTR_LOP ? BIT(EVL_ALARM_TU_LOP)
							: 0;
	sdh_rx_set(rx, p->at, &p->defects, TU_FAIL, now, bit);
	if (now != 0 && !p->got_vc) {
		sdh_rx_miss(p, bit);
	}
}

/* ---- bulk ---- */

static void give_bulk(struct sdh_rx_path *p, const uint8_t *vc)
{
	struct evl_sdh_rx *rx = p->rx;
	const uint32_t columns = p->au.shape->columns, i = (uint32_t)p->client;
	struct sdh_client_rx *own = &rx->own[i];
	uint32_t skip = columns == EVL_VC4_4C_COLUMNS ? 4 : 1;
	if (own->first_bit == UINT64_MAX) {
		own->first_bit = 8 * own->given;
	}
	uint8_t *to = rx->data[i] != NULL ? rx->data[i] + rx->bytes[i] : NULL;
	rx->bytes[i] += rx->client[i].frame_bits / 8;
	own->given += rx->client[i].frame_bits / 8;
	for (uint32_t row = 0; to != NULL && row < ROWS; row++) {
		const uint8_t *from = vc + row * columns;
		if (columns == EVL_VC3_COLUMNS) {
			memcpy(to, from + 1, 28);
			memcpy(to + 28, from + 30, 28);
			memcpy(to + 56, from + 59, 28);
			to += 84;
		} else {
			memcpy(to, from + skip, columns - skip);
			to += columns - skip;
		}
	}
}

/* ---- path ---- */

void sdh_rx_miss(struct sdh_rx_path *p, uint64_t bit)
{
	uint32_t phase = p->hp.phase;
	evl_vc4_rx_miss(&p->hp);
	evl_trace_rx_cut(&p->trace);
	sdh_rx_set(p->rx, p->at, &p->defects, p->tu3 ? PATH_TU3 : PATH_HIGH, 0, bit);
	all_tus(p, true, phase, bit);
}

/* By byte `byte` of the VC; the place in the line is worked out only when something changed. */
static void set_by(struct sdh_rx_path *p, uint32_t mask, uint32_t now, uint32_t byte)
{
	if (((p->defects ^ now) & mask) != 0) {
		sdh_rx_set(p->rx, p->at, &p->defects, mask, now, end_of(p, (int32_t)byte));
	}
}

static void overhead(struct sdh_rx_path *p, const uint8_t *vc)
{
	const uint32_t columns = p->au.shape->columns;
	const struct evl_vc4_rx *hp = &p->hp;
	const bool low = p->tu3;
	const enum evl_alarm uneq = low ? EVL_ALARM_LP_UNEQ : EVL_ALARM_HP_UNEQ;
	const enum evl_alarm plm = low ? EVL_ALARM_LP_PLM : EVL_ALARM_HP_PLM;
	const enum evl_alarm rdi = low ? EVL_ALARM_LP_RDI : EVL_ALARM_HP_RDI;
	const enum evl_alarm tim = low ? EVL_ALARM_LP_TIM : EVL_ALARM_HP_TIM;
	if (!p->rx->bare) {
		for (uint32_t r = 0; r < SDH_POH_BYTES; r++) {
			p->poh[r] = vc[r * columns];
		}
		p->seen = true;
		(void)evl_trace_rx_byte(&p->trace, p->poh[EVL_SDH_J1]);
		set_by(p, BIT(tim), p->trace.tim ? BIT(tim) : 0, 0);
		set_by(p, BIT(rdi), hp->rdi ? BIT(rdi) : 0, EVL_POH_G1 * columns);
	}
	/* An empty path has nothing to be unequipped against. */
	if (p->hold != EVL_SDH_EMPTY) {
		set_by(p, BIT(uneq) | BIT(plm),
			(hp->uneq ? BIT(uneq) : 0) | (hp->plm ? BIT(plm) : 0),
			EVL_POH_C2 * columns);
	}
	if (!low) {
		set_by(p, BIT(EVL_ALARM_HP_LOM), hp->lom ? BIT(EVL_ALARM_HP_LOM) : 0,
			EVL_POH_H4 * columns);
	}
}

void sdh_rx_vc(void *ctx, const uint8_t *vc, uint64_t start_bit)
{
	struct sdh_rx_path *p = ctx;
	const int32_t last = (int32_t)(ROWS * p->au.shape->columns) - 1;
	struct evl_vc4_rx_result r;
	p->got_vc = true;
	if (!p->tu3) {
		locate(p, start_bit);
	}
	if (p->au.cut) {
		p->au.cut = false;
		evl_vc4_rx_cut(&p->hp);
		all_tus(p, false, 0, end_of(p, 0));
	}
	bool was_lom = p->hp.lom;
	evl_vc4_rx_take(&p->hp, vc, &r);
	p->errors += r.b3_errors;
	p->rei_out += r.b3_errors;
	p->rei += r.hp_rei;
	p->errored_blocks += r.b3_errors > 0;
	p->rei_blocks += r.hp_rei > 0;
	overhead(p, vc);
	if (p->rx->options.depth == EVL_RX_HIGH) {
		return;
	}
	bool down = p->hp.uneq || p->hp.plm || p->trace.tim;
	if (p->hold == EVL_SDH_BULK) {
		if (!down && p->client >= 0) {
			give_bulk(p, vc);
		}
		return;
	}
	if (p->hold != EVL_SDH_TUG) {
		return;
	}
	if (down || p->hp.lom || was_lom) {
		all_tus(p, true, r.phase, end_of(p, last));
		return;
	}
	for (uint32_t k = 0; p->tug3 && k < EVL_SDH_PARTS; k++) {
		if (p->rx->tu3[3 * p->aug + k].exists) {
			tu3(&p->rx->tu3[3 * p->aug + k], vc);
		}
	}
	if (p->hp.in_multiframe && !r.phase_jump) {
		tributaries(p, r.phase);
	} else {
		tus_only(p, false, 0, end_of(p, (int32_t)(EVL_POH_H4 * p->au.shape->columns)));
	}
}
