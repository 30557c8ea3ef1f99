/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Defects of the general decoder: each inserted, found within the persistence of G.783 and T1.231,
 * with its consequent actions, and cleared. Times are counted by hand beside each check.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "tests/frame/sdh_maps.h"
#include "tests/frame/sdh_rig.h"

static struct sdh_rig rig;
static const struct evl_sdh_at section = {EVL_SDH_SECTION, 0};

static struct evl_sdh_at high(uint32_t i)
{
	return (struct evl_sdh_at){EVL_SDH_HIGH, i};
}

static struct evl_sdh_at client(uint32_t i)
{
	return (struct evl_sdh_at){EVL_SDH_CLIENT, i};
}

static void start(uint32_t m)
{
	struct evl_sdh_map map;
	(void)sdh_map_make(&map, m);
	sdh_start(&rig, &map, NULL);
	sdh_run(&rig, 64, true);
	sdh_run(&rig, 64, true);
	assert_int_equal(rig.events, 0);
	for (uint32_t i = 0; i < rig.clients; i++) {
		assert_int_equal(rig.errors[i], 0);
	}
}

/* The next event of the alarm: raised or cleared in a frame from first to last. */
static void expect(uint32_t *from, enum evl_alarm alarm, struct evl_sdh_at at, bool raised,
	uint64_t first, uint64_t last)
{
	const struct sdh_rig_event *e = sdh_event(&rig, from, alarm, at);
	if (e == NULL) {
		print_error("%s: no event\n", evl_alarm_name(alarm));
	}
	assert_non_null(e);
	uint64_t frame = (e->bit - 1) / (19440u * rig.map.stm);
	if (e->raised != raised || frame < first || frame > last) {
		print_error("%s %u.%u %s in frame %llu, due %llu to %llu\n", evl_alarm_name(alarm),
			at.level, at.index, e->raised ? "raised" : "cleared",
			(unsigned long long)frame, (unsigned long long)first,
			(unsigned long long)last);
	}
	assert_int_equal(e->raised, raised);
	assert_in_range(frame, first, last);
}

static void expect_no_other(void)
{
	/* Everything that was raised was cleared again. */
	assert_int_equal(evl_sdh_rx_defects(rig.rx, section), 0);
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		assert_int_equal(evl_sdh_rx_defects(rig.rx, high(i)), 0);
	}
	for (uint32_t i = 0; i < rig.clients; i++) {
		assert_int_equal(evl_sdh_rx_defects(rig.rx, client(i)), 0);
		assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(i)), EVL_ALARM_NONE);
	}
}

static void traces(struct evl_trace *right, struct evl_trace *wrong)
{
	struct evl_err err = {0};
	assert_int_equal(evl_trace_set(right, EVL_TRACE_16, "evenlode", &err), EVL_OK);
	assert_int_equal(evl_trace_set(wrong, EVL_TRACE_16, "another", &err), EVL_OK);
}

/* TIM (G.783: the accepted trace differs; three equal traces of 16 in a row). J0, J1 come once a
 * frame, so 48 frames and up to 16 to begin; J2 once in 4 frames. Sent from frame 128 on. */
