/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/e1.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/signal/bits.h"

#define PERIOD_BITS 512
#define FEW_ZEROS   2 /* at most: the period looks like AIS */

enum evl_status evl_e1_monitor_init(struct evl_e1_monitor *mon, uint32_t los_bits)
{
	if (los_bits == 0) {
		los_bits = EVL_E1_LOS_BITS_DEFAULT;
	}
	if (los_bits < 10 || los_bits > 255) {
		return EVL_E_INVALID;
	}
	*mon = (struct evl_e1_monitor){.los_bits = los_bits};
	return EVL_OK;
}

void evl_e1_monitor_set_offset(struct evl_e1_monitor *mon, uint64_t bit_offset)
{
	if (mon->have_one) {
		mon->first_one += bit_offset - mon->offset;
	}
	mon->offset = bit_offset;
}

struct sink {
	evl_e1_event_fn fn;
	void *ctx;
	uint32_t channel;
};

static void report(const struct sink *sink, enum evl_alarm alarm, bool raised, uint64_t offset)
{
	if (sink->fn != NULL) {
		sink->fn(sink->ctx, sink->channel, alarm, raised, offset);
	}
}

static void end_period(struct evl_e1_monitor *mon, const struct sink *sink, uint64_t offset)
{
	bool few = mon->period_zeros <= FEW_ZEROS;
	if (!mon->ais && few && mon->last_few) {
		mon->ais = true;
		report(sink, EVL_ALARM_AIS, true, offset);
	} else if (mon->ais && !few && mon->last_many) {
		mon->ais = false;
		report(sink, EVL_ALARM_AIS, false, offset);
	}
	mon->last_few = few;
	mon->last_many = !few;
	mon->period_bits = 0;
	mon->period_zeros = 0;
}

/* Up to the end of a period at most. */
static void watch_ais(
	struct evl_e1_monitor *mon, const uint8_t *bits, size_t size, const struct sink *sink)
{
	/* Once a period has 3 zeros its verdict is known; no need to count on. The first 8 bytes
	 * nearly always have them. */
	if (mon->period_zeros <= FEW_ZEROS) {
		size_t some = size < 8 ? size : 8;
		mon->period_zeros += (uint32_t)(8 * some - evl_bits_count_ones(bits, some));
		if (mon->period_zeros <= FEW_ZEROS && size > some) {
			mon->period_zeros +=
				(uint32_t)(8 * (size - some) -
					   evl_bits_count_ones(bits + some, size - some));
		}
	}
	mon->period_bits += (uint32_t)(8 * size);
	if (mon->period_bits == PERIOD_BITS) {
		end_period(mon, sink, mon->offset + 8 * size);
	}
}

static void one_bit(struct evl_e1_monitor *mon, bool one, uint64_t at, const struct sink *sink)
{
	if (one) {
		mon->zero_run = 0;
		if (!mon->los) {
			return;
		}
		if (!mon->have_one) {
			mon->have_one = true;
			mon->first_one = at;
		} else if (at - mon->first_one >= mon->los_bits) {
			mon->los = false;
			mon->have_one = false;
			report(sink, EVL_ALARM_LOS, false, at + 1);
		}
		return;
	}
	if (mon->zero_run >= mon->los_bits) {
		return;
	}
	if (++mon->zero_run == mon->los_bits) {
		mon->have_one = false;
		if (!mon->los) {
			mon->los = true;
			report(sink, EVL_ALARM_LOS, true, at + 1);
		}
	}
}

static uint32_t trailing_zeros(uint8_t byte)
{
	uint32_t n = 0;
	while (n < 8 && (byte >> n & 1) == 0) {
		n++;
	}
	return n;
}

/* A run of N >= 10 zeros covers at least one whole zero byte, so while there is no LOS only zero
 * bytes and their neighbours need the bit by bit look. */
static void watch_los(
	struct evl_e1_monitor *mon, const uint8_t *bits, size_t size, const struct sink *sink)
{
	size_t i = 0;
	while (i < size) {
		if (!mon->los && bits[i] != 0) {
			const uint8_t *zero = memchr(bits + i, 0, size - i);
			size_t stop = zero != NULL ? (size_t)(zero - bits) : size;
			/* The first byte may end a run that began before; 10..14 zeros can also
			 * hide in two bytes that are both not zero (LOS of N < 15). */
			if (mon->los_bits > 14) {
				uint8_t first = bits[i];
				for (int b = 7; b >= 0 && (first >> b & 1) == 0; b--) {
					one_bit(mon, false, mon->offset + 8 * i + (uint32_t)(7 - b),
						sink);
				}
				if (!mon->los) {
					mon->zero_run = trailing_zeros(bits[stop - 1]);
					i = stop;
					continue;
				}
			}
		}
		if (mon->los && bits[i] == 0 && mon->zero_run >= mon->los_bits) {
			i++;
			continue;
		}
		for (int b = 7; b >= 0; b--) {
			one_bit(mon, (bits[i] >> b & 1) != 0,
				mon->offset + 8 * i + (uint32_t)(7 - b), sink);
		}
		i++;
	}
}

void evl_e1_monitor_aligned(struct evl_e1_monitor *mon, uint32_t channel, uint64_t bit_offset,
	evl_e1_event_fn fn, void *ctx)
{
	const struct sink sink = {fn, ctx, channel};
	if (mon->ais) {
		mon->ais = false;
		mon->last_few = mon->last_many = false;
		report(&sink, EVL_ALARM_AIS, false, bit_offset);
	}
}

void evl_e1_monitor_feed(struct evl_e1_monitor *mon, uint32_t channel, const uint8_t *bits,
	size_t size, evl_e1_event_fn fn, void *ctx)
{
	const struct sink sink = {fn, ctx, channel};
	/* AIS is told at the end of a period only, so LOS up to there goes before it. */
	while (size > 0) {
		size_t n = (PERIOD_BITS - mon->period_bits) / 8;
		n = n < size ? n : size;
		watch_los(mon, bits, n, &sink);
		watch_ais(mon, bits, n, &sink);
		mon->offset += 8 * n;
		bits += n;
		size -= n;
	}
}
