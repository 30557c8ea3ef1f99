/* SPDX-License-Identifier: Apache-2.0 */
/* Opening: what can be said of a file before SQLite sees it, the writer's lock, the version. */
#include "core/store/store.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "core/base/bytes.h"
#include "core/store/internal.h"

#define BUSY_MS 5000

/* ---- the file before SQLite sees it ---- */

static enum evl_status foreign(const char *path, struct evl_err *err)
{
	return evl_err_set(
		err, EVL_E_INVALID,
		"%s: is an SQLite file of another program, not a store; name another file", path);
}

/* Is there something in the file `path` + `suffix`? */
static bool beside(const char *path, const char *suffix)
{
	struct evl_text name = {0};
	struct stat sb;
	evl_text_addf(&name, "%s%s", path, suffix);
	bool there = stat(evl_text_str(&name), &sb) == 0 && sb.st_size > 0;
	evl_text_finish(&name);
	return there;
}

/* Reads what can be said without SQLite; *exists is false for a missing or empty file. */
static enum evl_status look_at_file(bool *exists, const char *path, enum evl_store_mode mode,
				    struct evl_err *err)
{
	*exists = false;
	struct stat sb;
	if (*path == '\0') { /* SQLite would take it for a file that nobody sees */
		return evl_err_set(err, EVL_E_INVALID, "the name of the store is empty");
	}
	if (stat(path, &sb) != 0) {
		if (errno == ENOENT && mode == EVL_STORE_WRITE) {
			char *copy = evl_xstrdup(path);
			bool folder = stat(dirname(copy), &sb) == 0 && S_ISDIR(sb.st_mode);
			free(copy);
			return folder ? EVL_OK
				      : evl_err_set(err, EVL_E_NOTFOUND,
						    "%s: the folder does not exist; make it first",
						    path);
		}
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
				   errno == ENOENT ? "%s: no such store; a run makes it"
						   : "%s: the store cannot be read: %s",
				   path, strerror(errno));
	}
	if (!S_ISREG(sb.st_mode)) {
		return evl_err_set(err, EVL_E_INVALID, "%s: is no file; name the store's file",
				   path);
	}
	if (sb.st_size == 0 && mode == EVL_STORE_WRITE) {
		return EVL_OK;
	}
	if (beside(path, "-journal")) { /* only while a store is made: afterwards it has a -wal */
		*exists = true;
		return mode == EVL_STORE_WRITE
			       ? EVL_OK
			       : evl_err_set(err, EVL_E_NOTFOUND, /* nothing was recorded yet */
					     "%s: is being made, or its writer was killed while "
					     "making it; the next run puts it right",
					     path);
	}
	uint8_t head[100] = {0}; /* SQLite's database header, sqlite.org/fileformat2.html 1.3 */
	int fd = open(path, O_RDONLY | O_CLOEXEC);
	if (fd < 0) {
		return evl_err_set(err, EVL_E_IO, "%s: the store cannot be read: %s", path,
				   strerror(errno));
	}
	ssize_t n = read(fd, head, sizeof head);
	close(fd);
	if (n < 0) {
		return evl_err_set(err, EVL_E_IO, "%s: the store cannot be read: %s", path,
				   strerror(errno));
	}
	if (n == 0) { /* as a writer leaves it that is killed at once: nothing was recorded yet */
		return evl_err_set(err, EVL_E_NOTFOUND,
			"%s: is empty, not a store; a run makes one of it", path);
	}
	if (n < 16 || memcmp(head, "SQLite format 3", 16) != 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is no SQLite file, not a store; name another file", path);
	}
	if (n < 100) {
		return evl_err_set(err, EVL_E_CORRUPT,
				   "%s: is cut short after %zd bytes; take it from a copy", path,
				   n);
	}
	unsigned page = evl_load_be16(head + 16);
	page = page == 1 ? 65536 : page;
	if (page > 0 && sb.st_size % page != 0 && !beside(path, "-wal")) {
		return evl_err_set(err, EVL_E_CORRUPT,
				   "%s: is cut short in the middle of a page; take it from a copy",
				   path);
	}
	if (evl_load_be32(head + 68) != STORE_APPLICATION_ID) {
		return foreign(path, err);
	}
	*exists = true;
	return EVL_OK;
}

