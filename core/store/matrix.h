/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Any number of runs beside each other: every case and every check of it on its channel is a row,
 * every run a column, and the last column is judged against those before it.
 *
 *	int64_t runs[] = {3, 9, 12};
 *	struct evl_matrix m = {0};
 *	evl_matrix_load(&m, store, &(struct evl_matrix_query){.runs = runs, .run_count = 3}, &err);
 *	for (size_t i = 0; i < m.row_count; i++) { ... m.rows[i].finding ... }
 *	evl_matrix_finish(&m);
 *
 * A row's verdict in the last column is held against its last verdict before that says something
 * (pass, fail or error), by the words of core/store/compare.h. In a run where several checks of one
 * title are on one channel of a case (or several cases have one name) the worst counts, and their
 * errors and bits are added up.
 *
 * Worse though it still passes: its errors in the last run are held against those in each earlier
 * column by the exact conditional test of two Poisson counts (core/measure/compare_counts.h), with
 * Holm's correction over all tests of the matrix.
 *
 * Flaky: by all finished runs of the last run's campaign on its bench, up to the newest of the runs
 * compared (core/store/history.h), it changes, no change at one time is proved, and one build both
 * passed and failed. Such a row is not called newly failing or repaired by its last verdict. Its
 * failures on the last run's build are held against those on other builds by Fisher's exact test
 * (core/measure/compare_shares.h), with Holm's correction over the flaky rows: when it fails more
 * often, it is worse.
 */
#pragma once

#include "core/store/case_recording.h"
#include "core/store/compare.h"
#include "core/store/history.h"

#define EVL_MATRIX_RUNS_MAX 200u

enum evl_matrix_finding { /* in the order in which a reader wants them */
	EVL_MATRIX_NEWLY_FAILING,
	EVL_MATRIX_WORSE,      /* more errors though it passes, or flaky and fails more often */
	EVL_MATRIX_NOT_PROVED, /* passed, inconclusive or none now */
	EVL_MATRIX_MISSING,    /* not in the last run */
	EVL_MATRIX_STILL_FAILING,
	EVL_MATRIX_FLAKY,
	EVL_MATRIX_UNDECIDED, /* failed, inconclusive or none now */
	EVL_MATRIX_LOOK,      /* same; its errors are worth a look (Benjamini and Hochberg) */
	EVL_MATRIX_REPAIRED,
	EVL_MATRIX_PROVED, /* inconclusive or none, passes now */
	EVL_MATRIX_NEW,    /* only in the last run */
	EVL_MATRIX_SAME,
	EVL_MATRIX_FINDING_COUNT
};
const char *evl_matrix_finding_name(enum evl_matrix_finding f); /* "newly failing", ... */
/* The last run is worse when a row has one of these: the first four. */
bool evl_matrix_finding_is_worse(enum evl_matrix_finding f);

struct evl_matrix_run {
	int64_t run;
	const char *campaign_name, *bench_name, *build, *started_utc;
	const char *state;
	const char *verdict;
	const char *notice; /* or NULL */
	bool simulated;
	bool same_campaign, same_bench; /* files, as in the last run; unknown is not the same */
	bool same_seed;
};

struct evl_matrix_cell {
	const char *verdict; /* NULL: not in this run */
	const char *value;   /* or NULL */
	const char *unit;    /* or NULL */
	int64_t errors;      /* or -1 */
	int64_t bits;        /* or -1 */
};

struct evl_matrix_recording {
	const char *name; /* NULL: none */
	const char *path;
	const char *build;
	int64_t run;     /* that made it */
	size_t more;     /* further ones of the case in that run */
	bool of_failure; /* of the newest run in which the row failed; else a reference to it */
};

#define EVL_MATRIX_NONE SIZE_MAX

struct evl_matrix_row {
	const char *case_name;
	const char *title; /* of the check; NULL: the row is the case itself */
	const char *role;  /* NULL: about no channel */
	int number;
	size_t case_row;               /* index of the case's row; its own for a case */
	struct evl_matrix_cell *cells; /* by column */
	const char *reason;            /* of the last run's check, or NULL */
	enum evl_matrix_finding finding;
	enum evl_change change; /* by verdicts alone, or WORSE by counts */
	size_t before;          /* column that it is held against, or EVL_MATRIX_NONE */
	size_t tests;           /* of its counts, in the correction */
	double p_worse;         /* the smallest, corrected; 1 without tests */
	size_t worse_than;      /* the column of that test, or EVL_MATRIX_NONE */
	bool flaky;
	double p_more_often; /* flaky: corrected; else 1 */
	const struct evl_past_case
		*past;            /* its history; NULL: none, or a check that never failed */
	const char *failed_build; /* of failed_run */
	int64_t failed_run;       /* newest in which it failed, 0: none */
	struct evl_matrix_recording recording; /* for rows that are not SAME, PROVED, NEW or LOOK */
};

struct evl_matrix {
	struct evl_matrix_run *runs; /* columns, as asked for */
	size_t run_count;
	/* By case as they first come, each followed by its checks as they first come. */
	struct evl_matrix_row *rows;
	size_t row_count;
	size_t case_count; /* rows that are cases */
	int case_findings[EVL_MATRIX_FINDING_COUNT];
	int check_findings[EVL_MATRIX_FINDING_COUNT];
	size_t tested;       /* tests of counts in the correction */
	size_t flaky_tested; /* rows in the correction of Fisher's tests */
	double alpha, confidence;
	bool has_history;
	struct evl_past past; /* when has_history */
	bool worse;
	void *memory; /* private */
};

struct evl_matrix_query {
	const int64_t *runs; /* two or more, none twice */
	size_t run_count;
	double alpha;      /* chance of any false alarm of each kind of test; 0: 0.05 */
	double confidence; /* of intervals; 0: 0.95 */
};

/* EVL_E_NOTFOUND: no such run. EVL_E_INVALID: too few or too many runs, one twice, alpha or
 * confidence not between 0 and 1. */
enum evl_status evl_matrix_load(struct evl_matrix *out, struct evl_store *store,
	const struct evl_matrix_query *query, struct evl_err *err);
void evl_matrix_finish(struct evl_matrix *m); /* takes a zeroed object */

/* What happened to a row in one column as a letter: P F I E, '-' for no verdict, '.' for not there.
 */
char evl_matrix_letter(const struct evl_matrix_cell *cell);

/* ---- which runs ---- */

struct evl_matrix_choice {
	const char *campaign_name; /* NULL: that of the newest finished run */
	const char *bench_name;    /* NULL: that of the campaign's newest finished run */
	const char *const *builds; /* the newest finished run of each, in this order ... */
	size_t build_count;
	size_t last; /* ... or, without builds, the newest so many finished runs, oldest first */
};

/* `runs` has room for build_count or `last` numbers. EVL_E_NOTFOUND: no such finished run; the
 * message says which builds there are. */
enum evl_status evl_matrix_choose(int64_t *runs, size_t *count, struct evl_store *store,
	const struct evl_matrix_choice *choice, struct evl_err *err);
