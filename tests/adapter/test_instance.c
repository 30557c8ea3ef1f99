/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The guard around adapters: order of calls, garbage from an adapter, wording. The mock `loopback`
 * keeps its contract unless an option tells it to break one rule. Expectations are the rules of
 * core/adapter/adapter.h; bit errors are counted here, by comparing bytes.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <cmocka.h>

#include "core/adapter/instance.h"
#include "core/base/rate.h"

static struct evl_loaded *loopback, *realtime;

static int group_setup(void **state)
{
	(void)state;
	static char mocks[1024];
	const char *root = getenv("EVL_BUILD_ROOT");
	snprintf(mocks, sizeof mocks, "%s/tests/adapter", root ? root : ".");
	const char *dirs[] = {mocks};
	struct evl_err err = {0};
	if (evl_loader_load(&loopback, dirs, 1, "loopback", &err) < 0 ||
		evl_loader_load(&realtime, dirs, 1, "realtime", &err) < 0) {
		print_error("%s\n", err.text);
		return -1;
	}
	return 0;
}

static int group_teardown(void **state)
{
	(void)state;
	evl_loader_unload(loopback);
	evl_loader_unload(realtime);
	return 0;
}

/* Opens with the options "path=value", ... ; lines are 20, 21, ... */
static enum evl_status open_with(struct evl_instance **out, const struct evl_loaded *adapter,
	bool virtual_time, struct evl_err *err, ...)
{
	static char store[8][2][128];
	struct evl_bench_option options[8];
	size_t n = 0;
	va_list ap;
	va_start(ap, err);
	for (const char *o; (o = va_arg(ap, const char *)) != NULL; n++) {
		size_t eq = strcspn(o, "=");
		snprintf(store[n][0], 128, "%.*s", (int)eq, o);
		snprintf(store[n][1], 128, "%s", o + eq + 1);
		options[n] = (struct evl_bench_option){store[n][0], store[n][1], 20 + (uint32_t)n};
	}
	va_end(ap);
	struct evl_instance_args args = {.name = "mux",
		.bench_path = "lab.yaml",
		.options = options,
		.option_count = n,
		.line = 7,
		.build = "A",
		.seed = 1,
		.virtual_time = virtual_time};
	return evl_instance_open(out, adapter, &args, err);
}

#define OPEN(...)                                                                                  \
	do {                                                                                       \
		if (open_with(&in, loopback, true, &err, __VA_ARGS__) < 0) {                       \
			fail_msg("%s", err.text);                                                  \
		}                                                                                  \
	} while (0)
#define OK(call)                                                                                   \
	do {                                                                                       \
		if ((call) < 0) {                                                                  \
			fail_msg("%s", err.text);                                                  \
		}                                                                                  \
	} while (0)
#define FAILS(call, wanted, says)                                                                  \
	do {                                                                                       \
		assert_int_equal((call), (wanted));                                                \
		assert_int_equal(err.status, (wanted));                                            \
		if (strstr(err.text, (says)) == NULL) {                                            \
			fail_msg("wanted \"%s\" in: %s", (says), err.text);                        \
		}                                                                                  \
	} while (0)

#define FRAMES 8u
#define BYTES  256u /* E1: 8 frames of 32 bytes */

static uint8_t tx[BYTES + EVL_SLAB_SLACK], rx[BYTES + EVL_SLAB_SLACK];

static struct evl_slab slab(void)
{
	return (struct evl_slab){.channel = 0, .tx = tx, .rx = rx};
}

static const struct evl_arm one = {.channel = 0, .play = true, .capture = true};

static void begin(struct evl_instance *in, uint64_t at_ns)
{
	struct evl_err err = {0};
	uint64_t started[1];
	OK(evl_instance_arm(in, &one, 1, FRAMES, &err));
	OK(evl_instance_start(in, at_ns, started, &err));
}

