/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The section part of an STM-1 or STM-4 receiver: LOS, frame search at any bit alignment, OOF, LOF,
 * descrambling, B1, B2, MS-AIS, MS-RDI, MS-REI. ITU-T G.707 9.2, G.783, T1.231 (RFC 3592 3.5).
 *
 *	evl_section_rx_init(&rx, 1, &limits);
 *	evl_section_rx_feed(&rx, line, on_event, on_frame, ctx);	// one frame time of bytes
 *
 * Instants, all in line bits:
 * - LOS: raised by the last byte of a run of los_bytes zero bytes; cleared with the second of two
 *   framing words that are one frame apart with no such run after the first began.
 * - OOF: raised by the fifth framing word in a row with an error in its 48 bits (625 us), cleared
 * by the second good word in a row. At the start nothing is reported for the first 625 us; if no
 * word was found by then, frames of all ones are given out from there on.
 * - LOF: OOF for 3 ms, added up; the sum restarts after 3 ms in frame, which also clears LOF.
 * While OOF without LOF the old alignment runs on; while LOS or LOF frames are taken as all ones.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/frame/rx_options.h"
#include "core/frame/stm.h"

#define EVL_LOF_FRAMES 24u /* 3 ms */

struct evl_section_frame {
	const uint8_t *plain; /* descrambled */
	uint64_t bit;         /* line bit, from 0 since init, at which it began */
	bool valid;           /* no LOS, LOF, MS-AIS; else the contents count as all ones */
	bool readable;        /* no LOS, LOF: the overhead is from the line */
	bool realigned;       /* first frame of a new alignment */
};

typedef void (*evl_section_sink)(void *ctx, const struct evl_section_frame *frame);

/* A defect began or ended; `bit` counts line bits since init from `base` on, up to and with the one
 * that decided. Called layer by layer, not in the order of `bit`. */
typedef void (*evl_section_event_fn)(void *ctx, enum evl_alarm alarm, bool raised, uint64_t bit);

struct evl_section_counts {
	uint64_t frames;    /* aligned frames evaluated */
	uint64_t b1_errors; /* bits of BIP-8; not counted while LOS or LOF */
	uint64_t b1_blocks; /* frames with an error in B1 */
	uint64_t b2_errors; /* bits of BIP-24N; not counted while MS-AIS or above */
	uint64_t ms_rei;    /* far-end B2 errors, from M1 */
};

struct evl_section_rx {
	uint32_t los_bytes, k2_frames;
	uint64_t base; /* added to offsets of events */
	uint64_t end;  /* bits received */
	uint32_t defects;
	/* LOS */
	uint64_t scanned;  /* bits that the search for zeros has seen */
	uint32_t zero_run; /* bytes, saturates at los_bytes */
	uint64_t zero_end; /* end of the last zero byte of a run that made LOS */
	/* alignment */
	uint32_t n, frame_bytes, frame_bits;
	uint32_t
		word; /* bits from the start of a frame to the last three A1, where a word begins */
	bool nominal; /* no word was ever found: the grid is just somewhere */
	bool has_grid, in_frame, hunting, has_candidate, confirmed, realigned;
	uint64_t grid;      /* start of the next frame */
	uint64_t hunt;      /* next bit at which a framing word may begin */
	uint64_t candidate; /* framing word found here */
	uint64_t good;      /* start of the last frame with a good word, UINT64_MAX: none */
	uint32_t bad_run;   /* errored framing words in a row */
	/* LOF timer */
	uint64_t timed; /* time up to which oof_bits counts */
	uint64_t oof_bits;
	uint64_t in_frame_since;
	/* multiplex section */
	uint32_t ais_run, rdi_run;
	uint32_t rei_out; /* B2 errors for the far end */
	struct evl_section_counts counts;
	struct evl_stm_rx stm;
	evl_section_event_fn event; /* during feed only, with its ctx */
	void *ctx;
	uint8_t shifts[5][256]; /* bit s: byte may be the k-th after a word that begins at bit s */
	uint32_t filled;        /* bytes of history, always two frame times at least */
	uint8_t history[4 * EVL_STM4_BYTES + 8];
	uint8_t aligned[EVL_STM4_BYTES + 8];
	uint8_t plain[EVL_STM4_BYTES];
};

/* `options` resolved. */
void evl_section_rx_init(
	struct evl_section_rx *rx, uint32_t n, const struct evl_rx_options *options);

/* Takes 2430 N bytes; calls sink for each frame that became whole (none, one or two). */
void evl_section_rx_feed(struct evl_section_rx *rx, const uint8_t *line, evl_section_event_fn event,
	evl_section_sink sink, void *ctx);
