/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: ITU-T O.150 clause 5 (registers, inversion, period, longest runs; all but 511 from
 * memory, each shown to have the full period by stepping); libliquid's msequence as a second shift
 * register; the CRC-32 of eight whole periods made outside this project with a bit-serial NumPy
 * register and Python's zlib. SciPy: test_against_scipy.py.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
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
#include "core/signal/simd.h"

/* The published figures: stages, sense, first bytes (all ones at the start), CRC-32 of 2^n-1 bytes
 * (0: too long for a test), longest runs of zeros and ones on the line, ones in a period. */
static const struct published {
	enum evl_prbs_kind kind;
	const char *name;
	unsigned n, k;
	bool inverted;
	uint8_t first[16];
	uint32_t crc;
	unsigned zeros, ones;
	uint32_t ones_in_period;
} all[] = {
	{EVL_PRBS9, "2^9-1", 9, 5, false,
		{0xff, 0x83, 0xdf, 0x17, 0x32, 0x09, 0x4e, 0xd1, 0xe7, 0xcd, 0x8a, 0x91, 0xc6, 0xd5,
			0xc4, 0xc4},
		0x954db9fa, 8, 9, 256},
	{EVL_PRBS11, "2^11-1", 11, 9, false,
		{0xff, 0xe0, 0x0c, 0x07, 0x83, 0x31, 0xfe, 0xc0, 0xb8, 0x4b, 0x2c, 0xf3, 0xe7, 0x8f,
			0x36, 0x7d},
		0xf41c2588, 10, 11, 1024},
	{EVL_PRBS15, "2^15-1", 15, 14, true,
		{0x00, 0x01, 0xff, 0xfb, 0xff, 0xe7, 0xff, 0xaf, 0xfe, 0x1f, 0xfb, 0xbf, 0xe6, 0x7f,
			0xaa, 0xfe},
		0x3660df74, 15, 14, 16383},
	{EVL_PRBS20, "2^20-1", 20, 3, false,
		{0xff, 0xff, 0xf1, 0xc7, 0x1c, 0x8d, 0xc8, 0xd2, 0x8d, 0x28, 0x2d, 0x7d, 0x26, 0x15,
			0x7d, 0xda},
		0xc5f88118, 19, 20, 524288},
	{EVL_QRSS, "QRSS", 20, 17, false,
		{0xff, 0xff, 0xfe, 0x00, 0x07, 0x00, 0x03, 0xf0, 0x01, 0xc7, 0x00, 0xff, 0xf0, 0x70,
			0x07, 0x3f},
		0x8c782d30, 14, 23, 524319},
	{EVL_PRBS23, "2^23-1", 23, 18, true,
		{0x00, 0x00, 0x01, 0xff, 0xff, 0x83, 0xff, 0xe0, 0x07, 0xf8, 0x3e, 0x0e, 0x00, 0x00,
			0x63, 0xff},
		0xa6e91521, 23, 22, 4194303},
	{EVL_PRBS29, "2^29-1", 29, 27, true,
		{0x00, 0x00, 0x00, 0x07, 0xff, 0xff, 0xff, 0x3f, 0xff, 0xff, 0xe1, 0xff, 0xff, 0xfc,
			0xcf, 0xff},
		0, 29, 28, 268435455},
	{EVL_PRBS31, "2^31-1", 31, 28, true,
		{0x00, 0x00, 0x00, 0x01, 0xff, 0xff, 0xff, 0xe3, 0xff, 0xff, 0xfe, 0x07, 0xff, 0xff,
			0xe3, 0x8f},
		0, 31, 30, 1073741823},
};
#define COUNT (sizeof(all) / sizeof(all[0]))

static void first_bytes(void **state)
{
	(void)state;
	assert_int_equal(COUNT, EVL_PRBS_KINDS);
	for (size_t v = 0; v < COUNT; v++) {
		uint8_t got[16];
		struct evl_prbs p;
		evl_prbs_init(&p, all[v].kind, 0);
		evl_prbs_fill(&p, got, sizeof(got));
		assert_memory_equal(got, all[v].first, sizeof(got));
		evl_prbs_init_sense(&p, all[v].kind, true, 0);
		evl_prbs_fill(&p, got, sizeof(got));
		for (size_t i = 0; i < sizeof(got); i++) {
			assert_int_equal(got[i], (uint8_t)~all[v].first[i]);
		}
	}
}

