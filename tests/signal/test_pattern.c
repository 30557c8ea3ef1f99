/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Every kind of pattern against its definition bit by bit: registers with the stages of ITU-T
 * O.150 clause 5, words repeated, the layout of the counter pattern as pattern.h draws it with the
 * CRC-32 of RFC 1662 worked bit by bit. Fixed words and their densities: T1 family (ANSI T1.403
 * usage, from memory).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/bits.h"
#include "core/signal/pattern.h"
#include "core/signal/rng.h"
#include "core/signal/simd.h"

static void names_there_and_back(void **state)
{
	(void)state;
	struct evl_err err = {0};
	struct evl_pattern p;
	char name[EVL_PATTERN_NAME_MAX];
	size_t known = 0;
	for (; evl_pattern_known(known) != NULL; known++) {
		for (int inverted = 0; inverted < 2; inverted++) {
			char text[64];
			strcpy(text, evl_pattern_known(known));
			strcat(text, inverted ? " inverted" : "");
			assert_int_equal(evl_pattern_parse(&p, text, &err), EVL_OK);
			assert_int_equal(p.inverted, inverted);
			struct evl_pattern again;
			assert_int_equal(
				evl_pattern_parse(&again, evl_pattern_name(name, &p), &err),
				EVL_OK);
			assert_true(evl_pattern_same(&p, &again));
		}
	}
	assert_int_equal(known, 8 + 6 + 1);
	static const struct {
		const char *text, *name;
		uint64_t period;
	} some[] = {
		{"word 10101010", "alternating", 2},
		{"word 1111", "all ones", 1},
		{"word 01", "word 01", 2},
		{"word 0100", "word 0100", 4},
		{"word 01000100", "word 0100", 4},
		{"word 01000000 inverted", "1 in 8 inverted", 8},
		{"word 1111111111111111111111111111111111111111111111111111111111111110",
			"word 1111111111111111111111111111111111111111111111111111111111111110",
			64},
		{"counter 128", "counter 128", (UINT64_C(1) << 48) * 1024},
		{"2^20-1", "2^20-1", 1048575},
		{"QRSS inverted", "QRSS inverted", 1048575},
	};
	for (size_t i = 0; i < sizeof some / sizeof *some; i++) {
		assert_int_equal(evl_pattern_parse(&p, some[i].text, &err), EVL_OK);
		assert_string_equal(evl_pattern_name(name, &p), some[i].name);
		assert_int_equal(evl_pattern_period(&p), some[i].period);
	}
}

static void bad_names(void **state)
{
	(void)state;
	static const struct {
		const char *text, *wanted;
	} bad[] = {
		{"", "2^15-1"},
		{"2^16-1", "2^16-1"},
		{"inverted", "is not known"},
		{" inverted", "is not known"},
		{"2^15-1 Inverted", "is not known"},
		{"word", "is not known"},
		{"word ", "1 to 64 digits"},
		{"word 12", "1 to 64 digits"},
		{"word 11111111111111111111111111111111111111111111111111111111111111110",
			"1 to 64 digits"},
		{"counter 31", "32 to 1024"},
		{"counter 1025", "32 to 1024"},
		{"counter -64", "32 to 1024"},
		{"counter 99999999999999999999", "32 to 1024"},
		{"counter 64 bytes", "32 to 1024"},
	};
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		struct evl_err err = {0};
		struct evl_pattern p;
		assert_int_equal(evl_pattern_parse(&p, bad[i].text, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, bad[i].wanted));
	}
	char lengthy[5000];
	memset(lengthy, 'x', sizeof lengthy);
	lengthy[sizeof lengthy - 1] = '\0';
	struct evl_err err = {0};
	struct evl_pattern p;
	assert_int_equal(evl_pattern_parse(&p, lengthy, &err), EVL_E_INVALID);
}

/* Hex and density of the fixed patterns, from memory; densities counted. */
static void fixed_bytes(void **state)
{
	(void)state;
	static const struct {
		const char *name;
		uint8_t bytes[3];
		unsigned ones; /* of 24 */
	} fixed[] = {
		{"all ones", {0xff, 0xff, 0xff}, 24},
		{"all zeros", {0, 0, 0}, 0},
		{"alternating", {0xaa, 0xaa, 0xaa}, 12},
		{"1 in 8", {0x40, 0x40, 0x40}, 3},
		{"2 in 8", {0x42, 0x42, 0x42}, 6},
		{"3 in 24", {0x44, 0x00, 0x04}, 3},
	};
	for (size_t i = 0; i < sizeof fixed / sizeof *fixed; i++) {
		struct evl_err err = {0};
		struct evl_pattern p;
		struct evl_source s;
		uint8_t got[3];
		assert_int_equal(evl_pattern_parse(&p, fixed[i].name, &err), EVL_OK);
		evl_source_start(&s, &p, 0);
		evl_source_fill(&s, got, 3);
		assert_memory_equal(got, fixed[i].bytes, 3);
		assert_int_equal(evl_bits_count_ones(got, 3), fixed[i].ones);
	}
}

