/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/compare_shares.h"

#include <math.h>
#include <stdbool.h>

/* ln of n over k */
static double ln_choose(double n, double k)
{
	return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1);
}

enum evl_status evl_compare_shares(double *p_more, size_t failures_before, size_t runs_before,
	size_t failures_after, size_t runs_after, struct evl_err *err)
{
	*p_more = 1;
	if (failures_before > runs_before || failures_after > runs_after) {
		return evl_err_set(
			err, EVL_E_INVALID, "more failures than runs cannot be compared");
	}
	if (runs_before > EVL_SHARES_RUNS_MAX || runs_after > EVL_SHARES_RUNS_MAX - runs_before) {
		return evl_err_set(err, EVL_E_INVALID,
			"shares of more than %u runs cannot be compared", EVL_SHARES_RUNS_MAX);
	}
	if (runs_before == 0 || runs_after == 0) {
		return EVL_OK;
	}
	double n = (double)(runs_before + runs_after), m = (double)runs_after;
	double k = (double)(failures_before + failures_after);
	double most = fmin(k, m), least = fmax(0, k + m - n);
	if ((double)failures_after <= least) {
		return EVL_OK;
	}
	/* Away from the middle, where terms only get smaller, each from the one before it. */
	double i = (double)failures_after, sum = 0;
	bool upwards = i > k * m / n;
	i -= upwards ? 0 : 1;
	double term = exp(ln_choose(k, i) + ln_choose(n - k, m - i) - ln_choose(n, m));
	for (; upwards && i <= most; i++) {
		sum += term;
		term *= (k - i) * (m - i) / ((i + 1) * (n - k - m + i + 1));
	}
	for (; !upwards && i >= least; i--) {
		sum += term;
		term *= i * (n - k - m + i) / ((k - i + 1) * (m - i + 1));
	}
	*p_more = fmax(0, fmin(1, upwards ? sum : 1 - sum));
	return EVL_OK;
}
