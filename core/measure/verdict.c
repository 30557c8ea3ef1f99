/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/verdict.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core/measure/poisson.h"

static const char *const names[] = {"none", "pass", "inconclusive", "fail", "error"};

#define VERDICTS (sizeof(names) / sizeof(names[0]))

const char *evl_verdict_name(enum evl_verdict v)
{
	evl_require((size_t)v < VERDICTS);
	return names[v];
}

bool evl_verdict_by_name(enum evl_verdict *v, const char *name)
{
	for (size_t i = 0; i < VERDICTS; i++) {
		if (strcmp(name, names[i]) == 0) {
			*v = (enum evl_verdict)i;
			return true;
		}
	}
	return false;
}

static const char *plural(uint64_t n)
{
	return n == 1 ? "" : "s";
}

static enum evl_status reject(struct evl_judgement *out, struct evl_err *err,
			      const struct evl_err *why)
{
	out->verdict = EVL_VERDICT_ERROR;
	snprintf(out->sentence, sizeof(out->sentence), "%.300s", why->text);
	return evl_err_set(err, why->status, "%s", why->text);
}

enum evl_status evl_judge_ratio(struct evl_judgement *out, uint64_t errors, uint64_t bits,
				double limit, double confidence, struct evl_err *err)
{
	struct evl_err why = {0};
	*out = (struct evl_judgement){
		.limit = limit, .confidence = confidence, .errors = errors, .bits = bits};
	if (!(limit >= 0 && limit <= 1)) {
		evl_err_set(&why, EVL_E_INVALID,
			    "the limit of an error ratio is %g; give a number from 0 to 1", limit);
		return reject(out, err, &why);
	}
	if (!(confidence > 0 && confidence < 1)) {
		evl_err_set(&why, EVL_E_INVALID,
			    "confidence is %g; give a number between 0 and 1, as 0.95", confidence);
		return reject(out, err, &why);
	}
	if (errors > bits) {
		evl_err_set(&why, EVL_E_INVALID,
			    "%" PRIu64 " errors are more than the %" PRIu64 " bits compared",
			    errors, bits);
		return reject(out, err, &why);
	}
	double percent = confidence * 100;
	snprintf(out->rule, sizeof(out->rule),
		 "exact one-sided Poisson limits (Garwood 1936) at %.8g %% confidence", percent);
	out->bits_needed = limit > 0 ? evl_poisson_bits_needed(errors, limit, confidence) : 0;
	if (bits == 0) {
		out->verdict = EVL_VERDICT_INCONCLUSIVE;
		out->upper = INFINITY;
		snprintf(out->sentence, sizeof(out->sentence),
			 "no bits were compared, so nothing is proved about the limit of %.6g",
			 limit);
		return EVL_OK;
	}
	out->value = (double)errors / (double)bits;
	out->upper = evl_poisson_upper(errors, confidence) / (double)bits;
	out->lower = evl_poisson_lower(errors, confidence) / (double)bits;
	char count[96];
	snprintf(count, sizeof(count), "%" PRIu64 " error%s in %" PRIu64 " bit%s", errors,
		 plural(errors), bits, plural(bits));
	if (out->upper < limit) {
		out->verdict = EVL_VERDICT_PASS;
		snprintf(out->sentence, sizeof(out->sentence),
			 "%s: with %.8g %% confidence the error ratio is at most %.4g, below the "
			 "limit of %.6g",
			 count, percent, out->upper, limit);
	} else if (out->lower > limit) {
		out->verdict = EVL_VERDICT_FAIL;
		snprintf(out->sentence, sizeof(out->sentence),
			 "%s: with %.8g %% confidence the error ratio is at least %.4g, above the "
			 "limit of %.6g",
			 count, percent, out->lower, limit);
	} else {
		out->verdict = EVL_VERDICT_INCONCLUSIVE;
		char more[96] = "no number of bits can prove it";
		if (out->bits_needed > 0 && out->bits_needed < UINT64_MAX) {
			snprintf(more, sizeof(more),
				 "this many errors would prove it in %" PRIu64 " bits",
				 out->bits_needed);
		}
		snprintf(
			out->sentence, sizeof(out->sentence),
			"%s: with %.8g %% confidence the error ratio lies from %.4g to %.4g, which "
			"does not decide the limit of %.6g; %s",
			count, percent, out->lower, out->upper, limit, more);
	}
	return EVL_OK;
}

void evl_judge_count(struct evl_judgement *out, uint64_t count, uint64_t allowed, const char *what)
{
	*out = (struct evl_judgement){
		.verdict = count <= allowed ? EVL_VERDICT_PASS : EVL_VERDICT_FAIL,
		.value = (double)count,
		.lower = (double)count,
		.upper = (double)count,
		.limit = (double)allowed,
		.errors = count,
	};
	snprintf(out->rule, sizeof(out->rule), "count, no statistics");
	snprintf(out->sentence, sizeof(out->sentence),
		 "%.64s: %" PRIu64 ", allowed are %" PRIu64 " at most", what, count, allowed);
}
