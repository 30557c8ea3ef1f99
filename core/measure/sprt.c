/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/sprt.h"

#include <math.h>

enum evl_status evl_sprt_check(const struct evl_sprt *t, struct evl_err *err)
{
	if (!(t->good > 0 && t->good < t->bad && t->bad <= 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"ratios %g (good) and %g (bad): the good one must be above 0 and "
			"below the bad one, which is 1 at most",
			t->good, t->bad);
	}
	if (!(t->false_fail > 0 && t->false_pass > 0 && t->false_fail + t->false_pass < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"chances %g and %g of a wrong verdict: both must be above 0, with "
			"a sum below 1",
			t->false_fail, t->false_pass);
	}
	return EVL_OK;
}

double evl_sprt_fail_at(const struct evl_sprt *t)
{
	return log1p(-t->false_pass) - log(t->false_fail);
}

double evl_sprt_pass_at(const struct evl_sprt *t)
{
	return log(t->false_pass) - log1p(-t->false_fail);
}

double evl_sprt_log_ratio(const struct evl_sprt *t, uint64_t errors, uint64_t bits)
{
	return (double)errors * log(t->bad / t->good) - (t->bad - t->good) * (double)bits;
}

enum evl_verdict evl_sprt_decide(const struct evl_sprt *t, uint64_t errors, uint64_t bits)
{
	double ratio = evl_sprt_log_ratio(t, errors, bits);
	if (ratio >= evl_sprt_fail_at(t)) {
		return EVL_VERDICT_FAIL;
	}
	return ratio <= evl_sprt_pass_at(t) ? EVL_VERDICT_PASS : EVL_VERDICT_INCONCLUSIVE;
}

bool evl_sprt_is_over(const struct evl_sprt *t, uint64_t errors, uint64_t bits)
{
	return evl_sprt_decide(t, errors, bits) != EVL_VERDICT_INCONCLUSIVE ||
	       (t->most_bits > 0 && bits >= t->most_bits);
}

double evl_sprt_bits_good(const struct evl_sprt *t)
{
	double a = t->false_fail;
	double drift = t->good * log(t->bad / t->good) - (t->bad - t->good);
	return ((1 - a) * evl_sprt_pass_at(t) + a * evl_sprt_fail_at(t)) / drift;
}

double evl_sprt_bits_bad(const struct evl_sprt *t)
{
	double b = t->false_pass;
	double drift = t->bad * log(t->bad / t->good) - (t->bad - t->good);
	return (b * evl_sprt_pass_at(t) + (1 - b) * evl_sprt_fail_at(t)) / drift;
}

double evl_sprt_clean_bits(const struct evl_sprt *t)
{
	return -evl_sprt_pass_at(t) / (t->bad - t->good);
}
