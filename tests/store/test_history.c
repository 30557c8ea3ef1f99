/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A campaign over many nights. Sources of the numbers:
 * - a change of a case: by hand. All failures at one end of n runs are 1 of C(n, k) equally likely
 *   orders: C(11, 3) = 165, C(11, 4) = 330, C(11, 1) = 11, C(7, 4) = 35;
 * - intervals: SciPy 1.10, beta.ppf (Clopper and Pearson 1934): 2 failures of 10;
 * - trends: SciPy 1.10, sum of multinomial.pmf over all ways in which the errors can fall into the
 *   nights: 0 1 2 6 errors in 3 6 3 3 million bits, rising 0.000587264, falling 0.999845888;
 *   4 1 0 1 errors in equal bits, rising 0.9794921875, falling 0.0498046875;
 * - Holm's correction (1979) worked by hand.
 */
#include "fill.h"

#include <math.h>
#include <sqlite3.h>

#include "core/store/history.h"

static char *folder;
static char *path;
static struct evl_store *store;
static struct evl_past past;

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	path = path_in(folder, "lab.evl");
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	memset(&past, 0, sizeof past);
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	evl_past_finish(&past);
	evl_store_close(store);
	free(path);
	folder_destroy(folder);
	return 0;
}

static void near(double value, double expected)
{
	if (!(fabs(value - expected) <= 1e-9 * fmax(1, fabs(expected)))) {
		fail_msg("%.12f instead of %.12f", value, expected);
	}
}

struct night {
	const char *campaign; /* NULL: "nights" */
	const char *bench;    /* NULL: "bench 1" */
	const char *build;
	uint64_t seed;
	bool real_clock;
	const char *state; /* NULL: finished */
};

static void begin(const struct night *n)
{
	int64_t run;
	OK(evl_store_run_begin(store, &run,
		&(struct evl_row_run){.campaign_name = n->campaign != NULL ? n->campaign : "nights",
			.campaign_sha256 = "c0",
			.bench_name = n->bench != NULL ? n->bench : "bench 1",
			.bench_sha256 = "b0",
			.build = n->build,
			.seed = n->seed,
			.reference_run = -1,
			.clock = n->real_clock ? "real" : "virtual",
			.started_utc = "2026-11-25T09:00:00Z"},
		err));
	for (int i = 0; i < 2; i++) {
		OK(evl_store_add_channel(store,
			&(struct evl_row_channel){.ordinal = i,
				.role = "trib",
				.number = i + 1,
				.adapter = "mux",
				.channel = i == 0 ? "e1-1" : "e1-2",
				.rate = "E1"},
			err));
	}
}

static void end(const struct night *n)
{
	OK(evl_store_run_end(store, n->state != NULL ? n->state : EVL_STATE_FINISHED, NULL, NULL,
		"2026-11-25T10:00:00Z", err));
}

static int case_begin(const char *name)
{
	int case_no = -1;
	OK(evl_store_case_begin(store, &case_no, &(struct evl_row_case){.name = name}, err));
	return case_no;
}

static void case_end(int case_no, const char *verdict, const char *state)
{
	OK(evl_store_case_end(store, case_no, state, verdict, NULL, 1, err));
}

static void check(int case_no, const char *title, int channel, int64_t errors, int64_t bits)
{
	OK(evl_store_add_check(store, NULL,
		&(struct evl_row_check){.case_no = case_no,
			.title = title,
			.channel_no = channel,
			.errors = errors,
			.bits = bits,
			.at_ns = -1,
			.verdict = "pass"},
		err));
}

static const char *verdict_of(char letter)
{
	switch (letter) {
	case 'P':
		return "pass";
	case 'F':
		return "fail";
	case 'I':
		return "inconclusive";
	case 'E':
		return "error";
	}
	fail_msg("unknown letter %c", letter);
	return NULL;
}

/* Nights of cases given as letters, '-' where a night did not run the case. */
struct sequence {
	const char *name;
	const char *verdicts;
};

