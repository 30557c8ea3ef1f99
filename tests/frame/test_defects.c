/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Every defect of the section, its instants to the bit, and what follows from it. Criteria: ITU-T
 * G.783 with the choices 5 frames (K2, C2, V5), 3 (AIS), 8 (LOP), 3 ms (LOF); LOS, SEF and
 * persistence counts also T1.231 as quoted by RFC 3592 3.5. G.783 figures are from memory where RFC
 * 3592 does not give them.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/line63.h"
#include "core/frame/stm.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"
#include "tests/frame/rig.h"

static struct rig rig;

#define LINE  LINE63_LINE
#define START 64 /* frames before anything happens */

static void begin(const struct evl_rx_options *options)
{
	rig_start(&rig, options);
	rig_run(&rig, START);
	rig_run(&rig, 32);
	rig_expect_clean(&rig);
	assert_int_equal(rig.events, 0);
	rig.from = rig.frame;
}

static bool inside(const struct rig *r, uint64_t frame)
{
	return frame >= r->from && frame < r->to;
}

/* ---- LOS ---- */

static void cut(struct rig *r, uint8_t *line, uint64_t frame)
{
	/* Zeros from byte 1000 of frame `from` to byte 1500 of frame `to`. */
	uint32_t a = frame == r->from ? 1000 : 0, b = frame == r->to ? 1500 : 2430;
	if (frame >= r->from && frame <= r->to && b > a) {
		memset(line + a, 0, b - a);
	}
}

static void test_los(void **state)
{
	(void)state;
	static const uint32_t limits[] = {45, 389, 1944};
	for (size_t i = 0; i < 3; i++) {
		const struct evl_rx_options options = {.los_bytes = limits[i]};
		begin(&options);
		rig.to = rig.from + 100;
		rig.alter = cut;
		/* The byte before the cut is not zero, or the run would begin earlier. */
		rig_run(&rig, 96);
		assert_true(line63_rx_defect(rig.rx, EVL_ALARM_LOS, LINE));
		assert_int_equal(line63_rx_root_cause(rig.rx, LINE), EVL_ALARM_LOS);
		assert_int_equal(line63_rx_root_cause(rig.rx, 17), EVL_ALARM_LOS);
		struct line63_remote remote;
		line63_rx_take_remote(rig.rx, &remote);
		assert_true(remote.ms_rdi && remote.hp_rdi);
		assert_int_equal(remote.lp_rdi, (UINT64_C(1) << 63) - 1);
		rig_run(&rig, 32); /* the signal is back after 5 frames of these */
		rig_run(&rig, 64);
		rig_run(&rig, 8);
		rig_expect_clean(&rig);
		uint32_t at = 0;
		uint64_t from = rig.from;
		uint32_t run = limits[i];
		uint64_t raised = from * FRAME_BITS + 8u * (1000 + run);
		/* A frame that ends in zeros by chance would be earlier; the PRBS has none. */
		rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, true, raised);
		/* Cleared by the second good A1 A2 after the zeros: frames 101 and 102. */
		rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, false, (from + 102) * FRAME_BITS + 48);
		/* OOF: the fifth bad framing word, frame from + 5; back with LOS. */
		at = 0;
		rig_expect(&rig, &at, EVL_ALARM_OOF, LINE, true, (from + 5) * FRAME_BITS + 48);
		rig_expect(&rig, &at, EVL_ALARM_OOF, LINE, false, (from + 102) * FRAME_BITS + 48);
		/* LOF: 3 ms of OOF, then 3 ms in frame. */
		at = 0;
		rig_expect(&rig, &at, EVL_ALARM_LOF, LINE, true,
			(from + 5) * FRAME_BITS + 48 + 24 * FRAME_BITS);
		rig_expect(
			&rig, &at, EVL_ALARM_LOF, LINE, false, (from + 102 + 24) * FRAME_BITS + 48);
		/* All ones inserted from the first frame that had LOS: K2 of 5 frames. */
		uint64_t first = from + (1000 + run > 2430);
		at = 0;
		/* Zeros where K2 would be (byte 1086) look like 111 when the keystream has 111
		 * there, and it has: the frame before the first with LOS counts too. */
		assert_int_equal(evl_scramble_stm1_keystream()[EVL_STM1_K2] & 7, 7);
		rig_expect(&rig, &at, EVL_ALARM_MS_AIS, LINE, true, rig_bit(from + 4, 5, 7));
		at = 0;
		rig_expect(&rig, &at, EVL_ALARM_AU_AIS, LINE, true, rig_bit(first + 2, 4, 4));
		for (int t = 0; t < 63; t++) {
			assert_int_equal(rig_count(&rig, EVL_ALARM_TU_AIS, t), 2);
			assert_false(line63_rx_output_ais(rig.rx, (uint32_t)t));
		}
		assert_int_equal(line63_rx_defects(rig.rx, LINE), 0);
		rig_finish(&rig);
	}
}

