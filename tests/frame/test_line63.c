/* SPDX-License-Identifier: Apache-2.0 */
/* The whole chain E1 -> STM-1 -> E1: one frame worked by hand from ITU-T G.707, then round trips.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/line63.h"
#include "core/frame/stm.h"
#include "core/signal/bip.h"
#include "core/signal/scramble.h"
#include "tests/frame/rig.h"

static struct rig rig;

/* Byte by row 1..9 and column 1..261 of the VC-4, in a line of descrambled frames that carries
 * VC-4 `n` from row 1, column 10 of frame n on (AU pointer 522). */
static uint8_t vc4_byte(const uint8_t *line, uint32_t n, uint32_t row, uint32_t column)
{
	return line[2430 * n + 270 * (row - 1) + 9 + column - 1];
}

/*
 * By hand, G.707: AU pointer 522 puts J1 at row 1 column 10 (offset 0 is row 4 column 10; 87 units
 * of 3 bytes a row; 522 = 6 x 87, six rows on is row 1 of the next frame). TU-12 of K-L-M 2-4-2:
 * VC-4 columns 41, 104, 167, 230 (G.707 7.3.9: 10 + 1 + 9 + 21 + 63 x). V1 in row 1 column 41 when
 * the H4 before ended in 00. TU pointer 105: V5 right after V1, that is row 1 column 104; R in
 * column 167, data byte 1 in column 230, data byte 2 in row 2 column 41. Byte i of the 36 lies in
 * row i / 4 + 1, column x = i mod 4. The frame with V2: J2 in row 1 column 104, C byte in column
 * 167; V3: N2; V4: K4 and C C ... S1, then S2 and 7 data bits in column 230. R of quarter 1 is byte
 * 35: row 9 column 230.
 */
