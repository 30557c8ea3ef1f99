/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Verdicts, combined as in TTCN-3 (ETSI ES 201 873-1 clause 24): it only gets worse; and the rules
 * by which a count becomes a verdict.
 *
 *	struct evl_judgement j;
 *	evl_judge_ratio(&j, errors, bits, 1e-9, 0.95, &err);
 *	case_verdict = evl_verdict_worse(case_verdict, j.verdict);
 *	puts(j.sentence);
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

/* The numbers order them by severity and are stored: they never change. */
enum evl_verdict {
	EVL_VERDICT_NONE = 0,         /* nothing was claimed */
	EVL_VERDICT_PASS = 1,         /* proved within the limit */
	EVL_VERDICT_INCONCLUSIVE = 2, /* neither proved */
	EVL_VERDICT_FAIL = 3,  /* proved outside the limit, or an event that is not allowed */
	EVL_VERDICT_ERROR = 4, /* the test system failed, not the unit */
};

/* "none", "pass", "inconclusive", "fail", "error". */
const char *evl_verdict_name(enum evl_verdict v);
bool evl_verdict_by_name(enum evl_verdict *v, const char *name); /* false: no such name */

static inline enum evl_verdict evl_verdict_worse(enum evl_verdict a, enum evl_verdict b)
{
	return a > b ? a : b;
}

struct evl_judgement {
	enum evl_verdict verdict;
	double value;      /* errors / bits; 0 when bits is 0 */
	double lower;      /* one-sided lower limit of the ratio at the confidence */
	double upper;      /* one-sided upper limit; infinite when bits is 0 */
	double limit;      /* as given */
	double confidence; /* as given; 0 for evl_judge_count, which needs none */
	uint64_t errors;
	uint64_t bits;
	uint64_t bits_needed; /* bits in which this many errors would prove the limit; 0: none would
			       */
	char rule[96];        /* the rule in short, for the store: "exact Poisson limit ..." */
	char sentence[320];   /* one plain sentence: what was counted, the limits, what follows */
};

/*
 * Pass only when the one-sided upper limit lies below `limit`, fail only when the one-sided lower
 * limit lies above it, else inconclusive; no bits at all are inconclusive. Exact Poisson limits, so
 * errors are taken as independent: for bursts judge seconds instead.
 * EVL_E_INVALID (verdict error, sentence = message) when limit is negative or above 1, confidence
 * is not between 0 and 1, or errors > bits.
 */
enum evl_status evl_judge_ratio(struct evl_judgement *out, uint64_t errors, uint64_t bits,
				double limit, double confidence, struct evl_err *err);

/* For events of which each is proof enough (slips, losses of synchronisation, wrong places): pass
 * when count <= allowed, else fail. `what` names the events in the plural, at most 64 bytes are
 * used. value = count, limit = allowed. */
void evl_judge_count(struct evl_judgement *out, uint64_t count, uint64_t allowed, const char *what);

/*
 * A share of seconds or blocks against a limit, by the exact binomial limits (Clopper and Pearson
 * 1934), one-sided: pass, fail and inconclusive as evl_judge_ratio. `what` and `of` name the things
 * in the plural ("errored seconds", "available seconds"), at most 40 bytes each are used; they are
 * in `errors` and `bits` of the outcome. EVL_E_INVALID as evl_judge_ratio.
 */
enum evl_status evl_judge_share(struct evl_judgement *out, uint64_t count, uint64_t total,
				double limit, double confidence, const char *what, const char *of,
				struct evl_err *err);
