/* SPDX-License-Identifier: Apache-2.0 */
/* Reads lines "NAME NUMBER NUMBER ...", prints results with 17 digits; for
 * test_tests_against_scipy.py. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/measure/compare_counts.h"
#include "core/measure/compare_shares.h"
#include "core/measure/history.h"
#include "core/measure/plan.h"
#include "core/measure/trend.h"

#define MOST 2000

static double x[MOST];
static size_t n;

static uint64_t whole(size_t i)
{
	return (uint64_t)x[i];
}

static void print(const double *v, size_t count)
{
	for (size_t i = 0; i < count; i++) {
		printf("%.17g ", v[i]);
	}
	puts("");
}

static int answer(const char *name)
{
	struct evl_err err = {0};
	double out[MOST];
	struct evl_gamma_prior prior = {x[0], x[1]};
	if (strcmp(name, "binupper") == 0) {
		print((double[]){evl_binomial_upper(whole(0), whole(1), x[2])}, 1);
	} else if (strcmp(name, "binlower") == 0) {
		print((double[]){evl_binomial_lower(whole(0), whole(1), x[2])}, 1);
	} else if (strcmp(name, "binboth") == 0) {
		struct evl_interval i = evl_binomial_interval(whole(0), whole(1), x[2]);
		print((double[]){i.lower, i.upper}, 2);
	} else if (strcmp(name, "trials") == 0) {
		print((double[]){(double)evl_binomial_trials_needed(whole(0), x[1], x[2])}, 1);
	} else if (strcmp(name, "evidence") == 0) {
		print((double[]){evl_sequential_log_evidence(prior, whole(2), x[3], x[4])}, 1);
	} else if (strcmp(name, "anytime") == 0) {
		print((double[]){evl_sequential_lower(prior, whole(2), x[3], x[4]),
			      evl_sequential_upper(prior, whole(2), x[3], x[4])},
			2);
	} else if (strcmp(name, "bh") == 0) {
		if (evl_benjamini_hochberg_adjust(out, x, n, &err) < 0) {
			return 1;
		}
		print(out, n);
	} else if (strcmp(name, "holm") == 0) {
		if (evl_holm_adjust(out, x, n, &err) < 0) {
			return 1;
		}
		print(out, n);
	} else if (strcmp(name, "trend") == 0 ||
		   strcmp(name, "trendmany") == 0) { /* errors, then bits */
		uint64_t errors[MOST], bits[MOST];
		for (size_t i = 0; i < n / 2; i++) {
			errors[i] = whole(i);
			bits[i] = whole(n / 2 + i);
		}
		struct evl_trend t;
		if (evl_trend_of_counts(&t, errors, bits, n / 2, &err) < 0) {
			return 1;
		}
		print((double[]){t.p_rising, t.p_falling, t.exact}, 3);
	} else if (strcmp(name, "history") == 0) {
		bool failed[MOST];
		for (size_t i = 0; i < n; i++) {
			failed[i] = x[i] != 0;
		}
		struct evl_history h;
		if (evl_history_of(&h, failed, NULL, n, 0.95, 0.05, &err) < 0) {
			return 1;
		}
		print((double[]){h.p_worse, h.p_better}, 2);
	} else if (strcmp(name, "shares") == 0) {
		if (evl_compare_shares(out, whole(0), whole(1), whole(2), whole(3), &err) < 0) {
			return 1;
		}
		print(out, 1);
	} else if (strcmp(name, "plan") == 0) {
		struct evl_plan_request q = {.limit = x[0],
			.confidence = x[1],
			.bits_per_second = 1,
			.channels = (uint32_t)x[2],
			.all_at_once = x[3] != 0,
			.true_ratio = x[4]};
		struct evl_plan_fixed f;
		if (evl_plan_fixed(&f, &q, whole(5), &err) < 0) {
			return 1;
		}
		print((double[]){f.mean, (double)f.bits, f.power, f.power_of_all}, 4);
	} else {
		return 1;
	}
	return 0;
}

int main(void)
{
	static char line[100000];
	while (fgets(line, sizeof(line), stdin) != NULL) {
		char *name = strtok(line, " \n");
		n = 0;
		for (char *one = strtok(NULL, " \n"); one != NULL && n < MOST;
			one = strtok(NULL, " \n")) {
			x[n++] = strtod(one, NULL);
		}
		if (name == NULL || answer(name) != 0) {
			return 1;
		}
	}
	return 0;
}
