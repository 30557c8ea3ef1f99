/* SPDX-License-Identifier: Apache-2.0 */
/* Round trips of the general encoder and decoder through every map, with clocks and pointers. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/sdh_maps.h"
#include "tests/frame/sdh_rig.h"

static struct sdh_rig rig;

static void expect_clean(const char *name)
{
	for (uint32_t i = 0; i < rig.clients; i++) {
		if (rig.errors[i] > 0 || !rig.found[i]) {
			print_error("%s client %u (%s, %u-%u-%u-%u): %llu errors\n", name, i,
				evl_sdh_kind_name(rig.client[i].kind), rig.client[i].aug,
				rig.client[i].k, rig.client[i].l, rig.client[i].m,
				(unsigned long long)rig.errors[i]);
		}
		assert_true(rig.found[i]);
		assert_int_equal(rig.errors[i], 0);
	}
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		struct evl_sdh_rx_counts c;
		if (evl_sdh_rx_counts(rig.rx, (struct evl_sdh_at){EVL_SDH_HIGH, i}, &c) == EVL_OK) {
			assert_int_equal(c.errors + c.rei, 0);
		}
	}
	for (uint32_t i = 0; i < rig.clients; i++) {
		struct evl_sdh_rx_counts c;
		if (evl_sdh_rx_counts(rig.rx, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, &c) ==
			EVL_OK) {
			assert_int_equal(c.errors + c.rei, 0);
			assert_int_equal(c.slips_lost + c.slips_repeated, 0);
		}
	}
	struct evl_sdh_rx_counts s;
	assert_int_equal(
		evl_sdh_rx_counts(rig.rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, &s), EVL_OK);
	assert_int_equal(s.b1_errors + s.b2_errors + s.rei, 0);
}

static void test_every_map(void **state)
{
	(void)state;
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		struct evl_sdh_map map;
		const char *name = sdh_map_make(&map, m);
		sdh_start(&rig, &map, NULL);
		assert_int_equal(rig.clients, sdh_map_expected(m));
		sdh_run(&rig, 64, false);
		sdh_run(&rig, 128, false);
		expect_clean(name);
		if (rig.events > 0) {
			print_error("%s: %s\n", name, evl_alarm_name(rig.event[0].alarm));
		}
		assert_int_equal(rig.events, 0);
		/* Transit delay: five frames of the client, 1280 and 965 bits. */
		for (uint32_t i = 0; i < rig.clients; i++) {
			if (rig.client[i].frame_bits == 256) {
				assert_int_equal(rig.shift[i], 1280);
			} else if (rig.client[i].frame_bits == 193) {
				assert_int_equal(rig.shift[i], 965);
			}
		}
		sdh_finish(&rig);
	}
}

