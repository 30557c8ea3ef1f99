/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Frames, other rates and root causes over a loopback: delays and counts follow from ITU-T G.704
 * (256 and 193 bits in 125 us, CRC-4 over 8 frames) and from what the mock was told to do; which
 * defect explains which from the order of ITU-T G.783 (from memory, docs/transport.md).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/engine/engine.h"
#include "core/measure/phase.h"

#define OK(call) assert_int_equal((call), EVL_OK)
#define MS       1000000

static const uint64_t never = UINT64_MAX;

struct lab {
	struct evl_bench *bench;
	struct evl_loaded *loaded;
	struct evl_instance *in;
	struct evl_binding *binding;
	struct evl_engine *engine;
	struct evl_take_part parts[13];
	struct evl_take_plan plan;
	struct evl_err err;
};

/* Channels 0..7: trib, E1; 8..11: t1; 12: line. */
static void up(struct lab *l, const char *options)
{
	char yaml[1024], dir[512];
	memset(l, 0, sizeof *l);
	snprintf(yaml, sizeof yaml,
		"bench: b\nnumbering: column-order\nadapters:\n  loop:\n    driver: loopback\n"
		"    options: {t1_channels: 4%s}\nroles:\n"
		"  trib: {adapter: loop, channels: 'e1-{1..8}'}\n"
		"  t1: {adapter: loop, channels: 't1-{1..4}', numbering: none}\n"
		"  line: {adapter: loop, channels: [line]}\n",
		options);
	snprintf(dir, sizeof dir, "%s/tests/adapter", getenv("EVL_BUILD_ROOT"));
	const char *dirs[] = {dir};
	OK(evl_bench_parse(&l->bench, "b.yaml", yaml, strlen(yaml), &l->err));
	OK(evl_loader_load(&l->loaded, dirs, 1, "loopback", &l->err));
	struct evl_instance_args args = evl_instance_args_of(l->bench, 0, "A", 1, true);
	OK(evl_instance_open(&l->in, l->loaded, &args, &l->err));
	struct evl_bound_port ports[32];
	size_t n = evl_instance_ports(l->in, 0, ports, 32);
	struct evl_need needs[] = {{.role = "trib", .rate = EVL_RATE_E1, .count = 8},
		{.role = "t1", .rate = EVL_RATE_T1, .count = 4},
		{.role = "line", .rate = EVL_RATE_STM1}};
	OK(evl_bind(&l->binding, NULL, l->bench, needs, 3, ports, n, &l->err));
	struct evl_engine_args e = {.instances = &l->in,
		.instance_count = 1,
		.binding = l->binding,
		.is_virtual = true};
	OK(evl_engine_create(&l->engine, &e, &l->err));
	for (uint32_t i = 0; i < 13; i++) {
		l->parts[i] = (struct evl_take_part){.channel = i};
	}
	l->plan = (struct evl_take_plan){
		.holder = "h", .name = "t", .frames = 8000, .parts = l->parts, .part_count = 12};
}

static void down(struct lab *l)
{
	evl_engine_destroy(l->engine);
	evl_binding_destroy(l->binding);
	evl_instance_close(l->in);
	evl_loader_unload(l->loaded);
	evl_bench_destroy(l->bench);
}

static struct evl_take_result *take(struct lab *l)
{
	struct evl_take_result *r = NULL;
	l->plan.begin_ns = evl_engine_next_begin(l->engine);
	enum evl_status st = evl_engine_take(l->engine, &l->plan, never, NULL, &r, &l->err);
	if (st < 0) {
		fail_msg("%s", l->err.text);
	}
	return r;
}

/* Every channel plays and expects its own phase of 2^15-1. */
static void patterns(struct lab *l)
{
	const struct evl_pattern pattern = evl_pattern_prbs(EVL_PRBS15);
	uint32_t phases[12];
	OK(evl_phase_assign(phases, 12, &pattern, 1, &l->err));
	for (uint32_t i = 0; i < 12; i++) {
		const struct evl_take_content c = {.kind = EVL_CONTENT_PATTERN,
			.pattern = pattern,
			.identity = EVL_IDENTITY_PHASE,
			.phase = phases[i]};
		l->parts[i] = (struct evl_take_part){.channel = i,
			.play = true,
			.played = c,
			.expected = c,
			.capture = true,
			.watch = true};
	}
}

