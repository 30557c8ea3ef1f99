/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Takes in which channels have clocks of their own, over the loopback and through the simulated
 * multiplexer. Numbers of bits and instants are worked out from ITU-T G.704 (256 bits in 125 us)
 * and the offset; they are not taken from the engine.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/engine/pace.h"
#include "core/measure/phase.h"
#include "core/recording/reader.h"
#include "rig.h"

static const uint64_t never = UINT64_MAX;
static struct evl_err err;

#define OK(call)                                                                                   \
	do {                                                                                       \
		if ((call) < 0) {                                                                  \
			fail_msg("%s", err.text);                                                  \
		}                                                                                  \
	} while (0)

/* ---- pace.h ---- */

struct seen_units {
	uint8_t data[64];
	size_t bytes;
	uint32_t calls;
};

static void keep_units(void *ctx, const uint8_t *data, uint32_t units)
{
	struct seen_units *s = ctx;
	memcpy(s->data + s->bytes, data, units * 5u);
	s->bytes += units * 5u;
	s->calls++;
}

static void cut_carries_the_rest(void **state)
{
	(void)state;
	uint8_t all[43];
	for (unsigned i = 0; i < sizeof all; i++) {
		all[i] = (uint8_t)(i * 37 + 1);
	}
	for (size_t step = 1; step <= sizeof all; step++) {
		struct evl_cut cut;
		struct seen_units seen = {.bytes = 0};
		evl_cut_init(&cut, 5);
		for (size_t at = 0; at < sizeof all; at += step) {
			size_t n = sizeof all - at < step ? sizeof all - at : step;
			evl_cut_feed(&cut, all + at, n, keep_units, &seen);
		}
		assert_int_equal(seen.bytes, 40);
		assert_memory_equal(seen.data, all, 40);
		assert_int_equal(cut.held, 3);
		assert_true(step != sizeof all || seen.calls == 1);
		evl_cut_finish(&cut);
	}
}

static void bytes_frames_and_instants(void **state)
{
	(void)state;
	/* 10 s of E1: 2560000 bytes, 128 of them are 50 ppm; the lead-in of 16 ms adds 0.2048 bytes
	 * of offset, so 0.2048 + 128 = 128.2048 whole ones less 0. */
	assert_int_equal(evl_pace_bytes(EVL_RATE_E1, 50000, 80000), 2560128);
	assert_int_equal(evl_pace_bytes(EVL_RATE_E1, -50000, 80000), 2559872);
	assert_int_equal(evl_pace_bytes(EVL_RATE_T1, 0, 80000), 1930000);
	static const int32_t ppb[] = {0, 50000, -50000, 300000, -300000, 1};
	for (size_t i = 0; i < sizeof ppb / sizeof ppb[0]; i++) {
		for (uint64_t f = 64; f < 300000000; f = f * 3 / 64 * 64 + 64) {
			uint64_t n = evl_pace_bytes(EVL_RATE_E1, ppb[i], f);
			assert_true(evl_pace_frames(EVL_RATE_E1, ppb[i], n) == f);
		}
	}
	/* Half way through 8 ms; before it; at a nominal rate for a day, exactly. */
	assert_int_equal(evl_pace_ns(8200, 16400, 8000000), 4000000);
	assert_int_equal(evl_pace_ns(-1, 16384, 8000000), -489); /* 488.28 before */
	assert_int_equal(evl_pace_ns(3, 256, 125000), 1464);
	assert_true(evl_pace_ns(176947200001, 86400ll * 2048000, 86400000000000) == 86400000000488);
	assert_int_equal(evl_pace_ns(5, 0, 8000000), 0);
}

/* ---- takes over the loopback ---- */

static void off_clocks_come_back(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 5", 1);
	rig_patterns(&rig, 8, 16000);
	static const int32_t ppb[8] = {50000, -50000, 0, 300000, -300000, 1, -1, 50};
	for (int i = 0; i < 8; i++) {
		rig.parts[i].clock_ppb = ppb[i];
	}
	struct evl_take_result *r = NULL;
	OK(rig_take(&rig, never, NULL, &r, &err));
	assert_int_equal(r->frames, 16000);
	for (uint32_t i = 0; i < 8; i++) {
		const struct evl_take_meter *m = &r->meters[i];
		assert_int_equal(m->arrival, EVL_ARRIVAL_OWN);
		assert_int_equal(m->errors, 0);
		assert_int_equal(m->slips, 0);
		/* 2 s: 512000 bytes and the offset, to a byte. */
		double ideal = 512000 * (1 + ppb[i] * 1e-9);
		assert_true((double)m->stream_bits / 8 > ideal - 1.001);
		assert_true((double)m->stream_bits / 8 < ideal + 1.001);
		assert_int_equal(r->streams[i * 2].bits, m->stream_bits);
		assert_int_equal(r->streams[i * 2].clock_ppb, ppb[i]);
		assert_int_equal(r->streams[i * 2 + 1].clock_ppb, 0);
	}
	evl_take_result_destroy(r);
	rig_down(&rig);
}

