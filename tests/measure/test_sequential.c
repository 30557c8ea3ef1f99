/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: the formula of the gamma mixture and Wald's formulas (core/measure/sequential.h,
 * sprt.h); the tables below were computed apart from the formulas. Against SciPy:
 * test_tests_against_scipy.py; error rates by simulation: test_early_stop.c.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core/measure/plan.h"

static void mixture(void **state)
{
	(void)state;
	static const struct {
		uint64_t n;
		double t, lower, upper;
	} table[] = {
		{0, 10, 0, 0.419468},
		{0, 100, 0, 0.053033},
		{2, 10, 0.010171, 0.908658},
		{10, 100, 0.029912, 0.236815},
		{100, 100, 0.693460, 1.385797},
		{5, 3600, 0.000147, 0.005061},
	};
	const struct evl_gamma_prior prior = {0.5, 1};
	for (size_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		double lower = evl_sequential_lower(prior, table[i].n, table[i].t, 0.05);
		double upper = evl_sequential_upper(prior, table[i].n, table[i].t, 0.05);
		assert_float_equal(lower, table[i].lower, 6e-7);
		assert_float_equal(upper, table[i].upper, 6e-7);
		/* At either end the evidence is ln 20. */
		assert_float_equal(
			evl_sequential_log_evidence(prior, table[i].n, table[i].t, upper), log(20),
			1e-12);
	}
	/* No events: (ln 20 + a ln(1 + t/b)) / t. */
	assert_float_equal(
		evl_sequential_upper(prior, 0, 7, 0.05), (log(20) + 0.5 * log(8)) / 7, 1e-14);
}

/* The worked example of docs/measurement.md. */
static void worked_example(void **state)
{
	(void)state;
	struct evl_sequential s;
	struct evl_judgement j;
	struct evl_err err = {0};
	assert_int_equal(evl_sequential_init(&s, 1e-9, 0.95, &err), EVL_OK);
	/* t = ln 20 + 0.1 ln(1 + t) = 3.13775 */
	uint64_t clean = evl_sequential_clean_bits(&s);
	assert_float_equal((double)clean * 1e-9, 3.13775, 5e-6);
	assert_int_equal(evl_sequential_decide(&s, 0, clean), EVL_VERDICT_PASS);
	assert_int_equal(evl_sequential_decide(&s, 0, clean - 1), EVL_VERDICT_INCONCLUSIVE);
	/* The first second of 2048000 bits in which it passes: 1533. */
	assert_int_equal((clean + 2047999) / 2048000, 1533);
	assert_int_equal(
		evl_judge_ratio_anytime(&j, 0, 1533ull * 2048000, 1e-9, 0.95, &err), EVL_OK);
	assert_int_equal(j.verdict, EVL_VERDICT_PASS);
	double t = 1533 * 2048000e-9;
	assert_float_equal(j.upper * 1e9, (log(20) + 0.1 * log(1 + t)) / t, 1e-12);
	assert_true(j.upper < 1e-9 && j.lower == 0);
	/* 20 errors in 2 s are 4882 times the limit: fail, and lower limit above it. */
	assert_float_equal(evl_sequential_log_evidence(EVL_SEQUENTIAL_FAIL_PRIOR, 20, 0.004096, 1),
		69.72, 0.005);
	assert_int_equal(evl_judge_ratio_anytime(&j, 20, 4096000, 1e-9, 0.95, &err), EVL_OK);
	assert_int_equal(j.verdict, EVL_VERDICT_FAIL);
	assert_true(j.lower > 1e-9 && j.lower < j.value && j.value < j.upper);
	assert_non_null(strstr(j.sentence, "above the limit"));
	/* One error in 1463 s: neither. */
	assert_int_equal(
		evl_judge_ratio_anytime(&j, 1, 1463ull * 2048000, 1e-9, 0.95, &err), EVL_OK);
	assert_int_equal(j.verdict, EVL_VERDICT_INCONCLUSIVE);
	assert_int_equal(evl_judge_ratio_anytime(&j, 0, 0, 1e-9, 0.95, &err), EVL_OK);
	assert_int_equal(j.verdict, EVL_VERDICT_INCONCLUSIVE);
	assert_int_equal(evl_judge_ratio_anytime(&j, 2, 1, 1e-9, 0.95, &err), EVL_E_INVALID);
	assert_int_equal(evl_judge_ratio_anytime(&j, 0, 1, 0, 0.95, &err), EVL_E_INVALID);
	assert_int_equal(evl_judge_ratio_anytime(&j, 0, 1, 1e-9, 1, &err), EVL_E_INVALID);
}