/* 8 frames are 2048 bits of an E1 and 1544 of a T1: each rate has its own common delay. */
static void rates_have_delays_of_their_own(void **state)
{
	(void)state;
	struct lab l;
	up(&l, ", delay_frames: 8");
	patterns(&l);
	struct evl_take_result *r = take(&l);
	assert_int_equal(r->meter_count, 12);
	for (uint32_t i = 0; i < 12; i++) {
		assert_int_equal(r->meters[i].arrival, EVL_ARRIVAL_OWN);
		assert_int_equal(r->meters[i].delay_bits, i < 8 ? 2048 : 1544);
		assert_int_equal(r->meters[i].errors, 0);
	}
	assert_int_equal(r->event_count, 0);
	evl_take_result_destroy(r);
	down(&l);
}

static void frame_all(struct lab *l, const char *e1, const char *e1_slots, const char *t1)
{
	for (uint32_t i = 0; i < 12; i++) {
		const enum evl_rate rate = i < 8 ? EVL_RATE_E1 : EVL_RATE_T1;
		struct evl_take_content *both[] = {&l->parts[i].played, &l->parts[i].expected};
		for (int k = 0; k < 2; k++) {
			struct evl_take_content *c = both[k];
			OK(evl_framing_parse(&c->framing, rate, i < 8 ? e1 : t1, &l->err));
			if (i < 8 && e1_slots != NULL) {
				OK(evl_timeslots_parse(&c->slots, rate, e1_slots, &l->err));
			} else {
				OK(evl_timeslots_init(&c->slots, rate,
					evl_framing_payload(&c->framing), &l->err));
			}
		}
	}
}

/* N x 64 kbit/s in frames: no defect, no error, and the delay is that of the loop: 8 frames of N
 * bytes; what the receiver of frames holds back comes later but moves no bit. */
static void patterns_ride_in_frames(void **state)
{
	(void)state;
	static const struct {
		const char *e1, *slots, *t1;
		uint32_t e1_bits;
	} rows[] = {{"FAS", NULL, "SF", 31 * 8}, {"CRC-4", "1-15,17-31", "ESF", 30 * 8},
		{"CRC-4 CAS", NULL, "ESF", 30 * 8}, {"FAS CAS", "5", "SF", 8}};
	for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
		struct lab l;
		up(&l, ", delay_frames: 8");
		patterns(&l);
		frame_all(&l, rows[k].e1, rows[k].slots, rows[k].t1);
		struct evl_take_result *r = take(&l);
		for (uint32_t i = 0; i < 12; i++) {
			const struct evl_take_meter *m = &r->meters[i];
			const uint32_t bits = i < 8 ? rows[k].e1_bits : 24 * 8;
			assert_int_equal(m->errors, 0);
			assert_int_equal(m->frame_bits, bits);
			assert_int_equal(m->arrival, EVL_ARRIVAL_OWN);
			/* 1 s without the delay, what is held back (93 frames of a T1) and the
			 * search. */
			assert_in_range(m->bits, (uint64_t)(8000 - 8 - 140) * bits - 300,
				(uint64_t)8000 * bits);
		}
		assert_int_equal(r->event_count, 0);
		assert_int_equal(r->framed_count, 12);
		for (uint32_t i = 0; i < 12; i++) {
			assert_int_equal(r->framed[i].channel, i);
			assert_int_equal(r->framed[i].crc_errors, 0);
			assert_int_equal(r->framed[i].e_bits, 0);
			assert_int_equal(r->framed[i].losses, 0);
			assert_in_range(r->framed[i].frames, 7900, 8128);
		}
		evl_take_result_destroy(r);
		down(&l);
	}
}

/* One error in each 100 000 bits for 500 ms: at most 11 sub-multiframes of 2048 bits, and at least
 * 9, as no two of the errors lie in one (ITU-T G.704 2.3.3; the CRC finds each single error). */
