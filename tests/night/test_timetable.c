/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Timetables against definitions: every answer is checked for overlaps and order, small problems
 * against all orders tried by brute force (written here, apart from the planner), large ones
 * against the lower bound and first come, first served. Sizes and shares of the generated sets are
 * common practice, no source.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/night/timetable.h"
#include "core/signal/rng.h"

#define MIN_NS ((uint64_t)60 * 1000000000u)
#define MOST   256
#define CH     64

struct set {
	struct evl_timetable_test tests[MOST];
	uint32_t needs[MOST][CH];
	uint32_t after[MOST][4];
	size_t n, resources;
};

static void add(struct set *s, uint64_t minutes, uint32_t first, uint32_t count)
{
	struct evl_timetable_test *t = &s->tests[s->n];
	*t = (struct evl_timetable_test){.duration_ns = minutes * MIN_NS,
		.needs = s->needs[s->n],
		.need_count = count,
		.after = s->after[s->n]};
	for (uint32_t k = 0; k < count; k++) {
		s->needs[s->n][k] = (first + k) % (uint32_t)s->resources;
	}
	s->n++;
}

static void put_after(struct set *s, size_t i, uint32_t before)
{
	s->after[i][s->tests[i].after_count++] = before;
}

static struct evl_timetable make(struct set *s, uint64_t window_ns)
{
	struct evl_timetable_args a = {.tests = s->tests,
		.test_count = s->n,
		.resource_count = s->resources,
		.window_ns = window_ns};
	struct evl_timetable t;
	struct evl_err err = {0};
	assert_int_equal(evl_timetable_make(&t, &a, &err), EVL_OK);
	return t;
}

/* What any timetable must be, whatever the way it was found. */
static void check_sound(const struct set *s, const struct evl_timetable *t, uint64_t window_ns)
{
	uint64_t end = 0;
	size_t placed = 0;
	for (size_t i = 0; i < s->n; i++) {
		const struct evl_timetable_slot *a = &t->slots[i];
		if (a->fate != EVL_TIMETABLE_PLACED) {
			continue;
		}
		placed++;
		assert_true(a->end_ns == a->start_ns + s->tests[i].duration_ns);
		end = a->end_ns > end ? a->end_ns : end;
		for (size_t k = 0; k < s->tests[i].after_count; k++) {
			const struct evl_timetable_slot *b = &t->slots[s->after[i][k]];
			assert_int_equal(b->fate, EVL_TIMETABLE_PLACED);
			assert_true(b->end_ns <= a->start_ns);
		}
		for (size_t j = 0; j < i; j++) {
			const struct evl_timetable_slot *b = &t->slots[j];
			bool common = false;
			for (size_t x = 0; x < s->tests[i].need_count; x++) {
				for (size_t y = 0; y < s->tests[j].need_count; y++) {
					common = common || s->needs[i][x] == s->needs[j][y];
				}
			}
			assert_true(!common || b->fate != EVL_TIMETABLE_PLACED ||
				    a->end_ns <= b->start_ns || b->end_ns <= a->start_ns);
		}
	}
	assert_int_equal(placed, t->placed);
	assert_true(end == t->end_ns);
	assert_true(t->bound_ns <= end && t->all_bound_ns >= t->bound_ns);
	assert_true(window_ns == 0 || end <= window_ns);
	for (size_t k = 1; k < placed; k++) {
		assert_true(t->slots[t->order[k - 1]].start_ns <= t->slots[t->order[k]].start_ns);
	}
}

/* ---- brute force: every order, each test as soon as it can ---- */

static uint64_t brute(const struct set *s, const uint32_t *order, size_t n, bool *used,
	uint32_t *chosen, size_t depth)
{
	if (depth == n) {
		uint64_t ends[MOST] = {0}, all = 0;
		for (size_t k = 0; k < n; k++) {
			uint32_t i = chosen[k];
			uint64_t at = 0;
			for (size_t b = 0; b < k; b++) { /* behind all that stand in its way */
				bool stands = false;
				for (size_t x = 0; x < s->tests[i].need_count; x++) {
					for (size_t y = 0; y < s->tests[chosen[b]].need_count;
						y++) {
						stands = stands ||
							 s->needs[i][x] == s->needs[chosen[b]][y];
					}
				}
				for (size_t x = 0; x < s->tests[i].after_count; x++) {
					stands = stands || s->after[i][x] == chosen[b];
				}
				at = stands && ends[b] > at ? ends[b] : at;
			}
			ends[k] = at + s->tests[i].duration_ns;
			all = ends[k] > all ? ends[k] : all;
		}
		return all;
	}
	uint64_t best = UINT64_MAX;
	for (size_t k = 0; k < n; k++) {
		bool can = !used[k];
		for (size_t x = 0; can && x < s->tests[order[k]].after_count; x++) {
			bool there = false;
			for (size_t d = 0; d < depth; d++) {
				there = there || chosen[d] == s->after[order[k]][x];
			}
			can = there;
		}
		if (!can) {
			continue;
		}
		used[k] = true;
		chosen[depth] = order[k];
		uint64_t e = brute(s, order, n, used, chosen, depth + 1);
		best = e < best ? e : best;
		used[k] = false;
	}
	return best;
}

