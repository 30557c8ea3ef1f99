/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Every defect that can be injected: seen and gone within the persistence that the standards set,
 * with AIS downstream and RDI upstream. Times are those of G.783 and T1.231 (RFC 3592) as they
 * stand beside each row: frames of 125 us, multiframes (mf) of 500 us, and where the row begins
 * within one. SDH counts are from memory where RFC 3592 does not give them.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define MS    1000000u
#define AT    (40 * MS)
#define LASTS (120 * MS)
#define TAKE  2560u /* frames, 320 ms */

static struct rig rig;

enum ais { NOBODY, THIS_ONE, EVERYBODY };

struct row {
	uint32_t alarm;
	const char *channel;
	const char *option, *option2;
	uint32_t raise_us[2], clear_us[2]; /* after the beginning, after the end */
	enum ais ais;
	uint32_t rdi; /* that the unit sees come back, 0: none */
};

static const struct row rows[] = {
	/* 100 us without a one at the most; clear: 125 us and two good words. */
	{EVL_ALARM_LOS, "line", NULL, NULL, {19, 21}, {125, 500}, EVERYBODY, EVL_ALARM_MS_RDI},
	/* 5 bad words; 2 good words, of frames that come 125 us apart. */
	{EVL_ALARM_OOF, "line", NULL, NULL, {500, 625}, {0, 250}, EVERYBODY, 0},
	/* 3 ms of OOF; 3 ms in frame. */
	{EVL_ALARM_LOF, "line", NULL, NULL, {3500, 3750}, {3000, 3500}, EVERYBODY, 0},
	/* K2 in 5 frames. */
	{EVL_ALARM_MS_AIS, "line", NULL, NULL, {500, 750}, {500, 750}, EVERYBODY, 0},
	{EVL_ALARM_MS_RDI, "line", NULL, NULL, {500, 750}, {500, 750}, NOBODY, 0},
	/* J0 and J1: 3 traces of 16 frames, and up to one that began before. */
	{EVL_ALARM_RS_TIM, "line", "expected.J0=evenlode", NULL, {5000, 8000}, {5000, 8000},
		EVERYBODY, EVL_ALARM_MS_RDI},
	{EVL_ALARM_HP_TIM, "line", "expected.J1=evenlode", NULL, {5000, 8000}, {5000, 8000},
		EVERYBODY, EVL_ALARM_HP_RDI},
	/* H1 H2 in 3 frames; 8 frames, and 3 good ones. */
	{EVL_ALARM_AU_AIS, "line", NULL, NULL, {250, 375}, {0, 375}, EVERYBODY, 0},
	{EVL_ALARM_AU_LOP, "line", NULL, NULL, {875, 1000}, {250, 375}, EVERYBODY, 0},
	/* C2, G1 in 5 frames; a VC-4 may have begun in the frame before. */
	{EVL_ALARM_HP_UNEQ, "line", NULL, NULL, {500, 750}, {500, 750}, EVERYBODY,
		EVL_ALARM_HP_RDI},
	{EVL_ALARM_HP_PLM, "line", NULL, NULL, {500, 750}, {500, 750}, EVERYBODY, 0},
	{EVL_ALARM_HP_RDI, "line", NULL, NULL, {500, 750}, {500, 750}, NOBODY, 0},
	/* H4 not recovered for 1 to 5 ms, since the last good one; 4 values in sequence. */
	{EVL_ALARM_HP_LOM, "line", NULL, NULL, {875, 5000}, {375, 750}, EVERYBODY, 0},
	/* V1 V2 in 3 mf, in 8 mf, and 3 good ones. */
	{EVL_ALARM_TU_AIS, "trib-5", NULL, NULL, {1000, 2000}, {0, 2000}, THIS_ONE, 0},
	{EVL_ALARM_TU_LOP, "trib-5", NULL, NULL, {3500, 4750}, {1000, 2000}, THIS_ONE, 0},
	/* V5 in 5 mf. */
	{EVL_ALARM_LP_UNEQ, "trib-5", NULL, NULL, {2000, 3250}, {2000, 3250}, THIS_ONE,
		EVL_ALARM_LP_RDI},
	{EVL_ALARM_LP_PLM, "trib-5", NULL, NULL, {2000, 3250}, {2000, 3250}, THIS_ONE, 0},
	{EVL_ALARM_LP_RDI, "trib-5", NULL, NULL, {2000, 3250}, {2000, 3250}, NOBODY, 0},
	{EVL_ALARM_LP_RFI, "trib-5", "mapping=AU-4/TU-11/T1 byte-synchronous", NULL, {2000, 3250},
		{2000, 3250}, NOBODY, 0},
	/* J2: 3 traces of 16 mf, and up to one that began before. */
	{EVL_ALARM_LP_TIM, "trib-5", "expected.J2=evenlode", NULL, {20000, 32500}, {20000, 32500},
		THIS_ONE, EVL_ALARM_LP_RDI},
	/* A VC-3 in TU-3: the rules of the high order, frame by frame. */
	{EVL_ALARM_TU_AIS, "vc3-2", "mapping=AU-4/TU-3/VC-3", NULL, {250, 500}, {0, 500}, THIS_ONE,
		0},
	{EVL_ALARM_TU_LOP, "vc3-2", "mapping=AU-4/TU-3/VC-3", NULL, {875, 1250}, {250, 500},
		THIS_ONE, 0},
	{EVL_ALARM_LP_UNEQ, "vc3-2", "mapping=AU-4/TU-3/VC-3", NULL, {500, 875}, {500, 875},
		THIS_ONE, EVL_ALARM_LP_RDI},
	{EVL_ALARM_LP_PLM, "vc3-2", "mapping=AU-4/TU-3/VC-3", "expected.vc3-2.C2=04", {500, 875},
		{500, 875}, THIS_ONE, 0},
	/* The same on an STM-4 and by way of AU-3. */
	{EVL_ALARM_AU_LOP, "line", "rate=STM-4", NULL, {875, 1000}, {250, 375}, EVERYBODY, 0},
	{EVL_ALARM_HP_UNEQ, "line", "mapping=AU-3/TU-11/T1", NULL, {500, 750}, {500, 750},
		EVERYBODY, EVL_ALARM_HP_RDI},
	{EVL_ALARM_TU_LOP, "trib-5", "mapping=AU-3/TU-11/T1", NULL, {3500, 4750}, {1000, 2000},
		THIS_ONE, 0},
	{EVL_ALARM_LOS, "line-2", "lines=2", NULL, {19, 21}, {125, 500}, NOBODY, EVL_ALARM_MS_RDI},
	/* Inputs: 10 to 255 intervals of an E1 (G.775 4) and 175 +- 75 of a T1 (T1.231); AIS in two
	 * periods of 512 bits (G.775 5.2), for 3 to 75 ms (G.775 5.4). */
	{EVL_ALARM_LOS, "trib-5", NULL, NULL, {4, 125}, {4, 125}, THIS_ONE, 0},
	{EVL_ALARM_LOS, "trib-5", "mapping=AU-4/TU-11/T1", NULL, {64, 162}, {64, 162}, THIS_ONE, 0},
	{EVL_ALARM_AIS, "trib-5", NULL, NULL, {500, 751}, {500, 751}, THIS_ONE, 0},
	{EVL_ALARM_AIS, "trib-5", "mapping=AU-4/TU-11/T1", NULL, {3000, 75000}, {3000, 75000},
		THIS_ONE, 0},
};

