/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Build against build. P values of the exact conditional test (Przyborowski and Wilenski 1940) by
 * SciPy 1.10, binom.sf: 4 then 15 errors 0.0096054, 2 then 9 0.0327148, 2 in 3600 s then 12 in
 * 7200 s 0.1053337, 12 then 3 0.9963074. Holm's correction (1979) of them worked by hand.
 */
#include "fill.h"

#include <math.h>

#include "core/store/compare.h"

static char *folder;
static char *path;
static struct evl_store *store;
static struct evl_run *before;
static struct evl_run *after;
static struct evl_compare cmp;

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	path = path_in(folder, "lab.evl");
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	before = NULL;
	after = NULL;
	memset(&cmp, 0, sizeof cmp);
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	evl_compare_finish(&cmp);
	evl_run_destroy(before);
	evl_run_destroy(after);
	evl_store_close(store);
	free(path);
	folder_destroy(folder);
	return 0;
}

struct line {
	const char *case_name;
	const char *title;
	int channel_no;
	const char *verdict;
	int64_t errors;
	int64_t bits;
};

/* A run with the checks of the list; a case begins where the name changes. */
static struct evl_run *run_of(const struct line *lines)
{
	int64_t run;
	int case_no = -1;
	const char *worst = NULL;
	fill_setup(store, &run, &fill_a);
	for (const struct line *l = lines; l->case_name != NULL; l++) {
		if (l == lines || strcmp(l[-1].case_name, l->case_name) != 0) {
			OK(evl_store_case_begin(store, &case_no,
						&(struct evl_row_case){.name = l->case_name}, err));
			worst = NULL;
		}
		OK(evl_store_add_check(store, NULL,
				       &(struct evl_row_check){.case_no = case_no,
							       .title = l->title,
							       .channel_no = l->channel_no,
							       .verdict = l->verdict,
							       .at_ns = -1,
							       .errors = l->errors,
							       .bits = l->bits},
				       err));
		worst = evl_store_verdict_worse(worst, l->verdict);
		if (l[1].case_name == NULL || strcmp(l[1].case_name, l->case_name) != 0) {
			OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED, worst, NULL, 1,
					      err));
		}
	}
	OK(evl_store_run_end(store, EVL_STATE_FINISHED, NULL, NULL, "t", err));
	struct evl_run *loaded = NULL;
	OK(evl_store_load_run(&loaded, store, run, err));
	return loaded;
}

static void near(double value, double expected)
{
	if (fabs(value - expected) > 5e-7) {
		fail_msg("%.9f instead of %.9f", value, expected);
	}
}

