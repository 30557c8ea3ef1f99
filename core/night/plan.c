/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/plan.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/night/window.h"
#include "core/script/runner.h"
#include "core/store/store_read.h"

#define PAST_RUNS 5u
#define SECOND_NS ((uint64_t)1000000000u)

/* What all repeats of a job have in common. */
struct ground {
	char *campaign_name;
	char *bench_name;
	uint64_t stated_ns;
	size_t case_count;
};

static enum evl_status digest_of(char hex[EVL_SHA256_HEX], const char *path, struct evl_err *err)
{
	uint8_t digest[EVL_SHA256_BYTES];
	enum evl_status st = evl_sha256_of_file(path, digest, err);
	if (st == EVL_OK) {
		evl_hex(digest, sizeof digest, hex);
	}
	return st;
}

struct opening {
	const struct evl_night_plan_args *args;
	const struct evl_night_file *file;
	const struct evl_night_job *job;
};

static void hung(void *ctx, int64_t run, const char *text)
{
	const struct opening *o = ctx;
	char line[1400];
	(void)run; /* there is none yet */
	snprintf(line, sizeof line,
		"%s: opening %s for %s: %s; mend the bench or take it out of the night file",
		o->file->path, o->file->benches[o->job->bench].path, o->job->id, text);
	o->args->hung(o->args->hung_ctx, line);
}

/* Can the bench run it, and how long does the campaign say that it takes? */
static void look_at(struct ground *g, struct evl_night_job *job, const struct evl_night_file *file,
	const struct evl_night_plan_args *args)
{
	const struct evl_night_entry *e = &file->entries[job->entry];
	struct opening opening = {args, file, job};
	struct evl_run_args run = {.campaign = e->campaign,
		.bench = file->benches[job->bench].path,
		.build = file->builds[job->build].label,
		.store = file->store,
		.seed = job->seed,
		.cases = e->cases,
		.case_count = e->case_count,
		.adapter_dirs = args->adapter_dirs,
		.adapter_dir_count = args->adapter_dir_count,
		.hung = args->hung != NULL ? hung : NULL,
		.hung_ctx = &opening,
		.hang_limit_s = args->hang_limit_s};
	struct evl_runner_fit fit = {0};
	struct evl_err err = {0};
	enum evl_status st = digest_of(job->campaign_sha256, run.campaign, &err);
	if (st == EVL_OK) {
		st = digest_of(job->bench_sha256, run.bench, &err);
	}
	if (st == EVL_OK) {
		st = evl_runner_fit(&fit, &run, &err);
	}
	if (st < 0) {
		job->problem = evl_xstrdup(err.text);
	} else if (!fit.fit.fits) {
		job->problem = evl_xstrdup(fit.fit.problem_count > 0
						   ? fit.fit.problems[0].text
						   : "the bench cannot run this campaign");
	} else {
		g->campaign_name = evl_xstrdup(fit.campaign_name);
		g->bench_name = evl_xstrdup(fit.bench_name);
		g->case_count = fit.case_count;
		g->stated_ns = fit.at_once_ns;
	}
	evl_runner_fit_finish(&fit);
}

/* Seconds since 1970 of "2026-11-25T09:12:33Z"; false when it is none. */
static bool seconds_of(int64_t *out, const char *utc)
{
	int y, mo, d, h, mi, s;
	if (utc == NULL || sscanf(utc, "%d-%d-%dT%d:%d:%dZ", &y, &mo, &d, &h, &mi, &s) != 6) {
		return false;
	}
	/* Lengths only: any fixed count of days does. Months as in days_of of window.c. */
	int64_t year = mo <= 2 ? y - 1 : y, m = mo <= 2 ? mo + 9 : mo - 3;
	int64_t days = year * 365 + year / 4 - year / 100 + year / 400 + (153 * m + 2) / 5 + d;
	*out = ((days * 24 + h) * 60 + mi) * 60 + s;
	return true;
}

static int by_size(const void *a, const void *b)
{
	uint64_t x = *(const uint64_t *)a, y = *(const uint64_t *)b;
	return x < y ? -1 : x > y;
}

