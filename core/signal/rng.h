/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Seeded random numbers, the same on every machine: xoshiro256** 1.0 by David Blackman and
 * Sebastiano Vigna, started by splitmix64 (both dedicated to the public domain, CC0,
 * https://prng.di.unimi.it/). Not for secrets.
 *
 *	struct evl_rng rng;
 *	struct evl_rng_gap gap;
 *	evl_rng_init(&rng, run_seed, channel);
 *	evl_rng_gap_init(&gap, 1, 1000000);	// an error ratio of 1e-6
 *	uint64_t good_bits = evl_rng_gap_next(&gap, &rng);
 */
#pragma once

#include <stdint.h>

struct evl_rng {
	uint64_t s[4];
};

/* Streams of one seed are independent of each other for all practical purposes: use one for each
 * channel, so that a draw on one never shifts another. */
void evl_rng_init(struct evl_rng *rng, uint64_t seed, uint64_t stream);

uint64_t evl_rng_next(struct evl_rng *rng);

/* Uniform in 0 .. bound-1 without bias; bound is not 0. */
uint64_t evl_rng_below(struct evl_rng *rng, uint64_t bound);

/* One step of splitmix64: advances *state and returns the mixed value. */
uint64_t evl_splitmix64(uint64_t *state);

/*
 * Gaps between random errors: the number of good bits before the next errored one, when every bit
 * is errored with probability numerator/denominator independently of the others (geometric).
 *
 * No logarithm is used, as that of one C library may differ from another's in the last place. The
 * binary digits of a geometric number are independent: with q = 1 - p digit j is 1 with probability
 * q^(2^j) / (1 + q^(2^j)). The thresholds follow from IEEE 754 multiplication, subtraction and
 * division alone, which are exact to the last bit everywhere, then become integers.
 */
#define EVL_RNG_GAP_DIGITS 64

struct evl_rng_gap {
	uint64_t threshold[EVL_RNG_GAP_DIGITS]; /* digit j is 1 when the next draw is below it */
	unsigned digits;                        /* higher digits are 0 with certainty (< 2^-53) */
	uint64_t fixed;                         /* the answer when digits is 0 */
};

/* 0 <= numerator <= denominator, 1 <= denominator <= 2^53. With ratio 0 each gap is UINT64_MAX,
 * with ratio 1 each is 0. */
void evl_rng_gap_init(struct evl_rng_gap *gap, uint64_t numerator, uint64_t denominator);

uint64_t evl_rng_gap_next(const struct evl_rng_gap *gap, struct evl_rng *rng);
