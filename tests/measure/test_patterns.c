/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The checker on words, the user's bits and numbered blocks; the odds that docs/patterns.md
 * derives, by simulation; the recogniser; delays. What must come out is known because this test
 * made the streams; probabilities are computed here from the binomial distribution.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <math.h>
#include <cmocka.h>

#include "core/measure/checker.h"
#include "core/measure/delay.h"
#include "core/measure/recognise.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"

#define STREAM 16384 /* bytes */

static void put(
	uint8_t *dst, uint64_t at, const struct evl_pattern *p, uint64_t phase, uint64_t bits)
{
	size_t bytes = (size_t)(bits + 7) / 8;
	uint8_t *data = malloc(bytes + 1);
	assert_non_null(data);
	struct evl_source s;
	evl_source_start(&s, p, phase);
	evl_source_fill(&s, data, bytes);
	evl_bits_copy(dst, at, data, 0, bits);
	free(data);
}

static struct evl_pattern parse(const char *text)
{
	struct evl_err err = {0};
	struct evl_pattern p;
	assert_int_equal(evl_pattern_parse(&p, text, &err), EVL_OK);
	return p;
}

static const char *const words[] = {
	"all ones",
	"all zeros",
	"alternating",
	"1 in 8",
	"2 in 8",
	"3 in 24",
	"word 0100",
	"word 111111111111111111111111111111111111111111111111111111111111110",
	"word 1111111111111111111111111111111111111111111111111111111111111110",
	"word 110100111010110011101011000111010110001110101100011101011000111",
	"1 in 8 inverted",
	"3 in 24 inverted",
};
#define WORDS (sizeof(words) / sizeof(words[0]))

static void words_with_errors(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 40, 0);
	static uint8_t data[STREAM];
	for (size_t w = 0; w < WORDS; w++) {
		struct evl_pattern p = parse(words[w]);
		uint64_t period = evl_pattern_period(&p);
		for (int round = 0; round < 40; round++) {
			uint64_t phase = evl_rng_below(&rng, period);
			put(data, 0, &p, phase, STREAM * 8);
			uint64_t at = 200, made = 0;
			while ((at += 1 + evl_rng_below(&rng, 4000)) < STREAM * 8) {
				evl_bits_flip(data, at);
				made++;
			}
			struct evl_checker c;
			evl_checker_init(&c, &p);
			for (size_t b = 0; b < STREAM;) {
				size_t part = 1 + (size_t)evl_rng_below(&rng, 700);
				part = part < STREAM - b ? part : STREAM - b;
				evl_checker_feed(&c, data + b, part);
				b += part;
			}
			assert_true(c.locked);
			assert_false(c.inverted);
			assert_int_equal(c.offset, phase);
			assert_int_equal(c.first_lock_bit, period + 64);
			assert_int_equal(c.errors, made);
			assert_int_equal(c.sync_losses, 0);
		}
	}
}

/* A slip shows modulo the word's length, however few bits differ. */
static void words_slip(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 41, 0);
	static uint8_t data[STREAM];
	for (size_t w = 0; w < WORDS; w++) {
		struct evl_pattern p = parse(words[w]);
		uint64_t period = evl_pattern_period(&p);
		for (int64_t slip = 1; slip < (int64_t)period; slip++) {
			uint64_t at = 5000 + evl_rng_below(&rng, 5000);
			put(data, 0, &p, 0, at);
			put(data, at, &p, at + 64 * period - (uint64_t)slip, STREAM * 8 - at);
			struct evl_checker whole, cut;
			evl_checker_init(&whole, &p);
			evl_checker_feed(&whole, data, STREAM);
			evl_checker_init(&cut, &p);
			for (size_t b = 0; b < STREAM; b += 7) {
				evl_checker_feed(&cut, data + b, STREAM - b < 7 ? STREAM - b : 7);
			}
			const struct evl_checker *both[] = {&whole, &cut};
			for (int k = 0; k < 2; k++) {
				const struct evl_checker *c = both[k];
				int64_t shortest =
					slip * 2 <= (int64_t)period ? slip : slip - (int64_t)period;
				assert_true(c->locked);
				if (period == 2) { /* the same as inverted: noticed, as a slip */
					assert_int_equal(c->slips, 1);
					continue;
				}
				assert_int_equal(c->sync_losses, 1);
				assert_int_equal(c->slips, 1);
				assert_int_equal(c->last_slip_bits, shortest);
			}
			assert_int_equal(whole.errors, cut.errors);
			assert_int_equal(whole.bits, cut.bits);
			assert_memory_equal(whole.event, cut.event, sizeof(whole.event));
		}
	}
}

