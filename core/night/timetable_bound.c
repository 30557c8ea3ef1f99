/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Lower bounds. For any set of tests of which no two can run at once, the whole lasts at least the
 * sum of their durations, and before the first of them its own chain must have run, after the last
 * of them the rest of its chain. The users of one resource are such a set; so is a chain; others
 * are found as heavy cliques of the conflict graph. Every set found proves its bound, whether or
 * not a heavier one exists.
 */
#include <stdlib.h>
#include <string.h>

#include "core/night/timetable_internal.h"

struct scan {
	const struct tt_problem *p;
	const bool *in; /* NULL: all */
	uint64_t *head, *tail;
	uint64_t *weight; /* duration of the tests in conflict with it */
	uint32_t *tests;  /* those that are in */
	uint32_t n;
	bool *member; /* scratch: of the present clique, by test */
	uint32_t *clique;
	uint32_t *list; /* scratch */
	uint64_t *set;  /* scratch: tests in conflict with every member, as bits */
};

static bool is_in(const struct scan *s, uint32_t i)
{
	return s->in == NULL || s->in[i];
}

static void chains(struct scan *s)
{
	const struct tt_problem *p = s->p;
	for (uint32_t k = 0; k < p->count; k++) {
		uint32_t i = p->topological[k];
		for (size_t e = 0; is_in(s, i) && e < p->tests[i].after_count; e++) {
			uint32_t from = p->tests[i].after[e];
			uint64_t end = s->head[from] + p->tests[from].duration_ns;
			if (is_in(s, from) && end > s->head[i]) {
				s->head[i] = end;
			}
		}
	}
	for (uint32_t k = p->count; k-- > 0;) {
		uint32_t i = p->topological[k];
		uint64_t tail = s->tail[i] + p->tests[i].duration_ns;
		for (size_t e = 0; is_in(s, i) && e < p->tests[i].after_count; e++) {
			uint32_t from = p->tests[i].after[e];
			s->tail[from] = tail > s->tail[from] ? tail : s->tail[from];
		}
	}
}

/*
 * Bound that the n tests of `list` prove; no two of them run at once. Each subset proves its sum
 * with the shortest chain before and after it; the subset of all whose chains are at least so long
 * is the best one for these two lengths (as in Carlier 1982 for one machine). The list is sorted.
 */
static uint64_t proved(const struct scan *s, uint32_t *list, uint32_t n)
{
	uint64_t best = 0;
	/* Longest chain before it first; few tests have one, so the list is nearly in order. */
	for (uint32_t k = 1; k < n; k++) {
		uint32_t i = list[k], at = k;
		for (; at > 0 && s->head[list[at - 1]] < s->head[i]; at--) {
			list[at] = list[at - 1];
		}
		list[at] = i;
	}
	uint64_t tail = UINT64_MAX;
	for (bool more = n > 0; more;) {
		/* The next shorter chain behind; from the longest to the shortest. */
		uint64_t next = 0, sum = 0;
		more = false;
		for (uint32_t k = 0; k < n; k++) {
			uint64_t t = s->tail[list[k]];
			if (t < tail && (!more || t > next)) {
				next = t;
				more = true;
			}
		}
		tail = next;
		for (uint32_t k = 0; more && k < n; k++) {
			uint32_t i = list[k];
			if (s->tail[i] >= tail) {
				sum += s->p->tests[i].duration_ns;
				uint64_t bound = s->head[i] + sum + tail;
				best = bound > best ? bound : best;
			}
		}
	}
	return best;
}

/* No subset proves more than this. */
static uint64_t at_most(const struct scan *s, const uint32_t *list, uint32_t n)
{
	uint64_t sum = 0, head = 0, tail = 0;
	for (uint32_t k = 0; k < n; k++) {
		uint32_t i = list[k];
		sum += s->p->tests[i].duration_ns;
		head = s->head[i] > head ? s->head[i] : head;
		tail = s->tail[i] > tail ? s->tail[i] : tail;
	}
	return sum + head + tail;
}