static void nights(
	const struct sequence *all, size_t count, const char *builds, bool same_seed, bool real)
{
	for (size_t i = 0; builds[i] != '\0'; i++) {
		char build[2] = {builds[i], '\0'};
		struct night n = {
			.build = build, .seed = same_seed ? 1 : i + 1, .real_clock = real};
		begin(&n);
		for (size_t k = 0; k < count; k++) {
			if (all[k].verdicts[i] != '-') {
				case_end(case_begin(all[k].name), verdict_of(all[k].verdicts[i]),
					EVL_STATE_FINISHED);
			}
		}
		end(&n);
	}
}

static void load(const char *case_name)
{
	evl_past_finish(&past);
	OK(evl_past_load(&past, store, &(struct evl_past_query){.case_name = case_name}, err));
}

static const struct sequence eleven[] = {{"steady", "PPPPPPPPPPP"}, {"worse", "PPPPPPPPFFF"},
	{"flaky", "PFPPPFPPIPP"}, {"broken", "FFFFFFFFFFF"}, {"last", "PPPPPPPPPPF"},
	{"better", "FFFFPPPPPPP"}, {"tester", "EEEEEEEEEEE"}, {"late", "---------PP"}};

static void test_findings(void **state)
{
	(void)state;
	nights(eleven, sizeof eleven / sizeof *eleven, "AAAAAAAABBC", false, false);
	load(NULL);
	const struct {
		enum evl_past_finding finding;
		size_t counted;
		bool proved;
		int64_t first_failure, change; /* numbers of runs, 0: none */
	} want[] = {{EVL_PAST_STEADY, 11, false, 0, 0}, {EVL_PAST_NEWLY_FAILING, 11, true, 9, 9},
		{EVL_PAST_FLAKY, 10, false, 2, 0}, {EVL_PAST_BROKEN, 11, false, 1, 0},
		{EVL_PAST_NEWLY_FAILING, 11, false, 11, 11}, {EVL_PAST_REPAIRED, 11, true, 1, 5},
		{EVL_PAST_NOTHING, 0, false, 0, 0}, {EVL_PAST_STEADY, 2, false, 0, 0}};
	assert_int_equal(past.case_count, 8);
	for (size_t i = 0; i < 8; i++) {
		const struct evl_past_case *c = &past.cases[i];
		assert_string_equal(c->name, eleven[i].name);
		assert_int_equal(c->finding, want[i].finding);
		assert_int_equal(c->counted, want[i].counted);
		assert_int_equal(c->proved, want[i].proved);
		assert_int_equal(
			c->first_failure != NULL ? past.runs[c->first_failure->run].run : 0,
			want[i].first_failure);
		assert_int_equal(
			c->change != NULL ? past.runs[c->change->run].run : 0, want[i].change);
	}
	assert_int_equal(past.run_count, 11);
	assert_string_equal(past.runs[10].build, "C");
	assert_int_equal(past.cases[7].entry_count, 2);
	assert_int_equal(past.cases[2].entry_count, 11);
	assert_string_equal(past.cases[2].entries[8].verdict, "inconclusive");
	/* Tested are worse, flaky, last, better: 1/165 is the least of four, 1/330 likewise. */
	assert_int_equal(past.cases_tested, 4);
	near(past.cases[1].history.p_worse, 1.0 / 165);
	near(past.cases[1].p_worse, 4.0 / 165);
	near(past.cases[4].history.p_worse, 1.0 / 11);
	near(past.cases[4].p_worse, 3.0 / 11);
	near(past.cases[5].history.p_better, 1.0 / 330);
	near(past.cases[5].p_better, 4.0 / 330);
	near(past.cases[2].history.share, 0.2);
	near(past.cases[2].history.interval.lower, 0.025210726326833);
	near(past.cases[2].history.interval.upper, 0.556095462307641);
	assert_true(past.worse);

	load("steady");
	assert_int_equal(past.case_count, 1);
	assert_false(past.worse);
	load("flaky");
	assert_false(past.worse);
	load("better");
	assert_false(past.worse);
	near(past.cases[0].p_better, 1.0 / 330);
	load("last"); /* nothing is proved, but last night it failed for the first time */
	assert_true(past.worse);
}

