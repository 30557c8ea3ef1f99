/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds the first bad build of an ordered list: runs a campaign on the build that tells most, until
 * one answer is sure enough (core/measure/bisect.h).
 *
 *	struct evl_first_bad_args args = {.run = run, .builds = labels, .build_count = 12,
 *		.noise = {0.1, 0.01}, .confidence = 0.95, .most_runs = 100};
 *	struct evl_first_bad found = {0};
 *	evl_first_bad_find(&found, &args, &err);
 *	evl_first_bad_finish(&found);
 *
 * The store is the only memory: every finished run in it of the same campaign file, bench file,
 * build and wanted case counts, whoever made it, so the same call goes on after any end of the
 * program. On the virtual clock a seed gives the same bits again, so each run has a seed of its
 *own: run.seed, the next one, ... and of two such runs of one build with one seed the first counts.
 */
#pragma once

#include "core/measure/bisect.h"
#include "core/script/runner.h"

/* So many fruitless runs or loads, and more than those that said something: it is left out. */
#define EVL_FIRST_BAD_TRIES 2u

struct evl_first_bad_args {
	struct evl_run_args run;   /* campaign, bench, store, seed and the like; build is ignored */
	const char *const *builds; /* labels, the oldest first, all different */
	size_t build_count;
	const char *case_name;   /* NULL: the verdict of the whole campaign */
	const char *check_title; /* NULL: that of the case; its checks on all channels together */
	struct evl_bisect_noise noise;
	double confidence;
	uint32_t most_runs; /* that this call makes */
	const char *load;   /* command for core/night/load_build.h; NULL: the label is enough */
	uint32_t load_limit_s;
	void (*tell)(
		void *ctx, const char *line); /* what happens, a line without its end; or NULL */
	void *tell_ctx;
};

struct evl_first_bad_run {
	int64_t run;
	size_t build;
	uint64_t seed;
	bool judged; /* else neither pass nor fail: it tells nothing of the unit */
	bool failed;
	bool earlier; /* was in the store before this call */
};

struct evl_first_bad_build {
	const char *label;
	uint32_t passed, failed;
	uint32_t fruitless;
	bool left_out;
	double probability; /* that it is the first bad one */
};

enum evl_first_bad_end {
	EVL_FIRST_BAD_FOUND,     /* the answer has the wanted probability */
	EVL_FIRST_BAD_UNDECIDED, /* what is left cannot be told apart: builds were left out */
	EVL_FIRST_BAD_MOST_RUNS,
	EVL_FIRST_BAD_STOPPED, /* by the user */
};

struct evl_first_bad {
	struct evl_first_bad_run *runs; /* earlier ones by number, then as they were made */
	size_t run_count;
	struct evl_first_bad_build *builds; /* as in the arguments, whose labels they borrow */
	size_t build_count;
	double none; /* probability that none is bad */
	struct evl_bisect_answer answer;
	size_t first, last; /* shortest row of answers with the wanted confidence */
	enum evl_first_bad_end end;
};

/* EVL_OK: out->end says how it came out. Others: bad arguments, a campaign that does not fit the
 * bench, a store that cannot be used, results that contradict each other with a noise of 0; a later
 * call goes on. The caller finishes `out` always. */
enum evl_status evl_first_bad_find(
	struct evl_first_bad *out, const struct evl_first_bad_args *args, struct evl_err *err);
void evl_first_bad_finish(struct evl_first_bad *f); /* takes a zeroed object */
