/* SPDX-License-Identifier: Apache-2.0 */
/* Source: the scheme of ITU-T M.2100 (from memory); figures worked by hand for an allocation of 1
 * %: square roots to two places. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core/measure/limits.h"

static void worked(void **state)
{
	(void)state;
	static const struct {
		double objective, seconds, apo, bispo, d, s1, s2;
	} cases[] = {
		{0.04, 86400, 34.56, 17.28, 8.31, 8.97, 25.59},
		{0.04, 7 * 86400, 241.92, 120.96, 22.00, 98.96, 142.96},
		{0.002, 86400, 1.728, 0.864, 1.86, -1.00, 2.72},
		{0.002, 7 * 86400, 12.096, 6.048, 4.92, 1.13, 10.97},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_bis_limits l;
		struct evl_err err = {0};
		assert_int_equal(evl_bis_limits(&l, cases[i].objective, 0.01, cases[i].seconds, 0.5,
					 2, &err),
			EVL_OK);
		assert_float_equal(l.apo, cases[i].apo, 1e-9);
		assert_float_equal(l.bispo, cases[i].bispo, 1e-9);
		assert_float_equal(l.d, cases[i].d, 0.005);
		assert_float_equal(l.s1, cases[i].s1, 0.005);
		assert_float_equal(l.s2, cases[i].s2, 0.006);
	}
}

static void judged(void **state)
{
	(void)state;
	struct evl_bis_limits l;
	struct evl_err err = {0};
	assert_int_equal(evl_bis_limits(&l, 0.04, 0.01, 86400, 0.5, 2, &err), EVL_OK);
	assert_int_equal(evl_bis_judge(&l, 8), EVL_BIS_ACCEPT); /* S1 8.97, S2 25.59 */
	assert_int_equal(evl_bis_judge(&l, 9), EVL_BIS_PROVISIONAL);
	assert_int_equal(evl_bis_judge(&l, 25), EVL_BIS_PROVISIONAL);
	assert_int_equal(evl_bis_judge(&l, 26), EVL_BIS_REJECT);
	/* Too short a test accepts nothing, not even 0. */
	assert_int_equal(evl_bis_limits(&l, 0.002, 0.01, 86400, 0.5, 2, &err), EVL_OK);
	assert_int_equal(evl_bis_judge(&l, 0), EVL_BIS_PROVISIONAL);
	/* S1 = 0 where BISPO = 4: 4 / (0.002 * 0.01 * 0.5) s. */
	double least = evl_bis_least_exposure(0.002, 0.01, 0.5, 2);
	assert_float_equal(least, 400000, 1e-6);
	assert_int_equal(evl_bis_limits(&l, 0.002, 0.01, least * 1.0001, 0.5, 2, &err), EVL_OK);
	assert_int_equal(evl_bis_judge(&l, 0), EVL_BIS_ACCEPT);
}

static void refused(void **state)
{
	(void)state;
	struct evl_bis_limits l;
	static const double bad[][5] = {{0, .01, 10, .5, 2}, {1.1, .01, 10, .5, 2},
		{.04, 0, 10, .5, 2}, {.04, .01, 0, .5, 2}, {.04, .01, 10, 0, 2},
		{.04, .01, 10, .5, -1}, {.04, .01, NAN, .5, 2}};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct evl_err err = {0};
		assert_int_equal(evl_bis_limits(&l, bad[i][0], bad[i][1], bad[i][2], bad[i][3],
					 bad[i][4], &err),
			EVL_E_INVALID);
		assert_true(strlen(err.text) > 20);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(worked),
		cmocka_unit_test(judged),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests_name("measure.limits", tests, NULL, NULL);
}
