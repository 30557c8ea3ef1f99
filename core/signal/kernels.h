/* SPDX-License-Identifier: Apache-2.0 */
/* The loops that touch every byte, one version for each level of simd.h: only for this room. */
#pragma once

#include <stddef.h>
#include <stdint.h>

#if defined(__x86_64__) && defined(__SSE2__)
#define EVL_X86 1
#else
#define EVL_X86 0
#endif

/* dst = a XOR b XOR flip in every byte, flip being 0 or 0xff. a and b may lie in dst, at least 64
 * bytes before it. */
void evl_kernel_xor(uint8_t *dst, const uint8_t *a, const uint8_t *b, uint8_t flip, size_t bytes);

/* Number of bits in which a and b differ. */
uint64_t evl_kernel_count_diff(const uint8_t *a, const uint8_t *b, size_t bytes);

/* dst = the bits that begin `shift` (1..7) bits into src; reads bytes + 1 bytes of src. */
void evl_kernel_shift(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift);
