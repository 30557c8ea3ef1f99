/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/bisect.h"

#include <math.h>
#include <stdlib.h>

struct evl_bisect {
	size_t builds;
	struct evl_bisect_noise noise;
	double *log_weight; /* builds + 1; the greatest is 0, -INFINITY is excluded */
	double *weight;     /* the same as probabilities */
	double *up_to;      /* sums of weight[0 .. i] */
	bool *closed;
};

/* Entropy of a yes or no in bits. */
static double entropy(double p)
{
	return p <= 0 || p >= 1 ? 0 : -(p * log2(p) + (1 - p) * log2(1 - p));
}

static double information(const struct evl_bisect_noise *noise, double bad)
{
	double fails = bad * (1 - noise->missed) + (1 - bad) * noise->false_alarm;
	return entropy(fails) - bad * entropy(noise->missed) -
	       (1 - bad) * entropy(noise->false_alarm);
}

static void normalise(struct evl_bisect *b)
{
	double most = -INFINITY, sum = 0;
	for (size_t i = 0; i <= b->builds; i++) {
		most = fmax(most, b->log_weight[i]);
	}
	for (size_t i = 0; i <= b->builds; i++) {
		b->log_weight[i] -= most;
		b->weight[i] = exp(b->log_weight[i]);
		sum += b->weight[i];
	}
	double up_to = 0;
	for (size_t i = 0; i <= b->builds; i++) {
		b->weight[i] /= sum;
		up_to += b->weight[i];
		b->up_to[i] = fmin(1, up_to);
	}
}

static enum evl_status check_noise(const struct evl_bisect_noise *n, struct evl_err *err)
{
	if (!(n->missed >= 0 && n->false_alarm >= 0 && n->missed + n->false_alarm < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"chances %g (a bad build passes) and %g (a good build fails): both must be "
			"0 or more, with a sum below 1",
			n->missed, n->false_alarm);
	}
	return EVL_OK;
}

enum evl_status evl_bisect_create(struct evl_bisect **out, size_t builds,
	const struct evl_bisect_noise *noise, struct evl_err *err)
{
	*out = NULL;
	if (builds < 1 || builds > EVL_BISECT_BUILDS_MAX) {
		return evl_err_set(err, EVL_E_INVALID, "%zu builds to choose from; 1 to %u can be",
			builds, EVL_BISECT_BUILDS_MAX);
	}
	enum evl_status st = check_noise(noise, err);
	if (st < 0) {
		return st;
	}
	struct evl_bisect *b = evl_xcalloc(1, sizeof(*b));
	b->builds = builds;
	b->noise = *noise;
	b->log_weight = evl_xcalloc(builds + 1, sizeof(*b->log_weight));
	b->weight = evl_xcalloc(builds + 1, sizeof(*b->weight));
	b->up_to = evl_xcalloc(builds + 1, sizeof(*b->up_to));
	b->closed = evl_xcalloc(builds, sizeof(*b->closed));
	normalise(b);
	*out = b;
	return EVL_OK;
}

void evl_bisect_destroy(struct evl_bisect *b)
{
	if (b != NULL) {
		free(b->log_weight);
		free(b->weight);
		free(b->up_to);
		free(b->closed);
		free(b);
	}
}

enum evl_status evl_bisect_add(struct evl_bisect *b, size_t build, bool failed, struct evl_err *err)
{
	evl_require(build < b->builds);
	const struct evl_bisect_noise *n = &b->noise;
	double if_bad = log(failed ? 1 - n->missed : n->missed);
	double if_good = log(failed ? n->false_alarm : 1 - n->false_alarm);
	bool possible = false;
	for (size_t i = 0; i <= b->builds; i++) {
		double more = i <= build ? if_bad : if_good;
		possible = possible || (isfinite(b->log_weight[i]) && isfinite(more));
	}
	if (!possible) {
		return evl_err_set(err, EVL_E_INVALID,
			"the results contradict each other: no first bad build agrees with all of "
			"them; a chance of 0 that a run misleads is too small");
	}
	for (size_t i = 0; i <= b->builds; i++) {
		b->log_weight[i] += i <= build ? if_bad : if_good;
	}
	normalise(b);
	return EVL_OK;
}

void evl_bisect_close(struct evl_bisect *b, size_t build)
{
	evl_require(build < b->builds);
	b->closed[build] = true;
}

double evl_bisect_probability(const struct evl_bisect *b, size_t first_bad)
{
	evl_require(first_bad <= b->builds);
	return b->weight[first_bad];
}

struct evl_bisect_answer evl_bisect_best(const struct evl_bisect *b)
{
	struct evl_bisect_answer a = {0, b->weight[0]};
	for (size_t i = 1; i <= b->builds; i++) {
		if (b->weight[i] > a.probability * (1 + 1e-9)) {
			a = (struct evl_bisect_answer){i, b->weight[i]};
		}
	}
	return a;
}

void evl_bisect_range(const struct evl_bisect *b, double share, size_t *first, size_t *last)
{
	*first = 0;
	*last = b->builds;
	double sum = 0;
	size_t from = 0;
	for (size_t to = 0; to <= b->builds; to++) {
		sum += b->weight[to];
		while (from < to && sum - b->weight[from] >= share) {
			sum -= b->weight[from++];
		}
		if (sum >= share && to - from < *last - *first) {
			*first = from;
			*last = to;
		}
	}
}

double evl_bisect_information(const struct evl_bisect *b, size_t build)
{
	evl_require(build < b->builds);
	return information(&b->noise, b->up_to[build]);
}

bool evl_bisect_next(const struct evl_bisect *b, size_t *build)
{
	double most = 1e-12; /* less is rounding */
	bool found = false;
	for (size_t i = 0; i < b->builds; i++) {
		double bits = evl_bisect_information(b, i);
		/* The slack keeps the choice the same where log2 rounds otherwise. */
		if (!b->closed[i] && bits > most * (1 + 1e-9)) {
			most = bits;
			*build = i;
			found = true;
		}
	}
	return found;
}

double evl_bisect_runs_bound(size_t builds, const struct evl_bisect_noise *noise, double confidence)
{
	double low = 0, high = 1; /* the information is concave in the share of bad ones */
	for (int i = 0; i < 200; i++) {
		double a = low + (high - low) / 3, c = high - (high - low) / 3;
		if (information(noise, a) < information(noise, c)) {
			low = a;
		} else {
			high = c;
		}
	}
	double most = information(noise, (low + high) / 2);
	double left = entropy(confidence) + (1 - confidence) * log2((double)builds);
	return fmax(0, (log2((double)builds + 1) - left) / most);
}
