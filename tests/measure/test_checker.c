/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The checker against a model of its stated rule that works bit by bit on a register with the
 * stages of ITU-T O.150 clause 5, and against streams whose errors, slips and gaps are known
 * because this test made them. Loss at an error ratio of 0.2: O.151 (from memory; the window is
 * ours).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/measure/checker.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"

/* Every pseudo-random pattern of O.150: stages n and k, inverted on the line. */
static const struct stages {
	unsigned n, k;
	bool inverted;
} stages[EVL_PRBS_KINDS] = {
	[EVL_PRBS9] = {9, 5, false},
	[EVL_PRBS11] = {11, 9, false},
	[EVL_PRBS15] = {15, 14, true},
	[EVL_PRBS20] = {20, 3, false},
	[EVL_QRSS] = {20, 17, false},
	[EVL_PRBS23] = {23, 18, true},
	[EVL_PRBS29] = {29, 27, true},
	[EVL_PRBS31] = {31, 28, true},
};

static void init(struct evl_checker *c, enum evl_prbs_kind kind)
{
	struct evl_pattern pattern = evl_pattern_prbs(kind);
	evl_checker_init(c, &pattern);
}

/* `bits` bits of the pattern from `phase` on, to any bit offset of a buffer. */
static void put_pattern(
	uint8_t *dst, uint64_t at, enum evl_prbs_kind kind, uint64_t phase, uint64_t bits)
{
	size_t bytes = (size_t)(bits + 7) / 8;
	uint8_t *data = malloc(bytes > 0 ? bytes : 1);
	assert_non_null(data);
	struct evl_prbs p;
	evl_prbs_init(&p, kind, phase);
	evl_prbs_fill(&p, data, bytes);
	evl_bits_copy(dst, at, data, 0, bits);
	free(data);
}

static void put_random(struct evl_rng *rng, uint8_t *data, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)evl_rng_next(rng);
	}
}

static void invert(uint8_t *data, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)~data[i];
	}
}

#define STREAM 8192 /* bytes */

static void clean_at_any_phase(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 20, 0);
	static uint8_t data[STREAM];
	for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
		unsigned n = evl_prbs_order(v);
		for (int round = 0; round < 200; round++) {
			uint32_t phase = (uint32_t)evl_rng_below(&rng, evl_prbs_period(v));
			bool inverted = round % 5 == 0;
			put_pattern(data, 0, v, phase, STREAM * 8);
			if (inverted) {
				invert(data, STREAM);
			}
			struct evl_checker c;
			init(&c, v);
			evl_checker_feed(&c, data, STREAM);
			assert_true(c.locked && c.ever_locked);
			assert_int_equal(c.inverted, inverted);
			assert_int_equal(c.offset, phase);
			/* A forced bit of QRSS disturbs the recurrence until it is 20 bits back. */
			assert_in_range(
				c.first_lock_bit, n + 64, v == EVL_QRSS ? 2 * (n + 64) : n + 64);
			assert_int_equal(c.bits, STREAM * 8 - c.first_lock_bit);
			assert_int_equal(c.errors, 0);
			assert_int_equal(c.sync_losses, 0);
			assert_int_equal(c.slips, 0);
			assert_int_equal(c.errored_slabs, 0);
			uint32_t sent = (phase + 777) % evl_prbs_period(v);
			assert_int_equal(
				evl_checker_delay_bits(&c, sent), 777 % evl_prbs_period(v));
		}
	}
}

/* Each isolated error counts once, at its place. */
static void errors_at_known_places(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 21, 0);
	static uint8_t data[STREAM];
	for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
		for (int round = 0; round < 200; round++) {
			uint32_t phase = (uint32_t)evl_rng_below(&rng, evl_prbs_period(v));
			put_pattern(data, 0, v, phase, STREAM * 8);
			uint64_t where[40];
			uint64_t at = 100;
			size_t n = 1 + (size_t)evl_rng_below(&rng, 40);
			for (size_t i = 0; i < n; i++) {
				at += 1 + evl_rng_below(&rng, 1500);
				where[i] = at;
				evl_bits_flip(data, at);
			}
			if (round % 2) {
				invert(data, STREAM);
			}
			struct evl_checker c;
			init(&c, v);
			size_t slab = 1 + (size_t)evl_rng_below(&rng, 600);
			uint64_t errored = 0;
			for (size_t b = 0; b < STREAM; b += slab) {
				size_t part = STREAM - b < slab ? STREAM - b : slab;
				evl_checker_feed(&c, data + b, part);
				bool hit = false;
				for (size_t i = 0; i < n; i++) {
					hit |= where[i] / 8 >= b && where[i] / 8 < b + part;
				}
				errored += hit;
			}
			size_t kept = n < EVL_CHECKER_ERRORS_KEPT ? n : EVL_CHECKER_ERRORS_KEPT;
			assert_int_equal(c.errors, n);
			assert_int_equal(c.error_positions, kept);
			assert_memory_equal(c.error_bit, where, kept * sizeof(where[0]));
			assert_int_equal(c.errored_slabs, errored);
			assert_int_equal(c.sync_losses, 0);
			assert_int_equal(c.offset, phase);
		}
	}
}