static void test_worse_though_passing(void **state)
{
	(void)state;
	const struct line b[] = {{"errors", "ratio", 0, "pass", 4, 1000000},
				 {"errors", "ratio", 1, "pass", 2, 1000000},
				 {"errors", "ratio", 2, "pass", 2, 3600},
				 {0}};
	const struct line a[] = {{"errors", "ratio", 0, "pass", 15, 1000000},
				 {"errors", "ratio", 1, "pass", 9, 1000000},
				 {"errors", "ratio", 2, "pass", 12, 7200},
				 {0}};
	before = run_of(b);
	after = run_of(a);
	OK(evl_compare_runs(&cmp, before, after, 0.05, err));
	assert_int_equal(cmp.item_count, 3);
	assert_int_equal(cmp.tested, 3);
	near(cmp.items[0].p, 0.009605408);
	near(cmp.items[1].p, 0.032714844);
	near(cmp.items[2].p, 0.105333737);
	near(cmp.items[0].p_adjusted, 3 * 0.009605408);
	near(cmp.items[1].p_adjusted, 2 * 0.032714844);
	near(cmp.items[2].p_adjusted, 0.105333737);
	assert_int_equal(cmp.items[0].change, EVL_CHANGE_WORSE);
	assert_int_equal(cmp.items[1].change, EVL_CHANGE_SAME); /* alone it would have counted */
	assert_int_equal(cmp.items[2].change, EVL_CHANGE_SAME);
	/* Benjamini and Hochberg: the second of three times 3/2, so it is worth a look. */
	near(cmp.items[1].p_look, 1.5 * 0.032714844);
	assert_int_equal(cmp.items[1].counts, EVL_COUNT_LOOK);
	assert_int_equal(cmp.items[0].counts, EVL_COUNT_NOISE); /* it is worse already */
	assert_int_equal(cmp.items[2].counts, EVL_COUNT_NOISE);
	assert_int_equal(cmp.look_here, 1);
	assert_string_equal(cmp.items[0].role, "trib");
	assert_int_equal(cmp.items[0].number, 1);
	assert_int_equal(cmp.cases[0].change, EVL_CHANGE_WORSE);
	assert_int_equal(cmp.cases[0].count[EVL_CHANGE_WORSE], 1);
	assert_true(cmp.worse);
	assert_true(cmp.same_campaign && cmp.same_bench && cmp.same_seed);
	evl_compare_finish(&cmp);

	/* The other way round nothing is worse. */
	OK(evl_compare_runs(&cmp, after, before, 0.05, err));
	assert_int_equal(cmp.count[EVL_CHANGE_SAME], 3);
	assert_false(cmp.worse);
	assert_int_equal(cmp.items[0].counts, EVL_COUNT_BETTER);
	assert_int_equal(cmp.better, 1);
	evl_compare_finish(&cmp);
	OK(evl_compare_runs(&cmp, before, before, 0.05, err));
	assert_int_equal(cmp.count[EVL_CHANGE_SAME], 3);
	assert_false(cmp.worse);
	evl_compare_finish(&cmp);
	REFUSED(evl_compare_runs(&cmp, before, after, 0, err), EVL_E_INVALID, "alpha is 0");
	REFUSED(evl_compare_runs(&cmp, before, after, (double)NAN, err), EVL_E_INVALID, "alpha");
	OK(evl_compare_runs(&cmp, before, after, 0.01, err));
	assert_int_equal(cmp.count[EVL_CHANGE_WORSE], 0);
}

static void test_one_pair(void **state)
{
	(void)state;
	const struct line b[] = {{"errors", "ratio", 0, "pass", 12, 500},
				 {"errors", "no counts", -1, "pass", -1, -1},
				 {"errors", "no bits", -1, "pass", 0, 0},
				 {0}};
	const struct line a[] = {{"errors", "ratio", 0, "pass", 3, 500},
				 {"errors", "no counts", -1, "pass", -1, -1},
				 {"errors", "no bits", -1, "pass", 0, 0},
				 {0}};
	before = run_of(b);
	after = run_of(a);
	OK(evl_compare_runs(&cmp, before, after, 0.05, err));
	assert_int_equal(cmp.tested, 1);
	near(cmp.items[0].p, 0.996307373);
	near(cmp.items[0].p_adjusted, 0.996307373);
	assert_false(cmp.items[1].tested);
	assert_false(cmp.items[2].tested);
	assert_null(cmp.items[1].role);
	assert_false(cmp.worse);
}

