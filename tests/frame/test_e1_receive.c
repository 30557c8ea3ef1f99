/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The E1 receiver: alignment and each defect, with the instants that the rules of ITU-T G.706,
 * G.775 and G.732 give for signals whose frames are known.
 */
#include "tests/frame/pdh_rig.h"

#include "core/frame/e1_build.h"
#include "core/frame/e1_receive.h"
#include "core/frame/e1_search.h"

#define FRAMES 9000
#define F(n)   ((uint64_t)(n)*256)

/* A signal of frames over a payload of zeros, which cannot imitate a FAS, behind `lead` zero bits.
 */
struct rig {
	struct evl_e1_builder b;
	struct evl_e1_receiver r;
	struct pdh_log log;
	uint8_t frames[FRAMES * 32];
	uint8_t line[FRAMES * 32 + 64];
	uint8_t out[EVL_E1_OUT_BYTES(sizeof(uint8_t[FRAMES * 32 + 64]))];
	uint32_t given;
};
static struct rig rig;

static void begin(const struct evl_e1_options *o, enum evl_e1_framing sent, bool cas)
{
	struct evl_err err = {0};
	memset(&rig, 0, sizeof(rig));
	assert_int_equal(evl_e1_receiver_init(&rig.r, o, 7, pdh_log_add, &rig.log, &err), EVL_OK);
	evl_e1_builder_init(&rig.b, sent, cas);
}

/* Sends n frames as they are in rig.frames, `lead` bits late; whole bytes, the last ones padded. */
static void send(uint64_t lead, uint32_t n)
{
	memset(rig.line, 0, sizeof(rig.line));
	evl_bits_copy(rig.line, lead, rig.frames, 0, F(n));
	rig.given = evl_e1_receive(&rig.r, rig.line, (size_t)((lead + F(n) + 7) / 8), rig.out);
}

static bool alarm_on(enum evl_alarm alarm)
{
	return (rig.r.alarms >> alarm & 1) != 0;
}

/* G.706 4.1.2 at each bit offset: FAS, NFAS, FAS; the last bit that decides is bit 8 of the third
 * frame. */
static void test_alignment_at_any_offset(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY};
	for (uint64_t lead = 0; lead <= 264; lead++) {
		for (unsigned nfas = 0; nfas < 2; nfas++) {
			begin(&o, EVL_E1_FAS_ONLY, false);
			evl_e1_builder_set_phase(&rig.b, nfas, 0);
			evl_e1_build(&rig.b, rig.frames, 8);
			send(lead, 8);
			pdh_expect(&rig.log, EVL_ALARM_LOF, 0, true, 0);
			pdh_expect(&rig.log, EVL_ALARM_LOF, 1, false, lead + F(nfas + 2) + 8);
			assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
			/* Frames out: ones for each whole frame time before, then as sent. */
			uint32_t dark = (uint32_t)((lead + F(nfas + 2)) / 256);
			uint32_t seen = 8 - (nfas + 2);
			assert_int_equal(rig.given, dark + seen);
			assert_int_equal(rig.r.counts.frames, seen);
			for (uint32_t i = 0; i < dark * 32; i++) {
				assert_int_equal(rig.out[i], 0xff);
			}
			assert_memory_equal(
				rig.out + dark * 32, rig.frames + 32 * (nfas + 2), seen * 32);
			assert_int_equal(rig.r.frame_bit, lead + F(7));
		}
	}
}

