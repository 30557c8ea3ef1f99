/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Whole runs of small campaigns over the mock loopback: verdicts, messages with file and line,
 * errors that end a case but not the run, and what the store holds afterwards.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/script/runner.h"
#include "core/store/store_read.h"

struct place {
	char dir[64];
	char campaign[96], bench[96], store[96];
	char adapters[512];
	const char *dirs[1];
	struct evl_run_args args;
};

static const char needs[] =
	"campaign { name = 'c', title = 't', version = '1', needs = {\n"
	"  trib = { rate = 'E1', count = 8, play = true, capture = true, inject = true } } }\n";

static void put(const char *path, const char *head, const char *text)
{
	struct evl_err err = {0};
	char all[8192];
	int n = snprintf(all, sizeof all, "%s%s", head, text);
	assert_int_equal(evl_file_write(path, all, (size_t)n, &err), EVL_OK);
}

static void place_up(struct place *p, const char *options, const char *head, const char *campaign)
{
	memset(p, 0, sizeof *p);
	strcpy(p->dir, "/tmp/evl-run-XXXXXX");
	assert_non_null(mkdtemp(p->dir));
	snprintf(p->campaign, sizeof p->campaign, "%s/c.lua", p->dir);
	snprintf(p->bench, sizeof p->bench, "%s/b.yaml", p->dir);
	snprintf(p->store, sizeof p->store, "%s/s.db", p->dir);
	snprintf(p->adapters, sizeof p->adapters, "%s/tests/adapter", getenv("EVL_BUILD_ROOT"));
	p->dirs[0] = p->adapters;
	char yaml[1024];
	snprintf(yaml, sizeof yaml,
		"bench: rig\ntitle: rig\nadapters:\n  loop:\n    driver: loopback\n"
		"    options: {%s}\nroles:\n  trib:\n    adapter: loop\n    channels: e1-{1..8}\n",
		options);
	put(p->bench, "", yaml);
	put(p->campaign, head, campaign);
	p->args = (struct evl_run_args){.campaign = p->campaign,
		.bench = p->bench,
		.build = "A",
		.store = p->store,
		.seed = 1,
		.adapter_dirs = p->dirs,
		.adapter_dir_count = 1};
}

static void place_down(struct place *p)
{
	char cmd[96];
	snprintf(cmd, sizeof cmd, "rm -r %s", p->dir);
	assert_int_equal(system(cmd), 0);
}

#define CASE(name, body)                                                                           \
	"case '" name "' { title = 't', time_limit = '1 min', run = function(test)\n" body         \
	"\nend }\n"

#define TAKE                                                                                       \
	"local p = prbs '2^15-1'\n"                                                                \
	"local seen = test:take { last = '1 s', play = { trib = p }, expect = { trib = p } }\n"

#define PLAY(pattern)                                                                              \
	"local p = " pattern "\n"                                                                  \
	"local seen = test:take { last = '1 s', play = { trib = p }, expect = { trib = p } }\n"
#define ARRIVE "test:check_arrival(seen, 'trib')\n"
#define ERRORS "test:check_bit_errors(seen, 'trib', { ratio = 1e-5, confidence = 0.95 })\n"

