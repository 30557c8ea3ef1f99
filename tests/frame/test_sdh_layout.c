/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Frames of the general encoder, byte by byte against places worked out by hand from ITU-T G.707
 * (clause beside each). Rows and columns count from 1. Clients hold one byte value over and over,
 * so a byte in a wrong column shows.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/columns.h"
#include "core/frame/interleave.h"
#include "core/frame/sdh.h"
#include "core/frame/vc1.h"
#include "core/signal/bip.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"

#define FRAMES 16u

static uint8_t line[FRAMES * 9720];
/* 16 bytes; the CRC-7 of byte 1 is checked elsewhere and not looked at here. */
static const char trace[] = "?evenlode       ";
static uint32_t n; /* of the STM-n in `line` */

/* The keystream of G.707 6.5 bit by bit, so that nothing of the code under test undoes itself. */
static void descramble(void)
{
	for (uint32_t f = 0; f < FRAMES; f++) {
		uint32_t reg = 0x7f;
		for (uint32_t i = 9 * n; i < 2430 * n; i++) {
			for (int b = 7; b >= 0; b--) {
				line[2430 * n * f + i] ^= (uint8_t)((reg >> 6 & 1) << b);
				reg = (reg << 1 | ((reg >> 6 ^ reg >> 5) & 1)) & 0x7f;
			}
		}
	}
}

static uint8_t at(uint32_t f, uint32_t row, uint32_t column)
{
	return line[2430 * n * f + 270 * n * (row - 1) + column - 1];
}

/* Client i is value[i] (0 where NULL was). */
static struct evl_sdh_tx *make(const struct evl_sdh_map *map)
{
	struct evl_sdh_tx *tx = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_sdh_tx_create(&tx, map, &err), EVL_OK);
	n = map->stm;
	return tx;
}

static void encode(struct evl_sdh_tx *tx, uint32_t marked, uint8_t value, uint8_t others)
{
	static uint8_t in[FRAMES * 9360], rest[FRAMES * 9360];
	const uint8_t *data[EVL_SDH_MOST_CLIENTS];
	uint32_t clients;
	(void)evl_sdh_tx_clients(tx, &clients);
	memset(in, value, sizeof(in));
	memset(rest, others, sizeof(rest));
	for (uint32_t i = 0; i < clients; i++) {
		data[i] = i == marked ? in : rest;
	}
	assert_int_equal(evl_sdh_encode(tx, data, NULL, FRAMES, line, NULL), EVL_OK);
	descramble();
	evl_sdh_tx_destroy(tx);
}

/* G.707 7.3.9, 8.3: TU-11 2-4-3 has VC-4 columns 62, 146, 230 (10 + 1 + 9 + 42 + 84 x), number 53
 * by columns. Pointer 78 with SS = 11: V1 V2 = 6C 4E, V5 right after V1. */
static void test_tu11(void **state)
{
	(void)state;
	static const uint8_t v[4] = {0x6c, 0x4e, 0, 0};
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_T1);
	encode(make(&map), 52, 0xff, 0x00);
	for (uint32_t f = 4; f < FRAMES; f++) {
		assert_int_equal(at(f, 1, 9 + 62), v[f % 4]);
		if (f % 4 == 0) {
			assert_int_equal(at(f, 1, 9 + 146) & 0x3f, 2 << 1); /* V5: asynchronous */
		}
		/* Byte 2: I, or C1 = 1, C2 = 0 and I or S2, all ones (10.1.5.1, from memory). */
		assert_int_equal(at(f, 1, 9 + 230), f % 4 == 0 ? 0x02 : 0x82);
		for (uint32_t row = 2; row <= 9; row++) {
			for (uint32_t c = 10; c <= 261; c++) {
				bool mine = c == 62 || c == 146 || c == 230;
				assert_int_equal(at(f, row, 9 + c), mine ? 0xff : 0x00);
			}
		}
	}
}

/* AU-3 (8.1, 7.1.3; SS = 00 in SONET): three pointers of 522, 6 x 87, so each J1 is in row 1 of the
 * first column of its AU-3. Column c of AU-3 A is column 9 + 3 (c-1) + A. VC-3 columns 30 and 59
 * are stuff; TU-11 (L, M) = (5, 3): 2 + 4 + 14 + 29 x = 20, 49, 78. */
