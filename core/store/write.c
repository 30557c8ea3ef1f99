/* SPDX-License-Identifier: Apache-2.0 */
/* Beginning runs, cases, takes and recordings, and the rows within them. */
#include "core/store/store_write.h"

#include <inttypes.h>
#include <jansson.h>
#include <string.h>

#include "core/store/internal.h"

/* The next free ordinal; `sql` asks for it with the run as ?1 and `a` as ?2. */
static enum evl_status next(int *out, struct evl_store *store, const char *sql, int a,
			    struct evl_err *err)
{
	int64_t n = 0;
	enum evl_status st = store_tick_state(store, err);
	if (st == EVL_OK) {
		st = store_int(&n, store, sql, store->run, a, err);
	}
	*out = (int)n;
	return st;
}

static enum evl_status in_order(struct evl_store *store, const char *table, const char *sql, int a,
				int ordinal, struct evl_err *err)
{
	int expected = 0;
	enum evl_status st = next(&expected, store, sql, a, err);
	if (st == EVL_OK && ordinal != expected) {
		st = evl_err_set(
			err, EVL_E_INVALID,
			"store: %s.ordinal is %d, but rows are added in order and the next is %d",
			table, ordinal, expected);
	}
	return st;
}

enum evl_status store_need_open(struct evl_store *store, int case_no, int take_no,
				struct evl_err *err)
{
	evl_require(store->run != 0);
	enum evl_status st = store_tick_state(store, err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_stmt **slot = take_no < 0 ? &store->case_state : &store->take_state;
	const char *sql =
		take_no < 0 ? "SELECT state FROM case_ WHERE run=?1 AND ordinal=?2"
			    : "SELECT state FROM take WHERE run=?1 AND case_no=?2 AND ordinal=?3";
	if (*slot == NULL && sqlite3_prepare_v3(store->db, sql, -1, SQLITE_PREPARE_PERSISTENT, slot,
						NULL) != SQLITE_OK) {
		return store_db_error(store, "reading", err);
	}
	sqlite3_bind_int64(*slot, 1, store->run);
	sqlite3_bind_int64(*slot, 2, case_no);
	if (take_no >= 0) {
		sqlite3_bind_int64(*slot, 3, take_no);
	}
	int rc = sqlite3_step(*slot);
	bool open = rc == SQLITE_ROW &&
		    strcmp((const char *)sqlite3_column_text(*slot, 0), EVL_STATE_RUNNING) == 0;
	if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
		st = store_db_error(store, "reading", err);
	} else if (!open && take_no < 0) {
		st = evl_err_set(err, EVL_E_INVALID, "store: case %d is not open", case_no);
	} else if (!open) {
		st = evl_err_set(err, EVL_E_INVALID, "store: take %d of case %d is not open",
				 take_no, case_no);
	}
	sqlite3_reset(*slot);
	return st;
}

static enum evl_status check_object(const char *field, const char *text, struct evl_err *err)
{
	if (text == NULL) {
		return EVL_OK;
	}
	json_error_t why;
	json_t *value = json_loads(text, JSON_REJECT_DUPLICATES, &why);
	bool object = json_is_object(value);
	json_decref(value);
	return object ? EVL_OK
		      : evl_err_set(err, EVL_E_INVALID, "store: run.%s is no JSON object: %s",
				    field, value == NULL ? why.text : "other kind of value");
}

