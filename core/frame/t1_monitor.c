/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_monitor.h"

#include <string.h>

#define TOO_MANY_ZEROS 100 /* within a stretch that is to clear LOS */
#define DENSITY        8   /* one in so many, 12.5 % */

enum evl_status evl_t1_monitor_init(struct evl_t1_monitor *mon, uint32_t los_bits)
{
	if (los_bits == 0) {
		los_bits = EVL_T1_LOS_BITS_DEFAULT;
	}
	if (los_bits < 100 || los_bits > 250) {
		return EVL_E_INVALID;
	}
	*mon = (struct evl_t1_monitor){.los_bits = los_bits};
	return EVL_OK;
}

struct sink {
	evl_e1_event_fn fn;
	void *ctx;
	uint32_t channel;
};

static void change(struct evl_t1_monitor *mon, const struct sink *sink, bool los, uint64_t offset)
{
	mon->los = los;
	mon->window = false;
	if (sink->fn != NULL) {
		sink->fn(sink->ctx, sink->channel, EVL_ALARM_LOS, los, offset);
	}
}

static void one_bit(struct evl_t1_monitor *mon, bool one, uint64_t end, const struct sink *sink)
{
	if (one) {
		mon->zero_run = 0;
	} else if (mon->zero_run < mon->los_bits) {
		mon->zero_run++;
	}
	if (!mon->los) {
		if (mon->zero_run == mon->los_bits) {
			change(mon, sink, true, end);
		}
		return;
	}
	if (!mon->window) {
		mon->window = one;
		mon->window_bits = 1;
		mon->window_ones = 1;
		return;
	}
	mon->window_bits++;
	mon->window_ones += one;
	if (mon->zero_run >= TOO_MANY_ZEROS) {
		mon->window = false;
	} else if (mon->window_bits == mon->los_bits) {
		mon->window = false;
		if (mon->window_ones * DENSITY >= mon->los_bits) {
			change(mon, sink, false, end);
		}
	}
}

static uint32_t leading_zeros(uint8_t byte)
{
	uint32_t n = 0;
	while (n < 8 && (byte << n & 0x80) == 0) {
		n++;
	}
	return n;
}

static uint32_t trailing_zeros(uint8_t byte)
{
	uint32_t n = 0;
	while (n < 8 && (byte >> n & 1) == 0) {
		n++;
	}
	return n;
}

/* True when the byte needs no look at its bits. */
static bool skip(struct evl_t1_monitor *mon, uint8_t byte)
{
	if (mon->los) {
		return byte == 0 && !mon->window && mon->zero_run == mon->los_bits;
	}
	uint32_t room = mon->los_bits - mon->zero_run;
	if (byte == 0) {
		if (room <= 8) {
			return false;
		}
		mon->zero_run += 8;
		return true;
	}
	if (room <= 8 && leading_zeros(byte) >= room) {
		return false;
	}
	mon->zero_run = trailing_zeros(byte);
	return true;
}

void evl_t1_monitor_feed(struct evl_t1_monitor *mon, uint32_t channel, const uint8_t *bits,
	size_t size, evl_e1_event_fn fn, void *ctx)
{
	const struct sink sink = {fn, ctx, channel};
	for (size_t i = 0; i < size; i++) {
		if (skip(mon, bits[i])) {
			/* 100 zeros cover whole zero bytes: on to the next one. */
			if (!mon->los && bits[i] != 0) {
				const uint8_t *zero = memchr(bits + i, 0, size - i);
				i = (zero != NULL ? (size_t)(zero - bits) : size) - 1;
				mon->zero_run = trailing_zeros(bits[i]);
			}
			continue;
		}
		for (unsigned b = 0; b < 8; b++) {
			one_bit(mon, (bits[i] >> (7 - b) & 1) != 0, mon->offset + 8 * i + b + 1,
				&sink);
		}
	}
	mon->offset += 8 * (uint64_t)size;
}
