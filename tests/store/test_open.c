/* SPDX-License-Identifier: Apache-2.0 */
/* Stores that cannot be used: each gets one message that names the file and says what to do. */
#include "fill.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/resource.h>
#include <time.h>
#include <sys/wait.h>

#include "core/base/file.h"
#include "core/store/internal.h"

static char *folder;

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	folder_destroy(folder);
	return 0;
}

static void put_file(const char *path, const void *data, size_t bytes)
{
	OK(evl_file_write(path, data, bytes, err));
}

static void refused_both(const char *path, enum evl_status want, const char *part)
{
	struct evl_store *s = NULL;
	REFUSED(evl_store_open(&s, path, EVL_STORE_READ, err), want, part);
	assert_null(s);
	REFUSED(evl_store_open(&s, path, EVL_STORE_WRITE, err), want, part);
	assert_null(s);
	REFUSED(evl_store_open(&s, path, EVL_STORE_WRITE, err), want, path);
}

static void good_store(const char *path)
{
	struct evl_store *s = NULL;
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	fill_run(s, &fill_a);
	evl_store_close(s);
}

static void sql(const char *path, const char *text)
{
	sqlite3 *db = NULL;
	char *why = NULL;
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	if (sqlite3_exec(db, text, NULL, NULL, &why) != SQLITE_OK) {
		fail_msg("%s: %s", text, why);
	}
	sqlite3_close(db);
}

static void test_missing(void **state)
{
	(void)state;
	struct evl_store *s = NULL;
	char *path = path_in(folder, "none.evl");
	char *deep = path_in(folder, "no/such/none.evl");
	REFUSED(evl_store_open(&s, path, EVL_STORE_READ, err), EVL_E_NOTFOUND, path);
	assert_int_equal(access(path, F_OK), -1);
	REFUSED(evl_store_open(&s, deep, EVL_STORE_READ, err), EVL_E_NOTFOUND, deep);
	REFUSED(evl_store_open(&s, deep, EVL_STORE_WRITE, err), EVL_E_NOTFOUND,
		"folder does not exist");
	refused_both(folder, EVL_E_INVALID, "is no file");
	free(path);
	free(deep);
}

static void test_foreign_files(void **state)
{
	(void)state;
	struct evl_store *s = NULL;
	char *path = path_in(folder, "f");
	put_file(path, "bench: invented\n", 16);
	refused_both(path, EVL_E_INVALID, "no SQLite file");
	char binary[5000];
	for (size_t i = 0; i < sizeof binary; i++) {
		binary[i] = (char)(i * 37);
	}
	put_file(path, binary, sizeof binary);
	refused_both(path, EVL_E_INVALID, "no SQLite file");
	/* An empty file is no store, but a writer may begin one there. */
	put_file(path, "", 0);
	REFUSED(evl_store_open(&s, path, EVL_STORE_READ, err), EVL_E_NOTFOUND, "is empty");
	good_store(path);
	/* SQLite, but of somebody else: never touched. */
	unlink(path);
	sql(path, "CREATE TABLE songs(title TEXT); INSERT INTO songs VALUES('x');");
	refused_both(path, EVL_E_INVALID, "another program");
	sql(path, "SELECT title FROM songs");
	free(path);
}

static void test_versions(void **state)
{
	(void)state;
	char *path = path_in(folder, "v.evl");
	good_store(path);
	sql(path, "PRAGMA user_version=9;"
		  "UPDATE store_info SET value='evenlode 4.2' WHERE name='needs'");
	refused_both(path, EVL_E_VERSION, "has store schema 9");
	refused_both(path, EVL_E_VERSION, "needs evenlode 4.2");
	sql(path, "DROP TABLE store_info");
	refused_both(path, EVL_E_VERSION, "a newer evenlode");
	sql(path, "PRAGMA user_version=0");
	refused_both(path, EVL_E_CORRUPT, "schema number 0");
	free(path);
}