/* 1/35 alone is below 0.05, two of them are not: 2/35. */
static void test_correction(void **state)
{
	(void)state;
	const struct sequence two[] = {{"one", "PPPFFFF"}, {"other", "PPPFFFF"}};
	nights(two, 2, "ABCDEFG", false, false);
	load(NULL);
	for (int i = 0; i < 2; i++) {
		near(past.cases[i].history.p_worse, 1.0 / 35);
		near(past.cases[i].p_worse, 2.0 / 35);
		assert_int_equal(past.cases[i].finding, EVL_PAST_NEWLY_FAILING);
		assert_false(past.cases[i].proved);
		assert_int_equal(past.runs[past.cases[i].change->run].run, 4);
	}
	load("other");
	near(past.cases[0].p_worse, 1.0 / 35);
	assert_true(past.cases[0].proved);
}

/* The same seed on virtual time is the same measurement; on the real clock it is a new one. */
static void test_repeats(void **state)
{
	(void)state;
	const struct sequence one[] = {{"one", "PPPFFF"}};
	nights(one, 1, "AAABBB", true, false);
	load(NULL);
	const struct evl_past_case *c = &past.cases[0];
	assert_int_equal(c->entry_count, 6);
	assert_int_equal(c->counted, 2);
	assert_true(c->entries[1].repeat && c->entries[2].repeat && c->entries[5].repeat);
	assert_false(c->entries[0].repeat || c->entries[3].repeat);
	near(c->p_worse, 0.5);
	nights(one, 1, "AAABBB", true, true);
	load(NULL);
	assert_int_equal(past.cases[0].counted, 8);

	/* Other verdicts from what should be the same: each is told. */
	const struct sequence odd[] = {{"odd", "PFPF"}};
	nights(odd, 1, "AAAA", true, false);
	load("odd");
	assert_int_equal(past.cases[0].counted, 2);
	assert_int_equal(past.cases[0].history.failures, 1);
	assert_true(past.cases[0].history.mixed_build);
}

static void test_trend(void **state)
{
	(void)state;
	const int64_t up[] = {0, 1, 2, 6}, up_bits[] = {3, 6, 3, 3}, down[] = {4, 1, 0, 1};
	for (int i = 0; i < 4; i++) {
		struct night n = {.build = "A", .seed = (uint64_t)i + 1};
		begin(&n);
		int c = case_begin("errors");
		check(c, "error ratio", 0, up[i] / 2, up_bits[i] * 1000000);
		check(c, "error ratio", 1, up[i] - up[i] / 2, up_bits[i] * 1000000);
		check(c, "clean", 0, 0, 1000);
		check(c, "no counts", -1, -1, -1);
		check(c, "no bits", -1, 5, 0);
		if (i == 2) {
			check(c, "one night", 0, 9, 10);
		}
		case_end(c, "pass", EVL_STATE_FINISHED);
		c = case_begin("others");
		check(c, "error ratio", 1, down[i], 500);
		case_end(c, "pass", EVL_STATE_FINISHED);
		end(&n);
	}
	/* Once more the last night: nothing new. */
	struct night again = {.build = "A", .seed = 4};
	begin(&again);
	int c = case_begin("errors");
	check(c, "error ratio", 0, 6, 3000000);
	case_end(c, "pass", EVL_STATE_FINISHED);
	end(&again);

	load(NULL);
	assert_int_equal(past.series_count, 4);
	assert_int_equal(past.series_tested, 2);
	const struct evl_past_series *s = &past.series[0];
	assert_string_equal(s->case_name, "errors");
	assert_string_equal(s->title, "error ratio");
	assert_int_equal(s->point_count, 4);
	for (int i = 0; i < 4; i++) {
		assert_int_equal(s->points[i].errors, up[i]);
		assert_int_equal(s->points[i].bits, 2000000 * up_bits[i]);
	}
	assert_int_equal(s->errors, 9);
	assert_int_equal(s->bits, 30000000);
	near(s->trend.p_rising, 0.000587264);
	near(s->trend.p_falling, 0.999845888);
	near(s->p_rising, 2 * 0.000587264);
	assert_int_equal(s->finding, EVL_PAST_RISING);
	assert_string_equal(past.series[1].title, "clean");
	assert_string_equal(past.series[3].title, "one night");
	assert_false(past.series[1].tested || past.series[3].tested);
	near(past.series[1].p_rising, 1);
	s = &past.series[2];
	assert_string_equal(s->case_name, "others");
	near(s->trend.p_rising, 0.9794921875);
	near(s->trend.p_falling, 0.0498046875);
	near(s->p_falling, 2 * 0.0498046875);
	assert_int_equal(s->finding, EVL_PAST_NO_TREND);
	assert_int_equal(past.cases[0].finding, EVL_PAST_STEADY);
	assert_true(past.worse);
	load("others"); /* alone, 0.0498 is enough */
	assert_int_equal(past.series_count, 1);
	assert_int_equal(past.series[0].finding, EVL_PAST_FALLING);
	assert_false(past.worse);
}

