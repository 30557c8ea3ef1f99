/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A case over many runs: steady, regressed, recovered or flaky? From the order of its verdicts.
 *
 *	struct evl_history h;
 *	evl_history_of(&h, failed, build, runs, 0.95, 0.05, &err);
 *	if (h.kind == EVL_HISTORY_FLAKY) { ... }
 *
 * The test of one change: if the case always failed with the same probability, all orders of its k
 * failures among n runs are equally likely. For every place where the runs can be cut in two the
 * statistic G is the likelihood ratio of two probabilities against one; its largest value over all
 * cuts that go towards more failures (or towards fewer) is compared with that of all orders. Their
 * number below is counted exactly, path by path through (runs, failures), so the p value holds for
 * any n. The cut is where the change most likely came.
 *
 * The rule, in this order:
 *	none        no runs
 *	steady      all passed
 *	broken      all failed
 *	regressed   p of more failures <= alpha: worse from `change` on, not a matter of chance
 *	recovered   p of fewer failures <= alpha
 *	flaky       one build both passed and failed, or a failure came before a pass
 *	unclear     it failed in the last runs only, too few to tell
 * Inconclusive runs and errors of the tester say nothing and are left out by the caller.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/poisson.h"

enum evl_history_kind {
	EVL_HISTORY_NONE = 0,
	EVL_HISTORY_STEADY,
	EVL_HISTORY_BROKEN,
	EVL_HISTORY_REGRESSED,
	EVL_HISTORY_RECOVERED,
	EVL_HISTORY_FLAKY,
	EVL_HISTORY_UNCLEAR,
};

const char *evl_history_kind_name(enum evl_history_kind k);

struct evl_history {
	enum evl_history_kind kind;
	size_t runs, failures;
	double share;                 /* failures / runs */
	struct evl_interval interval; /* of the probability of failing: exact, two-sided */
	double p_worse;               /* chance of such a change towards failing by order alone */
	double p_better;
	size_t change;             /* REGRESSED, RECOVERED: first run after the change */
	bool mixed_build;          /* some build both passed and failed */
	struct evl_interval since; /* REGRESSED, RECOVERED: interval from the change on */
};

#define EVL_HISTORY_RUNS_MAX 2000u

/* failed[i] of run i in order of time; build[i] is any number that is equal for runs of one build,
 * or build is NULL when not known. EVL_E_INVALID: more runs than the most, or confidence or alpha
 * not between 0 and 1. Takes runs * failures steps, of a few ns. */
enum evl_status evl_history_of(struct evl_history *out, const bool *failed, const uint32_t *build,
	size_t runs, double confidence, double alpha, struct evl_err *err);