static void test_by_hand(void **state)
{
	(void)state;
	struct line63_tx *tx = NULL;
	static uint8_t e1[63][16 * 32], line[16 * 2430];
	const uint8_t *in[63];
	const uint32_t t = 31; /* 2-4-2 is number 32 by columns */
	for (uint32_t i = 0; i < 63; i++) {
		memset(e1[i], (int)i, sizeof(e1[i]));
		in[i] = e1[i];
	}
	for (uint32_t i = 0; i < 16 * 32; i++) {
		e1[t][i] = (uint8_t)i;
	}
	assert_int_equal(line63_tx_create(&tx, NULL), EVL_OK);
	assert_int_equal(line63_tx_set_j1(tx, "123456789ABCDEF"), EVL_OK);
	assert_int_equal(line63_tx_set_j2(tx, t, "TTI UNAVAILABLE"), EVL_OK);
	line63_encode(tx, in, 16, line);
	line63_tx_destroy(tx);
	evl_scramble_stm1(line, 16);

	for (uint32_t n = 0; n < 16; n++) {
		static const uint8_t row4[9] = {0x6a, 0x93, 0x93, 0x0a, 0xff, 0xff, 0, 0, 0};
		static const uint8_t j1[16] = {0xe2, '1', '2', '3', '4', '5', '6', '7', '8', '9',
			'A', 'B', 'C', 'D', 'E', 'F'};
		static const uint8_t v[4] = {0x68, 0x69, 0, 0};
		assert_memory_equal(line + 2430 * n + 3 * 270, row4, 9);
		assert_int_equal(vc4_byte(line, n, 1, 1), j1[n]);
		assert_int_equal(vc4_byte(line, n, 3, 1), 0x02); /* C2: TUG structure */
		assert_int_equal(vc4_byte(line, n, 4, 1), 0x00); /* G1 */
		/* H4 tells what the next VC-4 holds: VC-4 0 holds V1 and says 01. */
		static const uint8_t h4[4] = {0xfd, 0xfe, 0xff, 0xfc};
		assert_int_equal(vc4_byte(line, n, 6, 1), h4[n % 4]);
		/* Null pointer indications of the three TUG-3, G.707 7.2.3. */
		for (uint32_t k = 0; k < 3; k++) {
			assert_int_equal(vc4_byte(line, n, 1, 4 + k), 0x93);
			assert_int_equal(vc4_byte(line, n, 2, 4 + k), 0xe0);
		}
		assert_int_equal(vc4_byte(line, n, 1, 41), v[n % 4]);
		/* V5 comes after V1: VC-12 q is quarter n mod 4 of VC n / 4. */
		uint8_t c = n % 4 == 0 ? 0 : 0x80;
		assert_int_equal(vc4_byte(line, n, 1, 167), c);
		assert_int_equal(vc4_byte(line, n, 9, 230), 0);
		if (n % 4 == 0) {
			assert_int_equal(vc4_byte(line, n, 1, 104) & 0x3f, 2 << 1);
		} else if (n % 4 == 1) {
			/* The VC-12 that begins after V1 of multiframe m belongs to the V2 of m -
			 * 1; its J2 is trace byte m - 1 (our choice of phase, no source). */
			static const char text[] = "\xa3TTI UNAVAILABLE";
			assert_int_equal(
				vc4_byte(line, n, 1, 104), (uint8_t)text[(n / 4 + 15) % 16]);
		} else {
			assert_int_equal(vc4_byte(line, n, 1, 104), 0);
		}
		/* Data byte by byte in the order of G.707 8.3: the input counts, so each is one
		 * more than the one before. The delay itself is checked by the round trips. */
		uint8_t first = vc4_byte(line, n, 1, 230);
		for (uint32_t i = 3; i < 35; i++) {
			static const uint32_t columns[4] = {41, 104, 167, 230};
			uint8_t byte = vc4_byte(line, n, i / 4 + 1, columns[i % 4]);
			if (n >= 4) {
				assert_int_equal(byte, (uint8_t)(first + (i - 3)));
			}
		}
		/* Another tributary is all its own number: no byte of one in another. */
		if (n >= 4) {
			assert_int_equal(vc4_byte(line, n, 2, 10), 0);
			assert_int_equal(vc4_byte(line, n, 5, 72), 62);
			assert_int_equal(vc4_byte(line, n, 2, 11), 1);
		}
		/* B3: BIP-8 of the whole VC-4 before. */
		if (n > 0) {
			uint8_t b3 = evl_bip8_rows(line + 2430 * (n - 1) + 9, 261, 9, 270);
			assert_int_equal(vc4_byte(line, n, 2, 1), b3);
		}
	}
}

static void test_round_trip(void **state)
{
	(void)state;
	rig_start(&rig, NULL);
	rig_run(&rig, 64);
	rig_run(&rig, 4000);
	rig_expect_clean(&rig);
	assert_int_equal(rig.events, 0);
	struct line63_line_counts c;
	line63_rx_line_counts(rig.rx, &c);
	assert_int_equal(c.b1_errors + c.b2_errors + c.b3_errors + c.ms_rei + c.hp_rei, 0);
	for (uint32_t t = 0; t < 63; t++) {
		struct line63_trib_counts n;
		line63_rx_trib_counts(rig.rx, t, &n);
		assert_int_equal(n.bip2_errors + n.lp_rei + n.extra_bits + n.missing_bits, 0);
		assert_int_equal(n.slips_lost + n.slips_repeated, 0);
		assert_int_equal(line63_rx_tu_pointer(rig.rx, t), 105);
		assert_false(line63_rx_output_ais(rig.rx, t));
	}
	assert_int_equal(line63_rx_au_pointer(rig.rx), 522);
	rig_finish(&rig);
}

