/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which bits of a recorded channel are played, or expected, at which bit of a take: a window of the
 * recording, once or in rounds, with idle bits (EVL_TAKE_IDLE) before, between and after.
 *
 *	struct evl_take_window w = {.from_bit = 4096000, .bits = 10240000, .times = 3,
 *		.seam_bits = 4096};
 *	struct evl_window_run run;
 *	evl_window_at(&w, bit, &run);	// what is there, and for how many bits
 *
 *	| lead | round 0: bits | seam | round 1: bits | seam | round 2: bits | idle ...
 *
 * All numbers of bits are multiples of 8. Pure functions.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct evl_take_window {
	uint64_t from_bit;    /* of the recorded channel: first bit of each round */
	uint64_t bits;        /* of one round; 0: the whole channel, once, with nothing before */
	uint64_t times;       /* rounds; 0 is as 1 */
	uint64_t lead_bits;   /* idle before the first round */
	uint64_t seam_bits;   /* idle between two rounds */
	uint64_t settle_bits; /* EXPECTED: at the beginning of each round, not compared: what comes
			       * back then was sent before it */
	bool then_idle;       /* the take may be longer; without it that is refused */
};

/* What holds from one bit of the take on. */
struct evl_window_run {
	bool recorded;    /* else idle */
	uint64_t rec_bit; /* recorded: that bit of the channel */
	uint64_t into;    /* recorded: bits since the beginning of the round ... */
	uint64_t round;   /* ... and which it is, from 0 */
	uint64_t bits;    /* it holds for so many; UINT64_MAX & ~7 at the end: for ever */
};

/* Bits from the start of the take to the end of the last round. */
uint64_t evl_window_end(const struct evl_take_window *w);
void evl_window_at(const struct evl_take_window *w, uint64_t bit, struct evl_window_run *run);