/* Bits put in (repeated) or left out in mid-stream. */
static void slips(void **state)
{
	(void)state;
	static const int distance[] = {1, -1, 8, -8, 256, -256, 3, -77, 16000, -16000};
	struct evl_rng rng;
	evl_rng_init(&rng, 22, 0);
	static uint8_t data[STREAM];
	for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
		uint32_t period = evl_prbs_period(v);
		for (size_t d = 0; d < sizeof(distance) / sizeof(distance[0]); d++) {
			if ((uint32_t)abs(distance[d]) > period / 2) {
				continue; /* a shorter way round */
			}
			for (int round = 0; round < 20; round++) {
				uint32_t phase = (uint32_t)evl_rng_below(&rng, period);
				uint64_t at = 5000 + evl_rng_below(&rng, 5000);
				put_pattern(data, 0, v, phase, at);
				put_pattern(data, at, v,
					phase + at + period - (uint64_t)(int64_t)distance[d],
					STREAM * 8 - at);
				struct evl_checker c;
				init(&c, v);
				evl_checker_feed(&c, data, STREAM);
				assert_true(c.locked);
				assert_int_equal(c.sync_losses, 1);
				assert_int_equal(c.slips, 1);
				assert_int_equal(c.last_slip_bits, distance[d]);
				assert_int_equal(c.octet_slips, distance[d] % 8 == 0);
				assert_int_equal(c.moved_bits, distance[d]);
				assert_int_equal(
					c.moved_most_bits, distance[d] > 0 ? distance[d] : 0);
				assert_int_equal(
					c.moved_least_bits, distance[d] < 0 ? distance[d] : 0);
				assert_int_equal(c.errors > 0, 1);
				assert_int_equal(c.sync_events, 3);
				assert_int_equal(c.event[0].kind, EVL_SYNC_FOUND);
				assert_int_equal(c.event[0].slip_bits, 0);
				assert_int_equal(c.event[1].kind, EVL_SYNC_LOST);
				assert_int_equal(c.event[2].kind, EVL_SYNC_FOUND);
				assert_int_equal(c.event[2].slip_bits, distance[d]);
				/* Noticed within two windows, found again 64 + n bits later. */
				assert_true(c.event[1].bit > at && c.event[1].bit <= at + 1024);
				assert_in_range(c.event[2].bit,
					c.event[1].bit + 64 + evl_prbs_order(v),
					c.event[1].bit + (v == EVL_QRSS ? 2u : 1u) *
								 (64 + evl_prbs_order(v)));
				for (size_t i = 0; i < c.error_positions; i++) {
					assert_true(c.error_bit[i] >= at);
					assert_true(c.error_bit[i] < c.event[1].bit);
				}
			}
		}
	}
}

/* Gone and back at the same place: a loss, no slip. */
static void gap_without_slip(void **state)
{
	(void)state;
	static uint8_t data[STREAM];
	put_pattern(data, 0, EVL_PRBS15, 99, STREAM * 8);
	memset(data + 2000, 0xff, 3000);
	struct evl_checker c;
	init(&c, EVL_PRBS15);
	evl_checker_feed(&c, data, STREAM);
	assert_true(c.locked);
	assert_int_equal(c.sync_losses, 1);
	assert_int_equal(c.slips, 0);
	assert_int_equal(c.offset, 99);
	/* All ones are wrong wherever the pattern has a zero: the errors are within one window and
	 * are those of the window that ended in loss, and of a part of the one before. */
	assert_true(c.loss_errors >= EVL_CHECKER_LOSS_ERRORS && c.loss_errors <= 512);
	assert_true(c.errors - c.loss_errors < EVL_CHECKER_LOSS_ERRORS);
	assert_true(c.bits <= STREAM * 8 - (3000 - 128) * 8 - 2 * (15 + 64));
}

