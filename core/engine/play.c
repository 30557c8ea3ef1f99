/* SPDX-License-Identifier: Apache-2.0 */
/* What channels play: idle, patterns, frames around them, recordings. */
#include <inttypes.h>
#include <string.h>

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

struct evl_take_window evl_play_window(const struct evl_take_content *c)
{
	struct evl_take_window w = c->window;
	if (w.bits == 0) {
		w = (struct evl_take_window){
			.bits = evl_rec_info(c->reader, c->reader_channel)->end_bits};
	}
	return w;
}

/* The whole channel, from its first bit. */
static enum evl_status check_whole(
	const struct take *t, const struct evl_rec_info *info, uint64_t need, struct evl_err *err)
{
	if (info->gaps > 0 || info->bits < need) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: channel %s of the recording has %" PRIu64 " bits and %" PRIu64
			" gaps; the take needs %" PRIu64
			" bits without a gap: shorten it, or choose a window of the recording",
			t->plan->name, info->channel.name, info->bits, info->gaps, need);
	}
	return EVL_OK;
}

/* Is every bit of the window recorded? */
static enum evl_status check_gaps(
	const struct take *t, const struct evl_take_content *c, struct evl_err *err)
{
	const struct evl_rec_info *info = evl_rec_info(c->reader, c->reader_channel);
	uint64_t at = c->window.from_bit;
	const uint64_t end = at + c->window.bits;
	if (end <= info->end_bits && at >= info->first_bit &&
		(info->gaps == 0 || (info->gaps == 1 && info->first_bit > 0))) {
		return EVL_OK; /* nothing is missing but what is before the first bit */
	}
	while (at < end) {
		struct evl_rec_piece piece;
		enum evl_status st = evl_rec_piece(c->reader, c->reader_channel, at, &piece, err);
		if (st < 0 && st != EVL_E_END) {
			return st;
		}
		if (st == EVL_E_END || piece.bit_offset > at) {
			uint64_t to =
				st == EVL_OK && piece.bit_offset < end ? piece.bit_offset : end;
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: bits %" PRIu64 " to %" PRIu64
				" of channel %s are not in the recording; choose a window without "
				"them",
				t->plan->name, at, to - 1, info->channel.name);
		}
		at = piece.bit_offset + piece.bits;
	}
	return EVL_OK;
}

static enum evl_status check_window(const struct take *t, const struct evl_take_content *c,
	const struct evl_bound_channel *b, uint64_t need, struct evl_err *err)
{
	const struct evl_take_window *w = &c->window;
	const struct evl_rec_info *info = evl_rec_info(c->reader, c->reader_channel);
	evl_require(
		(w->from_bit | w->bits | w->lead_bits | w->seam_bits | w->settle_bits) % 8 == 0);
	/* A take lasts whole slabs, so it may end less than one after the window. */
	const uint64_t slack =
		(uint64_t)evl_slab_room((uint32_t)evl_rate_bytes(b->rate, EVL_TAKE_SLAB_FRAMES)) *
		8;
	if (!w->then_idle && evl_window_end(w) + slack < need) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: what is replayed on %s ends after %" PRIu64
			" bits, the take after %" PRIu64
			"; shorten the take, or say then_idle = true for idle bits after it",
			t->plan->name, b->label, evl_window_end(w), need);
	}
	if (w->settle_bits >= w->bits) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: the window of %s is not longer than what is left out of the "
			"comparison at its beginning (%" PRIu64 " bits of channel %s)",
			t->plan->name, b->label, w->settle_bits, info->channel.name);
	}
	return check_gaps(t, c, err);
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
		enum evl_status st = both[k]->window.bits == 0
					     ? check_whole(t, info, need, err)
					     : check_window(t, both[k], b, need, err);
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

static enum evl_status fill_recorded(struct part *p, size_t bytes, struct evl_err *err)
{
	const struct evl_take_content *c = &p->plan->played;
	uint64_t bit = p->sent_bits;
	uint8_t *out = p->tx;
	while (bytes > 0) {
		struct evl_window_run run;
		evl_window_at(&p->played, bit, &run);
		size_t n = run.bits / 8 < bytes ? (size_t)(run.bits / 8) : bytes;
		if (!run.recorded) {
			memset(out, EVL_TAKE_IDLE, n);
		} else {
			enum evl_status st = evl_rec_read(
				c->reader, c->reader_channel, run.rec_bit, out, n, err);
			if (st < 0) {
				return st;
			}
		}
		out += n;
		bit += (uint64_t)n * 8;
		bytes -= n;
	}
	return EVL_OK;
}

void evl_play_idle(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		if (p->tx != NULL) {
			memset(p->tx, EVL_TAKE_IDLE, evl_slab_room((uint32_t)p->slab_bytes));
		}
	}
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
		} else if (t->in_lead_in || p->plan->played.kind == EVL_CONTENT_NONE) {
			if (p->network == NULL) {
				continue; /* idle, as made at the beginning */
			}
			memset(p->tx, EVL_TAKE_IDLE, bytes);
		} else if (p->plan->played.kind == EVL_CONTENT_PATTERN) {
			evl_source_fill(&p->generator, p->tx, bytes);
		} else if (p->plan->played.kind == EVL_CONTENT_RECORDING) {
			st = fill_recorded(p, bytes, err);
		}
		if (st < 0) {
			return st;
		}
		evl_through_pass(t, p, bytes);
	}
	return EVL_OK;
}
