/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The emulated network against its definition, bit by bit: what comes out is the stream as it was
 * `delay` before (here: an index into an array), zeros for LOS and ones for AIS (ITU-T G.775), and
 * errors whose number lies within binomial limits (from SciPy, beside each). Then in a take, over a
 * loopback of known delay; frames as ITU-T G.704 2.3.2 (A bit), 2.1.3 (T1).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/frame/sdh.h"
#include "core/recording/reader.h"
#include "core/recording/stream_digest.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"
#include "rig.h"

#define MS 1000000u

static const uint64_t never = UINT64_MAX;

static struct evl_network *network(
	const struct evl_network_plan *plan, uint32_t channel, enum evl_rate rate, size_t bytes)
{
	struct evl_network *n = NULL;
	struct evl_err err = {0};
	if (evl_network_create(&n, plan, channel, rate, false, (uint64_t)bytes * 8, bytes, &err) <
		0) {
		fail_msg("%s", err.text);
	}
	return n;
}

static uint8_t *source(size_t bytes)
{
	uint8_t *data = malloc(bytes);
	struct evl_rng rng;
	evl_rng_init(&rng, 99, 0);
	for (size_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)evl_rng_next(&rng);
	}
	return data;
}

/* Sends all of `src` through a fresh network, in pieces of `cut` bytes; 0: uneven ones. */
static uint8_t *through(const struct evl_network_plan *plan, uint32_t channel, enum evl_rate rate,
	const uint8_t *src, size_t bytes, size_t cut)
{
	struct evl_network *n = network(plan, channel, rate, bytes);
	uint8_t *out = malloc(bytes);
	memcpy(out, src, bytes);
	evl_network_start(n);
	size_t uneven = 1;
	for (size_t at = 0; at < bytes;) {
		size_t some = cut > 0 ? cut : (uneven = uneven * 7 % 1009);
		some = some < bytes - at ? some : bytes - at;
		/* A piece of memory of its own: a byte too far would be found. */
		uint8_t *piece = malloc(some);
		memcpy(piece, out + at, some);
		evl_network_pass(n, piece, some);
		memcpy(out + at, piece, some);
		free(piece);
		at += some;
	}
	evl_network_destroy(n);
	return out;
}

/* What an index into the source says; idle is 10101010 before the start (EVL_TAKE_IDLE). */
static bool sent_bit(const uint8_t *src, int64_t bit)
{
	return bit >= 0 ? evl_bits_get(src, (uint64_t)bit) : (bit & 1) == 0;
}

static void same_bit(const uint8_t *out, const uint8_t *src, int64_t i, int64_t delay)
{
	if (evl_bits_get(out, (uint64_t)i) != sent_bit(src, i - delay)) {
		fail_msg(
			"bit %lld is not that of %lld bits before", (long long)i, (long long)delay);
	}
}

static const struct {
	enum evl_rate rate;
	uint32_t frame_bits; /* G.704 2.3, 2.1; G.707 6.2, for STM-1 */
	int64_t step;        /* of bits that are looked at, prime to those of a frame */
} rates[] = {{EVL_RATE_E1, 256, 1}, {EVL_RATE_T1, 193, 1}, {EVL_RATE_STM1, 19440, 7}};

static void a_delay_is_exact(void **state)
{
	(void)state;
	for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++) {
		static const uint32_t delays[] = {0, 1, 7, 8, 240};
		for (size_t d = 0; d < sizeof delays / sizeof delays[0]; d++) {
			const struct evl_network_plan plan = {.delay_frames = delays[d]};
			const size_t bytes = rates[r].frame_bits * 248u / 8;
			uint8_t *src = source(bytes);
			uint8_t *out = through(&plan, 0, rates[r].rate, src, bytes, 0);
			const int64_t delay = (int64_t)delays[d] * rates[r].frame_bits;
			for (int64_t i = 0; i < (int64_t)bytes * 8; i += rates[r].step) {
				same_bit(out, src, i, delay);
			}
			free(src);
			free(out);
		}
	}
}

