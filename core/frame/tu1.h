/* SPDX-License-Identifier: Apache-2.0 */
/*
 * TU-12 and TU-11: a VC-12 of 140 (VC-11 of 104) bytes floating in 4 frames of 36 (27) bytes, ITU-T
 * G.707 8.3. Byte 1 of the four frames is V1, V2, V3, V4; the byte after V2 has offset 0, after V3
 * 35 (26), after V4 70 (52), after V1 105 (78).
 *
 *	evl_tu1_tx_init(&tu, EVL_VC1_E1_ASYNC, 105, 0);
 *	evl_tu1_tx_frame(&tu, phase, when, out);	// 36 bytes; phase 0: V1 ... 3: V4
 *	evl_tu1_rx_frame(&tu, phase, place, in);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/frame/columns.h"
#include "core/frame/pointer.h"
#include "core/frame/vc1.h"

struct evl_tu1_shape {
	uint8_t bytes, quarter; /* of the TU and of the VC in a frame */
	uint8_t ss;             /* SS bits of the pointer */
	uint16_t range;         /* of the pointer */
	uint16_t byte_ticks;    /* EVL_VC1_TICKS / bytes */
	uint8_t first[4];       /* offset of the byte after V1..V4 */
};

extern const struct evl_tu1_shape evl_tu12_shape, evl_tu11_shape;

/* ---- encoder ---- */

struct evl_tu1_tx {
	const struct evl_tu1_shape *shape;
	struct evl_ptr_tx ptr;
	uint16_t word;  /* V1 V2 of this multiframe ... */
	uint8_t action; /* ... and what it means, enum evl_ptr_action */
	uint8_t have;   /* bytes of the quarter not yet sent, its last ones */
	uint32_t fill;  /* bytes without VC still to send (after a new pointer value) */
	struct evl_vc1_tx vc;
	uint8_t quarter[EVL_VC12_QUARTER];
};

/* Bytes of the above that each frame needs. */
#define EVL_TU1_TX_HOT 192u

/* The shape follows from the mapping. The first frame has number `frame_number` (phase = number mod
 * 4); as if the pointer value had held before. */
void evl_tu1_tx_init(
	struct evl_tu1_tx *tu, enum evl_vc1_mode mode, uint16_t pointer, uint64_t frame_number);

/* As after init, with the settings and the pointer value kept. */
void evl_tu1_tx_restart(struct evl_tu1_tx *tu, uint64_t frame_number);

/* `when`: instant of the first byte, see vc1.h. The client bits must be in tu->vc.fifo. */
void evl_tu1_tx_frame(struct evl_tu1_tx *tu, uint32_t phase, int32_t when, uint8_t *out);

/* Four frames at once from phase 0 on, the first at `when`, that of phase i to out + i * stride.
 * The client bits for all of them must be in the store. */
void evl_tu1_tx_multiframe(struct evl_tu1_tx *tu, int32_t when, uint8_t *out, uint32_t stride);

/* ---- decoder ---- */

/* Where the frame lies in time, to find delays. */
struct evl_tu1_place {
	uint64_t when; /* instant of its first byte in EVL_VC1_TICKS of a frame, since some zero */
	uint64_t now;  /* start of the frame in which it is worked on, since the same zero */
};

struct evl_tu1_rx {
	const struct evl_tu1_shape *shape;
	struct evl_ptr_rx ptr;
	uint8_t v1;
	uint8_t have;     /* bytes of the quarter collected */
	bool negative;    /* this multiframe: V3 carries data */
	bool positive;    /* this multiframe: the byte after V3 is stuff */
	bool lost;        /* place in the VC unknown until the next V2 */
	uint32_t skip;    /* bytes until the VC begins (after a new value) */
	uint64_t begun;   /* instant of the first byte of the quarter */
	uint32_t defects; /* bit a: enum evl_alarm a */
	int32_t v5_byte;  /* byte of the last frame that held a V5; negative: of the frame
			   * before; only for frames in which defects changed */
	struct evl_vc1_rx vc;
	uint8_t quarter[EVL_VC12_QUARTER];
	uint64_t increments, decrements, new_pointers;
};

void evl_tu1_rx_init(
	struct evl_tu1_rx *tu, enum evl_vc1_mode mode, uint8_t lop_limit, uint8_t rdi_limit);

/* Takes 36 or 27 bytes; returns true when tu->defects changed. */
bool evl_tu1_rx_frame(struct evl_tu1_rx *tu, uint32_t phase, const struct evl_tu1_place *place,
	const uint8_t *in);

/* Four frames from phase 0 on and four frames of output in turn, when the VC begins after V1 and
 * nothing changes: see evl_vc1_rx_whole. */
const uint8_t *evl_tu1_rx_multiframe(struct evl_tu1_rx *tu, const struct evl_tu1_place place[4],
	const uint8_t *in, uint32_t stride, bool steer, uint32_t bytes[4]);

/* Frames were left out: goes on at the next V2. Returns true when tu->defects changed. */
bool evl_tu1_rx_lost(struct evl_tu1_rx *tu);

/* The frame does not hold valid bits (a defect of the layers above): all ones. */
bool evl_tu1_rx_ais(struct evl_tu1_rx *tu, uint32_t phase);

/* LP-TIM began or ended: AIS is put out while `on`. Returns true when tu->defects changed. */
bool evl_tu1_rx_hold(struct evl_tu1_rx *tu, bool on);
