/* SPDX-License-Identifier: Apache-2.0 */
/* K-L-M numbering against ITU-T G.707 7.3 (Table 7-1 and the note of 7.3.13) and the column maps
 * that RFC 4842 11.2 quotes from G.707 7.2. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/klm.h"

static void test_table(void **state)
{
	(void)state;
	/* K-L-M, number by columns, number by K-L-M, VC-4 columns: RFC 4842 11.2, G.707 7.3.9. */
	static const struct {
		const char *text;
		uint32_t by_column, by_klm;
		uint16_t columns[4];
	} rows[] = {
		{"1-1-1", 1, 1, {10, 73, 136, 199}},
		{"2-1-1", 2, 22, {11, 74, 137, 200}},
		{"3-1-1", 3, 43, {12, 75, 138, 201}},
		{"1-2-1", 4, 4, {13, 76, 139, 202}},
		{"3-7-1", 21, 61, {30, 93, 156, 219}},
		{"1-1-2", 22, 2, {31, 94, 157, 220}},
		{"2-4-2", 32, 32, {41, 104, 167, 230}},
		{"3-7-2", 42, 62, {51, 114, 177, 240}},
		{"1-1-3", 43, 3, {52, 115, 178, 241}},
		{"3-7-3", 63, 63, {72, 135, 198, 261}},
	};
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		struct evl_klm klm;
		char text[EVL_KLM_TEXT];
		uint16_t columns[4];
		assert_int_equal(evl_klm_parse(&klm, rows[i].text), EVL_OK);
		assert_string_equal(evl_klm_format(klm, text), rows[i].text);
		assert_int_equal(evl_klm_number(klm, EVL_KLM_BY_COLUMN), rows[i].by_column);
		assert_int_equal(evl_klm_number(klm, EVL_KLM_BY_KLM), rows[i].by_klm);
		evl_klm_columns(klm, columns);
		assert_memory_equal(columns, rows[i].columns, sizeof(columns));
	}
}

static void test_inverse_and_cover(void **state)
{
	(void)state;
	int hits[262] = {0};
	for (uint32_t n = 1; n <= 63; n++) {
		for (int o = 0; o < 2; o++) {
			struct evl_klm klm;
			enum evl_klm_order order = (enum evl_klm_order)o;
			assert_int_equal(evl_klm_from_number(&klm, n, order), EVL_OK);
			assert_true(evl_klm_valid(klm));
			assert_int_equal(evl_klm_number(klm, order), n);
		}
		struct evl_klm klm = evl_klm_from_index(n - 1);
		assert_int_equal(evl_klm_index(klm), n - 1);
		uint16_t columns[4];
		evl_klm_columns(klm, columns);
		for (int x = 0; x < 4; x++) {
			/* The formula of G.707 7.3.9 in full. */
			assert_int_equal(columns[x],
				10 + (klm.k - 1) + 3 * (klm.l - 1) + 21 * (klm.m - 1) + 63 * x);
			hits[columns[x]]++;
		}
	}
	/* TU-12s fill columns 10..261, each once. */
	for (int c = 0; c < 262; c++) {
		assert_int_equal(hits[c], c >= 10 ? 1 : 0);
	}
}

static void test_refused(void **state)
{
	(void)state;
	static const char *const bad[] = {"", "1", "1-", "1-1", "1-1-", "0-1-1", "4-1-1", "1-0-1",
		"1-8-1", "1-1-0", "1-1-4", "1-1-1 ", " 1-1-1", "1-1-1-1", "1_1_1", "11-1-1",
		"a-b-c", "-1-1-1"};
	struct evl_klm klm = {9, 9, 9};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		assert_int_equal(evl_klm_parse(&klm, bad[i]), EVL_E_INVALID);
		assert_int_equal(klm.k, 9);
	}
	assert_int_equal(evl_klm_from_number(&klm, 0, EVL_KLM_BY_KLM), EVL_E_INVALID);
	assert_int_equal(evl_klm_from_number(&klm, 64, EVL_KLM_BY_COLUMN), EVL_E_INVALID);
	assert_int_equal(klm.k, 9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_table),
		cmocka_unit_test(test_inverse_and_cover),
		cmocka_unit_test(test_refused),
	};
	return cmocka_run_group_tests_name("frame.klm", tests, NULL, NULL);
}