static void by_resources(struct scan *s, struct evl_timetable *out)
{
	const struct tt_problem *p = s->p;
	uint32_t *users = evl_xcalloc(p->resources + 2, sizeof *users); /* where they begin */
	size_t all = 0;
	for (uint32_t k = 0; k < s->n; k++) {
		const struct evl_timetable_test *t = &p->tests[s->tests[k]];
		all += t->need_count;
		for (size_t e = 0; e < t->need_count; e++) {
			users[t->needs[e] + 1]++;
		}
	}
	for (uint32_t r = 0; r < p->resources; r++) {
		users[r + 1] += users[r];
	}
	uint32_t *list = evl_xcalloc(all + 1, sizeof *list);
	uint32_t *filled = evl_xcalloc(p->resources + 1, sizeof *filled);
	for (uint32_t k = 0; k < s->n; k++) {
		const struct evl_timetable_test *t = &p->tests[s->tests[k]];
		for (size_t e = 0; e < t->need_count; e++) {
			uint32_t r = t->needs[e];
			list[users[r] + filled[r]++] = s->tests[k];
		}
	}
	for (uint32_t r = 0; r < p->resources; r++) {
		uint32_t n = users[r + 1] - users[r], *mine = list + users[r];
		uint64_t bound = at_most(s, mine, n) > out->bound_ns ? proved(s, mine, n) : 0;
		if (bound > out->bound_ns) {
			out->bound_ns = bound;
			out->bound = EVL_TIMETABLE_BY_RESOURCE;
			out->bound_resource = r;
			out->bound_tests = n;
		}
	}
	free(users);
	free(list);
	free(filled);
}

static void by_paths(struct scan *s, struct evl_timetable *out)
{
	for (uint32_t k = 0; k < s->n; k++) {
		uint32_t i = s->tests[k];
		uint64_t length = s->head[i] + s->p->tests[i].duration_ns + s->tail[i];
		if (length <= out->bound_ns) {
			continue;
		}
		out->bound_ns = length;
		out->bound = EVL_TIMETABLE_BY_PATH;
		/* How many tests the chain has: back along the test that ends last, and on. */
		size_t n = 1;
		for (uint32_t at = i; s->head[at] > 0; n++) {
			const struct evl_timetable_test *t = &s->p->tests[at];
			uint32_t last = at;
			for (size_t e = 0; e < t->after_count; e++) {
				uint32_t from = t->after[e];
				if (s->head[from] + s->p->tests[from].duration_ns == s->head[at]) {
					last = from;
				}
			}
			at = last;
		}
		out->bound_tests = s->tail[i] == 0 ? n : out->bound_tests;
	}
}

/* Members of the clique so far -> s->set. */
static void common_neighbours(struct scan *s, uint32_t n)
{
	memset(s->set, 0xFF, s->p->words * sizeof *s->set);
	for (uint32_t k = 0; k < n; k++) {
		const uint64_t *row = s->p->conflicts + (size_t)s->clique[k] * s->p->words;
		for (size_t w = 0; w < s->p->words; w++) {
			s->set[w] &= row[w];
		}
	}
}

static uint32_t extend(struct scan *s, uint32_t n)
{
	common_neighbours(s, n);
	for (uint32_t k = 0; k < s->n; k++) {
		uint32_t i = s->list[k];
		if ((s->set[i / 64] >> (i % 64) & 1u) == 0) {
			continue;
		}
		s->clique[n++] = i;
		const uint64_t *row = s->p->conflicts + (size_t)i * s->p->words;
		for (size_t w = 0; w < s->p->words; w++) {
			s->set[w] &= row[w];
		}
	}
	return n;
}

