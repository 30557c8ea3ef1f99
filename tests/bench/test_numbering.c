/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Expected places, numbers and columns: ITU-T G.707 (Table 7-1 for the column order, the note of
 * 7.3.13 for the K-L-M order, the column formulas of 7.3), and for VC-4 and STS-1 columns the
 * published maps of RFC 4842 section 11.2. STM-4: place by AUG-1, numbers one AUG-1 after the other
 * (common practice, no source).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/bench/numbering.h"

#define TU12 EVL_NUMBERING_TU12
#define TU11 EVL_NUMBERING_TU11

static struct evl_numbering map_of(enum evl_numbering_kind kind)
{
	struct evl_numbering map;
	evl_numbering_init(&map, kind);
	return map;
}

static void test_samples(void **state)
{
	(void)state;
	static const struct {
		enum evl_numbering_unit unit;
		struct evl_numbering_place place;
		uint32_t column, klm;
		uint16_t columns[4];
	} rows[] = {
		{TU12, {1, 1, 1, 1}, 1, 1, {10, 73, 136, 199}},
		{TU12, {1, 2, 1, 1}, 2, 22, {11, 74, 137, 200}},
		{TU12, {1, 3, 1, 1}, 3, 43, {12, 75, 138, 201}},
		{TU12, {1, 1, 2, 1}, 4, 4, {13, 76, 139, 202}},
		{TU12, {1, 3, 7, 1}, 21, 61, {30, 93, 156, 219}},
		{TU12, {1, 1, 1, 2}, 22, 2, {31, 94, 157, 220}},
		{TU12, {1, 2, 4, 2}, 32, 32, {41, 104, 167, 230}},
		{TU12, {1, 3, 7, 2}, 42, 62, {51, 114, 177, 240}},
		{TU12, {1, 1, 1, 3}, 43, 3, {52, 115, 178, 241}},
		{TU12, {1, 3, 7, 3}, 63, 63, {72, 135, 198, 261}},
		{TU11, {1, 1, 1, 1}, 1, 1, {10, 94, 178}},
		{TU11, {1, 2, 1, 1}, 2, 29, {11, 95, 179}},
		{TU11, {1, 3, 7, 1}, 21, 81, {30, 114, 198}},
		{TU11, {1, 1, 1, 2}, 22, 2, {31, 115, 199}},
		{TU11, {1, 2, 4, 3}, 53, 43, {62, 146, 230}},
		{TU11, {1, 3, 7, 4}, 84, 84, {93, 177, 261}},
	};
	struct evl_numbering column = map_of(EVL_NUMBERING_COLUMN);
	struct evl_numbering klm = map_of(EVL_NUMBERING_KLM);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_numbering_place p = rows[i].place, back;
		uint16_t columns[4] = {0};
		assert_int_equal(evl_numbering_number(&column, rows[i].unit, p), rows[i].column);
		assert_int_equal(evl_numbering_number(&klm, rows[i].unit, p), rows[i].klm);
		assert_true(evl_numbering_place(&back, &column, rows[i].unit, rows[i].column));
		assert_memory_equal(&back, &p, sizeof p);
		assert_true(evl_numbering_place(&back, &klm, rows[i].unit, rows[i].klm));
		assert_memory_equal(&back, &p, sizeof p);
		uint32_t count = evl_numbering_columns(columns, &column, rows[i].unit, p);
		assert_int_equal(count, rows[i].unit == TU12 ? 4 : 3);
		assert_memory_equal(columns, rows[i].columns, sizeof columns);
	}
}

