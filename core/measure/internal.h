/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The two parts of a factorial that keep probabilities exact where the plain formula cancels
 * (C. Loader, "Fast and accurate computation of binomial probabilities", 2000): only for this room.
 *
 *	Poisson: P(k; m) = exp(-rest(k) - deviance(k, m)) / sqrt(2 pi k)
 */
#pragma once

#include <stdbool.h>

#define EVL_MEASURE_2PI 6.283185307179586476925286766559

/* ln n! - (ln sqrt(2 pi n) + n ln n - n), for whole n >= 1. */
double evl_measure_stirling_rest(double n);

/* x ln(x / m) + m - x, for x > 0 and m > 0, without cancellation where x is near m. */
double evl_measure_deviance(double x, double m);

/* P(X >= x) of n trials; q = 1 - p is given apart, so that a p near 1 keeps its digits. */
double evl_measure_binomial_at_least(double x, double n, double p, double q);

/* The odds p / (1 - p) at which P(X <= x) (upper) or P(X >= x) (lower) is `tail`. */
double evl_measure_binomial_odds(double x, double n, double tail, bool upper);
