/* SPDX-License-Identifier: Apache-2.0 */
/* What became of each row of a matrix: by verdicts, by counts, by its history; and what to replay.
 */
#include <stdlib.h>
#include <string.h>

#include "core/measure/compare_shares.h"
#include "core/store/internal.h"
#include "core/store/matrix.h"

static enum evl_status no_memory(struct evl_err *err)
{
	return evl_err_set(err, EVL_E_NOMEM, "compare: out of memory");
}

static bool is(const struct evl_matrix_cell *cell, const char *verdict)
{
	return cell->verdict != NULL && strcmp(cell->verdict, verdict) == 0;
}

static bool says_something(const struct evl_matrix_cell *cell)
{
	return is(cell, "pass") || is(cell, "fail") || is(cell, "error");
}

static bool has_counts(const struct evl_matrix_cell *cell)
{
	return cell->errors >= 0 && cell->bits > 0;
}

/* ---- verdicts ---- */

static void by_verdicts(const struct evl_matrix *m, struct evl_matrix_row *row)
{
	size_t last = m->run_count - 1;
	for (size_t i = last; i-- > 0;) {
		if (says_something(&row->cells[i])) {
			row->before = i;
			break;
		}
		if (row->before == EVL_MATRIX_NONE && row->cells[i].verdict != NULL) {
			row->before = i; /* unless an earlier one says more */
		}
	}
	row->change = row->before == EVL_MATRIX_NONE ? EVL_CHANGE_ONLY_AFTER
		      : row->cells[last].verdict == NULL
			      ? EVL_CHANGE_ONLY_BEFORE
			      : evl_change_by_verdicts(
					row->cells[row->before].verdict, row->cells[last].verdict);
}

/* ---- counts ---- */

/* The tests of all rows, in the order of rows, then of columns. */
static enum evl_status test_counts(struct evl_matrix *m, struct evl_count_test **tests,
	struct evl_count_class **classes, struct evl_err *err)
{
	size_t last = m->run_count - 1, n = 0;
	for (size_t i = 0; i < m->row_count; i++) {
		for (size_t c = 0; c < last; c++) {
			m->rows[i].tests += has_counts(&m->rows[i].cells[last]) &&
					    has_counts(&m->rows[i].cells[c]);
		}
		n += m->rows[i].tests;
	}
	m->tested = n;
	*tests = calloc(n + 1, sizeof **tests);
	*classes = calloc(n + 1, sizeof **classes);
	if (*tests == NULL || *classes == NULL) {
		return no_memory(err);
	}
	enum evl_status st = EVL_OK;
	n = 0;
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_cell *now = &m->rows[i].cells[last];
		for (size_t c = 0; c < last && st == EVL_OK && m->rows[i].tests > 0; c++) {
			const struct evl_matrix_cell *then = &m->rows[i].cells[c];
			if (has_counts(then)) {
				st = evl_compare_counts(&(*tests)[n++], (uint64_t)then->errors,
					(uint64_t)then->bits, (uint64_t)now->errors,
					(uint64_t)now->bits, m->confidence, err);
			}
		}
	}
	return st == EVL_OK ? evl_classify_changes(*classes, *tests, n, m->alpha, err) : st;
}

static bool by_counts_of(
	const struct evl_matrix *m, struct evl_matrix_row *row, const struct evl_count_class *class)
{
	size_t last = m->run_count - 1, n = 0;
	bool look = false, worse = false;
	for (size_t c = 0; c < last && n < row->tests; c++) {
		if (!has_counts(&row->cells[c])) {
			continue;
		}
		const struct evl_count_class *k = &class[n++];
		if (row->worse_than == EVL_MATRIX_NONE || k->p_worse < row->p_worse) {
			row->p_worse = k->p_worse;
			row->worse_than = c;
		}
		/* Where it failed before, fewer would have been no surprise. */
		bool passed = is(&row->cells[c], "pass");
		worse = worse || (passed && k->change == EVL_COUNT_WORSE);
		look = look || (passed && k->change == EVL_COUNT_LOOK);
	}
	if (row->change == EVL_CHANGE_SAME && is(&row->cells[last], "pass") && worse) {
		row->change = EVL_CHANGE_WORSE;
	}
	return look;
}

