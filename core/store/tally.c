/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Tallies: the checks of a run in short, one row for each title of a case, so that a history of a
 * thousand nights reads thousands of rows and not millions. They follow from the checks, which the
 * hash chain covers; verification makes them again and compares.
 */
#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"

/* Bit 0 of a set stands for checks about no channel, bit c + 1 for channel c; the first bit of a
 * byte is its lowest. */
#define SET_BYTES_MAX 8192

struct line {
	int64_t case_no;
	int64_t ordinal; /* of the title within the case */
	char *title;
	int64_t errors, bits;
	uint8_t *worst; /* by bit: enum badness */
	size_t bit_count;
};

enum badness { NO_CHECK, SAYS_NOTHING, PASSED, UNDECIDED, FAILED, TESTER_ERROR };

struct lines {
	struct line *line;
	size_t count;
	size_t first; /* of the present case */
	size_t last;  /* that the row before belongs to */
};

static enum badness badness_of(const char *verdict)
{
	static const char *const names[] = {"", "none", "pass", "inconclusive", "fail", "error"};
	for (int i = SAYS_NOTHING; i <= TESTER_ERROR; i++) {
		if (strcmp(verdict, names[i]) == 0) {
			return (enum badness)i;
		}
	}
	return SAYS_NOTHING;
}

static void lines_finish(struct lines *all)
{
	for (size_t i = 0; i < all->count; i++) {
		free(all->line[i].title);
		free(all->line[i].worst);
	}
	free(all->line);
	*all = (struct lines){0};
}

static enum evl_status no_memory(const struct evl_store *store, struct evl_err *err)
{
	return evl_err_set(
		err, EVL_E_NOMEM, "%s: out of memory for the tally of a run", store->path);
}

/* The line of a title: that of the row before, the one after it, or any of the case, because a
 * check of many channels gives as many rows. NULL: out of memory. */
static struct line *line_of(struct lines *all, int64_t case_no, const char *title)
{
	if (all->count == 0 || all->line[all->first].case_no != case_no) {
		all->first = all->last = all->count;
	}
	size_t n = all->count - all->first;
	for (size_t k = 0; k < n; k++) {
		size_t i = all->first + (all->last - all->first + k) % n;
		if (strcmp(all->line[i].title, title) == 0) {
			all->last = i;
			return &all->line[i];
		}
	}
	if ((all->count & (all->count - 1)) == 0) {
		size_t room = all->count == 0 ? 1 : 2 * all->count;
		struct line *more = realloc(all->line, room * sizeof *more);
		if (more == NULL) {
			return NULL;
		}
		all->line = more;
	}
	char *copy = strdup(title);
	if (copy == NULL) {
		return NULL;
	}
	all->last = all->count;
	all->line[all->count] =
		(struct line){.case_no = case_no, .ordinal = (int64_t)n, .title = copy};
	return &all->line[all->count++];
}

static bool note_verdict(struct line *l, int64_t channel_no, const char *verdict)
{
	if (channel_no < -1 || channel_no >= SET_BYTES_MAX * 8 - 1) {
		return true; /* no channel that a bench can have */
	}
	size_t bit = (size_t)(channel_no + 1);
	if (bit >= l->bit_count) {
		size_t room = (bit / 64 + 1) * 64;
		uint8_t *more = realloc(l->worst, room);
		if (more == NULL) {
			return false;
		}
		memset(more + l->bit_count, NO_CHECK, room - l->bit_count);
		l->worst = more;
		l->bit_count = room;
	}
	enum badness b = badness_of(verdict);
	if (b > l->worst[bit]) {
		l->worst[bit] = (uint8_t)b;
	}
	return true;
}

static int64_t add_capped(int64_t a, int64_t b)
{
	return a > INT64_MAX - b ? INT64_MAX : a + b;
}

/* From the checks of a run. */
static enum evl_status make_lines(
	struct lines *all, struct evl_store *store, int64_t run, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT case_no, title, coalesce(channel_no, -1), verdict, errors, bits FROM "
		"check_ WHERE run=?1 ORDER BY case_no, ordinal",
		err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, run);
	int rc;
	while ((rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		const char *title = (const char *)sqlite3_column_text(stmt, 1);
		const char *verdict = (const char *)sqlite3_column_text(stmt, 3);
		if (title == NULL || verdict == NULL) {
			st = no_memory(store, err);
			break;
		}
		struct line *l = line_of(all, sqlite3_column_int64(stmt, 0), title);
		if (l == NULL || !note_verdict(l, sqlite3_column_int64(stmt, 2), verdict)) {
			st = no_memory(store, err);
			break;
		}
		int64_t errors = sqlite3_column_type(stmt, 4) == SQLITE_NULL
					 ? -1
					 : sqlite3_column_int64(stmt, 4);
		int64_t bits = sqlite3_column_int64(stmt, 5);
		if (errors >= 0 && bits > 0) {
			l->errors = add_capped(l->errors, errors);
			l->bits = add_capped(l->bits, bits);
		}
	}
	if (st == EVL_OK && rc != SQLITE_DONE) {
		st = store_db_error(store, "check_", err);
	}
	sqlite3_finalize(stmt);
	return st;
}

