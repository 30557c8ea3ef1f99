/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/bits.h"

#include <string.h>
#if defined(__SSE2__)
#include <emmintrin.h>
#endif

#include "core/base/err.h"
#include "core/signal/kernels.h"

#if defined(__SSE2__)
/* Ones of each byte, by the same adding of neighbours as evl_kernel_ones64. */
static __m128i ones_bytes(__m128i v)
{
	const __m128i m5 = _mm_set1_epi8(0x55);
	const __m128i m3 = _mm_set1_epi8(0x33);
	const __m128i mf = _mm_set1_epi8(0x0f);
	v = _mm_sub_epi8(v, _mm_and_si128(_mm_srli_epi64(v, 1), m5));
	v = _mm_add_epi8(_mm_and_si128(v, m3), _mm_and_si128(_mm_srli_epi64(v, 2), m3));
	return _mm_and_si128(_mm_add_epi8(v, _mm_srli_epi64(v, 4)), mf);
}

static __m128i load(const uint8_t *p)
{
	return _mm_loadu_si128((const __m128i *)(const void *)p);
}

static uint64_t sum_lanes(__m128i v)
{
	uint64_t lane[2];
	memcpy(lane, &v, sizeof(lane));
	return lane[0] + lane[1];
}
#endif

uint64_t evl_bits_count_ones(const uint8_t *data, size_t bytes)
{
	uint64_t n = 0;
	size_t i = 0;
#if defined(__SSE2__)
	__m128i sum = _mm_setzero_si128();
	for (; i + 16 <= bytes; i += 16) {
		sum = _mm_add_epi64(
			sum, _mm_sad_epu8(ones_bytes(load(data + i)), _mm_setzero_si128()));
	}
	n += sum_lanes(sum);
#endif
	for (; i + 8 <= bytes; i += 8) {
		uint64_t v;
		memcpy(&v, data + i, 8);
		n += evl_kernel_ones64(v);
	}
	for (; i < bytes; i++) {
		n += evl_kernel_ones64(data[i]);
	}
	return n;
}

uint64_t evl_bits_count_diff(const uint8_t *a, const uint8_t *b, size_t bytes)
{
	return evl_kernel_count_diff(a, b, bytes);
}

uint64_t evl_bits_first_diff(const uint8_t *a, const uint8_t *b, size_t bytes)
{
	uint64_t where;
	return evl_bits_list_diff(&where, 1, 0, a, b, bytes) == 1 ? where : (uint64_t)bytes * 8;
}

uint64_t evl_bits_last_diff(const uint8_t *a, const uint8_t *b, size_t bytes)
{
	for (size_t i = bytes; i > 0; i--) {
		unsigned x = (unsigned)(a[i - 1] ^ b[i - 1]);
		if (x != 0) {
			unsigned bit = 7;
			while ((x & 1) == 0) {
				x >>= 1;
				bit--;
			}
			return (uint64_t)(i - 1) * 8 + bit;
		}
	}
	return (uint64_t)bytes * 8;
}

size_t evl_bits_list_diff(
	uint64_t *out, size_t max, uint64_t base, const uint8_t *a, const uint8_t *b, size_t bytes)
{
	size_t n = 0;
	size_t i = 0;
	while (i < bytes && n < max) {
		if (bytes - i >= 8 && memcmp(a + i, b + i, 8) == 0) {
			i += 8;
			continue;
		}
		unsigned x = (unsigned)(a[i] ^ b[i]);
		for (unsigned bit = 0; bit < 8 && x != 0 && n < max; bit++) {
			if (x & 0x80u >> bit) {
				out[n++] = base + (uint64_t)i * 8 + bit;
			}
		}
		i++;
	}
	return n;
}

void evl_bits_shift(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift)
{
	evl_require(shift < 8);
	if (shift == 0) {
		memcpy(dst, src, bytes);
		return;
	}
	evl_kernel_shift(dst, src, bytes, shift);
}

/* 1 to 8 bits at any offset, in the low bits of the result. */
static unsigned get_bits(const uint8_t *src, uint64_t bit, unsigned n)
{
	const uint8_t *p = src + bit / 8;
	unsigned off = (unsigned)(bit % 8);
	unsigned v = (unsigned)p[0] << 8;
	if (off + n > 8) {
		v |= p[1];
	}
	return v >> (16 - off - n) & ((1u << n) - 1);
}

/* Puts 1 to 8 bits that lie within one byte of dst. */
static void put_bits(uint8_t *dst, uint64_t bit, unsigned n, unsigned v)
{
	unsigned low = 8 - (unsigned)(bit % 8) - n;
	unsigned mask = ((1u << n) - 1) << low;
	dst[bit / 8] = (uint8_t)((dst[bit / 8] & ~mask) | (v << low & mask));
}

void evl_bits_copy(
	uint8_t *dst, uint64_t dst_bit, const uint8_t *src, uint64_t src_bit, uint64_t bits)
{
	if (bits > 0 && dst_bit % 8 != 0) {
		uint64_t room = 8 - dst_bit % 8;
		unsigned n = (unsigned)(bits < room ? bits : room);
		put_bits(dst, dst_bit, n, get_bits(src, src_bit, n));
		dst_bit += n;
		src_bit += n;
		bits -= n;
	}
	/* Whole bytes of dst; their last bit lies inside the span, so the byte that the shift reads
	 * beyond them does as well. */
	size_t bytes = (size_t)(bits / 8);
	if (bytes > 0) {
		evl_bits_shift(
			dst + dst_bit / 8, src + src_bit / 8, bytes, (unsigned)(src_bit % 8));
		dst_bit += (uint64_t)bytes * 8;
		src_bit += (uint64_t)bytes * 8;
		bits -= (uint64_t)bytes * 8;
	}
	if (bits > 0) {
		unsigned n = (unsigned)bits;
		put_bits(dst, dst_bit, n, get_bits(src, src_bit, n));
	}
}

void evl_bits_xor(uint8_t *dst, const uint8_t *src, size_t bytes)
{
	size_t i = 0;
#if defined(__SSE2__)
	for (; i + 16 <= bytes; i += 16) {
		_mm_storeu_si128(
			(__m128i *)(void *)(dst + i), _mm_xor_si128(load(dst + i), load(src + i)));
	}
#endif
	for (; i + 8 <= bytes; i += 8) {
		uint64_t x, y;
		memcpy(&x, dst + i, 8);
		memcpy(&y, src + i, 8);
		x ^= y;
		memcpy(dst + i, &x, 8);
	}
	for (; i < bytes; i++) {
		dst[i] ^= src[i];
	}
}
