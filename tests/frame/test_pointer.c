/* SPDX-License-Identifier: Apache-2.0 */
/* AU-4 and TU-12 pointer words: ITU-T G.707 8.1, 8.3; interpreter rules of G.783 Annex A
 * (persistence counts 3 and 8 also in T1.231, by RFC 3592 3.5). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "core/frame/pointer.h"

static void test_words(void **state)
{
	(void)state;
	/* G.707 8.1: NNNN 0110, SS 10. 522 gives 6A 0A, as in a captured STM-1 frame; TU-12: 0
	 * gives 68 00 and 105 gives 68 69 (G.707 8.3). NDF on: 1001. */
	assert_int_equal(evl_ptr_word(522, EVL_PTR_SS, false), 0x6a0a);
	assert_int_equal(evl_ptr_word(0, EVL_PTR_SS, false), 0x6800);
	assert_int_equal(evl_ptr_word(105, EVL_PTR_SS, false), 0x6869);
	assert_int_equal(evl_ptr_word(522, EVL_PTR_SS, true), 0x9a0a);
	/* Increment of 522 = 10 0000 1010: bits 7, 9, 11, 13, 15 of H1H2 inverted by hand:
	 * 0110 10 10 0000 1010 -> 0110 10 00 1010 0000 = 68 A0; decrement, bits 8, 10, ..., 16:
	 * 0110 10 11 0101 1111 = 6B 5F. */
	struct evl_ptr_tx tx;
	enum evl_ptr_action action;
	evl_ptr_tx_init(&tx, EVL_PTR_AU4_RANGE, 522);
	tx.pending = 1;
	assert_int_equal(evl_ptr_tx_next(&tx, &action), 0x68a0);
	assert_int_equal(action, EVL_PTR_INC);
	assert_int_equal(tx.value, 523);
	evl_ptr_tx_init(&tx, EVL_PTR_AU4_RANGE, 522);
	tx.pending = -1;
	assert_int_equal(evl_ptr_tx_next(&tx, &action), 0x6b5f);
	assert_int_equal(action, EVL_PTR_DEC);
	assert_int_equal(tx.value, 521);
}

static void test_spacing_and_wrap(void **state)
{
	(void)state;
	struct evl_ptr_tx tx;
	enum evl_ptr_action action;
	evl_ptr_tx_init(&tx, EVL_PTR_TU12_RANGE, 138);
	tx.pending = 3;
	uint32_t changes = 0;
	for (int frame = 0; frame < 20; frame++) {
		uint16_t word = evl_ptr_tx_next(&tx, &action);
		/* G.707 8.1.5: at least three frames without change between two changes. */
		bool change = frame % 4 == 0 && frame < 12;
		assert_int_equal(action, change ? EVL_PTR_INC : EVL_PTR_HOLD);
		changes += change;
		if (!change) {
			assert_int_equal(word,
				evl_ptr_word((uint16_t)((138 + changes) % 140), EVL_PTR_SS, false));
		}
	}
	assert_int_equal(tx.value, 1); /* 138 -> 139 -> 0 -> 1 */
	evl_ptr_tx_init(&tx, EVL_PTR_AU4_RANGE, 0);
	tx.pending = -1;
	(void)evl_ptr_tx_next(&tx, &action);
	assert_int_equal(tx.value, 782);
}

static void settle(struct evl_ptr_rx *rx, uint16_t range, uint16_t value)
{
	evl_ptr_rx_init(rx, range, 8);
	for (int i = 0; i < 8; i++) {
		(void)evl_ptr_rx_word(rx, evl_ptr_word(value, EVL_PTR_SS, false));
	}
	assert_int_equal(rx->state, EVL_PTR_NORMAL);
	assert_int_equal(rx->value, value);
}

static void test_three_equal(void **state)
{
	(void)state;
	struct evl_ptr_rx rx;
	evl_ptr_rx_init(&rx, EVL_PTR_AU4_RANGE, 8);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a), EVL_PTR_HOLD);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a), EVL_PTR_HOLD);
	assert_int_equal(rx.state, EVL_PTR_START);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a), EVL_PTR_NEW);
	assert_int_equal(rx.value, 522);
	/* Another value, twice, is not taken; three times it is. 100 differs from 522 in many bits.
	 */
	settle(&rx, EVL_PTR_AU4_RANGE, 522);
	uint16_t other = evl_ptr_word(100, EVL_PTR_SS, false);
	assert_int_equal(evl_ptr_rx_word(&rx, other), EVL_PTR_HOLD);
	assert_int_equal(evl_ptr_rx_word(&rx, other), EVL_PTR_HOLD);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a), EVL_PTR_HOLD);
	assert_int_equal(rx.value, 522);
	assert_int_equal(evl_ptr_rx_word(&rx, other), EVL_PTR_HOLD);
	assert_int_equal(evl_ptr_rx_word(&rx, other), EVL_PTR_HOLD);
	assert_int_equal(evl_ptr_rx_word(&rx, other), EVL_PTR_NEW);
	assert_int_equal(rx.value, 100);
}

