/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Tributaries with clocks of their own through the simulated multiplexer: every bit comes out, in
 * order, at the rate at which it went in. Rates are arithmetic; the desynchroniser's 0.512 s are
 * those of core/frame/sdh.h; pointer moves are read from the captured line by the decoder there.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define OPTIONS(...)                                                                               \
	(const char *const[])                                                                      \
	{                                                                                          \
		__VA_ARGS__, NULL                                                                  \
	}
#define FRAMES 16000u /* 2 s */
#define DELAY  1280u  /* E1 bits from in to out */

static struct rig rig, other;

/* The delay at which what comes out of a tributary is what went in, near DELAY; one that fits is
 * the only one, as the pattern is 2^23-1. 0: none. */
static uint32_t delay_of(const struct rig *r, uint32_t t)
{
	uint32_t wrong;

	for (uint32_t d = DELAY - 64; d <= DELAY + 64; d++) {
		bool like = true;

		for (uint32_t b = 4096; like && b < 4096 + 256; b++) {
			like = evl_bits_get(r->out[t], b) == evl_bits_get(r->in[t], b - d);
		}
		if (like && rig_arrives(r, t, t, d, 2048, &wrong)) {
			return d;
		}
	}
	return 0;
}

static void every_bit_comes_out(void **state)
{
	static const int32_t ppb[] = {50000, -50000, 0, 300000, -300000, 1, -1, 20000};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	memcpy(rig.clock_ppb, ppb, sizeof(ppb));
	rig_take(&rig, 0, FRAMES, 64, NULL);
	for (uint32_t t = 0; t < 8; t++) {
		/* In: 4096000 bits in 2 s and the offset. Out: the same, less what the store takes
		 * up until it gives out at that rate: 0.512 s of the offset. */
		double in = 4096000.0 * (1 + ppb[t] * 1e-9), kept = 2048000e-9 * ppb[t] * 0.512;
		double out = (double)rig.out_bytes[t] * 8;

		assert_true(evl_clock_bytes(512000, ppb[t]) == (uint64_t)(in / 8 + 1e-9));
		assert_true(out > in - kept - 16 - 0.05 * (kept > 0 ? kept : -kept));
		assert_true(out < in - kept + 16 + 0.05 * (kept > 0 ? kept : -kept));
		assert_int_not_equal(delay_of(&rig, t), 0);
	}
	assert_int_equal(rig.event_count, 0);
	rig_close(&rig);
}

/* Cutting a take into other slabs moves no bit. */
static void slab_size_changes_nothing(void **state)
{
	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_open(&other, "A", 1, NULL);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		rig.clock_ppb[t] = other.clock_ppb[t] = ((int32_t)t - 31) * 1600;
	}
	rig_take(&rig, 0, 1600, 64, NULL);
	rig_take(&other, 0, 1600, 8, NULL);
	for (uint32_t c = 0; c < RIG_CHANNELS; c++) {
		assert_int_equal(rig.out_bytes[c], other.out_bytes[c]);
		assert_memory_equal(rig.out[c], other.out[c], rig.out_bytes[c]);
	}
	rig_take(&other, 1600 * 125000ull, 320, 320,
		NULL); /* a slab longer than its room allows for */
	rig_take(&rig, 1600 * 125000ull, 320, 16, NULL);
	for (uint32_t c = 0; c < RIG_CHANNELS; c++) {
		assert_int_equal(rig.out_bytes[c], other.out_bytes[c]);
		assert_memory_equal(rig.out[c], other.out[c], rig.out_bytes[c]);
	}
	rig_close(&rig);
	rig_close(&other);
}

/* Reads the captured line. */
static struct evl_sdh_rx *read_line(const struct rig *r)
{
	struct evl_sdh_rx *rx = NULL;
	struct evl_sdh_map map;
	uint8_t *none[EVL_SDH_MOST_CLIENTS] = {NULL};

	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_int_equal(evl_sdh_rx_create(&rx, &map, NULL, NULL), 0);
	evl_sdh_decode(rx, r->out[RIG_LINE], r->frames, none, NULL, NULL);
	return rx;
}

static struct evl_sdh_rx_counts counts_of(
	const struct evl_sdh_rx *rx, enum evl_sdh_level level, uint32_t index)
{
	struct evl_sdh_rx_counts c;

	assert_int_equal(evl_sdh_rx_counts(rx, (struct evl_sdh_at){level, index}, &c), 0);
	return c;
}

/* A VC-4 that is 4.6 ppm slow (G.813 option 1) loses 150336000 * 4.6e-6 bits a second, 24 for each
 * increment (G.707 8.1.3): 57.6 in 2 s. A VC-12 of 2240 kbit/s that is 20 ppm fast gains 44.8 bits
 * a second, 8 for each decrement (8.3.3): 11.2 in 2 s. The tributaries come through all the same.
 */
