/* SPDX-License-Identifier: Apache-2.0 */
/* What the host injects into the multiplexer: a short list of what waits or goes on. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/line.h"
#include "core/signal/impair.h"

#define SIMMUX_INJECTIONS 256u /* waiting or going on at one time */

struct simmux_unit;

/* Times count from the moment at which the unit was switched on. */
struct simmux_injection {
	uint32_t kind; /* enum evl_inject_kind */
	uint32_t channel;
	uint32_t alarm;
	uint64_t numerator;
	uint64_t denominator;
	uint64_t at_ns;
	uint64_t lasting_ns;
	int64_t slip_bits;
	uint32_t path;
};

/* Where an injection is done. */
enum simmux_where {
	SIMMUX_IN_BITS = 0, /* in the bits that arrive at the channel's input */
	SIMMUX_IN_FRAMES,   /* likewise, in the frames of an E1 or T1 that the unit watches */
	SIMMUX_IN_ENCODER,  /* in what the encoder sends; it comes back by the loop */
};

struct simmux_pending {
	struct simmux_injection what;
	enum simmux_where where;
	struct evl_span span; /* in bits of the channel; in frames for the encoder */
	uint64_t raise_bits;  /* E1, T1: bits until the unit sees it, and until it sees the end */
	struct evl_errors errors;
	/* In frames: where they lie, see watch.c. */
	bool phased;
	uint64_t frame_bit;
	uint32_t number, frames;
};

struct simmux_injections {
	struct simmux_pending list[SIMMUX_INJECTIONS];
	uint32_t count;
};

/* Returns NULL, or why it cannot be done (*code is then the code to return). */
const char *simmux_inject_add(
	struct simmux_unit *u, const struct simmux_injection *what, int *code);

/* Is there anything for the bits of this channel in the present chunk? */
bool simmux_inject_touches(const struct simmux_unit *u, uint32_t channel);

/* Puts it into the `bits` bits of the chunk, a few more or fewer than nominal when the channel has
 * a clock of its own; what goes on beyond the chunk reaches its last bit. */
void simmux_inject_apply(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint64_t bits);

/* All ones from where the unit saw a loss of signal, until it sees the signal again (G.783, from
 * memory); notes that, and AIS that was injected, where no framing is watched. */
void simmux_inject_consequences(
	struct simmux_unit *u, uint32_t channel, uint8_t *data, uint64_t bits);

/* What the encoder of a line has to put in during the present chunk. False: nothing. */
bool simmux_inject_wish(const struct simmux_unit *u, uint32_t line, struct simmux_wish *wish);

/* Forgets what ended before the present chunk. */
void simmux_inject_forget(struct simmux_unit *u);

/* Ends everything now. */
void simmux_inject_drop(struct simmux_unit *u);
