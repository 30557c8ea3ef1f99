/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: ETSI ES 201 873-1 clause 24 (how verdicts combine; the table from memory); chi-square
 * tables for the Poisson limits (2.9957 errors at 95 % for none seen, and so on; also compared with
 * SciPy in test_against_scipy.py).
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/measure/verdict.h"

static void combine(void **state)
{
	(void)state;
	enum { N, P, I, F, E };
	static const int table[5][5] = {
		{N, P, I, F, E}, {P, P, I, F, E}, {I, I, I, F, E}, {F, F, F, F, E}, {E, E, E, E, E},
	};
	static const char *const names[] = {"none", "pass", "inconclusive", "fail", "error"};
	for (int a = 0; a < 5; a++) {
		for (int b = 0; b < 5; b++) {
			assert_int_equal(
				evl_verdict_worse((enum evl_verdict)a, (enum evl_verdict)b),
				table[a][b]);
		}
		enum evl_verdict v;
		assert_string_equal(evl_verdict_name((enum evl_verdict)a), names[a]);
		assert_true(evl_verdict_by_name(&v, names[a]));
		assert_int_equal(v, a);
	}
	enum evl_verdict v;
	assert_false(evl_verdict_by_name(&v, "passed"));
}

/* With limit L and no errors 95 % needs 2.9957 / L bits; one bit short is inconclusive. */
static void ratio(void **state)
{
	(void)state;
	static const struct {
		uint64_t errors, bits;
		double limit, confidence;
		enum evl_verdict want;
	} cases[] = {
		{0, 2995732274u, 1e-9, 0.95, EVL_VERDICT_PASS},
		{0, 2995732273u, 1e-9, 0.95, EVL_VERDICT_INCONCLUSIVE},
		{0, 4605170186u, 1e-9, 0.99, EVL_VERDICT_PASS},
		{0, 4605170185u, 1e-9, 0.99, EVL_VERDICT_INCONCLUSIVE},
		{5, 10513100000u, 1e-9, 0.95, EVL_VERDICT_PASS},
		{5, 10512900000u, 1e-9, 0.95, EVL_VERDICT_INCONCLUSIVE},
		/* lower limit of 5: 1.9701 (chi-square 0.05 with 10 degrees: 3.9403 / 2) */
		{5, 1970000000u, 1e-9, 0.95, EVL_VERDICT_FAIL},
		{5, 1970300000u, 1e-9, 0.95, EVL_VERDICT_INCONCLUSIVE},
		{0, 0, 1e-9, 0.95, EVL_VERDICT_INCONCLUSIVE},
		{0, 1000000000000u, 0, 0.95, EVL_VERDICT_INCONCLUSIVE},
		{1, 1000000000000u, 0, 0.95, EVL_VERDICT_FAIL},
		{1000, 1000, 0.5, 0.95, EVL_VERDICT_FAIL},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_judgement j;
		struct evl_err err = {0};
		assert_int_equal(evl_judge_ratio(&j, cases[i].errors, cases[i].bits, cases[i].limit,
						 cases[i].confidence, &err),
				 EVL_OK);
		assert_int_equal(j.verdict, cases[i].want);
		assert_true(j.lower <= j.value && (j.value <= j.upper));
		assert_true(strlen(j.sentence) > 20 && strlen(j.rule) > 5);
		if (j.bits_needed > 0) {
			struct evl_judgement more;
			assert_int_equal(evl_judge_ratio(&more, cases[i].errors, j.bits_needed,
							 cases[i].limit, cases[i].confidence, &err),
					 EVL_OK);
			assert_int_equal(more.verdict, EVL_VERDICT_PASS);
		} else {
			assert_true(cases[i].limit <= 0);
		}
	}
}

static void sentences(void **state)
{
	(void)state;
	struct evl_judgement j;
	struct evl_err err = {0};
	evl_judge_ratio(&j, 1, 1000, 1e-9, 0.95, &err);
	assert_non_null(strstr(j.sentence, "1 error in 1000 bits"));
	assert_non_null(strstr(j.sentence, "95 % confidence"));
	assert_non_null(strstr(j.sentence, "limit of 1e-09"));
	evl_judge_ratio(&j, 0, 1000, 1e-9, 0.999, &err);
	assert_int_equal(j.verdict, EVL_VERDICT_INCONCLUSIVE);
	assert_non_null(strstr(j.sentence, "99.9 % confidence"));
	assert_non_null(strstr(j.sentence, "6907755279 bits")); /* ln 1000 / 1e-9 */
	evl_judge_ratio(&j, UINT64_MAX, UINT64_MAX, 1.0, 0.999999999999, &err);
	assert_true(strlen(j.sentence) < sizeof(j.sentence) - 1);
	evl_judge_count(&j, 2, 0, "losses of pattern synchronisation");
	assert_int_equal(j.verdict, EVL_VERDICT_FAIL);
	assert_string_equal(j.sentence,
			    "losses of pattern synchronisation: 2, allowed are 0 at most");
	evl_judge_count(&j, 3, 3, "slips");
	assert_int_equal(j.verdict, EVL_VERDICT_PASS);
}

static void bad_input(void **state)
{
	(void)state;
	static const struct {
		uint64_t errors, bits;
		double limit, confidence;
		const char *says;
	} cases[] = {
		{0, 10, -1e-9, 0.95, "limit"},    {0, 10, 1.5, 0.95, "limit"},
		{0, 10, NAN, 0.95, "limit"},      {0, 10, 1e-9, 0, "confidence"},
		{0, 10, 1e-9, 1, "confidence"},   {0, 10, 1e-9, 95, "confidence"},
		{0, 10, 1e-9, NAN, "confidence"}, {11, 10, 1e-9, 0.95, "11 errors"},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_judgement j;
		struct evl_err err = {0};
		assert_int_equal(evl_judge_ratio(&j, cases[i].errors, cases[i].bits, cases[i].limit,
						 cases[i].confidence, &err),
				 EVL_E_INVALID);
		assert_int_equal(j.verdict, EVL_VERDICT_ERROR);
		assert_non_null(strstr(err.text, cases[i].says));
		assert_string_equal(j.sentence, err.text);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(combine),
		cmocka_unit_test(ratio),
		cmocka_unit_test(sentences),
		cmocka_unit_test(bad_input),
	};
	return cmocka_run_group_tests_name("measure.verdict", tests, NULL, NULL);
}
