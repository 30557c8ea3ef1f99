/* SPDX-License-Identifier: Apache-2.0 */
/* The report page. Outside check: tests/report/check_html.py over Python's html.parser. */
#include "tests/report/invented_service.h"

#include "core/report/page.h"

static char *folder;
static struct evl_store *store;
static int64_t run_a, run_b, run_hostile, run_stopped, run_empty, run_service;

#define HOSTILE "<script>alert(\"1\")</script>&'"

static int make_runs(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run_a = invented_run(store, &(struct invented){.build = "A"});
	run_b = invented_run(store, &(struct invented){.build = "B", .faulty = true});
	run_hostile = invented_run(store, &(struct invented){.build = HOSTILE,
						  .title = HOSTILE " $ %s \xF0\x9F\x9A\x80",
						  .caution = HOSTILE,
						  .notice = HOSTILE,
						  .faulty = true});
	run_stopped = invented_run(store,
		&(struct invented){.build = "A", .state = EVL_STATE_INTERRUPTED, .tribs = 3});
	run_service = invented_service(store);
	run_empty = invented_begin(store, &(struct invented){.build = "A"});
	OK(evl_store_run_end(store, EVL_STATE_INTERRUPTED, "error", "adapter mux: cable pulled",
		"2026-11-25T09:12:41Z", err));
	return 0;
}

static int remove_runs(void **state)
{
	(void)state;
	evl_store_close(store);
	invented_folder_remove(folder);
	return 0;
}

static void write_page(struct evl_text *html, int64_t number, int64_t before_number, bool demo)
{
	struct evl_run *run = NULL;
	struct evl_run *before = NULL;
	struct evl_compare cmp = {0};
	struct evl_page_file files[] = {{.name = "evidence.json", .what = "rows", .bytes = 12}};
	hex_of("x", files[0].sha256);
	struct evl_page_facts facts = {.demo_key = demo,
		.subject = demo ? NULL : "CN = Lab",
		.fingerprint = demo ? NULL : files[0].sha256,
		.report_id = "0123456789abcdef",
		.chain_links = 7,
		.chain_head = files[0].sha256,
		.results_digest = files[0].sha256,
		.files = files,
		.file_count = 1};
	OK(evl_store_load_run(&run, store, number, err));
	if (before_number != 0) {
		OK(evl_store_load_run(&before, store, before_number, err));
		OK(evl_compare_runs(&cmp, before, run, 0.05, err));
	}
	evl_page_write(html, run, before, before == NULL ? NULL : &cmp, &facts);
	evl_compare_finish(&cmp);
	evl_run_destroy(before);
	evl_run_destroy(run);
}

/* `shown`: shell-quoted texts that a reader must see. */
static void check_page(const struct evl_text *html, const char *shown)
{
	char path[4200];
	char command[8000];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(path, sizeof path, "%s/page.html", folder);
	OK(evl_file_write(path, html->data, html->len, err));
	snprintf(command, sizeof command,
		"/usr/bin/python3 '%s/tests/report/check_html.py' '%s' %s >&2",
		root == NULL ? "." : root, path, shown);
	assert_int_equal(system(command), 0);
}

static void passing(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_a, 0, true);
	check_page(&html, "'Every check passes' 'DEMONSTRATION KEY, proves integrity only' "
			  "'63 checks pass, each: own pattern' 'Invented scenario' "
			  "'The results relate only to the items tested.' "
			  "'End of report 0123456789abcdef' '1 Example Street, Sampletown' "
			  "'The line loop has no attenuator' 'emergency calls' 'invisible laser'");
	assert_null(strstr(evl_text_str(&html), "Worst check"));
	assert_null(strstr(evl_text_str(&html), "id=\"comparison\""));
	evl_text_finish(&html);
}

/* How often `what` begins between `from` and `end`; NULL: the end of the text. */
static size_t count(const char *what, const char *from, const char *end)
{
	size_t n = 0;
	for (const char *at = from; (at = strstr(at, what)) != NULL && (end == NULL || at < end);
		at++) {
		n++;
	}
	return n;
}

static void failing(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_b, run_a, false);
	check_page(&html, "'Something is not as wanted' 'Worst check' 'trib 12 (3-4-1)' "
			  "'crossed with 47' 'crossed with 12' '1.1e-5 to 1.3e-5' "
			  "'30.0 million bits' '354 errors' 'This build is worse.' 'newly failing' "
			  "'63 alarms that follow from others, not drawn' "
			  "'LOS line' '500.063 ms to 800.25 ms' 'Signed by CN = Lab' "
			  "'worse (3 newly failing, 1 no longer proved)' '1. bit-errors' "
			  "'fail, 15 s' 'inconclusive, 2 s' '2 fail now' '61 the same' "
			  "'0 to 1.2e-5, newly failing' '3 of 6 checks of the campaign' "
			  "'63 trib: pattern 2^15-1.' 'line loss, all tributaries (500 ms to 1.5 s "
			  "of the take) (three catches were asked for); see Recordings'");
	assert_null(strstr(evl_text_str(&html), "DEMONSTRATION"));
	assert_non_null(strstr(evl_text_str(&html), ">AIS</th><td>trib</td><td>LOS line</td>"));
	assert_null(strstr(evl_text_str(&html), "(3-4-1) (3-4-1)"));
	/* 63 tributaries and the line have one cell each. */
	assert_int_equal(count("<td class=\"cell is-", evl_text_str(&html), NULL), 64);
	/* And one in the strip; three of them have a sign. */
	const char *strip = strstr(evl_text_str(&html), "<ul class=\"channels\"");
	const char *end = strstr(evl_text_str(&html), "A cell for each channel");
	assert_non_null(strip);
	assert_non_null(end);
	assert_int_equal(count("<li class=\"is-", strip, end), 64);
	assert_int_equal(count("<li class=\"is-fail\"><svg", strip, end), 3);
	evl_text_finish(&html);
}

