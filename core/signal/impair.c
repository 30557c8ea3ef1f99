/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/impair.h"

#include <inttypes.h>
#include <string.h>

#include "core/signal/bits.h"

#define STREAMS 256u

bool evl_span_cut(struct evl_span *out, struct evl_span span, uint64_t first_bit, uint64_t bits)
{
	if (span.end <= first_bit || span.begin >= first_bit + bits || span.begin >= span.end) {
		return false;
	}
	out->begin = span.begin > first_bit ? span.begin - first_bit : 0;
	out->end = span.end < first_bit + bits ? span.end - first_bit : bits;
	return true;
}

void evl_errors_init(struct evl_errors *e, uint64_t seed, uint64_t stream, uint64_t numerator,
	uint64_t denominator, uint64_t block_bits)
{
	evl_require(stream < STREAMS && block_bits > 0);
	memset(e, 0, sizeof(*e));
	e->seed = seed;
	e->stream = stream;
	e->block_bits = block_bits;
	evl_rng_gap_init(&e->gap, numerator, denominator);
}

/* Moves next_bit on by a gap of good bits; an overflow means that there is no more error. */
static void draw(struct evl_errors *e, uint64_t from)
{
	uint64_t good = evl_rng_gap_next(&e->gap, &e->rng);
	e->next_bit = good < UINT64_MAX - from ? from + good : UINT64_MAX;
}

static void enter_block(struct evl_errors *e, uint64_t block)
{
	evl_rng_init(&e->rng, e->seed, block * STREAMS + e->stream);
	e->block = block;
	e->ready = true;
	draw(e, block * e->block_bits);
}

uint64_t evl_errors_apply(
	struct evl_errors *e, uint8_t *data, uint64_t from, uint64_t first_bit, uint64_t bits)
{
	uint64_t end = first_bit + bits;
	uint64_t made = 0;
	for (uint64_t bit = first_bit; bit < end;) {
		uint64_t block = bit / e->block_bits;
		uint64_t block_end = (block + 1) * e->block_bits;
		uint64_t stop = block_end < end ? block_end : end;
		/* Again from the beginning of the block when it goes back, too. */
		if (!e->ready || e->block != block || bit != e->passed) {
			enter_block(e, block);
		}
		while (e->next_bit < bit) {
			draw(e, e->next_bit + 1);
		}
		while (e->next_bit < stop) {
			evl_bits_flip(data, from + (e->next_bit - first_bit));
			made++;
			draw(e, e->next_bit + 1);
		}
		bit = stop;
		e->passed = stop;
	}
	return made;
}

bool evl_impair_single(uint8_t *data, uint64_t first_bit, uint64_t bits, uint64_t at)
{
	if (at < first_bit || at - first_bit >= bits) {
		return false;
	}
	evl_bits_flip(data, at - first_bit);
	return true;
}

uint64_t evl_impair_invert(uint8_t *data, uint64_t first_bit, uint64_t bits, struct evl_span span)
{
	struct evl_span part;
	if (!evl_span_cut(&part, span, first_bit, bits)) {
		return 0;
	}
	for (uint64_t bit = part.begin; bit < part.end;) {
		if (bit % 8 == 0 && part.end - bit >= 8) {
			data[bit / 8] = (uint8_t)~data[bit / 8];
			bit += 8;
		} else {
			evl_bits_flip(data, bit++);
		}
	}
	return part.end - part.begin;
}

uint64_t evl_impair_burst(struct evl_errors *density, uint8_t *data, uint64_t first_bit,
	uint64_t bits, struct evl_span span)
{
	struct evl_span part;
	uint64_t made = 0;
	if (span.end <= span.begin) {
		return 0;
	}
	made += evl_impair_single(data, first_bit, bits, span.begin);
	if (span.end - span.begin > 1) {
		made += evl_impair_single(data, first_bit, bits, span.end - 1);
		struct evl_span inner = {span.begin + 1, span.end - 1};
		if (evl_span_cut(&part, inner, first_bit, bits)) {
			made += evl_errors_apply(density, data, part.begin, first_bit + part.begin,
				part.end - part.begin);
		}
	}
	return made;
}

size_t evl_slipper_bytes(uint64_t room_bits, size_t slab_bytes)
{
	return (size_t)(room_bits / 8) + 2 + slab_bytes;
}

void evl_slipper_init(struct evl_slipper *s, uint8_t *memory, uint64_t room_bits, size_t slab_bytes)
{
	evl_require(room_bits >= 2 && room_bits % 2 == 0);
	size_t bytes = evl_slipper_bytes(room_bits, slab_bytes);
	*s = (struct evl_slipper){.ring = memory,
		.ring_bits = (uint64_t)bytes * 8,
		.delay_bits = room_bits / 2,
		.room_bits = room_bits};
	memset(memory, 0xff, bytes);
}

/* Copies out of or into the ring, which may wrap once. */
static void ring_get(
	const struct evl_slipper *s, uint8_t *dst, uint64_t dst_bit, uint64_t at, uint64_t bits)
{
	at %= s->ring_bits;
	uint64_t first = s->ring_bits - at < bits ? s->ring_bits - at : bits;
	evl_bits_copy(dst, dst_bit, s->ring, at, first);
	if (first < bits) {
		evl_bits_copy(dst, dst_bit + first, s->ring, 0, bits - first);
	}
}

static void ring_put(struct evl_slipper *s, const uint8_t *src, uint64_t bits)
{
	uint64_t at = s->written % s->ring_bits;
	uint64_t first = s->ring_bits - at < bits ? s->ring_bits - at : bits;
	evl_bits_copy(s->ring, at, src, 0, first);
	if (first < bits) {
		evl_bits_copy(s->ring, 0, src, first, bits - first);
	}
}

enum evl_status evl_slipper_apply(struct evl_slipper *s, uint8_t *data, size_t bytes, uint64_t at,
	int64_t slip_bits, struct evl_err *err)
{
	uint64_t bits = (uint64_t)bytes * 8;
	evl_require(evl_slipper_bytes(s->room_bits, bytes) * 8 <= s->ring_bits);
	evl_require(slip_bits == 0 || at < bits);
	int64_t after = (int64_t)s->delay_bits + slip_bits;
	if (after < 0 || after > (int64_t)s->room_bits) {
		return evl_err_set(err, EVL_E_LIMIT,
			"a slip of %" PRId64 " bits leaves the store of %" PRIu64
			" bits, of which %" PRIu64 " are in use",
			slip_bits, s->room_bits, s->delay_bits);
	}
	ring_put(s, data, bits);
	/* Counted from the far side, so that what was before bit 0 needs no negative numbers. */
	uint64_t base = s->written + s->ring_bits;
	uint64_t before = slip_bits == 0 ? bits : at;
	ring_get(s, data, 0, base - s->delay_bits, before);
	s->delay_bits = (uint64_t)after;
	ring_get(s, data, before, base + before - s->delay_bits, bits - before);
	s->written += bits;
	return EVL_OK;
}
