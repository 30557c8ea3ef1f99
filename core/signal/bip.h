/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Bit interleaved parity, even (ITU-T G.707 clauses 9.2.2.4, 9.2.2.8, 9.3.1.2, 9.3.2.1). Each
 * result bit makes the number of ones even, so BIP-8 is the XOR of all bytes. Results of parts
 * combine by XOR.
 *
 *	uint8_t b1 = evl_bip8(scrambled_frame, 2430);
 *	uint8_t b2[3] = {0};			// rows 1 to 3 without the overhead, 4 to 9 whole
 *	evl_bip24_rows(b2, frame + 9, 261, 3, 270);
 *	evl_bip24_rows(b2, frame + 3 * 270, 270, 6, 270);
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

/* BIP-8 (B1, B3): XOR of the bytes. */
uint8_t evl_bip8(const uint8_t *data, size_t bytes);

/* BIP-8 of `rows` rows of `columns` bytes, each beginning `stride` bytes after the one before. */
uint8_t evl_bip8_rows(const uint8_t *data, size_t columns, size_t rows, size_t stride);

/* BIP-2 (V5 bits 1 and 2) from the BIP-8 of the same bytes: bit 1 of the result (value 2) is the
 * parity of bits 1, 3, 5, 7 of every byte, bit 0 that of bits 2, 4, 6, 8 (bit 1 = most
 * significant). So V5 holds the result shifted left by 6. */
uint8_t evl_bip2_of_bip8(uint8_t bip8);

/* BIP-2 of a slab. */
uint8_t evl_bip2(const uint8_t *data, size_t bytes);

/* BIP-24 (B2 of STM-1): acc[i] ^= every byte in a column c with c mod 3 = i, c from 0, over `rows`
 * rows of `columns` bytes (a multiple of 3) that begin `stride` bytes apart. */
void evl_bip24_rows(uint8_t acc[3], const uint8_t *data, size_t columns, size_t rows,
		    size_t stride);