/* The formulas as the standard writes them, for every place; all numbers come once. */
static void check_all(enum evl_numbering_unit unit, uint8_t augs)
{
	struct evl_numbering column = map_of(EVL_NUMBERING_COLUMN);
	struct evl_numbering klm = map_of(EVL_NUMBERING_KLM);
	uint32_t ms = unit == TU12 ? 3 : 4, one = 21 * ms, sum_column = 0, sum_klm = 0;
	column.augs = klm.augs = augs;
	assert_int_equal(evl_numbering_count(&column, unit), one * augs);
	for (uint32_t n = 0; n < one * augs; n++) {
		uint32_t a = n / one, k = n % 3 + 1, l = n / 3 % 7 + 1, m = n / 21 % ms + 1;
		struct evl_numbering_place p = {
			(uint8_t)(a + 1), (uint8_t)k, (uint8_t)l, (uint8_t)m};
		uint32_t c = one * a + k + 3 * (l - 1) + 21 * (m - 1);
		uint32_t o = one * a + 7 * ms * (k - 1) + ms * (l - 1) + m;
		struct evl_numbering_place back;
		assert_int_equal(evl_numbering_number(&column, unit, p), c);
		assert_int_equal(evl_numbering_number(&klm, unit, p), o);
		assert_true(evl_numbering_place(&back, &klm, unit, o));
		assert_memory_equal(&back, &p, sizeof p);
		sum_column += c;
		sum_klm += o;
	}
	assert_int_equal(sum_column, one * augs * (one * augs + 1) / 2);
	assert_int_equal(sum_klm, sum_column);
}

static void test_formulas(void **state)
{
	(void)state;
	check_all(TU12, 1);
	check_all(TU11, 1);
	check_all(TU12, 4);
	check_all(TU11, 4);
}

/* Each payload column comes once: 10..261 of the VC-4, and of an AU-3 the 84 columns from 2 on but
 * for the fixed stuff in 30 and 59. */
static void test_columns(void **state)
{
	(void)state;
	for (int unit = TU12; unit <= TU11; unit++) {
		for (int route = EVL_NUMBERING_AU4; route <= EVL_NUMBERING_AU3; route++) {
			struct evl_numbering map = map_of(EVL_NUMBERING_COLUMN);
			uint8_t seen[3][262] = {{0}};
			map.route = (enum evl_numbering_route)route;
			for (uint32_t n = 1; n <= evl_numbering_count(&map, unit); n++) {
				struct evl_numbering_place p;
				uint16_t columns[4];
				assert_true(evl_numbering_place(&p, &map, unit, n));
				uint32_t count = evl_numbering_columns(columns, &map, unit, p);
				for (uint32_t x = 0; x < count; x++) {
					assert_true(x == 0 || columns[x] > columns[x - 1]);
					seen[route == EVL_NUMBERING_AU3 ? p.k - 1 : 0]
					    [columns[x]]++;
				}
			}
			for (int c = 0; c <= 261; c++) {
				bool au3 = route == EVL_NUMBERING_AU3;
				int want = au3 ? c >= 2 && c <= 87 && c != 30 && c != 59 : c >= 10;
				assert_int_equal(seen[0][c], want);
				assert_int_equal(seen[1][c], au3 ? want : 0);
				assert_int_equal(seen[2][c], au3 ? want : 0);
			}
		}
	}
	/* RFC 4842 11.2: VT1.5 (VT group 1, VT 1) in STS-1 columns 2, 31, 60; VT2 1-1 in 2, 23, 45,
	 * 67 (each by the figure's rule: L fastest, then M, then the VT's own column). */
	struct evl_numbering map = map_of(EVL_NUMBERING_COLUMN);
	uint16_t columns[4];
	map.route = EVL_NUMBERING_AU3;
	assert_int_equal(evl_numbering_columns(
				 columns, &map, TU11, (struct evl_numbering_place){1, 1, 1, 1}),
		3);
	assert_memory_equal(columns, ((uint16_t[]){2, 31, 60}), 6);
	evl_numbering_columns(columns, &map, TU12, (struct evl_numbering_place){1, 1, 1, 1});
	assert_memory_equal(columns, ((uint16_t[]){2, 23, 45, 67}), 8);
}