static void never_locks(void **state)
{
	(void)state;
	size_t bytes = 1 << 20;
	uint8_t *data = malloc(bytes);
	assert_non_null(data);
	struct evl_rng rng;
	evl_rng_init(&rng, 23, 0);
	/* AIS, all zeros, alternating, 1 in 8, 2 in 8, 3 in 24 (ANSI T1.403 test patterns, from
	 * memory), an E1 idle frame, random data. */
	for (int kind = 0; kind < 8; kind++) {
		static const uint8_t fixed[] = {0xff, 0x00, 0xaa, 0x40, 0x42};
		static const uint8_t three[3] = {0x44, 0x00, 0x04};
		for (size_t i = 0; i < bytes; i++) {
			data[i] = kind < 5    ? fixed[kind]
				  : kind == 5 ? three[i % 3]
				  : kind == 6 ? (uint8_t)(i % 64 == 0    ? 0x9b
							  : i % 64 == 32 ? 0xdf
									 : 0xd5)
					      : (uint8_t)evl_rng_next(&rng);
		}
		for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
			struct evl_checker c;
			init(&c, v);
			evl_checker_feed(&c, data, bytes);
			assert_false(c.ever_locked);
			assert_int_equal(c.bits, 0);
			assert_int_equal(c.errors, 0);
			assert_int_equal(c.fed_bits, bytes * 8);
		}
	}
	/* Nor does one pattern pass for the other. */
	for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
		put_pattern(data, 0, v, 5, bytes * 8);
		for (int other = 0; other < EVL_PRBS_KINDS - 1; other++) {
			struct evl_checker c;
			init(&c, (enum evl_prbs_kind)((v + 1 + other) % EVL_PRBS_KINDS));
			evl_checker_feed(&c, data, bytes);
			assert_false(c.ever_locked);
		}
	}
	free(data);
}

/* AIS or noise first, the pattern from the middle of a byte on. */
static void lock_in_the_middle(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 24, 0);
	static uint8_t data[STREAM];
	for (enum evl_prbs_kind v = 0; v < EVL_PRBS_KINDS; v++) {
		unsigned n = evl_prbs_order(v);
		for (int round = 0; round < 200; round++) {
			if (round % 2) {
				memset(data, 0xff, STREAM);
			} else {
				put_random(&rng, data, STREAM);
			}
			uint64_t at = 1 + evl_rng_below(&rng, 10000);
			uint32_t phase = (uint32_t)evl_rng_below(&rng, evl_prbs_period(v));
			put_pattern(data, at, v, phase, STREAM * 8 - at);
			struct evl_checker c;
			init(&c, v);
			evl_checker_feed(&c, data, STREAM);
			assert_true(c.locked);
			assert_int_equal((c.offset + at) % evl_prbs_period(v), phase);
			/* Bits before `at` may by chance be those of the pattern, rarely many. */
			assert_true(c.first_lock_bit <= at + (v == EVL_QRSS ? 2 : 1) * (n + 64));
			assert_true(c.first_lock_bit > at + n + 64 - 40);
			assert_int_equal(c.bits, STREAM * 8 - c.first_lock_bit);
			assert_int_equal(c.errors, 0);
		}
	}
}

/* 102 errors in a window of 512 are below 0.2, 103 are not. */
static void loss_threshold(void **state)
{
	(void)state;
	for (uint64_t errors = 102; errors <= 103; errors++) {
		static uint8_t data[STREAM];
		put_pattern(data, 0, EVL_PRBS15, 0, STREAM * 8);
		for (uint64_t i = 0; i < errors; i++) {
			evl_bits_flip(data, 1024 + i * 3);
		}
		struct evl_checker c;
		init(&c, EVL_PRBS15);
		evl_checker_feed(&c, data, STREAM);
		assert_int_equal(c.errors, errors);
		assert_int_equal(c.sync_losses, errors == 103);
		assert_int_equal(c.loss_errors, errors == 103 ? 103 : 0);
		assert_int_equal(c.loss_bits, errors == 103 ? 512 : 0);
		assert_int_equal(c.slips, 0);
		if (errors == 103) {
			assert_int_equal(c.event[1].bit, 1536);
			assert_int_equal(c.event[1].first_error_bit, 1024);
			assert_int_equal(c.bits, STREAM * 8 - 2 * (15 + 64));
		}
	}
}

