/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Build against build: what changed between two runs, check by check and channel by channel.
 *
 *	struct evl_compare cmp = {0};
 *	evl_compare_runs(&cmp, before, after, 0.05, &err);
 *	printf("%d newly failing\n", cmp.count[EVL_CHANGE_NEWLY_FAILING]);
 *	evl_compare_finish(&cmp);
 *
 * Checks match by case name, check title, and role and number of their channel; several alike
 * match in their order. Whether a channel that passes both times got worse is decided by the exact
 * conditional test of two Poisson counts (Przyborowski and Wilenski 1940), one-sided: the later
 * error ratio is the higher one. Holm's correction (1979) is over all tested pairs of the whole
 * comparison, so that the chance of even one false alarm in it is at most alpha.
 *
 * Worse is what somebody must act on: a check that fails now and did not, one that passed and is
 * not proved any more, one that is not made any more, one whose errors rose. By the order of
 * verdicts (none, pass, inconclusive, fail, error) fail to inconclusive is a step to the better:
 * it is `undecided`, neither worse nor repaired.
 */
#pragma once

#include "core/measure/compare_counts.h"
#include "core/store/store_read.h"

enum evl_change {
	EVL_CHANGE_SAME = 0,      /* same verdict, and not failing */
	EVL_CHANGE_NEWLY_FAILING, /* fail or error now, not before */
	EVL_CHANGE_REPAIRED,      /* fail or error before, pass now */
	EVL_CHANGE_STILL_FAILING, /* fail or error both times */
	EVL_CHANGE_WORSE,         /* passes both times, but the errors rose more than by chance */
	EVL_CHANGE_NOT_PROVED,    /* pass before, inconclusive or none now */
	EVL_CHANGE_UNDECIDED,     /* fail or error before, inconclusive or none now */
	EVL_CHANGE_PROVED,        /* inconclusive or none before, pass now */
	EVL_CHANGE_ONLY_BEFORE,
	EVL_CHANGE_ONLY_AFTER,
	EVL_CHANGE_COUNT
};

/* "same", "newly failing", "repaired", ... */
const char *evl_change_name(enum evl_change change);
/* From two verdicts alone: SAME to UNDECIDED and PROVED without WORSE. */
enum evl_change evl_change_by_verdicts(const char *before, const char *after);

struct evl_compare_item {
	const char *case_name;
	const char *title;
	const char *role;                   /* NULL: the check is about no channel */
	int number;                         /* 0 without a channel */
	const struct evl_row_check *before; /* NULL: only after */
	const struct evl_row_check *after;  /* NULL: only before */
	enum evl_change change;
	bool tested;       /* both have counts */
	double p;          /* one-sided p value; 1 when not tested */
	double p_adjusted; /* after Holm's correction; 1 when not tested */
	double p_look;     /* after Benjamini and Hochberg's, for a list to look through */
	/* SAME and passes both times: LOOK is worth a look, no verdict; BETTER is proved. NOISE
	 * for all others. */
	enum evl_count_change counts;
};

struct evl_compare_case {
	const char *name;
	const struct evl_row_case *before; /* NULL: only after */
	const struct evl_row_case *after;
	enum evl_change change;      /* by the cases' verdicts; WORSE when one of its checks is */
	int count[EVL_CHANGE_COUNT]; /* of its checks */
};

enum evl_stream_change {
	EVL_STREAM_EQUAL, /* same bits */
	EVL_STREAM_DIFFERENT,
	EVL_STREAM_UNKNOWN, /* one or both have no digest */
	EVL_STREAM_ONLY_BEFORE,
	EVL_STREAM_ONLY_AFTER,
	EVL_STREAM_CHANGE_COUNT
};

struct evl_compare_stream {
	const char *case_name;
	const char *take_name;
	const char *role;
	int number;
	const char *direction;
	const struct evl_row_stream *before; /* NULL: only after */
	const struct evl_row_stream *after;
	enum evl_stream_change change;
};

struct evl_compare {
	struct evl_compare_case
		*cases; /* order: of the earlier run, then those only in the later */
	size_t case_count;
	struct evl_compare_item *items; /* by case as above, then by check in the same manner */
	size_t item_count;
	struct evl_compare_stream *streams; /* likewise */
	size_t stream_count;
	int count[EVL_CHANGE_COUNT]; /* of items */
	int stream_counts[EVL_STREAM_CHANGE_COUNT];
	size_t tested;    /* pairs in Holm's correction */
	size_t look_here; /* items with counts LOOK ... */
	size_t better;    /* ... and BETTER */
	double alpha;
	bool same_campaign; /* equal digest of the campaign source */
	bool same_bench;
	bool same_seed;
	bool worse; /* something newly failing, worse, no longer proved or only before */
};

/* The items point into the two runs, which must outlive *out. `alpha` in 0..1 (exclusive). */
enum evl_status evl_compare_runs(struct evl_compare *out, const struct evl_run *before,
	const struct evl_run *after, double alpha, struct evl_err *err);
void evl_compare_finish(struct evl_compare *cmp); /* takes a zeroed object */
