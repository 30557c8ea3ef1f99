/* SPDX-License-Identifier: Apache-2.0 */
/* E1 frames against frames worked by hand from the tables of ITU-T G.704. */
#include "tests/frame/pdh_rig.h"

#include "core/frame/e1_build.h"
#include "core/frame/e1_receive.h"

static uint8_t slab[64 * 32];

/* Timeslot 0 of the built frames, over a payload of one value. */
static void ts0_of(struct evl_e1_builder *b, uint8_t payload, const uint8_t *expected, size_t n)
{
	memset(slab, payload, sizeof(slab));
	evl_e1_build(b, slab, (uint32_t)n);
	for (size_t f = 0; f < n; f++) {
		if (slab[32 * f] != expected[f]) {
			fail_msg("frame %zu: %02x, expected %02x", f, slab[32 * f], expected[f]);
		}
		for (size_t ts = 1; ts < 32; ts++) {
			assert_int_equal(slab[32 * f + ts], payload);
		}
	}
}

/* G.704 2.3.2: FAS = Si 0011011, NFAS = Si 1 A Sa4..Sa8; unused bits 1. */
static void test_double_frame(void **state)
{
	(void)state;
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_FAS_ONLY, false);
	ts0_of(&b, 0x55, (const uint8_t[]){0x9b, 0xdf, 0x9b, 0xdf}, 4);
	b.rai = true;
	ts0_of(&b, 0x55, (const uint8_t[]){0x9b, 0xff}, 2);
	b.rai = false;
	b.si_fas = false;
	b.si_nfas = false;
	ts0_of(&b, 0x55, (const uint8_t[]){0x1b, 0x5f}, 2);
	b.bad_fas = 1;
	b.bad_nfas = 1;
	ts0_of(&b, 0x55, (const uint8_t[]){0x64, 0x1f, 0x1b, 0x5f}, 4);
}

static void test_sa_bits(void **state)
{
	(void)state;
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_FAS_ONLY, false);
	b.sa[0] = 0x7f; /* Sa4 is 0 in frame 1 */
	b.sa[4] = 0xbf; /* Sa8 is 0 in frame 3 */
	ts0_of(&b, 0, (const uint8_t[]){0x9b, 0xcf, 0x9b, 0xde, 0x9b, 0xdf}, 6);
	/* Sa5 and Sa8 from the payload, which is 0 there. */
	evl_e1_builder_init(&b, EVL_E1_FAS_ONLY, false);
	b.sa_keep = 0x09;
	ts0_of(&b, 0, (const uint8_t[]){0x9b, 0xd6}, 2);
	ts0_of(&b, 0x09, (const uint8_t[]){0x9b, 0xdf}, 2);
}

/* G.704 Table 5b; CRC-4 words of whole sub-multiframes of one payload value, computed by another
 * program beforehand: payload, sub-multiframe I, II (C1 to C4). */
static void test_crc4_multiframe(void **state)
{
	(void)state;
	static const uint8_t golden[][3] = {
		{0xff, 0xa, 0xb}, {0x00, 0xb, 0xa}, {0xd5, 0xf, 0xe}, {0x55, 0x5, 0x4}};
	/* Bit 1: C 0 C 0 C 1 C 0 C 1 C 1 C E C E. */
	static const uint8_t odd[8] = {0x5f, 0x5f, 0xdf, 0x5f, 0xdf, 0xdf, 0xdf, 0xdf};
	for (size_t g = 0; g < sizeof(golden) / sizeof(golden[0]); g++) {
		uint8_t expected[40];
		for (size_t f = 0; f < 40; f++) {
			/* The word of the block before; a C bit counts as 0, so all first halves of
			 * the multiframe have the same word, and all second ones. */
			unsigned word = f < 8 ? 0 : golden[g][f / 8 % 2 != 0 ? 1 : 2];
			unsigned c = word >> (3 - f % 8 / 2) & 1;
			expected[f] = f % 2 != 0 ? odd[f % 16 / 2] : (uint8_t)(0x1b | c << 7);
		}
		struct evl_e1_builder b;
		evl_e1_builder_init(&b, EVL_E1_CRC4, false);
		ts0_of(&b, golden[g][0], expected, 40);
	}
}

/* Random frames, the word by long division of the block with its C bits taken as 0. */
static void test_crc4_by_division(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 3, 1);
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_CRC4, true);
	uint8_t all[2000 * 32];
	pdh_random(&rng, all, sizeof(all));
	/* Cut into slabs of any length: the result does not depend on it. */
	for (uint32_t f = 0; f < 2000;) {
		uint32_t n = 1 + (uint32_t)evl_rng_below(&rng, 37);
		n = n < 2000 - f ? n : 2000 - f;
		b.rai = f > 500;
		evl_e1_build(&b, all + 32 * f, n);
		f += n;
	}
	for (size_t block = 0; block + 1 < 250; block++) {
		uint8_t copy[256];
		memcpy(copy, all + 256 * block, 256);
		unsigned word = 0;
		for (unsigned k = 0; k < 4; k++) {
			copy[64 * k] &= 0x7f;
			word = word << 1 | all[256 * (block + 1) + 64 * k] >> 7;
		}
		assert_int_equal(word, pdh_divide(0, 4, 0x3, copy, 0, 2048));
	}
}

