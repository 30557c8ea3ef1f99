/* SPDX-License-Identifier: Apache-2.0 */
/* What a history reads of the tallies: sums of errors and bits by title, and which checks failed.
 */
#include <stdlib.h>
#include <string.h>

#include "core/store/history.h"
#include "core/store/internal.h"

/* ---- channels: the same role and number have the same place in this list in all runs ---- */

struct channel {
	const char *role;
	int number;
};

struct channels {
	struct channel *list;
	size_t count;
	uint32_t **of_run;    /* by run, then by ordinal: place in the list */
	size_t *of_run_count; /* by run */
};

static void channels_finish(struct channels *c, size_t runs)
{
	for (size_t i = 0; c->of_run != NULL && i < runs; i++) {
		free(c->of_run[i]);
	}
	free(c->of_run);
	free(c->of_run_count);
	free(c->list);
	*c = (struct channels){0};
}

static size_t find_channel(const struct channels *c, const char *role, int number, size_t hint)
{
	for (size_t k = 0; k < c->count; k++) {
		size_t i = (hint + k) % c->count;
		if (c->list[i].number == number && strcmp(c->list[i].role, role) == 0) {
			return i;
		}
	}
	return c->count;
}

/* Row: run, ordinal, role, number. */
static enum evl_status add_channel(struct channels *c, struct evl_past *out,
	struct evl_store *store, sqlite3_stmt *stmt, size_t run, struct evl_err *err)
{
	const char *role = (const char *)sqlite3_column_text(stmt, 2);
	int number = sqlite3_column_int(stmt, 3);
	size_t ordinal = c->of_run_count[run];
	if (role == NULL || sqlite3_column_int64(stmt, 1) != (int64_t)ordinal) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: run %lld: the rows of run_channel are not numbered from 0",
			store->path, (long long)out->runs[run].run);
	}
	size_t i = find_channel(c, role, number, ordinal);
	if (i == c->count) {
		const char *name = store_past_keep(out, stmt, 2);
		if (name == NULL ||
			!store_past_grow((void **)&c->list, c->count, sizeof *c->list)) {
			return store_past_no_memory(store, err);
		}
		c->list[c->count++] = (struct channel){name, number};
	}
	if (!store_past_grow((void **)&c->of_run[run], ordinal, sizeof *c->of_run[run])) {
		return store_past_no_memory(store, err);
	}
	c->of_run[run][ordinal] = (uint32_t)i;
	c->of_run_count[run]++;
	return EVL_OK;
}

static enum evl_status read_channels(
	struct channels *c, struct evl_past *out, struct evl_store *store, struct evl_err *err)
{
	c->of_run = calloc(out->run_count + 1, sizeof *c->of_run);
	c->of_run_count = calloc(out->run_count + 1, sizeof *c->of_run_count);
	if (c->of_run == NULL || c->of_run_count == NULL) {
		return store_past_no_memory(store, err);
	}
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT run, ordinal, role, number FROM run_channel WHERE run>=?1 AND run<=?2 "
		"ORDER BY run, ordinal",
		err);
	if (st == EVL_OK && out->run_count > 0) {
		sqlite3_bind_int64(stmt, 1, out->runs[0].run);
		sqlite3_bind_int64(stmt, 2, out->runs[out->run_count - 1].run);
	}
	int rc = SQLITE_DONE;
	size_t at = 0;
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t run = store_past_run_index(out, &at, sqlite3_column_int64(stmt, 0));
		if (run < out->run_count) {
			st = add_channel(c, out, store, stmt, run, err);
		}
	}
	return store_past_done(stmt, rc, store, "run_channel", st, err);
}

/* ---- titles ---- */

/* One title of a case in one run. */
struct line {
	uint32_t run;
	int passed_bytes, failed_bytes;
	uint8_t *sets; /* passed, then failed */
};

struct title {
	size_t case_no; /* index in out->cases */
	const char *text;
	size_t series; /* SIZE_MAX: has no counts */
	struct line *lines;
	size_t line_count;
	bool failed; /* anywhere */
};

struct titles {
	struct title *list;
	size_t count;
};

static void titles_finish(struct titles *t)
{
	for (size_t i = 0; i < t->count; i++) {
		for (size_t k = 0; k < t->list[i].line_count; k++) {
			free(t->list[i].lines[k].sets);
		}
		free(t->list[i].lines);
	}
	free(t->list);
	*t = (struct titles){0};
}

