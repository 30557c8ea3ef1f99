/* SPDX-License-Identifier: Apache-2.0 */
/* Inside of the store room: table descriptions, cells, canonical rows, the chain, transactions. */
#pragma once

#include <sqlite3.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"
#include "core/base/text.h"
#include "core/store/rows.h"
#include "core/store/store.h"

#define STORE_APPLICATION_ID 0x65766C31 /* "evl1" */
#define STORE_MAX_COLUMNS    32
#define STORE_CHAIN_START    "0000000000000000000000000000000000000000000000000000000000000000"

enum column_type {
	COL_INT,  /* int */
	COL_I64,  /* int64_t */
	COL_BOOL, /* bool, 0 or 1 */
	COL_TEXT, /* const char * */
	COL_U64,  /* uint64_t, stored as decimal text because SQLite has no unsigned integers */
};

enum column_flag {
	COL_KEY = 1u << 0,      /* part of the primary key */
	COL_OPTIONAL = 1u << 1, /* NULL text, or -1, is SQL NULL */
	COL_LOCAL = 1u << 2,    /* not a result: left out of the results digest */
	COL_TIME = 1u << 3,     /* bench time: a result only on the virtual clock */
	COL_VERDICT = 1u << 4,
	COL_STATE = 1u << 5,
	COL_SIGNED = 1u << 7, /* may be negative; never optional */
	COL_EXACT = 1u << 6, /* text of a file: refused, not repaired, when it is no UTF-8 */
};

struct column {
	const char *name;
	uint8_t type;   /* enum column_type */
	uint16_t flags; /* enum column_flag */
	size_t offset;  /* in the row struct */
};

struct table {
	const char *name;
	const struct column *columns;
	int column_count;
	size_t row_bytes;
	bool grows; /* rows become final later than they are inserted */
};

enum table_id {
	T_RUN,
	T_ADAPTER,
	T_FILE,
	T_CHANNEL,
	T_CAUTION,
	T_PERSONAL,
	T_CASE,
	T_TAKE,
	T_STREAM,
	T_MEASUREMENT,
	T_PERFORMANCE,
	T_SECOND,
	T_MARK,
	T_EVENT,
	T_TAKE_MARK,
	T_CHECK,
	T_RECORDING,
	T_RECORDING_CHANNEL,
	T_COUNT
};

extern const struct table store_tables[T_COUNT];
extern const char *const store_schema_sql[]; /* statements, then NULL */

/* T_COUNT when there is no such table. */
enum table_id store_table_by_name(const char *name);

/* One value on its way between a row struct, SQLite and a canonical text. */
struct cell {
	const char *text; /* NULL: a number, or null */
	size_t len;
	int64_t number;
	bool null;
};

/* Fills cells from a row; texts are borrowed. Bad UTF-8 is repaired into memory of `owned` (one
 * entry per column, freed by store_cells_finish). EVL_E_INVALID names table and column. */
enum evl_status store_cells_from_row(struct cell *cells, char **owned, const struct table *t,
				     const void *row, struct evl_err *err);
void store_cells_finish(char **owned, const struct table *t);
/* Texts are borrowed until the statement steps. `first`: index of the table's first column. */
void store_cells_from_stmt(struct cell *cells, const struct table *t, sqlite3_stmt *stmt);

/* What goes into a text: the whole row, or only results. */
enum row_view { VIEW_ALL, VIEW_RESULTS, VIEW_RESULTS_NO_TIME };
bool store_column_in_view(const struct column *c, enum row_view view);
void store_canonical(struct evl_text *out, const struct table *t, const struct cell *cells,
		     enum row_view view);
char *store_utf8_repaired(const char *text); /* a copy (free) without bad UTF-8 */
void store_json_string(struct evl_text *out, const char *text, size_t len); /* RFC 8785, 3.2.2.2 */
void store_row_key(struct evl_text *out, const struct table *t, const struct cell *cells);
void store_sha256_hex(const char *text, size_t len, char hex[EVL_SHA256_HEX]);
void store_chain_link(char link[EVL_SHA256_HEX], const char *previous, const char *row);

/* Digests of reduced rows, gathered in any order. */
struct results {
	char (*rows)[EVL_SHA256_HEX];
	size_t count;
	size_t cap;
};
void store_results_add(struct results *r, const char *text, size_t len);
void store_results_digest(struct results *r, char hex[EVL_SHA256_HEX]); /* sorts */
void store_results_finish(struct results *r);

