/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The one clock of a run: nanoseconds since it was made. Virtual: moves only when slabs are
 * exchanged, as fast as the machine allows. Real: CLOCK_MONOTONIC with absolute deadlines.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct evl_clock {
	bool is_virtual;
	uint64_t now_ns;  /* virtual time; unused on the real clock */
	uint64_t base_ns; /* CLOCK_MONOTONIC at its beginning; 0 on the virtual clock */
};

void evl_clock_init(struct evl_clock *c, bool is_virtual);
uint64_t evl_clock_now(const struct evl_clock *c);
/* The same instant as adapters count it: virtual time, or CLOCK_MONOTONIC. */
uint64_t evl_clock_for_adapters(const struct evl_clock *c, uint64_t at_ns);
/* Virtual: jumps there (never back). Real: sleeps until then; true when it was already past. */
bool evl_clock_reach(struct evl_clock *c, uint64_t at_ns);
