/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/store_read.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"

/* ---- memory of a loaded run: many pieces, freed at once ---- */

struct piece {
	struct piece *next;
	size_t left;
	char *free_at;
};

#define FRAME_NS    INT64_C(125000)
#define PIECE_BYTES ((size_t)1 << 16)

void *store_memory_take(void **memory, size_t bytes)
{
	struct piece *p = *memory;
	bytes = (bytes + 15) & ~(size_t)15;
	if (p == NULL || p->left < bytes) {
		const size_t head = (sizeof *p + 15) & ~(size_t)15;
		size_t room = bytes > PIECE_BYTES / 4 ? bytes : PIECE_BYTES;
		struct piece *made = calloc(1, head + room);
		if (made == NULL) {
			return NULL;
		}
		made->left = room;
		made->free_at = (char *)made + head;
		if (p != NULL && room == bytes) { /* a big one: keep filling the present piece */
			made->next = p->next;
			p->next = made;
		} else {
			made->next = p;
			*memory = made;
		}
		p = made;
	}
	void *out = p->free_at;
	p->free_at += bytes;
	p->left -= bytes;
	return out;
}

void store_memory_free(void *memory)
{
	for (struct piece *p = memory; p != NULL;) {
		struct piece *next = p->next;
		free(p);
		p = next;
	}
}

/* ---- rows ---- */

static enum evl_status no_memory(struct evl_store *store, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_NOMEM, "%s: out of memory while reading a run", store->path);
}

/* Fills a row struct. Text columns that must be given are never NULL afterwards. */
static enum evl_status row_from_stmt(void *row, const struct table *t, sqlite3_stmt *stmt,
				     void **memory)
{
	for (int i = 0; i < t->column_count; i++) {
		const struct column *c = &t->columns[i];
		char *at = (char *)row + c->offset;
		bool null = sqlite3_column_type(stmt, i) == SQLITE_NULL;
		int64_t n = null ? -1 : sqlite3_column_int64(stmt, i);
		switch ((enum column_type)c->type) {
		case COL_INT:
			*(int *)at = n < INT32_MIN ? INT32_MIN : n > INT32_MAX ? INT32_MAX : (int)n;
			break;
		case COL_I64:
			*(int64_t *)at = n;
			break;
		case COL_BOOL:
			*(bool *)at = n > 0;
			break;
		case COL_U64: {
			const char *text = (const char *)sqlite3_column_text(stmt, i);
			*(uint64_t *)at = text != NULL ? strtoull(text, NULL, 10) : 0;
			break;
		}
		case COL_TEXT: {
			const char *text = (const char *)sqlite3_column_text(stmt, i);
			if (text == NULL && (null || t->columns[i].flags & COL_OPTIONAL)) {
				*(const char **)at = c->flags & COL_OPTIONAL ? NULL : "";
				break;
			}
			if (text == NULL) {
				return EVL_E_NOMEM;
			}
			size_t bytes = strlen(text) + 1; /* a planted NUL ends it */
			char *copy = store_memory_take(memory, bytes);
			if (copy == NULL) {
				return EVL_E_NOMEM;
			}
			memcpy(copy, text, bytes);
			*(const char **)at = copy;
			break;
		}
		}
	}
	return EVL_OK;
}

struct run_part {
	enum table_id id;
	void **rows;
	size_t *count;
};

/* Where the tables but `run` go; returns how many. */
static int run_parts(struct run_part parts[T_COUNT], struct evl_run *r)
{
	const struct run_part list[] = {
		{T_ADAPTER, (void **)&r->adapters, &r->adapter_count},
		{T_FILE, (void **)&r->files, &r->file_count},
		{T_CHANNEL, (void **)&r->channels, &r->channel_count},
		{T_CAUTION, (void **)&r->cautions, &r->caution_count},
		{T_PERSONAL, (void **)&r->personal, &r->personal_count},
		{T_CASE, (void **)&r->cases, &r->case_count},
		{T_TAKE, (void **)&r->takes, &r->take_count},
		{T_STREAM, (void **)&r->streams, &r->stream_count},
		{T_MEASUREMENT, (void **)&r->measurements, &r->measurement_count},
		{T_PERFORMANCE, (void **)&r->performances, &r->performance_count},
		{T_SECOND, (void **)&r->seconds, &r->second_count},
		{T_MARK, (void **)&r->marks, &r->mark_count},
		{T_EVENT, (void **)&r->events, &r->event_count},
		{T_TAKE_MARK, (void **)&r->take_marks, &r->take_mark_count},
		{T_CHECK, (void **)&r->checks, &r->check_count},
		{T_RECORDING, (void **)&r->recordings, &r->recording_count},
		{T_RECORDING_CHANNEL, (void **)&r->recording_channels, &r->recording_channel_count},
	};
	memcpy(parts, list, sizeof list);
	return (int)(sizeof list / sizeof *list);
}