static void crc_errors_are_counted(void **state)
{
	(void)state;
	struct lab l;
	up(&l, "");
	patterns(&l);
	frame_all(&l, "CRC-4", NULL, "ESF");
	const struct evl_take_injection inject = {.channel = 1,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 100000,
		.at_ns = 100 * MS,
		.lasting_ns = 500 * MS};
	l.plan.injections = &inject;
	l.plan.injection_count = 1;
	struct evl_take_result *r = take(&l);
	assert_in_range(r->framed[1].crc_errors, 9, 11);
	assert_int_equal(r->framed[1].errored_seconds, 1);
	assert_int_equal(r->framed[1].worst_second, 0);
	assert_int_equal(r->framed[1].worst_errors, r->framed[1].crc_errors);
	assert_in_range(r->framed[1].crc_blocks, 990, 1016); /* 1000 a second, and the lead-in */
	assert_int_equal(r->framed[2].crc_errors, 0);
	assert_in_range(r->meters[1].errors, 9, 11);
	evl_take_result_destroy(r);
	down(&l);
}

static const struct evl_take_event *find(
	const struct evl_take_result *r, uint32_t channel, enum evl_alarm alarm, bool by_unit)
{
	for (uint32_t i = 0; i < r->event_count; i++) {
		const struct evl_take_event *e = &r->events[i];
		if (e->channel == channel && e->alarm == alarm && e->by_unit == by_unit &&
			e->raised) {
			return e;
		}
	}
	return NULL;
}

/* AIS into an E1 that should be framed: AIS after two periods of 512 bits (G.775 5.2), LOF after 3
 * bad words (G.706 4.1.1) as its consequence; T1: zeros are LOS (T1.231). */
static void framed_channels_are_watched(void **state)
{
	(void)state;
	struct lab l;
	up(&l, "");
	patterns(&l);
	frame_all(&l, "CRC-4", NULL, "ESF");
	const struct evl_take_injection inject[] = {{.channel = 1,
							    .kind = EVL_INJECT_ALARM,
							    .alarm = EVL_ALARM_AIS,
							    .at_ns = 200 * MS,
							    .lasting_ns = 100 * MS},
		{.channel = 9,
			.kind = EVL_INJECT_ALARM,
			.alarm = EVL_ALARM_LOS,
			.at_ns = 200 * MS,
			.lasting_ns = 100 * MS}};
	l.plan.injections = inject;
	l.plan.injection_count = 2;
	struct evl_take_result *r = take(&l);
	const struct evl_take_event *ais = find(r, 1, EVL_ALARM_AIS, false);
	const struct evl_take_event *lof = find(r, 1, EVL_ALARM_LOF, false);
	const struct evl_take_event *los = find(r, 9, EVL_ALARM_LOS, false);
	assert_non_null(ais);
	assert_non_null(lof);
	assert_non_null(los);
	assert_in_range(ais->at_ns, 200 * MS + 500000, 200 * MS + 750000);
	assert_in_range(lof->at_ns, 200 * MS + 500000, 200 * MS + 1000000);
	assert_int_equal(ais->cause, EVL_ALARM_NONE);
	assert_int_equal(lof->cause, EVL_ALARM_AIS);
	assert_int_equal(lof->cause_channel, 1);
	assert_in_range(los->at_ns, 200 * MS + 100000, 200 * MS + 130000); /* 175 of 1544 kbit/s */
	assert_int_equal(los->cause, EVL_ALARM_NONE);
	assert_non_null(find(r, 9, EVL_ALARM_OOF, false));
	assert_int_equal(find(r, 9, EVL_ALARM_OOF, false)->cause, EVL_ALARM_LOS);
	assert_null(find(r, 2, EVL_ALARM_LOF, false));
	for (uint32_t i = 1; i < r->event_count; i++) {
		assert_true(r->events[i - 1].at_ns <= r->events[i].at_ns);
	}
	evl_take_result_destroy(r);
	down(&l);
}

