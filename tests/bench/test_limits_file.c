/* SPDX-License-Identifier: Apache-2.0 */
/* The file of limits: what is read, and that each mistake is named with its line. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/limits_file.h"

#define HEAD "limits: x\nsource: contract\nageing_factor: 0.5\nwidth: 2\n"

static void shipped(void **state)
{
	(void)state;
	char path[1024];
	struct evl_limits_table t;
	struct evl_err err = {0};
	snprintf(path, sizeof path, "%s/campaigns/limits-m2100.yaml", getenv("EVL_SOURCE_ROOT"));
	assert_int_equal(evl_limits_load(&t, path, &err), EVL_OK);
	assert_string_equal(t.name, "m2100");
	assert_non_null(strstr(t.source, "from memory"));
	const struct evl_limits_row *row = evl_limits_find(&t, "E1", EVL_BIS_ES);
	assert_non_null(row);
	/* The example of 1 % over 24 h: S1 8.97, S2 25.59. */
	struct evl_bis_limits l;
	assert_int_equal(
		evl_bis_limits(&l, row->objective, 0.01, 86400, t.ageing_factor, t.width, &err),
		EVL_OK);
	assert_float_equal(l.s1, 8.97, 0.005);
	assert_float_equal(l.s2, 25.59, 0.006);
	assert_null(evl_limits_find(&t, "E9", EVL_BIS_ES));
}

static void mistakes(void **state)
{
	(void)state;
	static const struct {
		const char *text, *wanted;
	} cases[] = {
		{"", "f.yaml:1: "},
		{"limits: x\n", "source is missing"},
		{HEAD, "rows must be a list"},
		{HEAD "rows: {}\n", "f.yaml:5: rows must be a list"},
		{HEAD "rows:\n  - {path: E1, event: es}\n", "f.yaml:6: objective is missing"},
		{HEAD "rows:\n  - {path: E1, event: xx, objective: 1}\n",
			"f.yaml:6: event: \"xx\" is not known"},
		{HEAD "rows:\n  - {path: E1, event: es, objective: 0}\n", "above 0 and at most 1"},
		{HEAD "rows:\n  - {path: E1, event: es, objective: nan}\n", "\"nan\""},
		{HEAD "rows:\n  - {path: E1, event: es, objective: 0.04x}\n", "\"0.04x\""},
		{HEAD "rows:\n  - {path: E1, event: es, objective: 0x1}\n", "\"0x1\""},
		{HEAD "rows:\n  - {path: E1, event: es, objective: 0.1, more: 1}\n", "more"},
		{HEAD "rows:\n  - {path: E1, event: es, objective: 0.1}\n"
		      "  - {path: E1, event: es, objective: 0.2}\n",
			"f.yaml:7: es of E1 comes twice, first in line 6"},
		{"limits: x\nsource: s\nageing_factor: 2\nwidth: 2\nrows: []\n",
			"f.yaml:3: ageing_factor"},
		{"limits: [x]\n", "f.yaml:1: limits must be a text"},
		{"rows: [\n", "f.yaml:"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct evl_limits_table t;
		struct evl_err err = {0};
		assert_int_equal(
			evl_limits_parse(&t, "f.yaml", cases[i].text, strlen(cases[i].text), &err),
			EVL_E_INVALID);
		if (strstr(err.text, cases[i].wanted) == NULL) {
			print_message("%s\n", err.text);
		}
		assert_non_null(strstr(err.text, cases[i].wanted));
	}
	struct evl_limits_table t;
	struct evl_err err = {0};
	assert_int_equal(evl_limits_load(&t, "/nowhere/limits.yaml", &err), EVL_E_NOTFOUND);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(shipped),
		cmocka_unit_test(mistakes),
	};
	return cmocka_run_group_tests_name("bench.limits_file", tests, NULL, NULL);
}
