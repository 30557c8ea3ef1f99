/* SPDX-License-Identifier: Apache-2.0 */
/* Writing and reading a run; interruption; the results digest. */
#include "fill.h"

#include <signal.h>
#include <sys/wait.h>

#include "core/store/internal.h"

struct place {
	char *folder;
	char *path;
};

static int setup(void **state)
{
	struct place *p = calloc(1, sizeof *p);
	p->folder = folder_create();
	p->path = path_in(p->folder, "lab.evl");
	*state = p;
	return 0;
}

static int teardown(void **state)
{
	struct place *p = *state;
	free(p->path);
	folder_destroy(p->folder);
	free(p);
	return 0;
}

/* The descriptions and the SQL are written apart: SQLite says whether they agree. */
static void test_descriptions_agree_with_schema(void **state)
{
	struct place *p = *state;
	struct evl_store *s = NULL;
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	for (int id = 0; id < T_COUNT; id++) {
		const struct table *t = &store_tables[id];
		char sql[80];
		snprintf(sql, sizeof sql, "PRAGMA table_info(%s)", t->name);
		sqlite3_stmt *stmt;
		OK(store_prepare(&stmt, s, sql, err));
		int i = 0;
		while (sqlite3_step(stmt) == SQLITE_ROW) {
			assert_true(i < t->column_count);
			const struct column *c = &t->columns[i];
			const char *type = (const char *)sqlite3_column_text(stmt, 2);
			assert_string_equal((const char *)sqlite3_column_text(stmt, 1), c->name);
			assert_string_equal(type, c->type == COL_TEXT || c->type == COL_U64
							  ? "TEXT"
							  : "INTEGER");
			bool not_null = sqlite3_column_int(stmt, 3) != 0;
			bool key = sqlite3_column_int(stmt, 5) != 0;
			assert_int_equal(key, (c->flags & COL_KEY) != 0);
			assert_int_equal(not_null || key, (c->flags & COL_OPTIONAL) == 0);
			i++;
		}
		assert_int_equal(i, t->column_count);
		sqlite3_finalize(stmt);
	}
	evl_store_close(s);
}