static void words_inverted_or_other(void **state)
{
	(void)state;
	static uint8_t data[STREAM];
	for (size_t w = 0; w < WORDS; w++) {
		struct evl_pattern p = parse(words[w]);
		struct evl_pattern turned = p;
		turned.inverted = !p.inverted;
		put(data, 0, &turned, 3, STREAM * 8);
		struct evl_checker c;
		evl_checker_init(&c, &p);
		evl_checker_feed(&c, data, STREAM);
		if (p.word_bits == 1) {
			assert_false(c.ever_locked); /* all ones are not all zeros inverted */
		} else {
			assert_true(c.locked);
			/* "10" inverted is itself, one bit later. */
			assert_int_equal(c.inverted, p.word_bits != 2);
			assert_int_equal(c.errors, 0);
		}
		for (size_t o = 0; o < WORDS; o++) {
			struct evl_pattern other = parse(words[o]);
			if (other.word == p.word && other.word_bits == p.word_bits) {
				continue;
			}
			put(data, 0, &other, 0, STREAM * 8);
			evl_checker_init(&c, &p);
			evl_checker_feed(&c, data, STREAM);
			assert_false(c.ever_locked);
		}
	}
}

static void user_bits(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 42, 0);
	static const uint64_t lengths[] = {65, 1000, 4096, 32769, 300001, 2000000};
	size_t stream = 1 << 18;
	uint8_t *data = malloc(stream), *bytes = malloc(250000);
	assert_true(data != NULL && bytes != NULL);
	for (size_t l = 0; l < sizeof(lengths) / sizeof(lengths[0]); l++) {
		uint64_t period = lengths[l];
		for (size_t i = 0; i < 250000; i++) {
			/* Mostly idle, with something now and then: few errors at a wrong place. */
			bool odd = period > 4096 && evl_rng_below(&rng, 40) != 0;
			bytes[i] = odd ? 0x55 : (uint8_t)evl_rng_next(&rng);
		}
		struct evl_err err = {0};
		struct evl_user_pattern *u = NULL;
		assert_int_equal(evl_user_pattern_create(&u, "u", bytes, period, &err), EVL_OK);
		struct evl_pattern p = evl_pattern_user(u);
		for (int round = 0; round < 6; round++) {
			uint64_t phase = evl_rng_below(&rng, period);
			int64_t slip = round % 3 == 0 ? 0 : round % 3 == 1 ? 8 : -3;
			uint64_t at = stream * 4;
			put(data, 0, &p, phase, at);
			put(data, at, &p, phase + at + 2 * period - (uint64_t)slip,
				stream * 8 - at);
			if (round >= 3) {
				for (size_t i = 0; i < stream; i++) {
					data[i] = (uint8_t)~data[i];
				}
			}
			uint64_t bad = stream * 8 - 1000;
			evl_bits_flip(data, bad);
			struct evl_checker c;
			evl_checker_init(&c, &p);
			evl_checker_feed(&c, data, stream);
			assert_true(c.locked);
			assert_int_equal(c.inverted, round >= 3);
			assert_int_equal(c.slips, slip != 0);
			assert_int_equal(c.sync_losses, slip != 0);
			assert_int_equal(c.last_slip_bits, slip);
			assert_int_equal((c.offset + (uint64_t)slip + period) % period, phase);
			assert_true(c.errors >= 1);
			if (slip == 0) {
				assert_int_equal(c.errors, 1);
				assert_int_equal(c.error_bit[0], bad);
			}
		}
		evl_user_pattern_destroy(u);
	}
	free(bytes);
	free(data);
}

