/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/kernels.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/signal/simd.h"
#if EVL_X86
#include <immintrin.h>
#define AVX2 __attribute__((target("avx2")))
#endif

#if EVL_X86
static __m128i load16(const uint8_t *p)
{
	return _mm_loadu_si128((const __m128i *)(const void *)p);
}

static void store16(uint8_t *p, __m128i v)
{
	_mm_storeu_si128((__m128i *)(void *)p, v);
}

AVX2 static __m256i load32(const uint8_t *p)
{
	return _mm256_loadu_si256((const __m256i *)(const void *)p);
}

AVX2 static void store32(uint8_t *p, __m256i v)
{
	_mm256_storeu_si256((__m256i *)(void *)p, v);
}

static size_t xor_sse2(uint8_t *dst, const uint8_t *a, const uint8_t *b, uint8_t flip, size_t bytes)
{
	const __m128i f = _mm_set1_epi8((char)flip);
	size_t i = 0;
	for (; i + 32 <= bytes; i += 32) {
		__m128i x0 = _mm_xor_si128(load16(a + i), load16(b + i));
		__m128i x1 = _mm_xor_si128(load16(a + i + 16), load16(b + i + 16));
		store16(dst + i, _mm_xor_si128(x0, f));
		store16(dst + i + 16, _mm_xor_si128(x1, f));
	}
	return i;
}

AVX2 static size_t xor_avx2(
	uint8_t *dst, const uint8_t *a, const uint8_t *b, uint8_t flip, size_t bytes)
{
	const __m256i f = _mm256_set1_epi8((char)flip);
	size_t i = 0;
	for (; i + 64 <= bytes; i += 64) {
		__m256i x0 = _mm256_xor_si256(load32(a + i), load32(b + i));
		__m256i x1 = _mm256_xor_si256(load32(a + i + 32), load32(b + i + 32));
		store32(dst + i, _mm256_xor_si256(x0, f));
		store32(dst + i + 32, _mm256_xor_si256(x1, f));
	}
	return i;
}

/* Ones of each byte, by adding neighbours as evl_kernel_ones64 does. */
static __m128i ones_bytes(__m128i v)
{
	const __m128i m5 = _mm_set1_epi8(0x55);
	const __m128i m3 = _mm_set1_epi8(0x33);
	const __m128i mf = _mm_set1_epi8(0x0f);
	v = _mm_sub_epi8(v, _mm_and_si128(_mm_srli_epi64(v, 1), m5));
	v = _mm_add_epi8(_mm_and_si128(v, m3), _mm_and_si128(_mm_srli_epi64(v, 2), m3));
	return _mm_and_si128(_mm_add_epi8(v, _mm_srli_epi64(v, 4)), mf);
}

static size_t count_sse2(uint64_t *n, const uint8_t *a, const uint8_t *b, size_t bytes)
{
	__m128i sum = _mm_setzero_si128();
	size_t i = 0;
	for (; i + 16 <= bytes; i += 16) {
		__m128i x = _mm_xor_si128(load16(a + i), load16(b + i));
		sum = _mm_add_epi64(sum, _mm_sad_epu8(ones_bytes(x), _mm_setzero_si128()));
	}
	uint64_t lane[2];
	memcpy(lane, &sum, sizeof(lane));
	*n += lane[0] + lane[1];
	return i;
}

/* Ones of each half byte by table. */
AVX2 static size_t count_avx2(uint64_t *n, const uint8_t *a, const uint8_t *b, size_t bytes)
{
	const __m256i table = _mm256_setr_epi8(0, 1, 1, 2, 1, 2, 2, 3, 1, 2, 2, 3, 2, 3, 3, 4, 0, 1,
		1, 2, 1, 2, 2, 3, 1, 2, 2, 3, 2, 3, 3, 4);
	const __m256i low = _mm256_set1_epi8(0x0f);
	__m256i sum = _mm256_setzero_si256();
	size_t i = 0;
	for (; i + 32 <= bytes; i += 32) {
		__m256i x = _mm256_xor_si256(load32(a + i), load32(b + i));
		__m256i l = _mm256_shuffle_epi8(table, _mm256_and_si256(x, low));
		__m256i h =
			_mm256_shuffle_epi8(table, _mm256_and_si256(_mm256_srli_epi64(x, 4), low));
		sum = _mm256_add_epi64(
			sum, _mm256_sad_epu8(_mm256_add_epi8(l, h), _mm256_setzero_si256()));
	}
	uint64_t lane[4];
	memcpy(lane, &sum, sizeof(lane));
	*n += lane[0] + lane[1] + lane[2] + lane[3];
	return i;
}

/* Each byte takes its low bits up and the high bits of its right neighbour down. */
static size_t shift_sse2(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift)
{
	const __m128i up = _mm_cvtsi32_si128((int)shift);
	const __m128i down = _mm_cvtsi32_si128((int)(8 - shift));
	const __m128i keep_up = _mm_set1_epi8((char)(0xff << shift & 0xff));
	const __m128i keep_down = _mm_set1_epi8((char)(0xff >> (8 - shift)));
	size_t i = 0;
	for (; i + 16 <= bytes; i += 16) {
		__m128i l = _mm_and_si128(_mm_sll_epi16(load16(src + i), up), keep_up);
		__m128i r = _mm_and_si128(_mm_srl_epi16(load16(src + i + 1), down), keep_down);
		store16(dst + i, _mm_or_si128(l, r));
	}
	return i;
}

