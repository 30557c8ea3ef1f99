/* SPDX-License-Identifier: Apache-2.0 */
/* The night file: what is read, and that each mistake is named with its line and a way out. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/night_file.h"

#define HEAD "night: n\nstore: s.db\nbenches: {one: b.yaml}\nbuilds: [A]\n"
#define TWO                                                                                        \
	"night: n\nstore: /tmp/s.db\nzone: Europe/London\nwindow: \"22:00 to 06:00\"\n"            \
	"seed: 7\norder: as-written\nretry: {error: 2}\n"                                          \
	"stop: {failed_runs: 4, error_runs: 3}\n"                                                  \
	"benches: {one: b.yaml, two: /etc/c.yaml}\nbuilds: [A, B, \"C 1\"]\n"                      \
	"campaigns:\n"                                                                             \
	"  - {campaign: sub/first.lua, builds: [B, A], priority: 9, repeat: 3}\n"                  \
	"  - {campaign: second.lua, name: other, benches: two, cases: [x, y],\n"                   \
	"     after: [first], retry: {error: 0}}\n"

static void read_whole(void **state)
{
	(void)state;
	struct evl_night_file *n;
	struct evl_err err = {0};
	assert_int_equal(
		evl_night_file_parse(&n, "labs/night.yaml", TWO, strlen(TWO), &err), EVL_OK);
	assert_string_equal(n->name, "n");
	assert_string_equal(n->store, "/tmp/s.db");
	assert_string_equal(n->zone, "Europe/London");
	assert_true(n->has_window);
	assert_int_equal(n->from_minute, 22 * 60);
	assert_int_equal(n->to_minute, 6 * 60);
	assert_int_equal(n->seed, 7);
	assert_int_equal(n->order, EVL_NIGHT_AS_WRITTEN);
	assert_int_equal(n->stop_failed_runs, 4);
	assert_int_equal(n->stop_error_runs, 3);
	assert_int_equal(n->bench_count, 2);
	assert_string_equal(n->benches[0].path, "labs/b.yaml");
	assert_string_equal(n->benches[1].path, "/etc/c.yaml");
	assert_int_equal(n->build_count, 3);
	assert_int_equal(n->entry_count, 2);
	const struct evl_night_entry *e = n->entries;
	assert_string_equal(e[0].name, "first");
	assert_string_equal(e[0].campaign, "labs/sub/first.lua");
	assert_int_equal(e[0].build_count, 2);
	assert_int_equal(e[0].builds[0], 0); /* in the order of the file's builds */
	assert_int_equal(e[0].bench_count, 2);
	assert_int_equal(e[0].priority, 9);
	assert_int_equal(e[0].repeats, 3);
	assert_int_equal(e[0].retries, 2);
	assert_int_equal(e[0].case_count, 0);
	assert_string_equal(e[1].name, "other");
	assert_int_equal(e[1].bench_count, 1);
	assert_int_equal(e[1].benches[0], 1);
	assert_int_equal(e[1].build_count, 3);
	assert_int_equal(e[1].case_count, 2);
	assert_string_equal(e[1].cases[1], "y");
	assert_int_equal(e[1].after_count, 1);
	assert_int_equal(e[1].after[0], 0);
	assert_int_equal(e[1].priority, 5);
	assert_int_equal(e[1].retries, 0);
	evl_night_file_destroy(n);
}