/* Where a case and its takes lie in the timetable: worked out by hand from the times that are put
 * into the store. The axis is 560 units long and begins at 150. */
static void timetable(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_b, 0, true);
	const char *from = strstr(evl_text_str(&html), "<title id=\"times-t\">");
	assert_non_null(from);
	const char *end = strstr(from, "</figure>");
	/* 15 s and 2 s of 17 s: 494.1 and 65.9 units; bars are 0.8 shorter. */
	const char *first = strstr(from, "<rect class=\"take\" x=\"150.0\" y=\"10.0\" "
					 "width=\"493.3\"");
	const char *second = strstr(from, "<rect class=\"take\" x=\"644.1\" y=\"36.0\" "
					  "width=\"65.1\"");
	assert_true(first != NULL && first < end);
	assert_true(second != NULL && second < end);
	evl_text_finish(&html);
}

/* Shares of the limits, worked out by hand: a panel is 160 units for three decades from 1 %, so 200
 * % (0.08 of 0.04) is 160 * (log10(2) + 2) / 3 = 122.7, and 10 % (0.004 of 0.04) 53.3. */
static void shares(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_service, 0, true);
	check_page(&html, "'18 that pass' 'This run is interrupted' '1. in-service' '2. to 10.' "
			  "'11. short-10' '23. short-22' 'pass, 18 min 0 s' '1 h 30 min' "
			  "'VC-12 1-2-1, near end (BIP-2)' '19 places'");
	const char *from = strstr(evl_text_str(&html), "<title id=\"shares-1-t\">");
	assert_non_null(from);
	const char *end = strstr(from, "</figure>");
	const char *bad = strstr(from, "<rect class=\"share is-fail\" x=\"150.0\" y=\"34.0\" "
				       "width=\"122.7\"");
	const char *good = strstr(from, "<rect class=\"share is-pass\" x=\"150.0\" y=\"78.0\" "
					"width=\"53.3\"");
	assert_true(bad != NULL && bad < end);
	assert_true(good != NULL && good < end);
	/* 60 checks at 20 places are three claims; the 22 short cases have one each. */
	assert_int_equal(count("<article class=\"claim\"", evl_text_str(&html), NULL), 25);
	evl_text_finish(&html);
}

/* A line with several AU-4 has a map for each; four TU-11 fit into a TUG-2 (ITU-T G.707 7.3). */
static void places(void **state)
{
	(void)state;
	static const char *const klm[] = {"1-1-1-1", "4-3-7-3", "1-1-1", "3-7-4"};
	struct evl_text html = {0};
	int64_t run = invented_begin(store, &(struct invented){.build = "D"});
	for (int i = 0; i < 4; i++) {
		OK(evl_store_add_channel(store,
			&(struct evl_row_channel){.ordinal = 64 + i,
				.role = i < 2 ? "far" : "t1",
				.number = i % 2 + 1,
				.klm = klm[i],
				.adapter = "mux",
				.channel = klm[i],
				.rate = i < 2 ? "E1" : "T1"},
			err));
	}
	OK(evl_store_run_end(store, EVL_STATE_FINISHED, NULL, NULL, "2026-11-25T09:12:41Z", err));
	write_page(&html, run, 0, true);
	check_page(
		&html, "'AU-4 1, K = 1' 'AU-4 4, K = 3' '4-3-7-3' '3-7-4' 'M 4' 't1, 2 channels'");
	/* trib: 3 blocks; far: 4 AU-4 of 3; t1: 3. */
	assert_int_equal(count("<table class=\"map\">", evl_text_str(&html), NULL), 3 + 12 + 3);
	evl_text_finish(&html);
}

static void hostile_text(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_hostile, run_a, true);
	check_page(&html, "'<script>alert(\"1\")</script>&'\"'\"' $ %s'");
	assert_null(strstr(evl_text_str(&html), "<script"));
	evl_text_finish(&html);
}

static void unfinished(void **state)
{
	(void)state;
	struct evl_text html = {0};
	write_page(&html, run_stopped, 0, true);
	check_page(&html, "'This run is interrupted'");
	evl_text_finish(&html);
	write_page(&html, run_empty, run_a, true);
	check_page(&html, "'The run holds no check.' 'adapter mux: cable pulled' "
			  "'The test itself went wrong'");
	evl_text_finish(&html);
}

static void same_bytes_twice(void **state)
{
	(void)state;
	struct evl_text one = {0};
	struct evl_text two = {0};
	write_page(&one, run_b, run_a, true);
	write_page(&two, run_b, run_a, true);
	assert_int_equal(one.len, two.len);
	assert_memory_equal(one.data, two.data, one.len);
	evl_text_finish(&one);
	evl_text_finish(&two);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(passing),
		cmocka_unit_test(failing),
		cmocka_unit_test(timetable),
		cmocka_unit_test(shares),
		cmocka_unit_test(places),
		cmocka_unit_test(hostile_text),
		cmocka_unit_test(unfinished),
		cmocka_unit_test(same_bytes_twice),
	};
	return cmocka_run_group_tests(tests, make_runs, remove_runs);
}