static size_t find_title(const struct titles *t, size_t case_no, const char *text, size_t hint)
{
	for (size_t k = 0; k < t->count; k++) {
		size_t i = (hint + k) % t->count;
		if (t->list[i].case_no == case_no && strcmp(t->list[i].text, text) == 0) {
			return i;
		}
	}
	return t->count;
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

static uint64_t add_capped(uint64_t a, uint64_t b)
{
	return a + b > INT64_MAX ? INT64_MAX : a + b; /* neither is above INT64_MAX */
}

static enum evl_status add_counts(struct evl_past *out, struct evl_store *store, struct title *t,
	size_t run, int64_t errors, int64_t bits, struct evl_err *err)
{
	if (errors < 0 || bits <= 0 || is_repeat(&out->cases[t->case_no], run)) {
		return EVL_OK;
	}
	if (t->series == SIZE_MAX) {
		if (out->series_count >= EVL_PAST_SERIES_MAX) {
			return store_past_too_many(
				out, "checks with counts", EVL_PAST_SERIES_MAX, err);
		}
		if (!store_past_grow(
			    (void **)&out->series, out->series_count, sizeof *out->series)) {
			return store_past_no_memory(store, err);
		}
		t->series = out->series_count++;
		out->series[t->series] =
			(struct evl_past_series){.case_name = out->cases[t->case_no].name,
				.title = t->text,
				.p_rising = 1,
				.p_falling = 1};
	}
	struct evl_past_series *s = &out->series[t->series];
	if (s->point_count == 0 || s->points[s->point_count - 1].run != run) {
		if (!store_past_grow((void **)&s->points, s->point_count, sizeof *s->points)) {
			return store_past_no_memory(store, err);
		}
		s->points[s->point_count++] = (struct evl_past_point){.run = run};
	}
	struct evl_past_point *p = &s->points[s->point_count - 1];
	p->errors = add_capped(p->errors, (uint64_t)errors);
	p->bits = add_capped(p->bits, (uint64_t)bits);
	s->errors = add_capped(s->errors, (uint64_t)errors);
	s->bits = add_capped(s->bits, (uint64_t)bits);
	return EVL_OK;
}

static enum evl_status add_line(struct title *t, struct evl_store *store, sqlite3_stmt *stmt,
	size_t run, struct evl_err *err)
{
	struct line l = {.run = (uint32_t)run,
		.passed_bytes = sqlite3_column_bytes(stmt, 5),
		.failed_bytes = sqlite3_column_bytes(stmt, 6)};
	const void *passed = sqlite3_column_blob(stmt, 5);
	const void *failed = sqlite3_column_blob(stmt, 6);
	if (!store_past_grow((void **)&t->lines, t->line_count, sizeof *t->lines)) {
		return store_past_no_memory(store, err);
	}
	l.sets = malloc((size_t)l.passed_bytes + (size_t)l.failed_bytes + 1);
	if (l.sets == NULL) {
		return store_past_no_memory(store, err);
	}
	if (passed != NULL) {
		memcpy(l.sets, passed, (size_t)l.passed_bytes);
	}
	if (failed != NULL) {
		memcpy(l.sets + l.passed_bytes, failed, (size_t)l.failed_bytes);
		t->failed = true;
	}
	t->lines[t->line_count++] = l;
	return EVL_OK;
}

/* Where the row before was: most runs have the same order. */
struct place {
	size_t case_no;
	size_t title_no;
};

/* Row: run, name of the case, title, errors, bits, passed, failed. */
static enum evl_status add_tally(struct evl_past *out, struct titles *all, struct evl_store *store,
	sqlite3_stmt *stmt, size_t run, struct place *hint, bool sets, struct evl_err *err)
{
	const char *name = (const char *)sqlite3_column_text(stmt, 1);
	const char *text = (const char *)sqlite3_column_text(stmt, 2);
	size_t c = store_past_find_case(out, name != NULL ? name : "", hint->case_no);
	if (c == out->case_count || text == NULL) {
		return EVL_OK;
	}
	size_t i = find_title(all, c, text, hint->title_no);
	if (i == all->count) {
		if (all->count >= EVL_PAST_CHECKS_MAX) {
			return store_past_too_many(out, "checks", EVL_PAST_CHECKS_MAX, err);
		}
		const char *copy = store_past_keep(out, stmt, 2);
		if (copy == NULL ||
			!store_past_grow((void **)&all->list, all->count, sizeof *all->list)) {
			return store_past_no_memory(store, err);
		}
		all->list[all->count++] =
			(struct title){.case_no = c, .text = copy, .series = SIZE_MAX};
	}
	*hint = (struct place){.case_no = c, .title_no = i + 1};
	struct title *t = &all->list[i];
	enum evl_status st = add_counts(out, store, t, run, sqlite3_column_int64(stmt, 3),
		sqlite3_column_int64(stmt, 4), err);
	return st == EVL_OK && sets ? add_line(t, store, stmt, run, err) : st;
}

/* ---- checks that failed ---- */

static bool in_set(const uint8_t *set, int bytes, size_t bit)
{
	return bit / 8 < (size_t)bytes && (set[bit / 8] >> (bit % 8) & 1) != 0;
}

/* The bit of a channel in the sets of a run; place SIZE_MAX: of checks about no channel. False: the
 * run has no such channel. */
static bool bit_of(size_t *bit, const struct channels *channels, uint32_t run, size_t place)
{
	if (place == SIZE_MAX) {
		*bit = 0;
		return true;
	}
	size_t n = channels->of_run_count[run];
	for (size_t k = 0; k < n; k++) {
		size_t ordinal = (place + k) % n; /* mostly the same */
		if (channels->of_run[run][ordinal] == place) {
			*bit = ordinal + 1;
			return true;
		}
	}
	return false;
}

static enum evl_status add_check(struct evl_past *out, struct evl_store *store,
	const struct title *t, const struct channels *channels, size_t place, struct evl_err *err)
{
	if (out->check_count >= EVL_PAST_CHECKS_MAX) {
		return store_past_too_many(out, "failing checks", EVL_PAST_CHECKS_MAX, err);
	}
	if (!store_past_grow((void **)&out->checks, out->check_count, sizeof *out->checks)) {
		return store_past_no_memory(store, err);
	}
	struct evl_past_case *c = &out->checks[out->check_count++];
	*c = (struct evl_past_case){.name = out->cases[t->case_no].name,
		.title = t->text,
		.role = place != SIZE_MAX ? channels->list[place].role : NULL,
		.number = place != SIZE_MAX ? channels->list[place].number : 0,
		.p_worse = 1,
		.p_better = 1};
	for (size_t i = 0; i < t->line_count; i++) {
		const struct line *l = &t->lines[i];
		size_t bit;
		if (!bit_of(&bit, channels, l->run, place)) {
			continue;
		}
		bool failed = in_set(l->sets + l->passed_bytes, l->failed_bytes, bit);
		if (!failed && !in_set(l->sets, l->passed_bytes, bit)) {
			continue;
		}
		const char *verdict = failed ? "fail" : "pass";
		if (c->entry_count > 0 && c->entries[c->entry_count - 1].run == l->run) {
			struct evl_past_entry *twice = &c->entries[c->entry_count - 1];
			twice->verdict = failed ? verdict : twice->verdict;
			continue;
		}
		if (!store_past_grow((void **)&c->entries, c->entry_count, sizeof *c->entries)) {
			return store_past_no_memory(store, err);
		}
		c->entries[c->entry_count++] =
			(struct evl_past_entry){.run = l->run, .verdict = verdict};
	}
	return EVL_OK;
}

/* `seen`: by place of the channel, the last one for checks about none. */
static enum evl_status add_failed(struct evl_past *out, struct evl_store *store,
	const struct title *t, const struct channels *channels, bool *seen, struct evl_err *err)
{
	memset(seen, 0, (channels->count + 1) * sizeof *seen);
	for (size_t i = 0; i < t->line_count; i++) {
		const struct line *l = &t->lines[i];
		size_t bits = channels->of_run_count[l->run] + 1;
		const uint8_t *failed = l->sets + l->passed_bytes;
		for (size_t bit = 0; bit < bits && bit / 8 < (size_t)l->failed_bytes; bit++) {
			if (in_set(failed, l->failed_bytes, bit)) {
				seen[bit == 0 ? channels->count
					      : channels->of_run[l->run][bit - 1]] = true;
			}
		}
	}
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i <= channels->count && st == EVL_OK; i++) {
		if (seen[i]) {
			st = add_check(
				out, store, t, channels, i < channels->count ? i : SIZE_MAX, err);
		}
	}
	return st;
}

