/* SPDX-License-Identifier: Apache-2.0 */
/* The software multiplexer as a module, by the driver ABI: losses of the line and injections. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/base/rate.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define DELAY        1280u /* E1 bits from in to out: 5 frames (core/frame/sdh.h) */
#define MS           1000000u
#define OPTIONS(...) ((const char *[]){__VA_ARGS__, NULL})
#define B0           "builds.B.faults[0]."

static struct rig rig;

static void check_loss(uint64_t begin_ns, uint64_t end_ns, uint32_t los_us)
{
	const struct evl_event *e;
	uint32_t wrong = 0;

	/* T1.231 as quoted by RFC 3592: no transitions for 2.3 to 100 us. Zeros that happened to be
	 * on the line just before may bring it forward by a byte or two. */
	e = rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, true);
	assert_non_null(e);
	assert_in_range(e->at_ns, begin_ns + los_us * 1000u - 200u,
			begin_ns + los_us * 1000u + 200u);
	e = rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, false);
	assert_non_null(e);
	/* Clear after 125 us without LOS and two good framing patterns: within 3 frames. */
	assert_in_range(e->at_ns, end_ns, end_ns + 4 * EVL_FRAME_NS);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		/* G.783 (from memory): AIS on the tributary 1 ms after the defect at most. */
		assert_true(rig_is_ais(&rig, t, begin_ns + MS, end_ns));
		assert_false(rig_is_ais(&rig, t, begin_ns - MS, begin_ns));
		e = rig_event(&rig, t, EVL_ALARM_TU_AIS, true);
		assert_non_null(e);
		/* All ones within 250 us of LOS, then V1V2 in 3 multiframes of 500 us (G.783, from
		 * memory): the third word ends 2 multiframes after the first at the earliest. */
		assert_in_range(e->at_ns, begin_ns + 2 * 500000, begin_ns + 2 * MS + 350000);
		e = rig_event(&rig, t, EVL_ALARM_TU_AIS, false);
		assert_non_null(e);
		assert_in_range(e->at_ns, end_ns, end_ns + 8 * MS);
		/* In service again at the old delay, as the pointers have not moved. */
		assert_true(rig_arrives(&rig, t, t, DELAY,
					(uint32_t)((end_ns + 8 * MS) / 125000 * 256), &wrong));
	}
	for (uint32_t i = 1; i < rig.event_count; i++) {
		assert_true(rig.events[i - 1].at_ns <= rig.events[i].at_ns);
	}
}

static void line_lost_by_injection(void **state)
{
	struct evl_inject los = {.version = 1,
				 .kind = EVL_INJECT_ALARM,
				 .channel = RIG_LINE,
				 .alarm = EVL_ABI_LOS,
				 .at_ns = 20 * MS + 60001,
				 .duration_ns = 10 * MS};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 384, 64, &los);
	check_loss(20 * MS + 60001, 30 * MS + 60001, 20);
	/* An injection ends with its take. */
	rig_take(&rig, 48 * MS, 128, 64, NULL);
	assert_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, true));
	rig_close(&rig);
}

static void line_lost_by_plan(void **state)
{
	(void)state;
	rig_open(&rig, "B", 1,
		 OPTIONS("los_threshold_us=100", B0 "kind=line-loss", B0 "at=20.5 ms",
			 B0 "for=5 ms"));
	rig_take(&rig, 0, 320, 64, NULL);
	check_loss(20 * MS + 500000, 25 * MS + 500000, 100);
	rig_close(&rig);
}

static void ais_kinds(void **state)
{
	static const struct {
		uint32_t channel, alarm;
	} cases[] = {{RIG_LINE, EVL_ABI_MS_AIS}, {RIG_LINE, EVL_ABI_AU_AIS}, {4, EVL_ABI_TU_AIS}};

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct evl_inject ais = {.version = 1,
					 .kind = EVL_INJECT_ALARM,
					 .channel = cases[i].channel,
					 .alarm = cases[i].alarm,
					 .at_ns = 20 * MS,
					 .duration_ns = 10 * MS};
		const struct evl_event *e;
		uint32_t wrong;

		rig_open(&rig, "A", 1, NULL);
		rig_take(&rig, 0, 384, 64, &ais);
		e = rig_event(&rig, cases[i].channel, cases[i].alarm, true);
		assert_non_null(e);
		/* K2 in 5 frames, H1H2 in 3 frames, V1V2 in 3 multiframes (G.783). */
		assert_in_range(e->at_ns, 20 * MS, 20 * MS + 2 * MS);
		assert_non_null(rig_event(&rig, cases[i].channel, cases[i].alarm, false));
		for (uint32_t t = 0; t < RIG_TRIBS; t++) {
			bool hit = cases[i].channel == RIG_LINE || cases[i].channel == t;

			assert_int_equal(rig_is_ais(&rig, t, 23 * MS, 30 * MS), hit);
			assert_true(rig_arrives(&rig, t, t, DELAY, 304 * 256, &wrong));
		}
		rig_close(&rig);
	}
}