/* Frames through a network of 10 ms: RAI and LOF go in at their instant and arrive 10 ms later.
 * RAI of an E1 is the A bit (G.704 2.3.2), seen after 2 to 5 NFAS; C bits are made for the frames
 * as they are, so no CRC error. LOF: 3 bad FAS, 750 us (G.706 4.1.1). T1: RAI in ESF
 * 1111111100000000 on the link, in SF bit 2 of every timeslot (T1.403, from memory); no F bits are
 * OOF (2 of 4 or so are wrong, G.706 2.1.1 from memory), and CRC errors go with LOF. */
static void frames_carry_alarms_through_a_network(void **state)
{
	(void)state;
	static const char *const t1_framing[] = {"ESF", "SF"};
	static const struct evl_network_event events[] = {{.kind = EVL_NETWORK_ALARM,
								  .at_ns = 100 * MS,
								  .lasting_ns = 400 * MS,
								  .alarm = EVL_ALARM_RAI},
		{.kind = EVL_NETWORK_ALARM,
			.at_ns = 600 * MS,
			.lasting_ns = 100 * MS,
			.alarm = EVL_ALARM_LOF}};
	const struct evl_network_plan rai = {
		.delay_frames = 80, .events = events, .event_count = 1};
	const struct evl_network_plan lof = {
		.delay_frames = 80, .events = events + 1, .event_count = 1};
	for (int k = 0; k < 2; k++) {
		struct lab l;
		up(&l, "");
		patterns(&l);
		frame_all(&l, "CRC-4", NULL, t1_framing[k]);
		for (uint32_t i = 0; i < 12; i++) {
			l.parts[i].network = i % 2 == 0 ? &rai : &lof;
		}
		struct evl_take_result *r = take(&l);
		assert_int_equal(r->framed_count, 12);
		for (uint32_t i = 0; i < 12; i++) {
			const bool e1 = i < 8;
			const enum evl_alarm alarm = i % 2 == 0 ? EVL_ALARM_RAI
						     : e1       ? EVL_ALARM_LOF
								: EVL_ALARM_OOF;
			const int64_t begin = (i % 2 == 0 ? 110 : 610) * MS;
			const int64_t end = (i % 2 == 0 ? 510 : 710) * MS;
			const struct evl_take_event *on = find(r, i, alarm, false), *off = NULL;
			assert_non_null(on);
			for (uint32_t n = 0; n < r->event_count; n++) {
				const struct evl_take_event *e = &r->events[n];
				if (e->channel != i) {
					continue;
				}
				/* Without FAS a receiver of an E1 takes 2^15-1 for it again and
				 * again. */
				assert_true(e->alarm == alarm || alarm == EVL_ALARM_LOF);
				assert_true(off == NULL || alarm == EVL_ALARM_LOF);
				off = e->alarm == alarm && !e->raised ? e : off;
			}
			assert_non_null(off);
			/* Messages of ESF take 4 ms each, ten of them; SF: 335 ms (T1.403). */
			const int64_t slow = e1 ? 2 * MS : k == 0 ? 60 * MS : 336 * MS;
			assert_in_range(on->at_ns, begin, begin + slow);
			assert_in_range(off->at_ns, end, end + slow);
			assert_int_equal(r->framed[i].losses > 0, i % 2 != 0);
			assert_true(i % 2 != 0 || r->framed[i].crc_errors == 0);
			if (i % 2 == 0) {
				assert_int_equal(r->meters[i].arrival, EVL_ARRIVAL_OWN);
				/* RAI of SF takes a bit of every octet. */
				assert_int_equal(r->meters[i].errors > 0, !e1 && k == 1);
				/* 80 frames of 31 or 24 bytes, modulo 32767 bits */
				assert_int_equal(r->meters[i].delay_bits, 80 * 8 * (e1 ? 31 : 24));
			}
		}
		evl_take_result_destroy(r);
		down(&l);
	}
}

