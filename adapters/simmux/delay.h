/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A delay by any number of bits, over slabs. Only simmux_delay_init allocates.
 *
 *	simmux_delay_init(&d, 777, 264);
 *	simmux_delay_fill(&d, 0xff);
 *	simmux_delay_apply(&d, data, 256);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/signal/impair.h"

/* A delay of `bits`; what comes out first is `idle` bytes. */
struct simmux_delay {
	uint8_t *ring; /* owned; NULL when bits is 0 */
	uint64_t ring_bytes;
	uint64_t at; /* next byte to be written */
	uint64_t bits;
};

/* Chunks to come have at most chunk_bytes each. False: out of memory. */
bool simmux_delay_init(struct simmux_delay *d, uint64_t bits, uint64_t chunk_bytes);
void simmux_delay_finish(struct simmux_delay *d);
void simmux_delay_fill(struct simmux_delay *d, uint8_t idle);

/* Replaces `bytes` bytes by those that are due now. */
void simmux_delay_apply(struct simmux_delay *d, uint8_t *data, uint64_t bytes);

/* Sets the bits of the span (counted from data) to zero or one. */
void simmux_span_set(uint8_t *data, struct evl_span span, bool one);

/* The bits whose instants lie in [at_ns, at_ns + lasting_ns), on a channel of frame_bits per 125
 * us. */
struct evl_span simmux_span_of(uint64_t at_ns, uint64_t lasting_ns, uint32_t frame_bits);

/* The instant at which a bit of such a channel begins. */
uint64_t simmux_ns_of(uint64_t bit, uint32_t frame_bits);
