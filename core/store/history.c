/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/history.h"

#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"
#include "core/store/store_write.h"

const char *evl_past_finding_name(enum evl_past_finding f)
{
	static const char *const names[] = {
		"not judged", "steady", "always failing", "newly failing", "repaired", "flaky"};
	evl_require((size_t)f < sizeof names / sizeof *names);
	return names[f];
}

const char *evl_past_trend_name(enum evl_past_trend t)
{
	static const char *const names[] = {"no trend", "rising", "falling"};
	evl_require((size_t)t < sizeof names / sizeof *names);
	return names[t];
}

/* ---- memory ---- */

struct text_piece {
	struct text_piece *next;
	char text[];
};

enum evl_status store_past_no_memory(const struct evl_store *store, struct evl_err *err)
{
	return evl_err_set(
		err, EVL_E_NOMEM, "%s: out of memory while reading its history", store->path);
}

const char *store_past_keep(struct evl_past *out, sqlite3_stmt *stmt, int column)
{
	const char *text = (const char *)sqlite3_column_text(stmt, column);
	size_t bytes = text != NULL ? strlen(text) + 1 : 1;
	struct text_piece *p = malloc(sizeof *p + bytes);
	if (p == NULL) {
		return NULL;
	}
	memcpy(p->text, text != NULL ? text : "", bytes);
	p->next = out->memory;
	out->memory = p;
	return p->text;
}

bool store_past_grow(void **rows, size_t count, size_t bytes)
{
	if ((count & (count - 1)) != 0) {
		return true;
	}
	void *more = realloc(*rows, (count == 0 ? 1 : 2 * count) * bytes);
	if (more == NULL) {
		return false;
	}
	*rows = more;
	return true;
}

void evl_past_finish(struct evl_past *past)
{
	for (size_t i = 0; i < past->case_count; i++) {
		free(past->cases[i].entries);
	}
	for (size_t i = 0; i < past->check_count; i++) {
		free(past->checks[i].entries);
	}
	for (size_t i = 0; i < past->series_count; i++) {
		free(past->series[i].points);
	}
	free(past->checks);
	free(past->cases);
	free(past->series);
	free(past->runs);
	for (struct text_piece *p = past->memory; p != NULL;) {
		struct text_piece *next = p->next;
		free(p);
		p = next;
	}
	*past = (struct evl_past){0};
}

/* ---- which runs ---- */

#define OF_BOTH STORE_PAST_OF_BOTH

static const char *column_text(sqlite3_stmt *stmt, int column)
{
	const char *text = (const char *)sqlite3_column_text(stmt, column);
	return text != NULL ? text : "";
}

/* A statement with the campaign as ?1, the bench as ?2 and the newest run as ?9. */
static enum evl_status ask(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const struct evl_past *out, struct evl_err *err)
{
	enum evl_status st = store_prepare(stmt, store, sql, err);
	if (st == EVL_OK) {
		sqlite3_bind_text(*stmt, 1, out->campaign_name, -1, SQLITE_STATIC);
		sqlite3_bind_text(*stmt, 2, out->bench_name, -1, SQLITE_STATIC);
		sqlite3_bind_int64(*stmt, 9, out->up_to);
	}
	return st;
}

enum evl_status store_past_done(sqlite3_stmt *stmt, int rc, struct evl_store *store,
	const char *table, enum evl_status st, struct evl_err *err)
{
	if (st == EVL_OK && rc != SQLITE_DONE && rc != SQLITE_ROW) {
		st = store_db_error(store, table, err);
	}
	sqlite3_finalize(stmt);
	return st;
}

