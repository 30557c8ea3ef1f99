/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Exact binomial tails and limits (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934): for
 * shares, such as errored seconds among available seconds. For bits, where the ratio is tiny, the
 * Poisson limits (poisson.h) are the same to all digits that matter.
 *
 *	double upper = evl_binomial_upper(3, 60, 0.95);	// of the share, one-sided
 *
 * Confidence is a number between 0 and 1, both excluded; n is 1 or more, k at most n. Accuracy:
 * relative error below 1e-10 (tests compare with SciPy's beta quantiles). A limit takes about
 * 1000 * sqrt(k) steps.
 */
#pragma once

#include <stdint.h>

#include "core/measure/poisson.h"

/* P(X >= successes) and P(X <= successes) for a binomial variable of n trials, probability p. */
double evl_binomial_at_least(uint64_t successes, uint64_t n, double p);
double evl_binomial_at_most(uint64_t successes, uint64_t n, double p);

/* One-sided limits of the probability: upper is where P(X <= k) = 1 - confidence (1 for k = n),
 * lower is where P(X >= k) = 1 - confidence (0 for k = 0). */
double evl_binomial_upper(uint64_t k, uint64_t n, double confidence);
double evl_binomial_lower(uint64_t k, uint64_t n, double confidence);

/* Two-sided: half of 1 - confidence on either side. */
struct evl_interval evl_binomial_interval(uint64_t k, uint64_t n, double confidence);

/* The fewest trials in which k successes at most prove, one-sided, a probability below `share`
 * (above 0, below 1); UINT64_MAX when more than 2^52 would be needed. k must be fixed beforehand.
 */
uint64_t evl_binomial_trials_needed(uint64_t k, double share, double confidence);