/* Every pair of verdicts; the table is the definition in compare.h. */
static void test_verdict_pairs(void **state)
{
	(void)state;
	static const char *const v[] = {"none", "pass", "inconclusive", "fail", "error"};
	static const enum evl_change want[5][5] = {
		/* now: none, pass, inconclusive, fail, error; before: */
		/* none */ {EVL_CHANGE_SAME, EVL_CHANGE_PROVED, EVL_CHANGE_SAME,
			    EVL_CHANGE_NEWLY_FAILING, EVL_CHANGE_NEWLY_FAILING},
		/* pass */
		{EVL_CHANGE_NOT_PROVED, EVL_CHANGE_SAME, EVL_CHANGE_NOT_PROVED,
		 EVL_CHANGE_NEWLY_FAILING, EVL_CHANGE_NEWLY_FAILING},
		/* inconclusive */
		{EVL_CHANGE_SAME, EVL_CHANGE_PROVED, EVL_CHANGE_SAME, EVL_CHANGE_NEWLY_FAILING,
		 EVL_CHANGE_NEWLY_FAILING},
		/* fail */
		{EVL_CHANGE_UNDECIDED, EVL_CHANGE_REPAIRED, EVL_CHANGE_UNDECIDED,
		 EVL_CHANGE_STILL_FAILING, EVL_CHANGE_STILL_FAILING},
		/* error */
		{EVL_CHANGE_UNDECIDED, EVL_CHANGE_REPAIRED, EVL_CHANGE_UNDECIDED,
		 EVL_CHANGE_STILL_FAILING, EVL_CHANGE_STILL_FAILING},
	};
	struct line b[26] = {0};
	struct line a[26] = {0};
	char titles[25][16];
	for (int i = 0; i < 25; i++) {
		snprintf(titles[i], sizeof titles[i], "check %d", i);
		b[i] = (struct line){"pairs", titles[i], -1, v[i / 5], -1, -1};
		a[24 - i] = (struct line){"pairs", titles[i], -1, v[i % 5], -1, -1};
	}
	before = run_of(b);
	after = run_of(a);
	OK(evl_compare_runs(&cmp, before, after, 0.05, err));
	assert_int_equal(cmp.item_count, 25);
	for (int i = 0; i < 25; i++) {
		assert_string_equal(cmp.items[i].title, titles[i]);
		if (cmp.items[i].change != want[i / 5][i % 5]) {
			fail_msg("%s then %s: %s", v[i / 5], v[i % 5],
				 evl_change_name(cmp.items[i].change));
		}
	}
	assert_int_equal(cmp.count[EVL_CHANGE_STILL_FAILING], 4);
	assert_int_equal(cmp.count[EVL_CHANGE_NEWLY_FAILING], 6);
	assert_int_equal(cmp.cases[0].change, EVL_CHANGE_STILL_FAILING);
}

/* Which single change makes the later run worse: by the order of verdicts, a step down, except
 * that the absence of a judgement (none) is no better than a pass. */
static void test_what_is_worse(void **state)
{
	(void)state;
	static const struct {
		const char *before, *after;
		bool worse;
	} pairs[] = {{"pass", "inconclusive", true}, {"pass", "none", true}, {"pass", "fail", true},
		{"inconclusive", "fail", true}, {"fail", "inconclusive", false},
		{"error", "inconclusive", false}, {"fail", "none", false}, {"fail", "pass", false},
		{"inconclusive", "none", false}, {"fail", "error", false}, {"fail", "fail", false}};
	for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
		const struct line b[] = {{"one", "t", 0, pairs[i].before, -1, -1}, {0}};
		const struct line a[] = {{"one", "t", 0, pairs[i].after, -1, -1}, {0}};
		before = run_of(b);
		after = run_of(a);
		OK(evl_compare_runs(&cmp, before, after, 0.05, err));
		if (cmp.worse != pairs[i].worse) {
			fail_msg("%s then %s", pairs[i].before, pairs[i].after);
		}
		evl_compare_finish(&cmp);
		evl_run_destroy(before);
		evl_run_destroy(after);
		before = after = NULL;
	}
}