static void test_all_tu_pointers(void **state)
{
	(void)state;
	/* 140 values in three rounds of 63; delay the same for each. */
	for (uint32_t round = 0; round < 3; round++) {
		rig_start(&rig, NULL);
		for (uint32_t t = 0; t < 63; t++) {
			assert_int_equal(
				line63_tx_set_tu_pointer(rig.tx, t, (63 * round + t) % 140),
				EVL_OK);
		}
		rig_run(&rig, 64);
		rig_run(&rig, 80);
		rig_expect_clean(&rig);
		for (uint32_t t = 0; t < 63; t++) {
			assert_int_equal(line63_rx_tu_pointer(rig.rx, t), (63 * round + t) % 140);
		}
		assert_int_equal(rig.events, 0);
		rig_finish(&rig);
	}
}

static void test_au_pointers(void **state)
{
	(void)state;
	static const uint32_t values[] = {0, 1, 86, 87, 260, 261, 521, 522, 523, 700, 781, 782};
	for (size_t i = 0; i < sizeof(values) / sizeof(values[0]); i++) {
		rig_start(&rig, NULL);
		assert_int_equal(line63_tx_set_au_pointer(rig.tx, values[i]), EVL_OK);
		assert_int_equal(line63_tx_set_tu_pointer(rig.tx, 5, 17), EVL_OK);
		rig_run(&rig, 64);
		rig_run(&rig, 80);
		rig_expect_clean(&rig);
		assert_int_equal(line63_rx_au_pointer(rig.rx), values[i]);
		/* J1 where G.707 8.1 puts it: row 4 + p div 87, column 10 + 3 (p mod 87). */
		uint32_t row = 4 + values[i] / 87, column = 10 + 3 * (values[i] % 87);
		evl_scramble_stm1(rig.line, RIG_FRAMES);
		uint8_t seen[16] = {0};
		for (uint32_t f = 0; f + 1 < RIG_FRAMES; f++) {
			uint32_t frame = row > 9 ? f + 1 : f;
			seen[f] = rig.line[2430 * frame + 270 * ((row > 9 ? row - 9 : row) - 1) +
					   column - 1];
		}
		/* The trace "evenlode" and 7 spaces, from wherever these 8 frames are in it. */
		static const char text[] = "?evenlode       ?evenlode       ";
		bool found = false;
		for (uint32_t k = 0; k < 16 && !found; k++) {
			found = true;
			for (uint32_t f = 0; f < 7; f++) {
				found &= text[k + f] == '?' ? seen[f] >= 0x80
							    : seen[f] == (uint8_t)text[k + f];
			}
		}
		assert_true(found);
		rig_finish(&rig);
	}
}

static void test_pointer_moves(void **state)
{
	(void)state;
	/* Every TU moves, up and down through the whole range, the AU moves as well: not one bit is
	 * lost. 35 moves in a row at the highest rate put 3.1 bits each on the input store. */
	rig_start(&rig, NULL);
	line63_tx_set_tu_pointer(rig.tx, 0, 0);
	line63_tx_set_tu_pointer(rig.tx, 1, 139);
	rig_run(&rig, 64);
	for (int round = 0; round < 24; round++) {
		for (uint32_t t = 0; t < 63; t++) {
			int32_t step = t % 2 == 0 ? 12 : -12;
			line63_tx_justify_tu(rig.tx, t, round < 12 ? step : -step);
		}
		line63_tx_justify_au(rig.tx, round % 2 == 0 ? 70 : -75);
		rig_run(&rig, 600);
		rig_expect_clean(&rig);
	}
	assert_int_equal(rig.events, 0);
	struct line63_line_counts c;
	line63_rx_line_counts(rig.rx, &c);
	assert_int_equal(c.au_increments, 12 * 70);
	assert_int_equal(c.au_decrements, 12 * 75);
	assert_int_equal(line63_rx_au_pointer(rig.rx), 522 + 12 * 70 - 12 * 75);
	for (uint32_t t = 0; t < 63; t++) {
		struct line63_trib_counts n;
		line63_rx_trib_counts(rig.rx, t, &n);
		assert_int_equal(n.tu_increments, 144);
		assert_int_equal(n.tu_decrements, 144);
		assert_int_equal(n.slips_lost + n.slips_repeated, 0);
		assert_int_equal(line63_tx_slips(rig.tx, t), 0);
		assert_true(n.extra_bits > 0 && n.missing_bits > 0);
		assert_int_equal(n.bip2_errors, 0);
	}
	assert_int_equal(c.b3_errors, 0);
	rig_finish(&rig);
}

