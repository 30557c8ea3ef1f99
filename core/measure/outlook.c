/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/outlook.h"

#include <math.h>
#include <stdlib.h>

#include "core/measure/poisson.h"

#define ERRORS_MAX 20000u

typedef enum evl_verdict (*decide_fn)(const void *plan, uint64_t errors, uint64_t bits);

/* The fewest errors at which the test fails at its last look; more are never alive. */
static uint64_t most_errors(decide_fn decide, const void *plan, uint64_t bits)
{
	uint64_t hi = 1;
	while (hi <= ERRORS_MAX && decide(plan, hi, bits) != EVL_VERDICT_FAIL) {
		hi *= 2;
	}
	return hi;
}

/* P(X = 0 .. n-1) of a Poisson variable; returns how many matter. */
static size_t poisson(double *out, size_t n, double mean)
{
	size_t used = 0;
	for (size_t k = 0; k < n; k++) {
		double p = mean > 0 ? exp((double)k * log(mean) - mean - lgamma((double)k + 1))
				    : k == 0;
		out[k] = p;
		used = k + 1;
		if ((double)k > mean && p < 1e-18) {
			break;
		}
	}
	return used;
}

static enum evl_status forward(struct evl_outlook *out, decide_fn decide, const void *plan,
	double true_ratio, uint64_t per_look, uint32_t looks, struct evl_err *err)
{
	*out = (struct evl_outlook){0};
	if (!(true_ratio >= 0 && true_ratio <= 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the true error ratio is %g; give a number from 0 to 1", true_ratio);
	}
	if (per_look == 0 || looks == 0 || looks > EVL_OUTLOOK_LOOKS_MAX ||
		per_look > UINT64_MAX / looks) {
		return evl_err_set(err, EVL_E_INVALID,
			"%u looks of %llu bits each: give 1 to %u looks of at least 1 "
			"bit, below 2^64 bits in all",
			looks, (unsigned long long)per_look, EVL_OUTLOOK_LOOKS_MAX);
	}
	uint64_t most = most_errors(decide, plan, per_look * looks);
	if (most > ERRORS_MAX) {
		return evl_err_set(err, EVL_E_LIMIT,
			"more than %u errors could come before a decision; plan for fewer "
			"bits",
			ERRORS_MAX);
	}
	enum evl_status status = EVL_OK;
	size_t n = (size_t)most + 1;
	double *alive = calloc(3 * n, sizeof(*alive));
	if (alive == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu states", n);
	}
	double *next = alive + n, *step = alive + 2 * n;
	size_t steps = poisson(step, n, true_ratio * (double)per_look);
	size_t top = 1; /* alive[0 .. top-1] may be above 0 */
	alive[0] = 1;
	double open = 1;
	for (uint32_t look = 1; look <= looks && open > 1e-15; look++) {
		uint64_t bits = per_look * look;
		out->mean_bits += open * (double)per_look;
		size_t wide = top + steps - 1 < n ? top + steps - 1 : n;
		for (size_t k = 0; k < wide; k++) {
			next[k] = 0;
		}
		double kept = 0;
		for (size_t k = 0; k < top; k++) {
			if (alive[k] == 0) {
				continue;
			}
			size_t reach = steps < n - k ? steps : n - k;
			for (size_t j = 0; j < reach; j++) {
				next[k + j] += alive[k] * step[j];
			}
		}
		for (size_t k = 0; k < wide; k++) {
			kept += next[k];
		}
		out->fail += open > kept ? open - kept : 0; /* beyond what is followed */
		open = 0;
		top = 1;
		for (size_t k = 0; k < wide; k++) {
			enum evl_verdict v = decide(plan, k, bits);
			alive[k] = 0;
			if (v == EVL_VERDICT_PASS) {
				out->pass += next[k];
			} else if (v == EVL_VERDICT_FAIL) {
				out->fail += next[k];
			} else if (next[k] > 0) {
				alive[k] = next[k];
				open += next[k];
				top = k + 1;
			}
		}
	}
	out->open = open;
	free(alive);
	return status;
}

static enum evl_verdict by_sequential(const void *plan, uint64_t errors, uint64_t bits)
{
	return evl_sequential_decide(plan, errors, bits);
}

static enum evl_verdict by_sprt(const void *plan, uint64_t errors, uint64_t bits)
{
	return evl_sprt_decide(plan, errors, bits);
}

enum evl_status evl_outlook_sequential(struct evl_outlook *out, const struct evl_sequential *plan,
	double true_ratio, uint64_t bits_per_look, uint32_t looks, struct evl_err *err)
{
	return forward(out, by_sequential, plan, true_ratio, bits_per_look, looks, err);
}

enum evl_status evl_outlook_sprt(struct evl_outlook *out, const struct evl_sprt *plan,
	double true_ratio, uint64_t bits_per_look, uint32_t looks, struct evl_err *err)
{
	return forward(out, by_sprt, plan, true_ratio, bits_per_look, looks, err);
}
