/* SPDX-License-Identifier: Apache-2.0 */
/* The hash chain: appending, recomputing, and the digest over results. */
#include "core/store/internal.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum evl_status store_chain_load_head(struct evl_store *store, int64_t run, struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(
		&stmt, store,
		"SELECT seq, link_sha256 FROM chain WHERE run=?1 ORDER BY seq DESC LIMIT 1", err);
	if (st != EVL_OK) {
		return st;
	}
	store->seq = 0;
	memcpy(store->link, STORE_CHAIN_START, sizeof store->link);
	sqlite3_bind_int64(stmt, 1, run);
	int rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW) {
		store->seq = sqlite3_column_int64(stmt, 0);
		snprintf(store->link, sizeof store->link, "%s",
			 (const char *)sqlite3_column_text(stmt, 1));
	} else if (rc != SQLITE_DONE) {
		st = store_db_error(store, "reading the chain", err);
	}
	sqlite3_finalize(stmt);
	return st;
}

enum evl_status store_chain_append(struct evl_store *store, const struct table *t,
				   const struct cell *cells, struct evl_err *err)
{
	if (store->chain_insert == NULL &&
	    sqlite3_prepare_v3(store->db, "INSERT INTO chain VALUES(?1,?2,?3,?4,?5,?6)", -1,
			       SQLITE_PREPARE_PERSISTENT, &store->chain_insert,
			       NULL) != SQLITE_OK) {
		return store_db_error(store, "chain", err);
	}
	struct evl_text text = {0};
	struct evl_text key = {0};
	store_canonical(&text, t, cells, VIEW_ALL);
	store_row_key(&key, t, cells);
	char row[EVL_SHA256_HEX];
	char link[EVL_SHA256_HEX];
	store_sha256_hex(evl_text_str(&text), text.len, row);
	store_chain_link(link, store->link, row);
	sqlite3_stmt *ins = store->chain_insert;
	sqlite3_bind_int64(ins, 1, store->run);
	sqlite3_bind_int64(ins, 2, store->seq + 1);
	sqlite3_bind_text(ins, 3, t->name, -1, SQLITE_STATIC);
	sqlite3_bind_text(ins, 4, evl_text_str(&key), -1, SQLITE_STATIC);
	sqlite3_bind_text(ins, 5, row, -1, SQLITE_STATIC);
	sqlite3_bind_text(ins, 6, link, -1, SQLITE_STATIC);
	enum evl_status st = EVL_OK;
	if (sqlite3_step(ins) != SQLITE_DONE) {
		st = store_db_error(store, "writing the chain", err);
	} else {
		store->seq++;
		memcpy(store->link, link, sizeof link);
	}
	sqlite3_reset(ins);
	sqlite3_clear_bindings(ins);
	evl_text_finish(&text);
	evl_text_finish(&key);
	return st;
}

enum evl_status store_chain_row(struct evl_store *store, enum table_id id, const char *key,
				struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_select_by_key(&stmt, store, id, err);
	if (st != EVL_OK) {
		return st;
	}
	if (!store_bind_key(stmt, &store_tables[id], store->run, key) ||
	    sqlite3_step(stmt) != SQLITE_ROW) {
		st = evl_err_set(err, EVL_E_CORRUPT, "%s: row %s of table %s is gone", store->path,
				 key, store_tables[id].name);
	} else {
		struct cell cells[STORE_MAX_COLUMNS];
		store_cells_from_stmt(cells, &store_tables[id], stmt);
		st = store_chain_append(store, &store_tables[id], cells, err);
	}
	sqlite3_reset(stmt);
	return st;
}

/* ---- recomputing ---- */

static enum evl_status fault(struct evl_store *store, int64_t run, struct evl_chain_report *report,
			     const char *kind, const char *table, const char *key,
			     struct evl_err *err)
{
	snprintf(report->fault, sizeof report->fault, "%s", kind);
	snprintf(report->table, sizeof report->table, "%s", table);
	snprintf(report->key, sizeof report->key, "%s", key);
	if (strcmp(kind, "chain") == 0) {
		return evl_err_set(err, EVL_E_CORRUPT,
				   "%s: run %" PRId64 ": link %" PRId64
				   " of the hash chain was altered or removed (%s %s)",
				   store->path, run, report->links + 1, table, key);
	}
	return evl_err_set(
		err, EVL_E_CORRUPT,
		"%s: run %" PRId64 ": the row %s of table %s was %s after it was recorded",
		store->path, run, key, table, strcmp(kind, "missing") == 0 ? "removed" : kind);
}

