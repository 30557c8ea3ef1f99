/* SPDX-License-Identifier: Apache-2.0 */
/* The loops that touch every byte, one version for each level of simd.h: only for this room. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#if defined(__x86_64__) && defined(__SSE2__)
#define EVL_X86 1
#else
#define EVL_X86 0
#endif

/* Ones of a word, by adding neighbours. */
static inline unsigned evl_kernel_ones64(uint64_t v)
{
	v = v - (v >> 1 & 0x5555555555555555u);
	v = (v & 0x3333333333333333u) + (v >> 2 & 0x3333333333333333u);
	v = (v + (v >> 4)) & 0x0f0f0f0f0f0f0f0fu;
	return (unsigned)(v * 0x0101010101010101u >> 56);
}

/* dst = a XOR b XOR flip in every byte, flip being 0 or 0xff. a and b may lie in dst, at least 64
 * bytes before it. */
void evl_kernel_xor(uint8_t *dst, const uint8_t *a, const uint8_t *b, uint8_t flip, size_t bytes);

/* Number of bits in which a and b differ. */
uint64_t evl_kernel_count_diff(const uint8_t *a, const uint8_t *b, size_t bytes);

/* Is p[i] XOR p[i - k] XOR p[i - n] equal to flip for all i of 0 .. bytes - 1? Reads from p - n on;
 * 0 < k < n. */
bool evl_kernel_obeys(const uint8_t *p, size_t bytes, size_t k, size_t n, uint8_t flip);

/* dst = the bits that begin `shift` (1..7) bits into src; reads bytes + 1 bytes of src. */
void evl_kernel_shift(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift);
