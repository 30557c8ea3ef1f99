/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Trace messages. Outside facts: ITU-T G.707 Annex B (16 bytes, marker, CRC-7 x^7+x^3+1 of the
 * period before); two CRC-7 results published on the mailing list of a general-purpose library
 * ("123456789ABCDEF" -> 0x62, "TTI UNAVAILABLE" -> 0x23); the other CRC-7 values by polynomial
 * division written out in this file. CR LF at the end of 64 bytes: ANSI T1.105 (from memory).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/trace.h"
#include "core/signal/rng.h"

/* Remainder of the division by x^7+x^3+1, one bit after the other, of 16 bytes that begin with 80.
 */
static uint8_t divide(const char *text15)
{
	unsigned rest = 0;
	for (int i = 0; i < 16; i++) {
		unsigned byte = i == 0 ? 0x80 : (uint8_t)text15[i - 1];
		for (int bit = 7; bit >= 0; bit--) {
			rest ^= (byte >> bit & 1) << 6;
			rest = rest & 0x40 ? (rest << 1 ^ 0x09) & 0x7f : rest << 1;
		}
	}
	return (uint8_t)rest;
}

static struct evl_trace make(enum evl_trace_kind kind, const char *text)
{
	struct evl_trace t;
	struct evl_err err = {0};
	assert_int_equal(evl_trace_set(&t, kind, text, &err), EVL_OK);
	return t;
}

static void test_vectors(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		uint8_t crc;
	} rows[] = {{"123456789ABCDEF", 0x62}, {"TTI UNAVAILABLE", 0x23}};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_trace t = make(EVL_TRACE_16, rows[i].text);
		assert_int_equal(t.bytes[0], 0x80 | rows[i].crc);
		assert_int_equal(divide(rows[i].text), rows[i].crc);
		assert_memory_equal(t.bytes + 1, rows[i].text, 15);
	}
	static const char *const others[] = {
		"               ", "abcdefghijklmno", "EXCHANGE 7     "};
	for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
		struct evl_trace t = make(EVL_TRACE_16, others[i]);
		assert_int_equal(t.bytes[0], 0x80 | divide(others[i]));
	}
}

static void test_sender(void **state)
{
	(void)state;
	struct evl_trace t = make(EVL_TRACE_16, "A"), long_one = make(EVL_TRACE_64, "node 4");
	assert_memory_equal(t.bytes + 1, "A              ", 15);
	for (uint64_t n = UINT64_MAX - 40; n != 40; n++) {
		assert_int_equal(evl_trace_byte(&t, n), t.bytes[n % 16]);
		assert_int_equal(evl_trace_byte(&long_one, n), long_one.bytes[n % 64]);
	}
	assert_int_equal(evl_trace_byte(&long_one, 62), 0x0d);
	assert_int_equal(evl_trace_byte(&long_one, 63), 0x0a);
	assert_int_equal(evl_trace_byte(&long_one, 5), '4');
	assert_int_equal(evl_trace_byte(&long_one, 6), 0);
	struct evl_trace one = make(EVL_TRACE_ONE, "cF");
	assert_int_equal(evl_trace_byte(&one, 12345), 0xcf);
}

