/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/matrix.h"

#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"
#include "core/store/store_write.h"

const char *evl_matrix_finding_name(enum evl_matrix_finding f)
{
	static const char *const names[EVL_MATRIX_FINDING_COUNT] = {"newly failing", "worse",
		"no longer proved", "missing", "still failing", "flaky", "undecided", "look here",
		"repaired", "proved", "new", "same"};
	evl_require((size_t)f < EVL_MATRIX_FINDING_COUNT);
	return names[f];
}

bool evl_matrix_finding_is_worse(enum evl_matrix_finding f)
{
	return f <= EVL_MATRIX_MISSING;
}

char evl_matrix_letter(const struct evl_matrix_cell *cell)
{
	static const char *const verdicts[] = {"pass", "fail", "inconclusive", "error"};
	for (size_t i = 0; cell->verdict != NULL && i < 4; i++) {
		if (strcmp(cell->verdict, verdicts[i]) == 0) {
			return "PFIE"[i];
		}
	}
	return cell->verdict != NULL ? '-' : '.';
}

/* ---- rows while they are gathered: those of a case are together, cases as they come ---- */

struct case_rows {
	struct evl_matrix_row *rows; /* the case, then its checks */
	size_t count;
	size_t next; /* where the next one is looked for first */
};

struct reading {
	struct evl_matrix *m;
	struct evl_store *store;
	struct case_rows *cases;
	size_t case_count;
	size_t column;
	bool alive; /* somebody writes to the store */
	/* of the present column */
	size_t *case_of; /* by ordinal */
	size_t case_of_count;
	struct channel {
		const char *role;
		int number;
	} * channels; /* by ordinal */
	size_t channel_count;
};

static enum evl_status no_memory(const struct evl_store *store, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_NOMEM, "%s: out of memory while comparing runs", store->path);
}

/* A copy of a column's text; NULL for SQL NULL. False: out of memory. */
static bool keep(const char **out, struct evl_matrix *m, sqlite3_stmt *stmt, int column)
{
	const char *text = (const char *)sqlite3_column_text(stmt, column);
	*out = NULL;
	if (text == NULL) {
		return sqlite3_column_type(stmt, column) == SQLITE_NULL;
	}
	size_t bytes = strlen(text) + 1;
	char *copy = store_memory_take(&m->memory, bytes);
	if (copy == NULL) {
		return false;
	}
	*out = memcpy(copy, text, bytes);
	return true;
}

static const char *text_of(sqlite3_stmt *stmt, int column)
{
	const char *text = (const char *)sqlite3_column_text(stmt, column);
	return text != NULL ? text : "";
}

static struct evl_matrix_row *add_row(struct reading *r, struct case_rows *c)
{
	struct evl_matrix_cell *cells =
		store_memory_take(&r->m->memory, r->m->run_count * sizeof *cells);
	if (cells == NULL || !store_past_grow((void **)&c->rows, c->count, sizeof *c->rows)) {
		return NULL;
	}
	for (size_t i = 0; i < r->m->run_count; i++) {
		cells[i].errors = cells[i].bits = -1;
	}
	struct evl_matrix_row *row = &c->rows[c->count++];
	*row = (struct evl_matrix_row){.cells = cells,
		.before = EVL_MATRIX_NONE,
		.worse_than = EVL_MATRIX_NONE,
		.p_worse = 1,
		.p_more_often = 1};
	return row;
}

/* A second verdict for the same cell: the worse one stays. True: it is `verdict`. */
static bool worsen(struct evl_matrix_cell *cell, const char *verdict)
{
	const char *worst = evl_store_verdict_worse(cell->verdict, verdict);
	bool taken = cell->verdict == NULL || strcmp(worst, cell->verdict) != 0;
	cell->verdict = worst; /* a constant */
	return taken;
}

static size_t find_case(const struct reading *r, const char *name)
{
	for (size_t k = 0; k < r->case_count; k++) {
		size_t i = (r->case_of_count + k) % r->case_count;
		if (strcmp(r->cases[i].rows[0].case_name, name) == 0) {
			return i;
		}
	}
	return r->case_count;
}

static enum evl_status new_case(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err)
{
	if (!store_past_grow((void **)&r->cases, r->case_count, sizeof *r->cases)) {
		return no_memory(r->store, err);
	}
	struct case_rows *c = &r->cases[r->case_count];
	*c = (struct case_rows){0};
	struct evl_matrix_row *row = add_row(r, c);
	if (row == NULL || !keep(&row->case_name, r->m, stmt, 1) || row->case_name == NULL) {
		free(c->rows);
		return no_memory(r->store, err);
	}
	r->case_count++;
	return EVL_OK;
}