enum evl_status evl_store_run_begin(struct evl_store *store, int64_t *run,
				    const struct evl_row_run *row, struct evl_err *err)
{
	evl_require(store->mode == EVL_STORE_WRITE && store->run == 0);
	struct evl_row_run own = *row;
	int64_t newest = 0;
	enum evl_status st = check_object("unit_json", row->unit_json, err);
	if (st == EVL_OK) {
		st = check_object("lab_json", row->lab_json, err);
	}
	if (st == EVL_OK) {
		st = check_object("customer_json", row->customer_json, err);
	}
	if (st == EVL_OK) {
		st = store_int(&newest, store, "SELECT coalesce(max(run), 0) FROM run", 0, 0, err);
	}
	if (st == EVL_OK && row->reference_run >= 0) {
		int64_t there = 0;
		st = store_int(&there, store, "SELECT count(*) FROM run WHERE run=?1",
			       row->reference_run, 0, err);
		if (st == EVL_OK && there == 0) {
			st = evl_err_set(err, EVL_E_INVALID,
					 "%s: has no run %" PRId64 " to take as reference",
					 store->path, row->reference_run);
		}
	}
	if (st != EVL_OK) {
		return st;
	}
	own.run = newest + 1;
	own.state = EVL_STATE_RUNNING;
	own.verdict = row->verdict != NULL ? row->verdict : "none";
	own.ended_utc = NULL;
	/* On the disk before anything carries the number, as files of recordings do: after a power
	 * cut another run must not get it again. */
	st = store_exec(store, "PRAGMA synchronous=FULL", "writing", err);
	if (st == EVL_OK) {
		st = store_put(store, T_RUN, &own, err);
		sqlite3_exec(store->db, "PRAGMA synchronous=NORMAL", NULL, NULL, NULL);
	}
	if (st == EVL_OK) {
		store->run = own.run;
		store->seq = 0;
		memcpy(store->link, STORE_CHAIN_START, sizeof store->link);
		*run = own.run;
	}
	return st;
}

#define NEXT_OF(table) "SELECT coalesce(max(ordinal) + 1, 0) FROM " table " WHERE run=?1"

enum evl_status evl_store_add_adapter(struct evl_store *store, const struct evl_row_adapter *row,
				      struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_adapter own = *row;
	own.run = store->run;
	enum evl_status st =
		in_order(store, "run_adapter", NEXT_OF("run_adapter"), 0, row->ordinal, err);
	return st == EVL_OK ? store_put(store, T_ADAPTER, &own, err) : st;
}

enum evl_status evl_store_add_file(struct evl_store *store, const struct evl_row_file *row,
				   struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_file own = *row;
	own.run = store->run;
	enum evl_status st = in_order(store, "run_file", NEXT_OF("run_file"), 0, row->ordinal, err);
	return st == EVL_OK ? store_put(store, T_FILE, &own, err) : st;
}

enum evl_status evl_store_add_channel(struct evl_store *store, const struct evl_row_channel *row,
				      struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_channel own = *row;
	own.run = store->run;
	enum evl_status st =
		in_order(store, "run_channel", NEXT_OF("run_channel"), 0, row->ordinal, err);
	return st == EVL_OK ? store_put(store, T_CHANNEL, &own, err) : st;
}

enum evl_status evl_store_add_caution(struct evl_store *store, const struct evl_row_caution *row,
				      struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_caution own = *row;
	own.run = store->run;
	enum evl_status st =
		in_order(store, "run_caution", NEXT_OF("run_caution"), 0, row->ordinal, err);
	return st == EVL_OK ? store_put(store, T_CAUTION, &own, err) : st;
}

enum evl_status evl_store_case_begin(struct evl_store *store, int *case_no,
				     const struct evl_row_case *row, struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_case own = *row;
	own.run = store->run;
	own.state = EVL_STATE_RUNNING;
	own.verdict = row->verdict != NULL ? row->verdict : "none";
	own.ended_ns = -1;
	enum evl_status st = next(&own.ordinal, store, NEXT_OF("case_"), 0, err);
	if (st == EVL_OK) {
		st = store_put(store, T_CASE, &own, err);
	}
	if (st == EVL_OK) {
		*case_no = own.ordinal;
	}
	return st;
}

enum evl_status evl_store_take_begin(struct evl_store *store, int *take_no,
				     const struct evl_row_take *row, struct evl_err *err)
{
	struct evl_row_take own = *row;
	enum evl_status st = store_need_open(store, row->case_no, -1, err);
	if (st == EVL_OK) {
		own.run = store->run;
		own.state = EVL_STATE_RUNNING;
		st = next(&own.ordinal, store, NEXT_OF("take") " AND case_no=?2", row->case_no,
			  err);
	}
	if (st == EVL_OK) {
		st = store_put(store, T_TAKE, &own, err);
	}
	if (st == EVL_OK) {
		*take_no = own.ordinal;
	}
	return st;
}

