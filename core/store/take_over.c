/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/take_over.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/rate.h"
#include "core/store/internal.h"
#include "core/store/store_read.h"

enum evl_status evl_store_done_case(struct evl_done_case *out, struct evl_store *store, int64_t run,
	const char *name, struct evl_err *err)
{
	static const char sql[] =
		"SELECT ordinal, verdict, coalesce(ended_ns, -1),"
		" (SELECT count(*) FROM check_ k WHERE k.run=c.run AND k.case_no=c.ordinal),"
		" (SELECT count(*) FROM check_ k WHERE k.run=c.run AND k.case_no=c.ordinal"
		"  AND verdict='fail'),"
		" (SELECT count(*) FROM check_ k WHERE k.run=c.run AND k.case_no=c.ordinal"
		"  AND verdict='inconclusive') "
		"FROM case_ c WHERE run=?1 AND name=?2 AND state='finished' "
		"ORDER BY ordinal DESC LIMIT 1";
	*out = (struct evl_done_case){.run = run};
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, store, sql, err);
	if (st == EVL_OK) {
		sqlite3_bind_int64(stmt, 1, run);
		sqlite3_bind_text(stmt, 2, name, -1, SQLITE_STATIC);
		int rc = sqlite3_step(stmt);
		if (rc == SQLITE_ROW) {
			out->case_no = sqlite3_column_int(stmt, 0);
			out->verdict = evl_store_verdict_worse(
				(const char *)sqlite3_column_text(stmt, 1), NULL);
			out->ended_ns = sqlite3_column_int64(stmt, 2);
			out->checks = sqlite3_column_int(stmt, 3);
			out->failed = sqlite3_column_int(stmt, 4);
			out->inconclusive = sqlite3_column_int(stmt, 5);
		} else {
			st = rc == SQLITE_DONE ? EVL_E_NOTFOUND
					       : store_db_error(store, "case_", err);
		}
	}
	sqlite3_finalize(stmt);
	return st;
}

