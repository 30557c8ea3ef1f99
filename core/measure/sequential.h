/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Tests that may be looked at as often as one likes and stopped as soon as something is proved.
 *
 *	struct evl_sequential s;
 *	evl_sequential_init(&s, 1e-9, 0.95, &err);
 *	while (more) {
 *		if (evl_sequential_add(&s, errors, bits) != EVL_VERDICT_INCONCLUSIVE) {
 *			break;				// pass or fail, proved
 *		}
 *	}
 *
 * The anytime-valid limits (method of mixtures: J. Ville 1939; D. Darling and H. Robbins, Proc.
 * Nat. Acad. Sci. 58, 1967; H. Robbins, Ann. Math. Statist. 41, 1970). With N errors in exposure t
 * and a gamma prior of shape a and rate b, chosen beforehand, for each ratio l:
 *
 *	ln M(l) = a ln b + ln G(a + N) - ln G(a) - (a + N) ln(b + t) + l t - N ln l
 *
 * M(l) is a martingale of mean 1 when l is the true rate of a Poisson process, so the chance that
 *it ever reaches 1 / alpha is at most alpha, over all looks together and for any rule of stopping.
 * The ratios with M < 1 / alpha lie between two ends: the limits. For independent bits that are
 * wrong with probability l (not quite Poisson) the mean of M is below 1, so the limits hold all the
 * more.
 *
 * Exposure is counted in units of 1 / limit: t = bits * limit, the errors expected at the limit,
 *and ratios in units of the limit. Two priors, one for each side: the upper limit (which proves a
 *pass) uses one that hardly delays an error-free channel, the lower one (which proves a fail)
 *another. Each limit holds with `confidence` by itself, as the one-sided limits of poisson.h do at
 *a single look: the chance of ever passing a channel whose ratio is at the limit or above is at
 *most 1 - confidence, and so is that of ever failing one whose ratio is at the limit or below.
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/verdict.h"

struct evl_gamma_prior {
	double shape; /* a, above 0 */
	double rate;  /* b, above 0, in units of the exposure */
};

/* What evl_sequential_init takes; an error-free channel passes at t = ln(1 / alpha) + a ln(1 + t /
 * b): 3.138 at 95 %, where a single look that was fixed beforehand needs 2.996. */
#define EVL_SEQUENTIAL_PASS_PRIOR ((struct evl_gamma_prior){0.1, 1.0})
#define EVL_SEQUENTIAL_FAIL_PRIOR ((struct evl_gamma_prior){1.0, 0.25})

/* ln M of one ratio; events, exposure (above 0) and ratio (above 0) in matching units. */
double evl_sequential_log_evidence(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double ratio);
/* The ends of { ratio : M < 1 / alpha }; 0 < alpha < 1. The lower end is 0 for no events.
 * Relative error below 1e-10. */
double evl_sequential_upper(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double alpha);
double evl_sequential_lower(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double alpha);

struct evl_sequential {
	double limit;
	double confidence;
	struct evl_gamma_prior pass, fail;
	uint64_t errors, bits;    /* so far */
	enum evl_verdict verdict; /* now, from all bits so far; INCONCLUSIVE: go on */
};

/* With the priors above; change them before the first bit, never after. EVL_E_INVALID when limit
 * is not between 0 and 1 or confidence not between 0 and 1, all excluded. */
enum evl_status evl_sequential_init(
	struct evl_sequential *s, double limit, double confidence, struct evl_err *err);

/* Counts more; returns the verdict. It rests on all bits counted: a pass that later bits contradict
 * is a pass no more. */
enum evl_verdict evl_sequential_add(struct evl_sequential *s, uint64_t errors, uint64_t bits);

/* The verdict that these totals would have, by the plan of `s`. */
enum evl_verdict evl_sequential_decide(
	const struct evl_sequential *s, uint64_t errors, uint64_t bits);

/* Error-free bits after which it passes. */
uint64_t evl_sequential_clean_bits(const struct evl_sequential *s);

/* As evl_judge_ratio, with the anytime-valid limits: for a take that was stopped, or could have
 * been stopped, by what was seen. bits_needed stays 0. */
enum evl_status evl_judge_ratio_anytime(struct evl_judgement *out, uint64_t errors, uint64_t bits,
	double limit, double confidence, struct evl_err *err);
