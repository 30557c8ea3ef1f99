/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Two builds, trend, history. Sources: worked examples of the exact conditional test, of Holm's and
 * of Benjamini and Hochberg's methods computed apart; small cases counted by hand. Random inputs:
 * test_tests_against_scipy.py.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core/measure/compare_counts.h"
#include "core/measure/compare_shares.h"
#include "core/measure/history.h"
#include "core/measure/trend.h"

static void conditional_test(void **state)
{
	(void)state;
	static const struct {
		uint64_t b, bits_b, a, bits_a; /* a is the earlier build */
		double worse, two;
	} cases[] = {
		{15, 1, 4, 1, 0.009605, 0.019211},
		{9, 1, 2, 1, 0.032715, 0.065430},
		{12, 7200, 2, 3600, 0.105334, 0.210667},
	};
	struct evl_count_test t;
	struct evl_err err = {0};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_int_equal(evl_compare_counts(&t, cases[i].a, cases[i].bits_a, cases[i].b,
					 cases[i].bits_b, 0.95, &err),
			EVL_OK);
		assert_float_equal(t.p_worse, cases[i].worse, 5e-7);
		assert_float_equal(t.p_two_sided, cases[i].two, 1e-6);
	}
	/* 3 against 12: the other tail. 15 against 4: interval of the ratio. No errors: p = 1. */
	assert_int_equal(evl_compare_counts(&t, 12, 1, 3, 1, 0.95, &err), EVL_OK);
	assert_float_equal(t.p_better, 0.017578, 5e-7);
	assert_int_equal(evl_compare_counts(&t, 4, 1, 15, 1, 0.95, &err), EVL_OK);
	assert_float_equal(t.ratio_interval.lower, 1.1947, 5e-5);
	assert_float_equal(t.ratio_interval.upper, 15.5222, 5e-5);
	assert_int_equal(evl_compare_counts(&t, 0, 1, 0, 1, 0.95, &err), EVL_OK);
	assert_float_equal(t.p_worse, 1, 0);
}

static void many_channels(void **state)
{
	(void)state;
	static const double p[] = {.041, .001, .60, .008, .030, .012};
	static const double holm[] = {.0900, .0060, .6000, .0400, .0900, .0480};
	static const double bh[] = {.0492, .0060, .6000, .0240, .0450, .0240};
	double out[6];
	struct evl_err err = {0};
	assert_int_equal(evl_holm_adjust(out, p, 6, &err), EVL_OK);
	for (int i = 0; i < 6; i++) {
		assert_float_equal(out[i], holm[i], 1e-12);
	}
	assert_int_equal(evl_benjamini_hochberg_adjust(out, p, 6, &err), EVL_OK);
	for (int i = 0; i < 6; i++) {
		assert_float_equal(out[i], bh[i], 1e-12);
	}
	assert_int_equal(evl_benjamini_hochberg_adjust(out, (const double[]){.5, 1.5}, 2, &err),
		EVL_E_INVALID);
	assert_non_null(strstr(err.text, "p value 1"));

	/* The same p values as tests: proved worse, look here, noise; and one that is better. */
	struct evl_count_test t[7];
	struct evl_count_class c[7];
	for (int i = 0; i < 7; i++) {
		t[i] = (struct evl_count_test){
			.p_worse = i < 6 ? p[i] : 1, .p_better = i < 6 ? 1 : 1e-6};
	}
	assert_int_equal(evl_classify_changes(c, t, 7, 0.05, &err), EVL_OK);
	/* Seven tests: Holm .001*7, .008*6 = .048, .012*5 = .06; BH .030*7/4 = .0525 and
	 * .041*7/5 = .0574 are beyond, .012*7/3 = .028 is not. */
	static const enum evl_count_change want[] = {EVL_COUNT_NOISE, EVL_COUNT_WORSE,
		EVL_COUNT_NOISE, EVL_COUNT_WORSE, EVL_COUNT_NOISE, EVL_COUNT_LOOK,
		EVL_COUNT_BETTER};
	for (int i = 0; i < 7; i++) {
		assert_int_equal(c[i].change, want[i]);
	}
	assert_float_equal(c[5].p_worse, .06, 1e-12);
	assert_float_equal(c[5].p_look, .028, 1e-12);
	assert_float_equal(c[6].p_better, 7e-6, 1e-18);
	assert_string_equal(evl_count_change_name(EVL_COUNT_LOOK), "look here");
}

static void trend(void **state)
{
	(void)state;
	static const uint64_t even[] = {1, 1, 1, 1, 1};
	struct evl_trend t;
	struct evl_err err = {0};
	/* Two errors in the last of two equal nights: chance 1/4. */
	assert_int_equal(evl_trend_of_counts(&t, (const uint64_t[]){0, 2}, even, 2, &err), EVL_OK);
	assert_float_equal(t.p_rising, 0.25, 1e-15);
	assert_float_equal(t.p_falling, 1, 1e-15);
	assert_true(t.exact && t.slope > 0);
	/* Three nights, one error each: T = 3 is the middle; of 27 orders of 3 errors the sums
	 * 0..6 come 1, 3, 6, 7, 6, 3, 1 times. */
	assert_int_equal(
		evl_trend_of_counts(&t, (const uint64_t[]){1, 1, 1}, even, 3, &err), EVL_OK);
	assert_float_equal(t.p_rising, 17.0 / 27, 1e-14);
	assert_float_equal(t.p_falling, 17.0 / 27, 1e-14);
	assert_int_equal(
		evl_trend_of_counts(&t, (const uint64_t[]){0, 0, 3}, even, 3, &err), EVL_OK);
	assert_float_equal(t.p_rising, 1.0 / 27, 1e-15);
	assert_int_equal(
		evl_trend_of_counts(&t, (const uint64_t[]){0, 0, 0}, even, 3, &err), EVL_OK);
	assert_float_equal(t.p_rising, 1, 0);
	/* A longer last night explains more errors: exposures 1 and 9, one error in the second. */
	assert_int_equal(evl_trend_of_counts(
				 &t, (const uint64_t[]){0, 1}, (const uint64_t[]){1, 9}, 2, &err),
		EVL_OK);
	assert_float_equal(t.p_rising, 0.9, 1e-15);
	assert_int_equal(evl_trend_of_counts(
				 &t, (const uint64_t[]){1, 0}, (const uint64_t[]){1, 0}, 2, &err),
		EVL_E_INVALID);
	assert_non_null(strstr(err.text, "night 2"));
	assert_int_equal(evl_trend_of_counts(&t, even, even, 1, &err), EVL_E_INVALID);
}

