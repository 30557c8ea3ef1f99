/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Orders of tests and what they decode to. A timetable is an order in which each test begins as
 * soon as its resources and the tests before it allow; some order gives the best timetable, so the
 * search walks over orders: a test on the critical chain is moved before the one that holds it up,
 * or elsewhere, and the new order is kept unless it ends later.
 */
#include <stdlib.h>
#include <string.h>

#include "core/night/timetable_internal.h"
#include "core/signal/rng.h"

static uint64_t decode(struct tt_problem *p, const uint32_t *order, size_t n, bool queue)
{
	uint64_t end = 0, earliest = 0;
	memset(p->ready, 0, p->resources * sizeof *p->ready);
	memset(p->end, 0, p->count * sizeof *p->end); /* those not in the order count as done */
	for (size_t k = 0; k < n; k++) {
		const struct evl_timetable_test *t = &p->tests[order[k]];
		uint64_t at = earliest;
		for (size_t i = 0; i < t->after_count; i++) {
			uint64_t e = p->end[t->after[i]];
			at = e > at ? e : at;
		}
		for (size_t i = 0; i < t->need_count; i++) {
			uint64_t r = p->ready[t->needs[i]];
			at = r > at ? r : at;
		}
		uint64_t to = at + t->duration_ns;
		for (size_t i = 0; i < t->need_count; i++) {
			p->ready[t->needs[i]] = to;
		}
		p->start[order[k]] = at;
		p->end[order[k]] = to;
		end = to > end ? to : end;
		earliest = queue ? at : 0;
	}
	return end;
}

uint64_t tt_decode(struct tt_problem *p, const uint32_t *order, size_t n)
{
	return decode(p, order, n, false);
}

uint64_t tt_decode_in_order(struct tt_problem *p, const uint32_t *order, size_t n)
{
	return decode(p, order, n, true);
}

uint64_t tt_list(struct tt_problem *p, uint32_t *order, const uint32_t *list, size_t n)
{
	uint64_t now = 0, end = 0;
	size_t begun = 0;
	bool *done = evl_xcalloc(n + 1, sizeof *done); /* begun, by place in the list */
	bool *open = evl_xcalloc(p->count + 1, sizeof *open);
	memset(p->ready, 0, p->resources * sizeof *p->ready);
	for (size_t k = 0; k < n; k++) {
		open[list[k]] = true;
		p->end[list[k]] = UINT64_MAX;
	}
	while (begun < n) {
		for (size_t k = 0; k < n; k++) {
			const struct evl_timetable_test *t = &p->tests[list[k]];
			bool can = !done[k];
			for (size_t i = 0; can && i < t->after_count; i++) {
				can = !open[t->after[i]] || p->end[t->after[i]] <= now;
			}
			for (size_t i = 0; can && i < t->need_count; i++) {
				can = p->ready[t->needs[i]] <= now;
			}
			if (!can) {
				continue;
			}
			done[k] = true;
			order[begun++] = list[k];
			p->start[list[k]] = now;
			p->end[list[k]] = now + t->duration_ns;
			end = p->end[list[k]] > end ? p->end[list[k]] : end;
			for (size_t i = 0; i < t->need_count; i++) {
				p->ready[t->needs[i]] = p->end[list[k]];
			}
		}
		/* On to the next end. */
		uint64_t next = UINT64_MAX;
		for (size_t k = 0; k < n; k++) {
			uint64_t e = p->end[list[k]];
			next = done[k] && e > now && e < next ? e : next;
		}
		now = next;
	}
	free(done);
	free(open);
	return end;
}

/* ---- search ---- */

struct walk {
	struct tt_problem *p;
	uint32_t *order; /* present */
	uint32_t *next;  /* tried */
	uint32_t *place; /* by test, in `order` */
	size_t n;
	struct evl_rng rng;
};

/* A test that ends when `i` begins and keeps it from beginning sooner; UINT32_MAX: none. */
static uint32_t holder(const struct walk *w, uint32_t i, uint64_t pick, bool *chained)
{
	const struct tt_problem *p = w->p;
	uint32_t found = UINT32_MAX, seen = 0;
	*chained = false;
	for (uint32_t k = 0; k < w->place[i]; k++) {
		uint32_t j = w->order[k];
		if (p->end[j] != p->start[i] || !tt_conflict(p, i, j)) {
			continue;
		}
		seen++;
		if (pick % seen == 0) {
			found = j;
		}
	}
	for (size_t e = 0; found != UINT32_MAX && e < p->tests[i].after_count; e++) {
		*chained = *chained || p->tests[i].after[e] == found;
	}
	return found;
}

/* Moves the test at `from` to `to` if what it waits for and what waits for it stay in order. */
static bool move(const struct walk *w, size_t from, size_t to)
{
	const struct tt_problem *p = w->p;
	uint32_t i = w->order[from];
	if (to < from) {
		for (size_t e = 0; e < p->tests[i].after_count; e++) {
			uint32_t before = p->tests[i].after[e];
			/* Tests that are not in the order have place 0 and are not there. */
			if (w->order[w->place[before]] == before && w->place[before] >= to) {
				return false;
			}
		}
	} else {
		for (size_t k = from + 1; k <= to; k++) {
			const struct evl_timetable_test *t = &p->tests[w->order[k]];
			for (size_t e = 0; e < t->after_count; e++) {
				if (t->after[e] == i) {
					return false;
				}
			}
		}
	}
	memcpy(w->next, w->order, w->n * sizeof *w->next);
	if (to < from) {
		memmove(w->next + to + 1, w->next + to, (from - to) * sizeof *w->next);
	} else {
		memmove(w->next + from, w->next + from + 1, (to - from) * sizeof *w->next);
	}
	w->next[to] = i;
	return true;
}