static void against_brute_force(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 20, 0);
	unsigned at_optimum = 0, at_bound = 0, in_order_best = 0;
	const unsigned rounds = 300;
	for (unsigned round = 0; round < rounds; round++) {
		static struct set s;
		memset(&s, 0, sizeof s);
		s.resources = 4;
		size_t n = 3 + evl_rng_below(&rng, 4);
		while (s.n < n) {
			add(&s, 1 + evl_rng_below(&rng, 9), (uint32_t)evl_rng_below(&rng, 4),
				(uint32_t)evl_rng_below(&rng, 4));
			if (s.n > 1 && evl_rng_below(&rng, 4) == 0) {
				put_after(&s, s.n - 1, (uint32_t)evl_rng_below(&rng, s.n - 1));
			}
		}
		uint32_t order[MOST], chosen[MOST];
		bool used[MOST] = {false};
		for (uint32_t i = 0; i < n; i++) {
			order[i] = i;
		}
		uint64_t best = brute(&s, order, n, used, chosen, 0);
		struct evl_timetable t = make(&s, 0);
		check_sound(&s, &t, 0);
		assert_true(t.end_ns >= best);
		assert_true(t.bound_ns <= best); /* a bound that is none would be a lie */
		assert_true(t.in_order_ns >= best);
		at_optimum += t.end_ns == best;
		at_bound += t.bound_ns == best;
		in_order_best += t.in_order_ns == best;
		evl_timetable_finish(&t);
	}
	print_message("# of %u small sets: %u at the optimum, %u with the bound there; first come, "
		      "first served %u\n",
		rounds, at_optimum, at_bound, in_order_best);
	assert_int_equal(at_optimum, rounds);
	assert_true(at_bound > rounds * 8 / 10);
	assert_true(in_order_best < rounds); /* else the sets would prove nothing */
}

/* With a window, brute force over subsets: what is left out really must be, when it is said to be
 * proved; and what matters most is in whenever it fits at all. */
static void window_against_brute_force(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 21, 0);
	unsigned left_out = 0, proved = 0;
	for (unsigned round = 0; round < 200; round++) {
		static struct set s;
		memset(&s, 0, sizeof s);
		s.resources = 3;
		while (s.n < 6) {
			add(&s, 1 + evl_rng_below(&rng, 9), (uint32_t)evl_rng_below(&rng, 3),
				1 + (uint32_t)evl_rng_below(&rng, 2));
			s.tests[s.n - 1].priority = (uint32_t)evl_rng_below(&rng, 3);
		}
		uint64_t window = (5 + evl_rng_below(&rng, 12)) * MIN_NS;
		struct evl_timetable t = make(&s, window);
		check_sound(&s, &t, window);
		/* By what matters, each if brute force fits it beside those kept. */
		uint32_t kept[MOST], chosen[MOST];
		size_t n = 0;
		for (int priority = 2; priority >= 0; priority--) {
			for (uint32_t i = 0; i < s.n; i++) {
				if (s.tests[i].priority != (uint32_t)priority) {
					continue;
				}
				bool used[MOST] = {false};
				kept[n] = i;
				uint64_t best = brute(&s, kept, n + 1, used, chosen, 0);
				const struct evl_timetable_slot *slot = &t.slots[i];
				assert_int_equal(
					slot->fate == EVL_TIMETABLE_PLACED, best <= window);
				assert_int_equal(slot->fate == EVL_TIMETABLE_TOO_LONG,
					s.tests[i].duration_ns > window);
				proved += slot->fate == EVL_TIMETABLE_NO_ROOM;
				left_out += best > window;
				n += best <= window;
			}
		}
		evl_timetable_finish(&t);
	}
	print_message("# %u tests left out, %u of them by proof\n", left_out, proved);
	assert_true(left_out > 100 && proved > 50);
}