enum evl_status evl_store_done_takes(struct evl_done_takes *out, struct evl_store *store,
	const struct evl_done_case *done, struct evl_err *err)
{
	static const char sql[] =
		"SELECT lead_in_frames + planned_frames, lead_in_frames + frames,"
		" start_ns - lead_in_frames * ?3 FROM take WHERE run=?1 AND case_no=?2 ORDER BY "
		"ordinal";
	*out = (struct evl_done_takes){0};
	sqlite3_stmt *stmt;
	int64_t begin_ns = 0;
	enum evl_status st = store_prepare(&stmt, store, sql, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, done->run);
	sqlite3_bind_int64(stmt, 2, done->case_no);
	sqlite3_bind_int64(stmt, 3, EVL_FRAME_NS);
	int rc;
	while ((rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		out->takes = evl_xrealloc(out->takes, (out->count + 1) * sizeof *out->takes);
		out->takes[out->count++] = (struct evl_done_take){
			.planned_ns = (uint64_t)sqlite3_column_int64(stmt, 0) * EVL_FRAME_NS,
			.lasted_ns = (uint64_t)sqlite3_column_int64(stmt, 1) * EVL_FRAME_NS};
		begin_ns = sqlite3_column_int64(stmt, 2);
	}
	st = rc == SQLITE_DONE ? EVL_OK : store_db_error(store, "take", err);
	sqlite3_finalize(stmt);
	/* A take that failed moved further than what it could use. */
	if (st == EVL_OK && out->count > 0 && done->ended_ns > begin_ns) {
		out->takes[out->count - 1].lasted_ns = (uint64_t)(done->ended_ns - begin_ns);
	}
	return st;
}

void evl_done_takes_finish(struct evl_done_takes *takes)
{
	free(takes->takes);
	*takes = (struct evl_done_takes){0};
}

/* ---- copying ---- */

struct copy {
	struct evl_store *store;
	int64_t from_run;
	int from_case, to_case;
	const char *note;
	struct evl_personal personal; /* of the old run */
	int *recordings; /* pairs: number in the old run, in the new one */
	size_t recording_count;
};

static int column_of(const struct table *t, const char *name)
{
	for (int i = 0; i < t->column_count; i++) {
		if (strcmp(t->columns[i].name, name) == 0) {
			return i;
		}
	}
	return -1;
}

static int new_recording(const struct copy *c, int64_t old)
{
	for (size_t i = 0; i < c->recording_count; i++) {
		if (c->recordings[2 * i] == old) {
			return c->recordings[2 * i + 1];
		}
	}
	return -1;
}

/* One row with its new numbers: inserted and, as all of the case has ended, chained at once. */
static enum evl_status copy_row(
	struct copy *c, enum table_id id, struct cell *cells, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	struct evl_text message = {0};
	cells[column_of(t, "run")].number = c->store->run;
	if (id == T_CASE) {
		struct cell *m = &cells[column_of(t, "message")];
		evl_text_add(&message, c->note);
		if (!m->null && m->len > 0) {
			evl_text_addf(&message, "; %s", m->text);
		}
		*m = (struct cell){.text = evl_text_str(&message), .len = message.len};
		cells[column_of(t, "ordinal")].number = c->to_case;
	} else if (id != T_RECORDING_CHANNEL) {
		cells[column_of(t, "case_no")].number = c->to_case;
	}
	if (id == T_RECORDING) {
		struct cell *ordinal = &cells[column_of(t, "ordinal")];
		ordinal->number = new_recording(c, ordinal->number);
	} else if (id == T_RECORDING_CHANNEL) {
		struct cell *no = &cells[column_of(t, "recording_no")];
		no->number = new_recording(c, no->number);
	}
	char *owned[STORE_MAX_COLUMNS] = {0};
	enum evl_status st = store_withhold_again(c->store, &c->personal, t, cells, owned, err);
	st = st == EVL_OK ? store_insert_cells(c->store, id, cells, err) : st;
	if (st == EVL_OK) {
		st = store_chain_append(c->store, t, cells, err);
	}
	evl_text_finish(&message);
	store_cells_finish(owned, t);
	return st;
}

static bool wanted(const struct copy *c, enum table_id id, const struct cell *cells)
{
	const struct table *t = &store_tables[id];
	if (id == T_RECORDING_CHANNEL) {
		return new_recording(c, cells[column_of(t, "recording_no")].number) >= 0;
	}
	int at = column_of(t, id == T_CASE ? "ordinal" : "case_no");
	return at >= 0 && cells[at].number == c->from_case;
}

static enum evl_status copy_table(struct copy *c, enum table_id id, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	sqlite3_stmt *stmt;
	enum evl_status st = store_select_by_run(&stmt, c->store, id, c->from_run, err);
	int rc = SQLITE_DONE;
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		struct cell cells[STORE_MAX_COLUMNS];
		store_cells_from_stmt(cells, t, stmt);
		if (wanted(c, id, cells)) {
			st = copy_row(c, id, cells, err);
		}
	}
	if (st == EVL_OK && rc != SQLITE_DONE) {
		st = store_db_error(c->store, t->name, err);
	}
	sqlite3_reset(stmt);
	return st;
}

