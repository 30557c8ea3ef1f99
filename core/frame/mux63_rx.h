/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Inside of the decoder of mux63.h, shared by mux63_rx.c and mux63_query.c only:
 *
 *	#include "core/frame/mux63_rx.h"
 */
#pragma once

#include "core/frame/au.h"
#include "core/frame/mux63.h"
#include "core/frame/section_rx.h"
#include "core/frame/tu1.h"
#include "core/frame/vc4_rx.h"

struct evl_mux63_rx {
	struct evl_rx_options options;
	struct evl_section_rx section;
	struct evl_au_rx au;
	struct evl_vc4_rx hp;
	uint32_t high;       /* defects of AU-4 and VC-4, bit a: alarm a */
	uint64_t frames;     /* aligned frames, an instant in frame times */
	uint64_t frame_bit;  /* start of the present frame */
	bool got_vc4;        /* a VC-4 became whole in the present frame */
	uint64_t vc4_frame;  /* start of the frame in which the present VC-4 began ... */
	uint32_t vc4_index;  /* ... at this payload byte, 0..2348 ... */
	uint64_t vc4_when;   /* ... at this instant, see vc12.h */
	uint32_t hp_rei_out; /* B3 errors for the far end */
	struct evl_mux63_line_counts counts; /* those of AU-4 and VC-4 */
	uint64_t pulled;                     /* frames of E1 output since the start */
	int64_t extra[EVL_MUX63_TRIBS];      /* bits of output beyond 256 a frame */
	uint64_t first_bit[EVL_MUX63_TRIBS];
	uint8_t block[EVL_TU12_ROWS][EVL_TU_STRIDE];
	struct evl_tu1_rx tu[EVL_MUX63_TRIBS];
};
