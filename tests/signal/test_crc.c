/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sources: published catalogue check values (CRC of the nine bytes "123456789"): CRC-32/ISO-HDLC
 * CBF43926, CRC-7 of x^7+x^3+1 75, CRC-4/G-704 7 and CRC-6/G-704 06 (the latter two are published
 * with the bits of each byte and of the result reversed); division of polynomials by hand (below).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/signal/bits.h"
#include "core/signal/crc.h"
#include "core/signal/rng.h"

static const uint8_t digits[] = {'1', '2', '3', '4', '5', '6', '7', '8', '9'};

static uint8_t reversed(uint8_t v, unsigned width)
{
	unsigned r = 0;
	for (unsigned i = 0; i < width; i++) {
		r |= (v >> i & 1u) << (width - 1 - i);
	}
	return (uint8_t)r;
}

static void catalogue(void **state)
{
	(void)state;
	assert_int_equal(evl_crc32(0, digits, 9), 0xcbf43926);
	assert_int_equal(evl_crc7(0, digits, 9), 0x75);
	uint8_t turned[9];
	for (size_t i = 0; i < 9; i++) {
		turned[i] = reversed(digits[i], 8);
	}
	assert_int_equal(reversed(evl_crc4(0, turned, 9), 4), 0x7);
	assert_int_equal(reversed(evl_crc6(0, turned, 9), 6), 0x06);
}

/* The remainder of data * x^width, by long division, bit by bit. */
static unsigned remainder_of(const uint8_t *data, size_t bytes, unsigned width, unsigned poly)
{
	unsigned r = 0;
	for (uint64_t i = 0; i < 8 * bytes + width; i++) {
		unsigned bit = i < 8 * bytes ? evl_bits_get(data, i) : 0;
		r = r << 1 | bit;
		if (r >> width & 1) {
			r ^= 1u << width | poly;
		}
	}
	return r;
}

static void long_division(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 8, 0);
	for (size_t bytes = 1; bytes < 60; bytes++) {
		uint8_t data[60];
		for (size_t i = 0; i < bytes; i++) {
			data[i] = (uint8_t)evl_rng_next(&rng);
		}
		size_t cut = (size_t)evl_rng_below(&rng, bytes);
		assert_int_equal(evl_crc4(evl_crc4(0, data, cut), data + cut, bytes - cut),
				 remainder_of(data, bytes, 4, 0x3));
		assert_int_equal(evl_crc6(evl_crc6(0, data, cut), data + cut, bytes - cut),
				 remainder_of(data, bytes, 6, 0x03));
		assert_int_equal(evl_crc7(evl_crc7(0, data, cut), data + cut, bytes - cut),
				 remainder_of(data, bytes, 7, 0x09));
		/* Any cut gives the same CRC-32, and data with it appended leave the residue
		 * DEBB20E3 (RFC 1662 C.3: "good FCS"). */
		uint32_t crc = evl_crc32(0, data, bytes);
		assert_int_equal(evl_crc32(evl_crc32(0, data, cut), data + cut, bytes - cut), crc);
		uint8_t tail[4] = {(uint8_t)crc, (uint8_t)(crc >> 8), (uint8_t)(crc >> 16),
				   (uint8_t)(crc >> 24)};
		assert_int_equal(~evl_crc32(crc, tail, 4), 0xdebb20e3);
	}
}

/* G.707 Annex B with the marker bit counted as 1 and the C bits as 0 (from memory of the annex; the
 * values were worked outside this project by long division). */
static void trace_identifier(void **state)
{
	(void)state;
	uint8_t text[15] = {0};
	assert_int_equal(evl_crc7_trace(text), 0x89);
	memset(text, ' ', sizeof(text));
	assert_int_equal(evl_crc7_trace(text), 0xc8);
	memcpy(text, "ABCDEFGHIJKLMNO", 15);
	assert_int_equal(evl_crc7_trace(text), 0x98);
	memcpy(text, "TESTSITE-000001", 15);
	assert_int_equal(evl_crc7_trace(text), 0xad);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(catalogue),
		cmocka_unit_test(long_division),
		cmocka_unit_test(trace_identifier),
	};
	return cmocka_run_group_tests_name("signal.crc", tests, NULL, NULL);
}
