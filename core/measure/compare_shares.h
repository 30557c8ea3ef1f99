/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Does it fail more often than before, or is that chance? Fisher's exact test of two shares (R. A.
 * Fisher, J. R. Statist. Soc. 98, 1935), one-sided: given all failures, how many of them fall to
 * the later runs is hypergeometric when the probability never changed.
 *
 *	double p;
 *	evl_compare_shares(&p, 1, 50, 3, 10, &err);	// 1 of 50 before, 3 of 10 now
 *	if (p < 0.05) { ... it fails more often ... }
 */
#pragma once

#include <stddef.h>

#include "core/base/err.h"

#define EVL_SHARES_RUNS_MAX 1000000u /* of both together */

/* Chance of as many failures or more among the later runs; 1 when either side has no runs. Relative
 * error below 1e-10 up to 3000 runs, 1e-7 up to the most (tests compare with SciPy). EVL_E_INVALID:
 * more failures than runs, or too many runs. */
enum evl_status evl_compare_shares(double *p_more, size_t failures_before, size_t runs_before,
	size_t failures_after, size_t runs_after, struct evl_err *err);