/* The search against one that looks at each offset in turn, bit by bit. */
static void test_search_by_hand(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 9, 0);
	uint32_t found = 0;
	for (int round = 0; round < 20000; round++) {
		uint8_t data[120];
		size_t size = 60 + evl_rng_below(&rng, 61);
		pdh_random(&rng, data, size);
		uint64_t from = evl_rng_below(&rng, 8 * 60);
		uint64_t plant = evl_rng_below(&rng, 8 * 55);
		for (int p = 0; p < 2; p++, plant += evl_rng_below(&rng, 9)) {
			/* Most of a good place, now and then with a wrong bit. */
			for (uint64_t k = 1; k < 8; k++) {
				bool one = (0x1b >> (7 - k) & 1) != 0;
				if (plant + 520 <= 8 * size) {
					pdh_set(data, plant + k, one);
					pdh_set(data, plant + 512 + k, one);
					pdh_set(data, plant + 257, true);
				}
			}
			if (evl_rng_below(&rng, 2) == 0 && plant + 520 <= 8 * size) {
				static const uint16_t spots[] = {1, 4, 7, 257, 513, 519};
				evl_bits_flip(data, plant + spots[evl_rng_below(&rng, 6)]);
			}
		}
		uint64_t expected = UINT64_MAX;
		for (uint64_t i = from; i + 520 <= 8 * size && expected == UINT64_MAX; i++) {
			unsigned a = 0, c = 0;
			for (uint64_t k = 1; k < 8; k++) {
				a = a << 1 | evl_bits_get(data, i + k);
				c = c << 1 | evl_bits_get(data, i + 512 + k);
			}
			if (a == 0x1b && c == 0x1b && evl_bits_get(data, i + 257)) {
				expected = i;
			}
		}
		uint64_t at = UINT64_MAX;
		uint8_t *exact = malloc(size); /* so that a sanitizer sees any byte read outside */
		memcpy(exact, data, size);
		bool got = evl_e1_search(&at, exact, size, from);
		free(exact);
		assert_int_equal(got, expected != UINT64_MAX);
		if (got) {
			assert_int_equal(at, expected);
			found++;
		}
	}
	assert_in_range(found, 1000, 19000);
	uint64_t at;
	assert_false(evl_e1_search(&at, (const uint8_t *)"", 0, 0));
	assert_false(evl_e1_search(&at, (const uint8_t *)"", 0, 1000));
}

/* G.706 4.1.1: two bad FAS do no harm, the third in a row loses; recovery by 4.1.2 from there. */
static void test_loss_and_recovery(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY};
	begin(&o, EVL_E1_FAS_ONLY, false);
	evl_e1_build(&rig.b, rig.frames, 60);
	rig.frames[32 * 10] ^= 0x01;
	rig.frames[32 * 12] ^= 0x40;
	rig.frames[32 * 20] ^= 0x02;
	rig.frames[32 * 22] ^= 0x03;
	rig.frames[32 * 24] ^= 0x20;
	send(5, 60);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 1, false, 5 + F(2) + 8);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 2, true, 5 + F(24) + 8);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 3, false, 5 + F(28) + 8);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 4);
	assert_int_equal(rig.r.counts.fas_errors, 5);
	assert_int_equal(rig.r.counts.fas_bits, 6);
	assert_int_equal(rig.r.counts.losses, 1);
	/* Frames 2 to 23 and 28 to 59. */
	assert_int_equal(rig.r.counts.frames, 22 + 32);
	assert_int_equal(rig.given, 60);
	assert_memory_equal(rig.out + 32 * 2, rig.frames + 32 * 2, 32 * 22);
	for (size_t i = 32 * 24; i < 32 * 28; i++) {
		assert_int_equal(rig.out[i], 0xff);
	}
	assert_memory_equal(rig.out + 32 * 28, rig.frames + 32 * 28, 32 * 32);
}

/* G.706 4.1.1, the optional rule: bit 2 of three NFAS in a row. */
static void test_bit2_rule(void **state)
{
	(void)state;
	for (int check = 0; check < 2; check++) {
		const struct evl_e1_options o = {
			.framing = EVL_E1_FAS_ONLY, .check_bit2 = check != 0};
		begin(&o, EVL_E1_FAS_ONLY, false);
		evl_e1_build(&rig.b, rig.frames, 60);
		for (size_t f = 11; f <= 15; f += 2) {
			rig.frames[32 * f] &= 0xbf;
		}
		send(3, 60);
		assert_int_equal(rig.r.counts.nfas_errors, 3);
		assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), check ? 4 : 2);
		if (check) {
			pdh_expect(&rig.log, EVL_ALARM_LOF, 2, true, 3 + F(15) + 2);
			pdh_expect(&rig.log, EVL_ALARM_LOF, 3, false, 3 + F(18) + 8);
		}
	}
}

