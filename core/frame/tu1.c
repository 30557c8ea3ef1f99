/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/tu1.h"

#include <string.h>

#define BIT(alarm) (1u << (alarm))

const struct evl_tu1_shape evl_tu12_shape = {36, 35, 2, 140, 261, {105, 0, 35, 70}};
const struct evl_tu1_shape evl_tu11_shape = {27, 26, 3, 104, 348, {78, 0, 26, 52}};

static const struct evl_tu1_shape *shape_of(enum evl_vc1_mode mode)
{
	return evl_vc1_shapes[mode].quarter == EVL_VC12_QUARTER ? &evl_tu12_shape : &evl_tu11_shape;
}

/* ---- encoder ---- */

void evl_tu1_tx_init(
	struct evl_tu1_tx *tu, enum evl_vc1_mode mode, uint16_t pointer, uint64_t frame_number)
{
	memset(tu, 0, sizeof(*tu));
	tu->shape = shape_of(mode);
	tu->ptr.value = pointer;
	evl_vc1_tx_init(&tu->vc, mode, 0);
	evl_tu1_tx_restart(tu, frame_number);
}

void evl_tu1_tx_restart(struct evl_tu1_tx *tu, uint64_t frame_number)
{
	const struct evl_tu1_shape *shape = tu->shape;
	uint32_t phase = (uint32_t)(frame_number % 4), first = shape->first[phase];
	uint16_t pointer = tu->ptr.has_new ? tu->ptr.new_value : tu->ptr.value;
	evl_ptr_tx_init(&tu->ptr, shape->range, pointer);
	tu->ptr.ss = shape->ss;
	tu->fill = (pointer + shape->range - first) % shape->range;
	tu->word = evl_ptr_word(pointer, tu->ptr.ss, false);
	tu->action = EVL_PTR_HOLD;
	tu->have = 0;
	/* A VC has the number of the multiframe whose V2 it follows; the number only steers J2, so
	 * it may wrap below zero for a VC that began before time zero. */
	uint64_t cycle = frame_number / 4;
	bool next = pointer < first;
	if (phase == 0) {
		cycle = next ? cycle : cycle - 1;
	} else {
		cycle = next ? cycle + 1 : cycle;
	}
	evl_vc1_tx_restart(&tu->vc, cycle);
}

/* The next n bytes of the VC stream; the first is byte `at` of the frame. */
static void give(struct evl_tu1_tx *tu, uint8_t *dst, uint32_t n, uint32_t at, int32_t when)
{
	while (n > 0) {
		uint32_t take;
		if (tu->fill > 0) {
			take = tu->fill < n ? tu->fill : n;
			memset(dst, 0, take);
			tu->fill -= take;
		} else if (tu->have == 0 && n >= tu->shape->quarter) {
			take = tu->shape->quarter;
			evl_vc1_tx_quarter(
				&tu->vc, when + tu->shape->byte_ticks * (int32_t)at, dst);
		} else {
			if (tu->have == 0) {
				evl_vc1_tx_quarter(&tu->vc,
					when + tu->shape->byte_ticks * (int32_t)at, tu->quarter);
				tu->have = tu->shape->quarter;
			}
			take = tu->have < n ? tu->have : n;
			memcpy(dst, tu->quarter + tu->shape->quarter - tu->have, take);
			tu->have = (uint8_t)(tu->have - take);
		}
		dst += take;
		at += take;
		n -= take;
	}
}

void evl_tu1_tx_frame(struct evl_tu1_tx *tu, uint32_t phase, int32_t when, uint8_t *out)
{
	uint32_t from = 1;
	switch (phase) {
	case 0: {
		enum evl_ptr_action action;
		tu->word = evl_ptr_tx_next(&tu->ptr, &action);
		tu->action = (uint8_t)action;
		out[0] = (uint8_t)(tu->word >> 8);
		break;
	}
	case 1:
		out[0] = (uint8_t)tu->word;
		if (tu->action == EVL_PTR_NEW) {
			tu->fill = tu->ptr.value;
			tu->have = 0;
			evl_vc1_tx_cut(&tu->vc);
		}
		break;
	case 2:
		out[0] = 0;
		if (tu->action == EVL_PTR_DEC) {
			from = 0;
		} else if (tu->action == EVL_PTR_INC) {
			out[1] = 0;
			from = 2;
		}
		break;
	default:
		out[0] = 0;
		break;
	}
	if (from == 1 && tu->have == 0 && tu->fill == 0) {
		evl_vc1_tx_quarter(&tu->vc, when + tu->shape->byte_ticks, out + 1);
	} else {
		give(tu, out + from, tu->shape->bytes - from, from, when);
	}
	if (phase == 3) {
		tu->action = EVL_PTR_HOLD;
	}
}

