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

static enum evl_status no_memory(const struct evl_store *store, struct evl_err *err)
{
	return evl_err_set(
		err, EVL_E_NOMEM, "%s: out of memory while reading its history", store->path);
}

/* A copy of a column's text; NULL in the file becomes "". NULL: out of memory. */
static const char *keep_text(struct evl_past *out, sqlite3_stmt *stmt, int column)
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

/* Room for one more at a power of two; false: out of memory. */
static bool grow(void **rows, size_t count, size_t bytes)
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
	for (size_t i = 0; i < past->series_count; i++) {
		free(past->series[i].points);
	}
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

#define OF_BOTH "campaign_name=?1 AND bench_name=?2"

static const char *column_text(sqlite3_stmt *stmt, int column)
{
	const char *text = (const char *)sqlite3_column_text(stmt, column);
	return text != NULL ? text : "";
}

/* A statement with the campaign as ?1 and the bench as ?2. */
static enum evl_status ask(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const char *campaign, const char *bench, struct evl_err *err)
{
	enum evl_status st = store_prepare(stmt, store, sql, err);
	if (st == EVL_OK) {
		sqlite3_bind_text(*stmt, 1, campaign, -1, SQLITE_STATIC);
		sqlite3_bind_text(*stmt, 2, bench, -1, SQLITE_STATIC);
	}
	return st;
}

/* Ends a loop over `stmt` that left with rc. */
static enum evl_status done(sqlite3_stmt *stmt, int rc, struct evl_store *store, const char *table,
	enum evl_status st, struct evl_err *err)
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
	st = done(stmt, rc, store, "run", st, err);
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