static void test_choice(void **state)
{
	(void)state;
	const struct night all[] = {{.build = "A", .seed = 1},
		{.build = "A", .seed = 2, .bench = "bench 2"},
		{.build = "A", .seed = 3, .campaign = "other"}, {.build = "B", .seed = 4},
		{.build = "B", .seed = 5, .state = EVL_STATE_INTERRUPTED}};
	struct evl_past_query q = {0};
	REFUSED(evl_past_load(&past, store, &q, err), EVL_E_NOTFOUND, "it has none at all");
	for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
		begin(&all[i]);
		case_end(case_begin("one"), "pass",
			i == 3 ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED);
		end(&all[i]);
	}
	load(NULL);
	assert_string_equal(past.campaign_name, "nights");
	assert_string_equal(past.bench_name, "bench 1");
	assert_int_equal(past.run_count, 2);
	assert_int_equal(past.runs[1].run, 4);
	assert_int_equal(past.unfinished, 1);
	assert_int_equal(past.other_bench, 1);
	assert_int_equal(past.cases[0].counted, 1); /* a pass that was cut short is none */
	assert_string_equal(past.cases[0].entries[1].verdict, "none");
	evl_past_finish(&past);
	q.bench_name = "bench 2";
	OK(evl_past_load(&past, store, &q, err));
	assert_int_equal(past.run_count, 1);
	assert_int_equal(past.runs[0].run, 2);
	evl_past_finish(&past);
	q.campaign_name = "other";
	REFUSED(evl_past_load(&past, store, &q, err), EVL_E_NOTFOUND,
		"no finished run of campaign \"other\" on bench \"bench 2\"; it has campaign "
		"\"nights\" on bench \"bench 1\", campaign \"nights\" on bench \"bench 2\", "
		"campaign \"other\" on bench \"bench 1\"");
	q = (struct evl_past_query){.case_name = "two"};
	REFUSED(evl_past_load(&past, store, &q, err), EVL_E_NOTFOUND, "a case \"two\"");
	q = (struct evl_past_query){.alpha = 1};
	REFUSED(evl_past_load(&past, store, &q, err), EVL_E_INVALID, "between 0 and 1");
	q = (struct evl_past_query){.confidence = (double)NAN};
	REFUSED(evl_past_load(&past, store, &q, err), EVL_E_INVALID, "between 0 and 1");
}

static void by_sqlite(const char *sql)
{
	sqlite3 *db;
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
	sqlite3_close(db);
}