void evl_tu1_tx_multiframe(struct evl_tu1_tx *tu, int32_t when, uint8_t *out, uint32_t stride)
{
	const bool moves = tu->ptr.has_new || tu->ptr.pending != 0;
	if (moves || tu->fill > 0 || tu->have > 0 || tu->vc.quarter != 0) {
		for (uint32_t phase = 0; phase < 4; phase++) {
			evl_tu1_tx_frame(tu, phase, when + (int32_t)(EVL_VC1_TICKS * phase),
				out + phase * stride);
		}
		return;
	}
	enum evl_ptr_action action;
	tu->word = evl_ptr_tx_next(&tu->ptr, &action);
	tu->action = EVL_PTR_HOLD;
	out[0] = (uint8_t)(tu->word >> 8);
	out[stride] = (uint8_t)tu->word;
	out[2 * stride] = out[3 * stride] = 0;
	evl_vc1_tx_whole(&tu->vc, when + tu->shape->byte_ticks, out + 1, stride);
}

/* ---- decoder ---- */

void evl_tu1_rx_init(
	struct evl_tu1_rx *tu, enum evl_vc1_mode mode, uint8_t lop_limit, uint8_t rdi_limit)
{
	memset(tu, 0, sizeof(*tu));
	tu->shape = shape_of(mode);
	evl_ptr_rx_init(&tu->ptr, tu->shape->range, lop_limit);
	evl_vc1_rx_init(&tu->vc, mode, rdi_limit);
}

static bool update(struct evl_tu1_rx *tu)
{
	uint32_t now = 0;
	if (tu->ptr.state == EVL_PTR_AIS) {
		now = BIT(EVL_ALARM_TU_AIS);
	} else if (tu->ptr.state == EVL_PTR_LOP) {
		now = BIT(EVL_ALARM_TU_LOP);
	} else {
		now = (tu->vc.uneq ? BIT(EVL_ALARM_LP_UNEQ) : 0) |
		      (tu->vc.plm ? BIT(EVL_ALARM_LP_PLM) : 0) |
		      (tu->vc.rdi ? BIT(EVL_ALARM_LP_RDI) : 0) |
		      (tu->vc.rfi ? BIT(EVL_ALARM_LP_RFI) : 0) |
		      (tu->vc.held ? BIT(EVL_ALARM_LP_TIM) : 0);
	}
	bool changed = now != tu->defects;
	tu->defects = now;
	return changed;
}

static void cut(struct evl_tu1_rx *tu)
{
	tu->have = 0;
	tu->skip = 0;
	evl_vc1_rx_cut(&tu->vc);
}

static void pointer(struct evl_tu1_rx *tu, uint16_t word)
{
	enum evl_ptr_action action = evl_ptr_rx_word(&tu->ptr, word);
	tu->negative = action == EVL_PTR_DEC;
	tu->positive = action == EVL_PTR_INC;
	tu->increments += action == EVL_PTR_INC;
	tu->decrements += action == EVL_PTR_DEC;
	tu->new_pointers += action == EVL_PTR_NEW;
	if (tu->ptr.state != EVL_PTR_NORMAL) {
		cut(tu);
	} else if (action == EVL_PTR_NEW || tu->lost) {
		cut(tu);
		tu->skip = tu->ptr.value;
		tu->lost = false;
	}
}