/* A test outside that is longer than all members it does not get along with takes their place. */
static uint32_t exchange(struct scan *s, uint32_t n, bool *better)
{
	*better = false;
	memset(s->member, 0, s->p->count * sizeof *s->member);
	for (uint32_t k = 0; k < n; k++) {
		s->member[s->clique[k]] = true;
	}
	for (uint32_t c = 0; c < s->n && !*better; c++) {
		uint32_t i = s->list[c];
		uint64_t lost = 0;
		for (uint32_t k = 0; k < n && !s->member[i]; k++) {
			uint32_t m = s->clique[k];
			lost += tt_conflict(s->p, i, m) ? 0 : s->p->tests[m].duration_ns;
		}
		if (s->member[i] || lost >= s->p->tests[i].duration_ns) {
			continue;
		}
		uint32_t kept = 0;
		for (uint32_t k = 0; k < n; k++) {
			if (tt_conflict(s->p, i, s->clique[k])) {
				s->clique[kept++] = s->clique[k];
			}
		}
		s->clique[kept++] = i;
		n = kept;
		*better = true;
	}
	return n;
}

static void by_cliques(struct scan *s, struct evl_timetable *out)
{
	const struct tt_problem *p = s->p;
	struct tt_keyed *keys = evl_xcalloc(s->n + 1, sizeof *keys);
	uint32_t seeds = s->n <= 500 ? s->n : 16;
	for (int rule = 0; rule < 3; rule++) {
		for (uint32_t k = 0; k < s->n; k++) {
			uint32_t i = s->tests[k];
			double d = (double)p->tests[i].duration_ns, w = (double)s->weight[i];
			keys[k] = (struct tt_keyed){rule == 0 ? d : rule == 1 ? w : d * w, i};
		}
		qsort(keys, s->n, sizeof *keys, tt_by_key);
		for (uint32_t k = 0; k < s->n; k++) {
			s->list[k] = keys[k].index;
		}
		for (uint32_t k = 0; k < seeds; k++) {
			s->clique[0] = s->list[k];
			uint32_t n = extend(s, 1);
			bool better = true;
			/* Each exchange makes it heavier, so it ends; the cap is for time. */
			for (int round = 0; better && round < 100; round++) {
				n = exchange(s, n, &better);
				n = better ? extend(s, n) : n;
			}
			uint64_t bound = at_most(s, s->clique, n) > out->bound_ns
						 ? proved(s, s->clique, n)
						 : 0;
			if (bound > out->bound_ns) {
				out->bound_ns = bound;
				out->bound = EVL_TIMETABLE_BY_CLIQUE;
				out->bound_tests = n;
			}
		}
	}
	free(keys);
}

uint64_t tt_bound(struct evl_timetable *out, const struct tt_problem *p, const bool *in)
{
	struct scan s = {.p = p, .in = in};
	s.head = evl_xcalloc(p->count + 1, sizeof *s.head);
	s.tail = evl_xcalloc(p->count + 1, sizeof *s.tail);
	s.weight = evl_xcalloc(p->count + 1, sizeof *s.weight);
	s.tests = evl_xcalloc(p->count + 1, sizeof *s.tests);
	s.member = evl_xcalloc(p->count + 1, sizeof *s.member);
	s.clique = evl_xcalloc(p->count + 1, sizeof *s.clique);
	s.list = evl_xcalloc(p->count + 1, sizeof *s.list);
	s.set = evl_xcalloc(p->words, sizeof *s.set);
	for (uint32_t i = 0; i < p->count; i++) {
		if (is_in(&s, i)) {
			s.tests[s.n++] = i;
		}
	}
	for (uint32_t k = 0; k < s.n; k++) {
		for (uint32_t j = 0; j < s.n; j++) {
			s.weight[s.tests[k]] += tt_conflict(p, s.tests[k], s.tests[j])
							? p->tests[s.tests[j]].duration_ns
							: 0;
		}
	}
	out->bound_ns = 0;
	out->bound_tests = 0;
	chains(&s);
	by_resources(&s, out);
	by_paths(&s, out);
	by_cliques(&s, out);
	free(s.head);
	free(s.tail);
	free(s.weight);
	free(s.tests);
	free(s.member);
	free(s.clique);
	free(s.list);
	free(s.set);
	return out->bound_ns;
}
