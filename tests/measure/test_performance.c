/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: ITU-T G.821, G.826, G.828, G.829 (definitions, block sizes and thresholds from memory);
 * the strings and counts below were worked by hand from the definitions. Random strings:
 * test_performance_model.py.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core/measure/performance.h"

typedef struct evl_performance_second second;

/* '.' clean, 'E' one errored block, 'S' at the threshold, 'D' a defect. */
static second of(char c)
{
	return (second){.units = 1000,
		.errored = c == 'E'   ? 1
			   : c == 'S' ? 300
				      : 0,
		.defect = c == 'D'};
}

static void play(struct evl_performance *p, const char *near, const char *far)
{
	evl_performance_init(p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, far != NULL);
	for (size_t i = 0; near[i] != '\0'; i++) {
		second a = of(near[i]), b = far != NULL ? of(far[i]) : (second){0};
		evl_performance_add(p, &a, far != NULL ? &b : NULL);
	}
	evl_performance_finish(p);
}

static void one_direction(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		uint64_t available, unavailable, es, ses;
	} cases[] = {
		{"", 0, 0, 0, 0},
		{".E.S.D", 6, 0, 3, 2},
		/* 4 S do nothing; 11 S begin unavailable time at second 9, 9 good ones do not end
		 * it, 10 do, from second 30 on. */
		{"..ESSSS.SSSSSSSSSSSE........S.E........S", 19, 21, 7, 5},
		{"SSSSSSSSS", 9, 0, 9, 9},
		{"SSSSSSSSSS", 0, 10, 0, 0},
		{"DDDDDDDDDD.........", 0, 19, 0, 0},
		{"DDDDDDDDDDE.........", 10, 10, 1, 0},
	};
	static struct evl_performance p;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		play(&p, cases[i].text, NULL);
		assert_int_equal(p.near.available, cases[i].available);
		assert_int_equal(p.near.unavailable, cases[i].unavailable);
		assert_int_equal(p.near.es, cases[i].es);
		assert_int_equal(p.near.ses, cases[i].ses);
	}
	play(&p, cases[2].text, NULL);
	assert_float_equal(evl_performance_esr(&p.near), 7.0 / 19, 1e-15);  /* 0.3684 */
	assert_float_equal(evl_performance_sesr(&p.near), 5.0 / 19, 1e-15); /* 0.2632 */
}

/* 60 s of an E1 with CRC-4, 1000 blocks a second: 299 errored blocks are not severe, 300 are. */
static void worked_sample(void **state)
{
	(void)state;
	static const struct {
		int at;
		uint32_t errored;
	} given[] = {{4, 1}, {17, 4}, {31, 2}, {44, 350}, {45, 1000}, {52, 299}, {53, 300}};
	static struct evl_performance p;
	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, false);
	for (int s = 1; s <= 60; s++) {
		second one = {.units = 1000};
		for (size_t i = 0; i < sizeof(given) / sizeof(given[0]); i++) {
			one.errored = given[i].at == s ? given[i].errored : one.errored;
		}
		evl_performance_add(&p, &one, NULL);
	}
	evl_performance_finish(&p);
	assert_int_equal(p.near.ses, 3);
	assert_int_equal(p.near.es, 7);
	assert_int_equal(p.near.background, 306);
	assert_int_equal(p.near.units, 57000);
	assert_int_equal(p.near.available, 60);
	assert_float_equal(evl_performance_esr(&p.near), 0.116667, 1e-6);
	assert_float_equal(evl_performance_sesr(&p.near), 0.05, 1e-15);
	assert_float_equal(evl_performance_bber(&p.near), 5.368e-3, 1e-6);
}

static void thresholds(void **state)
{
	(void)state;
	static struct evl_performance p;
	evl_performance_init(&p, NULL, EVL_PERFORMANCE_BITS, false);
	assert_false(evl_performance_is_severe(&p, &(second){.units = 2048000, .errored = 2047}));
	assert_true(evl_performance_is_severe(&p, &(second){.units = 2048000, .errored = 2048}));
	assert_true(evl_performance_is_severe(&p, &(second){0}));
	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_IN_SERVICE, false);
	assert_false(evl_performance_is_severe(&p, &(second){.units = 1000, .errored = 804}));
	assert_true(evl_performance_is_severe(&p, &(second){.units = 1000, .errored = 805}));
	/* 4632-bit blocks: 333 in most seconds, 334 in every third; 320 is the limit in both. */
	evl_performance_init(&p, evl_performance_path("T1"), EVL_PERFORMANCE_IN_SERVICE, false);
	assert_true(evl_performance_is_severe(&p, &(second){.units = 334, .errored = 320}));
	assert_true(evl_performance_is_severe(&p, &(second){.units = 333, .errored = 320}));
	assert_false(evl_performance_is_severe(&p, &(second){.units = 334, .errored = 319}));
	/* Half a second: half the threshold. */
	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, false);
	assert_true(evl_performance_is_severe(&p, &(second){.units = 500, .errored = 150}));
	assert_false(evl_performance_is_severe(&p, &(second){.units = 500, .errored = 149}));
	/* MS of STM-1: 15 % of 192000 (G.829). */
	evl_performance_init(&p, evl_performance_path("MS-1"), EVL_PERFORMANCE_BLOCKS, false);
	assert_true(evl_performance_is_severe(&p, &(second){.units = 192000, .errored = 28800}));
	assert_false(evl_performance_is_severe(&p, &(second){.units = 192000, .errored = 28799}));
}

