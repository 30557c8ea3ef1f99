/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The conformance kit judged: the mock that keeps the contract passes every item, and for each way
 * to break it the item about that rule fails. Breakers are options of the mock, or a table with one
 * function replaced.
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

#include "core/adapter/conform.h"
#include "core/adapter/loader.h"

static struct evl_loaded *loopback, *realtime;
static const struct evl_adapter *real; /* the table of loopback */

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
	real = evl_loaded_adapter(loopback);
	return 0;
}

static int group_teardown(void **state)
{
	(void)state;
	evl_loader_unload(loopback);
	evl_loader_unload(realtime);
	return 0;
}

static struct evl_conform_report *run(const struct evl_adapter *adapter, const char *path,
				      const char *value)
{
	struct evl_bench_option options[2] = {{"e1_channels", "2", 1}, {path, value, 2}};
	struct evl_conform_args args = {
		.options = options, .option_count = path ? 2 : 1, .build = "A", .seed = 42};
	return evl_conform_run(adapter, adapter->name ? adapter->name : "loopback", &args);
}

static void test_good(void **state)
{
	(void)state;
	static const char *const rows[][2] = {
		{NULL, NULL}, {"delay_frames", "13"}, {"t1_channels", "1"}, {"skew_ns", "1000"}};
	for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
		struct evl_conform_report *report = run(real, rows[r][0], rows[r][1]);
		for (size_t i = 0; i < report->count; i++) {
			const struct evl_conform_item *item = &report->items[i];
			if (item->result != EVL_CONFORM_PASS) {
				fail_msg("%s: %s: %s", evl_conform_result_name(item->result),
					 item->name, item->text);
			}
		}
		assert_int_equal(report->failed, 0);
		assert_int_equal(report->skipped, 0);
		assert_true(report->count >= 25);
		evl_conform_destroy(report);
	}
	evl_conform_destroy(NULL);
}

static void test_real_time(void **state)
{
	(void)state;
	struct evl_conform_report *report = run(evl_loaded_adapter(realtime), NULL, NULL);
	for (size_t i = 0; i < report->count; i++) {
		if (report->items[i].result == EVL_CONFORM_FAIL) {
			fail_msg("%s: %s", report->items[i].name, report->items[i].text);
		}
	}
	assert_int_equal(evl_conform_find(report, "open.virtual-time")->result, EVL_CONFORM_PASS);
	assert_int_equal(evl_conform_find(report, "take.same-seed")->result, EVL_CONFORM_SKIP);
	evl_conform_destroy(report);
}

static void expect(struct evl_conform_report *report, const char *name, const char *says)
{
	const struct evl_conform_item *item = evl_conform_find(report, name);
	assert_non_null(item);
	if (item->result != EVL_CONFORM_FAIL || strstr(item->text, says) == NULL) {
		fail_msg("%s is %s, wanted \"%s\": %s", name, evl_conform_result_name(item->result),
			 says, item->text);
	}
	assert_true(report->failed > 0);
	evl_conform_destroy(report);
}

/* Items about clocks are skipped, not passed, where no channel takes an offset. */
static void test_fixed_clock(void **state)
{
	(void)state;
	struct evl_conform_report *r = run(real, "fixed_clock", "yes");
	assert_int_equal(r->failed, 0);
	assert_int_equal(evl_conform_find(r, "arm.clock-fixed")->result, EVL_CONFORM_PASS);
	assert_int_equal(evl_conform_find(r, "arm.clock-too-far")->result, EVL_CONFORM_SKIP);
	assert_int_equal(evl_conform_find(r, "clock.fast")->result, EVL_CONFORM_SKIP);
	evl_conform_destroy(r);
	r = run(real, "clock_ppb", "-20000");
	assert_int_equal(r->failed, 0);
	assert_int_equal(evl_conform_find(r, "clock.slow")->result, EVL_CONFORM_PASS);
	evl_conform_destroy(r);
}

