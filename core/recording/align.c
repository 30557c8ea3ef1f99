/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/align.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/recording/internal.h"

enum { NEAR_BITS = 4096 }; /* slips are looked for this near first, or within 4 frames */

const char *evl_rec_slip_name(enum evl_rec_slip_kind kind)
{
	return kind == EVL_REC_LOST ? "lost" : kind == EVL_REC_REPEATED ? "repeated" : "inserted";
}

/* The delay at the start, from the first part that is not plain. At most `tries` full searches. */
static enum evl_status first_delay(struct rec_aligning *x, uint32_t tries, struct rec_fit *out,
	struct rec_probe *probe, struct evl_err *err)
{
	int64_t q = 0;
	int64_t step = EVL_REC_ALIGN_PROBE_BITS;
	int64_t plain_at = -1;
	uint32_t plains = 0;
	*out = (struct rec_fit){0, -1};
	while (tries > 0) {
		enum evl_status st = rec_probe_at(x, q, probe, err);
		if (st < 0 || probe->bits == 0) {
			if (st < 0) {
				return st;
			}
			break;
		}
		if (probe->plain && ++plains <= 1024) {
			plain_at = plain_at < 0 ? probe->from : plain_at;
			q = probe->from + probe->bits;
			continue;
		}
		if (!probe->plain) {
			tries--;
			st = rec_probe_search(x, probe, 0, x->range, NO_DELAY, out, err);
			if (st < 0 || out->different >= 0) {
				return st;
			}
		}
		q = probe->from + step;
		step *= 2;
	}
	if (plain_at < 0) {
		return EVL_OK;
	}
	enum evl_status st = rec_probe_at(x, plain_at, probe, err);
	if (st == EVL_OK) {
		st = rec_probe_search(x, probe, 0, x->range, NO_DELAY, out, err);
	}
	return st;
}

/* ---- channels ---- */

static void aim(struct rec_aligning *x, const struct evl_rec_align_plan *plan, struct evl_rec *a,
	uint32_t a_channel, struct evl_rec *b, uint32_t b_channel)
{
	x->a.r = a;
	x->a.channel = a_channel;
	x->a.from = (int64_t)plan->a_part.from_bit;
	x->a.to = plan->a_part.to_bit > 0 ? (int64_t)plan->a_part.to_bit : INT64_MAX;
	x->b.r = b;
	x->b.channel = b_channel;
	x->b.from = (int64_t)plan->b_part.from_bit;
	x->b.to = plan->b_part.to_bit > 0 ? (int64_t)plan->b_part.to_bit : INT64_MAX;
	uint32_t frame_bits = evl_rate_frame_bits(evl_rec_info(a, a_channel)->channel.rate);
	uint64_t range_ns = plan->range_ns > 0 ? plan->range_ns : EVL_REC_ALIGN_RANGE_NS;
	x->range = (int64_t)((range_ns + EVL_FRAME_NS - 1) / EVL_FRAME_NS * frame_bits);
	x->near = frame_bits > NEAR_BITS / 4 ? (int64_t)frame_bits * 4 : NEAR_BITS;
}

static enum evl_status align_pair(struct rec_aligning *x, const struct evl_rec_align_plan *plan,
	struct evl_rec_aligned *d, struct evl_err *err)
{
	struct rec_fit fit, other = {0, -1};
	struct rec_probe probe;
	enum evl_status st = first_delay(x, UINT32_MAX, &fit, &probe, err);
	if (st < 0 || fit.different < 0) {
		return st;
	}
	d->found = true;
	d->delay_bits = fit.delay;
	st = rec_probe_search(x, &probe, fit.delay, x->range, fit.delay, &other, err);
	if (st < 0) {
		return st;
	}
	if (other.different >= 0 && other.different <= fit.different) {
		d->repeats = true;
		d->other_delay_bits = other.delay;
	}
	st = rec_walk(x, plan, d, err);
	d->only_a_bits = d->a_recorded_bits - d->compared_bits - d->lost_bits;
	d->only_b_bits =
		d->b_recorded_bits - d->compared_bits - d->repeated_bits - d->inserted_bits;
	return st;
}