static void test_read_back(void **state)
{
	struct place *p = *state;
	struct evl_store *s = NULL;
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	struct fill f = fill_a;
	f.errors = 12;
	assert_int_equal(fill_run(s, &f), 1);
	f.build = "B";
	f.errors = 300;
	assert_int_equal(fill_run(s, &f), 2);
	evl_store_close(s);

	OK(evl_store_open(&s, p->path, EVL_STORE_READ, err));
	struct evl_run_list list;
	OK(evl_store_list_runs(&list, s, err));
	assert_int_equal(list.count, 2);
	assert_string_equal(list.runs[0].run.verdict, "pass");
	assert_int_equal(list.runs[0].cases_passed, 1);
	assert_string_equal(list.runs[1].run.build, "B");
	assert_string_equal(list.runs[1].run.verdict, "fail");
	assert_int_equal(list.runs[1].cases_failed, 1);
	assert_null(list.runs[1].run.campaign_source);
	evl_run_list_finish(&list);

	struct evl_run *r = NULL;
	OK(evl_store_load_run(&r, s, 1, err));
	assert_false(r->killed);
	assert_true(r->run.seed == UINT64_MAX);
	assert_int_equal(r->run.reference_run, -1);
	assert_null(r->run.message);
	assert_string_equal(r->run.campaign_source, "campaign {\n\tname = \"acceptance\"\n}\n");
	assert_string_equal(r->run.ended_utc, "2026-11-25T10:00:00Z");
	assert_int_equal(r->channel_count, 3);
	assert_int_equal(r->channels[2].number, 3);
	assert_int_equal(r->case_count, 1);
	assert_int_equal(r->take_count, 1);
	assert_int_equal(r->takes[0].frames, 32000);
	assert_string_equal(r->takes[0].state, "finished");
	assert_int_equal(r->stream_count, 6);
	assert_string_equal(r->streams[0].direction, "received"); /* sorted by key */
	assert_int_equal(r->measurement_count, 3);
	assert_int_equal(r->measurements[1].errors, 12);
	assert_int_equal(r->measurements[1].first_error_bit, -1);
	assert_int_equal(r->measurements[1].found_channel_no, 1);
	assert_int_equal(r->measurements[2].moved_bits, -1);
	assert_int_equal(r->measurements[2].moved_least_bits, -9);
	assert_string_equal(r->measurements[2].recognised, "all ones");
	assert_null(r->measurements[1].recognised);
	assert_int_equal(r->file_count, 1);
	assert_string_equal(r->files[0].name, "idle.bin");
	assert_int_equal(r->performance_count, 2);
	assert_string_equal(r->performances[1].end, "far");
	/* 40000 frames of 125 us were planned, 32000 done: 5 s, 4 s, so 1 s is saved. */
	struct evl_run_time time;
	evl_run_time(&time, r, -1);
	assert_int_equal(time.planned_ns, 5000000000);
	assert_int_equal(time.measured_ns, 4000000000);
	assert_int_equal(time.saved_ns, 1000000000);
	evl_run_time(&time, r, 1);
	assert_int_equal(time.planned_ns, 0);
	struct evl_row_take stopped = r->takes[0];
	stopped.state = EVL_STATE_INTERRUPTED; /* nothing was proved, so nothing is saved */
	evl_run_take_time(&time, &stopped);
	assert_int_equal(time.saved_ns, 0);
	assert_int_equal(r->second_count, 1);
	assert_int_equal(r->mark_count, 2);
	assert_int_equal(r->marks[1].bit_offset, 4096101);
	assert_int_equal(r->event_count, 1);
	assert_true(r->events[0].raised);
	assert_int_equal(r->check_count, 3);
	assert_string_equal(r->checks[0].limit, "1e-6");
	assert_int_equal(r->checks[0].at_ns, -1);
	assert_int_equal(r->recording_count, 1);
	assert_true(r->recordings[0].finished);
	assert_int_equal(r->recordings[0].frames, 32000);
	assert_null(r->recordings[0].note);
	assert_int_equal(r->take_mark_count, 1);
	assert_string_equal(r->take_marks[0].text, "protection switch");
	assert_string_equal(r->take_marks[0].recording, "baseline");
	assert_int_equal(r->take_marks[0].channel_no, -1);
	assert_int_equal(r->recording_channel_count, 1);
	size_t first;
	assert_int_equal(evl_run_case_checks(r, 0, &first), 3);
	assert_int_equal(first, 0);
	assert_null(evl_run_channel(r, 3));
	assert_null(evl_run_channel(r, -1));
	/* 1 adapter, 3 channels, 1 caution, 1 second, 2 marks, 1 event, 1 recording channel,
	 * 1 recording, 6 streams, 3 measurements, 1 take, 3 checks, 1 case, 1 run, 1 file,
	 * 2 performances, 1 take mark, 1 personal: by hand */
	assert_int_equal(r->chain_links, 31);
	struct evl_chain_report report;
	OK(evl_store_chain_verify(s, 1, &report, err));
	assert_int_equal(report.links, 31);
	assert_int_equal(report.open_rows, 0);
	assert_string_equal(report.head, r->chain_head);
	evl_run_destroy(r);
	REFUSED(evl_store_load_run(&r, s, 9, err), EVL_E_NOTFOUND,
		"has no run 9; it has runs 1 to 2");
	REFUSED(evl_store_chain_verify(s, 9, NULL, err), EVL_E_NOTFOUND, "no run 9");
	evl_store_close(s);
}

