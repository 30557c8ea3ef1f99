/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Streams whose clocks are not the bench's: how many bytes belong to how many frames, which instant
 * a bit has, and byte streams cut into whole frames with the rest carried over.
 *
 *	struct evl_cut cut = {0};
 *	evl_cut_init(&cut, 2430);
 *	evl_cut_feed(&cut, slab, bytes, on_frames, ctx);	// any number of bytes at a time
 *	evl_cut_finish(&cut);
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/rate.h"

struct evl_cut {
	uint8_t *rest; /* unit bytes of memory; the beginning of a unit that is not whole yet */
	size_t unit;   /* bytes */
	size_t held;   /* bytes in rest; less than unit */
};

/* `units` whole units that adjoin. */
typedef void (*evl_cut_fn)(void *ctx, const uint8_t *data, uint32_t units);

void evl_cut_init(struct evl_cut *cut, size_t unit_bytes); /* allocates */
void evl_cut_finish(struct evl_cut *cut);                  /* takes a zeroed object */
/* Calls `fn` for what is whole now: at most twice, and never with copied bytes while each call
 * brings whole units. */
void evl_cut_feed(struct evl_cut *cut, const uint8_t *data, size_t bytes, evl_cut_fn fn, void *ctx);

/* Bytes that a channel plays in `frames` frames of the take proper, a multiple of 8: the lead-in
 * before has its share of the rounding. */
uint64_t evl_pace_bytes(enum evl_rate rate, int32_t clock_ppb, uint64_t frames);

/* The other way round: frames, whole slabs of a take, in which `bytes` were played. */
uint64_t evl_pace_frames(enum evl_rate rate, int32_t clock_ppb, uint64_t bytes);

/* Instant of bit `bit` of a stretch of time of `ns` that has `bits` bits, rounded down; outside of
 * the stretch also. `bits` 0: 0. */
int64_t evl_pace_ns(int64_t bit, uint64_t bits, uint64_t ns);