static enum evl_status pick(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask(&stmt, store,
		"SELECT campaign_name, bench_name FROM run WHERE state='finished' AND "
		"campaign_name=coalesce(?1, campaign_name) AND bench_name=coalesce(?2, bench_name) "
		"ORDER BY run DESC LIMIT 1",
		q->campaign_name, q->bench_name, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		out->campaign_name = keep_text(out, stmt, 0);
		out->bench_name = keep_text(out, stmt, 1);
		if (out->campaign_name == NULL || out->bench_name == NULL) {
			st = no_memory(store, err);
		}
	}
	st = done(stmt, rc, store, "run", st, err);
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
		out->campaign_name, out->bench_name, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		int64_t all = sqlite3_column_int64(stmt, 0);
		out->run_count = all > (int64_t)EVL_PAST_RUNS_MAX ? EVL_PAST_RUNS_MAX : (size_t)all;
		out->older = all - (int64_t)out->run_count;
		out->unfinished = sqlite3_column_int64(stmt, 1);
		out->other_bench = sqlite3_column_int64(stmt, 2);
	}
	return done(stmt, rc, store, "run", st, err);
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
		return no_memory(store, err);
	}
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask(&stmt, store, run_sql, out->campaign_name, out->bench_name, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK) {
		sqlite3_bind_int64(stmt, 3, out->older);
	}
	while (st == EVL_OK && out->run_count < total && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t n = out->run_count++;
		struct evl_past_run *r = &out->runs[n];
		r->run = sqlite3_column_int64(stmt, 0);
		r->build = keep_text(out, stmt, 1);
		r->started_utc = keep_text(out, stmt, 2);
		r->verdict = keep_text(out, stmt, 3);
		for (int i = 0; i < 3; i++) {
			key[3 * n + (size_t)i] = keep_text(out, stmt, 4 + i);
		}
		const char **k = &key[3 * n];
		if (r->build == NULL || r->started_utc == NULL || r->verdict == NULL ||
			k[0] == NULL || k[1] == NULL || k[2] == NULL) {
			st = no_memory(store, err);
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
	return done(stmt, rc, store, "run", st, err);
}

/* ---- cases and counts ---- */

/* Rows come by run; the index of run `number` from `*at` on, or run_count. */
static size_t run_index(const struct evl_past *out, size_t *at, int64_t number)
{
	while (*at < out->run_count && out->runs[*at].run < number) {
		++*at;
	}
	return *at < out->run_count && out->runs[*at].run == number ? *at : out->run_count;
}

/* From `hint` on and around: most runs have the same order. */
static size_t find_case(const struct evl_past *out, const char *name, size_t hint)
{
	for (size_t k = 0; k < out->case_count; k++) {
		size_t i = (hint + k) % out->case_count;
		if (strcmp(out->cases[i].name, name) == 0) {
			return i;
		}
	}
	return out->case_count;
}

static enum evl_status too_many(
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
	size_t i = find_case(out, column_text(stmt, 1), *hint);
	if (i == out->case_count) {
		if (out->case_count >= EVL_PAST_CASES_MAX) {
			return too_many(out, "cases", EVL_PAST_CASES_MAX, err);
		}
		if (!grow((void **)&out->cases, out->case_count, sizeof *out->cases)) {
			return no_memory(store, err);
		}
		const char *name = keep_text(out, stmt, 1);
		if (name == NULL) {
			return no_memory(store, err);
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
	if (!grow((void **)&c->entries, c->entry_count, sizeof *c->entries)) {
		return no_memory(store, err);
	}
	c->entries[c->entry_count++] = (struct evl_past_entry){.run = run, .verdict = verdict};
	return EVL_OK;
}

static void mark_counted(struct evl_past *out)
{
	for (size_t i = 0; i < out->case_count; i++) {
		struct evl_past_case *c = &out->cases[i];
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

#define OF_RUNS                                                                                    \
	" IN (SELECT run FROM run WHERE state='finished' AND " OF_BOTH ") AND c.run>=?3 "          \
	"AND k.name=coalesce(?4, k.name) "

static enum evl_status ask_rows(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const struct evl_past *out, const char *case_name, struct evl_err *err)
{
	enum evl_status st = ask(stmt, store, sql, out->campaign_name, out->bench_name, err);
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
	enum evl_status st = ask_rows(&stmt, store,
		"SELECT c.run, k.name, k.verdict, k.state FROM run c JOIN case_ k ON k.run=c.run "
		"WHERE c.run" OF_RUNS "ORDER BY c.run, k.ordinal",
		out, case_name, err);
	int rc = SQLITE_DONE;
	size_t at = 0, hint = 0;
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t run = run_index(out, &at, sqlite3_column_int64(stmt, 0));
		if (run < out->run_count) {
			st = add_entry(out, store, stmt, run, &hint, err);
		}
	}
	st = done(stmt, rc, store, "case_", st, err);
	if (st == EVL_OK && case_name != NULL && out->case_count == 0) {
		return evl_err_set(err, EVL_E_NOTFOUND,
			"%s: no finished run of campaign \"%.60s\" on bench \"%.60s\" has a case "
			"\"%.60s\"; evenlode history without --case lists them",
			store->path, out->campaign_name, out->bench_name, case_name);
	}
	mark_counted(out);
	return st;
}

static uint64_t add_capped(uint64_t a, uint64_t b)
{
	return a + b > INT64_MAX ? INT64_MAX : a + b; /* neither is above INT64_MAX */
}

static size_t find_series(
	const struct evl_past *out, const char *case_name, const char *title, size_t hint)
{
	for (size_t k = 0; k < out->series_count; k++) {
		size_t i = (hint + k) % out->series_count;
		if (out->series[i].case_name == case_name &&
			strcmp(out->series[i].title, title) == 0) {
			return i;
		}
	}
	return out->series_count;
}

static bool is_repeat(const struct evl_past_case *c, size_t run)
{
	size_t low = 0, high = c->entry_count;
	while (high - low > 1) {
		size_t middle = low + (high - low) / 2;
		*(c->entries[middle].run <= run ? &low : &high) = middle;
	}
	return c->entry_count > 0 && c->entries[low].run == run && c->entries[low].repeat;
}

/* Where the row before was: a check of many channels gives as many rows. */
struct place {
	size_t case_no;
	size_t series_no;
};

static enum evl_status add_counts(struct evl_past *out, struct evl_store *store, sqlite3_stmt *stmt,
	size_t run, struct place *hint, struct evl_err *err)
{
	size_t c = find_case(out, column_text(stmt, 1), hint->case_no);
	if (c == out->case_count || is_repeat(&out->cases[c], run)) {
		return EVL_OK;
	}
	const char *name = out->cases[c].name;
	size_t i = find_series(out, name, column_text(stmt, 2), hint->series_no);
	if (i == out->series_count) {
		if (out->series_count >= EVL_PAST_SERIES_MAX) {
			return too_many(out, "checks with counts", EVL_PAST_SERIES_MAX, err);
		}
		const char *title = keep_text(out, stmt, 2);
		if (title == NULL ||
			!grow((void **)&out->series, out->series_count, sizeof *out->series)) {
			return no_memory(store, err);
		}
		out->series[out->series_count++] = (struct evl_past_series){
			.case_name = name, .title = title, .p_rising = 1, .p_falling = 1};
	}
	*hint = (struct place){.case_no = c, .series_no = i};
	struct evl_past_series *s = &out->series[i];
	uint64_t errors = (uint64_t)sqlite3_column_int64(stmt, 3);
	uint64_t bits = (uint64_t)sqlite3_column_int64(stmt, 4);
	if (s->point_count == 0 || s->points[s->point_count - 1].run != run) {
		if (!grow((void **)&s->points, s->point_count, sizeof *s->points)) {
			return no_memory(store, err);
		}
		s->points[s->point_count++] = (struct evl_past_point){.run = run};
	}
	struct evl_past_point *p = &s->points[s->point_count - 1];
	p->errors = add_capped(p->errors, errors);
	p->bits = add_capped(p->bits, bits);
	s->errors = add_capped(s->errors, errors);
	s->bits = add_capped(s->bits, bits);
	return EVL_OK;
}

static enum evl_status read_counts(
	struct evl_past *out, struct evl_store *store, const char *case_name, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask_rows(&stmt, store,
		"SELECT c.run, k.name, c.title, c.errors, c.bits FROM check_ c JOIN case_ k ON "
		"k.run=c.run AND k.ordinal=c.case_no WHERE c.errors>=0 AND c.bits>0 AND "
		"c.run" OF_RUNS "ORDER BY c.run, c.case_no, c.ordinal",
		out, case_name, err);
	int rc = SQLITE_DONE;
	size_t at = 0;
	struct place hint = {0};
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t run = run_index(out, &at, sqlite3_column_int64(stmt, 0));
		if (run < out->run_count) {
			st = add_counts(out, store, stmt, run, &hint, err);
		}
	}
	return done(stmt, rc, store, "check_", st, err);
}

static enum evl_status load(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err)
{
	enum evl_status st = pick(out, store, q, err);
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
		st = read_counts(out, store, q->case_name, err);
	}
	return st;
}

enum evl_status evl_past_load(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *query, struct evl_err *err)
{
	*out = (struct evl_past){.confidence = query->confidence == 0 ? 0.95 : query->confidence,
		.alpha = query->alpha == 0 ? 0.05 : query->alpha};
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
