/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The network between tester and unit, emulated on what one channel plays: delay, errors, slips,
 * loss and alarms, at exact bits, the same for the same seed on every machine and however the
 * stream is cut into slabs.
 *
 *	struct evl_network_plan plan = {.seed = seed, .delay_frames = 240};	// 30 ms
 *	evl_network_create(&n, &plan, channel, EVL_RATE_E1, false, take_bits, slab_bytes, &err);
 *	evl_network_pass(n, slab, bytes);	// of the lead-in
 *	evl_network_start(n);			// the next bit that comes out is bit 0
 *	evl_network_pass(n, slab, bytes);
 *
 * What comes out is the stream as it was `delay` before, so a longer delay makes the last bits come
 * again and a shorter one leaves bits out, as when a protection switch takes the same signal from
 * another path (1+1, ITU-T G.841, from memory). A slip of n changes the delay by n bits and stays.
 *Then errors, then alarms: AIS is put over what came so far, no signal over everything.
 *
 * Instants and lengths become bits at the nominal rate, rounded down: a multiple of 125 us is a
 * whole frame of the stream, whatever clock it is played at.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/err.h"
#include "core/base/rate.h"

#define EVL_NETWORK_DELAY_FRAMES_MAX 4000u /* 500 ms; slips counted in */
#define EVL_NETWORK_EVENTS_MAX       64u
#define EVL_NETWORK_MOVES_MAX        1000000u /* slips and steps of delay, of a channel in a take */
#define EVL_NETWORK_TEXT             500u
#define EVL_NETWORK_EVERY_NS_MIN     1000000u

enum evl_network_kind {
	EVL_NETWORK_DELAY = 1, /* from then on, beside what slips have made of it */
	EVL_NETWORK_SLIP,
	EVL_NETWORK_ERRORS,
	EVL_NETWORK_BURST, /* the first and the last bit of the time are errored */
	EVL_NETWORK_INVERT,
	EVL_NETWORK_BIT, /* one errored bit */
	EVL_NETWORK_ALARM,
};

struct evl_network_event {
	enum evl_network_kind kind;
	uint64_t at_ns;      /* from the start of the take */
	uint64_t lasting_ns; /* 0 for DELAY, SLIP, BIT; else at least one bit long */
	uint64_t every_ns;   /* again each time; 0: only once */
	uint64_t times;      /* with every_ns: so often; 0: to the end */
	/* Each time begins 0 to so many frames later, by the seed; with lasting below every_ns. */
	uint64_t jitter_frames;
	uint64_t numerator, denominator; /* ERRORS, BURST: as for evl_errors_init */
	uint32_t delay_frames;
	int64_t slip_bits; /* > 0: so many bits come again; < 0: so many are left out */
	/* LOS: all zeros. AIS (E1, T1): all ones. MS-AIS (lines): frames of it, in phase with the
	 * start of the take (ITU-T G.707, from memory). RAI and LOF of the frames that evenlode
	 * makes, in whole milliseconds: evl_network_far. */
	enum evl_alarm alarm;
};

struct evl_network_plan {
	uint64_t seed; /* of the run; each channel draws its own from it */
	uint32_t delay_frames;
	uint64_t numerator, denominator; /* errors at all times; numerator 0: none */
	const struct evl_network_event *events;
	uint32_t event_count;
};

struct evl_network;

/* Gets all memory. `framed`: the channel plays frames of evenlode's own. `bits`: of the take, at
 * most; most_bytes: that come in one slab. EVL_E_INVALID, EVL_E_NOMEM: the message names the event
 * by its place in the list, from 1. */
enum evl_status evl_network_create(struct evl_network **out, const struct evl_network_plan *plan,
	uint32_t channel, enum evl_rate rate, bool framed, uint64_t bits, size_t most_bytes,
	struct evl_err *err);
void evl_network_destroy(struct evl_network *n); /* takes NULL */

/* What was in the network before the first slab is idle (alternating bits); this many frames, a
 * multiple of 8, of something else can be put in with evl_network_prime first. */
uint32_t evl_network_history_frames(const struct evl_network *n);
void evl_network_prime(struct evl_network *n, const uint8_t *data, size_t bytes);

/* Replaces what goes in by what comes out. */
void evl_network_pass(struct evl_network *n, uint8_t *data, size_t bytes);
/* The next bit is bit 0 of the take. Before that only the delay acts. */
void evl_network_start(struct evl_network *n);

/* RAI and LOF are made where the frames are made, so they enter the network at their instant and
 * come out the delay later. Which to make in the 8 frames from `frame` of the take on; in rising
 * order. */
#define EVL_NETWORK_RAI 1u
#define EVL_NETWORK_LOF 2u
uint32_t evl_network_far(struct evl_network *n, uint64_t frame);

/* For people: "delay 30 ms, errors 1e-06, AIS at 2 s for 10 ms every 1 s"; cut with "and 3 more".
 */
void evl_network_text(char *out, size_t cap, const struct evl_network_plan *plan);
