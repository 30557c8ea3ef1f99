/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The adapter "process": a child served by evenlode-serve gives the same bits as the same adapter
 * in this process; a child in another language (process_child.py, whose codec is Python's struct
 * module) keeps the contract too; and whatever a child does wrong costs one call, never the host.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/adapter/conform.h"
#include "core/adapter/instance.h"
#include "core/base/rate.h"

#define FRAMES  64u
#define BYTES   (FRAMES * 32u)
#define PYTHON  "/usr/bin/python3"
#define OPTIONS 16

static struct evl_loaded *process, *simmux, *loopback, *realtime;
static char serve[1024], script[1024], mocks[1024];

static int load(void **state)
{
	static char adapters[1024];
	const char *build = getenv("EVL_BUILD_ROOT"), *source = getenv("EVL_SOURCE_ROOT");
	struct evl_err err = {0};
	(void)state;
	snprintf(adapters, sizeof adapters, "%s/adapters", build ? build : ".");
	snprintf(mocks, sizeof mocks, "%s/tests/adapter", build ? build : ".");
	snprintf(serve, sizeof serve, "%s/evenlode-serve", build ? build : ".");
	snprintf(
		script, sizeof script, "%s/tests/adapters/process_child.py", source ? source : ".");
	const char *dirs[] = {adapters, mocks};
	if (evl_loader_load(&process, dirs, 2, "process", &err) < 0 ||
		evl_loader_load(&simmux, dirs, 2, "simmux", &err) < 0 ||
		evl_loader_load(&loopback, dirs, 2, "loopback", &err) < 0 ||
		evl_loader_load(&realtime, dirs, 2, "realtime", &err) < 0) {
		print_error("%s\n", err.text);
		return -1;
	}
	return 0;
}

static int unload(void **state)
{
	(void)state;
	evl_loader_unload(process);
	evl_loader_unload(simmux);
	evl_loader_unload(loopback);
	evl_loader_unload(realtime);
	return 0;
}

/* Nothing is left behind: no process, not even one that has ended. */
static void assert_no_child(void)
{
	int status;
	assert_int_equal(waitpid(-1, &status, WNOHANG), -1);
	assert_int_equal(errno, ECHILD);
}

struct options {
	struct evl_bench_option list[OPTIONS];
	char text[OPTIONS][2][1100];
	size_t count;
};

static void add(struct options *o, const char *path, const char *value)
{
	assert_true(o->count < OPTIONS);
	snprintf(o->text[o->count][0], sizeof o->text[0][0], "%s", path);
	snprintf(o->text[o->count][1], sizeof o->text[0][1], "%s", value);
	o->list[o->count] = (struct evl_bench_option){
		o->text[o->count][0], o->text[o->count][1], 20 + (uint32_t)o->count};
	o->count++;
}

static void add_serve(struct options *o, const char *name)
{
	add(o, "command[0]", serve);
	add(o, "command[1]", "--adapters");
	add(o, "command[2]", mocks);
	add(o, "command[3]", name);
}

static void add_python(struct options *o)
{
	add(o, "command[0]", PYTHON);
	add(o, "command[1]", script);
}

static void conforms(const struct options *o, size_t skips)
{
	const struct evl_conform_args args = {
		.options = o->list, .option_count = o->count, .build = "B", .seed = 20};
	struct evl_conform_report *r =
		evl_conform_run(evl_loaded_adapter(process), "process", &args);
	size_t failed = r->failed, skipped = r->skipped;
	for (size_t i = 0; i < r->count; i++) {
		const struct evl_conform_item *item = &r->items[i];
		/* Two processes with sanitizers on a busy machine may miss the 101 ms of a short
		 * exchange; what takes too long here is judged by hostile() below. */
		if (item->result == EVL_CONFORM_FAIL && strcmp(item->name, "time-limits") == 0) {
			failed--;
		}
		if (item->result != EVL_CONFORM_PASS) {
			print_message("# %s %s (%s): %s\n", evl_conform_result_name(item->result),
				item->name, item->rule, item->text);
		}
	}
	assert_true(r->count > 30);
	evl_conform_destroy(r);
	assert_int_equal(failed, 0);
	assert_int_equal(skipped, skips);
	assert_no_child();
}