AVX2 static size_t shift_avx2(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift)
{
	const __m128i up = _mm_cvtsi32_si128((int)shift);
	const __m128i down = _mm_cvtsi32_si128((int)(8 - shift));
	const __m256i keep_up = _mm256_set1_epi8((char)(0xff << shift & 0xff));
	const __m256i keep_down = _mm256_set1_epi8((char)(0xff >> (8 - shift)));
	size_t i = 0;
	for (; i + 32 <= bytes; i += 32) {
		__m256i l = _mm256_and_si256(_mm256_sll_epi16(load32(src + i), up), keep_up);
		__m256i r =
			_mm256_and_si256(_mm256_srl_epi16(load32(src + i + 1), down), keep_down);
		store32(dst + i, _mm256_or_si256(l, r));
	}
	return i;
}

/* Bytes that obey, in whole pieces of 64; *good false at the first piece that does not. */
static size_t obeys_sse2(
	bool *good, const uint8_t *p, size_t bytes, size_t k, size_t n, uint8_t flip)
{
	const __m128i f = _mm_set1_epi8((char)flip);
	size_t i = 0;
	for (; i + 64 <= bytes && *good; i += 64) {
		__m128i all = _mm_setzero_si128();
		for (size_t j = i; j < i + 64; j += 16) {
			__m128i x = _mm_xor_si128(load16(p + j), load16(p + j - k));
			x = _mm_xor_si128(x, load16(p + j - n));
			all = _mm_or_si128(all, _mm_xor_si128(x, f));
		}
		*good = _mm_movemask_epi8(_mm_cmpeq_epi8(all, _mm_setzero_si128())) == 0xffff;
	}
	return i;
}

AVX2 static size_t obeys_avx2(
	bool *good, const uint8_t *p, size_t bytes, size_t k, size_t n, uint8_t flip)
{
	const __m256i f = _mm256_set1_epi8((char)flip);
	size_t i = 0;
	for (; i + 128 <= bytes && *good; i += 128) {
		__m256i all = _mm256_setzero_si256();
		for (size_t j = i; j < i + 128; j += 32) {
			__m256i x = _mm256_xor_si256(load32(p + j), load32(p + j - k));
			x = _mm256_xor_si256(x, load32(p + j - n));
			all = _mm256_or_si256(all, _mm256_xor_si256(x, f));
		}
		*good = _mm256_testz_si256(all, all) != 0;
	}
	return i;
}
#endif

void evl_kernel_xor(uint8_t *dst, const uint8_t *a, const uint8_t *b, uint8_t flip, size_t bytes)
{
	size_t i = 0;
#if EVL_X86
	enum evl_simd level = evl_simd_now();
	if (level == EVL_SIMD_AVX2) {
		i = xor_avx2(dst, a, b, flip, bytes);
	} else if (level == EVL_SIMD_SSE2) {
		i = xor_sse2(dst, a, b, flip, bytes);
	}
#endif
	const uint64_t f = flip * 0x0101010101010101u;
	for (; i + 8 <= bytes; i += 8) {
		uint64_t x, y;
		memcpy(&x, a + i, 8);
		memcpy(&y, b + i, 8);
		x ^= y ^ f;
		memcpy(dst + i, &x, 8);
	}
	for (; i < bytes; i++) {
		dst[i] = (uint8_t)(a[i] ^ b[i] ^ flip);
	}
}

uint64_t evl_kernel_count_diff(const uint8_t *a, const uint8_t *b, size_t bytes)
{
	uint64_t n = 0;
	size_t i = 0;
#if EVL_X86
	enum evl_simd level = evl_simd_now();
	if (level == EVL_SIMD_AVX2) {
		i = count_avx2(&n, a, b, bytes);
	} else if (level == EVL_SIMD_SSE2) {
		i = count_sse2(&n, a, b, bytes);
	}
#endif
	for (; i + 8 <= bytes; i += 8) {
		uint64_t x, y;
		memcpy(&x, a + i, 8);
		memcpy(&y, b + i, 8);
		n += evl_kernel_ones64(x ^ y);
	}
	for (; i < bytes; i++) {
		n += evl_kernel_ones64((uint64_t)(a[i] ^ b[i]));
	}
	return n;
}

bool evl_kernel_obeys(const uint8_t *p, size_t bytes, size_t k, size_t n, uint8_t flip)
{
	bool good = true;
	size_t i = 0;
#if EVL_X86
	enum evl_simd level = evl_simd_now();
	if (level == EVL_SIMD_AVX2) {
		i = obeys_avx2(&good, p, bytes, k, n, flip);
	} else if (level == EVL_SIMD_SSE2) {
		i = obeys_sse2(&good, p, bytes, k, n, flip);
	}
#endif
	const uint64_t f = flip * 0x0101010101010101u;
	for (; i + 64 <= bytes && good; i += 64) {
		uint64_t all = 0;
		for (size_t j = i; j < i + 64; j += 8) {
			uint64_t x, y, z;
			memcpy(&x, p + j, 8);
			memcpy(&y, p + j - k, 8);
			memcpy(&z, p + j - n, 8);
			all |= x ^ y ^ z ^ f;
		}
		good = all == 0;
	}
	for (; i < bytes && good; i++) {
		good = (p[i] ^ p[i - k] ^ p[i - n]) == flip;
	}
	return good;
}

void evl_kernel_shift(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift)
{
	size_t i = 0;
#if EVL_X86
	enum evl_simd level = evl_simd_now();
	if (level == EVL_SIMD_AVX2) {
		i = shift_avx2(dst, src, bytes, shift);
	} else if (level == EVL_SIMD_SSE2) {
		i = shift_sse2(dst, src, bytes, shift);
	}
#endif
	for (; i + 8 <= bytes; i += 8) {
		uint64_t v = evl_load_be64(src + i) << shift | src[i + 8] >> (8 - shift);
		evl_store_be64(dst + i, v);
	}
	for (; i < bytes; i++) {
		dst[i] = (uint8_t)(src[i] << shift | src[i + 1] >> (8 - shift));
	}
}
