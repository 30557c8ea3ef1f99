/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/stm.h"

#include <pthread.h>
#include <string.h>

#ifdef __SSE2__
#include <emmintrin.h>
#endif

#include "core/base/err.h"
#include "core/frame/trace.h"
#include "core/signal/bip.h"

#define M1_MAX     24 /* errors that M1 can report for one frame and each STM-1 */
#define KEY_PERIOD EVL_SCRAMBLE_STM1_PERIOD
#define RSOH_ROWS  3
#define S1_DEFAULT 0x0f /* synchronization status: do not use */

/* What a frame of STM-4 is XORed with: as STM-1, from the byte after the first row of the overhead
 * on (6.5). */
static uint8_t key4[EVL_STM4_BYTES];
static pthread_once_t key4_once = PTHREAD_ONCE_INIT;

static void make_key4(void)
{
	const uint8_t *key1 = evl_scramble_stm1_keystream() + EVL_STM1_UNSCRAMBLED;
	for (uint32_t i = 4 * EVL_STM1_UNSCRAMBLED; i < EVL_STM4_BYTES; i++) {
		key4[i] = key1[(i - 4 * EVL_STM1_UNSCRAMBLED) % KEY_PERIOD];
	}
}

static const uint8_t *keystream(uint32_t n)
{
	if (n == 1) {
		return evl_scramble_stm1_keystream();
	}
	(void)pthread_once(&key4_once, make_key4);
	return key4;
}

/* 270 N is a multiple of 3 N, so B2 can be had from the frame as one long row: byte i belongs to
 * class i mod 3 N. The bytes that do not count are taken out again. */
static void without_rsoh(uint8_t *b2, const uint8_t *frame, uint32_t n)
{
	for (uint32_t row = 0; row < RSOH_ROWS; row++) {
		const uint8_t *p = frame + row * EVL_STM1_COLUMNS * n;
		for (uint32_t i = 0; i < 3 * n; i++) {
			b2[i] = (uint8_t)(b2[i] ^ p[i] ^ p[i + 3 * n] ^ p[i + 6 * n]);
		}
	}
}

void evl_stm1_bip24(uint8_t b2[3], const uint8_t frame[EVL_STM1_FRAME_BYTES])
{
	memset(b2, 0, 3);
	evl_bip24_rows(b2, frame, EVL_STM1_FRAME_BYTES, 1, EVL_STM1_FRAME_BYTES);
	without_rsoh(b2, frame, 1);
}

/* dst = src ^ key over one frame, and the XOR of the bytes of src per class: one pass for the
 * scrambler, B1 and B2, because the parity of the other side follows from that of the key. 48 is a
 * multiple of 3 N. */
