/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Where does a part of one channel stand in another? The part (the probe) gives up to 128 words of
 * 64 bits, the anchors. Every 64 bits of the other channel that lie within the range are looked up
 * among them, at each bit; a word that is found votes for a delay. The delays with most votes are
 * judged by counting the differing bits of the whole probe. A word survives errors at a ratio of 5
 * in 100 with probability 0.95^64 = 0.04, so that even then about 5 of 128 vote.
 */
#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"
#include "core/recording/align.h"
#include "core/recording/internal.h"
#include "core/signal/bits.h"

enum {
	PROBE_BITS = EVL_REC_ALIGN_PROBE_BITS,
	WORD_BITS = 64,
	ANCHORS = PROBE_BITS / WORD_BITS,
	ANCHORS_LEAST = 16, /* fewer: the probe is plain */
	SAME_MOST = 4,      /* a word that stands in the probe more often tells nothing */
	TABLE = 1024,       /* slots, a power of two */
	FILTER_BITS = 65536,
	VOTES = 1 << 16,
	CANDIDATES = 8,
};

struct anchor {
	uint64_t word;
	int64_t at; /* bits from the probe's start */
};

struct rec_search {
	struct anchor anchors[ANCHORS];
	uint32_t count;
	int16_t table[TABLE]; /* first anchor of a word, -1: free; equal words are neighbours */
	uint8_t filter[FILTER_BITS / 8];
	int64_t votes[VOTES]; /* delays */
	uint32_t voted;
	struct rec_probe probe; /* whose anchors these are */
};

bool rec_aligning_init(struct rec_aligning *x)
{
	x->search = calloc(1, sizeof *x->search);
	x->a.raw = malloc(ALIGN_BYTES);
	x->b.raw = malloc(ALIGN_BYTES);
	x->bits_a = malloc(ALIGN_BYTES);
	x->bits_b = malloc(ALIGN_BYTES);
	x->bits_c = malloc(ALIGN_BYTES);
	return x->search != NULL && x->a.raw != NULL && x->b.raw != NULL && x->bits_a != NULL &&
	       x->bits_b != NULL && x->bits_c != NULL;
}

void rec_aligning_finish(struct rec_aligning *x)
{
	free(x->search);
	free(x->a.raw);
	free(x->b.raw);
	free(x->bits_a);
	free(x->bits_b);
	free(x->bits_c);
	memset(x, 0, sizeof *x);
}

static uint64_t mixed(uint64_t word)
{
	return word * 0x9E3779B97F4A7C15u; /* 2^64 / golden ratio: spreads the top bits */
}

static int by_word(const void *a, const void *b)
{
	const struct anchor *x = a, *y = b;
	if (x->word != y->word) {
		return x->word < y->word ? -1 : 1;
	}
	return x->at < y->at ? -1 : x->at > y->at;
}

/* Takes the anchors from the probe's bits. */
static void plant(struct rec_search *s, const uint8_t *bits, int64_t count)
{
	uint32_t n = 0;
	for (int64_t at = 0; at + WORD_BITS <= count; at += WORD_BITS) {
		s->anchors[n++] = (struct anchor){evl_load_be64(bits + at / 8), at};
	}
	qsort(s->anchors, n, sizeof s->anchors[0], by_word);
	s->count = 0;
	for (uint32_t i = 0, same; i < n; i += same) {
		same = 1;
		while (i + same < n && s->anchors[i + same].word == s->anchors[i].word) {
			same++;
		}
		for (uint32_t k = 0; same <= SAME_MOST && k < same; k++) {
			s->anchors[s->count++] = s->anchors[i + k];
		}
	}
	memset(s->table, 0xFF, sizeof s->table);
	memset(s->filter, 0, sizeof s->filter);
	for (uint32_t i = 0; i < s->count; i++) {
		uint64_t h = mixed(s->anchors[i].word);
		s->filter[h >> 51] |= (uint8_t)(1u << (h >> 48 & 7));
		if (i > 0 && s->anchors[i - 1].word == s->anchors[i].word) {
			continue;
		}
		uint32_t slot = (uint32_t)(h >> 54) % TABLE;
		while (s->table[slot] >= 0) {
			slot = (slot + 1) % TABLE;
		}
		s->table[slot] = (int16_t)i;
	}
}