static void test_ndf(void **state)
{
	(void)state;
	/* All codes with at least three bits like 1001 mean NDF; with at least three like 0110,
	 * normal (G.707 8.1.3, "three of four"). */
	static const uint8_t ndf[] = {0x9, 0x1, 0xd, 0xb, 0x8};
	static const uint8_t invalid[] = {0x0, 0x3, 0x5, 0xa, 0xc, 0xf};
	struct evl_ptr_rx rx;
	for (size_t i = 0; i < sizeof(ndf); i++) {
		settle(&rx, EVL_PTR_AU4_RANGE, 522);
		uint16_t word = (uint16_t)(ndf[i] << 12 | 2 << 10 | 100);
		assert_int_equal(evl_ptr_rx_word(&rx, word), EVL_PTR_NEW);
		assert_int_equal(rx.value, 100);
	}
	for (size_t i = 0; i < sizeof(invalid); i++) {
		settle(&rx, EVL_PTR_AU4_RANGE, 522);
		uint16_t word = (uint16_t)(invalid[i] << 12 | 2 << 10 | 100);
		assert_int_equal(evl_ptr_rx_word(&rx, word), EVL_PTR_HOLD);
		assert_int_equal(rx.value, 522);
	}
	/* NDF with a value out of range is invalid. */
	settle(&rx, EVL_PTR_TU12_RANGE, 5);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x9800 | 140), EVL_PTR_HOLD);
	assert_int_equal(rx.value, 5);
}

static void test_moves(void **state)
{
	(void)state;
	for (uint16_t value = 0; value < EVL_PTR_TU12_RANGE; value++) {
		struct evl_ptr_rx rx;
		settle(&rx, EVL_PTR_TU12_RANGE, value);
		assert_int_equal(
			evl_ptr_rx_word(&rx, evl_ptr_word(value, EVL_PTR_SS, false) ^ 0x2aa),
			EVL_PTR_INC);
		assert_int_equal(rx.value, (value + 1) % 140);
		settle(&rx, EVL_PTR_TU12_RANGE, value);
		assert_int_equal(
			evl_ptr_rx_word(&rx, evl_ptr_word(value, EVL_PTR_SS, false) ^ 0x155),
			EVL_PTR_DEC);
		assert_int_equal(rx.value, (value + 139) % 140);
	}
}

static void test_moves_with_errors(void **state)
{
	(void)state;
	/* 8 of 10 I and D bits decide (G.707 8.1.3 objective): every pair of errors is survived. */
	for (int a = 0; a < 10; a++) {
		for (int b = 0; b < 10; b++) {
			struct evl_ptr_rx rx;
			settle(&rx, EVL_PTR_AU4_RANGE, 522);
			uint16_t flip = (uint16_t)(1 << a | 1 << b);
			assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a ^ 0x2aa ^ flip), EVL_PTR_INC);
			settle(&rx, 783, 522);
			assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a ^ 0x155 ^ flip), EVL_PTR_DEC);
		}
	}
	/* A second move within three frames is not followed. */
	struct evl_ptr_rx rx;
	settle(&rx, EVL_PTR_AU4_RANGE, 522);
	assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a ^ 0x2aa), EVL_PTR_INC);
	assert_int_equal(
		evl_ptr_rx_word(&rx, evl_ptr_word(523, EVL_PTR_SS, false) ^ 0x2aa), EVL_PTR_HOLD);
	assert_int_equal(rx.value, 523);
}

static void test_lop_and_ais(void **state)
{
	(void)state;
	struct evl_ptr_rx rx;
	/* Eight invalid words: LOP at the eighth. */
	settle(&rx, EVL_PTR_AU4_RANGE, 522);
	for (int i = 1; i <= 8; i++) {
		(void)evl_ptr_rx_word(&rx, 0x0000);
		assert_int_equal(rx.state, i < 8 ? EVL_PTR_NORMAL : EVL_PTR_LOP);
	}
	/* NDF does not end LOP; three equal normal words do. */
	(void)evl_ptr_rx_word(&rx, 0x9a0a);
	assert_int_equal(rx.state, EVL_PTR_LOP);
	for (int i = 1; i <= 3; i++) {
		assert_int_equal(evl_ptr_rx_word(&rx, 0x6a0a), i < 3 ? EVL_PTR_HOLD : EVL_PTR_NEW);
	}
	assert_int_equal(rx.state, EVL_PTR_NORMAL);
	/* Eight words with NDF: LOP. */
	for (int i = 1; i <= 8; i++) {
		(void)evl_ptr_rx_word(&rx, 0x9a0a);
		assert_int_equal(rx.state, i < 8 ? EVL_PTR_NORMAL : EVL_PTR_LOP);
	}
	/* All ones three times: AIS, also out of LOP; then one NDF ends it. */
	for (int i = 1; i <= 3; i++) {
		(void)evl_ptr_rx_word(&rx, 0xffff);
		assert_int_equal(rx.state, i < 3 ? EVL_PTR_LOP : EVL_PTR_AIS);
	}
	assert_int_equal(evl_ptr_rx_word(&rx, 0x9a0a), EVL_PTR_NEW);
	assert_int_equal(rx.state, EVL_PTR_NORMAL);
	/* Two all-ones words do nothing. */
	(void)evl_ptr_rx_word(&rx, 0xffff);
	(void)evl_ptr_rx_word(&rx, 0xffff);
	(void)evl_ptr_rx_word(&rx, 0x6a0a);
	assert_int_equal(rx.state, EVL_PTR_NORMAL);
	/* At the start, without any valid word: LOP after eight. */
	evl_ptr_rx_init(&rx, EVL_PTR_TU12_RANGE, 8);
	for (int i = 0; i < 8; i++) {
		(void)evl_ptr_rx_word(&rx, 0x68ff); /* 255 is out of range */
	}
	assert_int_equal(rx.state, EVL_PTR_LOP);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_words),
		cmocka_unit_test(test_spacing_and_wrap),
		cmocka_unit_test(test_three_equal),
		cmocka_unit_test(test_ndf),
		cmocka_unit_test(test_moves),
		cmocka_unit_test(test_moves_with_errors),
		cmocka_unit_test(test_lop_and_ais),
	};
	return cmocka_run_group_tests_name("frame.pointer", tests, NULL, NULL);
}
