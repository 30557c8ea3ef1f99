/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/compare_counts.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

#include "core/measure/binomial.h"
#include "core/measure/internal.h"

enum evl_status evl_compare_counts(struct evl_count_test *out, uint64_t errors_a, uint64_t bits_a,
	uint64_t errors_b, uint64_t bits_b, double confidence, struct evl_err *err)
{
	if (bits_a == 0 || bits_b == 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"cannot compare: no bits were measured in %s",
			bits_a == 0 ? (bits_b == 0 ? "either run" : "the first run")
				    : "the second run");
	}
	if (!(confidence > 0 && confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"confidence %g is not between 0 and 1 (both excluded)", confidence);
	}
	double a = (double)errors_a, b = (double)errors_b, n = a + b;
	double ta = (double)bits_a, tb = (double)bits_b;
	double p = tb / (ta + tb), q = ta / (ta + tb);
	double tail = (1 - confidence) / 2;
	out->p_worse = evl_measure_binomial_at_least(b, n, p, q);
	out->p_better = b >= n ? 1 : evl_measure_binomial_at_least(a, n, q, p);
	out->p_two_sided = fmin(1, 2 * fmin(out->p_worse, out->p_better));
	out->ratio = (b / tb) / (a / ta);
	out->ratio_interval.lower =
		errors_b == 0 ? 0 : evl_measure_binomial_odds(b, n, tail, 0) * (ta / tb);
	out->ratio_interval.upper =
		errors_a == 0 ? INFINITY : evl_measure_binomial_odds(b, n, tail, 1) * (ta / tb);
	return EVL_OK;
}

struct ranked {
	double p;
	size_t i;
};

static int by_p(const void *x, const void *y)
{
	const struct ranked *a = x, *b = y;
	if (a->p != b->p) {
		return a->p < b->p ? -1 : 1;
	}
	return a->i < b->i ? -1 : a->i > b->i;
}

/* Ranks the values; *out is NULL on failure. */
static enum evl_status rank(struct ranked **out, const double *p, size_t n, struct evl_err *err)
{
	*out = NULL;
	struct ranked *r = calloc(n, sizeof(*r));
	if (r == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu p values", n);
	}
	for (size_t i = 0; i < n; i++) {
		if (!(p[i] >= 0 && p[i] <= 1)) {
			free(r);
			return evl_err_set(err, EVL_E_INVALID,
				"p value %zu is %g, not within 0 to 1", i, p[i]);
		}
		r[i] = (struct ranked){p[i], i};
	}
	qsort(r, n, sizeof(*r), by_p);
	*out = r;
	return EVL_OK;
}

enum evl_status evl_holm_adjust(double *adjusted, const double *p, size_t n, struct evl_err *err)
{
	struct ranked *r;
	if (n == 0) {
		return EVL_OK;
	}
	enum evl_status status = rank(&r, p, n, err);
	if (status < 0) {
		return status;
	}
	double least = 0;
	for (size_t j = 0; j < n; j++) {
		least = fmax(least, fmin(1, (double)(n - j) * r[j].p));
		adjusted[r[j].i] = least;
	}
	free(r);
	return EVL_OK;
}

enum evl_status evl_benjamini_hochberg_adjust(
	double *adjusted, const double *p, size_t n, struct evl_err *err)
{
	struct ranked *r;
	if (n == 0) {
		return EVL_OK;
	}
	enum evl_status status = rank(&r, p, n, err);
	if (status < 0) {
		return status;
	}
	double most = 1;
	for (size_t j = n; j > 0; j--) {
		most = fmin(most, (double)n * r[j - 1].p / (double)j);
		adjusted[r[j - 1].i] = most;
	}
	free(r);
	return EVL_OK;
}

const char *evl_count_change_name(enum evl_count_change c)
{
	static const char *const names[] = {"noise", "look here", "better", "worse"};
	evl_require((size_t)c < sizeof(names) / sizeof(names[0]));
	return names[c];
}

enum evl_status evl_classify_changes(struct evl_count_class *out,
	const struct evl_count_test *tests, size_t n, double alpha, struct evl_err *err)
{
	if (!(alpha > 0 && alpha < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the chance of a false alarm is %g; give a number between 0 and "
			"1, such as 0.05",
			alpha);
	}
	if (n == 0) {
		return EVL_OK;
	}
	enum evl_status status = EVL_OK;
	double *worse = calloc(n, 3 * sizeof(*worse));
	if (worse == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu channels", n);
	}
	double *look = worse + n, *better = worse + 2 * n;
	for (size_t i = 0; i < n; i++) {
		worse[i] = tests[i].p_worse;
		better[i] = tests[i].p_better;
	}
	if ((status = evl_benjamini_hochberg_adjust(look, worse, n, err)) < 0 ||
		(status = evl_holm_adjust(worse, worse, n, err)) < 0 ||
		(status = evl_holm_adjust(better, better, n, err)) < 0) {
		goto out;
	}
	for (size_t i = 0; i < n; i++) {
		out[i] = (struct evl_count_class){
			.p_worse = worse[i], .p_better = better[i], .p_look = look[i]};
		out[i].change = worse[i] <= alpha    ? EVL_COUNT_WORSE
				: better[i] <= alpha ? EVL_COUNT_BETTER
				: look[i] <= alpha   ? EVL_COUNT_LOOK
						     : EVL_COUNT_NOISE;
	}
out:
	free(worse);
	return status;
}
