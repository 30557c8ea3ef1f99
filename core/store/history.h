/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A campaign over many nights: which case is steady, newly failing or flaky, which error ratio
 * rises?
 *
 *	struct evl_past past = {0};
 *	struct evl_past_query query = {.campaign_name = "acceptance"};
 *	evl_past_load(&past, store, &query, &err);
 *	if (past.worse) { ... past.cases[i].finding ... }
 *	evl_past_finish(&past);
 *
 * Only finished runs are looked at, those of one campaign on one bench, oldest first. A case counts
 * with verdict pass (when it finished) or fail; inconclusive, none and error (of the tester) say
 * nothing about the unit. On the virtual clock a run with the build, seed, campaign (with the files
 * that it reads), bench and software of an earlier one is the same measurement again: where the
 *verdict of a case is that of before it is a repeat, which is listed and does not count.
 *
 * Cases: evl_history_of (core/measure/history.h), the p values of a change for the worse corrected
 * by Holm (1979) over all cases that both passed and failed, those of a change for the better
 * likewise. Series: evl_trend_of_counts (core/measure/trend.h) over the sums of all channels, for
 * every case and title of a check with counts; corrected over all series with two runs and an error
 * or more. What is not in a correction could not have been significant, whatever its order.
 */
#pragma once

#include "core/measure/history.h"
#include "core/measure/trend.h"
#include "core/store/store_read.h"

#define EVL_PAST_RUNS_MAX   EVL_TREND_NIGHTS_MAX /* the newest are taken */
#define EVL_PAST_CASES_MAX  4096u                /* different names; more are EVL_E_LIMIT */
#define EVL_PAST_SERIES_MAX 4096u
#define EVL_PAST_CHECKS_MAX 65536u /* that ever failed */

struct evl_past_query {
	const char *campaign_name; /* NULL: that of the newest finished run */
	const char *bench_name;    /* NULL: that of the campaign's newest finished run */
	const char *case_name;     /* NULL: all */
	double confidence;         /* of intervals; 0: 0.95 */
	double alpha;              /* chance of any false alarm of one kind; 0: 0.05 */
	/* The history is read after every run, and alpha is for all those looks together: look j
	 * has alpha / (j (j + 1)), which sum up to alpha (alpha spending: K. Lan and D. DeMets,
	 * Biometrika 70, 1983; that they add up at most: Boole's inequality). */
	bool every_run;
	int64_t up_to; /* leave out later runs; 0: none */
	bool checks;   /* also the checks that ever failed, each on its channel */
};

struct evl_past_run {
	int64_t run;
	const char *build;
	const char *started_utc;
	const char *verdict;
	bool campaign_changed; /* not the campaign file of the run before */
	bool bench_changed;
	size_t same_as;    /* index of the first run that measured the same; else its own */
	uint32_t build_no; /* equal for equal builds */
};

/* A case, or a check, in one run. */
struct evl_past_entry {
	const char *verdict;
	uint32_t run; /* index in runs */
	bool counted; /* passed or failed, and no repeat */
	bool failed;
	bool repeat;
};

enum evl_past_finding {
	EVL_PAST_NOTHING = 0,   /* no run that counts */
	EVL_PAST_STEADY,        /* always passed */
	EVL_PAST_BROKEN,        /* always failed */
	EVL_PAST_NEWLY_FAILING, /* a change for the worse is proved, or it passed always and then
				 * failed in the last runs */
	EVL_PAST_REPAIRED,      /* a change for the better is proved */
	EVL_PAST_FLAKY,
};
const char *evl_past_finding_name(enum evl_past_finding f); /* "newly failing", ... */

/* A case, or one of its checks on one channel. */
struct evl_past_case {
	const char *name;               /* of the case */
	const char *title;              /* of the check; NULL: this is the case itself */
	const char *role;               /* of its channel; NULL: about none */
	int number;                     /* likewise */
	struct evl_past_entry *entries; /* by run */
	size_t entry_count;
	size_t counted;
	enum evl_past_finding finding;
	struct evl_history history; /* of the entries that count; `change` counts those */
	double p_worse, p_better;   /* corrected; 1 when not tested */
	bool proved;                /* NEWLY_FAILING, REPAIRED: a corrected p is at most alpha */
	const struct evl_past_entry *first_failure; /* NULL: none that counts */
	const struct evl_past_entry *last_failure;  /* likewise */
	const struct evl_past_entry *failing_since; /* first of the failures that end the history;
						     * NULL: it passed when it last counted */
	const struct evl_past_entry *change; /* NEWLY_FAILING, REPAIRED: first one after it */
	size_t build_runs, build_failures;   /* that count, of the build of the newest run ... */
	size_t other_runs, other_failures;   /* ... and of the other builds before */
	struct evl_interval build_interval; /* of its probability of failing; 0 to 1 without runs */
};

struct evl_past_point {
	size_t run;      /* index in runs */
	uint64_t errors; /* sums over the channels; at most INT64_MAX */
	uint64_t bits;   /* above 0 */
};

enum evl_past_trend {
	EVL_PAST_NO_TREND = 0, /* none is proved */
	EVL_PAST_RISING,
	EVL_PAST_FALLING,
};
const char *evl_past_trend_name(enum evl_past_trend t); /* "no trend", "rising", "falling" */

struct evl_past_series {
	const char *case_name;
	const char *title;
	struct evl_past_point *points; /* by run; repeats and runs without bits left out */
	size_t point_count;
	uint64_t errors, bits; /* of all */
	bool tested;
	struct evl_trend trend;      /* when tested */
	double p_rising, p_falling;  /* corrected; 1 when not tested */
	enum evl_past_trend finding; /* a corrected p is at most alpha */
};

struct evl_past {
	const char *campaign_name;
	const char *bench_name;
	double confidence;
	double alpha;              /* of this look */
	int64_t up_to;             /* newest run that is looked at */
	double alpha_of_all;       /* as asked for; equal unless every_run */
	uint64_t look;             /* every_run: finished runs so far; else 0 */
	struct evl_past_run *runs; /* by number */
	size_t run_count;
	int64_t older;       /* finished runs of both, left out because there are too many */
	int64_t unfinished;  /* runs of both, running or interrupted */
	int64_t other_bench; /* finished runs of the campaign on other benches */
	struct evl_past_case *cases; /* in the order in which they first came */
	size_t case_count;
	size_t cases_tested;
	/* With `checks`: those that ever failed, by case, then as they first came. A check counts
	 * in a run when it passed or failed there; of several with one title on one channel of a
	 * case the worst. Corrected by themselves; they do not count for `worse`, their cases do.
	 */
	struct evl_past_case *checks;
	size_t check_count;
	size_t checks_tested;
	struct evl_past_series *series; /* likewise */
	size_t series_count;
	size_t series_tested;
	bool worse;   /* something is newly failing or rising */
	void *memory; /* private */
};

/* EVL_E_NOTFOUND: no such finished run, or no such case; the message says which there are.
 * EVL_E_INVALID: confidence or alpha not between 0 and 1. EVL_E_LIMIT: too many names. */
enum evl_status evl_past_load(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *query, struct evl_err *err);
void evl_past_finish(struct evl_past *past); /* takes a zeroed object */
