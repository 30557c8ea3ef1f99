/* SPDX-License-Identifier: Apache-2.0 */
/* Source: ITU-T G.821 (ES, SES at an error ratio of 1e-3) and its Annex A (availability, from
 * memory); the strings below were worked by hand from these definitions. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "core/measure/seconds.h"

#define E1 2048000u

/* '.' no errors, 'E' one error, 'S' an error ratio of 1e-3, 'D' a defect. */
static struct evl_seconds play(const char *text)
{
	struct evl_seconds s = {0};
	for (; *text; text++) {
		evl_seconds_add(&s, E1,
				*text == 'E'   ? 1
				: *text == 'S' ? E1 / 1000
					       : 0,
				*text == 'D');
	}
	evl_seconds_finish(&s);
	return s;
}

static void worked_strings(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		uint64_t available, unavailable, es, ses;
	} cases[] = {
		{"", 0, 0, 0, 0},
		{"....", 4, 0, 0, 0},
		{".E.S.D", 6, 0, 3, 2},
		/* 4 S do nothing; 11 S begin unavailable time at second 9; 9 good ones do not end
		 * it, 10 do, from second 30 on. */
		{"..ESSSS.SSSSSSSSSSSE........S.E........S", 19, 21, 7, 5},
		{"SSSSSSSSS", 9, 0, 9, 9},   /* nine are not enough */
		{"SSSSSSSSSS", 0, 10, 0, 0}, /* ten are, and belong to it */
		{"SSSSSSSSS.S", 11, 0, 10, 10},
		{"DDDDDDDDDD.........", 0, 19, 0, 0},
		{"DDDDDDDDDDE.........", 10, 10, 1, 0},
		{"DDDDDDDDDD.....D.....E", 0, 22, 0, 0},
		{"DDDDDDDDDD..........DDDDDDDDDD", 10, 20, 0, 0},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_seconds s = play(cases[i].text);
		assert_int_equal(s.available, cases[i].available);
		assert_int_equal(s.unavailable, cases[i].unavailable);
		assert_int_equal(s.es, cases[i].es);
		assert_int_equal(s.ses, cases[i].ses);
		assert_int_equal(s.total, s.available + s.unavailable);
	}
}

static void thresholds(void **state)
{
	(void)state;
	assert_false(evl_second_is_severe(E1, 2047, false));
	assert_true(evl_second_is_severe(E1, 2048, false));       /* exactly 1e-3 */
	assert_false(evl_second_is_severe(E1 - 79, 2047, false)); /* 2047.921 would be 1e-3 */
	assert_true(evl_second_is_severe(E1 - 79, 2048, false));
	assert_true(evl_second_is_severe(0, 0, false));
	assert_true(evl_second_is_severe(E1, 0, true));
	assert_true(evl_second_is_errored(1, false));
	assert_false(evl_second_is_errored(0, false));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(worked_strings),
		cmocka_unit_test(thresholds),
	};
	return cmocka_run_group_tests_name("measure.seconds", tests, NULL, NULL);
}
