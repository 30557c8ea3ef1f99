/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/plan.h"

#include <math.h>

#include "core/measure/poisson.h"

#define BITS_MAX  ((uint64_t)1 << 60)
#define LOOKS_MAX 20000u /* for an answer within seconds */

double evl_plan_channel_confidence(const struct evl_plan_request *q)
{
	return q->all_at_once ? 1 - (1 - q->confidence) / q->channels : q->confidence;
}

static enum evl_status check(const struct evl_plan_request *q, struct evl_err *err)
{
	if (!(q->limit > 0 && q->limit < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the limit of the error ratio is %g; give a number between 0 and "
			"1, such as 1e-9",
			q->limit);
	}
	if (!(q->confidence > 0 && q->confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"confidence is %g; give a number between 0 and 1, as 0.95", q->confidence);
	}
	if (q->bits_per_second == 0 || q->channels == 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"a plan needs at least one channel and one bit a second");
	}
	if (!(q->true_ratio >= 0 && q->true_ratio <= 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the true error ratio is %g; give a number from 0 to 1", q->true_ratio);
	}
	return EVL_OK;
}

enum evl_status evl_plan_fixed(struct evl_plan_fixed *out, const struct evl_plan_request *q,
	uint64_t allowed_errors, struct evl_err *err)
{
	enum evl_status st = check(q, err);
	if (st < 0) {
		return st;
	}
	double confidence = evl_plan_channel_confidence(q);
	*out = (struct evl_plan_fixed){.allowed_errors = allowed_errors,
		.mean = evl_poisson_upper(allowed_errors, confidence),
		.bits = evl_poisson_bits_needed(allowed_errors, q->limit, confidence)};
	if (out->bits >= BITS_MAX) {
		return evl_err_set(err, EVL_E_LIMIT,
			"a limit of %g with %llu errors allowed needs more bits than can "
			"be run",
			q->limit, (unsigned long long)allowed_errors);
	}
	out->seconds = (double)out->bits / (double)q->bits_per_second;
	out->power = evl_poisson_at_most(allowed_errors, q->true_ratio * (double)out->bits);
	out->power_of_all = pow(out->power, q->channels);
	return EVL_OK;
}

enum evl_status evl_plan_early(struct evl_plan_early *out, const struct evl_plan_request *q,
	double most_seconds, struct evl_err *err)
{
	struct evl_sequential s;
	enum evl_status st = check(q, err);
	if (st == EVL_OK) {
		st = evl_sequential_init(&s, q->limit, evl_plan_channel_confidence(q), err);
	}
	if (st < 0) {
		return st;
	}
	double most = most_seconds * (double)q->bits_per_second;
	if (!(most >= 1 && most < (double)BITS_MAX)) {
		return evl_err_set(err, EVL_E_INVALID,
			"a longest time of %g s: give more, for one bit at least, below 2^60 bits",
			most_seconds);
	}
	/* Fewer looks than one a second only delay the decisions. Where a second is long for this
	 * limit, one look for each error expected at the limit. */
	uint64_t bits = (uint64_t)most, look = q->bits_per_second;
	if (q->limit * (double)look > 1) {
		look = (uint64_t)ceil(1 / q->limit);
	}
	look = look < bits ? look : bits;
	look *= (bits / look + LOOKS_MAX - 1) / LOOKS_MAX;
	*out = (struct evl_plan_early){
		.clean_seconds = (double)evl_sequential_clean_bits(&s) / (double)q->bits_per_second,
		.look_seconds = (double)look / (double)q->bits_per_second};
	st = evl_outlook_sequential(
		&out->one, &s, q->true_ratio, look, (uint32_t)(bits / look), err);
	out->mean_seconds = out->one.mean_bits / (double)q->bits_per_second;
	out->power_of_all = pow(out->one.pass, q->channels);
	return st;
}
