/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The STM-1 frame: 9 rows of 270 bytes in 125 us, section overhead in columns 1..9, scrambler, B1
 * and B2, ITU-T G.707 6.2, 6.5, 9.2. Also the 16-byte trace of Annex B.
 *
 * Encoder, with the pointer row and the payload already in `frame`:
 *
 *	evl_stm1_tx_frame(&tx, frame);	// fills the overhead, scrambles
 *
 * Decoder, for a frame that is aligned to bytes and still scrambled:
 *
 *	evl_stm1_rx_frame(&rx, frame, plain, &result);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/signal/scramble.h"

#define EVL_STM1_ROWS       9
#define EVL_STM1_COLUMNS    270
#define EVL_STM1_SOH        9   /* columns of section overhead */
#define EVL_STM1_PAYLOAD    261 /* columns of payload */
#define EVL_STM1_FRAME_BITS 19440u

/* Place of a byte by row and column as the standard counts them, from 1. */
#define EVL_STM1_AT(row, column) (((row)-1) * EVL_STM1_COLUMNS + (column)-1)

#define EVL_STM1_J0 EVL_STM1_AT(1, 7)
#define EVL_STM1_B1 EVL_STM1_AT(2, 1)
#define EVL_STM1_H1 EVL_STM1_AT(4, 1)
#define EVL_STM1_H2 EVL_STM1_AT(4, 4)
#define EVL_STM1_H3 EVL_STM1_AT(4, 7)
#define EVL_STM1_B2 EVL_STM1_AT(5, 1)
#define EVL_STM1_K1 EVL_STM1_AT(5, 4)
#define EVL_STM1_K2 EVL_STM1_AT(5, 7)
#define EVL_STM1_S1 EVL_STM1_AT(9, 1)
#define EVL_STM1_M1 EVL_STM1_AT(9, 6)

#define EVL_STM1_A1             0xf6
#define EVL_STM1_A2             0x28
#define EVL_STM1_ALIGNMENT      0xf6f6f6282828u /* the 48 bits that begin a frame */
#define EVL_STM1_ALIGNMENT_BITS 48u

#define EVL_K2_AIS 7 /* bits 6-8 of K2: MS-AIS */
#define EVL_K2_RDI 6 /* MS-RDI */

#define EVL_TRACE_BYTES 16

/* Makes the 16 bytes of a trace from up to 15 characters 0x20..0x7e, padded with spaces; false
 * when the text is longer or has other characters. ITU-T G.707 Annex B. */
bool evl_trace_make(uint8_t trace[EVL_TRACE_BYTES], const char *text);

/* ---- encoder ---- */

struct evl_stm1_tx {
	uint8_t b1;    /* BIP-8 of the previous frame as sent */
	uint8_t b2[3]; /* BIP-24 of the previous frame */
	uint8_t j0[EVL_TRACE_BYTES];
	uint8_t s1;
	bool ms_rdi;
	uint32_t ms_rei; /* B2 errors still to report in M1 */
	uint8_t key[3];  /* XOR of the keystream bytes, per class as B2 */
	uint64_t frame;  /* number of the next frame since time zero */
};

void evl_stm1_tx_init(struct evl_stm1_tx *tx, uint64_t frame_number);

/* Fills columns 1..9 but for row 4, then scrambles the frame in place. With `ms_ais` all but rows
 * 1..3 of the overhead becomes ones first (ITU-T G.707 6.2.4.1.1). */
void evl_stm1_tx_frame(struct evl_stm1_tx *tx, uint8_t frame[EVL_STM1_FRAME_BYTES], bool ms_ais);

/* ---- decoder ---- */

struct evl_stm1_rx {
	bool have_b1, have_b2; /* the frame before was evaluated */
	uint8_t b1;
	uint8_t b2[3];
	uint8_t key[3]; /* XOR of the keystream bytes, per class as B2 */
};

struct evl_stm1_rx_result {
	uint32_t b1_errors; /* bits, 0..8 */
	uint32_t b2_errors; /* bits, 0..24 */
	uint32_t ms_rei;    /* from M1, 0..24; other values count as 0 */
	uint8_t k2;         /* bits 6-8 of K2 */
};

void evl_stm1_rx_init(struct evl_stm1_rx *rx);

/* Descrambles `line` (aligned to bytes) into `plain` and checks the parity against the frame
 * before. The frame before does not count after init. */
void evl_stm1_rx_frame(struct evl_stm1_rx *rx, const uint8_t line[EVL_STM1_FRAME_BYTES],
		       uint8_t plain[EVL_STM1_FRAME_BYTES], struct evl_stm1_rx_result *result);

/* BIP-24 of a frame that is not scrambled: all but rows 1..3 of the overhead (9.2.2.8). */
void evl_stm1_bip24(uint8_t b2[3], const uint8_t frame[EVL_STM1_FRAME_BYTES]);