static void test_short_los(void **state)
{
	(void)state;
	/* Zeros over less than the threshold do nothing; over one frame and a half, LOS without
	 * OOF: cleared by the second good word. */
	begin(NULL);
	rig.to = rig.from;
	rig.alter = cut; /* 500 bytes in one frame */
	rig_run(&rig, 64);
	rig_run(&rig, 8);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, true, rig.from * FRAME_BITS + 8 * 1389);
	rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, false, (rig.from + 2) * FRAME_BITS + 48);
	assert_int_equal(rig_count(&rig, EVL_ALARM_OOF, LINE), 0);
	rig_expect_clean(&rig);
	rig_finish(&rig);
	const struct evl_rx_options options = {.los_bytes = 501};
	begin(&options);
	rig.to = rig.from;
	rig.alter = cut;
	rig_run(&rig, 64);
	assert_int_equal(rig_count(&rig, EVL_ALARM_LOS, LINE), 0);
	rig_finish(&rig);
}

/* ---- framing ---- */

static void bad_word(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (inside(r, frame)) {
		line[r->arg / 8 % 6] ^= (uint8_t)(0x80 >> r->arg % 8);
	}
}

static void test_oof(void **state)
{
	(void)state;
	/* Four bad words: nothing. Five: OOF at the fifth; in frame at the second good one. */
	for (uint32_t n = 4; n <= 5; n++) {
		begin(NULL);
		rig.to = rig.from + n;
		rig.arg = 11 * n;
		rig.alter = bad_word;
		rig_run(&rig, 64);
		if (n == 4) {
			assert_int_equal(rig.events, 0);
		} else {
			uint32_t at = 0;
			rig_expect(&rig, &at, EVL_ALARM_OOF, LINE, true,
				(rig.from + 4) * FRAME_BITS + 48);
			rig_expect(&rig, &at, EVL_ALARM_OOF, LINE, false,
				(rig.from + 6) * FRAME_BITS + 48);
			assert_int_equal(rig.events, 2);
		}
		rig_expect_clean(&rig); /* the old alignment runs on: not a bit was lost */
		struct line63_line_counts c;
		line63_rx_line_counts(rig.rx, &c);
		assert_int_equal(c.b1_errors, n); /* the framing bits are covered by B1 */
		assert_int_equal(c.b2_errors, 0); /* but not by B2 */
		rig_finish(&rig);
	}
}

static void intermittent(struct rig *r, uint8_t *line, uint64_t frame)
{
	/* 10 bad, 4 good words in turn: OOF from the 5th bad to the 2nd good. */
	if (inside(r, frame) && (frame - r->from) % 14 < 10) {
		line[0] ^= 1;
	}
}

static void test_lof_adds_up(void **state)
{
	(void)state;
	/* In frame for less than 3 ms at a time, so the OOF times add up: each 14 frames bring
	 * 7 frames of OOF (5th bad word, offset 4, to 2nd good, offset 11). 24 frames are full in
	 * the 4th turn, 3 frames after its OOF. */
	begin(NULL);
	rig.to = rig.from + 200;
	rig.alter = intermittent;
	rig_run(&rig, 56);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_LOF, LINE, true,
		(rig.from + 3 * 14 + 4 + 3) * FRAME_BITS + 48);
	rig_finish(&rig);
}

