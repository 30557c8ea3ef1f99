/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Makes T1 frames: writes F bits, and robbed bits when asked to, over packed slabs of payload.
 *
 *	struct evl_t1_builder b;
 *	evl_t1_builder_init(&b, EVL_T1_ESF);
 *	b.robbed = 0xffffff;			// signalling in all 24 timeslots
 *	b.abcd[0] = 0xa;			// timeslot 1
 *	evl_t1_builder_send(&b, 0x3f, 10);	// a bit-oriented message, ten times
 *	evl_t1_build(&b, slab, 512);		// 512 frames, 512 * 193 / 8 bytes, in place
 *
 * Sources: ITU-T G.704 2.1.3, 3.1.3; ANSI T1.403 (data link, RAI; from memory where the header
 * says so).
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/frame/t1_frame.h"

struct evl_t1_receiver;

/* One channel; no memory behind it. The fields of the first part may be changed between slabs and
 * hold from the next frame on. */
struct evl_t1_builder {
	bool rai;   /* SF: bit 2 of each timeslot is 0; ESF: 1111111100000000 on the link */
	bool japan; /* RAI in the variant of Japan: SF: F bit of frame 12 is 1; ESF: the link is
		     * all ones. CRC-6 over the F bits as sent. */
	uint32_t robbed; /* bit 0 for timeslot 1 ..: bit 8 of it is robbed in frames 6, 12, (18, 24)
			  */
	uint8_t abcd[24]; /* a is bit 3; SF sends a and b only */

	/* Data link of ESF: bits of the caller, most significant first, sent once from link_at to
	 * link_bits; then flags 01111110. Messages and RAI go first, at any bit. */
	const uint8_t *link;
	uint64_t link_at, link_bits;

	/* Planted errors: so many to come are sent inverted. */
	uint32_t bad_f;   /* framing bits: Ft and Fs; of ESF the frame pattern sequence */
	uint32_t bad_crc; /* whole CRC-6 words */

	/* Private. */
	enum evl_t1_framing framing;
	uint8_t frame; /* next, 0-based */
	uint8_t crc;   /* of the multiframe before */
	uint64_t ring;
	uint32_t message; /* 16 bits under way, first bit in bit 15 */
	uint8_t message_left, flag_at;
	uint8_t code;
	uint32_t repeats;
};

/* Idle: no alarm, no robbed bits, flags on the link. The next frame is frame 1. */
void evl_t1_builder_init(struct evl_t1_builder *b, enum evl_t1_framing framing);

/* The next frame is frame `number` (1..12 or 1..24) of the multiframe. The CRC-6 that follows is
 * right only when it is 1. */
void evl_t1_builder_set_phase(struct evl_t1_builder *b, unsigned number);

/* Queues the bit-oriented message 11111111 0cccccc0 `repeats` times (T1.403: at least 10, from
 * memory); replaces one that waits. code 0 is RAI, 1 .. 63 others. */
void evl_t1_builder_send(struct evl_t1_builder *b, uint8_t code, uint32_t repeats);

/* slab: `frames` packed frames from bit 0, (193 * frames + 7) / 8 bytes; all other bits are kept.
 */
void evl_t1_build(struct evl_t1_builder *b, uint8_t *slab, uint32_t frames);

/* RAI to the far end on LOS, LOF, OOF or AIS (T1.403 sends it on the LOF failure; sending it on the
 * defect is common practice, no source). Call once a slab. */
void evl_t1_builder_answer(struct evl_t1_builder *b, const struct evl_t1_receiver *r);