static void test_open(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("e1_channels=3", "t1_channels=2", NULL);
	assert_string_equal(evl_instance_name(in), "mux");
	assert_string_equal(evl_instance_adapter(in)->name, "loopback");
	assert_int_equal(evl_instance_state(in), EVL_INSTANCE_STOPPED);
	uint32_t count;
	const struct evl_channel_info *c = evl_instance_channels(in, &count);
	assert_int_equal(count, 6);
	assert_string_equal(c[0].name, "e1-1");
	assert_string_equal(c[3].name, "line");
	assert_int_equal(c[3].rate, EVL_ABI_RATE_STM1);
	assert_string_equal(c[5].name, "t1-2");
	struct evl_bound_port ports[6];
	assert_int_equal(evl_instance_ports(in, 4, ports, 2), 6);
	assert_int_equal(evl_instance_ports(in, 4, ports, 6), 6);
	assert_int_equal(ports[3].adapter, 4);
	assert_int_equal(ports[3].channel, 3);
	assert_int_equal(ports[3].rate, EVL_RATE_STM1);
	assert_int_equal(ports[3].abilities, EVL_ABLE_PLAY | EVL_ABLE_CAPTURE | EVL_ABLE_ALARMS |
						     EVL_ABLE_INJECT | EVL_ABLE_CLOCK);
	assert_string_equal(ports[3].name, "line");
	evl_instance_close(in);
	evl_instance_close(NULL);
}

static void test_open_refused(void **state)
{
	(void)state;
	struct evl_instance *in = (struct evl_instance *)1;
	struct evl_err err = {0};
	FAILS(open_with(&in, loopback, true, &err, "idle=1", "delay_frames=9999", NULL),
		EVL_E_INVALID,
		"lab.yaml:21: adapter loopback (instance mux): open failed: option delay_frames: "
		"\"9999\" is not 0..8000");
	assert_null(in);
	FAILS(open_with(&in, loopback, true, &err, "idle=1", "faults[0].kind=x", NULL),
		EVL_E_INVALID,
		"lab.yaml:21: adapter loopback (instance mux): open failed: option "
		"faults[0].kind is unknown");
	/* The text names no option that was given: the line of the instance. */
	FAILS(open_with(&in, loopback, true, &err, "e1_channels=0", "idle=3", NULL), EVL_E_INVALID,
		"lab.yaml:20: ");
	FAILS(open_with(&in, loopback, true, &err, "fail_open=the rack is locked", NULL),
		EVL_E_INVALID,
		"lab.yaml:7: adapter loopback (instance mux): open failed: the rack "
		"is locked");
	/* Only part of a word, or of a path. */
	FAILS(open_with(&in, loopback, true, &err, "idle=3", "fail_open=idle_x, a.idle, idle.b",
		      NULL),
		EVL_E_INVALID, "lab.yaml:7: ");
	/* The list that an option is in. */
	FAILS(open_with(&in, loopback, true, &err, "fail_open=nothing in faults[1].",
		      "faults[0].a=1", "faults[1].b=2", NULL),
		EVL_E_INVALID, "lab.yaml:22: ");
	FAILS(open_with(&in, realtime, true, &err, NULL), EVL_E_INVALID,
		"adapter realtime (instance mux): open refused: this adapter runs in real time "
		"only");
	assert_null(in);
	assert_int_equal(open_with(&in, realtime, true, NULL, NULL), EVL_E_INVALID);
}

static void test_option_in_list(void **state)
{
	(void)state;
	/* fail_open comes last, so the mock has complained about nothing before; the parent path in
	 * its text finds the first option below it. */
	struct evl_bench_option options[] = {{"idle", "1", 30},
		{"fail_open", "delay_frames.x bad", 31}, {"delay_frames.x.y", "1", 32}};
	struct evl_instance_args args = {.name = "mux",
		.bench_path = "lab.yaml",
		.options = options,
		.option_count = 3,
		.line = 7,
		.build = "A"};
	struct evl_instance *in;
	struct evl_err err = {0};
	FAILS(evl_instance_open(&in, loopback, &args, &err), EVL_E_INVALID, "lab.yaml:32: ");
	args.bench_path = NULL;
	assert_int_equal(evl_instance_open(&in, loopback, &args, &err), EVL_E_ADAPTER);
	assert_memory_equal(err.text, "adapter loopback", 16);
}

