/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/mux63.h"

#include <stdlib.h>
#include <string.h>

#include "core/frame/mux63_rx.h"

#define BIT(alarm) (1u << (alarm))
#define FRAME      EVL_STM1_FRAME_BITS

#define AU_FAIL (BIT(EVL_ALARM_AU_AIS) | BIT(EVL_ALARM_AU_LOP))
#define PATH_DEFECTS                                                                               \
	(BIT(EVL_ALARM_HP_UNEQ) | BIT(EVL_ALARM_HP_PLM) | BIT(EVL_ALARM_HP_RDI) |                  \
		BIT(EVL_ALARM_HP_LOM))

static bool wanted(const struct evl_mux63_rx *rx, uint32_t t)
{
	return (rx->options.tributaries >> t & 1) != 0;
}

/* Reports every alarm that differs between two sets. */
static void report_changes(
	struct evl_mux63_rx *rx, uint32_t before, uint32_t after, int tributary, uint64_t bit)
{
	for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT && (before ^ after) >> a != 0; a++) {
		if (((before ^ after) >> a & 1) != 0) {
			evl_section_rx_report(&rx->section, (enum evl_alarm)a, tributary,
				(after >> a & 1) != 0, bit);
		}
	}
}

static void set_high(struct evl_mux63_rx *rx, uint32_t mask, uint32_t now, uint64_t bit)
{
	uint32_t after = (rx->high & ~mask) | now;
	if (after != rx->high) {
		report_changes(rx, rx->high, after, EVL_MUX63_LINE, bit);
		rx->high = after;
	}
}

/* ---- tributaries ---- */

static void all_tributaries(struct evl_mux63_rx *rx, bool ais, uint32_t phase, uint64_t bit)
{
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		if (!wanted(rx, t)) {
			continue;
		}
		struct evl_tu1_rx *tu = &rx->tu[t];
		uint32_t before = tu->defects;
		if (ais ? evl_tu1_rx_ais(tu, phase) : evl_tu1_rx_lost(tu)) {
			report_changes(rx, before, tu->defects, (int)t, bit);
		}
	}
}

/* Line bit after byte `byte` (0..2348, or less than 0 for the one before) of the present VC-4,
 * as if it had no justification in it. */
static uint64_t end_of(const struct evl_mux63_rx *rx, int32_t byte)
{
	uint32_t index = (uint32_t)((int32_t)(rx->vc4_index + EVL_VC4_BYTES) + byte);
	uint32_t frame = index / EVL_VC4_BYTES;
	return rx->vc4_frame + (uint64_t)frame * FRAME - FRAME +
	       8u * (uint64_t)(evl_au_place(index % EVL_VC4_BYTES) + 1);
}

static void tributary_changed(struct evl_mux63_rx *rx, uint32_t t, uint32_t before)
{
	const struct evl_tu1_rx *tu = &rx->tu[t];
	int32_t i = 0; /* byte of the TU: V2, or where V5 was */
	if (((before ^ tu->defects) & (BIT(EVL_ALARM_TU_AIS) | BIT(EVL_ALARM_TU_LOP))) == 0) {
		i = tu->v5_byte;
	}
	int32_t back = i < 0 ? 1 : 0;
	i += back * EVL_TU12_BYTES;
	int32_t byte =
		i / 4 * EVL_VC4_COLUMNS + EVL_TU12_FIRST + i % 4 * EVL_KLM_COUNT + (int32_t)t;
	report_changes(rx, before, tu->defects, (int)t, end_of(rx, byte - back * EVL_VC4_BYTES));
}

static void tributaries(struct evl_mux63_rx *rx, const uint8_t *vc4, uint32_t phase)
{
	const struct evl_tu1_place place = {
		.when = rx->vc4_when, .now = rx->frames * EVL_VC1_TICKS};
	evl_columns_split(rx->block, vc4);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		if (!wanted(rx, t)) {
			continue;
		}
		uint32_t before = rx->tu[t].defects;
		if (evl_tu1_rx_frame(&rx->tu[t], phase, &place, rx->block[t])) {
			tributary_changed(rx, t, before);
		}
	}
}

