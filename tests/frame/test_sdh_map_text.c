/* SPDX-License-Identifier: Apache-2.0 */
/* Mappings as text: the structures of ITU-T G.707 figure 6-1. Numbers of clients counted by hand:
 * 63 TU-12 or 84 TU-11 to a VC-4 or three AU-3 (G.707 7.2, 7.3), 21 and 28 to each third. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "core/frame/sdh_map_text.h"

static void test_good(void **state)
{
	(void)state;
	static const struct {
		uint32_t stm;
		const char *text;
		uint32_t clients, kind; /* of the first */
	} good[] = {
		{1, "AU-4/TU-12/E1", 63, EVL_SDH_E1},
		{4, "AU-4/TU-12/E1", 252, EVL_SDH_E1},
		{1, "AU-4/TU-11/T1", 84, EVL_SDH_T1},
		{1, "AU-3/TU-11/T1", 84, EVL_SDH_T1},
		{4, "AU-3/TU-11/T1 byte-synchronous", 336, EVL_SDH_T1_BYTE},
		{1, "AU-4/TU-12/T1", 63, EVL_SDH_T1},
		{1, "AU-3/TU-12/E1 byte-synchronous", 63, EVL_SDH_E1_BYTE},
		{1, "AU-4/TU-3/VC-3", 3, EVL_SDH_VC3},
		{1, "AU-3/VC-3", 3, EVL_SDH_VC3},
		{4, "AU-4/VC-4", 4, EVL_SDH_VC4},
		{4, "AU-4-4c/VC-4-4c", 1, EVL_SDH_VC4_4C},
		{1, "AU-4/empty", 0, 0},
		{1, "AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3", 43, EVL_SDH_VC3},
		{4, "AU-4/TU-12/E1, AU-4/VC-4, AU-4/empty, AU-3/TU-11/T1", 63 + 1 + 84, EVL_SDH_E1},
	};
	for (size_t i = 0; i < sizeof(good) / sizeof(good[0]); i++) {
		struct evl_sdh_map map, again;
		struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS] = {{0}};
		char text[EVL_SDH_MAP_TEXT];
		struct evl_err err = {0};
		assert_int_equal(evl_sdh_map_parse(&map, good[i].stm, good[i].text, &err), EVL_OK);
		assert_int_equal(evl_sdh_map_clients(&map, list), good[i].clients);
		assert_int_equal(list[0].kind, good[i].kind);
		assert_string_equal(evl_sdh_map_text(&map, text), good[i].text);
		assert_int_equal(evl_sdh_map_parse(&again, good[i].stm, text, &err), EVL_OK);
		assert_memory_equal(&map, &again, sizeof(map));
	}
}

/* A text is the same map as the filling function makes. */
static void test_same_as_filled(void **state)
{
	(void)state;
	struct evl_sdh_map a, b;
	assert_int_equal(evl_sdh_map_parse(&a, 4, "AU-3/TU-11/T1", NULL), EVL_OK);
	evl_sdh_map_fill(&b, 4, EVL_SDH_AU3, EVL_SDH_T1);
	assert_memory_equal(&a, &b, sizeof(a));
	assert_int_equal(evl_sdh_map_parse(&a, 1, "AU-4/TU-12/E1", NULL), EVL_OK);
	evl_sdh_map_fill(&b, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_memory_equal(&a, &b, sizeof(a));
}

static void test_mixed(void **state)
{
	(void)state;
	struct evl_sdh_map map;
	char text[EVL_SDH_MAP_TEXT];
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	map.aug[0].part[1].tug2[3].kind[2] = EVL_SDH_T1;
	assert_string_equal(evl_sdh_map_text(&map, text), "mixed");
}

static void test_refused(void **state)
{
	(void)state;
	static const struct {
		uint32_t stm;
		const char *text, *says;
	} bad[] = {
		{1, "", "entry 1, \"\""},
		{1, "AU-4", "\"AU-4\""},
		{1, "AU-4/TU-12/E1,", "entry 2"},
		{1, "AU-4/TU-11/E1", "AU-4/TU-11/E1"},
		{1, "AU-4/TU-12/E1, AU-4/TU-12/E1", "2 entries"},
		{1, "AU-4/VC-4, AU-4/TU-12/E1, AU-4/TU-12/E1", "cannot stand in one AUG"},
		{1, "AU-4/TU-12/E1, AU-3/TU-12/E1, AU-4/TU-12/E1", "entry 2"},
		{1, "AU-4/empty, AU-4/empty, AU-4/empty, AU-4/empty", "4 entries"},
		{1, "AU-4-4c/VC-4-4c", "stm 4"},
		{2, "AU-4/TU-12/E1", "stm is 2"},
		{4, "AU-4-4c/VC-4-4c, AU-4/VC-4, AU-4/VC-4, AU-4/VC-4", "AU-4-4c"},
	};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct evl_sdh_map map;
		struct evl_err err = {0};
		assert_int_equal(
			evl_sdh_map_parse(&map, bad[i].stm, bad[i].text, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, bad[i].says));
	}
}

/* Three to an AUG with AU-3, one to an AUG with AU-4 (G.707 figure 6-1). */
static void test_path_numbers(void **state)
{
	struct evl_sdh_map map;
	struct evl_err err = {0};
	(void)state;
	assert_int_equal(evl_sdh_map_parse(&map, 4,
				 "AU-4/VC-4, AU-3/TU-11/T1, AU-4/TU-12/E1, AU-3/VC-3", &err),
		EVL_OK);
	assert_int_equal(evl_sdh_path_number(&map, 0), 1);
	assert_int_equal(evl_sdh_path_number(&map, 3), 2);
	assert_int_equal(evl_sdh_path_number(&map, 5), 4);
	assert_int_equal(evl_sdh_path_number(&map, 6), 5);
	assert_int_equal(evl_sdh_path_number(&map, 9), 6);
	assert_int_equal(evl_sdh_path_number(&map, 11), 8);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_good),
		cmocka_unit_test(test_same_as_filled),
		cmocka_unit_test(test_mixed),
		cmocka_unit_test(test_refused),
		cmocka_unit_test(test_path_numbers),
	};
	return cmocka_run_group_tests_name("frame.sdh_map_text", tests, NULL, NULL);
}
