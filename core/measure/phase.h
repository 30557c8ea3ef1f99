/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which channel's pattern arrives where. Every channel sends the same pattern at a phase of its
 *own; a receiver that knows the phase it sees knows whose pattern it is, once the transit delay
 *that all channels share is known. That delay is found from the phases themselves.
 *
 *	uint32_t sent[63];
 *	evl_phase_assign(sent, 63, &pattern, seed, &err);
 *	...
 *	struct evl_phase_seen seen[63] = ...;		// from struct evl_checker
 *	struct evl_phase_arrival at[63];
 *	struct evl_phase_match m;
 *	evl_phase_match(&m, at, sent, seen, 63, &pattern, 30720, 32, &err);
 *	if (at[6].place == EVL_PHASE_CROSSED) { ... channel at[6].channel arrives at 6 ... }
 *
 * With 2^15-1 at 2048 kbit/s delays of up to 16 ms can be told apart (one period).
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/signal/pattern.h"

/* Chooses n phases: distinct, at least period / (2 n) apart (round the period), in no order, and so
 * that no wrong delay explains more than half of the channels (a third in most cases; 1 for n < 8)
 * with a tolerance of 32 bits; thus a shift of all channels by one is noticed. The same seed,
 * period and n give the same phases on every machine. EVL_E_INVALID when n is 0, above 1024, or
 * above period / 256 (evl_pattern_identity says beforehand), and for the counter pattern, whose
 * blocks carry the channel. */
enum evl_status evl_phase_assign(uint32_t *out, size_t n, const struct evl_pattern *pattern,
	uint64_t seed, struct evl_err *err);

#define EVL_PHASE_CHANNELS_MAX 1024

/* The tolerance that evl_phase_assign allows for. */
#define EVL_PHASE_TOLERANCE_BITS 32

struct evl_phase_seen {
	bool present;    /* a pattern was found (struct evl_checker ever_locked) */
	uint32_t offset; /* phase of bit 0 of the received stream (struct evl_checker offset) */
};

enum evl_phase_place {
	EVL_PHASE_NOTHING,   /* no pattern */
	EVL_PHASE_OWN,       /* own pattern at the common delay */
	EVL_PHASE_CROSSED,   /* the pattern of another channel at the common delay */
	EVL_PHASE_DEVIATING, /* fits no channel at the common delay: taken as own, delay deviates */
};

struct evl_phase_arrival {
	enum evl_phase_place place;
	size_t channel;          /* whose pattern: own index, or the other's when crossed */
	uint32_t delay_bits;     /* transit delay of that pattern, 0 .. period-1 */
	uint32_t own_delay_bits; /* what the delay would be if the pattern were the own one */
};

struct evl_phase_match {
	uint32_t delay_bits; /* the common delay: middle of those that agree */
	size_t agree;        /* receivers that fit it, own or crossed */
	size_t second;       /* receivers that fit the next best delay, apart by > 2 tolerances */
	bool certain;        /* agree > second, so the delay is not a matter of chance */
	size_t own, crossed, deviating, nothing; /* receivers by place */
};

const char *evl_phase_place_name(enum evl_phase_place place);

/*
 * Sorts out n receivers; receiver i belongs to channel i. `at` gets n entries. Delays of more than
 * max_delay_bits (below the period) are not considered for the common delay; receivers within
 * tolerance_bits of it agree with it. Where two delays explain equally many receivers, the one with
 * more own patterns is taken, then the smaller; `certain` is false then. EVL_E_INVALID when two
 * sent phases lie within twice the tolerance. Allocates n * n entries while it works.
 */
enum evl_status evl_phase_match(struct evl_phase_match *m, struct evl_phase_arrival *at,
	const uint32_t *sent, const struct evl_phase_seen *seen, size_t n,
	const struct evl_pattern *pattern, uint32_t max_delay_bits, uint32_t tolerance_bits,
	struct evl_err *err);
