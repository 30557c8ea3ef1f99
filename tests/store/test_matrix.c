/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Runs beside each other. What a row is called follows from the order of its verdicts, by the words
 * of core/store/matrix.h. Sources of the numbers:
 * - two counts: SciPy 1.10, binom.sf: 4 then 15 errors in equal bits 0.009605407714844, 2 then 9
 *   0.032714843750, 0 then 15 1/2^15;
 * - shares: SciPy 1.10, fisher_exact, alternative "greater": 1 of 8 then 2 of 4 0.236363636364
 *   (26/110 by hand), 0 of 9 then 3 of 4 0.013986013986;
 * - intervals: SciPy 1.10, beta.ppf: 2 of 4 0.067585986488 to 0.932414013512;
 * - Holm's correction (1979) worked by hand.
 */
#include "fill.h"

#include <math.h>

#include "core/store/matrix.h"

static char *folder;
static char *path;
static struct evl_store *store;
static struct evl_matrix m;

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	path = path_in(folder, "lab.evl");
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	memset(&m, 0, sizeof m);
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	evl_matrix_finish(&m);
	evl_store_close(store);
	free(path);
	folder_destroy(folder);
	return 0;
}

static void near(double value, double expected)
{
	if (!(fabs(value - expected) <= 1e-9)) {
		fail_msg("%.12f instead of %.12f", value, expected);
	}
}

/* ---- runs ---- */

struct check {
	const char *case_name;
	const char *title;
	int channel_no;
	char letter; /* '.': not made */
	int64_t errors, bits;
};

static int64_t begin(const char *build, int64_t reference)
{
	int64_t run;
	OK(evl_store_run_begin(store, &run,
		&(struct evl_row_run){.campaign_name = "nightly",
			.campaign_sha256 = "c0",
			.bench_name = "bench 1",
			.bench_sha256 = "b0",
			.notice = "invented scenario",
			.build = build,
			.seed = 1,
			.reference_run = reference,
			.clock = "real",
			.started_utc = "2026-11-25T09:00:00Z"},
		err));
	for (int i = 0; i < 4; i++) {
		char name[16];
		snprintf(name, sizeof name, "e1-%d", i + 1);
		OK(evl_store_add_channel(store,
			&(struct evl_row_channel){.ordinal = i,
				.role = "trib",
				.number = i + 1,
				.adapter = "mux",
				.channel = name,
				.rate = "E1"},
			err));
	}
	return run;
}

static int64_t end(const char *state, int64_t run)
{
	OK(evl_store_run_end(store, state, NULL, NULL, "2026-11-25T10:00:00Z", err));
	return run;
}

static int case_begin(const char *name)
{
	int case_no = -1;
	OK(evl_store_case_begin(store, &case_no, &(struct evl_row_case){.name = name}, err));
	return case_no;
}

static const char *verdict_of(char letter)
{
	return letter == 'P'   ? "pass"
	       : letter == 'F' ? "fail"
	       : letter == 'I' ? "inconclusive"
	       : letter == 'E' ? "error"
			       : "none";
}

/* The list ends without a case; a case begins where the name changes. */
static int64_t run_of(const char *build, const struct check *list)
{
	int64_t run = begin(build, -1);
	for (const struct check *c = list; c->case_name != NULL;) {
		const char *name = c->case_name, *worst = NULL;
		int case_no = case_begin(name);
		for (; c->case_name != NULL && strcmp(c->case_name, name) == 0; c++) {
			if (c->letter == '.') {
				continue;
			}
			const char *verdict = verdict_of(c->letter);
			OK(evl_store_add_check(store, NULL,
				&(struct evl_row_check){.case_no = case_no,
					.title = c->title,
					.channel_no = c->channel_no,
					.value = verdict,
					.errors = c->bits > 0 ? c->errors : -1,
					.bits = c->bits > 0 ? c->bits : -1,
					.at_ns = -1,
					.reason = "as planned",
					.verdict = verdict},
				err));
			worst = evl_store_verdict_worse(worst, verdict);
		}
		OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED,
			worst != NULL ? worst : "none", NULL, 1, err));
	}
	return end(EVL_STATE_FINISHED, run);
}

/* A night of one check on channel 0 by its letter. */
static int64_t night(const char *build, char letter)
{
	return run_of(build, (struct check[]){{"c", "t", 0, letter, 0, 0}, {0}});
}

