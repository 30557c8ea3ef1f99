/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Takes over a loopback whose delay is known: expected values follow from ITU-T G.704 2.3 (256 bits
 * in 125 us) and from what the mock was told to do, not from the engine.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include "core/recording/reader.h"
#include "rig.h"

static const uint64_t never = UINT64_MAX;

static void own_patterns_at_the_known_delay(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 5", 1);
	rig_patterns(&rig, 8, 8000);
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->frames, 8000);
	assert_int_equal(r->meter_count, 8);
	assert_int_equal(r->start_ns, EVL_TAKE_LEAD_IN * EVL_FRAME_NS);
	for (uint32_t i = 0; i < 8; i++) {
		const struct evl_take_meter *m = &r->meters[i];
		assert_int_equal(m->channel, i);
		assert_int_equal(m->arrival, EVL_ARRIVAL_OWN);
		assert_int_equal(m->delay_bits, 5 * 256);
		assert_int_equal(m->errors, 0);
		assert_int_equal(m->errored_seconds, 0);
		/* 15 bits of register and 64 of confirmation find the pattern; a few idle ones
		 * before it may by chance continue it backwards. */
		assert_in_range(m->bits, 8000 * 256 - 5 * 256 - 200, 8000 * 256 - 5 * 256 - 63);
	}
	assert_int_equal(
		evl_engine_now(rig.engine), (8000 + EVL_TAKE_LEAD_IN) * (uint64_t)EVL_FRAME_NS);
	evl_take_result_destroy(r);
	/* The next take starts on the 8 ms grid. */
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->start_ns % (EVL_TAKE_SLAB_FRAMES * EVL_FRAME_NS), 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

/* Two channels whose expectations are exchanged look crossed to the engine. */
static void crossed_channels_are_named(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 8, 1600);
	struct evl_take_content keep = rig.parts[2].expected;
	rig.parts[2].expected = rig.parts[6].expected;
	rig.parts[6].expected = keep;
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->meters[2].arrival, EVL_ARRIVAL_CROSSED);
	assert_int_equal(r->meters[2].from_channel, 6);
	assert_int_equal(r->meters[6].from_channel, 2);
	assert_int_equal(r->meters[0].arrival, EVL_ARRIVAL_OWN);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void records_and_replays_the_same_bits(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 3", 1);
	rig_patterns(&rig, 8, 800);
	char path[64];
	snprintf(path, sizeof path, "/tmp/evl-take-%ld.pcapng", (long)getpid());
	unlink(path);
	rig.plan.record_path = path;
	for (int i = 0; i < 8; i++) {
		rig.parts[i].record_sent = rig.parts[i].record_received = true;
	}
	struct evl_take_result *first = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &first, &err), EVL_OK);
	assert_int_equal(strlen(first->recordings[0].sha256), 64);

	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	assert_true(evl_rec_is_finished(rec));
	assert_int_equal(evl_rec_channel_count(rec), 16);
	/* What was sent is the pattern of ITU-T O.150 5.3 made apart from the engine. */
	uint8_t sent[256];
	uint8_t pattern[256];
	struct evl_prbs g;
	uint32_t c;
	assert_true(evl_rec_find(rec, "trib-4.sent", &c));
	assert_int_equal(evl_rec_read(rec, c, 0, sent, sizeof sent, &err), EVL_OK);
	evl_prbs_init(&g, EVL_PRBS15, rig.parts[3].played.phase);
	evl_prbs_fill(&g, pattern, sizeof pattern);
	assert_memory_equal(sent, pattern, sizeof sent);
	/* And what was received is that, three frames of 32 bytes later. */
	assert_true(evl_rec_find(rec, "trib-4.received", &c));
	assert_int_equal(evl_rec_read(rec, c, 3 * 256, sent, sizeof sent, &err), EVL_OK);
	assert_memory_equal(sent, pattern, sizeof sent);

	for (uint32_t i = 0; i < 8; i++) {
		char name[32];
		struct evl_take_content *both[] = {&rig.parts[i].played, &rig.parts[i].expected};
		for (int k = 0; k < 2; k++) {
			snprintf(name, sizeof name, "trib-%u.%s", i + 1, k ? "received" : "sent");
			*both[k] = (struct evl_take_content){
				.kind = EVL_CONTENT_RECORDING, .reader = rec};
			assert_true(evl_rec_find(rec, name, &both[k]->reader_channel));
		}
		rig.parts[i].record_sent = rig.parts[i].record_received = false;
	}
	rig.plan.record_path = NULL;
	struct evl_take_result *again = NULL;
	assert_int_equal(rig_take(&rig, never, NULL, &again, &err), EVL_OK);
	assert_int_equal(again->stream_count, 16);
	for (uint32_t i = 0; i < 16; i++) {
		assert_string_equal(again->streams[i].digest, first->streams[i].digest);
		assert_string_equal(again->streams[i].digest, again->streams[i].recorded_digest);
	}
	for (uint32_t i = 0; i < 8; i++) {
		assert_int_equal(again->meters[i].errors, 0);
		assert_int_equal(again->meters[i].bits, 832 * 256); /* 800 rounded up to slabs */
	}
	evl_take_result_destroy(again);

	/* Expecting more than the recording holds is refused before anything moves. */
	rig.plan.frames = 8000;
	assert_int_equal(rig_take(&rig, never, NULL, &again, &err), EVL_E_INVALID);
	assert_null(again);
	assert_non_null(strstr(err.text, "trib-1.sent"));
	evl_rec_close(rec);
	evl_take_result_destroy(first);
	unlink(path);
	rig_down(&rig);
}