static void test_only_in_one(void **state)
{
	(void)state;
	const struct line b[] = {
		{"first", "t", 0, "pass", -1, -1},     {"first", "twice", 1, "pass", -1, -1},
		{"first", "twice", 1, "fail", -1, -1}, {"gone", "t", 0, "pass", -1, -1},
		{"again", "t", 2, "pass", -1, -1},     {0}};
	const struct line a[] = {{"new", "t", 0, "fail", -1, -1},
				 {"again", "t", 2, "pass", -1, -1},
				 {"first", "t", 1, "pass", -1, -1}, /* another channel */
				 {"first", "twice", 1, "fail", -1, -1},
				 {"first", "twice", 1, "fail", -1, -1},
				 {0}};
	before = run_of(b);
	after = run_of(a);
	OK(evl_compare_runs(&cmp, before, after, 0.05, err));
	static const struct {
		const char *case_name;
		const char *title;
		int number;
		enum evl_change change;
	} want[] = {
		{"first", "t", 1, EVL_CHANGE_ONLY_BEFORE},
		{"first", "twice", 2, EVL_CHANGE_NEWLY_FAILING},
		{"first", "twice", 2, EVL_CHANGE_STILL_FAILING},
		{"first", "t", 2, EVL_CHANGE_ONLY_AFTER},
		{"gone", "t", 1, EVL_CHANGE_ONLY_BEFORE},
		{"again", "t", 3, EVL_CHANGE_SAME},
		{"new", "t", 1, EVL_CHANGE_ONLY_AFTER},
	};
	assert_int_equal(cmp.item_count, 7);
	for (size_t i = 0; i < 7; i++) {
		assert_string_equal(cmp.items[i].case_name, want[i].case_name);
		assert_string_equal(cmp.items[i].title, want[i].title);
		assert_int_equal(cmp.items[i].number, want[i].number);
		assert_int_equal(cmp.items[i].change, want[i].change);
	}
	assert_int_equal(cmp.case_count, 4);
	assert_int_equal(cmp.cases[0].change, EVL_CHANGE_STILL_FAILING);
	assert_int_equal(cmp.cases[0].count[EVL_CHANGE_ONLY_AFTER], 1);
	assert_int_equal(cmp.cases[1].change, EVL_CHANGE_ONLY_BEFORE);
	assert_int_equal(cmp.cases[2].change, EVL_CHANGE_SAME);
	assert_int_equal(cmp.cases[3].change, EVL_CHANGE_ONLY_AFTER);
	assert_int_equal(cmp.cases[3].count[EVL_CHANGE_ONLY_AFTER], 1);
	assert_int_equal(cmp.count[EVL_CHANGE_ONLY_BEFORE], 2);
	assert_true(cmp.worse);
}

static void test_streams(void **state)
{
	(void)state;
	struct fill f = fill_a;
	int64_t one = fill_run(store, &f);
	f.build = "B";
	f.errors = 300; /* its digest of channel 1, received, differs */
	int64_t two = fill_run(store, &f);
	OK(evl_store_load_run(&before, store, one, err));
	OK(evl_store_load_run(&after, store, two, err));
	OK(evl_compare_runs(&cmp, before, after, 0.05, err));
	assert_int_equal(cmp.stream_count, 6);
	assert_int_equal(cmp.stream_counts[EVL_STREAM_EQUAL], 5);
	assert_int_equal(cmp.stream_counts[EVL_STREAM_DIFFERENT], 1);
	for (size_t i = 0; i < 6; i++) {
		const struct evl_compare_stream *s = &cmp.streams[i];
		bool is_it = s->number == 2 && strcmp(s->direction, "received") == 0;
		assert_int_equal(s->change, is_it ? EVL_STREAM_DIFFERENT : EVL_STREAM_EQUAL);
		assert_string_equal(s->take_name, "first");
		assert_string_equal(s->case_name, "bit-errors");
	}
	/* 0 of 8192000 then 300 of 8192000 fails now: p = 2^-300, which binom.sf gives as well. */
	assert_int_equal(cmp.count[EVL_CHANGE_NEWLY_FAILING], 1);
	near(cmp.items[1].p, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_worse_though_passing, setup, teardown),
		cmocka_unit_test_setup_teardown(test_one_pair, setup, teardown),
		cmocka_unit_test_setup_teardown(test_verdict_pairs, setup, teardown),
		cmocka_unit_test_setup_teardown(test_what_is_worse, setup, teardown),
		cmocka_unit_test_setup_teardown(test_only_in_one, setup, teardown),
		cmocka_unit_test_setup_teardown(test_streams, setup, teardown),
	};
	return cmocka_run_group_tests_name("store.compare", tests, NULL, NULL);
}