static void injected_on_a_tributary(void **state)
{
	struct evl_inject in = {.version = 1,
				.kind = EVL_INJECT_ALARM,
				.channel = 7,
				.alarm = EVL_ABI_AIS,
				.at_ns = 5 * MS + 1,
				.duration_ns = 3 * MS};
	uint32_t from = 5 * 8 * 256 + 1,
		 to = 8 * 8 * 256 + 1; /* first bit at or after the instant */
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 128, 64, &in);
	for (uint32_t b = DELAY; b < 128 * 256; b++) {
		bool ones = b - DELAY >= from && b - DELAY < to;

		assert_int_equal(evl_bits_get(rig.out[7], b),
				 ones || evl_bits_get(rig.in[7], b - DELAY));
	}
	assert_true(rig_arrives(&rig, 6, 6, DELAY, DELAY, &wrong));
	/* Errors: 3 ms at 1/10 are 6144 bits, mean 614.4; 99.99 %: 520 to 713 (SciPy, as above). */
	in.kind = EVL_INJECT_ERRORS;
	in.numerator = 1;
	in.denominator = 10;
	in.at_ns += 16 * MS;
	rig_take(&rig, 16 * MS, 128, 64, &in);
	for (uint32_t b = DELAY; b < 128 * 256; b++) {
		if (b - DELAY < from || b - DELAY >= to) {
			assert_int_equal(evl_bits_get(rig.out[7], b),
					 evl_bits_get(rig.in[7], b - DELAY));
		}
	}
	assert_false(rig_arrives(&rig, 7, 7, DELAY, DELAY, &wrong));
	assert_in_range(wrong, 520, 713);
	assert_true(rig_arrives(&rig, 6, 6, DELAY, DELAY, &wrong));
	rig_close(&rig);
}

/* G.775 4: LOS after 10 to 255 intervals without pulses, gone after as many with; meanwhile the
 * unit sends all ones (G.783, from memory). */
static void tributary_lost(void **state)
{
	struct evl_inject in = {.version = 1,
				.kind = EVL_INJECT_ALARM,
				.channel = 20,
				.alarm = EVL_ABI_LOS,
				.at_ns = 3 * MS + 300000,
				.duration_ns = 2 * MS};
	uint32_t from = 6759, to = 10855; /* 3.3 ms and 5.3 ms at 2048 kbit/s, rounded up */
	const struct evl_event *e;
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 128, 64, &in);
	for (uint32_t b = DELAY; b < 128 * 256; b++) {
		uint32_t at = b - DELAY;
		bool want = evl_bits_get(rig.in[20], at);

		if (at >= from && at < from + 255) {
			want = false;
		} else if (at >= from && at < to + 255) {
			want = true;
		}
		assert_int_equal(evl_bits_get(rig.out[20], b), want);
	}
	assert_true(rig_arrives(&rig, 19, 19, DELAY, DELAY, &wrong));
	assert_int_equal(rig.event_count, 2);
	e = rig_event(&rig, 20, EVL_ALARM_LOS, true);
	assert_non_null(e);
	assert_in_range(e->at_ns, in.at_ns + 10 * 488, in.at_ns + 256 * 489);
	e = rig_event(&rig, 20, EVL_ALARM_LOS, false);
	assert_non_null(e);
	assert_in_range(e->at_ns, in.at_ns + 2 * MS + 10 * 488, in.at_ns + 2 * MS + 256 * 489);
	/* Too short to be seen: 254 bits of zeros and nothing else. */
	in.at_ns = 16 * MS;
	in.duration_ns = 124000;
	rig_take(&rig, 16 * MS, 128, 64, &in);
	assert_int_equal(rig.event_count, 0);
	for (uint32_t b = 0; b < 254; b++) {
		assert_false(evl_bits_get(rig.out[20], DELAY + b));
	}
	assert_true(rig_arrives(&rig, 20, 20, DELAY, DELAY + 254, &wrong));
	/* Still lost when the take ends: the end is reported, too. */
	in.at_ns = 32 * MS;
	in.duration_ns = 1000 * (uint64_t)MS;
	rig_take(&rig, 32 * MS, 64, 64, &in);
	assert_non_null(rig_event(&rig, 20, EVL_ALARM_LOS, true));
	assert_null(rig_event(&rig, 20, EVL_ALARM_LOS, false));
	rig_take(&rig, 40 * MS, 64, 64, NULL);
	e = rig_event(&rig, 20, EVL_ALARM_LOS, false);
	assert_non_null(e);
	assert_int_equal(e->at_ns, 40 * MS);
	rig_close(&rig);
}

