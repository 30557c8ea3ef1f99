/* SPDX-License-Identifier: Apache-2.0 */
/* T1 frames against frames worked by hand from ITU-T G.704 2.1.3 and ANSI T1.403. */
#include "tests/frame/pdh_rig.h"

#include "core/frame/t1_build.h"

#define BYTES(frames) ((193 * (frames) + 7) / 8)

static uint8_t slab[BYTES(480)];

static bool f_of(size_t frame) /* 1-based */
{
	return evl_bits_get(slab, 193 * (frame - 1));
}

/* Ft 101010 in odd frames, Fs 001110 in even frames (T1.107, from memory). */
static void test_sf(void **state)
{
	(void)state;
	struct evl_t1_builder b;
	evl_t1_builder_init(&b, EVL_T1_SF);
	memset(slab, 0x55, sizeof(slab));
	evl_t1_build(&b, slab, 48);
	unsigned ft = 0, fs = 0;
	for (size_t f = 25; f <= 36; f += 2) {
		ft = ft << 1 | f_of(f);
		fs = fs << 1 | f_of(f + 1);
	}
	assert_int_equal(ft, 0x2a);
	assert_int_equal(fs, 0x0e);
	for (size_t bit = 0; bit < 193 * 48; bit++) {
		assert_true(bit % 193 == 0 || evl_bits_get(slab, bit) == bit % 2);
	}
	b.japan = true;
	b.rai = true; /* F bit of frame 12 is 1, nothing else */
	evl_t1_build(&b, slab, 12);
	assert_true(f_of(12));
	assert_true(evl_bits_get(slab, 3));
	evl_t1_builder_set_phase(&b, 12);
	b.japan = false; /* bit 2 of all timeslots is 0 (T1.403) */
	evl_t1_build(&b, slab, 1);
	assert_false(f_of(1));
	for (size_t t = 1; t <= 24; t++) {
		assert_false(evl_bits_get(slab, 8 * t - 6));
	}
}

/* FPS 001011 in frames 4, 8, .. 24; CRC-6 of multiframes of one payload value, computed by another
 * program beforehand (F bits as 1). */
static void test_esf(void **state)
{
	(void)state;
	static const uint8_t golden[][2] = {{0xff, 023}, {0x00, 002}, {0x55, 015}, {0x7f, 006}};
	for (size_t g = 0; g < 4; g++) {
		struct evl_t1_builder b;
		evl_t1_builder_init(&b, EVL_T1_ESF);
		memset(slab, 0, sizeof(slab));
		for (size_t f = 0; f < 48; f++) {
			uint8_t slots[24];
			memset(slots, golden[g][0], 24);
			evl_t1_pack(slab, 193 * f, slots);
		}
		evl_t1_build(&b, slab, 48);
		unsigned fps = 0, crc = 0, link = 0;
		for (size_t f = 25; f <= 48; f++) {
			if (f % 4 == 0) {
				fps = fps << 1 | f_of(f);
			} else if (f % 4 == 2) {
				crc = crc << 1 | f_of(f);
			} else {
				link = link << 1 | f_of(f);
			}
		}
		assert_int_equal(fps, 0x0b);
		assert_int_equal(crc, golden[g][1]);
		assert_int_equal(link, 0xe7e); /* flags 01111110: bits 12 to 23 of them */
		for (size_t f = 1; f <= 24; f += 4) {
			assert_false(f_of(f + 1)); /* no multiframe before: 000000 */
		}
	}
}

/* The published check input: line order CRC-6 of G.704 gives 11 (hex), the reflected form 06 has
 * the same bits seen from the other side after shifting. */
static void test_catalogue(void **state)
{
	(void)state;
	uint8_t slots[24] = {0};
	memcpy(slots + 15, "123456789", 9);
	assert_int_equal(evl_t1_crc6_end(evl_t1_crc6_add(0, slots, false)), 0x11);
}