static void test_bad_channels(void **state)
{
	(void)state;
	static const char *const rows[][2] = {
		{"garbage=name-open", "channel 0 (\"aaaaaaaa"},
		{"garbage=name-chars", "other than letters"},
		{"garbage=name-twice", "its name comes twice"},
		{"garbage=rate", "its rate is not known"},
		{"garbage=abilities", "declares an ability that this ABI does not have"},
		{"garbage=count", "it has 4294967295 channels"},
		{"garbage=no-self", "reported success but gave no instance"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_instance *in;
		struct evl_err err = {0};
		FAILS(open_with(&in, loopback, true, &err, rows[i][0], NULL), EVL_E_ADAPTER,
			rows[i][1]);
		assert_null(in);
		assert_non_null(strstr(err.text, "adapter loopback (instance mux): "));
		assert_non_null(strstr(err.text, "broke the driver ABI: "));
	}
}

static void test_order(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	uint64_t started[2];
	struct evl_slab s = slab();
	OPEN("e1_channels=1", NULL);
	FAILS(evl_instance_start(in, 0, started, &err), EVL_E_INVALID,
		"start refused: the instance is stopped, it must be armed");
	FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_INVALID, "must be started");
	OK(evl_instance_stop(in, &err));
	OK(evl_instance_arm(in, &one, 1, FRAMES, &err));
	FAILS(evl_instance_arm(in, &one, 1, FRAMES, &err), EVL_E_INVALID, "must be stopped");
	FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_INVALID, "must be started");
	/* A take that never starts is undone by stop. */
	OK(evl_instance_stop(in, &err));
	begin(in, 0);
	FAILS(evl_instance_start(in, 0, started, &err), EVL_E_INVALID, "must be armed");
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	assert_int_equal(evl_instance_frames(in), FRAMES);
	OK(evl_instance_stop(in, &err));
	OK(evl_instance_stop(in, &err));
	/* The clock does not run backwards. */
	OK(evl_instance_arm(in, &one, 1, FRAMES, &err));
	FAILS(evl_instance_start(in, FRAMES * EVL_FRAME_NS - 1, started, &err), EVL_E_INVALID,
		"before the end of the last take");
	OK(evl_instance_start(in, FRAMES * EVL_FRAME_NS, started, &err));
	assert_int_equal(evl_instance_frames(in), 0);
	/* Close in the middle of a take is fine. */
	evl_instance_close(in);
}

static void test_arguments(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("e1_channels=1", NULL);
	struct evl_arm two[] = {one, one};
	FAILS(evl_instance_arm(in, two, 2, 8, &err), EVL_E_INVALID, "channel e1-1 comes twice");
	FAILS(evl_instance_arm(in, two, 0, 8, &err), EVL_E_INVALID, "0 channels");
	FAILS(evl_instance_arm(in, two, 3, 8, &err), EVL_E_INVALID,
		"3 channels; the adapter has 2");
	FAILS(evl_instance_arm(in, two, 1, 12, &err), EVL_E_INVALID, "multiple of 8");
	FAILS(evl_instance_arm(in, two, 1, 0, &err), EVL_E_INVALID, "multiple of 8");
	FAILS(evl_instance_arm(in, two, 1, 1u << 30, &err), EVL_E_INVALID, "at most 80000");
	two[0].channel = 2;
	FAILS(evl_instance_arm(in, two, 1, 8, &err), EVL_E_INVALID, "there is no channel 2");
	two[0] = (struct evl_arm){.channel = 1};
	FAILS(evl_instance_arm(in, two, 1, 8, &err), EVL_E_INVALID, "neither play nor capture");
	assert_int_equal(evl_instance_state(in), EVL_INSTANCE_STOPPED);
	begin(in, 0);
	struct evl_slab s = slab();
	FAILS(evl_instance_exchange(in, 16, &s, 1, &err), EVL_E_INVALID, "at most the 8");
	FAILS(evl_instance_exchange(in, 4, &s, 1, &err), EVL_E_INVALID, "multiple of 8");
	FAILS(evl_instance_exchange(in, 8, &s, 2, &err), EVL_E_INVALID, "2 slabs; 1 channels");
	s.rx = NULL;
	FAILS(evl_instance_exchange(in, 8, &s, 1, &err), EVL_E_INVALID, "not as channel e1-1 was");
	s = slab();
	s.channel = 1;
	FAILS(evl_instance_exchange(in, 8, &s, 1, &err), EVL_E_INVALID, "not as channel e1-1 was");
	/* The adapter was not reached: the take goes on. */
	s = slab();
	OK(evl_instance_exchange(in, 8, &s, 1, &err));
	struct evl_inject what = {.kind = EVL_INJECT_ALARM,
		.channel = 0,
		.alarm = EVL_ABI_LOS,
		.at_ns = 1000000,
		.duration_ns = 1};
	struct evl_inject w = what;
	w.channel = 9;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "there is no channel 9");
	w = what, w.alarm = 0;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "channel e1-1: 0 is no alarm");
	w = what, w.kind = 7;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "there is no kind 7");
	w = what, w.kind = EVL_INJECT_ERRORS;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "0 / 0 is no error ratio");
	w = what, w.duration_ns = 0;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "more than 0 ns");
	w = what, w.duration_ns = UINT64_MAX;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "and end");
	w = what, w.at_ns = 999999;
	FAILS(evl_instance_inject(in, &w, &err), EVL_E_INVALID, "999999 ns is past");
	OK(evl_instance_inject(in, &what, &err));
	struct evl_event e[2];
	uint32_t count;
	FAILS(evl_instance_poll(in, e, 0, &count, &err), EVL_E_INVALID, "room for 0 events");
	evl_instance_close(in);
}

