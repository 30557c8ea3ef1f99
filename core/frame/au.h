/* SPDX-License-Identifier: Apache-2.0 */
/*
 * AU-4: a VC-4 of 9 x 261 bytes floating in the STM-1 payload, ITU-T G.707 8.1, and the VC-4 path
 * overhead, 9.3.1. Frames here are not scrambled.
 *
 *	static void next(void *ctx, uint8_t *vc4, uint32_t start) { ... }	// makes a VC-4
 *	evl_au_tx_frame(&au, frame, next, ctx);
 *
 *	static void got(void *ctx, const uint8_t *vc4, uint64_t start_bit) { ... }
 *	evl_au_rx_frame(&au, plain, frame_bit, got, ctx);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/pointer.h"
#include "core/frame/stm1.h"

#define EVL_VC4_COLUMNS 261
#define EVL_VC4_BYTES   2349
#define EVL_VC4_ROOM    2368 /* room in buffers: the transposition may touch bytes past the end */

/* Path overhead: row r of column 1. */
#define EVL_VC4_J1 (0 * EVL_VC4_COLUMNS)
#define EVL_VC4_B3 (1 * EVL_VC4_COLUMNS)
#define EVL_VC4_C2 (2 * EVL_VC4_COLUMNS)
#define EVL_VC4_G1 (3 * EVL_VC4_COLUMNS)
#define EVL_VC4_H4 (5 * EVL_VC4_COLUMNS)

#define EVL_C2_UNEQUIPPED 0x00
#define EVL_C2_EQUIPPED   0x01
#define EVL_C2_TUG        0x02
#define EVL_C2_VC_AIS     0xff

/* Where byte `index` of a payload of 9 x 261 lies in the frame of 9 x 270. */
static inline uint32_t evl_au_place(uint32_t index)
{
	return index / EVL_STM1_PAYLOAD * EVL_STM1_COLUMNS + EVL_STM1_SOH +
	       index % EVL_STM1_PAYLOAD;
}

/* ---- encoder ---- */

/* Writes a VC-4 of EVL_VC4_BYTES (room EVL_VC4_ROOM). `start` is the payload byte 0..2348 of the
 * present frame at which it will begin. */
typedef void (*evl_vc4_source)(void *ctx, uint8_t *vc4, uint32_t start);

struct evl_au_tx {
	struct evl_ptr_tx ptr;
	uint32_t fill;     /* bytes without VC-4 still to send (after a new pointer value) */
	uint32_t position; /* next byte of vc4; EVL_VC4_BYTES: a new one is needed */
	uint8_t vc4[EVL_VC4_ROOM];
};

/* As if the pointer value had held in the frame before. */
void evl_au_tx_init(struct evl_au_tx *au, uint16_t pointer);

/* Fills row 4 of the overhead and the payload. */
void evl_au_tx_frame(struct evl_au_tx *au, uint8_t frame[EVL_STM1_FRAME_BYTES],
		      evl_vc4_source source, void *ctx);

/* All ones in pointer row and payload (AU-AIS, ITU-T G.707 6.2.4.1.2). */
void evl_au_ais(uint8_t frame[EVL_STM1_FRAME_BYTES]);

/* ---- decoder ---- */

/* A whole VC-4; start_bit is the line bit at which its J1 began. */
typedef void (*evl_vc4_sink)(void *ctx, const uint8_t *vc4, uint64_t start_bit);

struct evl_au_rx {
	struct evl_ptr_rx ptr;
	uint32_t skip; /* bytes until the VC-4 begins (after a new value) */
	uint32_t have; /* bytes of vc4 collected */
	bool lost;     /* place in the VC-4 unknown until the next pointer */
	bool cut;      /* the VC-4 stream was cut since the user last set this to false */
	uint64_t start_bit;
	uint8_t vc4[EVL_VC4_ROOM];
};

void evl_au_rx_init(struct evl_au_rx *au, uint8_t lop_limit);

/* Takes the pointer and the payload of one frame that began at line bit frame_bit; calls sink for
 * each VC-4 that became whole. In AIS, LOP and at the start the payload is dropped. */
enum evl_ptr_action evl_au_rx_frame(struct evl_au_rx *au,
				     const uint8_t frame[EVL_STM1_FRAME_BYTES], uint64_t frame_bit,
				     evl_vc4_sink sink, void *ctx);

/* Bytes were left out (new frame alignment): goes on at the next pointer. */
void evl_au_rx_lost(struct evl_au_rx *au);

/* The frame did not hold valid bits (section defect): interpreted as all ones. */
void evl_au_rx_ais(struct evl_au_rx *au);