static void test_new_pointer(void **state)
{
	(void)state;
	/* A new value with NDF: a hit, then all as before, with the same delay. */
	rig_start(&rig, NULL);
	rig_run(&rig, 64);
	line63_tx_set_tu_pointer(rig.tx, 9, 33);
	rig_run(&rig, 64);
	assert_true(rig.errors[9] > 0);
	assert_int_equal(rig.errors[8] + rig.errors[10], 0);
	rig_run(&rig, 64);
	rig_expect_clean(&rig);
	assert_int_equal(line63_rx_tu_pointer(rig.rx, 9), 33);
	line63_tx_set_au_pointer(rig.tx, 111);
	rig_run(&rig, 64);
	rig_run(&rig, 64);
	rig_expect_clean(&rig);
	assert_int_equal(line63_rx_au_pointer(rig.rx), 111);
	struct line63_line_counts c;
	line63_rx_line_counts(rig.rx, &c);
	assert_int_equal(c.au_new_pointers, 2);
	assert_int_equal(c.b1_errors + c.b2_errors + c.b3_errors, 0);
	assert_int_equal(rig.events, 0);
	assert_int_equal(line63_tx_set_au_pointer(rig.tx, 783), EVL_E_INVALID);
	assert_int_equal(line63_tx_set_tu_pointer(rig.tx, 0, 140), EVL_E_INVALID);
	assert_int_equal(line63_tx_set_tu_pointer(rig.tx, 63, 0), EVL_E_INVALID);
	rig_finish(&rig);
}

static void test_cuts_and_time(void **state)
{
	(void)state;
	/* The same stream in calls of 8, 24 and 40 frames gives the same bits; an encoder that
	 * starts at frame 4803 makes the overhead that one has that started at 0. */
	static uint8_t e1[63][80 * 32], a[80 * 2430], b[80 * 2430];
	static uint8_t out_a[63][80 * 32], out_b[63][80 * 32];
	const uint8_t *in[63];
	uint8_t *out[63];
	struct line63_tx *tx = NULL;
	struct line63_rx *rx = NULL;
	for (uint32_t t = 0; t < 63; t++) {
		struct evl_prbs p;
		evl_prbs_init(&p, EVL_PRBS15, t * 77);
		evl_prbs_fill(&p, e1[t], sizeof(e1[t]));
	}
	line63_tx_create(&tx, NULL);
	line63_rx_create(&rx, NULL, NULL);
	static const uint32_t cuts[2][5] = {{80, 0}, {8, 24, 40, 8, 0}};
	for (int v = 0; v < 2; v++) {
		line63_tx_reset(tx);
		line63_rx_reset(rx);
		uint32_t at = 0;
		for (int i = 0; cuts[v][i] != 0; at += cuts[v][i++]) {
			for (uint32_t t = 0; t < 63; t++) {
				in[t] = e1[t] + 32 * at;
				out[t] = (v ? out_b[t] : out_a[t]) + 32 * at;
			}
			uint8_t *line = (v ? b : a) + 2430 * at;
			line63_encode(tx, in, cuts[v][i], line);
			line63_decode(rx, line, cuts[v][i], out, NULL);
		}
		assert_int_equal(at, 80);
	}
	assert_memory_equal(a, b, sizeof(a));
	assert_memory_equal(out_a, out_b, sizeof(out_a));

	for (uint32_t t = 0; t < 63; t++) {
		in[t] = NULL;
	}
	line63_tx_reset(tx);
	line63_encode(tx, in, 80, a);
	line63_tx_set_frame(tx, 16 + 1);
	line63_encode(tx, in, 56, b);
	evl_scramble_stm1(a, 80);
	evl_scramble_stm1(b, 56);
	/* Parities cover the parities of the frame before, so they never forget the start. */
	for (uint32_t n = 8; n < 56; n++) {
		uint8_t *p[2] = {a + 2430 * (n + 17), b + 2430 * n};
		for (int i = 0; i < 2; i++) {
			p[i][EVL_STM1_B1] = p[i][270 + 9] = 0;
			memset(p[i] + EVL_STM1_B2, 0, 3);
			/* BIP-2 in the V5 of all TUs: byte 1 of their frame. */
			for (uint32_t t = 0; t < 63 && (n + 17) % 4 == 0; t++) {
				p[i][9 + 72 + t] &= 0x3f;
			}
		}
		assert_memory_equal(p[0], p[1], 2430);
	}
	line63_tx_destroy(tx);
	line63_rx_destroy(rx);
}