/* Rows as another program could put them: 1003 runs, and counts near the end of the range. */
static void test_bounds(void **state)
{
	(void)state;
	static const char sql[] =
		"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 1003) "
		"INSERT INTO run(run, campaign_name, bench_name, build, seed, clock, simulated, "
		"started_utc, state, verdict) "
		"SELECT i, 'long', 'b', 'A', i, 'real', 0, 't', 'finished', 'pass' FROM n;"
		"INSERT INTO case_(run, ordinal, name, state, verdict, started_ns) "
		"SELECT run, 0, 'one', 'finished', iif(run <= 1001, 'pass', 'fail'), 0 FROM run;"
		"INSERT INTO check_tally SELECT run, 0, 0, 'ratio', 9223372036854775807, "
		"9223372036854775807, x'01', x'' FROM run;"
		"INSERT INTO check_tally SELECT run, 0, 1, 'ratio', 9223372036854775807, "
		"9223372036854775807, x'01', x'' FROM run;";
	by_sqlite(sql);
	load(NULL);
	assert_int_equal(past.run_count, EVL_PAST_RUNS_MAX);
	assert_int_equal(past.older, 3);
	assert_int_equal(past.runs[0].run, 4);
	assert_int_equal(past.cases[0].counted, 1000);
	near(past.cases[0].history.p_worse, 2.0 / (1000.0 * 999)); /* 1 of C(1000, 2) orders */
	assert_int_equal(past.runs[past.cases[0].change->run].run, 1002);
	assert_true(past.series[0].points[0].errors == INT64_MAX);
	assert_int_equal(past.series[0].finding, EVL_PAST_NO_TREND); /* equal all the time */
}

/* ---- checks ---- */

/* One letter for each of the two channels, then one for a check about none. */
static void checks_of_night(const char *build, uint64_t seed, const char *letters)
{
	struct night n = {.build = build, .seed = seed, .real_clock = true};
	begin(&n);
	int case_no = case_begin("errors");
	const char *worst = NULL;
	for (int i = 0; letters[i] != '\0'; i++) {
		if (letters[i] == '-') {
			continue;
		}
		const char *verdict = verdict_of(letters[i]);
		OK(evl_store_add_check(store, NULL,
			&(struct evl_row_check){.case_no = case_no,
				.title = i == 2 ? "alarm" : "ratio",
				.channel_no = i == 2 ? -1 : i,
				.errors = i == 2 ? -1 : 3,
				.bits = i == 2 ? -1 : 1000,
				.at_ns = -1,
				.verdict = verdict},
			err));
		worst = evl_store_verdict_worse(worst, verdict);
	}
	case_end(case_no, worst, EVL_STATE_FINISHED);
	end(&n);
}

static int64_t run_at(const struct evl_past_entry *e)
{
	return e != NULL ? past.runs[e->run].run : 0;
}

/* Which checks ever failed, when first, and since when; the interval by SciPy 1.10, beta.ppf:
 * 1 failure of 4 has 0.006309 to 0.805880 at 95 %. */
static void test_checks(void **state)
{
	(void)state;
	checks_of_night("A", 1, "PPP");
	checks_of_night("A", 2, "FPP");
	checks_of_night("A", 3, "PPI");
	checks_of_night("B", 4, "P-P");
	checks_of_night("B", 5, "FPF");
	checks_of_night("B", 6, "PPF");
	checks_of_night("B", 7, "PPE");
	load(NULL);
	assert_int_equal(past.check_count, 0); /* not asked for */
	evl_past_finish(&past);
	OK(evl_past_load(&past, store, &(struct evl_past_query){.checks = true}, err));
	assert_int_equal(past.check_count, 2);
	const struct evl_past_case *ratio = &past.checks[0], *alarm = &past.checks[1];
	assert_string_equal(ratio->title, "ratio");
	assert_string_equal(ratio->role, "trib");
	assert_int_equal(ratio->number, 1);
	assert_int_equal(ratio->counted, 7);
	assert_int_equal(ratio->finding, EVL_PAST_FLAKY);
	assert_true(ratio->history.mixed_build);
	assert_int_equal(run_at(ratio->first_failure), 2);
	assert_int_equal(run_at(ratio->last_failure), 5);
	assert_null(ratio->failing_since);
	assert_int_equal(ratio->build_runs, 4);
	assert_int_equal(ratio->build_failures, 1);
	assert_int_equal(ratio->other_runs, 3);
	assert_int_equal(ratio->other_failures, 1);
	assert_true(fabs(ratio->build_interval.lower - 0.006309) < 1e-6);
	assert_true(fabs(ratio->build_interval.upper - 0.805880) < 1e-6);
	assert_string_equal(alarm->title, "alarm");
	assert_null(alarm->role);
	assert_int_equal(alarm->counted, 5); /* inconclusive and error say nothing */
	assert_int_equal(alarm->finding, EVL_PAST_NEWLY_FAILING);
	assert_int_equal(run_at(alarm->first_failure), 5);
	assert_int_equal(run_at(alarm->failing_since), 5);
	assert_int_equal(run_at(alarm->last_failure), 6);
	assert_false(past.worse); /* the case is flaky, and a check alone does not count */
	evl_past_finish(&past);

	OK(evl_past_load(&past, store, &(struct evl_past_query){.checks = true, .up_to = 4}, err));
	assert_int_equal(past.run_count, 4);
	assert_int_equal(past.check_count, 1);
	assert_int_equal(past.checks[0].build_runs, 1); /* build B */
}

