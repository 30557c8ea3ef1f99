/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A virtual container that floats in a payload of 9 rows behind a pointer: VC-4 in AU-4, VC-3 in
 * AU-3, VC-4-4c in AU-4-4c, VC-3 in TU-3; ITU-T G.707 8.1, 8.2, and the path overhead, 9.3.1.
 *Frames here are not scrambled. Payload rows lie `stride` bytes apart; the bytes of a row are
 *together.
 *
 *	static const uint8_t *next(void *ctx, uint8_t *room, uint32_t start) { ... }	// a VC
 *	uint16_t word = evl_au_tx_frame(&au, &room, next, ctx);			// H1 H2
 *
 *	static void got(void *ctx, const uint8_t *vc, uint64_t start_bit) { ... }
 *	evl_au_rx_frame(&au, word, &view, got, ctx);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/pointer.h"
#include "core/frame/stm.h"

#define EVL_VC4_COLUMNS    261
#define EVL_VC4_BYTES      2349
#define EVL_VC4_ROOM       2368 /* room in buffers: transposition touches bytes past the end */
#define EVL_VC3_COLUMNS    87   /* in AU-3, with the two columns of stuff */
#define EVL_AU3_STRIDE     96   /* of rows of 87 in buffers: rows begin at whole 16 bytes */
#define EVL_VC3_TU_COLUMNS 85   /* in TU-3 */
#define EVL_VC4_4C_COLUMNS 1044
#define EVL_VC4_4C_ROOM    9408

/* Path overhead: row r of column 1. */
#define EVL_POH_J1 0
#define EVL_POH_B3 1
#define EVL_POH_C2 2
#define EVL_POH_G1 3
#define EVL_POH_H4 5
#define EVL_VC4_J1 (EVL_POH_J1 * EVL_VC4_COLUMNS)
#define EVL_VC4_B3 (EVL_POH_B3 * EVL_VC4_COLUMNS)
#define EVL_VC4_C2 (EVL_POH_C2 * EVL_VC4_COLUMNS)
#define EVL_VC4_G1 (EVL_POH_G1 * EVL_VC4_COLUMNS)
#define EVL_VC4_H4 (EVL_POH_H4 * EVL_VC4_COLUMNS)

#define EVL_C2_UNEQUIPPED 0x00
#define EVL_C2_EQUIPPED   0x01
#define EVL_C2_TUG        0x02
#define EVL_C2_VC_AIS     0xff

struct evl_au_shape {
	uint16_t columns; /* of the payload */
	uint16_t range;   /* of the pointer */
	uint8_t unit;     /* bytes of a pointer step, and of the place for negative justification */
	uint8_t row;      /* row, from 0, with H3; pointer value 0 is the first byte after it */
};

extern const struct evl_au_shape evl_au4_shape, evl_au3_shape, evl_au4_4c_shape, evl_tu3_shape;

/* Where byte `index` of a payload of 9 x 261 lies in the frame of 9 x 270. */
static inline uint32_t evl_au_place(uint32_t index)
{
	return index / EVL_STM1_PAYLOAD * EVL_STM1_COLUMNS + EVL_STM1_SOH +
	       index % EVL_STM1_PAYLOAD;
}

/* ---- encoder ---- */

/* Gives a whole VC: written to `room` (with room for the transposition beyond it), or one that it
 * has and keeps until it is asked for the next. `start` is the payload byte of the present frame at
 * which the VC will begin. */
typedef const uint8_t *(*evl_vc_source)(void *ctx, uint8_t *room, uint32_t start);

struct evl_au_tx {
	const struct evl_au_shape *shape;
	struct evl_ptr_tx ptr;
	uint32_t fill;     /* bytes without VC still to send (after a new pointer value) */
	uint32_t position; /* next byte of vc; the size of it: a new one is needed */
	const uint8_t *vc;
	uint8_t room[EVL_VC4_4C_ROOM];
};

struct evl_au_room {
	uint8_t *payload;
	uint32_t stride;
	uint8_t *h3; /* `unit` bytes for negative justification, else zero */
};

/* As if the pointer value had held in the frame before. */
void evl_au_tx_init(struct evl_au_tx *au, const struct evl_au_shape *shape, uint16_t pointer);

/* Fills payload and H3; returns the pointer word H1 H2. */
uint16_t evl_au_tx_frame(
	struct evl_au_tx *au, const struct evl_au_room *room, evl_vc_source source, void *ctx);

/* The same for AU-4 in an STM-1 frame: row 4 of the overhead and the payload. */
void evl_au4_tx_frame(
	struct evl_au_tx *au, uint8_t frame[EVL_STM1_FRAME_BYTES], evl_vc_source source, void *ctx);

/* All ones in pointer row and payload (AU-AIS, ITU-T G.707 6.2.4.1.2) of STM-1. */
void evl_au4_ais(uint8_t frame[EVL_STM1_FRAME_BYTES]);

/* ---- decoder ---- */

/* A whole VC; start_bit is the line bit at which its first byte (J1) began. */
typedef void (*evl_vc_sink)(void *ctx, const uint8_t *vc, uint64_t start_bit);

struct evl_au_rx {
	const struct evl_au_shape *shape;
	struct evl_ptr_rx ptr;
	uint32_t skip; /* bytes until the VC begins (after a new value) */
	uint32_t have; /* bytes of vc collected */
	bool lost;     /* place in the VC unknown until the next pointer */
	bool cut;      /* the VC stream was cut since the user last set this to false */
	uint64_t start_bit;
	uint8_t *
		vc; /* where the VC is collected: `room`, or what the sink puts here for the next */
	uint8_t room[EVL_VC4_4C_ROOM];
};

struct evl_au_view {
	const uint8_t *payload;
	uint32_t stride;
	const uint8_t *h3;
	/* Byte column c, row r of the payload is byte row_bytes * r + first + step * c of the frame
	 * that began at line bit `bit`; H3 is byte h3_at of its row. */
	uint64_t bit;
	uint32_t row_bytes, first, step, h3_at;
};

void evl_au_rx_init(struct evl_au_rx *au, const struct evl_au_shape *shape, uint8_t lop_limit);

/* Takes the pointer and the payload of one frame; calls sink for each VC that became whole. In AIS,
 * LOP and at the start the payload is dropped. */
enum evl_ptr_action evl_au_rx_frame(struct evl_au_rx *au, uint16_t word,
	const struct evl_au_view *view, evl_vc_sink sink, void *ctx);

/* The same for AU-4 in an STM-1 frame that began at line bit frame_bit. */
enum evl_ptr_action evl_au4_rx_frame(struct evl_au_rx *au,
	const uint8_t frame[EVL_STM1_FRAME_BYTES], uint64_t frame_bit, evl_vc_sink sink, void *ctx);

/* Bytes were left out (new frame alignment): goes on at the next pointer. */
void evl_au_rx_lost(struct evl_au_rx *au);

/* The frame did not hold valid bits (section defect): interpreted as all ones. */
void evl_au_rx_ais(struct evl_au_rx *au);
