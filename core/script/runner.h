/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The runner: campaign file + bench file -> verdicts in the store. This is what the command line
 * calls; it prints nothing.
 *
 *	struct evl_run_args args = {.campaign = "c.lua", .bench = "b.yaml", .build = "A",
 *		.store = "lab.db", .adapter_dirs = dirs, .adapter_dir_count = 1};
 *	struct evl_run_outcome out = {0};
 *	evl_runner_run(&out, &args, &err);
 *	evl_run_outcome_finish(&out);
 */
#pragma once

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/bench/bind.h"
#include "core/measure/verdict.h"

struct evl_engine;

struct evl_run_progress {
	int64_t run; /* id in the store */
	const char *campaign_name;
	const char *campaign_title;
	const char *bench_name;
	const char *build;
	bool is_virtual; /* clock */
	const struct evl_engine *engine; /* for evl_engine_look, within the call */
	const char *case_name;	/* "" before the first case; the one with the longest take of now,
				 * or that begins or ends */
	const char *case_title;
	uint32_t case_number;	/* from 1, in the order of the file */
	uint32_t case_count;	/* that will be run */
	uint32_t open_count;	/* cases that are open now */
	const char *take_name;	/* "" between takes */
	uint64_t take_done_ns;	/* bench time */
	uint64_t take_all_ns;	/* 0 between takes */
	uint64_t errors;	/* over all channels of the takes of now */
	uint32_t passed;	/* checks of this case so far */
	uint32_t failed;
	uint32_t inconclusive;
	uint32_t all_passed;	/* checks of the run so far */
	uint32_t all_failed;
	uint32_t all_inconclusive;
	bool case_ended;	      /* then the two below say how */
	enum evl_verdict case_verdict;
	const char *case_message;     /* "" or why */
};

struct evl_run_args {
	const char *campaign;	/* path of the Lua file */
	const char *bench;	/* path of the YAML file */
	const char *build;	/* label; "" is refused by run, allowed by fit */
	const char *store;	/* path of the SQLite file; made when it is not there */
	uint64_t seed;
	int64_t reference_run;	/* whose recordings are replayed; 0: newest passed run of the same
				 * campaign in the store, or this run itself */
	const char *const *cases; /* names; none: all */
	size_t case_count;
	const char *const *adapter_dirs;
	size_t adapter_dir_count;
	/* Runs that were broken off, newest first: a case that finished in one of them is taken
	 * over instead of run again. They must be of the same campaign, bench, build and seed. */
	const int64_t *take_over;
	size_t take_over_count;
	int64_t again_of; /* one of these runs: its cases with verdict error are run again; or 0 */
	bool one_at_a_time; /* no two cases are open at once */
	const volatile sig_atomic_t *stop; /* not 0: end early, keep what there is; may be NULL */
	/* Asked before each case that would run; false: the run ends here as interrupted, with
	 * `why_not` as its message. May be NULL. */
	bool (*may_begin)(void *ctx);
	void *may_begin_ctx;
	const char *why_not;
	/* A call of an adapter that lasts longer hangs: the case gets verdict error in the store,
	 * and `hung`, called from another thread, ends the process. NULL or 0: nobody watches. */
	void (*hung)(void *ctx, int64_t run, const char *text);
	void *hung_ctx;
	uint32_t hang_limit_s;
	const uint64_t *reserve_bytes; /* of the disk, that recordings leave free; NULL: 256 MB */
	/* Called often (each 8 ms of bench time): throttle on the other side. May be NULL. */
	void (*progress)(void *ctx, const struct evl_run_progress *p);
	void *progress_ctx;
};

struct evl_run_outcome {
	int64_t run; /* id in the store; 0 when it did not come to one */
	enum evl_verdict verdict;
	bool interrupted;
	uint32_t cases_run;
	uint32_t cases_taken_over;
	uint32_t cases_in_error; /* verdict error, run or taken over */
	uint32_t checks;
	uint32_t failed;
	uint32_t inconclusive;
	char results_digest[65]; /* hex */
	char *message;		 /* owned; first thing that went wrong, or NULL */
};

/* Runs the campaign. EVL_OK: the outcome holds the verdict, which may be `error` when a case met an
 * adapter or script error. Anything else: the run did not begin, or could not be kept in the store
 * (then outcome.run says how far it came); err names file, line, option. */
enum evl_status evl_runner_run(struct evl_run_outcome *out, const struct evl_run_args *args,
	struct evl_err *err);
void evl_run_outcome_finish(struct evl_run_outcome *out); /* takes a zeroed object */

struct evl_runner_fit_case {
	char *name;
	char *title;
	uint64_t estimate_ns; /* bench time that the campaign states; 0: not stated */
	uint64_t time_limit_ns;
	char *uses; /* roles, with ", " between; "" for all */
	/* When it fits. By estimates, limits in their place: */
	uint64_t start_ns, end_ns;
	uint32_t *channels; /* that it holds, indices over the binding */
	size_t channel_count;
	uint32_t *after; /* cases of this list that it names itself */
	size_t after_count;
};

struct evl_runner_fit {
	struct evl_fit fit; /* roles, problems */
	char *campaign_name;
	char *campaign_title;
	char *bench_name;
	bool is_virtual; /* all adapters run on virtual time */
	struct evl_runner_fit_case *cases;
	size_t case_count;
	uint64_t estimate_ns; /* sum */
	uint64_t at_once_ns;  /* end of the last case when it fits */
	uint64_t one_at_a_time_ns;
	struct evl_binding *binding; /* NULL when it does not fit */
};

/* Can this bench run the campaign? Loads both, opens the adapters, binds; moves no bit. EVL_OK also
 * when it does not fit (fit.fits says). `build` may be "". The caller finishes `out` always. */
enum evl_status evl_runner_fit(struct evl_runner_fit *out, const struct evl_run_args *args,
	struct evl_err *err);
void evl_runner_fit_finish(struct evl_runner_fit *out); /* takes a zeroed object */
