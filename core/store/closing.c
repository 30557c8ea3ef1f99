/* SPDX-License-Identifier: Apache-2.0 */
/* Ending takes, cases and runs: their rows become final and enter the chain. */
#include "core/store/internal.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/store/store_write.h"

const char *evl_store_verdict_worse(const char *a, const char *b)
{
	static const char *const order[] = {"none", "pass", "inconclusive", "fail", "error"};
	int worst = 0;
	for (int i = 1; i < 5; i++) {
		if ((a != NULL && strcmp(a, order[i]) == 0) ||
		    (b != NULL && strcmp(b, order[i]) == 0)) {
			worst = i;
		}
	}
	return order[worst];
}

/* Runs one UPDATE; `texts` then `numbers` are bound in order. EVL_E_NOTFOUND: no row changed. */
static enum evl_status update(struct evl_store *store, const char *sql, const char *const *texts,
			      int text_count, const int64_t *numbers, int number_count,
			      struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, store, sql, err);
	if (st != EVL_OK) {
		return st;
	}
	for (int i = 0; i < text_count; i++) {
		char *text = texts[i] != NULL ? store_utf8_repaired(texts[i]) : NULL;
		char *kept = NULL;
		if (text != NULL && st == EVL_OK) {
			st = store_withhold(&kept, store, text, err);
		}
		if (kept != NULL) {
			free(text);
			text = kept;
		}
		sqlite3_bind_text(stmt, i + 1, text, -1, free); /* NULL binds NULL */
	}
	for (int i = 0; i < number_count; i++) {
		sqlite3_bind_int64(stmt, text_count + i + 1, numbers[i]);
	}
	if (st != EVL_OK) {
		; /* nothing of it is written */
	} else if (sqlite3_step(stmt) != SQLITE_DONE) {
		st = store_db_error(store, "writing", err);
	} else if (sqlite3_changes(store->db) == 0) {
		st = EVL_E_NOTFOUND;
	}
	sqlite3_finalize(stmt);
	return st;
}

/* The keys that a query gives, one a row, so that rows may be changed while walking them. */
struct keys {
	struct evl_text text; /* each key ends with a NUL */
	size_t count;
};

static enum evl_status collect(struct keys *keys, struct evl_store *store, const char *sql,
			       int64_t a, int64_t b, int64_t c, struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, store, sql, err);
	if (st != EVL_OK) {
		return st;
	}
	const int64_t numbers[] = {a, b, c};
	for (int i = 0; i < sqlite3_bind_parameter_count(stmt); i++) {
		sqlite3_bind_int64(stmt, i + 1, numbers[i]);
	}
	int rc;
	while ((rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		const char *key = (const char *)sqlite3_column_text(stmt, 0);
		evl_text_addn(&keys->text, key, strlen(key) + 1);
		keys->count++;
	}
	if (rc != SQLITE_DONE) {
		st = store_db_error(store, "reading", err);
	}
	sqlite3_finalize(stmt);
	return st;
}

static enum evl_status chain_all(struct evl_store *store, enum table_id id, const char *sql,
				 int64_t a, int64_t b, struct evl_err *err)
{
	struct keys keys = {0};
	enum evl_status st = collect(&keys, store, sql, store->run, a, b, err);
	const char *key = evl_text_str(&keys.text);
	for (size_t i = 0; i < keys.count && st == EVL_OK; i++) {
		st = store_chain_row(store, id, key, err);
		key += strlen(key) + 1;
	}
	evl_text_finish(&keys.text);
	return st;
}

/* The worst verdict that a query gives, and `verdict`. Returns a constant in *out. */
static enum evl_status worst_of(const char **out, struct evl_store *store, const char *verdict,
				const char *sql, int64_t a, struct evl_err *err)
{
	struct keys keys = {0};
	enum evl_status st = collect(&keys, store, sql, store->run, a, 0, err);
	const char *one = evl_text_str(&keys.text);
	*out = evl_store_verdict_worse(verdict, NULL);
	for (size_t i = 0; i < keys.count && st == EVL_OK; i++) {
		*out = evl_store_verdict_worse(*out, one);
		one += strlen(one) + 1;
	}
	evl_text_finish(&keys.text);
	return st;
}

enum evl_status store_close_take(struct evl_store *store, int case_no, int take_no,
				 const char *state, int64_t frames, struct evl_err *err)
{
	enum evl_status st = update(
		store,
		"UPDATE take SET state=?1, frames=max(?2, frames * (?2 < 0)) WHERE run=?3 AND "
		"case_no=?4 AND ordinal=?5 AND state='running'",
		&state, 1, (const int64_t[]){frames, store->run, case_no, take_no}, 4, err);
	if (st == EVL_E_NOTFOUND) {
		return evl_err_set(err, EVL_E_INVALID,
				   "store: take %d of case %d cannot end: it is not open", take_no,
				   case_no);
	}
	if (st == EVL_OK) {
		st = chain_all(
			store, T_MEASUREMENT,
			"SELECT case_no||'/'||take_no||'/'||channel_no||'/'||kind FROM measurement "
			"WHERE run=?1 AND case_no=?2 AND take_no=?3 "
			"ORDER BY run,case_no,take_no,channel_no,kind",
			case_no, take_no, err);
	}
	if (st == EVL_OK) {
		char key[32];
		snprintf(key, sizeof key, "%d/%d", case_no, take_no);
		st = store_chain_row(store, T_TAKE, key, err);
	}
	return st;
}

