/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The messages of the pipe protocol: bytes worked by hand from docs/process.md, every message there
 * and back, every message cut or lengthened, and seeded hostile bytes by the function that the
 * fuzzer uses. A codec in another language (Python's struct module) speaks with this one in
 * test_process.c.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "adapters/process/wire.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void test_bytes(void **state)
{
	struct wire_buffer b = {0};
	struct wire_header h;
	(void)state;
	/* poll, request 258, room for 16 events */
	static const uint8_t poll[] = {4, 0, 0, 0, 7, 0, 0, 0, 2, 1, 0, 0, 16, 0, 0, 0};
	wire_begin(&b, WIRE_POLL, 258);
	wire_put_u32(&b, 16);
	wire_end(&b);
	assert_int_equal(b.len, sizeof poll);
	assert_memory_equal(b.data, poll, sizeof poll);
	/* the refusal of request 3, exchange, with code 3 (state) and the text "no" */
	static const uint8_t refused[] = {2, 0, 0, 0, 6, 0x80, 3, 0, 3, 0, 0, 0, 'n', 'o'};
	wire_begin_reply(&b, WIRE_EXCHANGE, 3, EVL_ADAPTER_E_STATE);
	wire_put_bytes(&b, "no", 2);
	wire_end(&b);
	assert_int_equal(b.len, sizeof refused);
	assert_memory_equal(b.data, refused, sizeof refused);
	assert_true(wire_get_header(b.data, &h));
	assert_true(h.reply);
	assert_int_equal(h.code, 3);
	/* one event: channel 5, LOS, raised, 1 000 000 ns */
	static const uint8_t event[] = {
		1, 0, 0, 0, 5, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0x40, 0x42, 0x0F, 0, 0, 0, 0, 0};
	struct evl_event e[2];
	uint32_t n;
	struct wire_reader r = wire_read(event, sizeof event);
	assert_true(wire_get_events(&r, e, 2, &n));
	assert_int_equal(n, 1);
	assert_int_equal(e[0].channel, 5);
	assert_int_equal(e[0].alarm, EVL_ABI_LOS);
	assert_true(e[0].raised);
	assert_int_equal(e[0].at_ns, 1000000);
	/* open: seed 7, virtual time, build "B", one option a = b of line 9 */
	static const uint8_t open[] = {7, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 'B', 1, 0, 0,
		0, 1, 0, 0, 0, 'a', 1, 0, 0, 0, 'b', 9, 0, 0, 0};
	struct evl_open_args args;
	void *memory;
	r = wire_read(open, sizeof open);
	assert_true(wire_get_open(&r, &args, &memory));
	assert_int_equal(args.seed, 7);
	assert_true(args.virtual_time);
	assert_string_equal(args.build, "B");
	assert_int_equal(args.option_count, 1);
	assert_string_equal(args.options[0].path, "a");
	assert_string_equal(args.options[0].value, "b");
	assert_int_equal(args.options[0].line, 9);
	free(memory);
	wire_finish(&b);
}

static void test_headers(void **state)
{
	static const struct {
		uint8_t bytes[WIRE_HEADER_BYTES];
		bool good;
	} rows[] = {
		{{0, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0}, true},
		{{0, 0, 0, 0, 11, 0x80, 5, 0, 1, 0, 0, 0}, true},
		{{0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0}, false},     /* no call 0 */
		{{0, 0, 0, 0, 12, 0, 0, 0, 1, 0, 0, 0}, false},    /* nor 12 */
		{{0, 0, 0, 0, 1, 1, 0, 0, 1, 0, 0, 0}, false},     /* nor 257 */
		{{0, 0, 0, 0, 11, 0x80, 6, 0, 1, 0, 0, 0}, false}, /* no code 6 */
		{{0, 0, 0, 0, 1, 0, 1, 0, 1, 0, 0, 0}, false},     /* a request has none */
	};
	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct wire_header h;
		assert_int_equal(wire_get_header(rows[i].bytes, &h), rows[i].good);
	}
}

