/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A look at the take that is running, for people who watch it. It changes nothing.
 *
 *	struct evl_look *looks = calloc(evl_engine_channel_count(engine), sizeof *looks);
 *	evl_engine_look(engine, looks);		// from a callback of the sink
 *	printf("%s: %s\n", evl_engine_channel(engine, 0)->label, evl_look_name(looks[0].state));
 */
#pragma once

#include <stdint.h>

struct evl_engine;

enum evl_look_state {
	EVL_LOOK_IDLE = 0,  /* not in this take, or there is none */
	EVL_LOOK_MOVING,    /* in the take; nothing is expected of it */
	EVL_LOOK_SEARCHING, /* what is expected was not found yet, or was lost */
	EVL_LOOK_IN_SYNC,   /* what is expected comes */
	EVL_LOOK_COUNT
};

struct evl_look {
	enum evl_look_state state;
	uint64_t bits; /* compared in this take */
	uint64_t errors;
	uint64_t alarms; /* bit n: enum evl_alarm n stands, told by the unit or seen in the bits */
};

const char *evl_look_name(enum evl_look_state state); /* "in sync" */

/* Fills `out`, evl_engine_channel_count() entries. A channel that is checked in two places shows
 * the worse state and the sum of both. Only from the thread that runs the take. */
void evl_engine_look(const struct evl_engine *engine, struct evl_look *out);
