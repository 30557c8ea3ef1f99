/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The T1 receiver: alignment and each defect, with the instants that the rules of ANSI T1.231 and
 * T1.403 (as RFC 4805 3.4 quotes them) and ITU-T G.775 give for signals whose frames are known.
 */
#include "tests/frame/pdh_rig.h"

#include "core/frame/t1_build.h"
#include "core/frame/t1_receive.h"

#define FRAMES 120000 /* 15 s */
#define F(n)   ((uint64_t)(n)*193)
#define BYTES  (193 * FRAMES / 8 + 64)

struct rig {
	struct evl_t1_builder b;
	struct evl_t1_receiver r;
	struct pdh_log log;
	uint8_t frames[BYTES];
	uint8_t line[BYTES];
	uint8_t out[EVL_T1_OUT_BYTES(BYTES)];
	uint32_t given;
};
static struct rig rig;

/* A payload that imitates no framing: a constant 0x55 in each timeslot. */
static void begin(const struct evl_t1_options *o, enum evl_t1_framing sent, uint32_t frames)
{
	struct evl_err err = {0};
	memset(&rig.r, 0, sizeof(rig.r));
	rig.log.n = 0;
	assert_int_equal(evl_t1_receiver_init(&rig.r, o, 7, pdh_log_add, &rig.log, &err), EVL_OK);
	evl_t1_builder_init(&rig.b, sent);
	uint8_t slots[24];
	memset(slots, 0x55, sizeof(slots));
	memset(rig.frames, 0, 193 * frames / 8 + 32);
	for (uint32_t f = 0; f < frames; f++) {
		evl_t1_pack(rig.frames, F(f), slots);
	}
}

/* Builds frames [from, to), both multiples of 8. */
static void build(uint32_t from, uint32_t to)
{
	evl_t1_build(&rig.b, rig.frames + 193 * (from / 8), to - from);
}

static void send(uint64_t lead, uint32_t n)
{
	memset(rig.line, 0, (size_t)(lead + F(n)) / 8 + 32);
	evl_bits_copy(rig.line, lead, rig.frames, 0, F(n));
	rig.given = evl_t1_receive(&rig.r, rig.line, (size_t)((lead + F(n) + 7) / 8), rig.out);
}

static void flip_f(uint32_t frame) /* 0-based */
{
	evl_bits_flip(rig.frames, F(frame));
}

/* Found at the first framing bits, told at the 24th of them, at any bit offset. */
static void test_alignment_at_any_offset(void **state)
{
	(void)state;
	for (int esf = 0; esf < 2; esf++) {
		const struct evl_t1_options o = {.framing = esf ? EVL_T1_ESF : EVL_T1_SF};
		for (uint64_t lead = 0; lead < 193; lead++) { /* more zeros could be F bits */
			unsigned first = 1 + (unsigned)(lead % (esf ? 24 : 12));
			begin(&o, o.framing, 144);
			evl_t1_builder_set_phase(&rig.b, first);
			build(0, 144);
			send(lead, 144);
			/* 24 framing bits. SF: from frame 0 of the signal on. ESF: one in four
			 * frames, from the first frame with a number of 4, 8, .. on. */
			uint32_t last = esf ? (4 - first % 4) % 4 + 92 : 23;
			pdh_expect(&rig.log, EVL_ALARM_OOF, 0, true, 0);
			pdh_expect(&rig.log, EVL_ALARM_OOF, 1, false, lead + F(last) + 1);
			assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_OOF), 2);
			assert_int_equal(rig.r.counts.frames, 144 - last);
			assert_int_equal(
				rig.r.frame_number, (first - 1 + 143) % (esf ? 24 : 12) + 1);
			assert_int_equal(rig.r.frame_bit, lead + F(143));
			uint32_t dark = (uint32_t)((lead + F(last)) / 193);
			assert_int_equal(rig.given, dark + 144 - last);
			for (uint32_t i = 0; i < rig.given * 24; i++) {
				assert_int_equal(rig.out[i], i < dark * 24 ? 0xff : 0x55);
			}
		}
	}
}