static void test_clocks(void **state)
{
	(void)state;
	/* Every asynchronous client off by its tolerance, 50 ppm (E1) and 32 ppm (T1) of G.703,
	 * from memory; each VC clock off too, so that every pointer moves. */
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		struct evl_sdh_map map;
		const char *name = sdh_map_make(&map, m);
		sdh_start(&rig, &map, NULL);
		for (uint32_t i = 0; i < rig.clients; i++) {
			const struct evl_sdh_client *c = &rig.client[i];
			int32_t sign = (int32_t)(i % 3) - 1;
			rig.ppb[i] = c->kind == EVL_SDH_E1   ? sign * 50000
				     : c->kind == EVL_SDH_T1 ? sign * 32000
							     : 0;
			if (c->kind == EVL_SDH_E1 || c->kind == EVL_SDH_T1) {
				assert_int_equal(evl_sdh_tx_set_offset(rig.tx,
							 (struct evl_sdh_at){EVL_SDH_CLIENT, i},
							 ((int32_t)(i % 5) - 2) * 40000),
					EVL_OK);
			}
		}
		for (uint32_t h = 0; h < EVL_SDH_MOST_HIGH; h++) {
			/* Byte-synchronous and bulk clients follow the VC's clock, so it stays. */
			bool locked = false;
			for (uint32_t i = 0; i < rig.clients; i++) {
				locked |= rig.client[i].high == h &&
					  rig.client[i].kind != EVL_SDH_E1 &&
					  rig.client[i].kind != EVL_SDH_T1;
			}
			if (!locked) {
				(void)evl_sdh_tx_set_offset(rig.tx,
					(struct evl_sdh_at){EVL_SDH_HIGH, h},
					((int32_t)(h % 3) - 1) * 20000);
			}
		}
		sdh_run(&rig, 64, true);
		sdh_run(&rig, 8000, true);
		expect_clean(name);
		for (uint32_t i = 0; i < rig.clients; i++) {
			struct evl_sdh_rx_counts c;
			if (rig.client[i].kind != EVL_SDH_E1 && rig.client[i].kind != EVL_SDH_T1) {
				continue;
			}
			assert_int_equal(evl_sdh_rx_counts(rig.rx,
						 (struct evl_sdh_at){EVL_SDH_CLIENT, i}, &c),
				EVL_OK);
			/* One second: bits by C1/C2 make up for the client's offset against its VC:
			 * client bits x (client - VC) ppm; moves of 8 bits for the VC's. */
			int32_t vc = ((int32_t)(i % 5) - 2) * 40000;
			double bits = rig.client[i].frame_bits * 8064.0;
			double vc_bits = (rig.client[i].tu11 ? 208.0 : 280.0) * 8064.0;
			double moves = (double)c.decrements - (double)c.increments;
			double want = vc_bits * vc * 1e-9 / 8;
			assert_true(moves - want > -2 && moves - want < 2);
			double high = 0;
			struct evl_sdh_rx_counts hc;
			(void)evl_sdh_rx_counts(
				rig.rx, (struct evl_sdh_at){EVL_SDH_HIGH, rig.client[i].high}, &hc);
			if (hc.increments + hc.decrements > 0) {
				high = hc.decrements > 0 ? 20000 : -20000;
			}
			/* Up to a byte of input and a pointer move of 8 bits are not yet made up
			 * for, and the thresholds of a bit. */
			double net = (double)c.extra - (double)c.missing;
			double due = bits * (rig.ppb[i] - vc - high) * 1e-9;
			if (net - due < -20 || net - due > 20) {
				print_error("%s %u: %g bits, due %g\n", name, i, net, due);
			}
			assert_true(net - due > -20 && net - due < 20);
		}
		sdh_finish(&rig);
	}
}

/* Clients at the ends of what a call takes, with VCs that begin late in the frame and TUs whose V5
 * comes late in the TU: bits are lost or repeated and counted, and nothing else happens. A
 * byte-synchronous VC has no justification, so its store runs empty between two looks at its level.
 */
static void test_far_off_clients(void **state)
{
	(void)state;
	static const uint32_t maps[] = {0, 1, 3, 8, 9, 10, 12};
	for (uint32_t m = 0; m < 2 * sizeof(maps) / sizeof(maps[0]); m++) {
		struct evl_sdh_map map;
		(void)sdh_map_make(&map, maps[m / 2]);
		sdh_start(&rig, &map, NULL);
		for (uint32_t h = 0; h < EVL_SDH_MOST_HIGH; h++) {
			(void)evl_sdh_tx_set_pointer(
				rig.tx, (struct evl_sdh_at){EVL_SDH_HIGH, h}, 519 + h % 3);
		}
		for (uint32_t i = 0; i < rig.clients; i++) {
			uint32_t range = rig.client[i].tu11 ? 104 : 140;
			(void)evl_sdh_tx_set_pointer(
				rig.tx, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, range - 1 - i % 36);
		}
		uint64_t slips = 0;
		for (uint32_t call = 0; call < 200; call++) {
			uint32_t n[EVL_SDH_MOST_CLIENTS];
			for (uint32_t i = 0; i < rig.clients; i++) {
				uint32_t least, most;
				evl_sdh_limits(&rig.client[i], 8, &least, &most);
				n[i] = m % 2 == 0 ? least : most;
				memset(rig.from[i], 0x55, most);
				struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
				(void)evl_sdh_tx_justify(rig.tx, at, call % 9 == i % 9 ? -1 : 0);
			}
			assert_int_equal(evl_sdh_encode(rig.tx, (const uint8_t *const *)rig.from, n,
						 8, rig.line, NULL),
				EVL_OK);
		}
		for (uint32_t i = 0; i < rig.clients; i++) {
			struct evl_sdh_tx_counts c;
			if (evl_sdh_tx_counts(rig.tx, i, &c) == EVL_OK) {
				slips += c.slips;
			}
		}
		assert_true(slips > 0);
		sdh_finish(&rig);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_every_map),
		cmocka_unit_test(test_clocks),
		cmocka_unit_test(test_far_off_clients),
	};
	return cmocka_run_group_tests_name("frame.sdh", tests, NULL, NULL);
}
