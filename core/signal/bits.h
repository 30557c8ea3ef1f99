/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Bit operations over slabs. Bit 0 is the most significant bit of byte 0.
 *
 *	uint64_t errors = evl_bits_count_diff(sent, seen, bytes);
 *	if (errors > 0) {
 *		uint64_t where = evl_bits_first_diff(sent, seen, bytes);
 *	}
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

static inline bool evl_bits_get(const uint8_t *data, uint64_t bit)
{
	return (data[bit / 8] >> (7 - bit % 8) & 1) != 0;
}

static inline void evl_bits_flip(uint8_t *data, uint64_t bit)
{
	data[bit / 8] = (uint8_t)(data[bit / 8] ^ (0x80u >> (bit % 8)));
}

/* Number of ones. */
uint64_t evl_bits_count_ones(const uint8_t *data, size_t bytes);

/* Number of bits in which a and b differ. */
uint64_t evl_bits_count_diff(const uint8_t *a, const uint8_t *b, size_t bytes);

/* First bit in which a and b differ; 8 * bytes when they are equal. */
uint64_t evl_bits_first_diff(const uint8_t *a, const uint8_t *b, size_t bytes);

/* Last bit in which a and b differ; 8 * bytes when they are equal. Looks from the end. */
uint64_t evl_bits_last_diff(const uint8_t *a, const uint8_t *b, size_t bytes);

/* Writes base + (bit offset) of the first `max` differing bits in rising order; returns how many it
 * wrote. */
size_t evl_bits_list_diff(uint64_t *out, size_t max, uint64_t base, const uint8_t *a,
			  const uint8_t *b, size_t bytes);

/* dst = the 8 * bytes bits that begin `shift` (0..7) bits into src. Reads bytes + 1 bytes of src
 * when shift is not 0. dst and src do not overlap. */
void evl_bits_shift(uint8_t *dst, const uint8_t *src, size_t bytes, unsigned shift);

/* Copies `bits` bits between any bit offsets; the other bits of dst keep their value, no byte
 * outside the two spans is touched or read. dst and src do not overlap. */
void evl_bits_copy(uint8_t *dst, uint64_t dst_bit, const uint8_t *src, uint64_t src_bit,
		   uint64_t bits);

/* dst ^= src. */
void evl_bits_xor(uint8_t *dst, const uint8_t *src, size_t bytes);