/* Random errors at a ratio of 0.05 are counted to the last one; at 0.35 the pattern is lost. */
static void heavy_errors(void **state)
{
	(void)state;
	size_t bytes = 1 << 18;
	uint8_t *data = malloc(bytes);
	assert_non_null(data);
	for (uint64_t percent = 5; percent <= 35; percent += 30) {
		struct evl_rng rng;
		struct evl_rng_gap gap;
		evl_rng_init(&rng, 25, percent);
		evl_rng_gap_init(&gap, percent, 100);
		put_pattern(data, 0, EVL_PRBS23, 1234567, bytes * 8);
		uint64_t made = 0;
		for (uint64_t at = 100 + evl_rng_gap_next(&gap, &rng); at < bytes * 8;
			at += 1 + evl_rng_gap_next(&gap, &rng)) {
			evl_bits_flip(data, at);
			made++;
		}
		struct evl_checker c;
		init(&c, EVL_PRBS23);
		evl_checker_feed(&c, data, bytes);
		if (percent == 5) {
			assert_int_equal(c.errors, made);
			assert_int_equal(c.sync_losses, 0);
		} else {
			assert_true(c.sync_losses > 0);
			assert_int_equal(c.slips, 0);
		}
	}
	free(data);
}

/* The rule of checker.h, bit by bit. */
struct model {
	bool locked, ever, inverted;
	uint64_t bits, errors, losses, slips, events, first_lock, run, since, window_errors;
	uint64_t loss_errors;
	int64_t offset, slip;
	bool run_value;
};

static void model_run(struct model *m, enum evl_prbs_kind kind, const uint8_t *data, size_t bytes)
{
	unsigned n = stages[kind].n, k = stages[kind].k;
	int64_t period = ((int64_t)1 << n) - 1;
	memset(m, 0, sizeof(*m));
	uint8_t reg[31] = {0}; /* the next bit is reg[k-1 back] ^ reg[n-1 back]; newest first */
	for (uint64_t i = 0; i < bytes * 8; i++) {
		bool bit = evl_bits_get(data, i);
		if (m->locked) {
			uint8_t s = reg[k - 1] ^ reg[n - 1];
			memmove(reg + 1, reg, n - 1);
			reg[0] = s;
			bool out = s;
			if (kind == EVL_QRSS) {
				/* 1 where this bit and the next 14 are 0. */
				uint8_t r[20];
				memcpy(r, reg, sizeof(r));
				bool any = s;
				for (unsigned j = 0; j < 14; j++) {
					uint8_t next = r[k - 1] ^ r[n - 1];
					memmove(r + 1, r, n - 1);
					r[0] = next;
					any |= next;
				}
				out = s || !any;
			}
			bool expected = out ^ stages[kind].inverted ^ m->inverted;
			m->bits++;
			m->errors += bit != expected;
			m->window_errors += bit != expected;
		} else {
			m->since++;
			if (m->since > n) {
				bool agrees = evl_bits_get(data, i) ^ evl_bits_get(data, i - k) ^
					      evl_bits_get(data, i - n);
				m->run = agrees == m->run_value ? m->run + 1 : 1;
				m->run_value = agrees;
				uint8_t any = 0;
				for (unsigned j = 0; j < n; j++) {
					reg[j] = evl_bits_get(data, i - j) ^ (m->run_value ? 1 : 0);
					any |= reg[j];
				}
				if (m->run >= 64 && any) {
					uint32_t window = 0;
					for (unsigned j = n; j-- > 0;) {
						window = window << 1 | reg[j];
					}
					int64_t phase =
						evl_prbs_index_of(kind, window) + (int64_t)n;
					int64_t offset = (phase - (int64_t)(i + 1)) % period;
					offset = offset < 0 ? offset + period : offset;
					if (m->ever && offset != m->offset) {
						m->slips++;
						m->slip = m->offset - offset;
						if (m->slip > period / 2) {
							m->slip -= period;
						} else if (m->slip < -(period / 2)) {
							m->slip += period;
						}
					}
					m->first_lock = m->ever ? m->first_lock : i + 1;
					m->ever = m->locked = true;
					m->inverted = m->run_value != stages[kind].inverted;
					m->offset = offset;
					m->events++;
					m->window_errors = 0;
					continue;
				}
			}
		}
		if ((i + 1) % 512 == 0) {
			if (m->locked && m->window_errors >= 103) {
				m->locked = false;
				m->losses++;
				m->loss_errors += m->window_errors;
				m->events++;
				m->since = 0;
				m->run = 0;
			}
			m->window_errors = 0;
		}
	}
}

