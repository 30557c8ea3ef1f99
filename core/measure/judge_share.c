/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>

#include "core/measure/binomial.h"
#include "core/measure/verdict.h"

static enum evl_status check(uint64_t count, uint64_t total, double limit, double confidence,
	const char *what, const char *of, struct evl_err *err)
{
	if (!(limit > 0 && limit < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the limit of %.40s is %g; give a number between 0 and 1", what, limit);
	}
	if (!(confidence > 0 && confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"confidence is %g; give a number between 0 and 1, as 0.95", confidence);
	}
	if (count > total) {
		return evl_err_set(err, EVL_E_INVALID,
			"%" PRIu64 " %.40s are more than the %" PRIu64 " %.40s", count, what, total,
			of);
	}
	return EVL_OK;
}

enum evl_status evl_judge_share(struct evl_judgement *out, uint64_t count, uint64_t total,
	double limit, double confidence, const char *what, const char *of, struct evl_err *err)
{
	struct evl_err why = {0};
	*out = (struct evl_judgement){
		.limit = limit, .confidence = confidence, .errors = count, .bits = total};
	if (check(count, total, limit, confidence, what, of, &why) < 0) {
		out->verdict = EVL_VERDICT_ERROR;
		snprintf(out->sentence, sizeof(out->sentence), "%.300s", why.text);
		return evl_err_set(err, why.status, "%s", why.text);
	}
	double percent = confidence * 100;
	snprintf(out->rule, sizeof(out->rule),
		"exact one-sided binomial limits (Clopper and Pearson 1934) at %.8g %% confidence",
		percent);
	out->bits_needed = evl_binomial_trials_needed(count, limit, confidence);
	if (total == 0) {
		out->verdict = EVL_VERDICT_INCONCLUSIVE;
		out->upper = 1;
		snprintf(out->sentence, sizeof(out->sentence),
			"no %.40s, so nothing is proved about the limit of %.6g", of, limit);
		return EVL_OK;
	}
	out->value = (double)count / (double)total;
	out->lower = evl_binomial_lower(count, total, confidence);
	out->upper = evl_binomial_upper(count, total, confidence);
	char counted[128], more[96] = "";
	snprintf(counted, sizeof(counted), "%" PRIu64 " %.40s in %" PRIu64 " %.40s", count, what,
		total, of);
	out->verdict = out->upper < limit   ? EVL_VERDICT_PASS
		       : out->lower > limit ? EVL_VERDICT_FAIL
					    : EVL_VERDICT_INCONCLUSIVE;
	if (out->verdict == EVL_VERDICT_INCONCLUSIVE) {
		if (out->bits_needed < UINT64_MAX) {
			snprintf(more, sizeof(more), "; this many would prove it in %" PRIu64,
				out->bits_needed);
		}
		snprintf(out->sentence, sizeof(out->sentence),
			"%s: with %.8g %% confidence the share lies from %.4g to %.4g, which does "
			"not decide the limit of %.6g%s",
			counted, percent, out->lower, out->upper, limit, more);
		return EVL_OK;
	}
	bool pass = out->verdict == EVL_VERDICT_PASS;
	snprintf(out->sentence, sizeof(out->sentence),
		"%s: with %.8g %% confidence the share is at %s %.4g, %s the limit of %.6g",
		counted, percent, pass ? "most" : "least", pass ? out->upper : out->lower,
		pass ? "below" : "above", limit);
	return EVL_OK;
}
