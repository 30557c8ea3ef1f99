/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Multiplex section protection 1+1 of the software multiplexer. ITU-T G.841 7.1: the same signal is
 * sent on both sections, a switch is completed within 50 ms, K1 and K2 tell the far end (request
 * codes from memory). What is sent is read from the captured lines by the decoder of core/frame;
 * instants are counted by hand.
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
#include "core/frame/sdh.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define MS     ((uint64_t)1000000)
#define DELAY  1280u /* bits of an E1 from in to out */
#define P      "protection.architecture=1+1"
#define LINE_1 63u
#define LINE_2 64u
#define B0     "builds.B.faults[0]."
#define B1     "builds.B.faults[1]."

static struct rig rig;
static uint32_t shift; /* of the pattern, for `shifted` */

static void open_with(const char *const *options)
{
	rig_open(&rig, "B", 1, options);
	assert_int_equal(rig.count, 65);
	assert_string_equal(rig.info[LINE_1].name, "line-1");
	assert_string_equal(rig.info[LINE_2].name, "line-2");
}

#define OPEN(...) open_with((const char *const[]){P, __VA_ARGS__, NULL})

static struct evl_inject los(uint32_t line, uint64_t at_ns, uint64_t lasting_ns)
{
	return (struct evl_inject){.version = 1,
		.kind = EVL_INJECT_ALARM,
		.channel = line,
		.alarm = EVL_ALARM_LOS,
		.at_ns = at_ns,
		.duration_ns = lasting_ns};
}

/* Errored bits of a tributary between two instants, delayed by DELAY and `more` bits. */
static uint32_t errors(uint32_t c, uint32_t from_ms, uint32_t to_ms, uint32_t more)
{
	uint32_t n = 0;

	for (uint32_t b = from_ms * 2048; b < to_ms * 2048; b++) {
		n += evl_bits_get(rig.out[c], b) != evl_bits_get(rig.in[c], b - DELAY - more);
	}
	return n;
}

/* The whole milliseconds of a take in which a tributary has errors: first and behind the last. */
static void hit(uint32_t c, uint32_t *first, uint32_t *end)
{
	*first = *end = 0;
	for (uint32_t ms = 1; ms < rig.frames / 8; ms++) {
		if (errors(c, ms, ms + 1, 0) > 0) {
			*first = *end == 0 ? ms : *first;
			*end = ms + 1;
		}
	}
}

static void event_at(uint32_t channel, uint32_t alarm, bool raised, uint64_t from, uint64_t to)
{
	const struct evl_event *e = rig_event(&rig, channel, alarm, raised);

	if (e == NULL || e->at_ns < from || e->at_ns > to) {
		fail_msg("%s %d on %u: %s at %llu", evl_alarm_name((enum evl_alarm)alarm), raised,
			channel, e == NULL ? "never" : "wrong",
			e == NULL ? 0ull : (unsigned long long)e->at_ns);
	}
}

/* K1 and K2 of the protection section in frame `frame` of the take. */
static uint32_t aps(uint32_t frame)
{
	struct evl_sdh_rx *rx;
	const struct evl_rx_options options = {.depth = EVL_RX_SECTION};
	struct evl_sdh_map map;
	uint32_t bytes;

	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_int_equal(evl_sdh_rx_create(&rx, &map, &options, NULL), 0);
	evl_sdh_decode(rx, rig.out[LINE_2], frame + 1, NULL, NULL, NULL);
	/* [5, 4] and [5, 7]: G.707 9.2.1. */
	bytes = (uint32_t)evl_sdh_rx_soh(rx, 1, 5, 4) << 8 | (uint32_t)evl_sdh_rx_soh(rx, 1, 5, 7);
	evl_sdh_rx_destroy(rx);
	return bytes;
}

