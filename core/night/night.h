/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Runs a night: job after job, each a run of its own in the store. Every step is on the disk before
 * the next, so after a kill at any instant the same call goes on: finished cases are not run again,
 * the one that was cut short is run again whole (the store and the report say so).
 *
 *	struct evl_night_args args = {.file = file, .now_s = time(NULL), .stop = stop};
 *	struct evl_night_result result = {0};
 *	evl_night_run(&result, &args, &err);
 *	evl_night_result_finish(&result);
 */
#pragma once

#include <signal.h>

#include "core/night/journal.h"
#include "core/script/runner.h"

struct evl_night_args {
	const struct evl_night_file *file;
	const char *const *adapter_dirs;
	size_t adapter_dir_count;
	bool no_window;   /* begin now and end when all is done */
	bool only_resume; /* never begin a new night: EVL_E_NOTFOUND when none was broken off */
	bool anew;        /* give up a night that was broken off */
	const volatile sig_atomic_t *stop;
	/* An adapter hangs, and what hung has its verdict error on the disk: ends the process, or
	 * puts another in its place that goes on. Called from another thread. */
	void (*hung)(void *ctx, const char *text);
	/* The same as a bench is opened for the timetable, before anything is begun: ends the
	 * process. */
	void (*hung_opening)(void *ctx, const char *text);
	uint32_t hang_limit_s;
	const uint64_t *reserve_bytes; /* as in struct evl_run_args */
	void (*tell)(void *ctx, const char *line); /* what happens, a line without its end */
	void (*progress)(void *ctx, const struct evl_run_progress *p);
	void *ctx; /* of both */
};

struct evl_night_result {
	struct evl_night_plan plan;
	struct evl_night_journal journal;
	enum evl_verdict verdict; /* worst of the runs; at least inconclusive when some were not */
	bool complete;            /* every job of the night file ran */
	bool interrupted;         /* stopped by the user; the same call goes on with it */
};

/* EVL_OK: the result says how the night went. Others: it could not begin or not go on (file, store,
 * journal, disk); a later call goes on where it can. The caller finishes `out` always. */
enum evl_status evl_night_run(
	struct evl_night_result *out, const struct evl_night_args *args, struct evl_err *err);
void evl_night_result_finish(struct evl_night_result *r); /* takes a zeroed object */

/* The morning's summary: a line for each job with verdict and run. */
void evl_night_summary(struct evl_text *out, const struct evl_night_result *r);