/* Limits and verdict say the same, and increments add up. */
static void consistent(void **state)
{
	(void)state;
	struct evl_sequential s;
	struct evl_err err = {0};
	assert_int_equal(evl_sequential_init(&s, 1e-3, 0.99, &err), EVL_OK);
	for (uint64_t bits = 100; bits < 200000; bits += 5077) {
		for (uint64_t errors = 0; errors < 400 && errors <= bits; errors += 3) {
			struct evl_judgement j;
			assert_int_equal(
				evl_judge_ratio_anytime(&j, errors, bits, 1e-3, 0.99, &err),
				EVL_OK);
			enum evl_verdict want = j.upper < 1e-3   ? EVL_VERDICT_PASS
						: j.lower > 1e-3 ? EVL_VERDICT_FAIL
								 : EVL_VERDICT_INCONCLUSIVE;
			assert_int_equal(j.verdict, want);
			/* Wider than the limits of a single look. */
			struct evl_judgement once;
			assert_int_equal(
				evl_judge_ratio(&once, errors, bits, 1e-3, 0.99, &err), EVL_OK);
			assert_true(j.upper > once.upper && j.lower <= once.lower);
		}
	}
	evl_sequential_add(&s, 3, 100);
	assert_int_equal(evl_sequential_add(&s, 20, 100), EVL_VERDICT_FAIL);
	assert_int_equal(s.errors, 23);
	assert_int_equal(s.bits, 200);
	/* A verdict rests on all bits: many clean ones afterwards take it back. */
	assert_int_equal(evl_sequential_add(&s, 0, 20000), EVL_VERDICT_INCONCLUSIVE);
}

/* Wald's formulas for ratios 2, 3 and 10 and chances of 5 %, in units of 1 / good. */
static void wald(void **state)
{
	(void)state;
	static const struct {
		double r, slope, per, good, bad, clean;
	} table[] = {
		{2, 1.4427, 4.2479, 8.636, 6.860, 2.9444},
		{3, 1.8205, 2.6801, 2.940, 2.045, 1.4722},
		{10, 3.9087, 1.2788, 0.396, 0.189, 0.3272},
	};
	struct evl_err err = {0};
	for (size_t i = 0; i < 3; i++) {
		struct evl_sprt t = {.good = 1e-6,
			.bad = 1e-6 * table[i].r,
			.false_fail = 0.05,
			.false_pass = 0.05};
		assert_int_equal(evl_sprt_check(&t, &err), EVL_OK);
		assert_float_equal(evl_sprt_fail_at(&t), 2.9444, 5e-5);
		assert_float_equal(evl_sprt_fail_at(&t) / log(table[i].r), table[i].per, 5e-5);
		assert_float_equal(1e6 * (t.bad - t.good) / log(table[i].r), table[i].slope, 6e-5);
		assert_float_equal(evl_sprt_bits_good(&t) * 1e-6, table[i].good, 6e-4);
		assert_float_equal(evl_sprt_bits_bad(&t) * 1e-6, table[i].bad, 6e-4);
		assert_float_equal(evl_sprt_clean_bits(&t) * 1e-6, table[i].clean, 6e-5);
		uint64_t clean = (uint64_t)ceil(evl_sprt_clean_bits(&t));
		assert_int_equal(evl_sprt_decide(&t, 0, clean), EVL_VERDICT_PASS);
		assert_int_equal(evl_sprt_decide(&t, 0, clean - 1), EVL_VERDICT_INCONCLUSIVE);
		assert_int_equal(evl_sprt_decide(&t, 100, 1), EVL_VERDICT_FAIL);
		t.most_bits = 1000;
		assert_true(evl_sprt_is_over(&t, 0, 1000));
		assert_false(evl_sprt_is_over(&t, 0, 999));
	}
	static const struct evl_sprt bad[] = {
		{.good = 1e-6, .bad = 1e-6, .false_fail = .05, .false_pass = .05},
		{.good = 0, .bad = 1e-6, .false_fail = .05, .false_pass = .05},
		{.good = 1e-7, .bad = 1e-6, .false_fail = 0, .false_pass = .05},
		{.good = 1e-7, .bad = 1e-6, .false_fail = .5, .false_pass = .5},
	};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		assert_int_equal(evl_sprt_check(&bad[i], &err), EVL_E_INVALID);
	}
}