static void test_garbage_in_take(void **state)
{
	(void)state;
	static const char *const rows[][2] = {
		{"garbage=flags", "unknown flags 0xDEADBEEF on the slab of e1-1"},
		{"garbage=slab-pointer", "changed the field rx of the slab of e1-1"},
		{"garbage=slab-bytes", "changed the field tx_bytes"},
		{"garbage=rx-bytes", "captured 321 bytes on e1-1 where 320 have room"},
		{"garbage=slab-channel", "changed the field channel"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_instance *in;
		struct evl_err err = {0};
		OPEN(rows[i][0], NULL);
		begin(in, 0);
		struct evl_slab s = slab();
		FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_ADAPTER, rows[i][1]);
		assert_non_null(strstr(err.text, "exchange broke the driver ABI"));
		/* What the host had put there is there again. */
		assert_ptr_equal(s.rx, rx);
		assert_int_equal(s.tx_bytes, BYTES);
		assert_int_equal(s.channel, 0);
		assert_int_equal(evl_instance_state(in), EVL_INSTANCE_FAILED);
		FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_INVALID,
			"the instance is failed");
		OK(evl_instance_stop(in, &err));
		assert_int_equal(evl_instance_state(in), EVL_INSTANCE_STOPPED);
		begin(in, 0);
		evl_instance_close(in);
	}
	static const char *const starts[][2] = {{"garbage=started", "more than 1 s from"},
		{"garbage=started-unset", "did not say when channel e1-1"}};
	for (size_t i = 0; i < 2; i++) {
		struct evl_instance *in;
		struct evl_err err = {0};
		uint64_t started[1];
		OPEN(starts[i][0], NULL);
		OK(evl_instance_arm(in, &one, 1, FRAMES, &err));
		FAILS(evl_instance_start(in, 0, started, &err), EVL_E_ADAPTER, starts[i][1]);
		OK(evl_instance_stop(in, &err));
		evl_instance_close(in);
	}
}

