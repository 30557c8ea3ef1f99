/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Receives a T1 signal at any bit alignment: alignment, defects with the bit of their raise and
 * clear, counts, robbed bits, data link; and gives the timeslots, a byte each.
 *
 *	struct evl_t1_options o = {.framing = EVL_T1_ESF};
 *	struct evl_t1_receiver r;
 *	evl_t1_receiver_init(&r, &o, channel, on_event, ctx, &err);
 *	uint8_t slots[EVL_T1_OUT_BYTES(193)];
 *	uint32_t n = evl_t1_receive(&r, bits, 193, slots);	// n frames of 24 bytes
 *
 * Rules (defaults in brackets):
 * - OOF at 2 wrong framing bits among oof_window [5], 2..6, consecutive ones (ANSI T1.231 as RFC
 *   4805 3.4 quotes it: 2 among 5 or fewer; 6 is its 3 ms of ESF and 0.75 ms of SF). SF counts Ft
 *   and Fs bits, ESF the frame pattern sequence. Cleared when evl_t1_search finds alignment, at
 *   the last bit that it looked at. OOF is raised at offset 0 by the first bit fed.
 * - With ESF false_crc [32] wrong CRC-6 in a row mean false alignment (ITU-T G.706 2.2.2; the
 *number is from memory): OOF, and the search goes on behind that place.
 * - LOF: OOF for lof_raise_ms [2500], 0..10000; cleared lof_clear_ms [10000], 0..20000, after OOF
 *   ended and did not come back (T1.231: 2..10 s and 0..20 s; less is for tests of equipment).
 * - AIS: no alignment, and at most 4 zeros in each of ais_ms / 3 [4] consecutive periods of 3 ms
 *   (4632 bits; 99.9 % ones); cleared after as many periods that are not so (G.775 5.4: 3..75 ms).
 *   Periods follow one another from the first bit.
 * - LOS: t1_monitor.h.
 * - RAI in SF: bit 2 of all 24 timeslots 0 in rai_frames [2680] frames in a row (335 ms), cleared
 *at rai_frames frames in a row that are not so (T1.403). In ESF: message 0 on the data link by
 *   t1_link.h. With japan: SF: F bit of frame 12 is 1 in two multiframes in a row, cleared at two
 *   that are not (our choice); ESF: 160 ones in a row on the link, cleared at the first 0 (RFC 4805
 *   names the pattern FFFF, the length is ours). OOF clears RAI.
 *
 * Offsets and order of events: as in e1_receive.h.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/frame/t1_frame.h"
#include "core/frame/t1_link.h"
#include "core/frame/t1_monitor.h"
#include "core/frame/t1_search.h"

/* Most bytes that evl_t1_receive gives for so many bytes in. */
#define EVL_T1_OUT_BYTES(bytes_in) (((size_t)(bytes_in)*8 / EVL_T1_FRAME_BITS + 100) * 24)
#define EVL_T1_STAGE               2900

/* All zero: unframed, defaults. */
struct evl_t1_options {
	enum evl_t1_framing framing;
	bool japan; /* RAI and CRC-6 in the variant of Japan */
	uint32_t oof_window;
	uint32_t false_crc;
	uint32_t lof_raise_ms, lof_clear_ms;
	uint32_t ais_ms;     /* 3..75, a multiple of 3 */
	uint32_t rai_frames; /* 2680..8000 */
	uint32_t los_bits;
};
#define EVL_T1_NOW UINT32_MAX /* in a time of 0 ms, as 0 means the default */

struct evl_t1_counts {
	uint64_t frames;     /* received in alignment */
	uint64_t f_errors;   /* wrong framing bits */
	uint64_t crc_blocks; /* ESF multiframes compared */
	uint64_t crc_errors;
	uint64_t losses; /* of frame alignment */
	uint64_t link_bits;
};

/* The 12 link bits of each ESF multiframe in alignment (frame 1 in bit 11), when its last came. */
typedef void (*evl_t1_link_fn)(void *ctx, uint32_t channel, uint16_t bits, uint64_t bit_offset);

/* A bit-oriented message was taken (code 0..63) or is gone (EVL_T1_NO_CODE). */
typedef void (*evl_t1_code_fn)(void *ctx, uint32_t channel, int code, uint64_t bit_offset);

/* abcd of timeslot 1..24 changed; SF has a and b only, c and d are 0. */
typedef void (*evl_t1_abcd_fn)(
	void *ctx, uint32_t channel, uint32_t slot, uint8_t abcd, uint64_t bit_offset);

/* One channel; no memory behind it. Read alarms, counts, abcd, frame_number; the rest is private.
 */
struct evl_t1_receiver {
	uint32_t alarms; /* bit (1 << EVL_ALARM_x) */
	struct evl_t1_counts counts;
	uint8_t abcd[24];
	uint8_t frame_number; /* of the last frame in the multiframe; 0 while OOF */
	uint64_t frame_bit;   /* offset of the last frame */

	struct evl_t1_options options;
	uint32_t channel;
	evl_e1_event_fn fn;
	evl_t1_link_fn link_fn; /* these three may be set after init */
	evl_t1_code_fn code_fn;
	evl_t1_abcd_fn abcd_fn;
	void *ctx;
	struct evl_event_order *order; /* within a call */
	bool begun;
	struct evl_t1_monitor monitor;
	struct evl_t1_link link;
	uint16_t link_word;
	uint8_t window; /* errors among the last framing bits, latest in bit 0 */
	uint64_t fed;   /* bits */
	uint64_t next;  /* offset of the next frame, or of the first candidate not judged */
	uint64_t clock; /* offset of the next frame to be given */
	uint64_t oof_since, in_since;
	uint32_t rai_run; /* frames, or multiframes, in a row that speak for a change */
	uint32_t period_zeros, period_bytes, period_run;
	uint64_t ring;
	uint8_t crc, crc_got;
	bool ring_whole, crc_valid;
	uint32_t bad_crcs;
	uint8_t shift_abcd[24]; /* of the multiframe under way */
	bool abcd_whole;
	uint32_t staged; /* bytes of stage */
	uint8_t stage[EVL_T1_STAGE];
};

/* `options` may be NULL. EVL_E_INVALID names the option out of range. */
enum evl_status evl_t1_receiver_init(struct evl_t1_receiver *r,
	const struct evl_t1_options *options, uint32_t channel, evl_e1_event_fn fn, void *ctx,
	struct evl_err *err);

/* Any number of bytes. `out` may be NULL, else it has room for EVL_T1_OUT_BYTES(bytes). Returns the
 * number of 24-byte frames written there: one for each frame time, all ones while OOF. While the
 * search looks ahead, up to 93 frames are held back; they are given by later calls. Unframed:
 * 24 bytes after each 193rd bit, whatever that bit is. */
uint32_t evl_t1_receive(struct evl_t1_receiver *r, const uint8_t *bits, size_t bytes, uint8_t *out);
