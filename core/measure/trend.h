/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Does the error ratio rise or fall over many nights? The exact conditional trend test of Poisson
 * counts (of the kind of W. G. Cochran, Biometrics 10, 1954 and P. Armitage, Biometrics 11, 1955):
 * given the sum of all errors, each error falls into night i with probability bits_i / sum of bits
 * when the ratio never changed; the statistic is T = sum of i * errors_i.
 *
 *	struct evl_trend t;
 *	evl_trend_of_counts(&t, errors, bits, nights, &err);
 *	if (t.p_rising < 0.01) { ... it gets worse ... }
 *
 * Why this and not a rank test (Mann-Kendall): nights differ in bits, and most have no error at
 *all; ranks throw away the first and are all ties in the second. It takes errors as independent:
 *where they come in bursts, give errored seconds and available seconds instead of errors and bits.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

struct evl_trend {
	double p_rising;  /* chance of T or more, if the ratio never changed */
	double p_falling; /* chance of T or less */
	double slope;     /* T / its mean, less 1: above 0 when later nights have more than their
			   * share; 0 without errors */
	bool exact;       /* else by the normal distribution with correction for continuity */
};

#define EVL_TREND_NIGHTS_MAX 1000u
/* The exact distribution is computed while errors * (nights - 1) is at most this. */
#define EVL_TREND_EXACT_MAX 4096u

/* Nights in order of time, at equal distances. EVL_E_INVALID when n is below 2 or above the most,
 * or a night has no exposure: leave that night out; EVL_E_NOMEM. Without errors both p are 1. */
enum evl_status evl_trend_of_counts(struct evl_trend *out, const uint64_t *errors,
	const uint64_t *bits, size_t n, struct evl_err *err);