static void conforms_simmux(void **state)
{
	static struct options o;
	(void)state;
	add_serve(&o, "simmux");
	add(&o, "options.line", "looped");
	add(&o, "options.builds.B.faults[0].kind", "errors");
	add(&o, "options.builds.B.faults[0].tributary", "5");
	add(&o, "options.builds.B.faults[0].ratio", "1e-3");
	conforms(&o, 0);
}

static void conforms_loopback(void **state)
{
	static struct options o;
	(void)state;
	add_serve(&o, "loopback");
	add(&o, "options.e1_channels", "2");
	add(&o, "options.t1_channels", "1");
	add(&o, "options.delay_frames", "16");
	conforms(&o, 0);
}

static void conforms_python(void **state)
{
	static struct options o;
	(void)state;
	add_python(&o);
	conforms(&o, 6); /* no clocks (3), no injections (3) */
}

/* Only what an adapter with virtual time must do is skipped, as for the adapter itself. */
static void conforms_real_time(void **state)
{
	static struct options o;
	(void)state;
	const struct evl_conform_args args = {.build = "B", .seed = 20};
	struct evl_conform_report *r =
		evl_conform_run(evl_loaded_adapter(realtime), "realtime", &args);
	size_t skips = r->skipped;
	evl_conform_destroy(r);
	add_serve(&o, "realtime");
	conforms(&o, skips);
}

static enum evl_status open_it(struct evl_instance **in, const struct evl_loaded *adapter,
	const struct options *o, struct evl_err *err)
{
	const struct evl_instance_args args = {.name = "mux",
		.bench_path = "lab.yaml",
		.options = o->list,
		.option_count = o->count,
		.line = 7,
		.build = "B",
		.seed = 99,
		.virtual_time = true};
	return evl_instance_open(in, adapter, &args, err);
}

/* Digest over all that two channels capture and over all events, in a take with an injection. */
static void digest_of(const struct evl_loaded *adapter, const struct options *o,
	uint8_t out[EVL_SHA256_BYTES], size_t *events)
{
	struct evl_instance *in;
	struct evl_err err = {0};
	struct evl_sha256 *sha = evl_sha256_create();
	static uint8_t tx[BYTES + EVL_SLAB_SLACK], rx[8192 + FRAMES * 2430 + 1024];
	uint64_t started[3];
	uint32_t state = 1;
	if (open_it(&in, adapter, o, &err) < 0) {
		fail_msg("%s", err.text);
	}
	const struct evl_arm arms[3] = {
		{.channel = 4, .play = true, .capture = true, .clock_ppb = 50000},
		{.channel = 5, .capture = true}, {.channel = 63, .capture = true}};
	assert_int_equal(evl_instance_arm(in, arms, 3, FRAMES, &err), EVL_OK);
	assert_int_equal(evl_instance_start(in, 0, started, &err), EVL_OK);
	const struct evl_inject what = {.kind = EVL_INJECT_ALARM,
		.channel = 63,
		.alarm = EVL_ABI_LOS,
		.at_ns = 100 * (uint64_t)EVL_FRAME_NS,
		.duration_ns = 200 * (uint64_t)EVL_FRAME_NS};
	assert_int_equal(evl_instance_inject(in, &what, &err), EVL_OK);
	*events = 0;
	for (int k = 0; k < 40; k++) {
		struct evl_slab slabs[3] = {{.channel = 4, .tx = tx, .rx = rx},
			{.channel = 5, .rx = rx + 4096}, {.channel = 63, .rx = rx + 8192}};
		struct evl_event e[16];
		uint32_t n;
		for (size_t i = 0; i < sizeof tx; i++) {
			state = state * 1664525u + 1013904223u; /* Numerical Recipes' generator */
			tx[i] = (uint8_t)(state >> 24);
		}
		if (evl_instance_exchange(in, FRAMES, slabs, 3, &err) < 0) {
			fail_msg("%s", err.text);
		}
		for (int i = 0; i < 3; i++) {
			evl_sha256_update(sha, slabs[i].rx, slabs[i].rx_bytes);
			evl_sha256_update(sha, &slabs[i].rx_bytes, sizeof slabs[i].rx_bytes);
		}
		assert_int_equal(evl_instance_poll(in, e, 16, &n, &err), EVL_OK);
		for (uint32_t i = 0; i < n; i++) {
			uint64_t f[] = {e[i].channel, e[i].alarm, e[i].raised, e[i].at_ns};
			evl_sha256_update(sha, f, sizeof f);
		}
		*events += n;
	}
	assert_int_equal(evl_instance_stop(in, &err), EVL_OK);
	evl_instance_close(in);
	evl_sha256_peek(sha, out);
	evl_sha256_destroy(sha);
}