/* The channels of that badness as a set, without the zeros at its end; returns its length. */
static int set_of(uint8_t *set, const struct line *l, enum badness b)
{
	int len = 0;
	memset(set, 0, l->bit_count / 8);
	for (size_t bit = 0; bit < l->bit_count; bit++) {
		if (l->worst[bit] == b) {
			set[bit / 8] |= (uint8_t)(1u << (bit % 8));
			len = (int)(bit / 8) + 1;
		}
	}
	return len;
}

enum evl_status store_tally_write(struct evl_store *store, int64_t run, struct evl_err *err)
{
	struct lines all = {0};
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = make_lines(&all, store, run, err);
	if (st == EVL_OK) {
		st = store_prepare(&stmt, store,
			"INSERT INTO check_tally VALUES(?1,?2,?3,?4,?5,?6,?7,?8)", err);
	}
	for (size_t i = 0; i < all.count && st == EVL_OK; i++) {
		static const enum badness kinds[] = {PASSED, FAILED};
		const struct line *l = &all.line[i];
		sqlite3_reset(stmt);
		sqlite3_bind_int64(stmt, 1, run);
		sqlite3_bind_int64(stmt, 2, l->case_no);
		sqlite3_bind_int64(stmt, 3, l->ordinal);
		sqlite3_bind_text(stmt, 4, l->title, -1, SQLITE_STATIC);
		sqlite3_bind_int64(stmt, 5, l->errors);
		sqlite3_bind_int64(stmt, 6, l->bits);
		for (int k = 0; k < 2; k++) {
			uint8_t set[SET_BYTES_MAX];
			int len = set_of(set, l, kinds[k]);
			sqlite3_bind_blob(stmt, 7 + k, set, len, SQLITE_TRANSIENT);
		}
		if (sqlite3_step(stmt) != SQLITE_DONE) {
			st = store_db_error(store, "check_tally", err);
		}
	}
	sqlite3_finalize(stmt);
	lines_finish(&all);
	return st;
}

static bool same_set(sqlite3_stmt *stmt, int column, const struct line *l, enum badness b)
{
	uint8_t set[SET_BYTES_MAX];
	int len = set_of(set, l, b);
	const void *there = sqlite3_column_blob(stmt, column);
	return sqlite3_column_bytes(stmt, column) == len &&
	       (len == 0 || (there != NULL && memcmp(there, set, (size_t)len) == 0));
}

static bool same_line(sqlite3_stmt *stmt, const struct line *l)
{
	const char *title = (const char *)sqlite3_column_text(stmt, 2);
	return sqlite3_column_int64(stmt, 0) == l->case_no &&
	       sqlite3_column_int64(stmt, 1) == l->ordinal && title != NULL &&
	       strcmp(title, l->title) == 0 && sqlite3_column_int64(stmt, 3) == l->errors &&
	       sqlite3_column_int64(stmt, 4) == l->bits && same_set(stmt, 5, l, PASSED) &&
	       same_set(stmt, 6, l, FAILED);
}

enum evl_status store_tally_check(
	bool *sound, struct evl_store *store, int64_t run, struct evl_err *err)
{
	struct lines all = {0};
	sqlite3_stmt *stmt = NULL;
	*sound = false;
	enum evl_status st = make_lines(&all, store, run, err);
	if (st == EVL_OK) {
		st = store_prepare(&stmt, store,
			"SELECT case_no, ordinal, title, errors, bits, passed, failed FROM "
			"check_tally WHERE run=?1 ORDER BY case_no, ordinal",
			err);
	}
	if (st == EVL_OK) {
		size_t n = 0;
		int rc;
		bool same = true;
		sqlite3_bind_int64(stmt, 1, run);
		while ((rc = sqlite3_step(stmt)) == SQLITE_ROW && same) {
			same = n < all.count && same_line(stmt, &all.line[n]);
			n++;
		}
		*sound = same && n == all.count;
		if (rc != SQLITE_DONE && rc != SQLITE_ROW) {
			st = store_db_error(store, "check_tally", err);
		}
	}
	sqlite3_finalize(stmt);
	lines_finish(&all);
	return st;
}