static void mistakes(void **state)
{
	(void)state;
	static const struct {
		const char *text, *wanted;
	} cases[] = {
		{"", "f.yaml:1: the file is empty"},
		{"- a\n", "f.yaml:1: not a night file"},
		{"night: n\n", "there is no \"store\""},
		{HEAD, "there is no \"campaigns\""},
		{HEAD "campains: []\n", "campaigns"},
		{HEAD "campaigns: {}\n", "f.yaml:5: campaigns must be a list"},
		{HEAD "campaigns:\n  - {benches: one}\n", "f.yaml:6: \"campaign\" with the path"},
		{HEAD "campaigns:\n  - {campaign: a b.lua}\n", "needs a name"},
		{HEAD "campaigns:\n  - {campaign: a.lua, benches: onne}\n",
			"f.yaml:6: benches: \"onne\" is not among the benches; did you mean "
			"\"one\"?"},
		{HEAD "campaigns:\n  - {campaign: a.lua, builds: [Z]}\n", "\"Z\" is not among"},
		{HEAD "campaigns:\n  - {campaign: a.lua, builds: [A, A]}\n", "has more than 1"},
		{HEAD "campaigns:\n  - {campaign: a.lua, cases: [p, p]}\n", "\"p\" comes twice"},
		{HEAD "campaigns:\n  - {campaign: a.lua, priority: 10}\n", "from 0 to 9"},
		{HEAD "campaigns:\n  - {campaign: a.lua, repeat: 0}\n", "from 1 to 1000"},
		{HEAD "campaigns:\n  - {campaign: a.lua, repeat: -1}\n", "\"-1\""},
		{HEAD "campaigns:\n  - {campaign: a.lua, repeat: 1x}\n", "\"1x\""},
		{HEAD "campaigns:\n  - {campaign: a.lua, retry: {fail: 1}}\n",
			"f.yaml:6: retry: a fail is a result"},
		{HEAD "campaigns:\n  - {campaign: a.lua, retry: {error: 11}}\n", "from 0 to 10"},
		{HEAD "campaigns:\n  - {campaign: a.lua, after: [b]}\n", "\"b\" is not among"},
		{HEAD "campaigns:\n  - {campaign: a.lua, after: a}\n", "wait for itself"},
		{HEAD "campaigns:\n  - {campaign: a.lua, after: b}\n  - {campaign: b.lua, after: "
		      "a}\n",
			"f.yaml:6: after: \"a\" would have to wait for itself"},
		{HEAD "campaigns:\n  - {campaign: a.lua}\n  - {campaign: x/a.lua}\n",
			"f.yaml:7: a second campaign with the name \"a\", first in line 6"},
		{HEAD "window: \"22:00 to 06:00\"\ncampaigns:\n  - {campaign: a.lua}\n",
			"f.yaml:5: the window needs a zone"},
		{HEAD "zone: Europe/London\ncampaigns:\n  - {campaign: a.lua}\n",
			"has no use without"},
		{HEAD "zone: ../etc/passwd\nwindow: \"22:00 to 06:00\"\ncampaigns: []\n",
			"f.yaml:5: zone \"../etc/passwd\" is no name"},
		{HEAD "zone: UTC\nwindow: \"22:00-06:00\"\ncampaigns: []\n", "\"22:00 to 06:00\""},
		{HEAD "zone: UTC\nwindow: \"22:00 to 24:00\"\ncampaigns: []\n", "24:00"},
		{HEAD "zone: UTC\nwindow: \"22:00 to 22:00\"\ncampaigns: []\n",
			"two different times"},
		{HEAD "order: fast\ncampaigns: []\n", "by-need or as-written"},
		{HEAD "stop: {fails: 1}\ncampaigns: []\n", "fails"},
		{HEAD "stop: {failed_runs: 0}\ncampaigns: []\n", "failed_runs: \"0\""},
		{HEAD "seed: 99999999999999999999\ncampaigns: []\n", "seed"},
		{"night: n\nstore: s\nbenches: [a]\nbuilds: [A]\ncampaigns: []\n",
			"f.yaml:3: benches must be a mapping"},
		{"night: n\nstore: s\nbenches: {a: {}}\nbuilds: [A]\ncampaigns: []\n",
			"f.yaml:3: the bench file must be a text"},
		{"night: n\nstore: s\nbenches: {a: b}\nbuilds: [\"\"]\ncampaigns: []\n",
			"f.yaml:4: the label of a build"},
		{"night: n\nstore: \"\"\nbenches: {a: b}\nbuilds: [A]\ncampaigns: []\n",
			"f.yaml:2: store must be the path"},
		{"night: n\nstore: s\nbenches: {a: b}\nbuilds: [A, A]\ncampaigns: []\n",
			"build \"A\" comes twice"},
		{"night: \"n n\"\nstore: s\nbenches: {a: b}\nbuilds: [A]\ncampaigns: []\n",
			"f.yaml:1: night \"n n\" is no name"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct evl_night_file *n;
		struct evl_err err = {0};
		enum evl_status st = evl_night_file_parse(
			&n, "f.yaml", cases[i].text, strlen(cases[i].text), &err);
		if (st >= 0 || n != NULL || strstr(err.text, cases[i].wanted) == NULL ||
			strncmp(err.text, "f.yaml:", 7) != 0) {
			print_error("%zu: %s\nwanted %s\n", i, err.text, cases[i].wanted);
		}
		assert_true(st < 0 && n == NULL && strstr(err.text, cases[i].wanted) != NULL);
	}
}

/* Every beginning of a good file: an error with a line, or a night; never anything else. */
static void cut_anywhere(void **state)
{
	(void)state;
	for (size_t bytes = 0; bytes <= strlen(TWO); bytes++) {
		struct evl_night_file *n;
		struct evl_err err = {0};
		enum evl_status st = evl_night_file_parse(&n, "f.yaml", TWO, bytes, &err);
		assert_true(st == EVL_OK ? n != NULL : strncmp(err.text, "f.yaml:", 7) == 0);
		evl_night_file_destroy(n);
	}
}

static void missing(void **state)
{
	(void)state;
	struct evl_night_file *n;
	struct evl_err err = {0};
	assert_int_equal(evl_night_file_load(&n, "/nowhere/night.yaml", &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "/nowhere/night.yaml"));
	evl_night_file_destroy(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(read_whole),
		cmocka_unit_test(mistakes),
		cmocka_unit_test(cut_anywhere),
		cmocka_unit_test(missing),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
