/* SPDX-License-Identifier: Apache-2.0 */
/* Runs for a matrix by the names of builds, or the newest ones. */
#include <string.h>

#include "core/store/internal.h"
#include "core/store/matrix.h"

static enum evl_status ask(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const struct evl_past *past, struct evl_err *err)
{
	enum evl_status st = store_prepare(stmt, store, sql, err);
	if (st == EVL_OK) {
		sqlite3_bind_text(*stmt, 1, past->campaign_name, -1, SQLITE_STATIC);
		sqlite3_bind_text(*stmt, 2, past->bench_name, -1, SQLITE_STATIC);
	}
	return st;
}

#define OF_BOTH "FROM run WHERE campaign_name=?1 AND bench_name=?2 AND state='finished' "

static enum evl_status no_build(struct evl_store *store, const struct evl_past *past,
	const char *build, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	struct evl_text list = {0};
	int n = 0, rc = SQLITE_DONE;
	enum evl_status st = ask(&stmt, store,
		"SELECT DISTINCT build " OF_BOTH "ORDER BY build LIMIT 11", past, err);
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW && ++n <= 10) {
		const char *name = (const char *)sqlite3_column_text(stmt, 0);
		evl_text_addf(&list, "%s\"%.40s\"", n > 1 ? ", " : "", name != NULL ? name : "");
	}
	st = store_past_done(stmt, rc, store, "run", st, err);
	if (st == EVL_OK) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"%s: campaign \"%.60s\" on bench \"%.60s\" has no finished run of build "
			"\"%.60s\"; its builds are %s%s",
			store->path, past->campaign_name, past->bench_name, build,
			evl_text_str(&list), n > 10 ? ", and others" : "");
	}
	evl_text_finish(&list);
	return st;
}

static enum evl_status newest_of(int64_t *run, struct evl_store *store, const struct evl_past *past,
	const char *build, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = ask(&stmt, store,
		"SELECT run " OF_BOTH "AND build=?3 ORDER BY run DESC LIMIT 1", past, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_text(stmt, 3, build, -1, SQLITE_STATIC);
	int rc = sqlite3_step(stmt);
	*run = rc == SQLITE_ROW ? sqlite3_column_int64(stmt, 0) : 0;
	st = store_past_done(stmt, rc, store, "run", st, err);
	return st == EVL_OK && rc == SQLITE_DONE ? no_build(store, past, build, err) : st;
}

static enum evl_status newest(int64_t *runs, size_t *count, struct evl_store *store,
	const struct evl_past *past, size_t last, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st =
		ask(&stmt, store, "SELECT run " OF_BOTH "ORDER BY run DESC LIMIT ?3", past, err);
	int rc = SQLITE_DONE;
	if (st == EVL_OK) {
		sqlite3_bind_int64(stmt, 3, (int64_t)last);
	}
	while (st == EVL_OK && *count < last && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		memmove(runs + 1, runs, *count * sizeof *runs); /* oldest first */
		runs[0] = sqlite3_column_int64(stmt, 0);
		++*count;
	}
	st = store_past_done(stmt, rc, store, "run", st, err);
	if (st == EVL_OK && *count < 2) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"%s: campaign \"%.60s\" on bench \"%.60s\" has %s finished run, and one "
			"alone cannot be compared",
			store->path, past->campaign_name, past->bench_name,
			*count == 1 ? "one" : "no");
	}
	return st;
}

enum evl_status evl_matrix_choose(int64_t *runs, size_t *count, struct evl_store *store,
	const struct evl_matrix_choice *choice, struct evl_err *err)
{
	struct evl_past past = {.up_to = INT64_MAX};
	struct evl_past_query q = {
		.campaign_name = choice->campaign_name, .bench_name = choice->bench_name};
	*count = 0;
	enum evl_status st = store_past_pick(&past, store, &q, err);
	if (st == EVL_OK && choice->build_count == 0) {
		st = newest(runs, count, store, &past, choice->last, err);
	}
	for (size_t i = 0; i < choice->build_count && st == EVL_OK; i++) {
		st = newest_of(&runs[i], store, &past, choice->builds[i], err);
		*count += st == EVL_OK;
	}
	evl_past_finish(&past);
	return st;
}