/* G.775 6: A = 1 in z double frames, z = 2 to 5; here also the number that clears. */
static void test_rai(void **state)
{
	(void)state;
	for (uint32_t z = 2; z <= 5; z++) {
		const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY,
			.rai_set = z == 2 ? 0 : z,
			.rai_clear = z == 2 ? 0 : z};
		uint32_t clear = z == 2 ? 1 : z;
		begin(&o, EVL_E1_FAS_ONLY, false);
		evl_e1_build(&rig.b, rig.frames, 200);
		for (size_t f = 21; f < 21 + 2 * (z - 1); f += 2) {
			rig.frames[32 * f] |= 0x20; /* one too few */
		}
		for (size_t f = 61; f <= 99; f += 2) {
			rig.frames[32 * f] |= 0x20;
		}
		send(1, 200);
		assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_RAI), 2);
		pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, 1 + F(61 + 2 * (z - 1)) + 3);
		pdh_expect(&rig.log, EVL_ALARM_RAI, 1, false, 1 + F(101 + 2 * (clear - 1)) + 3);
	}
}

static void test_rai_ends_with_alignment(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY};
	begin(&o, EVL_E1_FAS_ONLY, false);
	rig.b.rai = true;
	evl_e1_build(&rig.b, rig.frames, 20);
	rig.b.bad_fas = 3; /* frames 20, 22, 24 */
	evl_e1_build(&rig.b, rig.frames + 32 * 20, 6);
	send(0, 26);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, F(5) + 3);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 2, true, F(24) + 8);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 1, false, F(24) + 8);
}

/* G.706 4.2; errored blocks counted one by one; E bits; the receiver's answer. */
static void test_crc4(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4};
	begin(&o, EVL_E1_CRC4, false);
	struct evl_rng rng;
	evl_rng_init(&rng, 4, 4);
	for (size_t i = 0; i < sizeof(rig.frames); i++) {
		rig.frames[i] = (uint8_t)evl_rng_next(&rng) & 0x11; /* imitates no FAS */
	}
	rig.b.e_errors[0] = 3;
	rig.b.e_errors[1] = 5;
	evl_e1_build(&rig.b, rig.frames, 1600);
	rig.frames[32 * 803 + 9] ^= 0x80; /* sub-multiframe 100 (I), then 103 (II), 104 (I) */
	rig.frames[32 * 830 + 9] ^= 0x01;
	rig.frames[32 * 832] ^= 0x80; /* a C bit that 103 is told by */
	rig.frames[32 * 839 + 31] ^= 0x01;
	send(77, 1600);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOM), 0);
	assert_int_equal(rig.r.multiframe, EVL_E1_MF_ALIGNED);
	/* Aligned from frame 2; signals seen end in frames 11 (frames 3.. seen: the first whole one
	 * ends in frame 27) and 43. The first whole block is 48 .. 55, the last told one 1584. */
	assert_int_equal(rig.r.crc_frame, 15);
	assert_int_equal(rig.r.counts.crc_blocks, 1600 / 8 - 1 - 48 / 8);
	assert_int_equal(rig.r.counts.crc_errors[0], 2);
	assert_int_equal(rig.r.counts.crc_errors[1], 1);
	/* E bits of 0 in frames 13, 29, 45 and 15, 31, 47, 63, 79; those before 43 were not seen.
	 */
	assert_int_equal(rig.r.counts.e_bits, 1 + 3);
	struct evl_e1_builder back;
	evl_e1_builder_init(&back, EVL_E1_CRC4, false);
	evl_e1_builder_answer(&back, &rig.r);
	assert_true(back.e_valid);
	assert_false(back.rai);
	assert_int_equal(back.e_errors[0], 2);
	assert_int_equal(back.e_errors[1], 1);
	evl_e1_builder_answer(&back, &rig.r);
	assert_int_equal(back.e_errors[0], 2); /* told once */
}