struct evl_store {
	sqlite3 *db;
	char *path;
	char *lock_path;
	int lock_fd; /* -1 when not held */
	enum evl_store_mode mode;

	int64_t run; /* being written, 0: none */
	int64_t seq; /* links of its chain so far */
	char link[EVL_SHA256_HEX];
	int64_t seq_mark; /* both at the last begin, for a rollback */
	char link_mark[EVL_SHA256_HEX];
	bool in_tick;
	struct evl_err tick_err; /* status 0: sound */

	/* kept prepared */
	sqlite3_stmt *insert[T_COUNT];
	sqlite3_stmt *by_key[T_COUNT];
	sqlite3_stmt *by_run[T_COUNT];
	sqlite3_stmt *chain_insert;
	sqlite3_stmt *case_state;
	sqlite3_stmt *take_state;
};

/* Words the present SQLite error of the store; `what` says what was being done. */
enum evl_status store_db_error(struct evl_store *store, const char *what, struct evl_err *err);
enum evl_status store_exec(struct evl_store *store, const char *sql, const char *what,
			   struct evl_err *err);
/* For statements used once; sqlite3_finalize takes what comes out, also NULL. */
enum evl_status store_prepare(sqlite3_stmt **out, struct evl_store *store, const char *sql,
			      struct evl_err *err);
enum evl_status store_int(int64_t *out, struct evl_store *store, const char *sql, int64_t a,
			  int64_t b, struct evl_err *err); /* one number; ?1 and ?2 are a and b */

/* Prepared on first use: all columns by key; all columns of a run in key order. Reset before. */
enum evl_status store_select_by_key(sqlite3_stmt **out, struct evl_store *store, enum table_id id,
				    struct evl_err *err);
enum evl_status store_select_by_run(sqlite3_stmt **out, struct evl_store *store, enum table_id id,
				    int64_t run, struct evl_err *err);
/* Binds the run and a key such as "3/5/sent". False when the key has another shape. */
bool store_bind_key(sqlite3_stmt *stmt, const struct table *t, int64_t run, const char *key);

/* Is another process (or handle) writing to this store now? */
bool store_writer_alive(const struct evl_store *store);

/* A read transaction around several queries, unless one is open already. */
enum evl_status store_snapshot_begin(struct evl_store *store, bool *began, struct evl_err *err);
void store_snapshot_end(struct evl_store *store, bool began);

/* put.c: inside a transaction; the row is not chained. A refused row is EVL_E_INVALID. */
enum evl_status store_insert_cells(struct evl_store *store, enum table_id id,
	const struct cell *cells, struct evl_err *err);

/* personal.c: inside a transaction. *out is NULL when the text holds nothing that was marked, else
 * the text to be kept in its place (free). */
enum evl_status store_withhold(
	char **out, struct evl_store *store, const char *text, struct evl_err *err);
enum evl_status store_withhold_cells(struct evl_store *store, const struct table *t,
	struct cell *cells, char **owned, struct evl_err *err);

/* The same for a row of another run, whose texts `p` holds. */
struct evl_personal;
enum evl_status store_withhold_again(struct evl_store *store, const struct evl_personal *p,
	const struct table *t, struct cell *cells, char **owned, struct evl_err *err);

/* chain.c: inside a transaction */
enum evl_status store_chain_append(struct evl_store *store, const struct table *t,
				   const struct cell *cells, struct evl_err *err);
enum evl_status store_chain_row(struct evl_store *store, enum table_id id, const char *key,
				struct evl_err *err);
enum evl_status store_chain_load_head(struct evl_store *store, int64_t run, struct evl_err *err);

/* Walks the chain; `each` (may be NULL) is called with every checked link. */
struct chain_step {
	const char *table;
	const char *key;
	const char *text; /* canonical */
	size_t text_len;
	const char *row;
	const char *link;
	bool open; /* not final yet: row and link are "" */
};
typedef void (*chain_visit)(void *arg, const struct chain_step *step);
enum evl_status store_chain_walk(struct evl_store *store, int64_t run,
				 struct evl_chain_report *report, chain_visit each, void *arg,
				 struct evl_err *err);

/* closing.c: inside a transaction; ends what is still running */
enum evl_status store_close_take(struct evl_store *store, int case_no, int take_no,
				 const char *state, int64_t frames,
				 struct evl_err *err); /* frames -1: as they are */
enum evl_status store_close_case(struct evl_store *store, int case_no, const char *state,
				 const char *verdict, const char *message, int64_t ended_ns,
				 struct evl_err *err);
