/* SPDX-License-Identifier: Apache-2.0 */
/* Statements made from the table descriptions, and binding of keys. */
#include "core/store/internal.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static void add_columns(struct evl_text *sql, const struct table *t)
{
	for (int i = 0; i < t->column_count; i++) {
		evl_text_addf(sql, "%s%s", i > 0 ? "," : "", t->columns[i].name);
	}
}

static enum evl_status prepare_kept(sqlite3_stmt **slot, struct evl_store *store,
				    struct evl_text *sql, const char *table, struct evl_err *err)
{
	int rc = sqlite3_prepare_v3(store->db, evl_text_str(sql), -1, SQLITE_PREPARE_PERSISTENT,
				    slot, NULL);
	evl_text_finish(sql);
	return rc == SQLITE_OK ? EVL_OK : store_db_error(store, table, err);
}

enum evl_status store_select_by_key(sqlite3_stmt **out, struct evl_store *store, enum table_id id,
				    struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	if (store->by_key[id] == NULL) {
		struct evl_text sql = {0};
		evl_text_add(&sql, "SELECT ");
		add_columns(&sql, t);
		evl_text_addf(&sql, " FROM %s WHERE ", t->name);
		int n = 0;
		for (int i = 0; i < t->column_count; i++) {
			if (t->columns[i].flags & COL_KEY) {
				evl_text_addf(&sql, "%s%s=?%d", n > 0 ? " AND " : "",
					      t->columns[i].name, n + 1);
				n++;
			}
		}
		enum evl_status st = prepare_kept(&store->by_key[id], store, &sql, t->name, err);
		if (st != EVL_OK) {
			return st;
		}
	}
	*out = store->by_key[id];
	sqlite3_reset(*out);
	return EVL_OK;
}

enum evl_status store_select_by_run(sqlite3_stmt **out, struct evl_store *store, enum table_id id,
				    int64_t run, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	if (store->by_run[id] == NULL) {
		struct evl_text sql = {0};
		evl_text_add(&sql, "SELECT ");
		add_columns(&sql, t);
		evl_text_addf(&sql, " FROM %s WHERE run=?1 ORDER BY run", t->name);
		for (int i = 1; i < t->column_count; i++) {
			if (t->columns[i].flags & COL_KEY) {
				evl_text_addf(&sql, ",%s", t->columns[i].name);
			}
		}
		enum evl_status st = prepare_kept(&store->by_run[id], store, &sql, t->name, err);
		if (st != EVL_OK) {
			return st;
		}
	}
	*out = store->by_run[id];
	sqlite3_reset(*out);
	sqlite3_bind_int64(*out, 1, run);
	return EVL_OK;
}

bool store_bind_key(sqlite3_stmt *stmt, const struct table *t, int64_t run, const char *key)
{
	int parameters = sqlite3_bind_parameter_count(stmt);
	sqlite3_bind_int64(stmt, 1, run);
	if (t == &store_tables[T_RUN]) {
		char *end;
		errno = 0;
		return strtoll(key, &end, 10) == run && errno == 0 && end != key && *end == '\0';
	}
	int p = 2;
	for (int i = 1; i < t->column_count; i++) {
		if (!(t->columns[i].flags & COL_KEY)) {
			continue;
		}
		if (t->columns[i].type == COL_TEXT) { /* always the last one: takes all the rest */
			sqlite3_bind_text(stmt, p, key, -1, SQLITE_TRANSIENT);
			return p == parameters;
		}
		char *end;
		errno = 0;
		long long n = strtoll(key, &end, 10);
		if (end == key || errno != 0) {
			return false;
		}
		sqlite3_bind_int64(stmt, p, n);
		if (p == parameters) {
			return *end == '\0';
		}
		if (*end != '/') {
			return false;
		}
		key = end + 1;
		p++;
	}
	return false;
}