/* simmux is deterministic in virtual time, so both ways must give equal bits and events. */
static void same_as_in_process(void **state)
{
	static struct options direct, far;
	uint8_t a[EVL_SHA256_BYTES], b[EVL_SHA256_BYTES];
	size_t events_a, events_b;
	(void)state;
	add_serve(&far, "simmux");
	const char *const faults[][2] = {{"builds.B.faults[0].kind", "errors"},
		{"builds.B.faults[0].tributary", "5"}, {"builds.B.faults[0].ratio", "1e-3"}};
	for (int i = 0; i < 3; i++) {
		char path[80];
		add(&direct, faults[i][0], faults[i][1]);
		snprintf(path, sizeof path, "options.%s", faults[i][0]);
		add(&far, path, faults[i][1]);
	}
	digest_of(simmux, &direct, a, &events_a);
	digest_of(process, &far, b, &events_b);
	assert_true(events_a > 0);
	assert_int_equal(events_a, events_b);
	assert_memory_equal(a, b, sizeof a);
	add(&direct, "line", "open"); /* and the check can fail */
	digest_of(simmux, &direct, b, &events_b);
	assert_memory_not_equal(a, b, sizeof a);
	assert_no_child();
}

static void refused_options(void **state)
{
	static const struct {
		const char *path, *value, *says;
	} rows[] = {
		{"comand[0]", "x",
			"lab.yaml:24: adapter process (instance mux): open failed: option "
			"comand[0] is unknown"},
		{"command", "simmux", "the command is one list"},
		{"command[9]", "x", "the command is one list"},
		{"command[0].x", "x", "the command is one list"},
		{"limits.exchange_ms", "0", "lab.yaml:24: "},
		{"limits.exchange_ms", "1e3", "no number of milliseconds from 1 to 600000"},
		{"limits.exchange_ms", "600001", "no number of milliseconds"},
		{"limits.exchange_ms", "99999999999999999999", "no number of milliseconds"},
		{"limits.exchange_ms", "", "no number of milliseconds"},
		{"limits.start_ms", "5", "limits are open_ms"},
		{"limit", "5", "is unknown"},
		/* What the child refuses is found in the file too. */
		{"options.line", "twisted",
			"lab.yaml:24: adapter process (instance mux): open "
			"failed: option options.line"},
		{"options.builds.B.faults[0].kind", "swop", "lab.yaml:24: "},
	};
	struct evl_instance *in;
	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		static struct options o;
		struct evl_err err = {0};
		o.count = 0;
		add_serve(&o, "simmux");
		add(&o, rows[i].path, rows[i].value);
		assert_int_equal(open_it(&in, process, &o, &err), EVL_E_INVALID);
		assert_null(in);
		if (strstr(err.text, rows[i].says) == NULL) {
			fail_msg("row %zu: wanted \"%s\" in: %s", i, rows[i].says, err.text);
		}
	}
	assert_no_child();
}

static void expect_no_open(const struct options *o, const char *says)
{
	struct evl_instance *in;
	struct evl_err err = {0};
	assert_true(open_it(&in, process, o, &err) < 0);
	assert_null(in);
	if (strstr(err.text, says) == NULL) {
		fail_msg("wanted \"%s\" in: %s", says, err.text);
	}
	assert_no_child();
}

