/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Every defect of AU-4, VC-4, TU-12 and VC-12, its instants to the bit, and what follows from it.
 * Criteria: ITU-T G.783 with the choices 5 frames (C2, G1, V5), 3 (AIS), 8 (LOP), 1 ms (LOM), from
 * memory where T1.231 as quoted by RFC 3592 3.5 does not give them.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/line63.h"
#include "core/frame/stm.h"
#include "core/frame/vc4_rx.h"
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

/* ---- AU-4 and VC-4 ---- */

static void test_au_ais(void **state)
{
	(void)state;
	begin(NULL);
	uint64_t from = rig.frame;
	line63_tx_insert_au_ais(rig.tx, true);
	rig_run(&rig, 64);
	assert_int_equal(line63_rx_root_cause(rig.rx, 3), EVL_ALARM_AU_AIS);
	struct line63_remote remote;
	line63_rx_take_remote(rig.rx, &remote);
	assert_false(remote.ms_rdi);
	assert_true(remote.hp_rdi);
	uint64_t to = rig.frame;
	line63_tx_insert_au_ais(rig.tx, false);
	rig_run(&rig, 64);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_AU_AIS, LINE, true, rig_bit(from + 2, 4, 4));
	rig_expect(&rig, &at, EVL_ALARM_AU_AIS, LINE, false, rig_bit(to + 2, 4, 4));
	assert_int_equal(rig_count(&rig, EVL_ALARM_MS_AIS, LINE), 0);
	for (int t = 0; t < 63; t++) {
		assert_int_equal(rig_count(&rig, EVL_ALARM_TU_AIS, t), 2);
	}
	rig_finish(&rig);
}

/* Runs `change` on the descrambled frame. B1 and B2 are not made good: those errors are expected.
 */
static void edit(uint8_t *line, uint32_t place, uint8_t byte)
{
	evl_scramble_stm1(line, 1);
	line[place] = byte;
	evl_scramble_stm1(line, 1);
}

static void bad_pointer(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (inside(r, frame)) {
		edit(line, EVL_STM1_H1, 0x00);
	}
}

static void test_au_lop(void **state)
{
	(void)state;
	/* 7 invalid pointers: nothing; 8: LOP; then three valid ones. */
	for (uint32_t n = 7; n <= 8; n++) {
		begin(NULL);
		rig.to = rig.from + n;
		rig.alter = bad_pointer;
		rig_run(&rig, 64);
		uint32_t at = 0;
		if (n == 8) {
			rig_expect(&rig, &at, EVL_ALARM_AU_LOP, LINE, true,
				rig_bit(rig.from + 7, 4, 4));
			rig_expect(&rig, &at, EVL_ALARM_AU_LOP, LINE, false,
				rig_bit(rig.from + 10, 4, 4));
			rig_run(&rig, 8);
		} else {
			assert_int_equal(rig.events, 0);
		}
		rig_expect_clean(&rig);
		rig_finish(&rig);
	}
}

static void test_labels(void **state)
{
	(void)state;
	/* C2: row 3 of column 10; 5 frames. 01 is accepted, 00 is UNEQ, others PLM. */
	static const struct {
		uint8_t c2;
		enum evl_alarm alarm;
	} rows[] = {{0x00, EVL_ALARM_HP_UNEQ}, {0x12, EVL_ALARM_HP_PLM}, {0x16, EVL_ALARM_HP_PLM},
		{0x01, EVL_ALARM_NONE}, {0xff, EVL_ALARM_NONE}};
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		begin(NULL);
		uint64_t from = rig.frame;
		line63_tx_set_c2(rig.tx, rows[i].c2);
		rig_run(&rig, 64);
		struct line63_remote remote;
		line63_rx_take_remote(rig.rx, &remote);
		assert_int_equal(remote.hp_rdi, rows[i].alarm == EVL_ALARM_HP_UNEQ);
		uint64_t to = rig.frame;
		line63_tx_set_c2(rig.tx, 0x02);
		if (rows[i].alarm == EVL_ALARM_NONE) {
			assert_int_equal(rig.events, 0);
			rig_expect_clean(&rig);
		} else {
			assert_int_equal(line63_rx_root_cause(rig.rx, 3), rows[i].alarm);
			assert_true(line63_rx_defect(rig.rx, EVL_ALARM_TU_AIS, 3));
			rig_run(&rig, 64);
			rig_run(&rig, 8);
			rig_expect_clean(&rig);
			uint32_t at = 0;
			rig_expect(&rig, &at, rows[i].alarm, LINE, true, rig_bit(from + 4, 3, 10));
			rig_expect(&rig, &at, rows[i].alarm, LINE, false, rig_bit(to + 4, 3, 10));
		}
		rig_finish(&rig);
	}
}