/* The search against a look at each offset, bit by bit. */
static void test_search_by_hand(void **state)
{
	(void)state;
	static const char *const sf = "100011011100";
	static const char *const fps = "001011";
	struct evl_rng rng;
	evl_rng_init(&rng, 12, 0);
	uint32_t hits = 0;
	for (int round = 0; round < 600; round++) {
		int kind = round % 3; /* SF, SF of Japan, ESF */
		const char *cycle = kind < 2 ? sf : fps;
		uint64_t spacing = kind < 2 ? 193 : 772, looks = 24;
		uint64_t length = strlen(cycle), span = (looks - 1) * spacing + 1;
		size_t size = (size_t)(span / 8 + 2 + evl_rng_below(&rng, 40));
		uint8_t *data = malloc(size);
		pdh_random(&rng, data, size);
		uint64_t c0 = evl_rng_below(&rng, length);
		uint64_t plant = evl_rng_below(&rng, 8 * size - span + 1);
		for (uint64_t k = 0; k < looks; k++) {
			pdh_set(data, plant + k * spacing, cycle[(c0 + k) % length] == '1');
		}
		if (evl_rng_below(&rng, 3) == 0) {
			evl_bits_flip(data, plant + evl_rng_below(&rng, looks) * spacing);
		}
		uint64_t from = evl_rng_below(&rng, 30), expected = UINT64_MAX;
		unsigned number = 0;
		for (uint64_t i = from; i + span <= 8 * size && expected == UINT64_MAX; i++) {
			for (uint64_t c = 0; c < length && expected == UINT64_MAX; c++) {
				bool good = true;
				for (uint64_t k = 0; k < looks && good; k++) {
					uint64_t n = (c + k) % length;
					good = (kind == 1 && n == 11) ||
					       evl_bits_get(data, i + k * spacing) ==
						       (cycle[n] == '1');
				}
				if (good) {
					expected = i;
					number = (unsigned)(kind < 2 ? c + 1 : 4 * c + 4);
				}
			}
		}
		uint64_t at = 0;
		unsigned got = 0;
		bool found = evl_t1_search(
			&at, &got, kind < 2 ? EVL_T1_SF : EVL_T1_ESF, kind == 1, data, size, from);
		assert_int_equal(found, expected != UINT64_MAX);
		if (found) {
			assert_int_equal(at, expected);
			assert_int_equal(got, number);
			hits++;
		}
		free(data);
	}
	assert_in_range(hits, 200, 590);
}

/* Two wrong framing bits among N in a row; N - 1 good ones between them are borne. */
static void test_oof_window(void **state)
{
	(void)state;
	for (int esf = 0; esf < 2; esf++) {
		uint32_t step = esf ? 4 : 1; /* frames between framing bits */
		for (uint32_t n = 2; n <= 6; n++) {
			const struct evl_t1_options o = {.framing = esf ? EVL_T1_ESF : EVL_T1_SF,
				.oof_window = n == 5 ? 0 : n};
			begin(&o, o.framing, 400);
			build(0, 400);
			flip_f(99); /* frame 100 = 4 times 24 and 4: a framing bit of both */
			flip_f(99 + n * step);
			flip_f(199);
			flip_f(199 + (n - 1) * step);
			send(6, 400);
			pdh_expect(
				&rig.log, EVL_ALARM_OOF, 2, true, 6 + F(199 + (n - 1) * step) + 1);
			/* Searched from there on: the next framing bit is the first of 24. */
			uint32_t first = 199 + n * step;
			pdh_expect(&rig.log, EVL_ALARM_OOF, 3, false,
				6 + F(first + (esf ? 92 : 23)) + 1);
			assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_OOF), 4);
			assert_int_equal(rig.r.counts.f_errors, 4);
			assert_int_equal(rig.r.counts.losses, 1);
		}
	}
}