static void verdicts(void **state)
{
	(void)state;
	static const struct {
		const char *options;
		const char *campaign;
		enum evl_verdict verdict;
		uint32_t checks;
	} cases[] = {
		{"", CASE("a", TAKE "test:check_arrival(seen, 'trib')"), EVL_VERDICT_PASS, 8},
		/* 2.05 million bits prove 1e-5 but not 1e-7 with 95 % (Garwood: 2.9957 / n). */
		{"",
			CASE("a", TAKE "test:check_bit_errors(seen, 'trib', "
				       "{ ratio = 1e-5, confidence = 0.95 })"),
			EVL_VERDICT_PASS, 8},
		{"",
			CASE("a", TAKE "test:check_bit_errors(seen, 'trib', "
				       "{ ratio = 1e-7, confidence = 0.95 })"),
			EVL_VERDICT_INCONCLUSIVE, 8},
		{"",
			CASE("a",
				"local p = prbs '2^23-1'\nlocal seen = test:take { last = '1 s',\n"
				"play = { trib = p }, expect = { trib = p },\n"
				"inject = { { errors = 1e-3, on = 'trib', number = 3, at = '0 s', "
				"lasting = '1 s' } } }\n"
				"test:check_bit_errors(seen, 'trib', "
				"{ ratio = 1e-5, confidence = 0.95 })"),
			EVL_VERDICT_FAIL, 8},
		/* Every kind of pattern; who sent it can be told by phase or number, or not at all.
		 */
		{"", CASE("a", PLAY("prbs 'QRSS'") ARRIVE), EVL_VERDICT_PASS, 8},
		{"", CASE("a", PLAY("prbs '2^31-1 inverted'") ARRIVE ERRORS), EVL_VERDICT_PASS, 16},
		{"", CASE("a", PLAY("pattern 'counter'") ARRIVE ERRORS), EVL_VERDICT_PASS, 16},
		{"", CASE("a", PLAY("word '11001'") ERRORS), EVL_VERDICT_PASS, 8},
		{"", CASE("a", PLAY("word '11001'") ARRIVE), EVL_VERDICT_INCONCLUSIVE, 8},
		{"", CASE("a", PLAY("prbs '2^9-1'") ERRORS), EVL_VERDICT_PASS, 8},
		{"", CASE("a", PLAY("prbs '2^9-1'") ARRIVE), EVL_VERDICT_INCONCLUSIVE, 8},
		{"", CASE("a", PLAY("pattern '3 in 24'") ERRORS), EVL_VERDICT_PASS, 8},
		{"", CASE("a", PLAY("delay_pattern('E1', '500 ms')") ARRIVE), EVL_VERDICT_PASS, 8},
		{"",
			CASE("a",
				"local t = {}\nfor i = 1, 600 do t[i] = string.char(i * i * 7 % "
				"251) end\n" PLAY("pattern { name = 'own', bytes = "
						  "table.concat(t), bits = 4797 }") ARRIVE ERRORS),
			EVL_VERDICT_PASS, 16},
		/* What arrives instead is named; inverted is not passed. */
		{"",
			CASE("a", "local seen = test:take { last = '1 s', play = { trib = prbs "
				  "'2^20-1' },\n"
				  "expect = { trib = prbs '2^15-1' } }\n" ARRIVE
				  "for _, m in ipairs(seen.meters) do\n"
				  "assert(m.recognised == '2^20-1', m.recognised) end\n"),
			EVL_VERDICT_FAIL, 8},
		{"",
			CASE("a", "local seen = test:take { last = '1 s', play = { trib = prbs "
				  "'2^15-1' },\n"
				  "expect = { trib = prbs '2^15-1 inverted' } }\n" ARRIVE ERRORS),
			EVL_VERDICT_FAIL, 16},
		{"", CASE("a", ""), EVL_VERDICT_NONE, 0},
		/* A worse verdict stays, whatever comes after (ETSI ES 201 873-1 clause 24). */
		{"",
			CASE("a", "test:check { title = 'x', verdict = 'fail' }\n"
				  "test:check { title = 'y', verdict = 'pass' }"),
			EVL_VERDICT_FAIL, 2},
		/* An adapter that fails in the first case: error, and the second case still runs.
		 */
		{"fail_exchange: 6, fail_take: 1",
			CASE("a", TAKE "test:check_arrival(seen, 'trib')")
				CASE("b", TAKE "test:check_arrival(seen, 'trib')"),
			EVL_VERDICT_ERROR, 8},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct place p;
		place_up(&p, cases[i].options, needs, cases[i].campaign);
		struct evl_run_outcome out = {0};
		struct evl_err err = {0};
		assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
		assert_int_equal(out.verdict, cases[i].verdict);
		assert_int_equal(out.checks, cases[i].checks);
		evl_run_outcome_finish(&out);
		place_down(&p);
	}
}

