/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Makes E1 frames: writes timeslot 0, and timeslot 16 when asked to, over slabs of payload.
 *
 *	struct evl_e1_builder b;
 *	evl_e1_builder_init(&b, EVL_E1_CRC4, true);	// with TS16 signalling
 *	b.abcd[0] = 0x9;				// channel 1
 *	evl_e1_build(&b, slab, 512);			// 512 frames of 32 bytes, in place
 *
 * Sources: ITU-T G.704 2.3.2 (timeslot 0), 2.3.3 (CRC-4, E bits), 5.1.3 (timeslot 16); G.732 Table
 * 1 (what goes back to the far end).
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/frame/e1_frame.h"

struct evl_e1_receiver;

/* One channel; no memory behind it. The fields of the first part may be changed between slabs and
 * hold from the next frame on. */
struct evl_e1_builder {
	bool rai;    /* A bit */
	bool si_fas; /* bit 1 without CRC-4, for international use; 1 when not used */
	bool si_nfas;
	uint8_t sa[5];   /* Sa4 .. Sa8: bit 7 (most significant) in the first odd frame of the
			  * multiframe, bit 0 in the eighth; 0xff when not used */
	uint8_t sa_keep; /* bits 4 (Sa4) to 0 (Sa8): 1 leaves the bit of the payload slab, so that
			  * a data link can be carried through it */
	bool e_valid;    /* false: both E bits are 0, as without CRC multiframe alignment */
	uint32_t e_errors[2]; /* errored sub-multiframes I and II still to be told by an E bit of 0
			       */
	uint8_t abcd[30];     /* channels 1 to 30: a is bit 3, d bit 0; 1101 when not used */
	bool ts16_rai;        /* y bit */
	uint8_t ts16_x; /* the three x bits 5, 7, 8 in order, in bits 2 to 0; 7 when not used */

	/* Planted errors: so many words of this kind to come are sent inverted. */
	uint32_t bad_fas, bad_nfas; /* NFAS: bit 2 is sent as 0 */
	uint32_t bad_crc;           /* C1 to C4 of a sub-multiframe */
	uint32_t bad_crc_mfas;      /* the bits 001011 of a multiframe */
	uint32_t bad_ts16_mfas;     /* TS16 bits 1 to 4 of frame 0 */

	/* Private. */
	enum evl_e1_framing framing;
	bool cas;
	bool spoil_crc, spoil_mfas; /* the present word is a planted error */
	uint8_t frame;              /* of the CRC-4 multiframe, next */
	uint8_t cas_frame;          /* of the TS16 multiframe, next */
	uint8_t crc;                /* of the sub-multiframe before */
	uint64_t ring;              /* of the present one */
	uint64_t told[2];           /* of the receiver's counts of errored sub-multiframes */
};

/* Idle values: no alarm, Sa = 1, E = 1, abcd = 1101. EVL_E1_CRC4_AUTO builds CRC-4. The first
 * frame has the FAS and number 0; the two multiframes begin together. */
void evl_e1_builder_init(struct evl_e1_builder *b, enum evl_e1_framing framing, bool cas);

/* The next frame has this number in the CRC-4 multiframe / in that of timeslot 16 (each mod 16).
 * An odd number begins with an NFAS frame. The sub-multiframe under way is started anew: the C bits
 * that follow it are right only when `frame` is 0 or 8. */
void evl_e1_builder_set_phase(struct evl_e1_builder *b, unsigned frame, unsigned cas_frame);

/* slab: frames * 32 bytes, any number of frames; everything but timeslots 0 and 16 is kept. */
void evl_e1_build(struct evl_e1_builder *b, uint8_t *slab, uint32_t frames);

/*
 * Takes over what must be told to the far end (G.732 Table 1, from memory; G.704 2.3.3): A = 1 on
 * LOS, LOF, AIS; an E bit of 0 for each errored sub-multiframe, and all of them 0 without CRC
 * multiframe alignment; y = 1 without TS16 multiframe alignment. Call once a slab.
 */
void evl_e1_builder_answer(struct evl_e1_builder *b, const struct evl_e1_receiver *r);
