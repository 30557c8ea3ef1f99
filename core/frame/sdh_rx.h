/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Inside of the decoder of sdh.h, shared by sdh_rx.c, sdh_rx_vc.c and sdh_query.c only:
 *
 *	#include "core/frame/sdh_rx.h"
 */
#pragma once

#include "core/frame/au.h"
#include "core/frame/columns.h"
#include "core/frame/sdh.h"
#include "core/frame/section_rx.h"
#include "core/frame/tu1.h"
#include "core/frame/vc4_rx.h"

#define SDH_BIT(alarm) (1u << (alarm))
#define SDH_POH_BYTES  9u

/* Defects of a client's own bits (AIS), found in what is put out. */
struct sdh_client_rx {
	bool ais;
	uint8_t run;    /* periods in a row that speak against the state */
	uint16_t bytes; /* of the present period */
	uint32_t zeros;
	uint64_t given; /* bytes put out since the start */
	uint64_t first_bit;
};

struct sdh_rx_path {
	struct evl_sdh_rx *rx;
	bool exists;
	bool tu3;             /* a VC-3 in TU-3 */
	bool tug3;            /* a VC-4 of TUG-3s */
	struct evl_sdh_at at; /* for events */
	uint8_t hold, aug, k;
	int32_t client; /* bulk, -1 otherwise */
	uint32_t defects;
	uint16_t tu_first, tu_count; /* of rx->tu */
	bool any12, any11;
	bool got_vc;        /* a VC became whole in the present frame */
	uint8_t not_joined; /* AU-4-4c: frames in a row without concatenation indication */
	/* Place of the payload in the frame, as in struct evl_au_view. */
	uint32_t first, step;
	uint64_t vc_frame; /* start of the frame in which the present VC began ... */
	uint32_t vc_index; /* ... at this payload byte */
	uint64_t vc_when;  /* ... at this instant, see vc1.h */
	uint32_t rei_out;
	uint8_t poh[SDH_POH_BYTES];
	bool seen; /* poh is from the line */
	uint64_t errors, rei, increments, decrements, new_pointers;
	struct evl_trace_rx trace;
	struct evl_vc4_rx hp;
	struct evl_au_rx au;
};

struct sdh_rx_tu {
	uint8_t row; /* in the block */
	bool tu11;
	int16_t client; /* never -1: TUs without a client are not looked at */
	struct evl_trace_rx trace;
	struct evl_tu1_rx tu;
};

struct evl_sdh_rx {
	struct evl_sdh_map map;
	struct evl_rx_options options;
	uint32_t n, clients, tus;
	const struct evl_sdh_events *events; /* during decode only */
	uint64_t frames;                     /* aligned frames, an instant in frame times */
	uint64_t frame_bit;                  /* start of the present frame */
	uint32_t frame_bits;
	bool rs_tim, seen;
	uint8_t soh[EVL_SOH_BYTES * EVL_STM_MOST]; /* as struct evl_stm_tx has it */
	struct evl_trace_rx j0;
	struct evl_sdh_client client[EVL_SDH_MOST_CLIENTS];
	struct sdh_client_rx own[EVL_SDH_MOST_CLIENTS];
	int16_t tu_of[EVL_SDH_MOST_CLIENTS]; /* -1: bulk */
	struct sdh_rx_path high[EVL_SDH_MOST_HIGH], tu3[EVL_SDH_MOST_HIGH];
	uint8_t *const *data; /* during decode only: where the output goes ... */
	uint32_t *bytes;      /* ... and how much is there */
	uint8_t block12[EVL_TU12_ROWS][EVL_TU_STRIDE], block11[EVL_TU11_ROWS][EVL_TU_STRIDE];
	uint8_t vc3[EVL_VC3_ROOM];
	uint8_t payload[EVL_SDH_AUGS][EVL_VC4_BYTES + 16], au3[EVL_SDH_PARTS][EVL_VC3_COLUMNS * 9];
	struct evl_section_rx section;
	struct sdh_rx_tu *tu;
};

/* Sets the defects under `mask` to `now`; changes are reported with the line bit. */
void sdh_rx_set(struct evl_sdh_rx *rx, struct evl_sdh_at at, uint32_t *defects, uint32_t mask,
	uint32_t now, uint64_t bit);

/* A VC of a path is whole. */
void sdh_rx_vc(void *ctx, const uint8_t *vc, uint64_t start_bit);

/* Nothing valid came for a path in this frame time; `phase` is that of the VC that is missing. */
void sdh_rx_miss(struct sdh_rx_path *p, uint64_t bit);

struct sdh_rx_path *sdh_rx_path_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at);
struct sdh_rx_tu *sdh_rx_tu_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at);