static void differing_bits_are_located(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 800);
	char path[64];
	snprintf(path, sizeof path, "/tmp/evl-take-%ld.pcapng", (long)getpid());
	unlink(path);
	rig.plan.record_path = path;
	rig.parts[0].record_sent = rig.parts[0].record_received = true;
	rig.parts[1].record_sent = rig.parts[1].record_received = true;
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	evl_take_result_destroy(r);
	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	/* Each plays the other's recording: both return foreign bits, and each names the other. */
	for (uint32_t i = 0; i < 2; i++) {
		rig.parts[i].played = rig.parts[i].expected =
			(struct evl_take_content){.kind = EVL_CONTENT_RECORDING, .reader = rec};
		assert_true(evl_rec_find(rec, i ? "trib-1.sent" : "trib-2.sent",
			&rig.parts[i].played.reader_channel));
		assert_true(evl_rec_find(rec, i ? "trib-2.received" : "trib-1.received",
			&rig.parts[i].expected.reader_channel));
		rig.parts[i].record_sent = rig.parts[i].record_received = false;
	}
	rig.plan.record_path = NULL;
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	for (uint32_t i = 0; i < 2; i++) {
		assert_int_equal(r->meters[i].arrival, EVL_ARRIVAL_CROSSED);
		assert_int_equal(r->meters[i].from_channel, 1 - i);
		/* Two phases of a maximal-length sequence differ in half of the bits. */
		assert_in_range(r->meters[i].errors, 832 * 256 / 2 - 2000, 832 * 256 / 2 + 2000);
	}
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(path);
	rig_down(&rig);
}

static void injected_errors_and_alarms_arrive_in_time(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 7);
	rig_patterns(&rig, 3, 16000);
	struct evl_take_injection inject[] = {
		{.channel = 1,
			.kind = EVL_INJECT_ERRORS,
			.numerator = 1,
			.denominator = 1000,
			.at_ns = 1000000000,
			.lasting_ns = 500000000},
		{.channel = 2,
			.kind = EVL_INJECT_ALARM,
			.alarm = EVL_ALARM_AIS,
			.at_ns = 200000000,
			.lasting_ns = 100000000},
	};
	rig.plan.injections = inject;
	rig.plan.injection_count = 2;
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->meters[0].errors, 0);
	/* One error in each 1000 bits of half a second: 1024000 bits. */
	assert_in_range(r->meters[1].errors, 1023, 1024);
	assert_int_equal(r->meters[1].errored_seconds, 1);
	assert_true(r->meters[1].first_error_bit >= 2048000);
	assert_true(r->meters[1].first_error_bit < 2048000 + 1000);
	assert_int_equal(r->event_count, 2);
	assert_int_equal(r->events[0].alarm, EVL_ALARM_AIS);
	assert_true(r->events[0].raised && r->events[0].by_unit);
	assert_int_equal(r->events[0].channel, 2);
	assert_int_equal(r->events[0].at_ns, 200000000);
	assert_false(r->events[1].raised);
	assert_int_equal(r->events[1].at_ns, 300000000);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

struct counted {
	uint64_t seconds, ticks, errors_in_rows;
};

static void on_second(void *ctx, const struct evl_take_second *s)
{
	struct counted *c = ctx;
	c->seconds++;
	c->errors_in_rows += s->errors;
	assert_int_equal(s->second, 1);
	assert_int_equal(s->channel, 1);
}

static void on_tick(void *ctx)
{
	((struct counted *)ctx)->ticks++;
}

static void only_seconds_that_are_not_clean_are_told(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 7);
	rig_patterns(&rig, 3, 24000);
	struct evl_take_injection inject = {.channel = 1,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 100000,
		.at_ns = 1200000000,
		.lasting_ns = 500000000};
	rig.plan.injections = &inject;
	rig.plan.injection_count = 1;
	struct counted c = {0};
	struct evl_take_sink sink = {.ctx = &c, .second = on_second, .tick = on_tick};
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, &sink, &r, &err), EVL_OK);
	assert_int_equal(c.seconds, 1);
	assert_int_equal(c.ticks, 3);
	assert_int_equal(c.errors_in_rows, r->meters[1].errors);
	assert_in_range(c.errors_in_rows, 10, 11);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void a_failing_adapter_leaves_the_engine_usable(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "fail_exchange: 6, fail_take: 1", 1);
	rig_patterns(&rig, 2, 8000);
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_E_ADAPTER);
	assert_non_null(strstr(err.text, "loopback"));
	assert_non_null(r); /* what was measured up to then */
	/* Two exchanges of lead-in and three of the take went well. */
	assert_int_equal(r->frames, 3 * EVL_TAKE_SLAB_FRAMES);
	evl_take_result_destroy(r);
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->meters[0].errors, 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void garbage_from_an_adapter_is_refused(void **state)
{
	(void)state;
	static const char *const kinds[] = {"event-count", "event-channel", "event-alarm", "flags",
		"slab-bytes", "error-text", "error-empty", "error-code", "started",
		"started-unset"};
	for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
		struct rig rig;
		char options[100];
		snprintf(options, sizeof options, "garbage: %s%s", kinds[i],
			strncmp(kinds[i], "error", 5) == 0 ? ", fail_exchange: 4" : "");
		rig_up(&rig, "loopback", options, 1);
		rig_patterns(&rig, 2, 8000);
		struct evl_take_result *r = NULL;
		struct evl_err err = {0};
		assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_E_ADAPTER);
		assert_non_null(strstr(err.text, "loopback"));
		evl_take_result_destroy(r);
		rig_down(&rig);
	}
}