static void test_au3(void **state)
{
	(void)state;
	static const uint8_t row4[9] = {0x62, 0x62, 0x62, 0x0a, 0x0a, 0x0a, 0, 0, 0};
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU3, EVL_SDH_T1);
	/* Number by columns with A for K: 2 + 3 x 4 + 21 x 2 = 56. */
	encode(make(&map), 55, 0xff, 0x00);
	for (uint32_t f = 4; f < FRAMES; f++) { /* frame 0 has byte 1 of the trace */
		for (uint32_t b = 0; b < 9; b++) {
			assert_int_equal(at(f, 4, 1 + b), row4[b]);
		}
		for (uint32_t a = 1; a <= 3; a++) {
			assert_int_equal(at(f, 1, 9 + a), (uint8_t)trace[f]);
			assert_int_equal(at(f, 3, 9 + a), 0x02);
			static const uint8_t h4[4] = {0xfd, 0xfe, 0xff, 0xfc};
			assert_int_equal(at(f, 6, 9 + a), h4[f % 4]);
			uint8_t b3 = 0;
			for (uint32_t i = 0; i < 783; i++) {
				b3 ^= at(f - 1, 1 + i / 87, 9 + 3 * (i % 87) + a);
			}
			assert_int_equal(at(f, 2, 9 + a), b3);
		}
		for (uint32_t row = 2; row <= 9; row++) {
			for (uint32_t c = 2; c <= 87; c++) {
				for (uint32_t a = 1; a <= 3; a++) {
					bool mine = a == 2 && (c == 20 || c == 49 || c == 78);
					assert_int_equal(at(f, row, 9 + 3 * (c - 1) + a),
						mine ? 0xff : 0x00);
				}
			}
		}
		static const uint8_t v[4] = {0x6c, 0x4e, 0, 0};
		assert_int_equal(at(f, 1, 68), v[f % 4]);
	}
}

/* TU-3 K = 2 (7.2.2, 8.2): VC-4 columns 5, 8, ... 260; the first holds H1 H2 H3 in rows 1 to 3 and
 * stuff. Pointer 0, SS = 10: 68 00; offset 0 is the byte after H3, row 3 column 8: J1. C2 lies two
 * rows below, in row 5 (85 columns of TU-3 payload a row). */
static void test_tu3(void **state)
{
	(void)state;
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	map.aug[0].part[1].hold = EVL_SDH_BULK;
	encode(make(&map), 0, 0xa5, 0x00); /* the VC-3 comes before the TUs of its AUG */
	for (uint32_t f = 4; f < FRAMES; f++) {
		static const uint8_t h[9] = {0x68, 0x00, 0x00, 0, 0, 0, 0, 0, 0};
		for (uint32_t row = 1; row <= 9; row++) {
			assert_int_equal(at(f, row, 9 + 5), h[row - 1]);
			for (uint32_t c = 11; c <= 260; c += 3) {
				assert_int_equal(at(f, row, 9 + c), 0xa5);
			}
		}
		assert_int_equal(at(f, 5, 9 + 8), 0x04);
		assert_int_equal(at(f, 3, 9 + 8), (uint8_t) "\xdc"
							    "evenlode       "[f % 16]);
		/* The other TUG-3s: null pointer, and TU-12 1-1-1 in column 10. */
		assert_int_equal(at(f, 1, 9 + 4), 0x93);
		assert_int_equal(at(f, 2, 9 + 6), 0xe0);
		static const uint8_t v[4] = {0x68, 0x69, 0, 0};
		assert_int_equal(at(f, 1, 9 + 10), v[f % 4]);
	}
}

/* VC-11 in TU-12 (10.1.6; the place of the column of stuff is from memory): TU-12 1-1-1 has columns
 * 10, 73, 136, 199; the last is stuff, zero. */
static void test_t1_in_tu12(void **state)
{
	(void)state;
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	map.aug[0].part[0].tug2[0].kind[0] = EVL_SDH_T1;
	encode(make(&map), 0, 0xff, 0x00);
	for (uint32_t f = 4; f < FRAMES; f++) {
		for (uint32_t row = 1; row <= 9; row++) {
			assert_int_equal(at(f, row, 9 + 199), 0);
			for (uint32_t x = 0; row > 1 && x < 3; x++) {
				assert_int_equal(at(f, row, 9 + 10 + 63 * x), 0xff);
			}
		}
		assert_int_equal(at(f, 1, 9 + 136), f % 4 == 0 ? 0x02 : 0x82);
	}
}