/* Mistakes are found before the run, or end their case with `error`; each names file and line. */
static void mistakes(void **state)
{
	(void)state;
	static const struct {
		const char *head, *campaign;
		const char *wanted; /* in the message */
		bool begins;        /* the run begins, and the case ends with error */
	} cases[] = {
		{"", "", "empty", false},
		{"", "\x1bLua", "c.lua", false},
		{"", "campaign {", "c.lua:1", false},
		{"", "x = 1", "no campaign", false},
		{needs, "", "no case", false},
		{needs, "case 'a' { title = 't', run = function() end }",
			"c.lua:3: case a: time_limit", false},
		{needs, "case 'a' { title = 't', time_limit = '5', run = function() end }",
			"not a duration", false},
		{needs, "case 'a' { titel = 't' }", "titel is not known here", false},
		{needs, CASE("a", "") CASE("a", ""), "given twice", false},
		{"",
			"campaign { name = 'c', title = 't', version = '1', needs = { trib = "
			"{ rate = 'E9' } } }",
			"E9", false},
		{"",
			"campaign { name = 'c', title = 't', version = '1', needs = { nobody = "
			"{ rate = 'E1' } } }\ncase 'a' { title = 't', time_limit = '1 s', "
			"run = function() end }",
			"nobody", false},
		{needs, "while true do end", "c.lua:3", false},
		{needs, "local s = string.rep('x', 1 << 40)", "c.lua:3", false},
		{needs, CASE("a", "while true do end"), "c.lua:4", true},
		{needs, CASE("a", "test:take { last = '1 s', play = { trub = prbs '2^15-1' } }"),
			"c.lua:4: take: play: role \"trub\"", true},
		{needs, CASE("a", "test:take { last = '1 s', play = { trib = 5 } }"), "c.lua:4",
			true},
		{needs, CASE("a", "test:take { last = '2 h', play = { trib = prbs '2^15-1' } }"),
			"c.lua:4: take take 1 would end", true},
		{needs, CASE("a", "word '12'"), "c.lua:4: pattern \"word 12\": give 1 to 64 digits",
			true},
		{needs, CASE("a", "pattern 'counter 7'"), "a block has 32 to 1024 bytes", true},
		{needs, CASE("a", "pattern 'nice'"), "use one of 2^9-1, ", true},
		{needs, CASE("a", "pattern { name = 'x', bytes = ('a'):rep(100) }"),
			"no 64 bits of it occur only once", true},
		{needs, CASE("a", "pattern { name = 'x', bytes = 'ab', bits = 17 }"),
			"2 bytes do not hold 17 bits", true},
		{needs, CASE("a", "prbs 'all ones'"), "c.lua:4: prbs: \"all ones\"", true},
		{needs, CASE("a", "prbs '2^16-1'"), "c.lua:4: prbs: \"2^16-1\"", true},
		{needs, CASE("a", "test:reference 'x'"), "c.lua:4", true},
		{needs, CASE("a", "error('my own words')"), "c.lua:4: my own words", true},
		{needs, CASE("a", "test:check { title = 'x', verdict = 'super' }"),
			"c.lua:4: check", true},
		{needs, CASE("a", "test:check_arrival({}, 'trib')"), "c.lua:4: check_arrival",
			true},
		{needs, CASE("a", "pcall(function() while true do end end)"), "c.lua:4", true},
		{needs, CASE("a", "io.write('x')"), "c.lua:4", true},
		{needs, CASE("a", "require 'core'"), "core", true},
		{needs,
			CASE("a",
				"local co = coroutine.wrap(function()\n"
				"test:take { last = '1 s', play = { trib = prbs '2^15-1' } } end)\n"
				"co()"),
			"c.lua:", true},
		{needs,
			CASE("a", "test:take { last = '1 s', inside = { trib = { trib = "
				  "prbs '2^15-1' } } }"),
			"role trib is no line but E1", true},
		{needs,
			CASE("a", "test:take { last = '1 s', inject = { { alarm = 'XYZ', on = "
				  "'trib', "
				  "at = '0 s', lasting = '1 s' } } }"),
			"XYZ", true},
		/* What would be passed over in silence, and the unit blamed or praised for it. */
		{needs,
		 CASE("a", "test:take { last = '1 s', inject = { errors = 1e-3, on = 'trib', at = "
			   "'0 s', lasting = '1 s' } }"),
		 "c.lua:4: take: inject: a list is expected", true},
		{needs,
		 CASE("a", "test:take { last = '1 s', inject = { { errors = 1e-3, on = 'trib', at "
			   "= '1 s', lasting = '1 s' } } }"),
		 "c.lua:4: take: inject: it would begin after the end", true},
		{needs, CASE("a", "test:take { last = '1 s', watch = { trib = true } }"),
		 "c.lua:4: take: watch: a list is expected", true},
		{needs, CASE("a", "local p = prbs '2^15-1' p.name = 'none'\n"
				  "test:take { last = '8 ms', play = { trib = p } }"),
		 "c.lua:5: take", true},
		/* A campaign that goes round the library, or changes what the library gave it. */
		{needs, CASE("a", "local ok, core = pcall(require, 'core') assert(ok, core)"),
			"no module 'core'", true},
		{needs, CASE("a", "coroutine.wrap(require)('core')"), "no module 'core'", true},
		{needs, CASE("a", "coroutine.yield()"), "c.lua:4", true},
		{needs, CASE("a", "coroutine.yield(1)"), "only in test:take", true},
		{needs, CASE("a", "coroutine.yield({})"), "take: ", true},
		{needs, CASE("a", "coroutine.yield(setmetatable({}, { __index = error }))"),
			"take: ", true},
		{needs,
			CASE("a", "coroutine.yield { name = 'x', frames = 64, play = { { role = "
				  "'no', "
				  "pattern = '2^15-1' } } }"),
			"role no is not in", true},
		{needs, CASE("a", "coroutine.yield { name = 'x', frames = -8, play = {} }"),
			"take: ", true},
		{needs,
			CASE("a", "local seen = test:take { last = '8 ms', play = { trib = "
				  "prbs '2^15-1' }, record = { as = 'x', 'trib' } }\n"
				  "seen.recording.id = 99999\n"
				  "test:take { play = { trib = replay(seen.recording) } }"),
			"c.lua:6: take: a recording is not known", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "record = { as = 'x', 'trib', 'trib', [4] = 'trib' } }"),
			"take: ", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', name = 'a\\xff', play = { trib = "
				  "prbs '2^15-1' }, record = { as = 'x', 'trib' } }"),
			"take: name", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', name = ('\\u{e9}'):rep(45), play = { "
				  "trib "
				  "= prbs '2^15-1' }, record = { as = 'x', 'trib' } }"),
			"name has 90 bytes", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "record = { as = 'a\\xff', 'trib' } }"),
			"take: record: as", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = 301 } }"),
			"c.lua:4: take: clock.trib: a number of ppm from -300 to 300", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = 'fast' } }"),
			"clock.trib: a number of ppm from -300 to 300 is expected, not", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = 0/0 } }"),
			"clock.trib: a number of ppm", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = { [3] = {} } } }"),
			"clock.trib[3]: a number of ppm", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = { x = 1 } } }"),
			"not the number of a channel; write [7] = 50", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = { [9] = 1 } } }"),
			"take take 1: clock: role trib has no number 9", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = { trub = 50 } }"),
			"take: clock: role ", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', play = { trib = prbs '2^15-1' },\n"
				  "clock = 50 }"),
			"clock must be a table", true},
		{needs,
			CASE("a", "test:take { last = '8 ms', expect = { trib = prbs '2^15-1' },\n"
				  "clock = { trib = 50 } }"),
			"take: clock.trib: the role does not play in this take", true},
		{needs,
			CASE("a", "local seen = test:take { last = '8 ms', play = { trib = prbs "
				  "'2^15-1' },\n"
				  "record = { as = 'x', 'trib' } }\n"
				  "test:take { play = { trib = replay(seen.recording) }, clock = { "
				  "trib = 50 } }"),
			"c.lua:6: take: clock.trib: a replay has the clock", true},
		{needs,
			CASE("a", "coroutine.yield { name = 'x', frames = 64, play = {}, expect = "
				  "{}, "
				  "inside = {}, watch = {}, inject = {}, record = {}, "
				  "clock = { { role = 'trib', number = 0, ppb = 1 << 40 } } }"),
			"clock: an offset is out of range", true},
		{needs, CASE("a", "test:check { title = 'a\\xff', verdict = 'pass' }"),
			"c.lua:4: check: title is no UTF-8 text", true},
		{needs, CASE("a", "test:check { title = 'a\\0b', verdict = 'pass' }"),
			"c.lua:4: check: title is no UTF-8 text", true},
		{needs, CASE("a", "test:check { title = ('x'):rep(5000), verdict = 'pass' }"),
			"c.lua:4: check: title has 5000 bytes", true},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct place p;
		place_up(&p, "", cases[i].head, cases[i].campaign);
		struct evl_run_outcome out = {0};
		struct evl_err err = {0};
		enum evl_status st = evl_runner_run(&out, &p.args, &err);
		const char *text = cases[i].begins ? out.message : err.text;
		if (cases[i].begins != (st == EVL_OK) || text == NULL ||
			strstr(text, cases[i].wanted) == NULL) {
			fail_msg("%zu: %s: status %d, %s", i, cases[i].wanted, st,
				text ? text : "no message");
		}
		if (cases[i].begins) {
			assert_int_equal(out.verdict, EVL_VERDICT_ERROR);
		}
		evl_run_outcome_finish(&out);
		place_down(&p);
	}
}

