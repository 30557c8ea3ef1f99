/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/diff.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/recording/internal.h"
#include "core/signal/bits.h"

enum {
	CHUNK = 64 * 1024,
	SAMPLES = 16,       /* places along a channel where a crossing by content is looked for */
	SAMPLE_BYTES = 256, /* at each */
};

const char *evl_rec_relation_name(enum evl_rec_relation relation)
{
	static const char *const names[] = {"equal",     "different", "length",
					    "only in a", "only in b", "rate"};
	return names[relation];
}

/* What is known of one channel for the crossing check. */
struct side {
	uint8_t digest[EVL_SHA256_BYTES];
	bool has_digest;
	uint8_t *sample;      /* SAMPLES * SAMPLE_BYTES, or NULL while not read */
	uint64_t sampled_for; /* the common length that the places were taken from, in bits */
	bool sample_fails;    /* too short, or a gap where a sample would be */
};

struct diffing {
	struct evl_rec *a, *b;
	struct side *sides_a, *sides_b;
	uint8_t *buf_a, *buf_b; /* CHUNK */
	struct rec_pairs pairs;
};

/* ---- bit by bit ---- */

static void note_first(struct evl_rec_difference *d, enum evl_rate rate, uint64_t bit)
{
	uint32_t frame_bits = evl_rate_frame_bits(rate);
	uint32_t in_frame = (uint32_t)(bit % frame_bits);
	d->first_bit = bit;
	d->first_frame = bit / frame_bits;
	d->first_byte = in_frame / 8;
	d->first_bit_no = in_frame % 8 + 1;
}

static enum evl_status compare_run(struct diffing *x, struct evl_rec_difference *d, uint64_t from,
				   uint64_t bits, struct evl_err *err)
{
	while (bits > 0) {
		size_t n = bits / 8 < CHUNK ? (size_t)(bits / 8) : CHUNK;
		enum evl_status st =
			evl_rec_read(x->a, (uint32_t)d->a_channel, from, x->buf_a, n, err);
		if (st == EVL_OK) {
			st = evl_rec_read(x->b, (uint32_t)d->b_channel, from, x->buf_b, n, err);
		}
		if (st < 0) {
			return st;
		}
		if (memcmp(x->buf_a, x->buf_b, n) != 0) {
			if (d->different_bits == 0) {
				note_first(d, x->a->plain[d->a_channel].rate,
					   from + evl_bits_first_diff(x->buf_a, x->buf_b, n));
			}
			d->different_bits += evl_bits_count_diff(x->buf_a, x->buf_b, n);
		}
		d->compared_bits += (uint64_t)n * 8;
		from += (uint64_t)n * 8;
		bits -= (uint64_t)n * 8;
	}
	return EVL_OK;
}

/* The piece at or after `at`; an empty one at the far end when there is none. */
static enum evl_status piece_at(struct evl_rec *r, int64_t channel, uint64_t at,
				struct evl_rec_piece *p, struct evl_err *err)
{
	enum evl_status st = evl_rec_piece(r, (uint32_t)channel, at, p, err);
	if (st == EVL_E_END) {
		*p = (struct evl_rec_piece){.bit_offset = NO_OFFSET};
		return EVL_OK;
	}
	return st;
}

static enum evl_status compare_pair(struct diffing *x, struct evl_rec_difference *d,
				    struct evl_err *err)
{
	uint64_t at = 0;
	for (;;) {
		struct evl_rec_piece a, b;
		enum evl_status st = piece_at(x->a, d->a_channel, at, &a, err);
		if (st == EVL_OK) {
			st = piece_at(x->b, d->b_channel, at, &b, err);
		}
		if (st < 0) {
			return st;
		}
		if (a.bits == 0 && b.bits == 0) {
			break;
		}
		if (a.bit_offset == b.bit_offset) {
			uint64_t n = a.bits < b.bits ? a.bits : b.bits;
			st = compare_run(x, d, a.bit_offset, n, err);
			if (st < 0) {
				return st;
			}
			at = a.bit_offset + n;
			continue;
		}
		/* One has bits where the other has none: up to where the other begins. */
		bool only_a = a.bit_offset < b.bit_offset;
		const struct evl_rec_piece *p = only_a ? &a : &b;
		uint64_t other = only_a ? b.bit_offset : a.bit_offset;
		uint64_t n = p->bits < other - p->bit_offset ? p->bits : other - p->bit_offset;
		*(only_a ? &d->only_a_bits : &d->only_b_bits) += n;
		at = p->bit_offset + n;
	}
	d->relation = d->different_bits > 0                      ? EVL_REC_DIFFERENT
		      : d->only_a_bits > 0 || d->only_b_bits > 0 ? EVL_REC_LENGTH
								 : EVL_REC_EQUAL;
	return EVL_OK;
}