static void cannot_open(void **state)
{
	static struct options o;
	(void)state;
	expect_no_open(&o, "option command is missing");
	add(&o, "command[0]", "/nowhere/at/all");
	expect_no_open(&o, "'/nowhere/at/all' cannot be started: No such file or directory");
	o.count = 0;
	add(&o, "command[0]", "no-such-program-anywhere");
	expect_no_open(&o, "cannot be started");
	o.count = 0;
	add(&o, "command[0]", "/");
	expect_no_open(&o, "cannot be started: ");
	o.count = 0;
	add(&o, "command[0]", "");
	expect_no_open(&o, "command[0] is empty");
	o.count = 0;
	add(&o, "command[0]", "true");
	expect_no_open(&o, "the child (true) ended with status 0 in hello");
	o.count = 0;
	add(&o, "command[0]", "sh");
	add(&o, "command[1]", "-c"); /* waits to be asked: before, it would be another mistake */
	add(&o, "command[2]", "head -c 1 > /dev/null; echo Hello, I am no adapter");
	expect_no_open(&o, "sent garbage instead of a reply in hello");
	o.count = 0;
	add(&o, "command[0]", "cat"); /* sends the request back */
	expect_no_open(&o, "sent the request hello with number 1");
	o.count = 0;
	add(&o, "command[0]", "sh");
	add(&o, "command[1]", "-c");
	add(&o, "command[2]", "echo so it ends >&2; kill -9 $$");
	expect_no_open(&o, "was ended by signal 9 (Killed) in hello; it said: so it ends");
	o.count = 0;
	add_serve(&o, "nosuchadapter");
	expect_no_open(&o, "there is no adapter nosuchadapter");
	o.count = 0;
	add_serve(&o, "wrongmajor");
	expect_no_open(&o, "wrongmajor.so is for version 2.0 of the driver ABI");
	o.count = 0;
	add_python(&o);
	add(&o, "command[2]", "major=2");
	expect_no_open(&o, "speaks version 2.0 of the pipe protocol");
	o.count = 0;
	add_python(&o);
	add(&o, "command[2]", "capabilities=4");
	expect_no_open(&o, "the adapter echo in the child runs in real time only");
	o.count = 0;
	add_python(&o);
	add(&o, "options.channels", "4097");
	expect_no_open(&o, "channel list that is not as the protocol says");
}

static uint64_t now_ms(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000 + (uint64_t)t.tv_nsec / 1000000;
}

/* A take of three slabs on the echo; *failed is the first call that failed, NULL when none did. */
static enum evl_status echo_take(
	struct evl_instance *in, uint64_t at_ns, const char **failed, struct evl_err *err)
{
	static uint8_t tx[BYTES], rx[BYTES + 1024];
	const struct evl_arm arm = {.channel = 1, .play = true, .capture = true};
	uint64_t started;
	struct evl_event e[4];
	uint32_t n;
	enum evl_status st = evl_instance_arm(in, &arm, 1, FRAMES, err);
	*failed = st < 0 ? "arm" : NULL;
	if (st == EVL_OK && (st = evl_instance_start(in, at_ns, &started, err)) < 0) {
		*failed = "start";
	}
	for (uint32_t k = 0; k < 3 && st == EVL_OK; k++) {
		struct evl_slab s = {.channel = 1, .tx = tx, .rx = rx};
		memset(tx, (int)(k + 17), sizeof tx);
		st = evl_instance_exchange(in, FRAMES, &s, 1, err);
		if (st < 0) {
			*failed = "exchange";
		} else {
			assert_int_equal(s.rx_bytes, BYTES);
			assert_memory_equal(tx, rx, BYTES);
			st = evl_instance_poll(in, e, 4, &n, err);
			*failed = st < 0 ? "poll" : NULL;
		}
	}
	struct evl_err later = {0};
	enum evl_status stopped = evl_instance_stop(in, st == EVL_OK ? err : &later);
	if (st == EVL_OK && stopped < 0) {
		*failed = "stop";
		st = stopped;
	}
	return st;
}