static void test_tim(void **state)
{
	(void)state;
	struct evl_trace right, wrong;
	traces(&right, &wrong);
	for (uint32_t level = 0; level < 3; level++) {
		const struct evl_sdh_at at = level == 0   ? section
					     : level == 1 ? high(1)
							  : client(5);
		const enum evl_alarm tim = level == 0   ? EVL_ALARM_RS_TIM
					   : level == 1 ? EVL_ALARM_HP_TIM
							: EVL_ALARM_LP_TIM;
		const uint64_t span = level < 2 ? 64 : 260;
		struct evl_sdh_remote remote;
		uint32_t from = 0;
		start(3);
		assert_int_equal(evl_sdh_rx_expect_trace(rig.rx, at, &right), EVL_OK);
		sdh_run(&rig, 128, true);
		assert_int_equal(rig.events, 0);
		assert_int_equal(evl_sdh_tx_set_trace(rig.tx, at, &wrong), EVL_OK);
		sdh_run(&rig, 400, true);
		expect(&from, tim, at, true, 256 + (level < 2 ? 32 : 128), 256 + span);
		assert_true(evl_trace_equal(evl_sdh_rx_trace(rig.rx, at), &wrong));
		/* AIS downstream and RDI back (G.783). Client 5 is in path 2, client 1 in path 1.
		 */
		uint32_t hit = level == 1 ? 1 : 5, spared = level == 1 ? 5 : 4;
		assert_true(evl_sdh_rx_output_ais(rig.rx, hit));
		assert_int_equal(evl_sdh_rx_output_ais(rig.rx, spared), level == 0);
		evl_sdh_rx_take_remote(rig.rx, &remote);
		assert_int_equal(remote.ms_rdi, level == 0);
		assert_int_equal(remote.high[1].rdi, level < 2);
		assert_true(level == 2 ? remote.client[5].rdi : true);
		assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(hit)), tim);
		assert_int_equal(evl_sdh_tx_set_trace(rig.tx, at, &right), EVL_OK);
		sdh_run(&rig, 400, true);
		expect(&from, tim, at, false, 656 + (level < 2 ? 32 : 128), 656 + span);
		expect_no_other();
		sdh_finish(&rig);
	}
}

/* AU-AIS, AU-LOP, HP-UNEQ, HP-PLM, HP-RDI, HP-LOM of one AU-3; the others know nothing of it. */
static void test_au3_paths(void **state)
{
	(void)state;
	uint32_t from = 0;
	start(3);
	const uint32_t mine = 1, other = 0; /* clients of path 1 and 0 */
	assert_int_equal(rig.client[mine].high, 1);
	uint64_t t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, high(1), true), EVL_OK);
	sdh_run(&rig, 40, true);
	expect(&from, EVL_ALARM_AU_AIS, high(1), true, t + 2, t + 2); /* 3 frames */
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(mine)), EVL_ALARM_AU_AIS);
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(other)), EVL_ALARM_NONE);
	assert_int_equal(rig.errors[other], 0);
	uint32_t tu = 0;
	expect(&tu, EVL_ALARM_TU_AIS, client(mine), true, t + 2, t + 16); /* 3 multiframes */
	t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, high(1), false), EVL_OK);
	sdh_run(&rig, 64, true);
	expect(&from, EVL_ALARM_AU_AIS, high(1), false, t + 2, t + 2);
	expect_no_other();

	/* C2: 5 frames. */
	static const struct {
		uint8_t c2;
		enum evl_alarm alarm;
	} labels[] = {{0x00, EVL_ALARM_HP_UNEQ}, {0x16, EVL_ALARM_HP_PLM}};
	for (uint32_t i = 0; i < 2; i++) {
		from = rig.events;
		t = rig.frame;
		assert_int_equal(evl_sdh_tx_set_label(rig.tx, high(1), labels[i].c2), EVL_OK);
		sdh_run(&rig, 40, true);
		expect(&from, labels[i].alarm, high(1), true, t + 4, t + 4);
		assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(mine)), labels[i].alarm);
		t = rig.frame;
		assert_int_equal(evl_sdh_tx_set_label(rig.tx, high(1), 0x02), EVL_OK);
		sdh_run(&rig, 64, true);
		expect(&from, labels[i].alarm, high(1), false, t + 4, t + 4);
		expect_no_other();
	}

	/* H4 held: lom_frames = 8 frames without sequence, the first that is wrong counted; clears
	 * with 4 in sequence. Frame t is number 0 mod 4, H4 = FD is due in it. */
	from = rig.events;
	t = rig.frame;
	assert_int_equal(t % 4, 0);
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, high(1), EVL_SDH_H4, 0xfd), EVL_OK);
	sdh_run(&rig, 40, true);
	expect(&from, EVL_ALARM_HP_LOM, high(1), true, t + 8, t + 8);
	t = rig.frame;
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, high(1), EVL_SDH_H4, -1), EVL_OK);
	sdh_run(&rig, 64, true);
	expect(&from, EVL_ALARM_HP_LOM, high(1), false, t + 2, t + 4);
	expect_no_other();

	/* RDI: G1 bit 5 for 5 frames. */
	from = rig.events;
	t = rig.frame;
	struct evl_sdh_remote remote = {0};
	remote.high[1].rdi = true;
	remote.high[1].rei = 19;
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 8, true);
	expect(&from, EVL_ALARM_HP_RDI, high(1), true, t + 4, t + 4);
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, high(1)), EVL_ALARM_HP_RDI);
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(mine)), EVL_ALARM_NONE);
	struct evl_sdh_rx_counts c;
	assert_int_equal(evl_sdh_rx_counts(rig.rx, high(1), &c), EVL_OK);
	assert_int_equal(c.rei, 19);
	assert_int_equal(c.rei_blocks, 3); /* G1 holds at most 8: 8, 8 and 3 */
	remote.high[1].rdi = false;
	remote.high[1].rei = 0;
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 8, true);
	expect_no_other();

	/* A wrong B3 in 8 VCs and a wrong B1 in 8 frames: so many errored blocks at most, each of 1
	 * to 8 bits (one value in 256 is right by chance). */
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, high(1), EVL_SDH_B3, 0), EVL_OK);
	assert_int_equal(evl_sdh_tx_force_soh(rig.tx, 1, 2, 1, 0), EVL_OK);
	sdh_run(&rig, 8, true);
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, high(1), EVL_SDH_B3, -1), EVL_OK);
	assert_int_equal(evl_sdh_tx_force_soh(rig.tx, 1, 2, 1, -1), EVL_OK);
	sdh_run(&rig, 8, true);
	assert_int_equal(evl_sdh_rx_counts(rig.rx, high(1), &c), EVL_OK);
	assert_in_range(c.errored_blocks, 6, 9);
	assert_in_range(c.errors, c.errored_blocks, 8 * c.errored_blocks);
	assert_true(c.errors > c.errored_blocks);
	assert_int_equal(
		evl_sdh_rx_counts(rig.rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, &c), EVL_OK);
	assert_in_range(c.b1_blocks, 6, 9);
	assert_true(c.b1_errors > c.b1_blocks);
	sdh_finish(&rig);
}

