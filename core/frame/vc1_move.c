/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/vc1_move.h"

#include "core/frame/shift.h"
#include "core/frame/vc1_quarter.h"
#include "core/signal/simd.h"

#define I_PLACE 1u /* of the I bit in byte 2: value 1 << I_PLACE */

/* ---- 16 bytes, or 8, at a time ---- */

static inline uint64_t out_plain(uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at,
	const uint8_t poh[4], bool t1)
{
	uint64_t x = 0;
	for (uint32_t q = 0; q < 4; q++, out += stride) {
		uint8_t second = q > 0 ? EVL_VC1_C_NOMINAL : 0;
		if (t1) {
			second |= (uint8_t)((buf[at / 8] >> (7 - at % 8) & 1) << I_PLACE);
			at++;
		} else {
			out[34] = 0;
		}
		out[0] = poh[q];
		out[1] = second;
		x ^= (uint64_t)(poh[q] ^ second);
		x ^= evl_shift_out(out + 2, buf + at / 8, at % 8, t1 ? 24 : 32);
		at += t1 ? 192 : 256;
	}
	return x;
}

static inline uint64_t in_plain(
	uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride, bool t1)
{
	uint64_t x = 0;
	for (uint32_t q = 0; q < 4; q++, in += stride) {
		x ^= (uint64_t)(in[0] ^ in[1]);
		if (t1) {
			const uint32_t bit = in[1] >> I_PLACE & 1u, place = 7 - at % 8;
			uint8_t *byte = buf + at / 8;
			*byte = (uint8_t)((*byte & ~(1u << place)) | bit << place);
			at++;
		} else {
			x ^= in[34];
		}
		x ^= evl_shift_in(buf + at / 8, in + 2, at % 8, t1 ? 24 : 32);
		at += t1 ? 192 : 256;
	}
	return x;
}

/* ---- 32 bytes at a time ---- */

#ifdef __x86_64__
#include <immintrin.h>

#define AVX2 __attribute__((target("avx2")))

AVX2 static inline __m256i load(const uint8_t *p)
{
	return _mm256_loadu_si256((const __m256i *)(const void *)p);
}

AVX2 static inline void store(uint8_t *p, __m256i v)
{
	_mm256_storeu_si256((__m256i *)(void *)p, v);
}

/* Every byte of a moved up by `left` (0..8), and filled from those of b. */
AVX2 static inline __m256i join(__m256i a, __m256i b, uint32_t left)
{
	const __m256i keep = _mm256_set1_epi8((char)(0xff << left));
	const __m256i up = _mm256_sll_epi16(a, _mm_cvtsi32_si128((int)left));
	const __m256i down = _mm256_srl_epi16(b, _mm_cvtsi32_si128((int)(8 - left)));
	return _mm256_or_si256(_mm256_and_si256(up, keep), _mm256_andnot_si256(keep, down));
}

/* Of a VC-11 the first 24 bytes count. */
AVX2 static inline uint64_t fold(__m256i x, bool t1)
{
	__m128i high = _mm256_extracti128_si256(x, 1);
	high = t1 ? _mm_move_epi64(high) : high;
	return evl_shift_fold(_mm_xor_si128(_mm256_castsi256_si128(x), high));
}

AVX2 static inline uint64_t out_avx2(uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at,
	const uint8_t poh[4], bool t1)
{
	__m256i sum = _mm256_setzero_si256();
	uint64_t x = 0;
	for (uint32_t q = 0; q < 4; q++, out += stride) {
		uint8_t second = q > 0 ? EVL_VC1_C_NOMINAL : 0;
		if (t1) {
			second |= (uint8_t)((buf[at / 8] >> (7 - at % 8) & 1) << I_PLACE);
			at++;
		} else {
			out[34] = 0;
		}
		const uint8_t *from = buf + at / 8;
		const __m256i v = join(load(from), load(from + 1), at % 8);
		out[0] = poh[q];
		out[1] = second;
		store(out + 2, v);
		sum = _mm256_xor_si256(sum, v);
		x ^= (uint64_t)(poh[q] ^ second);
		at += t1 ? 192 : 256;
	}
	return x ^ fold(sum, t1);
}

/* The byte that is not yet full is kept in `part`, so that nothing waits for what was just written.
 */
AVX2 static inline uint64_t in_avx2(
	uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride, bool t1)
{
	uint8_t *to = buf + at / 8;
	uint32_t s = at % 8, part = to[0] & ~(0xffu >> s);
	__m256i sum = _mm256_setzero_si256();
	uint64_t x = 0;
	for (uint32_t q = 0; q < 4; q++, in += stride) {
		x ^= (uint64_t)(in[0] ^ in[1]);
		if (t1) {
			part |= (in[1] >> I_PLACE & 1u) << (7 - s);
			to[0] = (uint8_t)part;
			to += ++s / 8;
			part = s == 8 ? 0 : part;
			s %= 8;
		} else {
			x ^= in[34];
		}
		const uint32_t bytes = t1 ? 24 : 32, left = 8 - s;
		const __m256i v = load(in + 2);
		store(to, join(load(in + 1), v, left));
		to[0] = (uint8_t)(part | (uint32_t)in[2] >> s);
		part = (uint32_t)in[1 + bytes] << left & 0xff;
		to += bytes;
		to[0] = (uint8_t)part;
		sum = _mm256_xor_si256(sum, v);
	}
	return x ^ fold(sum, t1);
}

AVX2 static uint64_t out_e1_avx2(
	uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at, const uint8_t poh[4])
{
	return out_avx2(out, stride, buf, at, poh, false);
}

AVX2 static uint64_t out_t1_avx2(
	uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at, const uint8_t poh[4])
{
	return out_avx2(out, stride, buf, at, poh, true);
}

AVX2 static uint64_t in_e1_avx2(uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride)
{
	return in_avx2(buf, at, in, stride, false);
}

AVX2 static uint64_t in_t1_avx2(uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride)
{
	return in_avx2(buf, at, in, stride, true);
}
#endif

uint64_t evl_vc1_move_out(uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at,
	const uint8_t poh[4], bool t1)
{
#ifdef __x86_64__
	if (evl_simd_now() == EVL_SIMD_AVX2) {
		return (t1 ? out_t1_avx2 : out_e1_avx2)(out, stride, buf, at, poh);
	}
#endif
	return t1 ? out_plain(out, stride, buf, at, poh, true)
		  : out_plain(out, stride, buf, at, poh, false);
}

uint64_t evl_vc1_move_in(uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride, bool t1)
{
#ifdef __x86_64__
	if (evl_simd_now() == EVL_SIMD_AVX2) {
		return (t1 ? in_t1_avx2 : in_e1_avx2)(buf, at, in, stride);
	}
#endif
	return t1 ? in_plain(buf, at, in, stride, true) : in_plain(buf, at, in, stride, false);
}