/* From the runs of before: how long it took (the median), and why it matters. */
static void look_back(struct evl_night_job *job, const struct ground *g,
	const struct evl_run_list *past, const char *build)
{
	uint64_t took[PAST_RUNS];
	const struct evl_row_run *last = NULL;
	for (size_t i = past->count; i-- > 0;) {
		const struct evl_row_run *r = &past->runs[i].run;
		int64_t from, to;
		if (strcmp(r->campaign_name, g->campaign_name) != 0 ||
			strcmp(r->bench_name, g->bench_name) != 0 ||
			strcmp(r->state, EVL_STATE_FINISHED) != 0) {
			continue;
		}
		last = last == NULL && strcmp(r->build, build) == 0 ? r : last;
		bool part = r->message != NULL && strncmp(r->message, "continues run", 13) == 0;
		if (job->past_runs < PAST_RUNS && !part &&
			(size_t)past->runs[i].cases == g->case_count &&
			seconds_of(&from, r->started_utc) && seconds_of(&to, r->ended_utc) &&
			to >= from) {
			/* Begin and end are cut to seconds. */
			took[job->past_runs++] = (uint64_t)(to - from + 1) * SECOND_NS;
		}
	}
	if (job->past_runs > 0) {
		qsort(took, job->past_runs, sizeof *took, by_size);
		job->duration_ns = took[job->past_runs / 2];
	} else {
		job->duration_ns = g->stated_ns > SECOND_NS ? g->stated_ns : SECOND_NS;
	}
	if (last == NULL) {
		job->need = EVL_NIGHT_NEVER_RUN;
		return;
	}
	snprintf(job->last_utc, sizeof job->last_utc, "%s", last->started_utc);
	bool changed = last->campaign_sha256 == NULL || last->bench_sha256 == NULL ||
		       strcmp(last->campaign_sha256, job->campaign_sha256) != 0 ||
		       strcmp(last->bench_sha256, job->bench_sha256) != 0;
	bool failed = strcmp(last->verdict, "fail") == 0 || strcmp(last->verdict, "error") == 0;
	job->need = changed ? EVL_NIGHT_CHANGED : failed ? EVL_NIGHT_FAILED : EVL_NIGHT_AGED;
}

static enum evl_status list_jobs(
	struct evl_night_plan *plan, const struct evl_night_file *f, struct evl_err *err)
{
	size_t n = 0;
	for (size_t i = 0; i < f->entry_count; i++) {
		const struct evl_night_entry *e = &f->entries[i];
		n += e->bench_count * e->build_count * e->repeats;
		if (n > EVL_NIGHT_JOBS_MAX) {
			return evl_err_set(err, EVL_E_LIMIT,
				"%s:%u: a night has at most %u runs, and these would be more",
				f->path, (unsigned)e->line, EVL_NIGHT_JOBS_MAX);
		}
	}
	plan->jobs = evl_xcalloc(n + 1, sizeof *plan->jobs);
	for (uint32_t i = 0; i < f->entry_count; i++) {
		const struct evl_night_entry *e = &f->entries[i];
		for (size_t u = 0; u < e->build_count; u++) {
			for (size_t b = 0; b < e->bench_count; b++) {
				for (uint32_t r = 1; r <= e->repeats; r++) {
					struct evl_night_job *job = &plan->jobs[plan->job_count++];
					struct evl_text id = {0};
					*job = (struct evl_night_job){.entry = i,
						.bench = e->benches[b],
						.build = e->builds[u],
						.repeat = r,
						.seed = f->seed + r - 1};
					evl_text_addf(&id, "%s/%s/%s", e->name,
						f->benches[job->bench].name,
						f->builds[job->build].label);
					if (e->repeats > 1) {
						evl_text_addf(&id, "/%u", (unsigned)r);
					}
					job->id = evl_xstrdup(evl_text_str(&id));
					evl_text_finish(&id);
				}
			}
		}
	}
	return EVL_OK;
}