static void test_find_recording(void **state)
{
	struct place *p = *state;
	struct evl_store *s = NULL;
	struct evl_found_recording found;
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	REFUSED(evl_store_find_recording(&found, s, "acceptance", "baseline", 0, err),
		EVL_E_NOTFOUND, "no run of campaign \"acceptance\" that passed");
	struct fill f = fill_a;
	fill_run(s, &f);
	f.build = "A2";
	f.folder = "second";
	fill_run(s, &f);
	f.build = "B";
	f.errors = 1000; /* fails, so it is no reference by itself */
	fill_run(s, &f);
	OK(evl_store_find_recording(&found, s, "acceptance", "baseline", 0, err));
	assert_int_equal(found.recording.run, 2);
	assert_string_equal(found.recording.path, "second/one.pcapng");
	assert_string_equal(found.build, "A2");
	assert_int_equal(found.channel_count, 1);
	assert_string_equal(found.channels[0].name, "trib-1.out");
	evl_found_recording_finish(&found);
	OK(evl_store_find_recording(&found, s, "acceptance", "baseline", 1, err));
	assert_string_equal(found.recording.path, "recordings/one.pcapng");
	evl_found_recording_finish(&found);
	OK(evl_store_find_recording(&found, s, "acceptance", "baseline", 3, err));
	evl_found_recording_finish(&found);
	REFUSED(evl_store_find_recording(&found, s, "acceptance", "other", 1, err), EVL_E_NOTFOUND,
		"run 1 has no finished recording \"other\"");
	evl_store_close(s);
}

static void digest_of(char hex[EVL_SHA256_HEX], const char *folder, const char *name,
		      const struct fill *f, int runs_before)
{
	char *path = path_in(folder, name);
	struct evl_store *s = NULL;
	OK(evl_store_open(&s, path, EVL_STORE_WRITE, err));
	while (runs_before-- > 0) {
		fill_run(s, &fill_a);
	}
	int64_t run = fill_run(s, f);
	OK(evl_store_results_digest(s, run, hex, err));
	evl_store_close(s);
	free(path);
}

static void test_results_digest(void **state)
{
	struct place *p = *state;
	struct fill f = fill_a;
	char a[EVL_SHA256_HEX];
	char b[EVL_SHA256_HEX];
	digest_of(a, p->folder, "a", &f, 0);
	f.started_utc = "2031-01-01T00:00:00Z";
	f.folder = "/elsewhere";
	digest_of(b, p->folder, "b", &f, 2);
	assert_string_equal(a, b); /* other times, paths and run number */
	f.errors = 1;
	digest_of(b, p->folder, "c", &f, 0);
	assert_string_not_equal(a, b); /* another count */
	f.errors = 0;
	f.skew_ns = 5;
	digest_of(b, p->folder, "d", &f, 0);
	assert_string_not_equal(a, b); /* another instant on the virtual clock */
	f.real_clock = true;
	digest_of(a, p->folder, "e", &f, 0);
	f.skew_ns = 6;
	digest_of(b, p->folder, "f", &f, 0);
	assert_string_equal(a, b); /* on the real clock instants are no results */
}

