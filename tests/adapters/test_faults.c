/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Planted defects: each does what docs/simmux.md says and nothing else. What is sent is read from
 * the captured line by the decoder of core/frame; expectations are counted by hand.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/frame/e1_build.h"
#include "core/frame/sdh.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define MS    1000000u
#define DELAY 1280u /* bits of an E1 from in to out */
#define B0    "builds.B.faults[0]."

static struct rig rig;
static struct evl_sdh_rx *rx;

/* Opens build B with one fault of up to six keys and takes 100 ms. */
static void plant(const char *const keys[6], const char *option, const struct evl_inject *in)
{
	char text[6][80];
	const char *options[8];
	uint32_t n = 0;

	for (; n < 6 && keys[n] != NULL; n++) {
		snprintf(text[n], sizeof(text[n]), B0 "%s", keys[n]);
		options[n] = text[n];
	}
	options[n++] = option;
	options[n] = NULL;
	rig_open(&rig, "B", 1, options);
	rig_take(&rig, 0, 800, 64, in);
}

#define PLANT(...) plant((const char *const[6]){__VA_ARGS__}, NULL, NULL)

static uint32_t differ(uint32_t channel, uint32_t from, uint32_t to, uint32_t delay)
{
	uint32_t n = 0;

	for (uint32_t b = from; b < to; b++) {
		n += evl_bits_get(rig.out[channel], b) != evl_bits_get(rig.in[channel], b - delay);
	}
	return n;
}

/* All tributaries but this one are as they should be. */
static void others_are_well(uint32_t but)
{
	uint32_t wrong;

	for (uint32_t c = 0; c < RIG_TRIBS; c++) {
		if (c != but && !rig_arrives(&rig, c, c, DELAY, DELAY, &wrong)) {
			fail_msg("trib-%u has %u errors", c + 1, wrong);
		}
	}
}

static void read_line(void)
{
	struct evl_sdh_map map;
	uint8_t *none[EVL_SDH_MOST_CLIENTS] = {NULL};
	uint32_t bytes[EVL_SDH_MOST_CLIENTS];

	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_int_equal(evl_sdh_rx_create(&rx, &map, NULL, NULL), 0);
	evl_sdh_decode(rx, rig.out[RIG_LINE], rig.frames, none, bytes, NULL);
}

static void done(void)
{
	evl_sdh_rx_destroy(rx);
	rx = NULL;
	rig_close(&rig);
}

/* ---- outputs ---- */

static void inverted(void **state)
{
	(void)state;
	PLANT("kind=invert", "tributary=5");
	/* AIS of the first frames is inverted as well. */
	assert_int_equal(differ(4, DELAY, 800 * 256, DELAY), 800 * 256 - DELAY);
	others_are_well(4);
	assert_int_equal(rig.event_count, 0);
	done();
}

static void bursts(void **state)
{
	(void)state;
	/* 1 ms at 20 ms and each 30 ms after: at 20, 50, 80 ms; all bits wrong. */
	PLANT("kind=burst", "tributary=5", "ratio=1", "at=20 ms", "for=1 ms", "every=30 ms");
	assert_int_equal(differ(4, DELAY, 800 * 256, DELAY), 3 * 2048);
	assert_int_equal(differ(4, 20 * 2048, 21 * 2048, DELAY), 2048);
	assert_int_equal(differ(4, 80 * 2048, 81 * 2048, DELAY), 2048);
	others_are_well(4);
	done();
}

