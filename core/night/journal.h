/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a night has done so far, on the disk before it goes on: JSON lines, appended and synced.
 *After any end of the program the journal and the store together say what is left.
 *
 * The first line has the night, the jobs in their order and the end of the window. Then, for job k:
 *
 *	{"begin":k,"attempt":1,"after_run":17,"of":0}
 *	{"end":k,"run":18,"verdict":"pass","message":""}
 *	{"skip":k,"why":"the window of the night is over"}
 *
 * and at last {"close":"all runs are done"}. `after_run` is the newest run of the store when the
 * attempt began: a later run of the same campaign, bench, build and seed belongs to the attempt.
 *`of` is the run whose cases with verdict error are tried again, or 0. A last line that was cut
 *short never happened.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"
#include "core/measure/verdict.h"
#include "core/night/plan.h"

enum evl_night_state {
	EVL_NIGHT_WAITING,
	EVL_NIGHT_BEGUN, /* an attempt is under way, or was when the program ended */
	EVL_NIGHT_DONE,
	EVL_NIGHT_SKIPPED,
};

struct evl_night_mark {
	uint32_t job; /* in the plan, which lists jobs as written */
	uint64_t duration_ns;
	enum evl_night_state state;
	uint32_t attempt; /* from 1 */
	int64_t after_run;
	int64_t of;
	int64_t run; /* DONE: of the last attempt; 0: none came about */
	enum evl_verdict verdict;
	char *text; /* DONE: message; SKIPPED: why; or NULL */
};

struct evl_night_journal {
	int fd;
	char *path;
	char file_sha256[EVL_SHA256_HEX]; /* of the night file */
	char began_utc[32];
	int64_t to_s;                 /* 0: no end */
	struct evl_night_mark *marks; /* in the order of running */
	size_t count;
	char *closed; /* why the night ended; NULL while it has not */
	size_t left_out;
};

/* Opens the journal of a store. EVL_E_NOTFOUND: there is none. EVL_E_CONFLICT: another process has
 * it open. EVL_E_CORRUPT: the first line is no journal's. */
enum evl_status evl_night_journal_open(
	struct evl_night_journal *out, const char *store, struct evl_err *err);
/* Begins a new one in the place of any other, with the planned jobs in their order. */
enum evl_status evl_night_journal_begin(struct evl_night_journal *out, const char *store,
	const struct evl_night_plan *plan, const char *began_utc, struct evl_err *err);
void evl_night_journal_finish(struct evl_night_journal *j); /* takes a zeroed object with fd -1 */

/* Each is on the disk when it returns. */
enum evl_status evl_night_note_begin(struct evl_night_journal *j, size_t mark, uint32_t attempt,
	int64_t after_run, int64_t of, struct evl_err *err);
enum evl_status evl_night_note_end(struct evl_night_journal *j, size_t mark, int64_t run,
	enum evl_verdict verdict, const char *message, struct evl_err *err);
enum evl_status evl_night_note_skip(
	struct evl_night_journal *j, size_t mark, const char *why, struct evl_err *err);
enum evl_status evl_night_note_close(
	struct evl_night_journal *j, const char *why, struct evl_err *err);
