/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast rows enter the store, are verified and read: 100 000 rows in ticks of 1000, as a ratio
 * to plain inserts of the same rows by SQLite without a hash chain, in the same run, so that
 * figures of different machines compare. Writes JSON to $EVL_PERF_JSON (a file, or a folder that
 * gets perf_store.json), else to perf_store.json in $EVL_BUILD_ROOT or here. Judges nothing.
 */
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

#include "core/store/export.h"
#include "core/store/store_read.h"
#include "core/store/store_write.h"
#include "tests/perf/json_path.h"

#define ROWS 100000
#define TICK 1000

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static struct evl_err err;

static void must(enum evl_status st)
{
	if (st != EVL_OK) {
		fprintf(stderr, "perf_store: %s\n", err.text);
		exit(1);
	}
}

static void prepare(struct evl_store *s, int *case_no, int *take_no)
{
	int64_t run;
	must(evl_store_run_begin(s, &run,
				 &(struct evl_row_run){.campaign_name = "speed",
						       .bench_name = "none",
						       .build = "A",
						       .clock = "virtual",
						       .started_utc = "t",
						       .reference_run = -1},
				 &err));
	must(evl_store_add_channel(
		s,
		&(struct evl_row_channel){
			.role = "trib", .number = 1, .adapter = "a", .channel = "c", .rate = "E1"},
		&err));
	must(evl_store_case_begin(s, case_no, &(struct evl_row_case){.name = "rows"}, &err));
	must(evl_store_take_begin(
		s, take_no, &(struct evl_row_take){.case_no = *case_no, .clock = "virtual"}, &err));
}

static double write_rows(struct evl_store *s, int case_no, int take_no)
{
	double start = now();
	for (int i = 0; i < ROWS; i++) {
		if (i % TICK == 0) {
			must(evl_store_tick_begin(s, &err));
		}
		must(evl_store_put_second(s,
					  &(struct evl_row_second){.case_no = case_no,
								   .take_no = take_no,
								   .second = i,
								   .bits = 2048000,
								   .errors = 1,
								   .in_sync = true},
					  &err));
		if (i % TICK == TICK - 1) {
			must(evl_store_tick_commit(s, &err));
		}
	}
	must(evl_store_run_end(s, EVL_STATE_FINISHED, "none", NULL, "t", &err));
	return now() - start;
}

/* The same columns with SQLite alone: what a store without evidence would cost. */
static double plain_rows(const char *path)
{
	sqlite3 *db;
	sqlite3_stmt *ins;
	if (sqlite3_open(path, &db) != SQLITE_OK ||
	    sqlite3_exec(db,
			 "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; CREATE TABLE t(a "
			 "INTEGER, b INTEGER, c INTEGER, d INTEGER, e INTEGER, f INTEGER, g "
			 "INTEGER, h INTEGER, i INTEGER, j INTEGER, PRIMARY KEY(a, b, c, d, e)) "
			 "STRICT, WITHOUT ROWID",
			 NULL, NULL, NULL) != SQLITE_OK ||
	    sqlite3_prepare_v2(db, "INSERT INTO t VALUES(1,0,0,0,?1,2048000,1,1,0,0)", -1, &ins,
			       NULL) != SQLITE_OK) {
		fprintf(stderr, "perf_store: %s\n", sqlite3_errmsg(db));
		exit(1);
	}
	double start = now();
	for (int i = 0; i < ROWS; i++) {
		if (i % TICK == 0) {
			sqlite3_exec(db, "BEGIN", NULL, NULL, NULL);
		}
		sqlite3_bind_int(ins, 1, i);
		sqlite3_step(ins);
		sqlite3_reset(ins);
		if (i % TICK == TICK - 1) {
			sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
		}
	}
	double taken = now() - start;
	sqlite3_finalize(ins);
	sqlite3_close(db);
	return taken;
}

int main(void)
{
	char folder[] = "/tmp/evl-perf-store-XXXXXX";
	if (mkdtemp(folder) == NULL) {
		perror("perf_store");
		return 1;
	}
	char path[64];
	char plain[64];
	snprintf(path, sizeof path, "%s/s", folder);
	snprintf(plain, sizeof plain, "%s/p", folder);
	struct evl_store *s = NULL;
	int case_no;
	int take_no;
	must(evl_store_open(&s, path, EVL_STORE_WRITE, &err));
	prepare(s, &case_no, &take_no);
	double sqlite = plain_rows(plain);
	double written = write_rows(s, case_no, take_no);
	double start = now();
	must(evl_store_chain_verify(s, 1, NULL, &err));
	double verified = now() - start;
	struct evl_run *run = NULL;
	start = now();
	must(evl_store_load_run(&run, s, 1, &err));
	double loaded = now() - start;
	evl_run_destroy(run);
	char *json = NULL;
	size_t len = 0;
	start = now();
	must(evl_export_run(&json, &len, s, 1, &err));
	double exported = now() - start;
	start = now();
	must(evl_export_verify(json, len, NULL, NULL, &err));
	double export_verified = now() - start;
	free(json);
	evl_store_close(s);

	const struct {
		const char *name;
		double seconds;
	} lines[] = {{"plain", sqlite}, {"write", written},   {"verify", verified},
		     {"load", loaded},  {"export", exported}, {"export_verify", export_verified}};
	char json_path[PERF_PATH];
	perf_json_path(json_path, "perf_store");
	FILE *f = fopen(json_path, "w");
	if (f == NULL) {
		perror("perf_store");
		return 1;
	}
	fprintf(f, "{\"rows\":%d", ROWS);
	for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
		printf("%-14s %8.0f rows/s  %5.2f x the time of plain inserts\n", lines[i].name,
		       ROWS / lines[i].seconds, lines[i].seconds / sqlite);
		fprintf(f, ",\"%s_rows_per_s\":%.0f,\"%s_to_plain\":%.3f", lines[i].name,
			ROWS / lines[i].seconds, lines[i].name, lines[i].seconds / sqlite);
	}
	fprintf(f, "}\n");
	fclose(f);
	static const char *const made[] = {"s", "s.lock", "s-wal", "s-shm", "p", "p-wal", "p-shm"};
	for (size_t i = 0; i < sizeof made / sizeof *made; i++) {
		snprintf(path, sizeof path, "%s/%s", folder, made[i]);
		unlink(path);
	}
	return rmdir(folder) == 0 ? 0 : 1;
}