static enum evl_status load_table(void **rows, size_t *count, struct evl_store *store,
				  enum table_id id, int64_t run, void **memory, struct evl_err *err)
{
	const struct table *t = &store_tables[id];
	char sql[96];
	int64_t expected = 0;
	snprintf(sql, sizeof sql, "SELECT count(*) FROM %s WHERE run=?1", t->name);
	enum evl_status st = store_int(&expected, store, sql, run, 0, err);
	if (st != EVL_OK) {
		return st;
	}
	*rows = store_memory_take(memory, (size_t)expected * t->row_bytes);
	sqlite3_stmt *stmt;
	if (*rows == NULL) {
		return no_memory(store, err);
	}
	st = store_select_by_run(&stmt, store, id, run, err);
	if (st != EVL_OK) {
		return st;
	}
	int rc = SQLITE_DONE;
	while (*count < (size_t)expected && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		if (row_from_stmt((char *)*rows + *count * t->row_bytes, t, stmt, memory) !=
		    EVL_OK) {
			st = no_memory(store, err);
			break;
		}
		++*count;
	}
	if (st == EVL_OK && rc != SQLITE_ROW && rc != SQLITE_DONE) {
		st = store_db_error(store, t->name, err);
	}
	sqlite3_reset(stmt);
	return st;
}

/* The writer's lock is asked before and after reading, so that a run that begins or ends in
 * between is not taken for a killed one. */
static bool was_killed(struct evl_store *store, bool alive_before, int64_t run, const char *state)
{
	if (strcmp(state, EVL_STATE_RUNNING) != 0 || alive_before) {
		return false;
	}
	return store->lock_fd >= 0 ? store->run != run : !store_writer_alive(store);
}

enum evl_status store_no_run(struct evl_store *store, int64_t run, struct evl_err *err)
{
	int64_t first = 0;
	int64_t last = 0;
	if (store_int(&first, store, "SELECT coalesce(min(run), 0) FROM run", 0, 0, err) !=
		    EVL_OK ||
	    store_int(&last, store, "SELECT coalesce(max(run), 0) FROM run", 0, 0, err) != EVL_OK) {
		return err != NULL ? err->status : EVL_E_IO;
	}
	if (last == 0) {
		return evl_err_set(err, EVL_E_NOTFOUND,
				   "%s: has no run %" PRId64 "; it has none yet", store->path, run);
	}
	return evl_err_set(err, EVL_E_NOTFOUND,
			   "%s: has no run %" PRId64 "; it has runs %" PRId64 " to %" PRId64,
			   store->path, run, first, last);
}

static enum evl_status load_all(struct evl_run *r, struct evl_store *store, int64_t number,
				struct evl_err *err)
{
	const bool alive = store_writer_alive(store);
	struct evl_row_run *runs = NULL;
	size_t run_count = 0;
	enum evl_status st =
		load_table((void **)&runs, &run_count, store, T_RUN, number, &r->memory, err);
	if (st != EVL_OK) {
		return st;
	}
	if (run_count == 0) {
		return store_no_run(store, number, err);
	}
	r->run = runs[0];
	struct run_part parts[T_COUNT];
	int part_count = run_parts(parts, r);