/* Bits for a claim without errors: -ln(1 - C) / p; seconds of the usual rates; power by the Poisson
 * distribution. */
static void plans(void **state)
{
	(void)state;
	static const struct {
		uint64_t rate;
		double ratio, seconds, within;
	} table[] = {
		{64000, 1e-6, 46.8, .05},
		{1544000, 1e-9, 1940, .5},
		{2048000, 1e-9, 1463, .5},
		{34368000, 1e-9, 87.2, .05},
		{155520000, 1e-10, 192.6, .05},
	};
	struct evl_plan_fixed f;
	struct evl_err err = {0};
	struct evl_plan_request q = {.confidence = 0.95, .channels = 63};
	for (size_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		q.limit = table[i].ratio;
		q.bits_per_second = table[i].rate;
		assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_OK);
		assert_float_equal(f.seconds, table[i].seconds, table[i].within);
		assert_float_equal(f.power, 1, 0); /* of an error-free unit */
	}
	static const double means[] = {2.9957, 4.7439, 6.2958, 7.7537, 9.1535, 10.5130};
	q.limit = 1e-9;
	q.bits_per_second = 2048000;
	q.true_ratio = 1e-10;
	for (uint64_t k = 0; k < 6; k++) {
		assert_int_equal(evl_plan_fixed(&f, &q, k, &err), EVL_OK);
		assert_float_equal(f.mean, means[k], 5e-5);
	}
	/* No error allowed, true ratio a tenth of the limit: exp(-0.29957). */
	assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_OK);
	assert_float_equal(f.power, exp(-0.299573), 1e-6);
	assert_float_equal(f.power_of_all, exp(-0.299573 * 63), 1e-6);
	q.all_at_once = true; /* -ln(0.05 / 63) = 7.1389 */
	assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_OK);
	assert_float_equal(f.mean, 7.138867, 1e-6);

	q.all_at_once = false;
	struct evl_plan_early e;
	assert_int_equal(evl_plan_early(&e, &q, 3600, &err), EVL_OK);
	assert_float_equal(e.clean_seconds, 3137.75 / 2.048, 0.01);
	assert_float_equal(e.one.pass + e.one.fail + e.one.open, 1, 1e-9);
	assert_true(e.mean_seconds > e.clean_seconds && e.mean_seconds < 3600);
	q.true_ratio = 0; /* then it is certain: the first whole second */
	assert_int_equal(evl_plan_early(&e, &q, 3600, &err), EVL_OK);
	assert_float_equal(e.mean_seconds, 1533, 1e-9);
	assert_float_equal(e.power_of_all, 1, 1e-12);
	/* Too short: open for certain. */
	assert_int_equal(evl_plan_early(&e, &q, 1532, &err), EVL_OK);
	assert_float_equal(e.one.open, 1, 1e-12);

	q.limit = 0;
	assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_plan_early(&e, &q, 10, &err), EVL_E_INVALID);
	q.limit = 1e-30;
	assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_E_LIMIT);
	q.limit = 1e-9;
	assert_int_equal(evl_plan_early(&e, &q, 0, &err), EVL_E_INVALID);
	q.channels = 0;
	assert_int_equal(evl_plan_fixed(&f, &q, 0, &err), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(mixture),
		cmocka_unit_test(worked_example),
		cmocka_unit_test(consistent),
		cmocka_unit_test(wald),
		cmocka_unit_test(plans),
	};
	return cmocka_run_group_tests_name("measure.sequential", tests, NULL, NULL);
}
