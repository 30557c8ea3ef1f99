/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The sequential probability ratio test of a Poisson rate (A. Wald, Ann. Math. Statist. 16, 1945):
 * is the ratio `good` or is it `bad`? The quickest test on average at these two ratios; between
 * them it decides either way, so it proves no limit: for that take sequential.h.
 *
 *	struct evl_sprt t = {.good = 1e-10, .bad = 1e-9, .false_fail = 0.05, .false_pass = 0.05};
 *	if (evl_sprt_check(&t, &err) == EVL_OK) {
 *		verdict = evl_sprt_decide(&t, errors, bits);
 *	}
 *
 * ln LR = N ln(bad / good) - (bad - good) bits; fail at ln((1 - false_pass) / false_fail) or above,
 * pass at ln(false_pass / (1 - false_fail)) or below. The errors that are made have a sum of at
 *most false_fail + false_pass, each at most about what is stated (Wald; the overshoot makes them
 *less).
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/verdict.h"

struct evl_sprt {
	double good;        /* ratio that should pass, above 0 */
	double bad;         /* ratio that should fail, above good */
	double false_fail;  /* chance of failing at `good` */
	double false_pass;  /* chance of passing at `bad` */
	uint64_t most_bits; /* where it is cut off, inconclusive; 0: never */
};

/* EVL_E_INVALID unless 0 < good < bad <= 1 and the chances are above 0 with a sum below 1. */
enum evl_status evl_sprt_check(const struct evl_sprt *t, struct evl_err *err);

/* INCONCLUSIVE: go on, or cut off. */
enum evl_verdict evl_sprt_decide(const struct evl_sprt *t, uint64_t errors, uint64_t bits);
bool evl_sprt_is_over(const struct evl_sprt *t, uint64_t errors, uint64_t bits);

double evl_sprt_log_ratio(const struct evl_sprt *t, uint64_t errors, uint64_t bits);
double evl_sprt_fail_at(const struct evl_sprt *t); /* ln LR */
double evl_sprt_pass_at(const struct evl_sprt *t);

/* Mean bits until the decision when the ratio is `good` and when it is `bad`, by Wald's formula
 * (overshoot and cut-off neglected), and the bits after which an error-free channel passes. */
double evl_sprt_bits_good(const struct evl_sprt *t);
double evl_sprt_bits_bad(const struct evl_sprt *t);
double evl_sprt_clean_bits(const struct evl_sprt *t);
