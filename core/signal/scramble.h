/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The frame-synchronous scrambler of STM-1, 1 + x^6 + x^7 (ITU-T G.707 clause 6.5): the register is
 * all ones at the first bit after row 1 of the section overhead and runs to the end of the frame;
 * the first 9 bytes are sent as they are. Scrambling twice gives the frame back.
 *
 *	evl_scramble_stm1(slab, 8);	// eight frames of 2430 bytes, in place
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#define EVL_STM1_FRAME_BYTES     2430 /* 9 rows of 270 */
#define EVL_STM1_UNSCRAMBLED     9    /* A1 A1 A1 A2 A2 A2 J0 and two bytes for national use */
#define EVL_SCRAMBLE_STM1_PERIOD 127  /* bits, and bytes, after which the keystream repeats */

/* Scrambles or descrambles `frames` whole frames in place. */
void evl_scramble_stm1(uint8_t *data, size_t frames);

/* 2430 bytes: what a frame is XORed with (the first 9 are 0). Valid for ever, safe with threads. */
const uint8_t *evl_scramble_stm1_keystream(void);