/* A path is unavailable while either direction is; then nothing counts in either. */
static void two_directions(void **state)
{
	(void)state;
	static struct evl_performance p;
	play(&p, "E.........SSSSSSSSSS..........E", /* down in seconds 11 to 20 */
		"..............SSSSSSSSSSE......"); /* down in seconds 15 to 31, never ended */
	assert_int_equal(p.near.unavailable, 21);   /* 11 to 31 */
	assert_int_equal(p.far.unavailable, 21);
	assert_int_equal(p.near.available, 10);
	assert_int_equal(p.near.es, 1);
	assert_int_equal(p.far.es, 0);
	/* Nine in one direction and nine in the other, one after the other, are no ten of either.
	 */
	play(&p, "SSSSSSSSS.........", ".........SSSSSSSSS");
	assert_int_equal(p.near.unavailable, 0);
	assert_int_equal(p.near.ses, 9);
	assert_int_equal(p.far.ses, 9);
	/* A far end that could not be read is clean, and counted apart. */
	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, true);
	second a = {.defect = true}, b = {.unread = true};
	evl_performance_add(&p, &a, &b);
	evl_performance_finish(&p);
	assert_int_equal(p.near.ses, 1);
	assert_int_equal(p.far.es, 0);
	assert_int_equal(p.far.unread, 1);
}

/* Seconds that are decided late still count in the bin in which they were. */
static void bins(void **state)
{
	(void)state;
	static struct evl_performance p;
	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, false);
	second clean = of('.'), bad = of('S'), one = of('E');
	for (uint32_t i = 0; i < 86400 * 2; i++) {
		/* Ten severe seconds over the border of the first two quarters of an hour. */
		bool out = i >= 896 && i < 906;
		evl_performance_add(&p, out ? &bad : i == 907 || i == 86400 ? &one : &clean, NULL);
		if (i == 903) { /* not decided yet, so in no bin */
			assert_null(evl_performance_quarter(&p, 1));
			assert_int_equal(evl_performance_quarter(&p, 0)->near.available, 896);
		}
		if (i == 1799) {
			assert_int_equal(evl_performance_quarter(&p, 0)->near.unavailable, 4);
			assert_int_equal(evl_performance_quarter(&p, 1)->near.unavailable, 6);
			assert_int_equal(evl_performance_quarter(&p, 1)->near.es, 1);
		}
	}
	evl_performance_finish(&p);
	assert_null(evl_performance_quarter(&p, 0)); /* the ring keeps one day */
	assert_int_equal(evl_performance_quarter(&p, 96)->near.es, 1);
	assert_int_equal(evl_performance_quarter(&p, 191)->near.available, 900);
	assert_null(evl_performance_quarter(&p, 192));
	assert_int_equal(evl_performance_day(&p, 0)->near.available, 86390);
	assert_int_equal(evl_performance_day(&p, 1)->near.es, 1);
	assert_null(evl_performance_day(&p, 2));
	assert_int_equal(p.near.available + p.near.unavailable, 2 * 86400);
}

/* Size times blocks per second is the rate: VC rates of ITU-T G.707 6.1; sections as STM-N less the
 * regenerator section overhead for MS. */
static void table(void **state)
{
	(void)state;
	static const struct {
		const char *name;
		uint64_t rate;
	} rates[] = {{"E1", 2048000}, {"VC-11", 1664000}, {"VC-12", 2240000}, {"VC-2", 6848000},
		{"VC-3", 48960000}, {"VC-4", 150336000}, {"RS-1", 155520000}, {"RS-0", 51840000},
		{"MS-0", 51840000 - 9 * 8 * 8000}, /* 3 columns of 3 rows */
		{"MS-1", 155520000 - 27 * 8 * 8000}};
	for (size_t i = 0; i < sizeof(rates) / sizeof(rates[0]); i++) {
		const struct evl_performance_path *p = evl_performance_path(rates[i].name);
		assert_non_null(p);
		assert_int_equal((uint64_t)p->block_bits * p->blocks_per_second, rates[i].rate);
	}
	assert_int_equal(1544000 / evl_performance_path("T1")->block_bits, 333);
	assert_null(evl_performance_path("E9"));
	size_t n;
	const struct evl_performance_path *all = evl_performance_paths(&n);
	for (size_t i = 0; i < n; i++) {
		assert_ptr_equal(evl_performance_path(all[i].name), &all[i]);
	}
	/* Each bit of B2 is a block; the other codes tell one errored block at most. */
	assert_int_equal(evl_edc_errored_blocks(EVL_EDC_B2, 24), 24);
	assert_int_equal(evl_edc_errored_blocks(EVL_EDC_BIP8, 8), 1);
	assert_int_equal(evl_edc_errored_blocks(EVL_EDC_BIP2, 2), 1);
	assert_int_equal(evl_edc_errored_blocks(EVL_EDC_CRC4, 0), 0);
	assert_int_equal(evl_edc_errored_blocks(EVL_EDC_CRC6, 0x2a), 1);
}

static void overridden(void **state)
{
	(void)state;
	static struct evl_performance p;
	struct evl_performance_path own = *evl_performance_path("E1");
	own.ses_blocks = 10;
	evl_performance_init(&p, &own, EVL_PERFORMANCE_BLOCKS, false);
	assert_true(evl_performance_is_severe(&p, &(second){.units = 1000, .errored = 10}));
	assert_true(isnan(evl_performance_esr(&p.near)));
	assert_true(isnan(evl_performance_bber(&p.near)));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_direction),
		cmocka_unit_test(worked_sample),
		cmocka_unit_test(thresholds),
		cmocka_unit_test(two_directions),
		cmocka_unit_test(bins),
		cmocka_unit_test(table),
		cmocka_unit_test(overridden),
	};
	return cmocka_run_group_tests_name("measure.performance", tests, NULL, NULL);
}