/* The unit gives back at a clock that is not the one it is given. */
static void another_clock_comes_back(void **state)
{
	(void)state;
	static const char *const options[] = {
		"delay_frames: 50, clock_ppb: 50000", "delay_frames: 50, clock_ppb: -50000"};
	for (int k = 0; k < 2; k++) {
		struct rig rig;
		rig_up(&rig, "loopback", options[k], 1);
		rig_patterns(&rig, 8, 80000);
		struct evl_take_result *r = NULL;
		OK(rig_take(&rig, never, NULL, &r, &err));
		for (uint32_t i = 0; i < 8; i++) {
			assert_int_equal(r->meters[i].errors, 0);
			assert_int_equal(r->meters[i].sync_losses, 0);
			assert_int_equal(r->meters[i].stream_bits, k ? 2559872 * 8 : 2560128 * 8);
			assert_int_equal(r->streams[2 * i].bits, 2560000 * 8);
		}
		evl_take_result_destroy(r);
		rig_down(&rig);
	}
}

struct events {
	int64_t at_ns[16];
	uint32_t count;
};

static void on_event(void *ctx, const struct evl_take_event *e)
{
	struct events *s = ctx;
	if (!e->by_unit && e->alarm == EVL_ALARM_LOS && s->count < 16) {
		s->at_ns[s->count++] = e->at_ns;
	}
}

/* Seconds and instants are those of the bench, whatever the clock of the channel. The mock puts
 * zeros in for whole frames of bench time; LOS needs 255 of them (G.775), 124.5 us, of which the
 * pattern may have had up to 14. */
static void instants_are_bench_time(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "clock_ppb: 300000, delay_frames: 200", 1);
	rig_patterns(&rig, 8, 80000);
	struct evl_take_injection los = {
		.channel = 1,
			.kind = EVL_INJECT_ALARM,
			.alarm = EVL_ALARM_LOS,
			.at_ns = 9500000000,
			.lasting_ns = 100000000};
	rig.plan.injections = &los;
	rig.plan.injection_count = 1;
	rig.parts[1].watch = true;
	struct events seen = {.count = 0};
	struct evl_take_sink sink = {.ctx = &seen, .event = on_event};
	struct evl_take_result *r = NULL;
	OK(rig_take(&rig, never, &sink, &r, &err));
	/* By the bits alone it would seem 9.5 s * 300 ppm = 2.85 ms later. */
	assert_int_equal(seen.count, 2);
	assert_in_range(seen.at_ns[0], 9500000000 + 117000, 9500000000 + 126000);
	assert_in_range(seen.at_ns[1], 9600000000 + 117000, 9600000000 + 700000);
	const struct evl_take_meter *m = &r->meters[1];
	assert_true(m->errors > 0);
	/* Positions of errors count bits; evl_take_bit_ns turns them into instants, to a byte. */
	assert_in_range(
		evl_take_bit_ns(r, m, m->first_error_bit), 9500000000 - 4000, 9500000000 + 20000);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void fixed_clocks_are_refused(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "fixed_clock: yes", 1);
	rig_patterns(&rig, 8, 800);
	struct evl_take_result *r = NULL;
	rig.parts[4].clock_ppb = 20000;
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_E_INVALID);
	assert_null(r);
	assert_non_null(strstr(err.text, "take 1: clock: "));
	assert_non_null(strstr(err.text, "has a fixed clock, so it cannot play +20.000 ppm off"));
	rig_down(&rig);
}