static enum evl_status no_run(
	struct evl_store *store, const struct evl_past_query *q, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	struct evl_text list = {0};
	int rc = SQLITE_DONE, n = 0;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT DISTINCT campaign_name, bench_name FROM run WHERE state='finished' "
		"ORDER BY 1, 2 LIMIT 6",
		err);
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW && ++n <= 5) {
		evl_text_addf(&list, "%scampaign \"%.60s\" on bench \"%.60s\"", n > 1 ? ", " : "",
			column_text(stmt, 0), column_text(stmt, 1));
	}
	st = store_past_done(stmt, rc, store, "run", st, err);
	if (st == EVL_OK) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"%s: has no finished run%s%.60s%s%s%.60s%s; it has %s%s", store->path,
			q->campaign_name != NULL ? " of campaign \"" : "",
			q->campaign_name != NULL ? q->campaign_name : "",
			q->campaign_name != NULL ? "\"" : "",
			q->bench_name != NULL ? " on bench \"" : "",
			q->bench_name != NULL ? q->bench_name : "",
			q->bench_name != NULL ? "\"" : "",
			n > 0 ? evl_text_str(&list) : "none at all", n > 5 ? ", and others" : "");
	}
	evl_text_finish(&list);
	return st;
}

enum evl_status store_past_pick(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	int rc = SQLITE_DONE;
	out->campaign_name = q->campaign_name;
	out->bench_name = q->bench_name;
	enum evl_status st = ask(&stmt, store,
		"SELECT campaign_name, bench_name FROM run WHERE state='finished' AND "
		"campaign_name=coalesce(?1, campaign_name) AND bench_name=coalesce(?2, bench_name) "
		"AND run<=?9 ORDER BY run DESC LIMIT 1",
		out, err);
	if (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		out->campaign_name = store_past_keep(out, stmt, 0);
		out->bench_name = store_past_keep(out, stmt, 1);
		if (out->campaign_name == NULL || out->bench_name == NULL) {
			st = store_past_no_memory(store, err);
		}
	}
	st = store_past_done(stmt, rc, store, "run", st, err);
	return st == EVL_OK && rc == SQLITE_DONE ? no_run(store, q, err) : st;
}

static enum evl_status count_runs(
	struct evl_past *out, struct evl_store *store, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask(&stmt, store,
		"SELECT count(*) FILTER (WHERE bench_name=?2 AND state='finished'),"
		" count(*) FILTER (WHERE bench_name=?2 AND state<>'finished'),"
		" count(*) FILTER (WHERE bench_name<>?2 AND state='finished') "
		"FROM run WHERE campaign_name=?1",
		out, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		int64_t all = sqlite3_column_int64(stmt, 0);
		out->run_count = all > (int64_t)EVL_PAST_RUNS_MAX ? EVL_PAST_RUNS_MAX : (size_t)all;
		out->older = all - (int64_t)out->run_count;
		out->unfinished = sqlite3_column_int64(stmt, 1);
		out->other_bench = sqlite3_column_int64(stmt, 2);
	}
	return store_past_done(stmt, rc, store, "run", st, err);
}

/* What a campaign reads besides itself: its patterns and limits. */
#define FILES                                                                                      \
	"coalesce((SELECT group_concat(purpose||' '||name||' '||sha256) FROM (SELECT * FROM "      \
	"run_file f WHERE f.run=run.run ORDER BY f.ordinal)), '')"

/* What makes two runs on the virtual clock the same measurement: one text in `key`. */
static const char run_sql[] =
	"SELECT run, build, started_utc, verdict, coalesce(campaign_sha256, '')||' '||" FILES ", "
	"coalesce(bench_sha256, ''), CASE WHEN clock='virtual' AND campaign_sha256 IS NOT NULL AND "
	"bench_sha256 IS NOT NULL THEN seed||' '||campaign_sha256||' '||bench_sha256||' '||"
	"coalesce(library_sha256, '')||' '||coalesce(software_version, '')||' '||build||' '||" FILES
	" "
	"ELSE 'run '||run END FROM run WHERE state='finished' AND " OF_BOTH
	" ORDER BY run LIMIT -1 OFFSET ?3";