/* The unit reports, by the mock, what it is told to; the order of G.783 says what explains what. */
static void causes_are_found(void **state)
{
	(void)state;
	static const struct {
		uint32_t channel;
		enum evl_alarm alarm;
		uint32_t at_ms, for_ms;
		enum evl_alarm cause;
		uint32_t cause_channel;
	} rows[] = {
		/* A line goes down: all that is inside follows, also 3 ms before LOF is declared.
		 */
		{12, EVL_ALARM_AU_AIS, 100, 100, EVL_ALARM_LOF, 12},
		{0, EVL_ALARM_TU_AIS, 102, 100, EVL_ALARM_LOF, 12},
		{12, EVL_ALARM_LOF, 103, 97, EVL_ALARM_NONE, 0},
		{1, EVL_ALARM_AIS, 104, 100, EVL_ALARM_LOF, 12},
		/* A channel without a place in the line is not touched by it. */
		{8, EVL_ALARM_AIS, 110, 50, EVL_ALARM_NONE, 0},
		/* A loss at a tributary's own input has nothing to do with the line. */
		{2, EVL_ALARM_LOS, 120, 50, EVL_ALARM_NONE, 0},
		/* Alone, each is a root, and explains what is below it on its own channel only. */
		{3, EVL_ALARM_TU_LOP, 400, 100, EVL_ALARM_NONE, 0},
		{3, EVL_ALARM_LP_RDI, 402, 100, EVL_ALARM_TU_LOP, 3},
		{4, EVL_ALARM_AIS, 402, 100, EVL_ALARM_NONE, 0},
		/* Remote indications answer each other downwards. */
		{12, EVL_ALARM_MS_RDI, 700, 50, EVL_ALARM_NONE, 0},
		{12, EVL_ALARM_HP_RDI, 701, 50, EVL_ALARM_MS_RDI, 12},
		{5, EVL_ALARM_LP_RDI, 702, 50, EVL_ALARM_MS_RDI, 12},
		{12, EVL_ALARM_HP_LOM, 720, 20, EVL_ALARM_NONE, 0},
		/* Long after the end it is a defect of its own. */
		{0, EVL_ALARM_TU_LOP, 900, 50, EVL_ALARM_NONE, 0},
	};
	enum { N = sizeof rows / sizeof rows[0] };
	struct lab l;
	struct evl_take_injection inject[N];
	up(&l, "");
	patterns(&l);
	for (uint32_t i = 0; i < 12; i++) {
		l.parts[i].watch = false;
	}
	l.parts[12] = (struct evl_take_part){.channel = 12, .capture = true};
	l.plan.part_count = 13;
	for (uint32_t i = 0; i < N; i++) {
		inject[i] = (struct evl_take_injection){.channel = rows[i].channel,
			.kind = EVL_INJECT_ALARM,
			.alarm = rows[i].alarm,
			.at_ns = (uint64_t)rows[i].at_ms * MS,
			.lasting_ns = (uint64_t)rows[i].for_ms * MS};
	}
	l.plan.injections = inject;
	l.plan.injection_count = N;
	struct evl_take_result *r = take(&l);
	assert_int_equal(r->event_count, 2 * N);
	for (uint32_t i = 0; i < N; i++) {
		uint32_t seen = 0;
		for (uint32_t k = 0; k < r->event_count; k++) {
			const struct evl_take_event *e = &r->events[k];
			const int64_t at =
				(int64_t)(rows[i].at_ms + (e->raised ? 0 : rows[i].for_ms)) * MS;
			if (e->channel != rows[i].channel || e->alarm != rows[i].alarm ||
				e->at_ns != at) {
				continue;
			}
			seen++;
			if (e->cause != rows[i].cause ||
				(e->cause != EVL_ALARM_NONE &&
					e->cause_channel != rows[i].cause_channel)) {
				fail_msg("row %u: cause %s of channel %u", i,
					evl_alarm_name(e->cause), e->cause_channel);
			}
		}
		assert_int_equal(seen, 2); /* a clear has what its raise has */
	}
	evl_take_result_destroy(r);
	down(&l);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(rates_have_delays_of_their_own),
		cmocka_unit_test(patterns_ride_in_frames),
		cmocka_unit_test(crc_errors_are_counted),
		cmocka_unit_test(framed_channels_are_watched),
		cmocka_unit_test(frames_carry_alarms_through_a_network),
		cmocka_unit_test(causes_are_found),
	};
	return cmocka_run_group_tests_name("engine.framed", tests, NULL, NULL);
}