static void test_outside(void **state)
{
	(void)state;
	struct evl_numbering map = map_of(EVL_NUMBERING_COLUMN), none = map_of(EVL_NUMBERING_NONE);
	struct evl_numbering_place p;
	static const uint32_t numbers[] = {0, 64, 65, 1000, UINT32_MAX};
	for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
		assert_false(evl_numbering_place(&p, &map, TU12, numbers[i]));
		assert_int_equal(p.k, 0);
	}
	assert_true(evl_numbering_place(&p, &map, TU11, 84));
	assert_false(evl_numbering_place(&p, &map, TU11, 85));
	static const struct evl_numbering_place places[] = {{1, 0, 1, 1}, {1, 4, 1, 1},
		{1, 1, 8, 1}, {1, 1, 1, 4}, {1, 1, 0, 1}, {1, 1, 1, 0}, {0, 1, 1, 1}, {2, 1, 1, 1},
		{255, 255, 255, 255}};
	for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
		assert_int_equal(evl_numbering_number(&map, TU12, places[i]), 0);
	}
	assert_false(evl_numbering_place(&p, &none, TU12, 1));
	assert_int_equal(
		evl_numbering_number(&none, TU12, (struct evl_numbering_place){1, 1, 1, 1}), 0);
	/* A map for one unit says nothing about the other. */
	map.unit = TU11;
	assert_false(evl_numbering_place(&p, &map, TU12, 1));
}

static void test_rates(void **state)
{
	(void)state;
	struct evl_numbering map = map_of(EVL_NUMBERING_KLM);
	assert_int_equal(evl_numbering_unit_of(&map, EVL_RATE_E1), TU12);
	assert_int_equal(evl_numbering_unit_of(&map, EVL_RATE_T1), TU11);
	assert_int_equal(evl_numbering_unit_of(&map, EVL_RATE_STM1), EVL_NUMBERING_BY_RATE);
	map.unit = TU12; /* VC-11 in TU-12, ITU-T G.707 10.1.6 (from memory) */
	assert_int_equal(evl_numbering_unit_of(&map, EVL_RATE_T1), TU12);
	map.unit = TU11; /* an E1 has no room in a TU-11 */
	assert_int_equal(evl_numbering_unit_of(&map, EVL_RATE_E1), EVL_NUMBERING_BY_RATE);
}

static void test_text(void **state)
{
	(void)state;
	struct evl_numbering one = map_of(EVL_NUMBERING_KLM), four = one;
	struct evl_numbering_place p;
	char text[EVL_NUMBERING_TEXT];
	four.augs = 4;
	assert_true(evl_numbering_parse(&p, &one, TU11, "3-7-4"));
	assert_string_equal(evl_numbering_format(&one, p, text), "3-7-4");
	assert_true(evl_numbering_parse(&p, &four, TU12, "4-3-7-3"));
	assert_string_equal(evl_numbering_format(&four, p, text), "4-3-7-3");
	assert_int_equal(evl_numbering_number(&four, TU12, p), 252);
	static const char *const bad[] = {"", "1", "1-1", "1-1-", "1-1-4", "1-1-1-1", "1-1-1 ",
		"1_1_1", "a-1-1", "-1-1-1", "1--1-1", "11-1-1", "0-1-1"};
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
		assert_false(evl_numbering_parse(&p, &one, TU12, bad[i]));
	}
	assert_false(evl_numbering_parse(&p, &four, TU12, "1-1-1"));
	assert_false(evl_numbering_parse(&p, &four, TU12, "5-1-1-1"));
	assert_string_equal(evl_numbering_line_name(&one), "STM-1");
	assert_string_equal(evl_numbering_line_name(&four), "STM-4");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_samples),
		cmocka_unit_test(test_formulas),
		cmocka_unit_test(test_columns),
		cmocka_unit_test(test_outside),
		cmocka_unit_test(test_rates),
		cmocka_unit_test(test_text),
	};
	return cmocka_run_group_tests_name("bench.numbering", tests, NULL, NULL);
}