/* RFC 1662 C.3, one bit at a time. */
static uint32_t crc32_serial(const uint8_t *data, size_t bytes)
{
	uint32_t crc = 0xffffffff;
	for (size_t i = 0; i < bytes * 8; i++) {
		uint32_t in = data[i / 8] >> i % 8 & 1;
		crc = crc >> 1 ^ ((crc ^ in) & 1 ? 0xedb88320u : 0);
	}
	return ~crc;
}

/* Bits 0 .. 8*bytes-1 of any pattern, by definition. */
static uint8_t *by_definition(
	const struct evl_pattern *p, size_t bytes, const uint8_t *user, uint64_t user_bits)
{
	static const unsigned stages[EVL_PRBS_KINDS][2] = {
		{9, 5}, {11, 9}, {15, 14}, {20, 3}, {20, 17}, {23, 18}, {29, 27}, {31, 28}};
	uint8_t *out = calloc(1, bytes);
	assert_non_null(out);
	uint64_t reg = UINT64_MAX; /* of the counter's body or of the pattern; stage i: bit i-1 */
	uint8_t header[16] = {0xf6, 0x28, 0xa5, 0x3c};
	for (uint64_t i = 0; i < (uint64_t)bytes * 8; i++) {
		bool bit = false;
		if (p->kind == EVL_PATTERN_WORD) {
			bit = p->word >> (p->word_bits - 1 - i % p->word_bits) & 1;
		} else if (p->kind == EVL_PATTERN_USER) {
			bit = evl_bits_get(user, i % user_bits);
		} else {
			enum evl_prbs_kind kind =
				p->kind == EVL_PATTERN_PRBS ? p->prbs : EVL_PRBS15;
			unsigned n = stages[kind][0], k = stages[kind][1];
			uint64_t block =
				i / 8 / (p->kind == EVL_PATTERN_COUNTER ? p->block_bytes : 1);
			uint64_t into = i - block * 8 * p->block_bytes;
			if (p->kind == EVL_PATTERN_COUNTER && into < 128) {
				uint64_t number = block ^ 0xc35aa53c695a;
				unsigned channel = p->channel ^ 0x5a96u;
				header[4] = (uint8_t)(channel >> 8);
				header[5] = (uint8_t)channel;
				for (int b = 0; b < 6; b++) {
					header[6 + b] = (uint8_t)(number >> (40 - 8 * b));
				}
				uint32_t crc = crc32_serial(header, 12);
				for (int b = 0; b < 4; b++) {
					header[12 + b] = (uint8_t)(crc >> (24 - 8 * b));
				}
				bit = evl_bits_get(header, into);
			} else {
				bit = reg >> (n - 1) & 1;
				if (kind == EVL_QRSS && (reg >> 5 & 0x3fff) == 0) {
					bit = true;
				}
				bit ^= n == 15 || n >= 23;
				reg = reg << 1 | ((reg >> (n - 1) ^ reg >> (k - 1)) & 1);
			}
		}
		if (bit != p->inverted) {
			evl_bits_flip(out, i);
		}
	}
	return out;
}

static void as_defined_from_any_bit(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 7, 0);
	enum { LENGTH = 40000 };
	uint8_t user[9000];
	for (size_t i = 0; i < sizeof user; i++) {
		user[i] = (uint8_t)evl_rng_next(&rng);
	}
	static const uint64_t lengths[] = {65, 71, 72, 640, 1001, 12345, 65536, 71999};
	for (int round = 0; round < 130; round++) {
		evl_simd_limit((enum evl_simd)(round % 3));
		struct evl_pattern p;
		struct evl_user_pattern *u = NULL;
		struct evl_err err = {0};
		uint64_t user_bits = lengths[round % 8];
		if (round < 8) {
			p = evl_pattern_prbs((enum evl_prbs_kind)round);
		} else if (round < 90) {
			unsigned bits = 1 + (unsigned)(round - 8) % 64;
			p = evl_pattern_word(evl_rng_next(&rng), bits);
			assert_true(bits % p.word_bits == 0);
		} else if (round < 110) {
			assert_int_equal(
				evl_user_pattern_create(&u, "noise", user, user_bits, &err),
				EVL_OK);
			p = evl_pattern_user(u);
		} else {
			p = evl_pattern_counter(round == 110 ? 32
						: round == 111
							? 1024
							: 32 + (unsigned)evl_rng_below(&rng, 993),
				(unsigned)evl_rng_below(&rng, 65536));
		}
		p.inverted = evl_rng_below(&rng, 2);
		uint8_t *want = by_definition(&p, LENGTH, user, user_bits);
		for (int again = 0; again < 12; again++) {
			uint64_t phase = evl_rng_below(&rng, LENGTH * 8 - 3001 * 8);
			uint64_t turns =
				p.kind == EVL_PATTERN_COUNTER
					? 0
					: evl_rng_below(&rng, 100) * evl_pattern_period(&p);
			struct evl_source s;
			evl_source_start(&s, &p, again % 2 ? phase + turns : 17);
			if (again % 2 == 0) {
				evl_source_skip(
					&s, evl_pattern_period(&p) - 17 % evl_pattern_period(&p));
				evl_source_skip(&s, phase);
			}
			uint8_t got[3000], expected[3000];
			for (size_t done = 0; done < sizeof got;) {
				size_t part =
					1 + (size_t)evl_rng_below(&rng, again % 3 ? 2500 : 30);
				part = part < sizeof got - done ? part : sizeof got - done;
				evl_source_fill(&s, got + done, part);
				done += part;
			}
			evl_bits_shift(
				expected, want + phase / 8, sizeof expected, (unsigned)(phase % 8));
			assert_memory_equal(got, expected, sizeof got);
			assert_int_equal(evl_source_phase(&s),
				(phase + sizeof got * 8) % evl_pattern_period(&p));
		}
		free(want);
		evl_user_pattern_destroy(u);
	}
	evl_simd_limit(EVL_SIMD_AVX2);
}