static enum evl_status read_runs(struct evl_past *out, struct evl_store *store, struct evl_err *err)
{
	size_t total = out->run_count;
	out->run_count = 0;
	out->runs = calloc(total + 1, sizeof *out->runs);
	const char **key = calloc(3 * (total + 1), sizeof *key);
	if (out->runs == NULL || key == NULL) {
		free(key);
		return store_past_no_memory(store, err);
	}
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask(&stmt, store, run_sql, out, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK) {
		sqlite3_bind_int64(stmt, 3, out->older);
	}
	while (st == EVL_OK && out->run_count < total && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t n = out->run_count++;
		struct evl_past_run *r = &out->runs[n];
		r->run = sqlite3_column_int64(stmt, 0);
		r->build = store_past_keep(out, stmt, 1);
		r->started_utc = store_past_keep(out, stmt, 2);
		r->verdict = store_past_keep(out, stmt, 3);
		for (int i = 0; i < 3; i++) {
			key[3 * n + (size_t)i] = store_past_keep(out, stmt, 4 + i);
		}
		const char **k = &key[3 * n];
		if (r->build == NULL || r->started_utc == NULL || r->verdict == NULL ||
			k[0] == NULL || k[1] == NULL || k[2] == NULL) {
			st = store_past_no_memory(store, err);
			break;
		}
		r->campaign_changed = n > 0 && strcmp(k[0], k[-3]) != 0;
		r->bench_changed = n > 0 && strcmp(k[1], k[-2]) != 0;
		r->same_as = n;
		r->build_no = (uint32_t)n;
		for (size_t i = n; i-- > 0;) {
			if (strcmp(key[3 * i + 2], k[2]) == 0) {
				r->same_as = i; /* the first one remains */
			}
			if (strcmp(out->runs[i].build, r->build) == 0) {
				r->build_no = (uint32_t)i;
			}
		}
	}
	free(key);
	return store_past_done(stmt, rc, store, "run", st, err);
}

/* ---- cases and counts ---- */

size_t store_past_run_index(const struct evl_past *out, size_t *at, int64_t number)
{
	while (*at < out->run_count && out->runs[*at].run < number) {
		++*at;
	}
	return *at < out->run_count && out->runs[*at].run == number ? *at : out->run_count;
}

size_t store_past_find_case(const struct evl_past *out, const char *name, size_t hint)
{
	for (size_t k = 0; k < out->case_count; k++) {
		size_t i = (hint + k) % out->case_count;
		if (strcmp(out->cases[i].name, name) == 0) {
			return i;
		}
	}
	return out->case_count;
}

enum evl_status store_past_too_many(
	const struct evl_past *out, const char *what, unsigned most, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_LIMIT,
		"campaign \"%.60s\" has more than %u different %s over all its runs; ask for "
		"one case",
		out->campaign_name, most, what);
}

static enum evl_status add_entry(struct evl_past *out, struct evl_store *store, sqlite3_stmt *stmt,
	size_t run, size_t *hint, struct evl_err *err)
{
	size_t i = store_past_find_case(out, column_text(stmt, 1), *hint);
	if (i == out->case_count) {
		if (out->case_count >= EVL_PAST_CASES_MAX) {
			return store_past_too_many(out, "cases", EVL_PAST_CASES_MAX, err);
		}
		if (!store_past_grow((void **)&out->cases, out->case_count, sizeof *out->cases)) {
			return store_past_no_memory(store, err);
		}
		const char *name = store_past_keep(out, stmt, 1);
		if (name == NULL) {
			return store_past_no_memory(store, err);
		}
		out->cases[out->case_count++] =
			(struct evl_past_case){.name = name, .p_worse = 1, .p_better = 1};
	}
	*hint = i + 1;
	struct evl_past_case *c = &out->cases[i];
	const char *verdict = column_text(stmt, 2);
	if (strcmp(verdict, "pass") == 0 && strcmp(column_text(stmt, 3), EVL_STATE_FINISHED) != 0) {
		verdict = "none"; /* it never came to its end */
	}
	verdict = evl_store_verdict_worse(verdict, NULL); /* a constant */
	if (c->entry_count > 0 && c->entries[c->entry_count - 1].run == run) {
		struct evl_past_entry *twice = &c->entries[c->entry_count - 1];
		twice->verdict = evl_store_verdict_worse(twice->verdict, verdict);
		return EVL_OK;
	}
	if (!store_past_grow((void **)&c->entries, c->entry_count, sizeof *c->entries)) {
		return store_past_no_memory(store, err);
	}
	c->entries[c->entry_count++] = (struct evl_past_entry){.run = run, .verdict = verdict};
	return EVL_OK;
}