/* No CRC-4 from the far end: 8 ms after alignment LOM; with Annex B 400 ms, then none expected. */
static void test_no_multiframe(void **state)
{
	(void)state;
	for (int automatic = 0; automatic < 2; automatic++) {
		const struct evl_e1_options o = {
			.framing = automatic ? EVL_E1_CRC4_AUTO : EVL_E1_CRC4};
		begin(&o, EVL_E1_FAS_ONLY, false);
		evl_e1_build(&rig.b, rig.frames, 4000);
		for (size_t f = 0; f < 4000; f++) {
			rig.frames[32 * f + 7] = (uint8_t)(f % 251) & 0x11;
		}
		send(100, 4000);
		assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
		pdh_expect(&rig.log, EVL_ALARM_LOM, 0, true, 100 + F(2 + 64));
		/* The first alignment serves all the time. */
		assert_int_equal(rig.r.counts.frames, 3998);
		assert_memory_equal(rig.out + 32 * 2, rig.frames + 32 * 2, 32 * 3998);
		if (automatic) {
			assert_int_equal(rig.r.multiframe, EVL_E1_MF_ABSENT);
			pdh_expect(&rig.log, EVL_ALARM_LOM, 1, false, 100 + F(2 + 3200));
		} else {
			assert_int_equal(rig.r.multiframe, EVL_E1_MF_SEARCH);
			assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOM), 1);
		}
	}
}

/* CRC-4 that begins late is found, the frames stay where they are. */
static void test_multiframe_comes_late(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4_AUTO};
	begin(&o, EVL_E1_FAS_ONLY, false);
	evl_e1_build(&rig.b, rig.frames, 1600);
	evl_e1_builder_init(&rig.b, EVL_E1_CRC4, false);
	evl_e1_build(&rig.b, rig.frames + 32 * 1600, 800);
	send(9, 2400);
	assert_int_equal(rig.r.multiframe, EVL_E1_MF_ALIGNED);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOM), 2);
	assert_false(alarm_on(EVL_ALARM_LOM));
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
	assert_int_equal(rig.r.counts.crc_errors[0] + rig.r.counts.crc_errors[1], 0);
	/* Nothing is lost on the way but the frame in which the search moves over. */
	assert_in_range(rig.r.counts.frames, 2396, 2398);
	assert_memory_equal(rig.out + 32 * (rig.given - 700), rig.frames + 32 * 1700, 32 * 700);
}

/* Timeslot 5 imitates FAS and NFAS and is met first (the signal begins behind timeslot 0). Basic
 * frame alignment stays there; with CRC-4 it is left by the 8 ms rule. */
static void test_false_alignment(void **state)
{
	(void)state;
	for (int crc = 0; crc < 2; crc++) {
		const struct evl_e1_options o = {.framing = crc ? EVL_E1_CRC4 : EVL_E1_FAS_ONLY};
		begin(&o, EVL_E1_CRC4, false);
		for (size_t f = 0; f < 400; f++) {
			rig.frames[32 * f + 5] = f % 2 == 0 ? 0x1b : 0x40;
		}
		evl_e1_build(&rig.b, rig.frames, 400);
		rig.frames[0] = 0; /* hides the first FAS, so the imitation comes first */
		send(0, 400);
		pdh_expect(&rig.log, EVL_ALARM_LOF, 1, false, F(2) + 5 * 8 + 8);
		assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
		if (!crc) {
			assert_int_equal(rig.r.frame_bit % 256, 40);
			continue;
		}
		/* Given up at frame 66 + 40 bits. The true FAS of frame 68 is the next place: FAS
		 * 68, NFAS 69, FAS 70. Whole signals from frame 70 on: 80 .. 91, 96 .. 107. */
		pdh_expect(&rig.log, EVL_ALARM_LOM, 0, true, F(66) + 40);
		pdh_expect(&rig.log, EVL_ALARM_LOM, 1, false, F(107) + 1);
		assert_int_equal(rig.r.multiframe, EVL_E1_MF_ALIGNED);
		assert_int_equal(rig.r.frame_bit, F(399));
		assert_int_equal(rig.r.counts.crc_errors[0] + rig.r.counts.crc_errors[1], 0);
		assert_memory_equal(
			rig.out + 32 * (rig.given - 280), rig.frames + 32 * 120, 32 * 280);
	}
}

