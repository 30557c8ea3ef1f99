/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The jobs of a night file and their timetable: how long each takes (as before, else as its
 * campaign says), what matters first, what will not fit.
 *
 *	struct evl_night_plan plan;
 *	evl_night_plan_make(&plan, file, &args, &err);
 *	evl_night_plan_text(&text, &plan, &err);
 *	evl_night_plan_finish(&plan);
 */
#pragma once

#include "core/base/text.h"
#include "core/bench/night_file.h"
#include "core/night/timetable.h"

/* Why a job matters, the most pressing first. */
enum evl_night_need {
	EVL_NIGHT_NEVER_RUN, /* this campaign on this bench and build */
	EVL_NIGHT_CHANGED,   /* campaign or bench file differ from those of the last run */
	EVL_NIGHT_FAILED,    /* the last run ended with fail or error */
	EVL_NIGHT_AGED,      /* the longest untested first */
};

/* One run that is wanted: a campaign on a bench, a build, the n-th time. */
struct evl_night_job {
	uint32_t entry, bench, build; /* indices in the night file */
	uint32_t repeat;              /* from 1 */
	uint64_t seed;
	char *id; /* "acceptance/bench-1/B", "acceptance/bench-1/B/2" when there are repeats */
	char campaign_sha256[EVL_SHA256_HEX];
	char bench_sha256[EVL_SHA256_HEX];
	uint64_t duration_ns;
	unsigned past_runs; /* that the duration comes from; 0: what the campaign states */
	enum evl_night_need need;
	char last_utc[32];     /* begin of the last run, or "" */
	char *problem;         /* why it cannot run at all, or NULL */
	uint32_t in_timetable; /* index there; UINT32_MAX with a problem */
};

struct evl_night_plan_args {
	const char *const *adapter_dirs;
	size_t adapter_dir_count;
	int64_t now_s;  /* seconds since 1970 UTC */
	bool no_window; /* begin now, whatever the window says */
	/* An adapter hangs as its bench is opened: ends the process, from another thread. The text
	 * names file, run and bench. NULL or a limit of 0: nobody watches. */
	void (*hung)(void *ctx, const char *text);
	void *hung_ctx;
	uint32_t hang_limit_s;
};

struct evl_night_plan {
	const struct evl_night_file *file; /* borrowed */
	struct evl_night_job *jobs;        /* as written: entry, build, bench, repeat */
	size_t job_count;
	size_t problems;
	struct evl_timetable table;
	uint32_t *by_table;   /* job of each test of the timetable */
	int64_t from_s, to_s; /* of the night; to_s 0: no end */
};

#define EVL_NIGHT_JOBS_MAX EVL_TIMETABLE_TESTS_MAX

/* Opens every bench and campaign (as `fit` does), moves no bit. EVL_OK also when some jobs cannot
 * run: then they have a problem. */
enum evl_status evl_night_plan_make(struct evl_night_plan *out, const struct evl_night_file *file,
	const struct evl_night_plan_args *args, struct evl_err *err);
void evl_night_plan_finish(struct evl_night_plan *plan); /* takes a zeroed object */

/* A job's own test in the timetable, or NULL. */
const struct evl_timetable_slot *evl_night_plan_slot(
	const struct evl_night_plan *plan, const struct evl_night_job *job);

/* "does not fit: ..." for a job that is left out; "" for one that is planned. */
void evl_night_plan_why_out(
	struct evl_text *out, const struct evl_night_plan *plan, const struct evl_night_job *job);

/* picture.c: the timetable as lines of text, and as one SVG. */
enum evl_status evl_night_plan_text(
	struct evl_text *out, const struct evl_night_plan *plan, struct evl_err *err);
enum evl_status evl_night_plan_svg(
	struct evl_text *out, const struct evl_night_plan *plan, struct evl_err *err);