static void names(void **state)
{
	(void)state;
	for (size_t v = 0; v < COUNT; v++) {
		enum evl_prbs_kind kind = EVL_PRBS_KINDS;
		assert_true(evl_prbs_by_name(&kind, all[v].name));
		assert_int_equal(kind, all[v].kind);
		assert_string_equal(evl_prbs_name(kind), all[v].name);
		assert_int_equal(evl_prbs_period(kind), ((uint64_t)1 << all[v].n) - 1);
		assert_int_equal(evl_prbs_order(kind), all[v].n);
		assert_int_equal(evl_prbs_tap(kind), all[v].k);
		assert_int_equal(evl_prbs_inverts(kind), all[v].inverted);
	}
	enum evl_prbs_kind kind;
	assert_false(evl_prbs_by_name(&kind, "2^16-1"));
}

static uint8_t *from_start(enum evl_prbs_kind kind, size_t bytes)
{
	uint8_t *data = malloc(bytes);
	assert_non_null(data);
	struct evl_prbs p;
	evl_prbs_init(&p, kind, 0);
	evl_prbs_fill(&p, data, bytes);
	assert_int_equal(evl_prbs_phase(&p), (uint64_t)bytes * 8 % evl_prbs_period(kind));
	return data;
}

/* Eight periods, or the first 3 MB of the very long ones. */
static size_t plenty(const struct published *of)
{
	return of->n > 23 ? 3000000 : evl_prbs_period(of->kind);
}

/* A register of n stages with the taps of O.150, one bit at a time: the definition itself. Zero
 * suppression: the bit is 1 when it is 0 and so are the next 14, stages 19 to 6. */
static void every_bit_of_the_register(void **state)
{
	(void)state;
	for (size_t v = 0; v < COUNT; v++) {
		size_t bytes = plenty(&all[v]);
		uint8_t *data = from_start(all[v].kind, bytes);
		uint32_t stages = (uint32_t)(((uint64_t)1 << all[v].n) - 1); /* stage i: bit i-1 */
		size_t wrong = 0;
		for (size_t i = 0; i < bytes * 8; i++) {
			unsigned out = stages >> (all[v].n - 1) & 1;
			unsigned feedback =
				(stages >> (all[v].k - 1) ^ stages >> (all[v].n - 1)) & 1;
			if (all[v].kind == EVL_QRSS && (stages >> 5 & 0x3fff) == 0) {
				out = 1;
			}
			wrong += evl_bits_get(data, i) == (out ^ all[v].inverted ? false : true);
			stages = (uint32_t)(((uint64_t)stages << 1 | feedback) &
					    (((uint64_t)1 << all[v].n) - 1));
		}
		assert_int_equal(wrong, 0);
		free(data);
	}
}

static void facts_of_the_period(void **state)
{
	(void)state;
	for (size_t v = 0; v < COUNT; v++) {
		if (all[v].crc == 0) {
			continue;
		}
		unsigned n = all[v].n;
		size_t bytes = plenty(&all[v]);
		uint8_t *data = from_start(all[v].kind, bytes);
		uint64_t period = bytes;
		assert_int_equal(evl_crc32(0, data, bytes), all[v].crc);
		assert_int_equal(
			evl_bits_count_ones(data, bytes), 8 * (uint64_t)all[v].ones_in_period);
		/* From the first change on, so that no run is cut. */
		uint64_t runs[2][32] = {{0}};
		uint64_t start = 1;
		while (evl_bits_get(data, start) == evl_bits_get(data, start - 1)) {
			start++;
		}
		unsigned len = 0, longest[2] = {0, 0};
		bool value = evl_bits_get(data, start);
		for (uint64_t i = 0; i <= period; i++) {
			bool bit = evl_bits_get(data, start + i);
			if (i == period || bit != value) {
				assert_true(len < 32);
				runs[value][len]++;
				longest[value] = len > longest[value] ? len : longest[value];
				value = bit;
				len = 0;
			}
			len++;
		}
		assert_int_equal(longest[0], all[v].zeros);
		assert_int_equal(longest[1], all[v].ones);
		/* Half of the runs have length 1, a quarter length 2, ... (maximal sequences). */
		for (unsigned r = 1; r <= n - 2 && all[v].kind != EVL_QRSS; r++) {
			assert_int_equal(runs[0][r], (uint64_t)1 << (n - 2 - r));
			assert_int_equal(runs[1][r], (uint64_t)1 << (n - 2 - r));
		}
		free(data);
	}
}

