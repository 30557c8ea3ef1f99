/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The walk: compares at the present delay; where too many bits differ it asks whether another delay
 * fits from there on, and if so, at which bit the old one ends and the new one begins.
 */
#include "core/recording/align.h"

#include <string.h>

#include "core/recording/internal.h"
#include "core/signal/bits.h"

enum {
	BLOCK_BITS = 4096,            /* judged as one */
	DOUBTFUL = BLOCK_BITS / 64,   /* more differing bits than this in a block: look closer */
	WAIT_MOST = 16 * 1024 * 1024, /* bits after a search in vain; it doubles up to here */
};

struct walk {
	struct rec_aligning *x;
	const struct evl_rec_align_plan *plan;
	struct evl_rec_aligned *d;
	int64_t delay;
	int64_t at; /* next bit of the first to be compared */
	/* The block before it is kept open, for a slip may turn out to lie in it. */
	struct {
		int64_t from; /* to `at`; from == at: none */
		uint64_t different;
		int64_t first;
	} open;
	bool settled;    /* a block has fitted */
	int64_t trusted; /* no closer look before here */
	int64_t wait;    /* after the next search in vain */
};

static void place(uint64_t bit, enum evl_rate rate, uint64_t *frame, uint32_t *byte, uint32_t *no)
{
	uint32_t frame_bits = evl_rate_frame_bits(rate);
	*frame = bit / frame_bits;
	*byte = (uint32_t)(bit % frame_bits) / 8;
	*no = (uint32_t)(bit % frame_bits) % 8 + 1;
}

/* Bits of the first at or after `at` whose partners at `delay` are recorded too. */
static enum evl_status common_span(struct rec_aligning *x, int64_t at, int64_t delay, int64_t most,
	struct rec_span *out, struct evl_err *err)
{
	at = at + delay < 0 ? -delay : at;
	for (;;) {
		struct rec_span b;
		enum evl_status st = rec_span_at(&x->a, at, most, out, err);
		if (st == EVL_OK && out->from != out->to) {
			st = rec_span_at(&x->b, out->from + delay, most, &b, err);
		}
		if (st < 0 || out->from == out->to) {
			return st;
		}
		if (b.from == b.to) {
			*out = (struct rec_span){INT64_MAX, INT64_MAX};
			return EVL_OK;
		}
		if (b.from - delay < out->to) {
			out->from = b.from - delay;
			out->to = b.to - delay < out->to ? b.to - delay : out->to;
			return EVL_OK;
		}
		at = b.from - delay;
	}
}

/* Reads a common span of at most ALIGN_CHUNK_BITS into bits_a and bits_b. */
static enum evl_status read_both(
	struct rec_aligning *x, const struct rec_span *s, int64_t delay, struct evl_err *err)
{
	enum evl_status st = rec_span_read(&x->a, s->from, s->to - s->from, x->bits_a, err);
	return st < 0 ? st : rec_span_read(&x->b, s->from + delay, s->to - s->from, x->bits_b, err);
}

static void note_changed(struct evl_rec_aligned *d, int64_t first, uint64_t different)
{
	if (different > 0 && d->changed_bits == 0) {
		d->first_bit = (uint64_t)first;
		place(d->first_bit, d->rate, &d->first_frame, &d->first_byte, &d->first_bit_no);
	}
	d->changed_bits += different;
}

static void close_block(struct walk *w)
{
	note_changed(w->d, w->open.first, w->open.different);
	w->d->compared_bits += (uint64_t)(w->at - w->open.from);
	w->open.from = w->at;
	w->open.different = 0;
}

static void open_block(struct walk *w, int64_t to, uint64_t different, int64_t first)
{
	close_block(w);
	w->at = to;
	w->open.different = different;
	w->open.first = first;
}

/* Counts the bits [from, to) of the first at the present delay for good. */
static enum evl_status count(struct walk *w, int64_t from, int64_t to, struct evl_err *err)
{
	struct rec_aligning *x = w->x;
	while (from < to) {
		struct rec_span s;
		int64_t most = to - from < ALIGN_CHUNK_BITS ? to - from : ALIGN_CHUNK_BITS;
		enum evl_status st = common_span(x, from, w->delay, most, &s, err);
		if (st < 0 || s.from >= to) {
			return st;
		}
		s.to = s.to < to ? s.to : to;
		st = read_both(x, &s, w->delay, err);
		if (st < 0) {
			return st;
		}
		size_t bytes = (size_t)(s.to - s.from + 7) / 8;
		note_changed(w->d,
			s.from + (int64_t)evl_bits_first_diff(x->bits_a, x->bits_b, bytes),
			evl_bits_count_diff(x->bits_a, x->bits_b, bytes));
		w->d->compared_bits += (uint64_t)(s.to - s.from);
		from = s.to;
	}
	return EVL_OK;
}

/*
 * The place at which the old delay best gives way to the new one, within [from, to): for each bit s
 * the cost is the differing bits before s at the old delay and from s + lost on at the new one. It
 * is enough to follow how the cost changes with s. *least and *most: the first and last s of least
 * cost.
 */