/* TU-3 and its VC-3; mixed map, client 0. */
static void test_tu3(void **state)
{
	(void)state;
	uint32_t from = 0;
	start(2);
	assert_int_equal(rig.client[0].kind, EVL_SDH_VC3);
	uint64_t t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, client(0), true), EVL_OK);
	sdh_run(&rig, 16, true);
	expect(&from, EVL_ALARM_TU_AIS, client(0), true, t + 2, t + 3);
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(0)), EVL_ALARM_TU_AIS);
	for (uint32_t i = 1; i < rig.clients; i++) {
		assert_int_equal(rig.errors[i], 0);
	}
	t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, client(0), false), EVL_OK);
	sdh_run(&rig, 16, true);
	expect(&from, EVL_ALARM_TU_AIS, client(0), false, t + 2, t + 3);
	static const struct {
		uint8_t c2;
		enum evl_alarm alarm;
	} labels[] = {{0x00, EVL_ALARM_LP_UNEQ}, {0x16, EVL_ALARM_LP_PLM}};
	assert_int_equal(evl_sdh_rx_expect_label(rig.rx, client(0), 0x04), EVL_OK);
	for (uint32_t i = 0; i < 2; i++) {
		from = rig.events;
		t = rig.frame;
		assert_int_equal(evl_sdh_tx_set_label(rig.tx, client(0), labels[i].c2), EVL_OK);
		sdh_run(&rig, 16, true);
		expect(&from, labels[i].alarm, client(0), true, t + 4, t + 6);
		t = rig.frame;
		assert_int_equal(evl_sdh_tx_set_label(rig.tx, client(0), 0x04), EVL_OK);
		sdh_run(&rig, 16, true);
		expect(&from, labels[i].alarm, client(0), false, t + 4, t + 6);
	}
	from = rig.events;
	t = rig.frame;
	struct evl_sdh_remote remote = {0};
	remote.client[0].rdi = true;
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 16, true);
	expect(&from, EVL_ALARM_LP_RDI, client(0), true, t + 4, t + 6);
	remote.client[0].rdi = false;
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 16, true);
	expect_no_other();
	sdh_finish(&rig);
}