/* ---- 200 tests on 63 channels ---- */

enum family { GROUPS, SCATTERED, WIDE, FAMILIES };

static void generate(struct set *s, enum family f, uint64_t seed)
{
	struct evl_rng rng;
	evl_rng_init(&rng, seed, (uint64_t)f);
	memset(s, 0, sizeof *s);
	s->resources = 63;
	while (s->n < 200) {
		uint64_t minutes = 1 + evl_rng_below(&rng, 30);
		uint64_t kind = evl_rng_below(&rng, 10);
		if (f == GROUPS) { /* a tributary, a TUG-2 of 3, a TUG-3 of 21, or all */
			uint32_t size = kind < 4 ? 1 : kind < 7 ? 3 : kind < 9 ? 21 : 63;
			add(s, minutes, (uint32_t)evl_rng_below(&rng, 63 / size) * size, size);
		} else if (f == WIDE) { /* any stretch of neighbours */
			uint32_t size = 1 + (uint32_t)evl_rng_below(&rng, kind < 7 ? 8 : 48);
			add(s, minutes, (uint32_t)evl_rng_below(&rng, 64 - size), size);
		} else { /* 1 to 6 channels anywhere */
			add(s, minutes, 0, 0);
			struct evl_timetable_test *t = &s->tests[s->n - 1];
			uint64_t used = 0;
			size_t count = 1 + evl_rng_below(&rng, 6);
			while (t->need_count < count) {
				uint32_t c = (uint32_t)evl_rng_below(&rng, 63);
				if ((used >> c & 1u) == 0) {
					used |= (uint64_t)1 << c;
					s->needs[s->n - 1][t->need_count++] = c;
				}
			}
		}
		if (s->n > 1 && evl_rng_below(&rng, 10) == 0) {
			put_after(s, s->n - 1, (uint32_t)evl_rng_below(&rng, s->n - 1));
		}
	}
}

/* EVL_SETS says how many sets of each kind (scripts/prove-timetable: 300). */
static void large_sets(void **state)
{
	(void)state;
	static const char *const names[] = {"groups", "scattered", "wide"};
	const char *asked = getenv("EVL_SETS");
	uint64_t sets = asked != NULL ? strtoull(asked, NULL, 10) : 3;
	assert_true(sets > 0);
	for (int f = 0; f < FAMILIES; f++) {
		double worst = 0, sum = 0, least_gain = 1e9;
		uint64_t beyond = 0;
		for (uint64_t seed = 1; seed <= sets; seed++) {
			static struct set s;
			generate(&s, (enum family)f, seed);
			struct evl_timetable t = make(&s, 0);
			check_sound(&s, &t, 0);
			double ratio = (double)t.end_ns / (double)t.bound_ns;
			double gain = (double)t.in_order_ns / (double)t.end_ns;
			worst = ratio > worst ? ratio : worst;
			least_gain = gain < least_gain ? gain : least_gain;
			beyond += ratio > 1.10;
			sum += ratio;
			evl_timetable_finish(&t);
		}
		print_message("# %s, %u sets: %.1f %% above the lower bound at most, %.1f %% on "
			      "average, %u above 10 %%; first come, first served takes %.2f times "
			      "as long at least\n",
			names[f], (unsigned)sets, 100 * (worst - 1), 100 * (sum / (double)sets - 1),
			(unsigned)beyond, least_gain);
		assert_true(beyond == 0);
		assert_true(sum / (double)sets <= 1.04);
		assert_true(least_gain > 1.0);
	}
}

static void same_again(void **state)
{
	(void)state;
	static struct set s;
	generate(&s, WIDE, 99);
	struct evl_timetable a = make(&s, 300 * MIN_NS), b = make(&s, 300 * MIN_NS);
	check_sound(&s, &a, 300 * MIN_NS);
	assert_memory_equal(a.order, b.order, a.placed * sizeof *a.order);
	for (size_t i = 0; i < s.n; i++) {
		assert_int_equal(a.slots[i].fate, b.slots[i].fate);
		assert_true(a.slots[i].start_ns == b.slots[i].start_ns);
	}
	evl_timetable_finish(&a);
	evl_timetable_finish(&b);
}

/* ---- what matters first ---- */

