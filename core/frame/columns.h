/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The byte transposition between a VC and its TU-12 or TU-11 (ITU-T G.707 7.2, 7.3). In a VC-4 byte
 * 4 (r-1) + x of a TU-12 lies in row r = 1..9, column 10 + index + 63 x, x = 0..3; byte 3 (r-1) + x
 * of a TU-11 in column 10 + index + 84 x, x = 0..2; index = (K-1) + 3 (L-1) + 21 (M-1). A VC-3 of
 * AU-3 is dealt with as its 84 payload columns alone: index + 21 x or index + 28 x from 0, index =
 * (L-1) + 7 (M-1).
 *
 *	static uint8_t tu[EVL_TU12_ROWS][EVL_TU_STRIDE];
 *	evl_columns_split(tu, vc4);	// tu[i][0..35] is the TU-12 of index i
 */
#pragma once

#include <stdint.h>

#include "core/frame/au.h"

#define EVL_TU12_BYTES 36 /* of a TU-12 per frame */
#define EVL_TU11_BYTES 27
#define EVL_TU_STRIDE  48 /* bytes from one TU to the next in a block */
#define EVL_TU12_ROWS  64 /* 63, and one that is only room */
#define EVL_TU11_ROWS  96 /* 84, the rest is only room */
#define EVL_VC3_ROWS   32 /* 21 or 28 */
#define EVL_TU12_FIRST 9  /* columns before the TUs: overhead, stuff, null pointers */

#define EVL_VC3_PAYLOAD 84 /* columns of a VC-3 without overhead and stuff */
#define EVL_VC3_ROOM    (9 * EVL_VC3_PAYLOAD + 32) /* of a buffer for them */

/* TU byte i lies at i / per_row * stride + first + i % per_row * step. */
struct evl_columns_shape {
	uint16_t stride;
	uint8_t first, width, step, per_row, bytes;
};

extern const struct evl_columns_shape evl_columns_vc4_tu12, evl_columns_vc4_tu11,
	evl_columns_vc3_tu12, evl_columns_vc3_tu11, evl_columns_vc3_whole_tu11;

/* vc4 has room for EVL_VC4_ROOM bytes, of which EVL_VC4_BYTES count. */
void evl_columns_split(uint8_t tu[EVL_TU12_ROWS][EVL_TU_STRIDE], const uint8_t *vc4);

/* Writes columns 10..261 and may touch the columns that follow (the first of the next row, and
 * bytes of room past the end): fill columns 1..9 afterwards. */
void evl_columns_join(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU_STRIDE]);

void evl_columns_split_tu11(uint8_t tu[EVL_TU11_ROWS][EVL_TU_STRIDE], const uint8_t *vc4);
void evl_columns_join_tu11(uint8_t *vc4, uint8_t tu[EVL_TU11_ROWS][EVL_TU_STRIDE]);

/* payload: 9 x 84 bytes, room EVL_VC3_ROOM. */
void evl_columns_split_vc3(
	uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], const uint8_t *payload, bool tu11);
void evl_columns_join_vc3(uint8_t *payload, uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], bool tu11);

/* TU-11 straight in a VC-3 of 87 columns (its columns of stuff lie between groups of 28); join may
 * touch columns 1, 30 and 59, and bytes past the end: fill them afterwards. */
void evl_columns_split_whole_vc3(uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], const uint8_t *vc3);
void evl_columns_join_whole_vc3(uint8_t *vc3, uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE]);

/* The same, byte by byte: for machines without SSE2, and to test the others against. */
void evl_columns_split_portable(
	const struct evl_columns_shape *shape, uint8_t (*tu)[EVL_TU_STRIDE], const uint8_t *vc);
void evl_columns_join_portable(
	const struct evl_columns_shape *shape, uint8_t *vc, uint8_t (*tu)[EVL_TU_STRIDE]);