/* ---- crossings ---- */

static enum evl_status need_digest(struct evl_rec *r, uint32_t channel, struct side *s,
				   struct evl_err *err)
{
	if (s->has_digest) {
		return EVL_OK;
	}
	const struct evl_rec_info *info = &r->infos[channel];
	s->has_digest = true;
	if (info->has_digest) {
		memcpy(s->digest, info->digest, sizeof s->digest);
		return EVL_OK;
	}
	return evl_rec_digest(r, channel, s->digest, err);
}

/* Reads the samples of a channel at places spread over its first `bits` bits. */
static enum evl_status need_sample(struct evl_rec *r, uint32_t channel, struct side *s,
				   uint64_t bits, struct evl_err *err)
{
	if (s->sample == NULL) {
		s->sample = evl_xmalloc(SAMPLES * SAMPLE_BYTES);
		s->sampled_for = 0;
	}
	if (s->sampled_for == bits) {
		return EVL_OK;
	}
	s->sampled_for = bits;
	s->sample_fails = bits / 8 < SAMPLES * SAMPLE_BYTES;
	for (uint32_t i = 0; i < SAMPLES && !s->sample_fails; i++) {
		uint64_t byte = bits / 8 / SAMPLES * i;
		enum evl_status st = evl_rec_read(r, channel, byte * 8,
						  s->sample + i * SAMPLE_BYTES, SAMPLE_BYTES, err);
		if (st == EVL_E_NOTFOUND || st == EVL_E_END) {
			s->sample_fails = true;
		} else if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

/* All samples are taken over the shortest channel, so that places agree and are read once. */
static uint64_t common_bits(const struct evl_rec *a, const struct evl_rec *b, enum evl_rate rate)
{
	uint64_t least = NO_OFFSET;
	const struct evl_rec *both[] = {a, b};
	for (int i = 0; i < 2; i++) {
		for (uint32_t c = 0; c < both[i]->channels; c++) {
			const struct evl_rec_info *info = &both[i]->infos[c];
			if (info->channel.rate == rate && info->bits > 0 &&
			    info->end_bits < least) {
				least = info->end_bits;
			}
		}
	}
	return least == NO_OFFSET ? 0 : least;
}

static void set_crossed(struct diffing *x, struct evl_rec_difference *d,
			enum evl_rec_crossing crossing, uint32_t with)
{
	d->crossing = crossing;
	d->crossed_with = with;
	d->crossed_name = x->b->plain[with].name;
}

/* Looks for the one channel of b that carries what channel `c` of a carried. Content that fits
 * several channels (all ones, say) tells nothing and names none. */
static enum evl_status find_crossing(struct diffing *x, struct evl_rec_difference *d,
				     struct evl_err *err)
{
	uint32_t c = (uint32_t)d->a_channel;
	const struct evl_rec_channel *own = &x->a->plain[c];
	struct side *sa = &x->sides_a[c];
	uint32_t hits = 0;
	uint32_t with = 0;
	enum evl_status st = need_digest(x->a, c, sa, err);
	for (uint32_t o = 0; st == EVL_OK && o < x->b->channels; o++) {
		if (o == d->b_channel || !x->pairs.candidate[o] ||
		    x->b->plain[o].rate != own->rate ||
		    x->b->infos[o].bits != x->a->infos[c].bits || x->b->infos[o].bits == 0) {
			continue;
		}
		st = need_digest(x->b, o, &x->sides_b[o], err);
		if (st == EVL_OK &&
		    memcmp(sa->digest, x->sides_b[o].digest, sizeof sa->digest) == 0) {
			hits++;
			with = o;
		}
	}
	if (st < 0) {
		return st;
	}
	if (hits > 0) {
		if (hits == 1) {
			set_crossed(x, d, EVL_REC_CROSSED_BY_DIGEST, with);
		}
		return EVL_OK;
	}
	/* A channel that mostly agrees with its partner has errors, but is not crossed. */
	if (d->different_bits < d->compared_bits / 4) {
		return EVL_OK;
	}
	const uint64_t total = (uint64_t)SAMPLES * SAMPLE_BYTES * 8;
	uint64_t common = common_bits(x->a, x->b, own->rate);
	uint64_t best = total;
	st = need_sample(x->a, c, sa, common, err);
	for (uint32_t o = 0; st == EVL_OK && !sa->sample_fails && o < x->b->channels; o++) {
		if (o == d->b_channel || !x->pairs.candidate[o] ||
		    x->b->plain[o].rate != own->rate) {
			continue;
		}
		struct side *sb = &x->sides_b[o];
		st = need_sample(x->b, o, sb, common, err);
		if (st < 0 || sb->sample_fails) {
			continue;
		}
		uint64_t n = evl_bits_count_diff(sa->sample, sb->sample, SAMPLES * SAMPLE_BYTES);
		if (n < total / 8) {
			hits++;
			with = o;
			best = n;
		}
	}
	if (st == EVL_OK && hits == 1) {
		set_crossed(x, d, EVL_REC_CROSSED_BY_CONTENT, with);
		d->sample_bits = total;
		d->sample_different = best;
	}
	return st;
}

/* ---- the list of pairs ---- */

static void describe(struct diffing *x, struct evl_rec_difference *d, int64_t a, int64_t b)
{
	memset(d, 0, sizeof *d);
	d->a_channel = a;
	d->b_channel = b;
	d->crossed_with = -1;
	if (a >= 0) {
		d->a_name = x->a->plain[a].name;
		d->a_bits = x->a->infos[a].bits;
	}
	if (b >= 0) {
		d->b_name = x->b->plain[b].name;
		d->b_bits = x->b->infos[b].bits;
	}
}

static enum evl_status do_pair(struct diffing *x, struct evl_rec_difference *d, int64_t a,
			       int64_t b, struct evl_rec_diff_summary *sum, struct evl_err *err)
{
	describe(x, d, a, b);
	if (b < 0 || a < 0) {
		d->relation = b < 0 ? EVL_REC_ONLY_A : EVL_REC_ONLY_B;
		sum->only_a += b < 0;
		sum->only_b += a < 0;
		return EVL_OK;
	}
	sum->pairs++;
	if (x->a->plain[a].rate != x->b->plain[b].rate) {
		d->relation = EVL_REC_RATE;
		return EVL_OK;
	}
	enum evl_status st = compare_pair(x, d, err);
	if (st == EVL_OK && d->relation == EVL_REC_DIFFERENT) {
		st = find_crossing(x, d, err);
	}
	sum->equal += d->relation == EVL_REC_EQUAL;
	sum->crossed += d->crossing != EVL_REC_NOT_CROSSED;
	sum->compared_bits += d->compared_bits;
	sum->different_bits += d->different_bits;
	return st;
}

enum evl_status evl_rec_diff(struct evl_rec *a, struct evl_rec *b, const struct evl_rec_pair *map,
			     uint32_t map_count, evl_rec_diff_report report, void *context,
			     struct evl_rec_diff_summary *summary, struct evl_err *err)
{
	struct evl_rec_diff_summary own;
	summary = summary != NULL ? summary : &own;
	memset(summary, 0, sizeof *summary);
	struct diffing x = {.a = a, .b = b};
	x.sides_a = evl_xcalloc(a->channels, sizeof *x.sides_a);
	x.sides_b = evl_xcalloc(b->channels, sizeof *x.sides_b);
	x.buf_a = evl_xmalloc(CHUNK);
	x.buf_b = evl_xmalloc(CHUNK);
	struct evl_rec_difference d;
	enum evl_status st = rec_pairs_init(&x.pairs, a, b, map, map_count, err);
	for (uint32_t c = 0; st == EVL_OK && c < a->channels; c++) {
		if (x.pairs.partner[c] == -2) {
			continue;
		}
		st = do_pair(&x, &d, c, x.pairs.partner[c], summary, err);
		if (st == EVL_OK && report != NULL) {
			report(context, &d);
		}
	}
	for (uint32_t o = 0; st == EVL_OK && map_count == 0 && o < b->channels; o++) {
		if (!x.pairs.taken[o]) {
			st = do_pair(&x, &d, -1, o, summary, err);
			if (report != NULL) {
				report(context, &d);
			}
		}
	}
	for (uint32_t c = 0; c < a->channels; c++) {
		free(x.sides_a[c].sample);
	}
	for (uint32_t o = 0; o < b->channels; o++) {
		free(x.sides_b[o].sample);
	}
	free(x.sides_a);
	free(x.sides_b);
	rec_pairs_finish(&x.pairs);
	free(x.buf_a);
	free(x.buf_b);
	return st;
}
