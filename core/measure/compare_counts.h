/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Is build B worse than build A, or is that noise? The exact conditional test of two Poisson counts
 * (J. Przyborowski and H. Wilenski, Biometrika 31, 1940): given the sum, the share of B is
 *binomial. For many channels at once adjust the p values (S. Holm, Scand. J. Statist. 6, 1979).
 *
 *	struct evl_count_test t;
 *	evl_compare_counts(&t, errors_a, bits_a, errors_b, bits_b, 0.95, &err);
 *	if (t.p_worse < 0.01) { ... B has more errors per bit ... }
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/binomial.h"
#include "core/measure/poisson.h"

struct evl_count_test {
	double p_worse;     /* chance of B's count or more, if both ratios were equal */
	double p_better;    /* chance of B's count or fewer */
	double p_two_sided; /* min(1, 2 min(p_worse, p_better)); 1 when there are no errors at all
			     */
	double ratio;       /* (errors_b / bits_b) / (errors_a / bits_a); infinite or NaN without
			       errors in A */
	struct evl_interval ratio_interval; /* two-sided exact interval of the true ratio */
};

/* EVL_E_INVALID when an exposure is 0 or confidence is not between 0 and 1. Bits may be seconds or
 * any other exposure. Takes about 1000 * sqrt(errors) steps. */
enum evl_status evl_compare_counts(struct evl_count_test *out, uint64_t errors_a, uint64_t bits_a,
	uint64_t errors_b, uint64_t bits_b, double confidence, struct evl_err *err);

/* Holm's step-down adjustment: adjusted[i] belongs to p[i]; valid for any dependence between the
 * tests. The arrays may be the same one. EVL_E_INVALID when a value is not in 0..1, EVL_E_NOMEM. */
enum evl_status evl_holm_adjust(double *adjusted, const double *p, size_t n, struct evl_err *err);

/* Benjamini and Hochberg's step-up adjustment (J. R. Statist. Soc. B 57, 1995): taking those at or
 * below q as worth a look, at most the share q of them is chance, on average; for independent or
 * positively dependent tests. For a list to look through, never for a verdict. As for Holm. */
enum evl_status evl_benjamini_hochberg_adjust(
	double *adjusted, const double *p, size_t n, struct evl_err *err);

/* What two builds' difference on a channel amounts to. */
enum evl_count_change {
	EVL_COUNT_NOISE = 0, /* as chance would have it */
	EVL_COUNT_LOOK,      /* worse by Benjamini-Hochberg only: look here, judge nothing */
	EVL_COUNT_BETTER,    /* proved by Holm */
	EVL_COUNT_WORSE,     /* proved by Holm */
};
const char *evl_count_change_name(
	enum evl_count_change c); /* "noise", "look here", "better", "worse" */

struct evl_count_class {
	enum evl_count_change change;
	double p_worse, p_better; /* adjusted by Holm's method */
	double p_look;            /* p_worse adjusted by Benjamini and Hochberg's */
};

/* Sorts out n channels at once: `alpha` is the chance that any channel at all is called worse
 * (and likewise better) when nothing has changed. */
enum evl_status evl_classify_changes(struct evl_count_class *out,
	const struct evl_count_test *tests, size_t n, double alpha, struct evl_err *err);
