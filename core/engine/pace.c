/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/pace.h"

#include <stdlib.h>
#include <string.h>

#include "core/adapter/adapter.h"
#include "core/base/err.h"
#include "core/engine/internal.h"
#include "core/measure/phase.h"

void evl_cut_init(struct evl_cut *cut, size_t unit_bytes)
{
	*cut = (struct evl_cut){.rest = evl_xmalloc(unit_bytes), .unit = unit_bytes};
}

void evl_cut_finish(struct evl_cut *cut)
{
	free(cut->rest);
	*cut = (struct evl_cut){0};
}

void evl_cut_feed(struct evl_cut *cut, const uint8_t *data, size_t bytes, evl_cut_fn fn, void *ctx)
{
	if (cut->held > 0) {
		size_t wanted = cut->unit - cut->held;
		size_t n = wanted < bytes ? wanted : bytes;
		memcpy(cut->rest + cut->held, data, n);
		cut->held += n;
		data += n;
		bytes -= n;
		if (cut->held < cut->unit) {
			return;
		}
		cut->held = 0;
		fn(ctx, cut->rest, 1);
	}
	size_t whole = bytes / cut->unit;
	if (whole > 0) {
		fn(ctx, data, (uint32_t)whole);
	}
	cut->held = bytes - whole * cut->unit;
	memcpy(cut->rest, data + whole * cut->unit, cut->held);
}

static uint64_t nominal(enum evl_rate rate, uint64_t frames)
{
	return frames / EVL_SLAB_FRAMES_MIN * evl_rate_bytes(rate, EVL_SLAB_FRAMES_MIN);
}

uint64_t evl_pace_bytes(enum evl_rate rate, int32_t clock_ppb, uint64_t frames)
{
	return evl_clock_bytes(nominal(rate, EVL_TAKE_LEAD_IN + frames), clock_ppb) -
	       evl_clock_bytes(nominal(rate, EVL_TAKE_LEAD_IN), clock_ppb);
}

uint64_t evl_pace_frames(enum evl_rate rate, int32_t clock_ppb, uint64_t bytes)
{
	const uint64_t slab = evl_rate_bytes(rate, EVL_TAKE_SLAB_FRAMES);
	/* One slab is far more than the rounding, so the estimate is at most one slab too long. */
	uint64_t slabs = (uint64_t)((double)bytes / (1.0 + clock_ppb * 1e-9) / (double)slab + 0.5);
	while (slabs > 0 && evl_pace_bytes(rate, clock_ppb, slabs * EVL_TAKE_SLAB_FRAMES) > bytes) {
		slabs--;
	}
	return slabs * EVL_TAKE_SLAB_FRAMES;
}

static uint64_t common_divisor(uint64_t a, uint64_t b)
{
	while (b != 0) {
		uint64_t rest = a % b;
		a = b;
		b = rest;
	}
	return a;
}

int64_t evl_pace_ns(int64_t bit, uint64_t bits, uint64_t ns)
{
	if (bits == 0) {
		return 0;
	}
	const uint64_t d = common_divisor(ns, bits);
	/* In whole stretches and the rest, so that nothing overflows below 2^63 ns. */
	const int64_t n = (int64_t)bits;
	int64_t whole = bit / n, rest = bit % n;
	if (rest < 0) {
		whole--;
		rest += n;
	}
	/* ns = q * bits + r: rest * ns / bits = rest * q + rest * r / bits. At a nominal rate the
	 * common divisor leaves small numbers and all is exact; else what is left out is far
	 * below the size of a bit. */
	const uint64_t q = ns / bits, r = ns % bits / d;
	uint64_t part = (uint64_t)rest * q;
	if (r == 0 || (uint64_t)rest <= UINT64_MAX / r) {
		part += (uint64_t)rest * r / (bits / d);
	} else {
		part += (uint64_t)((double)rest / (double)(bits / d) * (double)r);
	}
	return whole * (int64_t)ns + (int64_t)part;
}

int64_t evl_take_bit_ns(
	const struct evl_take_result *r, const struct evl_take_meter *m, uint64_t bit)
{
	return evl_pace_ns((int64_t)bit, m->stream_bits, r->frames * EVL_FRAME_NS);
}

uint64_t evl_take_recorded_frames(const struct evl_rec *r, uint32_t channel)
{
	const struct evl_rec_info *info = evl_rec_info(r, channel);
	const uint64_t bytes = info->end_bits / 8;
	if (info->channel.direction == EVL_REC_SENT) {
		return evl_pace_frames(info->channel.rate, info->channel.clock_ppb, bytes);
	}
	/* Its clock was its own, within the limits of the driver ABI. */
	const uint64_t slab = evl_rate_bytes(info->channel.rate, EVL_TAKE_SLAB_FRAMES);
	const uint64_t slabs = (bytes + slab / 2) / slab;
	const uint64_t most = slabs * slab * EVL_CLOCK_PPB_MAX / 1000000000u + EVL_SLAB_SLACK;
	const bool fits = slabs * slab <= bytes + most;
	return (fits ? slabs : bytes / slab) * EVL_TAKE_SLAB_FRAMES;
}

/* A multiplexer holds the bits of each tributary in stores whose level follows its clock: a clock
 * that is 50 ppm off moves the level of a desynchroniser with a time constant of 0.5 s by 52 bits
 * (common practice, no source), and it goes on from there in the next take. */
#define STORES_BITS 96

static bool own_clock(const struct take *t)
{
	bool any = false;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		any = any || t->parts[i].clock_ppb != 0 ||
		      t->engine->off_clock[t->plan->parts[i].channel];
	}
	return any;
}

uint32_t evl_meters_tolerance(const struct take *t, uint32_t n, uint32_t period_bits)
{
	if (!own_clock(t)) {
		return EVL_PHASE_TOLERANCE_BITS;
	}
	/* Phases are at least period / (2 n) apart, and two tolerances must fit in between. */
	const uint32_t most = period_bits / (4 * n);
	const uint32_t wide = EVL_PHASE_TOLERANCE_BITS + STORES_BITS;
	return wide < most                       ? wide
	       : most > EVL_PHASE_TOLERANCE_BITS ? most - 1
						 : EVL_PHASE_TOLERANCE_BITS;
}