/* The published check input "123456789" behind zeros: line order CRC-4 of G.704 gives E (the
 * published reflected form CRC-4/G-704 gives 7, the same four bits mirrored). */
static void test_catalogue(void **state)
{
	(void)state;
	uint8_t frame[32] = {0};
	memcpy(frame + 23, "123456789", 9);
	assert_int_equal(evl_e1_crc4_end(evl_e1_crc4_add(0, frame, false)), 0xe);
	assert_int_equal(evl_e1_crc4_end(evl_e1_crc4_add(0, frame, true)), 0xe);
	/* Over the border of two frames. */
	uint8_t two[64] = {0};
	memcpy(two + 28, "123456789", 9);
	uint64_t ring = evl_e1_crc4_add(evl_e1_crc4_add(0, two, false), two + 32, false);
	assert_int_equal(evl_e1_crc4_end(ring), pdh_divide(0, 4, 0x3, two, 0, 512));
}

/* G.704 2.3.3: E = 0 tells one errored sub-multiframe; frame 13 tells of I, frame 15 of II. */
static void test_e_bits_and_planted(void **state)
{
	(void)state;
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_CRC4, false);
	b.e_errors[0] = 1;
	b.e_errors[1] = 2;
	memset(slab, 0, sizeof(slab));
	evl_e1_build(&b, slab, 64);
	static const uint8_t e13[] = {0, 1, 1, 1}, e15[] = {0, 0, 1, 1};
	for (size_t m = 0; m < 4; m++) {
		assert_int_equal(slab[32 * (16 * m + 13)] >> 7, e13[m]);
		assert_int_equal(slab[32 * (16 * m + 15)] >> 7, e15[m]);
	}
	b.e_valid = false;
	b.bad_crc_mfas = 1;
	evl_e1_build(&b, slab, 32);
	for (size_t m = 0; m < 2; m++) {
		unsigned mfas = 0;
		for (size_t f = 1; f < 12; f += 2) {
			mfas = mfas << 1 | slab[32 * (16 * m + f)] >> 7;
		}
		assert_int_equal(mfas, m == 0 ? 0x34 : 0x0b); /* 001011 inverted, then right */
		assert_int_equal(slab[32 * (16 * m + 13)] >> 7, 0);
		assert_int_equal(slab[32 * (16 * m + 15)] >> 7, 0);
	}
}

/* G.704 5.1.3: frame 0 has 0000 x y x x, frame n channels n and n + 15. */
static void test_timeslot16(void **state)
{
	(void)state;
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_FAS_ONLY, true);
	b.abcd[0] = 0x9;
	b.abcd[15] = 0x6;
	b.abcd[14] = 0x1;
	b.abcd[29] = 0x8;
	memset(slab, 0x33, sizeof(slab));
	evl_e1_build(&b, slab, 16);
	for (size_t f = 0; f < 16; f++) {
		uint8_t v = f == 0 ? 0x0b : f == 1 ? 0x96 : f == 15 ? 0x18 : 0xdd;
		assert_int_equal(slab[32 * f + 16], v);
		assert_int_equal(slab[32 * f + 15], 0x33);
		assert_int_equal(slab[32 * f + 17], 0x33);
	}
	b.ts16_rai = true;
	b.ts16_x = 4; /* bit 5 alone */
	evl_e1_builder_set_phase(&b, 3, 15);
	evl_e1_build(&b, slab, 2);
	assert_int_equal(slab[0], 0xdf); /* frame 3 is NFAS */
	assert_int_equal(slab[16], 0x18);
	assert_int_equal(slab[32 + 16], 0x0c);
}

static void test_unframed(void **state)
{
	(void)state;
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_UNFRAMED, false);
	memset(slab, 0x42, sizeof(slab));
	evl_e1_build(&b, slab, 64);
	for (size_t i = 0; i < sizeof(slab); i++) {
		assert_int_equal(slab[i], 0x42);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_double_frame),
		cmocka_unit_test(test_sa_bits),
		cmocka_unit_test(test_crc4_multiframe),
		cmocka_unit_test(test_crc4_by_division),
		cmocka_unit_test(test_catalogue),
		cmocka_unit_test(test_e_bits_and_planted),
		cmocka_unit_test(test_timeslot16),
		cmocka_unit_test(test_unframed),
	};
	return cmocka_run_group_tests_name("e1_build", tests, NULL, NULL);
}