static const struct evl_event *event_after(
	uint32_t channel, uint32_t alarm, bool raised, uint64_t ns)
{
	for (uint32_t i = 0; i < rig.event_count; i++) {
		const struct evl_event *e = &rig.events[i];

		if (e->channel == channel && e->alarm == alarm && e->raised == raised &&
			e->at_ns >= ns) {
			return e;
		}
	}
	return NULL;
}

static void check_time(const struct row *r, bool raised, const struct evl_event *e)
{
	const uint64_t from = AT + (raised ? 0 : LASTS);
	const uint32_t *us = raised ? r->raise_us : r->clear_us;

	if (e == NULL || e->at_ns < from + us[0] * 1000u || e->at_ns > from + us[1] * 1000u) {
		fail_msg("%s on %s (%s): %s %lld us after, due %u to %u",
			evl_alarm_name((enum evl_alarm)r->alarm), r->channel,
			r->option != NULL ? r->option : "", raised ? "raised" : "cleared",
			e != NULL ? (long long)(e->at_ns - from) / 1000 : -1, us[0], us[1]);
	}
}

/* From well after the beginning to the end, and a while after it. */
static void check_outputs(const struct row *r, uint32_t hit)
{
	const uint64_t seen = AT + (r->raise_us[1] + 5000u) * (uint64_t)1000;

	for (uint32_t c = 0; c < rig.count; c++) {
		bool ais = r->ais == EVERYBODY || (r->ais == THIS_ONE && c == hit);
		uint32_t wrong, bits = rig_frame_bits(&rig, c);

		if (rig.in[c] == NULL || (r->option != NULL && strcmp(r->option, "lines=2") == 0)) {
			continue;
		}
		if (rig_is_ais(&rig, c, seen, AT + LASTS) != ais) {
			fail_msg("%s on %s: %s %s", evl_alarm_name((enum evl_alarm)r->alarm),
				r->channel, rig.info[c].name,
				ais ? "has no AIS" : "has AIS, but need not");
		}
		/* All well again: the last 80 ms of the take. */
		if (rig.info[c].rate <= EVL_ABI_RATE_T1) {
			assert_true(rig_arrives(&rig, c, c, 5 * bits, 1920 * bits, &wrong));
		}
	}
}