static char *lock_path_of(const char *path)
{
	char *real = realpath(path, NULL);
	const char *base = real != NULL ? real : path;
	size_t n = strlen(base) + sizeof ".lock";
	char *out = evl_xmalloc(n);
	snprintf(out, n, "%s.lock", base);
	free(real);
	return out;
}

static enum evl_status take_lock(struct evl_store *s, struct evl_err *err)
{
	s->lock_fd = open(s->lock_path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
	if (s->lock_fd < 0) {
		return evl_err_set(err, EVL_E_IO,
				   "%s: cannot be written: the lock file %s cannot be opened: %s",
				   s->path, s->lock_path, strerror(errno));
	}
	/* A reader probes the lock for an instant, so one refusal is not yet another writer. */
	for (int attempt = 0; flock(s->lock_fd, LOCK_EX | LOCK_NB) != 0; attempt++) {
		if (errno != EWOULDBLOCK && errno != EINTR) {
			return evl_err_set(err, EVL_E_IO, "%s: cannot be locked: %s", s->lock_path,
					   strerror(errno));
		}
		if (attempt >= 20) {
			char who[32] = {0};
			ssize_t n = pread(s->lock_fd, who, sizeof who - 1, 0);
			close(s->lock_fd);
			s->lock_fd = -1;
			return evl_err_set(err, EVL_E_CONFLICT,
					   "%s: process %ld is writing to it; wait for its end, or "
					   "name another "
					   "store",
					   s->path, n > 0 ? strtol(who, NULL, 10) : 0L);
		}
		nanosleep(&(struct timespec){.tv_nsec = 25000000}, NULL);
	}
	char who[32];
	int n = snprintf(who, sizeof who, "%ld\n", (long)getpid());
	if (ftruncate(s->lock_fd, 0) != 0 || pwrite(s->lock_fd, who, (size_t)n, 0) != n) {
		/* The number is a courtesy for messages; the lock itself holds. */
		errno = 0;
	}
	return EVL_OK;
}

bool store_writer_alive(const struct evl_store *s)
{
	if (s->lock_fd >= 0) {
		return s->run != 0;
	}
	int fd = open(s->lock_path, O_RDONLY | O_CLOEXEC);
	if (fd < 0) {
		return false;
	}
	bool alive = flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
	close(fd);
	return alive;
}

/* ---- opening ---- */

static enum evl_status create_tables(struct evl_store *s, struct evl_err *err)
{
	/* In the rollback journal, so that the header carries our number from the first moment:
	 * in WAL mode it would stay in the log until the first checkpoint. */
	char sql[512];
	snprintf(sql, sizeof sql,
		 "INSERT INTO store_info VALUES('made_by','evenlode " EVL_VERSION "'),"
		 "('needs','evenlode " EVL_VERSION "');"
		 "PRAGMA application_id=%d; PRAGMA user_version=%d;",
		 STORE_APPLICATION_ID, EVL_STORE_SCHEMA);
	enum evl_status st = store_exec(s, "BEGIN EXCLUSIVE", "making the store", err);
	for (int i = 0; st == EVL_OK && store_schema_sql[i] != NULL; i++) {
		st = store_exec(s, store_schema_sql[i], "making the store", err);
	}
	if (st == EVL_OK) {
		st = store_exec(s, sql, "making the store", err);
	}
	if (st == EVL_OK) {
		st = store_exec(s, "COMMIT", "making the store", err);
	}
	if (st != EVL_OK && !sqlite3_get_autocommit(s->db)) {
		sqlite3_exec(s->db, "ROLLBACK", NULL, NULL, NULL);
	}
	return st;
}

static enum evl_status check_version(struct evl_store *s, struct evl_err *err)
{
	int64_t version = 0;
	enum evl_status st = store_int(&version, s, "PRAGMA user_version", 0, 0, err);
	if (st != EVL_OK || version == EVL_STORE_SCHEMA) {
		return st;
	}
	if (version < EVL_STORE_SCHEMA) {
		return evl_err_set(err, EVL_E_CORRUPT,
				   version >= 1
					   ? "%s: has store schema %lld of an evenlode that was "
					     "not released; make a new store"
					   : "%s: has the schema number %lld, which no evenlode "
					     "has written; take it from a copy",
				   s->path, (long long)version);
	}
	/* store_info keeps its shape in every later schema, so the needed version can be told. */
	char needs[64] = "a newer evenlode";
	sqlite3_stmt *stmt = NULL;
	if (store_prepare(&stmt, s, "SELECT value FROM store_info WHERE name='needs'", NULL) == 0 &&
	    sqlite3_step(stmt) == SQLITE_ROW && sqlite3_column_text(stmt, 0) != NULL) {
		snprintf(needs, sizeof needs, "%.60s", (const char *)sqlite3_column_text(stmt, 0));
	}
	sqlite3_finalize(stmt);
	return evl_err_set(err, EVL_E_VERSION,
			   "%s: has store schema %lld, this evenlode " EVL_VERSION
			   " knows schema %d; it needs %s",
			   s->path, (long long)version, EVL_STORE_SCHEMA, needs);
}

/* Every table with every column, before a run relies on it. */
static enum evl_status check_tables(struct evl_store *s, struct evl_err *err)
{
	for (int i = 0; i < T_COUNT; i++) {
		sqlite3_stmt *unused;
		enum evl_status st = store_select_by_run(&unused, s, (enum table_id)i, 0, err);
		if (st != EVL_OK) {
			return st;
		}
		sqlite3_reset(unused);
	}
	int64_t n;
	enum evl_status st = store_int(&n, s,
		"SELECT count(*) FROM (SELECT run,case_no,ordinal,title,errors,bits,passed,failed "
		"FROM check_tally LIMIT 1)",
		0, 0, err);
	return st != EVL_OK ? st : store_int(
		&n, s,
		"SELECT count(*) FROM (SELECT run,seq,table_name,row_key,row_sha256,link_sha256 "
		"FROM chain LIMIT 1)",
		0, 0, err);
}

static enum evl_status open_db(struct evl_store *s, bool immutable, struct evl_err *err)
{
	struct evl_text uri = {0};
	evl_text_add(&uri, "file:");
	if (s->path[0] == '/' && s->path[1] == '/') {
		evl_text_add(&uri, "//"); /* so that no part of the path is taken for a host */
	}
	for (const char *p = s->path; *p != '\0'; p++) {
		if (strchr("%?#", *p) != NULL) {
			evl_text_addf(&uri, "%%%02X", (unsigned)*p);
		} else {
			evl_text_addn(&uri, p, 1);
		}
	}
	if (immutable) {
		evl_text_add(&uri, "?immutable=1");
	}
	sqlite3_close(s->db);
	s->db = NULL;
	int flags = s->mode == EVL_STORE_READ ? SQLITE_OPEN_READONLY
					      : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE;
	int rc = sqlite3_open_v2(evl_text_str(&uri), &s->db,
				 flags | SQLITE_OPEN_URI | SQLITE_OPEN_EXRESCODE, NULL);
	evl_text_finish(&uri);
	if (s->db == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "%s: out of memory", s->path);
	}
	if (rc != SQLITE_OK) {
		return store_db_error(s, "opening", err);
	}
	sqlite3_busy_timeout(s->db, BUSY_MS);
	/* The schema of a store from elsewhere must not run functions of its own. */
	sqlite3_db_config(s->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
	sqlite3_db_config(s->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
	sqlite3_db_config(s->db, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL);
	return store_exec(s, "PRAGMA foreign_keys=ON; PRAGMA synchronous=NORMAL;", "opening", err);
}

static enum evl_status open_for_reading(struct evl_store *s, struct evl_err *err)
{
	int64_t version;
	enum evl_status st = open_db(s, false, err);
	if (st == EVL_OK) {
		st = store_int(&version, s, "PRAGMA user_version", 0, 0, err);
	}
	int code = s->db != NULL ? sqlite3_errcode(s->db) & 0xFF : 0;
	if (st != EVL_OK && (code == SQLITE_CANTOPEN || code == SQLITE_READONLY)) {
		/* WAL mode wants to make a -shm file, which a read-only folder refuses. Nobody can
		 * write there, so the file may be taken as it is, unless a log holds a part of it.
		 */
		if (beside(s->path, "-wal")) {
			return evl_err_set(
				err, EVL_E_IO,
				"%s: its last writer was killed and the folder is read-only; copy "
				"the "
				"store with its -wal file to a folder that can be written",
				s->path);
		}
		st = open_db(s, true, err);
	}
	if (st == EVL_OK) {
		st = check_version(s, err);
	}
	return st == EVL_OK ? check_tables(s, err) : st;
}

static enum evl_status open_for_writing(struct evl_store *s, bool exists, struct evl_err *err)
{
	enum evl_status st = take_lock(s, err);
	if (st == EVL_OK) {
		st = open_db(s, false, err);
	}
	if (st == EVL_OK) {
		/* Also plays back what a killed writer left, after which a file that was being made
		 * may be empty again. */
		int64_t pages = 0;
		st = store_int(&pages, s, "PRAGMA page_count", 0, 0, err);
		exists = exists && pages > 0;
	}
	if (st == EVL_OK && exists) {
		int64_t id = 0;
		st = store_int(&id, s, "PRAGMA application_id", 0, 0, err);
		if (st == EVL_OK && id != STORE_APPLICATION_ID) {
			st = foreign(s->path, err);
		}
	}
	if (st == EVL_OK && !exists) {
		st = create_tables(s, err);
	}
	if (st == EVL_OK) {
		st = check_version(s, err);
	}
	if (st == EVL_OK && sqlite3_db_readonly(s->db, "main") == 1) {
		st = evl_err_set(
			err, EVL_E_IO,
			"%s: the file is read-only; change its permissions or name another store",
			s->path);
	}
	if (st == EVL_OK) {
		st = store_exec(s, "PRAGMA journal_mode=WAL", "opening", err);
	}
	if (st == EVL_OK) {
		st = check_tables(s, err);
	}
	return st == EVL_OK ? store_close_killed(s, err) : st;
}

enum evl_status evl_store_open(struct evl_store **out, const char *path, enum evl_store_mode mode,
			       struct evl_err *err)
{
	*out = NULL;
	bool exists = false;
	enum evl_status st = look_at_file(&exists, path, mode, err);
	if (st != EVL_OK) {
		return st;
	}
	struct evl_store *s = evl_xcalloc(1, sizeof *s);
	s->path = evl_xstrdup(path);
	s->lock_path = lock_path_of(path);
	s->lock_fd = -1;
	s->mode = mode;
	memcpy(s->link, STORE_CHAIN_START, sizeof s->link);
	memcpy(s->link_mark, STORE_CHAIN_START, sizeof s->link);
	st = mode == EVL_STORE_READ ? open_for_reading(s, err) : open_for_writing(s, exists, err);
	if (st != EVL_OK) {
		evl_store_close(s);
		return st;
	}
	*out = s;
	return EVL_OK;
}

void evl_store_close(struct evl_store *s)
{
	if (s == NULL) {
		return;
	}
	for (int i = 0; i < T_COUNT; i++) {
		sqlite3_finalize(s->insert[i]);
		sqlite3_finalize(s->by_key[i]);
		sqlite3_finalize(s->by_run[i]);
	}
	sqlite3_finalize(s->chain_insert);
	sqlite3_finalize(s->case_state);
	sqlite3_finalize(s->take_state);
	if (s->db != NULL && !sqlite3_get_autocommit(s->db)) {
		sqlite3_exec(s->db, "ROLLBACK", NULL, NULL, NULL);
	}
	sqlite3_close(s->db);
	if (s->lock_fd >= 0) {
		close(s->lock_fd); /* after the database, so that nobody writes in between */
	}
	free(s->lock_path);
	free(s->path);
	free(s);
}

const char *evl_store_path(const struct evl_store *s)
{
	return s->path;
}