/* The first forced bits, counted outside with NumPy. */
static void where_zeros_are_suppressed(void **state)
{
	(void)state;
	static const uint32_t first[] = {20, 21, 22, 11485, 212012};
	size_t bytes = (1u << 20) - 1;
	uint8_t *data = from_start(EVL_QRSS, bytes);
	size_t seen = 0;
	uint32_t w = (1u << 20) - 1;
	for (uint32_t i = 0; i < (1u << 20) - 1; i++) {
		bool raw = w >> 19 & 1;
		if (evl_bits_get(data, i) != raw) {
			assert_true(evl_bits_get(data, i));
			if (seen < 5) {
				assert_int_equal(i, first[seen]);
			}
			seen++;
		}
		w = (w << 1 | ((w >> 19 ^ w >> 16) & 1)) & ((1u << 20) - 1);
	}
	assert_int_equal(seen, 31);
	free(data);
}

#ifdef EVL_HAVE_LIQUID
/* libliquid takes the whole polynomial and begins at another place of the same sequence: both are
 * lined up by its first n bits. It has no register of more than 15 stages. */
static void same_as_libliquid(void **state)
{
	(void)state;
	static const struct {
		enum evl_prbs_kind kind;
		unsigned polynomial; /* x^n + x^k + 1 */
	} some[] = {{EVL_PRBS9, 1u << 9 | 1u << 5 | 1}, {EVL_PRBS11, 1u << 11 | 1u << 9 | 1},
		{EVL_PRBS15, 1u << 15 | 1u << 14 | 1}};
	for (size_t v = 0; v < 3; v++) {
		unsigned n = evl_prbs_order(some[v].kind);
		uint32_t period = evl_prbs_period(some[v].kind);
		msequence m = msequence_create(n, some[v].polynomial, 1);
		assert_non_null(m);
		uint32_t window = 0;
		for (unsigned i = 0; i < n; i++) {
			window = window << 1 | (msequence_advance(m) & 1);
		}
		uint32_t phase = evl_prbs_index_of(some[v].kind, window);
		assert_true(phase < period);
		struct evl_prbs p;
		evl_prbs_init_sense(
			&p, some[v].kind, evl_prbs_inverts(some[v].kind), (uint64_t)phase + n);
		size_t wrong = 0;
		for (uint32_t i = 0; i < period; i++) {
			uint8_t got;
			evl_prbs_fill(&p, &got, 1);
			for (unsigned b = 0; b < 8; b++) {
				wrong += (msequence_advance(m) & 1) !=
					 (unsigned)(got >> (7 - b) & 1);
			}
		}
		assert_int_equal(wrong, 0);
		msequence_destroy(m);
	}
}
#endif

/* Starting anywhere, in pieces of any length, at every level of vector instructions, gives the
 * stretch of the whole that begins there. */
static void any_phase_any_length(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 0);
	for (size_t v = 0; v < COUNT; v++) {
		enum evl_prbs_kind kind = all[v].kind;
		uint32_t period = evl_prbs_period(kind);
		size_t bytes = plenty(&all[v]);
		size_t room = bytes + 4000;
		uint8_t *data = from_start(kind, room);
		for (int round = 0; round < 300; round++) {
			evl_simd_limit((enum evl_simd)(round % 3));
			uint64_t phase = evl_rng_below(&rng, (uint64_t)bytes * 8) % period;
			uint64_t turns = evl_rng_below(&rng, 1000) * period;
			bool turned = evl_rng_below(&rng, 2) != 0;
			struct evl_prbs p;
			if (round % 2) {
				evl_prbs_init_sense(&p, kind, turned, phase + turns);
			} else {
				evl_prbs_init_sense(&p, kind, turned, 12345);
				evl_prbs_skip(&p, phase + turns + 25ull * period - 12345);
			}
			uint8_t got[3000], want[3000];
			size_t total = 0;
			while (total < sizeof(got)) {
				size_t part = 1 + (size_t)evl_rng_below(&rng, round % 5 ? 900 : 20);
				part = part < sizeof(got) - total ? part : sizeof(got) - total;
				evl_prbs_fill(&p, got + total, part);
				total += part;
			}
			evl_bits_shift(want, data + phase / 8, sizeof(want), (unsigned)(phase % 8));
			for (size_t i = 0; turned && i < sizeof(want); i++) {
				want[i] = (uint8_t)~want[i];
			}
			assert_memory_equal(got, want, sizeof(want));
			assert_int_equal(evl_prbs_phase(&p), (phase + 8 * sizeof(got)) % period);
		}
		free(data);
	}
	evl_simd_limit(EVL_SIMD_AVX2);
}

