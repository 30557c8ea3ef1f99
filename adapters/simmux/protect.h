/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Multiplex section protection, 1+1 and unidirectional (ITU-T G.841 7.1): line 1 is the working
 * section, line 2 the protection section. The same paths are sent on both at all times (permanent
 * bridge); a selector takes those that come in from one of them. It moves when the section that it
 * takes fails and the other does not.
 *
 *	simmux_protect_decode(u, l, line, bytes);	// each line, each chunk
 *	simmux_protect_step(u);				// once at the end of a chunk
 *	u->protect.selected				// for the next chunk
 *
 * Signal fail (SF): LOS, LOF, MS-AIS, or RS-TIM where a J0 is expected (G.783, from memory). Signal
 * degrade and commands from outside are not simulated. In unidirectional 1+1 each end decides by
 * itself; K1 and K2 only tell the far end (G.841 7.1, codes from memory).
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/ports.h"

struct simmux_unit;
struct simmux_line;

/* Options. G.841 7.1: a switch is completed within 50 ms after SF was found; wait to restore is 5
 * to 12 minutes (both from memory). Other values are possible, so that a test can be short and a
 * unit slow. */
struct simmux_protection {
	bool revertive;
	uint64_t wait_ns;   /* WTR: SF of the working section gone so long before traffic returns */
	uint64_t switch_ns; /* from finding SF to the move of the selector */
};

#define SIMMUX_WORKING    0u
#define SIMMUX_PROTECTION 1u

struct simmux_protect {
	uint32_t selected;                  /* SIMMUX_WORKING or SIMMUX_PROTECTION */
	uint64_t moves;                     /* of the selector, since switching on */
	uint32_t fails[SIMMUX_LINES];       /* SF: bit a is alarm a */
	uint64_t fails_since[SIMMUX_LINES]; /* ns */
	bool failed;                        /* the selected section, at the end of the last chunk */
	bool moving;                        /* SF was found; the selector moves at ... */
	uint64_t move_ns;
	bool waiting; /* to restore, at ... */
	uint64_t restore_ns;
};

/* The state in which a unit is switched on: traffic on the working section. */
void simmux_protect_init(struct simmux_unit *u);

/* After time that was passed over: what fails is looked at anew. */
void simmux_protect_reset(struct simmux_unit *u);

/* Listens to the section of a line and notes what it means for the far end. */
void simmux_protect_decode(struct simmux_unit *u, struct simmux_line *l, const uint8_t *line);

/* What the paths get in this chunk: the selected line, or AU-AIS while its section fails, which is
 * the consequent action on SF (G.783). `in` has the inputs of both lines. */
const uint8_t *simmux_protect_select(struct simmux_unit *u, const uint8_t *const in[SIMMUX_LINES]);

/* Decides where the selector is in the next chunk; u->now is that one already. */
void simmux_protect_step(struct simmux_unit *u);

/* K1 and K2 by ITU-T G.841 7.1.4 (from memory): bits 1 to 4 of K1 the request, 5 to 8 the section
 * that it is about; K2: that section, 1+1, then left to MS-RDI. */
void simmux_protect_tell(struct simmux_unit *u);
