/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The unit under test itself: a multiplexer of 63 E1 into one STM-1 line and back, with its planted
 * defects and what is injected into it. It works through time in chunks of 8 frames (1 ms):
 *
 *	tributary inputs -> encoder -> line delay -> line errors -> line output
 *	line input (played, looped or dark) -> loss, injected errors -> decoder -> swap -> delay ->
 *	errors -> tributary outputs
 *
 * What the decoder finds (RDI, REI) goes back through the encoder with the next chunk.
 *
 * Time is counted in frames since the unit was switched on; SIMMUX_LEAD_FRAMES of them come before
 * the host's time 0, so that the unit is in service when the host's clock begins.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/defects.h"
#include "adapters/simmux/impair.h"
#include "adapters/simmux/inject.h"
#include "adapters/simmux/options.h"
#include "core/frame/mux63.h"

#define SIMMUX_LEAD_FRAMES 1024u /* whole J2 trace cycles of 64 frames; more than any settling */

struct simmux_unit;

/* The bits of one channel during one chunk; NULL: not played, not captured. Tributaries have
 * clocks of their own, so a few bytes more or fewer than nominal; the line has not. */
struct simmux_io {
	const uint8_t *tx;
	uint32_t tx_bytes; /* tributary: SIMMUX_LEAST_BYTES to SIMMUX_MOST_BYTES; else not read */
	uint8_t *rx;       /* tributary: room for SIMMUX_MOST_BYTES */
	uint32_t rx_bytes; /* out, tributary: bytes that came out in this chunk */
};

#define SIMMUX_LEAST_BYTES EVL_MUX63_LEAST_BYTES(SIMMUX_CHUNK_FRAMES)
#define SIMMUX_MOST_BYTES  EVL_MUX63_MOST_BYTES(SIMMUX_CHUNK_FRAMES)

/* NULL: out of memory. */
struct simmux_unit *simmux_unit_create(const struct simmux_options *options, uint64_t seed);
void simmux_unit_destroy(struct simmux_unit *u); /* takes NULL */

/* Frames since switching on, of the next chunk. */
uint64_t simmux_unit_now(const struct simmux_unit *u);

/* Goes on at `frame`, which is not before now. When that is later than now, the time between is
 * passed over: the unit is brought into the state of one that had idle inputs for a while. */
void simmux_unit_reach(struct simmux_unit *u, uint64_t frame);

/* Works through one chunk. io has SIMMUX_CHANNELS entries. Does not allocate. */
void simmux_unit_run(struct simmux_unit *u, struct simmux_io *io);

/* Returns NULL, or why it cannot be done. `code` is then the code to return. */
const char *simmux_unit_inject(struct simmux_unit *u, const struct simmux_injection *what,
			       int *code);

/* MS-AIS, AU-AIS and TU-AIS are put in by the encoder and come back by the loop: whether any is
 * waiting, and whether the host plays into the line, which opens the loop. */
bool simmux_unit_needs_loop(const struct simmux_unit *u);
void simmux_unit_set_line_played(struct simmux_unit *u, bool played);
void simmux_unit_drop_injections(struct simmux_unit *u);

/* For taking what was reported: at_ns counts from switching on. */
struct simmux_defects *simmux_unit_defects(struct simmux_unit *u);
