/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The unit's watch over the framing of its tributary inputs: each defect of E1 and T1 framing,
 * injected, seen and gone within the times of G.706, G.732, G.775, T1.231 and T1.403 that stand
 * beside each row.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/frame/e1_build.h"
#include "core/frame/t1_build.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define MS 1000000u
#define AT (60 * MS)

static struct rig rig;

static void e1_frames(uint8_t *data, uint32_t frames, uint32_t channel)
{
	struct evl_e1_builder b;

	(void)channel;
	evl_e1_builder_init(&b, EVL_E1_CRC4, true);
	evl_e1_build(&b, data, frames);
}

/* Bits that hold no frame alignment signal at any place, so that a search finds nothing: 11010101
 * has no 00. */
static void no_frames(uint8_t *data, uint32_t frames, uint32_t channel)
{
	(void)channel;
	memset(data, 0xd5, (size_t)frames * 32);
}

static void quiet_frames(uint8_t *data, uint32_t frames, uint32_t channel)
{
	no_frames(data, frames, channel);
	e1_frames(data, frames, channel);
}

static void esf_frames(uint8_t *data, uint32_t frames, uint32_t channel)
{
	struct evl_t1_builder b;

	(void)channel;
	evl_t1_builder_init(&b, EVL_T1_ESF);
	evl_t1_build(&b, data, frames);
}

static void sf_frames(uint8_t *data, uint32_t frames, uint32_t channel)
{
	struct evl_t1_builder b;

	(void)channel;
	evl_t1_builder_init(&b, EVL_T1_SF);
	evl_t1_build(&b, data, frames);
}

#define E1  "framing=CRC-4 CAS", NULL
#define ESF "framing=ESF", "mapping=AU-4/TU-11/T1"
#define SF  "framing=SF", "mapping=AU-4/TU-11/T1"

static const struct row {
	uint32_t alarm;
	const char *option, *option2;
	uint32_t lasts_ms, take_ms;
	uint32_t raise_us[2], clear_us[2];
	bool ais;
} rows[] = {
	/* 10 to 255 intervals without a pulse (G.775 4). */
	{EVL_ALARM_LOS, E1, 60, 240, {4, 125}, {4, 250}, true},
	/* Two periods of 512 bits, one of them may have begun before; gone after two others, or
	 * when the frame is found, in 3 frames (G.775 5.2). */
	/* Cleared when frame alignment is found, G.775 5.2: FAS, NFAS and FAS from any frame on. */
	{EVL_ALARM_AIS, E1, 60, 240, {500, 751}, {250, 510}, true},
	/* 3 bad FAS in a row, 250 us apart; found in 3 frames (G.706 4.1). */
	{EVL_ALARM_LOF, E1, 60, 240, {500, 1000}, {250, 1000}, true},
	/* A = 1 twice in a row; the first 0 (G.775 6; O.162). */
	{EVL_ALARM_RAI, E1, 60, 240, {125, 750}, {0, 250}, false},
	/* 8 ms after frame alignment (G.706 4.2), which the injection takes away for 4 ms first. */
	{EVL_ALARM_LOM, E1, 120, 400, {8000, 16000}, {0, 16000}, false},
	/* 2 bad alignment signals, 2 ms apart; the next good one (G.732 5.2). */
	{EVL_ALARM_TS16_LOM, E1, 60, 240, {2000, 4250}, {0, 4250}, false},
	/* All ones for 32 frames (G.732 4.2.6). */
	{EVL_ALARM_TS16_AIS, E1, 60, 240, {3750, 4250}, {0, 250}, false},
	/* y = 1 twice; the first 0 (G.732 4.2.5 as RFC 4805 has it). */
	{EVL_ALARM_TS16_RAI, E1, 60, 240, {2000, 4250}, {0, 2250}, false},
	/* 2 of 5 framing bits, which come every 0.5 ms (T1.231); found by the search again. */
	{EVL_ALARM_OOF, ESF, 60, 400, {0, 2500}, {0, 24000}, false},
	/* 1111111100000000 in 7 of 10 intervals of 4 ms; gone from 10 of them (T1.403). */
	{EVL_ALARM_RAI, ESF, 120, 400, {20000, 60000}, {20000, 80000}, false},
	/* Bit 2 of all timeslots for 335 ms, decided at that of the last one; the same back. */
	{EVL_ALARM_RAI, SF, 400, 1200, {334900, 336000}, {334900, 336000}, false},
	/* 175 +- 75 positions (T1.231). */
	{EVL_ALARM_LOS, ESF, 60, 400, {64, 162}, {64, 250}, true},
	/* 3 to 75 ms (G.775 5.4), once alignment is lost. */
	{EVL_ALARM_AIS, ESF, 160, 600, {3000, 75000}, {0, 75000}, true},
};

