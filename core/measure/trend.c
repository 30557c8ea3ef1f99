/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/trend.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The distribution of T: `events` draws of a night's number with probabilities share[]; all in
 * whole steps, so that the sum of probabilities of equal T is exact. Adds one draw at a time. */
static enum evl_status exact(struct evl_trend *out, const double *share, size_t n, uint64_t events,
	uint64_t observed, struct evl_err *err)
{
	size_t cells = (size_t)events * (n - 1) + 1;
	double *p = calloc(2 * cells, sizeof(*p));
	if (p == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu sums", cells);
	}
	double *now = p, *next = p + cells;
	now[0] = 1;
	for (uint64_t k = 0; k < events; k++) {
		size_t reach = (size_t)k * (n - 1) + 1;
		memset(next, 0, (reach + n - 1) * sizeof(*next));
		for (size_t t = 0; t < reach; t++) {
			for (size_t i = 0; i < n; i++) {
				next[t + i] += now[t] * share[i];
			}
		}
		double *swap = now;
		now = next;
		next = swap;
	}
	double above = 0, below = 0;
	for (size_t t = cells; t-- > observed;) { /* small ones first on either side */
		above += now[t];
	}
	for (size_t t = 0; t <= observed; t++) {
		below += now[t];
	}
	out->p_rising = fmin(1, above);
	out->p_falling = fmin(1, below);
	out->exact = true;
	free(p);
	return EVL_OK;
}

enum evl_status evl_trend_of_counts(struct evl_trend *out, const uint64_t *errors,
	const uint64_t *bits, size_t n, struct evl_err *err)
{
	if (n < 2 || n > EVL_TREND_NIGHTS_MAX) {
		return evl_err_set(err, EVL_E_INVALID, "a trend needs 2 to %u nights, not %zu",
			EVL_TREND_NIGHTS_MAX, n);
	}
	double share[EVL_TREND_NIGHTS_MAX];
	double all_bits = 0, events = 0, observed = 0, mean = 0, square = 0;
	for (size_t i = 0; i < n; i++) {
		if (bits[i] == 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"night %zu of the trend has no measured bits; leave it "
				"out",
				i + 1);
		}
		all_bits += (double)bits[i];
		events += (double)errors[i];
		observed += (double)i * (double)errors[i];
	}
	for (size_t i = 0; i < n; i++) {
		share[i] = (double)bits[i] / all_bits;
		mean += share[i] * (double)i;
		square += share[i] * (double)i * (double)i;
	}
	*out = (struct evl_trend){.p_rising = 1, .p_falling = 1, .exact = true};
	if (events == 0) {
		return EVL_OK;
	}
	out->slope = observed / (events * mean) - 1;
	if (events * (double)(n - 1) <= EVL_TREND_EXACT_MAX) {
		return exact(out, share, n, (uint64_t)events, (uint64_t)observed, err);
	}
	double deviation = sqrt(2 * events * (square - mean * mean));
	out->p_rising = erfc((observed - 0.5 - events * mean) / deviation) / 2;
	out->p_falling = erfc((events * mean - observed - 0.5) / deviation) / 2;
	out->exact = false;
	return EVL_OK;
}