	for (int i = 0; i < part_count && st == EVL_OK; i++) {
		st = load_table(parts[i].rows, parts[i].count, store, parts[i].id, number,
				&r->memory, err);
	}
	if (st == EVL_OK) {
		st = evl_store_results_digest(store, number, r->results_digest, err);
	}
	sqlite3_stmt *head = NULL;
	if (st == EVL_OK) {
		st = store_prepare(
			&head, store,
			"SELECT seq, link_sha256 FROM chain WHERE run=?1 ORDER BY seq DESC LIMIT 1",
			err);
	}
	memcpy(r->chain_head, STORE_CHAIN_START, sizeof r->chain_head);
	if (st == EVL_OK) {
		sqlite3_bind_int64(head, 1, number);
		if (sqlite3_step(head) == SQLITE_ROW) {
			r->chain_links = sqlite3_column_int64(head, 0);
			snprintf(r->chain_head, sizeof r->chain_head, "%s",
				 (const char *)sqlite3_column_text(head, 1));
		}
	}
	sqlite3_finalize(head);
	if (st == EVL_OK && was_killed(store, alive, number, r->run.state)) {
		r->killed = true;
		r->run.state = EVL_STATE_INTERRUPTED;
		for (size_t i = 0; i < r->case_count; i++) {
			if (strcmp(r->cases[i].state, EVL_STATE_RUNNING) == 0) {
				r->cases[i].state = EVL_STATE_INTERRUPTED;
			}
		}
		for (size_t i = 0; i < r->take_count; i++) {
			if (strcmp(r->takes[i].state, EVL_STATE_RUNNING) == 0) {
				r->takes[i].state = EVL_STATE_INTERRUPTED;
			}
		}
	}
	return st;
}

enum evl_status evl_store_load_run(struct evl_run **out, struct evl_store *store, int64_t number,
				   struct evl_err *err)
{
	*out = NULL;
	struct evl_run *r = evl_xcalloc(1, sizeof *r);
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st == EVL_OK) {
		st = load_all(r, store, number, err);
		store_snapshot_end(store, began);
	}
	if (st != EVL_OK) {
		evl_run_destroy(r);
		return st;
	}
	*out = r;
	return EVL_OK;
}

void evl_run_reveal(struct evl_run *run, const struct evl_personal *p)
{
	struct run_part parts[T_COUNT];
	int part_count = run_parts(parts, run);
	for (int k = 0; p->count > 0 && k <= part_count; k++) {
		const struct table *t = &store_tables[k < part_count ? parts[k].id : T_RUN];
		char *row = k < part_count ? *parts[k].rows : (char *)&run->run;
		size_t count = k < part_count ? *parts[k].count : 1;
		for (size_t i = 0; i < count; i++, row += t->row_bytes) {
			for (int c = 0; c < t->column_count; c++) {
				const char **text = (const char **)(row + t->columns[c].offset);
				if (t->columns[c].type != COL_TEXT ||
					t->columns[c].flags & COL_EXACT || *text == NULL ||
					strstr(*text, "[withheld ") == NULL) {
					continue;
				}
				char *shown = evl_personal_shown(p, *text);
				char *copy = store_memory_take(&run->memory, strlen(shown) + 1);
				if (copy != NULL) {
					strcpy(copy, shown);
					*text = copy;
				}
				free(shown);
			}
		}
	}
}

void evl_run_destroy(struct evl_run *run)
{
	if (run != NULL) {
		store_memory_free(run->memory);
		free(run);
	}
}

/* ---- looking things up in a loaded run ---- */

const struct evl_row_channel *evl_run_channel(const struct evl_run *run, int channel_no)
{
	return channel_no >= 0 && (size_t)channel_no < run->channel_count
		       ? &run->channels[channel_no]
		       : NULL;
}

const struct evl_row_case *evl_run_case(const struct evl_run *run, int case_no)
{
	return case_no >= 0 && (size_t)case_no < run->case_count ? &run->cases[case_no] : NULL;
}

const struct evl_row_take *evl_run_take(const struct evl_run *run, int case_no, int take_no)
{
	for (size_t i = 0; i < run->take_count; i++) {
		if (run->takes[i].case_no == case_no && run->takes[i].ordinal == take_no) {
			return &run->takes[i];
		}
	}
	return NULL;
}

