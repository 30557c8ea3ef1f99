/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: ITU-T O.150 clauses 5.3 and 5.6 (register, inversion, period, longest run of zeros);
 * libliquid's msequence as a second shift register; the CRC-32 of eight whole periods made outside
 * this project with SciPy's max_len_seq and Python's zlib.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>
#ifdef EVL_HAVE_LIQUID
#include <liquid/liquid.h>
#endif

#include "core/signal/bits.h"
#include "core/signal/crc.h"
#include "core/signal/prbs.h"
#include "core/signal/rng.h"

static const enum evl_prbs_kind both[] = {EVL_PRBS15, EVL_PRBS23};

/* O.150 5.3, 5.6: all ones at the start, output inverted; worked by hand from the recurrence. */
static void first_bytes(void **state)
{
	(void)state;
	static const uint8_t want15[16] = {0x00, 0x01, 0xff, 0xfb, 0xff, 0xe7, 0xff, 0xaf,
					   0xfe, 0x1f, 0xfb, 0xbf, 0xe6, 0x7f, 0xaa, 0xfe};
	static const uint8_t want23[16] = {0x00, 0x00, 0x01, 0xff, 0xff, 0x83, 0xff, 0xe0,
					   0x07, 0xf8, 0x3e, 0x0e, 0x00, 0x00, 0x63, 0xff};
	uint8_t got[16];
	struct evl_prbs p;
	evl_prbs_init(&p, EVL_PRBS15, 0);
	evl_prbs_fill(&p, got, sizeof(got));
	assert_memory_equal(got, want15, sizeof(got));
	evl_prbs_init(&p, EVL_PRBS23, 0);
	evl_prbs_fill(&p, got, sizeof(got));
	assert_memory_equal(got, want23, sizeof(got));
}

static void names(void **state)
{
	(void)state;
	enum evl_prbs_kind kind = EVL_PRBS23;
	assert_true(evl_prbs_by_name(&kind, "2^15-1"));
	assert_int_equal(kind, EVL_PRBS15);
	assert_true(evl_prbs_by_name(&kind, "2^23-1"));
	assert_int_equal(kind, EVL_PRBS23);
	assert_false(evl_prbs_by_name(&kind, "2^16-1"));
	assert_string_equal(evl_prbs_name(EVL_PRBS15), "2^15-1");
	assert_int_equal(evl_prbs_period(EVL_PRBS15), 32767);
	assert_int_equal(evl_prbs_period(EVL_PRBS23), 8388607);
}

static uint8_t *whole_period(enum evl_prbs_kind kind, size_t *bytes)
{
	*bytes = evl_prbs_period(kind); /* eight periods */
	uint8_t *data = malloc(*bytes);
	assert_non_null(data);
	struct evl_prbs p;
	evl_prbs_init(&p, kind, 0);
	evl_prbs_fill(&p, data, *bytes);
	assert_int_equal(evl_prbs_phase(&p), 0);
	return data;
}

/* A register of n stages with the taps of O.150, one bit at a time: the definition itself. */
static void every_bit_of_the_register(void **state)
{
	(void)state;
	for (size_t v = 0; v < 2; v++) {
		unsigned n = both[v] == EVL_PRBS15 ? 15 : 23;
		unsigned k = both[v] == EVL_PRBS15 ? 14 : 18;
		size_t bytes;
		uint8_t *data = whole_period(both[v], &bytes);
		uint8_t stage[24];
		memset(stage, 1, sizeof(stage)); /* stage[1..n] */
		size_t wrong = 0;
		for (size_t i = 0; i < bytes * 8; i++) {
			wrong += evl_bits_get(data, i) == (stage[n] != 0);
			uint8_t feedback = stage[k] ^ stage[n];
			memmove(stage + 2, stage + 1, n - 1);
			stage[1] = feedback;
		}
		assert_int_equal(wrong, 0);
		free(data);
	}
}

/* O.150: period 2^n-1; inverted, so one zero more than ones, longest run of zeros n and of ones
 * n-1. Run property of maximal sequences: half of the runs have length 1, a quarter length 2, ...
 */
static void facts_of_the_period(void **state)
{
	(void)state;
	static const uint32_t want_crc[] = {0x3660df74, 0xa6e91521};
	for (size_t v = 0; v < 2; v++) {
		size_t bytes;
		uint8_t *data = whole_period(both[v], &bytes);
		unsigned n = evl_prbs_order(both[v]);
		uint64_t period = bytes;
		assert_int_equal(evl_crc32(0, data, bytes), want_crc[v]);
		assert_int_equal(evl_bits_count_ones(data, bytes), 8 * ((period - 1) / 2));
		/* From the first one on, so that the run of n zeros is met whole, at the end. */
		uint64_t runs[2][25] = {{0}};
		size_t start = n;
		assert_true(evl_bits_get(data, start));
		unsigned len = 0;
		bool value = true;
		for (uint64_t i = 0; i <= period; i++) {
			bool bit = evl_bits_get(data, start + i);
			if (i == period || bit != value) {
				assert_true(len <= 24);
				runs[value][len]++;
				value = bit;
				len = 0;
			}
			len++;
		}
		assert_int_equal(runs[0][n], 1);
		assert_int_equal(runs[1][n], 0);
		assert_int_equal(runs[1][n - 1], 1);
		assert_int_equal(runs[0][n - 1], 0);
		for (unsigned r = 1; r <= n - 2; r++) {
			assert_int_equal(runs[0][r], (uint64_t)1 << (n - 2 - r));
			assert_int_equal(runs[1][r], (uint64_t)1 << (n - 2 - r));
		}
		free(data);
	}
}