static void load(const int64_t *runs, size_t count)
{
	evl_matrix_finish(&m);
	OK(evl_matrix_load(
		&m, store, &(struct evl_matrix_query){.runs = runs, .run_count = count}, err));
}

static const struct evl_matrix_row *row_of(const char *case_name, const char *title, int number)
{
	for (size_t i = 0; i < m.row_count; i++) {
		const struct evl_matrix_row *r = &m.rows[i];
		if (strcmp(r->case_name, case_name) == 0 && r->number == number &&
			(title == NULL ? r->title == NULL
				       : r->title != NULL && strcmp(r->title, title) == 0)) {
			return r;
		}
	}
	fail_msg("no row %s, %s, %d", case_name, title != NULL ? title : "the case", number);
	return NULL;
}

/* ---- verdicts ---- */

static void test_findings(void **state)
{
	(void)state;
	static const struct {
		const char *letters; /* each run is of a build of its own */
		enum evl_matrix_finding finding;
		size_t before; /* column */
	} rows[] = {{"PPF", EVL_MATRIX_NEWLY_FAILING, 1}, {"PFP", EVL_MATRIX_REPAIRED, 1},
		{"PFF", EVL_MATRIX_STILL_FAILING, 1}, {"FPF", EVL_MATRIX_NEWLY_FAILING, 1},
		{"PPE", EVL_MATRIX_NEWLY_FAILING, 1}, {"FEP", EVL_MATRIX_REPAIRED, 1},
		{"PPP", EVL_MATRIX_SAME, 1}, {"PPI", EVL_MATRIX_NOT_PROVED, 1},
		{"PIP", EVL_MATRIX_SAME, 0}, {"PII", EVL_MATRIX_NOT_PROVED, 0},
		{"FII", EVL_MATRIX_UNDECIDED, 0}, {"FIP", EVL_MATRIX_REPAIRED, 0},
		{"PIF", EVL_MATRIX_NEWLY_FAILING, 0}, {"IIP", EVL_MATRIX_PROVED, 1},
		{"III", EVL_MATRIX_SAME, 1}, {"I-P", EVL_MATRIX_PROVED, 1},
		{"PP.", EVL_MATRIX_MISSING, 1}, {"F..", EVL_MATRIX_MISSING, 0},
		{"..P", EVL_MATRIX_NEW, EVL_MATRIX_NONE}, {"..F", EVL_MATRIX_NEW, EVL_MATRIX_NONE},
		{"P.F", EVL_MATRIX_NEWLY_FAILING, 0}, {"P.P", EVL_MATRIX_SAME, 0}};
	enum { ROWS = sizeof rows / sizeof *rows };
	int64_t runs[3];
	char names[ROWS][16];
	for (int r = 0; r < 3; r++) {
		struct check list[ROWS + 1] = {{0}};
		for (int i = 0; i < ROWS; i++) {
			snprintf(names[i], sizeof names[i], "case %d", i);
			list[i] = (struct check){names[i], "t", i % 4, rows[i].letters[r], 0, 0};
		}
		runs[r] = run_of((const char *[]){"A", "B", "C"}[r], list);
	}
	load(runs, 3);
	assert_int_equal(m.run_count, 3);
	assert_int_equal(m.case_count, ROWS);
	assert_int_equal(m.row_count, 2 * ROWS);
	assert_true(m.worse);
	assert_string_equal(m.runs[1].build, "B");
	assert_true(m.runs[0].same_campaign && m.runs[0].same_bench && m.runs[0].same_seed);
	int count[EVL_MATRIX_FINDING_COUNT] = {0};
	for (int i = 0; i < ROWS; i++) {
		const struct evl_matrix_row *r = row_of(names[i], "t", i % 4 + 1);
		if (r->finding != rows[i].finding || r->before != rows[i].before) {
			fail_msg("%s: %s against column %zd", rows[i].letters,
				evl_matrix_finding_name(r->finding), (ssize_t)r->before);
		}
		for (int c = 0; c < 3; c++) {
			assert_int_equal(evl_matrix_letter(&r->cells[c]), rows[i].letters[c]);
		}
		assert_string_equal(m.rows[r->case_row].case_name, names[i]);
		assert_null(m.rows[r->case_row].title);
		count[r->finding]++;
	}
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT; f++) {
		assert_int_equal(count[f], m.check_findings[f]);
	}
	/* Its first and newest failure, whether or not it fails now. */
	const struct evl_matrix_row *repaired = row_of("case 1", "t", 2);
	assert_int_equal(repaired->failed_run, runs[1]);
	assert_string_equal(repaired->failed_build, "B");
	const struct evl_matrix_row *fails = row_of("case 2", "t", 3);
	assert_int_equal(m.past.runs[fails->past->failing_since->run].run, runs[1]);
	assert_string_equal(fails->reason, "as planned");
	/* An error of the tester is no failure in the history, but one in the columns. */
	assert_int_equal(row_of("case 4", "t", 1)->failed_run, runs[2]);
	assert_null(row_of("case 4", "t", 1)->past);

	/* The other way round: what is judged is the last column, not the newest run. */
	load((int64_t[]){runs[2], runs[0]}, 2);
	assert_int_equal(row_of("case 0", "t", 1)->finding, EVL_MATRIX_REPAIRED);
	assert_int_equal(row_of("case 18", "t", 3)->finding, EVL_MATRIX_MISSING);
}