static void what_matters(void **state)
{
	(void)state;
	static struct set s;
	memset(&s, 0, sizeof s);
	s.resources = 1;
	for (int i = 0; i < 5; i++) {
		add(&s, 10, 0, 1);
	}
	s.tests[3].priority = 9;
	s.tests[1].priority = s.tests[2].priority = s.tests[4].priority = 5;
	s.tests[1].rank = 3;
	s.tests[2].rank = 1;
	s.tests[4].rank = 2;
	struct evl_timetable t = make(&s, 0);
	static const uint32_t wanted[] = {3, 2, 4, 1, 0};
	assert_memory_equal(t.order, wanted, sizeof wanted);
	evl_timetable_finish(&t);
	/* 35 minutes hold three; the least important two stay out, by proof. */
	t = make(&s, 35 * MIN_NS);
	check_sound(&s, &t, 35 * MIN_NS);
	assert_int_equal(t.placed, 3);
	assert_memory_equal(t.order, wanted, 3 * sizeof *wanted);
	assert_int_equal(t.slots[1].fate, EVL_TIMETABLE_NO_ROOM);
	assert_int_equal(t.slots[0].fate, EVL_TIMETABLE_NO_ROOM);
	assert_true(t.all_bound_ns == 50 * MIN_NS && t.bound_ns == 30 * MIN_NS);
	evl_timetable_finish(&t);
	/* What the important one waits for comes before it and is kept with it. */
	put_after(&s, 3, 0);
	t = make(&s, 20 * MIN_NS);
	static const uint32_t pair[] = {0, 3};
	assert_int_equal(t.placed, 2);
	assert_memory_equal(t.order, pair, sizeof pair);
	evl_timetable_finish(&t);
	t = make(&s, 15 * MIN_NS);
	assert_int_equal(t.slots[3].fate, EVL_TIMETABLE_TOO_LONG);
	assert_int_equal(t.slots[0].fate, EVL_TIMETABLE_PLACED);
	evl_timetable_finish(&t);
	s.tests[0].duration_ns = 30 * MIN_NS;
	t = make(&s, 25 * MIN_NS);
	assert_int_equal(t.slots[0].fate, EVL_TIMETABLE_TOO_LONG);
	assert_int_equal(t.slots[3].fate, EVL_TIMETABLE_WAITS);
	assert_int_equal(t.slots[3].waits_for, 0);
	assert_int_equal(t.placed, 2);
	evl_timetable_finish(&t);
}

static void bad_input(void **state)
{
	(void)state;
	static struct set s;
	static const char *const wanted[] = {
		"duration", "resource 7", "test 9", "waits for itself", "named twice"};
	for (int k = 0; k < 5; k++) {
		memset(&s, 0, sizeof s);
		s.resources = 3;
		add(&s, 1, 0, 2);
		add(&s, 1, 0, 2);
		switch (k) {
		case 0:
			s.tests[1].duration_ns = 0;
			break;
		case 1:
			s.needs[0][1] = 7;
			break;
		case 2:
			put_after(&s, 0, 9);
			break;
		case 3:
			put_after(&s, 0, 1);
			put_after(&s, 1, 0);
			break;
		default:
			s.needs[1][1] = s.needs[1][0];
		}
		struct evl_timetable_args a = {
			.tests = s.tests, .test_count = s.n, .resource_count = s.resources};
		struct evl_timetable t;
		struct evl_err err = {0};
		assert_int_equal(evl_timetable_make(&t, &a, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, wanted[k]));
		evl_timetable_finish(&t);
	}
	/* Chains of lengths that no longer add up in 64 bits. */
	static struct evl_timetable_test long_ones[400];
	for (size_t i = 0; i < 400; i++) {
		long_ones[i].duration_ns = EVL_TIMETABLE_NS_MAX;
	}
	struct evl_timetable_args century = {.tests = long_ones, .test_count = 400};
	struct evl_err why = {0};
	struct evl_timetable never;
	assert_int_equal(evl_timetable_make(&never, &century, &why), EVL_E_LIMIT);
	assert_non_null(strstr(why.text, "100 years"));
	struct evl_timetable_args none = {0};
	struct evl_timetable t;
	assert_int_equal(evl_timetable_make(&t, &none, NULL), EVL_OK);
	assert_int_equal(t.placed, 0);
	assert_true(t.end_ns == 0 && t.bound_ns == 0);
	evl_timetable_finish(&t);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(against_brute_force),
		cmocka_unit_test(window_against_brute_force),
		cmocka_unit_test(large_sets),
		cmocka_unit_test(same_again),
		cmocka_unit_test(what_matters),
		cmocka_unit_test(bad_input),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