/* A quarter is whole; true when it began with a V5, which may change defects. */
static bool quarter(struct evl_tu1_rx *tu, const uint8_t *in, const struct evl_tu1_place *place)
{
	bool first = tu->vc.quarter == 0;
	evl_vc1_rx_quarter(&tu->vc, in, (int32_t)(int64_t)(place->now - tu->begun));
	if (first) {
		tu->v5_byte = (int32_t)((int64_t)(tu->begun - place->when) / tu->shape->byte_ticks);
	}
	return first;
}

bool evl_tu1_rx_frame(
	struct evl_tu1_rx *tu, uint32_t phase, const struct evl_tu1_place *place, const uint8_t *in)
{
	bool look = false;
	uint32_t at = 1;
	switch (phase) {
	case 0:
		tu->v1 = in[0];
		break;
	case 1:
		pointer(tu, (uint16_t)(tu->v1 << 8 | in[0]));
		look = true;
		break;
	case 2:
		at = tu->negative ? 0 : tu->positive ? 2 : 1;
		tu->negative = tu->positive = false;
		break;
	default:
		break;
	}
	if (tu->ptr.state != EVL_PTR_NORMAL || tu->lost) {
		return look && update(tu);
	}
	if (at == 1 && tu->have == 0 && tu->skip == 0) {
		tu->begun = place->when + (uint32_t)tu->shape->byte_ticks;
		look |= quarter(tu, in + 1, place);
		return look && update(tu);
	}
	if (tu->skip > 0) {
		uint32_t n = tu->shape->bytes - at < tu->skip ? tu->shape->bytes - at : tu->skip;
		tu->skip -= n;
		at += n;
	}
	while (at < tu->shape->bytes) {
		uint32_t n = tu->shape->bytes - at;
		if (tu->have == 0) {
			tu->begun = place->when + tu->shape->byte_ticks * (int32_t)at;
			if (n >= tu->shape->quarter) {
				look |= quarter(tu, in + at, place);
				at += tu->shape->quarter;
				continue;
			}
		}
		uint32_t want = tu->shape->quarter - (uint32_t)tu->have;
		n = n < want ? n : want;
		memcpy(tu->quarter + tu->have, in + at, n);
		tu->have = (uint8_t)(tu->have + n);
		at += n;
		if (tu->have == tu->shape->quarter) {
			tu->have = 0;
			look |= quarter(tu, tu->quarter, place);
		}
	}
	return look && update(tu);
}

const uint8_t *evl_tu1_rx_multiframe(struct evl_tu1_rx *tu, const struct evl_tu1_place place[4],
	const uint8_t *in, uint32_t stride, bool steer, uint32_t bytes[4])
{
	if (tu->defects != 0 || tu->lost || tu->have > 0 || tu->skip > 0 || tu->negative ||
		tu->positive ||
		!evl_ptr_rx_is_same(&tu->ptr, (uint16_t)(in[0] << 8 | in[stride]))) {
		return NULL;
	}
	int32_t late[4];
	for (uint32_t q = 0; q < 4; q++) {
		late[q] = (int32_t)(int64_t)(place[q].now - place[q].when -
					     (uint64_t)tu->shape->byte_ticks);
	}
	const uint8_t *out = evl_vc1_rx_whole(&tu->vc, in + 1, stride, late, steer, bytes);
	if (out != NULL) {
		evl_ptr_rx_same(&tu->ptr);
		tu->v1 = in[0];
		tu->v5_byte = 1;
		tu->begun = place[3].when + tu->shape->byte_ticks;
	}
	return out;
}

bool evl_tu1_rx_lost(struct evl_tu1_rx *tu)
{
	cut(tu);
	tu->lost = true;
	tu->negative = tu->positive = false;
	return update(tu);
}

bool evl_tu1_rx_ais(struct evl_tu1_rx *tu, uint32_t phase)
{
	cut(tu);
	tu->lost = true;
	tu->v1 = 0xff;
	tu->negative = tu->positive = false;
	if (phase == 1) {
		(void)evl_ptr_rx_word(&tu->ptr, EVL_PTR_ALL_ONES);
	}
	return update(tu);
}

bool evl_tu1_rx_hold(struct evl_tu1_rx *tu, bool on)
{
	tu->vc.held = on;
	tu->vc.open = tu->vc.open && !on;
	return update(tu);
}