/* VC-11: TU-AIS, UNEQ, PLM, RDI, RFI; 5 multiframes of 4 frames. stm4-t1: byte-synchronous. */
static void test_vc11(void **state)
{
	(void)state;
	start(12);
	const uint32_t i = 100;
	const struct evl_sdh_at at = client(i);
	static const struct {
		enum evl_alarm alarm;
		uint64_t first, last;          /* frames after the insertion */
	} want[] = {{EVL_ALARM_TU_AIS, 9, 16}, /* 3 multiframes */
		{EVL_ALARM_LP_UNEQ, 16, 24},   /* 5 V5, the first within 4 frames */
		{EVL_ALARM_LP_PLM, 16, 24}, {EVL_ALARM_LP_RDI, 16, 24}, {EVL_ALARM_LP_RFI, 16, 24}};
	for (uint32_t k = 0; k < 5; k++) {
		uint32_t from = rig.events;
		for (uint32_t on = 2; on > 0;) {
			struct evl_sdh_remote remote = {0};
			on--;
			/* `on` counts 1, 0 */
			bool set = on == 1;
			uint64_t t = rig.frame;
			switch (k) {
			case 0:
				assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, at, set), EVL_OK);
				break;
			case 1:
				assert_int_equal(
					evl_sdh_tx_set_label(rig.tx, at, set ? 0 : 4), EVL_OK);
				break;
			case 2:
				assert_int_equal(
					evl_sdh_tx_set_label(rig.tx, at, set ? 2 : 4), EVL_OK);
				break;
			case 3:
				remote.client[i].rdi = set;
				evl_sdh_tx_set_remote(rig.tx, &remote);
				break;
			default:
				assert_int_equal(evl_sdh_tx_set_rfi(rig.tx, i, set), EVL_OK);
				break;
			}
			sdh_run(&rig, 48, true);
			expect(&from, want[k].alarm, at, set, t + want[k].first - 1,
				t + want[k].last);
			if (set) {
				assert_int_equal(evl_sdh_rx_root_cause(rig.rx, at), want[k].alarm);
				assert_int_equal(evl_sdh_rx_output_ais(rig.rx, i), k < 3);
			}
			assert_int_equal(rig.errors[i - 1] + rig.errors[i + 1], 0);
		}
	}
	expect_no_other();
	/* Signalling of channel 7 arrives (from memory, see vc1.h). */
	assert_int_equal(evl_sdh_tx_set_signalling(rig.tx, i, 7, 0x6), EVL_OK);
	sdh_run(&rig, 96, true);
	assert_int_equal(evl_sdh_rx_signalling(rig.rx, i, 7), 0x6);
	assert_int_equal(evl_sdh_rx_signalling(rig.rx, i, 8), 0xf);
	sdh_finish(&rig);
}

/* AIS of the client itself: E1 by G.775 5.2 (2 periods of 512 bits = 4 frames), T1 by 5.4 (here 3
 * ms = 24 frames). 5 frames of transit. */