/* A store that is half full, 4096 bits, so that bits can be left out too. */
static void slips(void **state)
{
	const uint32_t d = DELAY + 4096, at = 40 * 2048;

	(void)state;
	PLANT("kind=slip", "tributary=5", "bits=-3", "at=40 ms");
	assert_int_equal(differ(4, d, at, d), 0);
	assert_int_equal(differ(4, at, 800 * 256, d - 3), 0);
	others_are_well(4);
	done();
	/* Every second one goes back. */
	PLANT("kind=slip", "tributary=5", "bits=8", "at=40 ms", "every=20 ms");
	assert_int_equal(differ(4, at, 60 * 2048, d + 8), 0);
	assert_int_equal(differ(4, 60 * 2048, 80 * 2048, d), 0);
	assert_int_equal(differ(4, 80 * 2048, 800 * 256, d + 8), 0);
	done();
	PLANT("kind=lost-frame", "tributary=5", "at=40 ms");
	assert_int_equal(differ(4, d, at, d), 0);
	assert_int_equal(differ(4, at, 800 * 256, d - 256), 0);
	others_are_well(4);
	done();
	PLANT("kind=repeated-frame", "tributary=5", "at=40 ms");
	assert_int_equal(differ(4, at, 800 * 256, d + 256), 0);
	done();
}

static void frames(uint8_t *data, uint32_t n, uint32_t channel)
{
	struct evl_e1_builder b;

	(void)channel;
	evl_e1_builder_init(&b, EVL_E1_FAS_ONLY, false);
	evl_e1_build(&b, data, n);
}

static void stuck_timeslot(void **state)
{
	(void)state;
	rig_open(&rig, "B", 1,
		(const char *[]){"framing=FAS", B0 "kind=stuck-timeslot", B0 "tributary=5",
			B0 "timeslot=17", B0 "value=D5", NULL});
	rig.shape = frames;
	rig_take(&rig, 0, 800, 64, NULL);
	/* From 5 frames later on; the first 10 frames may pass before alignment is found. */
	for (uint32_t f = 16; f < 795; f++) {
		for (uint32_t slot = 0; slot < 32; slot++) {
			uint8_t in = rig.in[4][f * 32 + slot],
				out = rig.out[4][(f + 5) * 32 + slot];

			assert_int_equal(out, slot == 17 ? 0xd5 : in);
		}
	}
	others_are_well(4);
	done();
}

static void no_ais(void **state)
{
	struct evl_inject los = {
		1, EVL_INJECT_ALARM, RIG_LINE, EVL_ABI_LOS, 0, 0, 20 * MS, 40 * MS, 0, 0};

	(void)state;
	plant((const char *const[6]){"kind=no-ais", "tributary=5"}, NULL, &los);
	for (uint64_t b = 22 * 2048; b < 60 * 2048; b++) {
		assert_false(evl_bits_get(rig.out[4], b));
	}
	assert_true(rig_is_ais(&rig, 3, 22 * MS, 60 * MS));
	done();
}

/* A VC-4 that is 100 ppm fast: 150336000 * 1e-4 / 24 = 626 decrements a second, 63 in 100 ms; each
 * costs the tributary a bit, so that it arrives 62 or 63 bits early at the end. */
static void pointer_slip(void **state)
{
	uint32_t found = 0;

	(void)state;
	plant((const char *const[6]){"kind=pointer-slip", "tributary=5", "on=decrement", "bits=-1"},
		"clock.vc4_ppm=100", NULL);
	for (uint32_t d = DELAY + 4096 - 90; d < DELAY + 4096 + 90 && found == 0; d++) {
		found = differ(4, 99 * 2048, 100 * 2048, d) == 0 ? d : 0;
	}
	assert_in_range(found, DELAY + 4096 - 63 - 16, DELAY + 4096 - 61 + 16);
	assert_in_range(DELAY + 4096 - found, 62 - 12, 62 + 12);
	done();
}

/* A tributary 50 ppm fast has 102.4 bits more a second, each an extra bit of a VC-12: 20.5 in 200
 * ms, less what passes until the store reacts. Each makes one bit error; no bit is moved. */
static void justification_error(void **state)
{
	static struct rig right;
	uint32_t n = 0;

	(void)state;
	rig_open(&rig, "B", 1,
		(const char *[]){B0 "kind=justification-error", B0 "tributary=5", NULL});
	rig_open(&right, "A", 1, NULL);
	rig.clock_ppb[4] = right.clock_ppb[4] = 50000;
	rig_take(&rig, 0, 1600, 64, NULL);
	rig_take(&right, 0, 1600, 64, NULL);
	assert_int_equal(rig.out_bytes[4], right.out_bytes[4]);
	for (uint64_t b = 0; b < 8 * right.out_bytes[4]; b++) {
		n += evl_bits_get(rig.out[4], b) != evl_bits_get(right.out[4], b);
	}
	assert_in_range(n, 13, 21);
	rig_close(&right);
	done();
}

