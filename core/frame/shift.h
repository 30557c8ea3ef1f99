/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Runs of 24 or 32 bytes between a store of bits and whole bytes, 16 bytes at a time where there is
 * SSE2 (every x86-64 has it), else 8; most significant bit first. Each returns the XOR of the whole
 * bytes as words, for parities.
 *
 *	parity ^= evl_shift_out(out, store + read / 8, read % 8, 32);	// bits to bytes
 *	parity ^= evl_shift_in(store + write / 8, q, write % 8, 24);	// bytes to bits
 */
#pragma once

#include <stdint.h>
#include <string.h>

#include "core/base/bytes.h"

#ifdef __SSE2__
#include <emmintrin.h>

#define EVL_SHIFT_LOAD(p)     _mm_loadu_si128((const __m128i *)(const void *)(p))
#define EVL_SHIFT_STORE(p, v) _mm_storeu_si128((__m128i *)(void *)(p), v)

/* 16 bytes that begin `shift` bits into those of `a`; b are the ones a byte further. */
static inline __m128i evl_shift_16(__m128i a, __m128i b, uint32_t shift)
{
	const __m128i left = _mm_cvtsi32_si128((int)shift);
	const __m128i right = _mm_cvtsi32_si128((int)(8 - shift));
	const __m128i keep = _mm_set1_epi8((char)(0xff << shift));
	return _mm_or_si128(_mm_and_si128(_mm_sll_epi16(a, left), keep),
		_mm_andnot_si128(keep, _mm_srl_epi16(b, right)));
}

static inline uint64_t evl_shift_fold(__m128i x)
{
	uint64_t word;
	x = _mm_xor_si128(x, _mm_unpackhi_epi64(x, x));
	_mm_storel_epi64((__m128i *)(void *)&word, x);
	return word;
}

/* dst: `bytes` (24 or 32) that begin `shift` (0..7) bits into src; one byte more of src is read. */
static inline uint64_t evl_shift_out(
	uint8_t *dst, const uint8_t *src, uint32_t shift, uint32_t bytes)
{
	const uint32_t rest = bytes - 16;
	__m128i v = EVL_SHIFT_LOAD(src), w = EVL_SHIFT_LOAD(src + rest);
	if (shift > 0) {
		v = evl_shift_16(v, EVL_SHIFT_LOAD(src + 1), shift);
		w = evl_shift_16(w, EVL_SHIFT_LOAD(src + rest + 1), shift);
	}
	EVL_SHIFT_STORE(dst, v);
	EVL_SHIFT_STORE(dst + rest, w);
	/* Of 24 bytes the last 8 of v are the first 8 of w. */
	return evl_shift_fold(_mm_xor_si128(v, bytes == 32 ? w : _mm_srli_si128(w, 8)));
}

/* The bits of src to dst from bit `shift` (0..7) on. What dst had before stays; the bits after, to
 * the end of a byte, may become anything. src[-1] is read. */
static inline uint64_t evl_shift_in(
	uint8_t *dst, const uint8_t *src, uint32_t shift, uint32_t bytes)
{
	const uint32_t rest = bytes - 16;
	const __m128i v = EVL_SHIFT_LOAD(src), w = EVL_SHIFT_LOAD(src + rest);
	if (shift == 0) {
		EVL_SHIFT_STORE(dst, v);
		EVL_SHIFT_STORE(dst + rest, w);
	} else {
		const uint8_t first = (uint8_t)((dst[0] & ~(0xffu >> shift)) | src[0] >> shift);
		const uint32_t left = 8 - shift;
		EVL_SHIFT_STORE(dst, evl_shift_16(EVL_SHIFT_LOAD(src - 1), v, left));
		EVL_SHIFT_STORE(dst + rest, evl_shift_16(EVL_SHIFT_LOAD(src + rest - 1), w, left));
		dst[bytes] = (uint8_t)(src[bytes - 1] << left);
		dst[0] = first;
	}
	return evl_shift_fold(_mm_xor_si128(v, bytes == 32 ? w : _mm_srli_si128(w, 8)));
}
#else
static inline uint64_t evl_shift_out(
	uint8_t *dst, const uint8_t *src, uint32_t shift, uint32_t bytes)
{
	uint64_t x = 0;
	for (uint32_t i = 0; i < bytes; i += 8) {
		uint64_t v = evl_load_be64(src + i);
		if (shift > 0) {
			v = v << shift | (uint64_t)(src[i + 8] >> (8 - shift));
		}
		evl_store_be64(dst + i, v);
		x ^= v;
	}
	return x;
}

static inline uint64_t evl_shift_in(
	uint8_t *dst, const uint8_t *src, uint32_t shift, uint32_t bytes)
{
	uint64_t x = 0, carry = shift > 0 ? (uint64_t)(dst[0] >> (8 - shift)) : 0;
	for (uint32_t i = 0; i < bytes; i += 8) {
		uint64_t v = evl_load_be64(src + i);
		evl_store_be64(dst + i, shift > 0 ? carry << (64 - shift) | v >> shift : v);
		carry = v;
		x ^= v;
	}
	if (shift > 0) {
		dst[bytes] = (uint8_t)(carry << (8 - shift));
	}
	return x;
}
#endif
