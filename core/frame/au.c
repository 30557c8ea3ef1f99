/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/au.h"

#include <string.h>

#include "core/base/err.h"

#define ROWS   EVL_STM1_ROWS
#define Y_BYTE 0x93 /* 1001SS11 with SS = 00, as in captured frames; SS is unspecified */

const struct evl_au_shape evl_au4_shape = {EVL_VC4_COLUMNS, EVL_PTR_AU4_RANGE, 3, 3};
const struct evl_au_shape evl_au3_shape = {EVL_VC3_COLUMNS, EVL_PTR_AU4_RANGE, 1, 3};
const struct evl_au_shape evl_au4_4c_shape = {EVL_VC4_4C_COLUMNS, EVL_PTR_AU4_RANGE, 12, 3};
const struct evl_au_shape evl_tu3_shape = {EVL_VC3_TU_COLUMNS, EVL_PTR_TU3_RANGE, 1, 2};

static uint32_t size_of(const struct evl_au_shape *shape)
{
	return (uint32_t)ROWS * shape->columns;
}

/* ---- encoder ---- */

void evl_au_tx_init(struct evl_au_tx *au, const struct evl_au_shape *shape, uint16_t pointer)
{
	uint8_t ss = au->shape != NULL ? au->ptr.ss : EVL_PTR_SS;
	au->shape = shape;
	evl_ptr_tx_init(&au->ptr, shape->range, pointer);
	au->ptr.ss = ss;
	/* The rows before that of H3 come so many bytes before offset 0 of this frame's pointer. */
	uint32_t before = (uint32_t)shape->row * shape->columns;
	au->fill = ((uint32_t)shape->unit * pointer + before) % size_of(shape);
	au->position = size_of(shape);
}

/* The next n payload bytes, which begin at payload byte `at` of the frame. */
static void give(struct evl_au_tx *au, uint8_t *dst, uint32_t n, uint32_t at, evl_vc_source source,
	void *ctx)
{
	const uint32_t size = size_of(au->shape);
	while (n > 0) {
		uint32_t take;
		if (au->fill > 0) {
			take = au->fill < n ? au->fill : n;
			memset(dst, 0, take);
			au->fill -= take;
		} else {
			if (au->position == size) {
				au->vc = source(ctx, au->room, at);
				au->position = 0;
			}
			take = size - au->position;
			take = take < n ? take : n;
			memcpy(dst, au->vc + au->position, take);
			au->position += take;
		}
		dst += take;
		at += take;
		n -= take;
	}
}

uint16_t evl_au_tx_frame(
	struct evl_au_tx *au, const struct evl_au_room *room, evl_vc_source source, void *ctx)
{
	const uint32_t columns = au->shape->columns, unit = au->shape->unit;
	uint16_t word = 0;
	for (uint32_t row = 0; row < ROWS; row++) {
		uint8_t *payload = room->payload + row * room->stride;
		uint32_t at = row * columns, stuff = 0;
		if (row == au->shape->row) {
			enum evl_ptr_action action;
			word = evl_ptr_tx_next(&au->ptr, &action);
			memset(room->h3, 0, unit);
			if (action == EVL_PTR_NEW) {
				au->fill = unit * au->ptr.value;
				au->position = size_of(au->shape);
			} else if (action == EVL_PTR_DEC) {
				give(au, room->h3, unit, at, source, ctx);
			} else if (action == EVL_PTR_INC) {
				stuff = unit;
				memset(payload, 0, stuff);
			}
		}
		give(au, payload + stuff, columns - stuff, at + stuff, source, ctx);
	}
	return word;
}

void evl_au4_tx_frame(
	struct evl_au_tx *au, uint8_t frame[EVL_STM1_FRAME_BYTES], evl_vc_source source, void *ctx)
{
	uint8_t *soh = frame + EVL_STM1_H1;
	const struct evl_au_room room = {frame + EVL_STM1_SOH, EVL_STM1_COLUMNS, soh + 6};
	uint16_t word = evl_au_tx_frame(au, &room, source, ctx);
	soh[0] = (uint8_t)(word >> 8);
	soh[1] = soh[2] = Y_BYTE;
	soh[3] = (uint8_t)word;
	soh[4] = soh[5] = 0xff;
}