static void test_garbage(void **state)
{
	(void)state;
	static const struct {
		const char *path, *value, *item, *says;
	} rows[] = {
		{"nonsense", "1", "open.good", "option nonsense is unknown"},
		{"garbage", "no-self", "open.good", "gave no instance"},
		{"garbage", "name-open", "channels.list", "has no end"},
		{"garbage", "name-chars", "channels.list", "other than letters"},
		{"garbage", "name-twice", "channels.list", "comes twice"},
		{"garbage", "rate", "channels.list", "rate is not known"},
		{"garbage", "abilities", "channels.list", "ability"},
		{"garbage", "count", "channels.list", "4294967295 channels"},
		{"fail_arm", "yes", "take.cycles", "arm refused as planned"},
		{"fail_start", "yes", "take.cycles", "start refused as planned"},
		{"garbage", "started", "take.cycles", "began at"},
		{"garbage", "started-unset", "take.cycles", "began at"},
		{"fail_exchange", "2", "take.cycles", "the loop was cut as planned"},
		{"garbage", "flags", "take.cycles", "unknown flags 0xDEADBEEF"},
		{"garbage", "slab-pointer", "take.cycles", "changed the slab"},
		{"garbage", "slab-bytes", "take.cycles", "changed the slab"},
		{"garbage", "slab-channel", "take.cycles", "changed the slab"},
		{"garbage", "rx-bytes", "take.cycles", "where 2112 have room"},
		{"garbage", "rx-drift", "take.cycles", "further off"},
		{"garbage", "event-count", "poll.drains", "room for 2"},
		{"garbage", "event-channel", "poll.drains", "a channel that does not exist"},
		{"garbage", "event-alarm", "poll.drains", "not in the ABI"},
		{"garbage", "event-time", "poll.drains", "not come yet"},
		{"garbage", "event-order", "poll.drains", ""},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		expect(run(real, rows[i].path, rows[i].value), rows[i].item, rows[i].says);
	}
	static const char *const texts[][2] = {{"error-text", "has no end"},
					       {"error-empty", "is empty"},
					       {"error-code", "returned 77"}};
	for (size_t i = 0; i < 3; i++) {
		struct evl_bench_option options[] = {{"fail_exchange", "1", 1},
						     {"garbage", texts[i][0], 2}};
		struct evl_conform_args args = {.options = options, .option_count = 2};
		expect(evl_conform_run(real, "loopback", &args), "errors.texts", texts[i][1]);
	}
}

/* One function of the table replaced. */
static int open_any(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct evl_open_args less = *args;
	less.option_count = args->option_count > 1 ? 1 : args->option_count;
	return real->open(self, &less, err);
}

static int open_vague(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	int code = real->open(self, args, err);
	if (code < 0) {
		snprintf(err->text, sizeof err->text, "something is wrong");
	}
	return code;
}

static int open_leaves(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	static int something;
	int code = real->open(self, args, err);
	if (code < 0) {
		*self = &something;
	}
	return code;
}

static int channels_grow(void *self, struct evl_channel_info *out, uint32_t capacity,
			 uint32_t *count, struct evl_adapter_error *err)
{
	static uint32_t calls;
	int code = real->channels(self, out, capacity, count, err);
	*count -= ++calls % 7 == 0;
	return code;
}

static int channels_over(void *self, struct evl_channel_info *out, uint32_t capacity,
			 uint32_t *count, struct evl_adapter_error *err)
{
	return real->channels(self, out, capacity > 0 ? capacity + 1 : 0, count, err);
}

static int arm_any(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
		   struct evl_adapter_error *err)
{
	int code = real->arm(self, arms, count, max_frames, err);
	return code == EVL_ADAPTER_E_STATE || code == EVL_ADAPTER_E_UNSUPPORTED ? 0 : code;
}

static int start_any(void *self, uint64_t at_ns, uint64_t *started_ns,
		     struct evl_adapter_error *err)
{
	int code = real->start(self, at_ns, started_ns, err);
	return code == EVL_ADAPTER_E_STATE ? 0 : code;
}

static int exchange_any(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			struct evl_adapter_error *err)
{
	int code = real->exchange(self, frames, slabs, count, err);
	return code == EVL_ADAPTER_E_STATE ? 0 : code;
}

static int exchange_lazy(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			 struct evl_adapter_error *err)
{
	uint8_t last = slabs[0].rx[32 * frames - 1];
	int code = real->exchange(self, frames, slabs, count, err);
	slabs[0].rx[32 * frames - 1] = last; /* the last byte is never written */
	return code;
}

static int exchange_by_slab(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			    struct evl_adapter_error *err)
{
	int code = real->exchange(self, frames, slabs, count, err);
	slabs[0].rx[0] ^= 1; /* an error at the beginning of each slab */
	return code;
}

