/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/impair.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/rate.h"
#include "core/signal/bits.h"

#define STREAMS 256u

void simmux_errors_init(struct simmux_errors *e, uint64_t seed, uint64_t stream, uint64_t numerator,
			uint64_t denominator, uint64_t block_bits)
{
	memset(e, 0, sizeof(*e));
	e->seed = seed;
	e->stream = stream;
	e->block_bits = block_bits;
	evl_rng_gap_init(&e->gap, numerator, denominator);
}

/* Moves next_bit on by a gap of good bits; an overflow means that there is no more error. */
static void draw(struct simmux_errors *e, uint64_t from)
{
	uint64_t good = evl_rng_gap_next(&e->gap, &e->rng);

	e->next_bit = good < UINT64_MAX - from ? from + good : UINT64_MAX;
}

static void enter_block(struct simmux_errors *e, uint64_t block)
{
	evl_rng_init(&e->rng, e->seed, block * STREAMS + e->stream);
	e->block = block;
	e->ready = true;
	draw(e, block * e->block_bits);
}

void simmux_errors_apply(struct simmux_errors *e, uint8_t *data, uint64_t from, uint64_t first_bit,
			 uint64_t bits)
{
	uint64_t end = first_bit + bits;

	for (uint64_t bit = first_bit; bit < end;) {
		uint64_t block = bit / e->block_bits;
		uint64_t block_end = (block + 1) * e->block_bits;
		uint64_t stop = block_end < end ? block_end : end;

		if (!e->ready || e->block != block) {
			enter_block(e, block);
		}
		while (e->next_bit < bit) {
			draw(e, e->next_bit + 1);
		}
		while (e->next_bit < stop) {
			evl_bits_flip(data, from + (e->next_bit - first_bit));
			draw(e, e->next_bit + 1);
		}
		bit = stop;
	}
}

bool simmux_delay_init(struct simmux_delay *d, uint64_t bits, uint64_t chunk_bytes)
{
	memset(d, 0, sizeof(*d));
	if (bits == 0) {
		return true;
	}
	/* Room for the chunk that comes in, and for the byte that the delay begins in. */
	d->bits = bits;
	d->ring_bytes = bits / 8 + 1 + chunk_bytes;
	d->ring = malloc(d->ring_bytes);
	return d->ring != NULL;
}

void simmux_delay_finish(struct simmux_delay *d)
{
	free(d->ring);
	memset(d, 0, sizeof(*d));
}

void simmux_delay_fill(struct simmux_delay *d, uint8_t idle)
{
	if (d->ring != NULL) {
		memset(d->ring, idle, d->ring_bytes);
		d->at = 0;
	}
}

void simmux_delay_apply(struct simmux_delay *d, uint8_t *data, uint64_t bytes)
{
	uint64_t ring_bits = d->ring_bytes * 8;
	uint64_t bits = bytes * 8;
	uint64_t from, first;

	if (d->ring == NULL) {
		return;
	}
	first = d->ring_bytes - d->at < bytes ? d->ring_bytes - d->at : bytes;
	memcpy(d->ring + d->at, data, first);
	memcpy(d->ring, data + first, bytes - first);
	from = (d->at * 8 + ring_bits - d->bits) % ring_bits;
	first = ring_bits - from < bits ? ring_bits - from : bits;
	evl_bits_copy(data, 0, d->ring, from, first);
	if (first < bits) {
		evl_bits_copy(data, first, d->ring, 0, bits - first);
	}
	d->at = (d->at + bytes) % d->ring_bytes;
}

bool simmux_span_cut(struct simmux_span *out, struct simmux_span span, uint64_t first,
		     uint64_t bits)
{
	if (span.end <= first || span.begin >= first + bits || span.begin >= span.end) {
		return false;
	}
	out->begin = span.begin > first ? span.begin - first : 0;
	out->end = span.end < first + bits ? span.end - first : bits;
	return true;
}

static void set_masked(uint8_t *byte, uint8_t mask, bool one)
{
	*byte = (uint8_t)(one ? *byte | mask : *byte & ~mask);
}

void simmux_span_set(uint8_t *data, struct simmux_span span, bool one)
{
	uint64_t first = span.begin / 8, last = span.end / 8;
	uint8_t head = (uint8_t)(0xff >> span.begin % 8);
	uint8_t tail = (uint8_t) ~(0xff >> span.end % 8);

	if (first == last) {
		set_masked(&data[first], head & tail, one);
		return;
	}
	set_masked(&data[first], head, one);
	memset(data + first + 1, one ? 0xff : 0, last - first - 1);
	if (tail != 0) {
		set_masked(&data[last], tail, one);
	}
}

/* The first bit that begins at ns or later. */
static uint64_t bit_at(uint64_t ns, uint32_t frame_bits)
{
	uint64_t part = ns % EVL_FRAME_NS * frame_bits;

	return ns / EVL_FRAME_NS * frame_bits + (part + EVL_FRAME_NS - 1) / EVL_FRAME_NS;
}

struct simmux_span simmux_span_of(uint64_t at_ns, uint64_t lasting_ns, uint32_t frame_bits)
{
	uint64_t end = lasting_ns < UINT64_MAX - at_ns ? at_ns + lasting_ns : UINT64_MAX;

	return (struct simmux_span){bit_at(at_ns, frame_bits), bit_at(end, frame_bits)};
}