/* The imitation has the multiframe too, but its blocks are wrong: 915 of 1000 (G.706 4.3.2). */
static void test_false_multiframe(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4};
	begin(&o, EVL_E1_CRC4, false);
	evl_e1_build(&rig.b, rig.frames, FRAMES);
	for (size_t f = 0; f < FRAMES; f++) {
		/* Timeslot 0 again five timeslots on, with C bits of 0. */
		uint8_t ts0 = rig.frames[32 * f];
		rig.frames[32 * f + 5] = f % 2 == 0 ? ts0 & 0x7f : ts0;
		rig.frames[32 * f] = 0x35; /* the true one is spoilt for now: imitates nothing */
	}
	send(0, FRAMES);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 1, false, F(2) + 48);
	/* Signals end in frames 27 and 43; blocks from frame 48 on. Their remainder is the same
	 * each time and not 0 (by division), so each block is bad; it is told in the next one,
	 * whose C4 is in its 7th frame. */
	for (size_t s = 0; s < 2; s++) {
		uint8_t block[257];
		memcpy(block, rig.frames + 32 * (48 + 8 * s) + 5, 256);
		for (size_t k = 0; k < 8; k += 2) {
			block[32 * k] &= 0x7f;
		}
		assert_int_not_equal(pdh_divide(0, 4, 3, block, 0, 2048), 0);
	}
	assert_int_equal(rig.r.counts.losses, 1);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 2, true, F(48 + 8 * 915 + 6) + 40 + 1);
	/* The only other place is the same one, from the next FAS on. */
	pdh_expect(&rig.log, EVL_ALARM_LOF, 3, false, F(48 + 8 * 915 + 6 + 4) + 48);
}

/* 914 bad blocks in a second are borne. */
static void test_914_of_1000(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4};
	begin(&o, EVL_E1_CRC4, false);
	evl_e1_build(&rig.b, rig.frames, 48);
	/* Blocks 6 on are compared; the words of blocks 6 .. are sent from frame 56 on. */
	evl_e1_build(&rig.b, rig.frames + 32 * 48, 8);
	rig.b.bad_crc = 914;
	evl_e1_build(&rig.b, rig.frames + 32 * 56, FRAMES - 56);
	send(0, FRAMES);
	assert_int_equal(rig.r.counts.losses, 0);
	assert_int_equal(rig.r.counts.crc_errors[0] + rig.r.counts.crc_errors[1], 914);
	assert_int_equal(rig.r.multiframe, EVL_E1_MF_ALIGNED);
}

/* G.732 5.2, G.704 5.1.3: channels 1 to 30, multiframe, y bit, all ones. */
static uint64_t abcd_at[31], abcd_first[31];
static uint8_t abcd_seen[31];

static void on_abcd(void *ctx, uint32_t channel, uint32_t voice, uint8_t abcd, uint64_t at)
{
	(void)ctx;
	assert_int_equal(channel, 7);
	assert_in_range(voice, 1, 30);
	abcd_seen[voice] = abcd;
	abcd_at[voice] = at;
	abcd_first[voice] = abcd_first[voice] != 0 ? abcd_first[voice] : at;
}