/* The worst of several alike in one run. */
static void test_alike(void **state)
{
	(void)state;
	const struct check a[] = {{"c", "t", -1, 'P', 1, 100}, {"c", "t", -1, 'F', 2, 100},
		{"c", "t", 0, 'P', 3, 100}, {"d", "t", -1, 'P', 0, 0}, {"c", "t", -1, 'P', 4, 50},
		{0}};
	const struct check b[] = {{"c", "t", -1, 'P', 0, 100}, {"d", "t", -1, 'P', 0, 0}, {0}};
	int64_t runs[] = {run_of("A", a), run_of("B", b)};
	load(runs, 2);
	assert_int_equal(m.case_count, 2);
	assert_int_equal(m.row_count, 5);
	const struct evl_matrix_row *r = row_of("c", "t", 0);
	assert_null(r->role);
	assert_string_equal(r->cells[0].verdict, "fail");
	assert_string_equal(r->cells[0].value, "fail");
	assert_int_equal(r->cells[0].errors, 7);
	assert_int_equal(r->cells[0].bits, 250);
	assert_int_equal(r->finding, EVL_MATRIX_REPAIRED);
	assert_int_equal(row_of("c", NULL, 0)->finding, EVL_MATRIX_REPAIRED);
	assert_int_equal(row_of("c", "t", 1)->finding, EVL_MATRIX_MISSING);
}

/* ---- counts ---- */

static void test_worse_though_passing(void **state)
{
	(void)state;
	const struct check a[] = {{"c", "t", 0, 'P', 4, 1000000}, {"c", "t", 1, 'P', 2, 1000000},
		{"c", "t", 2, 'P', 7, 1000000}, {0}};
	const struct check b[] = {{"c", "t", 0, 'P', 15, 1000000}, {"c", "t", 1, 'P', 9, 1000000},
		{"c", "t", 2, 'P', 7, 1000000}, {0}};
	const struct check c[] = {{"c", "t", 0, 'P', 15, 1000000}, {"c", "t", 1, 'P', 9, 1000000},
		{"c", "t", 2, 'F', 7, 1000000}, {0}};
	int64_t runs[] = {run_of("A", a), run_of("B", b), run_of("C", c)};
	load(runs, 2);
	assert_int_equal(m.tested, 3);
	near(row_of("c", "t", 1)->p_worse, 3 * 0.009605407714844);
	near(row_of("c", "t", 2)->p_worse, 2 * 0.032714843750);
	assert_int_equal(row_of("c", "t", 1)->finding, EVL_MATRIX_WORSE);
	assert_int_equal(row_of("c", "t", 2)->finding, EVL_MATRIX_LOOK);
	assert_int_equal(row_of("c", "t", 3)->finding, EVL_MATRIX_SAME);
	assert_int_equal(row_of("c", NULL, 0)->finding, EVL_MATRIX_WORSE);
	assert_true(m.worse);

	/* A drift is seen against the first run, though nothing changed since the second. */
	load(runs, 3);
	assert_int_equal(m.tested, 6);
	const struct evl_matrix_row *r = row_of("c", "t", 1);
	assert_int_equal(r->tests, 2);
	near(r->p_worse, 6 * 0.009605407714844);
	assert_int_equal(r->worse_than, 0);
	assert_int_equal(r->finding, EVL_MATRIX_SAME); /* 0.0576: not with six tests */
	evl_matrix_finish(&m);
	OK(evl_matrix_load(&m, store,
		&(struct evl_matrix_query){.runs = runs, .run_count = 3, .alpha = 0.06}, err));
	assert_int_equal(row_of("c", "t", 1)->finding, EVL_MATRIX_WORSE);
	assert_int_equal(row_of("c", "t", 3)->finding, EVL_MATRIX_NEWLY_FAILING);

	/* Two columns are told by the same words as the comparison of two runs. */
	struct evl_run *one = NULL, *two = NULL;
	struct evl_compare cmp = {0};
	OK(evl_store_load_run(&one, store, runs[0], err));
	OK(evl_store_load_run(&two, store, runs[1], err));
	OK(evl_compare_runs(&cmp, one, two, 0.05, err));
	load(runs, 2);
	for (size_t i = 0; i < cmp.item_count; i++) {
		const struct evl_matrix_row *x = row_of("c", "t", cmp.items[i].number);
		assert_int_equal(x->change, cmp.items[i].change);
		near(x->p_worse, cmp.items[i].p_adjusted);
		assert_int_equal(
			x->finding == EVL_MATRIX_LOOK, cmp.items[i].counts == EVL_COUNT_LOOK);
	}
	evl_compare_finish(&cmp);
	evl_run_destroy(one);
	evl_run_destroy(two);
}