static void frozen_h4(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (inside(r, frame)) {
		edit(line, EVL_STM1_AT(6, 10), 0xfc);
	}
}

static void test_lom(void **state)
{
	(void)state;
	/* H4 stuck at 00. The first wrong value comes in frame `from`; out of multiframe for 8
	 * frames (1 ms) is LOM. */
	begin(NULL);
	rig.to = rig.from + 60;
	rig.alter = frozen_h4;
	rig_run(&rig, 80);
	rig_run(&rig, 40);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_HP_LOM, LINE, true, rig_bit(rig.from + 7, 6, 10));
	/* The 4th in sequence clears. The last stuck value, in frame to - 1, is right by chance:
	 * (to - 1 + 1) mod 4 = 0, so it is the first of them. */
	assert_int_equal(rig.to % 4, 0);
	rig_expect(&rig, &at, EVL_ALARM_HP_LOM, LINE, false, rig_bit(rig.to + 2, 6, 10));
	for (int t = 0; t < 63; t++) {
		assert_int_equal(rig_count(&rig, EVL_ALARM_TU_AIS, t), 2);
	}
	rig_finish(&rig);
}

/* ---- TU-12 and VC-12 ---- */

static void test_one_bad_h4(void **state)
{
	(void)state;
	/* One to four wrong values: nothing is lost. */
	for (uint32_t n = 1; n <= 4; n++) {
		begin(NULL);
		rig.to = rig.from + n;
		rig.alter = frozen_h4;
		rig_run(&rig, 32);
		rig_expect_clean(&rig);
		assert_int_equal(rig.events, 0);
		rig_finish(&rig);
	}
}

static void test_tu_ais(void **state)
{
	(void)state;
	begin(NULL);
	uint64_t from = rig.frame;
	line63_tx_insert_tu_ais(rig.tx, 62, true);
	rig_run(&rig, 64);
	uint64_t to = rig.frame;
	assert_true(line63_rx_output_ais(rig.rx, 62));
	struct line63_remote remote;
	line63_rx_take_remote(rig.rx, &remote);
	assert_int_equal(remote.lp_rdi, UINT64_C(1) << 62);
	assert_false(remote.hp_rdi);
	line63_tx_insert_tu_ais(rig.tx, 62, false);
	rig_run(&rig, 64);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	uint32_t at = 0;
	/* V2 in frame 1 of 4, row 1, VC-4 column 72: column 81 of the frame; 3 multiframes. */
	rig_expect(&rig, &at, EVL_ALARM_TU_AIS, 62, true, rig_bit(from + 9, 1, 81));
	rig_expect(&rig, &at, EVL_ALARM_TU_AIS, 62, false, rig_bit(to + 9, 1, 81));
	assert_int_equal(rig.events, 2);
	rig_finish(&rig);
}

static void bad_tu_pointer(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (inside(r, frame) && frame % 4 == 0) {
		edit(line, EVL_STM1_AT(1, 19), 0x00); /* V1 of tributary 0 */
	}
}

static void test_tu_lop(void **state)
{
	(void)state;
	begin(NULL);
	rig.to = rig.from + 8 * 4;
	rig.alter = bad_tu_pointer;
	rig_run(&rig, 64);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	uint32_t at = 0;
	rig_expect(&rig, &at, EVL_ALARM_TU_LOP, 0, true, rig_bit(rig.from + 29, 1, 19));
	rig_expect(&rig, &at, EVL_ALARM_TU_LOP, 0, false, rig_bit(rig.to + 9, 1, 19));
	assert_int_equal(rig.events, 2);
	rig_finish(&rig);
}

static void test_vc12_labels(void **state)
{
	(void)state;
	static const struct {
		uint8_t label;
		enum evl_alarm alarm;
	} rows[] = {{0, EVL_ALARM_LP_UNEQ}, {4, EVL_ALARM_LP_PLM}, {1, EVL_ALARM_NONE}};
	for (size_t i = 0; i < 3; i++) {
		begin(NULL);
		uint64_t from = rig.frame;
		line63_tx_set_label(rig.tx, 0, rows[i].label);
		rig_run(&rig, 40);
		struct line63_remote remote;
		line63_rx_take_remote(rig.rx, &remote);
		assert_int_equal(remote.lp_rdi, rows[i].alarm == EVL_ALARM_LP_UNEQ);
		assert_int_equal(line63_rx_output_ais(rig.rx, 0), rows[i].alarm != EVL_ALARM_NONE);
		uint64_t to = rig.frame;
		line63_tx_set_label(rig.tx, 0, 2);
		rig_run(&rig, 40);
		rig_run(&rig, 8);
		rig_expect_clean(&rig);
		uint32_t at = 0;
		if (rows[i].alarm != EVL_ALARM_NONE) {
			/* V5 of tributary 0: row 1, VC-4 column 73, in every 4th frame. */
			rig_expect(&rig, &at, rows[i].alarm, 0, true, rig_bit(from + 16, 1, 82));
			rig_expect(&rig, &at, rows[i].alarm, 0, false, rig_bit(to + 16, 1, 82));
		}
		assert_int_equal(rig.events, rows[i].alarm != EVL_ALARM_NONE ? 2 : 0);
		rig_finish(&rig);
	}
}