static void look_at_all(struct evl_night_plan *plan, const struct evl_night_plan_args *args,
	const struct evl_run_list *past)
{
	struct ground g = {0};
	for (size_t i = 0; i < plan->job_count; i++) {
		struct evl_night_job *job = &plan->jobs[i];
		if (job->repeat == 1) {
			free(g.campaign_name);
			free(g.bench_name);
			g = (struct ground){0};
			look_at(&g, job, plan->file, args);
		} else {
			const struct evl_night_job *first = job - 1;
			memcpy(job->campaign_sha256, first->campaign_sha256, EVL_SHA256_HEX);
			memcpy(job->bench_sha256, first->bench_sha256, EVL_SHA256_HEX);
			job->problem = first->problem != NULL ? evl_xstrdup(first->problem) : NULL;
		}
		if (job->problem == NULL) {
			look_back(job, &g, past, plan->file->builds[job->build].label);
		}
	}
	free(g.campaign_name);
	free(g.bench_name);
}

static bool waits_for(const struct evl_night_file *f, const struct evl_night_job *job,
	const struct evl_night_job *other)
{
	const struct evl_night_entry *e = &f->entries[job->entry];
	for (size_t k = 0; k < e->after_count; k++) {
		if (e->after[k] == other->entry && job->bench == other->bench &&
			job->build == other->build) {
			return true;
		}
	}
	return false;
}

/* What waits for something that cannot run cannot run either. */
static void spread_problems(struct evl_night_plan *plan)
{
	for (bool more = true; more;) {
		more = false;
		for (size_t i = 0; i < plan->job_count; i++) {
			for (size_t k = 0; k < plan->job_count; k++) {
				struct evl_night_job *job = &plan->jobs[i];
				const struct evl_night_job *other = &plan->jobs[k];
				if (job->problem != NULL || other->problem == NULL ||
					!waits_for(plan->file, job, other)) {
					continue;
				}
				struct evl_text t = {0};
				evl_text_addf(&t, "waits for %s, which cannot run", other->id);
				job->problem = evl_xstrdup(evl_text_str(&t));
				evl_text_finish(&t);
				more = true;
			}
		}
	}
}

/* ---- the timetable ---- */

struct needed {
	uint32_t job, repeat, need;
	const char *last;
};

static int by_need(const void *a, const void *b)
{
	const struct needed *x = a, *y = b;
	if (x->repeat != y->repeat) {
		return x->repeat < y->repeat ? -1 : 1; /* once each before anything twice */
	}
	if (x->need != y->need) {
		return x->need < y->need ? -1 : 1;
	}
	int c = strcmp(x->last, y->last);
	return c != 0 ? c : x->job < y->job ? -1 : 1;
}

static enum evl_status make_table(
	struct evl_night_plan *plan, uint64_t window_ns, struct evl_err *err)
{
	const struct evl_night_file *f = plan->file;
	size_t n = plan->job_count;
	struct evl_timetable_test *tests = evl_xcalloc(n + 1, sizeof *tests);
	struct needed *order = evl_xcalloc(n + 1, sizeof *order);
	uint32_t *needs = evl_xcalloc(2 * n + 1, sizeof *needs);
	uint32_t **after = evl_xcalloc(n + 1, sizeof *after);
	size_t count = 0;
	plan->by_table = evl_xcalloc(n + 1, sizeof *plan->by_table);
	for (uint32_t i = 0; i < n; i++) {
		struct evl_night_job *job = &plan->jobs[i];
		job->in_timetable = job->problem == NULL ? (uint32_t)count : UINT32_MAX;
		if (job->problem == NULL) {
			plan->by_table[count++] = i;
		}
	}
	for (size_t k = 0; k < count; k++) {
		const struct evl_night_job *job = &plan->jobs[plan->by_table[k]];
		order[k] = (struct needed){
			plan->by_table[k], job->repeat, (uint32_t)job->need, job->last_utc};
	}
	if (f->order == EVL_NIGHT_BY_NEED) {
		qsort(order, count, sizeof *order, by_need);
	}
	for (size_t k = 0; k < count; k++) {
		const struct evl_night_job *job = &plan->jobs[order[k].job];
		uint32_t at = job->in_timetable;
		/* The store has one writer, so 0 is needed by all: one run at a time. */
		needs[2 * at] = 0;
		needs[2 * at + 1] = 1 + job->bench;
		after[at] = evl_xcalloc(count + 1, sizeof **after);
		tests[at] = (struct evl_timetable_test){.duration_ns = job->duration_ns,
			.needs = needs + 2 * at,
			.need_count = 2,
			.after = after[at],
			.priority = f->entries[job->entry].priority,
			.rank = (uint32_t)k};
		for (size_t b = 0; b < count; b++) {
			if (waits_for(f, job, &plan->jobs[plan->by_table[b]])) {
				after[at][tests[at].after_count++] = (uint32_t)b;
			}
		}
	}
	struct evl_timetable_args args = {.tests = tests,
		.test_count = count,
		.resource_count = 1 + f->bench_count,
		.window_ns = window_ns};
	enum evl_status st = evl_timetable_make(&plan->table, &args, err);
	for (size_t k = 0; k < count; k++) {
		free(after[k]);
	}
	free(after);
	free(needs);
	free(order);
	free(tests);
	return st;
}