/* LOF: OOF for T; cleared after it stayed away. */
static void test_lof(void **state)
{
	(void)state;
	const struct evl_t1_options o = {
		.framing = EVL_T1_SF, .lof_raise_ms = 2000, .lof_clear_ms = 3000};
	begin(&o, EVL_T1_SF, 80000);
	build(0, 80000);
	for (uint32_t f = 8000; f < 26000; f += 3) {
		flip_f(f);
	}
	for (uint32_t f = 40000; f < 40400; f += 3) {
		flip_f(f);
	}
	send(0, 80000);
	/* Frames 8000 and 8003 are wrong. */
	uint64_t lost = F(8003) + 1, back = F(25997 + 1 + 23) + 1;
	pdh_expect(&rig.log, EVL_ALARM_OOF, 2, true, lost);
	pdh_expect(&rig.log, EVL_ALARM_OOF, 3, false, back);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 0, true, lost + 2000 * 1544);
	/* OOF again before 3 s have passed since; the clear counts from its end. */
	uint64_t second = F(40399 + 1 + 23) + 1;
	pdh_expect(&rig.log, EVL_ALARM_OOF, 5, false, second);
	pdh_expect(&rig.log, EVL_ALARM_LOF, 1, false, second + 3000 * 1544);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOF), 2);
	/* With no waiting LOF is OOF. */
	const struct evl_t1_options now = {
		.framing = EVL_T1_SF, .lof_raise_ms = EVL_T1_NOW, .lof_clear_ms = EVL_T1_NOW};
	begin(&now, EVL_T1_SF, 800);
	build(0, 800);
	flip_f(400);
	flip_f(401);
	send(3, 800);
	for (size_t i = 0; i < 4; i++) {
		struct pdh_event e = pdh_log_of(&rig.log, EVL_ALARM_OOF, i);
		pdh_expect(&rig.log, EVL_ALARM_LOF, i, e.raised, e.at);
	}
}

/* Wrong CRC-6 words are counted; 32 in a row end the alignment, 31 do not. */
static void test_crc6(void **state)
{
	(void)state;
	const struct evl_t1_options o = {.framing = EVL_T1_ESF};
	begin(&o, EVL_T1_ESF, 24 * 120);
	build(0, 24 * 10);
	rig.b.bad_crc = 31; /* words in multiframes 10 .. 40 (0-based) */
	build(24 * 10, 24 * 50);
	rig.b.bad_crc = 32; /* 50 .. 81 */
	build(24 * 50, 24 * 120);
	evl_bits_flip(rig.frames, F(24 * 100) + 100);
	send(1, 24 * 120);
	/* The last word of the 32 ends in frame 22 of multiframe 81. */
	uint64_t lost = 1 + F(24 * 81 + 21) + 1;
	pdh_expect(&rig.log, EVL_ALARM_OOF, 2, true, lost);
	pdh_expect(&rig.log, EVL_ALARM_OOF, 3, false, 1 + F(24 * 81 + 23 + 92) + 1);
	assert_int_equal(rig.r.counts.crc_errors, 31 + 32 + 1);
	/* Aligned in frame 24 of multiframe 3: words from multiframe 5 to 81; again from frame 20
	 * of multiframe 85: 87 to 119. */
	assert_int_equal(rig.r.counts.crc_blocks, 77 + 33);
}

static void test_crc6_of_japan(void **state)
{
	(void)state;
	for (int seen = 0; seen < 2; seen++) {
		const struct evl_t1_options o = {
			.framing = EVL_T1_ESF, .japan = seen != 0, .false_crc = 1000};
		begin(&o, EVL_T1_ESF, 24 * 40);
		rig.b.japan = true;
		build(0, 24 * 40);
		send(0, 24 * 40);
		assert_int_equal(rig.r.counts.crc_blocks, 35);
		if (seen) {
			assert_int_equal(rig.r.counts.crc_errors, 0);
		} else {
			assert_true(rig.r.counts.crc_errors > 28);
		}
	}
}

static struct {
	uint64_t at[4000];
	uint16_t bits[4000];
	int code[4000];
	size_t links, codes;
} seen;
static uint64_t code_at[4000];

static void on_link(void *ctx, uint32_t channel, uint16_t bits, uint64_t at)
{
	(void)ctx;
	assert_int_equal(channel, 7);
	seen.at[seen.links] = at;
	seen.bits[seen.links++] = bits;
}

static void on_code(void *ctx, uint32_t channel, int code, uint64_t at)
{
	(void)ctx;
	assert_int_equal(channel, 7);
	code_at[seen.codes] = at;
	seen.code[seen.codes++] = code;
}

/* Offset of the bit after link bit n (0-based) of the signal. */
static uint64_t link_end(uint64_t n)
{
	return F(2 * n) + 1;
}