static void record_and_replay(void **state)
{
	(void)state;
	struct rig rig;
	char path[64];
	snprintf(path, sizeof path, "/tmp/evl-clock-%ld.pcapng", (long)getpid());
	unlink(path);
	rig_up(&rig, "loopback", "delay_frames: 3", 1);
	rig_patterns(&rig, 8, 16000);
	rig.plan.record_path = path;
	for (int i = 0; i < 8; i++) {
		rig.parts[i].clock_ppb = i * 20000 + 50123;
		rig.parts[i].record_sent = rig.parts[i].record_received = true;
	}
	struct evl_take_result *first = NULL, *again = NULL;
	OK(rig_take(&rig, never, NULL, &first, &err));
	struct evl_rec *rec = NULL;
	OK(evl_rec_open(&rec, path, &err));
	for (uint32_t i = 0; i < 8; i++) {
		char name[32];
		uint32_t c;
		snprintf(name, sizeof name, "trib-%u.sent", i + 1);
		assert_true(evl_rec_find(rec, name, &c));
		assert_int_equal(evl_rec_info(rec, c)->channel.clock_ppb, (int)i * 20000 + 50123);
		assert_int_equal(evl_rec_info(rec, c)->gaps, 0);
		assert_int_equal(evl_take_recorded_frames(rec, c), 16000);
		rig.parts[i].played = (struct evl_take_content){
			.kind = EVL_CONTENT_RECORDING, .reader = rec, .reader_channel = c};
		snprintf(name, sizeof name, "trib-%u.received", i + 1);
		assert_true(evl_rec_find(rec, name, &c));
		assert_int_equal(evl_rec_info(rec, c)->channel.clock_ppb, 0);
		assert_int_equal(evl_take_recorded_frames(rec, c), 16000);
		rig.parts[i].expected = (struct evl_take_content){
			.kind = EVL_CONTENT_RECORDING, .reader = rec, .reader_channel = c};
		rig.parts[i].record_sent = rig.parts[i].record_received = false;
		rig.parts[i].clock_ppb = 0; /* the recording has it */
	}
	rig.plan.record_path = NULL;
	OK(rig_take(&rig, never, NULL, &again, &err));
	for (uint32_t i = 0; i < 16; i++) {
		assert_string_equal(again->streams[i].digest, first->streams[i].digest);
		assert_string_equal(again->streams[i].digest, again->streams[i].recorded_digest);
		assert_int_equal(again->streams[i].clock_ppb, first->streams[i].clock_ppb);
	}
	for (uint32_t i = 0; i < 8; i++) {
		assert_int_equal(again->meters[i].errors, 0);
		assert_int_equal(again->meters[i].bits, first->meters[i].stream_bits);
	}
	evl_take_result_destroy(first);
	evl_take_result_destroy(again);
	evl_rec_close(rec);
	rig_down(&rig);

	/* A unit that gives back by another clock brings fewer bits; those are compared. (None of
	 * these clocks makes a byte of difference in the 16 ms of the lead-in.) */
	OK(evl_rec_open(&rec, path, &err));
	rig_up(&rig, "loopback", "delay_frames: 3, clock_ppb: -40000", 1);
	rig_patterns(&rig, 8, 16000);
	for (uint32_t i = 0; i < 8; i++) {
		struct evl_take_content *both[] = {&rig.parts[i].played, &rig.parts[i].expected};
		for (int k = 0; k < 2; k++) {
			char name[32];
			snprintf(name, sizeof name, "trib-%u.%s", i + 1, k ? "received" : "sent");
			*both[k] = (struct evl_take_content){
				.kind = EVL_CONTENT_RECORDING, .reader = rec};
			assert_true(evl_rec_find(rec, name, &both[k]->reader_channel));
		}
	}
	OK(rig_take(&rig, never, NULL, &again, &err));
	for (uint32_t i = 0; i < 8; i++) {
		uint64_t nominal = (uint64_t)(512000 * (1 + ((int)i * 20000 + 10123) * 1e-9));
		assert_in_range(again->meters[i].bits / 8, nominal - 1, nominal + 1);
		assert_int_equal(again->meters[i].errors, 0);
	}
	evl_take_result_destroy(again);
	evl_rec_close(rec);
	unlink(path);
	rig_down(&rig);
}

/* ---- through the multiplexer ---- */

struct mux {
	struct evl_bench *bench;
	struct evl_loaded *loaded;
	struct evl_instance *in;
	struct evl_binding *binding;
	struct evl_engine *engine;
	struct evl_take_part parts[64];
	struct evl_take_inside inside;
	struct evl_take_follow follow[63];
	struct evl_take_plan plan;
};