static void test_bad_text(void **state)
{
	(void)state;
	static const struct {
		enum evl_trace_kind kind;
		const char *text, *says;
	} rows[] = {
		{EVL_TRACE_16, "1234567890123456", "holds 15 characters"},
		{EVL_TRACE_64, "0123456789012345678901234567890123456789012345678901234567890123",
			"holds 62 characters"},
		{EVL_TRACE_16, "a\tb", "character 2 of the trace is 0x09"},
		{EVL_TRACE_16, "\xc3\xa4", "character 1 of the trace is 0xC3"},
		{EVL_TRACE_64, "a\r\n", "character 2 of the trace is 0x0D"},
		{EVL_TRACE_ONE, "", "two hexadecimal digits"},
		{EVL_TRACE_ONE, "1", "two hexadecimal digits"},
		{EVL_TRACE_ONE, "123", "two hexadecimal digits"},
		{EVL_TRACE_ONE, "1G", "two hexadecimal digits"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_trace t;
		struct evl_err err = {0};
		assert_int_equal(
			evl_trace_set(&t, rows[i].kind, rows[i].text, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, rows[i].says));
		assert_int_equal(t.kind, EVL_TRACE_NONE);
	}
}

static void test_text(void **state)
{
	(void)state;
	char text[EVL_TRACE_TEXT];
	struct evl_trace t = make(EVL_TRACE_16, "C:\\x ");
	assert_string_equal(evl_trace_text(&t, text), "C:\\x5Cx");
	t.bytes[3] = 0x07;
	assert_string_equal(evl_trace_text(&t, text), "C:\\x07x");
	t = make(EVL_TRACE_64, "Nowhere street 1");
	assert_string_equal(evl_trace_text(&t, text), "Nowhere street 1");
	t = make(EVL_TRACE_ONE, "0a");
	assert_string_equal(evl_trace_text(&t, text), "0A");
	struct evl_trace all = {.kind = EVL_TRACE_64};
	memset(all.bytes, 0xff, sizeof all.bytes);
	assert_int_equal(strlen(evl_trace_text(&all, text)), 62 * 4);
	assert_string_equal(evl_trace_text(&(struct evl_trace){0}, text), "");
}

/* Feeds units [from, to) and notes the first unit at which `change` came, or -1. */
static long feed(
	struct evl_trace_rx *rx, const struct evl_trace *t, long from, long to, uint32_t change)
{
	long at = -1;
	for (long n = from; n < to; n++) {
		uint32_t got = evl_trace_rx_byte(rx, evl_trace_byte(t, (uint64_t)n));
		if ((got & change) && at < 0) {
			at = n;
		}
	}
	return at;
}

/* From any phase: accepted with the last byte of the third whole period, or 64 equal bytes. */
static void test_accept(void **state)
{
	(void)state;
	struct evl_trace t16 = make(EVL_TRACE_16, "EXCHANGE 7"), t64 = make(EVL_TRACE_64, "a b");
	struct evl_trace one = make(EVL_TRACE_ONE, "01");
	struct evl_trace_rx rx;
	for (long phase = 0; phase < 64; phase++) {
		evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
		long first = (phase + 15) / 16 * 16; /* the first whole period */
		assert_int_equal(feed(&rx, &t16, phase, phase + 1000, EVL_TRACE_CHANGE_ACCEPTED),
			first + 47);
		assert_true(evl_trace_equal(&rx.accepted, &t16));
		evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
		/* Of 64 bytes the phase is known by CR LF alone: three times 64 bytes, then LF. */
		long at = feed(&rx, &t64, phase, phase + 1000, EVL_TRACE_CHANGE_ACCEPTED);
		assert_int_equal(at, (phase + 63) / 64 * 64 + 191);
		assert_true(evl_trace_equal(&rx.accepted, &t64));
		evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
		assert_int_equal(feed(&rx, &one, 0, 1000, EVL_TRACE_CHANGE_ACCEPTED), 63);
		assert_true(evl_trace_equal(&rx.accepted, &one));
		assert_int_equal(rx.crc_errors, 0);
	}
}

static void test_tim(void **state)
{
	(void)state;
	struct evl_trace good = make(EVL_TRACE_16, "EXCHANGE 7");
	struct evl_trace bad = make(EVL_TRACE_16, "EXCHANGE 8");
	struct evl_trace_rx rx;
	evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
	evl_trace_rx_expect(&rx, &good);
	assert_int_equal(feed(&rx, &good, 0, 160, EVL_TRACE_CHANGE_TIM), -1);
	/* The other text from unit 160 on. Its first marker carries its own CRC-7, which is not
	 * that of the period before: one CRC error; the text is accepted all the same after three
	 * periods, because the markers of the second and third are right. */
	assert_int_equal(feed(&rx, &bad, 160, 320, EVL_TRACE_CHANGE_TIM), 160 + 47);
	assert_true(rx.tim);
	assert_true(evl_trace_equal(&rx.accepted, &bad));
	assert_int_equal(rx.crc_errors, 1);
	assert_int_equal(feed(&rx, &good, 320, 480, EVL_TRACE_CHANGE_TIM), 320 + 47);
	assert_false(rx.tim);
	/* Two periods of another text are not enough. */
	assert_int_equal(feed(&rx, &bad, 480, 512, EVL_TRACE_CHANGE_TIM), -1);
	assert_int_equal(feed(&rx, &good, 512, 800, EVL_TRACE_CHANGE_TIM), -1);
	assert_false(rx.tim);
	/* Another expectation is judged at once, and another kind is a mismatch. */
	evl_trace_rx_expect(&rx, &bad);
	assert_true(rx.tim);
	evl_trace_rx_expect(&rx, NULL);
	assert_false(rx.tim);
	struct evl_trace one = make(EVL_TRACE_ONE, "01");
	evl_trace_rx_expect(&rx, &good);
	assert_int_equal(feed(&rx, &one, 0, 100, EVL_TRACE_CHANGE_TIM), 63);
	evl_trace_rx_cut(&rx);
	assert_false(rx.tim);
	assert_int_equal(rx.accepted.kind, EVL_TRACE_NONE);
	assert_int_equal(feed(&rx, &one, 0, 100, EVL_TRACE_CHANGE_TIM), 63);
}

/* A wrong CRC-7 in every period: never accepted, given up after `patience` bytes. */
static void test_crc_and_patience(void **state)
{
	(void)state;
	struct evl_trace t = make(EVL_TRACE_16, "EXCHANGE 7"), wrong = t;
	struct evl_trace_rx rx;
	wrong.bytes[0] ^= 0x01;
	evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
	evl_trace_rx_expect(&rx, &t);
	assert_int_equal(feed(&rx, &t, 0, 160, EVL_TRACE_CHANGE_ACCEPTED), 47);
	assert_int_equal(feed(&rx, &wrong, 160, 160 + 800, EVL_TRACE_CHANGE_TIM), 160 + 799);
	assert_int_equal(rx.crc_errors, 50);
	assert_true(rx.tim);
	assert_int_equal(rx.accepted.kind, EVL_TRACE_NONE);
	/* The characters were right all the time: the two right markers vouch for the period
	 * before. */
	assert_int_equal(feed(&rx, &t, 960, 1200, EVL_TRACE_CHANGE_TIM), 960 + 31);
	/* Without an expected trace nothing but the loss is told; patience 0 waits for ever. */
	evl_trace_rx_init(&rx, 0);
	evl_trace_rx_expect(&rx, &t);
	assert_int_equal(feed(&rx, &wrong, 0, 10000, 7), -1);
	/* One errored character in a steady trace: one CRC error and nothing else. */
	evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
	evl_trace_rx_expect(&rx, &t);
	feed(&rx, &t, 0, 160, 0);
	assert_int_equal(evl_trace_rx_byte(&rx, t.bytes[0]), 0);
	assert_int_equal(evl_trace_rx_byte(&rx, t.bytes[1] ^ 0x10), 0);
	assert_int_equal(feed(&rx, &t, 162, 1000, 7), -1);
	assert_int_equal(rx.crc_errors, 1);
}

static void test_ambiguous(void **state)
{
	(void)state;
	struct evl_trace_rx rx;
	/* 16 bytes that end in CR LF have the period 64 as well: they are 16-byte traces. */
	struct evl_trace t = make(EVL_TRACE_16, "123456789ABCD");
	t.bytes[14] = 0x0d;
	t.bytes[15] = 0x0a;
	t.bytes[0] = 0x80 | divide((const char *)t.bytes + 1);
	evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
	assert_int_equal(feed(&rx, &t, 0, 48, EVL_TRACE_CHANGE_ACCEPTED), 47);
	assert_int_equal(feed(&rx, &t, 48, 3000, 7), -1);
	assert_int_equal(rx.accepted.kind, EVL_TRACE_16);
	/* CR LF at two places of 64: which is the end cannot be known. */
	struct evl_trace two = make(EVL_TRACE_64, "text");
	two.bytes[20] = 0x0d;
	two.bytes[21] = 0x0a;
	evl_trace_rx_init(&rx, 0);
	assert_int_equal(feed(&rx, &two, 0, 3000, 7), -1);
	/* 62 equal bytes within 64 are no 1-byte trace. */
	struct evl_trace empty = make(EVL_TRACE_64, "");
	evl_trace_rx_init(&rx, 0);
	feed(&rx, &empty, 0, 3000, 0);
	assert_int_equal(rx.accepted.kind, EVL_TRACE_64);
}

/* A slab with a stride gives the same changes at the same units as byte after byte, on noise too.
 */
static void test_slab(void **state)
{
	(void)state;
	enum { STRIDE = 7, COUNT = 4096 };
	static uint8_t slab[STRIDE * COUNT];
	struct evl_trace t = make(EVL_TRACE_16, "EXCHANGE 7"), u = make(EVL_TRACE_64, "b");
	struct evl_rng rng;
	struct evl_trace_rx a, b;
	evl_rng_init(&rng, 3, 0);
	for (size_t i = 0; i < COUNT; i++) {
		uint64_t r = evl_rng_next(&rng);
		slab[i * STRIDE] = i < 1000   ? evl_trace_byte(&t, i)
				   : i < 2000 ? (uint8_t)r
				   : i < 3000 ? evl_trace_byte(&u, i)
					      : (uint8_t)((r & 1) ? 0x80 : 0x0d);
	}
	evl_trace_rx_init(&a, 100);
	evl_trace_rx_init(&b, 100);
	evl_trace_rx_expect(&a, &t);
	evl_trace_rx_expect(&b, &t);
	size_t i = 0, changes_seen = 0;
	while (i < COUNT) {
		uint32_t changes;
		size_t taken =
			evl_trace_rx_take(&a, slab + i * STRIDE, STRIDE, COUNT - i, &changes);
		assert_in_range(taken, 1, COUNT - i);
		for (size_t k = 0; k < taken; k++) {
			uint32_t one = evl_trace_rx_byte(&b, slab[(i + k) * STRIDE]);
			assert_int_equal(one, k + 1 == taken ? changes : 0);
		}
		i += taken;
		changes_seen += changes != 0;
	}
	assert_true(changes_seen >= 4);
	assert_int_equal(evl_trace_rx_take(&a, slab, 1, 0, &(uint32_t){0}), 0);
}

/* ---- the rules of trace.h written out over the whole history ---- */

struct slow {
	const uint8_t *all;
	size_t count;
	struct evl_trace accepted, expected;
	uint32_t quiet;
	bool tim;
};

static bool slow_16(const uint8_t *end, size_t count, struct evl_trace *seen)
{
	if (count < 48) {
		return false;
	}
	for (int p = 0; p < 3; p++) {
		const uint8_t *period = end - 48 + 16 * p;
		uint8_t marker = 0x80 | divide((const char *)end - 15);
		if (!(period[0] & 0x80) || memcmp(period + 1, end - 15, 15) != 0 ||
			(p > 0 && period[0] != marker)) {
			return false;
		}
		for (int i = 1; i < 16; i++) {
			if (period[i] & 0x80) {
				return false;
			}
		}
	}
	*seen = (struct evl_trace){.kind = EVL_TRACE_16};
	memcpy(seen->bytes, end - 16, 16);
	return true;
}

static bool slow_other(const uint8_t *end, size_t count, struct evl_trace *seen)
{
	size_t run = 1, ends = 0;
	while (run < count && run < 64 && end[-1 - (long)run] == end[-1]) {
		run++;
	}
	if (run == 64) {
		evl_trace_set_byte(seen, end[-1]);
		return true;
	}
	if (count < 192 || memcmp(end - 64, end - 128, 64) != 0 ||
		memcmp(end - 64, end - 192, 64) != 0 || end[-1] != 0x0a || end[-2] != 0x0d) {
		return false;
	}
	for (int i = -64; i < -1; i++) {
		ends += end[i] == 0x0d && end[i + 1] == 0x0a;
	}
	*seen = (struct evl_trace){.kind = EVL_TRACE_64};
	memcpy(seen->bytes, end - 64, 64);
	return ends == 1;
}

static void slow_byte(struct slow *s)
{
	struct evl_trace seen;
	const uint8_t *end = s->all + ++s->count;
	s->quiet++;
	if (slow_other(end, s->count, &seen) || slow_16(end, s->count, &seen)) {
		s->accepted = seen;
		s->quiet = 0;
		s->tim = !evl_trace_equal(&seen, &s->expected);
	} else if (s->quiet == 100) {
		s->accepted = (struct evl_trace){0};
		s->tim = true;
	}
}

/* Traces cut anywhere, with bit errors, one after the other: the same as the slow rules. */
static void test_against_rules(void **state)
{
	(void)state;
	enum { COUNT = 200000 };
	static uint8_t all[COUNT];
	struct evl_trace traces[6] = {make(EVL_TRACE_16, "EXCHANGE 7"),
		make(EVL_TRACE_16, "EXCHANGE 8"), make(EVL_TRACE_64, "a long one"),
		make(EVL_TRACE_ONE, "01"), make(EVL_TRACE_16, ""), make(EVL_TRACE_ONE, "89")};
	struct evl_rng rng;
	evl_rng_init(&rng, 7, 0);
	for (size_t n = 0; n < COUNT;) {
		const struct evl_trace *t = &traces[evl_rng_below(&rng, 6)];
		uint64_t phase = evl_rng_below(&rng, 64), length = 1 + evl_rng_below(&rng, 400);
		bool noisy = evl_rng_below(&rng, 2) == 0;
		for (; length > 0 && n < COUNT; length--, n++) {
			bool hit = noisy && evl_rng_below(&rng, 60) == 0;
			all[n] = evl_trace_byte(t, phase++) ^
				 (hit ? 1u << evl_rng_below(&rng, 8) : 0);
		}
	}
	struct slow s = {.all = all, .expected = traces[0]};
	struct evl_trace_rx rx;
	size_t changes_seen = 0;
	evl_trace_rx_init(&rx, 100);
	evl_trace_rx_expect(&rx, &traces[0]);
	for (size_t n = 0; n < COUNT; n++) {
		bool tim = rx.tim;
		struct evl_trace before = rx.accepted;
		uint32_t changes = evl_trace_rx_byte(&rx, all[n]);
		slow_byte(&s);
		if (rx.tim != s.tim || !evl_trace_equal(&rx.accepted, &s.accepted)) {
			fail_msg("byte %zu: kind %d, by the rules %d", n, (int)rx.accepted.kind,
				(int)s.accepted.kind);
		}
		assert_int_equal((changes & EVL_TRACE_CHANGE_TIM) != 0, tim != rx.tim);
		assert_int_equal(
			(changes & (EVL_TRACE_CHANGE_ACCEPTED | EVL_TRACE_CHANGE_LOST)) != 0,
			!evl_trace_equal(&before, &rx.accepted));
		changes_seen += changes != 0;
	}
	assert_true(changes_seen > 500);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_vectors),
		cmocka_unit_test(test_sender),
		cmocka_unit_test(test_bad_text),
		cmocka_unit_test(test_text),
		cmocka_unit_test(test_accept),
		cmocka_unit_test(test_tim),
		cmocka_unit_test(test_crc_and_patience),
		cmocka_unit_test(test_ambiguous),
		cmocka_unit_test(test_slab),
		cmocka_unit_test(test_against_rules),
	};
	return cmocka_run_group_tests_name("frame.trace", tests, NULL, NULL);
}
