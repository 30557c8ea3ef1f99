/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/compare_counts.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

#include "core/measure/internal.h"

/* P(X = x) for n trials; q = 1 - p is given apart, so that a p near 1 keeps its digits. */
static double probability(double x, double n, double p, double q)
{
	if (p <= 0) {
		return x == 0 ? 1 : 0;
	}
	if (q <= 0) {
		return x == n ? 1 : 0;
	}
	if (x == 0) {
		return p < q ? exp(n * log1p(-p)) : exp(n * log(q));
	}
	if (x == n) {
		return q < p ? exp(n * log1p(-q)) : exp(n * log(p));
	}
	double rest = evl_measure_stirling_rest(n) - evl_measure_stirling_rest(x) -
		      evl_measure_stirling_rest(n - x);
	double e = rest - evl_measure_deviance(x, n * p) - evl_measure_deviance(n - x, n * q);
	return exp(e) * sqrt(n / (EVL_MEASURE_2PI * x * (n - x)));
}

/* P(X >= x), summed upwards: for x at or above the mean. */
static double sum_up(double x, double n, double p, double q)
{
	double odds = p / q;
	double term = 1, sum = 1;
	for (double j = x; j < n; j++) {
		term *= (n - j) / (j + 1) * odds;
		sum += term;
		if (term < sum * 1e-18) {
			break;
		}
	}
	return fmin(1, sum * probability(x, n, p, q));
}

static double at_least(double x, double n, double p, double q)
{
	if (x <= 0) {
		return 1;
	}
	if (x > n || p <= 0) {
		return 0;
	}
	if (q <= 0) {
		return 1;
	}
	if (x >= n * p) {
		return sum_up(x, n, p, q);
	}
	/* The other tail, seen from the failures. */
	return 1 - sum_up(n - x + 1, n, q, p);
}

static double at_most(double x, double n, double p, double q)
{
	return at_least(n - x, n, q, p);
}

double evl_binomial_at_least(uint64_t successes, uint64_t n, double p)
{
	evl_require(p >= 0 && p <= 1);
	return at_least((double)successes, (double)n, p, 1 - p);
}

double evl_binomial_at_most(uint64_t successes, uint64_t n, double p)
{
	evl_require(p >= 0 && p <= 1);
	return successes >= n ? 1 : at_most((double)successes, (double)n, p, 1 - p);
}

/* The odds p / (1 - p) at which the tail is as given (C. J. Clopper and E. S. Pearson, Biometrika
 * 26, 1934), by halving their logarithm. */
static double odds_for(double x, double n, double tail, int upper)
{
	double lo = -745, hi = 745;
	for (int i = 0; i < 100; i++) {
		double mid = (lo + hi) / 2;
		if (mid == lo || mid == hi) {
			break;
		}
		double e = exp(-fabs(mid));
		double minor = e / (1 + e), major = 1 / (1 + e);
		double p = mid < 0 ? minor : major, q = mid < 0 ? major : minor;
		int rising = upper ? at_most(x, n, p, q) > tail : at_least(x, n, p, q) < tail;
		if (rising) {
			lo = mid;
		} else {
			hi = mid;
		}
	}
	return exp((lo + hi) / 2);
}

enum evl_status evl_compare_counts(struct evl_count_test *out, uint64_t errors_a, uint64_t bits_a,
				   uint64_t errors_b, uint64_t bits_b, double confidence,
				   struct evl_err *err)
{
	if (bits_a == 0 || bits_b == 0) {
		return evl_err_set(err, EVL_E_INVALID,
				   "cannot compare: no bits were measured in %s",
				   bits_a == 0 ? (bits_b == 0 ? "either run" : "the first run")
					       : "the second run");
	}
	if (!(confidence > 0 && confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
				   "confidence %g is not between 0 and 1 (both excluded)",
				   confidence);
	}
	double a = (double)errors_a, b = (double)errors_b, n = a + b;
	double ta = (double)bits_a, tb = (double)bits_b;
	double p = tb / (ta + tb), q = ta / (ta + tb);
	double tail = (1 - confidence) / 2;
	out->p_worse = at_least(b, n, p, q);
	out->p_better = b >= n ? 1 : at_most(b, n, p, q);
	out->p_two_sided = fmin(1, 2 * fmin(out->p_worse, out->p_better));
	out->ratio = (b / tb) / (a / ta);
	out->ratio_interval.lower = errors_b == 0 ? 0 : odds_for(b, n, tail, 0) * (ta / tb);
	out->ratio_interval.upper = errors_a == 0 ? INFINITY : odds_for(b, n, tail, 1) * (ta / tb);
	return EVL_OK;
}

struct ranked {
	double p;
	size_t i;
};

static int by_p(const void *x, const void *y)
{
	const struct ranked *a = x, *b = y;
	if (a->p != b->p) {
		return a->p < b->p ? -1 : 1;
	}
	return a->i < b->i ? -1 : a->i > b->i;
}

enum evl_status evl_holm_adjust(double *adjusted, const double *p, size_t n, struct evl_err *err)
{
	if (n == 0) {
		return EVL_OK;
	}
	struct ranked *r = calloc(n, sizeof(*r));
	if (r == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu p values", n);
	}
	enum evl_status status = EVL_OK;
	for (size_t i = 0; i < n; i++) {
		if (!(p[i] >= 0 && p[i] <= 1)) {
			status = evl_err_set(err, EVL_E_INVALID,
					     "p value %zu is %g, not within 0 to 1", i, p[i]);
			goto out;
		}
		r[i] = (struct ranked){p[i], i};
	}
	qsort(r, n, sizeof(*r), by_p);
	double least = 0;
	for (size_t j = 0; j < n; j++) {
		least = fmax(least, fmin(1, (double)(n - j) * r[j].p));
		adjusted[r[j].i] = least;
	}
out:
	free(r);
	return status;
}