/* A step up repeats, a step down loses, a slip of n repeats n bits; each at its very bit. */
static void steps_and_slips_happen_at_their_bit(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {
		{.kind = EVL_NETWORK_DELAY, .at_ns = 10 * MS, .delay_frames = 24},
		{.kind = EVL_NETWORK_SLIP, .at_ns = 12 * MS + 125000, .slip_bits = 3},
		{.kind = EVL_NETWORK_SLIP, .at_ns = 20 * MS, .slip_bits = -256},
		{.kind = EVL_NETWORK_DELAY, .at_ns = 30 * MS, .delay_frames = 2},
		{.kind = EVL_NETWORK_SLIP,
			.at_ns = 40 * MS,
			.slip_bits = 5,
			.every_ns = 2 * MS,
			.times = 3},
		{.kind = EVL_NETWORK_SLIP, .at_ns = 40 * MS, .slip_bits = -4}};
	const struct evl_network_plan plan = {
		.delay_frames = 8, .events = events, .event_count = 6};
	for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++) {
		const int64_t fb = rates[r].frame_bits;
		const size_t bytes = (size_t)fb * 480u / 8;
		uint8_t *src = source(bytes);
		uint8_t *out = through(&plan, 0, rates[r].rate, src, bytes, 0);
		for (int64_t i = 0; i < (int64_t)bytes * 8; i += rates[r].step) {
			const int64_t frame = i / fb;
			int64_t delay = (frame < 80 ? 8 : frame < 240 ? 24 : 2) * fb;
			delay += frame >= 97 ? 3 : 0;
			delay -= frame >= 160 ? 256 : 0;
			delay += frame >= 320 ? 1 : 0;
			delay += frame >= 336 ? 5 : 0;
			delay += frame >= 352 ? 5 : 0;
			same_bit(out, src, i, delay);
		}
		free(src);
		free(out);
	}
}

/* Everything at once: the same bits however the stream is cut; others for another channel and
 * another seed. */
static void cuts_do_not_matter_but_seed_and_channel_do(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {
		{.kind = EVL_NETWORK_DELAY, .at_ns = 9 * MS, .delay_frames = 31},
		{.kind = EVL_NETWORK_SLIP,
			.at_ns = MS,
			.slip_bits = 7,
			.every_ns = 5 * MS,
			.jitter_frames = 8},
		{.kind = EVL_NETWORK_ERRORS,
			.at_ns = 3 * MS,
			.lasting_ns = 4 * MS,
			.every_ns = 9 * MS,
			.numerator = 1,
			.denominator = 50},
		{.kind = EVL_NETWORK_BURST,
			.at_ns = 2 * MS,
			.lasting_ns = 300000,
			.every_ns = 3 * MS,
			.jitter_frames = 16,
			.numerator = 1,
			.denominator = 2},
		{.kind = EVL_NETWORK_INVERT, .at_ns = 5 * MS, .lasting_ns = 77777},
		{.kind = EVL_NETWORK_BIT, .at_ns = 6 * MS, .every_ns = MS},
		{.kind = EVL_NETWORK_ALARM,
			.at_ns = 11 * MS,
			.lasting_ns = 333333,
			.every_ns = 11 * MS,
			.alarm = EVL_ALARM_LOS}};
	struct evl_network_plan plan = {.seed = 5,
		.delay_frames = 17,
		.numerator = 1,
		.denominator = 1000,
		.events = events,
		.event_count = sizeof events / sizeof events[0]};
	for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++) {
		const size_t bytes = rates[r].frame_bits * 400u / 8;
		uint8_t *src = source(bytes);
		uint8_t *whole = through(&plan, 3, rates[r].rate, src, bytes, bytes);
		static const size_t cuts[] = {0, 193, 2048, 2430};
		for (size_t c = 0; c < sizeof cuts / sizeof cuts[0]; c++) {
			uint8_t *again = through(&plan, 3, rates[r].rate, src, bytes, cuts[c]);
			assert_memory_equal(again, whole, bytes);
			free(again);
		}
		uint8_t *other = through(&plan, 4, rates[r].rate, src, bytes, bytes);
		assert_memory_not_equal(other, whole, bytes);
		free(other);
		plan.seed = 6;
		other = through(&plan, 3, rates[r].rate, src, bytes, bytes);
		plan.seed = 5;
		assert_memory_not_equal(other, whole, bytes);
		free(other);
		free(whole);
		free(src);
	}
}

/* 4 096 000 bits in 2 s of an E1. scipy.stats.binom.ppf([1e-6, 1 - 1e-6], bits, ratio) of SciPy
 * 1.10: all the time, 1e-3: 3796 .. 4404; for 500 ms, 1e-2: 9765 .. 10722; twice 1e-3, each
 * alone: 2 p (1 - p), 7758 .. 8617. */