/* Blocks left out, doubled, exchanged, damaged, and of another channel, at every bit alignment. */
static void blocks_in_and_out_of_order(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 43, 0);
	enum { BLOCKS = 120 };
	for (int round = 0; round < 240; round++) {
		unsigned bytes = round % 3 == 0 ? 64 : 32 + (unsigned)evl_rng_below(&rng, 200);
		unsigned before = (unsigned)evl_rng_below(&rng, 300); /* bits of noise in front */
		struct evl_pattern p = evl_pattern_counter(bytes, 7);
		p.inverted = round % 5 == 0;
		bool turned = round % 7 == 0;
		uint64_t start = evl_rng_below(&rng, 1000000) + 100;
		uint64_t order[BLOCKS + 8];
		unsigned channel[BLOCKS + 8];
		size_t n = 0;
		uint64_t lost = 0, late = 0, repeated = 0, foreign = 0, damaged = 0;
		for (uint64_t i = 0; i < BLOCKS; i++) {
			order[n] = start + i;
			channel[n++] = 7;
			if (i == 30 && round % 2) { /* three are lost */
				i += 3;
				lost = 3;
			} else if (i == 50 && round % 4 < 2) { /* twice */
				order[n] = start + i;
				channel[n++] = 7;
				repeated = 1;
			} else if (i == 70 && round % 3) { /* 71 and 72 change places */
				order[n] = start + 72;
				channel[n++] = 7;
				order[n] = start + 71;
				channel[n++] = 7;
				i += 2;
				late = 1;
			} else if (i == 90 && round % 5 < 3) { /* one from elsewhere */
				order[n] = 12345;
				channel[n++] = 9;
				foreign = 1;
			}
		}
		size_t room = n * bytes + before / 8 + 2;
		uint8_t *data = calloc(1, room);
		assert_non_null(data);
		for (size_t i = 0; i < before; i++) {
			if (evl_rng_below(&rng, 2)) {
				evl_bits_flip(data, i);
			}
		}
		for (size_t i = 0; i < n; i++) {
			struct evl_pattern one = evl_pattern_counter(bytes, channel[i]);
			one.inverted = p.inverted != turned;
			put(data, before + (uint64_t)i * 8 * bytes, &one, order[i] * 8 * bytes,
				8u * (uint64_t)bytes);
		}
		/* One bit in a body, and one in a header that makes its CRC fail. */
		evl_bits_flip(data, before + 10ull * 8 * bytes + 130);
		evl_bits_flip(data, before + 20ull * 8 * bytes + 90);
		if (round % 6 == 1) { /* a whole block of noise */
			for (size_t i = 0; i < bytes * 8u; i++) {
				if (evl_rng_below(&rng, 2)) {
					evl_bits_flip(data, before + 40ull * 8 * bytes + i);
				}
			}
			damaged = 1;
		}
		struct evl_checker whole, cut;
		evl_checker_init(&whole, &p);
		evl_checker_feed(&whole, data, room);
		evl_checker_init(&cut, &p);
		for (size_t b = 0; b < room;) {
			size_t part = 1 + (size_t)evl_rng_below(&rng, round % 2 ? 9 : 300);
			part = part < room - b ? part : room - b;
			evl_checker_feed(&cut, data + b, part);
			b += part;
		}
		const struct evl_checker *both[] = {&whole, &cut};
		for (int k = 0; k < 2; k++) {
			const struct evl_blocks *b = &both[k]->blocks;
			assert_true(both[k]->locked);
			assert_int_equal(both[k]->inverted, turned);
			assert_int_equal(b->channel, 7);
			assert_int_equal(both[k]->first_lock_bit, before + 128);
			assert_int_equal(both[k]->errors, 2);
			assert_int_equal(both[k]->sync_losses, 0);
			assert_int_equal(both[k]->slips, 0);
			assert_int_equal(b->lost, lost);
			assert_int_equal(b->late, late);
			assert_int_equal(b->repeated, repeated);
			assert_int_equal(b->foreign, foreign);
			assert_int_equal(b->damaged, damaged);
			assert_int_equal(b->restarts, 0);
			/* A block with a broken header is compared, but not counted as good. */
			assert_int_equal(b->blocks, n - foreign - damaged - 1);
			assert_int_equal(
				b->offset, (start * 8 * bytes + evl_pattern_period(&p) - before) %
						   evl_pattern_period(&p));
		}
		free(data);
	}
}

static void blocks_slip_and_restart(void **state)
{
	(void)state;
	static uint8_t data[STREAM];
	struct evl_pattern p = parse("counter 64");
	for (int64_t slip = -9; slip <= 9; slip++) {
		put(data, 0, &p, 0, 40000);
		put(data, 40000, &p, 40000 - (uint64_t)slip, STREAM * 8 - 40000);
		struct evl_checker c;
		evl_checker_init(&c, &p);
		evl_checker_feed(&c, data, STREAM);
		assert_int_equal(c.slips, slip != 0);
		assert_int_equal(c.last_slip_bits, slip);
		assert_int_equal(c.sync_losses, slip != 0);
		assert_int_equal(c.errors > 0, 0); /* damaged blocks are not compared */
		assert_int_equal(c.blocks.damaged, slip != 0 ? EVL_BLOCKS_DAMAGED : 0);
	}
	put(data, 0, &p, 1u << 30, 64 * 512);
	put(data, 64 * 512, &p, 0, STREAM * 8 - 64 * 512);
	struct evl_checker c;
	evl_checker_init(&c, &p);
	evl_checker_feed(&c, data, STREAM);
	assert_int_equal(c.blocks.restarts, 1);
	assert_int_equal(c.blocks.lost, 0);
	assert_int_equal(c.errors, 0);
}