/* ---- VC-4 ---- */

static void locate(struct evl_mux63_rx *rx, uint64_t start_bit)
{
	uint64_t frame = rx->frame_bit, number = rx->frames;
	if (start_bit < frame) {
		frame -= FRAME;
		number--;
	}
	uint32_t byte = (uint32_t)((start_bit - frame) / 8);
	uint32_t row = byte / EVL_STM1_COLUMNS, column = byte % EVL_STM1_COLUMNS;
	/* A VC-4 that begins in H3 counts as beginning right after it. */
	rx->vc4_index =
		row * EVL_STM1_PAYLOAD + (column > EVL_STM1_SOH ? column - EVL_STM1_SOH : 0);
	rx->vc4_frame = frame;
	rx->vc4_when = number * EVL_VC1_TICKS + 4u * (uint64_t)rx->vc4_index;
}

static void on_vc4(void *ctx, const uint8_t *vc4, uint64_t start_bit)
{
	struct evl_mux63_rx *rx = ctx;
	struct evl_vc4_rx *hp = &rx->hp;
	struct evl_vc4_rx_result r;
	rx->got_vc4 = true;
	locate(rx, start_bit);
	if (rx->au.cut) {
		rx->au.cut = false;
		evl_vc4_rx_cut(hp);
		all_tributaries(rx, false, 0, end_of(rx, 0));
	}
	bool was_lom = hp->lom;
	evl_vc4_rx_take(hp, vc4, &r);
	rx->counts.b3_errors += r.b3_errors;
	rx->hp_rei_out += r.b3_errors;
	rx->counts.hp_rei += r.hp_rei;
	set_high(rx, BIT(EVL_ALARM_HP_UNEQ) | BIT(EVL_ALARM_HP_PLM),
		(hp->uneq ? BIT(EVL_ALARM_HP_UNEQ) : 0) | (hp->plm ? BIT(EVL_ALARM_HP_PLM) : 0),
		end_of(rx, EVL_VC4_C2));
	set_high(rx, BIT(EVL_ALARM_HP_RDI), hp->rdi ? BIT(EVL_ALARM_HP_RDI) : 0,
		end_of(rx, EVL_VC4_G1));
	set_high(rx, BIT(EVL_ALARM_HP_LOM), hp->lom ? BIT(EVL_ALARM_HP_LOM) : 0,
		end_of(rx, EVL_VC4_H4));
	if (hp->uneq || hp->plm || hp->lom || was_lom) {
		all_tributaries(rx, true, r.phase, end_of(rx, EVL_VC4_BYTES - 1));
	} else if (hp->in_multiframe && !r.phase_jump) {
		tributaries(rx, vc4, r.phase);
	} else {
		all_tributaries(rx, false, 0, end_of(rx, EVL_VC4_H4));
	}
}

/* ---- frames ---- */

static void on_frame(void *ctx, const struct evl_section_frame *frame)
{
	struct evl_mux63_rx *rx = ctx;
	rx->frames++;
	rx->frame_bit = frame->bit;
	rx->got_vc4 = false;
	if (frame->realigned) {
		evl_au_rx_lost(&rx->au);
	}
	if (frame->valid) {
		enum evl_ptr_action action =
			evl_au4_rx_frame(&rx->au, frame->plain, frame->bit, on_vc4, rx);
		rx->counts.au_increments += action == EVL_PTR_INC;
		rx->counts.au_decrements += action == EVL_PTR_DEC;
		rx->counts.au_new_pointers += action == EVL_PTR_NEW;
	} else {
		evl_au_rx_ais(&rx->au);
	}
	uint64_t h2_end = frame->bit + 8u * (EVL_STM1_H2 + 1);
	uint32_t now = rx->au.ptr.state == EVL_PTR_AIS   ? BIT(EVL_ALARM_AU_AIS)
		       : rx->au.ptr.state == EVL_PTR_LOP ? BIT(EVL_ALARM_AU_LOP)
							 : 0;
	set_high(rx, AU_FAIL, now, h2_end);
	if (now != 0 || !frame->valid) {
		if (!rx->got_vc4) {
			uint32_t phase = rx->hp.phase;
			evl_vc4_rx_miss(&rx->hp);
			set_high(rx, PATH_DEFECTS, 0, h2_end);
			all_tributaries(rx, true, phase, frame->bit + FRAME);
		}
	}
}