/* Frames moved to any bit alignment. */
static void test_alignments(void **state)
{
	(void)state;
	static uint8_t line[96 * 2430 + 1], moved[96 * 2430], e1[63][96 * 32], out[63][96 * 32];
	const uint8_t *in[63];
	uint8_t *op[63];
	struct line63_tx *tx = NULL;
	for (uint32_t t = 0; t < 63; t++) {
		struct evl_prbs p;
		evl_prbs_init(&p, EVL_PRBS15, t * 321);
		evl_prbs_fill(&p, e1[t], sizeof(e1[t]));
		in[t] = e1[t];
		op[t] = out[t];
	}
	line63_tx_create(&tx, NULL);
	line63_encode(tx, in, 96, line);
	line63_tx_destroy(tx);
	static const uint32_t shifts[] = {
		1, 2, 3, 4, 5, 6, 7, 8, 9, 47, 48, 9999, 19391, 19392, 19393, 19439};
	for (size_t i = 0; i < sizeof(shifts) / sizeof(shifts[0]); i++) {
		/* The line is `shift` bits late: noise first. */
		struct line63_rx *rx = NULL;
		const struct line63_events events = {rig_note, &rig};
		rig.events = 0;
		uint32_t shift = shifts[i];
		struct evl_rng rng;
		evl_rng_init(&rng, shift, 0);
		for (uint32_t b = 0; b < shift / 8 + 1; b++) {
			moved[b] = (uint8_t)evl_rng_next(&rng);
		}
		for (uint64_t b = shift; b < sizeof(moved) * 8; b++) {
			uint64_t from = b - shift;
			uint8_t bit = line[from / 8] >> (7 - from % 8) & 1;
			moved[b / 8] = (uint8_t)((moved[b / 8] & ~(0x80u >> b % 8)) |
						 (uint32_t)bit << (7 - b % 8));
		}
		assert_int_equal(line63_rx_create(&rx, NULL, NULL), EVL_OK);
		line63_decode(rx, moved, 96, op, &events);
		assert_int_equal(rig.events, 0);
		struct line63_line_counts c;
		line63_rx_line_counts(rx, &c);
		assert_int_equal(c.b1_errors + c.b2_errors + c.b3_errors, 0);
		/* Part of a frame late counts as one frame: 256 bits more. */
		for (uint32_t t = 0; t < 63; t++) {
			assert_memory_equal(out[t] + 64 * 32,
				e1[t] + 64 * 32 - LINE63_DELAY_BITS / 8 - 32, 31 * 32);
		}
		line63_rx_destroy(rx);
	}
}

static void test_nothing_at_all(void **state)
{
	(void)state;
	/* Noise from the start: OOF after 625 us, LOF after 3 ms, and AIS at all outputs. */
	static uint8_t line[40 * 2430], e1[63][40 * 32];
	uint8_t *out[63];
	struct line63_rx *rx = NULL;
	const struct line63_events events = {rig_note, &rig};
	struct evl_rng rng;
	evl_rng_init(&rng, 4, 0);
	for (size_t i = 0; i < sizeof(line); i++) {
		line[i] = (uint8_t)evl_rng_next(&rng);
	}
	for (uint32_t t = 0; t < 63; t++) {
		out[t] = e1[t];
	}
	memset(&rig, 0, sizeof(rig));
	line63_rx_create(&rx, NULL, NULL);
	line63_rx_set_frame(rx, 1000);
	line63_decode(rx, line, 40, out, &events);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_OOF, LINE, true, 1005 * FRAME_BITS);
	rig_expect(&rig, &at, EVL_ALARM_LOF, LINE, true, 1024 * FRAME_BITS);
	for (uint32_t t = 0; t < 63; t++) {
		for (size_t i = 0; i < sizeof(e1[t]); i++) {
			assert_int_equal(e1[t][i], 0xff);
		}
	}
	assert_int_equal(line63_rx_root_cause(rx, 0), EVL_ALARM_LOF);
	line63_rx_destroy(rx);
}

/* ---- multiplex section ---- */

static void test_ms_ais(void **state)
{
	(void)state;
	begin(NULL);
	uint64_t from = rig.frame, to = from + 48;
	line63_tx_insert_ms_ais(rig.tx, true);
	rig_run(&rig, 48);
	assert_int_equal(line63_rx_root_cause(rig.rx, LINE), EVL_ALARM_MS_AIS);
	assert_int_equal(line63_rx_root_cause(rig.rx, 62), EVL_ALARM_MS_AIS);
	line63_tx_insert_ms_ais(rig.tx, false);
	rig_run(&rig, 64);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_MS_AIS, LINE, true, rig_bit(from + 4, 5, 7));
	rig_expect(&rig, &at, EVL_ALARM_MS_AIS, LINE, false, rig_bit(to + 4, 5, 7));
	at = 0;
	/* H1 H2 of three frames; the third valid pointer after MS-AIS has gone. */
	rig_expect(&rig, &at, EVL_ALARM_AU_AIS, LINE, true, rig_bit(from + 2, 4, 4));
	rig_expect(&rig, &at, EVL_ALARM_AU_AIS, LINE, false, rig_bit(to + 6, 4, 4));
	assert_int_equal(
		rig_count(&rig, EVL_ALARM_LOS, LINE) + rig_count(&rig, EVL_ALARM_OOF, LINE), 0);
	struct line63_line_counts c;
	line63_rx_line_counts(rig.rx, &c);
	assert_int_equal(c.b1_errors, 0); /* the regenerator section was well all the time */
	rig_finish(&rig);
}

