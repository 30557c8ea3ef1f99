/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/prbs.h"

#include <pthread.h>
#include <string.h>
#if defined(__SSE2__)
#include <emmintrin.h>
#endif

#include "core/base/err.h"

#define PERIOD15 32767u
#define PERIOD23 8388607u

/* 2^15-1: eight periods are 32767 bytes, so one table holds the pattern at every bit alignment. As
 * 8 * 4096 = 32768 = 1 modulo 32767, the bit phase p begins at byte 4096 p modulo 32767. */
#define PHASE_TO_BYTE 4096u

/* Squaring the recurrence doubles its lags (the field has characteristic 2): three times gives
 * whole bytes, 18 and 23; seven times gives lags long enough for wide loads of finished stores. */
#define LAG_K 288u
#define LAG_N 368u

#define ANCHOR_STEP 1024u
#define ANCHORS     8192u /* of 2^23-1: one window each 1024 bits */
#define SLOTS       32768u

static uint8_t table15[PERIOD15];
static uint16_t index15[PERIOD15 + 1];
static uint32_t anchor_window[ANCHORS];
static uint16_t anchor_slot[SLOTS]; /* anchor number + 1 */
static pthread_once_t once15 = PTHREAD_ONCE_INIT;
static pthread_once_t once23 = PTHREAD_ONCE_INIT;

static const struct {
	const char *name;
	uint32_t period;
	unsigned n, k;
} kinds[EVL_PRBS_KINDS] = {
	[EVL_PRBS15] = {"2^15-1", PERIOD15, 15, 14},
	[EVL_PRBS23] = {"2^23-1", PERIOD23, 23, 18},
};

const char *evl_prbs_name(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].name;
}

bool evl_prbs_by_name(enum evl_prbs_kind *kind, const char *name)
{
	for (int i = 0; i < EVL_PRBS_KINDS; i++) {
		if (strcmp(name, kinds[i].name) == 0) {
			*kind = (enum evl_prbs_kind)i;
			return true;
		}
	}
	return false;
}

uint32_t evl_prbs_period(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].period;
}

unsigned evl_prbs_order(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].n;
}

unsigned evl_prbs_tap(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].k;
}

/* The window one bit later. */
static uint32_t window_next(enum evl_prbs_kind kind, uint32_t w)
{
	unsigned n = kinds[kind].n;
	uint32_t bit = (w >> (n - 1) ^ w >> (kinds[kind].k - 1)) & 1;
	return (w << 1 | bit) & ((1u << n) - 1);
}

/* a * b modulo x^n + x^(n-k) + 1, which is the recurrence read as a polynomial in the shift x. */
static uint32_t poly_mul(enum evl_prbs_kind kind, uint32_t a, uint32_t b)
{
	unsigned n = kinds[kind].n;
	uint32_t poly = 1u << n | 1u << (n - kinds[kind].k) | 1u;
	uint32_t r = 0;
	for (unsigned i = n; i-- > 0;) {
		r <<= 1;
		r ^= (r >> n & 1) ? poly : 0;
		r ^= (b >> i & 1) ? a : 0;
	}
	return r;
}

uint32_t evl_prbs_window(enum evl_prbs_kind kind, uint64_t phase)
{
	evl_require(kind < EVL_PRBS_KINDS);
	unsigned n = kinds[kind].n;
	uint64_t p = phase % kinds[kind].period;
	uint32_t shift = 1; /* x^p */
	for (unsigned i = 32; i-- > 0;) {
		shift = poly_mul(kind, shift, shift);
		if (p >> i & 1) {
			shift = poly_mul(kind, shift, 2);
		}
	}
	/* s[p + j] is the sum of s[m + j] over the terms x^m of the shift. */
	uint32_t w = (1u << n) - 1;
	uint32_t sum = 0;
	for (unsigned m = 0; m < n; m++) {
		sum ^= (shift >> m & 1) ? w : 0;
		w = window_next(kind, w);
	}
	return sum;
}

/* Bytes of the line (inverted) from the window on, bit by bit: only for the first few. */
static void fill_serial(enum evl_prbs_kind kind, uint32_t w, uint8_t *out, size_t bytes)
{
	unsigned n = kinds[kind].n;
	for (size_t b = 0; b < bytes; b++) {
		unsigned v = 0;
		for (unsigned i = 0; i < 8; i++) {
			v = v << 1 | (~w >> (n - 1) & 1);
			w = window_next(kind, w);
		}
		out[b] = (uint8_t)v;
	}
}

/* Goes on by the byte-wise recurrence, bytes n and more. */
static void extend(enum evl_prbs_kind kind, uint8_t *out, size_t bytes)
{
	unsigned n = kinds[kind].n;
	unsigned k = kinds[kind].k;
	for (size_t b = n; b < bytes; b++) {
		out[b] = (uint8_t) ~(out[b - k] ^ out[b - n]);
	}
}

static void make15(void)
{
	uint32_t w = (1u << 15) - 1;
	fill_serial(EVL_PRBS15, w, table15, 15);
	extend(EVL_PRBS15, table15, sizeof(table15));
	for (uint32_t i = 0; i < PERIOD15; i++) {
		index15[w] = (uint16_t)i;
		w = window_next(EVL_PRBS15, w);
	}
}

static uint32_t slot_of(uint32_t window)
{
	return (uint32_t)(window * 2654435769u) >> 17; /* Fibonacci hashing to 15 bits */
}

static void make23(void)
{
	uint32_t w = PERIOD23;
	for (uint32_t i = 0; i < PERIOD23; i++) {
		if (i % ANCHOR_STEP == 0) {
			uint32_t a = i / ANCHOR_STEP;
			uint32_t s = slot_of(w);
			anchor_window[a] = w;
			while (anchor_slot[s] != 0) {
				s = (s + 1) % SLOTS;
			}
			anchor_slot[s] = (uint16_t)(a + 1);
		}
		w = window_next(EVL_PRBS23, w);
	}
}