void evl_run_take_time(struct evl_run_time *out, const struct evl_row_take *take)
{
	const int64_t most = INT64_MAX / FRAME_NS; /* what comes from a file may be anything */
	int64_t done = take->frames < most ? take->frames : most;
	int64_t planned = take->planned_frames < most ? take->planned_frames : most;
	bool early = strcmp(take->state, EVL_STATE_FINISHED) == 0 && done < planned;
	*out = (struct evl_run_time){.planned_ns = planned * FRAME_NS,
		.measured_ns = done * FRAME_NS,
		.saved_ns = early ? (planned - done) * FRAME_NS : 0};
}

static int64_t sum(int64_t a, int64_t b)
{
	return b > INT64_MAX - a ? INT64_MAX : a + b;
}

void evl_run_time(struct evl_run_time *out, const struct evl_run *run, int case_no)
{
	*out = (struct evl_run_time){0};
	for (size_t i = 0; i < run->take_count; i++) {
		if (case_no >= 0 && run->takes[i].case_no != case_no) {
			continue;
		}
		struct evl_run_time one;
		evl_run_take_time(&one, &run->takes[i]);
		out->planned_ns = sum(out->planned_ns, one.planned_ns);
		out->measured_ns = sum(out->measured_ns, one.measured_ns);
		out->saved_ns = sum(out->saved_ns, one.saved_ns);
	}
}

size_t evl_run_case_checks(const struct evl_run *run, int case_no, size_t *first)
{
	size_t i = 0;
	while (i < run->check_count && run->checks[i].case_no < case_no) {
		i++;
	}
	*first = i;
	while (i < run->check_count && run->checks[i].case_no == case_no) {
		i++;
	}
	return i - *first;
}

/* ---- the list of runs ---- */

static enum evl_status read_list(struct evl_run_list *out, struct evl_store *store, int64_t total,
				 struct evl_err *err)
{
	const struct table *t = &store_tables[T_RUN];
	const bool alive = store_writer_alive(store);
	struct evl_text sql = {0};
	evl_text_add(&sql, "SELECT ");
	for (int i = 0; i < t->column_count; i++) {
		bool source = (t->columns[i].flags & COL_EXACT) != 0;
		evl_text_addf(&sql, "%s,", source ? "NULL" : t->columns[i].name);
	}
	evl_text_add(&sql, "(SELECT count(*) FROM case_ c WHERE c.run=run.run),"
			   "(SELECT count(*) FROM case_ c WHERE c.run=run.run AND verdict='pass'),"
			   "(SELECT count(*) FROM case_ c WHERE c.run=run.run AND verdict IN "
			   "('fail','error')),"
			   "(SELECT count(*) FROM recording c WHERE c.run=run.run AND finished=1) "
			   "FROM run ORDER BY run.run");
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, store, evl_text_str(&sql), err);
	evl_text_finish(&sql);
	int rc = SQLITE_DONE;
	while (st == EVL_OK && out->count < (size_t)total &&
	       (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		struct evl_run_brief *b = &out->runs[out->count];
		if (row_from_stmt(&b->run, t, stmt, &out->memory) != EVL_OK) {
			st = no_memory(store, err);
			break;
		}
		b->cases = sqlite3_column_int(stmt, t->column_count);
		b->cases_passed = sqlite3_column_int(stmt, t->column_count + 1);
		b->cases_failed = sqlite3_column_int(stmt, t->column_count + 2);
		b->recordings = sqlite3_column_int(stmt, t->column_count + 3);
		b->cases_inconclusive = b->cases - b->cases_passed - b->cases_failed;
		if (was_killed(store, alive, b->run.run, b->run.state)) {
			b->run.state = EVL_STATE_INTERRUPTED;
		}
		out->count++;
	}
	if (st == EVL_OK && rc != SQLITE_ROW && rc != SQLITE_DONE) {
		st = store_db_error(store, "run", err);
	}
	sqlite3_finalize(stmt);
	return st;
}

enum evl_status evl_store_list_runs(struct evl_run_list *out, struct evl_store *store,
				    struct evl_err *err)
{
	*out = (struct evl_run_list){0};
	bool began;
	int64_t total = 0;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st != EVL_OK) {
		return st;
	}
	st = store_int(&total, store, "SELECT count(*) FROM run", 0, 0, err);
	if (st == EVL_OK) {
		out->runs = store_memory_take(&out->memory, (size_t)total * sizeof *out->runs);
		st = out->runs != NULL ? read_list(out, store, total, err) : no_memory(store, err);
	}
	store_snapshot_end(store, began);
	if (st != EVL_OK) {
		evl_run_list_finish(out);
	}
	return st;
}