static void scramble_classes(
	uint8_t *dst, const uint8_t *src, const uint8_t *key, uint32_t n, uint8_t *c)
{
	const size_t bytes = (size_t)EVL_STM1_FRAME_BYTES * n;
	uint8_t acc[48];
	size_t i = 0;
	memset(acc, 0, sizeof(acc));
#ifdef __SSE2__
	__m128i a[3] = {_mm_setzero_si128(), _mm_setzero_si128(), _mm_setzero_si128()};
	for (; i + 48 <= bytes; i += 48) {
		const __m128i *p = (const __m128i *)(const void *)(src + i);
		const __m128i *k = (const __m128i *)(const void *)(key + i);
		__m128i *q = (__m128i *)(void *)(dst + i);
		__m128i v0 = _mm_loadu_si128(p), v1 = _mm_loadu_si128(p + 1),
			v2 = _mm_loadu_si128(p + 2);
		a[0] = _mm_xor_si128(a[0], v0);
		a[1] = _mm_xor_si128(a[1], v1);
		a[2] = _mm_xor_si128(a[2], v2);
		_mm_storeu_si128(q, _mm_xor_si128(v0, _mm_loadu_si128(k)));
		_mm_storeu_si128(q + 1, _mm_xor_si128(v1, _mm_loadu_si128(k + 1)));
		_mm_storeu_si128(q + 2, _mm_xor_si128(v2, _mm_loadu_si128(k + 2)));
	}
	for (uint32_t r = 0; i + 16 <= bytes; i += 16, r++) { /* at most two */
		__m128i v = _mm_loadu_si128((const __m128i *)(const void *)(src + i));
		__m128i k = _mm_loadu_si128((const __m128i *)(const void *)(key + i));
		a[r] = _mm_xor_si128(a[r], v);
		_mm_storeu_si128((__m128i *)(void *)(dst + i), _mm_xor_si128(v, k));
	}
	memcpy(acc, a, sizeof(acc));
#endif
	for (uint32_t at = (uint32_t)(i % 48); i < bytes; i++) {
		acc[at] ^= src[i];
		dst[i] = src[i] ^ key[i];
		at = at == 47 ? 0 : at + 1;
	}
	/* 48 bytes to 12 classes of STM-4, and those to 3 of STM-1. */
	uint8_t c12[12];
	for (uint32_t k = 0; k < 12; k++) {
		c12[k] = acc[k] ^ acc[k + 12] ^ acc[k + 24] ^ acc[k + 36];
	}
	for (uint32_t k = 0; n == 1 && k < 3; k++) {
		c[k] = c12[k] ^ c12[k + 3] ^ c12[k + 6] ^ c12[k + 9];
	}
	if (n == 4) {
		memcpy(c, c12, sizeof(c12));
	}
}

/* Classes of the keystream. */
static void key_classes(uint8_t *c, uint32_t n)
{
	const uint8_t *key = keystream(n);
	memset(c, 0, (size_t)3 * n);
	for (size_t i = 0; i < (size_t)EVL_STM1_FRAME_BYTES * n; i++) {
		c[i % (3 * n)] ^= key[i];
	}
}

void evl_stm_tx_init(struct evl_stm_tx *tx, uint32_t n, uint64_t frame_number)
{
	evl_require(n == 1 || n == EVL_STM_MOST);
	*tx = (struct evl_stm_tx){.n = (uint8_t)n, .s1 = S1_DEFAULT};
	struct evl_trace blank;
	(void)evl_trace_set(&blank, EVL_TRACE_16, "", NULL);
	memcpy(tx->j0, blank.bytes, sizeof(tx->j0));
	tx->j0_period = EVL_TRACE_16;
	key_classes(tx->key, n);
	evl_stm_tx_restart(tx, frame_number);
}

void evl_stm_tx_restart(struct evl_stm_tx *tx, uint64_t frame_number)
{
	tx->b1 = 0;
	memset(tx->b2, 0, sizeof(tx->b2));
	tx->ms_rei = 0;
	tx->frame = frame_number;
}

static void clear_overhead(uint8_t *frame, uint32_t n)
{
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		if (row != 3) {
			memset(frame + row * EVL_STM1_COLUMNS * n, 0, (size_t)EVL_STM1_SOH * n);
		}
	}
}

static void fill_rsoh(const struct evl_stm_tx *tx, uint8_t *frame)
{
	const uint32_t n = tx->n;
	memset(frame, EVL_STM1_A1, (size_t)3 * n);
	memset(frame + 3 * n, EVL_STM1_A2, (size_t)3 * n);
	for (uint32_t i = 0; tx->row1 != EVL_STM_J0 && i < 3 * n; i++) {
		frame[6 * n + i] = (uint8_t)(i + 1);
	}
	if (tx->row1 != EVL_STM_C1) {
		frame[6 * n] = tx->j0[tx->frame % tx->j0_period];
	}
	frame[evl_stm_at(n, 2, 1, 1)] = tx->b1;
}

