/* SPDX-License-Identifier: Apache-2.0 */
/* Source: Clopper and Pearson's limits; 3 of 60 two-sided at 90 % is one-sided at 95 %, so its ends
 * are those of the beta distribution, which test_tests_against_scipy.py checks. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core/measure/binomial.h"
#include "core/measure/verdict.h"

static void verdicts(void **state)
{
	(void)state;
	static const struct {
		uint64_t count, total;
		double limit;
		enum evl_verdict verdict;
	} cases[] = {
		/* No errored second of n: 1 - 0.05^(1/n) < 0.04 from n = 74 on (ln 0.05 / ln 0.96 =
		 * 73.4). */
		{0, 73, 0.04, EVL_VERDICT_INCONCLUSIVE},
		{0, 74, 0.04, EVL_VERDICT_PASS},
		{0, 0, 0.04, EVL_VERDICT_INCONCLUSIVE},
		/* 60 s with 7 ES: limits 5.6 % and more; with 3: 1.4 % to 12.4 %. */
		{7, 60, 0.04, EVL_VERDICT_FAIL},
		{3, 60, 0.04, EVL_VERDICT_INCONCLUSIVE},
		{60, 60, 0.04, EVL_VERDICT_FAIL},
		{306, 57000, 2e-4, EVL_VERDICT_FAIL},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_judgement j;
		struct evl_err err = {0};
		assert_int_equal(evl_judge_share(&j, cases[i].count, cases[i].total, cases[i].limit,
					 0.95, "errored seconds", "available seconds", &err),
			EVL_OK);
		assert_int_equal(j.verdict, cases[i].verdict);
		if (cases[i].total > 0) {
			assert_float_equal(j.upper,
				evl_binomial_upper(cases[i].count, cases[i].total, 0.95), 0);
			assert_non_null(strstr(j.sentence, "errored seconds in"));
		}
	}
	struct evl_judgement j;
	struct evl_err err = {0};
	assert_int_equal(evl_judge_share(&j, 0, 73, 0.04, 0.95, "a", "b", &err), EVL_OK);
	assert_int_equal(j.bits_needed, 74);
	assert_non_null(strstr(j.sentence, "in 74"));
	/* (0.05)^(1/60) is the lower limit of 60 of 60. */
	assert_float_equal(evl_binomial_lower(60, 60, 0.95), pow(0.05, 1.0 / 60), 1e-15);
}

static void refused(void **state)
{
	(void)state;
	struct evl_judgement j;
	struct evl_err err = {0};
	assert_int_equal(evl_judge_share(&j, 2, 1, .04, .95, "a", "b", &err), EVL_E_INVALID);
	assert_int_equal(j.verdict, EVL_VERDICT_ERROR);
	assert_string_equal(j.sentence, err.text);
	assert_int_equal(evl_judge_share(&j, 0, 1, 0, .95, "a", "b", &err), EVL_E_INVALID);
	assert_int_equal(evl_judge_share(&j, 0, 1, 1, .95, "a", "b", &err), EVL_E_INVALID);
	assert_int_equal(evl_judge_share(&j, 0, 1, .04, 1, "a", "b", &err), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(verdicts),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests_name("measure.judge_share", tests, NULL, NULL);
}