void evl_au4_ais(uint8_t frame[EVL_STM1_FRAME_BYTES])
{
	for (uint32_t row = 0; row < ROWS; row++) {
		uint32_t from = row == evl_au4_shape.row ? 0 : EVL_STM1_SOH;
		memset(frame + row * EVL_STM1_COLUMNS + from, 0xff, EVL_STM1_COLUMNS - from);
	}
}

/* ---- decoder ---- */

void evl_au_rx_init(struct evl_au_rx *au, const struct evl_au_shape *shape, uint8_t lop_limit)
{
	memset(au, 0, sizeof(*au));
	au->shape = shape;
	au->vc = au->room;
	evl_ptr_rx_init(&au->ptr, shape->range, lop_limit);
}

static void drop(struct evl_au_rx *au)
{
	au->have = 0;
	au->skip = 0;
	au->cut = true;
}

void evl_au_rx_lost(struct evl_au_rx *au)
{
	drop(au);
	au->lost = true;
}

/* n bytes that follow one another in the VC stream; the first is at line bit `bit`, the next ones
 * `step` bits apart. */
static void take(struct evl_au_rx *au, const uint8_t *src, uint32_t n, uint64_t bit, uint32_t step,
	evl_vc_sink sink, void *ctx)
{
	const uint32_t size = size_of(au->shape);
	if (au->skip > 0) {
		uint32_t skip = au->skip < n ? au->skip : n;
		au->skip -= skip;
		src += skip;
		n -= skip;
		bit += (uint64_t)step * skip;
	}
	while (n > 0) {
		if (au->have == 0) {
			au->start_bit = bit;
		}
		uint32_t part = size - au->have;
		part = part < n ? part : n;
		memcpy(au->vc + au->have, src, part);
		au->have += part;
		src += part;
		n -= part;
		bit += (uint64_t)step * part;
		if (au->have == size) {
			au->have = 0;
			sink(ctx, au->vc, au->start_bit);
		}
	}
}

enum evl_ptr_action evl_au_rx_frame(struct evl_au_rx *au, uint16_t word,
	const struct evl_au_view *view, evl_vc_sink sink, void *ctx)
{
	const uint32_t columns = au->shape->columns, unit = au->shape->unit;
	enum evl_ptr_action action = EVL_PTR_HOLD;
	for (uint32_t row = 0; row < ROWS; row++) {
		uint64_t bit = view->bit + 8u * ((uint64_t)row * view->row_bytes);
		uint32_t stuff = 0;
		if (row == au->shape->row) {
			action = evl_ptr_rx_word(&au->ptr, word);
			if (au->ptr.state != EVL_PTR_NORMAL) {
				evl_au_rx_lost(au);
			} else if (action == EVL_PTR_NEW || au->lost) {
				drop(au);
				au->skip = unit * au->ptr.value;
				au->lost = false;
			} else if (action == EVL_PTR_DEC) {
				take(au, view->h3, unit, bit + 8u * view->h3_at, 8 * view->step,
					sink, ctx);
			} else if (action == EVL_PTR_INC) {
				stuff = unit;
			}
		}
		if (au->ptr.state == EVL_PTR_NORMAL && !au->lost) {
			take(au, view->payload + row * view->stride + stuff, columns - stuff,
				bit + 8u * (view->first + view->step * stuff), 8 * view->step, sink,
				ctx);
		}
	}
	return action;
}

enum evl_ptr_action evl_au4_rx_frame(struct evl_au_rx *au,
	const uint8_t frame[EVL_STM1_FRAME_BYTES], uint64_t frame_bit, evl_vc_sink sink, void *ctx)
{
	const struct evl_au_view view = {
		.payload = frame + EVL_STM1_SOH,
		.stride = EVL_STM1_COLUMNS,
		.h3 = frame + EVL_STM1_H3,
		.bit = frame_bit,
		.row_bytes = EVL_STM1_COLUMNS,
		.first = EVL_STM1_SOH,
		.step = 1,
		.h3_at = 6,
	};
	uint16_t word = (uint16_t)(frame[EVL_STM1_H1] << 8 | frame[EVL_STM1_H2]);
	return evl_au_rx_frame(au, word, &view, sink, ctx);
}

void evl_au_rx_ais(struct evl_au_rx *au)
{
	(void)evl_ptr_rx_word(&au->ptr, EVL_PTR_ALL_ONES);
	evl_au_rx_lost(au);
}
