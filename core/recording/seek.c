/* SPDX-License-Identifier: Apache-2.0 */
/* When the table is full, every second point is dropped and the stride doubles: a bounded number
 * of points, evenly spread, whatever the length. */
#include "core/recording/internal.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"

enum { POINTS_MAX = 4096, TABLE_BYTES = 8 * 1024 * 1024 };

uint32_t rec_seek_cap(uint32_t channels)
{
	uint32_t cap = TABLE_BYTES / (8 + 8 * channels);
	return (cap < POINTS_MAX ? cap : POINTS_MAX) & ~1u;
}

bool rec_seek_init(struct rec_seek *t, uint32_t channels)
{
	memset(t, 0, sizeof *t);
	t->channels = channels;
	t->cap = rec_seek_cap(channels);
	t->stride = 1;
	t->position = calloc(t->cap, sizeof *t->position);
	t->first = calloc((size_t)t->cap * channels, sizeof *t->first);
	t->filled = calloc(channels, sizeof *t->filled);
	return t->position != NULL && t->first != NULL && t->filled != NULL;
}

void rec_seek_finish(struct rec_seek *t)
{
	free(t->position);
	free(t->first);
	free(t->filled);
	memset(t, 0, sizeof *t);
}

void rec_seek_clear(struct rec_seek *t)
{
	t->count = 0;
	t->blocks = 0;
	t->stride = 1;
	memset(t->filled, 0, t->channels * sizeof *t->filled);
}

static void thin(struct rec_seek *t)
{
	for (uint32_t i = 0; i < t->count / 2; i++) {
		t->position[i] = t->position[2 * i];
		memmove(t->first + (size_t)i * t->channels, t->first + (size_t)2 * i * t->channels,
			t->channels * sizeof *t->first);
	}
	t->count /= 2;
	for (uint32_t c = 0; c < t->channels; c++) {
		t->filled[c] = (t->filled[c] + 1) / 2;
	}
	t->stride *= 2;
}

void rec_seek_add(struct rec_seek *t, uint64_t position, uint32_t channel, uint64_t bit_offset)
{
	if (t->blocks % t->stride == 0) {
		if (t->count == t->cap) {
			thin(t);
		}
		if (t->blocks % t->stride == 0) {
			t->position[t->count] = position;
			for (uint32_t c = 0; c < t->channels; c++) {
				t->first[(size_t)t->count * t->channels + c] = NO_OFFSET;
			}
			t->count++;
		}
	}
	for (uint32_t i = t->filled[channel]; i < t->count; i++) {
		t->first[(size_t)i * t->channels + channel] = bit_offset;
	}
	t->filled[channel] = t->count;
	t->blocks++;
}

size_t rec_seek_bytes(uint32_t channels, uint32_t points)
{
	return (size_t)points * (8 + 8 * (size_t)channels);
}

void rec_seek_put(const struct rec_seek *t, uint8_t *out)
{
	for (uint32_t i = 0; i < t->count; i++) {
		evl_store_le64(out, t->position[i]);
		out += 8;
		for (uint32_t c = 0; c < t->channels; c++) {
			evl_store_le64(out, t->first[(size_t)i * t->channels + c]);
			out += 8;
		}
	}
}

bool rec_seek_get(struct rec_seek *t, const uint8_t *in, uint32_t points, uint64_t from,
		  uint64_t to)
{
	if (points > t->cap) {
		return false;
	}
	for (uint32_t i = 0; i < points; i++) {
		uint64_t p = evl_load_le64(in);
		in += 8;
		if (p % 4 != 0 || p < from || p >= to || (i > 0 && p <= t->position[i - 1])) {
			return false;
		}
		t->position[i] = p;
		for (uint32_t c = 0; c < t->channels; c++) {
			uint64_t f = evl_load_le64(in);
			in += 8;
			size_t at = (size_t)i * t->channels + c;
			if (i > 0 && f < t->first[at - t->channels]) {
				return false;
			}
			t->first[at] = f;
		}
	}
	t->count = points;
	return true;
}