#define PUT_IN_TAKE(function, s, id)                                                               \
	enum evl_status function(struct evl_store *store, const struct s *row,                     \
				 struct evl_err *err)                                              \
	{                                                                                          \
		struct s own = *row;                                                               \
		enum evl_status st = store_need_open(store, row->case_no, row->take_no, err);      \
		own.run = store->run;                                                              \
		return st == EVL_OK ? store_put(store, id, &own, err) : st;                        \
	}

PUT_IN_TAKE(evl_store_put_stream, evl_row_stream, T_STREAM)
PUT_IN_TAKE(evl_store_put_measurement, evl_row_measurement, T_MEASUREMENT)
PUT_IN_TAKE(evl_store_put_performance, evl_row_performance, T_PERFORMANCE)
PUT_IN_TAKE(evl_store_put_second, evl_row_second, T_SECOND)
PUT_IN_TAKE(evl_store_put_mark, evl_row_error_mark, T_MARK)

enum evl_status evl_store_add_event(struct evl_store *store, int *ordinal,
				    const struct evl_row_event *row, struct evl_err *err)
{
	struct evl_row_event own = *row;
	enum evl_status st = store_need_open(store, row->case_no, -1, err);
	if (st == EVL_OK) {
		own.run = store->run;
		st = next(&own.ordinal, store, NEXT_OF("event") " AND case_no=?2", row->case_no,
			  err);
	}
	if (st == EVL_OK) {
		st = store_put(store, T_EVENT, &own, err);
	}
	if (st == EVL_OK && ordinal != NULL) {
		*ordinal = own.ordinal;
	}
	return st;
}

enum evl_status evl_store_add_take_mark(struct evl_store *store, const struct evl_row_mark *row,
					struct evl_err *err)
{
	struct evl_row_mark own = *row;
	enum evl_status st = store_need_open(store, row->case_no, row->take_no, err);
	if (st == EVL_OK) {
		own.run = store->run;
		st = next(&own.ordinal, store, NEXT_OF("take_mark") " AND case_no=?2",
			  row->case_no, err);
	}
	return st == EVL_OK ? store_put(store, T_TAKE_MARK, &own, err) : st;
}

enum evl_status evl_store_add_check(struct evl_store *store, int *ordinal,
				    const struct evl_row_check *row, struct evl_err *err)
{
	struct evl_row_check own = *row;
	enum evl_status st = store_need_open(store, row->case_no, -1, err);
	if (st == EVL_OK) {
		own.run = store->run;
		st = next(&own.ordinal, store, NEXT_OF("check_") " AND case_no=?2", row->case_no,
			  err);
	}
	if (st == EVL_OK) {
		st = store_put(store, T_CHECK, &own, err);
	}
	if (st == EVL_OK && ordinal != NULL) {
		*ordinal = own.ordinal;
	}
	return st;
}

enum evl_status evl_store_recording_begin(struct evl_store *store, int *recording_no,
					  const struct evl_row_recording *row, struct evl_err *err)
{
	struct evl_row_recording own = *row;
	enum evl_status st = store_need_open(store, row->case_no, row->take_no, err);
	if (st == EVL_OK) {
		own.run = store->run;
		own.finished = false;
		own.file_sha256 = NULL;
		own.from_frame = own.frames = 0;
		own.note = NULL;
		st = next(&own.ordinal, store, NEXT_OF("recording"), 0, err);
	}
	if (st == EVL_OK) {
		st = store_put(store, T_RECORDING, &own, err);
	}
	if (st == EVL_OK) {
		*recording_no = own.ordinal;
	}
	return st;
}

enum evl_status evl_store_put_recording_channel(struct evl_store *store,
						const struct evl_row_recording_channel *row,
						struct evl_err *err)
{
	evl_require(store->run != 0);
	struct evl_row_recording_channel own = *row;
	own.run = store->run;
	enum evl_status st = in_order(store, "recording_channel",
				      NEXT_OF("recording_channel") " AND recording_no=?2",
				      row->recording_no, row->ordinal, err);
	return st == EVL_OK ? store_put(store, T_RECORDING_CHANNEL, &own, err) : st;
}