/* p->start and p->end are those of `order`. Tries one change; false: none was possible. */
static bool change(struct walk *w, uint64_t end)
{
	struct tt_problem *p = w->p;
	uint64_t r = evl_rng_next(&w->rng);
	uint32_t at = UINT32_MAX, seen = 0;
	for (size_t k = 0; k < w->n; k++) {
		uint32_t i = w->order[k];
		if (p->end[i] == end && (r >> 40) % ++seen == 0) {
			at = i;
		}
	}
	/* Back along the critical chain; its length is not known, so stop by chance. */
	size_t steps = evl_rng_below(&w->rng, 12);
	bool chained;
	uint32_t before = holder(w, at, r >> 8, &chained);
	for (size_t s = 0; s < steps && before != UINT32_MAX; s++) {
		bool c;
		uint32_t further = holder(w, before, r >> (s + 9), &c);
		if (further == UINT32_MAX) {
			break;
		}
		at = before;
		before = further;
		chained = c;
	}
	size_t from = w->place[at];
	if (before == UINT32_MAX || chained || (r & 3u) == 0) {
		return move(w, from, evl_rng_below(&w->rng, w->n));
	}
	if ((r & 3u) == 1) { /* the holder goes behind instead */
		return move(w, w->place[before], from);
	}
	return move(w, from, w->place[before]);
}

/* How full the resources stay at their ends: less is better among equal ends. */
static double looseness(const struct tt_problem *p, uint64_t end)
{
	double sum = 0;
	for (uint32_t r = 0; r < p->resources; r++) {
		double x = (double)p->ready[r] / (double)(end + 1);
		x *= x;
		x *= x;
		sum += x * x;
	}
	return sum;
}

/* Orders by rules: long first, wide first, much in conflict first, and what has a long chain. */
static uint64_t start_order(struct walk *w, uint32_t *best, uint64_t end)
{
	struct tt_problem *p = w->p;
	struct tt_keyed *keys = evl_xcalloc(w->n + 1, sizeof *keys);
	uint32_t *list = evl_xcalloc(w->n + 1, sizeof *list);
	for (int rule = 0; rule < 5; rule++) {
		for (size_t k = 0; k < w->n; k++) {
			uint32_t i = w->order[k];
			const struct evl_timetable_test *t = &p->tests[i];
			double d = (double)t->duration_ns, key = d;
			if (rule > 0) {
				uint64_t sum = 0;
				for (size_t j = 0; j < w->n && rule < 4; j++) {
					uint32_t o = w->order[j];
					sum += tt_conflict(p, i, o) ? p->tests[o].duration_ns : 0;
				}
				key = rule == 1   ? (double)t->need_count
				      : rule == 2 ? (double)sum
				      : rule == 3 ? d * (double)sum
						  : d * (double)(t->need_count + 1);
			}
			/* A chain behind it makes a test as urgent as the chain is long. */
			keys[k] = (struct tt_keyed){key + (key / (d + 1)) * (double)p->tail[i], i};
		}
		qsort(keys, w->n, sizeof *keys, tt_by_key);
		for (size_t k = 0; k < w->n; k++) {
			list[k] = keys[k].index;
		}
		uint64_t e = tt_list(p, w->next, list, w->n);
		if (e < end) {
			end = e;
			memcpy(best, w->next, w->n * sizeof *best);
		}
	}
	free(keys);
	free(list);
	return end;
}

uint64_t tt_search(
	struct tt_problem *p, uint32_t *order, size_t n, uint64_t goal_ns, uint32_t effort)
{
	uint64_t best = tt_decode(p, order, n);
	if (n < 2 || best <= goal_ns) {
		return best;
	}
	struct walk w = {.p = p, .n = n};
	w.order = evl_xcalloc(n + 1, sizeof *w.order);
	w.next = evl_xcalloc(n + 1, sizeof *w.next);
	w.place = evl_xcalloc(p->count + 1, sizeof *w.place);
	memcpy(w.order, order, n * sizeof *order);
	best = start_order(&w, order, best);
	memcpy(w.order, order, n * sizeof *order);
	evl_rng_init(&w.rng, 1, n); /* the same for the same problem */
	uint64_t now = tt_decode(p, w.order, n);
	double loose = looseness(p, now);
	uint32_t idle = 0;
	for (uint32_t round = 0; round < effort && best > goal_ns; round++) {
		for (size_t k = 0; k < n; k++) {
			w.place[w.order[k]] = (uint32_t)k;
		}
		if (!change(&w, now)) {
			continue;
		}
		uint64_t e = tt_decode(p, w.next, n);
		double l = looseness(p, e);
		/* A little later is allowed now and then, to leave a corner. */
		bool take = e < now || (e == now && l <= loose) ||
			    (idle > 200 && e <= now + now / 50 && evl_rng_below(&w.rng, 40) == 0);
		if (take) {
			uint32_t *swap = w.order;
			w.order = w.next;
			w.next = swap;
			idle = e < now ? 0 : idle + 1;
			now = e;
			loose = l;
		} else {
			idle++;
			if (idle > 4000) { /* back to the best */
				memcpy(w.order, order, n * sizeof *order);
				idle = 0;
			}
			now = tt_decode(p, w.order, n);
			loose = looseness(p, now);
		}
		if (now < best) {
			best = now;
			memcpy(order, w.order, n * sizeof *order);
		}
	}
	free(w.order);
	free(w.next);
	free(w.place);
	return best;
}