static enum evl_status by_counts(struct evl_matrix *m, bool *look, struct evl_err *err)
{
	struct evl_count_test *tests = NULL;
	struct evl_count_class *classes = NULL;
	enum evl_status st = test_counts(m, &tests, &classes, err);
	size_t n = 0;
	for (size_t i = 0; i < m->row_count && st == EVL_OK; i++) {
		struct evl_matrix_row *row = &m->rows[i];
		look[i] = by_counts_of(m, row, &classes[n]);
		n += row->tests;
		if (row->change == EVL_CHANGE_WORSE &&
			m->rows[row->case_row].change == EVL_CHANGE_SAME) {
			m->rows[row->case_row].change = EVL_CHANGE_WORSE;
		}
	}
	free(tests);
	free(classes);
	return st;
}

/* ---- history ---- */

static const struct evl_past_case *find_past(
	const struct evl_past *past, const struct evl_matrix_row *row, size_t *hint)
{
	const struct evl_past_case *list = row->title == NULL ? past->cases : past->checks;
	size_t count = row->title == NULL ? past->case_count : past->check_count;
	for (size_t k = 0; k < count; k++) {
		size_t i = (*hint + k) % count;
		const struct evl_past_case *c = &list[i];
		if (strcmp(c->name, row->case_name) == 0 &&
			(row->title == NULL || strcmp(c->title, row->title) == 0) &&
			(row->role == NULL) == (c->role == NULL) &&
			(row->role == NULL ||
				(row->number == c->number && strcmp(row->role, c->role) == 0))) {
			*hint = i + 1;
			return c;
		}
	}
	return NULL;
}

static void last_failure(const struct evl_matrix *m, struct evl_matrix_row *row)
{
	if (row->past != NULL && row->past->last_failure != NULL) {
		const struct evl_past_run *r = &m->past.runs[row->past->last_failure->run];
		row->failed_run = r->run;
		row->failed_build = r->build;
	}
	/* Columns may be no part of the history: other campaigns, runs that did not finish. */
	for (size_t i = 0; i < m->run_count; i++) {
		if ((is(&row->cells[i], "fail") || is(&row->cells[i], "error")) &&
			m->runs[i].run > row->failed_run) {
			row->failed_run = m->runs[i].run;
			row->failed_build = m->runs[i].build;
		}
	}
}

static enum evl_status by_history(struct evl_matrix *m, struct evl_err *err)
{
	double *p = calloc(m->row_count + 1, sizeof *p);
	enum evl_status st = p == NULL ? no_memory(err) : EVL_OK;
	size_t case_hint = 0, check_hint = 0;
	for (size_t i = 0; i < m->row_count && st == EVL_OK; i++) {
		struct evl_matrix_row *row = &m->rows[i];
		if (m->has_history) {
			row->past = find_past(
				&m->past, row, row->title == NULL ? &case_hint : &check_hint);
		}
		const struct evl_past_case *c = row->past;
		row->flaky = c != NULL && c->finding == EVL_PAST_FLAKY && c->history.mixed_build;
		last_failure(m, row);
		if (row->flaky) {
			st = evl_compare_shares(&p[m->flaky_tested++], c->other_failures,
				c->other_runs, c->build_failures, c->build_runs, err);
		}
	}
	if (st == EVL_OK) {
		st = evl_holm_adjust(p, p, m->flaky_tested, err);
	}
	size_t n = 0;
	for (size_t i = 0; i < m->row_count && st == EVL_OK; i++) {
		if (m->rows[i].flaky) {
			m->rows[i].p_more_often = p[n++];
		}
	}
	free(p);
	return st;
}

/* ---- findings ---- */

static enum evl_matrix_finding finding_of(
	const struct evl_matrix *m, const struct evl_matrix_row *row, bool look)
{
	if (row->change == EVL_CHANGE_ONLY_BEFORE) {
		return EVL_MATRIX_MISSING;
	}
	if (row->flaky && row->p_more_often <= m->alpha) {
		return EVL_MATRIX_WORSE;
	}
	if (row->change == EVL_CHANGE_WORSE) {
		return EVL_MATRIX_WORSE;
	}
	if (row->flaky) {
		return EVL_MATRIX_FLAKY;
	}
	switch (row->change) {
	case EVL_CHANGE_NEWLY_FAILING:
		return EVL_MATRIX_NEWLY_FAILING;
	case EVL_CHANGE_REPAIRED:
		return EVL_MATRIX_REPAIRED;
	case EVL_CHANGE_STILL_FAILING:
		return EVL_MATRIX_STILL_FAILING;
	case EVL_CHANGE_NOT_PROVED:
		return EVL_MATRIX_NOT_PROVED;
	case EVL_CHANGE_UNDECIDED:
		return EVL_MATRIX_UNDECIDED;
	case EVL_CHANGE_PROVED:
		return EVL_MATRIX_PROVED;
	case EVL_CHANGE_ONLY_AFTER:
		return EVL_MATRIX_NEW;
	default:
		return look ? EVL_MATRIX_LOOK : EVL_MATRIX_SAME;
	}
}

