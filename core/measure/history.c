/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/history.h"

#include <math.h>
#include <stdlib.h>

#include "core/measure/binomial.h"

const char *evl_history_kind_name(enum evl_history_kind k)
{
	static const char *const names[] = {
		"none", "steady", "broken", "regressed", "recovered", "flaky", "unclear"};
	evl_require((size_t)k < sizeof(names) / sizeof(names[0]));
	return names[k];
}

/* Whole numbers of runs and failures, and x ln x for each of 0 .. runs, so that a likelihood ratio
 * is some additions. */
struct counts {
	size_t n, k;     /* runs, failures */
	const double *x; /* x ln x */
	double all;      /* log likelihood of one probability for all */
};

/* Values that are equal on paper differ by less than this: n ln n is below 2e4. */
#define ROUNDING 1e-10

/* ln of the likelihood ratio for a cut after j runs with f failures; 0 when the change goes the
 * other way. */
static double gain(const struct counts *c, size_t j, size_t f, bool worse)
{
	size_t m = c->n - j, g = c->k - f;
	size_t later = g * j, earlier = f * m; /* shares of failures, times j m */
	if (worse ? later <= earlier : later >= earlier) {
		return 0;
	}
	const double *x = c->x;
	return x[f] + x[j - f] - x[j] + x[g] + x[m - g] - x[m] - c->all;
}

/* Best cut of the runs as they were; the number of runs before it. */
static size_t best_cut(const struct counts *c, const bool *failed, bool worse, double *most)
{
	size_t at = 0, f = 0;
	*most = 0;
	for (size_t j = 1; j < c->n; j++) {
		f += failed[j - 1];
		double g = gain(c, j, f, worse);
		if (g > *most + ROUNDING) {
			*most = g;
			at = j;
		}
	}
	return at;
}

/* Share of all orders of the failures that reach `most` at some cut: one less the probability of
 * the paths that stay below. below[f]: at this run with f failures. */
static double chance(const struct counts *c, double *below, bool worse, double most)
{
	if (most <= ROUNDING) {
		return 1;
	}
	double reached = 0;
	for (size_t f = 0; f <= c->k; f++) {
		below[f] = f == 0;
	}
	for (size_t j = 1; j < c->n; j++) {
		double left = (double)(c->n - j + 1);
		for (size_t f = (j < c->k ? j : c->k) + 1; f-- > 0;) {
			double stay = below[f] * (left - (double)(c->k - f)) / left;
			double step = f > 0 ? below[f - 1] * (double)(c->k - f + 1) / left : 0;
			double p = stay > 0 ? stay + step : step;
			if (p > 0 && gain(c, j, f, worse) >= most - ROUNDING) {
				reached += p;
				p = 0;
			}
			below[f] = p;
		}
	}
	return fmin(1, reached);
}

/* Whether a build has both: looks at the rarer kind of runs only. */
static bool mixed(const bool *failed, const uint32_t *build, size_t n, size_t k)
{
	bool rare = k <= n - k;
	for (size_t i = 0; build != NULL && i < n; i++) {
		for (size_t j = 0; failed[i] == rare && j < n; j++) {
			if (build[i] == build[j] && failed[i] != failed[j]) {
				return true;
			}
		}
	}
	return false;
}

static bool failed_before_a_pass(const bool *failed, size_t n)
{
	bool before = false;
	for (size_t i = 0; i < n; i++) {
		if (before && !failed[i]) {
			return true;
		}
		before = before || failed[i];
	}
	return false;
}

enum evl_status evl_history_of(struct evl_history *out, const bool *failed, const uint32_t *build,
	size_t runs, double confidence, double alpha, struct evl_err *err)
{
	*out = (struct evl_history){.runs = runs, .p_worse = 1, .p_better = 1};
	if (runs > EVL_HISTORY_RUNS_MAX) {
		return evl_err_set(err, EVL_E_INVALID, "a history of %zu runs is longer than %u",
			runs, EVL_HISTORY_RUNS_MAX);
	}
	if (!(confidence > 0 && confidence < 1 && alpha > 0 && alpha < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"confidence %g and chance of a false alarm %g must lie between 0 "
			"and 1",
			confidence, alpha);
	}
	if (runs == 0) {
		return EVL_OK;
	}
	for (size_t i = 0; i < runs; i++) {
		out->failures += failed[i];
	}
	size_t k = out->failures;
	out->share = (double)k / (double)runs;
	out->interval = evl_binomial_interval(k, runs, confidence);
	if (k == 0 || k == runs) {
		out->kind = k == 0 ? EVL_HISTORY_STEADY : EVL_HISTORY_BROKEN;
		return EVL_OK;
	}
	out->mixed_build = mixed(failed, build, runs, k);
	double *room = calloc(runs + 1 + k + 1, sizeof(*room));
	if (room == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu runs", runs);
	}
	double *below = room + runs + 1;
	for (size_t i = 1; i <= runs; i++) {
		room[i] = (double)i * log((double)i);
	}
	struct counts c = {
		.n = runs, .k = k, .x = room, .all = room[k] + room[runs - k] - room[runs]};
	double worse, better;
	size_t worse_at = best_cut(&c, failed, true, &worse);
	size_t better_at = best_cut(&c, failed, false, &better);
	out->p_worse = chance(&c, below, true, worse);
	out->p_better = chance(&c, below, false, better);
	free(room);
	if (out->p_worse <= alpha && out->p_worse <= out->p_better) {
		out->kind = EVL_HISTORY_REGRESSED;
		out->change = worse_at;
	} else if (out->p_better <= alpha) {
		out->kind = EVL_HISTORY_RECOVERED;
		out->change = better_at;
	} else {
		out->kind = out->mixed_build || failed_before_a_pass(failed, runs)
				    ? EVL_HISTORY_FLAKY
				    : EVL_HISTORY_UNCLEAR;
		return EVL_OK;
	}
	size_t later = 0;
	for (size_t i = out->change; i < runs; i++) {
		later += failed[i];
	}
	out->since = evl_binomial_interval(later, runs - out->change, confidence);
	return EVL_OK;
}