static void test_garbage_events(void **state)
{
	(void)state;
	static const char *const rows[][2] = {
		{"garbage=event-count", "reports 5 events where 4 have room"},
		{"garbage=event-channel", "on a channel that does not exist"},
		{"garbage=event-alarm", "its alarm is not in the ABI"},
		{"garbage=event-time", "its time has not come yet"},
		{"garbage=event-order", "older than the one before"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_instance *in;
		struct evl_err err = {0};
		OPEN(rows[i][0], NULL);
		begin(in, 1000);
		struct evl_event e[4];
		uint32_t count = 77;
		FAILS(evl_instance_poll(in, e, 4, &count, &err), EVL_E_ADAPTER, rows[i][1]);
		assert_int_equal(count, 0);
		evl_instance_close(in);
	}
}

static void test_failures(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	uint64_t started[1];
	struct evl_slab s = slab();
	OPEN("fail_exchange=2", "fail_take=1", NULL);
	begin(in, 0);
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_ADAPTER,
		"adapter loopback (instance mux): exchange failed: the loop was cut as planned");
	OK(evl_instance_stop(in, &err));
	begin(in, 2000000); /* the next take goes through */
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	evl_instance_close(in);

	OPEN("fail_arm=yes", NULL);
	FAILS(evl_instance_arm(in, &one, 1, FRAMES, &err), EVL_E_ADAPTER,
		"arm failed: arm refused as");
	FAILS(evl_instance_arm(in, &one, 1, FRAMES, &err), EVL_E_INVALID,
		"failed, it must be stopped");
	OK(evl_instance_stop(in, &err));
	evl_instance_close(in);

	OPEN("fail_start=yes", NULL);
	OK(evl_instance_arm(in, &one, 1, FRAMES, &err));
	FAILS(evl_instance_start(in, 0, started, &err), EVL_E_ADAPTER,
		"start failed: start refused as");
	OK(evl_instance_stop(in, &err));
	evl_instance_close(in);

	static const char *const rows[][2] = {
		{"garbage=error-text", "xxx (the text has no end)"},
		{"garbage=error-empty", "exchange failed: the equipment failed"},
		{"garbage=error-code",
			"exchange broke the driver ABI: it returned 77, which is no code; its "
			"text: none"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		OPEN(rows[i][0], "fail_exchange=1", NULL);
		begin(in, 0);
		FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_ADAPTER, rows[i][1]);
		evl_instance_close(in);
	}
	OPEN("gap_exchange=1", NULL);
	begin(in, 0);
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	assert_int_equal(s.flags, EVL_SLAB_GAP);
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	assert_int_equal(s.flags, 0);
	evl_instance_close(in);
}

/* The mock itself, as other rooms lean on it: delay, alarms, errors. */
static void test_loop(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("delay_frames=3", "idle=170", "skew_ns=100", NULL);
	struct evl_arm arms[] = {{.channel = 0, .play = true, .capture = true},
		{.channel = 8, .capture = true}, {.channel = 1, .play = true}};
	uint64_t started[3];
	OK(evl_instance_arm(in, arms, 3, 16, &err));
	OK(evl_instance_start(in, 5000, started, &err));
	assert_int_equal(started[2], 5200);
	static uint8_t sent[4][512], got[4][512], line[16 * 2430];
	for (unsigned k = 0; k < 4; k++) {
		for (unsigned i = 0; i < 512; i++) {
			sent[k][i] = (uint8_t)(k * 64 + i * 7);
		}
		struct evl_slab s[] = {{.channel = 0, .tx = sent[k], .rx = got[k]},
			{.channel = 8, .rx = line}, {.channel = 1, .tx = sent[k]}};
		OK(evl_instance_exchange(in, 16, s, 3, &err));
		assert_int_equal(s[1].tx_bytes, 0);
		assert_int_equal(s[1].rx_bytes, 16 * 2430);
		assert_int_equal(line[16 * 2430 - 1], 170);
	}
	/* 3 frames of E1 are 96 bytes. */
	const uint8_t *out = &got[0][0], *back = &sent[0][0];
	for (unsigned i = 0; i < 96; i++) {
		assert_int_equal(out[i], 170);
	}
	assert_memory_equal(out + 96, back, 4 * 512 - 96);
	evl_instance_close(in);
}

/* Whole bytes after N nominal ones: worked by hand from N * (1 + ppb / 1e9), rounded down. */
static void test_clock_bytes(void **state)
{
	(void)state;
	static const struct {
		uint64_t nominal;
		int32_t ppb;
		uint64_t bytes;
	} rows[] = {
		{0, 50000, 0},
		{256000, 50000, 256012},                   /* 1 s of E1: 12.8 more */
		{256000, -50000, 255987},                  /* 12.8 fewer: 255987.2 */
		{19440000, 4600, 19440089},                /* 1 s of STM-1, 4.6 ppm: 89.424 */
		{1, -1, 0},                                /* 0.999999999 */
		{1000000000, 1, 1000000001},               /* exactly one more */
		{1000000000, -300000, 999700000},          /* exactly 300 ppm fewer */
		{613059840000000, 50000, 613090492992000}, /* a year of STM-1 */
		{613059840000000, -300000, 612875922048000},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_true(evl_clock_bytes(rows[i].nominal, rows[i].ppb) == rows[i].bytes);
	}
	/* 64 frames of STM-1: 155520 bytes, 300 ppm of them are 46.656. */
	assert_int_equal(evl_slab_room(155520), 155520 + 46 + 64);
}