/* STM-4 (6.2, 7.1): byte (row, b) of STM-1 a is in column 4 (b-1) + a; 12 A1 and 12 A2. All zeros
 * but A1 and A2 give B1 = B7 in the next frame: from the generator by a script outside this
 * project. */
static void test_stm4(void **state)
{
	(void)state;
	struct evl_stm_tx tx;
	static uint8_t frame[9720];
	evl_stm_tx_init(&tx, 4, 0);
	memset(tx.j0, 0, sizeof(tx.j0));
	tx.s1 = 0;
	evl_stm_tx_frame(&tx, frame, false);
	for (uint32_t i = 0; i < 36; i++) {
		assert_int_equal(frame[i], i < 12 ? 0xf6 : i < 24 ? 0x28 : 0);
	}
	assert_int_equal(frame[36], 0xfe); /* the keystream begins after 9 N bytes */
	assert_int_equal(frame[1080], 0x1a);
	memset(frame, 0, sizeof(frame));
	evl_stm_tx_frame(&tx, frame, false);
	assert_int_equal(frame[1080] ^ 0x1a, 0xb7);

	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 4, EVL_SDH_AU4, EVL_SDH_E1);
	struct evl_sdh_tx *sdh = make(&map);
	struct evl_sdh_remote remote = {.ms_rdi = true, .ms_rei = 1000};
	evl_sdh_tx_set_remote(sdh, &remote);
	evl_sdh_tx_set_aps(sdh, 0x12, 0x34);
	evl_sdh_tx_set_s1(sdh, 0x04);
	assert_int_equal(evl_sdh_tx_force_soh(sdh, 3, 2, 4, 0x5a), EVL_OK);
	/* AUG 3, K-L-M 2-4-2 (number 32): VC-4 columns 41, 104, 167, 230. */
	encode(sdh, 2 * 63 + 31, 0xff, 0x00);
	for (uint32_t f = 4; f < FRAMES; f++) {
		assert_int_equal(at(f, 5, 13), 0x12);        /* K1 */
		assert_int_equal(at(f, 5, 25), 0x30 | 0x06); /* K2 with RDI */
		assert_int_equal(at(f, 9, 1), 0x04);         /* S1 */
		assert_int_equal(at(f, 9, 15), f < 10 ? 96 : f == 10 ? 1000 - 960 : 0); /* M1 */
		assert_int_equal(at(f, 2, 4 * 3 + 3), 0x5a); /* as forced */
		for (uint32_t a = 1; a <= 4; a++) {
			assert_int_equal(at(f, 4, a), 0x6a);
			assert_int_equal(at(f, 4, 12 + a), 0x0a);
			assert_int_equal(at(f, 4, 4 + a), 0x93);
			/* Row 2 on: the marked TU-12 alone is ones, but for R bytes. */
			for (uint32_t c = 10; c <= 261; c++) {
				bool mine = a == 3 && (c == 41 || c == 104 || c == 167 || c == 230);
				assert_int_equal(at(f, 5, 36 + 4 * (c - 1) + a), mine ? 0xff : 0);
			}
		}
		/* B2: BIP-96 over all but rows 1 to 3 of the overhead of the frame before. */
		for (uint32_t i = 0; i < 12; i++) {
			uint8_t b2 = 0;
			for (uint32_t row = 1; row <= 9; row++) {
				for (uint32_t c = row <= 3 ? 37 + i : 1 + i; c <= 1080; c += 12) {
					b2 ^= at(f - 1, row, c);
				}
			}
			assert_int_equal(at(f, 5, 1 + i), b2);
		}
	}
}

/* AU-4-4c (8.1.7): concatenation indication 1001SS11 11111111 in the other three; VC-4-4c has 1044
 * columns, one of overhead and three of stuff. */
static void test_au4_4c(void **state)
{
	(void)state;
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 4, EVL_SDH_AU4_4C, EVL_SDH_VC4_4C);
	encode(make(&map), 0, 0xc3, 0);
	for (uint32_t f = 4; f < FRAMES; f++) {
		assert_int_equal(at(f, 4, 1), 0x6a);
		assert_int_equal(at(f, 4, 13), 0x0a);
		for (uint32_t i = 2; i <= 12; i++) {
			assert_int_equal(at(f, 4, i), 0x93);
			assert_int_equal(at(f, 4, 12 + i), 0xff);
		}
		for (uint32_t row = 1; row <= 9; row++) {
			for (uint32_t c = 38; c <= 1080; c++) {
				assert_int_equal(at(f, row, c), c <= 40 ? 0 : 0xc3);
			}
		}
	}
}

