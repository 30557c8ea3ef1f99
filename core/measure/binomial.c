/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/binomial.h"

#include <math.h>

#include "core/base/err.h"
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

double evl_measure_binomial_at_least(double x, double n, double p, double q)
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
	return evl_measure_binomial_at_least(n - x, n, q, p);
}

double evl_binomial_at_least(uint64_t successes, uint64_t n, double p)
{
	evl_require(p >= 0 && p <= 1);
	return evl_measure_binomial_at_least((double)successes, (double)n, p, 1 - p);
}

double evl_binomial_at_most(uint64_t successes, uint64_t n, double p)
{
	evl_require(p >= 0 && p <= 1);
	return successes >= n ? 1 : at_most((double)successes, (double)n, p, 1 - p);
}

/* By halving the logarithm of the odds, which is exact at both ends of the scale; the smaller of
 * the two tails is looked at, so that neither loses digits. */
double evl_measure_binomial_odds(double x, double n, double tail, bool upper)
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
		bool rising;
		if (upper) {
			rising = tail <= 0.5
					 ? at_most(x, n, p, q) > tail
					 : evl_measure_binomial_at_least(x + 1, n, p, q) < 1 - tail;
		} else {
			rising = tail <= 0.5 ? evl_measure_binomial_at_least(x, n, p, q) < tail
					     : at_most(x - 1, n, p, q) > 1 - tail;
		}
		if (rising) {
			lo = mid;
		} else {
			hi = mid;
		}
	}
	return exp((lo + hi) / 2);
}

static double share_of(double odds)
{
	return isinf(odds) ? 1 : odds / (1 + odds);
}

static double upper(double k, double n, double tail)
{
	if (k >= n) {
		return 1;
	}
	if (k == 0) {
		return -expm1(log(tail) / n);
	}
	return share_of(evl_measure_binomial_odds(k, n, tail, true));
}

static double lower(double k, double n, double tail)
{
	if (k == 0) {
		return 0;
	}
	if (k >= n) {
		return exp(log(tail) / n);
	}
	return share_of(evl_measure_binomial_odds(k, n, tail, false));
}

static void require_sense(uint64_t k, uint64_t n, double confidence)
{
	evl_require(n > 0 && k <= n && confidence > 0 && confidence < 1);
}

double evl_binomial_upper(uint64_t k, uint64_t n, double confidence)
{
	require_sense(k, n, confidence);
	return upper((double)k, (double)n, 1 - confidence);
}

double evl_binomial_lower(uint64_t k, uint64_t n, double confidence)
{
	require_sense(k, n, confidence);
	return lower((double)k, (double)n, 1 - confidence);
}

struct evl_interval evl_binomial_interval(uint64_t k, uint64_t n, double confidence)
{
	require_sense(k, n, confidence);
	double tail = (1 - confidence) / 2;
	return (struct evl_interval){.lower = lower((double)k, (double)n, tail),
		.upper = upper((double)k, (double)n, tail)};
}

uint64_t evl_binomial_trials_needed(uint64_t k, double share, double confidence)
{
	evl_require(share > 0 && share < 1 && confidence > 0 && confidence < 1);
	const uint64_t most = (uint64_t)1 << 52;
	if (k >= most) {
		return UINT64_MAX;
	}
	uint64_t lo = k, hi = k + 1; /* not enough at lo */
	while (evl_binomial_at_most(k, hi, share) >= 1 - confidence) {
		if (hi >= most) {
			return UINT64_MAX;
		}
		lo = hi;
		hi *= 2;
	}
	while (hi - lo > 1) {
		uint64_t mid = lo + (hi - lo) / 2;
		if (evl_binomial_at_most(k, mid, share) >= 1 - confidence) {
			lo = mid;
		} else {
			hi = mid;
		}
	}
	return hi;
}
