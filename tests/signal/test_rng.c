/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: the outputs of xoshiro256** from the state 1, 2, 3, 4 and of splitmix64 from 1234567, as
 * public test suites of other implementations print them (made with the reference code of
 * https://prng.di.unimi.it/); the geometric distribution itself.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <cmocka.h>

#include "core/signal/rng.h"

static void reference_outputs(void **state)
{
	(void)state;
	static const uint64_t want[10] = {11520u,
					  0u,
					  1509978240u,
					  1215971899390074240u,
					  1216172134540287360u,
					  607988272756665600u,
					  16172922978634559625u,
					  8476171486693032832u,
					  10595114339597558777u,
					  2904607092377533576u};
	struct evl_rng rng = {{1, 2, 3, 4}};
	for (size_t i = 0; i < 10; i++) {
		assert_true(evl_rng_next(&rng) == want[i]);
	}
	static const uint64_t mix[5] = {6457827717110365317u, 3203168211198807973u,
					9817491932198370423u, 4593380528125082431u,
					16408922859458223821u};
	uint64_t s = 1234567;
	for (size_t i = 0; i < 5; i++) {
		assert_true(evl_splitmix64(&s) == mix[i]);
	}
}

static void streams_differ(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 4; seed++) {
		for (uint64_t stream = 1; stream < 64; stream++) {
			struct evl_rng a, b;
			evl_rng_init(&a, seed, stream);
			evl_rng_init(&b, seed, stream - 1);
			int same = 0;
			for (int i = 0; i < 64; i++) {
				same += evl_rng_next(&a) == evl_rng_next(&b);
			}
			assert_int_equal(same, 0);
		}
	}
}

/* Each value is as frequent as it should be, within five standard deviations; the same for a bound
 * just above half of 2^64, where a plain remainder would favour the low values two to one. */
static void below_is_uniform(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 9, 0);
	int count[7] = {0};
	for (int i = 0; i < 70000; i++) {
		uint64_t v = evl_rng_below(&rng, 7);
		assert_true(v < 7);
		count[v]++;
	}
	for (int v = 0; v < 7; v++) {
		assert_true(abs(count[v] - 10000) < 5 * 93);
	}
	uint64_t bound = ((uint64_t)1 << 63) + ((uint64_t)1 << 62);
	int low = 0;
	for (int i = 0; i < 30000; i++) {
		uint64_t v = evl_rng_below(&rng, bound);
		assert_true(v < bound);
		low += v < (uint64_t)1 << 62;
	}
	assert_true(abs(low - 10000) < 5 * 82);
	assert_int_equal(evl_rng_below(&rng, 1), 0);
}

/* Geometric: mean (1-p)/p, P(0) = p, P(gap >= g) = (1-p)^g; all within five standard deviations. */
static void gaps_are_geometric(void **state)
{
	(void)state;
	static const uint64_t denominator[] = {2, 3, 10, 1000, 1000000, 1000000000};
	for (size_t t = 0; t < sizeof(denominator) / sizeof(denominator[0]); t++) {
		double p = 1.0 / (double)denominator[t];
		struct evl_rng rng;
		struct evl_rng_gap gap;
		evl_rng_init(&rng, 10, t);
		evl_rng_gap_init(&gap, 1, denominator[t]);
		enum { DRAWS = 40000 };
		double sum = 0;
		int zero = 0, beyond = 0;
		uint64_t median = (uint64_t)ceil(log(0.5) / log1p(-p));
		for (int i = 0; i < DRAWS; i++) {
			uint64_t g = evl_rng_gap_next(&gap, &rng);
			sum += (double)g;
			zero += g == 0;
			beyond += g >= median;
		}
		double mean = (1 - p) / p, deviation = sqrt(1 - p) / p;
		assert_true(fabs(sum / DRAWS - mean) < 5 * deviation / sqrt(DRAWS));
		assert_true(fabs(zero - DRAWS * p) < 5 * sqrt(DRAWS * p * (1 - p)) + 1);
		double b = exp(log1p(-p) * (double)median);
		assert_true(fabs(beyond - DRAWS * b) < 5 * sqrt(DRAWS * b * (1 - b)));
	}
}

static void gaps_at_the_ends(void **state)
{
	(void)state;
	struct evl_rng rng;
	struct evl_rng_gap gap;
	evl_rng_init(&rng, 11, 0);
	evl_rng_gap_init(&gap, 0, 5);
	assert_true(evl_rng_gap_next(&gap, &rng) == UINT64_MAX);
	evl_rng_gap_init(&gap, 5, 5);
	for (int i = 0; i < 100; i++) {
		assert_int_equal(evl_rng_gap_next(&gap, &rng), 0);
	}
	evl_rng_gap_init(&gap, 1, (uint64_t)1 << 53);
	assert_true(evl_rng_gap_next(&gap, &rng) > 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(reference_outputs), cmocka_unit_test(streams_differ),
		cmocka_unit_test(below_is_uniform),  cmocka_unit_test(gaps_are_geometric),
		cmocka_unit_test(gaps_at_the_ends),
	};
	return cmocka_run_group_tests_name("signal.rng", tests, NULL, NULL);
}
