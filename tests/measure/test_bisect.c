/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Probabilistic bisection by simulation: seeded units with a first bad build drawn evenly and runs
 * that mislead as stated. The share of wrong answers must not be above what the confidence leaves
 * (Bayes' rule: the mean of 1 - probability over all stops), by an exact binomial limit; the mean
 * number of runs must lie between the information bound (Fano's inequality, Shannon's capacity) and
 * that of testing each middle build a fixed number of times. Without noise it is binary search:
 * floor or ceiling of log2 of the number of answers.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core/measure/binomial.h"
#include "core/measure/bisect.h"
#include "core/signal/rng.h"

static double uniform(struct evl_rng *rng)
{
	return (double)(evl_rng_next(rng) >> 11) * 0x1p-53;
}

static bool fails(struct evl_rng *rng, const struct evl_bisect_noise *n, bool bad)
{
	return uniform(rng) < (bad ? 1 - n->missed : n->false_alarm);
}

static struct evl_bisect *make(size_t builds, double missed, double false_alarm)
{
	struct evl_bisect *b = NULL;
	struct evl_err err = {0};
	struct evl_bisect_noise n = {missed, false_alarm};
	if (evl_bisect_create(&b, builds, &n, &err) < 0) {
		fail_msg("%s", err.text);
	}
	return b;
}

static void without_noise(void **state)
{
	(void)state;
	for (size_t builds = 1; builds <= 70; builds++) {
		for (size_t truth = 0; truth <= builds; truth++) {
			struct evl_bisect *b = make(builds, 0, 0);
			size_t at, runs = 0;
			while (evl_bisect_next(b, &at)) {
				assert_int_equal(evl_bisect_add(b, at, at >= truth, NULL), EVL_OK);
				runs++;
			}
			assert_int_equal(evl_bisect_best(b).first_bad, truth);
			assert_true(evl_bisect_best(b).probability == 1);
			assert_true(runs >= (size_t)floor(log2((double)builds + 1)));
			assert_true(runs <= (size_t)ceil(log2((double)builds + 1)));
			evl_bisect_destroy(b);
		}
	}
}

/* Halving with `times` runs at each middle build, the majority believed. */
static size_t by_majority(struct evl_rng *rng, size_t builds, const struct evl_bisect_noise *n,
	size_t truth, unsigned times, bool *wrong)
{
	size_t low = 0, high = builds, runs = 0;
	while (low < high) {
		size_t at = (low + high) / 2;
		unsigned failed = 0;
		for (unsigned i = 0; i < times; i++, runs++) {
			failed += fails(rng, n, at >= truth);
		}
		if (2 * failed > times) {
			high = at;
		} else {
			low = at + 1;
		}
	}
	*wrong = low != truth;
	return runs;
}

static void with_noise(void **state)
{
	(void)state;
	static const struct {
		size_t builds;
		struct evl_bisect_noise noise;
		double confidence;
	} rows[] = {{12, {0.2, 0.01}, 0.95}, {30, {0.1, 0.1}, 0.95}, {5, {0.4, 0.05}, 0.9},
		{100, {0.5, 0}, 0.99}, {8, {0, 0.3}, 0.95}};
	enum { TIMES = 6000 };
	for (size_t r = 0; r < sizeof(rows) / sizeof(rows[0]); r++) {
		struct evl_rng rng;
		evl_rng_init(&rng, 1963, r);
		uint64_t wrong = 0, runs = 0, majority_wrong = 0, majority_runs = 0;
		double doubt = 0;
		for (unsigned k = 0; k < TIMES; k++) {
			struct evl_bisect *b = make(
				rows[r].builds, rows[r].noise.missed, rows[r].noise.false_alarm);
			size_t truth = evl_rng_below(&rng, rows[r].builds + 1), at;
			struct evl_bisect_answer a;
			while ((a = evl_bisect_best(b)).probability < rows[r].confidence) {
				assert_true(evl_bisect_next(b, &at));
				bool failed = fails(&rng, &rows[r].noise, at >= truth);
				assert_int_equal(evl_bisect_add(b, at, failed, NULL), EVL_OK);
				runs++;
			}
			wrong += a.first_bad != truth;
			doubt += 1 - a.probability;
			evl_bisect_destroy(b);
			bool lost;
			majority_runs +=
				by_majority(&rng, rows[r].builds, &rows[r].noise, truth, 5, &lost);
			majority_wrong += lost;
		}
		double mean = (double)runs / TIMES;
		double bound =
			evl_bisect_runs_bound(rows[r].builds, &rows[r].noise, rows[r].confidence);
		print_message(
			"# %zu builds, missed %g, false alarm %g: %.2f runs (bound %.2f), wrong "
			"%.4f (stated %.2g); majority of 5: %.2f runs, wrong %.4f\n",
			rows[r].builds, rows[r].noise.missed, rows[r].noise.false_alarm, mean,
			bound, (double)wrong / TIMES, 1 - rows[r].confidence,
			(double)majority_runs / TIMES, (double)majority_wrong / TIMES);
		/* Not above what is stated, and as many as the probabilities said. */
		assert_true(evl_binomial_lower(wrong, TIMES, 0.9999) < 1 - rows[r].confidence);
		assert_true(fabs((double)wrong - doubt) < 5 * sqrt(doubt) + 1);
		assert_true(mean >= bound);
		assert_true(runs < majority_runs || wrong < majority_wrong);
		assert_true(mean < 2.2 * bound + 2);
	}
}

static void worked(void **state)
{
	(void)state;
	/* By hand: two builds, missed 1/4, false alarm 0. Answers 0, 1, 2 (none), each 1/3. Build 1
	 * passes: 0 and 1 have 1/4, none has 1: 1/6, 1/6, 2/3. Again: 1/18, 1/18, 8/9 (1/16 : 1/16
	 * : 1). Then build 0 fails: only answer 0 is left. */
	struct evl_bisect *b = make(2, 0.25, 0);
	assert_int_equal(evl_bisect_add(b, 1, false, NULL), EVL_OK);
	assert_float_equal(evl_bisect_probability(b, 0), 1.0 / 6, 1e-15);
	assert_float_equal(evl_bisect_probability(b, 2), 2.0 / 3, 1e-15);
	assert_int_equal(evl_bisect_add(b, 1, false, NULL), EVL_OK);
	assert_float_equal(evl_bisect_probability(b, 1), 1.0 / 18, 1e-15);
	assert_float_equal(evl_bisect_best(b).probability, 8.0 / 9, 1e-15);
	size_t first, last;
	evl_bisect_range(b, 0.9, &first, &last);
	assert_int_equal(first, 1);
	assert_int_equal(last, 2);
	assert_int_equal(evl_bisect_add(b, 0, true, NULL), EVL_OK);
	assert_true(evl_bisect_probability(b, 0) == 1);
	assert_false(evl_bisect_next(b, &first));
	evl_bisect_destroy(b);
}

static void closed_builds(void **state)
{
	(void)state;
	/* Build 1 of 0, 1, 2 cannot be judged: with 0 good and 2 bad, 1 or 2 is the first bad one.
	 */
	struct evl_bisect *b = make(3, 0, 0);
	size_t at, first, last;
	evl_bisect_close(b, 1);
	while (evl_bisect_next(b, &at)) {
		assert_int_not_equal(at, 1);
		assert_int_equal(evl_bisect_add(b, at, at == 2, NULL), EVL_OK);
	}
	evl_bisect_range(b, 0.95, &first, &last);
	assert_int_equal(first, 1);
	assert_int_equal(last, 2);
	assert_float_equal(evl_bisect_best(b).probability, 0.5, 1e-15);
	evl_bisect_destroy(b);
}

static void refused(void **state)
{
	(void)state;
	static const struct {
		size_t builds;
		struct evl_bisect_noise noise;
		const char *part;
	} rows[] = {{0, {0.1, 0.1}, "0 builds"}, {4097, {0.1, 0.1}, "1 to 4096"},
		{3, {-0.1, 0.1}, "0 or more"}, {3, {0.5, 0.5}, "below 1"},
		{3, {NAN, 0.1}, "0 or more"}, {3, {0.1, INFINITY}, "below 1"}};
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		struct evl_bisect *b;
		struct evl_err err = {0};
		assert_int_equal(
			evl_bisect_create(&b, rows[i].builds, &rows[i].noise, &err), EVL_E_INVALID);
		assert_null(b);
		assert_non_null(strstr(err.text, rows[i].part));
	}
	struct evl_bisect *b = make(3, 0.2, 0);
	struct evl_err err = {0};
	size_t at;
	assert_int_equal(evl_bisect_add(b, 0, true, &err), EVL_OK);
	assert_true(evl_bisect_probability(b, 0) == 1);
	assert_false(evl_bisect_next(b, &at));
	evl_bisect_destroy(b);
	b = make(3, 0, 0.2); /* a pass of the last build proves that none is bad */
	assert_int_equal(evl_bisect_add(b, 2, false, &err), EVL_OK);
	assert_int_equal(evl_bisect_add(b, 1, true, &err), EVL_OK);
	assert_true(evl_bisect_probability(b, 3) == 1);
	evl_bisect_destroy(b);
	b = make(3, 0, 0);
	assert_int_equal(evl_bisect_add(b, 1, true, &err), EVL_OK);
	assert_int_equal(evl_bisect_add(b, 2, false, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "contradict"));
	assert_float_equal(evl_bisect_probability(b, 0), 0.5, 1e-15); /* as before */
	evl_bisect_destroy(b);
	evl_bisect_destroy(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(without_noise),
		cmocka_unit_test(worked), cmocka_unit_test(with_noise),
		cmocka_unit_test(closed_builds), cmocka_unit_test(refused)};
	return cmocka_run_group_tests_name("measure.bisect", tests, NULL, NULL);
}