/* Hands over whole frames of 32 bytes only, and keeps back one in each slab. */
static int exchange_by_slab_count(void *self, uint32_t frames, struct evl_slab *slabs,
	uint32_t count, struct evl_adapter_error *err)
{
	int code = real->exchange(self, frames, slabs, count, err);
	slabs[0].rx_bytes -= frames == 8 ? 1 : 0;
	return code;
}

static int exchange_beyond(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
	struct evl_adapter_error *err)
{
	uint32_t room = slabs[0].rx_bytes;
	int code = real->exchange(self, frames, slabs, count, err);
	slabs[0].rx[room + 3] = 0; /* three bytes behind the room */
	return code;
}

/* Takes any offset and plays at the nominal rate all the same. */
static int arm_without_clock(void *self, const struct evl_arm *arms, uint32_t count,
	uint32_t max_frames, struct evl_adapter_error *err)
{
	struct evl_arm plain[64];
	evl_require(count <= 64);
	for (uint32_t i = 0; i < count; i++) {
		plain[i] = arms[i];
		plain[i].clock_ppb = 0;
	}
	return real->arm(self, plain, count, max_frames, err);
}

static int exchange_shared(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			   struct evl_adapter_error *err)
{
	static void *last;
	int code = real->exchange(self, frames, slabs, count, err);
	/* Only when two instances take turns: hidden state between them. */
	slabs[1].rx[5] ^= (uint8_t)(last != self);
	last = self;
	return code;
}

static int exchange_scribbles(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			      struct evl_adapter_error *err)
{
	int code = real->exchange(self, frames, slabs, count, err);
	((uint8_t *)slabs[0].tx)[3] ^= 1;
	return code;
}

static int exchange_slow(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			 struct evl_adapter_error *err)
{
	static bool once;
	if (!once) {
		struct timespec t = {.tv_nsec = 150000000};
		nanosleep(&t, NULL);
		once = true;
	}
	return real->exchange(self, frames, slabs, count, err);
}

static int poll_again(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
		      struct evl_adapter_error *err)
{
	int code = real->poll(self, out, capacity, count, err);
	if (*count == 0) {
		out[0] = (struct evl_event){.version = 1, .alarm = EVL_ABI_LOS};
		*count = 1; /* and so for ever */
	}
	return code;
}

static int poll_none(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
		     struct evl_adapter_error *err)
{
	int code = real->poll(self, out, capacity, count, err);
	*count = 0;
	return code;
}

static int poll_raised_only(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
			    struct evl_adapter_error *err)
{
	int code = real->poll(self, out, capacity, count, err);
	*count = *count > 1 || (*count == 1 && !out[0].raised) ? *count - 1 : *count;
	return code;
}

static int inject_any(void *self, const struct evl_inject *what, struct evl_adapter_error *err)
{
	int code = real->inject(self, what, err);
	return code == EVL_ADAPTER_E_UNSUPPORTED ? 0 : code;
}

static bool going; /* a take, of the only instance at a time that these use */

static int arm_noted(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
		     struct evl_adapter_error *err)
{
	int code = real->arm(self, arms, count, max_frames, err);
	going = true; /* also after a failed arm, which stop must lead out of */
	return code;
}

static int stop_strict(void *self, struct evl_adapter_error *err)
{
	if (!going) {
		snprintf(err->text, sizeof err->text, "nothing to stop");
		return EVL_ADAPTER_E_STATE;
	}
	going = false;
	return real->stop(self, err);
}

static int stop_never(void *self, struct evl_adapter_error *err)
{
	(void)self;
	snprintf(err->text, sizeof err->text, "cannot stop");
	return EVL_ADAPTER_E_HARDWARE;
}

/* Keeps the injections of a take that was stopped: gives them again on start. */
static struct evl_inject kept;

static int inject_kept(void *self, const struct evl_inject *what, struct evl_adapter_error *err)
{
	kept = *what;
	return real->inject(self, what, err);
}

static int start_kept(void *self, uint64_t at_ns, uint64_t *started_ns,
		      struct evl_adapter_error *err)
{
	int code = real->start(self, at_ns, started_ns, err);
	if (at_ns > 0 && kept.version) {
		code = real->inject(self, &kept, err);
	}
	return code;
}

