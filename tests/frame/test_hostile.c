/* SPDX-License-Identifier: Apache-2.0 */
/* Seeded noise, and good signals with all kinds of damage, through every decoder: nothing crashes,
 * reads or writes out of place (the tests run with ASan and UBSan), outputs keep their length, and
 * a good signal afterwards is found again, with the same delay. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/e1.h"
#include "tests/frame/line63.h"
#include "core/frame/stm.h"
#include "core/frame/tu1.h"
#include "core/frame/vc4_rx.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"
#include "tests/frame/rig.h"

static struct rig rig;
static struct evl_rng rng;

static void noise(uint8_t *p, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		p[i] = (uint8_t)evl_rng_next(&rng);
	}
}

/* Damage of 16 kinds, drawn anew for each frame. */
static void damage(struct rig *r, uint8_t *line, uint64_t frame)
{
	if (frame < r->from || frame >= r->to) {
		return;
	}
	uint64_t at = evl_rng_below(&rng, 2430), n = evl_rng_below(&rng, 2430 - at);
	switch (evl_rng_below(&rng, 24)) {
	case 0:
		noise(line, 2430);
		break;
	case 1:
		memset(line + at, 0, n);
		break;
	case 2:
		memset(line + at, 0xff, n);
		break;
	case 3:
		memmove(line, line + at, 2430 - at); /* framing jumps */
		break;
	case 4:
		memmove(line + at, line, 2430 - at);
		break;
	case 5:
		line[at] ^= 1;
		break;
	default: {
		/* Any byte of pointers, overhead, V1..V4, V5 set to anything, scrambled right. */
		evl_scramble_stm1(line, 1);
		for (uint64_t k = evl_rng_below(&rng, 80); k > 0; k--) {
			static const uint32_t rows[] = {0, 0, 0, 3, 3, 5, 2, 1};
			uint64_t row = rows[evl_rng_below(&rng, 8)];
			uint64_t column = evl_rng_below(&rng, 2) ? evl_rng_below(&rng, 270)
								 : evl_rng_below(&rng, 10);
			line[row * 270 + column] = (uint8_t)evl_rng_next(&rng);
		}
		evl_scramble_stm1(line, 1);
		break;
	}
	}
}

/* By how many bits the last output of a tributary is early (> 0) or late against the delay of
 * LINE63_DELAY_BITS, found by the place of its bits in the PRBS; all bits must belong to it. */
static int32_t delay_offset(uint32_t t)
{
	uint32_t window = 0;
	for (uint32_t b = 0; b < 15; b++) {
		window = window << 1 | !(rig.e1_out[t][b / 8] >> (7 - b % 8) & 1);
	}
	uint32_t phase = evl_prbs_index_of(EVL_PRBS15, window);
	assert_true(phase != UINT32_MAX);
	struct evl_prbs p;
	uint8_t want[RIG_E1];
	evl_prbs_init(&p, EVL_PRBS15, phase);
	evl_prbs_fill(&p, want, sizeof(want));
	assert_memory_equal(rig.e1_out[t], want, sizeof(want));
	/* rig.out is at the end of the slab. */
	int32_t expected = (int32_t)((evl_prbs_phase(&rig.out[t]) + 32767 - 8 * RIG_E1) % 32767);
	int32_t off = ((int32_t)phase - expected + 32767) % 32767;
	return off > 16383 ? off - 32767 : off;
}

static void test_damage(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 6; seed++) {
		evl_rng_init(&rng, seed, 1);
		rig_start(&rig, NULL);
		rig.alter = damage;
		rig.from = 24;
		for (int round = 0; round < 12; round++) {
			rig.to = rig.frame + 8 + evl_rng_below(&rng, 40);
			rig_run(&rig, 48);
			rig.events = 0;
			for (uint32_t t = 0; t < 63 && seed % 2 == 1; t++) {
				/* The transmitter moves meanwhile. */
				line63_tx_justify_tu(
					rig.tx, t, (int32_t)evl_rng_below(&rng, 3) - 1);
			}
			if (seed % 2 == 1) {
				line63_tx_justify_au(rig.tx, (int32_t)evl_rng_below(&rng, 9) - 4);
			}
		}
		rig.alter = NULL;
		/* Lose all once more, with the encoder at rest. */
		rig_run(&rig, 400);
		line63_tx_insert_au_ais(rig.tx, true);
		rig_run(&rig, 16);
		line63_tx_insert_au_ais(rig.tx, false);
		rig_run(&rig, 128);
		rig.events = 0;
		rig_run(&rig, 64);
		for (uint32_t t = 0; t < 63; t++) {
			int32_t off = delay_offset(t);
			/* After moves: up to 9 bits off, see sdh.h. */
			assert_in_range(off + 9, 0, 18);
			if (seed % 2 == 0) {
				assert_int_equal(off, 0);
				assert_int_equal(rig.errors[t], 0);
			}
		}
		assert_int_equal(line63_rx_defects(rig.rx, LINE63_LINE), 0);
		rig_finish(&rig);
	}
}