static void errors_are_binomial(void **state)
{
	(void)state;
	const struct evl_network_event event = {.kind = EVL_NETWORK_ERRORS,
		.at_ns = 1000 * (uint64_t)MS,
		.lasting_ns = 500 * (uint64_t)MS,
		.numerator = 1,
		.denominator = 100};
	const struct evl_network_event again = {.kind = EVL_NETWORK_ERRORS,
		.lasting_ns = 2000 * (uint64_t)MS,
		.numerator = 1,
		.denominator = 1000};
	const size_t bytes = 512000, begin = 256000, end = 384000;
	uint8_t *src = source(bytes);
	for (uint32_t channel = 0; channel < 8; channel++) {
		struct evl_network_plan plan = {.seed = 1, .numerator = 1, .denominator = 1000};
		uint8_t *out = through(&plan, channel, EVL_RATE_E1, src, bytes, 2048);
		assert_in_range(evl_bits_count_diff(out, src, bytes), 3796, 4404);
		free(out);
		plan.events = &again;
		plan.event_count = 1;
		out = through(&plan, channel, EVL_RATE_E1, src, bytes, 2048);
		assert_in_range(evl_bits_count_diff(out, src, bytes), 7758, 8617);
		free(out);
		plan = (struct evl_network_plan){.seed = 1, .events = &event, .event_count = 1};
		out = through(&plan, channel, EVL_RATE_E1, src, bytes, 2048);
		assert_memory_equal(out, src, begin);
		assert_memory_equal(out + end, src + end, bytes - end);
		assert_in_range(
			evl_bits_count_diff(out + begin, src + begin, end - begin), 9765, 10722);
		free(out);
	}
	free(src);
}

static void bursts_bits_and_inversion_are_exact(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {{.kind = EVL_NETWORK_BURST,
							   .at_ns = MS,
							   .lasting_ns = 125000,
							   .numerator = 1,
							   .denominator = 4},
		{.kind = EVL_NETWORK_BIT, .at_ns = 3 * MS, .every_ns = MS, .times = 2},
		{.kind = EVL_NETWORK_INVERT, .at_ns = 6 * MS, .lasting_ns = 10000}};
	const struct evl_network_plan plan = {.seed = 1, .events = events, .event_count = 3};
	const size_t bytes = 32 * 80;
	uint8_t *src = source(bytes);
	uint8_t *out = through(&plan, 0, EVL_RATE_E1, src, bytes, 0);
	uint64_t burst = 0;
	for (uint64_t i = 0; i < bytes * 8; i++) {
		const bool wrong = evl_bits_get(out, i) != evl_bits_get(src, i);
		if (i >= 2048 && i < 2304) { /* 1 ms of an E1, and a frame of 256 bits */
			burst += wrong;
			assert_true(wrong || (i != 2048 && i != 2303));
		} else {
			/* 10 us are 20.48 bits: 20. */
			assert_int_equal(
				wrong, i == 6144 || i == 8192 || (i >= 12288 && i < 12308));
		}
	}
	/* scipy.stats.binom.ppf([1e-6, 1 - 1e-6], 254, 0.25): 33 .. 98; and the two ends. */
	assert_in_range(burst, 35, 100);
	free(src);
	free(out);
}

static void alarms_cover_their_bits_and_loss_covers_all(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {{.kind = EVL_NETWORK_ALARM,
							   .at_ns = MS,
							   .lasting_ns = 2 * MS,
							   .alarm = EVL_ALARM_LOS},
		{.kind = EVL_NETWORK_ALARM,
			.at_ns = 2 * MS,
			.lasting_ns = 3 * MS,
			.alarm = EVL_ALARM_AIS}};
	const struct evl_network_plan plan = {
		.numerator = 1, .denominator = 2, .events = events, .event_count = 2};
	static const struct {
		enum evl_rate rate;
		uint64_t ms_bits;
	} pdh[] = {{EVL_RATE_E1, 2048}, {EVL_RATE_T1, 1544}};
	for (size_t r = 0; r < 2; r++) {
		const uint64_t ms = pdh[r].ms_bits;
		const size_t bytes = (size_t)ms;
		uint8_t *src = source(bytes);
		uint8_t *out = through(&plan, 0, pdh[r].rate, src, bytes, 0);
		for (uint64_t i = ms; i < 5 * ms; i++) {
			assert_int_equal(evl_bits_get(out, i), i >= 3 * ms);
		}
		assert_true(evl_bits_count_diff(out, src, (size_t)(ms / 8)) > 0);
		free(src);
		free(out);
	}
}