/* The bits of one tributary alone, in one call from a fresh start. */
static uint64_t extract(uint32_t tributary, const uint8_t *line, uint8_t *to)
{
	const struct evl_rx_options options = {.depth = EVL_RX_BITS};
	struct line63_rx *rx = NULL;
	uint8_t *out[63] = {NULL};
	out[tributary] = to;
	assert_int_equal(line63_rx_create(&rx, &options, NULL), EVL_OK);
	line63_decode(rx, line, 80, out, NULL);
	uint64_t first = line63_rx_first_bit(rx, tributary);
	line63_rx_destroy(rx);
	return first;
}

static void test_extract(void **state)
{
	(void)state;
	static uint8_t e1[63][80 * 32], line[80 * 2430], out[80 * 32];
	const uint8_t *in[63];
	struct line63_tx *tx = NULL;
	for (uint32_t t = 0; t < 63; t++) {
		struct evl_prbs p;
		evl_prbs_init(&p, EVL_PRBS23, t * 1777);
		evl_prbs_fill(&p, e1[t], sizeof(e1[t]));
		in[t] = e1[t];
	}
	line63_tx_create(&tx, NULL);
	line63_encode(tx, in, 80, line);
	line63_tx_destroy(tx);
	for (uint32_t t = 0; t < 63; t += 31) {
		uint64_t first = extract(t, line, out);
		assert_true(first % 8 == 0 && first < 40 * 256);
		for (uint64_t i = 0; i < 80 * 32; i++) {
			uint8_t want = i < first / 8 ? 0xff : e1[t][i - LINE63_DELAY_BITS / 8];
			assert_int_equal(out[i], want);
		}
	}
	memset(line, 0x55, sizeof(line));
	assert_true(extract(0, line, out) == UINT64_MAX);
}

static void test_options(void **state)
{
	(void)state;
	static const struct evl_rx_options bad[] = {{.los_bytes = 44}, {.los_bytes = 1945},
		{.k2_frames = 2}, {.k2_frames = 6}, {.rdi_frames = 11}, {.lop_frames = 7},
		{.lom_frames = 41}};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct line63_rx *rx = NULL;
		struct evl_err err = {0};
		assert_int_equal(line63_rx_create(&rx, &bad[i], &err), EVL_E_INVALID);
		assert_null(rx);
		assert_true(strlen(err.text) > 10);
	}
	line63_tx_destroy(NULL);
	line63_rx_destroy(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_by_hand),
		cmocka_unit_test(test_round_trip),
		cmocka_unit_test(test_all_tu_pointers),
		cmocka_unit_test(test_au_pointers),
		cmocka_unit_test(test_pointer_moves),
		cmocka_unit_test(test_new_pointer),
		cmocka_unit_test(test_cuts_and_time),
		cmocka_unit_test(test_extract),
		cmocka_unit_test(test_options),
	};
	return cmocka_run_group_tests_name("frame.line63", tests, NULL, NULL);
}
