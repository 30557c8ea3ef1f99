/* SPDX-License-Identifier: Apache-2.0 */
/* Random and hostile slabs through every decoder of core/frame, by the function of the fuzzer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/rng.h"
#include "tests/frame/sdh_maps.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define SIZE (3u + 3u * 8u * 9720u)

static uint8_t input[SIZE];

/* Every map with noise, with a good line that has rare errors, and after a dark start. */
static void test_slabs(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 20261125, 0);
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		for (uint32_t way = 0; way < 4; way++) {
			memset(input, 0, sizeof(input));
			input[0] = (uint8_t)m;
			input[1] = (uint8_t)(way | (m + way) % 4 << 4 | (way & 2) << 5 |
					     (way & 1) << 7);
			input[2] = (uint8_t)evl_rng_next(&rng);
			for (uint32_t i = 3; i < SIZE; i++) {
				bool rare = (way & 1) != 0;
				if (!rare || evl_rng_below(&rng, 200) == 0) {
					input[i] = (uint8_t)evl_rng_next(&rng);
				}
			}
			(void)LLVMFuzzerTestOneInput(input, SIZE);
		}
	}
}

/* Errors only in rows that steer: pointers, overhead, first columns. */
static void test_pointers(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 77, 0);
	for (uint32_t round = 0; round < 26; round++) {
		memset(input, 0, sizeof(input));
		input[0] = (uint8_t)(round % SDH_MAPS);
		input[1] = (uint8_t)(1 | round % 4 << 4 | (round & 1) << 6);
		for (uint32_t f = 0; f < 24; f++) {
			for (uint32_t k = 0; k < 400; k++) {
				uint32_t row = (uint32_t)evl_rng_below(&rng, 9);
				uint32_t column = (uint32_t)evl_rng_below(&rng, 60);
				input[3 + 2430 * f + 270 * row + column] =
					(uint8_t)evl_rng_next(&rng);
			}
			memset(input + 3 + 2430 * f, 0, 36); /* stays in frame */
		}
		(void)LLVMFuzzerTestOneInput(input, SIZE);
	}
}

/* Changed maps: refused with words, or good. */
static void test_maps(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 5, 0);
	for (uint32_t round = 0; round < 300; round++) {
		for (uint32_t i = 0; i < 3 + 19440; i++) {
			input[i] = (uint8_t)evl_rng_next(&rng);
		}
		input[1] |= 8;
		(void)LLVMFuzzerTestOneInput(input, 3 + 19440);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_slabs),
		cmocka_unit_test(test_pointers),
		cmocka_unit_test(test_maps),
	};
	return cmocka_run_group_tests_name("frame.sdh_hostile", tests, NULL, NULL);
}