/* Repeated bits: each within its jitter, not all at one place, never out of its second half. */
static void jitter_stays_within_its_bounds(void **state)
{
	(void)state;
	const struct evl_network_event event = {
		.kind = EVL_NETWORK_BIT, .at_ns = 5 * MS, .every_ns = 10 * MS, .jitter_frames = 40};
	const struct evl_network_plan plan = {.seed = 3, .events = &event, .event_count = 1};
	const size_t bytes = 256000;
	uint8_t *src = source(bytes);
	uint8_t *out = through(&plan, 0, EVL_RATE_E1, src, bytes, 2048);
	uint64_t at[128];
	assert_int_equal(evl_bits_list_diff(at, 128, 0, src, out, bytes), 100);
	uint32_t seen = 0;
	for (uint64_t i = 0; i < 100; i++) {
		assert_int_equal(at[i] % 256, 0);
		const uint64_t frame = at[i] / 256 - 80 * i;
		assert_in_range(frame, 40, 80);
		seen |= 1u << (frame - 40) / 8;
	}
	/* 100 draws of 41: that one of the five eighths is missed has a chance below 1e-8. */
	assert_int_equal(seen & 0x1f, 0x1f);
	free(out);
	/* Five places, and in 1000 draws each of them, the first and the last. */
	const struct evl_network_event often = {
		.kind = EVL_NETWORK_BIT, .every_ns = MS, .jitter_frames = 4};
	const struct evl_network_plan short_one = {.seed = 3, .events = &often, .event_count = 1};
	uint32_t places[8] = {0};
	out = through(&short_one, 0, EVL_RATE_E1, src, bytes, 2048);
	for (uint64_t frame = 0; frame < 8000; frame++) {
		places[frame % 8] += out[frame * 32] != src[frame * 32];
	}
	for (int i = 0; i < 8; i++) {
		/* scipy.stats.binom.ppf([1e-6, 1 - 1e-6], 1000, 0.2): 142 .. 262 */
		assert_in_range(places[i], i < 5 ? 142 : 0, i < 5 ? 262 : 0);
	}
	free(src);
	free(out);
}

/* RAI and LOF are asked for 8 frames at a time, whole milliseconds each. */
static void alarms_of_frames_come_in_whole_milliseconds(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {{.kind = EVL_NETWORK_ALARM,
							   .at_ns = 10 * MS,
							   .lasting_ns = 3 * MS,
							   .every_ns = 10 * MS,
							   .jitter_frames = 16,
							   .alarm = EVL_ALARM_RAI},
		{.kind = EVL_NETWORK_ALARM,
			.at_ns = 13 * MS,
			.lasting_ns = MS,
			.alarm = EVL_ALARM_LOF}};
	const struct evl_network_plan plan = {.seed = 1, .events = events, .event_count = 2};
	struct evl_network *n = NULL;
	struct evl_err err = {0};
	assert_int_equal(
		evl_network_create(&n, &plan, 0, EVL_RATE_T1, true, 1544000, 4096, &err), EVL_OK);
	uint32_t later[3] = {0}, on = 0, first = 0;
	for (uint32_t ms = 0; ms < 1000; ms++) {
		const uint32_t what = evl_network_far(n, (uint64_t)ms * 8);
		assert_int_equal((what & EVL_NETWORK_LOF) != 0, ms == 13);
		if (ms % 10 == 0) {
			on = 0;
		}
		if ((what & EVL_NETWORK_RAI) != 0 && on++ == 0) {
			first = ms % 10;
			assert_in_range(first, 0, 2);
			later[first]++;
		}
		if ((what & EVL_NETWORK_RAI) != 0) {
			assert_int_equal(ms % 10, first + on - 1);
		}
		assert_true(ms % 10 != 9 || on == (ms > 10 ? 3 : 0));
	}
	/* 99 draws of three: each. */
	assert_true(later[0] > 0 && later[1] > 0 && later[2] > 0);
	evl_network_destroy(n);
}

struct told {
	uint32_t n;
	uint64_t bit[8];
	enum evl_alarm alarm[8];
	bool raised[8];
};