/* Bodies of each kind, by the numbers that fuzz_process.c gives to the readers. */
static void make(unsigned which, struct wire_buffer *b)
{
	static const struct evl_adapter_option options[] = {
		{"line", "looped", 3}, {"builds.B.faults[0].kind", "", 70000}};
	wire_begin(b, WIRE_POLL, 1);
	if (which == 0) {
		wire_put_hello(b);
	} else if (which == 1) {
		struct wire_hello h = {.major = 1,
			.abi_major = 1,
			.capabilities = 5,
			.offers = 3,
			.name = "echo",
			.version = "2",
			.description = "\xC3\xA9"};
		wire_put_hello_reply(b, &h);
	} else if (which == 2) {
		struct evl_open_args args = {.version = 1,
			.options = options,
			.option_count = 2,
			.build = "A",
			.seed = UINT64_MAX - 1,
			.virtual_time = true};
		wire_put_open(b, &args);
	} else if (which == 3) {
		struct evl_channel_info c[2] = {
			{.name = "e1-1", .port = "p", .rate = 1, .abilities = 63},
			{.name = "line", .port = "line", .rate = 3}};
		memset(c[1].name, 'x', sizeof c[1].name - 1);
		wire_put_channels(b, c, 2);
	} else if (which == 4) {
		struct evl_arm a[2] = {{.channel = 1, .play = true, .clock_ppb = -50000},
			{.channel = 9, .capture = true}};
		wire_put_arm(b, a, 2, 64);
	} else if (which == 5) {
		uint64_t at[5] = {0, 1, 2, UINT64_MAX, 1u << 31};
		wire_put_started(b, at, 5);
	} else if (which == 6) {
		struct evl_event e[3] = {{.channel = 1, .alarm = 2, .raised = true, .at_ns = 3}};
		wire_put_events(b, e, 3);
	} else if (which == 7) {
		struct evl_inject j = {.kind = 6,
			.channel = 2,
			.alarm = 3,
			.numerator = 4,
			.denominator = 5,
			.at_ns = 6,
			.duration_ns = 7,
			.slip_bits = -8,
			.path = 9};
		wire_put_inject(b, &j);
	} else if (which == 8) {
		struct evl_setting s[2] = {
			{.kind = 3, .channel = 63, .path = 1, .field = "J1", .text = "x y"},
			{.kind = 1, .field = "", .text = ""}};
		wire_put_settings(b, s, 2);
	} else {
		struct evl_slab s[5] = {{.channel = 1, .tx_bytes = 10, .rx_bytes = 74}};
		if (which == 9) {
			wire_put_slabs(b, s, 5, 8);
		} else {
			wire_put_slabs_reply(b, s, 5);
		}
	}
	wire_end(b);
	assert_false(b->failed);
}

static bool reads(unsigned which, const uint8_t *body, size_t n)
{
	struct wire_reader r = wire_read(body, n);
	struct wire_hello h;
	struct evl_open_args args;
	struct evl_channel_info c[4];
	struct evl_arm a[4];
	uint64_t at[5];
	struct evl_event e[4];
	struct evl_inject j;
	struct evl_setting *list = NULL;
	struct evl_slab s[5] = {{.rx_bytes = 74}};
	void *memory = NULL;
	uint32_t x, y;
	bool good = false;
	switch (which) {
	case 0:
		return wire_get_hello(&r, &x, &y);
	case 1:
		return wire_get_hello_reply(&r, &h);
	case 2:
		good = wire_get_open(&r, &args, &memory);
		free(memory);
		return good;
	case 3:
		return wire_get_channels(&r, c, 4, &x);
	case 4:
		return wire_get_arm(&r, a, 4, &x, &y);
	case 5:
		return wire_get_started(&r, at, 5);
	case 6:
		return wire_get_events(&r, e, 4, &x);
	case 7:
		return wire_get_inject(&r, &j);
	case 8:
		good = wire_get_settings(&r, &list, &x);
		free(list);
		return good;
	case 9:
		return wire_get_slabs(&r, s, 5, &x);
	default:
		return wire_get_slabs_reply(&r, s, 5);
	}
}

