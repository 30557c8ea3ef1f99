/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/night.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/night/window.h"
#include "core/store/store_read.h"

struct night {
	const struct evl_night_args *args;
	const struct evl_night_file *file;
	struct evl_night_result *out;
	struct evl_night_journal *j;
	size_t running; /* mark */
};

static void tell(struct night *n, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void tell(struct night *n, const char *fmt, ...)
{
	char line[1400];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(line, sizeof line, fmt, ap);
	va_end(ap);
	if (n->args->tell != NULL) {
		n->args->tell(n->args->ctx, line);
	}
}

static bool stop_asked(const struct night *n)
{
	return n->args->stop != NULL && *n->args->stop != 0;
}

static bool window_open(void *ctx)
{
	const struct night *n = ctx;
	return n->j->to_s == 0 || (int64_t)time(NULL) < n->j->to_s;
}

/* ---- what the store knows of an attempt ---- */

struct attempt {
	int64_t newest; /* run of the store */
	int64_t *runs;  /* of this attempt, newest first; then the one it tries again */
	size_t run_count;
	int64_t finished; /* run of this attempt that came to its end, or 0 */
	enum evl_verdict verdict;
};

static enum evl_status look_up(
	struct attempt *a, struct night *n, const struct evl_night_mark *m, struct evl_err *err)
{
	const struct evl_night_job *job = &n->out->plan.jobs[m->job];
	struct evl_store *store = NULL;
	struct evl_run_list list = {0};
	*a = (struct attempt){0};
	/* Opening for writing makes a new store, and closes runs that were killed. */
	enum evl_status st = evl_store_open(&store, n->file->store, EVL_STORE_WRITE, err);
	if (st == EVL_OK) {
		st = evl_store_list_runs(&list, store, err);
	}
	a->runs = evl_xcalloc(list.count + 2, sizeof *a->runs);
	for (size_t i = list.count; i-- > 0;) {
		const struct evl_row_run *r = &list.runs[i].run;
		a->newest = r->run > a->newest ? r->run : a->newest;
		if (m->state != EVL_NIGHT_BEGUN || r->run <= m->after_run ||
			r->campaign_sha256 == NULL || r->bench_sha256 == NULL ||
			strcmp(r->campaign_sha256, job->campaign_sha256) != 0 ||
			strcmp(r->bench_sha256, job->bench_sha256) != 0 ||
			strcmp(r->build, n->file->builds[job->build].label) != 0 ||
			r->seed != job->seed) {
			continue;
		}
		if (a->finished == 0 && strcmp(r->state, EVL_STATE_FINISHED) == 0) {
			a->finished = r->run;
			evl_verdict_by_name(&a->verdict, r->verdict);
		}
		a->runs[a->run_count++] = r->run;
	}
	if (m->state == EVL_NIGHT_BEGUN && m->of > 0) {
		a->runs[a->run_count++] = m->of;
	}
	evl_run_list_finish(&list);
	evl_store_close(store);
	return st;
}

/* ---- one job ---- */

struct ended {
	int64_t run;
	enum evl_verdict verdict;
	bool interrupted;
	bool in_error; /* some case has verdict error, or no run came about */
	char *message;
};

/* In the watchdog's thread. Without a run in the store the job itself is the error, so that whoever
 * goes on does not come to the same call again. */
static void hung(void *ctx, int64_t run, const char *text)
{
	struct night *n = ctx;
	struct evl_err err = {0};
	if (run == 0) {
		evl_night_note_end(n->j, n->running, 0, EVL_VERDICT_ERROR, text, &err);
	}
	n->args->hung(n->args->ctx, text);
}

static enum evl_status run_attempt(struct ended *e, struct night *n, const struct evl_night_mark *m,
	const struct attempt *a, struct evl_err *err)
{
	const struct evl_night_job *job = &n->out->plan.jobs[m->job];
	const struct evl_night_entry *entry = &n->file->entries[job->entry];
	struct evl_run_args run = {.campaign = entry->campaign,
		.bench = n->file->benches[job->bench].path,
		.build = n->file->builds[job->build].label,
		.store = n->file->store,
		.seed = job->seed,
		.take_over = a->runs,
		.take_over_count = a->run_count,
		.again_of = m->of,
		.cases = entry->cases,
		.case_count = entry->case_count,
		.adapter_dirs = n->args->adapter_dirs,
		.adapter_dir_count = n->args->adapter_dir_count,
		.stop = n->args->stop,
		.hung = n->args->hung != NULL ? hung : NULL,
		.hung_ctx = n,
		.hang_limit_s = n->args->hang_limit_s,
		.reserve_bytes = n->args->reserve_bytes,
		.may_begin = window_open,
		.may_begin_ctx = n,
		.why_not = "the window of the night is over",
		.progress = n->args->progress,
		.progress_ctx = n->args->ctx};
	struct evl_run_outcome out = {0};
	struct evl_err why = {0};
	enum evl_status st = evl_runner_run(&out, &run, &why);
	*e = (struct ended){.run = out.run,
		.verdict = out.verdict,
		.interrupted = out.interrupted,
		.in_error = out.cases_in_error > 0};
	if (out.message != NULL) {
		e->message = evl_xstrdup(out.message);
	}
	evl_run_outcome_finish(&out);
	if (st == EVL_OK) {
		return st;
	}
	if (st == EVL_E_INTERRUPTED || stop_asked(n)) {
		e->interrupted = true;
		return EVL_OK;
	}
	if (e->run > 0 || st == EVL_E_CONFLICT) {
		*err = why; /* the store: nothing that follows could be kept either */
		return st;
	}
	e->verdict = EVL_VERDICT_ERROR;
	e->in_error = true;
	free(e->message);
	e->message = evl_xstrdup(why.text);
	return EVL_OK;
}

/* A run that ended before the journal could say so. */
static void as_stored(struct ended *e, const struct attempt *a)
{
	*e = (struct ended){.run = a->finished,
		.verdict = a->verdict,
		.in_error = a->verdict == EVL_VERDICT_ERROR};
}

static enum evl_status run_job(struct night *n, size_t k, struct evl_err *err)
{
	struct evl_night_mark *m = &n->j->marks[k];
	const struct evl_night_job *job = &n->out->plan.jobs[m->job];
	const uint32_t retries = n->file->entries[job->entry].retries;
	bool again = m->state == EVL_NIGHT_BEGUN;
	n->running = k;
	enum evl_status st = EVL_OK;
	for (;;) {
		struct attempt a;
		struct ended e = {0};
		st = look_up(&a, n, m, err);
		if (st == EVL_OK && m->state != EVL_NIGHT_BEGUN) {
			st = evl_night_note_begin(n->j, k, 1, a.newest, 0, err);
		}
		if (st == EVL_OK) {
			tell(n, "%zu of %zu, %s%s", k + 1, n->j->count, job->id,
				again            ? ": goes on"
				: m->attempt > 1 ? ": errors are tried again"
						 : "");
			again = false;
			if (a.finished > 0) {
				as_stored(&e, &a);
			} else {
				st = run_attempt(&e, n, m, &a, err);
			}
		}
		int64_t newest = a.newest > e.run ? a.newest : e.run;
		free(a.runs);
		if (st < 0) {
			free(e.message);
			return st;
		}
		bool over = false;
		if (e.interrupted && stop_asked(n)) {
			free(e.message);
			return EVL_E_INTERRUPTED;
		}
		if (e.interrupted) {
			st = evl_night_note_skip(n->j, k, "the window of the night was over", err);
			over = true;
		} else if (e.in_error && m->attempt <= retries && window_open(n)) {
			tell(n, "    run %" PRId64 ": error: %s", e.run,
				e.message != NULL ? e.message : "");
			/* Without a run there is nothing to take over but what is there already. */
			st = evl_night_note_begin(
				n->j, k, m->attempt + 1, newest, e.run > 0 ? e.run : m->of, err);
		} else {
			tell(n, "    run %" PRId64 ": %s%s%s", e.run, evl_verdict_name(e.verdict),
				e.message != NULL ? "; " : "", e.message != NULL ? e.message : "");
			st = evl_night_note_end(n->j, k, e.run, e.verdict, e.message, err);
			over = true;
		}
		free(e.message);
		if (st < 0 || over) {
			return st;
		}
	}
}

/* ---- the night ---- */

static bool rules_stop(const struct night *n, char why[160])
{
	uint32_t failed = 0, in_error = 0;
	for (size_t i = 0; i < n->j->count; i++) {
		const struct evl_night_mark *m = &n->j->marks[i];
		failed += m->state == EVL_NIGHT_DONE && m->verdict == EVL_VERDICT_FAIL;
		in_error += m->state == EVL_NIGHT_DONE && m->verdict == EVL_VERDICT_ERROR;
	}
	const struct evl_night_file *f = n->file;
	if (f->stop_failed_runs > 0 && failed >= f->stop_failed_runs) {
		snprintf(why, 160, "stop rule: %u runs failed", (unsigned)failed);
		return true;
	}
	if (f->stop_error_runs > 0 && in_error >= f->stop_error_runs) {
		snprintf(why, 160, "stop rule: %u runs ended with an error", (unsigned)in_error);
		return true;
	}
	return false;
}

/* Until the window opens. The clock on the wall may jump, so it is looked at each second. */
static enum evl_status wait_for_window(struct night *n, struct evl_err *err)
{
	const struct evl_night_plan *plan = &n->out->plan;
	if ((int64_t)time(NULL) < plan->from_s) {
		char text[64];
		enum evl_status st = evl_window_format(text, n->file->zone, plan->from_s, err);
		if (st < 0) {
			return st;
		}
		tell(n, "waits for the window, which opens %s", text);
	}
	while ((int64_t)time(NULL) < plan->from_s && !stop_asked(n)) {
		nanosleep(&(struct timespec){.tv_sec = 1}, NULL);
	}
	return EVL_OK;
}

static enum evl_status run_all(struct night *n, struct evl_err *err)
{
	struct evl_night_journal *j = n->j;
	char why[160] = "all runs are done";
	for (size_t k = 0; k < j->count; k++) {
		struct evl_night_mark *m = &j->marks[k];
		enum evl_status st = EVL_OK;
		if (m->state == EVL_NIGHT_DONE || m->state == EVL_NIGHT_SKIPPED) {
			continue;
		}
		if (stop_asked(n)) {
			n->out->interrupted = true;
			return EVL_OK;
		}
		if (rules_stop(n, why)) {
			st = evl_night_note_skip(j, k, why, err);
		} else if (!window_open(n) ||
			   (m->state == EVL_NIGHT_WAITING && j->to_s > 0 &&
				   (int64_t)time(NULL) + (int64_t)(m->duration_ns / 1000000000u) >
					   j->to_s)) {
			st = evl_night_note_skip(
				j, k, "the window of the night is too short for it now", err);
		} else {
			st = run_job(n, k, err);
		}
		if (st == EVL_E_INTERRUPTED) {
			n->out->interrupted = true;
			return EVL_OK;
		}
		if (st < 0) {
			return st;
		}
	}
	return evl_night_note_close(j, why, err);
}

static void judge(struct evl_night_result *out)
{
	const struct evl_night_journal *j = &out->journal;
	out->complete = j->left_out == 0;
	out->verdict = EVL_VERDICT_NONE;
	for (size_t i = 0; i < j->count; i++) {
		const struct evl_night_mark *m = &j->marks[i];
		out->complete = out->complete && m->state == EVL_NIGHT_DONE;
		if (m->state == EVL_NIGHT_DONE) {
			out->verdict = evl_verdict_worse(out->verdict, m->verdict);
		}
	}
	if (!out->complete) {
		out->verdict = evl_verdict_worse(out->verdict, EVL_VERDICT_INCONCLUSIVE);
	}
	if (out->plan.problems > 0) {
		out->verdict = EVL_VERDICT_ERROR;
	}
}

/* The journal of a night that was broken off and is to go on; EVL_E_NOTFOUND: none. */
static enum evl_status find_broken(struct night *n, struct evl_err *err)
{
	enum evl_status st = evl_night_journal_open(n->j, n->file->store, err);
	if (st < 0) {
		return st;
	}
	if (n->j->closed == NULL && !n->args->anew) {
		bool same = strcmp(n->j->file_sha256, n->file->sha256) == 0;
		for (size_t i = 0; i < n->j->count && same; i++) {
			same = n->j->marks[i].job < n->out->plan.job_count;
		}
		if (same) {
			return EVL_OK;
		}
		st = evl_err_set(err, EVL_E_INVALID,
			"%s was changed since the night of %s was broken off; change it back to go "
			"on, or begin a new night with --new",
			n->file->path, n->j->began_utc);
	} else {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"no night of %s was broken off; the last one ended: %s", n->file->store,
			n->j->closed != NULL ? n->j->closed : "given up");
	}
	evl_night_journal_finish(n->j);
	return st;
}

