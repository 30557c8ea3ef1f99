/* SPDX-License-Identifier: Apache-2.0 */
/* Every way to tamper with a row of every table is found, and the row is named. */
#include "fill.h"

#include "core/store/internal.h"

static char *folder;
static char *path;
static struct evl_store *store;

static void sql(const char *text)
{
	char *why = NULL;
	if (sqlite3_exec(store->db, text, NULL, NULL, &why) != SQLITE_OK) {
		fail_msg("%s: %s", text, why);
	}
}

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	path = path_in(folder, "lab.evl");
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	struct fill f = fill_a;
	f.errors = 7;
	fill_run(store, &f);
	fill_run(store, &f);
	OK(evl_store_chain_verify(store, 1, NULL, err));
	/* As somebody would who wants to alter the file. */
	sql("PRAGMA foreign_keys=OFF; PRAGMA ignore_check_constraints=ON");
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	evl_store_close(store);
	free(path);
	folder_destroy(folder);
	return 0;
}

/* Does `change` in a transaction, expects the fault, undoes it. */
static void tamper(const char *change, int64_t run, const char *kind, const char *table)
{
	struct evl_chain_report report = {0};
	struct evl_err e = {0};
	sql("BEGIN");
	sql(change);
	assert_true(sqlite3_changes(store->db) > 0);
	enum evl_status st = evl_store_chain_verify(store, run, &report, &e);
	if (st != EVL_E_CORRUPT || strcmp(report.fault, kind) != 0 ||
	    strcmp(report.table, table) != 0 || strstr(e.text, path) == NULL ||
	    strstr(e.text, table) == NULL || report.key[0] == '\0') {
		fail_msg("%s: %d, %s %s %s: %s", change, st, report.fault, report.table, report.key,
			 e.text);
	}
	sql("ROLLBACK");
}

static void test_changed_column(void **state)
{
	(void)state;
	for (int id = 0; id < T_COUNT; id++) {
		const struct table *t = &store_tables[id];
		for (int i = 0; i < t->column_count; i++) {
			const struct column *c = &t->columns[i];
			bool text = c->type == COL_TEXT || c->type == COL_U64;
			char change[256];
			bool key = (c->flags & COL_KEY) != 0;
			if (text) {
				snprintf(change, sizeof change,
					 "UPDATE %s SET %s=coalesce(%s,'')||'x' WHERE run=1",
					 t->name, c->name, c->name);
			} else {
				snprintf(change, sizeof change,
					 "UPDATE %s SET %s=coalesce(%s,0)+1000 WHERE run=1",
					 t->name, c->name, c->name);
			}
			tamper(change, 1, key ? "missing" : "altered", t->name);
			if (c->flags & COL_OPTIONAL) {
				char null[256];
				snprintf(null, sizeof null,
					 "UPDATE %s SET %s=iif(%s IS NULL,%s,NULL) WHERE run=1",
					 t->name, c->name, c->name, text ? "''" : "0");
				tamper(null, 1, "altered", t->name);
			}
		}
	}
	OK(evl_store_chain_verify(store, 1, NULL, err));
	OK(evl_store_chain_verify(store, 2, NULL, err));
}

static void test_removed_row(void **state)
{
	(void)state;
	for (int id = 0; id < T_COUNT; id++) {
		const struct table *t = &store_tables[id];
		char change[256];
		snprintf(change, sizeof change, "DELETE FROM %s WHERE run=1", t->name);
		tamper(change, 1, "missing", t->name);
		snprintf(change, sizeof change, "DELETE FROM %s WHERE run=2", t->name);
		sql("BEGIN");
		sql(change);
		OK(evl_store_chain_verify(store, 1, NULL, err)); /* the other run is sound */
		sql("ROLLBACK");
	}
}