/* ---- odds ---- */

/* P(at least k of n) for independent trials of probability q. */
static double at_least(unsigned n, unsigned k, double q)
{
	double sum = 0;
	for (unsigned i = k; i <= n; i++) {
		sum += exp(lgamma(n + 1.0) - lgamma(i + 1.0) - lgamma(n - i + 1.0) + i * log(q) +
			   (n - i) * log1p(-q));
	}
	return sum;
}

static void near(double count, double mean)
{
	printf("# %.0f seen, %.1f expected\n", count, mean);
	assert_true(fabs(count - mean) < 5 * sqrt(mean) + 1);
}

/* False synchronisation on random bits: with m bits to confirm a run of m equal agreements begins
 * at a bit with probability 2^-m (it must differ from the one before, in either polarity). */
static void false_synchronisation(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 44, 0);
	static const char *const names[] = {"2^9-1", "2^15-1", "2^31-1"};
	enum { TRIALS = 100000, BYTES = 32 };
	for (size_t v = 0; v < 3; v++) {
		struct evl_pattern p = parse(names[v]);
		unsigned n = evl_prbs_order(p.prbs);
		unsigned confirm = 12;
		uint64_t found = 0;
		struct evl_checker fresh;
		evl_checker_init(&fresh, &p);
		evl_checker_set_confirm(&fresh, confirm);
		for (int i = 0; i < TRIALS; i++) {
			uint8_t noise[BYTES];
			for (size_t b = 0; b < BYTES; b += 8) {
				uint64_t r = evl_rng_next(&rng);
				memcpy(noise + b, &r, 8);
			}
			struct evl_checker c = fresh;
			evl_checker_feed(&c, noise, BYTES);
			found += c.ever_locked;
		}
		/* First possible end of a run, then one new chance at each further bit. */
		double first = pow(2, -(double)confirm) * 2;
		double each = pow(2, -(double)confirm);
		double none = (1 - first) * pow(1 - each, 8 * BYTES - n - confirm);
		near((double)found, TRIALS * (1 - none));
	}
}

/* False loss: a window of 512 bits holds 103 errors or more by chance. */
static void false_loss(void **state)
{
	(void)state;
	struct evl_rng rng;
	struct evl_rng_gap gap;
	evl_rng_init(&rng, 45, 0);
	evl_rng_gap_init(&gap, 15, 100);
	struct evl_pattern p = parse("2^23-1");
	struct evl_source s;
	struct evl_checker fresh;
	uint8_t data[128];
	evl_source_start(&s, &p, 99);
	evl_checker_init(&fresh, &p);
	evl_source_fill(&s, data, sizeof(data));
	evl_checker_feed(&fresh, data, 64); /* locked, at the border of a window */
	assert_true(fresh.locked);
	uint64_t lost = 0;
	enum { TRIALS = 100000 };
	for (int i = 0; i < TRIALS; i++) {
		uint8_t window[64];
		memcpy(window, data + 64, 64);
		for (uint64_t at = evl_rng_gap_next(&gap, &rng); at < 512;
			at += 1 + evl_rng_gap_next(&gap, &rng)) {
			evl_bits_flip(window, at);
		}
		struct evl_checker c = fresh;
		evl_checker_feed(&c, window, 64);
		lost += c.sync_losses;
	}
	near((double)lost, TRIALS * at_least(512, 103, 0.15));
}

/* A wrong place that is not noticed: in noise (any other place of a maximal sequence looks like it)
 * a window has fewer than 103 errors with a probability that can only be computed, below 1e-40. */