/* The tally follows from the checks, and verification says when it does not. */
static void test_tally(void **state)
{
	(void)state;
	struct night n = {.build = "A", .seed = 1};
	begin(&n);
	int case_no = case_begin("errors");
	check(case_no, "ratio", 1, INT64_MAX, INT64_MAX); /* sums stay in range */
	check(case_no, "ratio", 1, 5, 7);
	check(case_no, "other", 0, -1, -1);
	case_end(case_no, "pass", EVL_STATE_FINISHED);
	end(&n);
	sqlite3 *db;
	sqlite3_stmt *stmt;
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(db,
				 "SELECT ordinal, title, errors, bits, hex(passed), hex(failed) "
				 "FROM check_tally ORDER BY ordinal",
				 -1, &stmt, NULL),
		SQLITE_OK);
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 1), "ratio");
	assert_true(sqlite3_column_int64(stmt, 2) == INT64_MAX);
	assert_true(sqlite3_column_int64(stmt, 3) == INT64_MAX);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 4), "04"); /* channel 1 */
	assert_string_equal((const char *)sqlite3_column_text(stmt, 5), "");
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 1), "other");
	assert_int_equal(sqlite3_column_int64(stmt, 3), 0);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 4), "02");
	assert_int_equal(sqlite3_step(stmt), SQLITE_DONE);
	sqlite3_finalize(stmt);
	sqlite3_close(db);
	OK(evl_store_chain_verify(store, 1, NULL, err));
	static const char *const changes[][2] = {
		{"UPDATE check_tally SET errors=0 WHERE ordinal=0",
			"UPDATE check_tally SET errors=9223372036854775807 WHERE ordinal=0"},
		{"UPDATE check_tally SET failed=x'04' WHERE ordinal=0",
			"UPDATE check_tally SET failed=x'' WHERE ordinal=0"},
		{"UPDATE check_tally SET passed=x'0600' WHERE ordinal=0",
			"UPDATE check_tally SET passed=x'04' WHERE ordinal=0"},
		{"UPDATE check_tally SET title='x' WHERE ordinal=1",
			"UPDATE check_tally SET title='other' WHERE ordinal=1"},
		{"INSERT INTO check_tally VALUES(1,0,2,'y',0,0,x'',x'')",
			"DELETE FROM check_tally WHERE ordinal=2"},
		{"DELETE FROM check_tally WHERE ordinal=1",
			"INSERT INTO check_tally VALUES(1,0,1,'other',0,0,x'02',x'')"}};
	for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
		struct evl_chain_report report;
		by_sqlite(changes[i][0]);
		REFUSED(evl_store_chain_verify(store, 1, &report, err), EVL_E_CORRUPT,
			"check_tally does not say what the checks say");
		assert_string_equal(report.table, "check_tally");
		by_sqlite(changes[i][1]);
		OK(evl_store_chain_verify(store, 1, NULL, err));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_findings, setup, teardown),
		cmocka_unit_test_setup_teardown(test_correction, setup, teardown),
		cmocka_unit_test_setup_teardown(test_repeats, setup, teardown),
		cmocka_unit_test_setup_teardown(test_trend, setup, teardown),
		cmocka_unit_test_setup_teardown(test_choice, setup, teardown),
		cmocka_unit_test_setup_teardown(test_bounds, setup, teardown),
		cmocka_unit_test_setup_teardown(test_checks, setup, teardown),
		cmocka_unit_test_setup_teardown(test_tally, setup, teardown),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
