/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Search by ejection. The tests are to fit into a time a little shorter than the best timetable so
 * far. A test that has no place yet goes where it costs least: where what it pushes out was, up to
 * now, the easiest to place again. What was pushed out waits for a place in turn. Each time a test
 * must push others out it becomes dearer itself, so that the hard ones settle first. When all have
 * a place there is a better timetable, and the next time to reach is shorter (ejection chains with
 * learned weights, as in guided local search for job shops: Nagata and Ono 2018).
 */
#include <stdlib.h>
#include <string.h>

#include "core/night/timetable_internal.h"
#include "core/signal/rng.h"

#define DEARER  3u
#define CHEAP   10u        /* cost at the beginning */
#define DEAREST (1u << 24) /* above that all costs are halved */
#define STEPS   20         /* a goal of the search is that part of the way to the bound nearer */

enum kind {
	APART,  /* not at once */
	BEFORE, /* the other one must have ended */
	BEHIND, /* the other one must not have begun */
};

struct link {
	uint32_t test;
	enum kind kind;
};

/* Where the cost of a place changes: at `at_ns` by `by`. */
struct change {
	int64_t at_ns, by;
};

struct spot {
	int64_t key_ns;
	uint32_t test;
};

struct eject {
	struct tt_problem *p;
	const uint32_t *list; /* the tests */
	uint32_t n;
	uint32_t *begin; /* links of test i: from begin[i] to begin[i + 1] */
	struct link *links;
	int64_t *start, *length, *head, *tail; /* by test, ns */
	int64_t *best;                         /* starts of the best timetable */
	int64_t limit;                         /* by which all must have ended */
	bool *placed;
	uint32_t *cost;
	uint32_t *homeless; /* tests without a place */
	uint32_t homeless_count;
	struct change *changes; /* scratch */
	struct spot *spots;     /* scratch */
	uint32_t *sorted;       /* scratch */
	struct evl_rng rng;
	uint64_t work; /* links looked at */
};

/* Links of a test are in the order of the others. */
static struct link *link_to(const struct eject *s, uint32_t of, uint32_t other)
{
	uint32_t low = s->begin[of], high = s->begin[of + 1] - 1;
	while (low < high) {
		uint32_t half = low + (high - low) / 2;
		if (s->links[half].test < other) {
			low = half + 1;
		} else {
			high = half;
		}
	}
	evl_require(s->links[low].test == other);
	return &s->links[low];
}

static void make_links(struct eject *s, const bool *in)
{
	const struct tt_problem *p = s->p;
	size_t count = 0;
	for (int pass = 0; pass < 2; pass++) {
		count = 0;
		for (uint32_t i = 0; i < p->count; i++) {
			s->begin[i] = (uint32_t)count;
			for (uint32_t j = 0; in[i] && j < p->count; j++) {
				if (in[j] && tt_conflict(p, i, j)) {
					if (pass == 1) {
						s->links[count] = (struct link){j, APART};
					}
					count++;
				}
			}
		}
		s->begin[p->count] = (uint32_t)count;
		if (pass == 0) {
			s->links = evl_xcalloc(count + 1, sizeof *s->links);
		}
	}
	for (uint32_t i = 0; i < p->count; i++) {
		for (size_t e = 0; in[i] && e < p->tests[i].after_count; e++) {
			uint32_t from = p->tests[i].after[e];
			if (in[from]) {
				link_to(s, i, from)->kind = BEFORE;
				link_to(s, from, i)->kind = BEHIND;
			}
		}
	}
}

/* Chains among the tests that are in. */
static void make_chains(struct eject *s, const bool *in)
{
	const struct tt_problem *p = s->p;
	for (uint32_t k = 0; k < p->count; k++) {
		uint32_t i = p->topological[k];
		for (size_t e = 0; in[i] && e < p->tests[i].after_count; e++) {
			uint32_t from = p->tests[i].after[e];
			int64_t end = s->head[from] + s->length[from];
			s->head[i] = in[from] && end > s->head[i] ? end : s->head[i];
		}
	}
	for (uint32_t k = p->count; k-- > 0;) {
		uint32_t i = p->topological[k];
		int64_t tail = s->tail[i] + s->length[i];
		for (size_t e = 0; in[i] && e < p->tests[i].after_count; e++) {
			int64_t *to = &s->tail[p->tests[i].after[e]];
			*to = tail > *to ? tail : *to;
		}
	}
}

static int by_instant(const void *a, const void *b)
{
	const struct change *x = a, *y = b;
	if (x->at_ns != y->at_ns) {
		return x->at_ns < y->at_ns ? -1 : 1;
	}
	return (x->by > y->by) - (x->by < y->by);
}