static void true_loss(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 46, 0);
	struct evl_pattern p = parse("2^15-1");
	uint8_t *data = malloc(32767 + 64);
	assert_non_null(data);
	struct evl_source s;
	evl_source_start(&s, &p, 0);
	evl_source_fill(&s, data, 32767 + 64);
	unsigned fewest = 512;
	for (int i = 0; i < 100000; i++) {
		uint32_t a = (uint32_t)evl_rng_below(&rng, 32767);
		uint32_t b = (a + 1 + (uint32_t)evl_rng_below(&rng, 32766)) % 32767;
		uint64_t d = evl_bits_count_diff(data + a, data + b, 64);
		fewest = d < fewest ? (unsigned)d : fewest;
	}
	printf("# fewest errors of a wrong phase: %u of 512\n", fewest);
	assert_true(fewest >= EVL_CHECKER_LOSS_ERRORS);
	/* P(at most 102 of 512) = P(at least 410 of 512), as one bit is as good as the other. */
	assert_true(at_least(512, 410, 0.5) < 1e-40);
	free(data);
}

/* Time to find under errors: an attempt succeeds when n + m bits in a row are good. */
static void found_under_errors(void **state)
{
	(void)state;
	struct evl_rng rng;
	struct evl_rng_gap gap;
	evl_rng_init(&rng, 47, 0);
	evl_rng_gap_init(&gap, 1, 100);
	struct evl_pattern p = parse("2^15-1");
	uint8_t data[10];
	struct evl_source s;
	evl_source_start(&s, &p, 4321);
	evl_source_fill(&s, data, sizeof(data));
	struct evl_checker fresh;
	evl_checker_init(&fresh, &p);
	uint64_t found = 0;
	enum { TRIALS = 100000 };
	for (int i = 0; i < TRIALS; i++) {
		uint8_t some[10];
		memcpy(some, data, 10);
		for (uint64_t at = evl_rng_gap_next(&gap, &rng); at < 79;
			at += 1 + evl_rng_gap_next(&gap, &rng)) {
			evl_bits_flip(some, at);
		}
		struct evl_checker c = fresh;
		evl_checker_feed(&c, some, 10);
		found += c.ever_locked && c.first_lock_bit == 79;
	}
	near((double)found, TRIALS * pow(0.99, 79));
}

/* ---- which pattern is it, and delays ---- */

static void recognised(void **state)
{
	(void)state;
	struct evl_rng rng;
	struct evl_rng_gap gap;
	evl_rng_init(&rng, 48, 0);
	evl_rng_gap_init(&gap, 1, 1000);
	static uint8_t data[4096];
	uint8_t *bytes = malloc(1000);
	assert_non_null(bytes);
	for (size_t i = 0; i < 1000; i++) {
		bytes[i] = (uint8_t)evl_rng_next(&rng);
	}
	struct evl_err err = {0};
	struct evl_user_pattern *u = NULL;
	assert_int_equal(evl_user_pattern_create(&u, "mine", bytes, 7999, &err), EVL_OK);
	struct evl_pattern mine = evl_pattern_user(u);
	for (size_t k = 0; evl_pattern_known(k) != NULL; k++) {
		for (int inverted = 0; inverted < 2; inverted++) {
			for (int errors = 0; errors < 2; errors++) {
				struct evl_pattern p = parse(evl_pattern_known(k));
				p.inverted = inverted != 0;
				uint64_t phase = evl_rng_below(&rng, 100000);
				put(data, 0, &p, phase, sizeof(data) * 8);
				for (uint64_t at = 300; errors && at < sizeof(data) * 8;
					at += 1 + evl_rng_gap_next(&gap, &rng)) {
					evl_bits_flip(data, at);
				}
				struct evl_recognised r;
				evl_recognise(&r, data, sizeof(data), &mine, 1);
				assert_true(r.found);
				struct evl_pattern want = p;
				if (p.kind == EVL_PATTERN_WORD && p.word_bits <= 2) {
					/* Inverted they are one of the others. */
					want = p.word_bits == 2              ? parse("alternating")
					       : (p.word == 1) != p.inverted ? parse("all ones")
									     : parse("all zeros");
				}
				assert_true(evl_pattern_same(&r.pattern, &want));
				assert_true(r.errors * 200 < r.bits);
				if (!inverted && p.kind != EVL_PATTERN_COUNTER &&
					p.kind != EVL_PATTERN_WORD) {
					assert_int_equal(r.offset, phase % evl_pattern_period(&p));
				}
			}
		}
	}
	put(data, 0, &mine, 17, sizeof(data) * 8);
	struct evl_recognised r;
	evl_recognise(&r, data, sizeof(data), &mine, 1);
	assert_true(r.found && evl_pattern_same(&r.pattern, &mine));
	evl_recognise(&r, data, sizeof(data), NULL, 0);
	assert_false(r.found);
	/* A word of any length, by one of its turns. */
	for (unsigned n = 3; n <= 64; n++) {
		struct evl_pattern p = evl_pattern_word(evl_rng_next(&rng) | 1, n);
		put(data, 0, &p, 5, sizeof(data) * 8);
		evl_recognise(&r, data, sizeof(data), NULL, 0);
		assert_true(r.found);
		assert_int_equal(r.errors, 0);
		assert_int_equal(r.pattern.word_bits, p.word_bits);
	}
	/* Noise, and too little of anything. */
	for (int i = 0; i < 50; i++) {
		for (size_t b = 0; b < sizeof(data); b++) {
			data[b] = (uint8_t)evl_rng_next(&rng);
		}
		evl_recognise(&r, data, sizeof(data), &mine, 1);
		assert_false(r.found);
	}
	evl_recognise(&r, data, 31, NULL, 0);
	assert_false(r.found);
	evl_user_pattern_destroy(u);
	free(bytes);
}