static void on_line(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	struct told *t = ctx;
	if (at.level == EVL_SDH_SECTION && t->n < 8) {
		t->alarm[t->n] = alarm;
		t->raised[t->n] = raised;
		t->bit[t->n++] = bit;
	}
}

/* A line of frames, MS-AIS for 5 ms of it: told after 3 to 5 frames of K2 bits 6 to 8 = 111 (ITU-T
 * G.783, from memory), with frame alignment kept, as its frames begin where those of the line do.
 */
static void ms_ais_is_made_of_frames(void **state)
{
	(void)state;
	static const enum evl_rate lines[] = {EVL_RATE_STM1, EVL_RATE_STM4};
	for (int r = 0; r < 2; r++) {
		const uint32_t stm = r == 0 ? 1 : 4;
		struct evl_sdh_map map = {.stm = (uint8_t)stm};
		const struct evl_network_event event = {.kind = EVL_NETWORK_ALARM,
			.at_ns = 4 * MS,
			.lasting_ns = 5 * MS,
			.alarm = EVL_ALARM_MS_AIS};
		const struct evl_network_plan plan = {.events = &event, .event_count = 1};
		const size_t frame = EVL_SDH_LINE_BYTES(stm), bytes = frame * 160;
		struct evl_sdh_tx *tx = NULL;
		struct evl_sdh_rx *rx = NULL;
		struct evl_err err;
		struct told told = {0};
		uint8_t *src = malloc(bytes);
		assert_int_equal(evl_sdh_tx_create(&tx, &map, &err), EVL_OK);
		assert_int_equal(evl_sdh_encode(tx, NULL, NULL, 160, src, &err), EVL_OK);
		uint8_t *out = through(&plan, 0, lines[r], src, bytes, 0);
		assert_memory_equal(out, src, 32 * frame);
		assert_memory_equal(out + 72 * frame, src + 72 * frame, bytes - 72 * frame);
		const struct evl_rx_options options = {.depth = EVL_RX_SECTION};
		const struct evl_sdh_events events = {on_line, &told};
		assert_int_equal(evl_sdh_rx_create(&rx, &map, &options, &err), EVL_OK);
		evl_sdh_decode(rx, out, 160, NULL, NULL, &events);
		assert_int_equal(told.n, 2);
		const uint64_t frame_bits = (uint64_t)frame * 8;
		for (uint32_t i = 0; i < 2; i++) {
			const uint64_t first = i == 0 ? 32 : 72;
			assert_int_equal(told.alarm[i], EVL_ALARM_MS_AIS);
			assert_int_equal(told.raised[i], i == 0);
			assert_in_range(
				told.bit[i], (first + 2) * frame_bits, (first + 5) * frame_bits);
		}
		/* Parity is kept from frame to frame; only the first and the next after know
		 * nothing of the frame before (B1, G.707 9.2.2.4). */
		struct evl_sdh_rx_counts counts;
		const struct evl_sdh_at section = {.level = EVL_SDH_SECTION};
		assert_int_equal(evl_sdh_rx_counts(rx, section, &counts), EVL_OK);
		assert_in_range(counts.b1_blocks, 0, 2);
		assert_in_range(counts.b2_errors, 0, 2 * 24 * stm);
		evl_sdh_rx_destroy(rx);
		evl_sdh_tx_destroy(tx);
		free(out);
		free(src);
	}
}

