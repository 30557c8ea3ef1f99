/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The byte transposition between a VC-4 and its 63 TU-12 (ITU-T G.707 7.2, 7.3): byte 4 (r-1) + x
 * of a TU-12 lies in row r = 1..9, column 10 + index + 63 x of the VC-4, x = 0..3.
 *
 *	static uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE];
 *	evl_columns_split(tu, vc4);	// tu[i][0..35] is the TU-12 of index i
 */
#pragma once

#include <stdint.h>

#include "core/frame/au.h"

#define EVL_TU12_BYTES  36 /* of a TU-12 per frame */
#define EVL_TU12_STRIDE 48 /* bytes from one TU to the next in a block */
#define EVL_TU12_ROWS   64 /* 63, and one that is only room */
#define EVL_TU12_FIRST  9  /* columns before the TUs: overhead, stuff, null pointers */

/* vc4 has room for EVL_VC4_ROOM bytes, of which EVL_VC4_BYTES count. */
void evl_columns_split(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4);

/* Writes columns 10..261 and may touch the column that follows (column 1 of the next row, and one
 * byte of room past the end): fill columns 1..9 afterwards. */
void evl_columns_join(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE]);

/* The same, byte by byte: for machines without SSE2, and to test the others against. */
void evl_columns_split_portable(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4);
void evl_columns_join_portable(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE]);