enum evl_status evl_night_run(
	struct evl_night_result *out, const struct evl_night_args *args, struct evl_err *err)
{
	*out = (struct evl_night_result){.journal = {.fd = -1}};
	struct night n = {.args = args, .file = args->file, .out = out, .j = &out->journal};
	struct evl_night_plan_args plan = {.adapter_dirs = args->adapter_dirs,
		.adapter_dir_count = args->adapter_dir_count,
		.now_s = (int64_t)time(NULL),
		.no_window = args->no_window,
		.hung = args->hung_opening,
		.hung_ctx = args->ctx,
		.hang_limit_s = args->hang_limit_s};
	enum evl_status st = evl_night_plan_make(&out->plan, args->file, &plan, err);
	if (st == EVL_E_CORRUPT) {
		/* A store whose writer was killed while making it is put right by opening it. */
		struct evl_store *store = NULL;
		st = evl_store_open(&store, args->file->store, EVL_STORE_WRITE, err);
		evl_store_close(store);
		if (st == EVL_OK) {
			st = evl_night_plan_make(&out->plan, args->file, &plan, err);
		}
	}
	if (st == EVL_OK) {
		st = find_broken(&n, err);
	}
	if (st == EVL_OK) {
		tell(&n, "goes on with the night that began %s", out->journal.began_utc);
		out->plan.to_s = out->journal.to_s;
	} else if (st == EVL_E_NOTFOUND && !args->only_resume) {
		st = wait_for_window(&n, err);
		if (st == EVL_OK && stop_asked(&n)) {
			out->interrupted = true;
			out->verdict = EVL_VERDICT_INCONCLUSIVE;
			return EVL_OK;
		}
		char now[32];
		time_t t = time(NULL);
		struct tm tm;
		evl_require(gmtime_r(&t, &tm) != NULL);
		strftime(now, sizeof now, "%Y-%m-%dT%H:%M:%SZ", &tm);
		if (st == EVL_OK) {
			st = evl_night_journal_begin(
				&out->journal, args->file->store, &out->plan, now, err);
		}
	}
	for (size_t i = 0; st == EVL_OK && i < out->plan.job_count; i++) {
		const struct evl_night_job *job = &out->plan.jobs[i];
		const struct evl_timetable_slot *slot = evl_night_plan_slot(&out->plan, job);
		if (slot == NULL || slot->fate != EVL_TIMETABLE_PLACED) {
			struct evl_text why = {0};
			evl_night_plan_why_out(&why, &out->plan, job);
			tell(&n, "left out: %s: %s", job->id, evl_text_str(&why));
			evl_text_finish(&why);
		}
	}
	if (st == EVL_OK) {
		st = run_all(&n, err);
	}
	judge(out);
	return st;
}

