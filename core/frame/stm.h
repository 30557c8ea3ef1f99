/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The STM-N frame, N = 1 or 4: 9 rows of 270 N bytes in 125 us, section overhead in columns 1..9 N,
 * scrambler, B1 and B2, ITU-T G.707 6.2, 6.5, 9.2. Byte (row, b) of the overhead of STM-1 number a
 *= 1..N lies in column N (b - 1) + a.
 *
 * Encoder, with the pointer row and the payload already in `frame`:
 *
 *	evl_stm_tx_init(&tx, 1, 0);
 *	evl_stm_tx_frame(&tx, frame, false);	// fills the overhead, scrambles
 *
 * Decoder, for a frame that is aligned to bytes and still scrambled:
 *
 *	evl_stm_rx_frame(&rx, frame, plain, &result);
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

#define EVL_STM_MOST   4    /* largest N */
#define EVL_STM4_BYTES 9720 /* of a frame */

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

/* Place in STM-N of byte (row, b) of STM-1 number a, all from 1. */
static inline uint32_t evl_stm_at(uint32_t n, uint32_t row, uint32_t b, uint32_t a)
{
	return (row - 1) * EVL_STM1_COLUMNS * n + n * (b - 1) + a - 1;
}

/* ---- encoder ---- */

#define EVL_SOH_BYTES 81 /* 9 x 9 of an STM-1 */

struct evl_stm_tx {
	uint8_t n;
	uint8_t b1;                   /* BIP-8 of the previous frame as sent */
	uint8_t b2[3 * EVL_STM_MOST]; /* BIP-24N of the previous frame */
	uint8_t j0[64];
	uint8_t j0_period; /* bytes of j0 that are sent: 1, 16 or 64 */
	uint8_t row1;      /* what follows J0: enum evl_stm_row1 */
	uint8_t k1, k2;    /* bits 6-8 of k2 are replaced while ms_rdi */
	uint8_t s1;
	bool ms_rdi;
	uint32_t ms_rei;               /* B2 errors still to report in M1 */
	uint8_t key[3 * EVL_STM_MOST]; /* XOR of the keystream bytes, per class as B2 */
	uint64_t frame;                /* number of the next frame since time zero */
	/* Bytes of the overhead that are sent as given, place as in the frame: row r, column c of 9
	 * N is at 9 N (r - 1) + c - 1. `forced` says which, row 4 excepted. */
	uint32_t forced_count;
	uint8_t forced[EVL_SOH_BYTES * EVL_STM_MOST];
	uint8_t soh[EVL_SOH_BYTES * EVL_STM_MOST];
};

/* Row 1 after A2 (G.707 9.2.2.2, T1.105; C1 and Z0 values from memory). */
enum evl_stm_row1 {
	EVL_STM_J0 = 0,    /* J0, then zeros */
	EVL_STM_J0_Z0 = 1, /* J0, then Z0 = 2, 3, ... N x 3 */
	EVL_STM_C1 = 2,    /* C1 = 1, 2, ... N x 3: no trace */
};

void evl_stm_tx_init(struct evl_stm_tx *tx, uint32_t n, uint64_t frame_number);

/* As after init, with the settings (J0, S1, K1, K2, RDI, forced bytes) kept. */
void evl_stm_tx_restart(struct evl_stm_tx *tx, uint64_t frame_number);

/* Fills columns 1..9 N but for row 4, then scrambles the frame of 2430 N bytes in place. With
 * `ms_ais` all but rows 1..3 of the overhead becomes ones first (ITU-T G.707 6.2.4.1.1). */
void evl_stm_tx_frame(struct evl_stm_tx *tx, uint8_t *frame, bool ms_ais);

/* ---- decoder ---- */

struct evl_stm_rx {
	uint8_t n;
	bool have_b1, have_b2; /* the frame before was evaluated */
	uint8_t b1;
	uint8_t b2[3 * EVL_STM_MOST];
	uint8_t key[3 * EVL_STM_MOST]; /* XOR of the keystream bytes, per class as B2 */
};

struct evl_stm_rx_result {
	uint32_t b1_errors; /* bits, 0..8 */
	uint32_t b2_errors; /* bits, 0..24 N */
	uint32_t ms_rei;    /* from M1, 0..24 N; other values count as 0 */
	uint8_t k2;         /* bits 6-8 of K2 */
};

void evl_stm_rx_init(struct evl_stm_rx *rx, uint32_t n);

/* Descrambles `line` (aligned to bytes) into `plain` and checks the parity against the frame
 * before. The frame before does not count after init. */
void evl_stm_rx_frame(struct evl_stm_rx *rx, const uint8_t *line, uint8_t *plain,
	struct evl_stm_rx_result *result);

/* BIP-24 of a frame that is not scrambled: all but rows 1..3 of the overhead (9.2.2.8). */
void evl_stm1_bip24(uint8_t b2[3], const uint8_t frame[EVL_STM1_FRAME_BYTES]);