static void test_bad_values(void **state)
{
	struct place *p = *state;
	struct evl_store *s = NULL;
	int64_t run;
	int case_no;
	int take_no;
	struct fill f = fill_a;
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	struct evl_row_run r = {.campaign_name = "c",
				.bench_name = "b",
				.build = "A",
				.clock = "virtual",
				.started_utc = "t",
				.reference_run = 3};
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_INVALID,
		"no run 3 to take as reference");
	r.reference_run = -1;
	r.campaign_source = "bad \xFF";
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_INVALID,
		"run.campaign_source is no UTF-8");
	r.campaign_source = NULL;
	r.unit_json = "[1]";
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_INVALID, "run.unit_json");
	r.unit_json = NULL;
	r.build = NULL;
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_INVALID, "run.build must be given");
	r.build = "A";
	r.clock = "sundial";
	REFUSED(evl_store_run_begin(s, &run, &r, err), EVL_E_INVALID, "run");

	fill_setup(s, &run, &f);
	assert_int_equal(run, 1);
	REFUSED(evl_store_add_caution(s, &(struct evl_row_caution){.ordinal = 7, .text = "x"}, err),
		EVL_E_INVALID, "run_caution.ordinal is 7");
	fill_case(s, &case_no, &take_no, &f);
	struct evl_row_check c = {
		.case_no = case_no, .title = "t", .verdict = "maybe", .channel_no = -1};
	REFUSED(evl_store_add_check(s, NULL, &c, err), EVL_E_INVALID,
		"check_.verdict is \"maybe\"");
	c.verdict = "pass";
	c.channel_no = 77;
	REFUSED(evl_store_add_check(s, NULL, &c, err), EVL_E_INVALID, "does not exist");
	c.channel_no = -1;
	c.case_no = 5;
	REFUSED(evl_store_add_check(s, NULL, &c, err), EVL_E_INVALID, "case 5 is not open");
	/* A refused row does not spoil the tick. */
	struct evl_row_second sec = {
		.case_no = case_no, .take_no = take_no, .channel_no = 0, .second = 9, .bits = -4};
	OK(evl_store_tick_begin(s, err));
	REFUSED(evl_store_put_second(s, &sec, err), EVL_E_INVALID, "second_.bits is -4");
	sec.bits = 4;
	OK(evl_store_put_second(s, &sec, err));
	REFUSED(evl_store_put_second(s, &sec, err), EVL_E_INVALID, "one with this key already");
	OK(evl_store_tick_commit(s, err));
	/* Text from an adapter or a script is repaired, not lost: RFC 3629 clause 3. */
	REFUSED(evl_store_case_end(s, case_no, "done", "pass", NULL, 1, err), EVL_E_INVALID,
		"an end is finished or interrupted");
	REFUSED(evl_store_case_end(s, case_no, EVL_STATE_FINISHED, NULL, NULL, 1, err),
		EVL_E_INVALID, "case_.verdict");
	OK(evl_store_case_end(s, case_no, EVL_STATE_FINISHED, "error", "bad \xC0\xAF byte", 1,
			      err));
	REFUSED(evl_store_put_second(s, &sec, err), EVL_E_INVALID, "is not open");
	REFUSED(evl_store_case_end(s, case_no, EVL_STATE_FINISHED, "pass", NULL, 1, err),
		EVL_E_INVALID, "is not open");
	OK(evl_store_run_end(s, EVL_STATE_FINISHED, NULL, NULL, "t", err));
	OK(evl_store_chain_verify(s, run, NULL, err));
	struct evl_run *loaded;
	OK(evl_store_load_run(&loaded, s, run, err));
	assert_string_equal(loaded->cases[0].message, "bad \xEF\xBF\xBD\xEF\xBF\xBD byte");
	assert_string_equal(loaded->run.verdict, "error");
	assert_string_equal(loaded->takes[0].state, "interrupted");
	assert_int_equal(loaded->second_count, 2);
	evl_run_destroy(loaded);
	evl_store_close(s);
}