static void both_lines_carry_the_same(void **state)
{
	struct evl_sdh_map map;

	(void)state;
	OPEN("sent.line-1.J0=WORKING", "sent.line-2.J0=STANDBY", "sent.line-1.J1=PATH");
	rig_take(&rig, 0, 800, 64, NULL);
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	for (uint32_t line = LINE_1; line <= LINE_2; line++) {
		struct evl_sdh_rx *rx;
		uint8_t *out[EVL_SDH_MOST_CLIENTS] = {NULL};
		uint32_t bytes[EVL_SDH_MOST_CLIENTS];
		const struct evl_trace *j0, *j1;

		assert_int_equal(evl_sdh_rx_create(&rx, &map, NULL, NULL), 0);
		for (uint32_t i = 0; i < 63; i++) {
			out[i] = malloc(800 * 34);
		}
		evl_sdh_decode(rx, rig.out[line], 800, out, bytes, NULL);
		for (uint32_t i = 0; i < 63; i++) {
			uint64_t first = evl_sdh_rx_first_bit(rx, i);

			assert_true(first < 8192);
			/* Encoder and decoder back to back are five frames late (sdh.h). */
			for (uint64_t b = first + 2048; b < 8ull * bytes[i]; b++) {
				assert_int_equal(evl_bits_get(out[i], b),
					evl_bits_get(rig.in[i], b - DELAY));
			}
			free(out[i]);
		}
		j0 = evl_sdh_rx_trace(rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0});
		j1 = evl_sdh_rx_trace(rx, (struct evl_sdh_at){EVL_SDH_HIGH, 0});
		assert_memory_equal(j0->bytes + 1, line == LINE_1 ? "WORKING  " : "STANDBY  ", 8);
		assert_memory_equal(j1->bytes + 1, "PATH ", 5);
		evl_sdh_rx_destroy(rx);
	}
	assert_int_equal(rig.event_count, 0);
	assert_int_equal(aps(799), 0x0000); /* no request */
	rig_close(&rig);
}

/* Revertive: away within the switch time, back after the wait, which has no hit. */
static void switches_and_returns(void **state)
{
	const struct evl_inject in = los(LINE_1, 20 * MS, 100 * MS);
	uint32_t first, end;

	(void)state;
	OPEN("protection.operation=revertive", "protection.wait_to_restore=50 ms",
		"protection.switch_time=10 ms");
	rig_take(&rig, 0, 8 * 240, 64, &in);
	for (uint32_t c = 0; c < RIG_TRIBS; c++) {
		hit(c, &first, &end);
		assert_int_equal(first, 20);
		/* LOS is found after 20 us; the selector moves with a whole millisecond; the
		 * receiver finds the frame anew, and pointers in three frames (G.783). */
		assert_in_range(end, 31, 34);
		assert_true(end - first < 50); /* G.841 7.1 */
		/* AIS in between, once the bits in flight are out. */
		assert_true(rig_is_ais(&rig, c, 22 * MS, 31 * MS));
	}
	event_at(LINE_1, EVL_ALARM_LOS, true, 20 * MS, 20 * MS + 100000);
	event_at(LINE_1, EVL_ALARM_LOS, false, 120 * MS, 121 * MS);
	event_at(LINE_2, EVL_ALARM_PSE, true, 30 * MS, 32 * MS);
	event_at(LINE_2, EVL_ALARM_PSE, false, 173 * MS, 175 * MS);
	event_at(LINE_1, EVL_ALARM_AU_AIS, true, 20 * MS, 21 * MS);
	assert_null(rig_event(&rig, LINE_2, EVL_ALARM_LOS, true));
	/* The far end of the working section hears of it, that of the protection does not. */
	event_at(LINE_1, EVL_ALARM_MS_RDI, true, 120 * MS, 124 * MS);
	assert_null(rig_event(&rig, LINE_2, EVL_ALARM_MS_RDI, true));
	assert_int_equal(aps(8 * 60), 0xd110);  /* SF on the working section */
	assert_int_equal(aps(8 * 150), 0x6110); /* wait to restore */
	assert_int_equal(aps(8 * 200), 0x0000);
	rig_close(&rig);
}

/* Non-revertive: stays until the other section fails. */
static void stays(void **state)
{
	(void)state;
	OPEN(B0 "kind=line-loss", B0 "line=1", B0 "at=20 ms", B0 "for=30 ms", B1 "kind=line-loss",
		B1 "line=2", B1 "at=100 ms", B1 "for=60 ms");
	rig_take(&rig, 0, 8 * 200, 64, NULL);
	event_at(LINE_2, EVL_ALARM_PSE, true, 30 * MS, 32 * MS);
	assert_int_equal(aps(8 * 90), 0x1110); /* do not revert */
	assert_int_equal(errors(0, 40, 100, 0), 0);
	assert_true(errors(0, 100, 110, 0) > 5000);
	event_at(LINE_2, EVL_ALARM_LOS, true, 100 * MS, 100 * MS + 100000);
	event_at(LINE_2, EVL_ALARM_PSE, false, 110 * MS, 112 * MS);
	assert_int_equal(errors(0, 115, 200, 0), 0);
	rig_close(&rig);
}

/* Both sections fail: nothing is gained by a move; the one that comes back is taken. */
static void both_fail(void **state)
{
	(void)state;
	OPEN(B0 "kind=line-loss", B0 "line=2", B0 "at=10 ms", B0 "for=50 ms", B1 "kind=line-loss",
		B1 "line=1", B1 "at=20 ms", B1 "for=120 ms");
	rig_take(&rig, 0, 8 * 200, 64, NULL);
	assert_int_equal(
		aps(8 * 50) & 0xfff8u, 0xd000); /* SF of the protection section goes first */
	assert_true(rig_is_ais(&rig, 5, 22 * MS, 60 * MS));
	event_at(LINE_2, EVL_ALARM_PSE, true, 73 * MS, 75 * MS);
	assert_int_equal(errors(5, 78, 200, 0), 0);
	rig_close(&rig);
}