static void start(struct evl_mux63_rx *rx)
{
	struct evl_rx_options options = rx->options;
	memset(rx, 0, sizeof(*rx));
	rx->options = options;
	rx->frames = 16; /* so that no instant is below zero */
	evl_section_rx_init(&rx->section, 1, &options);
	evl_au_rx_init(&rx->au, &evl_au4_shape, (uint8_t)options.lop_frames);
	evl_vc4_rx_init(&rx->hp, options.rdi_frames, options.lom_frames);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		evl_tu1_rx_init(&rx->tu[t], EVL_VC1_E1_ASYNC, (uint8_t)options.lop_frames,
			(uint8_t)options.rdi_frames);
		rx->first_bit[t] = UINT64_MAX;
	}
}

enum evl_status evl_mux63_rx_create(
	struct evl_mux63_rx **out, const struct evl_rx_options *options, struct evl_err *err)
{
	struct evl_rx_options resolved;
	enum evl_status status = evl_rx_options_resolve(&resolved, options, err);
	if (status != EVL_OK) {
		return status;
	}
	struct evl_mux63_rx *rx = malloc(sizeof(*rx));
	if (rx == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for an STM-1 decoder (%zu bytes)",
			sizeof(*rx));
	}
	rx->options = resolved;
	start(rx);
	*out = rx;
	return EVL_OK;
}

void evl_mux63_rx_destroy(struct evl_mux63_rx *rx)
{
	free(rx);
}

void evl_mux63_rx_reset(struct evl_mux63_rx *rx)
{
	start(rx);
}

void evl_mux63_rx_set_frame(struct evl_mux63_rx *rx, uint64_t frame_number)
{
	rx->section.base = frame_number * FRAME - rx->section.end;
}

/* `bytes` NULL: exactly 32 bytes a frame. */
static void decode(struct evl_mux63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[EVL_MUX63_TRIBS], uint32_t *bytes, const struct evl_mux63_events *events)
{
	uint8_t drop[EVL_VC12_MOST_BYTES];
	evl_require(frames % 8 == 0);
	for (uint32_t f = 0; f < frames; f++) {
		evl_section_rx_feed(&rx->section, line + (size_t)EVL_MUX63_LINE_BYTES * f, events,
			on_frame, rx);
		for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
			struct evl_vc1_rx *vc = &rx->tu[t].vc;
			if (vc->open && rx->first_bit[t] == UINT64_MAX) {
				rx->first_bit[t] = EVL_VC12_E1_BITS * rx->pulled +
						   (uint64_t)rx->extra[t] + vc->prefill;
			}
			if (bytes == NULL) {
				evl_vc1_rx_pull(vc, e1[t] != NULL ? e1[t] + (size_t)32 * f : drop);
				continue;
			}
			uint32_t n = evl_vc1_rx_pull_bytes(
				vc, true, e1[t] != NULL ? e1[t] + bytes[t] : drop);
			bytes[t] += n;
			rx->extra[t] += 8 * ((int64_t)n - EVL_MUX63_E1_BYTES);
		}
		rx->pulled++;
	}
}

void evl_mux63_decode(struct evl_mux63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[EVL_MUX63_TRIBS], const struct evl_mux63_events *events)
{
	decode(rx, line, frames, e1, NULL, events);
}

void evl_mux63_decode_bytes(struct evl_mux63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[EVL_MUX63_TRIBS], uint32_t bytes[EVL_MUX63_TRIBS],
	const struct evl_mux63_events *events)
{
	memset(bytes, 0, EVL_MUX63_TRIBS * sizeof(bytes[0]));
	decode(rx, line, frames, e1, bytes, events);
}
