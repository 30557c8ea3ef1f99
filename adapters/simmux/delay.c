/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/delay.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/rate.h"
#include "core/signal/bits.h"

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

static void set_masked(uint8_t *byte, uint8_t mask, bool one)
{
	*byte = (uint8_t)(one ? *byte | mask : *byte & ~mask);
}

void simmux_span_set(uint8_t *data, struct evl_span span, bool one)
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

struct evl_span simmux_span_of(uint64_t at_ns, uint64_t lasting_ns, uint32_t frame_bits)
{
	uint64_t end = lasting_ns < UINT64_MAX - at_ns ? at_ns + lasting_ns : UINT64_MAX;

	return (struct evl_span){bit_at(at_ns, frame_bits), bit_at(end, frame_bits)};
}

uint64_t simmux_ns_of(uint64_t bit, uint32_t frame_bits)
{
	return bit / frame_bits * EVL_FRAME_NS + bit % frame_bits * EVL_FRAME_NS / frame_bits;
}