static void index_of_window(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 2, 0);
	for (size_t v = 0; v < COUNT; v++) {
		enum evl_prbs_kind kind = all[v].kind;
		uint32_t period = evl_prbs_period(kind);
		unsigned n = all[v].n;
		assert_int_equal(evl_prbs_index_of(kind, 0), UINT32_MAX);
		assert_int_equal(evl_prbs_index_of(kind, period + 1), UINT32_MAX);
		assert_int_equal(evl_prbs_index_of(kind, period), 0); /* n ones: O.150 */
		/* The windows of the stream itself; zero suppression hides some of QRSS. */
		size_t bytes = plenty(&all[v]);
		uint8_t *data = from_start(kind, bytes);
		uint32_t step = n <= 15 ? 1 : 65537;
		for (uint32_t i = 0; i < period && i + n <= bytes * 8 && kind != EVL_QRSS;
			i += step) {
			uint32_t window = 0;
			for (unsigned b = 0; b < n; b++) {
				window = window << 1 |
					 (evl_bits_get(data, (uint64_t)i + b) ^ all[v].inverted);
			}
			assert_int_equal(evl_prbs_index_of(kind, window), i);
			assert_int_equal(evl_prbs_window(kind, i), window);
		}
		free(data);
		/* There and back anywhere, the last bit of the period among them. */
		for (int round = 0; round < 60; round++) {
			uint32_t at =
				round == 0 ? period - 1 : (uint32_t)evl_rng_below(&rng, period);
			assert_int_equal(evl_prbs_index_of(kind, evl_prbs_window(kind, at)), at);
		}
	}
}

/* Following takes just what the bit-serial register gives (any_phase_any_length compares fill with
 * it), at every level, and nothing with any single bit wrong; then making goes on as before. */
static void following(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 77, 0);
	uint64_t followed = 0;
	for (int round = 0; round < 4000; round++) {
		const struct published *a = &all[evl_rng_below(&rng, sizeof(all) / sizeof(all[0]))];
		bool turned = evl_rng_below(&rng, 2) != 0;
		uint64_t phase = evl_rng_next(&rng);
		evl_simd_limit((enum evl_simd)evl_rng_below(&rng, 3));
		struct evl_prbs p, made;
		evl_prbs_init_sense(&p, a->kind, turned, phase);
		evl_prbs_init_sense(&made, a->kind, turned, phase);
		for (int piece = 0; piece < 4; piece++) {
			size_t bytes =
				1 + (size_t)evl_rng_below(&rng, evl_rng_below(&rng, 2) ? 40 : 900);
			uint8_t *want = malloc(bytes); /* exact, so that reading beyond shows */
			uint8_t *got = malloc(bytes);
			assert_true(want != NULL && got != NULL);
			evl_prbs_fill(&made, want, bytes);
			memcpy(got, want, bytes);
			uint32_t before = evl_prbs_phase(&p);
			uint64_t bit = evl_rng_below(&rng, bytes * 8);
			evl_bits_flip(got, bit);
			assert_false(evl_prbs_follow(&p, got, bytes));
			assert_int_equal(evl_prbs_phase(&p), before);
			evl_bits_flip(got, bit);
			bool can = a->n > 15 && a->kind != EVL_QRSS;
			if (evl_rng_below(&rng, 3) > 0) {
				assert_int_equal(evl_prbs_follow(&p, got, bytes), can);
				followed += can;
			} else {
				can = false;
			}
			if (!can) {
				memset(got, 0, bytes);
				evl_prbs_fill(&p, got, bytes);
				assert_memory_equal(got, want, bytes);
			}
			assert_int_equal(evl_prbs_phase(&p), evl_prbs_phase(&made));
			free(got);
			free(want);
		}
	}
	evl_simd_limit(EVL_SIMD_AVX2);
	assert_true(followed > 3000);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(first_bytes),
		cmocka_unit_test(names),
		cmocka_unit_test(every_bit_of_the_register),
		cmocka_unit_test(facts_of_the_period),
		cmocka_unit_test(where_zeros_are_suppressed),
#ifdef EVL_HAVE_LIQUID
		cmocka_unit_test(same_as_libliquid),
#endif
		cmocka_unit_test(any_phase_any_length),
		cmocka_unit_test(index_of_window),
		cmocka_unit_test(following),
	};
	printf("# %s\n", evl_simd_name(evl_simd_now()));
	return cmocka_run_group_tests_name("signal.prbs", tests, NULL, NULL);
}