/* Each row: what the child does in its first process, which call of the host fails, what it says.
 */
static void hostile(void **state)
{
	static const struct {
		const char *fail, *call, *says;
	} rows[] = {
		{"crash:exchange:2", "exchange", "was ended by signal 11"},
		{"crash:arm:1", "arm", "was ended by signal 11"},
		{"crash:stop:1", "stop", "was ended by signal 11"},
		{"crash:poll:2", "poll", "was ended by signal 11"},
		{"exit:start:1", "start",
			"ended with status 7 in start; it said: the cable  was pulled; the next "
			"arm "
			"starts it again"},
		{"child:exchange:1", "exchange", "ended with status 3"},
		{"hang:exchange:1", "exchange", "did not answer within its time limit"},
		{"deaf:start:1", "start", "did not answer within its time limit"},
		{"hang:stop:1", "stop", "did not answer within its time limit"},
		{"close:exchange:3", "exchange", "closed its output and went on running"},
		{"half:exchange:2", "exchange", "ended with status 0 in exchange"},
		{"half:start:1", "start", "ended with status 0 in start"},
		{"garbage:exchange:1", "exchange", "sent garbage instead of a reply"},
		{"flood:exchange:1", "exchange", "sent garbage instead of a reply"},
		{"long:exchange:1", "exchange", "sent a reply of 4294967280 bytes where"},
		{"long:poll:1", "poll", "sent a reply of 4294967280 bytes where"},
		{"number:exchange:2", "exchange", "where reply"},
		{"other:exchange:2", "exchange", "sent a reply to poll"},
		{"request:exchange:2", "exchange", "sent the request exchange"},
		/* unasked, or with a wrong number: it may come before or after the request */
		{"twice:exchange:1", "poll", "in poll; the next arm"},
		{"tail:exchange:1", "exchange",
			"sent 2052 bytes of bits where its table says 2048"},
		{"tail:poll:1", "poll", "is not as the protocol says"},
		{"tail:arm:1", "arm", "sent 4 bytes where none are due"},
		{"short:exchange:1", "exchange", "bytes of bits where its table says"},
		{"short:start:1", "start", "is not as the protocol says"},
		{"code:exchange:1", "exchange", "sent garbage instead of a reply"},
		{"mute:exchange:1", "exchange", "sent an error text of 0 bytes"},
		{"refuse:exchange:2", "exchange", "exchange failed: the line card was pulled"},
		{"chatter:exchange:2", NULL, ""},
	};
	char once[] = "/tmp/evl-process-XXXXXX";
	int fd = mkstemp(once);
	(void)state;
	assert_true(fd >= 0);
	close(fd);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		static struct options o;
		struct evl_instance *in;
		struct evl_err err = {0};
		const char *failed;
		unlink(once);
		o.count = 0;
		add_python(&o);
		add(&o, "limits.exchange_ms", "800");
		add(&o, "limits.take_ms", "800");
		add(&o, "limits.call_ms", "800");
		add(&o, "options.fail", rows[i].fail);
		add(&o, "options.once", once);
		if (open_it(&in, process, &o, &err) < 0) {
			fail_msg("%s: %s", rows[i].fail, err.text);
		}
		uint64_t begun = now_ms();
		enum evl_status st = echo_take(in, 0, &failed, &err);
		if (rows[i].call == NULL) {
			assert_int_equal(st, EVL_OK);
		} else if (failed == NULL || strcmp(failed, rows[i].call) != 0 ||
			   st != EVL_E_ADAPTER || strstr(err.text, rows[i].says) == NULL ||
			   strchr(err.text, '\n') != NULL) {
			fail_msg("%s: failed in %s: %s", rows[i].fail, failed ? failed : "nothing",
				err.text);
		}
		assert_true(now_ms() - begun < 8000);
		/* The next take works, in a new child if the old one is gone. */
		evl_instance_stop(in, NULL);
		st = echo_take(in, 1000000000, &failed, &err);
		if (st != EVL_OK) {
			fail_msg("%s, the next take: %s", rows[i].fail, err.text);
		}
		evl_instance_close(in);
		assert_no_child();
	}
	unlink(once);
}