/* The numbers that the recordings of the case get. */
static enum evl_status number_recordings(struct copy *c, struct evl_err *err)
{
	int64_t next = 0;
	sqlite3_stmt *stmt;
	enum evl_status st = store_int(&next, c->store,
		"SELECT coalesce(max(ordinal) + 1, 0) FROM recording WHERE run=?1", c->store->run,
		0, err);
	if (st == EVL_OK) {
		st = store_prepare(&stmt, c->store,
			"SELECT ordinal FROM recording WHERE run=?1 AND case_no=?2 ORDER BY 1",
			err);
	}
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, c->from_run);
	sqlite3_bind_int64(stmt, 2, c->from_case);
	int rc;
	while ((rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		c->recordings = evl_xrealloc(
			c->recordings, (c->recording_count + 1) * 2 * sizeof *c->recordings);
		c->recordings[2 * c->recording_count] = sqlite3_column_int(stmt, 0);
		c->recordings[2 * c->recording_count + 1] = (int)next++;
		c->recording_count++;
	}
	st = rc == SQLITE_DONE ? EVL_OK : store_db_error(c->store, "recording", err);
	sqlite3_finalize(stmt);
	return st;
}

static enum evl_status same_rows(
	const struct copy *c, const char *sql, const char *what, struct evl_err *err)
{
	int64_t differ = 0;
	enum evl_status st = store_int(&differ, c->store, sql, c->from_run, c->store->run, err);
	return st == EVL_OK && differ != 0
		       ? evl_err_set(err, EVL_E_INVALID,
				 "%s: run %lld was measured %s, so nothing of it can be taken over",
				 c->store->path, (long long)c->from_run, what)
		       : st;
}

/* What a case's rows name by number must mean the same in both runs, and the files that the
 * campaign read must be the same. */
static enum evl_status same_ground(const struct copy *c, struct evl_err *err)
{
	static const char channels[] =
		"SELECT count(*) FROM (SELECT * FROM"
		" (SELECT ordinal,role,number,adapter,channel,rate FROM run_channel WHERE run=?1"
		" EXCEPT"
		" SELECT ordinal,role,number,adapter,channel,rate FROM run_channel WHERE run=?2)"
		" UNION ALL SELECT * FROM"
		" (SELECT ordinal,role,number,adapter,channel,rate FROM run_channel WHERE run=?2"
		" EXCEPT"
		" SELECT ordinal,role,number,adapter,channel,rate FROM run_channel WHERE run=?1))";
	static const char files[] =
		"SELECT count(*) FROM (SELECT * FROM"
		" (SELECT name,sha256 FROM run_file WHERE run=?1 EXCEPT"
		" SELECT name,sha256 FROM run_file WHERE run=?2) UNION ALL SELECT * FROM"
		" (SELECT name,sha256 FROM run_file WHERE run=?2 EXCEPT"
		" SELECT name,sha256 FROM run_file WHERE run=?1))";
	enum evl_status st = same_rows(c, channels, "on other channels", err);
	return st == EVL_OK ? same_rows(c, files, "with other pattern files", err) : st;
}

enum evl_status evl_store_take_case_over(int *case_no, struct evl_store *store,
	const struct evl_done_case *done, const char *note, struct evl_err *err)
{
	evl_require(store->mode == EVL_STORE_WRITE && store->run != 0 && !store->in_tick);
	struct copy c = {
		.store = store, .from_run = done->run, .from_case = done->case_no, .note = note};
	int64_t next = 0;
	enum evl_status st = store_begin(store, err);
	if (st != EVL_OK) {
		return st;
	}
	st = store_int(&next, store, "SELECT coalesce(max(ordinal) + 1, 0) FROM case_ WHERE run=?1",
		store->run, 0, err);
	c.to_case = *case_no = (int)next;
	if (st == EVL_OK) {
		st = same_ground(&c, err);
	}
	if (st == EVL_OK) {
		st = evl_store_personal(&c.personal, store, done->run, err);
	}
	if (st == EVL_OK) {
		st = number_recordings(&c, err);
	}
	/* In the order of the tables, so that what a row names is there before it. */
	for (int id = T_CASE; st == EVL_OK && id < T_COUNT; id++) {
		st = copy_table(&c, (enum table_id)id, err);
	}
	if (st == EVL_OK) {
		st = store_commit(store, err);
	} else {
		store_rollback(store);
	}
	evl_personal_finish(&c.personal);
	free(c.recordings);
	return st;
}