static const char replay_campaign[] =
	CASE("a", "local p = prbs '2^15-1'\n"
		  "local one = test:take { last = '200 ms', play = { trib = p },\n"
		  "  record = { as = 'all', 'trib' } }\n"
		  "local two = test:take { play = { trib = replay(one.recording) },\n"
		  "  expect = { trib = replay(one.recording) } }\n"
		  "test:check_played_as_recorded(two, 'trib')\n"
		  "test:check_returned_as_recorded(two, 'trib')\n")
		CASE("b", "local r = test:reference 'all'\n"
			  "local seen = test:take { play = { trib = replay(r) }, expect = { trib = "
			  "replay(r) } }\n"
			  "test:check_played_as_recorded(seen, 'trib')\n"
			  "test:check_returned_as_recorded(seen, 'trib')\n");

/* 50 ppm of 2048 kbit/s in 2 s are 204.8 bits: 25.6 bytes. What each stream was sent at is kept. */
static const char clock_campaign[] = CASE("a",
	"local p = prbs '2^15-1'\n"
	"local one = test:take { last = '2 s', play = { trib = p }, expect = { trib = p },\n"
	"  clock = { trib = { [2] = 50, [3] = -50, [5] = 0.5 } },\n"
	"  record = { as = 'off', 'trib' } }\n"
	"test:check_arrival(one, 'trib')\n"
	"local function bits(seen, number)\n"
	"  for _, m in ipairs(seen.meters) do\n"
	"    if m.number == number then assert(m.errors == 0) end\n"
	"  end\n"
	"  for _, s in ipairs(seen.streams) do\n"
	"    if s.channel == number - 1 and s.direction == 'sent' then return s.bits end\n"
	"  end\n"
	"end\n"
	"local function check(seen)\n"
	"  assert(bits(seen, 1) == 4096000, 'nominal')\n"
	"  assert(bits(seen, 2) == 4096200 or bits(seen, 2) == 4096208, 'fast')\n"
	"  assert(bits(seen, 3) == 4095800 or bits(seen, 3) == 4095792, 'slow')\n"
	"end\n"
	"check(one)\n"
	"local two = test:take { play = { trib = replay(one.recording) },\n"
	"  expect = { trib = replay(one.recording) } }\n"
	"assert(two.frames == 16000, 'frames')\n"
	"check(two)\n"
	"test:check_played_as_recorded(two, 'trib')\n"
	"test:check_returned_as_recorded(two, 'trib')\n"
	"local all = test:take { last = '2 s', play = { trib = p }, expect = { trib = p },\n"
	"  clock = { trib = -50 } }\n"
	"assert(bits(all, 1) == bits(all, 8) and bits(all, 1) < 4096000, 'all')\n"
	"test:check_arrival(all, 'trib')\n");

