/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Transit and round-trip delay from the phase of a pattern: the sender knows which bit of the
 * pattern it sent at an instant, a receiver that is synchronised knows which bit arrives; the
 * difference is the delay in bits, exact to one bit, modulo one period of the pattern.
 *
 *	struct evl_pattern p;
 *	if (evl_delay_choose(&p, 500000000, 2048000, &err) < 0) { ... }		// up to 500 ms at
 *E1
 *	...
 *	uint64_t bits = evl_checker_delay_bits(&checker, sent_phase);
 *	printf("%" PRIu64 " ns of at most %" PRIu64 "\n", evl_delay_ns(bits, 2048000),
 *	       evl_delay_range_ns(&p, 2048000));
 *
 * Delay variation: moved_bits, moved_least_bits and moved_most_bits of struct evl_checker.
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/signal/pattern.h"

/* The time that `bits` take, to the nearest nanosecond; UINT64_MAX when it is longer than that can
 * say. 1 <= bits_per_s <= 10^10. */
uint64_t evl_delay_ns(uint64_t bits, uint64_t bits_per_s);

/* Delays below this can be told: one period of the pattern. */
uint64_t evl_delay_range_ns(const struct evl_pattern *pattern, uint64_t bits_per_s);

/* The shortest of 2^15-1, 2^20-1, 2^23-1, 2^29-1 and 2^31-1 whose period exceeds most_ns by at
 * least one part in 64, so that variation does not wrap. EVL_E_LIMIT: not even 2^31-1 lasts so
 * long. */
enum evl_status evl_delay_choose(
	struct evl_pattern *out, uint64_t most_ns, uint64_t bits_per_s, struct evl_err *err);
