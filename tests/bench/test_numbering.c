/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Expected places and numbers: ITU-T G.707 (Table 7-1 for the column order, the note of 7.3.13 for
 * the K-L-M order), and the formulas n = K + 3(L-1) + 21(M-1) and n = 21(K-1) + 3(L-1) + M that
 * follow from 7.3.9 (all 63 first columns 10..72 of the VC-4 come once).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/bench/numbering.h"

static void test_samples(void **state)
{
	(void)state;
	static const struct {
		struct evl_klm place;
		uint32_t column, klm;
	} rows[] = {{{1, 1, 1}, 1, 1},   {{2, 1, 1}, 2, 22},  {{3, 1, 1}, 3, 43},
		    {{1, 2, 1}, 4, 4},   {{3, 7, 1}, 21, 61}, {{1, 1, 2}, 22, 2},
		    {{2, 4, 2}, 32, 32}, {{3, 7, 2}, 42, 62}, {{1, 1, 3}, 43, 3},
		    {{3, 7, 3}, 63, 63}};
	struct evl_numbering column, klm;
	evl_numbering_init(&column, EVL_NUMBERING_COLUMN);
	evl_numbering_init(&klm, EVL_NUMBERING_KLM);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(evl_numbering_number(&column, rows[i].place), rows[i].column);
		assert_int_equal(evl_numbering_number(&klm, rows[i].place), rows[i].klm);
		struct evl_klm a = evl_numbering_klm(&column, rows[i].column);
		struct evl_klm b = evl_numbering_klm(&klm, rows[i].klm);
		assert_memory_equal(&a, &rows[i].place, sizeof a);
		assert_memory_equal(&b, &rows[i].place, sizeof b);
	}
}

static void test_formulas(void **state)
{
	(void)state;
	struct evl_numbering column, klm;
	evl_numbering_init(&column, EVL_NUMBERING_COLUMN);
	evl_numbering_init(&klm, EVL_NUMBERING_KLM);
	for (uint8_t k = 1; k <= 3; k++) {
		for (uint8_t l = 1; l <= 7; l++) {
			for (uint8_t m = 1; m <= 3; m++) {
				struct evl_klm p = {k, l, m};
				assert_int_equal(evl_numbering_number(&column, p),
						 k + 3 * (l - 1) + 21 * (m - 1));
				assert_int_equal(evl_numbering_number(&klm, p),
						 21 * (k - 1) + 3 * (l - 1) + m);
			}
		}
	}
}

static void test_outside(void **state)
{
	(void)state;
	struct evl_numbering map, none;
	evl_numbering_init(&map, EVL_NUMBERING_COLUMN);
	evl_numbering_init(&none, EVL_NUMBERING_NONE);
	static const uint32_t numbers[] = {0, 64, 65, 1000, UINT32_MAX};
	for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
		assert_int_equal(evl_numbering_klm(&map, numbers[i]).k, 0);
	}
	static const struct evl_klm places[] = {{0, 1, 1}, {4, 1, 1}, {1, 8, 1},      {1, 1, 4},
						{1, 0, 1}, {1, 1, 0}, {255, 255, 255}};
	for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
		assert_int_equal(evl_numbering_number(&map, places[i]), 0);
	}
	assert_int_equal(evl_numbering_klm(&none, 1).k, 0);
	assert_int_equal(evl_numbering_number(&none, (struct evl_klm){1, 1, 1}), 0);
}

static void test_table(void **state)
{
	(void)state;
	/* The K-L-M order turned round: number 1 is 3-7-3. */
	struct evl_klm table[EVL_NUMBERING_COUNT];
	size_t n = EVL_NUMBERING_COUNT;
	for (uint8_t k = 1; k <= 3; k++) {
		for (uint8_t l = 1; l <= 7; l++) {
			for (uint8_t m = 1; m <= 3; m++) {
				table[--n] = (struct evl_klm){k, l, m};
			}
		}
	}
	struct evl_numbering map;
	struct evl_err err = {0};
	assert_int_equal(evl_numbering_init_table(&map, table, &err), EVL_OK);
	assert_int_equal(evl_numbering_number(&map, (struct evl_klm){3, 7, 3}), 1);
	assert_int_equal(evl_numbering_number(&map, (struct evl_klm){1, 1, 1}), 63);
	assert_int_equal(evl_numbering_klm(&map, 2).m, 2);

	table[5] = table[4];
	assert_int_equal(evl_numbering_init_table(&map, table, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "5 and 6"));
	table[5] = (struct evl_klm){4, 1, 1};
	assert_int_equal(evl_numbering_init_table(&map, table, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "4-1-1"));
}

static void test_print(void **state)
{
	(void)state;
	struct evl_numbering map;
	struct evl_text t = {0};
	evl_numbering_init(&map, EVL_NUMBERING_COLUMN);
	evl_numbering_print(&map, &t);
	/* First line: 1, 22, 43; in column order these are 1-1-1, 1-1-2, 1-1-3. */
	assert_non_null(strstr(evl_text_str(&t), " 1  1-1-1     22  1-1-2     43  1-1-3\n"));
	assert_non_null(strstr(evl_text_str(&t), "21  3-7-1     42  3-7-2     63  3-7-3\n"));
	evl_text_finish(&t);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_samples), cmocka_unit_test(test_formulas),
		cmocka_unit_test(test_outside), cmocka_unit_test(test_table),
		cmocka_unit_test(test_print),
	};
	return cmocka_run_group_tests_name("bench.numbering", tests, NULL, NULL);
}