static void test_noise_line(void **state)
{
	(void)state;
	static uint8_t line[8 * 2430], e1[63][256];
	uint8_t *out[63];
	struct line63_rx *rx = NULL;
	const struct evl_rx_options options[2] = {
		{.depth = EVL_RX_SECTION}, {.depth = EVL_RX_HIGH}};
	struct line63_rx *mon[2] = {NULL};
	evl_rng_init(&rng, 77, 0);
	for (uint32_t t = 0; t < 63; t++) {
		out[t] = t % 2 == 0 ? e1[t] : NULL;
	}
	assert_int_equal(line63_rx_create(&rx, NULL, NULL), EVL_OK);
	for (uint32_t i = 0; i < 2; i++) {
		assert_int_equal(line63_rx_create(&mon[i], &options[i], NULL), EVL_OK);
	}
	for (int n = 0; n < 100; n++) { /* 2 MB */
		noise(line, sizeof(line));
		/* Framing words at random places, now and then in a row. */
		for (int k = 0; k < 8; k++) {
			uint64_t at = n % 3 == 0 ? 2430u * (uint64_t)k
						 : evl_rng_below(&rng, sizeof(line) - 6);
			memset(line + at, 0xf6, 3);
			memset(line + at + 3, 0x28, 3);
		}
		line63_decode(rx, line, 8, out, NULL);
		line63_decode(mon[0], line, 8, NULL, NULL);
		line63_decode(mon[1], line, 8, NULL, NULL);
	}
	line63_rx_destroy(rx);
	line63_rx_destroy(mon[0]);
	line63_rx_destroy(mon[1]);
}

/* The layers one by one, with input that the layers above would not let through. */
static void test_noise_layers(void **state)
{
	(void)state;
	static struct evl_tu1_rx tu;
	static struct evl_vc1_rx vc;
	static struct evl_vc4_rx hp;
	static uint8_t vc4[EVL_VC4_ROOM];
	struct evl_ptr_rx ptr;
	struct evl_e1_monitor mon;
	evl_rng_init(&rng, 5, 0);
	evl_tu1_rx_init(&tu, EVL_VC1_E1_ASYNC, 8, 5);
	evl_vc1_rx_init(&vc, EVL_VC1_E1_ASYNC, 5);
	evl_vc4_rx_init(&hp, 5, 8);
	evl_ptr_rx_init(&ptr, EVL_PTR_AU4_RANGE, 8);
	evl_e1_monitor_init(&mon, 10);
	for (uint64_t n = 0; n < 30000; n++) {
		uint8_t in[EVL_TU12_BYTES], out[32];
		const struct evl_tu1_place place = {
			.when = (16 + n) * EVL_VC1_TICKS, .now = (16 + n) * EVL_VC1_TICKS};
		noise(in, sizeof(in));
		if (evl_rng_below(&rng, 8) != 0) {
			in[0] = n % 4 == 0 ? 0x68 : (uint8_t)evl_rng_below(&rng, 3);
		}
		(void)evl_tu1_rx_frame(&tu, n % 4, &place, in);
		evl_vc1_rx_pull(&tu.vc, out);
		if (evl_rng_below(&rng, 100) == 0) {
			(void)evl_tu1_rx_ais(&tu, (uint32_t)evl_rng_below(&rng, 4));
		}
		in[0] = 2 << 1;
		evl_vc1_rx_quarter(&vc, in, (int32_t)evl_rng_below(&rng, 40000) - 20000);
		evl_vc1_rx_pull(&vc, out);
		(void)evl_ptr_rx_word(&ptr, (uint16_t)evl_rng_next(&rng));
		assert_true(ptr.state != EVL_PTR_NORMAL || ptr.value < EVL_PTR_AU4_RANGE);
		evl_e1_monitor_feed(&mon, 0, in, sizeof(in), NULL, NULL);
		if (n % 30 == 0) {
			struct evl_vc4_rx_result r;
			noise(vc4, sizeof(vc4));
			evl_vc4_rx_take(&hp, vc4, &r);
			assert_true(r.phase < 4 && r.b3_errors <= 8 && r.hp_rei <= 8);
		}
	}
}

/* Forced pointer moves without pause for long: slips are counted, nothing breaks. */
static void test_many_moves(void **state)
{
	(void)state;
	rig_start(&rig, NULL);
	rig_run(&rig, 64);
	line63_tx_justify_tu(rig.tx, 1, -2000);
	line63_tx_justify_tu(rig.tx, 2, 2000);
	line63_tx_justify_au(rig.tx, 5000);
	rig_run(&rig, 8000);
	assert_true(line63_tx_slips(rig.tx, 1) > 0);
	assert_true(line63_tx_slips(rig.tx, 2) > 0);
	assert_int_equal(rig.events, 0);
	rig_finish(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_damage),
		cmocka_unit_test(test_noise_line),
		cmocka_unit_test(test_noise_layers),
		cmocka_unit_test(test_many_moves),
	};
	return cmocka_run_group_tests_name("frame.hostile", tests, NULL, NULL);
}
