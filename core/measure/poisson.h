/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Exact Poisson limits (F. Garwood, Biometrika 28, 1936) for counts of rare independent errors.
 *
 *	double upper = evl_poisson_upper(0, 0.95) / bits;	// 2.9957 / bits
 *
 * Confidence is a number between 0 and 1, both excluded. Accuracy: relative error below 1e-10
 * (tests compare with SciPy's chi-square quantiles).
 */
#pragma once

#include <stdint.h>

struct evl_interval {
	double lower;
	double upper;
};

/* P(X <= events) and P(X >= events) for a Poisson variable of this mean (0 or more, finite). Takes
 * about 10 * sqrt(events) steps. */
double evl_poisson_at_most(uint64_t events, double mean);
double evl_poisson_at_least(uint64_t events, double mean);

/* One-sided limits of the mean: upper is where P(X <= events) = 1 - confidence, lower is where
 * P(X >= events) = 1 - confidence (0 for no events). Divide by the bits for a ratio. */
double evl_poisson_upper(uint64_t events, double confidence);
double evl_poisson_lower(uint64_t events, double confidence);

/* Two-sided: half of 1 - confidence on either side. */
struct evl_interval evl_poisson_interval(uint64_t events, double confidence);

/* The number of bits in which `events` errors at most prove, with one-sided `confidence`, a ratio
 * below `ratio` (above 0); UINT64_MAX when it does not fit. `events` must be fixed beforehand. */
uint64_t evl_poisson_bits_needed(uint64_t events, double ratio, double confidence);