/* Two E1 that are 50 ppm off in either direction: 2048000 * 50e-6 / 8 = 12.8 bytes a second. */
static void test_clock(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("e1_channels=2", "delay_frames=3", NULL);
	struct evl_arm arms[] = {{.channel = 0, .play = true, .capture = true, .clock_ppb = 50000},
		{.channel = 1, .play = true, .clock_ppb = -50000}};
	uint64_t started[2];
	OK(evl_instance_arm(in, arms, 2, 800, &err));
	OK(evl_instance_start(in, 0, started, &err));
	static uint8_t a[26000], b[26000], got[26000];
	uint64_t sent = 0, slow = 0, back = 0;
	for (unsigned k = 0; k < 100; k++) { /* 10 s */
		uint32_t n = evl_instance_tx_bytes(in, 0, 800);
		for (uint32_t i = 0; i < n; i++) {
			a[i] = (uint8_t)((sent + i) * 151);
		}
		assert_int_equal(evl_instance_rx_room(in, 0, 800), 25600 + 7 + 64);
		assert_int_equal(evl_instance_rx_room(in, 1, 800), 0);
		struct evl_slab s[] = {{.channel = 0, .tx = a, .rx = got}, {.channel = 1, .tx = b}};
		OK(evl_instance_exchange(in, 800, s, 2, &err));
		assert_int_equal(s[0].tx_bytes, n);
		assert_int_equal(s[1].rx_bytes, 0);
		for (uint32_t i = back < 96 ? 96 - (uint32_t)back : 0; i < s[0].rx_bytes; i++) {
			assert_int_equal(got[i], (uint8_t)((back + i - 96) * 151));
		}
		sent += n;
		slow += s[1].tx_bytes;
		back += s[0].rx_bytes;
	}
	assert_int_equal(sent, 2560128);
	assert_int_equal(back, 2560128);
	assert_int_equal(slow, 2559872);
	evl_instance_close(in);
}

static void test_clock_refused(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("e1_channels=2", NULL);
	struct evl_arm arm = {.channel = 0, .capture = true, .clock_ppb = 1};
	FAILS(evl_instance_arm(in, &arm, 1, 8, &err), EVL_E_INVALID, "it is not to be played");
	arm.play = true;
	arm.clock_ppb = 300001;
	FAILS(evl_instance_arm(in, &arm, 1, 8, &err), EVL_E_INVALID, "-300000 to 300000");
	evl_instance_close(in);
	OPEN("e1_channels=2", "fixed_clock=yes", NULL);
	arm.clock_ppb = 1;
	FAILS(evl_instance_arm(in, &arm, 1, 8, &err), EVL_E_INVALID,
		"channel e1-1: its clock is fixed");
	evl_instance_close(in);
	/* 40 bytes too many each time are within the room, but not for long. */
	OPEN("garbage=rx-drift", NULL);
	begin(in, 0);
	struct evl_slab s = slab();
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	assert_int_equal(s.rx_bytes, BYTES + 40);
	FAILS(evl_instance_exchange(in, FRAMES, &s, 1, &err), EVL_E_ADAPTER,
		"e1-1 is 80 bytes ahead of nominal after 16 frames; 300 ppm and 64 bytes");
	evl_instance_close(in);
}

