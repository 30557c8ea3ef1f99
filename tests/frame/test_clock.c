/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Clocks that are not locked to the line: E1 off by up to 50 ppm (ITU-T G.703 clause 9, tolerance
 * of 2048 kbit/s, from memory) carried by C1/C2 justification (G.707 10.1.4.1), VC clocks by
 * pointer moves (G.707 8.1.3, 8.3.3). What is expected is counted from the offsets by hand: an
 * offset of p ppm over n nominal bits is n p / 1e6 bits, so many S bits and so many pointer moves.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/line63.h"
#include "core/signal/prbs.h"

#define FRAMES 8u
#define ROOM   LINE63_MOST_BYTES(FRAMES)

/* Inputs at their own rates, outputs compared with the inputs from the first byte on. */
struct rig {
	struct line63_tx *tx;
	struct line63_rx *rx;
	int32_t ppb[63];
	int64_t owed[63]; /* 1e-9 bytes of input still to come */
	struct evl_prbs in[63], out[63];
	bool found[63]; /* the output follows the input */
	uint64_t given[63], taken[63], errors[63];
	uint32_t shortest, longest; /* bytes out in a slab, after the first second */
};

static void start(struct rig *rig)
{
	memset(rig, 0, sizeof(*rig));
	assert_int_equal(line63_tx_create(&rig->tx, NULL), EVL_OK);
	assert_int_equal(line63_rx_create(&rig->rx, NULL, NULL), EVL_OK);
	rig->shortest = UINT32_MAX;
	for (uint32_t t = 0; t < 63; t++) {
		evl_prbs_init(&rig->in[t], EVL_PRBS15, 500u * t);
	}
}

static void finish(struct rig *rig)
{
	line63_tx_destroy(rig->tx);
	line63_rx_destroy(rig->rx);
}

static void run(struct rig *rig, uint32_t slabs)
{
	static uint8_t in[63][ROOM], out[63][ROOM], line[FRAMES * LINE63_LINE_BYTES];
	const uint8_t *from[63];
	uint8_t *to[63];
	uint32_t n_in[63], n_out[63];
	struct evl_err err = {0};
	for (uint32_t s = 0; s < slabs; s++) {
		for (uint32_t t = 0; t < 63; t++) {
			rig->owed[t] += INT64_C(256) * (1000000000 + rig->ppb[t]);
			n_in[t] = (uint32_t)(rig->owed[t] / 1000000000);
			rig->owed[t] %= 1000000000;
			evl_prbs_fill(&rig->in[t], in[t], n_in[t]);
			rig->given[t] += n_in[t];
			from[t] = in[t];
			to[t] = out[t];
		}
		assert_int_equal(
			line63_encode_bytes(rig->tx, from, n_in, FRAMES, line, &err), EVL_OK);
		line63_decode_bytes(rig->rx, line, FRAMES, to, n_out, NULL);
		for (uint32_t t = 0; t < 63; t++) {
			uint8_t want[ROOM];
			uint64_t first = line63_rx_first_bit(rig->rx, t);
			uint32_t at = 0;
			rig->taken[t] += n_out[t];
			if (!rig->found[t] && first < 8 * rig->taken[t]) {
				/* What was in the input store when the first VC was made came
				 * before the first input bit: ones or early bits. The stream is
				 * judged from a place where it is input for certain. */
				uint64_t bit = LINE63_DELAY_BITS;
				if (8 * (rig->taken[t] - n_out[t]) < bit + 4096) {
					continue;
				}
				rig->found[t] = true;
				/* Nominal until then but for single bytes: look for the place. */
				uint64_t about = 8 * (rig->taken[t] - n_out[t]) - bit;
				for (int32_t shift = -400; shift <= 400; shift++) {
					evl_prbs_init(&rig->out[t], EVL_PRBS15,
						500u * t + (uint32_t)((int64_t)about + shift));
					struct evl_prbs copy = rig->out[t];
					evl_prbs_fill(&copy, want, n_out[t]);
					if (memcmp(want, out[t], n_out[t]) == 0) {
						break;
					}
				}
			}
			if (!rig->found[t]) {
				continue;
			}
			evl_prbs_fill(&rig->out[t], want, n_out[t]);
			for (; at < n_out[t]; at++) {
				rig->errors[t] += want[at] != out[t][at];
			}
			if (rig->taken[t] > 256000) {
				rig->shortest = n_out[t] < rig->shortest ? n_out[t] : rig->shortest;
				rig->longest = n_out[t] > rig->longest ? n_out[t] : rig->longest;
			}
		}
	}
}

static struct rig rig;

