/* SPDX-License-Identifier: Apache-2.0 */
/* Ticks, and putting one row: checked, inserted, chained. */
#include "core/store/store_write.h"

#include "core/store/internal.h"

/* ---- one call: its own transaction, or a part of the tick ---- */

/* Inside a tick that failed, every call gives the same error until its commit. */
enum evl_status store_tick_state(const struct evl_store *store, struct evl_err *err)
{
	if (!store->in_tick || store->tick_err.status == EVL_OK) {
		return EVL_OK;
	}
	if (err != NULL) {
		*err = store->tick_err;
	}
	return store->tick_err.status;
}

enum evl_status store_op_begin(struct evl_store *store, struct evl_err *err)
{
	evl_require(store->mode == EVL_STORE_WRITE);
	return store->in_tick ? store_tick_state(store, err) : store_begin(store, err);
}

/* A refused row leaves the tick sound (SQLite undoes the one statement); anything else, also a
 * half-done operation, undoes the whole tick. */
enum evl_status store_op_end(struct evl_store *store, enum evl_status st, bool whole,
			     struct evl_err *err)
{
	if (!store->in_tick) {
		if (st == EVL_OK) {
			return store_commit(store, err);
		}
		store_rollback(store);
		return st;
	}
	if (st != EVL_OK && (whole || st != EVL_E_INVALID)) {
		store_rollback(store);
		if (err != NULL) {
			store->tick_err = *err;
		}
		store->tick_err.status = st;
	}
	return st;
}

enum evl_status evl_store_tick_begin(struct evl_store *store, struct evl_err *err)
{
	evl_require(store->mode == EVL_STORE_WRITE && store->run != 0 && !store->in_tick);
	struct evl_err own = {0};
	err = err != NULL ? err : &own;
	enum evl_status st = store_begin(store, err);
	store->in_tick = true; /* also when it failed: then its calls say so, up to the commit */
	store->tick_err.status = EVL_OK;
	if (st != EVL_OK) {
		store->tick_err = *err;
	}
	return st;
}

enum evl_status evl_store_tick_commit(struct evl_store *store, struct evl_err *err)
{
	evl_require(store->in_tick);
	enum evl_status st = store_tick_state(store, err);
	store->in_tick = false;
	return st == EVL_OK ? store_commit(store, err) : st;
}

/* ---- rows ---- */

static enum evl_status insert_statement(struct evl_store *store, enum table_id id,
					struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	if (store->insert[id] != NULL) {
		return EVL_OK;
	}
	struct evl_text sql = {0};
	evl_text_addf(&sql, "INSERT %sINTO %s VALUES(", id == T_MEASUREMENT ? "OR REPLACE " : "",
		      t->name);
	for (int i = 0; i < t->column_count; i++) {
		evl_text_addf(&sql, "%s?%d", i > 0 ? "," : "", i + 1);
	}
	evl_text_add(&sql, ")");
	int rc = sqlite3_prepare_v3(store->db, evl_text_str(&sql), -1, SQLITE_PREPARE_PERSISTENT,
				    &store->insert[id], NULL);
	evl_text_finish(&sql);
	return rc == SQLITE_OK ? EVL_OK : store_db_error(store, t->name, err);
}

static enum evl_status refused(struct evl_store *store, const struct table *t,
			       const struct cell *cells, struct evl_err *err)
{
	struct evl_text key = {0};
	store_row_key(&key, t, cells);
	const char *why = sqlite3_errmsg(store->db);
	switch (sqlite3_extended_errcode(store->db)) {
	case SQLITE_CONSTRAINT_FOREIGNKEY:
		why = "it names a run, case, take, channel or recording that does not exist";
		break;
	case SQLITE_CONSTRAINT_PRIMARYKEY:
		why = "there is one with this key already";
		break;
	default:
		break;
	}
	enum evl_status st = evl_err_set(err, EVL_E_INVALID, "store: table %s, row %s: %s", t->name,
					 evl_text_str(&key), why);
	evl_text_finish(&key);
	return st;
}

enum evl_status store_insert_cells(struct evl_store *store, enum table_id id,
	const struct cell *cells, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	enum evl_status st = insert_statement(store, id, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_stmt *ins = store->insert[id];
	for (int i = 0; i < t->column_count; i++) {
		if (cells[i].null) {
			sqlite3_bind_null(ins, i + 1);
		} else if (cells[i].text != NULL) {
			sqlite3_bind_text(
				ins, i + 1, cells[i].text, (int)cells[i].len, SQLITE_STATIC);
		} else {
			sqlite3_bind_int64(ins, i + 1, cells[i].number);
		}
	}
	int rc = sqlite3_step(ins);
	if (rc != SQLITE_DONE) {
		st = (rc & 0xFF) == SQLITE_CONSTRAINT ? refused(store, t, cells, err)
						      : store_db_error(store, t->name, err);
	}
	sqlite3_reset(ins);
	sqlite3_clear_bindings(ins);
	return st;
}

/* Inserts; rows of tables that do not grow are final at once. */
enum evl_status store_put(struct evl_store *store, enum table_id id, const void *row,
			  struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	struct cell cells[STORE_MAX_COLUMNS];
	char *owned[STORE_MAX_COLUMNS];
	enum evl_status st = store_cells_from_row(cells, owned, t, row, err);
	if (st != EVL_OK) {
		return st;
	}
	bool half = false;
	st = store_op_begin(store, err);
	if (st != EVL_OK) {
		store_cells_finish(owned, t);
		return st;
	}
	st = store_withhold_cells(store, t, cells, owned, err);
	half = st != EVL_OK;
	if (st == EVL_OK) {
		st = store_insert_cells(store, id, cells, err);
	}
	if (st == EVL_OK && !t->grows) {
		st = store_chain_append(store, t, cells, err);
		half = st != EVL_OK;
	}
	st = store_op_end(store, st, half, err);
	store_cells_finish(owned, t);
	return st;
}