static void mux_up(struct mux *x, const char *clock)
{
	memset(x, 0, sizeof *x);
	char yaml[1024], dir[512];
	snprintf(yaml, sizeof yaml,
		"bench: b\ntitle: b\nnumbering: column-order\nadapters:\n  mux:\n"
		"    driver: simmux\n    options: {line: looped%s}\nroles:\n"
		"  trib: {adapter: mux, channels: 'trib-{1..63}', numbers: 1..63}\n"
		"  line: {adapter: mux, channels: [line]}\n",
		clock);
	snprintf(dir, sizeof dir, "%s/adapters", getenv("EVL_BUILD_ROOT"));
	const char *dirs[] = {dir};
	OK(evl_bench_parse(&x->bench, "b.yaml", yaml, strlen(yaml), &err));
	OK(evl_loader_load(&x->loaded, dirs, 1, "simmux", &err));
	struct evl_instance_args args = evl_instance_args_of(x->bench, 0, "", 1, true);
	OK(evl_instance_open(&x->in, x->loaded, &args, &err));
	struct evl_bound_port ports[80];
	size_t n = evl_instance_ports(x->in, 0, ports, 80);
	struct evl_need needs[] = {
		{.role = "trib", .rate = EVL_RATE_E1, .count = 63, .play = true, .capture = true},
		{.role = "line", .rate = EVL_RATE_STM1, .count = 1, .capture = true}};
	OK(evl_bind(&x->binding, NULL, x->bench, needs, 2, ports, n, &err));
	struct evl_engine_args e = {.instances = &x->in,
		.instance_count = 1,
		.binding = x->binding,
		.is_virtual = true};
	OK(evl_engine_create(&x->engine, &e, &err));
	uint32_t phases[63];
	const struct evl_pattern pattern = evl_pattern_prbs(EVL_PRBS15);
	OK(evl_phase_assign(phases, 63, &pattern, 1, &err));
	x->inside = (struct evl_take_inside){
		.part = 63,
		.pattern = pattern,
		.identity = EVL_IDENTITY_PHASE,
		.count = 63,
		.follow = x->follow};
	for (uint32_t i = 0; i < 63; i++) {
		struct evl_take_content c = {.kind = EVL_CONTENT_PATTERN,
			.pattern = pattern,
			.identity = EVL_IDENTITY_PHASE,
			.phase = phases[i]};
		x->parts[i] = (struct evl_take_part){.channel = i,
			.play = true,
			.played = c,
			.expected = c,
			.capture = true,
			.watch = true};
		x->follow[i].channel = i;
		uint32_t client = 0;
		assert_true(evl_bound_client(&client, evl_engine_channel(x->engine, 63)->map,
			evl_engine_channel(x->engine, i)));
		x->follow[i].client = client;
		x->follow[i].phase = phases[i];
	}
	x->parts[63] = (struct evl_take_part){.channel = 63, .capture = true, .watch = true};
	x->plan = (struct evl_take_plan){.holder = "h",
		.name = "t",
		.frames = 16000,
		.parts = x->parts,
		.part_count = 64,
		.inside = &x->inside,
		.inside_count = 1};
}

static void mux_down(struct mux *x)
{
	evl_engine_destroy(x->engine);
	evl_binding_destroy(x->binding);
	evl_instance_close(x->in);
	evl_loader_unload(x->loaded);
	evl_bench_destroy(x->bench);
}

static struct evl_take_result *mux_clean(struct mux *x)
{
	struct evl_take_result *r = NULL;
	x->plan.begin_ns = evl_engine_next_begin(x->engine);
	OK(evl_engine_take(x->engine, &x->plan, never, NULL, &r, &err));
	assert_int_equal(r->meter_count, 126); /* received, and inside the line */
	for (uint32_t i = 0; i < r->meter_count; i++) {
		assert_int_equal(r->meters[i].errors, 0);
		assert_int_equal(r->meters[i].sync_losses, 0);
		assert_int_equal(r->meters[i].arrival, EVL_ARRIVAL_OWN);
	}
	assert_int_equal(r->event_count, 0);
	return r;
}

/* Every second tributary 50 ppm fast, the others as slow: no error, each at its own place, in the
 * line and out of it; also in the takes that follow at once, with other clocks and with none. */
static void multiplexer_carries_clocks(void **state)
{
	(void)state;
	struct mux x;
	mux_up(&x, "");
	for (int take = 0; take < 3; take++) {
		for (int i = 0; i < 63; i++) {
			x.parts[i].clock_ppb = take == 2 ? 0 : (i + take) % 2 ? -50000 : 50000;
		}
		struct evl_take_result *r = mux_clean(&x);
		for (uint32_t i = 0; i < 63 && take == 0; i++) {
			/* 204.8 bits in 2 s, of which the store keeps at most 52. */
			int64_t off = (int64_t)r->meters[i].stream_bits - 2 * 2048000;
			assert_in_range(i % 2 ? -off : off, 140, 208);
		}
		evl_take_result_destroy(r);
	}
	mux_down(&x);
}

/* A line whose clock differs from that of what it carries: pointers move, no bit is lost. The
 * moves themselves are counted in tests/adapters/test_clock.c. */
static void multiplexer_moves_pointers(void **state)
{
	(void)state;
	struct mux x;
	mux_up(&x, ", clock: {vc4_ppm: -4.6, tributaries: {7: 20, 8: -20}}");
	x.parts[6].clock_ppb = 50000;
	evl_take_result_destroy(mux_clean(&x));
	mux_down(&x);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(cut_carries_the_rest),
		cmocka_unit_test(bytes_frames_and_instants),
		cmocka_unit_test(off_clocks_come_back),
		cmocka_unit_test(another_clock_comes_back),
		cmocka_unit_test(instants_are_bench_time),
		cmocka_unit_test(fixed_clocks_are_refused),
		cmocka_unit_test(record_and_replay),
		cmocka_unit_test(multiplexer_carries_clocks),
		cmocka_unit_test(multiplexer_moves_pointers),
	};
	return cmocka_run_group_tests_name("engine.clock", tests, NULL, NULL);
}
