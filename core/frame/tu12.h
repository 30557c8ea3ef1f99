/* SPDX-License-Identifier: Apache-2.0 */
/*
 * TU-12: a VC-12 of 140 bytes floating in 4 frames of 36 bytes, ITU-T G.707 8.3. Byte 1 of the four
 * frames is V1, V2, V3, V4; the byte after V2 has offset 0, after V3 35, after V4 70, after V1 105.
 *
 *	evl_tu12_tx_frame(&tu, phase, when, out);	// 36 bytes; phase 0: V1 ... 3: V4
 *	evl_tu12_rx_frame(&tu, phase, place, in);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/frame/columns.h"
#include "core/frame/pointer.h"
#include "core/frame/vc12.h"

/* ---- encoder ---- */

struct evl_tu12_tx {
	struct evl_ptr_tx ptr;
	uint16_t word;  /* V1 V2 of this multiframe ... */
	uint8_t action; /* ... and what it means, enum evl_ptr_action */
	uint8_t have;   /* bytes of the quarter not yet sent, its last ones */
	uint32_t fill;  /* bytes without VC still to send (after a new pointer value) */
	struct evl_vc12_tx vc;
	uint8_t quarter[EVL_VC12_QUARTER];
};

/* The first frame has number `frame_number` (phase = number mod 4); as if the pointer value had
 * held before. */
void evl_tu12_tx_init(struct evl_tu12_tx *tu, uint16_t pointer, uint64_t frame_number);

/* `when`: instant of the first byte, see vc12.h. The E1 bits must be in tu->vc.fifo. */
void evl_tu12_tx_frame(struct evl_tu12_tx *tu, uint32_t phase, int32_t when,
		       uint8_t out[EVL_TU12_BYTES]);

/* ---- decoder ---- */

/* Where the frame lies in time, to find delays. */
struct evl_tu12_place {
	uint64_t when; /* instant of its first byte in EVL_VC12_TICKS of a frame, since some zero */
	uint64_t now;  /* start of the frame in which it is worked on, since the same zero */
};

struct evl_tu12_rx {
	struct evl_ptr_rx ptr;
	uint8_t v1;
	uint8_t have;     /* bytes of the quarter collected */
	bool negative;    /* this multiframe: V3 carries data */
	bool positive;    /* this multiframe: the byte after V3 is stuff */
	bool lost;        /* place in the VC unknown until the next V2 */
	uint32_t skip;    /* bytes until the VC begins (after a new value) */
	uint64_t begun;   /* instant of the first byte of the quarter */
	uint32_t defects; /* bit a: enum evl_alarm a */
	int32_t v5_byte;  /* byte 0..35 of the last frame that held a V5; negative: of the frame
			   * before; only for frames in which defects changed */
	struct evl_vc12_rx vc;
	uint8_t quarter[EVL_VC12_QUARTER];
	uint64_t increments, decrements, new_pointers;
};

void evl_tu12_rx_init(struct evl_tu12_rx *tu, uint8_t lop_limit, uint8_t rdi_limit);

/* Takes 36 bytes; returns true when tu->defects changed. */
bool evl_tu12_rx_frame(struct evl_tu12_rx *tu, uint32_t phase, const struct evl_tu12_place *place,
		       const uint8_t in[EVL_TU12_BYTES]);

/* Frames were left out: goes on at the next V2. Returns true when tu->defects changed. */
bool evl_tu12_rx_lost(struct evl_tu12_rx *tu);

/* The frame does not hold valid bits (a defect of the layers above): all ones. */
bool evl_tu12_rx_ais(struct evl_tu12_rx *tu, uint32_t phase);