static void test_added_row(void **state)
{
	(void)state;
	for (int id = 0; id < T_COUNT; id++) {
		const struct table *t = &store_tables[id];
		struct evl_text change = {0};
		int last = 0;
		for (int i = 0; i < t->column_count; i++) {
			last = t->columns[i].flags & COL_KEY ? i : last;
		}
		evl_text_addf(&change, "INSERT INTO %s SELECT ", t->name);
		for (int i = 0; i < t->column_count; i++) {
			const struct column *c = &t->columns[i];
			bool same_role = id == T_CHANNEL && strcmp(c->name, "number") == 0;
			evl_text_addf(&change, "%s%s%s", i > 0 ? "," : "", c->name,
				      i != last && !same_role ? ""
				      : c->type == COL_TEXT   ? "||'x'"
				      : id == T_RUN           ? "+41"
							      : "+500");
		}
		evl_text_addf(&change, " FROM %s WHERE run=1", t->name);
		/* An added run has no chain at all: it is looked at as run 42. */
		tamper(evl_text_str(&change), id == T_RUN ? 42 : 1, "added", t->name);
		evl_text_finish(&change);
	}
}

static void test_altered_chain(void **state)
{
	(void)state;
	/* By the order of fill_run: link 1 is the adapter, link 8 a mark, link 31 the run. */
	tamper("UPDATE chain SET row_sha256=replace(row_sha256,substr(row_sha256,1,1),'g') "
	       "WHERE run=1 AND seq=8",
	       1, "chain", "error_mark");
	tamper("UPDATE chain SET link_sha256=substr(link_sha256,2)||'0' WHERE run=1 AND seq=1", 1,
	       "chain", "run_adapter");
	tamper("UPDATE chain SET row_sha256='' WHERE run=1 AND seq=1", 1, "chain", "run_adapter");
	tamper("UPDATE chain SET seq=seq+100 WHERE run=1 AND seq=31", 1, "chain", "run");
	tamper("DELETE FROM chain WHERE run=1 AND seq=1", 1, "chain", "run_channel");
	tamper("DELETE FROM chain WHERE run=1 AND seq=31", 1, "added", "run");
	tamper("UPDATE chain SET table_name='case_' WHERE run=1 AND seq=4", 1, "missing", "case_");
	tamper("UPDATE chain SET row_key='0x' WHERE run=1 AND seq=1", 1, "missing", "run_adapter");
	tamper("UPDATE chain SET table_name='songs' WHERE run=1 AND seq=1", 1, "chain", "songs");
	/* A row together with its link; the run's row together with its own. */
	tamper("DELETE FROM run_caution WHERE run=1; DELETE FROM chain WHERE run=1 AND seq=5", 1,
	       "chain", "run_file");
	tamper("DELETE FROM run WHERE run=1; DELETE FROM chain WHERE run=1 AND seq=31", 1,
	       "missing", "run");
	/* To call a run unfinished does not free its rows. */
	tamper("UPDATE run SET state='running' WHERE run=1", 1, "altered", "run");
	tamper("DELETE FROM chain WHERE run=1", 1, "added", "run");
	OK(evl_store_chain_verify(store, 1, NULL, err));
}

/* While a run is open, rows of tables that do not grow must be in the chain too. */
static void test_added_to_open_run(void **state)
{
	(void)state;
	int64_t run;
	int case_no;
	int take_no;
	sql("PRAGMA foreign_keys=ON; PRAGMA ignore_check_constraints=OFF");
	fill_setup(store, &run, &fill_a);
	fill_case(store, &case_no, &take_no, &fill_a);
	sql("PRAGMA foreign_keys=OFF");
	tamper("INSERT INTO error_mark VALUES(3,0,0,1,99)", 3, "added", "error_mark");
	tamper("UPDATE event SET at_ns=1 WHERE run=3", 3, "altered", "event");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_changed_column, setup, teardown),
		cmocka_unit_test_setup_teardown(test_removed_row, setup, teardown),
		cmocka_unit_test_setup_teardown(test_added_row, setup, teardown),
		cmocka_unit_test_setup_teardown(test_altered_chain, setup, teardown),
		cmocka_unit_test_setup_teardown(test_added_to_open_run, setup, teardown),
	};
	return cmocka_run_group_tests_name("store.chain", tests, NULL, NULL);
}