static void same_as_the_model(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 26, 0);
	static uint8_t data[STREAM];
	uint64_t seen_losses = 0, seen_slips = 0;
	for (int round = 0; round < 600; round++) {
		enum evl_prbs_kind kind = (enum evl_prbs_kind)(round % EVL_PRBS_KINDS);
		uint64_t at = 0;
		uint64_t phase = evl_rng_next(&rng) >> 8;
		while (at < STREAM * 8) {
			uint64_t len = 1 + evl_rng_below(&rng, 6000);
			len = len < STREAM * 8 - at ? len : STREAM * 8 - at;
			uint64_t what = evl_rng_below(&rng, 8);
			put_pattern(data, at, kind, phase + at, len);
			for (uint64_t i = at; i < at + len && what >= 2; i++) {
				bool flip = what == 2   ? evl_rng_below(&rng, 10) == 0
					    : what == 3 ? evl_rng_below(&rng, 4) == 0
					    : what == 4 ? evl_bits_get(data, i)  /* zeros */
					    : what == 5 ? !evl_bits_get(data, i) /* ones */
					    : what == 6 ? true                   /* inverted */
							: evl_rng_below(&rng, 2) == 0;
				if (flip) {
					evl_bits_flip(data, i);
				}
			}
			if (evl_rng_below(&rng, 3) == 0) {
				phase += evl_rng_below(&rng, 41);
			}
			at += len;
		}
		struct model m;
		model_run(&m, kind, data, STREAM);
		struct evl_checker whole, cut;
		init(&whole, kind);
		evl_checker_feed(&whole, data, STREAM);
		init(&cut, kind);
		for (size_t b = 0; b < STREAM;) {
			size_t part = 1 + (size_t)evl_rng_below(&rng, round % 3 ? 300 : 9);
			part = part < STREAM - b ? part : STREAM - b;
			evl_checker_feed(&cut, data + b, part);
			b += part;
		}
		for (int v = 0; v < 2; v++) {
			const struct evl_checker *c = v ? &cut : &whole;
			assert_int_equal(c->locked, m.locked);
			assert_int_equal(c->ever_locked, m.ever);
			assert_int_equal(c->bits, m.bits);
			assert_int_equal(c->errors, m.errors);
			assert_int_equal(c->sync_losses, m.losses);
			assert_int_equal(c->loss_errors, m.loss_errors);
			assert_int_equal(c->slips, m.slips);
			assert_int_equal(c->sync_events, m.events);
			assert_int_equal(c->fed_bits, STREAM * 8);
			if (m.ever) {
				assert_int_equal(c->first_lock_bit, m.first_lock);
				assert_int_equal(c->offset, m.offset);
				assert_int_equal(c->inverted, m.inverted);
				assert_int_equal(c->last_slip_bits, m.slip);
			}
		}
		assert_memory_equal(cut.error_bit, whole.error_bit, sizeof(whole.error_bit));
		assert_memory_equal(cut.event, whole.event, sizeof(whole.event));
		assert_int_equal(cut.loss_bits, whole.loss_bits);
		seen_losses += m.losses;
		seen_slips += m.slips;
	}
	assert_true(seen_losses > 600 && seen_slips > 100); /* the streams did exercise the rule */
}

/* Differences per second add up to the totals. */
static void counts_since(void **state)
{
	(void)state;
	static uint8_t data[STREAM];
	put_pattern(data, 0, EVL_PRBS15, 4, STREAM * 8);
	for (uint64_t i = 0; i < 10; i++) {
		evl_bits_flip(data, 1000 + 6000 * i);
	}
	struct evl_checker c;
	struct evl_checker_counts last = {0}, sum = {0};
	init(&c, EVL_PRBS15);
	for (size_t b = 0; b < STREAM; b += 1024) {
		evl_checker_feed(&c, data + b, 1024);
		evl_checker_feed(&c, data + b, 0); /* nothing, and no slab */
		struct evl_checker_counts d = evl_checker_since(&c, &last);
		assert_int_equal(d.bits + d.unlocked_bits, 8192);
		sum.bits += d.bits;
		sum.errors += d.errors;
	}
	assert_int_equal(sum.bits, STREAM * 8 - 79);
	assert_int_equal(sum.errors, 10);
	assert_int_equal(c.slabs, STREAM / 1024);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(clean_at_any_phase),
		cmocka_unit_test(errors_at_known_places),
		cmocka_unit_test(slips),
		cmocka_unit_test(gap_without_slip),
		cmocka_unit_test(never_locks),
		cmocka_unit_test(lock_in_the_middle),
		cmocka_unit_test(loss_threshold),
		cmocka_unit_test(heavy_errors),
		cmocka_unit_test(same_as_the_model),
		cmocka_unit_test(counts_since),
	};
	return cmocka_run_group_tests_name("measure.checker", tests, NULL, NULL);
}