static void clocks_of_a_take(void **state)
{
	(void)state;
	struct place p;
	place_up(&p, "delay_frames: 2", needs, clock_campaign);
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	if (out.verdict != EVL_VERDICT_PASS) {
		fail_msg("%s", out.message ? out.message : "no message");
	}
	struct evl_store *store = NULL;
	struct evl_run *run = NULL;
	assert_int_equal(evl_store_open(&store, p.store, EVL_STORE_READ, &err), EVL_OK);
	assert_int_equal(evl_store_load_run(&run, store, 1, &err), EVL_OK);
	static const char *const clocks[8] = {NULL, "+50", "-50", NULL, "+0.5", NULL, NULL, NULL};
	for (size_t i = 0; i < run->stream_count; i++) {
		const struct evl_row_stream *row = &run->streams[i];
		const char *said = strstr(row->description, ", clock ");
		const char *wanted = row->take_no == 2 ? "-50" : clocks[row->channel_no];
		if (strcmp(row->direction, "sent") != 0 || wanted == NULL) {
			assert_null(said);
			continue;
		}
		assert_non_null(said);
		char text[32];
		snprintf(text, sizeof text, ", clock %s ppm", wanted);
		assert_string_equal(said, text);
	}
	evl_run_destroy(run);
	evl_store_close(store);
	evl_run_outcome_finish(&out);
	place_down(&p);
}