enum evl_status rec_probe_at(
	struct rec_aligning *x, int64_t at, struct rec_probe *out, struct evl_err *err)
{
	struct rec_search *s = x->search;
	memset(out, 0, sizeof *out);
	for (;;) {
		struct rec_span span;
		enum evl_status st = rec_span_at(&x->a, at, PROBE_BITS, &span, err);
		if (st < 0 || span.from == span.to) {
			return st;
		}
		at = span.to;
		if (span.to - span.from < ANCHORS_LEAST * WORD_BITS) {
			continue;
		}
		out->from = span.from;
		out->bits = span.to - span.from;
		st = rec_span_read(&x->a, out->from, out->bits, x->bits_a, err);
		if (st < 0) {
			return st;
		}
		plant(s, x->bits_a, out->bits);
		out->plain = s->count < ANCHORS_LEAST;
		s->probe = *out;
		return EVL_OK;
	}
}

enum evl_status rec_probe_fit(struct rec_aligning *x, const struct rec_probe *p, int64_t delay,
	struct rec_fit *fit, struct evl_err *err)
{
	*fit = (struct rec_fit){delay, -1};
	struct rec_span span;
	if (p->from + delay < 0) {
		return EVL_OK;
	}
	enum evl_status st = rec_span_at(&x->b, p->from + delay, p->bits, &span, err);
	if (st < 0 || span.from != p->from + delay || span.to - span.from < p->bits) {
		return st;
	}
	st = rec_span_read(&x->a, p->from, p->bits, x->bits_a, err);
	if (st == EVL_OK) {
		st = rec_span_read(&x->b, span.from, p->bits, x->bits_b, err);
	}
	if (st == EVL_OK) {
		fit->different = (int64_t)evl_bits_count_diff(
			x->bits_a, x->bits_b, (size_t)(p->bits + 7) / 8);
	}
	return st;
}

static void vote(struct rec_search *s, uint64_t word, int64_t at, int64_t lo, int64_t hi)
{
	uint32_t slot = (uint32_t)(mixed(word) >> 54) % TABLE;
	while (s->table[slot] >= 0) {
		uint32_t i = (uint32_t)s->table[slot];
		for (; i < s->count && s->anchors[i].word == word; i++) {
			int64_t delay = at - s->probe.from - s->anchors[i].at;
			if (delay >= lo && delay <= hi && s->voted < VOTES) {
				s->votes[s->voted++] = delay;
			}
		}
		slot = (slot + 1) % TABLE;
	}
}

/* Looks up every word of `bytes` bytes; 8 bytes more are there. The first bit is bit `at` of b. */
static void look_up(
	struct rec_search *s, const uint8_t *p, size_t bytes, int64_t at, int64_t lo, int64_t hi)
{
	uint64_t word = evl_load_be64(p);
	for (size_t i = 0; i < bytes; i++) {
		unsigned next = p[i + 8];
		for (int k = 0; k < 8; k++) {
			uint64_t h = mixed(word);
			if (s->filter[h >> 51] >> (h >> 48 & 7) & 1) {
				vote(s, word, at + (int64_t)i * 8 + k, lo, hi);
			}
			word = word << 1 | (next >> (7 - k) & 1);
		}
	}
}

/* Collects the votes for delays from lo to hi. Bytes are recorded whole, so all of it counts in
 * whole bytes. */
static enum evl_status collect(struct rec_aligning *x, int64_t lo, int64_t hi, struct evl_err *err)
{
	struct rec_search *s = x->search;
	int64_t at = s->probe.from + lo > 0 ? (s->probe.from + lo) & ~(int64_t)7 : 0;
	int64_t end = (s->probe.from + s->probe.bits + hi + 7) & ~(int64_t)7;
	s->voted = 0;
	while (at < end) {
		struct rec_span span;
		int64_t most = end - at < ALIGN_CHUNK_BITS ? end - at : ALIGN_CHUNK_BITS;
		enum evl_status st = rec_span_at(&x->b, at, most, &span, err);
		if (st < 0) {
			return st;
		}
		if (span.from >= end) {
			break;
		}
		span.to = span.to < end ? span.to : end;
		int64_t bits = span.to - span.from;
		if (bits >= 2 * WORD_BITS) {
			st = rec_span_read(&x->b, span.from, bits, x->bits_b, err);
			if (st < 0) {
				return st;
			}
			look_up(s, x->bits_b, (size_t)(bits - WORD_BITS + 8) / 8, span.from, lo,
				hi);
		}
		/* A word may begin here and end in what follows. */
		bool more = bits == ALIGN_CHUNK_BITS && span.to < end;
		at = more ? span.to - WORD_BITS : span.to;
	}
	return EVL_OK;
}