static void test_injections(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OPEN("e1_channels=2", NULL);
	OK(evl_instance_arm(in, &one, 1, 80, &err));
	uint64_t started[1];
	OK(evl_instance_start(in, 0, started, &err));
	/* One error in each 1000 bits of 80 frames: 20480 bits, so 20 or 21. LOS on frames 90..99.
	 */
	struct evl_inject errors = {.kind = EVL_INJECT_ERRORS,
		.channel = 0,
		.numerator = 1,
		.denominator = 1000,
		.at_ns = 0,
		.duration_ns = 80 * EVL_FRAME_NS};
	struct evl_inject los = {.kind = EVL_INJECT_ALARM,
		.channel = 0,
		.alarm = EVL_ABI_LOS,
		.at_ns = 90 * EVL_FRAME_NS,
		.duration_ns = 10 * EVL_FRAME_NS};
	OK(evl_instance_inject(in, &errors, &err));
	OK(evl_instance_inject(in, &los, &err));
	static uint8_t zeros[2560], ones[2560], got[2560];
	memset(ones, 0xFF, sizeof ones);
	unsigned count = 0;
	for (unsigned k = 0; k < 10; k++) { /* 10 slabs of 8 frames */
		struct evl_slab s = {.channel = 0, .tx = zeros, .rx = got};
		OK(evl_instance_exchange(in, 8, &s, 1, &err));
		for (unsigned i = 0; i < 256; i++) {
			for (unsigned b = got[i]; b; b &= b - 1) {
				count++;
			}
		}
	}
	assert_in_range(count, 20, 21);
	struct evl_slab s = {.channel = 0, .tx = ones, .rx = got};
	OK(evl_instance_exchange(in, 80, &s, 1, &err));
	for (unsigned i = 0; i < 2560; i++) {
		assert_int_equal(got[i], i >= 320 && i < 640 ? 0 : 0xFF);
	}
	struct evl_event e[4];
	uint32_t n;
	OK(evl_instance_poll(in, e, 4, &n, &err));
	assert_int_equal(n, 2);
	assert_int_equal(e[0].alarm, EVL_ABI_LOS);
	assert_true(e[0].raised);
	assert_int_equal(e[0].at_ns, 90 * EVL_FRAME_NS);
	assert_false(e[1].raised);
	assert_int_equal(e[1].at_ns, 100 * EVL_FRAME_NS);
	OK(evl_instance_poll(in, e, 4, &n, &err));
	assert_int_equal(n, 0);
	evl_instance_close(in);
}

static void test_real_time(void **state)
{
	(void)state;
	struct evl_instance *in;
	struct evl_err err = {0};
	OK(open_with(&in, realtime, false, &err, NULL));
	struct timespec a, b;
	clock_gettime(CLOCK_MONOTONIC, &a);
	uint64_t now = (uint64_t)a.tv_sec * 1000000000u + (uint64_t)a.tv_nsec;
	begin(in, now + 1000000);
	struct evl_slab s = slab();
	for (unsigned i = 0; i < 5; i++) {
		OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	}
	clock_gettime(CLOCK_MONOTONIC, &b);
	uint64_t end = (uint64_t)b.tv_sec * 1000000000u + (uint64_t)b.tv_nsec;
	assert_true(end - now >= 1000000 + 5 * FRAMES * EVL_FRAME_NS);
	struct evl_inject los = {.kind = EVL_INJECT_ALARM,
		.channel = 0,
		.alarm = EVL_ABI_LOS,
		.at_ns = now,
		.duration_ns = 1};
	OK(evl_instance_inject(in, &los, &err));
	OK(evl_instance_exchange(in, FRAMES, &s, 1, &err));
	struct evl_event e[4];
	uint32_t n;
	OK(evl_instance_poll(in, e, 4, &n, &err));
	assert_int_equal(n, 2);
	evl_instance_close(in);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_open),
		cmocka_unit_test(test_open_refused),
		cmocka_unit_test(test_option_in_list),
		cmocka_unit_test(test_bad_channels),
		cmocka_unit_test(test_order),
		cmocka_unit_test(test_arguments),
		cmocka_unit_test(test_garbage_in_take),
		cmocka_unit_test(test_garbage_events),
		cmocka_unit_test(test_failures),
		cmocka_unit_test(test_loop),
		cmocka_unit_test(test_clock_bytes),
		cmocka_unit_test(test_clock),
		cmocka_unit_test(test_clock_refused),
		cmocka_unit_test(test_injections),
		cmocka_unit_test(test_real_time),
	};
	return cmocka_run_group_tests_name("adapter.instance", tests, group_setup, group_teardown);
}
