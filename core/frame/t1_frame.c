/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_frame.h"

#include "core/signal/bits.h"
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
	evl_bits_shift(slots, src + (bit + 1) / 8, EVL_T1_SLOTS, (unsigned)((bit + 1) % 8));
}

void evl_t1_pack(uint8_t *dst, uint64_t bit, const uint8_t *slots)
{
	evl_bits_copy(dst, bit + 1, slots, 0, 8 * EVL_T1_SLOTS);
}
