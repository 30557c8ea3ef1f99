/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The unit under test itself: a multiplexer of tributaries into one or two lines and back, with its
 * planted defects and what is injected into it. It works through time in chunks of 8 frames (1 ms):
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
#include "adapters/simmux/inject.h"
#include "adapters/simmux/options.h"

#define SIMMUX_LEAD_FRAMES 1024u /* whole J2 trace cycles of 64 frames; more than any settling */

struct simmux_unit;

/* The bits of one channel during one chunk; NULL: not played, not captured. Tributaries have
 * clocks of their own, so a few bytes more or fewer than nominal. */
struct simmux_io {
	const uint8_t *tx;
	uint32_t tx_bytes; /* E1: 248 to 264; T1: 185 to 201; others: nominal */
	uint8_t *rx;       /* room for simmux_unit_most bytes */
	uint32_t rx_bytes; /* out: bytes that came out in this chunk */
};

/* `options` is copied by reference: it must outlive the unit. NULL: err->text says why. */
struct simmux_unit *simmux_unit_create(
	const struct simmux_options *options, uint64_t seed, struct evl_adapter_error *err);
void simmux_unit_destroy(struct simmux_unit *u); /* takes NULL */

/* Nominal and most bytes of a channel in a chunk. */
uint32_t simmux_unit_nominal(const struct simmux_unit *u, uint32_t channel);
uint32_t simmux_unit_most(const struct simmux_unit *u, uint32_t channel);

/* Replaces all settings by those of the options and of the list, or changes nothing. Pending
 * injections are dropped. Returns EVL_ADAPTER_x. */
int simmux_unit_setup(struct simmux_unit *u, const struct evl_setting *list, uint32_t count,
	struct evl_adapter_error *err);

/* Frames since switching on, of the next chunk. */
uint64_t simmux_unit_now(const struct simmux_unit *u);

/* Goes on at `frame`, which is not before now. When that is later than now, the time between is
 * passed over: the unit is brought into the state of one that had idle inputs for a while. */
void simmux_unit_reach(struct simmux_unit *u, uint64_t frame);

/* Works through one chunk; io has an entry for each channel. Does not allocate. */
void simmux_unit_run(struct simmux_unit *u, struct simmux_io *io);

/* Returns NULL, or why it cannot be done. `code` is then the code to return. */
const char *simmux_unit_inject(
	struct simmux_unit *u, const struct simmux_injection *what, int *code);

/* Defects that the encoder puts in come back by the loop: whether any is waiting on a line, and
 * whether the host plays into the line, which opens the loop. */
bool simmux_unit_needs_loop(const struct simmux_unit *u, uint32_t line);
void simmux_unit_set_line_played(struct simmux_unit *u, uint32_t line, bool played);
void simmux_unit_drop_injections(struct simmux_unit *u);

/* For taking what was reported: at_ns counts from switching on. */
struct simmux_defects *simmux_unit_defects(struct simmux_unit *u);