static void test_client_ais(void **state)
{
	(void)state;
	for (uint32_t m = 0; m < 2; m++) {
		uint32_t from = 0;
		start(m);
		uint64_t t = rig.frame;
		assert_int_equal(evl_sdh_tx_insert_client_ais(rig.tx, 7, true), EVL_OK);
		sdh_run(&rig, 96, true);
		expect(&from, EVL_ALARM_AIS, client(7), true, t + (m == 0 ? 6 : 24),
			t + (m == 0 ? 12 : 56));
		assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(7)), EVL_ALARM_AIS);
		assert_false(evl_sdh_rx_output_ais(rig.rx, 7));
		t = rig.frame;
		assert_int_equal(evl_sdh_tx_insert_client_ais(rig.tx, 7, false), EVL_OK);
		sdh_run(&rig, 96, true);
		expect(&from, EVL_ALARM_AIS, client(7), false, t + 4, t + (m == 0 ? 12 : 56));
		assert_int_equal(rig.events, 2);
		expect_no_other();
		sdh_finish(&rig);
	}
}

static void no_join(struct sdh_rig *r, uint8_t *line, uint64_t frame)
{
	if (frame >= 128 && frame < 168) {
		/* H1 of AUG 2, row 4: as a pointer instead of the indication. */
		line[3 * 1080 + 1] ^= 0x93 ^ 0x6a;
		line[3 * 1080 + 13] ^= 0xff ^ 0x0a;
	}
	(void)r;
}

/* AU-4-4c without its concatenation indication: AU-LOP as for invalid pointers, N = 8. B2 is wrong,
 * but does not count here. */
static void test_concatenation(void **state)
{
	(void)state;
	uint32_t from = 0;
	start(6);
	rig.alter = no_join;
	sdh_run(&rig, 40, true);
	expect(&from, EVL_ALARM_AU_LOP, high(0), true, 128 + 7, 128 + 7);
	sdh_run(&rig, 40, true);
	expect(&from, EVL_ALARM_AU_LOP, high(0), false, 168, 170);
	expect_no_other();
	sdh_finish(&rig);
}

/* Forced pointer words that no rule takes (NNNN = 0000): LOP after N = 8 of them (G.783 Annex A),
 * gone with the third good one; the word is part of the frame, so parities hold and the VC stands
 * still. */
static void test_forced_pointer(void **state)
{
	(void)state;
	const struct evl_sdh_at at[] = {high(1), client(5)};
	const enum evl_alarm lop[] = {EVL_ALARM_AU_LOP, EVL_ALARM_TU_LOP};
	for (uint32_t i = 0; i < 2; i++) {
		struct evl_sdh_rx_counts counts;
		uint32_t from = 0, unit = i == 0 ? 1 : 4; /* frames from pointer to pointer */
		start(3);
		assert_int_equal(evl_sdh_tx_force_pointer(rig.tx, at[i], 0x0800), EVL_OK);
		sdh_run(&rig, 64, true);
		expect(&from, lop[i], at[i], true, 128 + 7 * unit, 128 + 8 * unit + 2);
		assert_int_equal(evl_sdh_tx_force_pointer(rig.tx, at[i], -1), EVL_OK);
		sdh_run(&rig, 64, true);
		expect(&from, lop[i], at[i], false, 192 + 2 * unit, 192 + 3 * unit + 2);
		expect_no_other();
		assert_int_equal(evl_sdh_rx_counts(rig.rx, section, &counts), EVL_OK);
		assert_int_equal(counts.b1_errors + counts.b2_errors, 0);
		assert_int_equal(evl_sdh_rx_counts(rig.rx, at[i], &counts), EVL_OK);
		assert_int_equal(counts.increments + counts.decrements + counts.errors, 0);
		assert_int_equal(evl_sdh_tx_force_pointer(rig.tx, at[i], 0x10000), EVL_E_INVALID);
		assert_int_equal(evl_sdh_tx_force_pointer(rig.tx, section, 0), EVL_E_INVALID);
		sdh_finish(&rig);
	}
}

static void dark(struct sdh_rig *r, uint8_t *line, uint64_t frame)
{
	if (frame < r->arg) {
		memset(line, (r->arg & 1) != 0 ? 0x55 : 0x00, 2430u * r->map.stm);
	}
}

