/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The one clock of a run, in nanoseconds. Virtual: begins at 0 and moves only when slabs are
 * exchanged, as fast as the machine allows. Real: CLOCK_MONOTONIC with absolute deadlines.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct evl_clock {
	bool is_virtual;
	uint64_t now_ns; /* virtual time; unused on the real clock */
};

void evl_clock_init(struct evl_clock *c, bool is_virtual);
uint64_t evl_clock_now(const struct evl_clock *c);
/* Virtual: jumps there (never back). Real: sleeps until then; true when it was already past. */
bool evl_clock_reach(struct evl_clock *c, uint64_t at_ns);