/* Periods in ms at usual rates: 2^n - 1 divided by the rate, by hand. */
static void delay_ranges(void **state)
{
	(void)state;
	static const struct {
		const char *name;
		uint64_t rate, ns;
	} known[] = {
		{"2^9-1", 64000, 7984375},
		{"2^11-1", 64000, 31984375},
		{"2^15-1", 64000, 511984375},
		{"2^15-1", 1544000, 21222150},
		{"2^15-1", 2048000, 15999512},
		{"QRSS", 1544000, 679128886},
		{"2^23-1", 2048000, 4095999512},
		{"2^23-1", 155520000, 53939088},
		{"2^31-1", 155520000, 13808408224},
	};
	for (size_t i = 0; i < sizeof(known) / sizeof(known[0]); i++) {
		struct evl_pattern p = parse(known[i].name);
		assert_int_equal(evl_delay_range_ns(&p, known[i].rate), known[i].ns);
	}
	struct evl_err err = {0};
	struct evl_pattern p;
	assert_int_equal(evl_delay_choose(&p, 14000000000, 155520000, &err), EVL_E_LIMIT);
	assert_non_null(strstr(err.text, "counter"));
	assert_int_equal(evl_delay_ns(UINT64_MAX, 1), UINT64_MAX);
	assert_int_equal(evl_delay_ns(3, 2), 1500000000);
}

/* Every delay of 1 to 500 ms at E1, T1, 64 kbit/s and STM-1, exact to the bit. */
static void delays_are_exact(void **state)
{
	(void)state;
	static const uint64_t rates[] = {64000, 1544000, 2048000, 155520000};
	struct evl_rng rng;
	evl_rng_init(&rng, 49, 0);
	for (size_t r = 0; r < 4; r++) {
		struct evl_pattern p;
		struct evl_err err = {0};
		assert_int_equal(evl_delay_choose(&p, 500000000, rates[r], &err), EVL_OK);
		uint64_t period = evl_pattern_period(&p);
		assert_true(evl_delay_range_ns(&p, rates[r]) > 507000000);
		for (uint64_t ms = 1; ms <= 500; ms += rates[r] > 10000000 ? 7 : 1) {
			uint64_t bits = ms * rates[r] / 1000 + evl_rng_below(&rng, 3);
			uint64_t sent = evl_rng_below(&rng, period);
			uint8_t slab[64];
			struct evl_source s;
			evl_source_start(&s, &p, sent + period - bits % period);
			evl_source_fill(&s, slab, sizeof(slab));
			struct evl_checker c;
			evl_checker_init(&c, &p);
			evl_checker_feed(&c, slab, sizeof(slab));
			assert_true(c.ever_locked);
			assert_int_equal(evl_checker_delay_bits(&c, sent), bits);
			uint64_t ns = evl_delay_ns(bits, rates[r]);
			double want = (double)bits / (double)rates[r] * 1e9;
			assert_true(fabs((double)ns - want) <= 0.51);
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(words_with_errors),
		cmocka_unit_test(words_slip),
		cmocka_unit_test(words_inverted_or_other),
		cmocka_unit_test(user_bits),
		cmocka_unit_test(blocks_in_and_out_of_order),
		cmocka_unit_test(blocks_slip_and_restart),
		cmocka_unit_test(false_synchronisation),
		cmocka_unit_test(false_loss),
		cmocka_unit_test(true_loss),
		cmocka_unit_test(found_under_errors),
		cmocka_unit_test(recognised),
		cmocka_unit_test(delay_ranges),
		cmocka_unit_test(delays_are_exact),
	};
	return cmocka_run_group_tests_name("measure.patterns", tests, NULL, NULL);
}
