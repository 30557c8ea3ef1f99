/* SPDX-License-Identifier: Apache-2.0 */
/* Reads lines "NAME COUNT NUMBER...", prints the result with 17 digits; for test_against_scipy.py.
 */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core/measure/compare_counts.h"
#include "core/measure/poisson.h"

int main(void)
{
	char line[256], name[16];
	uint64_t k, n;
	double x;
	while (fgets(line, sizeof(line), stdin) != NULL) {
		if (sscanf(line, "%15s %" SCNu64 " %lf %" SCNu64, name, &k, &x, &n) < 3) {
			return 1;
		}
		if (strcmp(name, "upper") == 0) {
			printf("%.17g\n", evl_poisson_upper(k, x));
		} else if (strcmp(name, "lower") == 0) {
			printf("%.17g\n", evl_poisson_lower(k, x));
		} else if (strcmp(name, "twosided") == 0) {
			struct evl_interval i = evl_poisson_interval(k, x);
			printf("%.17g %.17g\n", i.lower, i.upper);
		} else if (strcmp(name, "atmost") == 0) {
			printf("%.17g\n", evl_poisson_at_most(k, x));
		} else if (strcmp(name, "atleast") == 0) {
			printf("%.17g\n", evl_poisson_at_least(k, x));
		} else if (strcmp(name, "binatleast") == 0) {
			printf("%.17g\n", evl_binomial_at_least(k, n, x));
		} else if (strcmp(name, "binatmost") == 0) {
			printf("%.17g\n", evl_binomial_at_most(k, n, x));
		} else if (strcmp(name, "rates") == 0) {
			/* k errors in A, n in B, three times the exposure: the interval of
			 * the ratio B/A */
			struct evl_count_test t;
			struct evl_err err = {0};
			if (evl_compare_counts(&t, k, 1000000, n, 3000000, x, &err) < 0) {
				return 1;
			}
			printf("%.17g %.17g\n", t.ratio_interval.lower, t.ratio_interval.upper);
		} else {
			return 1;
		}
	}
	return 0;
}
