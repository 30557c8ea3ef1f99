/* SPDX-License-Identifier: Apache-2.0 */
/* Wording what SQLite reports, single statements, and the writer's transactions. */
#include "core/store/internal.h"

#include <errno.h>
#include <string.h>

/* ---- wording ---- */

static bool disk_full_errno(int e)
{
	return e == ENOSPC || e == EDQUOT || e == EFBIG;
}

/* What the operating system said: SQLite keeps it per file, and a failed commit does not hand it
 * up, so the log is asked as well. */
static int last_errno(struct evl_store *s)
{
	int os = sqlite3_system_errno(s->db);
	sqlite3_file *log = NULL;
	if (os == 0 &&
	    sqlite3_file_control(s->db, "main", SQLITE_FCNTL_JOURNAL_POINTER, &log) == SQLITE_OK &&
	    log != NULL && log->pMethods != NULL) {
		log->pMethods->xFileControl(log, SQLITE_FCNTL_LAST_ERRNO, &os);
	}
	return os;
}

enum evl_status store_db_error(struct evl_store *s, const char *what, struct evl_err *err)
{
	int code = sqlite3_extended_errcode(s->db);
	const int os = last_errno(s);
	const char *words = sqlite3_errmsg(s->db);
	switch (code & 0xFF) {
	case SQLITE_NOMEM:
		return evl_err_set(err, EVL_E_NOMEM, "%s: %s: out of memory", s->path, what);
	case SQLITE_FULL:
		return evl_err_set(err, EVL_E_IO,
				   "%s: %s: the disk is full or the file has reached its greatest "
				   "size; what was "
				   "recorded before is kept; free some space",
				   s->path, what);
	case SQLITE_READONLY:
		return evl_err_set(err, EVL_E_IO,
				   "%s: %s: the file or its folder is read-only; change the "
				   "permissions or copy "
				   "the store",
				   s->path, what);
	case SQLITE_BUSY:
	case SQLITE_LOCKED:
		return evl_err_set(
			err, EVL_E_CONFLICT,
			"%s: %s: another process has locked the file; close it and try again",
			s->path, what);
	case SQLITE_NOTADB:
	case SQLITE_CORRUPT:
		return evl_err_set(
			err, EVL_E_CORRUPT,
			"%s: %s: the file is damaged or cut short (%s); take it from a copy",
			s->path, what, words);
	case SQLITE_CANTOPEN:
		return evl_err_set(err, EVL_E_IO, "%s: %s: cannot be opened: %s", s->path, what,
				   os != 0 ? strerror(os) : words);
	case SQLITE_IOERR:
		if (disk_full_errno(os)) {
			return evl_err_set(err, EVL_E_IO,
					   "%s: %s: the disk is full or a limit is reached (%s); "
					   "what was recorded "
					   "before is kept; free some space",
					   s->path, what, strerror(os));
		}
		return evl_err_set(err, EVL_E_IO, "%s: %s: reading or writing failed: %s", s->path,
				   what, os != 0 ? strerror(os) : words);
	case SQLITE_CONSTRAINT:
		return evl_err_set(err, EVL_E_INVALID, "%s: %s: refused: %s", s->path, what, words);
	case SQLITE_ERROR:
		return evl_err_set(err, EVL_E_CORRUPT,
				   "%s: %s: the tables are not as expected (%s)", s->path, what,
				   words);
	default:
		return evl_err_set(err, EVL_E_IO, "%s: %s: %s", s->path, what, words);
	}
}

enum evl_status store_exec(struct evl_store *s, const char *sql, const char *what,
			   struct evl_err *err)
{
	return sqlite3_exec(s->db, sql, NULL, NULL, NULL) == SQLITE_OK
		       ? EVL_OK
		       : store_db_error(s, what, err);
}

enum evl_status store_prepare(sqlite3_stmt **out, struct evl_store *s, const char *sql,
			      struct evl_err *err)
{
	*out = NULL;
	return sqlite3_prepare_v2(s->db, sql, -1, out, NULL) == SQLITE_OK
		       ? EVL_OK
		       : store_db_error(s, "reading", err);
}

enum evl_status store_int(int64_t *out, struct evl_store *s, const char *sql, int64_t a, int64_t b,
			  struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, s, sql, err);
	if (st == EVL_OK) {
		for (int i = 1; i <= sqlite3_bind_parameter_count(stmt); i++) {
			sqlite3_bind_int64(stmt, i, i == 1 ? a : b);
		}
		int rc = sqlite3_step(stmt);
		if (rc == SQLITE_ROW) {
			*out = sqlite3_column_int64(stmt, 0);
		} else {
			st = rc == SQLITE_DONE ? EVL_E_NOTFOUND : store_db_error(s, "reading", err);
		}
	}
	sqlite3_finalize(stmt);
	return st;
}

/* ---- transactions ---- */

enum evl_status store_begin(struct evl_store *s, struct evl_err *err)
{
	memcpy(s->link_mark, s->link, sizeof s->link);
	s->seq_mark = s->seq;
	return store_exec(s, "BEGIN IMMEDIATE", "writing", err);
}

enum evl_status store_commit(struct evl_store *s, struct evl_err *err)
{
	enum evl_status st = store_exec(s, "COMMIT", "writing", err);
	if (st != EVL_OK) {
		store_rollback(s);
	}
	return st;
}

void store_rollback(struct evl_store *s)
{
	if (!sqlite3_get_autocommit(s->db)) {
		sqlite3_exec(s->db, "ROLLBACK", NULL, NULL, NULL);
	}
	memcpy(s->link, s->link_mark, sizeof s->link);
	s->seq = s->seq_mark;
}

enum evl_status store_snapshot_begin(struct evl_store *s, bool *began, struct evl_err *err)
{
	*began = false;
	if (!sqlite3_get_autocommit(s->db)) {
		return EVL_OK;
	}
	enum evl_status st = store_exec(s, "BEGIN", "reading", err);
	*began = st == EVL_OK;
	return st;
}

void store_snapshot_end(struct evl_store *s, bool began)
{
	if (began && !sqlite3_get_autocommit(s->db)) {
		sqlite3_exec(s->db, "ROLLBACK", NULL, NULL, NULL);
	}
}
