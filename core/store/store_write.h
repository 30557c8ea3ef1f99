/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Writing a run as it happens. Order of calls:
 *
 *	evl_store_run_begin
 *	evl_store_add_adapter, _channel, _caution ...
 *	    evl_store_case_begin
 *	        evl_store_take_begin
 *	            evl_store_tick_begin, put_second, put_mark, add_event, put_measurement,
 *tick_commit evl_store_put_stream, put_measurement ... evl_store_take_end evl_store_add_check ...
 *	    evl_store_case_end                      synced to the disk
 *	evl_store_run_end                           synced to the disk
 *
 * Several cases and takes may be open at once; rows name theirs by case_no and take_no. The fields
 * `run`, `state` and, where the call has an ordinal as out-parameter, `ordinal` are filled in by
 * the store and ignored in what the caller gives. One run at a time per store.
 *
 * Bad values (unknown verdict, text that is no UTF-8 in a source file, a number out of range, a
 * case that is not open) are EVL_E_INVALID with the table and field; other text that is no UTF-8
 * gets U+FFFD in place of the bad bytes. EVL_E_IO: the disk refused or is full: the tick (or the
 * one call) is undone, everything before it stays recorded. No call aborts for bad values.
 */
#pragma once

#include "core/store/rows.h"
#include "core/store/store.h"

/* *run gets the number, from 1. Writes state `running`, verdict `none` when row->verdict is NULL.
 */
enum evl_status evl_store_run_begin(struct evl_store *store, int64_t *run,
				    const struct evl_row_run *row, struct evl_err *err);

enum evl_status evl_store_add_adapter(struct evl_store *store, const struct evl_row_adapter *row,
				      struct evl_err *err);
enum evl_status evl_store_add_file(
	struct evl_store *store, const struct evl_row_file *row, struct evl_err *err);
enum evl_status evl_store_add_channel(struct evl_store *store, const struct evl_row_channel *row,
				      struct evl_err *err);
enum evl_status evl_store_add_caution(struct evl_store *store, const struct evl_row_caution *row,
				      struct evl_err *err);

/* *case_no gets the ordinal, from 0. */
enum evl_status evl_store_case_begin(struct evl_store *store, int *case_no,
				     const struct evl_row_case *row, struct evl_err *err);

/* `state` is EVL_STATE_FINISHED or EVL_STATE_INTERRUPTED. Takes still open end as interrupted. An
 * open tick is committed first. */
enum evl_status evl_store_case_end(struct evl_store *store, int case_no, const char *state,
				   const char *verdict, const char *message, int64_t ended_ns,
				   struct evl_err *err);

enum evl_status evl_store_take_begin(struct evl_store *store, int *take_no,
				     const struct evl_row_take *row, struct evl_err *err);

/* How far an open take is, so that a killed run shows it; call it once per tick. */
enum evl_status evl_store_take_progress(struct evl_store *store, int case_no, int take_no,
					int64_t frames, struct evl_err *err);

/* Makes the measurements of the take final. */
enum evl_status evl_store_take_end(struct evl_store *store, int case_no, int take_no,
				   const char *state, int64_t frames, struct evl_err *err);

enum evl_status evl_store_put_stream(struct evl_store *store, const struct evl_row_stream *row,
				     struct evl_err *err);

/* Replaces an earlier one of the same take, channel and kind while the take is open. */
enum evl_status evl_store_put_measurement(struct evl_store *store,
					  const struct evl_row_measurement *row,
					  struct evl_err *err);

enum evl_status evl_store_put_performance(
	struct evl_store *store, const struct evl_row_performance *row, struct evl_err *err);
enum evl_status evl_store_put_second(struct evl_store *store, const struct evl_row_second *row,
				     struct evl_err *err);
enum evl_status evl_store_put_mark(struct evl_store *store, const struct evl_row_error_mark *row,
				   struct evl_err *err);

/* `ordinal` may be NULL. */
enum evl_status evl_store_add_event(struct evl_store *store, int *ordinal,
				    const struct evl_row_event *row, struct evl_err *err);
enum evl_status evl_store_add_take_mark(struct evl_store *store, const struct evl_row_mark *row,
					struct evl_err *err);
enum evl_status evl_store_add_check(struct evl_store *store, int *ordinal,
				    const struct evl_row_check *row, struct evl_err *err);

/* A recording begins: name and path are kept even if the run is killed. */
enum evl_status evl_store_recording_begin(struct evl_store *store, int *recording_no,
					  const struct evl_row_recording *row, struct evl_err *err);
enum evl_status evl_store_put_recording_channel(struct evl_store *store,
						const struct evl_row_recording_channel *row,
						struct evl_err *err);
/* Its file is closed: `row` gives file_sha256, bytes, finished, from_frame, frames and note. One
 * that is not finished stays open until the run ends. */
enum evl_status evl_store_recording_end(struct evl_store *store, int recording_no,
					const struct evl_row_recording *row, struct evl_err *err);

/* All calls between the two are one transaction. A tick that failed is undone as a whole, and the
 * calls after the failed one return the same error until tick_commit, which returns it too and
 * ends the tick. So a tick that could not begin wants its tick_commit as well. */
enum evl_status evl_store_tick_begin(struct evl_store *store, struct evl_err *err);
enum evl_status evl_store_tick_commit(struct evl_store *store, struct evl_err *err);

/* `verdict` NULL: the worst of the cases. Cases still open end as interrupted. */
enum evl_status evl_store_run_end(struct evl_store *store, const char *state, const char *verdict,
				  const char *message, const char *ended_utc, struct evl_err *err);

/* none < pass < inconclusive < fail < error; NULL and unknown names count as none. Returns a
 * constant. */
const char *evl_store_verdict_worse(const char *a, const char *b);
