/* SPDX-License-Identifier: Apache-2.0 */
/* Between the files of the timetable alone. */
#pragma once

#include "core/night/timetable.h"

/* The problem, with what all parts want to know. */
struct tt_problem {
	const struct evl_timetable_test *tests;
	uint32_t count;
	uint32_t resources;
	uint32_t *topological; /* all tests, those that wait after those waited for */
	uint64_t *head;        /* longest chain of tests before, ns; of all tests */
	uint64_t *tail;        /* longest chain after */
	uint64_t *conflicts;   /* bit matrix: no two at once; count rows of `words` */
	size_t words;
	/* scratch of one decoding */
	uint64_t *ready; /* by resource */
	uint64_t *start; /* by test */
	uint64_t *end;
};

/* For sorting by key, the greatest first, then by index. */
struct tt_keyed {
	double key;
	uint32_t index;
};

static inline int tt_by_key(const void *a, const void *b)
{
	const struct tt_keyed *x = a, *y = b;
	if (x->key != y->key) {
		return x->key > y->key ? -1 : 1;
	}
	return x->index < y->index ? -1 : 1;
}

static inline bool tt_conflict(const struct tt_problem *p, uint32_t a, uint32_t b)
{
	return (p->conflicts[a * p->words + b / 64] >> (b % 64) & 1u) != 0;
}

/* Lower bound over the tests of `in` (by test; NULL: all). Fills the bound fields of `out`. */
uint64_t tt_bound(struct evl_timetable *out, const struct tt_problem *p, const bool *in);

/* Decodes: each test of `order` begins as soon as what it needs is free, in that order. `order` has
 * every waited-for test before the waiting one. Fills p->start and p->end; returns the end. */
uint64_t tt_decode(struct tt_problem *p, const uint32_t *order, size_t n);

/* The same, but none begins before the one before it in `order` does. */
uint64_t tt_decode_in_order(struct tt_problem *p, const uint32_t *order, size_t n);

/* List schedule: at each instant, the first of `list` that can run runs. Writes the order of
 * starts to `order`; returns the end. Tests waited for that are not in the list count as done. */
uint64_t tt_list(struct tt_problem *p, uint32_t *order, const uint32_t *list, size_t n);

/* Further from the goal than this part of it, a search may take so many times its work. */
#define TT_NEAR     10
#define TT_FAR_WORK 60

/* Improves `order` (which it keeps when it finds nothing better) until `goal_ns`, which is no
 * shorter than the bound, or for `work`. `straight`: only the goal counts, nothing between. Returns
 * the end. */
uint64_t tt_search(struct tt_problem *p, uint32_t *order, size_t n, uint64_t goal_ns, bool straight,
	uint64_t work);

/* The part of it that comes after the list schedules. */
uint64_t tt_eject(struct tt_problem *p, uint32_t *order, size_t n, uint64_t goal_ns, bool straight,
	uint64_t work);