/* ---- what to replay ---- */

/* A case's recording in one run, asked once for all its checks. */
struct known {
	const char *case_name;
	int64_t run;
	struct evl_case_recording recording;
};

struct recordings {
	struct known *list;
	size_t count;
};

static enum evl_status recording_in(const struct evl_case_recording **out, struct recordings *all,
	struct evl_store *store, int64_t run, const char *case_name, struct evl_err *err)
{
	for (size_t i = all->count; i-- > 0;) {
		if (all->list[i].run == run && strcmp(all->list[i].case_name, case_name) == 0) {
			*out = &all->list[i].recording;
			return EVL_OK;
		}
	}
	if (!store_past_grow((void **)&all->list, all->count, sizeof *all->list)) {
		return no_memory(err);
	}
	struct known *k = &all->list[all->count];
	*k = (struct known){.case_name = case_name, .run = run};
	enum evl_status st = evl_store_recording_of_case(&k->recording, store, run, case_name, err);
	all->count += st == EVL_OK;
	*out = &k->recording;
	return st;
}

static const char *copy(struct evl_matrix *m, const char *text)
{
	size_t bytes = strlen(text) + 1;
	char *to = store_memory_take(&m->memory, bytes);
	return to != NULL ? memcpy(to, text, bytes) : NULL;
}

static enum evl_status use(struct evl_matrix *m, struct evl_matrix_row *row,
	const struct evl_case_recording *r, bool of_failure, struct evl_err *err)
{
	row->recording = (struct evl_matrix_recording){.name = copy(m, r->name),
		.path = copy(m, r->path),
		.build = copy(m, r->build),
		.run = r->run,
		.more = r->more,
		.of_failure = of_failure};
	return row->recording.name != NULL && row->recording.path != NULL &&
			       row->recording.build != NULL
		       ? EVL_OK
		       : no_memory(err);
}

/* Of the newest run in which it failed; else the case's newest in the columns, which is what the
 * failure must be compared with. */
static enum evl_status find_recording(struct evl_matrix *m, struct evl_matrix_row *row,
	struct recordings *all, struct evl_store *store, struct evl_err *err)
{
	const struct evl_case_recording *r = NULL;
	enum evl_status st = EVL_OK;
	if (row->failed_run > 0) {
		st = recording_in(&r, all, store, row->failed_run, row->case_name, err);
		if (st == EVL_OK && r->name != NULL) {
			return use(m, row, r, r->kind == EVL_RECORDING_MADE, err);
		}
	}
	for (size_t i = m->run_count; i-- > 0 && st == EVL_OK;) {
		if (row->cells[i].verdict == NULL) {
			continue;
		}
		st = recording_in(&r, all, store, m->runs[i].run, row->case_name, err);
		if (st == EVL_OK && r->name != NULL) {
			return use(m, row, r, false, err);
		}
	}
	return st;
}

static bool wants_recording(enum evl_matrix_finding f)
{
	return f <= EVL_MATRIX_UNDECIDED || f == EVL_MATRIX_REPAIRED;
}

enum evl_status store_matrix_judge(
	struct evl_matrix *m, struct evl_store *store, struct evl_err *err)
{
	struct recordings all = {0};
	bool *look = calloc(m->row_count + 1, sizeof *look);
	enum evl_status st = look == NULL ? no_memory(err) : EVL_OK;
	for (size_t i = 0; i < m->row_count && st == EVL_OK; i++) {
		by_verdicts(m, &m->rows[i]);
	}
	if (st == EVL_OK) {
		st = by_counts(m, look, err);
	}
	if (st == EVL_OK) {
		st = by_history(m, err);
	}
	for (size_t i = 0; i < m->row_count && st == EVL_OK; i++) {
		struct evl_matrix_row *row = &m->rows[i];
		row->finding = finding_of(m, row, look[i]);
		(row->title == NULL ? m->case_findings : m->check_findings)[row->finding]++;
		m->worse = m->worse || evl_matrix_finding_is_worse(row->finding);
		if (wants_recording(row->finding)) {
			st = find_recording(m, row, &all, store, err);
		}
	}
	for (size_t i = 0; i < all.count; i++) {
		evl_case_recording_finish(&all.list[i].recording);
	}
	free(all.list);
	free(look);
	return st;
}