/* RAI in ESF: 7 of 10 intervals set, 10 without clear (RFC 4805 3.4); other messages likewise. */
static void test_esf_rai_and_messages(void **state)
{
	(void)state;
	const struct evl_t1_options o = {.framing = EVL_T1_ESF};
	begin(&o, EVL_T1_ESF, 24 * 200);
	memset(&seen, 0, sizeof(seen));
	rig.r.link_fn = on_link;
	rig.r.code_fn = on_code;
	build(0, 24 * 10);
	rig.b.rai = true; /* 240 link bits: 15 messages */
	build(24 * 10, 24 * 30);
	rig.b.rai = false;
	build(24 * 30, 24 * 60);
	evl_t1_builder_send(&rig.b, 0x2a, 10);
	build(24 * 60, 24 * 100);
	evl_t1_builder_send(&rig.b, 0x07, 6); /* too few */
	build(24 * 100, 24 * 130);
	/* Every third message is hit: 7 of 10 are still right. */
	evl_t1_builder_send(&rig.b, 0x3f, 20);
	build(24 * 130, 24 * 200);
	for (uint64_t m = 2; m < 20; m += 3) {
		flip_f((uint32_t)(2 * (12 * 130 + 16 * m + 3)));
	}
	send(0, 24 * 200);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, link_end(120 + 7 * 16 - 1));
	pdh_expect(&rig.log, EVL_ALARM_RAI, 1, false, link_end(120 + 240 + 160 - 1));
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_RAI), 2);
	static const int codes[] = {0, EVL_T1_NO_CODE, 0x2a, EVL_T1_NO_CODE, 0x3f, EVL_T1_NO_CODE};
	assert_int_equal(seen.codes, 6);
	for (size_t i = 0; i < 6; i++) {
		assert_int_equal(seen.code[i], codes[i]);
	}
	assert_int_equal(code_at[2], link_end(720 + 7 * 16 - 1));
	/* The messages 0, 1, 3, 4, 6, 7, 9 are right: the tenth makes 7 of 10. */
	assert_int_equal(code_at[4], link_end(12 * 130 + 10 * 16 - 1));
	/* Link bits: 12 for each multiframe in alignment, as sent. */
	assert_int_equal(seen.links, 196);
	for (size_t i = 0; i < seen.links; i++) {
		uint64_t m = 4 + i;
		unsigned bits = 0;
		for (uint64_t k = 0; k < 12; k++) {
			bits = bits << 1 | evl_bits_get(rig.frames, F(24 * m + 2 * k));
		}
		assert_int_equal(seen.bits[i], bits);
		assert_int_equal(seen.at[i], F(24 * m + 22) + 1);
	}
}

/* A message that follows another at once takes its place; OOF ends it. */
static void test_message_after_message(void **state)
{
	(void)state;
	const struct evl_t1_options o = {.framing = EVL_T1_ESF};
	begin(&o, EVL_T1_ESF, 24 * 100);
	memset(&seen, 0, sizeof(seen));
	rig.r.code_fn = on_code;
	evl_t1_builder_send(&rig.b, 1, 15);
	build(0, 24 * 20); /* 240 link bits */
	evl_t1_builder_send(&rig.b, 2, 60);
	build(24 * 20, 24 * 60);
	send(0, 24 * 60);
	assert_int_equal(seen.codes, 2);
	assert_int_equal(seen.code[0], 1);
	assert_int_equal(seen.code[1], 2);
	assert_int_equal(code_at[1], link_end(240 + 7 * 16 - 1));
	memset(rig.line, 0, 1000);
	evl_t1_receive(&rig.r, rig.line, 1000, rig.out);
	assert_int_equal(seen.codes, 3);
	assert_int_equal(seen.code[2], EVL_T1_NO_CODE);
	assert_int_equal(code_at[2], pdh_log_of(&rig.log, EVL_ALARM_OOF, 2).at);
}

/* RAI in SF: bit 2 of all timeslots 0 for 335 ms = 2680 frames (T1.403). */
static void test_sf_rai(void **state)
{
	(void)state;
	const struct evl_t1_options o = {.framing = EVL_T1_SF};
	begin(&o, EVL_T1_SF, 16000);
	build(0, 800);
	rig.b.rai = true;
	build(800, 800 + 2672); /* too short */
	rig.b.rai = false;
	build(3472, 4000);
	rig.b.rai = true;
	build(4000, 8000);
	rig.b.rai = false;
	build(8000, 16000);
	send(9, 16000);
	/* Bit 2 of timeslot 24 is bit 187 of the frame. */
	pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, 9 + F(4000 + 2679) + 187);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 1, false, 9 + F(8000 + 2679) + 187);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_RAI), 2);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_OOF), 2);
}

