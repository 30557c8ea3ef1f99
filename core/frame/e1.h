/* SPDX-License-Identifier: Apache-2.0 */
/*
 * AIS and LOS of E1 signals, watched over slabs, with the instant of each to the bit.
 *
 *	struct evl_e1_monitor mon[63];
 *	evl_e1_monitor_init(&mon[i], 0);
 *	evl_e1_monitor_feed(&mon[i], i, bits, 256, on_event, ctx);	// 8 frames
 *
 * AIS (ITU-T G.775 5.2): raised when each of two consecutive periods of 512 bits has at most 2
 * zeros, cleared when each of two consecutive periods has 3 or more. Periods follow one another
 * from the first bit fed. The clause's other way to clear, a frame alignment signal found, is for
 * who looks for one: evl_e1_monitor_aligned.
 *
 * LOS (ITU-T G.775 4): raised at the N-th zero in a row, 10 <= N <= 255. The clause speaks of
 * pulse intervals on the line; here a zero bit stands for an interval without pulse, since HDB3 is
 * not modelled. Cleared at the first one that comes N or more bits after an earlier one with no N
 * zeros in a row between them (our reading of "transitions for N intervals").
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/status.h"

#define EVL_E1_LOS_BITS_DEFAULT 255

/* One channel; no memory behind it. Fields are private but for reading ais and los. */
struct evl_e1_monitor {
	bool ais, los;        /* present state */
	uint32_t los_bits;    /* N */
	uint64_t offset;      /* bits fed since init or set_offset */
	uint32_t period_bits; /* bits of the present 512-bit period seen */
	uint32_t period_zeros;
	bool last_few;      /* the period before had <= 2 zeros */
	bool last_many;     /* the period before had >= 3 zeros */
	uint32_t zero_run;  /* zeros in a row up to now; saturates at N */
	bool have_one;      /* while LOS: first_one holds */
	uint64_t first_one; /* offset of the one that a clearing stretch began with */
};

/* `bit_offset` counts bits up to and including the one that decided. */
typedef void (*evl_e1_event_fn)(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset);

/* los_bits 0 means the default; EVL_E_INVALID outside 10..255. */
enum evl_status evl_e1_monitor_init(struct evl_e1_monitor *mon, uint32_t los_bits);

/* The next bit fed has this offset (0-based). */
void evl_e1_monitor_set_offset(struct evl_e1_monitor *mon, uint64_t bit_offset);

/* A frame alignment signal was found with the bit before this offset, to which all bits (or all
 * whole bytes) are fed: clears AIS. fn as below. */
void evl_e1_monitor_aligned(struct evl_e1_monitor *mon, uint32_t channel, uint64_t bit_offset,
	evl_e1_event_fn fn, void *ctx);

/* `size` bytes, most significant bit first; any size. fn may be NULL: then only the state moves. */
void evl_e1_monitor_feed(struct evl_e1_monitor *mon, uint32_t channel, const uint8_t *bits,
	size_t size, evl_e1_event_fn fn, void *ctx);