static void test_breakers(void **state)
{
	(void)state;
	struct evl_adapter t[] = {
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
		*real,
	};
	size_t n = 0;
	t[n].open = open_any;
	expect(run(&t[n++], NULL, NULL), "open.unknown-option", "was taken");
	t[n].open = open_vague;
	expect(run(&t[n++], NULL, NULL), "open.unknown-option", "does not name");
	t[n].open = open_leaves;
	expect(run(&t[n++], NULL, NULL), "open.unknown-option", "left an instance behind");
	t[n].channels = channels_grow;
	expect(run(&t[n++], NULL, NULL), "channels.stable", "the count");
	t[n].channels = channels_over;
	expect(run(&t[n++], NULL, NULL), "channels.list", "with room for one less");
	t[n].arm = arm_any;
	struct evl_conform_report *r = run(&t[n++], NULL, NULL);
	assert_int_equal(evl_conform_find(r, "order.arm-when-started")->result, EVL_CONFORM_FAIL);
	assert_int_equal(evl_conform_find(r, "arm.channel-twice")->result, EVL_CONFORM_FAIL);
	assert_int_equal(evl_conform_find(r, "arm.no-such-channel")->result, EVL_CONFORM_FAIL);
	expect(r, "order.arm-twice", "was taken");
	t[n].start = start_any;
	r = run(&t[n++], NULL, NULL);
	assert_int_equal(evl_conform_find(r, "order.start-twice")->result, EVL_CONFORM_FAIL);
	expect(r, "order.start-before-arm", "was taken");
	t[n].exchange = exchange_any;
	r = run(&t[n++], NULL, NULL);
	assert_int_equal(evl_conform_find(r, "order.exchange-after-stop")->result,
			 EVL_CONFORM_FAIL);
	expect(r, "order.exchange-before-start", "was taken");
	t[n].exchange = exchange_lazy;
	expect(run(&t[n++], NULL, NULL), "take.same-seed", "e1-1 captured other bits");
	t[n].arm = arm_without_clock;
	expect(run(&t[n++], NULL, NULL), "clock.fast", "slab is not as armed");
	t[n].exchange = exchange_by_slab_count;
	expect(run(&t[n++], NULL, NULL), "take.slab-size", "captured ");
	t[n].exchange = exchange_beyond;
	expect(run(&t[n++], NULL, NULL), "take.cycles", "behind the room of channel e1-1");
	t[n].exchange = exchange_by_slab;
	expect(run(&t[n++], NULL, NULL), "take.slab-size", "e1-1 captured other bits");
	t[n].exchange = exchange_shared;
	expect(run(&t[n++], NULL, NULL), "instances.independent", "e1-2 captured other bits");
	t[n].exchange = exchange_scribbles;
	expect(run(&t[n++], NULL, NULL), "take.cycles", "wrote into tx of channel e1-1");
	t[n].exchange = exchange_slow;
	expect(run(&t[n++], NULL, NULL), "time-limits", "exchange took 1");
	t[n].poll = poll_again;
	expect(run(&t[n++], NULL, NULL), "poll.drains", "and then 1 more");
	t[n].poll = poll_none;
	expect(run(&t[n++], NULL, NULL), "inject.alarm", "reported no LOS");
	t[n].poll = poll_raised_only;
	expect(run(&t[n++], NULL, NULL), "inject.alarm", "did not report the end of LOS");
	t[n].inject = inject_any;
	expect(run(&t[n++], NULL, NULL), "inject.refused", "was taken");
	t[n].arm = arm_noted;
	t[n].stop = stop_strict;
	r = run(&t[n++], NULL, NULL);
	assert_int_equal(evl_conform_find(r, "stop.twice")->result, EVL_CONFORM_FAIL);
	expect(r, "stop.idle", "nothing to stop");
	t[n].stop = stop_never;
	r = run(&t[n++], NULL, NULL);
	assert_int_equal(evl_conform_find(r, "stop.armed")->result, EVL_CONFORM_FAIL);
	expect(r, "take.cycles", "cannot stop");
	t[n].start = start_kept;
	t[n].inject = inject_kept;
	expect(run(&t[n++], NULL, NULL), "inject.dropped", "came in the next take");
	t[n].inject = NULL;
	expect(run(&t[n++], NULL, NULL), "channels.list", "the table has no inject");
	assert_int_equal(n, sizeof t / sizeof t[0]);
	struct evl_adapter none = *real;
	none.poll = NULL;
	expect(run(&none, NULL, NULL), "table", "has no poll");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_good),
		cmocka_unit_test(test_real_time),
		cmocka_unit_test(test_fixed_clock),
		cmocka_unit_test(test_garbage),
		cmocka_unit_test(test_breakers),
	};
	return cmocka_run_group_tests_name("adapter.conform", tests, group_setup, group_teardown);
}
