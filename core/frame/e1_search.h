/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds E1 frame alignment at any bit offset.
 *
 *	uint64_t at;
 *	if (evl_e1_search(&at, bytes, size, 0)) {	// the frame begins at bit `at`
 *	}
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Bits that must be there from a candidate on before it can be judged: FAS, NFAS, FAS. */
#define EVL_E1_SEARCH_BITS 520

/*
 * The first bit offset `at` >= from_bit with FAS in the frame that begins there, bit 2 = 1 in the
 * next, FAS in the one after (ITU-T G.706 4.1.2 a, b, c). The clause tries one candidate after the
 * other; here each bit offset is tried, so that alignment is found at the first place where any
 * order of trying could find it. False: none; then the first offset still to be tried, once more
 * bits are there, is max(from_bit, 8 * size - EVL_E1_SEARCH_BITS + 1).
 */
bool evl_e1_search(uint64_t *at, const uint8_t *bytes, size_t size, uint64_t from_bit);