/* As slow as it is told to be, also slower than the standard allows. */
static void slow(void **state)
{
	const struct evl_inject in = los(LINE_1, 20 * MS, 200 * MS);
	uint32_t first, end;

	(void)state;
	OPEN("protection.switch_time=80 ms");
	rig_take(&rig, 0, 8 * 200, 64, &in);
	hit(7, &first, &end);
	assert_in_range(end - first, 80, 84);
	rig_close(&rig);
}

/* A line that is played from outside, with sections of its own kind: what the tester sends on
 * line-1 comes in as long as it is there. */
static void traces_fail_too(void **state)
{
	(void)state;
	OPEN("sent.line-1.J0=ONE", "expected.line-1.J0=OTHER");
	rig_take(&rig, 0, 8 * 100, 64, NULL);
	/* Found while the unit settled: traffic is on the protection section from the start. */
	event_at(LINE_1, EVL_ALARM_RS_TIM, true, 0, 0);
	assert_int_equal(aps(8 * 90), 0xd110);
	event_at(LINE_2, EVL_ALARM_PSE, true, 0, 30 * MS);
	assert_int_equal(errors(3, 40, 100, 0), 0);
	rig_close(&rig);
}

/* ---- switch-slip ---- */

static void shifted(uint8_t *data, uint32_t frames, uint32_t channel)
{
	(void)channel;
	memmove(data, data + shift, frames * 32 - shift);
}

#define SLIP(ratio, every)                                                                         \
	"protection.operation=revertive", "protection.wait_to_restore=1 s",                        \
		"builds.A.faults=none", B0 "kind=switch-slip", B0 "tributary=21", B0 "bits=8",     \
		B0 "ratio=" ratio, B0 "every=" every

/* The delay beyond DELAY with which millisecond `ms` arrives: 0 or 8; -1: neither. */
static int32_t late(uint32_t c, uint32_t ms)
{
	return errors(c, ms, ms + 1, 0) == 0 ? 0 : errors(c, ms, ms + 1, 8) == 0 ? 8 : -1;
}

/* Instants, in ms, at which trib-21 moves; returns how many. */
static uint32_t moves(uint32_t from_ms, uint32_t *at, uint32_t room)
{
	uint32_t n = 0;
	int32_t before = late(20, from_ms);

	assert_true(before >= 0);
	for (uint32_t ms = from_ms; ms < rig.frames / 8 && n < room; ms++) {
		int32_t now = late(20, ms);

		if (now >= 0 && now != before) {
			at[n++] = ms;
			before = now;
		}
	}
	return n;
}

static void slips_after_a_switch(void **state)
{
	const struct evl_inject in = los(LINE_1, 20 * MS, 5 * MS);
	uint32_t at[64], n;

	(void)state;
	OPEN(SLIP("1", "100 ms"));
	rig_take(&rig, 0, 8 * 1500, 64, &in);
	assert_int_equal(errors(20, 2, 20, 0), 0);
	n = moves(40, at, 64);
	/* Half of `every` to one and a half apart, until the selector goes back at 1032 ms. */
	assert_in_range(n, 7, 21);
	for (uint32_t i = 0; i < n && at[i] < 1032; i++) {
		assert_in_range(at[i] - (i > 0 ? at[i - 1] : 31), 49, 151);
	}
	assert_true(at[n - 1] <= 1036);
	/* Afterwards it is as before, and the others never slipped. */
	assert_int_equal(errors(20, 1040, 1500, 0), 0);
	assert_int_equal(errors(19, 40, 1500, 0), 0);
	assert_int_equal(errors(21, 40, 1500, 0), 0);
	rig_close(&rig);
}

static void build_a_does_not(void **state)
{
	const struct evl_inject in = los(LINE_1, 20 * MS, 5 * MS);

	(void)state;
	rig_open(&rig, "A", 1, (const char *const[]){P, SLIP("1", "100 ms"), NULL});
	rig_take(&rig, 0, 8 * 500, 64, &in);
	assert_int_equal(errors(20, 40, 500, 0), 0);
	rig_close(&rig);
}

/* The same bits at the same instants bring it again: in a unit with another seed, in a later take,
 * however slabs are cut. Other bits do not. */