static void test_e1_offsets(void **state)
{
	(void)state;
	start(&rig);
	for (uint32_t t = 0; t < 63; t++) {
		rig.ppb[t] = ((int32_t)t - 31) * 50000 / 31; /* -50 ppm to +50 ppm */
	}
	run(&rig, 500);
	struct line63_trib_counts before[63], after;
	uint64_t taken[63], given[63];
	for (uint32_t t = 0; t < 63; t++) {
		line63_rx_trib_counts(rig.rx, t, &before[t]);
	}
	run(&rig, 4000);
	memcpy(taken, rig.taken, sizeof(taken));
	memcpy(given, rig.given, sizeof(given));
	run(&rig, 4000);
	for (uint32_t t = 0; t < 63; t++) {
		assert_true(rig.found[t]);
		assert_int_equal(rig.errors[t], 0);
		line63_rx_trib_counts(rig.rx, t, &after);
		assert_int_equal(after.slips_lost + after.slips_repeated + after.bip2_errors, 0);
		assert_int_equal(line63_tx_slips(rig.tx, t), 0);
		/* 8 s of 2048000 bit/s: one bit per 1e-6 / 16.384. A store's threshold leaves room
		 * for what arrives in bytes. */
		int64_t net = (int64_t)(after.extra_bits - before[t].extra_bits) -
			      (int64_t)(after.missing_bits - before[t].missing_bits);
		int64_t want = (int64_t)rig.ppb[t] * 16384000 / 1000000000;
		assert_true(llabs(net - want) <= 10);
		/* In the last 4 s as many bytes came out as went in. */
		int64_t in = (int64_t)(rig.given[t] - given[t]);
		int64_t out = (int64_t)(rig.taken[t] - taken[t]);
		assert_true(llabs(in - out) <= 2);
		/* The level rose by offset x 0.512 s: 52.4 bits at 50 ppm; a byte is in and one
		 * out at a time. */
		int64_t level = 8 * ((int64_t)rig.given[t] - (int64_t)rig.taken[t]);
		assert_true(llabs(level - (int64_t)rig.ppb[t] * 1048576 / 1000000000) <= 24);
	}
	/* The output is even: 256 bytes a slab and one more or less. */
	assert_in_range(rig.shortest, 255, 256);
	assert_in_range(rig.longest, 256, 257);
	finish(&rig);
}

static void test_pointer_clock(void **state)
{
	(void)state;
	/* VC-4 20 ppm slow: 150336 kbit/s x 20e-6 / 24 = 125.28 increments a second. VC-12 of
	 * tributary t: 2240 kbit/s x ppm / 8 moves a second, 14 at 50 ppm. E1 clocks too. */
	start(&rig);
	assert_int_equal(line63_tx_set_au_offset(rig.tx, -20000), EVL_OK);
	for (uint32_t t = 0; t < 63; t++) {
		rig.ppb[t] = (int32_t)(t % 3) * 50000 - 50000;
		assert_int_equal(
			line63_tx_set_tu_offset(rig.tx, t, ((int32_t)t - 31) * 50000 / 31), EVL_OK);
	}
	run(&rig, 8000);
	struct line63_line_counts line;
	line63_rx_line_counts(rig.rx, &line);
	assert_in_range(line.au_increments, 1001, 1003);
	assert_int_equal(line.au_decrements, 0);
	assert_int_equal(line.b1_errors + line.b2_errors + line.b3_errors, 0);
	for (uint32_t t = 0; t < 63; t++) {
		struct line63_trib_counts n;
		line63_rx_trib_counts(rig.rx, t, &n);
		assert_true(rig.found[t]);
		assert_int_equal(rig.errors[t], 0);
		assert_int_equal(n.bip2_errors + n.slips_lost + n.slips_repeated, 0);
		double moves = 8 * 2240e3 * (((int32_t)t - 31) * 50000 / 31) * 1e-9 / 8;
		double got = (double)n.tu_decrements - (double)n.tu_increments;
		assert_true(got - moves > -2 && got - moves < 2);
		assert_true(n.tu_decrements == 0 || n.tu_increments == 0);
	}
	finish(&rig);
}

static void test_refused(void **state)
{
	(void)state;
	static uint8_t e1[ROOM + 1], line[FRAMES * LINE63_LINE_BYTES];
	const uint8_t *in[63] = {NULL};
	uint32_t bytes[63] = {0}; /* not read where the input is NULL */
	struct evl_err err = {0};
	start(&rig);
	assert_int_equal(line63_encode_bytes(rig.tx, in, bytes, FRAMES, line, &err), EVL_OK);
	in[7] = e1;
	bytes[7] = 247;
	assert_int_equal(line63_encode_bytes(rig.tx, in, bytes, FRAMES, line, &err), EVL_E_INVALID);
	assert_string_equal(err.text, "client 7 brings 247 bytes in 8 frames; "
				      "allowed are 248 to 264");
	bytes[7] = 265;
	assert_int_equal(line63_encode_bytes(rig.tx, in, bytes, FRAMES, line, &err), EVL_E_INVALID);
	/* The widest that is allowed, for long: slips, but nothing else. */
	for (uint32_t i = 0; i < 400; i++) {
		bytes[7] = i < 200 ? 264 : 248;
		assert_int_equal(
			line63_encode_bytes(rig.tx, in, bytes, FRAMES, line, &err), EVL_OK);
	}
	/* 62 bits too many a ms beyond the 2 that C1/C2 take: one slip of 256 bits in 4.1 ms. */
	assert_in_range(line63_tx_slips(rig.tx, 7), 94, 98);
	assert_int_equal(line63_tx_set_au_offset(rig.tx, 100001), EVL_E_INVALID);
	assert_int_equal(line63_tx_set_tu_offset(rig.tx, 0, -100001), EVL_E_INVALID);
	assert_int_equal(line63_tx_set_tu_offset(rig.tx, 63, 0), EVL_E_INVALID);
	finish(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_e1_offsets),
		cmocka_unit_test(test_pointer_clock),
		cmocka_unit_test(test_refused),
	};
	return cmocka_run_group_tests_name("frame.clock", tests, NULL, NULL);
}
