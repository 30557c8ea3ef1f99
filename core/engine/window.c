/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/window.h"

static uint64_t rounds(const struct evl_take_window *w)
{
	return w->times > 0 ? w->times : 1;
}

uint64_t evl_window_end(const struct evl_take_window *w)
{
	return w->lead_bits + rounds(w) * w->bits + (rounds(w) - 1) * w->seam_bits;
}

void evl_window_at(const struct evl_take_window *w, uint64_t bit, struct evl_window_run *run)
{
	*run = (struct evl_window_run){.bits = UINT64_MAX & ~(uint64_t)7};
	if (bit < w->lead_bits) {
		run->bits = w->lead_bits - bit;
		return;
	}
	if (bit >= evl_window_end(w)) {
		return;
	}
	const uint64_t period = w->bits + w->seam_bits;
	const uint64_t into = (bit - w->lead_bits) % period;
	if (into >= w->bits) {
		run->bits = period - into;
		return;
	}
	run->recorded = true;
	run->round = (bit - w->lead_bits) / period;
	run->into = into;
	run->rec_bit = w->from_bit + into;
	run->bits = w->bits - into;
}
