/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Names of the 63 TU-12 of a VC-4: K (TUG-3, 1..3), L (TUG-2, 1..7), M (TU-12, 1..3), ITU-T G.707
 * 7.2 and 7.3, the two usual tributary numbers, and the columns that a TU-12 fills.
 *
 *	struct evl_klm klm;
 *	char text[EVL_KLM_TEXT];
 *	if (evl_klm_from_number(&klm, 22, EVL_KLM_BY_COLUMN) == EVL_OK) {
 *		puts(evl_klm_format(klm, text));	// 1-1-2
 *	}
 *
 * The index 0..62 used all over this room is the column order minus one.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/status.h"

#define EVL_KLM_COUNT 63
#define EVL_KLM_TEXT  8 /* bytes that hold "K-L-M" with the NUL */

struct evl_klm {
	uint8_t k; /* TUG-3, 1..3 */
	uint8_t l; /* TUG-2, 1..7 */
	uint8_t m; /* TU-12, 1..3 */
};

/* Both orders appear in ITU-T G.707 (Table 7-1 and the note of 7.3.13). */
enum evl_klm_order {
	EVL_KLM_BY_COLUMN = 0, /* n = K + 3 (L-1) + 21 (M-1): the order of first columns */
	EVL_KLM_BY_KLM = 1,    /* n = 21 (K-1) + 3 (L-1) + M: M runs fastest */
};

bool evl_klm_valid(struct evl_klm klm);

/* Tributary number 1..63; `klm` must be valid. */
uint32_t evl_klm_number(struct evl_klm klm, enum evl_klm_order order);

/* Inverse; EVL_E_INVALID when number is not 1..63 (out is left alone). */
enum evl_status evl_klm_from_number(struct evl_klm *out, uint32_t number, enum evl_klm_order order);

/* Index 0..62 in column order, and back (`index` must be 0..62). */
uint32_t evl_klm_index(struct evl_klm klm);
struct evl_klm evl_klm_from_index(uint32_t index);

/* The four columns 10..261 of the VC-4 (column 1 is the path overhead) that carry the TU-12:
 * 10 + (K-1) + 3 (L-1) + 21 (M-1) + 63 x, x = 0..3. ITU-T G.707 7.2, 7.3. */
void evl_klm_columns(struct evl_klm klm, uint16_t columns[4]);

/* Writes "K-L-M" into text and returns it. */
const char *evl_klm_format(struct evl_klm klm, char text[EVL_KLM_TEXT]);

/* Reads exactly "K-L-M"; EVL_E_INVALID for anything else or out of range. */
enum evl_status evl_klm_parse(struct evl_klm *out, const char *text);