static void test_damaged(void **state)
{
	(void)state;
	char *path = path_in(folder, "d.evl");
	good_store(path);
	char *whole;
	size_t len;
	OK(evl_file_read(&whole, &len, path, 1 << 24, err));
	static const size_t cuts[] = {50, 99, 100, 1000, 4095, 4096, 5000};
	for (size_t i = 0; i < sizeof cuts / sizeof *cuts; i++) {
		put_file(path, whole, cuts[i]);
		refused_both(path, EVL_E_CORRUPT, path);
	}
	put_file(path, whole, len - 1);
	refused_both(path, EVL_E_CORRUPT, path);
	/* Every page spoilt in turn: an error or a good answer, never a crash, and the chain
	 * notices whatever became unreadable or different. */
	for (size_t page = 0; page + 4096 <= len; page += 4096) {
		char *bad = malloc(len);
		memcpy(bad, whole, len);
		memset(bad + page + (page == 0 ? 100 : 0), 0x5A, page == 0 ? 500 : 512);
		put_file(path, bad, len);
		free(bad);
		struct evl_store *s = NULL;
		struct evl_err e = {0};
		struct evl_run *r = NULL;
		if (evl_store_open(&s, path, EVL_STORE_READ, &e) == EVL_OK) {
			enum evl_status st = evl_store_load_run(&r, s, 1, &e);
			assert_true(st == EVL_OK || st == EVL_E_CORRUPT || st == EVL_E_NOTFOUND);
			evl_run_destroy(r);
			st = evl_store_chain_verify(s, 1, NULL, &e);
			assert_true(st == EVL_OK || st == EVL_E_CORRUPT || st == EVL_E_NOTFOUND);
			evl_store_close(s);
		} else {
			assert_non_null(strstr(e.text, path));
		}
	}
	/* A table is gone. */
	put_file(path, whole, len);
	free(whole);
	sql(path, "DROP TABLE event");
	refused_both(path, EVL_E_CORRUPT, "event");
	free(path);
}

/* Runs `body` in a child without the rights of root, which permissions do not stop. */
static void without_rights(void (*body)(const char *path), const char *path)
{
	pid_t child = fork();
	assert_true(child >= 0);
	if (child == 0) {
		if (geteuid() == 0 && (setgid(65534) != 0 || setuid(65534) != 0)) {
			_exit(2);
		}
		body(path);
		_exit(0); /* a failed check leaves through exit of cmocka, not through here */
	}
	int status;
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFEXITED(status));
	assert_int_equal(WEXITSTATUS(status), 0);
}

