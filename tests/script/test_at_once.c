/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which cases run at once. Against an exhaustive search over all ways to put the takes of two cases
 * into rounds, and against the two bounds that nobody can go below: the longest case, and what one
 * channel is needed for.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "core/script/at_once.h"

#define TAKES 12

/* Rounds by evl_at_once_choose until all takes have been. */
static uint64_t chosen(const uint64_t (*lengths)[TAKES], size_t cases)
{
	size_t at[8] = {0};
	uint64_t sum = 0;
	for (;;) {
		struct evl_at_once_take takes[8];
		size_t who[8], n = 0;
		bool together[8];
		for (size_t c = 0; c < cases; c++) {
			if (at[c] == TAKES || lengths[c][at[c]] == 0) {
				continue;
			}
			who[n] = c;
			takes[n] = (struct evl_at_once_take){.needs_ns = lengths[c][at[c]]};
			for (size_t k = at[c]; k < TAKES; k++) {
				takes[n].left_ns += lengths[c][k];
			}
			n++;
		}
		if (n == 0) {
			return sum;
		}
		evl_at_once_choose(takes, n, together);
		uint64_t round = 0;
		for (size_t i = 0; i < n; i++) {
			if (together[i]) {
				round = takes[i].needs_ns > round ? takes[i].needs_ns : round;
				at[who[i]]++;
			}
		}
		assert_true(round > 0);
		sum += round;
	}
}

/* The least sum of rounds of two cases, by trying all. */
static uint64_t least(const uint64_t (*lengths)[TAKES])
{
	static uint64_t best[TAKES + 1][TAKES + 1];
	for (size_t a = TAKES + 1; a-- > 0;) {
		for (size_t b = TAKES + 1; b-- > 0;) {
			uint64_t x = a < TAKES ? lengths[0][a] : 0;
			uint64_t y = b < TAKES ? lengths[1][b] : 0;
			uint64_t v = x == 0 && y == 0 ? 0 : UINT64_MAX;
			if (x > 0 && best[a + 1][b] + x < v) {
				v = best[a + 1][b] + x;
			}
			if (y > 0 && best[a][b + 1] + y < v) {
				v = best[a][b + 1] + y;
			}
			if (x > 0 && y > 0 && best[a + 1][b + 1] + (x > y ? x : y) < v) {
				v = best[a + 1][b + 1] + (x > y ? x : y);
			}
			best[a][b] = v;
		}
	}
	return best[0][0];
}

static void rounds_that_can_be_told(void **state)
{
	(void)state;
	static const struct {
		uint64_t lengths[2][TAKES];
		uint64_t sum;
	} cases[] = {
		/* Alike: half of what one after the other takes. */
		{{{5, 5, 5}, {5, 5, 5}}, 15},
		/* Many short ones beside long ones, all the time. */
		{{{1, 1, 1, 1}, {3, 3, 3, 3}}, 12},
		/* A short one does not wait for a long one that could go with another. */
		{{{10, 1}, {1, 10}}, 12},
		{{{1, 10, 1, 10, 1, 10}, {10, 1, 10, 1, 10}}, 33},
		/* One long take: only one of the short ones can go with it. */
		{{{1, 1, 1, 1, 1, 1}, {60}}, 65},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		uint64_t best = least(cases[i].lengths);
		uint64_t sum = chosen(cases[i].lengths, 2);
		assert_int_equal(best, cases[i].sum);
		assert_int_equal(sum, best);
	}
}

static uint64_t next(uint64_t *state) /* xorshift64, Marsaglia 2003 */
{
	*state ^= *state << 13;
	*state ^= *state >> 7;
	*state ^= *state << 17;
	return *state;
}

static void near_the_least(void **state)
{
	(void)state;
	uint64_t seed = 88172645463325252u, all = 0, all_least = 0, all_in_turn = 0;
	double worst = 1;
	for (int n = 0; n < 2000; n++) {
		uint64_t lengths[2][TAKES] = {{0}};
		uint64_t in_turn = 0;
		for (int c = 0; c < 2; c++) {
			size_t count = 1 + next(&seed) % TAKES;
			uint64_t scale = 1 + next(&seed) % 60;
			for (size_t k = 0; k < count; k++) {
				lengths[c][k] = 1 + next(&seed) % scale;
				in_turn += lengths[c][k];
			}
		}
		uint64_t sum = chosen((const uint64_t(*)[TAKES])lengths, 2);
		uint64_t best = least((const uint64_t(*)[TAKES])lengths);
		assert_true(sum >= best && sum <= in_turn);
		double ratio = (double)sum / (double)best;
		worst = ratio > worst ? ratio : worst;
		all += sum;
		all_least += best;
		all_in_turn += in_turn;
	}
	print_message("# %.3f of the least on average, %.3f at worst, %.3f of one at a time\n",
		(double)all / (double)all_least, worst, (double)all / (double)all_in_turn);
	assert_true((double)all < 1.03 * (double)all_least);
	assert_true(worst < 1.25);
}

static void cases_that_share_run_in_order(void **state)
{
	(void)state;
	static const bool a[] = {1, 0, 0}, b[] = {0, 1, 0}, ab[] = {1, 1, 0}, c[] = {0, 0, 1};
	static const size_t on_first[] = {0};
	const struct evl_at_once_case cases[] = {
		{.holds = a, .channel_count = 3, .lasts_ns = 10},
		{.holds = a, .channel_count = 3, .lasts_ns = 10},
		{.holds = b, .channel_count = 3, .lasts_ns = 15},
		{.holds = ab, .channel_count = 3, .lasts_ns = 1},
		{.holds = c,
			.channel_count = 3,
			.after = on_first,
			.after_count = 1,
			.lasts_ns = 30},
	};
	struct evl_at_once o;
	evl_at_once_order(&o, cases, 5, false);
	static const uint64_t starts[] = {0, 10, 0, 20, 10}, tails[] = {30, 1, 1, 0, 0};
	for (size_t i = 0; i < 5; i++) {
		assert_int_equal(o.start_ns[i], starts[i]);
		assert_int_equal(o.tail_ns[i], tails[i]);
	}
	assert_int_equal(o.end_ns, 40);
	assert_int_equal(o.sum_ns, 66);
	assert_true(evl_at_once_waits(&o, 1, 0) && evl_at_once_waits(&o, 3, 2));
	assert_false(evl_at_once_waits(&o, 2, 0) || evl_at_once_waits(&o, 0, 1));
	evl_at_once_finish(&o);
	evl_at_once_order(&o, cases, 5, true);
	assert_int_equal(o.end_ns, 66);
	assert_int_equal(o.start_ns[4], 36);
	evl_at_once_finish(&o);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(rounds_that_can_be_told),
		cmocka_unit_test(near_the_least),
		cmocka_unit_test(cases_that_share_run_in_order),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