/* Row: ordinal, name, verdict, state. */
static enum evl_status add_case(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err)
{
	size_t i = find_case(r, text_of(stmt, 1));
	enum evl_status st = i == r->case_count ? new_case(r, stmt, err) : EVL_OK;
	if (st != EVL_OK) {
		return st;
	}
	if (sqlite3_column_int64(stmt, 0) != (int64_t)r->case_of_count) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: run %lld: the rows of case_ are not numbered from 0", r->store->path,
			(long long)r->m->runs[r->column].run);
	}
	if (!store_past_grow((void **)&r->case_of, r->case_of_count, sizeof *r->case_of)) {
		return no_memory(r->store, err);
	}
	r->case_of[r->case_of_count++] = i;
	const char *verdict = text_of(stmt, 2);
	if (strcmp(verdict, "pass") == 0 && strcmp(text_of(stmt, 3), EVL_STATE_FINISHED) != 0) {
		verdict = "none"; /* it never came to its end */
	}
	worsen(&r->cases[i].rows[0].cells[r->column], verdict);
	r->cases[i].next = 1;
	return EVL_OK;
}

/* Row: ordinal, role, number. */
static enum evl_status add_channel(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err)
{
	if (sqlite3_column_int64(stmt, 0) != (int64_t)r->channel_count) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: run %lld: the rows of run_channel are not numbered from 0",
			r->store->path, (long long)r->m->runs[r->column].run);
	}
	if (!store_past_grow((void **)&r->channels, r->channel_count, sizeof *r->channels)) {
		return no_memory(r->store, err);
	}
	struct channel *c = &r->channels[r->channel_count];
	if (!keep(&c->role, r->m, stmt, 1) || c->role == NULL) {
		return no_memory(r->store, err);
	}
	c->number = sqlite3_column_int(stmt, 2);
	r->channel_count++;
	return EVL_OK;
}

static bool is_row(const struct evl_matrix_row *row, const char *title, const struct channel *c)
{
	if ((row->role == NULL) != (c == NULL) || strcmp(row->title, title) != 0) {
		return false;
	}
	return c == NULL || (row->number == c->number && strcmp(row->role, c->role) == 0);
}

/* From where the run before had the next one, and around. */
static struct evl_matrix_row *find_check(
	struct case_rows *c, const char *title, const struct channel *channel)
{
	size_t n = c->count - 1;
	for (size_t k = 0; k < n; k++) {
		size_t i = 1 + (c->next - 1 + k) % n;
		if (is_row(&c->rows[i], title, channel)) {
			c->next = i + 1;
			return &c->rows[i];
		}
	}
	return NULL;
}

static int64_t number_of(sqlite3_stmt *stmt, int column)
{
	return sqlite3_column_type(stmt, column) == SQLITE_NULL
		       ? -1
		       : sqlite3_column_int64(stmt, column);
}

static int64_t add_capped(int64_t a, int64_t b)
{
	return a > INT64_MAX - b ? INT64_MAX : a + b;
}

/* Row: case_no, title, channel_no, value, unit, errors, bits, verdict, reason. */
static enum evl_status add_check(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err)
{
	int64_t case_no = sqlite3_column_int64(stmt, 0), channel_no = number_of(stmt, 2);
	if (case_no < 0 || (size_t)case_no >= r->case_of_count) {
		return EVL_OK; /* no case, no check: foreign keys forbid it */
	}
	struct case_rows *c = &r->cases[r->case_of[case_no]];
	const struct channel *channel = channel_no >= 0 && (size_t)channel_no < r->channel_count
						? &r->channels[channel_no]
						: NULL;
	struct evl_matrix_row *row = find_check(c, text_of(stmt, 1), channel);
	if (row == NULL) {
		row = add_row(r, c);
		if (row == NULL || !keep(&row->title, r->m, stmt, 1) || row->title == NULL) {
			c->count -= row != NULL;
			return no_memory(r->store, err);
		}
		row->case_name = c->rows[0].case_name;
		row->role = channel != NULL ? channel->role : NULL;
		row->number = channel != NULL ? channel->number : 0;
		c->next = c->count;
	}
	struct evl_matrix_cell *cell = &row->cells[r->column];
	if (worsen(cell, text_of(stmt, 7)) &&
		(!keep(&cell->value, r->m, stmt, 3) || !keep(&cell->unit, r->m, stmt, 4) ||
			(r->column + 1 == r->m->run_count && !keep(&row->reason, r->m, stmt, 8)))) {
		return no_memory(r->store, err);
	}
	int64_t errors = number_of(stmt, 5), bits = number_of(stmt, 6);
	if (errors >= 0 && bits > 0) {
		cell->errors = add_capped(cell->errors < 0 ? 0 : cell->errors, errors);
		cell->bits = add_capped(cell->bits < 0 ? 0 : cell->bits, bits);
	}
	return EVL_OK;
}