static void each_defect(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		const struct row *r = &rows[i];
		struct evl_inject in = {.version = 1,
			.kind = EVL_INJECT_ALARM,
			.alarm = r->alarm,
			.at_ns = AT,
			.duration_ns = LASTS};

		rig_open(&rig, "A", 1, (const char *[]){r->option, r->option2, NULL});
		in.channel = rig_channel(&rig, r->channel);
		rig_take(&rig, 0, TAKE, 64, &in);
		/* Nothing before, the first that is raised is this one, the last is cleared. */
		assert_true(rig.event_count > 0 && rig.events[0].at_ns >= AT);
		check_time(r, true, event_after(in.channel, r->alarm, true, 0));
		check_time(r, false, event_after(in.channel, r->alarm, false, 0));
		check_outputs(r, in.channel);
		if (r->rdi != 0) {
			assert_non_null(event_after(in.channel, r->rdi, true, AT));
			assert_non_null(event_after(in.channel, r->rdi, false, AT + LASTS));
		}
		for (uint32_t e = 0; e < rig.event_count; e++) {
			/* What has its cause in one tributary stays there. */
			assert_true(r->ais == EVERYBODY || rig.events[e].channel == in.channel ||
				    r->option != NULL);
			if (rig.events[e].raised &&
				event_after(rig.events[e].channel, rig.events[e].alarm, false,
					rig.events[e].at_ns) == NULL) {
				fail_msg("%s: %s on %s never ends",
					evl_alarm_name((enum evl_alarm)r->alarm),
					evl_alarm_name((enum evl_alarm)rig.events[e].alarm),
					rig.info[rig.events[e].channel].name);
			}
		}
		rig_close(&rig);
	}
}

