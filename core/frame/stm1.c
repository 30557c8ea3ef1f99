/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/stm1.h"

#include <string.h>

#include "core/signal/bip.h"
#include "core/signal/crc.h"

#define M1_MAX     24 /* errors that M1 can report for one frame */
#define RSOH_ROWS  3
#define S1_DEFAULT 0x0f /* synchronization status: do not use */

bool evl_trace_make(uint8_t trace[EVL_TRACE_BYTES], const char *text)
{
	size_t n = strnlen(text, EVL_TRACE_BYTES);
	if (n > EVL_TRACE_BYTES - 1) {
		return false;
	}
	for (size_t i = 0; i < n; i++) {
		if (text[i] < 0x20 || text[i] > 0x7e) {
			return false;
		}
	}
	memset(trace + 1, ' ', EVL_TRACE_BYTES - 1);
	memcpy(trace + 1, text, n);
	trace[0] = evl_crc7_trace(trace + 1);
	return true;
}

void evl_stm1_bip24(uint8_t b2[3], const uint8_t frame[EVL_STM1_FRAME_BYTES])
{
	/* 270 is a multiple of 3, so the frame can be taken as one long row; the 27 bytes that do
	 * not count are taken out again. */
	memset(b2, 0, 3);
	evl_bip24_rows(b2, frame, EVL_STM1_FRAME_BYTES, 1, EVL_STM1_FRAME_BYTES);
	evl_bip24_rows(b2, frame, EVL_STM1_SOH, RSOH_ROWS, EVL_STM1_COLUMNS);
}

void evl_stm1_tx_init(struct evl_stm1_tx *tx, uint64_t frame_number)
{
	*tx = (struct evl_stm1_tx){.s1 = S1_DEFAULT, .frame = frame_number};
	(void)evl_trace_make(tx->j0, "");
}

static void clear_overhead(uint8_t *frame)
{
	for (int row = 0; row < EVL_STM1_ROWS; row++) {
		if (row != 3) {
			memset(frame + row * EVL_STM1_COLUMNS, 0, EVL_STM1_SOH);
		}
	}
}

static void fill_msoh(struct evl_stm1_tx *tx, uint8_t *frame)
{
	memcpy(frame + EVL_STM1_B2, tx->b2, 3);
	frame[EVL_STM1_K2] = tx->ms_rdi ? EVL_K2_RDI : 0;
	frame[EVL_STM1_S1] = tx->s1;
	uint32_t rei = tx->ms_rei < M1_MAX ? tx->ms_rei : M1_MAX;
	frame[EVL_STM1_M1] = (uint8_t)rei;
	tx->ms_rei -= rei;
}

static void all_but_rsoh(uint8_t *frame)
{
	for (int row = 0; row < EVL_STM1_ROWS; row++) {
		int from = row < RSOH_ROWS ? EVL_STM1_SOH : 0;
		memset(frame + row * EVL_STM1_COLUMNS + from, 0xff,
		       (size_t)(EVL_STM1_COLUMNS - from));
	}
}

void evl_stm1_tx_frame(struct evl_stm1_tx *tx, uint8_t frame[EVL_STM1_FRAME_BYTES], bool ms_ais)
{
	clear_overhead(frame);
	if (ms_ais) {
		all_but_rsoh(frame);
	} else {
		fill_msoh(tx, frame);
	}
	memset(frame, EVL_STM1_A1, 3);
	memset(frame + 3, EVL_STM1_A2, 3);
	frame[EVL_STM1_J0] = tx->j0[tx->frame % EVL_TRACE_BYTES];
	frame[EVL_STM1_B1] = tx->b1;
	evl_stm1_bip24(tx->b2, frame);
	evl_scramble_stm1(frame, 1);
	tx->b1 = evl_bip8(frame, EVL_STM1_FRAME_BYTES);
	tx->frame++;
}

void evl_stm1_rx_init(struct evl_stm1_rx *rx)
{
	*rx = (struct evl_stm1_rx){0};
}

static uint32_t ones(uint8_t v)
{
	uint32_t n = 0;
	for (; v != 0; v = (uint8_t)(v & (v - 1))) {
		n++;
	}
	return n;
}

void evl_stm1_rx_frame(struct evl_stm1_rx *rx, const uint8_t line[EVL_STM1_FRAME_BYTES],
		       uint8_t plain[EVL_STM1_FRAME_BYTES], struct evl_stm1_rx_result *result)
{
	*result = (struct evl_stm1_rx_result){0};
	memcpy(plain, line, EVL_STM1_FRAME_BYTES);
	evl_scramble_stm1(plain, 1);
	if (rx->have_b1) {
		result->b1_errors = ones(plain[EVL_STM1_B1] ^ rx->b1);
	}
	if (rx->have_b2) {
		for (int i = 0; i < 3; i++) {
			result->b2_errors += ones(plain[EVL_STM1_B2 + i] ^ rx->b2[i]);
		}
	}
	rx->b1 = evl_bip8(line, EVL_STM1_FRAME_BYTES);
	evl_stm1_bip24(rx->b2, plain);
	rx->have_b1 = rx->have_b2 = true;
	result->k2 = plain[EVL_STM1_K2] & 7;
	/* Bit 1 of M1 is no part of the count in STM-1. */
	uint32_t rei = plain[EVL_STM1_M1] & 0x7f;
	result->ms_rei = rei <= M1_MAX ? rei : 0;
}