/* ---- sent ---- */

static void wrong_labels(void **state)
{
	const struct evl_sdh_at low = {EVL_SDH_CLIENT, 4}, high = {EVL_SDH_HIGH, 0};

	(void)state;
	PLANT("kind=wrong-label", "tributary=5", "value=05");
	read_line();
	assert_int_equal(evl_sdh_rx_poh(rx, low, EVL_SDH_V5) >> 1 & 7, 5);
	assert_true((evl_sdh_rx_defects(rx, low) >> EVL_ALARM_LP_PLM & 1) != 0);
	assert_true(rig_is_ais(&rig, 4, 4 * MS, 100 * MS)); /* the unit's own loop */
	others_are_well(4);
	done();
	PLANT("kind=wrong-label", "value=00");
	read_line();
	assert_int_equal(evl_sdh_rx_poh(rx, high, EVL_SDH_C2), 0);
	assert_non_null(rig_event(&rig, RIG_LINE, EVL_ALARM_HP_UNEQ, true));
	done();
}

static void wrong_traces(void **state)
{
	static const struct {
		const char *keys[6], *text;
		struct evl_sdh_at at;
	} rows[] = {
		{{"kind=wrong-trace", "field=J0", "text=other node"}, "other node",
			{EVL_SDH_SECTION, 0}},
		{{"kind=wrong-trace", "field=J1", "text=x"}, "x", {EVL_SDH_HIGH, 0}},
		{{"kind=wrong-trace", "field=J1", "text=64:of 64 bytes, another office"},
			"of 64 bytes, another office", {EVL_SDH_HIGH, 0}},
		{{"kind=wrong-trace", "field=J2", "text=y", "tributary=5"}, "y",
			{EVL_SDH_CLIENT, 4}},
		{{"kind=no-trace", "field=J0"}, "00", {EVL_SDH_SECTION, 0}},
		{{"kind=no-trace", "field=J2", "tributary=5"}, "00", {EVL_SDH_CLIENT, 4}},
	};
	char text[EVL_TRACE_TEXT];

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		plant(rows[i].keys, NULL, NULL);
		read_line();
		assert_string_equal(
			evl_trace_text(evl_sdh_rx_trace(rx, rows[i].at), text), rows[i].text);
		others_are_well(RIG_TRIBS);
		done();
	}
}

/* A constant parity byte is wrong in all frames but 1 of 256 by chance. */
static void wrong_parity(void **state)
{
	static const char *const fields[] = {"field=B1", "field=B2", "field=B3"};

	(void)state;
	for (uint32_t i = 0; i < 3; i++) {
		struct evl_sdh_rx_counts s, p;

		plant((const char *const[6]){"kind=wrong-parity", fields[i]}, NULL, NULL);
		read_line();
		(void)evl_sdh_rx_counts(rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, &s);
		(void)evl_sdh_rx_counts(rx, (struct evl_sdh_at){EVL_SDH_HIGH, 0}, &p);
		assert_int_equal(s.b1_errors > 700, i == 0);
		assert_int_equal(s.b2_errors > 700, i == 1);
		assert_int_equal(p.errors > 700, i == 2);
		/* The far end, which is the unit itself, says so. */
		assert_int_equal(s.rei > 700, i == 1);
		assert_int_equal(p.rei > 700, i == 2);
		others_are_well(RIG_TRIBS);
		done();
	}
}

