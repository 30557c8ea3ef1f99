/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/poisson.h"

#include <math.h>
#include <stdbool.h>

#include "core/base/err.h"
#include "core/measure/internal.h"

/* Above this many events the quantile comes from a Cornish-Fisher series, whose first term left out
 * is below 1e-14 of the result; below it from the exact tail, which takes about sqrt(events) steps.
 */
#define SERIES_FROM 10000000.0

double evl_measure_stirling_rest(double n)
{
	if (n >= 16) {
		double r = 1 / (n * n);
		return (1.0 / 12 -
			(1.0 / 360 - (1.0 / 1260 - (1.0 / 1680 - r / 1188) * r) * r) * r) /
		       n;
	}
	double product = 1;
	for (double i = 2; i <= n; i++) {
		product *= i; /* exact up to 15! */
	}
	return log(product) - (0.5 * log(EVL_MEASURE_2PI * n) + n * log(n) - n);
}

double evl_measure_deviance(double x, double m)
{
	if (fabs(x - m) >= 0.1 * (x + m)) {
		return x * log(x / m) + m - x;
	}
	/* ln(x / m) = 2 (v + v^3/3 + v^5/5 + ...) with v = (x - m) / (x + m). */
	double v = (x - m) / (x + m);
	double sum = (x - m) * v;
	double term = 2 * x * v;
	for (int j = 3;; j += 2) {
		term *= v * v;
		double next = sum + term / j;
		if (next == sum) {
			return sum;
		}
		sum = next;
	}
}

static double probability(double k, double m)
{
	if (m <= 0) {
		return k == 0 ? 1 : 0;
	}
	if (k == 0) {
		return exp(-m);
	}
	return exp(-evl_measure_stirling_rest(k) - evl_measure_deviance(k, m)) /
	       sqrt(EVL_MEASURE_2PI * k);
}

/* P(X <= k) where m > k: the terms fall from k downwards. */
static double sum_down(double k, double m)
{
	double term = 1, sum = 1;
	for (double j = k; j > 0; j--) {
		term *= j / m;
		sum += term;
		if (term < sum * 1e-18) {
			break;
		}
	}
	return sum * probability(k, m);
}

/* P(X >= k) where m < k + 1: the terms fall from k upwards. */
static double sum_up(double k, double m)
{
	double term = 1, sum = 1;
	for (double j = k + 1;; j++) {
		term *= m / j;
		sum += term;
		if (term < sum * 1e-18) {
			break;
		}
	}
	return sum * probability(k, m);
}

double evl_poisson_at_most(uint64_t events, double mean)
{
	evl_require(mean >= 0 && isfinite(mean));
	double k = (double)events;
	return mean > k ? sum_down(k, mean) : 1 - sum_up(k + 1, mean);
}

double evl_poisson_at_least(uint64_t events, double mean)
{
	evl_require(mean >= 0 && isfinite(mean));
	if (events == 0) {
		return 1;
	}
	double k = (double)events;
	return mean < k ? sum_up(k, mean) : 1 - sum_down(k - 1, mean);
}

/* z with P(Z > z) = tail, tail <= 0.5. */
static double normal_upper(double tail)
{
	double lo = 0, hi = 40;
	for (int i = 0; i < 200 && lo < hi; i++) {
		double mid = (lo + hi) / 2;
		if (mid == lo || mid == hi) {
			break;
		}
		if (erfc(mid * 0.70710678118654752440) / 2 > tail) {
			lo = mid;
		} else {
			hi = mid;
		}
	}
	return (lo + hi) / 2;
}

/* The quantile of a gamma variable of shape a at the normal score z, by the Cornish-Fisher series
 * (Abramowitz and Stegun 26.2.49 with the cumulants of the gamma distribution). */
static double gamma_series(double a, double z)
{
	double z2 = z * z;
	double r = sqrt(a);
	return a + z * r + (z2 - 1) / 3 + z * (z2 - 7) / (36 * r) -
	       ((3 * z2 + 7) * z2 - 16) / (810 * a) +
	       z * ((9 * z2 + 256) * z2 - 433) / (38880 * a * r);
}

/* The mean m with P(X <= k) = low and P(X >= k+1) = high = 1 - low. The smaller of the two is what
 * is solved for, so that neither loses digits. */
static double solve(double k, double low, double high)
{
	if (k == 0) {
		return low <= high ? -log(low) : -log1p(-high);
	}
	bool down = low <= high;
	double z = down ? normal_upper(low) : -normal_upper(high);
	double a = k + 1;
	if (a > SERIES_FROM) {
		return gamma_series(a, z);
	}
	double c = 1 - 1 / (9 * a) + z / (3 * sqrt(a)); /* Wilson and Hilferty: where to begin */
	double m = c > 0.05 ? a * c * c * c : a * 1e-3;
	double target = log(down ? low : high);
	double lo = 0, hi = INFINITY;
	for (int i = 0; i < 400; i++) {
		double tail;
		if (down) {
			tail = m > k ? sum_down(k, m) : 1 - sum_up(k + 1, m);
		} else {
			tail = m < k + 1 ? sum_up(k + 1, m) : 1 - sum_down(k, m);
		}
		double f = log(tail) - target; /* minus infinity where the tail underflows */
		if ((f < 0) == down) {
			hi = m;
		} else {
			lo = m;
		}
		/* Newton in ln m, where both tails are smooth. */
		double step = f * tail / (probability(k, m) * m);
		double next = m * exp(down ? step : -step);
		if (!(next > lo && next < hi)) {
			next = isfinite(hi) ? (lo + hi) / 2 : 2 * m;
		}
		if (fabs(next - m) <= 2e-16 * m) {
			return next;
		}
		m = next;
	}
	return m;
}

static void require_confidence(double confidence)
{
	evl_require(confidence > 0 && confidence < 1);
}

double evl_poisson_upper(uint64_t events, double confidence)
{
	require_confidence(confidence);
	return solve((double)events, 1 - confidence, confidence);
}

double evl_poisson_lower(uint64_t events, double confidence)
{
	require_confidence(confidence);
	return events == 0 ? 0 : solve((double)events - 1, confidence, 1 - confidence);
}

struct evl_interval evl_poisson_interval(uint64_t events, double confidence)
{
	require_confidence(confidence);
	double tail = (1 - confidence) / 2;
	struct evl_interval i = {
		.lower = events == 0 ? 0 : solve((double)events - 1, 1 - tail, tail),
		.upper = solve((double)events, tail, 1 - tail),
	};
	return i;
}

uint64_t evl_poisson_bits_needed(uint64_t events, double ratio, double confidence)
{
	evl_require(ratio > 0);
	double mean = evl_poisson_upper(events, confidence);
	double bits = ceil(mean / ratio);
	if (!(bits < 18446744073709551616.0)) {
		return UINT64_MAX;
	}
	uint64_t n = (uint64_t)bits;
	/* A limit that is met exactly is not yet proved. */
	return mean / (double)n < ratio || n == UINT64_MAX ? n : n + 1;
}
