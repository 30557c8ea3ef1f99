/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/interleave.h"

#include "core/signal/simd.h"

#ifdef __SSE2__
#include <emmintrin.h>

#define LOAD(p)     _mm_loadu_si128((const __m128i *)(const void *)(p))
#define STORE(p, v) _mm_storeu_si128((__m128i *)(void *)(p), v)

static uint32_t interleave4(uint8_t *dst, const uint8_t *const parts[], uint32_t i, uint32_t bytes)
{
	for (; i + 16 <= bytes; i += 16) {
		__m128i a = LOAD(parts[0] + i), b = LOAD(parts[1] + i), c = LOAD(parts[2] + i),
			d = LOAD(parts[3] + i);
		__m128i ac = _mm_unpacklo_epi8(a, c), bd = _mm_unpacklo_epi8(b, d);
		STORE(dst + 4 * i, _mm_unpacklo_epi8(ac, bd));
		STORE(dst + 4 * i + 16, _mm_unpackhi_epi8(ac, bd));
		ac = _mm_unpackhi_epi8(a, c);
		bd = _mm_unpackhi_epi8(b, d);
		STORE(dst + 4 * i + 32, _mm_unpacklo_epi8(ac, bd));
		STORE(dst + 4 * i + 48, _mm_unpackhi_epi8(ac, bd));
	}
	return i;
}

/* Even and odd bytes of two registers. */
#define EVEN(v, w) _mm_packus_epi16(_mm_and_si128(v, mask), _mm_and_si128(w, mask))
#define ODD(v, w)  _mm_packus_epi16(_mm_srli_epi16(v, 8), _mm_srli_epi16(w, 8))

static uint32_t deinterleave4(
	uint8_t *const parts[], const uint8_t *src, uint32_t i, uint32_t bytes)
{
	const __m128i mask = _mm_set1_epi16(0xff);
	for (; i + 16 <= bytes; i += 16) {
		__m128i v0 = LOAD(src + 4 * i), v1 = LOAD(src + 4 * i + 16);
		__m128i v2 = LOAD(src + 4 * i + 32), v3 = LOAD(src + 4 * i + 48);
		__m128i even = EVEN(v0, v1), odd = ODD(v0, v1);
		__m128i even2 = EVEN(v2, v3), odd2 = ODD(v2, v3);
		STORE(parts[0] + i, EVEN(even, even2));
		STORE(parts[2] + i, ODD(even, even2));
		STORE(parts[1] + i, EVEN(odd, odd2));
		STORE(parts[3] + i, ODD(odd, odd2));
	}
	return i;
}

#define HALF(v) _mm_unpackhi_epi64(v, v)

/* 48 bytes as three registers: one round sends byte i to place 2 i mod 47, four rounds to 16 i mod
 * 47, which brings every third byte together. */
static uint32_t deinterleave3(
	uint8_t *const parts[], const uint8_t *src, uint32_t i, uint32_t bytes)
{
	for (; i + 16 <= bytes; i += 16) {
		__m128i v0 = LOAD(src + 3 * i), v1 = LOAD(src + 3 * i + 16),
			v2 = LOAD(src + 3 * i + 32);
		for (int round = 0; round < 4; round++) {
			__m128i w0 = _mm_unpacklo_epi8(v0, HALF(v1));
			__m128i w1 = _mm_unpacklo_epi8(HALF(v0), v2);
			__m128i w2 = _mm_unpacklo_epi8(v1, HALF(v2));
			v0 = w0;
			v1 = w1;
			v2 = w2;
		}
		STORE(parts[0] + i, v0);
		STORE(parts[1] + i, v1);
		STORE(parts[2] + i, v2);
	}
	return i;
}

/* The same rounds backwards: the even places come first, then the odd ones. */
static uint32_t interleave3(uint8_t *dst, const uint8_t *const parts[], uint32_t i, uint32_t bytes)
{
	const __m128i mask = _mm_set1_epi16(0xff);
	for (; i + 16 <= bytes; i += 16) {
		__m128i v0 = LOAD(parts[0] + i), v1 = LOAD(parts[1] + i), v2 = LOAD(parts[2] + i);
		for (int round = 0; round < 4; round++) {
			__m128i w0 = EVEN(v0, v1);
			__m128i w1 =
				_mm_packus_epi16(_mm_and_si128(v2, mask), _mm_srli_epi16(v0, 8));
			__m128i w2 = ODD(v1, v2);
			v0 = w0;
			v1 = w1;
			v2 = w2;
		}
		STORE(dst + 3 * i, v0);
		STORE(dst + 3 * i + 16, v1);
		STORE(dst + 3 * i + 32, v2);
	}
	return i;
}

#endif

#ifdef __x86_64__
#include <immintrin.h>

/* Processors with AVX2 put any bytes of a register in any order at once. Byte i of the result is
 * X(i), or 0 where that is negative. */