static void test_rdi_and_rei(void **state)
{
	(void)state;
	begin(NULL);
	struct line63_remote remote = {.ms_rdi = true, .hp_rdi = true, .ms_rei = 100, .hp_rei = 20};
	remote.lp_rdi = UINT64_C(1) << 40;
	remote.lp_rei[41] = 3;
	uint64_t from = rig.frame;
	line63_tx_set_remote(rig.tx, &remote);
	rig_run(&rig, 64);
	rig_expect_clean(&rig);
	struct line63_line_counts c;
	struct line63_trib_counts n;
	line63_rx_line_counts(rig.rx, &c);
	assert_int_equal(c.ms_rei, 100);
	assert_int_equal(c.hp_rei, 20);
	line63_rx_trib_counts(rig.rx, 41, &n);
	assert_int_equal(n.lp_rei, 3);
	assert_int_equal(line63_rx_root_cause(rig.rx, LINE), EVL_ALARM_MS_RDI);
	assert_int_equal(line63_rx_root_cause(rig.rx, 40), EVL_ALARM_LP_RDI);
	assert_int_equal(line63_rx_root_cause(rig.rx, 39), EVL_ALARM_NONE);
	uint64_t to = rig.frame;
	memset(&remote, 0, sizeof(remote));
	line63_tx_set_remote(rig.tx, &remote);
	rig_run(&rig, 64);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_MS_RDI, LINE, true, rig_bit(from + 4, 5, 7));
	rig_expect(&rig, &at, EVL_ALARM_MS_RDI, LINE, false, rig_bit(to + 4, 5, 7));
	at = 0;
	/* G1 is row 4 of column 1 of the VC-4: column 10 of the frame; 5 frames. */
	rig_expect(&rig, &at, EVL_ALARM_HP_RDI, LINE, true, rig_bit(from + 4, 4, 10));
	rig_expect(&rig, &at, EVL_ALARM_HP_RDI, LINE, false, rig_bit(to + 4, 4, 10));
	at = 0;
	/* V5 of tributary 41 (column order), VC-4 column 10 + 40 + 63: 5 multiframes of 4 frames.
	 */
	rig_expect(&rig, &at, EVL_ALARM_LP_RDI, 40, true, rig_bit(from + 16, 1, 9 + 113));
	rig_expect(&rig, &at, EVL_ALARM_LP_RDI, 40, false, rig_bit(to + 16, 1, 9 + 113));
	assert_int_equal(rig.events, 6);
	rig_finish(&rig);
}

static void test_section_alone(void **state)
{
	(void)state;
	/* Same instants as the decoder's. */
	const struct evl_rx_options options = {.depth = EVL_RX_SECTION};
	struct line63_rx *mon = NULL;
	static uint8_t line[63 * 8 * 2430];
	const uint8_t *in[63] = {NULL};
	struct line63_tx *tx = NULL;
	const struct line63_events events = {rig_note, &rig};
	memset(&rig, 0, sizeof(rig));
	line63_tx_create(&tx, NULL);
	line63_encode(tx, in, 504, line);
	line63_tx_destroy(tx);
	memset(line + 100 * 2430 + 77, 0, 50 * 2430);
	line[300 * 2430 + 1000] ^= 0xff;
	assert_int_equal(line63_rx_create(&mon, &options, NULL), EVL_OK);
	for (uint32_t f = 0; f < 504; f += 7) {
		line63_decode(mon, line + 2430 * f, 7, NULL, &events);
	}
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, true, 100 * FRAME_BITS + 8 * (77 + 389));
	rig_expect(&rig, &at, EVL_ALARM_LOS, LINE, false, 152 * FRAME_BITS + 48);
	at = 0;
	rig_expect(&rig, &at, EVL_ALARM_LOF, LINE, true, 129 * FRAME_BITS + 48);
	struct line63_line_counts c;
	line63_rx_line_counts(mon, &c);
	assert_int_equal(c.b1_errors, 8);
	assert_int_equal(c.b2_errors, 8);
	assert_int_equal(line63_rx_defects(mon, LINE), 0);
	line63_rx_reset(mon);
	line63_rx_line_counts(mon, &c);
	assert_int_equal(c.frames, 0);
	line63_rx_destroy(mon);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_los),
		cmocka_unit_test(test_short_los),
		cmocka_unit_test(test_oof),
		cmocka_unit_test(test_lof_adds_up),
		cmocka_unit_test(test_alignments),
		cmocka_unit_test(test_nothing_at_all),
		cmocka_unit_test(test_ms_ais),
		cmocka_unit_test(test_rdi_and_rei),
		cmocka_unit_test(test_section_alone),
	};
	return cmocka_run_group_tests_name("frame.defects", tests, NULL, NULL);
}