static struct evl_history of(const char *text, const char *builds)
{
	bool failed[64];
	uint32_t build[64];
	size_t n = strlen(text);
	for (size_t i = 0; i < n; i++) {
		failed[i] = text[i] == 'F';
		build[i] = builds != NULL ? (uint32_t)builds[i] : 0;
	}
	struct evl_history h;
	struct evl_err err = {0};
	assert_int_equal(
		evl_history_of(&h, failed, builds != NULL ? build : NULL, n, 0.95, 0.05, &err),
		EVL_OK);
	return h;
}

static void histories(void **state)
{
	(void)state;
	static const struct {
		const char *text, *builds;
		enum evl_history_kind kind;
	} cases[] = {
		{"", NULL, EVL_HISTORY_NONE}, {"PPPP", NULL, EVL_HISTORY_STEADY},
		{"FFF", NULL, EVL_HISTORY_BROKEN},
		{"PPPF", NULL, EVL_HISTORY_UNCLEAR}, /* one order of four: p = 1/4 */
		{"PPPPPPPPFFF", NULL, EVL_HISTORY_REGRESSED},
		{"FFFPPPPPPPP", NULL, EVL_HISTORY_RECOVERED},
		{"PFPPFPPPFPPFPP", NULL, EVL_HISTORY_FLAKY}, {"PPPPFP", NULL, EVL_HISTORY_FLAKY},
		{"PPFF", "AABB", EVL_HISTORY_UNCLEAR},
		{"PPPF", "AABB", EVL_HISTORY_FLAKY}, /* build B did both */
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_history h = of(cases[i].text, cases[i].builds);
		assert_string_equal(
			evl_history_kind_name(h.kind), evl_history_kind_name(cases[i].kind));
	}
	/* Three failures at the end of eleven runs: no other order of the C(11, 3) = 165 is as
	 * extreme, so p = 1/165; the change came with run 8. */
	struct evl_history h = of("PPPPPPPPFFF", NULL);
	assert_float_equal(h.p_worse, 1.0 / 165, 1e-14);
	assert_int_equal(h.change, 8);
	assert_float_equal(h.since.upper, 1, 0);
	assert_float_equal(h.share, 3.0 / 11, 1e-15);
	/* Clopper and Pearson: 3 of 60. */
	bool sixty[60] = {true, true, true};
	struct evl_err err = {0};
	assert_int_equal(evl_history_of(&h, sixty, NULL, 60, 0.95, 0.05, &err), EVL_OK);
	assert_float_equal(h.interval.lower, 0.010432, 5e-7);
	assert_float_equal(h.interval.upper, 0.139243, 5e-7);
	assert_int_equal(evl_history_of(&h, sixty, NULL, 60, 1, 0.05, &err), EVL_E_INVALID);
	assert_int_equal(evl_history_of(&h, sixty, NULL, EVL_HISTORY_RUNS_MAX + 1, .95, 0.05, &err),
		EVL_E_INVALID);
}

/* SciPy 1.10, fisher_exact, alternative "greater". */
static void two_shares(void **state)
{
	(void)state;
	static const struct {
		size_t k_before, n_before, k_after, n_after;
		double p;
	} cases[] = {{1, 50, 3, 10, 0.012734934941}, {0, 50, 3, 10, 0.003506721216},
		{5, 7, 1, 3, 0.966666666667}, {0, 1, 1, 1, 0.5}, {4, 4, 2, 9, 1},
		{200, 1000, 240, 1000, 0.017600395698}, {3, 10, 10, 10, 0.001547987616}};
	struct evl_err err = {0};
	double p;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_int_equal(evl_compare_shares(&p, cases[i].k_before, cases[i].n_before,
					 cases[i].k_after, cases[i].n_after, &err),
			EVL_OK);
		assert_float_equal(p, cases[i].p, 1e-11);
	}
	assert_int_equal(evl_compare_shares(&p, 0, 0, 1, 2, &err), EVL_OK);
	assert_float_equal(p, 1, 0);
	assert_int_equal(evl_compare_shares(&p, 3, 2, 1, 2, &err), EVL_E_INVALID);
	assert_int_equal(evl_compare_shares(&p, 3, 1000000, 1, 2, &err), EVL_E_INVALID);
	assert_int_equal(evl_compare_shares(&p, 3, SIZE_MAX, 1, 2, &err), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(conditional_test),
		cmocka_unit_test(many_channels),
		cmocka_unit_test(two_shares),
		cmocka_unit_test(trend),
		cmocka_unit_test(histories),
	};
	return cmocka_run_group_tests_name("measure.changes", tests, NULL, NULL);
}