/* One link: the row that it names, both digests. */
static enum evl_status check_link(struct evl_store *store, int64_t run, sqlite3_stmt *chain,
				  struct evl_chain_report *report, int64_t *rows, chain_visit each,
				  void *arg, struct evl_err *err)
{
	const char *table = (const char *)sqlite3_column_text(chain, 1);
	const char *key = (const char *)sqlite3_column_text(chain, 2);
	const char *row = (const char *)sqlite3_column_text(chain, 3);
	const char *link = (const char *)sqlite3_column_text(chain, 4);
	char expected[EVL_SHA256_HEX];
	enum table_id id = table != NULL ? store_table_by_name(table) : T_COUNT;
	if (id == T_COUNT || key == NULL || row == NULL || link == NULL ||
	    sqlite3_column_int64(chain, 0) != report->links + 1 ||
	    strlen(row) != EVL_SHA256_HEX - 1) {
		return fault(store, run, report, "chain", table != NULL ? table : "?",
			     key != NULL ? key : "?", err);
	}
	store_chain_link(expected, report->head, row);
	if (strcmp(expected, link) != 0) {
		return fault(store, run, report, "chain", table, key, err);
	}
	const struct table *t = &store_tables[id];
	sqlite3_stmt *stmt;
	enum evl_status st = store_select_by_key(&stmt, store, id, err);
	if (st != EVL_OK) {
		return st;
	}
	int rc = store_bind_key(stmt, t, run, key) ? sqlite3_step(stmt) : SQLITE_DONE;
	if (rc != SQLITE_ROW) {
		st = rc == SQLITE_DONE ? fault(store, run, report, "missing", table, key, err)
				       : store_db_error(store, table, err);
		sqlite3_reset(stmt);
		return st;
	}
	struct cell cells[STORE_MAX_COLUMNS];
	struct evl_text text = {0};
	store_cells_from_stmt(cells, t, stmt);
	store_canonical(&text, t, cells, VIEW_ALL);
	store_sha256_hex(evl_text_str(&text), text.len, expected);
	if (strcmp(expected, row) != 0) {
		st = fault(store, run, report, "altered", table, key, err);
	} else {
		report->links++;
		memcpy(report->head, link, EVL_SHA256_HEX);
		rows[id]++;
		if (each != NULL) {
			each(arg, &(struct chain_step){.table = table,
						       .key = key,
						       .text = evl_text_str(&text),
						       .text_len = text.len,
						       .row = row,
						       .link = link});
		}
	}
	sqlite3_reset(stmt);
	evl_text_finish(&text);
	return st;
}

/* Rows of one table that no link names: open ones of a run that still runs, else added ones. */
static enum evl_status look_for_added(struct evl_store *store, int64_t run, enum table_id id,
				      bool running, struct evl_chain_report *report,
				      chain_visit each, void *arg, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	sqlite3_stmt *rows = NULL;
	sqlite3_stmt *linked;
	enum evl_status st = store_prepare(
		&linked, store, "SELECT 1 FROM chain WHERE run=?1 AND table_name=?2 AND row_key=?3",
		err);
	if (st != EVL_OK) {
		return st;
	}
	st = store_select_by_run(&rows, store, id, run, err);
	struct evl_text key = {0};
	struct evl_text text = {0};
	int rc = SQLITE_DONE;
	while (st == EVL_OK && (rc = sqlite3_step(rows)) == SQLITE_ROW) {
		struct cell cells[STORE_MAX_COLUMNS];
		store_cells_from_stmt(cells, t, rows);
		key.len = 0;
		store_row_key(&key, t, cells);
		sqlite3_reset(linked);
		sqlite3_bind_int64(linked, 1, run);
		sqlite3_bind_text(linked, 2, t->name, -1, SQLITE_STATIC);
		sqlite3_bind_text(linked, 3, evl_text_str(&key), -1, SQLITE_STATIC);
		int found = sqlite3_step(linked);
		if (found == SQLITE_ROW) {
			continue;
		}
		if (found != SQLITE_DONE) {
			st = store_db_error(store, "reading the chain", err);
		} else if (!running || !t->grows) {
			st = fault(store, run, report, "added", t->name, evl_text_str(&key), err);
		} else {
			report->open_rows++;
			text.len = 0;
			store_canonical(&text, t, cells, VIEW_ALL);
			if (each != NULL) {
				each(arg, &(struct chain_step){.table = t->name,
							       .key = evl_text_str(&key),
							       .text = evl_text_str(&text),
							       .text_len = text.len,
							       .row = "",
							       .link = "",
							       .open = true});
			}
		}
	}
	if (st == EVL_OK && rc != SQLITE_DONE) {
		st = store_db_error(store, t->name, err);
	}
	if (rows != NULL) {
		sqlite3_reset(rows);
	}
	sqlite3_finalize(linked);
	evl_text_finish(&key);
	evl_text_finish(&text);
	return st;
}

