/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Values of chi-square tables, as any handbook prints them to four places (Garwood 1936: the limits
 * are half a chi-square quantile), and worked examples of the exact comparison of two counts. The
 * fine comparison with SciPy is test_against_scipy.py.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/measure/compare_counts.h"
#include "core/measure/poisson.h"

static void near(double got, double want, double within)
{
	if (!(fabs(got - want) <= within)) {
		print_error("%.10g instead of %.10g\n", got, want);
	}
	assert_true(fabs(got - want) <= within);
}

static void upper_limits(void **state)
{
	(void)state;
	static const double confidence[] = {0.90, 0.95, 0.99, 0.999};
	static const double want[6][4] = {
		{2.3026, 2.9957, 4.6052, 6.9078},   {3.8897, 4.7439, 6.6384, 9.2334},
		{5.3223, 6.2958, 8.4059, 11.2289},  {6.6808, 7.7537, 10.0451, 13.0622},
		{7.9936, 9.1535, 11.6046, 14.7941}, {9.2747, 10.5130, 13.1085, 16.4547},
	};
	for (uint64_t k = 0; k < 6; k++) {
		for (size_t c = 0; c < 4; c++) {
			near(evl_poisson_upper(k, confidence[c]), want[k][c], 5.1e-5);
		}
	}
}

static void two_sided(void **state)
{
	(void)state;
	static const struct {
		uint64_t k;
		double l95, u95, l99, u99;
	} want[] = {
		{0, 0, 3.6889, 0, 5.2983},
		{1, 0.0253, 5.5716, 0.0050, 7.4301},
		{2, 0.2422, 7.2247, 0.1035, 9.2738},
		{3, 0.6187, 8.7673, 0.3379, 10.9775},
		{5, 1.6235, 11.6683, 1.0779, 14.1498},
		{10, 4.7954, 18.3904, 3.7169, 21.3978},
		{20, 12.2165, 30.8884, 10.3533, 34.6680},
		{50, 37.1110, 65.9188, 33.6638, 71.2661},
		{100, 81.3640, 121.6268, 76.1205, 128.7606},
	};
	for (size_t i = 0; i < sizeof(want) / sizeof(want[0]); i++) {
		struct evl_interval a = evl_poisson_interval(want[i].k, 0.95);
		struct evl_interval b = evl_poisson_interval(want[i].k, 0.99);
		near(a.lower, want[i].l95, 5.1e-5);
		near(a.upper, want[i].u95, 5.1e-5);
		near(b.lower, want[i].l99, 5.1e-5);
		near(b.upper, want[i].u99, 5.1e-5);
	}
}

/* For no events everything is in closed form. */
static void closed_forms(void **state)
{
	(void)state;
	for (double c = 1e-12; c < 1; c = c < 0.5 ? c * 3 : (1 + c) / 2) {
		near(evl_poisson_upper(0, c), -log1p(-c), 1e-13 * -log1p(-c));
		near(evl_poisson_lower(1, c), -log(c), 1e-13 + 1e-13 * -log(c));
		if (1 - c < 1e-12) {
			break;
		}
	}
	assert_true(evl_poisson_lower(0, 0.95) == 0);
	near(evl_poisson_at_most(0, 2.5), exp(-2.5), 1e-16);
	near(evl_poisson_at_least(1, 1e-9), -expm1(-1e-9), 1e-22);
	assert_true(evl_poisson_at_least(0, 7) == 1);
	assert_true(evl_poisson_at_most(3, 0) == 1);
	assert_true(evl_poisson_at_least(3, 0) == 0);
}

/* 95 % and no error below 1e-9 at 2048 kbit/s takes 1463 s. */
static void bits_needed(void **state)
{
	(void)state;
	near((double)evl_poisson_bits_needed(0, 1e-9, 0.95) / 2048000, 1462.76, 0.01);
	near((double)evl_poisson_bits_needed(0, 1e-10, 0.95) / 155520000, 192.6, 0.05);
	assert_true(evl_poisson_bits_needed(0, 1e-300, 0.95) == UINT64_MAX);
	assert_int_equal(evl_poisson_bits_needed(0, 1, 0.95), 3);
}

static void compare(void **state)
{
	(void)state;
	struct evl_count_test t;
	struct evl_err err = {0};
	assert_int_equal(evl_compare_counts(&t, 4, 1000, 15, 1000, 0.95, &err), EVL_OK);
	near(t.p_worse, 0.009605, 1e-6);
	near(t.p_two_sided, 0.019211, 1e-6);
	near(t.ratio, 3.75, 1e-12);
	near(t.ratio_interval.lower, 1.1947, 1e-4);
	near(t.ratio_interval.upper, 15.5222, 1e-4);
	evl_compare_counts(&t, 2, 50, 9, 50, 0.95, &err);
	near(t.p_worse, 0.032715, 1e-6);
	evl_compare_counts(&t, 2, 3600, 12, 7200, 0.95, &err);
	near(t.p_worse, 0.105334, 1e-6);
	near(t.p_two_sided, 0.210667, 1e-6);
	evl_compare_counts(&t, 12, 9, 3, 9, 0.95, &err);
	near(t.p_better, 0.017578, 1e-6);
	evl_compare_counts(&t, 0, 9, 0, 9, 0.95, &err);
	assert_true(t.p_worse == 1 && t.p_better == 1 && t.p_two_sided == 1);
	assert_true(isnan(t.ratio) && t.ratio_interval.lower == 0 && isinf(t.ratio_interval.upper));
	evl_compare_counts(&t, 0, 9, 5, 9, 0.95, &err);
	near(t.p_worse, 1.0 / 32, 1e-15);
	assert_true(t.p_better == 1 && isinf(t.ratio) && isinf(t.ratio_interval.upper));
	evl_compare_counts(&t, 5, 9, 0, 9, 0.95, &err);
	near(t.p_better, 1.0 / 32, 1e-15);
	assert_true(t.p_worse == 1 && t.ratio == 0 && t.ratio_interval.lower == 0);
	assert_int_equal(evl_compare_counts(&t, 0, 0, 0, 9, 0.95, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "first run"));
	assert_int_equal(evl_compare_counts(&t, 0, 9, 0, 0, 0.95, &err), EVL_E_INVALID);
	assert_int_equal(evl_compare_counts(&t, 0, 9, 0, 9, 1, &err), EVL_E_INVALID);
}

/* Holm's rule worked by hand: (m - j + 1) p_j, made to rise. */
static void holm(void **state)
{
	(void)state;
	double p[] = {0.60, 0.012, 0.001, 0.041, 0.030, 0.008};
	static const double want[] = {0.60, 0.0480, 0.0060, 0.0900, 0.0900, 0.0400};
	struct evl_err err = {0};
	assert_int_equal(evl_holm_adjust(p, p, 6, &err), EVL_OK);
	for (size_t i = 0; i < 6; i++) {
		near(p[i], want[i], 1e-12);
	}
	double all[] = {0.9, 0.8};
	assert_int_equal(evl_holm_adjust(all, all, 2, &err), EVL_OK);
	assert_true(all[0] == 1 && all[1] == 1);
	assert_int_equal(evl_holm_adjust(NULL, NULL, 0, &err), EVL_OK);
	double bad[] = {0.5, NAN};
	assert_int_equal(evl_holm_adjust(bad, bad, 2, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "p value 1"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(upper_limits), cmocka_unit_test(two_sided),
		cmocka_unit_test(closed_forms), cmocka_unit_test(bits_needed),
		cmocka_unit_test(compare),      cmocka_unit_test(holm),
	};
	return cmocka_run_group_tests_name("measure.poisson", tests, NULL, NULL);
}