static void sort_changes(struct change *c, uint32_t n)
{
	if (n > 64) {
		qsort(c, n, sizeof *c, by_instant);
		return;
	}
	for (uint32_t i = 1; i < n; i++) {
		struct change x = c[i];
		uint32_t k = i;
		for (; k > 0 && by_instant(&c[k - 1], &x) > 0; k--) {
			c[k] = c[k - 1];
		}
		c[k] = x;
	}
}

/* Starts of test `u` that the placed test `l` does not allow: above *from and below *to. */
static void denied(const struct eject *s, uint32_t u, struct link l, int64_t *from, int64_t *to)
{
	*from = l.kind == BEFORE ? -1 : s->start[l.test] - s->length[u];
	*to = l.kind == BEHIND ? INT64_MAX : s->start[l.test] + s->length[l.test];
}

/* The start at which test `u` pushes out what costs least, any of those by chance. The least is
 * always found where it begins as another ends, ends as another begins, or at the limits. */
static int64_t cheapest(struct eject *s, uint32_t u, int64_t *start_ns)
{
	int64_t low = s->head[u], high = s->limit - s->tail[u] - s->length[u], cost = 0;
	struct change *c = s->changes;
	uint32_t n = 0;
	evl_require(low <= high); /* the goal is no chain's bound */
	for (uint32_t k = s->begin[u]; k < s->begin[u + 1]; k++) {
		struct link l = s->links[k];
		int64_t from, to;
		if (!s->placed[l.test]) {
			continue;
		}
		denied(s, u, l, &from, &to);
		if (to <= low || from >= high) {
			continue;
		}
		if (from < low) {
			cost += s->cost[l.test];
		} else {
			c[n++] = (struct change){from, s->cost[l.test]};
		}
		if (to <= high) {
			c[n++] = (struct change){to, -(int64_t)s->cost[l.test]};
		}
	}
	s->work += s->begin[u + 1] - s->begin[u] + 1;
	sort_changes(c, n);
	int64_t least = cost;
	uint32_t equal = 1;
	*start_ns = low;
	for (uint32_t k = 0; k <= n;) {
		int64_t at = k < n ? c[k].at_ns : high;
		for (; k < n && c[k].at_ns == at && c[k].by < 0; k++) {
			cost += c[k].by;
		}
		if (cost < least) {
			least = cost;
			equal = 1;
			*start_ns = at;
		} else if (cost == least && at != *start_ns &&
			   evl_rng_below(&s->rng, ++equal) == 0) {
			*start_ns = at;
		}
		for (; k < n && c[k].at_ns == at; k++) {
			cost += c[k].by;
		}
		k += at == high;
	}
	return least;
}

static int by_key(const void *a, const void *b)
{
	const struct spot *x = a, *y = b;
	if (x->key_ns != y->key_ns) {
		return x->key_ns < y->key_ns ? -1 : 1;
	}
	return x->test < y->test ? -1 : 1;
}

/* Closes gaps: in their present order all tests begin as soon as they can. */
static void close_gaps(struct eject *s)
{
	struct tt_problem *p = s->p;
	for (uint32_t k = 0; k < s->n; k++) {
		uint32_t i = s->list[k];
		s->spots[k] = (struct spot){s->start[i], i};
	}
	qsort(s->spots, s->n, sizeof *s->spots, by_key);
	for (uint32_t k = 0; k < s->n; k++) {
		s->sorted[k] = s->spots[k].test;
	}
	tt_decode(p, s->sorted, s->n);
	for (uint32_t k = 0; k < s->n; k++) {
		s->best[s->list[k]] = (int64_t)p->start[s->list[k]];
	}
}

static void push_out(struct eject *s, uint32_t u, int64_t at)
{
	for (uint32_t k = s->begin[u]; k < s->begin[u + 1]; k++) {
		struct link l = s->links[k];
		int64_t from, to;
		denied(s, u, l, &from, &to);
		if (s->placed[l.test] && at > from && at < to) {
			s->placed[l.test] = false;
			s->homeless[s->homeless_count++] = l.test;
		}
	}
}

static void make_dearer(struct eject *s, uint32_t u)
{
	s->cost[u] += DEARER;
	if (s->cost[u] > DEAREST) {
		for (uint32_t k = 0; k < s->n; k++) {
			s->cost[s->list[k]] = s->cost[s->list[k]] / 2 + 1;
		}
	}
}