static void once(pthread_once_t *flag, void (*make)(void))
{
	int failed = pthread_once(flag, make);
	evl_require(failed == 0);
}

uint32_t evl_prbs_index_of(enum evl_prbs_kind kind, uint32_t window)
{
	evl_require(kind < EVL_PRBS_KINDS);
	uint32_t period = kinds[kind].period;
	if (window == 0 || window > period) {
		return UINT32_MAX;
	}
	if (kind == EVL_PRBS15) {
		once(&once15, make15);
		return index15[window];
	}
	once(&once23, make23);
	for (uint32_t back = 0; back < ANCHOR_STEP; back++) {
		for (uint32_t s = slot_of(window); anchor_slot[s] != 0; s = (s + 1) % SLOTS) {
			uint32_t a = anchor_slot[s] - 1u;
			if (anchor_window[a] == window) {
				return (a * ANCHOR_STEP + period - back) % period;
			}
		}
		window = window_next(kind, window);
	}
	evl_require(!"a window of 2^23-1 lies within 1024 bits of an anchor");
	return UINT32_MAX;
}

/* dst = NOT (a XOR b); a and b may lie in dst, at least 16 bytes back. */
static void nxor(uint8_t *dst, const uint8_t *a, const uint8_t *b, size_t bytes)
{
	size_t i = 0;
#if defined(__SSE2__)
	const __m128i ones = _mm_set1_epi32(-1);
	for (; i + 32 <= bytes; i += 32) {
		__m128i x0 = _mm_loadu_si128((const __m128i *)(const void *)(a + i));
		__m128i x1 = _mm_loadu_si128((const __m128i *)(const void *)(a + i + 16));
		__m128i y0 = _mm_loadu_si128((const __m128i *)(const void *)(b + i));
		__m128i y1 = _mm_loadu_si128((const __m128i *)(const void *)(b + i + 16));
		x0 = _mm_xor_si128(_mm_xor_si128(x0, y0), ones);
		x1 = _mm_xor_si128(_mm_xor_si128(x1, y1), ones);
		_mm_storeu_si128((__m128i *)(void *)(dst + i), x0);
		_mm_storeu_si128((__m128i *)(void *)(dst + i + 16), x1);
	}
#endif
	for (; i + 8 <= bytes; i += 8) {
		uint64_t x, y;
		memcpy(&x, a + i, 8);
		memcpy(&y, b + i, 8);
		x = ~(x ^ y);
		memcpy(dst + i, &x, 8);
	}
	for (; i < bytes; i++) {
		dst[i] = (uint8_t) ~(a[i] ^ b[i]);
	}
}

static void fill23(struct evl_prbs *p, uint8_t *out, size_t bytes)
{
	const uint8_t *h = p->history;
	size_t done = bytes < LAG_K ? bytes : LAG_K;
	nxor(out, h + (LAG_N - LAG_K), h, done);
	if (bytes > LAG_K) {
		size_t part = bytes < LAG_N ? bytes - LAG_K : LAG_N - LAG_K;
		nxor(out + LAG_K, out, h + LAG_K, part);
	}
	if (bytes > LAG_N) {
		nxor(out + LAG_N, out + (LAG_N - LAG_K), out, bytes - LAG_N);
	}
	if (bytes >= LAG_N) {
		memcpy(p->history, out + bytes - LAG_N, LAG_N);
	} else {
		memmove(p->history, p->history + bytes, LAG_N - bytes);
		memcpy(p->history + LAG_N - bytes, out, bytes);
	}
}

void evl_prbs_init(struct evl_prbs *p, enum evl_prbs_kind kind, uint64_t phase)
{
	evl_require(kind < EVL_PRBS_KINDS);
	_Static_assert(EVL_PRBS_HISTORY_BYTES == LAG_N, "history holds the longest lag");
	p->kind = kind;
	p->phase = (uint32_t)(phase % kinds[kind].period);
	if (kind == EVL_PRBS15) {
		once(&once15, make15);
		memset(p->history, 0, sizeof(p->history));
		return;
	}
	uint32_t before = (p->phase + PERIOD23 - LAG_N * 8) % PERIOD23;
	fill_serial(kind, evl_prbs_window(kind, before), p->history, 23);
	extend(kind, p->history, LAG_N);
}

static void advance(struct evl_prbs *p, uint64_t bits)
{
	uint32_t period = kinds[p->kind].period;
	p->phase = (uint32_t)((p->phase + bits % period) % period);
}

const uint8_t *evl_prbs_lend(struct evl_prbs *p, uint8_t *scratch, size_t *bytes)
{
	evl_require(*bytes > 0);
	const uint8_t *at = scratch;
	if (p->kind == EVL_PRBS15) {
		size_t from = (size_t)p->phase * PHASE_TO_BYTE % PERIOD15;
		if (*bytes > PERIOD15 - from) {
			*bytes = PERIOD15 - from;
		}
		at = table15 + from;
	} else {
		fill23(p, scratch, *bytes);
	}
	advance(p, (uint64_t)*bytes * 8);
	return at;
}

void evl_prbs_fill(struct evl_prbs *p, uint8_t *out, size_t bytes)
{
	while (bytes > 0) {
		size_t part = bytes;
		const uint8_t *from = evl_prbs_lend(p, out, &part);
		if (from != out) {
			memcpy(out, from, part);
		}
		out += part;
		bytes -= part;
	}
}

void evl_prbs_skip(struct evl_prbs *p, uint64_t bits)
{
	evl_prbs_init(p, p->kind, p->phase + bits % kinds[p->kind].period);
}