/* A pair without a delay: does one other channel, and only one, carry the bits? */
static enum evl_status find_crossing(struct rec_aligning *x, const struct evl_rec_align_plan *plan,
	struct evl_rec *a, struct evl_rec *b, const struct rec_pairs *pairs,
	struct evl_rec_aligned *d, struct evl_err *err)
{
	uint32_t hits = 0;
	for (uint32_t o = 0; o < evl_rec_channel_count(b) && hits < 2; o++) {
		const struct evl_rec_info *info = evl_rec_info(b, o);
		struct rec_probe probe;
		struct rec_fit fit;
		if (o == d->b_channel || !pairs->candidate[o] || info->channel.rate != d->rate) {
			continue;
		}
		aim(x, plan, a, (uint32_t)d->a_channel, b, o);
		enum evl_status st = first_delay(x, 3, &fit, &probe, err);
		if (st < 0) {
			return st;
		}
		if (fit.different >= 0 && !probe.plain) {
			hits++;
			d->crossed_with = o;
			d->crossed_name = info->channel.name;
			d->crossed_delay_bits = fit.delay;
		}
	}
	if (hits != 1) {
		d->crossed_with = -1;
		d->crossed_name = NULL;
		d->crossed_delay_bits = 0;
	}
	return EVL_OK;
}

/* Recorded bits in the part of one side. */
static enum evl_status bits_of_part(struct rec_side *s, uint64_t *out, struct evl_err *err)
{
	const struct evl_rec_info *info = evl_rec_info(s->r, s->channel);
	*out = info->bits;
	if (s->from == 0 && s->to == INT64_MAX) {
		return EVL_OK;
	}
	*out = 0;
	for (int64_t at = 0;;) {
		struct rec_span span;
		enum evl_status st = rec_span_at(s, at, INT64_MAX, &span, err);
		if (st < 0 || span.from == span.to) {
			return st;
		}
		*out += (uint64_t)(span.to - span.from);
		at = span.to;
	}
}

static enum evl_status do_pair(struct rec_aligning *x, const struct evl_rec_align_plan *plan,
	struct evl_rec *a, struct evl_rec *b, const struct rec_pairs *pairs,
	struct evl_rec_aligned *d, struct evl_err *err)
{
	if (d->a_channel < 0 || d->b_channel < 0) {
		d->relation = d->b_channel < 0 ? EVL_REC_ONLY_A : EVL_REC_ONLY_B;
		return EVL_OK;
	}
	const struct evl_rec_info *ia = evl_rec_info(a, (uint32_t)d->a_channel);
	const struct evl_rec_info *ib = evl_rec_info(b, (uint32_t)d->b_channel);
	d->rate = ia->channel.rate;
	if (ia->channel.rate != ib->channel.rate) {
		d->relation = EVL_REC_RATE;
		return EVL_OK;
	}
	aim(x, plan, a, (uint32_t)d->a_channel, b, (uint32_t)d->b_channel);
	enum evl_status st = bits_of_part(&x->a, &d->a_recorded_bits, err);
	st = st == EVL_OK ? bits_of_part(&x->b, &d->b_recorded_bits, err) : st;
	d->only_a_bits = d->a_recorded_bits;
	d->only_b_bits = d->b_recorded_bits;
	if (st == EVL_OK && ia->bits > 0 && ib->bits > 0) {
		st = align_pair(x, plan, d, err);
		if (st == EVL_OK && !d->found) {
			st = find_crossing(x, plan, a, b, pairs, d, err);
		}
		d->relation = !d->found || d->changed_bits > 0 || d->slips > 0 ? EVL_REC_DIFFERENT
									       : EVL_REC_EQUAL;
	}
	if (d->relation == EVL_REC_EQUAL && (d->only_a_bits > 0 || d->only_b_bits > 0)) {
		d->relation = EVL_REC_LENGTH;
	}
	return st;
}

static void describe(struct evl_rec_aligned *d, struct evl_rec *a, int64_t a_channel,
	struct evl_rec *b, int64_t b_channel)
{
	*d = (struct evl_rec_aligned){
		.a_channel = a_channel, .b_channel = b_channel, .crossed_with = -1};
	if (a_channel >= 0) {
		d->a_name = evl_rec_info(a, (uint32_t)a_channel)->channel.name;
		d->a_recorded_bits = evl_rec_info(a, (uint32_t)a_channel)->bits;
	}
	if (b_channel >= 0) {
		d->b_name = evl_rec_info(b, (uint32_t)b_channel)->channel.name;
		d->b_recorded_bits = evl_rec_info(b, (uint32_t)b_channel)->bits;
	}
}