/* By K-L-M port 2 is TU-12 1-1-2, by columns 2-1-1: another place on the line, the same loop. */
static void wrong_numbering(void **state)
{
	static struct rig right;
	uint32_t wrong;

	(void)state;
	rig_open(&right, "A", 1, (const char *[]){"numbering=klm-order", NULL});
	rig_take(&right, 0, 160, 64, NULL);
	PLANT("kind=wrong-numbering", "order=klm-order");
	assert_memory_equal(rig.out[RIG_LINE], right.out[RIG_LINE], 160 * 2430);
	assert_true(rig_arrives(&rig, 1, 1, DELAY, DELAY, &wrong));
	rig_close(&right);
	done();
	rig_open(&right, "A", 1, NULL);
	rig_take(&right, 0, 160, 64, NULL);
	PLANT("kind=wrong-numbering", "order=klm-order");
	assert_memory_not_equal(rig.out[RIG_LINE], right.out[RIG_LINE], 160 * 2430);
	rig_close(&right);
	done();
}

/* ---- told to the far end ---- */

static void rdi_not_returned(void **state)
{
	static const struct {
		const char *layer;
		uint32_t channel, alarm, rdi;
	} rows[] = {{"layer=MS", RIG_LINE, EVL_ABI_LOS, EVL_ALARM_MS_RDI},
		{"layer=HP", RIG_LINE, EVL_ABI_HP_UNEQ, EVL_ALARM_HP_RDI},
		{"layer=LP", 4, EVL_ABI_LP_UNEQ, EVL_ALARM_LP_RDI}};

	(void)state;
	for (uint32_t i = 0; i < 3; i++) {
		struct evl_inject in = {1, EVL_INJECT_ALARM, rows[i].channel, rows[i].alarm, 0, 0,
			20 * MS, 20 * MS, 0, 0};

		plant((const char *const[6]){"kind=no-rei", rows[i].layer}, NULL, &in);
		assert_non_null(rig_event(&rig, rows[i].channel, rows[i].rdi, true));
		done();
		plant((const char *const[6]){"kind=no-rdi", rows[i].layer}, NULL, &in);
		assert_non_null(rig_event(&rig, rows[i].channel, rows[i].alarm, true));
		assert_null(rig_event(&rig, rows[i].channel, rows[i].rdi, true));
		done();
	}
	/* On one tributary only. */
	struct evl_inject in = {
		1, EVL_INJECT_ALARM, 5, EVL_ABI_LP_UNEQ, 0, 0, 20 * MS, 20 * MS, 0, 0};
	plant((const char *const[6]){"kind=no-rdi", "layer=LP", "tributary=5"}, NULL, &in);
	assert_non_null(rig_event(&rig, 5, EVL_ALARM_LP_RDI, true));
	done();
}

static void rei_not_returned(void **state)
{
	static const char *const kinds[] = {"kind=no-rdi", "kind=no-rei", "kind=no-bip-check"};
	static const char *const layers[] = {"layer=MS", "layer=HP", "layer=LP"};
	struct evl_inject in = {1, EVL_INJECT_ERRORS, RIG_LINE, 0, 1, 1000, 20 * MS, 20 * MS, 0, 0};

	(void)state;
	for (uint32_t k = 0; k < 3; k++) {
		for (uint32_t i = 0; i < 3; i++) {
			struct evl_sdh_rx_counts c[3];

			plant((const char *const[6]){kinds[k], layers[i]}, NULL, &in);
			read_line();
			(void)evl_sdh_rx_counts(rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, &c[0]);
			(void)evl_sdh_rx_counts(rx, (struct evl_sdh_at){EVL_SDH_HIGH, 0}, &c[1]);
			(void)evl_sdh_rx_counts(rx, (struct evl_sdh_at){EVL_SDH_CLIENT, 9}, &c[2]);
			for (uint32_t j = 0; j < 3; j++) {
				assert_int_equal(c[j].rei > 0, k == 0 || j != i);
			}
			done();
		}
	}
}

/* ---- reported ---- */