enum evl_status store_close_run(struct evl_store *store, const char *state, const char *verdict,
				const char *message, const char *ended_utc, struct evl_err *err);
/* Runs that were killed; on opening for writing. */
enum evl_status store_close_killed(struct evl_store *store, struct evl_err *err);

/* Transactions of the writer. */
enum evl_status store_begin(struct evl_store *store, struct evl_err *err);
enum evl_status store_commit(struct evl_store *store, struct evl_err *err);
void store_rollback(struct evl_store *store);

/* put.c: one call of the writer is its own transaction, or a part of the open tick. */
enum evl_status store_tick_state(const struct evl_store *store, struct evl_err *err);
enum evl_status store_op_begin(struct evl_store *store, struct evl_err *err);
/* `whole`: the operation was half done, so that the tick must go as well. */
enum evl_status store_op_end(struct evl_store *store, enum evl_status st, bool whole,
			     struct evl_err *err);
enum evl_status store_put(struct evl_store *store, enum table_id id, const void *row,
			  struct evl_err *err);
/* write.c: is the case (take_no -1) or the take running? */
enum evl_status store_need_open(struct evl_store *store, int case_no, int take_no,
				struct evl_err *err);

/* read.c: memory of many pieces, freed at once; zeroed, aligned for any row. NULL: out of memory;
 * sizes come from a file. `*memory` is NULL at first. */
void *store_memory_take(void **memory, size_t bytes);
void store_memory_free(void *memory);
/* EVL_E_NOTFOUND, worded. */
enum evl_status store_no_run(struct evl_store *store, int64_t run, struct evl_err *err);

/* tally.c: the checks of a run in short, when it ends (inside a transaction); `sound`: are they
 * what the checks say? */
enum evl_status store_tally_write(struct evl_store *store, int64_t run, struct evl_err *err);
enum evl_status store_tally_check(
	bool *sound, struct evl_store *store, int64_t run, struct evl_err *err);

/* matrix_judge.c: findings of what matrix.c has read. */
struct evl_matrix;
enum evl_status store_matrix_judge(
	struct evl_matrix *m, struct evl_store *store, struct evl_err *err);
/* history.c, for the files history_*.c and matrix*.c */
struct evl_past;
struct evl_past_case;
struct evl_past_query;
#define STORE_PAST_OF_BOTH "campaign_name=?1 AND bench_name=?2 AND run<=?9"
/* Of the rows `c` of the runs and the cases `k`; store_past_ask binds what it needs. */
#define STORE_PAST_RUNS                                                                            \
	" IN (SELECT run FROM run WHERE state='finished' AND " STORE_PAST_OF_BOTH ") AND "         \
	"c.run>=?3 AND k.name=coalesce(?4, k.name) "
enum evl_status store_past_ask(sqlite3_stmt **stmt, struct evl_store *store, const char *sql,
	const struct evl_past *out, const char *case_name, struct evl_err *err);
/* Ends a loop over `stmt` that left with rc. */
enum evl_status store_past_done(sqlite3_stmt *stmt, int rc, struct evl_store *store,
	const char *table, enum evl_status st, struct evl_err *err);
/* A copy of a column's text; NULL in the file becomes "". NULL: out of memory. */
const char *store_past_keep(struct evl_past *out, sqlite3_stmt *stmt, int column);
/* Room for one more at a power of two; false: out of memory. */
bool store_past_grow(void **rows, size_t count, size_t bytes);
enum evl_status store_past_no_memory(const struct evl_store *store, struct evl_err *err);
enum evl_status store_past_too_many(
	const struct evl_past *out, const char *what, unsigned most, struct evl_err *err);
/* Rows come by run; the index of run `number` from `*at` on, or run_count. */
size_t store_past_run_index(const struct evl_past *out, size_t *at, int64_t number);
/* From `hint` on and around, because most runs have the same order; case_count: none. */
size_t store_past_find_case(const struct evl_past *out, const char *name, size_t hint);
/* Campaign and bench of the query, or those that stand for them. */
enum evl_status store_past_pick(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err);
/* Which entries count. */
void store_past_mark(const struct evl_past *out, struct evl_past_case *list, size_t count);

/* history_tally.c: the series, and, if asked for, the checks that ever failed. */
enum evl_status store_past_read_tallies(struct evl_past *out, struct evl_store *store,
	const struct evl_past_query *q, struct evl_err *err);

/* history_judge.c: findings of what was read. */
enum evl_status store_past_judge(struct evl_past *past, struct evl_err *err);