static void add_up(struct evl_rec_align_summary *sum, const struct evl_rec_aligned *d)
{
	sum->pairs += d->a_channel >= 0 && d->b_channel >= 0;
	sum->only_a += d->relation == EVL_REC_ONLY_A;
	sum->only_b += d->relation == EVL_REC_ONLY_B;
	sum->equal += d->relation == EVL_REC_EQUAL;
	sum->found += d->found;
	sum->crossed += d->crossed_with >= 0;
	sum->compared_bits += d->compared_bits;
	sum->changed_bits += d->changed_bits;
	sum->slips += d->slips;
}

enum evl_status evl_rec_align(struct evl_rec *a, struct evl_rec *b,
	const struct evl_rec_align_plan *plan, struct evl_rec_align_summary *summary,
	struct evl_err *err)
{
	struct evl_rec_align_summary own;
	summary = summary != NULL ? summary : &own;
	memset(summary, 0, sizeof *summary);
	if (plan->range_ns > EVL_REC_ALIGN_RANGE_NS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"a delay of up to %" PRIu64 " ns cannot be searched for; the most "
			"is %llu ns",
			plan->range_ns, EVL_REC_ALIGN_RANGE_NS_MAX);
	}
	struct rec_aligning x = {0};
	struct rec_pairs pairs = {0};
	struct evl_rec_aligned d;
	enum evl_status st = rec_pairs_init(&pairs, a, b, plan->map, plan->map_count, err);
	if (st == EVL_OK && !rec_aligning_init(&x)) {
		st = evl_err_set(err, EVL_E_NOMEM, "no memory to compare %s with %s",
			evl_rec_path(a), evl_rec_path(b));
	}
	for (uint32_t c = 0; st == EVL_OK && c < evl_rec_channel_count(a); c++) {
		if (pairs.partner[c] == -2) {
			continue;
		}
		describe(&d, a, c, b, pairs.partner[c]);
		st = do_pair(&x, plan, a, b, &pairs, &d, err);
		if (st == EVL_OK) {
			add_up(summary, &d);
			if (plan->channel != NULL) {
				plan->channel(plan->context, &d);
			}
		}
	}
	for (uint32_t o = 0; st == EVL_OK && plan->map_count == 0 && o < evl_rec_channel_count(b);
		o++) {
		if (pairs.taken[o]) {
			continue;
		}
		describe(&d, a, -1, b, o);
		d.relation = EVL_REC_ONLY_B;
		add_up(summary, &d);
		if (plan->channel != NULL) {
			plan->channel(plan->context, &d);
		}
	}
	rec_aligning_finish(&x);
	rec_pairs_finish(&pairs);
	return st;
}

enum evl_status evl_rec_find_delay(struct evl_rec *a, uint32_t a_channel, struct evl_rec *b,
	uint32_t b_channel, const struct evl_rec_align_plan *plan, bool *found, int64_t *delay_bits,
	struct evl_err *err)
{
	struct rec_aligning x = {0};
	struct rec_fit fit = {0, -1};
	struct rec_probe probe;
	enum evl_status st = EVL_OK;
	evl_require(plan->range_ns <= EVL_REC_ALIGN_RANGE_NS_MAX);
	evl_require(evl_rec_info(a, a_channel)->channel.rate ==
		    evl_rec_info(b, b_channel)->channel.rate);
	if (!rec_aligning_init(&x)) {
		st = evl_err_set(err, EVL_E_NOMEM, "no memory to compare %s with %s",
			evl_rec_path(a), evl_rec_path(b));
	} else {
		aim(&x, plan, a, a_channel, b, b_channel);
		st = first_delay(&x, 16, &fit, &probe, err);
	}
	rec_aligning_finish(&x);
	*found = st == EVL_OK && fit.different >= 0;
	*delay_bits = *found ? fit.delay : 0;
	return st;
}