#ifdef EVL_HAVE_LIQUID
/* libliquid takes the whole polynomial, here x^15 + x^14 + 1, and begins at another place of the
 * same sequence: both are lined up by its first n bits. It has no register of 23 stages; for that
 * see test_against_scipy.py. */
static void same_as_libliquid(void **state)
{
	(void)state;
	msequence m = msequence_create(15, 0xc001, 1);
	assert_non_null(m);
	uint32_t window = 0;
	for (unsigned i = 0; i < 15; i++) {
		window = window << 1 | (msequence_advance(m) & 1);
	}
	uint32_t phase = evl_prbs_index_of(EVL_PRBS15, window);
	assert_true(phase < 32767);
	struct evl_prbs p;
	evl_prbs_init(&p, EVL_PRBS15, (uint64_t)phase + 15);
	size_t wrong = 0;
	for (uint32_t i = 0; i < 32767; i++) {
		uint8_t got;
		evl_prbs_fill(&p, &got, 1);
		for (unsigned b = 0; b < 8; b++) {
			wrong += (msequence_advance(m) & 1) == (unsigned)(got >> (7 - b) & 1);
		}
	}
	assert_int_equal(wrong, 0);
	msequence_destroy(m);
}
#endif

/* Starting anywhere, in pieces of any length, gives the stretch of the whole that begins there. */
static void any_phase_any_length(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 0);
	for (size_t v = 0; v < 2; v++) {
		size_t bytes;
		uint8_t *data = whole_period(both[v], &bytes);
		uint8_t *twice = malloc(2 * bytes);
		assert_non_null(twice);
		memcpy(twice, data, bytes);
		memcpy(twice + bytes, data, bytes);
		for (int round = 0; round < 400; round++) {
			uint64_t phase = evl_rng_below(&rng, evl_prbs_period(both[v]));
			uint64_t turns = evl_rng_below(&rng, 1000) * evl_prbs_period(both[v]);
			struct evl_prbs p;
			if (round % 2) {
				evl_prbs_init(&p, both[v], phase + turns);
			} else {
				evl_prbs_init(&p, both[v], 12345);
				evl_prbs_skip(&p, phase + turns + evl_prbs_period(both[v]) - 12345);
			}
			uint8_t got[3000], want[3000];
			size_t total = 0;
			while (total < sizeof(got)) {
				size_t part = 1 + (size_t)evl_rng_below(&rng, 900);
				part = part < sizeof(got) - total ? part : sizeof(got) - total;
				evl_prbs_fill(&p, got + total, part);
				total += part;
			}
			evl_bits_shift(want, twice + phase / 8, sizeof(want),
				       (unsigned)(phase % 8));
			assert_memory_equal(got, want, sizeof(want));
			assert_int_equal(evl_prbs_phase(&p),
					 (phase + 8 * sizeof(got)) % evl_prbs_period(both[v]));
		}
		free(twice);
		free(data);
	}
}

static void index_of_window(void **state)
{
	(void)state;
	for (size_t v = 0; v < 2; v++) {
		uint32_t period = evl_prbs_period(both[v]);
		unsigned n = evl_prbs_order(both[v]);
		assert_int_equal(evl_prbs_index_of(both[v], 0), UINT32_MAX);
		assert_int_equal(evl_prbs_index_of(both[v], period + 1), UINT32_MAX);
		assert_int_equal(evl_prbs_index_of(both[v], period), 0); /* n ones: O.150 */
		/* The windows of consecutive bits, read from the stream itself. */
		size_t bytes;
		uint8_t *data = whole_period(both[v], &bytes);
		uint32_t step = both[v] == EVL_PRBS15 ? 1 : 997;
		for (uint32_t i = 0; i < period; i += step) {
			uint32_t window = 0;
			for (unsigned b = 0; b < n; b++) {
				window = window << 1 | !evl_bits_get(data, (uint64_t)i + b);
			}
			assert_int_equal(evl_prbs_index_of(both[v], window), i);
			assert_int_equal(evl_prbs_window(both[v], i), window);
		}
		free(data);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(first_bytes),
		cmocka_unit_test(names),
		cmocka_unit_test(every_bit_of_the_register),
		cmocka_unit_test(facts_of_the_period),
#ifdef EVL_HAVE_LIQUID
		cmocka_unit_test(same_as_libliquid),
#endif
		cmocka_unit_test(any_phase_any_length),
		cmocka_unit_test(index_of_window),
	};
	return cmocka_run_group_tests_name("signal.prbs", tests, NULL, NULL);
}