/* A receiver that is dark, or sees no frame, from its very first bit: OOF after 5 frames, LOF after
 * 3 ms, and from OOF on AU-AIS and TU-AIS as if a grid were there, and RDI back. */
static void test_dark_from_the_start(void **state)
{
	(void)state;
	for (uint32_t no_frame = 0; no_frame < 2; no_frame++) {
		for (uint32_t m = 0; m < 5; m += 4) {
			struct evl_sdh_map map;
			struct evl_sdh_remote remote;
			uint32_t from = 0, high_from = 0, tu_from = 0;
			(void)sdh_map_make(&map, m);
			sdh_start(&rig, &map, NULL);
			rig.alter = dark;
			rig.arg = 80 + no_frame;
			sdh_run(&rig, 80, true);
			if (no_frame == 0) {
				expect(&from, EVL_ALARM_LOS, section, true, 0, 0);
			}
			expect(&from, EVL_ALARM_OOF, section, true, 4, 4);
			expect(&from, EVL_ALARM_LOF, section, true, 23, 23);
			expect(&high_from, EVL_ALARM_AU_AIS, high(0), true, 5, 9);
			expect(&tu_from, EVL_ALARM_TU_AIS, client(9), true, 5, 24);
			evl_sdh_rx_take_remote(rig.rx, &remote);
			assert_true(remote.ms_rdi);
			assert_true(remote.high[0].rdi);
			assert_true(remote.client[9].rdi);
			assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(9)),
				no_frame == 0 ? EVL_ALARM_LOS : EVL_ALARM_LOF);
			sdh_run(&rig, 80, true); /* the line comes: all well after 3 ms in frame */
			sdh_run(&rig, 80, true);
			expect_no_other();
			sdh_finish(&rig);
		}
	}
}