static void pointers_move(void **state)
{
	struct evl_sdh_rx_counts line, trib;
	struct evl_sdh_rx *rx;

	(void)state;
	rig_open(&rig, "A", 1, OPTIONS("clock.vc4_ppm=-4.6", "clock.tributaries.7=20"));
	rig_take(&rig, 0, FRAMES, 64, NULL);
	rx = read_line(&rig);
	line = counts_of(rx, EVL_SDH_HIGH, 0);
	assert_in_range(line.increments, 56, 59);
	assert_int_equal(line.decrements, 0);
	assert_int_equal(line.errors, 0);
	trib = counts_of(rx, EVL_SDH_CLIENT, 6); /* port 7 is TU-12 7 by column order */
	assert_in_range(trib.decrements, 10, 12);
	assert_int_equal(trib.increments, 0);
	assert_int_not_equal(trib.extra + trib.missing, 0);
	trib = counts_of(rx, EVL_SDH_CLIENT, 7);
	assert_int_equal(trib.decrements, 0);
	evl_sdh_rx_destroy(rx);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_int_not_equal(delay_of(&rig, t), 0);
	}
	assert_int_equal(rig.event_count, 0);
	rig_close(&rig);
}

/* 50 ppm of 2048 kbit/s are 102.4 bits a second: as many VC-12 with 1025 or 1023 bits, 204.8 in 2 s
 * less what passes until the decoder has found the tributary and the store has reacted (32 ms). */
static void justification_carries_it(void **state)
{
	struct evl_sdh_rx_counts trib;
	struct evl_sdh_rx *rx;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig.clock_ppb[0] = 50000;
	rig.clock_ppb[62] = -50000;
	rig_take(&rig, 0, FRAMES, 64, NULL);
	rx = read_line(&rig);
	trib = counts_of(rx, EVL_SDH_CLIENT, 0);
	assert_in_range(trib.extra - trib.missing, 198, 206);
	trib = counts_of(rx, EVL_SDH_CLIENT, 62);
	assert_in_range(trib.missing - trib.extra, 198, 206);
	trib = counts_of(rx, EVL_SDH_CLIENT, 30);
	assert_int_equal(trib.extra + trib.missing, 0);
	evl_sdh_rx_destroy(rx);
	rig_close(&rig);
}

/* AIS and loss reach the last bit of each slab, though it has a byte more or less than nominal. */
static void injections_reach_every_bit(void **state)
{
	struct evl_inject ais = {
		1, EVL_INJECT_ALARM, 4, EVL_ABI_AIS, 0, 0, 40000000, 1000000000, 0, 0};

	(void)state;
	for (int sign = -1; sign <= 1; sign += 2) {
		rig_open(&rig, "A", 1, NULL);
		rig.clock_ppb[4] = sign * 300000;
		rig_take(&rig, 0, 3200, 64, &ais);
		assert_true(rig_is_ais(&rig, 4, 60000000, 399000000));
		assert_false(rig_is_ais(&rig, 4, 20000000, 30000000));
		rig_close(&rig);
	}
}

static void bad_options(void **state)
{
	static const char *const rows[][2] = {
		{"clock.vc4_ppm=100.001", "-100 to 100"},
		{"clock.vc4_ppm=fast", "-100 to 100"},
		{"clock.vc4_ppm=1.2345", "3 places"},
		{"clock.tributaries.0=1", "N from 1 to 63"},
		{"clock.tributaries.64=1", "N from 1 to 63"},
		{"clock.tributaries.7=", "is not a number"},
		{"clock.speed=1", "clock.vc4_ppm, clock.tributaries.N"},
		{"clock=5", "is not known"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		assert_int_equal(rig_try(&rig, "A", 1, OPTIONS(rows[i][0])), EVL_ADAPTER_E_OPTION);
		assert_non_null(strstr(rig.err.text, rows[i][1]));
		rig_close(&rig);
	}
	assert_int_equal(rig_try(&rig, "A", 1, OPTIONS("clock.vc4_ppm=1", "clock.vc4_ppm=1")),
		EVL_ADAPTER_E_OPTION);
	assert_non_null(strstr(rig.err.text, "given twice"));
	rig_close(&rig);
}

static void bad_arm(void **state)
{
	static const struct evl_arm rows[] = {
		{1, RIG_LINE, true, true, 1}, /* the line is the unit's */
		{1, 3, false, true, 1000},    /* nothing is played */
		{1, 3, true, true, 300001},
		{1, 3, true, true, -300001},
	};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		assert_int_equal(rig.adapter->arm(rig.self, &rows[i], 1, 64, &rig.err),
			EVL_ADAPTER_E_UNSUPPORTED);
		assert_non_null(strstr(rig.err.text, "cannot have a clock offset"));
		assert_int_equal(rig.adapter->stop(rig.self, &rig.err), 0);
	}
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_bit_comes_out),
		cmocka_unit_test(slab_size_changes_nothing),
		cmocka_unit_test(pointers_move),
		cmocka_unit_test(justification_carries_it),
		cmocka_unit_test(injections_reach_every_bit),
		cmocka_unit_test(bad_options),
		cmocka_unit_test(bad_arm),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
