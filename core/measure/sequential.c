/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/sequential.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>

#include "core/measure/internal.h"

/* ln M at the ratio that fits best, events / exposure; -ln of what the prior costs. For no events
 * that ratio is 0 and ln M there is a ln(b / (b + t)). */
static double at_best(struct evl_gamma_prior p, double n, double t)
{
	double a = p.shape, b = p.rate, x = a + n;
	if (n == 0) {
		return -a * log1p(t / b);
	}
	/* ln G(x) = 0.5 ln(2 pi / x) + x ln x - x + rest; what is large cancels by hand. */
	double small = x >= 16 ? 0.5 * log(EVL_MEASURE_2PI / x) + evl_measure_stirling_rest(x)
			       : lgamma(x) - (x * log(x) - x);
	return a * log(b) - lgamma(a) + small + n * log1p(a / n) - a + a * log(x / (b + t)) -
	       n * log1p(b / t);
}

static void require_sense(struct evl_gamma_prior p, double exposure)
{
	evl_require(p.shape > 0 && p.rate > 0 && exposure > 0 && isfinite(exposure));
}

double evl_sequential_log_evidence(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double ratio)
{
	require_sense(prior, exposure);
	evl_require(ratio > 0);
	double n = (double)events, mean = ratio * exposure;
	return at_best(prior, n, exposure) + (n > 0 ? evl_measure_deviance(n, mean) : mean);
}

/* The mean m above (or below) n at which n ln(n / m) + m - n is `rise`: a convex function, so
 * Newton's steps come from one side. */
static double mean_at(double n, double rise, bool upper)
{
	double m = upper ? n + rise + sqrt(2 * n * rise) : n * exp(-1 - rise / n);
	for (int i = 0; i < 200; i++) {
		double step = (evl_measure_deviance(n, m) - rise) / (1 - n / m);
		double next = m - step;
		if (!(upper ? next > n : next < n && next > 0)) {
			next = (m + n) / 2;
		}
		if (fabs(next - m) <= 4e-16 * m) {
			return next;
		}
		m = next;
	}
	return m;
}

static double end(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double alpha, bool upper)
{
	require_sense(prior, exposure);
	evl_require(alpha > 0 && alpha < 1);
	double n = (double)events;
	double rise = -log(alpha) - at_best(prior, n, exposure);
	if (events == 0) {
		return upper ? rise / exposure : 0;
	}
	return mean_at(n, rise, upper) / exposure;
}

double evl_sequential_upper(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double alpha)
{
	return end(prior, events, exposure, alpha, true);
}

double evl_sequential_lower(
	struct evl_gamma_prior prior, uint64_t events, double exposure, double alpha)
{
	return end(prior, events, exposure, alpha, false);
}

enum evl_status evl_sequential_init(
	struct evl_sequential *s, double limit, double confidence, struct evl_err *err)
{
	if (!(limit > 0 && limit < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the limit of an error ratio is %g; give a number between 0 and "
			"1, such as 1e-9",
			limit);
	}
	if (!(confidence > 0 && confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"confidence is %g; give a number between 0 and 1, as 0.95", confidence);
	}
	*s = (struct evl_sequential){.limit = limit,
		.confidence = confidence,
		.pass = EVL_SEQUENTIAL_PASS_PRIOR,
		.fail = EVL_SEQUENTIAL_FAIL_PRIOR,
		.verdict = EVL_VERDICT_INCONCLUSIVE};
	return EVL_OK;
}

enum evl_verdict evl_sequential_decide(
	const struct evl_sequential *s, uint64_t errors, uint64_t bits)
{
	double t = (double)bits * s->limit;
	if (bits == 0) {
		return EVL_VERDICT_INCONCLUSIVE;
	}
	bool below = (double)errors < t;
	double evidence = evl_sequential_log_evidence(below ? s->pass : s->fail, errors, t, 1);
	if (evidence < -log1p(-s->confidence)) {
		return EVL_VERDICT_INCONCLUSIVE;
	}
	return below ? EVL_VERDICT_PASS : EVL_VERDICT_FAIL;
}

