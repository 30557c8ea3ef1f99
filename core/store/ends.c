/* SPDX-License-Identifier: Apache-2.0 */
/* Progress and ends of what grows: takes, recordings, cases, runs. */
#include <stdio.h>
#include <string.h>

#include "core/store/internal.h"
#include "core/store/store_write.h"

enum evl_status evl_store_take_progress(struct evl_store *store, int case_no, int take_no,
					int64_t frames, struct evl_err *err)
{
	enum evl_status st = store_need_open(store, case_no, take_no, err);
	if (st != EVL_OK || (st = store_op_begin(store, err)) != EVL_OK) {
		return st;
	}
	sqlite3_stmt *stmt;
	st = store_prepare(&stmt, store,
			   "UPDATE take SET frames=?1 WHERE run=?2 AND case_no=?3 AND ordinal=?4",
			   err);
	if (st == EVL_OK) {
		const int64_t numbers[] = {frames, store->run, case_no, take_no};
		for (int i = 0; i < 4; i++) {
			sqlite3_bind_int64(stmt, i + 1, numbers[i]);
		}
		if (sqlite3_step(stmt) != SQLITE_DONE) {
			st = store_db_error(store, "take", err);
		}
	}
	sqlite3_finalize(stmt);
	return store_op_end(store, st, false, err);
}

static enum evl_status check_end(const char *table, const char *state, const char *verdict,
				 struct evl_err *err)
{
	if (state == NULL ||
	    (strcmp(state, EVL_STATE_FINISHED) != 0 && strcmp(state, EVL_STATE_INTERRUPTED) != 0)) {
		return evl_err_set(
			err, EVL_E_INVALID,
			"store: %s.state is \"%.40s\"; an end is finished or interrupted", table,
			state != NULL ? state : "");
	}
	if (strcmp(evl_store_verdict_worse(verdict, NULL), verdict) != 0) {
		return evl_err_set(err, EVL_E_INVALID,
				   "store: %s.verdict is \"%.40s\"; known are none, pass, "
				   "inconclusive, fail, error",
				   table, verdict);
	}
	return EVL_OK;
}

enum evl_status evl_store_take_end(struct evl_store *store, int case_no, int take_no,
				   const char *state, int64_t frames, struct evl_err *err)
{
	evl_require(store->run != 0);
	enum evl_status st = check_end("take", state, "none", err);
	if (st == EVL_OK) {
		st = store_need_open(store, case_no, take_no, err);
	}
	if (st != EVL_OK || (st = store_op_begin(store, err)) != EVL_OK) {
		return st;
	}
	return store_op_end(store, store_close_take(store, case_no, take_no, state, frames, err),
			    true, err);
}

enum evl_status evl_store_recording_end(struct evl_store *store, int recording_no,
					const struct evl_row_recording *row, struct evl_err *err)
{
	evl_require(store->run != 0);
	enum evl_status st = store_op_begin(store, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_stmt *stmt;
	st = store_prepare(
		&stmt, store,
		"UPDATE recording SET file_sha256=?1, bytes=?2, finished=?3, from_frame=?4, "
		"frames=?5, note=?6 WHERE run=?7 AND ordinal=?8 AND finished=0",
		err);
	if (st == EVL_OK) {
		sqlite3_bind_text(stmt, 1, row->file_sha256, -1, SQLITE_STATIC);
		sqlite3_bind_int64(stmt, 2, row->bytes);
		sqlite3_bind_int(stmt, 3, row->finished);
		sqlite3_bind_int64(stmt, 4, row->from_frame);
		sqlite3_bind_int64(stmt, 5, row->frames);
		sqlite3_bind_text(stmt, 6, row->note, -1, SQLITE_STATIC);
		sqlite3_bind_int64(stmt, 7, store->run);
		sqlite3_bind_int64(stmt, 8, recording_no);
		if (sqlite3_step(stmt) != SQLITE_DONE) {
			st = store_db_error(store, "recording", err);
		} else if (sqlite3_changes(store->db) == 0) {
			st = evl_err_set(err, EVL_E_INVALID, "store: recording %d is not open",
					 recording_no);
		}
	}
	sqlite3_finalize(stmt);
	bool half = false;
	if (st == EVL_OK && row->finished) {
		char key[16];
		snprintf(key, sizeof key, "%d", recording_no);
		st = store_chain_row(store, T_RECORDING, key, err);
		half = st != EVL_OK;
	}
	return store_op_end(store, st, half, err);
}

/* The end of a case or run reaches the disk before the call returns. */
static enum evl_status synced_begin(struct evl_store *store, struct evl_err *err)
{
	evl_require(store->run != 0);
	if (store->in_tick) {
		enum evl_status st = evl_store_tick_commit(store, err);
		if (st != EVL_OK) {
			return st;
		}
	}
	enum evl_status st = store_exec(store, "PRAGMA synchronous=FULL", "writing", err);
	return st == EVL_OK ? store_begin(store, err) : st;
}

static enum evl_status synced_end(struct evl_store *store, enum evl_status st, struct evl_err *err)
{
	if (st == EVL_OK) {
		st = store_commit(store, err);
	} else {
		store_rollback(store);
	}
	sqlite3_exec(store->db, "PRAGMA synchronous=NORMAL", NULL, NULL, NULL);
	return st;
}

enum evl_status evl_store_case_end(struct evl_store *store, int case_no, const char *state,
				   const char *verdict, const char *message, int64_t ended_ns,
				   struct evl_err *err)
{
	enum evl_status st = check_end("case_", state, verdict != NULL ? verdict : "", err);
	if (st == EVL_OK) {
		st = synced_begin(store, err);
	}
	return st == EVL_OK ? synced_end(store,
					 store_close_case(store, case_no, state, verdict, message,
							  ended_ns, err),
					 err)
			    : st;
}

enum evl_status evl_store_run_end(struct evl_store *store, const char *state, const char *verdict,
				  const char *message, const char *ended_utc, struct evl_err *err)
{
	enum evl_status st = check_end("run", state, verdict != NULL ? verdict : "none", err);
	if (st == EVL_OK) {
		st = synced_begin(store, err);
	}
	if (st == EVL_OK) {
		st = synced_end(store,
				store_close_run(store, state, verdict, message, ended_utc, err),
				err);
	}
	if (st == EVL_OK) {
		store->run = 0;
	}
	return st;
}