/* Some other test moves to any place that is free, so that the search does not go in circles. */
static void stir(struct eject *s)
{
	uint32_t i = s->list[evl_rng_below(&s->rng, s->n)];
	int64_t at;
	if (s->placed[i]) {
		s->placed[i] = false;
		s->start[i] = cheapest(s, i, &at) == 0 ? at : s->start[i];
		s->placed[i] = true;
	}
}

/* Places until all have a place by s->limit or the work is done. */
static bool settle(struct eject *s, uint64_t work)
{
	s->homeless_count = 0;
	for (uint32_t k = 0; k < s->n; k++) {
		uint32_t i = s->list[k];
		s->start[i] = s->best[i];
		s->placed[i] = s->start[i] + s->length[i] + s->tail[i] <= s->limit;
		if (!s->placed[i]) {
			s->homeless[s->homeless_count++] = i;
		}
	}
	while (s->homeless_count > 0 && s->work < work) {
		uint32_t pick = (uint32_t)evl_rng_below(&s->rng, s->homeless_count);
		uint32_t u = s->homeless[pick];
		int64_t at;
		s->homeless[pick] = s->homeless[--s->homeless_count];
		int64_t cost = cheapest(s, u, &at);
		if (cost > 0) {
			make_dearer(s, u);
			push_out(s, u, at);
		}
		s->start[u] = at;
		s->placed[u] = true;
		if (cost > 0) {
			stir(s);
		}
	}
	return s->homeless_count == 0;
}

static int64_t end_of(const struct eject *s, const int64_t *start)
{
	int64_t end = 0;
	for (uint32_t k = 0; k < s->n; k++) {
		int64_t e = start[s->list[k]] + s->length[s->list[k]];
		end = e > end ? e : end;
	}
	return end;
}

static void search(struct eject *s, int64_t goal, bool straight, uint64_t work)
{
	int64_t end = end_of(s, s->best);
	while (end > goal) {
		int64_t step = (end - goal) / STEPS;
		s->limit = straight ? goal : end - (step > 0 ? step : 1);
		if (!settle(s, end > goal + goal / TT_NEAR ? TT_FAR_WORK * work : work)) {
			return;
		}
		close_gaps(s);
		end = end_of(s, s->best);
	}
}

uint64_t tt_eject(struct tt_problem *p, uint32_t *order, size_t n, uint64_t goal_ns, bool straight,
	uint64_t work)
{
	struct eject s = {.p = p, .list = order, .n = (uint32_t)n};
	bool *in = evl_xcalloc(p->count + 1, sizeof *in);
	s.begin = evl_xcalloc(p->count + 2, sizeof *s.begin);
	s.start = evl_xcalloc(p->count + 1, sizeof *s.start);
	s.length = evl_xcalloc(p->count + 1, sizeof *s.length);
	s.head = evl_xcalloc(p->count + 1, sizeof *s.head);
	s.tail = evl_xcalloc(p->count + 1, sizeof *s.tail);
	s.best = evl_xcalloc(p->count + 1, sizeof *s.best);
	s.placed = evl_xcalloc(p->count + 1, sizeof *s.placed);
	s.cost = evl_xcalloc(p->count + 1, sizeof *s.cost);
	s.homeless = evl_xcalloc(n + 1, sizeof *s.homeless);
	s.spots = evl_xcalloc(n + 1, sizeof *s.spots);
	s.sorted = evl_xcalloc(n + 1, sizeof *s.sorted);
	s.changes = evl_xcalloc(2 * n + 1, sizeof *s.changes);
	tt_decode(p, order, n);
	for (size_t k = 0; k < n; k++) {
		uint32_t i = order[k];
		in[i] = true;
		s.length[i] = (int64_t)p->tests[i].duration_ns;
		s.best[i] = (int64_t)p->start[i];
		s.cost[i] = CHEAP;
	}
	make_links(&s, in);
	make_chains(&s, in);
	evl_rng_init(&s.rng, 1, n); /* the same for the same problem */
	search(&s, (int64_t)goal_ns, straight, work);
	for (size_t k = 0; k < n; k++) {
		s.spots[k] = (struct spot){s.best[order[k]], order[k]};
	}
	qsort(s.spots, n, sizeof *s.spots, by_key);
	for (size_t k = 0; k < n; k++) {
		order[k] = s.spots[k].test;
	}
	free(in);
	free(s.begin);
	free(s.links);
	free(s.start);
	free(s.length);
	free(s.head);
	free(s.tail);
	free(s.best);
	free(s.placed);
	free(s.cost);
	free(s.homeless);
	free(s.spots);
	free(s.sorted);
	free(s.changes);
	return tt_decode(p, order, n);
}
