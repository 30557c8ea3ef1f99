/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which event of a network happens when, in bits of one channel; shared by network.c and
 * network_schedule.c only.
 *
 *	struct turn t = evl_schedule_turn(s, i, 0);	// the first time of event i
 *	t = evl_schedule_turn(s, i, t.number + 1);	// the next
 */
#pragma once

#include "core/engine/network.h"
#include "core/signal/impair.h"

struct schedule {
	enum evl_rate rate;
	uint32_t frame_bits;
	uint32_t event_count;
	const struct evl_network_event *event;
	uint64_t jitter_seed; /* of the channel */
};

/* One time of an event. */
struct turn {
	uint64_t number;
	struct evl_span span; /* bits of the take; begin UINT64_MAX: there is none any more */
};

/* The delay of the moment, in bits. */
struct moved {
	uint64_t path;
	int64_t slipped;
};

/* RAI and LOF, which are made in frames. */
static inline bool evl_schedule_is_far(const struct evl_network_event *e)
{
	return e->kind == EVL_NETWORK_ALARM &&
	       (e->alarm == EVL_ALARM_RAI || e->alarm == EVL_ALARM_LOF);
}

/* Changes the delay. */
static inline bool evl_schedule_is_move(const struct evl_network_event *e)
{
	return e->kind == EVL_NETWORK_DELAY || e->kind == EVL_NETWORK_SLIP;
}

/* EVL_E_INVALID names what cannot be and the event, from 1. */
enum evl_status evl_schedule_check(const struct schedule *s, bool framed, struct evl_err *err);

/* A function of channel, seed, event and number alone. */
struct turn evl_schedule_turn(const struct schedule *s, uint32_t i, uint64_t number);

/* The first bit below `end` at which the delay changes, or `end`; `turn` by event. */
uint64_t evl_schedule_next_move(const struct schedule *s, const struct turn *turn, uint64_t end);
/* All changes at bit `at`, in the order of the list; returns how many. */
uint32_t evl_schedule_move(
	const struct schedule *s, struct turn *turn, uint64_t at, struct moved *moved);

/* The longest delay of a take of `end` bits that begins with a delay of path_bits: goes through all
 * changes beforehand. EVL_E_INVALID when it would be negative or above 500 ms. */
enum evl_status evl_schedule_longest(const struct schedule *s, uint64_t path_bits, uint64_t end,
	uint64_t *longest, struct evl_err *err);