static int by_value(const void *a, const void *b)
{
	int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
	return x < y ? -1 : x > y;
}

static int64_t distance(int64_t a, int64_t b)
{
	return a < b ? b - a : a - b;
}

static bool is_better(const struct rec_fit *f, const struct rec_fit *best, int64_t centre)
{
	if (best->different < 0 || f->different != best->different) {
		return best->different < 0 || f->different < best->different;
	}
	return distance(f->delay, centre) < distance(best->delay, centre);
}

static enum evl_status judge(struct rec_aligning *x, int64_t delay, int64_t centre,
	struct rec_fit *best, struct evl_err *err)
{
	struct rec_fit f;
	enum evl_status st = rec_probe_fit(x, &x->search->probe, delay, &f, err);
	if (st == EVL_OK && f.different >= 0 && f.different <= x->search->probe.bits / 8 &&
		is_better(&f, best, centre)) {
		*best = f;
	}
	return st;
}

/* Judges the delays that have most votes, the nearer to the centre of equal ones. */
static enum evl_status count_votes(struct rec_aligning *x, int64_t centre, int64_t without,
	struct rec_fit *best, struct evl_err *err)
{
	struct rec_search *s = x->search;
	struct {
		int64_t delay;
		uint32_t votes;
	} top[CANDIDATES];
	uint32_t tops = 0;
	qsort(s->votes, s->voted, sizeof s->votes[0], by_value);
	for (uint32_t i = 0, n; i < s->voted; i += n) {
		int64_t delay = s->votes[i];
		n = 1;
		while (i + n < s->voted && s->votes[i + n] == delay) {
			n++;
		}
		if (delay == without) {
			continue;
		}
		uint32_t k = tops;
		while (k > 0 &&
			(top[k - 1].votes < n ||
				(top[k - 1].votes == n && distance(top[k - 1].delay, centre) >
								  distance(delay, centre)))) {
			k--;
		}
		if (k == CANDIDATES) {
			continue;
		}
		tops = tops < CANDIDATES ? tops + 1 : tops;
		memmove(&top[k + 1], &top[k], (tops - 1 - k) * sizeof top[0]);
		top[k].delay = delay;
		top[k].votes = n;
	}
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; st == EVL_OK && i < tops; i++) {
		st = judge(x, top[i].delay, centre, best, err);
	}
	return st;
}

static enum evl_status ring(struct rec_aligning *x, int64_t lo, int64_t hi, int64_t centre,
	int64_t without, struct rec_fit *best, struct evl_err *err)
{
	if (hi < lo) {
		return EVL_OK;
	}
	enum evl_status st = collect(x, lo, hi, err);
	return st == EVL_OK ? count_votes(x, centre, without, best, err) : st;
}

enum evl_status rec_probe_search(struct rec_aligning *x, const struct rec_probe *p, int64_t centre,
	int64_t reach, int64_t without, struct rec_fit *best, struct evl_err *err)
{
	*best = (struct rec_fit){0, -1};
	evl_require(p->from == x->search->probe.from && p->bits == x->search->probe.bits);
	enum evl_status st = EVL_OK;
	if (p->plain) {
		/* No words to look for: delay by delay, which is bearable only nearby. */
		int64_t most = reach < x->near / 4 ? reach : x->near / 4;
		for (int64_t d = 0; st == EVL_OK && d <= most && best->different != 0; d++) {
			if (centre - d != without) {
				st = judge(x, centre - d, centre, best, err);
			}
			if (st == EVL_OK && d > 0 && best->different != 0 &&
				centre + d != without) {
				st = judge(x, centre + d, centre, best, err);
			}
		}
		return st;
	}
	/* Outwards in rings, so that of much repeated content the nearest is found. */
	int64_t done = reach < x->near ? reach : x->near;
	st = ring(x, centre - done, centre + done, centre, without, best, err);
	while (st == EVL_OK && done < reach && best->different != 0) {
		int64_t next = done > reach / 2 ? reach : done * 2;
		st = ring(x, centre + done + 1, centre + next, centre, without, best, err);
		if (st == EVL_OK) {
			st = ring(x, centre - next, centre - done - 1, centre, without, best, err);
		}
		done = next;
	}
	return st;
}