/* ---- one column ---- */

typedef enum evl_status (*add_fn)(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err);

static enum evl_status each_row(
	struct reading *r, const char *sql, const char *table, add_fn add, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, r->store, sql, err);
	if (st != EVL_OK) {
		return st;
	}
	int rc = SQLITE_DONE;
	sqlite3_bind_int64(stmt, 1, r->m->runs[r->column].run);
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		st = add(r, stmt, err);
	}
	return store_past_done(stmt, rc, r->store, table, st, err);
}

/* Row: as below. Whether files are the same is asked of the last run, which `?2` names. */
static enum evl_status add_run(struct reading *r, sqlite3_stmt *stmt, struct evl_err *err)
{
	struct evl_matrix_run *run = &r->m->runs[r->column];
	const char **texts[] = {&run->campaign_name, &run->bench_name, &run->build,
		&run->started_utc, &run->state, &run->verdict, &run->notice};
	for (int i = 0; i < 7; i++) {
		if (!keep(texts[i], r->m, stmt, i) || (*texts[i] == NULL && i < 6)) {
			return no_memory(r->store, err);
		}
	}
	if (strcmp(run->state, EVL_STATE_RUNNING) == 0 && !r->alive) {
		run->state = EVL_STATE_INTERRUPTED; /* it was killed */
	}
	run->simulated = sqlite3_column_int(stmt, 7) != 0;
	run->same_campaign = sqlite3_column_int(stmt, 8) != 0;
	run->same_bench = sqlite3_column_int(stmt, 9) != 0;
	run->same_seed = sqlite3_column_int(stmt, 10) != 0;
	return EVL_OK;
}

static const char run_sql[] =
	"SELECT r.campaign_name, r.bench_name, r.build, r.started_utc, r.state, r.verdict, "
	"r.notice, r.simulated, coalesce(r.campaign_sha256=l.campaign_sha256, 0), "
	"coalesce(r.bench_sha256=l.bench_sha256, 0), r.seed=l.seed FROM run r LEFT JOIN run l ON "
	"l.run=?2 WHERE r.run=?1";

static enum evl_status read_run(struct reading *r, struct evl_err *err)
{
	struct evl_matrix *m = r->m;
	int64_t number = m->runs[r->column].run;
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, r->store, run_sql, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, number);
	sqlite3_bind_int64(stmt, 2, m->runs[m->run_count - 1].run);
	int rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW) {
		st = add_run(r, stmt, err);
	}
	st = store_past_done(stmt, rc, r->store, "run", st, err);
	return st == EVL_OK && rc == SQLITE_DONE ? store_no_run(r->store, number, err) : st;
}

static enum evl_status read_column(struct reading *r, struct evl_err *err)
{
	r->case_of_count = r->channel_count = 0;
	enum evl_status st = read_run(r, err);
	if (st == EVL_OK) {
		st = each_row(r,
			"SELECT ordinal, name, verdict, state FROM case_ WHERE run=?1 ORDER BY "
			"ordinal",
			"case_", add_case, err);
	}
	if (st == EVL_OK) {
		st = each_row(r,
			"SELECT ordinal, role, number FROM run_channel WHERE run=?1 ORDER BY "
			"ordinal",
			"run_channel", add_channel, err);
	}
	if (st == EVL_OK) {
		st = each_row(r,
			"SELECT case_no, title, channel_no, value, unit, errors, bits, verdict, "
			"reason FROM check_ WHERE run=?1 ORDER BY case_no, ordinal",
			"check_", add_check, err);
	}
	return st;
}

/* ---- the whole ---- */