/* A child writes and is killed with SIGKILL in the middle of a tick. */
static void test_killed(void **state)
{
	struct place *p = *state;
	int ready[2];
	assert_int_equal(pipe(ready), 0);
	pid_t child = fork();
	assert_true(child >= 0);
	if (child == 0) {
		struct evl_store *s = NULL;
		struct evl_err e;
		int64_t run;
		int case_no;
		int take_no;
		if (evl_store_open(&s, p->path, EVL_STORE_WRITE, &e) != EVL_OK) {
			_exit(1);
		}
		fill_run(s, &fill_a);
		fill_setup(s, &run, &fill_a);
		fill_case(s, &case_no, &take_no, &fill_a);
		struct evl_row_check c = {
			.case_no = case_no, .title = "t", .verdict = "pass", .channel_no = -1};
		OK(evl_store_add_check(s, NULL, &c, err));
		OK(evl_store_tick_begin(s, err));
		struct evl_row_second sec = {.case_no = case_no, .take_no = take_no, .second = 9};
		OK(evl_store_put_second(s, &sec, err));
		if (write(ready[1], "x", 1) != 1) {
			_exit(1);
		}
		pause();
		_exit(1);
	}
	char x;
	assert_int_equal(read(ready[0], &x, 1), 1);
	close(ready[0]);
	close(ready[1]);

	/* While it lives: readers see a running run, a second writer is refused by name. */
	struct evl_store *s = NULL;
	struct evl_run *r;
	char who[32];
	OK(evl_store_open(&s, p->path, EVL_STORE_READ, err));
	OK(evl_store_load_run(&r, s, 2, err));
	assert_string_equal(r->run.state, "running");
	assert_false(r->killed);
	evl_run_destroy(r);
	struct evl_chain_report report;
	OK(evl_store_chain_verify(s, 2, &report, err));
	assert_int_equal(report.open_rows, 6); /* run, case, take, three measurements */
	snprintf(who, sizeof who, "process %d is writing", (int)child);
	struct evl_store *second = NULL;
	REFUSED(evl_store_open(&second, p->path, EVL_STORE_WRITE, err), EVL_E_CONFLICT, who);
	assert_null(second);

	assert_int_equal(kill(child, SIGKILL), 0);
	int status;
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFSIGNALED(status));

	/* Readers show it as interrupted without writing; the killed writer left its -wal. */
	evl_store_close(s);
	OK(evl_store_open(&s, p->path, EVL_STORE_READ, err));
	OK(evl_store_load_run(&r, s, 2, err));
	assert_true(r->killed);
	assert_string_equal(r->run.state, "interrupted");
	assert_string_equal(r->cases[0].state, "interrupted");
	assert_string_equal(r->takes[0].state, "interrupted");
	assert_int_equal(r->takes[0].frames, 32000);
	assert_int_equal(r->second_count, 1); /* the open tick is gone, the earlier one is there */
	assert_int_equal(r->measurement_count, 3);
	evl_run_destroy(r);
	struct evl_run_list list;
	OK(evl_store_list_runs(&list, s, err));
	assert_string_equal(list.runs[0].run.state, "finished");
	assert_string_equal(list.runs[1].run.state, "interrupted");
	evl_run_list_finish(&list);
	evl_store_close(s);

	/* The next writer closes and chains it; a run that did not end cannot have passed. */
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	OK(evl_store_load_run(&r, s, 2, err));
	assert_false(r->killed);
	assert_string_equal(r->run.state, "interrupted");
	assert_string_equal(r->run.verdict, "inconclusive");
	assert_non_null(strstr(r->run.message, "killed"));
	assert_null(r->run.ended_utc);
	assert_int_equal(r->check_count, 1);
	evl_run_destroy(r);
	OK(evl_store_chain_verify(s, 1, NULL, err));
	OK(evl_store_chain_verify(s, 2, &report, err));
	assert_int_equal(report.open_rows, 0);
	assert_int_equal(fill_run(s, &fill_a), 3);
	evl_store_close(s);
}

/* The chain of a run that is being written, read through the same store. */
static void test_own_handle(void **state)
{
	struct place *p = *state;
	struct evl_store *s = NULL;
	struct evl_run *r;
	int64_t run;
	int case_no;
	int take_no;
	OK(evl_store_open(&s, p->path, EVL_STORE_WRITE, err));
	fill_setup(s, &run, &fill_a);
	fill_case(s, &case_no, &take_no, &fill_a);
	OK(evl_store_load_run(&r, s, run, err));
	assert_string_equal(r->run.state, "running");
	assert_false(r->killed);
	evl_run_destroy(r);
	OK(evl_store_tick_begin(s, err));
	OK(evl_store_chain_verify(s, run, NULL, err));
	OK(evl_store_run_end(s, EVL_STATE_INTERRUPTED, "pass", "stopped by the user", "t", err));
	OK(evl_store_load_run(&r, s, run, err));
	assert_string_equal(r->cases[0].state, "interrupted");
	assert_string_equal(r->run.verdict, "inconclusive"); /* not better than its cases */
	evl_run_destroy(r);
	evl_store_close(s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_descriptions_agree_with_schema, setup,
						teardown),
		cmocka_unit_test_setup_teardown(test_read_back, setup, teardown),
		cmocka_unit_test_setup_teardown(test_find_recording, setup, teardown),
		cmocka_unit_test_setup_teardown(test_results_digest, setup, teardown),
		cmocka_unit_test_setup_teardown(test_bad_values, setup, teardown),
		cmocka_unit_test_setup_teardown(test_killed, setup, teardown),
		cmocka_unit_test_setup_teardown(test_own_handle, setup, teardown),
	};
	return cmocka_run_group_tests_name("store.run", tests, NULL, NULL);
}