static void test_timeslot16(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY, .cas = true};
	begin(&o, EVL_E1_FAS_ONLY, true);
	rig.r.abcd_fn = on_abcd;
	for (unsigned c = 0; c < 30; c++) {
		rig.b.abcd[c] = (uint8_t)(1 + c % 14);
	}
	evl_e1_builder_set_phase(&rig.b, 0, 9); /* TS16 frame 0 is frame 7 */
	evl_e1_build(&rig.b, rig.frames, 23 + 16 * 4);
	rig.b.ts16_rai = true; /* frame 87: y; 5 multiframes */
	evl_e1_build(&rig.b, rig.frames + 32 * 87, 16 * 5);
	rig.b.ts16_rai = false;
	rig.b.abcd[3] = 0xf; /* channel 4 changes in frame 167 + 4 */
	evl_e1_build(&rig.b, rig.frames + 32 * 167, 16 * 10);
	rig.b.bad_ts16_mfas = 1; /* frame 327: one alone */
	evl_e1_build(&rig.b, rig.frames + 32 * 327, 16 * 2);
	rig.b.bad_ts16_mfas = 2; /* frames 359, 375: lost; found again at 391 */
	evl_e1_build(&rig.b, rig.frames + 32 * 359, 16 * 5);
	for (size_t f = 439; f < 439 + 70; f++) { /* ones for 70 frames from a frame 0 on */
		evl_e1_build(&rig.b, rig.frames + 32 * f, 1);
		rig.frames[32 * f + 16] = 0xff;
	}
	evl_e1_build(&rig.b, rig.frames + 32 * 509, 200);
	send(0, 700);
	for (unsigned c = 1; c <= 30; c++) {
		assert_int_equal(rig.r.abcd[c - 1], c == 4 ? 0xf : 1 + (c - 1) % 14);
		assert_int_equal(abcd_seen[c], rig.r.abcd[c - 1]);
	}
	assert_int_equal(abcd_at[4], F(167 + 4) + 16 * 8 + 4);
	/* The others changed at the first multiframe and by the ones of frames 440 to 454. */
	assert_int_equal(abcd_at[1], F(520) + 16 * 8 + 4);
	assert_int_equal(abcd_first[1], F(7 + 1) + 16 * 8 + 4);
	assert_int_equal(abcd_first[16], F(7 + 1) + 16 * 8 + 8);
	pdh_expect(&rig.log, EVL_ALARM_TS16_RAI, 0, true, F(87 + 16) + 16 * 8 + 6);
	pdh_expect(&rig.log, EVL_ALARM_TS16_RAI, 1, false, F(167) + 16 * 8 + 6);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_TS16_RAI), 2);
	pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 0, true, F(375) + 16 * 8 + 4);
	pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 1, false, F(391) + 16 * 8 + 4);
	pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 2, true, F(455) + 16 * 8 + 4);
	pdh_expect(&rig.log, EVL_ALARM_TS16_AIS, 0, true, F(439 + 31) + 16 * 8 + 8);
	pdh_expect(&rig.log, EVL_ALARM_TS16_AIS, 1, false, F(509) + 16 * 8 + 8);
	pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 3, false, F(519) + 16 * 8 + 4);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_TS16_LOM), 4);
	/* 327; 359, 375; then 439, 455 of all ones */
	assert_int_equal(rig.r.counts.ts16_errors, 5);
	assert_int_equal(rig.r.ts16_mfas, 0x0b);
}

/* All bits of timeslot 16 are 0 for one or two multiframes: lost, and not found there. */
static void test_timeslot16_zero(void **state)
{
	(void)state;
	for (uint32_t m = 1; m <= 2; m++) {
		const struct evl_e1_options o = {
			.framing = EVL_E1_FAS_ONLY, .cas = true, .cas_zero = m};
		begin(&o, EVL_E1_FAS_ONLY, true);
		evl_e1_build(&rig.b, rig.frames, 200);
		for (size_t f = 101; f < 150; f++) {
			rig.frames[32 * f + 16] = 0;
		}
		send(0, 200);
		pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 0, true, F(100 + 16 * m) + 136);
		/* 150 .. are dd; the next frame 0 is 160. */
		pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 1, false, F(160) + 132);
	}
}

/* None at all: TS16-LOM 32 frames after frame alignment. */
static void test_timeslot16_absent(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY, .cas = true};
	begin(&o, EVL_E1_FAS_ONLY, false);
	evl_e1_build(&rig.b, rig.frames, 100);
	send(0, 100);
	pdh_expect(&rig.log, EVL_ALARM_TS16_LOM, 0, true, F(2 + 31) + 136);
	struct evl_e1_builder back;
	evl_e1_builder_init(&back, EVL_E1_FAS_ONLY, true);
	evl_e1_builder_answer(&back, &rig.r);
	assert_true(back.ts16_rai);
}