static enum evl_status gather(struct reading *r, struct evl_err *err)
{
	struct evl_matrix *m = r->m;
	for (size_t i = 0; i < r->case_count; i++) {
		m->row_count += r->cases[i].count;
	}
	m->rows = calloc(m->row_count + 1, sizeof *m->rows);
	if (m->rows == NULL) {
		return no_memory(r->store, err);
	}
	size_t n = 0;
	for (size_t i = 0; i < r->case_count; i++) {
		size_t case_row = n;
		for (size_t k = 0; k < r->cases[i].count; k++) {
			m->rows[n] = r->cases[i].rows[k];
			m->rows[n++].case_row = case_row;
		}
	}
	m->case_count = r->case_count;
	return EVL_OK;
}

static enum evl_status load(struct evl_matrix *m, struct evl_store *store, struct evl_err *err)
{
	struct reading r = {.m = m, .store = store, .alive = store_writer_alive(store)};
	enum evl_status st = EVL_OK;
	for (; r.column < m->run_count && st == EVL_OK; r.column++) {
		st = read_column(&r, err);
	}
	if (st == EVL_OK) {
		st = gather(&r, err);
	}
	for (size_t i = 0; i < r.case_count; i++) {
		free(r.cases[i].rows);
	}
	free(r.cases);
	free(r.case_of);
	free(r.channels);
	return st;
}

static enum evl_status load_history(
	struct evl_matrix *m, struct evl_store *store, struct evl_err *err)
{
	const struct evl_matrix_run *last = &m->runs[m->run_count - 1];
	struct evl_past_query q = {.campaign_name = last->campaign_name,
		.bench_name = last->bench_name,
		.confidence = m->confidence,
		.alpha = m->alpha,
		.checks = true};
	for (size_t i = 0; i < m->run_count; i++) {
		q.up_to = m->runs[i].run > q.up_to ? m->runs[i].run : q.up_to;
	}
	struct evl_err own = {0};
	enum evl_status st = evl_past_load(&m->past, store, &q, &own);
	m->has_history = st == EVL_OK;
	if (st != EVL_OK && st != EVL_E_NOTFOUND) { /* no finished run yet: no history */
		return evl_err_set(err, st, "%s", own.text);
	}
	return EVL_OK;
}

static enum evl_status check_query(
	const struct evl_matrix *m, const struct evl_matrix_query *q, struct evl_err *err)
{
	if (!(m->alpha > 0 && m->alpha < 1 && m->confidence > 0 && m->confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"compare: confidence %g and chance of a false alarm %g must lie between 0 "
			"and 1",
			m->confidence, m->alpha);
	}
	if (q->run_count < 2 || q->run_count > EVL_MATRIX_RUNS_MAX) {
		return evl_err_set(err, EVL_E_INVALID, "compare: needs 2 to %u runs, not %zu",
			EVL_MATRIX_RUNS_MAX, q->run_count);
	}
	for (size_t i = 0; i < q->run_count; i++) {
		for (size_t k = 0; k < i; k++) {
			if (q->runs[i] == q->runs[k]) {
				return evl_err_set(err, EVL_E_INVALID,
					"compare: run %lld is given twice", (long long)q->runs[i]);
			}
		}
	}
	return EVL_OK;
}

enum evl_status evl_matrix_load(struct evl_matrix *out, struct evl_store *store,
	const struct evl_matrix_query *query, struct evl_err *err)
{
	*out = (struct evl_matrix){.alpha = query->alpha == 0 ? 0.05 : query->alpha,
		.confidence = query->confidence == 0 ? 0.95 : query->confidence};
	enum evl_status st = check_query(out, query, err);
	if (st != EVL_OK) {
		return st;
	}
	out->runs = calloc(query->run_count, sizeof *out->runs);
	if (out->runs == NULL) {
		return no_memory(store, err);
	}
	out->run_count = query->run_count;
	for (size_t i = 0; i < query->run_count; i++) {
		out->runs[i].run = query->runs[i];
	}
	bool began;
	st = store_snapshot_begin(store, &began, err);
	if (st == EVL_OK) {
		st = load(out, store, err);
		if (st == EVL_OK) {
			st = load_history(out, store, err);
		}
		if (st == EVL_OK) {
			st = store_matrix_judge(out, store, err);
		}
		store_snapshot_end(store, began);
	}
	if (st != EVL_OK) {
		evl_matrix_finish(out);
	}
	return st;
}

void evl_matrix_finish(struct evl_matrix *m)
{
	evl_past_finish(&m->past);
	free(m->rows);
	free(m->runs);
	store_memory_free(m->memory);
	*m = (struct evl_matrix){0};
}