static void test_rai_of_japan(void **state)
{
	(void)state;
	const struct evl_t1_options sf = {.framing = EVL_T1_SF, .japan = true};
	begin(&sf, EVL_T1_SF, 960);
	rig.b.japan = true;
	build(0, 240);
	rig.b.rai = true;
	build(240, 480);
	rig.b.rai = false;
	build(480, 960);
	send(0, 960);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, F(240 + 12 + 11) + 1);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 1, false, F(480 + 12 + 11) + 1);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_OOF), 2);
	const struct evl_t1_options esf = {.framing = EVL_T1_ESF, .japan = true};
	begin(&esf, EVL_T1_ESF, 960);
	rig.b.japan = true;
	build(0, 240);
	rig.b.rai = true;
	build(240, 720); /* 240 link bits of ones, from bit 120 on, which follow 0 of a flag */
	rig.b.rai = false;
	build(720, 960);
	send(0, 960);
	pdh_expect(&rig.log, EVL_ALARM_RAI, 0, true, link_end(120 + 160 - 1));
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_RAI), 2);
	assert_false(pdh_log_of(&rig.log, EVL_ALARM_RAI, 1).raised);
}

/* G.775 5.4: unframed ones, 99.9 %, for T in periods of 4632 bits. */
static void test_ais(void **state)
{
	(void)state;
	for (uint32_t t = 3; t <= 75; t += 24) {
		const struct evl_t1_options o = {.framing = EVL_T1_ESF, .ais_ms = t};
		begin(&o, EVL_T1_ESF, 24 * 200);
		build(0, 24 * 200);
		memset(rig.frames + 579 * 40, 0xff, 579 * 60);
		/* Four zeros in one period are 99.9 %. */
		rig.frames[579 * 41 + 5] = 0xf0;
		send(0, 24 * 200);
		pdh_expect(&rig.log, EVL_ALARM_AIS, 0, true, F(24 * (40 + t / 3)));
		pdh_expect(&rig.log, EVL_ALARM_AIS, 1, false, F(24 * (100 + t / 3)));
		assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_AIS), 2);
	}
	/* Framed ones are no AIS; nor are five zeros in each period. */
	const struct evl_t1_options o = {.framing = EVL_T1_ESF, .ais_ms = 3};
	begin(&o, EVL_T1_ESF, 24 * 100);
	memset(rig.frames, 0xff, 579 * 100);
	build(0, 24 * 50);
	for (size_t p = 50; p < 100; p++) {
		rig.frames[579 * p + p] = 0x07;
	}
	send(0, 24 * 100);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_AIS), 0);
	/* Unframed: by density alone. */
	const struct evl_t1_options raw = {.ais_ms = 3};
	begin(&raw, EVL_T1_UNFRAMED, 24 * 4);
	memset(rig.frames + 579, 0xff, 579 * 2);
	send(0, 24 * 4);
	pdh_expect(&rig.log, EVL_ALARM_AIS, 0, true, 8 * 579 * 2);
	pdh_expect(&rig.log, EVL_ALARM_AIS, 1, false, 8 * 579 * 4);
	assert_int_equal(rig.given, 96);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_OOF), 0);
}