/* Byte-synchronous: E1 timeslots 0..31 are bytes 3..34 of each quarter (10.1.4.3, from memory); T1:
 * P1 P0 S1 S2 S3 S4 F R, then 24 timeslots (10.1.5.3, from memory). */
static void test_byte_synchronous(void **state)
{
	(void)state;
	struct evl_vc1_tx tx;
	uint8_t e1[32], t1[193], q[35];
	evl_vc1_tx_init(&tx, EVL_VC1_E1_BYTE, 0);
	for (uint32_t i = 0; i < 32; i++) {
		e1[i] = (uint8_t)(0x40 + i);
	}
	for (uint32_t f = 0; f < 16; f++) {
		evl_bitfifo_push(&tx.fifo, e1, 0, 256);
		evl_vc1_tx_quarter(&tx, 0, q);
		assert_int_equal(q[1] | q[34], 0);
		if (f % 4 == 0) {
			assert_int_equal(q[0] & 0x3f, 4 << 1); /* label 100 */
		}
		if (f >= 5) {
			assert_memory_equal(q + 2, e1, 32);
		}
	}
	evl_vc1_tx_init(&tx, EVL_VC1_T1_BYTE, 0);
	memset(t1, 0, sizeof(t1));
	for (uint32_t f = 0; f < 8; f++) { /* F = 1, timeslot c is c */
		for (uint32_t b = 0; b < 193; b++) {
			uint32_t c = (b - 1) / 8, bit = 193 * f + b;
			bool one = b == 0 || ((c + 1) >> (7 - (b - 1) % 8) & 1) != 0;
			t1[bit / 8] = (uint8_t)(t1[bit / 8] | (one ? 0x80u >> bit % 8 : 0));
		}
	}
	for (uint32_t c = 0; c < 24; c++) {
		tx.abcd[c] = c == 5 ? 0xa : 0; /* channel 6: A and C are 1 */
	}
	for (uint32_t f = 0; f < 48; f++) {
		if (f % 8 == 0) {
			evl_bitfifo_push(&tx.fifo, t1, 0, 8 * 193);
		}
		evl_vc1_tx_quarter(&tx, -(int32_t)(EVL_VC1_TICKS * (7 - f % 8)), q);
		if (f < 8) {
			continue;
		}
		uint32_t p = f / 6 % 4;                        /* 6 frames each for A, B, C, D */
		uint32_t s = f % 6 == 1 && p % 2 == 0 ? 4 : 0; /* channel 6 is the second of 5..8 */
		assert_int_equal(q[1], p << 6 | s << 2 | 0x02);
		for (uint32_t c = 0; c < 24; c++) {
			assert_int_equal(q[2 + c], c + 1);
		}
	}
}