static void replays_of_this_and_of_the_reference_run(void **state)
{
	(void)state;
	struct place p;
	place_up(&p, "delay_frames: 2", needs, replay_campaign);
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	assert_int_equal(out.checks, 32);
	int64_t first = out.run;
	evl_run_outcome_finish(&out);
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	struct evl_store *store = NULL;
	assert_int_equal(evl_store_open(&store, p.store, EVL_STORE_READ, &err), EVL_OK);
	struct evl_run *run = NULL;
	assert_int_equal(evl_store_load_run(&run, store, out.run, &err), EVL_OK);
	assert_int_equal(run->run.reference_run, first);
	assert_string_equal(run->run.verdict, "pass");
	assert_int_equal(run->case_count, 2);
	assert_int_equal(run->recording_count, 1);
	assert_int_equal(run->recording_channel_count, 16);
	assert_int_equal(evl_store_chain_verify(store, out.run, NULL, &err), EVL_OK);
	evl_run_destroy(run);
	evl_store_close(store);
	evl_run_outcome_finish(&out);
	/* A reference whose file was altered is no reference. */
	char path[160];
	snprintf(path, sizeof path, "%s.recordings/run-1-case-1-take-1.pcapng", p.store);
	FILE *f = fopen(path, "r+b");
	assert_non_null(f);
	assert_int_equal(truncate(path, 100000), 0);
	fclose(f);
	p.args.reference_run = first;
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_ERROR);
	assert_non_null(strstr(out.message, "not whole"));
	evl_run_outcome_finish(&out);
	place_down(&p);
}

static void change_byte(const char *path, long at)
{
	FILE *f = fopen(path, "r+b");
	assert_non_null(f);
	assert_int_equal(fseek(f, at, SEEK_SET), 0);
	int c = fgetc(f);
	assert_int_equal(fseek(f, at, SEEK_SET), 0);
	assert_int_equal(fputc(c ^ 1, f), c ^ 1);
	fclose(f);
}

/* Without --reference, too: a reference that is gone or altered is an error of the tester, neither
 * a failed unit nor a comparison of the unit with itself. */
static void no_run_is_its_own_reference_by_mistake(void **state)
{
	(void)state;
	struct place p;
	char path[160];
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	place_up(&p, "delay_frames: 2", needs, replay_campaign);
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	evl_run_outcome_finish(&out);
	snprintf(path, sizeof path, "%s.recordings/run-1-case-1-take-1.pcapng", p.store);
	change_byte(path, 200000); /* amid the bits */
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_ERROR);
	assert_int_equal(out.failed, 0);
	assert_non_null(strstr(out.message, "altered"));
	evl_run_outcome_finish(&out);
	assert_int_equal(unlink(path), 0);
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_ERROR);
	assert_non_null(strstr(out.message, path));
	evl_run_outcome_finish(&out);
	place_down(&p);
}

static void a_run_without_recordings_is_no_reference(void **state)
{
	(void)state;
	struct place p;
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	const char *one[] = {"c"};
	char campaign[2048];
	snprintf(campaign, sizeof campaign, "%s%s", replay_campaign,
		CASE("c", "test:check { title = 'x', verdict = 'pass' }"));
	place_up(&p, "delay_frames: 2", needs, campaign);
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	evl_run_outcome_finish(&out);
	p.args.cases = one;
	p.args.case_count = 1;
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	evl_run_outcome_finish(&out);
	p.args.case_count = 0;
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	struct evl_store *store = NULL;
	struct evl_run *run = NULL;
	assert_int_equal(evl_store_open(&store, p.store, EVL_STORE_READ, &err), EVL_OK);
	assert_int_equal(evl_store_load_run(&run, store, 3, &err), EVL_OK);
	assert_int_equal(run->run.reference_run, 1);
	evl_run_destroy(run);
	evl_store_close(store);
	evl_run_outcome_finish(&out);
	place_down(&p);
}

