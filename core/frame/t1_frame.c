/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_frame.h"

#include <string.h>

#include "core/signal/crc.h"

const uint8_t evl_t1_sf_table[12] = {1, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0};

/* ITU-T G.704 Table 1: link in odd frames, e bits in frames 2, 6, .. 22, pattern 001011 in 4, 8,
 * .. 24. */
const uint8_t evl_t1_esf_table[24] = {
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_0, /* frames 1 to 4 */
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_0, /* 5 to 8 */
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_1, /* 9 to 12 */
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_0, /* 13 to 16 */
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_1, /* 17 to 20 */
	EVL_T1_F_LINK, EVL_T1_F_CRC, EVL_T1_F_LINK, EVL_T1_F_1, /* 21 to 24 */
};

uint8_t evl_t1_crc6_end(uint64_t ring)
{
	uint8_t rest[8];
	evl_store_be64(rest, ring);
	return evl_crc6(0, rest, sizeof(rest));
}

void evl_t1_unpack(uint8_t *slots, const uint8_t *src, uint64_t bit)
{
	const uint8_t *p = src + (bit + 1) / 8;
	unsigned shift = (unsigned)((bit + 1) % 8);
	if (shift == 0) {
		memcpy(slots, p, EVL_T1_SLOTS);
		return;
	}
	for (size_t i = 0; i < EVL_T1_SLOTS; i += 8) {
		evl_store_be64(slots + i, evl_load_be64(p + i) << shift | p[i + 8] >> (8 - shift));
	}
}

void evl_t1_pack(uint8_t *dst, uint64_t bit, const uint8_t *slots)
{
	uint8_t *p = dst + (bit + 1) / 8;
	unsigned shift = (unsigned)((bit + 1) % 8);
	if (shift == 0) {
		memcpy(p, slots, EVL_T1_SLOTS);
		return;
	}
	/* Bytes 1 to 23 are of two timeslots each; the last word overlaps the one before. */
	static const size_t at[3] = {1, 9, 16};
	p[0] = (uint8_t)((p[0] & 0xff00u >> shift) | slots[0] >> shift);
	for (size_t i = 0; i < 3; i++) {
		uint64_t before = slots[at[i] - 1];
		evl_store_be64(
			p + at[i], evl_load_be64(slots + at[i]) >> shift | before << (64 - shift));
	}
	p[24] = (uint8_t)((p[24] & 0xffu >> shift) | slots[23] << (8 - shift));
}