/* T1.231: N zeros; cleared by N bits from a one on with 12.5 % ones and no 100 zeros in a row. */
static void test_los(void **state)
{
	(void)state;
	static const uint32_t ns[] = {100, 175, 250};
	for (size_t i = 0; i < 3; i++) {
		uint32_t n = ns[i];
		for (uint32_t skew = 0; skew < 8; skew++) {
			const struct evl_t1_options o = {.los_bits = n == 175 ? 0 : n};
			uint8_t data[600];
			begin(&o, EVL_T1_UNFRAMED, 8);
			memset(data, 0xff, sizeof(data));
			for (uint32_t k = 0; k < n - 1; k++) {
				pdh_set(data, 50 + skew + k, false); /* one too few */
			}
			for (uint32_t k = 500 + skew; k < 2000 + skew; k++) {
				pdh_set(data, k, false);
			}
			/* Too thin: a one in each tenth bit; then a one in each eighth. */
			for (uint32_t k = 2000 + skew; k < 4800; k++) {
				bool dense = k >= 3500 + skew;
				uint32_t from = dense ? 3500 + skew : 2000 + skew;
				pdh_set(data, k, (k - from) % (dense ? 8 : 10) == 0);
			}
			evl_t1_receive(&rig.r, data, sizeof(data), NULL);
			assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_LOS), 2);
			pdh_expect(&rig.log, EVL_ALARM_LOS, 0, true, 500 + skew + n);
			struct pdh_event e = pdh_log_of(&rig.log, EVL_ALARM_LOS, 1);
			assert_false(e.raised);
			/* By hand: stretches follow one another from the first one on. */
			uint64_t at = 2000 + skew;
			for (;;) {
				uint64_t ones = 0;
				for (uint64_t k = at; k < at + n; k++) {
					ones += evl_bits_get(data, k);
				}
				if (8 * ones >= n) {
					break;
				}
				at += n;
				while (!evl_bits_get(data, at)) {
					at++;
				}
			}
			assert_int_equal(e.at, at + n);
		}
	}
}

/* LOS and what comes with it: no RAI from the zeros of bit 2. */
static void test_no_rai_while_los(void **state)
{
	(void)state;
	const struct evl_t1_options o = {.framing = EVL_T1_SF};
	begin(&o, EVL_T1_SF, 8000);
	build(0, 800);
	memset(rig.frames + 193 * 100, 0, 193 * 900);
	send(0, 8000);
	assert_true(pdh_log_of(&rig.log, EVL_ALARM_LOS, 0).raised);
	assert_int_equal(pdh_log_count(&rig.log, EVL_ALARM_RAI), 0);
	struct evl_t1_builder back;
	evl_t1_builder_init(&back, EVL_T1_SF);
	evl_t1_builder_answer(&back, &rig.r);
	assert_true(back.rai);
}

static uint64_t abcd_at[25];

static void on_abcd(void *ctx, uint32_t channel, uint32_t slot, uint8_t abcd, uint64_t at)
{
	(void)ctx;
	assert_int_equal(channel, 7);
	assert_in_range(slot, 1, 24);
	assert_int_equal(abcd, rig.r.abcd[slot - 1]);
	abcd_at[slot] = at;
}

static void test_robbed_bits(void **state)
{
	(void)state;
	for (int esf = 0; esf < 2; esf++) {
		const struct evl_t1_options o = {.framing = esf ? EVL_T1_ESF : EVL_T1_SF};
		uint32_t m = esf ? 24 : 12;
		begin(&o, o.framing, 24 * 20);
		rig.r.abcd_fn = on_abcd;
		rig.b.robbed = 0xffffff;
		for (unsigned s = 0; s < 24; s++) {
			rig.b.abcd[s] = (uint8_t)(s % 16);
		}
		build(0, 24 * 10);
		rig.b.abcd[7] = 0xc;
		build(24 * 10, 24 * 20);
		send(2, 24 * 20);
		for (unsigned s = 0; s < 24; s++) {
			unsigned v = s == 7 ? 0xc : s % 16;
			assert_int_equal(rig.r.abcd[s], esf ? v : v & 0xc);
		}
		/* Told with the last bit: bit 8 of timeslot 8 in frame 24 (12). */
		assert_int_equal(abcd_at[8], 2 + F(24 * 10 + m - 1) + 1 + 8 * 8);
	}
}

