/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The frame of 1544 kbit/s: the tables of ITU-T G.704 2.1, its CRC-6, packed and unpacked frames.
 *
 *	uint64_t ring = 0;
 *	for (int f = 0; f < 24; f++) {
 *		ring = evl_t1_crc6_add(ring, slots + 24 * f, true);
 *	}
 *	uint8_t e = evl_t1_crc6_end(ring);	// e1 is bit 5
 *
 * Frame (G.704 2.1.1): the F bit, then 24 timeslots of 8 bits, bit 1 first. Frames and timeslots
 * are counted from 1, as in the standard. A packed slab holds 193-bit frames one after the other,
 * 193 bytes for 8; unpacked frames hold the 24 timeslots alone, a byte each.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/bytes.h"

#define EVL_T1_FRAME_BITS  193
#define EVL_T1_SLOTS       24
#define EVL_T1_SF_FRAMES   12
#define EVL_T1_ESF_FRAMES  24
#define EVL_T1_ESF_BYTES   579     /* 24 * 193 bits */
#define EVL_T1_ESF_FPS     0x0bu   /* 001011, frames 4, 8, .. 24 (G.704 2.1.3.1, Table 1) */
#define EVL_T1_RAI_MESSAGE 0xff00u /* 1111111100000000, first bit first (T1.403) */

enum evl_t1_framing {
	EVL_T1_UNFRAMED = 0,
	EVL_T1_SF = 1,  /* 12-frame multiframe, Ft and Fs (G.704 2.1.3.2; T1.107) */
	EVL_T1_ESF = 2, /* 24-frame multiframe (G.704 2.1.3.1) */
};

/* F bits of the 12-frame multiframe, index 0 is frame 1. Ft in odd frames: 1 0 1 0 1 0; Fs in even
 * frames: 0 0 1 1 1 0 (G.704 Table 2; T1.107, from memory). */
extern const uint8_t evl_t1_sf_table[12];

/* What the F bit of each frame of the 24-frame multiframe carries (G.704 Table 1). */
enum evl_t1_f {
	EVL_T1_F_0, /* frame pattern sequence */
	EVL_T1_F_1,
	EVL_T1_F_LINK, /* 4 kbit/s data link */
	EVL_T1_F_CRC,  /* e1 to e6 in order */
};
extern const uint8_t evl_t1_esf_table[24];

/* CRC-6 (x^6+x+1, G.704 2.1.3.1.2) of a multiframe, frame by frame, in a ring of 63 bits, as the
 * generator divides x^63+1. */
static inline uint64_t evl_t1_ring(uint64_t w, unsigned by)
{
	const uint64_t all = UINT64_MAX >> 1;
	uint64_t v = (w & all) ^ w >> 63;
	return by == 0 ? v : (v << by & all) | v >> (63 - by);
}

/* Adds the 24 timeslots of a frame and its F bit: 1 for the calculation, whatever is sent (G.704
 * 2.1.3.1.2); the real one in the variant of Japan. */
static inline uint64_t evl_t1_crc6_add(uint64_t ring, const uint8_t *slots, bool f)
{
	/* The F bit has 192 bits after it, 192 mod 63 = 3; the words 128 (2), 64 (1) and 0; the
	 * ring before it 193 (4). */
	return evl_t1_ring(ring, 4) ^ evl_t1_ring(evl_load_be64(slots), 2) ^
	       evl_t1_ring(evl_load_be64(slots + 8), 1) ^
	       evl_t1_ring(evl_load_be64(slots + 16), 0) ^ (uint64_t)f << 3;
}

/* The remainder: e1 is bit 5, e6 bit 0. */
uint8_t evl_t1_crc6_end(uint64_t ring);

/* The 24 timeslots of the frame whose F bit is bit `bit` of src, and back; the F bit is kept. */
void evl_t1_unpack(uint8_t *slots, const uint8_t *src, uint64_t bit);
void evl_t1_pack(uint8_t *dst, uint64_t bit, const uint8_t *slots);