#define EXPECT(condition)                                                                          \
	do {                                                                                       \
		if (!(condition)) {                                                                \
			fprintf(stderr, "line %d: %s: %s\n", __LINE__, #condition, e.text);        \
			_exit(1);                                                                  \
		}                                                                                  \
	} while (0)

static void read_only_folder(const char *path)
{
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	EXPECT(evl_store_open(&s, path, EVL_STORE_WRITE, &e) == EVL_E_IO);
	EXPECT(strstr(e.text, path) != NULL);
	EXPECT(evl_store_open(&s, path, EVL_STORE_READ, &e) == EVL_OK);
	struct evl_run *r = NULL;
	EXPECT(evl_store_load_run(&r, s, 1, &e) == EVL_OK);
	EXPECT(evl_store_chain_verify(s, 1, NULL, &e) == EVL_OK);
	evl_run_destroy(r);
	evl_store_close(s);
}

static void read_only_folder_with_log(const char *path)
{
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	EXPECT(evl_store_open(&s, path, EVL_STORE_READ, &e) == EVL_E_IO);
	EXPECT(strstr(e.text, "copy the store with its -wal file") != NULL);
}

static void read_only_file(const char *path)
{
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	EXPECT(evl_store_open(&s, path, EVL_STORE_WRITE, &e) == EVL_E_IO);
	EXPECT(strstr(e.text, "read-only") != NULL);
	EXPECT(s == NULL);
	EXPECT(evl_store_open(&s, path, EVL_STORE_READ, &e) == EVL_OK);
	evl_store_close(s);
}

static void unreadable(const char *path)
{
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	EXPECT(evl_store_open(&s, path, EVL_STORE_READ, &e) == EVL_E_IO);
	EXPECT(strstr(e.text, "cannot be read") != NULL);
}

static void test_read_only(void **state)
{
	(void)state;
	char *path = path_in(folder, "r #1%41?.evl"); /* marks that a URI treats apart */
	char *wal = path_in(folder, "r #1%41?.evl-wal");
	good_store(path);
	assert_int_equal(access(path, F_OK), 0);
	assert_int_equal(access(wal, F_OK), -1); /* closed cleanly */
	assert_int_equal(chmod(path, 0644), 0);
	assert_int_equal(chmod(folder, 0555), 0);
	without_rights(read_only_folder, path);
	put_file(wal, "x", 1);
	without_rights(read_only_folder_with_log, path);
	unlink(wal);
	assert_int_equal(chmod(folder, 0777), 0);
	char *lock = path_in(folder, "r #1%41?.evl.lock");
	assert_int_equal(chmod(lock, 0666), 0);
	assert_int_equal(chmod(path, 0444), 0);
	without_rights(read_only_file, path);
	assert_int_equal(chmod(path, 0000), 0);
	without_rights(unreadable, path);
	free(lock);
	free(wal);
	free(path);
}

/* Held by something that does not know our lock, such as a database browser. */
static void test_locked_by_others(void **state)
{
	(void)state;
	char *path = path_in(folder, "l.evl");
	good_store(path);
	struct evl_store *s = NULL;
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	sqlite3_busy_timeout(s->db, 50);
	sqlite3 *other = NULL;
	assert_int_equal(sqlite3_open(path, &other), SQLITE_OK);
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	int64_t run;
	struct evl_row_run r = {.campaign_name = "c",
				.bench_name = "b",
				.build = "A",
				.clock = "virtual",
				.started_utc = "t",
				.reference_run = -1};
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_CONFLICT,
		"another process has locked the file");
	sqlite3_exec(other, "ROLLBACK", NULL, NULL, NULL);
	OK(evl_store_run_begin(s, &run, &r, err));
	/* A tick that could not begin is a failed tick: its calls say so, nothing aborts. */
	int case_no;
	OK(evl_store_case_begin(s, &case_no, &(struct evl_row_case){.name = "c"}, err));
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	REFUSED(evl_store_tick_begin(s, err), EVL_E_CONFLICT, "locked the file");
	sqlite3_exec(other, "ROLLBACK", NULL, NULL, NULL);
	struct evl_row_check c = {
		.case_no = case_no, .title = "t", .verdict = "pass", .channel_no = -1, .at_ns = -1};
	REFUSED(evl_store_add_check(s, NULL, &c, err), EVL_E_CONFLICT, "locked the file");
	REFUSED(evl_store_tick_commit(s, err), EVL_E_CONFLICT, "locked the file");
	OK(evl_store_tick_begin(s, err));
	OK(evl_store_add_check(s, NULL, &c, err));
	OK(evl_store_run_end(s, EVL_STATE_FINISHED, NULL, NULL, "t", err));
	OK(evl_store_chain_verify(s, run, NULL, err));
	sqlite3_close(other);
	evl_store_close(s);

	/* A reader's short probe of the lock does not turn a writer away. */
	char *lock = path_in(folder, "l.evl.lock");
	int fd = open(lock, O_RDONLY);
	assert_int_equal(flock(fd, LOCK_SH), 0);
	pid_t child = fork();
	if (child == 0) {
		nanosleep(&(struct timespec){.tv_nsec = 100000000}, NULL);
		_exit(0); /* its copy of fd is the same lock: the parent closes the other */
	}
	close(fd);
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	evl_store_close(s);
	waitpid(child, NULL, 0);
	free(lock);
	free(path);
}

/* Writes seconds until the store refuses; returns how many ticks of ten were committed. */
static int64_t fill_the_disk(struct evl_store *s, int case_no, int take_no, struct evl_err *e)
{
	int64_t ticks = 0;
	for (;;) {
		if (evl_store_tick_begin(s, e) != EVL_OK) {
			return ticks;
		}
		enum evl_status st = EVL_OK;
		for (int i = 0; i < 10; i++) {
			struct evl_row_second sec = {.case_no = case_no,
						     .take_no = take_no,
						     .channel_no = 0,
						     .second = 100 + ticks * 10 + i,
						     .bits = 2048000};
			enum evl_status now = evl_store_put_second(s, &sec, e);
			assert_true(st == EVL_OK || now == st); /* a failed tick stays failed */
			st = now;
		}
		struct evl_err at_commit = {0};
		enum evl_status end = evl_store_tick_commit(s, &at_commit);
		if (st != EVL_OK) {
			assert_int_equal(end, st);
			assert_string_equal(at_commit.text, e->text);
			return ticks;
		}
		if (end != EVL_OK) {
			*e = at_commit;
			return ticks;
		}
		ticks++;
		assert_true(ticks < 100000);
	}
}

static void after_full(struct evl_store *s, int64_t run, int64_t ticks, const struct evl_err *e)
{
	assert_int_equal(e->status, EVL_E_IO);
	if (strstr(e->text, "disk is full") == NULL) {
		fail_msg("%s", e->text);
	}
	assert_non_null(strstr(e->text, folder));
	assert_true(ticks > 0);
	struct evl_run *r;
	OK(evl_store_load_run(&r, s, run, err));
	assert_int_equal(r->second_count, 1 + ticks * 10);
	evl_run_destroy(r);
	OK(evl_store_chain_verify(s, run, NULL, err));
}