/* AIS in place of the signal: AIS by G.775 5.2, LOF by the third FAS of ones, A = 1 goes back. AIS
 * is cleared when the frame alignment signal is found (the same clause): two periods with three
 * zeros, the other way, would take until frame 144. */
static void test_ais_and_los(void **state)
{
	(void)state;
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4};
	begin(&o, EVL_E1_CRC4, false);
	evl_e1_build(&rig.b, rig.frames, 200);
	memset(rig.frames + 32 * 100, 0xff, 32 * 40);
	memset(rig.frames + 32 * 160, 0, 32 * 10);
	send(0, 150);
	pdh_expect(&rig.log, EVL_ALARM_AIS, 0, true, F(104));
	pdh_expect(&rig.log, EVL_ALARM_LOF, 2, true, F(104) + 8);
	pdh_expect(&rig.log, EVL_ALARM_AIS, 1, false, F(142) + 8);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 3, false, F(142) + 8);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_AIS), 2);
	rig.log.n = 0;
	begin(&o, EVL_E1_CRC4, false);
	memset(rig.frames, 0xff, 32 * 20);
	send(0, 20);
	assert_true(alarm_on(EVL_ALARM_AIS) && alarm_on(EVL_ALARM_LOF));
	struct evl_e1_builder back;
	evl_e1_builder_init(&back, EVL_E1_CRC4, false);
	evl_e1_builder_answer(&back, &rig.r);
	assert_true(back.rai);
	assert_false(back.e_valid);
}

static void test_unframed(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 1);
	begin(NULL, EVL_E1_UNFRAMED, false);
	pdh_random(&rng, rig.frames, 3200);
	uint32_t given = 0;
	for (size_t at = 0; at < 3200;) {
		size_t n = 1 + evl_rng_below(&rng, 90);
		n = n < 3200 - at ? n : 3200 - at;
		given += evl_e1_receive(&rig.r, rig.frames + at, n, rig.out + 32 * given);
		at += n;
	}
	assert_int_equal(given, 100);
	assert_memory_equal(rig.out, rig.frames, 3200);
	assert_int_equal(rig.log.n, 0);
}

/* Whatever comes, and however it is cut, the events and frames are the same, and shifted input
 * gives shifted events. */
