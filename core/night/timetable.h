/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A timetable: tests with durations, the resources that each needs for itself alone (channels,
 * benches), and what must come before what, laid out in time. Pure: no clock, no files; the same
 * input gives the same timetable on any machine.
 *
 *	struct evl_timetable_test tests[] = {
 *		{.duration_ns = 60000000000, .needs = (uint32_t[]){0, 1}, .need_count = 2},
 *		...
 *	};
 *	struct evl_timetable_args args = {.tests = tests, .test_count = 2, .resource_count = 2};
 *	struct evl_timetable t;
 *	evl_timetable_make(&t, &args, &err);
 *	... t.slots[i].start_ns ...
 *	evl_timetable_finish(&t);
 *
 * Two tests run at once when no resource is needed by both and none waits for the other. This is
 * the problem of scheduling tests on dedicated machines, which is NP-hard (Hoogeveen, van de Velde,
 * Veltman, "Complexity of scheduling multiprocessor tasks with prespecified processor allocations",
 * 1994), so the timetable is found by search from list schedules (Graham 1966) and comes with a
 * lower bound that is proved: no timetable at all can end earlier.
 *
 * What matters first: higher priority, then lower rank, then the order given. Without a window
 * that order is kept when it costs no time, else the earliest end wins. With a window it is kept
 * when everything fits in that order; else the order that makes all fit; else the tests that
 * matter least are left out.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_TIMETABLE_TESTS_MAX     4096u
#define EVL_TIMETABLE_RESOURCES_MAX 4096u
#define EVL_TIMETABLE_NS_MAX        ((uint64_t)366 * 24 * 3600 * 1000000000u) /* of one test */
#define EVL_TIMETABLE_ALL_NS_MAX    (100 * EVL_TIMETABLE_NS_MAX)              /* of all */

struct evl_timetable_test {
	uint64_t duration_ns;  /* above 0 */
	const uint32_t *needs; /* resources, each once; none is allowed */
	size_t need_count;
	const uint32_t *after; /* indices of tests that must have ended before */
	size_t after_count;
	uint32_t priority;
	uint32_t rank;
};

struct evl_timetable_args {
	const struct evl_timetable_test *tests;
	size_t test_count;
	size_t resource_count;
	uint64_t window_ns; /* 0: no end */
	uint64_t effort;    /* pairs of tests looked at; 0: chosen by size, a second or two */
};

enum evl_timetable_fate {
	EVL_TIMETABLE_PLACED,
	EVL_TIMETABLE_TOO_LONG, /* longer than the window, with what must come before it */
	EVL_TIMETABLE_NO_ROOM,  /* proved: it cannot fit beside those that matter more */
	EVL_TIMETABLE_NO_WAY,   /* no way was found to fit it in; one may exist */
	EVL_TIMETABLE_WAITS,    /* for a test that is left out */
};

struct evl_timetable_slot {
	enum evl_timetable_fate fate;
	uint64_t start_ns; /* PLACED only */
	uint64_t end_ns;
	uint32_t waits_for; /* WAITS: that test */
};

enum evl_timetable_bound {
	EVL_TIMETABLE_BY_RESOURCE, /* one resource is needed so long */
	EVL_TIMETABLE_BY_PATH,     /* tests that wait for one another take so long */
	EVL_TIMETABLE_BY_CLIQUE,   /* tests of which no two can run at once take so long */
};

struct evl_timetable {
	struct evl_timetable_slot *slots; /* by test */
	size_t slot_count;
	uint32_t *order; /* placed tests by start, then by what matters */
	size_t placed;
	uint64_t end_ns;   /* of the last */
	uint64_t bound_ns; /* no timetable of the placed tests can end earlier */
	enum evl_timetable_bound bound;
	uint32_t bound_resource; /* BY_RESOURCE */
	size_t bound_tests;      /* tests in the chain or clique */
	uint64_t all_bound_ns;   /* the same of all tests, also those left out */
	uint64_t in_order_ns;    /* end when the placed tests run as given and none overtakes
				  * another: first come, first served */
};

/* EVL_E_INVALID: a duration of 0 or too long, a resource or test that is not there, tests that wait
 * for one another in a circle; EVL_E_LIMIT: too many. The message names the test by its index. */
enum evl_status evl_timetable_make(
	struct evl_timetable *out, const struct evl_timetable_args *args, struct evl_err *err);
void evl_timetable_finish(struct evl_timetable *t); /* takes a zeroed object */
