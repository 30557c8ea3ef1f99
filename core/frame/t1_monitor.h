/* SPDX-License-Identifier: Apache-2.0 */
/*
 * LOS of a T1 signal, watched over slabs (ANSI T1.231; RFC 4805): raised at N zeros in a row, N =
 * 175 +- 75; cleared at the end of N bits that begin with a one, hold at least 12.5 % ones, and no
 * 100 zeros in a row; a stretch that fails ends there, and the next begins at the next one. A zero
 *bit stands for a position without pulse; the line code is not modelled.
 *
 *	struct evl_t1_monitor mon;
 *	evl_t1_monitor_init(&mon, 0);
 *	evl_t1_monitor_feed(&mon, channel, bits, 193, on_event, ctx);
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/status.h"
#include "core/frame/e1.h"

#define EVL_T1_LOS_BITS_DEFAULT 175

/* Fields are private but for reading los. */
struct evl_t1_monitor {
	bool los;
	uint32_t los_bits;
	uint64_t offset;
	uint32_t zero_run; /* saturates at los_bits */
	bool window;       /* while LOS: a clearing stretch is under way */
	uint32_t window_bits, window_ones;
};

/* los_bits 0 means the default; EVL_E_INVALID outside 100..250. */
enum evl_status evl_t1_monitor_init(struct evl_t1_monitor *mon, uint32_t los_bits);

/* `size` bytes, most significant bit first. fn is that of e1.h and may be NULL. */
void evl_t1_monitor_feed(struct evl_t1_monitor *mon, uint32_t channel, const uint8_t *bits,
	size_t size, evl_e1_event_fn fn, void *ctx);
