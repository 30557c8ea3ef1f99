/* SPDX-License-Identifier: Apache-2.0 */
/* Source: ITU-T G.707 clauses 9.2.2.4 (BIP-8), 9.2.2.8 (BIP-24), 9.3.2.1 (BIP-2): even parity, each
 * bit counted here as the clause words it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/bip.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"

static uint8_t *random_slab(struct evl_rng *rng, size_t bytes)
{
	uint8_t *data = malloc(bytes > 0 ? bytes : 1);
	assert_non_null(data);
	for (size_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)evl_rng_next(rng);
	}
	return data;
}

static void bip8_is_even_parity(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 5, 0);
	for (size_t bytes = 0; bytes < 150; bytes++) {
		uint8_t *data = random_slab(&rng, bytes);
		uint8_t bip = evl_bip8(data, bytes);
		for (unsigned bit = 0; bit < 8; bit++) {
			unsigned ones = bip >> (7 - bit) & 1;
			for (size_t i = 0; i < bytes; i++) {
				ones += evl_bits_get(data, 8 * i + bit);
			}
			assert_int_equal(ones % 2, 0);
		}
		free(data);
	}
}

/* V5 bit 1: parity over all odd-numbered bits of all bytes, bit 2: over the even-numbered. */
static void bip2_is_even_parity(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 6, 0);
	for (int round = 0; round < 50; round++) {
		uint8_t *data = random_slab(&rng, 140);
		uint8_t bip = evl_bip2(data, 140);
		unsigned odd = bip >> 1 & 1, even = bip & 1;
		for (size_t i = 0; i < 8 * 140; i++) {
			*(i % 2 == 0 ? &odd : &even) += evl_bits_get(data, i);
		}
		assert_int_equal(odd % 2, 0);
		assert_int_equal(even % 2, 0);
		assert_true(bip < 4);
		free(data);
	}
	/* Worked by hand: 1000 0000 has bit 1 alone, 0100 0001 has bits 2 and 8. */
	assert_int_equal(evl_bip2((const uint8_t[]){0x80}, 1), 2);
	assert_int_equal(evl_bip2((const uint8_t[]){0x40}, 1), 1);
	assert_int_equal(evl_bip2((const uint8_t[]){0x41}, 1), 0);
	assert_int_equal(evl_bip2((const uint8_t[]){0xb0}, 1), 1); /* bits 1, 3, 4 */
}

/* B2 over a frame with each row's columns summed as the clause says: bit k of the result covers
 * every 24th bit. */
static void bip24_over_the_multiplex_section(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 7, 0);
	for (int round = 0; round < 20; round++) {
		uint8_t *frame = random_slab(&rng, 2430);
		uint8_t got[3] = {0, 0, 0};
		evl_bip24_rows(got, frame + 9, 261, 3, 270);
		evl_bip24_rows(got, frame + 3 * 270, 270, 6, 270);
		unsigned ones[24] = {0};
		for (unsigned k = 0; k < 24; k++) {
			ones[k] = evl_bits_get(got, k);
		}
		for (size_t r = 0; r < 9; r++) {
			for (size_t c = r < 3 ? 9 : 0; c < 270; c++) {
				for (unsigned b = 0; b < 8; b++) {
					ones[c % 3 * 8 + b] +=
						evl_bits_get(frame, 8 * (r * 270 + c) + b);
				}
			}
		}
		for (unsigned k = 0; k < 24; k++) {
			assert_int_equal(ones[k] % 2, 0);
		}
		uint8_t column_sum = evl_bip8_rows(frame + 9, 261, 9, 270);
		uint8_t want = 0;
		for (size_t r = 0; r < 9; r++) {
			for (size_t c = 9; c < 270; c++) {
				want ^= frame[r * 270 + c];
			}
		}
		assert_int_equal(column_sum, want);
		free(frame);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(bip8_is_even_parity),
		cmocka_unit_test(bip2_is_even_parity),
		cmocka_unit_test(bip24_over_the_multiplex_section),
	};
	return cmocka_run_group_tests_name("signal.bip", tests, NULL, NULL);
}