static void test_crc6_by_division(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 5, 5);
	for (int japan = 0; japan < 2; japan++) {
		struct evl_t1_builder b;
		evl_t1_builder_init(&b, EVL_T1_ESF);
		b.japan = japan != 0;
		b.robbed = 0xf0f0f0;
		pdh_random(&rng, b.abcd, 24);
		pdh_random(&rng, slab, sizeof(slab));
		for (uint32_t f = 0; f < 480; f += 8) { /* slabs of 8 frames are whole bytes */
			evl_t1_build(&b, slab + 193 * (f / 8), 8);
		}
		for (size_t m = 0; m < 19; m++) {
			uint8_t block[579];
			memcpy(block, slab + 579 * m, 579);
			unsigned word = 0;
			for (size_t f = 0; f < 24; f++) {
				if (!japan) {
					pdh_set(block, 193 * f, true);
				}
				if (f % 4 == 1) {
					word = word << 1 |
					       evl_bits_get(slab + 579 * (m + 1), 193 * f);
				}
			}
			assert_int_equal(word, pdh_divide(0, 6, 3, block, 0, 4632));
		}
	}
}

/* Bit 8 of the chosen timeslots in frames 6, 12, 18, 24: a, b, c, d; nothing else is touched. */
static void test_robbed_bits(void **state)
{
	(void)state;
	for (int esf = 0; esf < 2; esf++) {
		struct evl_t1_builder b;
		evl_t1_builder_init(&b, esf ? EVL_T1_ESF : EVL_T1_SF);
		b.robbed = 0x800005; /* timeslots 1, 3, 24 */
		b.abcd[0] = 0xa;
		b.abcd[2] = 0x5;
		b.abcd[23] = 0xf;
		memset(slab, 0, sizeof(slab));
		evl_t1_build(&b, slab, 48);
		size_t ones = 0;
		for (size_t f = 1; f <= 48; f++) {
			for (size_t t = 1; t <= 24; t++) {
				unsigned v = 0;
				for (size_t k = 0; k < 8; k++) {
					v = v << 1 |
					    evl_bits_get(slab, 193 * (f - 1) + 8 * t - 7 + k);
				}
				unsigned period = esf ? 24 : 12;
				unsigned which = (unsigned)((f - 1) % period) / 6;
				bool on = f % 6 == 0 && (b.robbed >> (t - 1) & 1) &&
					  (b.abcd[t - 1] >> (3 - which) & 1);
				assert_int_equal(v, on ? 1 : 0);
				ones += on;
			}
		}
		/* SF four times a and b alone: 4 (1 + 1 + 2); ESF twice all: 2 (2 + 2 + 4). */
		assert_int_equal(ones, 16);
	}
}

/* The 12 link bits of each multiframe: caller's bits, a message, RAI before all, then flags. */
static void test_link(void **state)
{
	(void)state;
	struct evl_t1_builder b;
	evl_t1_builder_init(&b, EVL_T1_ESF);
	static const uint8_t mine[] = {0x12, 0x34, 0x50};
	b.link = mine;
	b.link_bits = 20;
	evl_t1_builder_send(&b, 0x15, 2); /* 11111111 0 010101 0 */
	memset(slab, 0, sizeof(slab));
	evl_t1_build(&b, slab, 24 * 6);
	b.rai = true;
	evl_t1_build(&b, slab + 579 * 6, 24 * 4);
	uint8_t link[15] = {0};
	for (size_t i = 0; i < 120; i++) {
		pdh_set(link, i, evl_bits_get(slab, 193 * 2 * i));
	}
	/* 72 bits: 32 of messages, 20 of the caller, 20 of flags (01111110 01111110 0111). */
	static const uint8_t expected[15] = {0xff, 0x2a, 0xff, 0x2a, 0x12, 0x34, 0x57, 0xe7, 0xe7,
		0xff, 0x00, 0xff, 0x00, 0xff, 0x00};
	assert_memory_equal(link, expected, 15);
	b.japan = true;
	evl_t1_build(&b, slab, 24);
	for (size_t f = 1; f <= 23; f += 2) {
		assert_true(f_of(f));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_sf),
		cmocka_unit_test(test_esf),
		cmocka_unit_test(test_catalogue),
		cmocka_unit_test(test_crc6_by_division),
		cmocka_unit_test(test_robbed_bits),
		cmocka_unit_test(test_link),
	};
	return cmocka_run_group_tests_name("t1_build", tests, NULL, NULL);
}