static void depends_on_traffic(void **state)
{
	const uint32_t bytes = 32 * 8 * 500;
	struct evl_inject in = los(LINE_1, 20 * MS, 5 * MS);
	uint8_t *reference = malloc(bytes);
	uint32_t at[16], n, again[16];

	(void)state;
	OPEN(SLIP("1", "100 ms"));
	rig_take(&rig, 0, 8 * 500, 64, &in);
	memcpy(reference, rig.out[20], bytes);
	n = moves(40, at, 16);
	assert_in_range(n, 2, 10);
	/* Once it went back. */
	in.at_ns = 10000 * MS + 20 * MS;
	rig_take(&rig, 10000 * MS, 8 * 500, 8, &in);
	assert_memory_equal(rig.out[20] + 8192, reference + 8192, bytes - 8192);
	/* Other traffic. */
	rig.shape = shifted;
	shift = 3;
	in.at_ns = 20000 * MS + 20 * MS;
	rig_take(&rig, 20000 * MS, 8 * 500, 64, &in);
	n = moves(40, again, 16);
	assert_true(n < 2 || memcmp(at, again, 2 * sizeof(at[0])) != 0);
	rig_close(&rig);
	rig_open(&rig, "B", 77, (const char *const[]){P, SLIP("1", "100 ms"), NULL});
	in.at_ns = 20 * MS;
	rig_take(&rig, 0, 8 * 500, 256, &in);
	assert_memory_equal(rig.out[20] + 8192, reference + 8192, bytes - 8192);
	rig_close(&rig);
	free(reference);
}

/* Half of the switches wake it: of 40 independent ones 9 to 31 (binomial, each tail 3e-4). */
static void ratio(void **state)
{
	uint32_t awake = 0;

	(void)state;
	OPEN(SLIP("1/2", "20 ms"));
	rig.shape = shifted;
	for (uint32_t i = 0; i < 40; i++) {
		const uint64_t start = i * 4000 * MS;
		const struct evl_inject in = los(LINE_1, start + 20 * MS, 5 * MS);
		uint32_t at[16];

		shift = i;
		rig_take(&rig, start, 8 * 72, 64, &in);
		awake += moves(34, at, 16) > 0;
	}
	assert_in_range(awake, 9, 31);
	rig_close(&rig);
}

static void refused(void **state)
{
	static const struct {
		const char *options[6];
		const char *words;
	} table[] = {
		{{"protection=1+1"}, "protection.architecture"},
		{{"protection.operation=revertive"}, "protection.architecture is missing"},
		{{"protection.architecture=1:1"}, "1+1, the only architecture"},
		{{P, "protection.operation=maybe"}, "'revertive' or 'non-revertive'"},
		{{P, "protection.wait_to_restore=5 s"}, "unless protection.operation"},
		{{P, "protection.operation=revertive", "protection.wait_to_restore=721 s"},
			"'0 s' to '720 s'"},
		{{P, "protection.switch_time=2 s"}, "'0 ms' to '1 s'"},
		{{P, "protection.hold_off=1 s"}, "protection.hold_off"},
		{{P, "lines=1"}, "leave it out"},
		{{P, "mapping.line-2=AU-4/TU-11/T1"}, "both lines carry the same"},
		{{P, "clock.line_ppm=3"}, "clock.line_ppm"},
		{{P, "sent.line-2.K1=11"}, "K1 and K2"},
		{{P, B0 "kind=errors", B0 "tributary=64", B0 "ratio=1e-3"}, "from 1 to 63"},
		{{B0 "kind=switch-slip", B0 "tributary=1", B0 "bits=8", B0 "ratio=1",
			 B0 "every=1 s"},
			"needs the option protection"},
		{{P, B0 "kind=switch-slip", B0 "tributary=1", B0 "bits=-8", B0 "ratio=1",
			 B0 "every=1 s"},
			"above 0"},
		{{P, B0 "kind=switch-slip", B0 "tributary=1", B0 "bits=8", B0 "ratio=1",
			 B0 "every=2 ms"},
			"4 ms to 1000 s"},
	};

	(void)state;
	for (uint32_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		const char *options[7] = {NULL};

		memcpy(options, table[i].options, sizeof(table[i].options));
		assert_int_equal(rig_try(&rig, "B", 1, options), EVL_ADAPTER_E_OPTION);
		if (strstr(rig.err.text, table[i].words) == NULL) {
			fail_msg("%u: %s", i, rig.err.text);
		}
		assert_null(rig.self);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(both_lines_carry_the_same),
		cmocka_unit_test(switches_and_returns),
		cmocka_unit_test(stays),
		cmocka_unit_test(both_fail),
		cmocka_unit_test(slow),
		cmocka_unit_test(traces_fail_too),
		cmocka_unit_test(slips_after_a_switch),
		cmocka_unit_test(build_a_does_not),
		cmocka_unit_test(depends_on_traffic),
		cmocka_unit_test(ratio),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