static void what_cannot_be_is_refused(void **state)
{
	(void)state;
	static const struct {
		struct evl_network_event event;
		uint32_t delay_frames;
		enum evl_rate rate;
		const char *says;
	} bad[] = {{{.kind = EVL_NETWORK_SLIP, .at_ns = MS, .slip_bits = -8}, 0, EVL_RATE_E1,
			   "leave out 8 bits more"},
		{{.kind = EVL_NETWORK_SLIP, .at_ns = MS, .slip_bits = -256, .every_ns = 2 * MS}, 2,
			EVL_RATE_E1, "up to 0.005 s leave out 256 bits more"},
		{{.kind = EVL_NETWORK_SLIP, .at_ns = MS, .slip_bits = 1}, 4000, EVL_RATE_T1,
			"1 bits above 500 ms"},
		{{.kind = EVL_NETWORK_SLIP, .at_ns = MS, .slip_bits = 0}, 4, EVL_RATE_E1, "a slip"},
		{{.kind = EVL_NETWORK_SLIP, .slip_bits = INT64_MIN}, 4, EVL_RATE_E1, "a slip"},
		{{0}, 4001, EVL_RATE_E1, "0 to 500 ms"},
		{{.kind = EVL_NETWORK_DELAY, .delay_frames = 4001}, 0, EVL_RATE_E1, "event 1"},
		{{.kind = EVL_NETWORK_ALARM, .lasting_ns = MS, .alarm = EVL_ALARM_AIS}, 0,
			EVL_RATE_STM1, "use LOS or MS-AIS"},
		{{.kind = EVL_NETWORK_ALARM, .lasting_ns = MS, .alarm = EVL_ALARM_MS_AIS}, 0,
			EVL_RATE_E1, "use LOS, AIS"},
		{{.kind = EVL_NETWORK_ALARM, .lasting_ns = MS, .alarm = EVL_ALARM_LOS}, 0,
			EVL_RATE_VC4, "no alarm"},
		{{.kind = EVL_NETWORK_ALARM, .lasting_ns = MS, .alarm = EVL_ALARM_RAI}, 0,
			EVL_RATE_E1, "play framed"},
		{{.kind = EVL_NETWORK_INVERT, .lasting_ns = 400}, 0, EVL_RATE_E1, "shorter than"},
		{{.kind = EVL_NETWORK_INVERT, .lasting_ns = 2 * MS, .every_ns = MS}, 0, EVL_RATE_E1,
			"not be longer than every"},
		{{.kind = EVL_NETWORK_BIT, .every_ns = MS, .jitter_frames = 8}, 0, EVL_RATE_E1,
			"jitter"},
		{{.kind = EVL_NETWORK_BIT, .every_ns = MS - 1}, 0, EVL_RATE_E1, "1 ms"}};
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
		const struct evl_network_plan plan = {.delay_frames = bad[i].delay_frames,
			.events = &bad[i].event,
			.event_count = bad[i].event.kind != 0};
		struct evl_network *n = NULL;
		struct evl_err err = {0};
		assert_int_equal(evl_network_create(&n, &plan, 0, bad[i].rate, false,
					 (uint64_t)1 << 32, 4096, &err),
			EVL_E_INVALID);
		assert_null(n);
		if (strstr(err.text, bad[i].says) == NULL) {
			fail_msg("%zu: %s", i, err.text);
		}
	}
	/* A slip that needs bits is fine when another one has put them in before. */
	const struct evl_network_event both[] = {
		{.kind = EVL_NETWORK_SLIP, .at_ns = MS, .slip_bits = 8, .every_ns = 10 * MS},
		{.kind = EVL_NETWORK_SLIP, .at_ns = 2 * MS, .slip_bits = -8, .every_ns = 10 * MS}};
	const struct evl_network_plan plan = {.events = both, .event_count = 2};
	evl_network_destroy(network(&plan, 0, EVL_RATE_E1, 100000));
}

static void a_text_says_it_all(void **state)
{
	(void)state;
	const struct evl_network_event events[] = {{.kind = EVL_NETWORK_ERRORS,
							   .at_ns = 1500 * (uint64_t)MS,
							   .lasting_ns = 125000,
							   .numerator = 1,
							   .denominator = 1000},
		{.kind = EVL_NETWORK_SLIP,
			.at_ns = 0,
			.slip_bits = -8,
			.every_ns = 1000 * (uint64_t)MS,
			.times = 3,
			.jitter_frames = 4}};
	const struct evl_network_plan plan = {.delay_frames = 241,
		.numerator = 1,
		.denominator = 1000000,
		.events = events,
		.event_count = 2};
	char text[EVL_NETWORK_TEXT];
	evl_network_text(text, sizeof text, &plan);
	assert_string_equal(text, "delay 30.125 ms, errors 1e-06, errors 0.001 at 1.5 s for 125 "
				  "us, slip -8 bits at 0 s every 1 s 3 times and up to 500 us "
				  "later");
	evl_network_text(text, 80, &plan);
	assert_string_equal(text, "delay 30.125 ms, errors 1e-06 and 2 more");
}

/* ---- in a take ---- */

