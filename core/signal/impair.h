/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What is done to a bit stream on purpose: bit errors one by one, at a ratio, in bursts; inversion;
 * slips. Over slabs, at exact bit offsets, the same for the same seed however the stream is cut.
 * Nothing here allocates.
 *
 *	struct evl_errors e;
 *	evl_errors_init(&e, seed, channel, 1, 1000000, 16384);	// a ratio of 1e-6
 *	evl_errors_apply(&e, slab, 0, first_bit, 8 * bytes);
 *	evl_impair_single(slab, first_bit, 8 * bytes, 123456);	// one error, in that bit
 *
 * "first_bit" is always the index in the stream of the first bit of the slab.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/signal/rng.h"

/* A stretch of bits [begin, end) of the stream. */
struct evl_span {
	uint64_t begin;
	uint64_t end;
};

/* The part of `span` in a slab of `bits` bits, counted from the slab's first. False: none. */
bool evl_span_cut(struct evl_span *out, struct evl_span span, uint64_t first_bit, uint64_t bits);

/*
 * Errors at a ratio, every bit independent of the others. Which bits are errored is a function of
 * seed, stream, ratio and the index of the bit alone: time is cut into blocks, each with its own
 * random numbers, so that any stretch can be made without the ones before it.
 */
struct evl_errors {
	uint64_t seed;
	uint64_t stream;
	uint64_t block_bits;
	struct evl_rng_gap gap;
	struct evl_rng rng; /* of `block`, when next_bit is in it */
	uint64_t block;
	uint64_t next_bit; /* first errored bit of `block` not yet passed, or behind the block */
	uint64_t passed;   /* first bit not yet looked at */
	bool ready;        /* block, next_bit and passed are set */
};

/* stream: 0..255. The ratio as for evl_rng_gap_init. block_bits: part of what defines the errors;
 * a slab's length is a good choice. */
void evl_errors_init(struct evl_errors *e, uint64_t seed, uint64_t stream, uint64_t numerator,
	uint64_t denominator, uint64_t block_bits);

/* Inverts the errored ones of the `bits` bits from bit `from` of data on; bit `from` has the index
 * first_bit in the stream. Returns how many. */
uint64_t evl_errors_apply(
	struct evl_errors *e, uint8_t *data, uint64_t from, uint64_t first_bit, uint64_t bits);

/* Inverts bit `at` of the stream if it lies in the slab; says whether. */
bool evl_impair_single(uint8_t *data, uint64_t first_bit, uint64_t bits, uint64_t at);

/* Inverts all bits of the span that lie in the slab; returns how many. */
uint64_t evl_impair_invert(uint8_t *data, uint64_t first_bit, uint64_t bits, struct evl_span span);

/* A burst: first and last bit of the span are errored, those between with the density of the
 * errors inside. Returns how many. */
uint64_t evl_impair_burst(struct evl_errors *density, uint8_t *data, uint64_t first_bit,
	uint64_t bits, struct evl_span span);

/*
 * Slips: an elastic store between input and output. It begins with a delay of room / 2 bits and
 * idle ones in it; a slip of +n makes the last n bits come again (the delay grows by n), one of -n
 * leaves the next n out. Octets are 8 bits, an E1 frame 256, a T1 frame 193.
 */
struct evl_slipper {
	uint8_t *ring; /* the caller's */
	uint64_t ring_bits;
	uint64_t written; /* bits in so far */
	uint64_t delay_bits;
	uint64_t room_bits;
};

/* Bytes of memory that slips of up to room_bits in sum need with slabs of at most slab_bytes. */
size_t evl_slipper_bytes(uint64_t room_bits, size_t slab_bytes);

/* `memory` has evl_slipper_bytes bytes and stays with the caller. room_bits: even, at least 2. */
void evl_slipper_init(
	struct evl_slipper *s, uint8_t *memory, uint64_t room_bits, size_t slab_bytes);

/* Replaces the slab by what comes out. The slip happens before its output bit `at` (below 8 *
 * bytes); slip_bits 0: none. EVL_E_LIMIT when the store would run empty or over: nothing is done
 * then, the slab stays as it was and is not taken in. */
enum evl_status evl_slipper_apply(struct evl_slipper *s, uint8_t *data, size_t bytes, uint64_t at,
	int64_t slip_bits, struct evl_err *err);
