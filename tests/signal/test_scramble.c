/* SPDX-License-Identifier: Apache-2.0 */
/* Source: ITU-T G.707 clause 6.5: generator 1 + x^6 + x^7, all ones at the most significant bit of
 * the byte after row 1 of the section overhead, 127 bits. The first 16 bytes of the sequence agree
 * with a public tutorial that prints the whole 127 bits. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/bip.h"
#include "core/signal/bits.h"
#include "core/signal/scramble.h"

static void keystream(void **state)
{
	(void)state;
	static const uint8_t want[32] = {0xfe, 0x04, 0x18, 0x51, 0xe4, 0x59, 0xd4, 0xfa,
					 0x1c, 0x49, 0xb5, 0xbd, 0x8d, 0x2e, 0xe6, 0x55,
					 0xfc, 0x08, 0x30, 0xa3, 0xc8, 0xb3, 0xa9, 0xf4,
					 0x38, 0x93, 0x6b, 0x7b, 0x1a, 0x5d, 0xcc, 0xab};
	const uint8_t *key = evl_scramble_stm1_keystream();
	for (size_t i = 0; i < 9; i++) {
		assert_int_equal(key[i], 0);
	}
	assert_memory_equal(key + 9, want, sizeof(want));
	assert_int_equal(key[9 + 261], 0xfa); /* first byte of row 2 */
	/* The definition: each bit is the sum of those 6 and 7 before; it repeats after 127. */
	uint64_t bits = (2430 - 9) * 8;
	for (uint64_t i = 7; i < bits; i++) {
		bool sum = evl_bits_get(key + 9, i - 6) != evl_bits_get(key + 9, i - 7);
		assert_int_equal(evl_bits_get(key + 9, i), sum);
	}
	uint64_t repeat = 1;
	while (repeat < 200) {
		uint64_t i = 0;
		while (i < 200 && evl_bits_get(key + 9, i) == evl_bits_get(key + 9, i + repeat)) {
			i++;
		}
		if (i == 200) {
			break;
		}
		repeat++;
	}
	assert_int_equal(repeat, EVL_SCRAMBLE_STM1_PERIOD);
}

/* A frame of zeros but for A1 and A2 has B1 = FE in the next one, and FA as its last byte when
 * scrambled (worked from the definition, outside this project). */
static void empty_frame(void **state)
{
	(void)state;
	uint8_t slab[3 * 2430] = {0};
	static const uint8_t start[6] = {0xf6, 0xf6, 0xf6, 0x28, 0x28, 0x28};
	for (size_t f = 0; f < 3; f++) {
		memcpy(slab + f * 2430, start, sizeof(start));
	}
	uint8_t before[sizeof(slab)];
	memcpy(before, slab, sizeof(slab));
	evl_scramble_stm1(slab, 3);
	for (size_t f = 0; f < 3; f++) {
		assert_memory_equal(slab + f * 2430, before, 9);
		assert_int_equal(evl_bip8(slab + f * 2430, 2430), 0xfe);
		assert_int_equal(slab[f * 2430 + 2429], 0xfa);
	}
	evl_scramble_stm1(slab, 3);
	assert_memory_equal(slab, before, sizeof(slab));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(keystream),
		cmocka_unit_test(empty_frame),
	};
	return cmocka_run_group_tests_name("signal.scramble", tests, NULL, NULL);
}