static enum evl_status split(struct walk *w, int64_t from, int64_t to, int64_t new_delay,
	int64_t *least, int64_t *most, struct evl_err *err)
{
	struct rec_aligning *x = w->x;
	int64_t lost = new_delay < w->delay ? w->delay - new_delay : 0;
	int64_t at = from;
	int64_t cost = 0;
	int64_t best = 0;
	*least = *most = from;
	to -= lost;
	while (at < to) {
		/* Bit s of the first at the old delay; bit s + lost at the new one. */
		struct rec_span olds, news;
		int64_t chunk = to - at < ALIGN_CHUNK_BITS ? to - at : ALIGN_CHUNK_BITS;
		enum evl_status st = common_span(x, at, w->delay, chunk, &olds, err);
		if (st == EVL_OK) {
			st = common_span(x, at + lost, new_delay, chunk, &news, err);
		}
		if (st < 0) {
			return st;
		}
		int64_t start = olds.from > news.from - lost ? olds.from : news.from - lost;
		int64_t end = olds.to < news.to - lost ? olds.to : news.to - lost;
		end = end < to ? end : to;
		if (olds.from >= to || news.from - lost >= to) {
			break;
		}
		if (start >= end) { /* a gap in one of them: beyond it */
			at = start > at ? start : at + 1;
			continue;
		}
		struct rec_span s = {start, end};
		struct rec_span n = {start + lost, end + lost};
		size_t bytes = (size_t)(end - start + 7) / 8;
		st = read_both(x, &s, w->delay, err);
		if (st == EVL_OK) {
			evl_bits_xor(x->bits_a, x->bits_b, bytes);
			memcpy(x->bits_c, x->bits_a, bytes);
			st = read_both(x, &n, new_delay, err);
		}
		if (st < 0) {
			return st;
		}
		evl_bits_xor(x->bits_a, x->bits_b, bytes);
		for (int64_t i = 0; i < end - start; i++) {
			if (i % 64 == 0 && end - start - i >= 64 && cost > best + 64) {
				/* Far from the least: by words. */
				cost += (int64_t)evl_bits_count_ones(x->bits_c + i / 8, 8) -
					(int64_t)evl_bits_count_ones(x->bits_a + i / 8, 8);
				i += 63;
				continue;
			}
			cost += evl_bits_get(x->bits_c, (uint64_t)i) -
				evl_bits_get(x->bits_a, (uint64_t)i);
			if (cost < best) {
				best = cost;
				*least = start + i + 1;
			}
			if (cost == best) {
				*most = start + i + 1;
			}
		}
		at = end;
	}
	return EVL_OK;
}

/* Are the `bits` bits of b before `at` the same as those from `at` on? */
static enum evl_status twice(
	struct walk *w, int64_t at, int64_t bits, bool *out, struct evl_err *err)
{
	struct rec_aligning *x = w->x;
	*out = at >= bits;
	for (int64_t done = 0; *out && done < bits;) {
		int64_t n = bits - done < ALIGN_CHUNK_BITS ? bits - done : ALIGN_CHUNK_BITS;
		int64_t places[2] = {at - bits + done, at + done};
		uint8_t *into[2] = {x->bits_a, x->bits_b};
		for (int i = 0; *out && i < 2; i++) {
			struct rec_span s;
			enum evl_status st = rec_span_at(&x->b, places[i], n, &s, err);
			*out = st == EVL_OK && s.from == places[i] && s.to - s.from == n;
			if (*out) {
				st = rec_span_read(&x->b, places[i], n, into[i], err);
			}
			if (st < 0) {
				return st;
			}
		}
		*out = *out && memcmp(x->bits_a, x->bits_b, (size_t)(n + 7) / 8) == 0;
		done += n;
	}
	return EVL_OK;
}

static enum evl_status slip(
	struct walk *w, int64_t found_at, int64_t new_delay, struct evl_err *err)
{
	struct evl_rec_aligned *d = w->d;
	int64_t least, most;
	enum evl_status st = split(w, w->open.from, found_at, new_delay, &least, &most, err);
	if (st == EVL_OK) {
		st = count(w, w->open.from, most, err);
	}
	if (st < 0) {
		return st;
	}
	struct evl_rec_slip s = {.kind = EVL_REC_LOST,
		.bit = (uint64_t)most,
		.least_bit = (uint64_t)least,
		.delay_bits = new_delay};
	int64_t bits = new_delay - w->delay;
	if (bits > 0) {
		bool same;
		st = twice(w, most + w->delay, bits, &same, err);
		if (st < 0) {
			return st;
		}
		s.kind = same ? EVL_REC_REPEATED : EVL_REC_INSERTED;
	}
	s.bits = (uint64_t)(bits < 0 ? -bits : bits);
	uint32_t frame_bits = evl_rate_frame_bits(d->rate);
	s.frames = s.bits % frame_bits == 0 ? s.bits / frame_bits : 0;
	place(s.bit, d->rate, &s.frame, &s.byte, &s.bit_no);
	d->slips++;
	*(s.kind == EVL_REC_LOST             ? &d->lost_bits
		: s.kind == EVL_REC_REPEATED ? &d->repeated_bits
					     : &d->inserted_bits) += s.bits;
	if (w->plan->slip != NULL) {
		w->plan->slip(w->plan->context, d, &s);
	}
	w->delay = new_delay;
	w->at = w->open.from = most + (bits < 0 ? -bits : 0);
	w->open.different = 0;
	w->trusted = found_at;
	return EVL_OK;
}

