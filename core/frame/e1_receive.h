/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Receives an E1 signal at any bit alignment: frame and multiframe alignment, defects with the bit
 * of their raise and clear, counts, timeslot 16 signalling; and gives the frames, byte-aligned.
 *
 *	struct evl_e1_options o = {.framing = EVL_E1_CRC4, .cas = true};
 *	struct evl_e1_receiver r;
 *	evl_e1_receiver_init(&r, &o, channel, on_event, ctx, &err);
 *	uint8_t frames[EVL_E1_OUT_BYTES(512)];
 *	uint32_t n = evl_e1_receive(&r, bits, 512, frames);	// 512 bytes in, n frames out
 *
 * Rules (defaults in brackets; each stated range is the clause's):
 * - Frame alignment is lost at 3 bad FAS in a row (G.706 4.1.1), with check_bit2 also at bit 2 = 0
 *   in 3 NFAS in a row (same clause, optional). It is found as evl_e1_search says (4.1.2).
 *   LOF is raised at offset 0 by the first bit fed: a receiver begins without alignment.
 * - CRC-4 multiframe alignment: two right multiframe alignment signals within 8 ms of frame
 *   alignment, 2 ms or a multiple apart (4.2). Failing that, LOM is raised and another place with
 *   frame alignment is looked for, from just after the one given up, while the signal is still
 *   handled by the first; a multiframe found elsewhere moves the frames there (4.2 and Annex B;
 *   that the first alignment stays in use meanwhile is Annex B, from memory).
 * - EVL_E1_CRC4_AUTO: 400 ms after frame alignment without a multiframe the far end counts as one
 *   that sends no CRC-4: the first alignment is kept, LOM is cleared (Annex B, from memory).
 * - 915 errored ones among the 1000 blocks of a second: frame alignment was false, LOF (4.3.2).
 *   Seconds follow one another from multiframe alignment on; LOF comes at the 915th.
 * - RAI: A = 1 in rai_set [2], 2..5, NFAS in a row; cleared at A = 0 in rai_clear [1], 1..5, in a
 *   row (G.775 6; O.162).
 * - AIS and LOS: core/frame/e1.h, which sees all bits; AIS is cleared by frame alignment too.
 * - TS16 multiframe (with .cas): found at 0000 in bits 1-4 of a TS16 when the TS16 before was not
 *   all zero; lost at two bad ones in a row, or with all bits of TS16 zero for cas_zero [2], 1 or
 *   2, multiframes (G.732 5.2). When it is not found within 32 frames of frame alignment TS16-LOM
 *   is raised too (the clause names no time; 32 is our choice).
 * - TS16-AIS: all ones for 32 frames (G.732 4.2.6); cleared at the first TS16 with a zero (the
 *   clause as read names no rule). TS16-RAI: y = 1 twice in a row, cleared at the first 0.
 * - LOF clears RAI, LOM, TS16-LOM, TS16-AIS and TS16-RAI: what they watch is not there.
 *
 * Offsets count all bits fed; that of an event is the one of e1.h: up to and including the bit that
 * decided. The events of one call are delivered in the order of their offsets, before it returns.
 * What a frame decides that is not whole at the end of a call comes with the next one, after a LOS
 * or AIS of the part that was there. Only the field alarms is ahead of them within the call.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/frame/e1.h"
#include "core/frame/e1_frame.h"

/* Most bytes of frames that evl_e1_receive gives for so many bytes in. */
#define EVL_E1_OUT_BYTES(bytes_in) ((((size_t)(bytes_in)) / EVL_E1_FRAME_BYTES + 4) * 32)
#define EVL_E1_CARRY               160

/* All zero: unframed, defaults. */
struct evl_e1_options {
	enum evl_e1_framing framing;
	bool cas; /* timeslot 16 has the multiframe of G.704 5.1.3; not with UNFRAMED */
	bool check_bit2;
	uint32_t rai_set;   /* NFAS frames */
	uint32_t rai_clear; /* NFAS frames */
	uint32_t cas_zero;  /* TS16 multiframes */
	uint32_t los_bits;  /* as in e1.h */
};

struct evl_e1_counts {
	uint64_t frames;        /* received in alignment */
	uint64_t fas_errors;    /* FAS words with a wrong bit */
	uint64_t fas_bits;      /* wrong bits in them */
	uint64_t nfas_errors;   /* NFAS with bit 2 = 0 */
	uint64_t crc_blocks;    /* sub-multiframes compared */
	uint64_t crc_errors[2]; /* errored ones: sub-multiframe I, II */
	uint64_t e_bits;        /* E bits of 0: blocks errored at the far end */
	uint64_t ts16_errors;   /* bad TS16 multiframe alignment signals */
	uint64_t losses;        /* of frame alignment */
};

/* Where CRC-4 multiframe alignment stands. */
enum evl_e1_multiframe {
	EVL_E1_MF_NONE, /* not expected, or no frame alignment */
	EVL_E1_MF_SEARCH,
	EVL_E1_MF_ALIGNED,
	EVL_E1_MF_ABSENT, /* the far end sends none (EVL_E1_CRC4_AUTO) */
};

/* abcd of voice channel 1..30 changed; a is bit 3. `bit_offset` as in events. */
typedef void (*evl_e1_abcd_fn)(
	void *ctx, uint32_t channel, uint32_t voice, uint8_t abcd, uint64_t bit_offset);

/* A place of frame alignment under watch. Private. */
struct evl_e1_track {
	bool aligned;
	bool nfas;       /* the next frame is one */
	uint64_t next;   /* offset of the next frame, or of the first candidate not judged */
	uint32_t frames; /* since alignment, saturating */
	uint32_t bit1;   /* bits 1 of NFAS, latest in bit 0 */
	uint32_t bit1_seen;
	uint32_t mfas; /* bit j: an alignment signal ended j NFAS ago */
};

/* TS16 multiframe. Private but for reading aligned. */
struct evl_e1_cas {
	bool aligned;
	bool have_last;
	uint8_t last;    /* TS16 of the frame before */
	uint8_t frame;   /* number of the last frame */
	uint8_t bad;     /* alignment signals in a row */
	uint8_t y;       /* y = 1 in a row */
	uint32_t frames; /* looked at while not aligned */
	uint32_t zeros;  /* TS16 all zero, in a row */
	uint32_t ones;   /* all ones, in a row */
};

/* One channel; no memory behind it. Read alarms, counts, multiframe, abcd, ts16_mfas,
 * nfas, crc_frame, frame_bit; the rest is
 * private. */
struct evl_e1_receiver {
	uint32_t alarms; /* bit (1 << EVL_ALARM_x), AIS and LOS among them */
	enum evl_e1_multiframe multiframe;
	struct evl_e1_counts counts;
	uint8_t abcd[30];   /* as received last, 0 before */
	uint8_t ts16_mfas;  /* TS16 of frame 0, as received last, with x and y bits */
	uint64_t nfas;      /* timeslot 0 of the last eight NFAS frames, the latest in bits 7 to 0:
			     * A is 0x20, Sa4 0x10, Sa8 0x01 */
	uint8_t crc_frame;  /* number of the last frame in the CRC-4 multiframe */
	uint64_t frame_bit; /* offset of the last frame; valid while LOF is not raised */

	struct evl_e1_options options;
	uint32_t channel;
	evl_e1_event_fn fn;
	evl_e1_abcd_fn abcd_fn; /* may be set after init */
	void *ctx;
	struct evl_event_order *order; /* within a call */
	bool begun;
	struct evl_e1_monitor monitor;
	struct evl_e1_track track;
	bool retry;                /* `other` is under way */
	struct evl_e1_track other; /* the search after a false alignment */
	struct evl_e1_cas cas;
	uint64_t fed;               /* bits */
	uint64_t clock;             /* offset of the next frame to be given */
	uint32_t bad_fas, bad_bit2; /* in a row */
	uint32_t rai_ones, rai_zeros;
	uint64_t ring;        /* CRC-4 of the sub-multiframe under way */
	uint8_t crc, crc_got; /* of the one before: computed, received C bits so far */
	bool ring_whole, crc_valid;
	uint32_t second_blocks, second_errors;
	uint32_t carried; /* bytes of `carry` */
	uint8_t carry[EVL_E1_CARRY];
};

/* `options` may be NULL. EVL_E_INVALID names the option out of range. */
enum evl_status evl_e1_receiver_init(struct evl_e1_receiver *r,
	const struct evl_e1_options *options, uint32_t channel, evl_e1_event_fn fn, void *ctx,
	struct evl_err *err);

/* Bit Sa`n`, n = 4 .. 8, of the last eight NFAS frames, the latest in bit 0. With CRC-4 they are
 * one multiframe whenever crc_frame is 15. */
uint8_t evl_e1_receiver_sa(const struct evl_e1_receiver *r, unsigned n);

/*
 * Any number of bytes, most significant bit first. `out` may be NULL, else it has room for
 * EVL_E1_OUT_BYTES(bytes). Returns the number of frames written there: one for each frame time;
 * those without frame alignment are all ones (G.732 Table 1), the others as received, from timeslot
 * 0 on. Alignment found at another place shifts the frames by less than one frame time. Unframed:
 * the bytes as they come, in whole frames.
 * The last frame of a call is given by the next one when it is not whole yet.
 */
uint32_t evl_e1_receive(struct evl_e1_receiver *r, const uint8_t *bits, size_t bytes, uint8_t *out);