static void test_lengths(void **state)
{
	(void)state;
	for (unsigned which = 0; which <= 10; which++) {
		struct wire_buffer b = {0};
		make(which, &b);
		size_t n = b.len - WIRE_HEADER_BYTES;
		uint8_t *body = malloc(n + 2);
		assert_non_null(body);
		body[0] = (uint8_t)which;
		memcpy(body + 1, b.data + WIRE_HEADER_BYTES, n);
		body[n + 1] = 0;
		assert_true(reads(which, body + 1, n));
		LLVMFuzzerTestOneInput(body, n + 1); /* the same bytes again */
		for (size_t cut = 0; cut < n; cut++) {
			uint8_t *exact = malloc(cut > 0 ? cut : 1);
			assert_non_null(exact);
			memcpy(exact, body + 1, cut);
			if (reads(which, exact, cut)) {
				fail_msg("message %u of %zu bytes is read from %zu", which, n, cut);
			}
			free(exact);
		}
		assert_false(reads(which, body + 1, n + 1));
		free(body);
		wire_finish(&b);
	}
}

/* Lengths and counts that promise more than there is, or too much. */
static void test_out_of_range(void **state)
{
	(void)state;
	static const uint8_t many[] = {0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0};
	for (unsigned which = 1; which <= 10; which++) {
		if (which !=
			4) { /* an arm of no channels, of slabs too long: for the adapter to say */
			assert_false(reads(which, many, sizeof many));
		}
		assert_false(reads(which, many, 4));
		assert_false(reads(which, many, 0));
	}
	uint8_t nul[] = {1, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 'p', 1, 0, 0, 0, 1, 0, 0, 0};
	assert_false(reads(3, nul, sizeof nul)); /* a NUL within a name */
	nul[8] = 'n';
	assert_true(reads(3, nul, sizeof nul));
	uint8_t raised[24] = {1, 0, 0, 0, 5, 0, 0, 0, 1, 0, 0, 0, 2};
	assert_false(reads(6, raised, sizeof raised)); /* neither raised nor cleared */
	uint8_t more[44] = {5, 0, 0, 0, 75};
	assert_false(reads(10, more, sizeof more)); /* more bits than there is room for */
	more[4] = 74;
	assert_true(reads(10, more, sizeof more));
	char long_name[4 + 48 + 12];
	memset(long_name, 'a', sizeof long_name);
	memcpy(long_name, "\x30\0\0\0", 4);
	struct wire_reader r = wire_read(long_name, sizeof long_name);
	char out[48];
	wire_get_text(&r, out, sizeof out); /* 48 bytes and a NUL do not fit */
	assert_true(r.bad);
	assert_string_equal(out, "");
}

static void test_hostile(void **state)
{
	uint64_t s = 12345; /* xorshift64, Marsaglia 2003 */
	(void)state;
	for (int round = 0; round < 40000; round++) {
		uint8_t data[400];
		struct wire_buffer b = {0};
		s ^= s << 13;
		s ^= s >> 7;
		s ^= s << 17;
		unsigned which = (unsigned)(s >> 33) % 11;
		make(which, &b);
		size_t n = b.len - WIRE_HEADER_BYTES;
		data[0] = (uint8_t)which;
		memcpy(data + 1, b.data + WIRE_HEADER_BYTES, n);
		for (unsigned k = (unsigned)(s >> 60) + 1; k > 0; k--) {
			s ^= s << 13;
			s ^= s >> 7;
			s ^= s << 17;
			size_t at = 1 + (size_t)(s >> 20) % n;
			data[at] = (s & 3) == 0   ? 0xFF
				   : (s & 3) == 1 ? (uint8_t)(data[at] ^ 1u << (s >> 8 & 7))
						  : (uint8_t)(s >> 40);
		}
		LLVMFuzzerTestOneInput(data, n + 1 - (size_t)(s >> 50) % (round % 3 ? 1 : n));
		wire_finish(&b);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_bytes),
		cmocka_unit_test(test_headers),
		cmocka_unit_test(test_lengths),
		cmocka_unit_test(test_out_of_range),
		cmocka_unit_test(test_hostile),
	};
	return cmocka_run_group_tests_name("adapters.wire", tests, NULL, NULL);
}