static void reports(void **state)
{
	struct evl_inject in = {
		1, EVL_INJECT_ALARM, 4, EVL_ABI_TU_AIS, 0, 0, 20 * MS, 20 * MS, 0, 0};
	const struct evl_event *e;
	uint64_t up, down;

	(void)state;
	plant((const char *const[6]){"kind=unreported", "alarm=TU-AIS", "tributary=6"}, NULL, &in);
	up = rig_event(&rig, 4, EVL_ALARM_TU_AIS, true)->at_ns;
	down = rig_event(&rig, 4, EVL_ALARM_TU_AIS, false)->at_ns;
	done();
	plant((const char *const[6]){"kind=unreported", "alarm=TU-AIS"}, NULL, &in);
	assert_null(rig_event(&rig, 4, EVL_ALARM_TU_AIS, true));
	assert_true(rig_is_ais(&rig, 4, 23 * MS, 40 * MS)); /* done all the same */
	done();
	plant((const char *const[6]){"kind=reported-late", "alarm=TU-AIS", "by=15 ms"}, NULL, &in);
	e = rig_event(&rig, 4, EVL_ALARM_TU_AIS, true);
	assert_int_equal(e->at_ns, up + 15 * MS);
	e = rig_event(&rig, 4, EVL_ALARM_TU_AIS, false);
	assert_int_equal(e->at_ns, down + 15 * MS);
	done();
	plant((const char *const[6]){"kind=stuck-report", "alarm=TU-AIS", "tributary=5"}, NULL,
		&in);
	assert_non_null(rig_event(&rig, 4, EVL_ALARM_TU_AIS, true));
	assert_null(rig_event(&rig, 4, EVL_ALARM_TU_AIS, false));
	assert_false(rig_is_ais(&rig, 4, 60 * MS, 80 * MS));
	done();
	PLANT("kind=false-report", "alarm=LOF", "at=30 ms", "for=5 ms", "every=40 ms");
	assert_int_equal(rig.event_count, 4);
	assert_int_equal(rig.events[0].at_ns, 30 * MS);
	assert_int_equal(rig.events[1].at_ns, 35 * MS);
	assert_int_equal(rig.events[2].at_ns, 70 * MS);
	assert_int_equal(rig.events[3].at_ns, 75 * MS);
	assert_int_equal(rig.events[0].alarm, EVL_ALARM_LOF);
	assert_int_equal(rig.events[0].channel, RIG_LINE);
	done();
}

/* ---- lines ---- */

static void on_the_second_line(void **state)
{
	uint32_t wrong;

	(void)state;
	plant((const char *const[6]){"kind=line-loss", "line=2", "at=20 ms", "for=20 ms"},
		"lines=2", NULL);
	assert_true(rig_is_ais(&rig, 63, 22 * MS, 40 * MS));
	assert_true(rig_arrives(&rig, 0, 0, DELAY, DELAY, &wrong));
	assert_non_null(rig_event(&rig, 127, EVL_ALARM_LOS, true));
	assert_null(rig_event(&rig, 126, EVL_ALARM_LOS, true));
	done();
}

/* Frames that move by some bits are lost until they are found again: OOF, no more (G.783). */
static void line_slips(void **state)
{
	(void)state;
	PLANT("kind=line-slip", "at=20 ms", "bits=5", "every=30 ms");
	assert_int_equal(rig.events[0].alarm, EVL_ALARM_OOF);
	assert_in_range(rig.events[0].at_ns, 20 * MS + 500000, 20 * MS + 750000);
	assert_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOF, true));
	done();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(inverted),
		cmocka_unit_test(bursts),
		cmocka_unit_test(slips),
		cmocka_unit_test(stuck_timeslot),
		cmocka_unit_test(no_ais),
		cmocka_unit_test(pointer_slip),
		cmocka_unit_test(justification_error),
		cmocka_unit_test(wrong_labels),
		cmocka_unit_test(wrong_traces),
		cmocka_unit_test(wrong_parity),
		cmocka_unit_test(wrong_numbering),
		cmocka_unit_test(rdi_not_returned),
		cmocka_unit_test(rei_not_returned),
		cmocka_unit_test(reports),
		cmocka_unit_test(on_the_second_line),
		cmocka_unit_test(line_slips),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
