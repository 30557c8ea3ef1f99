/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Injection, against streams worked out here bit by bit. The number of errors at a ratio: a
 * binomial count lies within five standard deviations of its mean.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <math.h>
#include <cmocka.h>

#include "core/signal/bits.h"
#include "core/signal/impair.h"
#include "core/signal/rng.h"

#define STREAM 65536 /* bytes */

/* Cuts the stream into slabs of any length and applies `one` to each. */
static void in_slabs(uint8_t *data, struct evl_rng *rng,
	uint64_t (*one)(void *ctx, uint8_t *slab, uint64_t first, uint64_t bits), void *ctx,
	uint64_t *made)
{
	*made = 0;
	for (size_t b = 0; b < STREAM;) {
		size_t part = 1 + (size_t)evl_rng_below(rng, 900);
		part = part < STREAM - b ? part : STREAM - b;
		*made += one(ctx, data + b, (uint64_t)b * 8, (uint64_t)part * 8);
		b += part;
	}
}

struct ratio {
	struct evl_errors errors;
};

static uint64_t at_ratio(void *ctx, uint8_t *slab, uint64_t first, uint64_t bits)
{
	return evl_errors_apply(&((struct ratio *)ctx)->errors, slab, 0, first, bits);
}

static void errors_at_a_ratio(void **state)
{
	(void)state;
	static uint8_t whole[STREAM], cut[STREAM], other[STREAM];
	struct evl_rng rng;
	evl_rng_init(&rng, 60, 0);
	static const uint64_t per[] = {2, 10, 100, 5000};
	for (size_t i = 0; i < 4; i++) {
		struct ratio r;
		uint64_t made, again;
		memset(whole, 0, STREAM);
		memset(cut, 0, STREAM);
		memset(other, 0, STREAM);
		evl_errors_init(&r.errors, 7, 3, 1, per[i], 12345);
		made = evl_errors_apply(&r.errors, whole, 0, 0, STREAM * 8);
		assert_int_equal(made, evl_bits_count_ones(whole, STREAM));
		double mean = STREAM * 8.0 / (double)per[i];
		assert_true(fabs((double)made - mean) < 5 * sqrt(mean));
		evl_errors_init(&r.errors, 7, 3, 1, per[i], 12345);
		in_slabs(cut, &rng, at_ratio, &r, &again);
		assert_int_equal(made, again);
		assert_memory_equal(cut, whole, STREAM);
		/* Any stretch alone, and going back. */
		for (int k = 0; k < 50; k++) {
			uint8_t some[512] = {0};
			uint64_t first = evl_rng_below(&rng, STREAM * 8 - 4096);
			uint64_t n = 1 + evl_rng_below(&rng, 4000);
			evl_errors_apply(&r.errors, some, 5, first, n);
			for (uint64_t b = 0; b < 4096; b++) {
				bool in = b >= 5 && b < 5 + n;
				assert_int_equal(evl_bits_get(some, b),
					in && evl_bits_get(whole, first + b - 5));
			}
		}
		/* Another seed or stream, other bits. */
		evl_errors_init(&r.errors, 7, 4, 1, per[i], 12345);
		evl_errors_apply(&r.errors, other, 0, 0, STREAM * 8);
		assert_memory_not_equal(other, whole, STREAM);
		evl_errors_init(&r.errors, 8, 3, 1, per[i], 12345);
		memset(other, 0, STREAM);
		evl_errors_apply(&r.errors, other, 0, 0, STREAM * 8);
		assert_memory_not_equal(other, whole, STREAM);
	}
}

struct burst {
	struct evl_errors density;
	struct evl_span span;
	uint64_t single;
	int kind;
};

static uint64_t one_thing(void *ctx, uint8_t *slab, uint64_t first, uint64_t bits)
{
	struct burst *b = ctx;
	switch (b->kind) {
	case 0:
		return evl_impair_single(slab, first, bits, b->single);
	case 1:
		return evl_impair_invert(slab, first, bits, b->span);
	default:
		return evl_impair_burst(&b->density, slab, first, bits, b->span);
	}
}