static void test_kernels(void **state)
{
	(void)state;
	/* The fast transpositions and interleavers against loops that state the rule. */
	static uint8_t vc[EVL_VC4_ROOM + 16], again[EVL_VC4_ROOM + 16];
	static uint8_t fast[EVL_TU11_ROWS][EVL_TU_STRIDE], slow[EVL_TU11_ROWS][EVL_TU_STRIDE];
	struct evl_rng rng;
	evl_rng_init(&rng, 7, 0);
	for (size_t i = 0; i < sizeof(vc); i++) {
		vc[i] = (uint8_t)evl_rng_next(&rng);
	}
	evl_columns_split_tu11(fast, vc);
	for (uint32_t t = 0; t < 84; t++) {
		for (uint32_t i = 0; i < 27; i++) {
			assert_int_equal(fast[t][i], vc[i / 3 * 261 + 9 + t + 84 * (i % 3)]);
		}
	}
	evl_columns_join_tu11(again, fast);
	for (uint32_t row = 0; row < 9; row++) {
		assert_memory_equal(again + 261 * row + 9, vc + 261 * row + 9, 252);
	}
	for (uint32_t k = 0; k < 2; k++) {
		const uint32_t width = k == 0 ? 21 : 28, per = k == 0 ? 4 : 3;
		evl_columns_split_vc3(fast, vc, k == 1);
		for (uint32_t t = 0; t < width; t++) {
			for (uint32_t i = 0; i < 9 * per; i++) {
				assert_int_equal(
					fast[t][i], vc[i / per * 84 + t + width * (i % per)]);
			}
		}
		memset(again, 0, sizeof(again));
		evl_columns_join_vc3(again, fast, k == 1);
		assert_memory_equal(again, vc, 756);
		evl_columns_split_portable(
			k == 0 ? &evl_columns_vc3_tu12 : &evl_columns_vc3_tu11, slow, vc);
		memset(again, 0, sizeof(again));
		evl_columns_join_portable(
			k == 0 ? &evl_columns_vc3_tu12 : &evl_columns_vc3_tu11, again, slow);
		assert_memory_equal(again, vc, 756);
	}
	for (uint32_t ways = 3; ways <= 4; ways++) {
		for (uint32_t bytes = 0; bytes < 100; bytes++) {
			uint8_t part[4][100], out[400];
			uint8_t *to[4] = {part[0], part[1], part[2], part[3]};
			const uint8_t *from[4] = {part[0], part[1], part[2], part[3]};
			evl_deinterleave(to, vc, ways, bytes);
			for (uint32_t i = 0; i < ways * bytes; i++) {
				assert_int_equal(part[i % ways][i / ways], vc[i]);
			}
			evl_interleave(out, from, ways, bytes);
			assert_memory_equal(out, vc, (size_t)ways * bytes);
		}
	}
}

static void test_map_errors(void **state)
{
	(void)state;
	struct evl_sdh_map map;
	struct evl_err err = {0};
	struct evl_sdh_tx *tx = NULL;
#define BAD(change, words)                                                                         \
	do {                                                                                       \
		evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);                                \
		change;                                                                            \
		assert_int_equal(evl_sdh_map_check(&map, &err), EVL_E_INVALID);                    \
		assert_string_equal(err.text, words);                                              \
		assert_int_equal(evl_sdh_tx_create(&tx, &map, &err), EVL_E_INVALID);               \
		assert_null(tx);                                                                   \
	} while (0)
	BAD(map.stm = 2, "stm is 2; allowed are 1 and 4");
	BAD(map.row1 = 3, "row1 is 3; allowed are 0 to 2");
	BAD(map.aug[0].au = 3, "aug 1: au is 3; allowed are 0 to 2");
	BAD(map.aug[0].au = EVL_SDH_AU4_4C, "aug 1: AU-4-4c needs stm 4");
	BAD(map.aug[0].hold = 9, "aug 1: hold is 9; allowed are 0 to 2");
	BAD(map.aug[0].part[2].hold = 7, "aug 1 part 3: hold is 7; allowed are 0 to 2");
	BAD(map.aug[0].part[1].tug2[4].kind[3] = EVL_SDH_T1,
		"aug 1 part 2 tug2 5 tu 4: kind 3 does not exist; a TUG-2 has three TU-12");
	BAD(map.aug[0].part[0].tug2[0].tu11 = true,
		"aug 1 part 1 tug2 1 tu 1: kind 1 does not fit; an E1 needs a TU-12");
	BAD(map.aug[0].part[0].tug2[6].kind[0] = EVL_SDH_VC3,
		"aug 1 part 1 tug2 7 tu 1: kind 5 is no kind for a TU; take E1, T1 or none");
	evl_sdh_map_fill(&map, 4, EVL_SDH_AU4_4C, EVL_SDH_VC4_4C);
	map.aug[2].au = EVL_SDH_AU4;
	assert_int_equal(evl_sdh_map_check(&map, &err), EVL_E_INVALID);
	map.aug[2].au = EVL_SDH_AU4_4C;
	map.aug[0].hold = EVL_SDH_TUG;
	assert_int_equal(evl_sdh_map_check(&map, &err), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_tu11),
		cmocka_unit_test(test_au3),
		cmocka_unit_test(test_tu3),
		cmocka_unit_test(test_t1_in_tu12),
		cmocka_unit_test(test_stm4),
		cmocka_unit_test(test_au4_4c),
		cmocka_unit_test(test_byte_synchronous),
		cmocka_unit_test(test_kernels),
		cmocka_unit_test(test_map_errors),
	};
	return cmocka_run_group_tests_name("frame.sdh_layout", tests, NULL, NULL);
}
