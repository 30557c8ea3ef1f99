/* SPDX-License-Identifier: Apache-2.0 */
/* Shared by the tests of E1 and T1 framers: a log of events, random bytes, bits by hand. */
#pragma once

#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"

struct pdh_event {
	enum evl_alarm alarm;
	bool raised;
	uint64_t at;
};

struct pdh_log {
	struct pdh_event e[4096];
	size_t n;
};

static inline void pdh_log_add(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t at)
{
	struct pdh_log *log = ctx;
	assert_int_equal(channel, 7);
	assert_true(log->n < 4096);
	log->e[log->n++] = (struct pdh_event){alarm, raised, at};
}

/* The i-th event of this alarm; fails when there is none. */
static inline struct pdh_event pdh_log_of(const struct pdh_log *log, enum evl_alarm alarm, size_t i)
{
	for (size_t k = 0; k < log->n; k++) {
		if (log->e[k].alarm == alarm && i-- == 0) {
			return log->e[k];
		}
	}
	fail_msg("no such event of %s", evl_alarm_name(alarm));
	abort();
}

static inline size_t pdh_log_count(const struct pdh_log *log, enum evl_alarm alarm)
{
	size_t n = 0;
	for (size_t k = 0; k < log->n; k++) {
		n += log->e[k].alarm == alarm;
	}
	return n;
}

static inline void pdh_expect(
	const struct pdh_log *log, enum evl_alarm alarm, size_t i, bool raised, uint64_t at)
{
	struct pdh_event e = pdh_log_of(log, alarm, i);
	if (e.raised != raised || e.at != at) {
		fail_msg("%s event %zu: %d at %llu, expected %d at %llu", evl_alarm_name(alarm), i,
			e.raised, (unsigned long long)e.at, raised, (unsigned long long)at);
	}
}

/* The events of one call, from the first-th on, are in the order of their bits. */
static inline void pdh_expect_order(const struct pdh_log *log, size_t first)
{
	for (size_t k = first + 1; k < log->n; k++) {
		if (log->e[k].at < log->e[k - 1].at) {
			fail_msg("event %zu: %s at %llu after %s at %llu", k,
				evl_alarm_name(log->e[k].alarm), (unsigned long long)log->e[k].at,
				evl_alarm_name(log->e[k - 1].alarm),
				(unsigned long long)log->e[k - 1].at);
		}
	}
}

static inline void pdh_random(struct evl_rng *rng, uint8_t *p, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		p[i] = (uint8_t)evl_rng_next(rng);
	}
}

/* Division by hand, bit by bit: x^width + poly; n bits from bit `from` of p. */
static inline unsigned pdh_divide(
	unsigned crc, unsigned width, unsigned poly, const uint8_t *p, uint64_t from, uint64_t n)
{
	for (uint64_t i = from; i < from + n; i++) {
		unsigned top = (crc >> (width - 1) & 1) ^ evl_bits_get(p, i);
		crc = (crc << 1 & ((1u << width) - 1)) ^ (top ? poly : 0);
	}
	return crc;
}

static inline void pdh_set(uint8_t *p, uint64_t bit, bool on)
{
	if (evl_bits_get(p, bit) != on) {
		evl_bits_flip(p, bit);
	}
}