void store_past_mark(const struct evl_past *out, struct evl_past_case *list, size_t count)
{
	for (size_t i = 0; i < count; i++) {
		struct evl_past_case *c = &list[i];
		for (size_t k = 0; k < c->entry_count; k++) {
			struct evl_past_entry *e = &c->entries[k];
			size_t same = out->runs[e->run].same_as;
			for (size_t j = k; j-- > 0 && c->entries[j].run >= same && !e->repeat;) {
				e->repeat = out->runs[c->entries[j].run].same_as == same &&
					    strcmp(c->entries[j].verdict, e->verdict) == 0;
			}
			e->failed = strcmp(e->verdict, "fail") == 0;
			e->counted = !e->repeat && (e->failed || strcmp(e->verdict, "pass") == 0);
			c->counted += e->counted;
		}
	}
}

enum evl_status store_past_ask(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const struct evl_past *out, const char *case_name, struct evl_err *err)
{
	enum evl_status st = ask(stmt, store, sql, out, err);
	if (st == EVL_OK) {
		sqlite3_bind_int64(*stmt, 3, out->run_count > 0 ? out->runs[0].run : 0);
		sqlite3_bind_text(*stmt, 4, case_name, -1, SQLITE_STATIC);
	}
	return st;
}

static enum evl_status read_cases(
	struct evl_past *out, struct evl_store *store, const char *case_name, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_past_ask(&stmt, store,
		"SELECT c.run, k.name, k.verdict, k.state FROM run c JOIN case_ k ON k.run=c.run "
		"WHERE c.run" STORE_PAST_RUNS "ORDER BY c.run, k.ordinal",
		out, case_name, err);
	int rc = SQLITE_DONE;
	size_t at = 0, hint = 0;
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t run = store_past_run_index(out, &at, sqlite3_column_int64(stmt, 0));
		if (run < out->run_count) {
			st = add_entry(out, store, stmt, run, &hint, err);
		}
	}
	st = store_past_done(stmt, rc, store, "case_", st, err);
	if (st == EVL_OK && case_name != NULL && out->case_count == 0) {
		return evl_err_set(err, EVL_E_NOTFOUND,
			"%s: no finished run of campaign \"%.60s\" on bench \"%.60s\" has a case "
			"\"%.60s\"; evenlode history without --case lists them",
			store->path, out->campaign_name, out->bench_name, case_name);
	}
	store_past_mark(out, out->cases, out->case_count);
	return st;
}

static enum evl_status load(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err)
{
	enum evl_status st = store_past_pick(out, store, q, err);
	if (st == EVL_OK) {
		st = count_runs(out, store, err);
	}
	if (st == EVL_OK) {
		st = read_runs(out, store, err);
	}
	if (st == EVL_OK) {
		st = read_cases(out, store, q->case_name, err);
	}
	if (st == EVL_OK) {
		st = store_past_read_tallies(out, store, q, err);
	}
	return st;
}

enum evl_status evl_past_load(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *query, struct evl_err *err)
{
	*out = (struct evl_past){.confidence = query->confidence == 0 ? 0.95 : query->confidence,
		.alpha = query->alpha == 0 ? 0.05 : query->alpha,
		.up_to = query->up_to > 0 ? query->up_to : INT64_MAX};
	out->alpha_of_all = out->alpha;
	if (!(out->confidence > 0 && out->confidence < 1 && out->alpha > 0 && out->alpha < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"history: confidence %g and chance of a false alarm %g must lie between 0 "
			"and 1",
			out->confidence, out->alpha);
	}
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st == EVL_OK) {
		st = load(out, store, query, err);
		store_snapshot_end(store, began);
	}
	if (st == EVL_OK && query->every_run) {
		out->look = (uint64_t)out->run_count + (uint64_t)out->older;
		out->alpha = out->alpha_of_all / ((double)out->look * (double)(out->look + 1));
	}
	if (st == EVL_OK) {
		st = store_past_judge(out, err);
	}
	if (st != EVL_OK) {
		evl_past_finish(out);
	}
	return st;
}