/* A child that dies between takes is noticed by the next arm; only then it is started again. One
 * that cannot come up again, or comes up as something else, fails every time. */
static void dies_between(void **state)
{
	static struct options o;
	char once[] = "/tmp/evl-process-XXXXXX";
	int fd = mkstemp(once);
	struct evl_instance *in;
	struct evl_err err = {0};
	const char *failed;
	struct evl_event e[4];
	uint32_t n;
	(void)state;
	assert_true(fd >= 0);
	close(fd);
	add_python(&o);
	add(&o, "options.fail", "exit:poll:4"); /* in the take are three */
	assert_int_equal(open_it(&in, process, &o, &err), EVL_OK);
	assert_int_equal(echo_take(in, 0, &failed, &err), EVL_OK);
	assert_int_equal(evl_instance_poll(in, e, 4, &n, &err), EVL_E_ADAPTER);
	assert_non_null(strstr(err.text, "ended with status 7 in poll"));
	/* Said once; there are no events of a child that is not there. */
	assert_int_equal(evl_instance_poll(in, e, 4, &n, &err), EVL_OK);
	assert_int_equal(n, 0);
	assert_int_equal(echo_take(in, 1000000000, &failed, &err), EVL_OK);
	evl_instance_close(in);

	o.count = 0;
	unlink(once);
	add_python(&o);
	add(&o, "options.fail", "crash:exchange:1");
	assert_int_equal(open_it(&in, process, &o, &err), EVL_OK);
	for (int k = 0; k < 3; k++) { /* each in a child of its own */
		assert_int_equal(echo_take(in, 0, &failed, &err), EVL_E_ADAPTER);
		assert_string_equal(failed, "exchange");
	}
	evl_instance_close(in);

	/* `grow` gives another list as soon as the file is there. */
	o.count = 0;
	unlink(once);
	add_python(&o);
	add(&o, "options.fail", "grow:stop:1");
	add(&o, "options.once", once);
	assert_int_equal(open_it(&in, process, &o, &err), EVL_OK);
	assert_int_equal(echo_take(in, 0, &failed, &err), EVL_E_ADAPTER);
	assert_string_equal(failed, "stop");
	assert_int_equal(evl_instance_stop(in, &err), EVL_OK);
	assert_int_equal(echo_take(in, 0, &failed, &err), EVL_E_ADAPTER);
	assert_string_equal(failed, "arm");
	assert_non_null(strstr(err.text, "has other channels after it was started again"));
	evl_instance_close(in);
	unlink(once);
	assert_no_child();
}

/* The system may be told to reap children itself, and writing to a closed pipe may be fatal: a host
 * sets that, not the adapter, and it must work with both. */
static void signals_of_the_host(void **state)
{
	static struct options o;
	struct evl_instance *in;
	struct evl_err err = {0};
	const char *failed;
	(void)state;
	add_python(&o);
	add(&o, "options.fail", "exit:exchange:1");
	signal(SIGPIPE, SIG_DFL);
	signal(SIGCHLD, SIG_IGN);
	assert_int_equal(open_it(&in, process, &o, &err), EVL_OK);
	assert_int_equal(echo_take(in, 0, &failed, &err), EVL_E_ADAPTER);
	assert_int_equal(echo_take(in, 0, &failed, &err), EVL_E_ADAPTER);
	evl_instance_close(in);
	signal(SIGCHLD, SIG_DFL);
	assert_no_child();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(conforms_simmux),
		cmocka_unit_test(conforms_loopback),
		cmocka_unit_test(conforms_python),
		cmocka_unit_test(conforms_real_time),
		cmocka_unit_test(same_as_in_process),
		cmocka_unit_test(refused_options),
		cmocka_unit_test(cannot_open),
		cmocka_unit_test(hostile),
		cmocka_unit_test(dies_between),
		cmocka_unit_test(signals_of_the_host),
	};
	return cmocka_run_group_tests_name("adapters.process", tests, load, unload);
}