static void single_inversion_burst(void **state)
{
	(void)state;
	static uint8_t data[STREAM], want[STREAM];
	struct evl_rng rng;
	evl_rng_init(&rng, 61, 0);
	for (int round = 0; round < 150; round++) {
		struct burst b = {.kind = round % 3};
		uint64_t made, inside = 0;
		b.single = evl_rng_below(&rng, STREAM * 8);
		b.span.begin = b.single;
		b.span.end = b.single + evl_rng_below(&rng, round % 2 ? 30 : 20000);
		b.span.end = b.span.end < STREAM * 8 ? b.span.end : STREAM * 8;
		evl_errors_init(&b.density, 5, 0, 1, 2, 4096);
		memset(data, 0, STREAM);
		in_slabs(data, &rng, one_thing, &b, &made);
		assert_int_equal(made, evl_bits_count_ones(data, STREAM));
		memset(want, 0, STREAM);
		if (b.kind == 0) {
			evl_bits_flip(want, b.single);
			assert_memory_equal(data, want, STREAM);
			continue;
		}
		for (uint64_t i = 0; i < STREAM * 8; i++) {
			bool in = i >= b.span.begin && i < b.span.end;
			assert_true(in || !evl_bits_get(data, i));
			assert_true(b.kind == 2 || !in || evl_bits_get(data, i));
			inside += in;
		}
		if (b.kind == 2 && inside > 0) {
			/* Ends are errored; between them half of the bits. */
			assert_true(evl_bits_get(data, b.span.begin));
			assert_true(evl_bits_get(data, b.span.end - 1));
			assert_true(fabs((double)made - (double)inside / 2) <
				    5 * sqrt((double)inside) / 2 + 2);
		}
	}
}

/* Bit by bit: what comes out at t is what went in at t - delay(t). */
static void slips(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 62, 0);
	static uint8_t in[STREAM], out[STREAM];
	static const int64_t sizes[] = {1, -1, 8, -8, 256, -256, 193, -193, 3, -77, 0, 5000, -5000};
	for (int round = 0; round < 40; round++) {
		uint64_t room = 2000 + 2 * evl_rng_below(&rng, 3000);
		size_t most = 700;
		uint8_t *memory = malloc(evl_slipper_bytes(room, most));
		assert_non_null(memory);
		struct evl_slipper s;
		evl_slipper_init(&s, memory, room, most);
		for (size_t i = 0; i < STREAM; i++) {
			in[i] = out[i] = (uint8_t)evl_rng_next(&rng);
		}
		int64_t delay = (int64_t)room / 2;
		uint64_t refused = 0;
		for (size_t b = 0; b < STREAM;) {
			size_t part = 1 + (size_t)evl_rng_below(&rng, most);
			part = part < STREAM - b ? part : STREAM - b;
			int64_t slip = sizes[evl_rng_below(&rng, 13)];
			uint64_t at = evl_rng_below(&rng, part * 8);
			struct evl_err err = {0};
			enum evl_status st = evl_slipper_apply(&s, out + b, part, at, slip, &err);
			if (delay + slip < 0 || delay + slip > (int64_t)room) {
				assert_int_equal(st, EVL_E_LIMIT);
				assert_memory_equal(out + b, in + b, part);
				refused++;
				continue; /* the same slab again */
			}
			assert_int_equal(st, EVL_OK);
			for (uint64_t i = 0; i < part * 8; i++) {
				int64_t now = delay + (i >= at ? slip : 0);
				int64_t from = (int64_t)(b * 8 + i) - now;
				bool want = from < 0 || evl_bits_get(in, (uint64_t)from);
				assert_int_equal(evl_bits_get(out, b * 8 + i), want);
			}
			delay += slip;
			assert_int_equal(s.delay_bits, delay);
			b += part;
		}
		assert_true(refused > 0);
		free(memory);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(errors_at_a_ratio),
		cmocka_unit_test(single_inversion_burst),
		cmocka_unit_test(slips),
	};
	return cmocka_run_group_tests_name("signal.impair", tests, NULL, NULL);
}