static enum evl_status add_checks(struct evl_past *out, struct evl_store *store,
	const struct titles *all, struct evl_err *err)
{
	struct channels channels = {0};
	bool *seen = NULL;
	enum evl_status st = read_channels(&channels, out, store, err);
	if (st == EVL_OK && (seen = calloc(channels.count + 1, sizeof *seen)) == NULL) {
		st = store_past_no_memory(store, err);
	}
	for (size_t c = 0; c < out->case_count && st == EVL_OK; c++) {
		for (size_t i = 0; i < all->count && st == EVL_OK; i++) {
			if (all->list[i].case_no == c && all->list[i].failed) {
				st = add_failed(out, store, &all->list[i], &channels, seen, err);
			}
		}
	}
	free(seen);
	channels_finish(&channels, out->run_count);
	store_past_mark(out, out->checks, out->check_count);
	return st;
}

enum evl_status store_past_read_tallies(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err)
{
	struct titles all = {0};
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_past_ask(&stmt, store,
		"SELECT c.run, k.name, c.title, c.errors, c.bits, c.passed, c.failed FROM "
		"check_tally c JOIN case_ k ON k.run=c.run AND k.ordinal=c.case_no WHERE "
		"c.run" STORE_PAST_RUNS "ORDER BY c.run, c.case_no, c.ordinal",
		out, q->case_name, err);
	int rc = SQLITE_DONE;
	size_t at = 0;
	struct place hint = {0};
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		size_t run = store_past_run_index(out, &at, sqlite3_column_int64(stmt, 0));
		if (run < out->run_count) {
			st = add_tally(out, &all, store, stmt, run, &hint, q->checks, err);
		}
	}
	st = store_past_done(stmt, rc, store, "check_tally", st, err);
	if (st == EVL_OK && q->checks) {
		st = add_checks(out, store, &all, err);
	}
	titles_finish(&all);
	return st;
}
