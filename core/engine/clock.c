/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/clock.h"

#include <time.h>

#include "core/base/err.h"

static uint64_t monotonic(void)
{
	struct timespec ts;
	evl_require(clock_gettime(CLOCK_MONOTONIC, &ts) == 0);
	return (uint64_t)ts.tv_sec * 1000000000u + (uint64_t)ts.tv_nsec;
}

void evl_clock_init(struct evl_clock *c, bool is_virtual)
{
	*c = (struct evl_clock){.is_virtual = is_virtual, .base_ns = is_virtual ? 0 : monotonic()};
}

uint64_t evl_clock_now(const struct evl_clock *c)
{
	return c->is_virtual ? c->now_ns : monotonic() - c->base_ns;
}

uint64_t evl_clock_for_adapters(const struct evl_clock *c, uint64_t at_ns)
{
	return c->base_ns + at_ns;
}

bool evl_clock_reach(struct evl_clock *c, uint64_t at_ns)
{
	if (c->is_virtual) {
		bool past = at_ns < c->now_ns;
		if (!past) {
			c->now_ns = at_ns;
		}
		return past;
	}
	if (evl_clock_now(c) > at_ns) {
		return true;
	}
	uint64_t abs = c->base_ns + at_ns;
	struct timespec ts = {
		.tv_sec = (time_t)(abs / 1000000000u), .tv_nsec = (long)(abs % 1000000000u)};
	/* Interrupted by a signal: come back early, the caller looks at its stop flag. */
	clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &ts, NULL);
	return false;
}