/* The block at w->at is doubtful: which delay holds after it? Afterwards w->trusted is beyond it.
 */
static enum evl_status look_closer(struct walk *w, struct evl_err *err)
{
	struct rec_aligning *x = w->x;
	int64_t q = w->at;
	int64_t step = BLOCK_BITS;
	for (;;) {
		struct rec_probe p;
		struct rec_fit now, other;
		enum evl_status st = rec_probe_at(x, q, &p, err);
		if (st == EVL_OK && p.bits == 0) { /* nothing follows that could tell */
			w->trusted = INT64_MAX;
			return EVL_OK;
		}
		if (st == EVL_OK) {
			st = rec_probe_fit(x, &p, w->delay, &now, err);
		}
		if (st < 0) {
			return st;
		}
		if (now.different >= 0 && now.different <= p.bits / 64) {
			/* It was a burst; the delay is what it was. */
			w->trusted = p.from > w->at ? p.from : w->at + BLOCK_BITS;
			return EVL_OK;
		}
		st = rec_probe_search(x, &p, w->delay, x->near, w->delay, &other, err);
		if (st == EVL_OK && (other.different < 0 || other.different > p.bits / 64)) {
			st = rec_probe_search(x, &p, w->delay, x->range, w->delay, &other, err);
		}
		if (st < 0) {
			return st;
		}
		bool within = other.delay >= -x->range && other.delay <= x->range;
		if (other.different >= 0 && within &&
			(now.different < 0 || other.different * 4 <= now.different)) {
			w->wait = BLOCK_BITS;
			if (w->settled) {
				return slip(w, p.from + p.bits, other.delay, err);
			}
			/* Nothing fitted so far: the delay at the start was another. */
			w->delay = w->d->delay_bits = other.delay;
			w->at = w->open.from;
			w->open.different = 0;
			w->trusted = p.from + p.bits;
			return EVL_OK;
		}
		if (now.different >= 0 && now.different <= p.bits / 8) { /* merely many errors */
			w->trusted = p.from + w->wait;
			w->wait = w->wait < WAIT_MOST ? w->wait * 2 : w->wait;
			return EVL_OK;
		}
		q = p.from + step;
		step = step < WAIT_MOST ? step * 2 : step;
	}
}

/* Compares one span of at most ALIGN_CHUNK_BITS, block by block. */
static enum evl_status walk_span(struct walk *w, const struct rec_span *s, struct evl_err *err)
{
	struct rec_aligning *x = w->x;
	if (s->from != w->at) { /* after a gap */
		close_block(w);
		w->at = w->open.from = s->from;
	}
	enum evl_status st = read_both(x, s, w->delay, err);
	while (st == EVL_OK && w->at < s->to) {
		size_t skip = (size_t)(w->at - s->from) / 8;
		int64_t n = s->to - w->at < BLOCK_BITS ? s->to - w->at : BLOCK_BITS;
		size_t bytes = (size_t)(n + 7) / 8;
		uint64_t different = 0;
		int64_t first = 0;
		if (memcmp(x->bits_a + skip, x->bits_b + skip, bytes) != 0) {
			different = evl_bits_count_diff(x->bits_a + skip, x->bits_b + skip, bytes);
			first = w->at + (int64_t)evl_bits_first_diff(
						x->bits_a + skip, x->bits_b + skip, bytes);
		}
		if (different * BLOCK_BITS > (uint64_t)n * DOUBTFUL && w->at >= w->trusted) {
			return look_closer(w, err); /* what was read is lost; read again */
		}
		if (different <= DOUBTFUL) {
			w->settled = true;
			w->wait = different == 0 ? BLOCK_BITS : w->wait;
		}
		open_block(w, w->at + n, different, first);
	}
	return st;
}

enum evl_status rec_walk(struct rec_aligning *x, const struct evl_rec_align_plan *plan,
	struct evl_rec_aligned *d, struct evl_err *err)
{
	struct walk w = {.x = x, .plan = plan, .d = d, .delay = d->delay_bits, .wait = BLOCK_BITS};
	enum evl_status st = EVL_OK;
	while (st == EVL_OK) {
		struct rec_span s;
		st = common_span(x, w.at, w.delay, ALIGN_CHUNK_BITS, &s, err);
		if (st < 0 || s.from == s.to) {
			break;
		}
		st = walk_span(&w, &s, err);
	}
	close_block(&w);
	return st;
}