/* ---- flaky ---- */

static void test_flaky(void **state)
{
	(void)state;
	int64_t first = night("A", 'P');
	night("A", 'P');
	night("A", 'F');
	for (int i = 0; i < 5; i++) {
		night("A", 'P');
	}
	int64_t in_between = night("B", 'F');
	night("B", 'P');
	night("B", 'P');
	int64_t last = night("B", 'F');
	load((int64_t[]){first, last}, 2);
	const struct evl_matrix_row *r = row_of("c", "t", 1);
	assert_true(r->flaky);
	assert_int_equal(r->change, EVL_CHANGE_NEWLY_FAILING); /* by the last verdict alone */
	assert_int_equal(r->finding, EVL_MATRIX_FLAKY);
	assert_int_equal(r->past->build_runs, 4);
	assert_int_equal(r->past->build_failures, 2);
	near(r->past->build_interval.lower, 0.067585986488);
	near(r->past->build_interval.upper, 0.932414013512);
	/* The case and its check. */
	assert_int_equal(m.flaky_tested, 2);
	near(r->p_more_often, 2 * 0.236363636364);
	assert_false(m.worse);

	/* Known up to the newest run compared, and no further. */
	load((int64_t[]){first, in_between}, 2);
	r = row_of("c", "t", 1);
	assert_int_equal(r->past->history.runs, 9);
	assert_int_equal(r->past->build_runs, 1);
}

static void test_flaky_more_often(void **state)
{
	(void)state;
	/* Two builds by turns, so that no change at one time can be proved: A fails in 0 of 9, B in
	 * 3 of 4. */
	int64_t first = 0, last = 0;
	static const char builds[] = "AABAABAABAAAB", letters[] = "PPFPPFPPPPPPF";
	for (size_t i = 0; builds[i] != '\0'; i++) {
		last = night((char[]){builds[i], '\0'}, letters[i]);
		first = i == 0 ? last : first;
	}
	int64_t runs[] = {first, last};
	load(runs, 2);
	const struct evl_matrix_row *r = row_of("c", "t", 1);
	assert_true(r->flaky);
	near(r->p_more_often, 2 * 0.013986013986);
	assert_int_equal(r->finding, EVL_MATRIX_WORSE);
	assert_int_equal(row_of("c", NULL, 0)->finding, EVL_MATRIX_WORSE);
	assert_true(m.worse);
	evl_matrix_finish(&m);
	OK(evl_matrix_load(&m, store,
		&(struct evl_matrix_query){.runs = runs, .run_count = 2, .alpha = 0.02}, err));
	assert_int_equal(row_of("c", "t", 1)->finding, EVL_MATRIX_FLAKY);
	assert_false(m.worse);
}

/* A change that is proved is no flakiness: nine passes, then F P F F of another build. */
static void test_change_proved(void **state)
{
	(void)state;
	static const char builds[] = "AAAAAAAAABBBB", letters[] = "PPPPPPPPPFPFF";
	int64_t last = 0;
	for (size_t i = 0; builds[i] != '\0'; i++) {
		last = night((char[]){builds[i], '\0'}, letters[i]);
	}
	load((int64_t[]){1, last}, 2);
	const struct evl_matrix_row *r = row_of("c", "t", 1);
	assert_false(r->flaky);
	assert_true(r->past->proved);
	assert_int_equal(r->finding, EVL_MATRIX_NEWLY_FAILING);
	assert_true(m.worse);
}