/* 245 frames of 256 bits, modulo the period of 2^15-1. */
static void meters_find_the_delay(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 5", 1);
	rig_patterns(&rig, 8, 8000);
	const struct evl_network_plan plan = {.delay_frames = 240};
	for (int i = 0; i < 8; i++) {
		rig.parts[i].network = &plan;
	}
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_OK);
	for (uint32_t i = 0; i < 8; i++) {
		assert_int_equal(r->meters[i].arrival, EVL_ARRIVAL_OWN);
		assert_int_equal(r->meters[i].delay_bits, 245 * 256 % 32767);
		assert_int_equal(r->meters[i].errors, 0);
		assert_int_equal(r->meters[i].sync_losses, 0);
	}
	assert_string_equal(r->streams[0].source_digest, ""); /* nobody asked for digests */
	evl_take_result_destroy(r);
	rig_down(&rig);
}

/* A recording is played through a network and recorded behind it. */
static void source_and_sent_are_kept_apart(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 800);
	char path[2][64];
	for (int i = 0; i < 2; i++) {
		snprintf(path[i], sizeof path[i], "/tmp/evl-network-%ld-%d.pcapng", (long)getpid(),
			i);
		unlink(path[i]);
	}
	rig.plan.record_path = path[0];
	rig.parts[0].record_sent = rig.parts[1].record_sent = true;
	struct evl_take_result *first = NULL, *again = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &first, &err), EVL_OK);
	struct evl_rec *rec = NULL, *behind = NULL;
	assert_int_equal(evl_rec_open(&rec, path[0], &err), EVL_OK);
	const struct evl_network_event event = {.kind = EVL_NETWORK_ALARM,
		.at_ns = 8 * MS,
		.lasting_ns = MS,
		.alarm = EVL_ALARM_AIS};
	const struct evl_network_plan plan = {
		.delay_frames = 3, .events = &event, .event_count = 1};
	for (uint32_t i = 0; i < 2; i++) {
		rig.parts[i].played = (struct evl_take_content){
			.kind = EVL_CONTENT_RECORDING, .reader = rec, .reader_channel = i};
		rig.parts[i].network = i == 0 ? &plan : NULL;
	}
	rig.plan.record_path = path[1];
	assert_int_equal(rig_take(&rig, never, NULL, &again, &err), EVL_OK);
	const struct evl_take_stream *s = &again->streams[0];
	assert_string_equal(s->source_digest, first->streams[0].digest);
	assert_string_equal(s->source_digest, s->recorded_digest);
	assert_string_not_equal(s->digest, s->source_digest);
	assert_string_equal(again->streams[2].source_digest, "");
	assert_string_equal(again->streams[2].digest, first->streams[2].digest);
	/* The recording holds what was really sent, and its digest is the one in the result. */
	uint8_t in[832 * 32], out[832 * 32], digest[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	assert_int_equal(evl_rec_open(&behind, path[1], &err), EVL_OK);
	assert_int_equal(evl_rec_read(rec, 0, 0, in, sizeof in, &err), EVL_OK);
	assert_int_equal(evl_rec_read(behind, 0, 0, out, sizeof out, &err), EVL_OK);
	for (size_t i = 0; i < sizeof out; i++) {
		assert_int_equal(out[i], i >= 64 * 32 && i < 72 * 32 ? 0xff
					 : i < 3 * 32                ? 0xaa
								     : in[i - (size_t)3 * 32]);
	}
	struct evl_stream_digest *d = evl_stream_digest_create();
	evl_stream_digest_update(d, 0, out, sizeof out);
	evl_stream_digest_end(d, digest);
	evl_stream_digest_destroy(d);
	evl_hex(digest, sizeof digest, hex);
	assert_string_equal(s->digest, hex);
	evl_rec_close(rec);
	evl_rec_close(behind);
	evl_take_result_destroy(first);
	evl_take_result_destroy(again);
	unlink(path[0]);
	unlink(path[1]);
	rig_down(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_delay_is_exact),
		cmocka_unit_test(steps_and_slips_happen_at_their_bit),
		cmocka_unit_test(cuts_do_not_matter_but_seed_and_channel_do),
		cmocka_unit_test(errors_are_binomial),
		cmocka_unit_test(bursts_bits_and_inversion_are_exact),
		cmocka_unit_test(alarms_cover_their_bits_and_loss_covers_all),
		cmocka_unit_test(jitter_stays_within_its_bounds),
		cmocka_unit_test(alarms_of_frames_come_in_whole_milliseconds),
		cmocka_unit_test(ms_ais_is_made_of_frames),
		cmocka_unit_test(what_cannot_be_is_refused),
		cmocka_unit_test(a_text_says_it_all),
		cmocka_unit_test(meters_find_the_delay),
		cmocka_unit_test(source_and_sent_are_kept_apart),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