static void each_defect_of_framing(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		const struct row *r = &rows[i];
		const uint64_t lasts = (uint64_t)r->lasts_ms * MS;
		struct evl_inject in = {.version = 1,
			.kind = EVL_INJECT_ALARM,
			.alarm = r->alarm,
			.channel = 4,
			.at_ns = AT,
			.duration_ns = lasts};
		const struct evl_event *up, *down;
		uint32_t wrong;

		rig_open(&rig, "A", 1, (const char *[]){r->option, r->option2, NULL});
		rig.shape = r->option[8] == 'C'
				    ? (r->alarm == EVL_ALARM_LOF ? quiet_frames : e1_frames)
			    : r->option[8] == 'E' ? esf_frames
						  : sf_frames;
		rig_take(&rig, 0, r->take_ms * 8, 64, &in);
		up = rig_event(&rig, 4, r->alarm, true);
		down = rig_event(&rig, 4, r->alarm, false);
		if (up == NULL || down == NULL || up->at_ns < AT + r->raise_us[0] * 1000u ||
			up->at_ns > AT + r->raise_us[1] * 1000u ||
			down->at_ns < AT + lasts + r->clear_us[0] * 1000u ||
			down->at_ns > AT + lasts + r->clear_us[1] * 1000u) {
			fail_msg("%s, %s: raised after %lld us, cleared after %lld us",
				evl_alarm_name((enum evl_alarm)r->alarm), r->option,
				up != NULL ? (long long)(up->at_ns - AT) / 1000 : -1,
				down != NULL ? (long long)(down->at_ns - AT - lasts) / 1000 : -1);
		}
		/* Nothing on other tributaries, and nothing before. */
		for (uint32_t e = 0; e < rig.event_count; e++) {
			assert_int_equal(rig.events[e].channel, 4);
			assert_true(rig.events[e].at_ns >= AT);
		}
		assert_int_equal(rig_is_ais(&rig, 4, AT + 8 * MS, AT + lasts - MS), r->ais);
		uint32_t bits = rig_frame_bits(&rig, 4);
		assert_true(
			rig_arrives(&rig, 4, 4, 5 * bits, (r->take_ms - 40) * 8 * bits, &wrong));
		rig_close(&rig);
	}
}

/* What is not framed as the unit expects is LOF once the time to align is over, and AIS goes on
 * instead; what nobody plays into is not judged. */
static void not_framed(void **state)
{
	const struct evl_event *e;

	(void)state;
	rig_open(&rig, "A", 1, (const char *[]){"framing.trib-3=FAS", NULL});
	rig.shape = no_frames;
	rig_take(&rig, 0, 400, 64, NULL);
	e = rig_event(&rig, 2, EVL_ALARM_LOF, true);
	assert_non_null(e);
	assert_int_equal(e->at_ns, 5 * MS);
	assert_int_equal(rig.event_count, 1);
	assert_true(rig_is_ais(&rig, 2, 7 * MS, 50 * MS));
	assert_false(rig_is_ais(&rig, 3, 7 * MS, 50 * MS));
	rig.idle = true;
	rig_take(&rig, 100 * MS, 400, 64, NULL);
	e = rig_event(&rig, 2, EVL_ALARM_LOF, false);
	assert_non_null(e);
	assert_int_equal(rig.event_count, 1);
	rig_close(&rig);
}

static void set_at_run_time(void **state)
{
	struct evl_setting s = {
		.version = 1, .kind = EVL_SETTING_FRAMING, .channel = 2, .text = "CRC-4"};
	struct evl_inject in = {.version = 1,
		.kind = EVL_INJECT_ALARM,
		.alarm = EVL_ALARM_RAI,
		.channel = 2,
		.at_ns = AT,
		.duration_ns = 10 * MS};
	const struct evl_setup_extension *setup;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	setup = rig.adapter->get_extension(EVL_SETUP_EXTENSION);
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "set the framing"));
	rig_setup(&rig, &s, 1);
	rig.shape = e1_frames;
	rig_take(&rig, 0, 800, 64, &in);
	assert_non_null(rig_event(&rig, 2, EVL_ALARM_RAI, true));
	in.alarm = EVL_ALARM_TS16_AIS;
	in.at_ns = 200 * MS;
	assert_int_equal(rig.adapter->inject(rig.self, &in, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "CAS"));
	strcpy(s.text, "ESF");
	assert_int_equal(setup->apply(rig.self, &s, 1, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "an E1 has"));
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_defect_of_framing),
		cmocka_unit_test(not_framed),
		cmocka_unit_test(set_at_run_time),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