void evl_night_result_finish(struct evl_night_result *r)
{
	if (r->journal.path != NULL) {
		evl_night_journal_finish(&r->journal);
	}
	evl_night_plan_finish(&r->plan);
}

void evl_night_summary(struct evl_text *out, const struct evl_night_result *r)
{
	const struct evl_night_journal *j = &r->journal;
	for (size_t i = 0; i < j->count; i++) {
		const struct evl_night_mark *m = &j->marks[i];
		const char *id = r->plan.jobs[m->job].id;
		switch (m->state) {
		case EVL_NIGHT_DONE:
			evl_text_addf(out, "%-13s run %-4" PRId64 " %s%s%s\n",
				evl_verdict_name(m->verdict), m->run, id,
				m->text != NULL ? "; " : "", m->text != NULL ? m->text : "");
			break;
		case EVL_NIGHT_SKIPPED:
			evl_text_addf(out, "%-13s          %s; %s\n", "not run", id,
				m->text != NULL ? m->text : "");
			break;
		default:
			evl_text_addf(out, "%-13s          %s\n",
				m->state == EVL_NIGHT_BEGUN ? "broken off" : "not yet run", id);
			break;
		}
	}
	for (size_t i = 0; i < r->plan.job_count; i++) {
		const struct evl_night_job *job = &r->plan.jobs[i];
		if (job->problem != NULL) {
			evl_text_addf(
				out, "%-13s          %s; %s\n", "error", job->id, job->problem);
		}
	}
	evl_text_addf(out, "\n%s\n",
		j->closed != NULL ? j->closed
				  : "the night is not over; the same command goes on with it");
}
