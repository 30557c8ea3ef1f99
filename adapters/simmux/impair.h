/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What goes wrong on a bit stream: random bit errors, a delay by any number of bits, stretches of
 * constant bits. Pure functions over slabs; only simmux_delay_init allocates.
 *
 *	struct simmux_errors e;
 *	simmux_errors_init(&e, seed, stream, 1, 1000000, 256 * 64);
 *	simmux_errors_apply(&e, slab, first_bit, 8 * bytes);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/signal/rng.h"

/*
 * Errors at a ratio, every bit independent of the others. Which bits are errored is a function of
 * seed, stream, ratio and the index of the bit alone: time is cut into blocks, each with its own
 * random numbers, so that any stretch can be made without the ones before it.
 */
struct simmux_errors {
	uint64_t seed;
	uint64_t stream; /* 0..255 */
	uint64_t block_bits;
	struct evl_rng_gap gap;
	struct evl_rng rng; /* of `block`, when next_bit is in it */
	uint64_t block;
	uint64_t next_bit; /* first errored bit of `block` not yet passed, or behind the block */
	bool ready;        /* block and next_bit are set */
};

void simmux_errors_init(struct simmux_errors *e, uint64_t seed, uint64_t stream, uint64_t numerator,
			uint64_t denominator, uint64_t block_bits);

/* Inverts the errored ones of the `bits` bits from bit `from` of data on; bit `from` has index
 * first_bit. */
void simmux_errors_apply(struct simmux_errors *e, uint8_t *data, uint64_t from, uint64_t first_bit,
			 uint64_t bits);

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

/* A stretch of bits [begin, end). */
struct simmux_span {
	uint64_t begin;
	uint64_t end;
};

/* The part of `span` in a slab of `bits` bits that begins with bit `first`, counted from there.
 * False: none. */
bool simmux_span_cut(struct simmux_span *out, struct simmux_span span, uint64_t first,
		     uint64_t bits);

/* Sets the bits of the span (counted from data) to zero or one. */
void simmux_span_set(uint8_t *data, struct simmux_span span, bool one);

/* The bits whose instants lie in [at_ns, at_ns + lasting_ns), on a channel of frame_bits per 125
 * us. */
struct simmux_span simmux_span_of(uint64_t at_ns, uint64_t lasting_ns, uint32_t frame_bits);