/* Whatever comes, and however it is cut, events and frames are the same. */
static void test_cuts(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 78, 0);
	static struct pdh_log whole;
	static uint8_t out[EVL_T1_OUT_BYTES(193 * 1000)];
	const uint32_t n = 4000;
	const size_t bytes = 193 * n / 8;
	for (int round = 0; round < 60; round++) {
		struct evl_t1_options o = {.framing = 1 + (uint32_t)evl_rng_below(&rng, 2),
			.japan = evl_rng_below(&rng, 3) == 0,
			.ais_ms = 3,
			.lof_raise_ms = 40,
			.lof_clear_ms = EVL_T1_NOW};
		begin(&o, o.framing, n);
		rig.b.japan = o.japan;
		if (evl_rng_below(&rng, 2) != 0) {
			pdh_random(&rng, rig.frames, bytes);
		}
		for (uint32_t f = 0; f + 800 <= n; f += 800) {
			evl_t1_builder_set_phase(&rig.b, 1 + (unsigned)evl_rng_below(&rng, 12));
			rig.b.rai = evl_rng_below(&rng, 2) != 0;
			build(f, f + 8 * (uint32_t)evl_rng_below(&rng, 101));
		}
		for (int k = 0; k < 40; k++) {
			size_t at = evl_rng_below(&rng, bytes - 2500);
			if (k % 10 == 0) {
				evl_bits_shift(rig.line, rig.frames + at, 2400,
					1 + (unsigned)evl_rng_below(&rng, 7));
				memcpy(rig.frames + at, rig.line, 2400);
			} else {
				memset(rig.frames + at, k % 2 ? 0xff : 0,
					evl_rng_below(&rng, k % 9 == 1 ? 2400 : 20));
			}
		}
		send(0, n);
		whole = rig.log;
		pdh_expect_order(&whole, 0);
		uint32_t given = rig.given;
		struct evl_t1_counts counts = rig.r.counts;
		memcpy(out, rig.out, 24 * given);
		rig.log.n = 0;
		assert_int_equal(
			evl_t1_receiver_init(&rig.r, &o, 7, pdh_log_add, &rig.log, NULL), EVL_OK);
		uint32_t again = 0;
		size_t most = evl_rng_below(&rng, 2) != 0 ? 9 : 3000;
		for (size_t at = 0; at < bytes;) {
			size_t piece = 1 + evl_rng_below(&rng, most);
			piece = piece < bytes - at ? piece : bytes - at;
			const size_t before = rig.log.n;
			uint32_t got = evl_t1_receive(
				&rig.r, rig.frames + at, piece, rig.out + 24 * again);
			pdh_expect_order(&rig.log, before);
			assert_true(got * 24 <= EVL_T1_OUT_BYTES(piece));
			again += got;
			at += piece;
		}
		assert_int_equal(again, given);
		assert_memory_equal(out, rig.out, 24 * given);
		assert_memory_equal(&counts, &rig.r.counts, sizeof(counts));
		assert_int_equal(whole.n, rig.log.n);
		for (int a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
			for (size_t i = 0; i < pdh_log_count(&whole, (enum evl_alarm)a); i++) {
				struct pdh_event e = pdh_log_of(&whole, (enum evl_alarm)a, i);
				pdh_expect(&rig.log, (enum evl_alarm)a, i, e.raised, e.at);
				assert_int_equal(e.raised, i % 2 == 0);
			}
		}
	}
}

static void test_options(void **state)
{
	(void)state;
	static const struct {
		struct evl_t1_options o;
		const char *word;
	} bad[] = {
		{{.framing = (enum evl_t1_framing)3}, "framing"},
		{{.oof_window = 7}, "oof_window"},
		{{.lof_raise_ms = 10001}, "lof_raise_ms"},
		{{.lof_clear_ms = 20001}, "lof_clear_ms"},
		{{.ais_ms = 4}, "ais_ms"},
		{{.ais_ms = 78}, "ais_ms"},
		{{.rai_frames = 2679}, "rai_frames"},
		{{.los_bits = 99}, "los_bits"},
		{{.los_bits = 251}, "los_bits"},
	};
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		struct evl_err err = {0};
		assert_int_equal(evl_t1_receiver_init(&rig.r, &bad[i].o, 0, NULL, NULL, &err),
			EVL_E_INVALID);
		assert_non_null(strstr(err.text, bad[i].word));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_alignment_at_any_offset),
		cmocka_unit_test(test_search_by_hand),
		cmocka_unit_test(test_oof_window),
		cmocka_unit_test(test_lof),
		cmocka_unit_test(test_crc6),
		cmocka_unit_test(test_crc6_of_japan),
		cmocka_unit_test(test_esf_rai_and_messages),
		cmocka_unit_test(test_message_after_message),
		cmocka_unit_test(test_sf_rai),
		cmocka_unit_test(test_rai_of_japan),
		cmocka_unit_test(test_ais),
		cmocka_unit_test(test_los),
		cmocka_unit_test(test_no_rai_while_los),
		cmocka_unit_test(test_robbed_bits),
		cmocka_unit_test(test_cuts),
		cmocka_unit_test(test_options),
	};
	return cmocka_run_group_tests_name("t1_receive", tests, NULL, NULL);
}