/* One of three AU-3: the tributaries of the others know nothing of it. */
static void one_path_of_three(void **state)
{
	static const uint32_t alarms[] = {
		EVL_ALARM_AU_AIS, EVL_ALARM_AU_LOP, EVL_ALARM_HP_UNEQ, EVL_ALARM_HP_LOM};

	(void)state;
	for (size_t i = 0; i < 4; i++) {
		struct evl_inject in = {.version = 1,
			.kind = EVL_INJECT_ALARM,
			.alarm = alarms[i],
			.at_ns = AT,
			.duration_ns = LASTS,
			.path = 2};

		rig_open(&rig, "A", 1,
			(const char *[]){"mapping=AU-3/TU-11/T1", "numbering=klm-order", NULL});
		in.channel = rig_channel(&rig, "line");
		rig_take(&rig, 0, 1280, 64, &in);
		for (uint32_t c = 0; c < 84; c++) {
			/* 28 of each AU-3, by K-L-M. */
			assert_int_equal(rig_is_ais(&rig, c, AT + 8 * MS, AT + LASTS), c / 28 == 1);
		}
		in.path = 4;
		assert_int_equal(
			rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
		rig_close(&rig);
	}
}

/* What cannot show is refused: nobody looks, or there is no such place. */
static void cannot_show(void **state)
{
	static const struct {
		const char *option, *channel;
		uint32_t alarm;
		const char *says;
	} cases[] = {
		{NULL, "line", EVL_ALARM_RS_TIM, "set an expected J0"},
		{NULL, "line", EVL_ALARM_HP_TIM, "set an expected J1"},
		{NULL, "trib-1", EVL_ALARM_LP_TIM, "set an expected J2"},
		{NULL, "trib-1", EVL_ALARM_LP_RFI, "byte-synchronous VC-11"},
		{"mapping=AU-4/VC-4", "line", EVL_ALARM_HP_PLM, "set an expected C2"},
		{"mapping=AU-4/VC-4", "line", EVL_ALARM_HP_LOM, "no multiframe"},
		{"mapping=AU-4/VC-4", "vc4-1", EVL_ALARM_LP_UNEQ, "inject on the line"},
		{"mapping=AU-3/VC-3", "vc3-1", EVL_ALARM_TU_AIS, "inject on the line"},
		{"tributaries.T1=84", "t1-3", EVL_ALARM_TU_AIS, "does not connect"},
		{"tributaries.T1=84", "e1-3", EVL_ALARM_MS_AIS, "cannot be injected"},
		{"mapping=AU-4/VC-4", "vc4-1", EVL_ALARM_LOS, "cannot be injected"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct evl_inject in = {.version = 1,
			.kind = EVL_INJECT_ALARM,
			.alarm = cases[i].alarm,
			.at_ns = AT,
			.duration_ns = LASTS};

		rig_open(&rig, "A", 1, (const char *[]){cases[i].option, NULL});
		in.channel = rig_channel(&rig, cases[i].channel);
		int rc = rig.adapter->inject(rig.self, &in, &rig.err);
		if (rc != EVL_ADAPTER_E_UNSUPPORTED ||
			strstr(rig.err.text, cases[i].says) == NULL) {
			fail_msg("case %zu: %d '%s'", i, rc, rig.err.text);
		}
		rig_close(&rig);
	}
}

/* ---- in the bits ---- */

#define LAST_BIT (1280u * 256u) /* of 160 ms */

static uint32_t differ(uint32_t channel, uint32_t from, uint32_t to, uint32_t delay)
{
	uint32_t n = 0;

	for (uint32_t b = from; b < to; b++) {
		n += evl_bits_get(rig.out[channel], b) != evl_bits_get(rig.in[channel], b - delay);
	}
	return n;
}

static void inject_bits(struct evl_inject in, const char *option)
{
	in.version = 1;
	in.channel = 7;
	in.at_ns = AT + 1;
	rig_open(&rig, "A", 1, (const char *[]){option, NULL});
	rig_take(&rig, 0, 1280, 64, &in);
	assert_int_equal(rig.event_count, 0);
}

/* To the bit: 40 ms and 1 ns are bit 81921 of an E1; 5 frames later it comes out. */
static void errors_of_each_kind(void **state)
{
	const uint32_t d = 1280, at = 81921 + d;

	(void)state;
	inject_bits((struct evl_inject){.kind = EVL_INJECT_BIT}, NULL);
	assert_int_equal(differ(7, d, LAST_BIT, d), 1);
	assert_int_equal(differ(7, at, at + 1, d), 1);
	rig_close(&rig);
	/* 1 ms inverted: 2048 bits. */
	inject_bits((struct evl_inject){.kind = EVL_INJECT_INVERT, .duration_ns = MS}, NULL);
	assert_int_equal(differ(7, d, LAST_BIT, d), 2048);
	assert_int_equal(differ(7, at, at + 2048, d), 2048);
	rig_close(&rig);
	/* A burst of two ends, and one of 1 in 2 between: 4.5 sigma of 1023 +- 22.6 (binomial). */
	inject_bits((struct evl_inject){.kind = EVL_INJECT_BURST,
			    .duration_ns = MS,
			    .numerator = 0,
			    .denominator = 1},
		NULL);
	assert_int_equal(differ(7, d, LAST_BIT, d), 2);
	assert_int_equal(differ(7, at, at + 1, d), 1);
	assert_int_equal(differ(7, at + 2047, at + 2048, d), 1);
	rig_close(&rig);
	inject_bits((struct evl_inject){.kind = EVL_INJECT_BURST,
			    .duration_ns = MS,
			    .numerator = 1,
			    .denominator = 2},
		NULL);
	assert_in_range(differ(7, at, at + 2048, d), 1025 - 102, 1025 + 102);
	assert_int_equal(differ(7, d, at, d) + differ(7, at + 2048, LAST_BIT, d), 0);
	rig_close(&rig);
	/* Slips: 13 bits come again; with a store, 256 bits are left out. */
	inject_bits((struct evl_inject){.kind = EVL_INJECT_SLIP, .slip_bits = 13}, NULL);
	assert_int_equal(differ(7, d, at, d), 0);
	assert_int_equal(differ(7, at, LAST_BIT, d + 13), 0);
	rig_close(&rig);
	inject_bits(
		(struct evl_inject){.kind = EVL_INJECT_SLIP, .slip_bits = -256}, "slip_room=300");
	assert_int_equal(differ(7, d + 300, at, d + 300), 0);
	assert_int_equal(differ(7, at, LAST_BIT, d + 44), 0);
	rig_close(&rig);
}

static void slips_refused(void **state)
{
	struct evl_inject in = {
		.version = 1, .kind = EVL_INJECT_SLIP, .channel = 7, .at_ns = AT, .slip_bits = -1};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "slip_room"));
	in.slip_bits = 0;
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	in.slip_bits = 9000;
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	in.slip_bits = 5;
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), 0);
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "same millisecond"));
	rig_close(&rig);
}

/* A bit that the line loses moves its frames: OOF until the new place is found, 5 bad words and two
 * good ones (G.783). */
static void line_slip(void **state)
{
	struct evl_inject in = {.version = 1,
		.kind = EVL_INJECT_SLIP,
		.channel = RIG_LINE,
		.at_ns = AT,
		.slip_bits = 3};
	const struct evl_event *e;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 1280, 64, &in);
	e = rig_event(&rig, RIG_LINE, EVL_ALARM_OOF, true);
	assert_non_null(e);
	assert_in_range(e->at_ns, AT + 500000, AT + 750000);
	e = rig_event(&rig, RIG_LINE, EVL_ALARM_OOF, false);
	assert_non_null(e);
	assert_in_range(e->at_ns, AT + 625000, AT + 1000000);
	assert_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOF, true));
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_defect),
		cmocka_unit_test(one_path_of_three),
		cmocka_unit_test(cannot_show),
		cmocka_unit_test(errors_of_each_kind),
		cmocka_unit_test(slips_refused),
		cmocka_unit_test(line_slip),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
