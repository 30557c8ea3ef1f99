/* SPDX-License-Identifier: Apache-2.0 */
/* Timeslot groups against a copy byte by byte (E1) and bit by bit (T1), G.704 2.1.1, 2.3.1. */
#include "tests/frame/pdh_rig.h"

#include "core/frame/timeslot.h"

#define N 40

static void test_e1_groups(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 2);
	for (int round = 0; round < 3000; round++) {
		uint32_t mask = (uint32_t)evl_rng_next(&rng);
		switch (round % 4) {
		case 0:
			mask = 1u << evl_rng_below(&rng, 32);
			break;
		case 1:
			mask = UINT32_MAX << evl_rng_below(&rng, 32);
			break;
		case 2:
			mask = round == 2 ? UINT32_MAX : mask & (mask >> 3);
			break;
		default:
			break;
		}
		if (mask == 0) {
			continue;
		}
		struct evl_timeslots ts;
		assert_int_equal(evl_timeslots_init(&ts, EVL_RATE_E1, mask, NULL), EVL_OK);
		uint8_t frames[32 * N], back[32 * N], expected[32 * N];
		pdh_random(&rng, frames, sizeof(frames));
		size_t n = 0;
		for (size_t f = 0; f < N; f++) {
			for (size_t t = 0; t < 32; t++) {
				if (mask >> t & 1) {
					expected[n++] = frames[32 * f + t];
				}
			}
		}
		assert_int_equal(n, (size_t)ts.count * N);
		uint8_t *group = malloc(n); /* exact, for the sanitizer */
		evl_timeslots_extract(&ts, group, frames, N);
		assert_memory_equal(group, expected, n);
		pdh_random(&rng, back, sizeof(back));
		memcpy(expected, back, sizeof(back));
		n = 0;
		for (size_t f = 0; f < N; f++) {
			for (size_t t = 0; t < 32; t++) {
				if (mask >> t & 1) {
					expected[32 * f + t] = group[n++];
				}
			}
		}
		evl_timeslots_insert(&ts, back, group, N);
		assert_memory_equal(back, expected, sizeof(back));
		free(group);
	}
}

static void test_t1_groups(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 3);
	for (int round = 0; round < 1000; round++) {
		uint32_t mask = (uint32_t)evl_rng_next(&rng) & 0x1fffffe;
		mask = round == 0 ? 0x1fffffe : round % 3 == 0 ? 2u << round % 24 : mask;
		if (mask == 0) {
			continue;
		}
		struct evl_timeslots ts;
		assert_int_equal(evl_timeslots_init(&ts, EVL_RATE_T1, mask, NULL), EVL_OK);
		size_t size = (193 * N + 7) / 8;
		uint8_t *slab = malloc(size);
		uint8_t *group = malloc((size_t)ts.count * N);
		pdh_random(&rng, slab, size);
		evl_timeslots_extract_t1(&ts, group, slab, N);
		size_t n = 0;
		for (size_t f = 0; f < N; f++) {
			for (size_t t = 1; t <= 24; t++) {
				for (size_t b = 0; b < 8 && (mask >> t & 1); b++, n++) {
					/* F bit, then timeslot t in bits 8t-7 .. 8t of the frame */
					assert_int_equal(evl_bits_get(group, n),
						evl_bits_get(slab, 193 * f + 8 * t - 7 + b));
				}
			}
		}
		assert_int_equal(n, 8 * (size_t)ts.count * N);
		uint8_t *other = malloc(size);
		uint8_t *was = malloc(size);
		pdh_random(&rng, other, size);
		memcpy(was, other, size);
		evl_timeslots_insert_t1(&ts, other, group, N);
		for (size_t bit = 0; bit < 8 * size; bit++) {
			size_t in = bit % 193;
			bool mine = bit < 193 * N && in > 0 && (mask >> ((in + 7) / 8) & 1);
			assert_int_equal(
				evl_bits_get(other, bit), evl_bits_get(mine ? slab : was, bit));
		}
		/* The same from frames of 24 bytes. */
		uint8_t frames[24 * N], group2[24 * N];
		for (size_t f = 0; f < N; f++) {
			evl_bits_copy(frames, 192 * f, slab, 193 * f + 1, 192);
		}
		evl_timeslots_extract(&ts, group2, frames, N);
		assert_memory_equal(group, group2, (size_t)ts.count * N);
		free(slab);
		free(group);
		free(other);
		free(was);
	}
}

static void test_parse(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		enum evl_rate rate;
		uint32_t mask;
	} good[] = {
		{"0-31", EVL_RATE_E1, UINT32_MAX},
		{"1-15,17-31", EVL_RATE_E1, 0xfffefffe},
		{"1-31", EVL_RATE_E1, 0xfffffffe},
		{"16", EVL_RATE_E1, 0x10000},
		{"31,0,5", EVL_RATE_E1, 0x80000021},
		{"1-24", EVL_RATE_T1, 0x1fffffe},
		{"24,1", EVL_RATE_T1, 0x1000002},
		{"3-3", EVL_RATE_T1, 0x8},
	};
	for (size_t i = 0; i < sizeof(good) / sizeof(good[0]); i++) {
		struct evl_timeslots ts;
		assert_int_equal(
			evl_timeslots_parse(&ts, good[i].rate, good[i].text, NULL), EVL_OK);
		assert_int_equal(ts.mask, good[i].mask);
	}
	static const struct {
		const char *text;
		enum evl_rate rate;
		const char *word;
	} bad[] = {
		{"", EVL_RATE_E1, "\"\""},
		{"32", EVL_RATE_E1, "no timeslot 32"},
		{"0", EVL_RATE_T1, "no timeslot 0"},
		{"25", EVL_RATE_T1, "no timeslot 25"},
		{"20-25", EVL_RATE_T1, "no timeslot 25"},
		{"5-3", EVL_RATE_E1, "\"5-3\""},
		{"1,,2", EVL_RATE_E1, "\"\""},
		{"1,", EVL_RATE_E1, "\"\""},
		{"1-", EVL_RATE_E1, "\"1-\""},
		{"-3", EVL_RATE_E1, "\"-3\""},
		{"a", EVL_RATE_E1, "\"a\""},
		{"1 2", EVL_RATE_E1, "\"1 2\""},
		{"1-5,5", EVL_RATE_E1, "timeslot 5 is named twice"},
		{"100", EVL_RATE_E1, "\"100\""},
		{"99999999999999999999", EVL_RATE_E1, "9"},
		{"1", EVL_RATE_STM1, "STM-1"},
		{"1", EVL_RATE_NONE, "none"},
	};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct evl_timeslots ts;
		struct evl_err err = {0};
		assert_int_equal(
			evl_timeslots_parse(&ts, bad[i].rate, bad[i].text, &err), EVL_E_INVALID);
		if (strstr(err.text, bad[i].word) == NULL) {
			fail_msg("\"%s\": %s", bad[i].text, err.text);
		}
	}
	struct evl_timeslots ts;
	assert_int_equal(evl_timeslots_init(&ts, EVL_RATE_E1, 0, NULL), EVL_E_INVALID);
	assert_int_equal(evl_timeslots_init(&ts, EVL_RATE_T1, 1, NULL), EVL_E_INVALID);
	assert_int_equal(evl_timeslots_init(&ts, EVL_RATE_T1, 1u << 25, NULL), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_e1_groups),
		cmocka_unit_test(test_t1_groups),
		cmocka_unit_test(test_parse),
	};
	return cmocka_run_group_tests_name("timeslot", tests, NULL, NULL);
}
