/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds T1 frame and multiframe alignment at any bit offset.
 *
 *	uint64_t at;
 *	unsigned number;
 *	if (evl_t1_search(&at, &number, EVL_T1_ESF, false, bytes, size, 0)) {
 *		// a frame begins at bit `at`; it is frame `number` of the multiframe
 *	}
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/frame/t1_frame.h"

/* Bits from a candidate to the last framing bit that is looked at: 24 of them, one in 193 bits of
 * SF, one in 772 (of the frame pattern sequence) of ESF. */
#define EVL_T1_SF_SEARCH_BITS  (23 * 193 + 1)
#define EVL_T1_ESF_SEARCH_BITS (23 * 772 + 1)

/*
 * The first bit offset from which all of the next 24 framing bits are right: 3 ms of SF, 12 ms of
 * ESF (ITU-T G.706 2.1.2 leaves the number open; with 24 a place in random payload passes once in
 * some thousand searches). With `japan` the F bit of SF frame 12, which is RAI there, may be
 * anything. *number is 4, 8, .. 24 for ESF, 1 .. 12 for SF. False: none; then the first offset
 * still to be tried is max(from_bit, 8 * size - EVL_T1_x_SEARCH_BITS + 1).
 */
bool evl_t1_search(uint64_t *at, unsigned *number, enum evl_t1_framing framing, bool japan,
	const uint8_t *bytes, size_t size, uint64_t from_bit);