#define AVX2 __attribute__((target("avx2")))
#define ORDER(X, k, r)                                                                             \
	_mm_setr_epi8(X(0, k, r), X(1, k, r), X(2, k, r), X(3, k, r), X(4, k, r), X(5, k, r),      \
		X(6, k, r), X(7, k, r), X(8, k, r), X(9, k, r), X(10, k, r), X(11, k, r),          \
		X(12, k, r), X(13, k, r), X(14, k, r), X(15, k, r))
/* Place in register r of byte i of part k; part k's byte at place i of register r. */
#define TAKE(i, k, r)                                                                              \
	(3 * (i) + (k) >= 16 * (r) && 3 * (i) + (k) < 16 * (r) + 16 ? 3 * (i) + (k)-16 * (r) : -1)
#define PUT(i, k, r) ((16 * (r) + (i)) % 3 == (k) ? (16 * (r) + (i)) / 3 : -1)
#define THREE(a, b, c, k0, k1, k2)                                                                 \
	_mm_or_si128(_mm_or_si128(_mm_shuffle_epi8(a, k0), _mm_shuffle_epi8(b, k1)),               \
		_mm_shuffle_epi8(c, k2))

AVX2 static uint32_t deinterleave3_avx2(
	uint8_t *const parts[], const uint8_t *src, uint32_t i, uint32_t bytes)
{
	for (; i + 16 <= bytes; i += 16) {
		__m128i a = LOAD(src + 3 * i), b = LOAD(src + 3 * i + 16),
			c = LOAD(src + 3 * i + 32);
		STORE(parts[0] + i,
			THREE(a, b, c, ORDER(TAKE, 0, 0), ORDER(TAKE, 0, 1), ORDER(TAKE, 0, 2)));
		STORE(parts[1] + i,
			THREE(a, b, c, ORDER(TAKE, 1, 0), ORDER(TAKE, 1, 1), ORDER(TAKE, 1, 2)));
		STORE(parts[2] + i,
			THREE(a, b, c, ORDER(TAKE, 2, 0), ORDER(TAKE, 2, 1), ORDER(TAKE, 2, 2)));
	}
	return i;
}

AVX2 static uint32_t interleave3_avx2(
	uint8_t *dst, const uint8_t *const parts[], uint32_t i, uint32_t bytes)
{
	for (; i + 16 <= bytes; i += 16) {
		__m128i a = LOAD(parts[0] + i), b = LOAD(parts[1] + i), c = LOAD(parts[2] + i);
		STORE(dst + 3 * i,
			THREE(a, b, c, ORDER(PUT, 0, 0), ORDER(PUT, 1, 0), ORDER(PUT, 2, 0)));
		STORE(dst + 3 * i + 16,
			THREE(a, b, c, ORDER(PUT, 0, 1), ORDER(PUT, 1, 1), ORDER(PUT, 2, 1)));
		STORE(dst + 3 * i + 32,
			THREE(a, b, c, ORDER(PUT, 0, 2), ORDER(PUT, 1, 2), ORDER(PUT, 2, 2)));
	}
	return i;
}
#endif

#ifdef __SSE2__
typedef uint32_t (*join_fn)(uint8_t *, const uint8_t *const[], uint32_t, uint32_t);
typedef uint32_t (*part_fn)(uint8_t *const[], const uint8_t *, uint32_t, uint32_t);

static join_fn best_join(uint32_t ways)
{
#ifdef __x86_64__
	if (ways == 3 && evl_simd_now() == EVL_SIMD_AVX2) {
		return interleave3_avx2;
	}
#endif
	return ways == 4 ? interleave4 : interleave3;
}

static part_fn best_part(uint32_t ways)
{
#ifdef __x86_64__
	if (ways == 3 && evl_simd_now() == EVL_SIMD_AVX2) {
		return deinterleave3_avx2;
	}
#endif
	return ways == 4 ? deinterleave4 : deinterleave3;
}

/* Bytes that are left over are done with some before them once more. */
static uint32_t last_16(uint32_t done, uint32_t bytes)
{
	return done < bytes && bytes >= 16 ? bytes - 16 : done;
}
#endif

void evl_interleave(uint8_t *dst, const uint8_t *const parts[], uint32_t ways, uint32_t bytes)
{
	uint32_t i = 0;
#ifdef __SSE2__
	const join_fn run = best_join(ways);
	i = run(dst, parts, 0, bytes);
	i = run(dst, parts, last_16(i, bytes), bytes);
#endif
	for (; i < bytes; i++) {
		for (uint32_t k = 0; k < ways; k++) {
			dst[ways * i + k] = parts[k][i];
		}
	}
}

void evl_deinterleave(uint8_t *const parts[], const uint8_t *src, uint32_t ways, uint32_t bytes)
{
	uint32_t i = 0;
#ifdef __SSE2__
	const part_fn run = best_part(ways);
	i = run(parts, src, 0, bytes);
	i = run(parts, src, last_16(i, bytes), bytes);
#endif
	for (; i < bytes; i++) {
		for (uint32_t k = 0; k < ways; k++) {
			parts[k][i] = src[ways * i + k];
		}
	}
}
