/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/delay.h"

#include <inttypes.h>

#define PER_S    1000000000u
#define RATE_MAX UINT64_C(10000000000)

uint64_t evl_delay_ns(uint64_t bits, uint64_t bits_per_s)
{
	evl_require(bits_per_s >= 1 && bits_per_s <= RATE_MAX);
	uint64_t seconds = bits / bits_per_s;
	uint64_t rest = (bits % bits_per_s * PER_S + bits_per_s / 2) / bits_per_s;
	if (seconds > (UINT64_MAX - rest) / PER_S) {
		return UINT64_MAX;
	}
	return seconds * PER_S + rest;
}

uint64_t evl_delay_range_ns(const struct evl_pattern *pattern, uint64_t bits_per_s)
{
	return evl_delay_ns(evl_pattern_period(pattern), bits_per_s);
}

enum evl_status evl_delay_choose(
	struct evl_pattern *out, uint64_t most_ns, uint64_t bits_per_s, struct evl_err *err)
{
	static const enum evl_prbs_kind kinds[] = {
		EVL_PRBS15, EVL_PRBS20, EVL_PRBS23, EVL_PRBS29, EVL_PRBS31};
	for (size_t i = 0; i < sizeof(kinds) / sizeof(kinds[0]); i++) {
		*out = evl_pattern_prbs(kinds[i]);
		uint64_t range = evl_delay_range_ns(out, bits_per_s);
		if (range - range / 64 > most_ns) {
			return EVL_OK;
		}
	}
	return evl_err_set(err, EVL_E_LIMIT,
		"a delay of %" PRIu64 " ms at %" PRIu64
		" bit/s is longer than any pattern; use the counter pattern",
		most_ns / 1000000, bits_per_s);
}