static void injections_refused(void **state)
{
	static const struct {
		struct evl_inject in;
		int code;
		const char *text;
	} cases[] = {
		{{1, EVL_INJECT_ALARM, 64, EVL_ABI_LOS, 0, 0, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED,
		 "no channel 64"},
		{{1, 9, 0, EVL_ABI_LOS, 0, 0, 0, MS, 0, 0}, EVL_ADAPTER_E_UNSUPPORTED, "kind 9"},
		{{1, EVL_INJECT_ALARM, 0, 99, 0, 0, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED, "alarm 99"},
		{{1, EVL_INJECT_ALARM, 0, EVL_ABI_MS_AIS, 0, 0, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED,
		 "trib-1: MS-AIS cannot be injected on this tributary"},
		{{1, EVL_INJECT_ALARM, 63, EVL_ABI_TU_AIS, 0, 0, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED,
		 "line: TU-AIS cannot be injected on a line"},
		{{1, EVL_INJECT_ALARM, 63, EVL_ABI_MS_AIS, 0, 0, 0, MS - 1, 0, 0},
		 EVL_ADAPTER_E_STATE,
		 "must last 1 ms"},
		{{1, EVL_INJECT_ALARM, 63, EVL_ABI_LOS, 0, 0, 0, 0, 0, 0},
		 EVL_ADAPTER_E_STATE,
		 "longer than nothing"},
		{{1, EVL_INJECT_ERRORS, 3, 0, 0, 10, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED, "0/10"},
		{{1, EVL_INJECT_ERRORS, 3, 0, 2, 1, 0, MS, 0, 0}, EVL_ADAPTER_E_UNSUPPORTED, "2/1"},
		{{1, EVL_INJECT_ERRORS, 3, 0, 1, UINT64_MAX, 0, MS, 0, 0},
		 EVL_ADAPTER_E_UNSUPPORTED,
		 "1/18446744073709551615"},
	};
	struct evl_inject los = {1, EVL_INJECT_ALARM,    RIG_LINE, EVL_ABI_LOS, 0,
				 0, 1000 * (uint64_t)MS, MS, 0, 0};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		int rc = rig.adapter->inject(rig.self, &cases[i].in, &rig.err);

		if (rc != cases[i].code || strstr(rig.err.text, cases[i].text) == NULL) {
			fail_msg("case %zu: got %d '%s'", i, rc, rig.err.text);
		}
	}
	for (int i = 0; i < 256; i++) {
		assert_int_equal(rig.adapter->inject(rig.self, &los, &rig.err), 0);
	}
	assert_int_equal(rig.adapter->inject(rig.self, &los, &rig.err), EVL_ADAPTER_E_STATE);
	assert_non_null(strstr(rig.err.text, "one too many"));
	/* The end of a take drops them. */
	rig_take(&rig, 0, 64, 64, NULL);
	rig_take(&rig, 1000 * (uint64_t)MS, 64, 64, NULL);
	assert_int_equal(rig.event_count, 0);
	los.at_ns = 0;
	assert_int_equal(rig.adapter->inject(rig.self, &los, &rig.err), EVL_ADAPTER_E_STATE);
	assert_non_null(strstr(rig.err.text, "in the past"));
	rig_close(&rig);
	rig_open(&rig, "A", 1, OPTIONS("line=open"));
	los.alarm = EVL_ABI_AU_AIS;
	assert_int_equal(rig.adapter->inject(rig.self, &los, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "needs the line looped"));
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(line_lost_by_injection),
		cmocka_unit_test(line_lost_by_plan),
		cmocka_unit_test(ais_kinds),
		cmocka_unit_test(injected_on_a_tributary),
		cmocka_unit_test(tributary_lost),
		cmocka_unit_test(injections_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
