/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which of an ordered list of builds is the first bad one, in the fewest runs, when a run may
 * mislead? Probabilistic bisection.
 *
 *	struct evl_bisect *b = NULL;
 *	evl_bisect_create(&b, 12, &(struct evl_bisect_noise){0.2, 0.01}, &err);
 *	size_t build;
 *	while (evl_bisect_best(b).probability < 0.95 && evl_bisect_next(b, &build)) {
 *		evl_bisect_add(b, build, run_fails(build), &err);
 *	}
 *	evl_bisect_destroy(b);
 *
 * The first bad build is 0 .. builds - 1, or `builds`: none of them is bad. Each is equally likely
 * at first. A run of a build before it fails with probability false_alarm, of it or a later one it
 * passes with probability missed, independently of all other runs; so each result multiplies the
 * weights (Bayes), and their order does not matter. The next build is the one whose result tells
 * most about the answer (expected fall of the entropy); with missed = false_alarm that is the
 * median of the weights, without noise the middle. Stopping when one answer has probability C, the
 * chance that it is wrong is at most 1 - C over the answers held equally likely at first, if the
 * noise is as stated.
 *
 * Sources (from memory): M. Horstein, "Sequential transmission using noiseless feedback", IEEE
 * Trans. Inf. Theory 9, 1963: ask at the median of the posterior. R. Waeber, P. I. Frazier, S. G.
 * Henderson, "Bisection search with noisy responses", SIAM J. Control Optim. 51, 2013. B. Jedynak,
 * P. I. Frazier, R. Sznitman, "Twenty questions with noise: Bayes optimal policies for entropy
 * loss", J. Appl. Prob. 49, 2012: the question of greatest mutual information is the best one for
 * the entropy after any number of questions, for noise that need not be alike both ways.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/base/err.h"

#define EVL_BISECT_BUILDS_MAX 4096u

struct evl_bisect_noise {
	double missed;      /* P(a run of a bad build passes) */
	double false_alarm; /* P(a run of a good build fails) */
};

struct evl_bisect;

/* EVL_E_INVALID: no builds or more than EVL_BISECT_BUILDS_MAX; a probability below 0; a sum of both
 * of 1 or more (a result would tell nothing, or the opposite). */
enum evl_status evl_bisect_create(struct evl_bisect **out, size_t builds,
	const struct evl_bisect_noise *noise, struct evl_err *err);
void evl_bisect_destroy(struct evl_bisect *b); /* takes NULL */

/* One result. EVL_E_INVALID, without effect: no answer agrees with it and all before, which happens
 * only when a probability of the noise is 0. */
enum evl_status evl_bisect_add(
	struct evl_bisect *b, size_t build, bool failed, struct evl_err *err);

/* The build cannot be judged: evl_bisect_next does not name it again. */
void evl_bisect_close(struct evl_bisect *b, size_t build);

/* P(`first_bad` is the answer), from 0 to `builds`. */
double evl_bisect_probability(const struct evl_bisect *b, size_t first_bad);

struct evl_bisect_answer {
	size_t first_bad; /* the likeliest; the earliest of equals; `builds`: none */
	double probability;
};
struct evl_bisect_answer evl_bisect_best(const struct evl_bisect *b);

/* The shortest row of answers next to each other that holds `share` of the probability; of equals
 * the earliest. */
void evl_bisect_range(const struct evl_bisect *b, double share, size_t *first, size_t *last);

/* The build to run next, the earliest of equals; false: no open build tells anything more. */
bool evl_bisect_next(const struct evl_bisect *b, size_t *build);

/* Expected fall of the entropy by one run of `build`, in bits. */
double evl_bisect_information(const struct evl_bisect *b, size_t build);

/* A lower bound of the mean number of runs to reach `confidence` from equal weights: the entropy to
 * remove (what may be left by Fano's inequality) over the most that one run can tell. */
double evl_bisect_runs_bound(
	size_t builds, const struct evl_bisect_noise *noise, double confidence);
