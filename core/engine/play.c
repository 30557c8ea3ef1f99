/* SPDX-License-Identifier: Apache-2.0 */
/* What channels play: idle, patterns, frames around them, recordings. */
#include <inttypes.h>

#include "core/engine/internal.h"

/* The clock of what a part plays. */
int32_t evl_play_clock(const struct evl_take_part *p)
{
	return p->played.kind == EVL_CONTENT_RECORDING
		       ? evl_rec_info(p->played.reader, p->played.reader_channel)->channel.clock_ppb
		       : p->clock_ppb;
}

static enum evl_status check_clock(const struct take *t, const struct evl_take_part *p,
	const struct evl_bound_channel *b, struct evl_err *err)
{
	int32_t ppb = evl_play_clock(p);
	uint32_t count = 0;
	const struct evl_channel_info *c =
		evl_instance_channels(t->engine->args.instances[b->adapter], &count);
	if (ppb == 0 || (c[b->channel].abilities & EVL_CH_CLOCK) != 0) {
		return EVL_OK;
	}
	return evl_err_set(err, EVL_E_INVALID,
		"take %s: clock: %s has a fixed clock, so it cannot play %+.3f ppm off; %s",
		t->plan->name, b->label, ppb * 1e-3,
		p->played.kind == EVL_CONTENT_RECORDING
			? "the recording was made on a channel that can"
			: "take it out of clock");
}

/* Bits that a recording must hold. What is received by another clock may be a little less than what
 * was expected: two clocks, each within the limits of the driver ABI. */
static uint64_t needed_bits(const struct take *t, const struct evl_take_part *p,
	const struct evl_take_content *c, enum evl_rate rate)
{
	if (c == &p->played) {
		return evl_pace_bytes(rate, evl_play_clock(p), t->frames_all) * 8;
	}
	uint64_t bytes = evl_pace_bytes(rate, 2 * -EVL_CLOCK_PPB_MAX, t->frames_all);
	return bytes > 2 * EVL_SLAB_SLACK ? (bytes - 2 * EVL_SLAB_SLACK) * 8 : 0;
}

enum evl_status evl_play_check(const struct take *t, const struct evl_take_part *p,
	const struct evl_bound_channel *b, struct evl_err *err)
{
	if (check_clock(t, p, b, err) < 0) {
		return EVL_E_INVALID;
	}
	const struct evl_take_content *both[] = {&p->played, &p->expected};
	for (int k = 0; k < 2; k++) {
		if (both[k]->kind != EVL_CONTENT_RECORDING) {
			continue;
		}
		const struct evl_rec_info *info =
			evl_rec_info(both[k]->reader, both[k]->reader_channel);
		if (info->channel.rate != b->rate) {
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: %s is %s, but channel %s of the recording is %s",
				t->plan->name, b->label, evl_rate_name(b->rate), info->channel.name,
				evl_rate_name(info->channel.rate));
		}
		uint64_t need = needed_bits(t, p, both[k], b->rate);
		if (info->gaps > 0 || info->bits < need) {
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: channel %s of the recording has %" PRIu64
				" bits and %" PRIu64 " gaps; the take needs %" PRIu64
				" bits without a gap",
				t->plan->name, info->channel.name, info->bits, info->gaps, need);
		}
	}
	return EVL_OK;
}

enum evl_status evl_play_fill(struct take *t, struct evl_err *err)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		enum evl_status st = EVL_OK;
		size_t bytes = evl_instance_tx_bytes(
			t->instances[p->instance].in, p->place, EVL_TAKE_SLAB_FRAMES);
		if (p->framed_tx != NULL) {
			evl_framed_tx_fill(
				p->framed_tx, t->in_lead_in ? NULL : &p->generator, p->tx, bytes);
		} else if (t->in_lead_in) {
			continue; /* idle, as made at the beginning */
		} else if (p->plan->played.kind == EVL_CONTENT_PATTERN) {
			evl_source_fill(&p->generator, p->tx, bytes);
		} else if (p->plan->played.kind == EVL_CONTENT_RECORDING) {
			st = evl_rec_read(p->plan->played.reader, p->plan->played.reader_channel,
				p->sent_bits, p->tx, bytes, err);
		}
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}