/* ---- parity ---- */

static void flip(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (frame == r->from) {
		line[r->arg] ^= 0x10;
	}
}

/* G1 bits 1 to 4: 0 to 8 errors, other values mean none (G.707 9.3.1.4). */
static void test_rei_values(void **state)
{
	(void)state;
	static uint8_t vc4[EVL_STM1_ROWS * 261];
	struct evl_vc4_rx rx;
	evl_vc4_rx_init(&rx, 5, 8);
	for (uint8_t v = 0; v < 16; v++) {
		struct evl_vc4_rx_result r;
		vc4[EVL_POH_G1 * 261] = (uint8_t)(v << 4);
		evl_vc4_rx_take(&rx, vc4, &r);
		assert_int_equal(r.hp_rei, v <= 8 ? v : 0);
	}
}

static void test_parity_counts(void **state)
{
	(void)state;
	/* One error, at a place that all parities cover: row 2, VC-4 column 73 + 0: a data byte of
	 * tributary 0; in an overhead byte; in J0 that only B1 covers. */
	static const struct {
		uint32_t place, b1, b2, b3, bip2;
	} rows[] = {{EVL_STM1_AT(2, 82), 1, 1, 1, 1}, {EVL_STM1_AT(2, 6), 1, 0, 0, 0},
		{EVL_STM1_AT(7, 3), 1, 1, 0, 0}, {EVL_STM1_AT(1, 7), 1, 0, 0, 0},
		{EVL_STM1_AT(5, 11), 1, 1, 1, 0}};
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		begin(NULL);
		rig.arg = rows[i].place;
		rig.alter = flip;
		rig_run(&rig, 16);
		struct line63_line_counts c;
		struct line63_trib_counts n;
		struct line63_remote remote;
		line63_rx_line_counts(rig.rx, &c);
		line63_rx_trib_counts(rig.rx, 0, &n);
		line63_rx_take_remote(rig.rx, &remote);
		assert_int_equal(c.b1_errors, rows[i].b1);
		assert_int_equal(c.b2_errors, rows[i].b2);
		assert_int_equal(c.b3_errors, rows[i].b3);
		assert_int_equal(n.bip2_errors, rows[i].bip2);
		assert_int_equal(remote.ms_rei, rows[i].b2);
		assert_int_equal(remote.hp_rei, rows[i].b3);
		assert_int_equal(remote.lp_rei[0], rows[i].bip2);
		line63_rx_take_remote(rig.rx, &remote);
		assert_int_equal(remote.ms_rei + remote.hp_rei + remote.lp_rei[0], 0);
		rig_finish(&rig);
	}
}

static void test_e1_ais(void **state)
{
	(void)state;
	/* AIS of an input is mapped: ones come out, and the TU is well. */
	begin(NULL);
	line63_tx_insert_e1_ais(rig.tx, 5, true);
	rig_run(&rig, 8);
	rig_run(&rig, 32);
	assert_int_equal(rig.ones[5], 32 * 32);
	assert_false(line63_rx_output_ais(rig.rx, 5));
	line63_tx_insert_e1_ais(rig.tx, 5, false);
	rig_run(&rig, 8);
	rig_run(&rig, 8);
	rig_expect_clean(&rig);
	assert_int_equal(rig.events, 0);
	rig_finish(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_au_ais),
		cmocka_unit_test(test_au_lop),
		cmocka_unit_test(test_labels),
		cmocka_unit_test(test_lom),
		cmocka_unit_test(test_one_bad_h4),
		cmocka_unit_test(test_tu_ais),
		cmocka_unit_test(test_tu_lop),
		cmocka_unit_test(test_vc12_labels),
		cmocka_unit_test(test_rei_values),
		cmocka_unit_test(test_parity_counts),
		cmocka_unit_test(test_e1_ais),
	};
	return cmocka_run_group_tests_name("frame.paths", tests, NULL, NULL);
}