enum evl_verdict evl_sequential_add(struct evl_sequential *s, uint64_t errors, uint64_t bits)
{
	s->errors += errors;
	s->bits += bits;
	s->verdict = evl_sequential_decide(s, s->errors, s->bits);
	return s->verdict;
}

uint64_t evl_sequential_clean_bits(const struct evl_sequential *s)
{
	double least = -log1p(-s->confidence);
	double t = least;
	for (int i = 0; i < 200; i++) { /* a contraction: the slope is a / (b + t) */
		double next = least + s->pass.shape * log1p(t / s->pass.rate);
		if (fabs(next - t) <= 1e-15 * t) {
			break;
		}
		t = next;
	}
	double bits = ceil(t / s->limit);
	if (!(bits < 18446744073709551616.0)) {
		return UINT64_MAX;
	}
	uint64_t n = (uint64_t)bits;
	while (n < UINT64_MAX && evl_sequential_decide(s, 0, n) != EVL_VERDICT_PASS) {
		n++;
	}
	return n;
}

enum evl_status evl_judge_ratio_anytime(struct evl_judgement *out, uint64_t errors, uint64_t bits,
	double limit, double confidence, struct evl_err *err)
{
	struct evl_sequential s;
	struct evl_err why = {0};
	*out = (struct evl_judgement){
		.limit = limit, .confidence = confidence, .errors = errors, .bits = bits};
	enum evl_status status = evl_sequential_init(&s, limit, confidence, &why);
	if (status == EVL_OK && errors > bits) {
		status = evl_err_set(&why, EVL_E_INVALID,
			"%" PRIu64 " errors are more than the %" PRIu64 " bits compared", errors,
			bits);
	}
	if (status < 0) {
		out->verdict = EVL_VERDICT_ERROR;
		snprintf(out->sentence, sizeof(out->sentence), "%.300s", why.text);
		return evl_err_set(err, status, "%s", why.text);
	}
	double percent = confidence * 100;
	snprintf(out->rule, sizeof(out->rule),
		"anytime-valid one-sided limits (Robbins 1970) at %.8g %% confidence", percent);
	if (bits == 0) {
		out->verdict = EVL_VERDICT_INCONCLUSIVE;
		out->upper = INFINITY;
		snprintf(out->sentence, sizeof(out->sentence),
			"no bits were compared, so nothing is proved about the limit of %.6g",
			limit);
		return EVL_OK;
	}
	double t = (double)bits * limit, alpha = 1 - confidence;
	out->value = (double)errors / (double)bits;
	out->upper = evl_sequential_upper(s.pass, errors, t, alpha) * limit;
	out->lower = evl_sequential_lower(s.fail, errors, t, alpha) * limit;
	out->verdict = evl_sequential_decide(&s, errors, bits);
	char count[96];
	snprintf(count, sizeof(count), "%" PRIu64 " error%s in %" PRIu64 " bits", errors,
		errors == 1 ? "" : "s", bits);
	if (out->verdict == EVL_VERDICT_INCONCLUSIVE) {
		snprintf(out->sentence, sizeof(out->sentence),
			"%s: with %.8g %% confidence at any time of stopping the error ratio lies "
			"from %.4g to %.4g, which does not decide the limit of %.6g",
			count, percent, out->lower, out->upper, limit);
		return EVL_OK;
	}
	bool pass = out->verdict == EVL_VERDICT_PASS;
	snprintf(out->sentence, sizeof(out->sentence),
		"%s: with %.8g %% confidence at any time of stopping the error ratio is at %s "
		"%.4g, %s the limit of %.6g",
		count, percent, pass ? "most" : "least", pass ? out->upper : out->lower,
		pass ? "below" : "above", limit);
	return EVL_OK;
}
