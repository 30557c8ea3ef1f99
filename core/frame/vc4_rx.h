/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a receiver reads from the path overhead of VC-4 after VC-4 (or VC-3, VC-4-4c): B3, C2, G1,
 * and H4 for the TU multiframe. ITU-T G.707 9.3.1, 8.3.8, G.783.
 *
 *	evl_vc4_rx_init(&rx, 5, 8);
 *	evl_vc4_rx_take(&rx, vc4, &result);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/au.h"

struct evl_vc4_rx {
	/* Set after init for others than a VC-4 of TUG-3. */
	uint16_t columns; /* of the VC, 261 */
	bool tug;         /* H4 counts the TU multiframe */
	bool no_b3;       /* B3 is not looked at */
	int16_t label;    /* expected C2, 02; -1: any but 00 */
	uint32_t rdi_limit, lom_limit;
	bool have_b3;
	uint8_t b3;
	uint8_t c2, c2_run; /* last label and how often in a row, saturates at 5 */
	uint32_t uneq_run, rdi_run;
	uint8_t h4;               /* last bits 7-8 of H4 */
	uint8_t h4_run;           /* frames in a row in right sequence, saturates at 4 */
	bool in_multiframe;       /* `phase` is right */
	uint8_t phase;            /* of the next VC-4: 0 holds V1 ... 3 holds V4 */
	uint32_t lom_run;         /* frames out of multiframe */
	bool uneq, plm, rdi, lom; /* defects */
};

struct evl_vc4_rx_result {
	uint32_t b3_errors; /* 0..8 */
	uint32_t hp_rei;    /* from G1, 0..8; other values count as 0 */
	uint8_t phase;      /* of this VC-4 */
	bool phase_jump;    /* the phase of the next VC-4 does not follow that of this one */
};

void evl_vc4_rx_init(struct evl_vc4_rx *rx, uint32_t rdi_limit, uint32_t lom_limit);

/* Persistence: labels 5 frames, RDI rdi_limit frames. HP-LOM: out of multiframe for
 * lom_limit frames, where one wrong H4 means out and four in sequence mean in. */
void evl_vc4_rx_take(struct evl_vc4_rx *rx, const uint8_t *vc4, struct evl_vc4_rx_result *result);

/* One frame time passed without a VC-4 (AU-AIS, AU-LOP or above): the path defects are gone, the
 * TU multiframe counts on. */
void evl_vc4_rx_miss(struct evl_vc4_rx *rx);

/* The next VC-4 does not follow the last one: its B3 does not count. */
void evl_vc4_rx_cut(struct evl_vc4_rx *rx);