/* MS-AIS, MS-RDI of STM-4; B1 and B2 errors come back as REI. */
static void test_section(void **state)
{
	(void)state;
	uint32_t from = 0;
	start(4);
	uint64_t t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, section, true), EVL_OK);
	sdh_run(&rig, 40, true);
	expect(&from, EVL_ALARM_MS_AIS, section, true, t + 4, t + 4);
	assert_int_equal(evl_sdh_rx_root_cause(rig.rx, client(251)), EVL_ALARM_MS_AIS);
	t = rig.frame;
	assert_int_equal(evl_sdh_tx_insert_ais(rig.tx, section, false), EVL_OK);
	struct evl_sdh_remote remote = {.ms_rdi = true, .ms_rei = 100};
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 80, true);
	expect(&from, EVL_ALARM_MS_AIS, section, false, t + 4, t + 4);
	uint32_t rdi = 0;
	expect(&rdi, EVL_ALARM_MS_RDI, section, true, t + 4, t + 4);
	remote = (struct evl_sdh_remote){0};
	evl_sdh_tx_set_remote(rig.tx, &remote);
	sdh_run(&rig, 40, true);
	expect_no_other();
	/* B2 of the first frames of MS-AIS was wrong, before it was known. */
	struct evl_sdh_rx_counts before, c;
	assert_int_equal(evl_sdh_rx_counts(rig.rx, section, &before), EVL_OK);
	/* Every byte of the overhead can be set and read. */
	for (uint32_t a = 1; a <= 4; a++) {
		for (uint32_t row = 2; row <= 9; row++) {
			for (uint32_t b = 1; row != 4 && b <= 9; b++) {
				bool made = b <= 3 && (row == 5 || row == 2);
				uint8_t value = (uint8_t)(16 * row + b + 7 * a);
				if (made || (row == 5 && b == 7)) {
					continue; /* B1, B2, K2 are looked at by the receiver */
				}
				assert_int_equal(
					evl_sdh_tx_force_soh(rig.tx, a, row, b, value), EVL_OK);
			}
		}
	}
	sdh_run(&rig, 8, true);
	for (uint32_t a = 1; a <= 4; a++) {
		assert_int_equal(evl_sdh_rx_soh(rig.rx, a, 6, 4), 16 * 6 + 4 + 7 * a);
		assert_int_equal(evl_sdh_rx_soh(rig.rx, a, 9, 9), 16 * 9 + 9 + 7 * a);
		assert_int_equal(evl_sdh_rx_soh(rig.rx, a, 2, 4), 16 * 2 + 4 + 7 * a);
	}
	for (uint32_t p = EVL_SDH_F2; p <= EVL_SDH_N1; p++) {
		if (p != EVL_SDH_H4) {
			assert_int_equal(
				evl_sdh_tx_force_poh(rig.tx, high(6), p, 0x80 + (int)p), EVL_OK);
		}
	}
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, client(200), EVL_SDH_N2, 0x77), EVL_OK);
	assert_int_equal(evl_sdh_tx_force_poh(rig.tx, client(200), EVL_SDH_K4, 0x66), EVL_OK);
	sdh_run(&rig, 16, true);
	assert_int_equal(evl_sdh_rx_poh(rig.rx, high(6), EVL_SDH_N1), 0x88);
	assert_int_equal(evl_sdh_rx_poh(rig.rx, high(6), EVL_SDH_F2), 0x84);
	assert_int_equal(evl_sdh_rx_poh(rig.rx, client(200), EVL_SDH_N2), 0x77);
	assert_int_equal(evl_sdh_rx_poh(rig.rx, client(200), EVL_SDH_K4), 0x66);
	assert_int_equal(evl_sdh_rx_counts(rig.rx, section, &c), EVL_OK);
	assert_int_equal(c.b1_errors, 0);
	assert_int_equal(c.b2_errors, before.b2_errors);
	assert_int_equal(evl_sdh_tx_force_soh(rig.tx, 5, 2, 1, 0), EVL_E_INVALID);
	assert_int_equal(evl_sdh_tx_force_soh(rig.tx, 1, 4, 1, 0), EVL_E_INVALID);
	assert_int_equal(evl_sdh_rx_soh(rig.rx, 5, 1, 1), -1);
	assert_int_equal(evl_sdh_rx_poh(rig.rx, high(1), EVL_SDH_J1), -1);
	sdh_finish(&rig);
}

/* A 64-byte trace of SONET in J0, J1 and J2. */
static void test_long_traces(void **state)
{
	(void)state;
	struct evl_trace trace;
	struct evl_err err = {0};
	assert_int_equal(
		evl_trace_set(&trace, EVL_TRACE_64, "a trace that needs more than 15", &err),
		EVL_OK);
	start(3);
	const struct evl_sdh_at at[] = {section, high(2), client(40)};
	for (uint32_t i = 0; i < 3; i++) {
		assert_int_equal(evl_sdh_tx_set_trace(rig.tx, at[i], &trace), EVL_OK);
		assert_int_equal(evl_sdh_rx_expect_trace(rig.rx, at[i], &trace), EVL_OK);
	}
	sdh_run(&rig, 1200, true); /* 4 x 64 multiframes of 4 frames at most */
	for (uint32_t i = 0; i < 3; i++) {
		assert_true(evl_trace_equal(evl_sdh_rx_trace(rig.rx, at[i]), &trace));
	}
	expect_no_other();
	sdh_finish(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_tim),
		cmocka_unit_test(test_au3_paths),
		cmocka_unit_test(test_tu3),
		cmocka_unit_test(test_vc11),
		cmocka_unit_test(test_client_ais),
		cmocka_unit_test(test_concatenation),
		cmocka_unit_test(test_forced_pointer),
		cmocka_unit_test(test_dark_from_the_start),
		cmocka_unit_test(test_section),
		cmocka_unit_test(test_long_traces),
	};
	return cmocka_run_group_tests_name("frame.sdh_defects", tests, NULL, NULL);
}
