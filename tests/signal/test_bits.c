/* SPDX-License-Identifier: Apache-2.0 */
/* Each slab operation against the same thing done bit by bit from its definition. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/bits.h"
#include "core/signal/rng.h"

static void fill_random(struct evl_rng *rng, uint8_t *data, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)evl_rng_next(rng);
	}
}

/* Heap copies of the exact size, so that the address sanitizer sees a read past the end. */
static uint8_t *exact(const uint8_t *data, size_t bytes)
{
	uint8_t *copy = malloc(bytes > 0 ? bytes : 1);
	assert_non_null(copy);
	memcpy(copy, data, bytes);
	return copy;
}

static void count_and_find(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 2, 0);
	for (int round = 0; round < 500; round++) {
		size_t bytes = (size_t)evl_rng_below(&rng, 100);
		uint8_t raw[100];
		fill_random(&rng, raw, sizeof(raw));
		uint8_t *a = exact(raw, bytes);
		uint8_t *b = exact(raw, bytes);
		uint64_t flips = bytes > 0 ? evl_rng_below(&rng, 6) : 0;
		for (uint64_t f = 0; f < flips; f++) {
			evl_bits_flip(b, evl_rng_below(&rng, 8 * bytes));
		}
		uint64_t ones = 0, diff = 0, first = 8 * bytes, last = first;
		uint64_t list[4], want[4];
		size_t listed = 0;
		for (uint64_t i = 0; i < 8 * bytes; i++) {
			ones += evl_bits_get(a, i);
			if (evl_bits_get(a, i) != evl_bits_get(b, i)) {
				first = diff == 0 ? i : first;
				last = i;
				if (listed < 4) {
					want[listed++] = i + 1000;
				}
				diff++;
			}
		}
		assert_int_equal(evl_bits_count_ones(a, bytes), ones);
		assert_int_equal(evl_bits_count_diff(a, b, bytes), diff);
		assert_int_equal(evl_bits_first_diff(a, b, bytes), first);
		assert_int_equal(evl_bits_last_diff(a, b, bytes), last);
		assert_int_equal(evl_bits_list_diff(list, 4, 1000, a, b, bytes), listed);
		assert_memory_equal(list, want, listed * sizeof(list[0]));
		assert_int_equal(evl_bits_list_diff(list, 0, 0, a, b, bytes), 0);
		evl_bits_xor(b, a, bytes);
		assert_int_equal(evl_bits_count_ones(b, bytes), diff);
		free(a);
		free(b);
	}
}

static void shift(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 3, 0);
	for (size_t bytes = 0; bytes < 70; bytes++) {
		for (unsigned by = 0; by < 8; by++) {
			uint8_t raw[80];
			fill_random(&rng, raw, sizeof(raw));
			uint8_t *src = exact(raw, bytes + (by > 0));
			uint8_t *dst = exact(raw, bytes);
			evl_bits_shift(dst, src, bytes, by);
			for (uint64_t i = 0; i < 8 * bytes; i++) {
				assert_int_equal(evl_bits_get(dst, i), evl_bits_get(src, i + by));
			}
			free(src);
			free(dst);
		}
	}
}

static void copy(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 4, 0);
	for (int round = 0; round < 5000; round++) {
		uint64_t from = evl_rng_below(&rng, 20);
		uint64_t to = evl_rng_below(&rng, 20);
		uint64_t bits = evl_rng_below(&rng, round % 2 ? 20 : 400);
		size_t src_bytes = (size_t)(from + bits + 7) / 8;
		size_t dst_bytes = (size_t)(to + bits + 7) / 8;
		uint8_t raw[128], old[128];
		fill_random(&rng, raw, sizeof(raw));
		fill_random(&rng, old, sizeof(old));
		uint8_t *src = exact(raw, src_bytes);
		uint8_t *dst = exact(old, dst_bytes);
		evl_bits_copy(dst, to, src, from, bits);
		for (uint64_t i = 0; i < 8 * dst_bytes; i++) {
			bool inside = i >= to && i < to + bits;
			bool want =
				inside ? evl_bits_get(src, i - to + from) : evl_bits_get(old, i);
			assert_int_equal(evl_bits_get(dst, i), want);
		}
		free(src);
		free(dst);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(count_and_find),
		cmocka_unit_test(shift),
		cmocka_unit_test(copy),
	};
	return cmocka_run_group_tests_name("signal.bits", tests, NULL, NULL);
}