/* ---- recordings ---- */

/* `made`: names of the recordings that the case makes; `replayed`: one that it plays. */
static int64_t recorded(const char *build, char letter, const char *made, const char *more,
	const char *replayed, int64_t reference)
{
	int64_t run = begin(build, reference);
	int case_no = case_begin("c"), take_no = -1;
	OK(evl_store_take_begin(
		store, &take_no, &(struct evl_row_take){.case_no = case_no, .clock = "real"}, err));
	const char *const names[] = {made, more};
	for (int i = 0; i < 2 && names[i] != NULL; i++) {
		int no = -1;
		char file[32];
		snprintf(file, sizeof file, "run-%d-%d.pcapng", (int)run, i);
		OK(evl_store_recording_begin(store, &no,
			&(struct evl_row_recording){.case_no = case_no,
				.take_no = take_no,
				.name = names[i],
				.path = file},
			err));
		OK(evl_store_recording_end(store, no,
			&(struct evl_row_recording){
				.file_sha256 = "00", .bytes = 1000, .finished = true},
			err));
	}
	if (replayed != NULL) {
		char text[128];
		snprintf(text, sizeof text, "recording %.40s, trib-1.sent", replayed);
		OK(evl_store_put_stream(store,
			&(struct evl_row_stream){.case_no = case_no,
				.take_no = take_no,
				.direction = "sent",
				.description = text},
			err));
	}
	OK(evl_store_take_end(store, case_no, take_no, EVL_STATE_FINISHED, 8000, err));
	OK(evl_store_add_check(store, NULL,
		&(struct evl_row_check){.case_no = case_no,
			.title = "t",
			.errors = -1,
			.bits = -1,
			.at_ns = -1,
			.verdict = verdict_of(letter)},
		err));
	OK(evl_store_case_end(
		store, case_no, EVL_STATE_FINISHED, verdict_of(letter), NULL, 1, err));
	return end(EVL_STATE_FINISHED, run);
}

static void expect_recording(const int64_t *runs, const char *name, const char *file, int64_t run,
	size_t more, bool of_failure)
{
	load(runs, 2);
	const struct evl_matrix_recording *r = &row_of("c", "t", 1)->recording;
	if (name == NULL) {
		assert_null(r->name);
		return;
	}
	assert_non_null(r->name);
	assert_string_equal(r->name, name);
	assert_string_equal(r->path, file);
	assert_int_equal(r->run, run);
	assert_int_equal(r->more, more);
	assert_int_equal(r->of_failure, of_failure);
}

static void test_recordings(void **state)
{
	(void)state;
	const char *name = "a name of more than forty bytes, so that it is cut";
	int64_t one = recorded("A", 'P', name, NULL, NULL, -1);
	int64_t two = recorded("B", 'F', "capture", "second", NULL, -1);
	int64_t three = recorded("C", 'F', NULL, NULL, name, -1);
	int64_t four = recorded("D", 'F', NULL, NULL, "capture", two);
	int64_t five = recorded("E", 'F', NULL, NULL, NULL, -1);
	int64_t six = recorded("F", 'P', NULL, NULL, NULL, -1);
	/* Of the failing run. */
	expect_recording((int64_t[]){one, two}, "capture", "run-2-0.pcapng", two, 1, true);
	/* What the failing case replayed: of a passed run before, or of the reference run. */
	expect_recording((int64_t[]){one, three}, name, "run-1-0.pcapng", one, 0, false);
	expect_recording((int64_t[]){one, four}, "capture", "run-2-0.pcapng", two, 0, false);
	/* Neither: the newest of the columns. */
	expect_recording((int64_t[]){one, five}, name, "run-1-0.pcapng", one, 0, false);
	/* Repaired: the failure that is to be replayed is that of run 5, which has none. */
	expect_recording((int64_t[]){two, six}, "capture", "run-2-0.pcapng", two, 1, false);
	/* None at all. */
	expect_recording((int64_t[]){five, six}, NULL, NULL, 0, 0, false);
	/* A run without this case has none; that is no error. */
	struct evl_case_recording r = {0};
	OK(evl_store_recording_of_case(&r, store, one, "no such case", err));
	assert_null(r.name);
	OK(evl_store_recording_of_case(&r, store, 99, "c", err));
	assert_null(r.name);
}