void evl_run_list_finish(struct evl_run_list *list)
{
	store_memory_free(list->memory);
	*list = (struct evl_run_list){0};
}

/* ---- recordings ---- */

static enum evl_status pick_recording(int64_t *run, int64_t *ordinal, struct evl_store *store,
				      const char *campaign, const char *name, struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(
		&stmt, store,
		"SELECT r.run, r.ordinal FROM recording r JOIN run ON run.run=r.run "
		"WHERE r.name=?1 AND r.finished=1 AND "
		"CASE WHEN ?3 > 0 THEN r.run=?3 "
		"ELSE run.campaign_name=?2 AND run.state='finished' AND run.verdict='pass' END "
		"ORDER BY r.run DESC, r.ordinal DESC LIMIT 1",
		err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_text(stmt, 1, name, -1, SQLITE_STATIC);
	sqlite3_bind_text(stmt, 2, campaign, -1, SQLITE_STATIC);
	sqlite3_bind_int64(stmt, 3, *run);
	int rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW) {
		*run = sqlite3_column_int64(stmt, 0);
		*ordinal = sqlite3_column_int64(stmt, 1);
	} else if (rc != SQLITE_DONE) {
		st = store_db_error(store, "recording", err);
	} else if (*run > 0) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
				 "%s: run %" PRId64 " has no finished recording \"%s\"",
				 store->path, *run, name);
	} else {
		st = evl_err_set(
			err, EVL_E_NOTFOUND,
			"%s: no run of campaign \"%s\" that passed has a finished recording "
			"\"%s\"; run "
			"the campaign on a build that passes first, or name the reference run",
			store->path, campaign, name);
	}
	sqlite3_finalize(stmt);
	return st;
}

static enum evl_status read_recording(struct evl_found_recording *out, struct evl_store *store,
				      int64_t run, int64_t ordinal, struct evl_err *err)
{
	struct evl_row_run *runs = NULL;
	struct evl_row_recording *all = NULL;
	struct evl_row_recording_channel *channels = NULL;
	size_t run_count = 0;
	size_t count = 0;
	size_t channel_count = 0;
	enum evl_status st =
		load_table((void **)&runs, &run_count, store, T_RUN, run, &out->memory, err);
	if (st == EVL_OK) {
		st = load_table((void **)&all, &count, store, T_RECORDING, run, &out->memory, err);
	}
	if (st == EVL_OK) {
		st = load_table((void **)&channels, &channel_count, store, T_RECORDING_CHANNEL, run,
				&out->memory, err);
	}
	if (st != EVL_OK) {
		return st;
	}
	out->build = run_count > 0 ? runs[0].build : "";
	for (size_t i = 0; i < count; i++) {
		if (all[i].ordinal == ordinal) {
			out->recording = all[i];
		}
	}
	for (size_t i = 0; i < channel_count;
	     i++) { /* sorted: those of one recording are together */
		if (channels[i].recording_no == ordinal) {
			if (out->channel_count == 0) {
				out->channels = &channels[i];
			}
			out->channel_count++;
		}
	}
	return EVL_OK;
}

enum evl_status evl_store_find_recording(struct evl_found_recording *out, struct evl_store *store,
					 const char *campaign_name, const char *recording_name,
					 int64_t run, struct evl_err *err)
{
	*out = (struct evl_found_recording){0};
	int64_t ordinal = 0;
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st != EVL_OK) {
		return st;
	}
	st = pick_recording(&run, &ordinal, store, campaign_name, recording_name, err);
	if (st == EVL_OK) {
		st = read_recording(out, store, run, ordinal, err);
	}
	store_snapshot_end(store, began);
	if (st != EVL_OK) {
		evl_found_recording_finish(out);
	}
	return st;
}

void evl_found_recording_finish(struct evl_found_recording *found)
{
	store_memory_free(found->memory);
	*found = (struct evl_found_recording){0};
}