enum evl_status evl_night_plan_make(struct evl_night_plan *out, const struct evl_night_file *file,
	const struct evl_night_plan_args *args, struct evl_err *err)
{
	*out = (struct evl_night_plan){.file = file, .from_s = args->now_s};
	struct evl_run_list past = {0};
	struct evl_store *store = NULL;
	uint64_t window_ns = 0;
	enum evl_status st = EVL_OK;
	if (file->has_window) {
		st = evl_window_next(&out->from_s, &out->to_s, file->zone, file->from_minute,
			file->to_minute, args->now_s, err);
		if (st < 0) {
			return evl_err_prefix(err, "%s:%u", file->path, (unsigned)file->zone_line);
		}
		if (args->no_window) {
			out->from_s = args->now_s;
			out->to_s = 0;
		} else {
			out->from_s = out->from_s > args->now_s ? out->from_s : args->now_s;
			window_ns = (uint64_t)(out->to_s - out->from_s) * SECOND_NS;
		}
	}
	st = evl_store_open(&store, file->store, EVL_STORE_READ, err);
	if (st == EVL_OK) {
		st = evl_store_list_runs(&past, store, err);
	} else if (st == EVL_E_NOTFOUND) {
		st = EVL_OK; /* the first night */
	}
	evl_store_close(store);
	if (st == EVL_OK) {
		st = list_jobs(out, file, err);
	}
	if (st == EVL_OK) {
		look_at_all(out, args, &past);
		spread_problems(out);
		for (size_t i = 0; i < out->job_count; i++) {
			out->problems += out->jobs[i].problem != NULL;
		}
		st = make_table(out, window_ns, err);
	}
	evl_run_list_finish(&past);
	if (st < 0) {
		evl_night_plan_finish(out);
	}
	return st;
}

void evl_night_plan_finish(struct evl_night_plan *plan)
{
	for (size_t i = 0; i < plan->job_count; i++) {
		free(plan->jobs[i].id);
		free(plan->jobs[i].problem);
	}
	free(plan->jobs);
	free(plan->by_table);
	evl_timetable_finish(&plan->table);
	*plan = (struct evl_night_plan){0};
}

const struct evl_timetable_slot *evl_night_plan_slot(
	const struct evl_night_plan *plan, const struct evl_night_job *job)
{
	return job->in_timetable != UINT32_MAX ? &plan->table.slots[job->in_timetable] : NULL;
}

void evl_night_plan_why_out(
	struct evl_text *out, const struct evl_night_plan *plan, const struct evl_night_job *job)
{
	const struct evl_timetable_slot *slot = evl_night_plan_slot(plan, job);
	if (slot == NULL) {
		evl_text_addf(out, "cannot run: %s", job->problem);
		return;
	}
	switch (slot->fate) {
	case EVL_TIMETABLE_PLACED:
		break;
	case EVL_TIMETABLE_TOO_LONG:
		evl_text_add(out, "does not fit: longer than the window");
		break;
	case EVL_TIMETABLE_NO_ROOM:
		evl_text_add(out, "does not fit beside what matters more (proved)");
		break;
	case EVL_TIMETABLE_NO_WAY:
		evl_text_add(out, "no way was found to fit it beside what matters more");
		break;
	case EVL_TIMETABLE_WAITS:
		evl_text_addf(out, "waits for %s, which does not fit",
			plan->jobs[plan->by_table[slot->waits_for]].id);
		break;
	}
}
