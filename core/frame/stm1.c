/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/stm1.h"

#include <string.h>

#ifdef __SSE2__
#include <emmintrin.h>
#endif

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

/* 270 is a multiple of 3, so B2 can be had from the frame as one long row: byte i belongs to class
 * i mod 3. The 27 bytes that do not count are taken out again. */
static void without_rsoh(uint8_t b2[3], const uint8_t *frame)
{
	for (uint32_t row = 0; row < RSOH_ROWS; row++) {
		const uint8_t *p = frame + row * EVL_STM1_COLUMNS;
		for (uint32_t i = 0; i < 3; i++) {
			b2[i] = (uint8_t)(b2[i] ^ p[i] ^ p[i + 3] ^ p[i + 6]);
		}
	}
}

void evl_stm1_bip24(uint8_t b2[3], const uint8_t frame[EVL_STM1_FRAME_BYTES])
{
	memset(b2, 0, 3);
	evl_bip24_rows(b2, frame, EVL_STM1_FRAME_BYTES, 1, EVL_STM1_FRAME_BYTES);
	without_rsoh(b2, frame);
}

/* dst = src ^ key over one frame, and the XOR of the bytes of src per class: one pass for the
 * scrambler, B1 and B2, because the parity of the other side follows from that of the key. */
static void scramble_classes(uint8_t *dst, const uint8_t *src, const uint8_t *key, uint8_t c[3])
{
	uint8_t acc[48];
	size_t i = 0;
	memset(acc, 0, sizeof(acc));
#ifdef __SSE2__
	__m128i a0 = _mm_setzero_si128(), a1 = a0, a2 = a0;
	for (; i + 48 <= EVL_STM1_FRAME_BYTES; i += 48) {
		const __m128i *p = (const __m128i *)(const void *)(src + i);
		const __m128i *k = (const __m128i *)(const void *)(key + i);
		__m128i *q = (__m128i *)(void *)(dst + i);
		__m128i v0 = _mm_loadu_si128(p), v1 = _mm_loadu_si128(p + 1),
			v2 = _mm_loadu_si128(p + 2);
		a0 = _mm_xor_si128(a0, v0);
		a1 = _mm_xor_si128(a1, v1);
		a2 = _mm_xor_si128(a2, v2);
		_mm_storeu_si128(q, _mm_xor_si128(v0, _mm_loadu_si128(k)));
		_mm_storeu_si128(q + 1, _mm_xor_si128(v1, _mm_loadu_si128(k + 1)));
		_mm_storeu_si128(q + 2, _mm_xor_si128(v2, _mm_loadu_si128(k + 2)));
	}
	_mm_storeu_si128((__m128i *)(void *)acc, a0);
	_mm_storeu_si128((__m128i *)(void *)(acc + 16), a1);
	_mm_storeu_si128((__m128i *)(void *)(acc + 32), a2);
#endif
	for (; i < EVL_STM1_FRAME_BYTES; i++) {
		acc[i % 48] ^= src[i];
		dst[i] = src[i] ^ key[i];
	}
	memset(c, 0, 3);
	evl_bip24_rows(c, acc, sizeof(acc), 1, sizeof(acc));
}

/* Classes of the keystream. */
static void key_classes(uint8_t c[3])
{
	memset(c, 0, 3);
	evl_bip24_rows(c, evl_scramble_stm1_keystream(), EVL_STM1_FRAME_BYTES, 1,
		       EVL_STM1_FRAME_BYTES);
}

void evl_stm1_tx_init(struct evl_stm1_tx *tx, uint64_t frame_number)
{
	*tx = (struct evl_stm1_tx){.s1 = S1_DEFAULT, .frame = frame_number};
	key_classes(tx->key);
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
	uint8_t rsoh[3] = {0};
	without_rsoh(rsoh, frame);
	scramble_classes(frame, frame, evl_scramble_stm1_keystream(), tx->b2);
	tx->b1 =
		(uint8_t)(tx->b2[0] ^ tx->b2[1] ^ tx->b2[2] ^ tx->key[0] ^ tx->key[1] ^ tx->key[2]);
	for (int i = 0; i < 3; i++) {
		tx->b2[i] ^= rsoh[i];
	}
	tx->frame++;
}

void evl_stm1_rx_init(struct evl_stm1_rx *rx)
{
	*rx = (struct evl_stm1_rx){0};
	key_classes(rx->key);
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
	uint8_t sum[3];
	scramble_classes(plain, line, evl_scramble_stm1_keystream(), sum);
	if (rx->have_b1) {
		result->b1_errors = ones(plain[EVL_STM1_B1] ^ rx->b1);
	}
	if (rx->have_b2) {
		for (int i = 0; i < 3; i++) {
			result->b2_errors += ones(plain[EVL_STM1_B2 + i] ^ rx->b2[i]);
		}
	}
	rx->b1 = (uint8_t)(sum[0] ^ sum[1] ^ sum[2]);
	for (int i = 0; i < 3; i++) {
		rx->b2[i] = sum[i] ^ rx->key[i];
	}
	without_rsoh(rx->b2, plain);
	rx->have_b1 = rx->have_b2 = true;
	result->k2 = plain[EVL_STM1_K2] & 7;
	/* Bit 1 of M1 is no part of the count in STM-1. */
	uint32_t rei = plain[EVL_STM1_M1] & 0x7f;
	result->ms_rei = rei <= M1_MAX ? rei : 0;
}
