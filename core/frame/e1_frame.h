/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The frame of 2048 kbit/s: sizes, words and the tables of ITU-T G.704, and its CRC-4.
 *
 *	uint64_t ring = 0;
 *	for (int f = 0; f < 8; f++) {
 *		ring = evl_e1_crc4_add(ring, frames + 32 * f, f % 2 == 0);
 *	}
 *	uint8_t c = evl_e1_crc4_end(ring);	// C1 is bit 3
 *
 * Frame (G.704 2.3.1, 2.3.2): 32 timeslots of 8 bits, bit 1 is the most significant and sent first.
 * Timeslot 0 of frames with the frame alignment signal (FAS): b1, then 0011011. Of the others
 * (NFAS): b1, 1, A (remote alarm), Sa4 to Sa8.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/bytes.h"

#define EVL_E1_FRAME_BYTES 32
#define EVL_E1_FRAME_BITS  256
#define EVL_E1_FAS         0x1bu /* bits 2 to 8 of timeslot 0, FAS frames (G.704 2.3.2) */
#define EVL_E1_FAS_MASK    0x7fu
#define EVL_E1_NFAS_BIT2   0x40u
#define EVL_E1_NFAS_A      0x20u

/* Framing that is sent, or expected. */
enum evl_e1_framing {
	EVL_E1_UNFRAMED = 0,
	EVL_E1_FAS_ONLY = 1,  /* FAS and NFAS in turn (G.704 2.3.2) */
	EVL_E1_CRC4 = 2,      /* with the CRC-4 multiframe in bit 1 (G.704 2.3.3) */
	EVL_E1_CRC4_AUTO = 3, /* receiver only: CRC-4 where the far end sends it (G.706 Annex B) */
};

/* What bit 1 of timeslot 0 carries in each frame of the CRC-4 multiframe (G.704 Table 5b). */
enum evl_e1_bit1 {
	EVL_E1_BIT1_0,
	EVL_E1_BIT1_1,
	EVL_E1_BIT1_C1, /* the four C bits are in order */
	EVL_E1_BIT1_C2,
	EVL_E1_BIT1_C3,
	EVL_E1_BIT1_C4,
	EVL_E1_BIT1_E,
};
extern const uint8_t evl_e1_bit1_table[16]; /* enum evl_e1_bit1 by frame */

/* The six bits of the CRC-4 multiframe alignment signal, frames 1, 3, 5, 7, 9, 11 (same table). */
#define EVL_E1_CRC_MFAS 0x0bu /* 001011 */

/*
 * CRC-4 (x^4+x+1, G.704 2.3.3.5.3) of a sub-multiframe, frame by frame. The generator divides
 * x^15+1, hence x^60+1: the block is folded into a ring of 60 bits by shifts and XOR, and only its
 * end is divided.
 */
static inline uint64_t evl_e1_ring(uint64_t w, unsigned by)
{
	const uint64_t all = (UINT64_C(1) << 60) - 1;
	uint64_t v = (w & all) ^ w >> 60;
	return by == 0 ? v : (v << by & all) | v >> (60 - by);
}

/* Adds 32 bytes to `ring` (begin with 0). With `zero_c` bit 1 counts as 0, as the C bits do. */
static inline uint64_t evl_e1_crc4_add(uint64_t ring, const uint8_t *frame, bool zero_c)
{
	/* A word that n more bits follow turns by n mod 60; 64 is 4, a frame of 256 is 16. */
	uint64_t w0 = evl_load_be64(frame);
	if (zero_c) {
		w0 &= ~(UINT64_C(1) << 63);
	}
	return evl_e1_ring(ring, 16) ^ evl_e1_ring(w0, 12) ^
	       evl_e1_ring(evl_load_be64(frame + 8), 8) ^
	       evl_e1_ring(evl_load_be64(frame + 16), 4) ^
	       evl_e1_ring(evl_load_be64(frame + 24), 0);
}

/* The remainder: C1 is bit 3, C4 bit 0. */
uint8_t evl_e1_crc4_end(uint64_t ring);
