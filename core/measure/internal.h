/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The two parts of a factorial that keep probabilities exact where the plain formula cancels
 * (C. Loader, "Fast and accurate computation of binomial probabilities", 2000): only for this room.
 *
 *	Poisson: P(k; m) = exp(-rest(k) - deviance(k, m)) / sqrt(2 pi k)
 */
#pragma once

#define EVL_MEASURE_2PI 6.283185307179586476925286766559

/* ln n! - (ln sqrt(2 pi n) + n ln n - n), for whole n >= 1. */
double evl_measure_stirling_rest(double n);

/* x ln(x / m) + m - x, for x > 0 and m > 0, without cancellation where x is near m. */
double evl_measure_deviance(double x, double m);