static enum evl_status walk(struct evl_store *store, int64_t run, struct evl_chain_report *report,
			    chain_visit each, void *arg, struct evl_err *err)
{
	int64_t running = 0;
	enum evl_status st = store_int(&running, store,
				       "SELECT state='running' FROM run WHERE run=?1", run, 0, err);
	bool run_row = st == EVL_OK;
	if (st == EVL_E_NOTFOUND) { /* either no such run, or its row was removed */
		int64_t links = 0;
		st = store_int(&links, store, "SELECT count(*) FROM chain WHERE run=?1", run, 0,
			       err);
		if (st == EVL_OK && links == 0) {
			return evl_err_set(err, EVL_E_NOTFOUND, "%s: has no run %" PRId64,
					   store->path, run);
		}
	}
	sqlite3_stmt *chain = NULL;
	if (st == EVL_OK) {
		st = store_prepare(&chain, store,
				   "SELECT seq,table_name,row_key,row_sha256,link_sha256 FROM "
				   "chain WHERE run=?1 "
				   "ORDER BY seq",
				   err);
	}
	if (st != EVL_OK) {
		return st;
	}
	int64_t rows[T_COUNT] = {0};
	sqlite3_bind_int64(chain, 1, run);
	int rc;
	while ((rc = sqlite3_step(chain)) == SQLITE_ROW && st == EVL_OK) {
		st = check_link(store, run, chain, report, rows, each, arg, err);
	}
	if (st == EVL_OK && rc != SQLITE_DONE) {
		st = store_db_error(store, "reading the chain", err);
	}
	sqlite3_finalize(chain);
	for (int id = 0; id < T_COUNT && st == EVL_OK; id++) {
		char sql[96];
		int64_t there = 0;
		snprintf(sql, sizeof sql, "SELECT count(*) FROM %s WHERE run=?1",
			 store_tables[id].name);
		st = store_int(&there, store, sql, run, 0, err);
		if (st == EVL_OK && there != rows[id]) {
			st = look_for_added(store, run, (enum table_id)id, running != 0, report,
					    each, arg, err);
		}
	}
	if (st == EVL_OK && !run_row) {
		char key[24];
		snprintf(key, sizeof key, "%" PRId64, run);
		st = fault(store, run, report, "missing", "run", key, err);
	}
	bool sound = true;
	if (st == EVL_OK && running == 0) {
		st = store_tally_check(&sound, store, run, err);
	}
	if (st == EVL_OK && !sound) {
		snprintf(report->fault, sizeof report->fault, "altered");
		snprintf(report->table, sizeof report->table, "check_tally");
		st = evl_err_set(err, EVL_E_CORRUPT,
			"%s: run %" PRId64 ": table check_tally does not say what the checks say",
			store->path, run);
	}
	return st;
}

enum evl_status store_chain_walk(struct evl_store *store, int64_t run,
				 struct evl_chain_report *report, chain_visit each, void *arg,
				 struct evl_err *err)
{
	struct evl_chain_report own;
	report = report != NULL ? report : &own;
	memset(report, 0, sizeof *report);
	memcpy(report->head, STORE_CHAIN_START, sizeof report->head);
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st == EVL_OK) {
		st = walk(store, run, report, each, arg, err);
		store_snapshot_end(store, began);
	}
	return st;
}

enum evl_status evl_store_chain_verify(struct evl_store *store, int64_t run,
				       struct evl_chain_report *report, struct evl_err *err)
{
	return store_chain_walk(store, run, report, NULL, NULL, err);
}

/* ---- results ---- */

enum evl_status evl_store_results_digest(struct evl_store *store, int64_t run,
					 char hex[EVL_SHA256_HEX], struct evl_err *err)
{
	struct results results = {0};
	struct evl_text text = {0};
	int64_t virtual_clock = 0;
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st != EVL_OK) {
		return st;
	}
	st = store_int(&virtual_clock, store, "SELECT clock='virtual' FROM run WHERE run=?1", run,
		       0, err);
	if (st == EVL_E_NOTFOUND) {
		evl_err_set(err, st, "%s: has no run %" PRId64, store->path, run);
	}
	enum row_view view = virtual_clock != 0 ? VIEW_RESULTS : VIEW_RESULTS_NO_TIME;
	for (int id = 0; id < T_COUNT && st == EVL_OK; id++) {
		sqlite3_stmt *rows;
		st = store_select_by_run(&rows, store, (enum table_id)id, run, err);
		if (st != EVL_OK) {
			break;
		}
		int rc;
		while ((rc = sqlite3_step(rows)) == SQLITE_ROW) {
			struct cell cells[STORE_MAX_COLUMNS];
			store_cells_from_stmt(cells, &store_tables[id], rows);
			text.len = 0;
			store_canonical(&text, &store_tables[id], cells, view);
			store_results_add(&results, evl_text_str(&text), text.len);
		}
		if (rc != SQLITE_DONE) {
			st = store_db_error(store, store_tables[id].name, err);
		}
		sqlite3_reset(rows);
	}
	store_snapshot_end(store, began);
	if (st == EVL_OK) {
		store_results_digest(&results, hex);
	}
	store_results_finish(&results);
	evl_text_finish(&text);
	return st;
}
