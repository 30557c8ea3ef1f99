/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/e1_frame.h"

#include "core/signal/crc.h"

/* ITU-T G.704 Table 5b; frames 13 and 15 carry the E bits. */
const uint8_t evl_e1_bit1_table[16] = {
	EVL_E1_BIT1_C1, EVL_E1_BIT1_0, EVL_E1_BIT1_C2, EVL_E1_BIT1_0, /* frames 0 to 3 */
	EVL_E1_BIT1_C3, EVL_E1_BIT1_1, EVL_E1_BIT1_C4, EVL_E1_BIT1_0, /* 4 to 7 */
	EVL_E1_BIT1_C1, EVL_E1_BIT1_1, EVL_E1_BIT1_C2, EVL_E1_BIT1_1, /* 8 to 11 */
	EVL_E1_BIT1_C3, EVL_E1_BIT1_E, EVL_E1_BIT1_C4, EVL_E1_BIT1_E, /* 12 to 15 */
};

uint8_t evl_e1_crc4_end(uint64_t ring)
{
	/* From x^60+1 down to x^15+1; then 15 bits are left to divide. */
	ring = (ring ^ ring >> 30) & 0x3fffffff;
	ring = (ring ^ ring >> 15) & 0x7fff;
	const uint8_t rest[2] = {(uint8_t)(ring >> 8), (uint8_t)ring};
	return evl_crc4(0, rest, 2);
}