static void fill_msoh(struct evl_stm_tx *tx, uint8_t *frame)
{
	const uint32_t n = tx->n;
	memcpy(frame + evl_stm_at(n, 5, 1, 1), tx->b2, (size_t)3 * n);
	frame[evl_stm_at(n, 5, 4, 1)] = tx->k1;
	frame[evl_stm_at(n, 5, 7, 1)] =
		tx->ms_rdi ? (uint8_t)((tx->k2 & 0xf8) | EVL_K2_RDI) : tx->k2;
	frame[evl_stm_at(n, 9, 1, 1)] = tx->s1;
	uint32_t rei = tx->ms_rei < M1_MAX * n ? tx->ms_rei : M1_MAX * n;
	frame[evl_stm_at(n, 9, 1, 3 * n + 3)] = (uint8_t)rei;
	tx->ms_rei -= rei;
}

static void force(const struct evl_stm_tx *tx, uint8_t *frame)
{
	const uint32_t columns = EVL_STM1_SOH * (uint32_t)tx->n;
	for (uint32_t i = 0, left = tx->forced_count; left > 0; i++) {
		if (tx->forced[i] != 0) {
			frame[i / columns * EVL_STM1_COLUMNS * tx->n + i % columns] = tx->soh[i];
			left--;
		}
	}
}

static void all_but_rsoh(uint8_t *frame, uint32_t n)
{
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		uint32_t from = row < RSOH_ROWS ? EVL_STM1_SOH * n : 0;
		memset(frame + row * EVL_STM1_COLUMNS * n + from, 0xff,
			(size_t)(EVL_STM1_COLUMNS * n - from));
	}
}

void evl_stm_tx_frame(struct evl_stm_tx *tx, uint8_t *frame, bool ms_ais)
{
	const uint32_t n = tx->n;
	clear_overhead(frame, n);
	fill_rsoh(tx, frame);
	fill_msoh(tx, frame);
	force(tx, frame);
	if (ms_ais) {
		all_but_rsoh(frame, n);
	}
	uint8_t rsoh[3 * EVL_STM_MOST] = {0};
	without_rsoh(rsoh, frame, n);
	scramble_classes(frame, frame, keystream(n), n, tx->b2);
	tx->b1 = 0;
	for (uint32_t i = 0; i < 3 * n; i++) {
		tx->b1 = (uint8_t)(tx->b1 ^ tx->b2[i] ^ tx->key[i]);
		tx->b2[i] ^= rsoh[i];
	}
	tx->frame++;
}

void evl_stm_rx_init(struct evl_stm_rx *rx, uint32_t n)
{
	*rx = (struct evl_stm_rx){.n = (uint8_t)n};
	key_classes(rx->key, n);
}

static uint32_t ones(uint8_t v)
{
	uint32_t n = 0;
	for (; v != 0; v = (uint8_t)(v & (v - 1))) {
		n++;
	}
	return n;
}

void evl_stm_rx_frame(struct evl_stm_rx *rx, const uint8_t *line, uint8_t *plain,
	struct evl_stm_rx_result *result)
{
	const uint32_t n = rx->n;
	*result = (struct evl_stm_rx_result){0};
	uint8_t sum[3 * EVL_STM_MOST];
	scramble_classes(plain, line, keystream(n), n, sum);
	if (rx->have_b1) {
		result->b1_errors = ones(plain[evl_stm_at(n, 2, 1, 1)] ^ rx->b1);
	}
	const uint8_t *b2 = plain + evl_stm_at(n, 5, 1, 1);
	for (uint32_t i = 0; rx->have_b2 && i < 3 * n; i++) {
		result->b2_errors += ones(b2[i] ^ rx->b2[i]);
	}
	rx->b1 = 0;
	for (uint32_t i = 0; i < 3 * n; i++) {
		rx->b1 ^= sum[i];
		rx->b2[i] = sum[i] ^ rx->key[i];
	}
	without_rsoh(rx->b2, plain, n);
	rx->have_b1 = rx->have_b2 = true;
	result->k2 = plain[evl_stm_at(n, 5, 7, 1)] & 7;
	/* Bit 1 of M1 is no part of the count in STM-1 and STM-4. */
	uint32_t rei = plain[evl_stm_at(n, 9, 1, 3 * n + 3)] & 0x7f;
	result->ms_rei = rei <= M1_MAX * n ? rei : 0;
}