static void same_seed_same_results(void **state)
{
	(void)state;
	char digest[3][65];
	for (int i = 0; i < 3; i++) {
		struct place p;
		place_up(&p, "delay_frames: 2", needs, replay_campaign);
		p.args.seed = i == 2 ? 99 : 5;
		struct evl_run_outcome out = {0};
		struct evl_err err = {0};
		assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
		memcpy(digest[i], out.results_digest, sizeof digest[i]);
		evl_run_outcome_finish(&out);
		place_down(&p);
	}
	assert_string_equal(digest[0], digest[1]);
	assert_string_not_equal(digest[0], digest[2]); /* other phases, other bits */
}

static volatile sig_atomic_t stop_flag;

static void stop_soon(void *ctx, const struct evl_run_progress *p)
{
	(void)ctx;
	if (p->take_done_ns > 300000000) {
		stop_flag = 1;
	}
}

static void stopping_keeps_what_was_measured(void **state)
{
	(void)state;
	struct place p;
	place_up(&p, "", needs, CASE("a", TAKE "test:check_arrival(seen, 'trib')") CASE("b", TAKE));
	stop_flag = 0;
	p.args.stop = &stop_flag;
	p.args.progress = stop_soon;
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_true(out.interrupted);
	assert_int_equal(out.verdict, EVL_VERDICT_INCONCLUSIVE);
	assert_int_equal(out.cases_run, 1);
	struct evl_store *store = NULL;
	assert_int_equal(evl_store_open(&store, p.store, EVL_STORE_READ, &err), EVL_OK);
	struct evl_run *run = NULL;
	assert_int_equal(evl_store_load_run(&run, store, out.run, &err), EVL_OK);
	assert_string_equal(run->run.state, EVL_STATE_INTERRUPTED);
	assert_int_equal(run->measurement_count, 8);
	assert_true(run->measurements[0].bits > 0);
	evl_run_destroy(run);
	evl_store_close(store);
	evl_run_outcome_finish(&out);
	place_down(&p);
}

static void chosen_cases_and_fit(void **state)
{
	(void)state;
	struct place p;
	place_up(&p, "", needs, CASE("a", TAKE) CASE("b", TAKE "test:check_arrival(seen, 'trib')"));
	const char *names[] = {"b"};
	p.args.cases = names;
	p.args.case_count = 1;
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_OK);
	assert_int_equal(out.cases_run, 1);
	assert_int_equal(out.verdict, EVL_VERDICT_PASS);
	evl_run_outcome_finish(&out);
	names[0] = "z";
	assert_int_equal(evl_runner_run(&out, &p.args, &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "a, b"));
	evl_run_outcome_finish(&out);
	p.args.case_count = 0;
	struct evl_runner_fit fit = {0};
	assert_int_equal(evl_runner_fit(&fit, &p.args, &err), EVL_OK);
	assert_true(fit.fit.fits);
	assert_int_equal(fit.case_count, 2);
	evl_runner_fit_finish(&fit);
	put(p.bench, "",
		"bench: rig\ntitle: rig\nadapters:\n  loop: {driver: loopback}\n"
		"roles:\n  trib:\n    adapter: loop\n    channels: e1-{1..4}\n");
	assert_int_equal(evl_runner_fit(&fit, &p.args, &err), EVL_OK);
	assert_false(fit.fit.fits);
	assert_int_equal(fit.fit.roles[0].missing, 4);
	evl_runner_fit_finish(&fit);
	place_down(&p);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(verdicts),
		cmocka_unit_test(mistakes),
		cmocka_unit_test(clocks_of_a_take),
		cmocka_unit_test(replays_of_this_and_of_the_reference_run),
		cmocka_unit_test(no_run_is_its_own_reference_by_mistake),
		cmocka_unit_test(a_run_without_recordings_is_no_reference),
		cmocka_unit_test(same_seed_same_results),
		cmocka_unit_test(stopping_keeps_what_was_measured),
		cmocka_unit_test(chosen_cases_and_fit),
	};
	return cmocka_run_group_tests_name("script.runner", tests, NULL, NULL);
}