enum evl_status store_close_case(struct evl_store *store, int case_no, const char *state,
				 const char *verdict, const char *message, int64_t ended_ns,
				 struct evl_err *err)
{
	struct keys takes = {0};
	enum evl_status st =
		collect(&takes, store,
			"SELECT ordinal FROM take WHERE run=?1 AND case_no=?2 AND state='running' "
			"ORDER BY ordinal",
			store->run, case_no, 0, err);
	const char *take = evl_text_str(&takes.text);
	for (size_t i = 0; i < takes.count && st == EVL_OK; i++) {
		st = store_close_take(store, case_no, atoi(take), EVL_STATE_INTERRUPTED, -1, err);
		take += strlen(take) + 1;
	}
	evl_text_finish(&takes.text);
	if (st == EVL_OK) {
		const char *texts[] = {state, verdict, message};
		st = update(store,
			    "UPDATE case_ SET state=?1, verdict=?2, message=coalesce(?3, message), "
			    "ended_ns=CASE WHEN ?4 < 0 THEN NULL ELSE ?4 END "
			    "WHERE run=?5 AND ordinal=?6 AND state='running'",
			    texts, 3, (const int64_t[]){ended_ns, store->run, case_no}, 3, err);
		if (st == EVL_E_NOTFOUND) {
			return evl_err_set(err, EVL_E_INVALID,
					   "store: case %d cannot end: it is not open", case_no);
		}
	}
	if (st == EVL_OK) {
		char key[16];
		snprintf(key, sizeof key, "%d", case_no);
		st = store_chain_row(store, T_CASE, key, err);
	}
	return st;
}

enum evl_status store_close_run(struct evl_store *store, const char *state, const char *verdict,
				const char *message, const char *ended_utc, struct evl_err *err)
{
	struct keys cases = {0};
	enum evl_status st = collect(
		&cases, store,
		"SELECT ordinal FROM case_ WHERE run=?1 AND state='running' ORDER BY ordinal",
		store->run, 0, 0, err);
	const char *one = evl_text_str(&cases.text);
	for (size_t i = 0; i < cases.count && st == EVL_OK; i++) {
		/* It did not come to its end, so it cannot have passed; what failed has failed. */
		const char *worst;
		st = worst_of(&worst, store, "inconclusive",
			      "SELECT verdict FROM check_ WHERE run=?1 AND case_no=?2", atoi(one),
			      err);
		if (st == EVL_OK) {
			st = store_close_case(store, atoi(one), EVL_STATE_INTERRUPTED, worst,
					      "the run ended before this case did", -1, err);
		}
		one += strlen(one) + 1;
	}
	evl_text_finish(&cases.text);
	if (st == EVL_OK) {
		st = chain_all(store, T_RECORDING,
			       "SELECT ordinal FROM recording WHERE run=?1 AND finished=0 ORDER BY "
			       "ordinal",
			       0, 0, err);
	}
	if (st == EVL_OK && (verdict == NULL || strcmp(state, EVL_STATE_INTERRUPTED) == 0)) {
		st = worst_of(&verdict, store, verdict, "SELECT verdict FROM case_ WHERE run=?1", 0,
			      err);
	}
	if (st == EVL_OK) {
		const char *texts[] = {state, verdict, message, ended_utc};
		st = update(store,
			    "UPDATE run SET state=?1, verdict=?2, message=coalesce(?3, message), "
			    "ended_utc=?4 WHERE run=?5 AND state='running'",
			    texts, 4, &store->run, 1, err);
		if (st == EVL_E_NOTFOUND) {
			return evl_err_set(err, EVL_E_CORRUPT, "%s: run %" PRId64 " is gone",
					   store->path, store->run);
		}
	}
	if (st == EVL_OK) {
		st = store_tally_write(store, store->run, err);
	}
	if (st == EVL_OK) {
		char key[24];
		snprintf(key, sizeof key, "%" PRId64, store->run);
		st = store_chain_row(store, T_RUN, key, err);
	}
	return st;
}

enum evl_status store_close_killed(struct evl_store *store, struct evl_err *err)
{
	struct keys runs = {0};
	enum evl_status st =
		collect(&runs, store, "SELECT run FROM run WHERE state='running' ORDER BY run", 0,
			0, 0, err);
	const char *one = evl_text_str(&runs.text);
	for (size_t i = 0; i < runs.count && st == EVL_OK; i++) {
		store->run = strtoll(one, NULL, 10);
		st = store_chain_load_head(store, store->run, err);
		if (st == EVL_OK) {
			st = store_begin(store, err);
		}
		if (st == EVL_OK) {
			st = store_close_run(store, EVL_STATE_INTERRUPTED, "inconclusive",
					     "the program was killed or lost power during this run",
					     NULL, err);
			if (st == EVL_OK) {
				st = store_commit(store, err);
			} else {
				store_rollback(store);
			}
		}
		one += strlen(one) + 1;
	}
	store->run = 0;
	evl_text_finish(&runs.text);
	return st;
}
