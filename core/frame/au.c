/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/au.h"

#include <string.h>

#include "core/base/err.h"

#define ROWS_BEFORE  3                                /* payload rows before the pointer row */
#define BYTES_BEFORE (ROWS_BEFORE * EVL_STM1_PAYLOAD) /* 783 */
#define STUFF        3                                /* justification bytes */
#define Y_BYTE       0x93 /* 1001SS11 with SS = 00, as in captured frames; SS is unspecified */

/* ---- encoder ---- */

void evl_au_tx_init(struct evl_au_tx *au, uint16_t pointer)
{
	evl_ptr_tx_init(&au->ptr, EVL_PTR_AU4_RANGE, pointer);
	/* Rows 1..3 come 783 bytes before offset 0 of this frame's own pointer. */
	au->fill = (3u * pointer + BYTES_BEFORE) % EVL_VC4_BYTES;
	au->position = EVL_VC4_BYTES;
}

/* The next n payload bytes, which begin at payload byte `at` of the frame. */
static void give(struct evl_au_tx *au, uint8_t *dst, uint32_t n, uint32_t at,
		 evl_vc4_source source, void *ctx)
{
	while (n > 0) {
		uint32_t take;
		if (au->fill > 0) {
			take = au->fill < n ? au->fill : n;
			memset(dst, 0, take);
			au->fill -= take;
		} else {
			if (au->position == EVL_VC4_BYTES) {
				source(ctx, au->vc4, at);
				au->position = 0;
			}
			take = EVL_VC4_BYTES - au->position;
			take = take < n ? take : n;
			memcpy(dst, au->vc4 + au->position, take);
			au->position += take;
		}
		dst += take;
		at += take;
		n -= take;
	}
}

void evl_au_tx_frame(struct evl_au_tx *au, uint8_t frame[EVL_STM1_FRAME_BYTES],
		      evl_vc4_source source, void *ctx)
{
	enum evl_ptr_action action;
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		uint8_t *payload = frame + row * EVL_STM1_COLUMNS + EVL_STM1_SOH;
		uint32_t at = row * EVL_STM1_PAYLOAD;
		if (row != ROWS_BEFORE) {
			give(au, payload, EVL_STM1_PAYLOAD, at, source, ctx);
			continue;
		}
		uint16_t word = evl_ptr_tx_next(&au->ptr, &action);
		uint8_t *soh = frame + EVL_STM1_H1;
		memset(soh, 0, EVL_STM1_SOH);
		soh[0] = (uint8_t)(word >> 8);
		soh[1] = soh[2] = Y_BYTE;
		soh[3] = (uint8_t)word;
		soh[4] = soh[5] = 0xff;
		if (action == EVL_PTR_NEW) {
			au->fill = 3u * au->ptr.value;
			au->position = EVL_VC4_BYTES;
		}
		if (action == EVL_PTR_DEC) {
			give(au, soh + 6, STUFF, at, source, ctx);
		}
		uint32_t stuff = action == EVL_PTR_INC ? STUFF : 0;
		memset(payload, 0, stuff);
		give(au, payload + stuff, EVL_STM1_PAYLOAD - stuff, at + stuff, source, ctx);
	}
}

void evl_au_ais(uint8_t frame[EVL_STM1_FRAME_BYTES])
{
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		uint32_t from = row == ROWS_BEFORE ? 0 : EVL_STM1_SOH;
		memset(frame + row * EVL_STM1_COLUMNS + from, 0xff, EVL_STM1_COLUMNS - from);
	}
}

/* ---- decoder ---- */

void evl_au_rx_init(struct evl_au_rx *au, uint8_t lop_limit)
{
	memset(au, 0, sizeof(*au));
	evl_ptr_rx_init(&au->ptr, EVL_PTR_AU4_RANGE, lop_limit);
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

/* n bytes that follow one another in the VC-4 stream; the first is at line bit `bit`. */
static void take(struct evl_au_rx *au, const uint8_t *src, uint32_t n, uint64_t bit,
		 evl_vc4_sink sink, void *ctx)
{
	if (au->skip > 0) {
		uint32_t skip = au->skip < n ? au->skip : n;
		au->skip -= skip;
		src += skip;
		n -= skip;
		bit += 8u * skip;
	}
	while (n > 0) {
		if (au->have == 0) {
			au->start_bit = bit;
		}
		uint32_t part = EVL_VC4_BYTES - au->have;
		part = part < n ? part : n;
		memcpy(au->vc4 + au->have, src, part);
		au->have += part;
		src += part;
		n -= part;
		bit += 8u * part;
		if (au->have == EVL_VC4_BYTES) {
			au->have = 0;
			sink(ctx, au->vc4, au->start_bit);
		}
	}
}

enum evl_ptr_action evl_au_rx_frame(struct evl_au_rx *au,
				     const uint8_t frame[EVL_STM1_FRAME_BYTES], uint64_t frame_bit,
				     evl_vc4_sink sink, void *ctx)
{
	enum evl_ptr_action action = EVL_PTR_HOLD;
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		uint32_t at = row * EVL_STM1_COLUMNS + EVL_STM1_SOH;
		uint32_t stuff = 0;
		if (row == ROWS_BEFORE) {
			uint16_t word = (uint16_t)(frame[EVL_STM1_H1] << 8 | frame[EVL_STM1_H2]);
			action = evl_ptr_rx_word(&au->ptr, word);
			if (au->ptr.state != EVL_PTR_NORMAL) {
				evl_au_rx_lost(au);
			} else if (action == EVL_PTR_NEW || au->lost) {
				drop(au);
				au->skip = 3u * au->ptr.value;
				au->lost = false;
			} else if (action == EVL_PTR_DEC) {
				take(au, frame + EVL_STM1_H3, STUFF, frame_bit + 8u * EVL_STM1_H3,
				     sink, ctx);
			} else if (action == EVL_PTR_INC) {
				stuff = STUFF;
			}
		}
		if (au->ptr.state == EVL_PTR_NORMAL && !au->lost) {
			take(au, frame + at + stuff, EVL_STM1_PAYLOAD - stuff,
			     frame_bit + 8u * (at + stuff), sink, ctx);
		}
	}
	return action;
}

void evl_au_rx_ais(struct evl_au_rx *au)
{
	(void)evl_ptr_rx_word(&au->ptr, EVL_PTR_ALL_ONES);
	evl_au_rx_lost(au);
}
