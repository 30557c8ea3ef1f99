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

/*
 * The VCs of a path that holds TUs wait until four of them, with the output of the four frames, can
 * be worked on TU by TU: so the state of a TU is fetched once in four frames. What waits is a list
 * of VCs and outputs in their order; for each TU the effect is that of doing them when they came.
 * Nothing waits when a call returns.
 */
#define SDH_SLOTS 4u  /* VCs that may wait, and one more is being collected */
#define SDH_OPS   12u /* VCs and outputs */

struct sdh_rx_op {
	bool output;  /* of a frame; else a VC */
	uint8_t slot; /* VC: in rx->ring */
	uint8_t phase;
	uint32_t vc_index; /* as in the path */
	uint64_t vc_frame;
	uint64_t end; /* output: bits received by then */
	struct evl_tu1_place place;
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
	uint8_t slot, waiting, ops; /* of rx->ring, being filled; VCs in op[]; all in op[] */
	bool got_vc;                /* a VC became whole in the present frame */
	uint8_t not_joined;         /* AU-4-4c: frames in a row without concatenation indication */
	/* Place of the payload in the frame, as in struct evl_au_view. */
	uint32_t first, step;
	uint64_t vc_frame; /* start of the frame in which the present VC began ... */
	uint32_t vc_index; /* ... at this payload byte */
	uint64_t vc_when;  /* ... at this instant, see vc1.h */
	uint32_t rei_out;
	uint8_t poh[SDH_POH_BYTES];
	bool seen; /* poh is from the line */
	uint64_t errors, errored_blocks, rei, rei_blocks, increments, decrements, new_pointers;
	struct evl_trace_rx trace;
	struct evl_vc4_rx hp;
	struct sdh_rx_op op[SDH_OPS];
	struct evl_au_rx au;
};

struct sdh_rx_tu {
	uint8_t row; /* in the block */
	bool tu11;
	int16_t client; /* never -1: TUs without a client are not looked at */
	struct evl_trace_rx trace;
	struct evl_tu1_rx tu;
};

/* Waits for the end of the call, to be told in the order of its bit. */
struct sdh_rx_event {
	uint64_t bit;
	uint32_t number; /* in the order of finding */
	uint16_t index;
	uint8_t level, alarm;
	bool raised;
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
	bool deep, bare; /* looks at the clients; EVL_RX_BITS */
	uint8_t soh[EVL_SOH_BYTES * EVL_STM_MOST]; /* as struct evl_stm_tx has it */
	struct evl_trace_rx j0;
	struct evl_sdh_client client[EVL_SDH_MOST_CLIENTS];
	struct sdh_client_rx own[EVL_SDH_MOST_CLIENTS];
	int16_t tu_of[EVL_SDH_MOST_CLIENTS]; /* -1: bulk */
	struct sdh_rx_path high[EVL_SDH_MOST_HIGH], tu3[EVL_SDH_MOST_HIGH];
	bool steer;           /* during decode only: with a desynchroniser */
	uint8_t *const *data; /* during decode only: where the output goes ... */
	uint32_t *bytes;      /* ... and how much is there */
	uint8_t block12[SDH_SLOTS][EVL_TU12_ROWS][EVL_TU_STRIDE];
	uint8_t block11[SDH_SLOTS][EVL_TU11_ROWS][EVL_TU_STRIDE];
	uint8_t ring[EVL_SDH_MOST_HIGH][SDH_SLOTS + 1][EVL_VC4_ROOM];
	uint8_t vc3[EVL_VC3_ROOM];
	uint8_t payload[EVL_SDH_AUGS][EVL_VC4_BYTES + 16];
	_Alignas(16) uint8_t au3[EVL_SDH_PARTS][EVL_AU3_STRIDE * 9];
	struct evl_section_rx section;
	uint32_t noted, most_events; /* in event[] */
	struct sdh_rx_event *event;
	struct sdh_rx_tu *tu;
};

/* Sets the defects under `mask` to `now`; changes are reported with the line bit. */
void sdh_rx_set(struct evl_sdh_rx *rx, struct evl_sdh_at at, uint32_t *defects, uint32_t mask,
	uint32_t now, uint64_t bit);

/* Keeps an event for sdh_rx_tell. */
void sdh_rx_note(struct evl_sdh_rx *rx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised,
	uint64_t bit);

/* A frame of output of the TUs of a path is due: now, or when the VCs before it are done. */
void sdh_rx_output(struct sdh_rx_path *p);

/* Puts out a frame of a client, `end` bits having come in; or the bits of several frames, of
 * bytes[f] bytes each. */
void sdh_rx_pull(struct evl_sdh_rx *rx, uint32_t client, uint64_t end);
void sdh_rx_give(struct evl_sdh_rx *rx, uint32_t client, const uint8_t *bits,
	const uint32_t bytes[], const uint64_t ends[], uint32_t frames);

/* Does what waits. */
void sdh_rx_flush(struct sdh_rx_path *p);

/* A VC of a path is whole. */
void sdh_rx_vc(void *ctx, const uint8_t *vc, uint64_t start_bit);

/* Nothing valid came for a path in this frame time; `phase` is that of the VC that is missing. */
void sdh_rx_miss(struct sdh_rx_path *p, uint64_t bit);

struct sdh_rx_path *sdh_rx_path_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at);
struct sdh_rx_tu *sdh_rx_tu_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at);