static void test_cuts(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 77, 0);
	static struct pdh_log whole;
	static uint8_t out[sizeof(rig.out)];
	for (int round = 0; round < 60; round++) {
		struct evl_e1_options o = {.framing = 1 + (uint32_t)evl_rng_below(&rng, 3),
			.cas = evl_rng_below(&rng, 2) != 0,
			.check_bit2 = evl_rng_below(&rng, 2) != 0};
		begin(&o, EVL_E1_CRC4, true);
		uint32_t n = 1500;
		uint8_t mask = evl_rng_below(&rng, 2) != 0 ? 0xff : 0x1b;
		pdh_random(&rng, rig.frames, n * 32);
		for (size_t i = 0; i < n * 32; i++) {
			rig.frames[i] &= mask;
		}
		for (uint32_t f = 0; f + 300 < n; f += 300) {
			evl_e1_builder_set_phase(&rig.b, (unsigned)evl_rng_next(&rng), 0);
			evl_e1_build(
				&rig.b, rig.frames + 32 * f, (uint32_t)evl_rng_below(&rng, 300));
		}
		for (int k = 0; k < 40; k++) { /* burst errors and slips */
			size_t at = evl_rng_below(&rng, n * 32 - 64);
			if (k % 8 == 0) {
				evl_bits_shift(rig.line, rig.frames + at, 3200,
					1 + (unsigned)evl_rng_below(&rng, 7));
				size_t rest = n * 32 - at < 3200 ? n * 32 - at : 3200;
				memcpy(rig.frames + at, rig.line, rest);
			} else {
				memset(rig.frames + at, k % 2 ? 0xff : 0, evl_rng_below(&rng, 64));
			}
		}
		send(0, n);
		whole = rig.log;
		pdh_expect_order(&whole, 0);
		uint32_t given = rig.given;
		struct evl_e1_counts counts = rig.r.counts;
		memcpy(out, rig.out, sizeof(out));
		rig.log.n = 0;
		assert_int_equal(
			evl_e1_receiver_init(&rig.r, &o, 7, pdh_log_add, &rig.log, NULL), EVL_OK);
		uint32_t again = 0;
		size_t most = evl_rng_below(&rng, 2) != 0 ? 7 : 700;
		for (size_t at = 0; at < n * 32;) {
			size_t piece = 1 + evl_rng_below(&rng, most);
			piece = piece < n * 32 - at ? piece : n * 32 - at;
			const size_t before = rig.log.n;
			uint32_t got = evl_e1_receive(
				&rig.r, rig.frames + at, piece, rig.out + 32 * again);
			pdh_expect_order(&rig.log, before);
			assert_true(got * 32 <= EVL_E1_OUT_BYTES(piece));
			again += got;
			at += piece;
		}
		assert_int_equal(again, given);
		assert_memory_equal(out, rig.out, 32 * given);
		assert_memory_equal(&counts, &rig.r.counts, sizeof(counts));
		assert_int_equal(whole.n, rig.log.n);
		for (int a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
			for (size_t i = 0; i < pdh_log_count(&whole, (enum evl_alarm)a); i++) {
				struct pdh_event e = pdh_log_of(&whole, (enum evl_alarm)a, i);
				pdh_expect(&rig.log, (enum evl_alarm)a, i, e.raised, e.at);
				assert_true(
					i == 0 ||
					pdh_log_of(&whole, (enum evl_alarm)a, i - 1).at <= e.at);
				assert_int_equal(e.raised, i % 2 == 0);
			}
		}
	}
}

static void test_options(void **state)
{
	(void)state;
	static const struct {
		struct evl_e1_options o;
		const char *word;
	} bad[] = {
		{{.framing = (enum evl_e1_framing)9}, "framing"},
		{{.framing = EVL_E1_UNFRAMED, .cas = true}, "cas"},
		{{.framing = EVL_E1_CRC4, .rai_set = 6}, "rai_set"},
		{{.framing = EVL_E1_CRC4, .rai_set = 1}, "rai_set"},
		{{.framing = EVL_E1_CRC4, .rai_clear = 6}, "rai_clear"},
		{{.framing = EVL_E1_CRC4, .cas_zero = 3}, "cas_zero"},
		{{.framing = EVL_E1_CRC4, .los_bits = 9}, "los_bits"},
	};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct evl_err err = {0};
		struct evl_e1_receiver r;
		assert_int_equal(
			evl_e1_receiver_init(&r, &bad[i].o, 0, NULL, NULL, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, bad[i].word));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_alignment_at_any_offset),
		cmocka_unit_test(test_search_by_hand),
		cmocka_unit_test(test_loss_and_recovery),
		cmocka_unit_test(test_bit2_rule),
		cmocka_unit_test(test_rai),
		cmocka_unit_test(test_rai_ends_with_alignment),
		cmocka_unit_test(test_crc4),
		cmocka_unit_test(test_no_multiframe),
		cmocka_unit_test(test_multiframe_comes_late),
		cmocka_unit_test(test_false_alignment),
		cmocka_unit_test(test_false_multiframe),
		cmocka_unit_test(test_914_of_1000),
		cmocka_unit_test(test_timeslot16),
		cmocka_unit_test(test_timeslot16_zero),
		cmocka_unit_test(test_timeslot16_absent),
		cmocka_unit_test(test_ais_and_los),
		cmocka_unit_test(test_unframed),
		cmocka_unit_test(test_cuts),
		cmocka_unit_test(test_options),
	};
	return cmocka_run_group_tests_name("e1_receive", tests, NULL, NULL);
}