static void counter_headers(void **state)
{
	(void)state;
	uint8_t header[EVL_COUNTER_HEADER];
	unsigned channel;
	uint64_t number;
	evl_counter_header(header, 63, 123456789);
	assert_true(evl_counter_read(header, &channel, &number));
	assert_int_equal(channel, 63);
	assert_int_equal(number, 123456789);
	/* A CRC of 32 bits finds every single and double bit error in so few bits. */
	for (unsigned i = 0; i < 128; i++) {
		evl_bits_flip(header, i);
		assert_false(evl_counter_read(header, &channel, &number));
		for (unsigned j = i + 1; j < 128; j++) {
			evl_bits_flip(header, j);
			assert_false(evl_counter_read(header, &channel, &number));
			evl_bits_flip(header, j);
		}
		evl_bits_flip(header, i);
	}
}

static void user_patterns(void **state)
{
	(void)state;
	struct evl_err err = {0};
	struct evl_user_pattern *u = NULL;
	static uint8_t data[100000];
	assert_int_equal(evl_user_pattern_create(&u, "x", data, 64, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "word"));
	assert_null(u);
	assert_int_equal(evl_user_pattern_create(&u, "x", data, (UINT64_C(1) << 26) + 1, &err),
		EVL_E_INVALID);
	/* All the same, or two periods of one thing: no place of its own. */
	assert_int_equal(evl_user_pattern_create(&u, "zeros", data, 8000, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "occur only once"));
	struct evl_rng rng;
	evl_rng_init(&rng, 9, 0);
	for (size_t i = 0; i < 500; i++) {
		data[i] = data[i + 500] = (uint8_t)evl_rng_next(&rng);
	}
	assert_int_equal(evl_user_pattern_create(&u, "twice", data, 8000, &err), EVL_E_INVALID);
	/* Mostly idle: only the windows that touch the odd bits say where they are. */
	memset(data, 0x55, sizeof data);
	data[40000] = 0x99;
	assert_int_equal(evl_user_pattern_create(&u, "idle", data, sizeof data * 8, &err), EVL_OK);
	uint32_t step = evl_user_pattern_step(u);
	assert_int_equal(step, (800000 + 32767) / 32768);
	size_t found = 0;
	for (uint64_t at = 0; at < 800000; at++) {
		uint64_t w = 0;
		for (unsigned b = 0; b < 64; b++) {
			w = w << 1 | evl_bits_get(data, (at + b) % 800000);
		}
		uint64_t where = evl_user_pattern_find(u, w);
		if (where != EVL_USER_PATTERN_NONE) {
			assert_int_equal(where, at);
			assert_true(at > 320000 - 64 && at < 320008);
			found++;
		}
	}
	assert_true(found >= 2 && found <= 72 / step + 1);
	evl_user_pattern_destroy(u);
	evl_user_pattern_destroy(NULL);
}

static void identity(void **state)
{
	(void)state;
	static const struct {
		const char *name;
		size_t n;
		enum evl_pattern_identity is;
	} cases[] = {
		{"2^9-1", 2, EVL_IDENTITY_NONE},
		{"2^11-1", 7, EVL_IDENTITY_PHASE},
		{"2^11-1", 8, EVL_IDENTITY_NONE},
		{"2^15-1", 63, EVL_IDENTITY_PHASE},
		{"2^15-1", 252, EVL_IDENTITY_NONE},
		{"2^20-1", 252, EVL_IDENTITY_PHASE},
		{"alternating", 2, EVL_IDENTITY_NONE},
		{"counter", 1000, EVL_IDENTITY_NUMBER},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct evl_err err = {0};
		struct evl_pattern p;
		assert_int_equal(evl_pattern_parse(&p, cases[i].name, &err), EVL_OK);
		assert_int_equal(evl_pattern_identity(&p, cases[i].n), cases[i].is);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(names_there_and_back),
		cmocka_unit_test(bad_names),
		cmocka_unit_test(fixed_bytes),
		cmocka_unit_test(as_defined_from_any_bit),
		cmocka_unit_test(counter_headers),
		cmocka_unit_test(user_patterns),
		cmocka_unit_test(identity),
	};
	return cmocka_run_group_tests_name("signal.pattern", tests, NULL, NULL);
}