static void gaps_are_counted_and_recorded(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "gap_exchange: 5", 1);
	rig_patterns(&rig, 2, 800);
	char path[64];
	snprintf(path, sizeof path, "/tmp/evl-take-%ld.pcapng", (long)getpid());
	unlink(path);
	rig.plan.record_path = path;
	rig.parts[0].record_received = true;
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->gaps, 1);
	evl_take_result_destroy(r);
	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	assert_true(evl_rec_info(rec, 0)->overruns > 0);
	evl_rec_close(rec);
	unlink(path);
	rig_down(&rig);
}

static void time_limit_and_stop(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 8000);
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	/* 8000 frames and the lead-in need 1.016 s. */
	assert_int_equal(rig_take(&rig, 1015999999, NULL, &r, &err), EVL_E_LIMIT);
	assert_null(r);
	assert_int_equal(rig_take(&rig, 1016000000, NULL, &r, &err), EVL_OK);
	evl_take_result_destroy(r);
	rig.stop = 1;
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_true(r->interrupted);
	assert_int_equal(r->frames, 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

/* The recording cannot grow: the take ends with the disk's error, and the next one runs. */
static void a_full_disk_leaves_the_engine_usable(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 8, 8000);
	char path[64];
	snprintf(path, sizeof path, "/tmp/evl-take-%ld.pcapng", (long)getpid());
	unlink(path);
	rig.plan.record_path = path;
	for (int i = 0; i < 8; i++) {
		rig.parts[i].record_sent = rig.parts[i].record_received = true;
	}
	struct rlimit old;
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
	struct rlimit little = {.rlim_cur = 1000000, .rlim_max = old.rlim_max};
	signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &little), 0);
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	enum evl_status st = rig_take(&rig, never, NULL, &r, &err);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
	assert_int_equal(st, EVL_E_IO);
	assert_non_null(strstr(err.text, path));
	assert_non_null(r);
	evl_take_result_destroy(r);
	struct evl_rec *rec = NULL; /* what fitted is readable */
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	assert_false(evl_rec_is_finished(rec));
	assert_true(evl_rec_info(rec, 0)->bits > 0);
	evl_rec_close(rec);
	unlink(path);
	rig.plan.record_path = NULL;
	for (int i = 0; i < 8; i++) {
		rig.parts[i].record_sent = rig.parts[i].record_received = false;
	}
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_int_equal(r->meters[0].errors, 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void one_channel_twice_is_refused(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 800);
	rig.parts[1].channel = 0;
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_E_CONFLICT);
	assert_non_null(strstr(err.text, "trib 1"));
	/* And the leases are free again. */
	rig.parts[1].channel = 1;
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void real_clock_keeps_real_time(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "realtime", "", 1);
	rig_patterns(&rig, 2, 800);
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	uint64_t before = evl_engine_now(rig.engine);
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	assert_true(evl_engine_now(rig.engine) - before >= (832 + 128) * (uint64_t)EVL_FRAME_NS);
	assert_int_equal(r->meters[0].arrival, EVL_ARRIVAL_OWN);
	assert_int_equal(r->meters[0].errors, 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(own_patterns_at_the_known_delay),
		cmocka_unit_test(crossed_channels_are_named),
		cmocka_unit_test(records_and_replays_the_same_bits),
		cmocka_unit_test(differing_bits_are_located),
		cmocka_unit_test(injected_errors_and_alarms_arrive_in_time),
		cmocka_unit_test(only_seconds_that_are_not_clean_are_told),
		cmocka_unit_test(a_failing_adapter_leaves_the_engine_usable),
		cmocka_unit_test(garbage_from_an_adapter_is_refused),
		cmocka_unit_test(gaps_are_counted_and_recorded),
		cmocka_unit_test(time_limit_and_stop),
		cmocka_unit_test(a_full_disk_leaves_the_engine_usable),
		cmocka_unit_test(one_channel_twice_is_refused),
		cmocka_unit_test(real_clock_keeps_real_time),
	};
	return cmocka_run_group_tests_name("engine.take", tests, NULL, NULL);
}