static void test_full_by_page_count(void **state)
{
	(void)state;
	char *path = path_in(folder, "p.evl");
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	int64_t run;
	int case_no;
	int take_no;
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	fill_setup(s, &run, &fill_a);
	fill_case(s, &case_no, &take_no, &fill_a);
	sqlite3_exec(s->db, "PRAGMA max_page_count=80", NULL, NULL, NULL);
	int64_t ticks = fill_the_disk(s, case_no, take_no, &e);
	after_full(s, run, ticks, &e);
	/* Space is free again: the run goes on and ends, its chain whole. */
	sqlite3_exec(s->db, "PRAGMA max_page_count=100000", NULL, NULL, NULL);
	fill_case_end(s, case_no, take_no, &fill_a);
	OK(evl_store_run_end(s, EVL_STATE_FINISHED, NULL, NULL, "t", err));
	OK(evl_store_chain_verify(s, run, NULL, err));
	evl_store_close(s);
	free(path);
}

static void test_full_by_file_size(void **state)
{
	(void)state;
	char *path = path_in(folder, "z.evl");
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	struct rlimit old;
	int64_t run;
	int case_no;
	int take_no;
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	fill_setup(s, &run, &fill_a);
	fill_case(s, &case_no, &take_no, &fill_a);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
	struct rlimit small = {.rlim_cur = 1000000, .rlim_max = old.rlim_max};
	void (*handler)(int) = signal(SIGXFSZ, SIG_IGN); /* write then fails with EFBIG */
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
	int64_t ticks = fill_the_disk(s, case_no, take_no, &e);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
	signal(SIGXFSZ, handler);
	after_full(s, run, ticks, &e);
	evl_store_close(s); /* without an end: as if the program had given up */
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	struct evl_run *r;
	OK(evl_store_load_run(&r, s, run, err));
	assert_string_equal(r->run.state, "interrupted");
	evl_run_destroy(r);
	OK(evl_store_chain_verify(s, run, NULL, err));
	evl_store_close(s);
	free(path);
}

/* Killed while the very first transaction was half done: nothing of it stays, a later run works. */
static void test_killed_while_made(void **state)
{
	(void)state;
	char *path = path_in(folder, "k.evl");
	pid_t child = fork();
	assert_true(child >= 0);
	if (child == 0) {
		sqlite3 *db;
		sqlite3_open(path, &db);
		sqlite3_exec(db, "PRAGMA cache_size=1; BEGIN EXCLUSIVE", NULL, NULL, NULL);
		for (int i = 0; store_schema_sql[i] != NULL; i++) {
			sqlite3_exec(db, store_schema_sql[i], NULL, NULL, NULL);
		}
		sqlite3_exec(
			db,
			"CREATE TABLE big AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT "
			"i+1 FROM n WHERE i<2000) SELECT i, randomblob(500) FROM n",
			NULL, NULL, NULL);
		raise(SIGKILL);
	}
	int status;
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFSIGNALED(status));
	struct evl_store *s = NULL;
	struct evl_err e = {0};
	/* For a reader there is no store yet: bisect and night begin, as they would without one. */
	REFUSED(evl_store_open(&s, path, EVL_STORE_READ, err), EVL_E_NOTFOUND, "is being made");
	enum evl_status st = evl_store_open(&s, path, EVL_STORE_WRITE, &e);
	if (st != EVL_OK) {
		fail_msg("%s", e.text);
	}
	fill_run(s, &fill_a);
	OK(evl_store_chain_verify(s, 1, NULL, err));
	evl_store_close(s);
	free(path);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_missing, setup, teardown),
		cmocka_unit_test_setup_teardown(test_foreign_files, setup, teardown),
		cmocka_unit_test_setup_teardown(test_versions, setup, teardown),
		cmocka_unit_test_setup_teardown(test_damaged, setup, teardown),
		cmocka_unit_test_setup_teardown(test_read_only, setup, teardown),
		cmocka_unit_test_setup_teardown(test_locked_by_others, setup, teardown),
		cmocka_unit_test_setup_teardown(test_full_by_page_count, setup, teardown),
		cmocka_unit_test_setup_teardown(test_full_by_file_size, setup, teardown),
		cmocka_unit_test_setup_teardown(test_killed_while_made, setup, teardown),
	};
	return cmocka_run_group_tests_name("store.open", tests, NULL, NULL);
}
