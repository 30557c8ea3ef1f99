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

/* Finds the one delay at which `c` brings what went in, between two instants; 0: none. */
static uint32_t any_delay(const struct rig *r, uint32_t c, uint32_t from, uint32_t to)
{
	for (uint32_t d = 0; d < 16384; d++) {
		uint32_t b = from;

		while (b < to && evl_bits_get(r->out[c], b) == evl_bits_get(r->in[c], b - d)) {
			b++;
		}
		if (b == to) {
			return d;
		}
	}
	return 0;
}

/* Lines that are 20 ppm off the bench, with the VC-4 on it: 388.8 bytes a second more or fewer, and
 * the AU pointer moves against that, 150336000 * 20e-6 / 24 = 125.3 times a second (G.707 8.1.3).
 * The tributaries go through at their own clocks, 8 frames of 256 bits and what the stores hold
 * later for each direction. */
static void line_with_its_own_clock(void **state)
{
	static const char *const options[][4] = {
		{"clock.line_ppm=20"}, {"clock.line_ppm=-20"}, {"clock.line_ppm=100", "lines=2"}};
	static const int32_t ppm[] = {20, -20, 100};

	(void)state;
	for (uint32_t i = 0; i < 3; i++) {
		struct evl_sdh_rx_counts line;
		struct evl_sdh_rx *rx;
		const double moves = 150.336 * ppm[i] / 24, bytes = 16000 * 2430.0;
		double more;

		rig_open(&rig, "A", 1, options[i]);
		rig.clock_ppb[3] = 50000;
		rig_take(&rig, 0, 16000, 64, NULL);
		more = (double)rig.out_bytes[i < 2 ? RIG_LINE : 126] - bytes;
		assert_true(more > bytes * ppm[i] * 1e-6 - 2 && more < bytes * ppm[i] * 1e-6 + 2);
		for (uint32_t t = 0; t < 63; t++) {
			/* The store holds 0.512 s of the line's offset, and of the tributary's. */
			double held = 0.131 * 1.05 * (ppm[i] < 0 ? -ppm[i] : ppm[i]);
			double off = (double)rig.out_bytes[t] - 512000 -
				     (t == 3 ? 25.6 - 0.131 * 50 : 0);
			int32_t moved;

			assert_true(off > -held - 2 && off < held + 2);
			if (t % 9 != 3) {
				continue; /* the search below is slow */
			}
			moved = (int32_t)any_delay(&rig, t, 4000000, 4090000);
			assert_int_not_equal(moved, 0);
			moved -= (int32_t)any_delay(&rig, t, 20480, 22000);
			assert_true(moved <= 8 * held + 60 && moved >= -8 * held - 60);
		}
		assert_int_equal(rig.event_count, 0);
		if (i < 2) {
			rx = read_line(&rig);
			line = counts_of(rx, EVL_SDH_HIGH, 0);
			assert_in_range((double)line.increments - (double)line.decrements + 1000,
				2 * moves + 998, 2 * moves + 1002);
			assert_int_equal(line.errors, 0);
			evl_sdh_rx_destroy(rx);
		}
		rig_close(&rig);
	}
}

/* Defects keep their times; containers come in order. */
static void own_clock_and_defects(void **state)
{
	struct evl_inject los = {
		1, EVL_INJECT_ALARM, RIG_LINE, EVL_ABI_LOS, 0, 0, 100000000, 20000000, 0, 0};
	const struct evl_event *e;

	(void)state;
	rig_open(&rig, "A", 1, OPTIONS("clock.line_ppm=50"));
	rig_take(&rig, 0, 1600, 64, &los);
	e = rig_event(&rig, RIG_LINE, EVL_ABI_LOS, true);
	assert_non_null(e);
	/* 20 us of darkness, and 50 ppm of up to 0.2 s. */
	assert_in_range(e->at_ns, 100019000, 100031000);
	assert_true(rig_is_ais(&rig, 9, 104000000, 119000000));
	assert_int_not_equal(any_delay(&rig, 9, 1500 * 256, 1590 * 256), 0);
	rig_close(&rig);
	rig_open(&rig, "A", 1, OPTIONS("clock.line_ppm=50", "mapping=AU-4/TU-3/VC-3"));
	rig_take(&rig, 0, 400, 64, NULL);
	for (uint32_t c = 0; c < 3; c++) {
		uint32_t wrong, here = 0;

		for (uint32_t d = 1; d < 30 && !here; d++) {
			here = rig_arrives(&rig, c, c, d * 6048, 40 * 6048, &wrong) ? d : 0;
		}
		assert_int_not_equal(here, 0);
	}
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
		{"clock.speed=1", "clock.vc4_ppm, clock.tributaries.N, clock.line_ppm"},
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
		cmocka_unit_test(line_with_its_own_clock),
		cmocka_unit_test(own_clock_and_defects),
		cmocka_unit_test(bad_options),
		cmocka_unit_test(bad_arm),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