/* ---- choosing, and what is refused ---- */

static void choose(const int64_t *expected, size_t count, const struct evl_matrix_choice *choice)
{
	int64_t runs[8];
	size_t n = 0;
	OK(evl_matrix_choose(runs, &n, store, choice, err));
	assert_int_equal(n, count);
	for (size_t i = 0; i < n; i++) {
		assert_int_equal(runs[i], expected[i]);
	}
}

static void test_choice(void **state)
{
	(void)state;
	int64_t runs[8];
	size_t n = 0;
	const char *const builds[] = {"B", "A", "X"};
	struct evl_matrix_choice c = {.builds = builds, .build_count = 2};
	REFUSED(evl_matrix_choose(runs, &n, store, &c, err), EVL_E_NOTFOUND, "no finished run");
	int64_t a1 = night("A", 'P');
	REFUSED(evl_matrix_choose(runs, &n, store, &(struct evl_matrix_choice){.last = 3}, err),
		EVL_E_NOTFOUND, "one alone cannot be compared");
	int64_t b1 = night("B", 'P');
	int64_t a2 = night("A", 'P');
	int64_t cut = begin("B", -1);
	end(EVL_STATE_INTERRUPTED, cut);
	choose((int64_t[]){b1, a2}, 2, &c);
	choose((int64_t[]){a1, b1, a2}, 3, &(struct evl_matrix_choice){.last = 7});
	choose((int64_t[]){b1, a2}, 2, &(struct evl_matrix_choice){.last = 2});
	c.build_count = 3;
	REFUSED(evl_matrix_choose(runs, &n, store, &c, err), EVL_E_NOTFOUND,
		"has no finished run of build \"X\"; its builds are \"A\", \"B\"");
	c.campaign_name = "other";
	REFUSED(evl_matrix_choose(runs, &n, store, &c, err), EVL_E_NOTFOUND,
		"no finished run of campaign \"other\"");

	/* A run that was interrupted may be compared; the history does not have it. */
	load((int64_t[]){b1, cut}, 2);
	assert_string_equal(m.runs[1].state, EVL_STATE_INTERRUPTED);
	assert_int_equal(m.past.run_count, 3);
	assert_int_equal(row_of("c", "t", 1)->finding, EVL_MATRIX_MISSING);
	assert_true(m.worse);
}

static void test_refused(void **state)
{
	(void)state;
	int64_t one = night("A", 'P'), two = night("B", 'P');
	struct evl_matrix_query q = {.runs = (int64_t[]){one, two, one}, .run_count = 3};
	REFUSED(evl_matrix_load(&m, store, &q, err), EVL_E_INVALID, "run 1 is given twice");
	q.run_count = 1;
	REFUSED(evl_matrix_load(&m, store, &q, err), EVL_E_INVALID, "needs 2 to 200 runs, not 1");
	q.run_count = 2;
	q.alpha = 1.5;
	REFUSED(evl_matrix_load(&m, store, &q, err), EVL_E_INVALID, "between 0 and 1");
	q = (struct evl_matrix_query){.runs = (int64_t[]){one, 7}, .run_count = 2};
	REFUSED(evl_matrix_load(&m, store, &q, err), EVL_E_NOTFOUND,
		"has no run 7; it has runs 1 to 2");
	q = (struct evl_matrix_query){.runs = (int64_t[]){7, one}, .run_count = 2};
	REFUSED(evl_matrix_load(&m, store, &q, err), EVL_E_NOTFOUND, "has no run 7");
	assert_null(m.rows);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_findings, setup, teardown),
		cmocka_unit_test_setup_teardown(test_alike, setup, teardown),
		cmocka_unit_test_setup_teardown(test_worse_though_passing, setup, teardown),
		cmocka_unit_test_setup_teardown(test_flaky, setup, teardown),
		cmocka_unit_test_setup_teardown(test_flaky_more_often, setup, teardown),
		cmocka_unit_test_setup_teardown(test_change_proved, setup, teardown),
		cmocka_unit_test_setup_teardown(test_recordings, setup, teardown),
		cmocka_unit_test_setup_teardown(test_choice, setup, teardown),
		cmocka_unit_test_setup_teardown(test_refused, setup, teardown),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
