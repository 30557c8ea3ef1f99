/* SPDX-License-Identifier: Apache-2.0 */
/* Checks the problem, chooses what goes into the window, and puts the answer together. */
#include "core/night/timetable.h"

#include <stdlib.h>
#include <string.h>

#include "core/night/timetable_internal.h"

static enum evl_status check(const struct evl_timetable_args *a, struct evl_err *err)
{
	if (a->test_count > EVL_TIMETABLE_TESTS_MAX ||
		a->resource_count > EVL_TIMETABLE_RESOURCES_MAX) {
		return evl_err_set(err, EVL_E_LIMIT,
			"a timetable has at most %u tests and %u resources; this one has %zu and "
			"%zu",
			EVL_TIMETABLE_TESTS_MAX, EVL_TIMETABLE_RESOURCES_MAX, a->test_count,
			a->resource_count);
	}
	bool *seen = evl_xcalloc(a->resource_count + 1, sizeof *seen);
	enum evl_status st = EVL_OK;
	uint64_t all_ns = 0;
	for (size_t i = 0; i < a->test_count && st == EVL_OK; i++) {
		const struct evl_timetable_test *t = &a->tests[i];
		if (t->duration_ns == 0 || t->duration_ns > EVL_TIMETABLE_NS_MAX) {
			st = evl_err_set(err, EVL_E_INVALID,
				"test %zu of the timetable has a duration of %llu ns; it must be "
				"above 0 and at most a year",
				i, (unsigned long long)t->duration_ns);
		}
		all_ns += st == EVL_OK ? t->duration_ns : 0;
		if (all_ns > EVL_TIMETABLE_ALL_NS_MAX) {
			st = evl_err_set(err, EVL_E_LIMIT,
				"the tests of a timetable together last longer than 100 years");
		}
		for (size_t k = 0; k < t->need_count && st == EVL_OK; k++) {
			if (t->needs[k] >= a->resource_count || seen[t->needs[k]]) {
				st = evl_err_set(err, EVL_E_INVALID,
					"test %zu of the timetable needs resource %u, which is not "
					"there or is named twice",
					i, (unsigned)t->needs[k]);
			} else {
				seen[t->needs[k]] = true;
			}
		}
		for (size_t k = 0; k < t->need_count && st == EVL_OK; k++) {
			seen[t->needs[k]] = false;
		}
		for (size_t k = 0; k < t->after_count && st == EVL_OK; k++) {
			if (t->after[k] >= a->test_count) {
				st = evl_err_set(err, EVL_E_INVALID,
					"test %zu of the timetable waits for test %u, which is not "
					"there",
					i, (unsigned)t->after[k]);
			}
		}
	}
	free(seen);
	return st;
}

/* Tests in an order in which nobody waits for a later one (Kahn 1962); false: a circle. */
static bool sort_topologically(struct tt_problem *p, uint32_t *culprit)
{
	uint32_t *left = evl_xcalloc(p->count + 1, sizeof *left);
	uint32_t *begin = evl_xcalloc(p->count + 2, sizeof *begin); /* successors, by test */
	size_t edges = 0;
	for (uint32_t i = 0; i < p->count; i++) {
		left[i] = (uint32_t)p->tests[i].after_count;
		for (uint32_t k = 0; k < left[i]; k++) {
			begin[p->tests[i].after[k] + 1]++;
		}
		edges += left[i];
	}
	for (uint32_t i = 0; i < p->count; i++) {
		begin[i + 1] += begin[i];
	}
	uint32_t *to = evl_xcalloc(edges + 1, sizeof *to);
	uint32_t *at = evl_xcalloc(p->count + 1, sizeof *at);
	for (uint32_t i = 0; i < p->count; i++) {
		for (size_t k = 0; k < p->tests[i].after_count; k++) {
			uint32_t from = p->tests[i].after[k];
			to[begin[from] + at[from]++] = i;
		}
	}
	uint32_t n = 0;
	for (uint32_t i = 0; i < p->count; i++) {
		if (left[i] == 0) {
			p->topological[n++] = i;
		}
	}
	for (uint32_t k = 0; k < n; k++) {
		uint32_t from = p->topological[k];
		for (uint32_t e = begin[from]; e < begin[from + 1]; e++) {
			if (--left[to[e]] == 0) {
				p->topological[n++] = to[e];
			}
		}
	}
	for (uint32_t i = 0; i < p->count && n < p->count; i++) {
		if (left[i] > 0) {
			*culprit = i;
			break;
		}
	}
	free(left);
	free(begin);
	free(to);
	free(at);
	return n == p->count;
}

static void set_conflict(struct tt_problem *p, uint32_t a, uint32_t b)
{
	p->conflicts[a * p->words + b / 64] |= (uint64_t)1 << (b % 64);
	p->conflicts[b * p->words + a / 64] |= (uint64_t)1 << (a % 64);
}

/* Heads, tails, and which tests can never run at once: a common resource, or one waits for the
 * other, perhaps by way of others. */
static void find_relations(struct tt_problem *p)
{
	uint64_t *before = evl_xcalloc(p->count * p->words + 1, sizeof *before);
	for (uint32_t k = 0; k < p->count; k++) {
		uint32_t i = p->topological[k];
		const struct evl_timetable_test *t = &p->tests[i];
		for (size_t e = 0; e < t->after_count; e++) {
			uint32_t from = t->after[e];
			uint64_t end = p->head[from] + p->tests[from].duration_ns;
			p->head[i] = end > p->head[i] ? end : p->head[i];
			for (size_t w = 0; w < p->words; w++) {
				before[i * p->words + w] |= before[from * p->words + w];
			}
			before[i * p->words + from / 64] |= (uint64_t)1 << (from % 64);
		}
		for (uint32_t j = 0; j < p->count; j++) {
			if ((before[i * p->words + j / 64] >> (j % 64) & 1u) != 0) {
				set_conflict(p, i, j);
			}
		}
	}
	for (uint32_t k = p->count; k-- > 0;) {
		uint32_t i = p->topological[k];
		const struct evl_timetable_test *t = &p->tests[i];
		uint64_t tail = p->tail[i] + t->duration_ns;
		for (size_t e = 0; e < t->after_count; e++) {
			uint64_t *to = &p->tail[t->after[e]];
			*to = tail > *to ? tail : *to;
		}
	}
	free(before);
	size_t words = p->resources / 64 + 1;
	uint64_t *sets = evl_xcalloc((size_t)p->count * words + 1, sizeof *sets);
	for (uint32_t i = 0; i < p->count; i++) {
		for (size_t k = 0; k < p->tests[i].need_count; k++) {
			uint32_t r = p->tests[i].needs[k];
			sets[i * words + r / 64] |= (uint64_t)1 << (r % 64);
		}
	}
	for (uint32_t i = 0; i < p->count; i++) {
		for (uint32_t j = i + 1; j < p->count; j++) {
			uint64_t both = 0;
			for (size_t w = 0; w < words && both == 0; w++) {
				both = sets[i * words + w] & sets[j * words + w];
			}
			if (both != 0) {
				set_conflict(p, i, j);
			}
		}
	}
	free(sets);
}

static void problem_finish(struct tt_problem *p)
{
	free(p->topological);
	free(p->head);
	free(p->tail);
	free(p->conflicts);
	free(p->ready);
	free(p->start);
	free(p->end);
}

static enum evl_status problem_init(
	struct tt_problem *p, const struct evl_timetable_args *a, struct evl_err *err)
{
	uint32_t culprit = 0;
	size_t n = a->test_count;
	*p = (struct tt_problem){.tests = a->tests,
		.count = (uint32_t)n,
		.resources = (uint32_t)a->resource_count,
		.words = n / 64 + 1};
	p->topological = evl_xcalloc(n + 1, sizeof *p->topological);
	p->head = evl_xcalloc(n + 1, sizeof *p->head);
	p->tail = evl_xcalloc(n + 1, sizeof *p->tail);
	p->start = evl_xcalloc(n + 1, sizeof *p->start);
	p->end = evl_xcalloc(n + 1, sizeof *p->end);
	p->ready = evl_xcalloc(a->resource_count + 1, sizeof *p->ready);
	p->conflicts = evl_xcalloc(n * p->words + 1, sizeof *p->conflicts);
	if (!sort_topologically(p, &culprit)) {
		return evl_err_set(err, EVL_E_INVALID,
			"test %u of the timetable waits for itself, by way of the tests that it "
			"waits for",
			(unsigned)culprit);
	}
	find_relations(p);
	return EVL_OK;
}

/* ---- what matters first ---- */

struct ranked {
	uint32_t priority, rank, index;
};

static int by_need(const void *a, const void *b)
{
	const struct ranked *x = a, *y = b;
	if (x->priority != y->priority) {
		return x->priority > y->priority ? -1 : 1;
	}
	if (x->rank != y->rank) {
		return x->rank < y->rank ? -1 : 1;
	}
	return x->index < y->index ? -1 : 1;
}

static void put_with_before(
	const struct tt_problem *p, uint32_t *list, size_t *n, bool *in, uint32_t i)
{
	if (in[i]) {
		return;
	}
	/* What comes before may be deep, but not deeper than there are tests: walk by hand. */
	uint32_t *stack = evl_xcalloc(p->count + 1, sizeof *stack);
	size_t *next = evl_xcalloc(p->count + 1, sizeof *next);
	size_t depth = 1;
	stack[0] = i;
	while (depth > 0) {
		uint32_t top = stack[depth - 1];
		const struct evl_timetable_test *t = &p->tests[top];
		if (next[depth - 1] < t->after_count) {
			uint32_t from = t->after[next[depth - 1]++];
			if (!in[from]) {
				next[depth] = 0;
				stack[depth++] = from;
			}
			continue;
		}
		if (!in[top]) {
			in[top] = true;
			list[(*n)++] = top;
		}
		depth--;
	}
	free(stack);
	free(next);
}

/* All tests by what matters, each behind those that it waits for. */
static void sort_by_need(const struct tt_problem *p, uint32_t *list)
{
	struct ranked *ranks = evl_xcalloc(p->count + 1, sizeof *ranks);
	bool *in = evl_xcalloc(p->count + 1, sizeof *in);
	size_t n = 0;
	for (uint32_t i = 0; i < p->count; i++) {
		ranks[i] = (struct ranked){p->tests[i].priority, p->tests[i].rank, i};
	}
	qsort(ranks, p->count, sizeof *ranks, by_need);
	for (uint32_t i = 0; i < p->count; i++) {
		put_with_before(p, list, &n, in, ranks[i].index);
	}
	free(ranks);
	free(in);
}

/* ---- choosing ---- */

struct choice {
	struct tt_problem *p;
	struct evl_timetable *out;
	uint64_t window_ns;
	uint64_t effort;
	uint32_t *list; /* chosen tests by what matters */
	size_t n;
	uint32_t *order; /* of starts */
	bool *in;        /* chosen */
	uint32_t *kept;  /* the last order found that fits into the window ... */
	size_t kept_n;   /* ... with so many tests */
};

static void keep(struct choice *c, size_t n)
{
	memcpy(c->kept, c->order, n * sizeof *c->kept);
	c->kept_n = n;
}

/* Takes test `i` in if a timetable with it fits into the window. */
static void try_test(struct choice *c, uint32_t i, uint64_t effort)
{
	const struct evl_timetable_test *t = &c->p->tests[i];
	struct evl_timetable_slot *slot = &c->out->slots[i];
	struct evl_timetable unused = {0};
	for (size_t k = 0; k < t->after_count; k++) {
		if (!c->in[t->after[k]]) {
			slot->fate = EVL_TIMETABLE_WAITS;
			slot->waits_for = t->after[k];
			return;
		}
	}
	if (c->p->head[i] + t->duration_ns > c->window_ns) {
		slot->fate = EVL_TIMETABLE_TOO_LONG;
		return;
	}
	c->list[c->n] = i;
	c->in[i] = true;
	uint64_t end = tt_list(c->p, c->order, c->list, c->n + 1);
	if (end > c->window_ns) {
		if (tt_bound(&unused, c->p, c->in) > c->window_ns) {
			slot->fate = EVL_TIMETABLE_NO_ROOM;
			c->in[i] = false;
			return;
		}
		if (c->kept_n == c->n) { /* at the end of what is there already, perhaps */
			memcpy(c->order, c->kept, c->n * sizeof *c->order);
			c->order[c->n] = i;
		}
		end = tt_search(c->p, c->order, c->n + 1, c->window_ns, true, effort);
	}
	if (end > c->window_ns) {
		slot->fate = EVL_TIMETABLE_NO_WAY;
		c->in[i] = false;
		return;
	}
	c->n++;
	keep(c, c->n);
}

/* The chosen tests in the best order: as they matter if that costs nothing that counts. */
static uint64_t lay_out(struct choice *c, uint64_t bound)
{
	uint32_t *as_needed = evl_xcalloc(c->n + 1, sizeof *as_needed);
	uint64_t end = tt_list(c->p, as_needed, c->list, c->n);
	memcpy(c->order, as_needed, c->n * sizeof *as_needed);
	if (end > bound && (c->window_ns == 0 || end > c->window_ns)) {
		uint64_t goal = c->window_ns > bound ? c->window_ns : bound;
		if (c->kept_n == c->n) { /* found when the last test was let in */
			memcpy(c->order, c->kept, c->n * sizeof *c->order);
			end = tt_decode(c->p, c->order, c->n);
		} else {
			end = tt_search(c->p, c->order, c->n, goal, c->window_ns > 0, c->effort);
		}
	}
	free(as_needed);
	return end;
}

static void choose(struct choice *c)
{
	struct evl_timetable unused = {0};
	uint32_t count = c->p->count;
	uint32_t *all = evl_xcalloc(count + 1, sizeof *all);
	memcpy(all, c->list, count * sizeof *all);
	for (uint32_t i = 0; i < count; i++) {
		c->in[i] = true;
	}
	c->n = count;
	uint64_t bound = tt_bound(&unused, c->p, NULL);
	c->out->all_bound_ns = bound;
	if (c->window_ns == 0) {
		free(all);
		return;
	}
	if (bound <= c->window_ns && lay_out(c, bound) <= c->window_ns) {
		keep(c, c->n);
		free(all);
		return;
	}
	/* Not all fits: as they matter, each if it fits beside those before it. */
	memset(c->in, 0, count * sizeof *c->in);
	c->n = 0;
	for (uint32_t i = 0; i < count; i++) {
		try_test(c, all[i], count > 500 ? 0 : c->effort / 50);
	}
	free(all);
}

static void fill(struct choice *c)
{
	struct evl_timetable *out = c->out;
	struct tt_problem *p = c->p;
	tt_bound(out, p, c->in);
	uint64_t end = lay_out(c, out->bound_ns);
	evl_require(c->window_ns == 0 || c->n == 0 || end <= c->window_ns);
	out->end_ns = tt_decode(p, c->order, c->n);
	out->placed = c->n;
	for (size_t k = 0; k < c->n; k++) {
		uint32_t i = c->order[k];
		out->slots[i] = (struct evl_timetable_slot){
			EVL_TIMETABLE_PLACED, p->start[i], p->end[i], 0};
	}
	/* By start; those that begin together by what matters. */
	uint32_t *place = evl_xcalloc(p->count + 1, sizeof *place);
	for (size_t k = 0; k < c->n; k++) {
		place[c->list[k]] = (uint32_t)k;
	}
	for (size_t k = 0; k < c->n; k++) {
		uint32_t i = c->order[k];
		size_t at = k;
		while (at > 0 && (p->start[out->order[at - 1]] > p->start[i] ||
					 (p->start[out->order[at - 1]] == p->start[i] &&
						 place[out->order[at - 1]] > place[i]))) {
			out->order[at] = out->order[at - 1];
			at--;
		}
		out->order[at] = i;
	}
	free(place);
	/* First come, first served: as given; a test that waits for a later one comes behind it. */
	uint32_t *given = evl_xcalloc(p->count + 1, sizeof *given);
	uint32_t *kept = evl_xcalloc(p->count + 1, sizeof *kept);
	bool *done = evl_xcalloc(p->count + 1, sizeof *done);
	size_t n = 0, m = 0;
	for (uint32_t i = 0; i < p->count; i++) {
		put_with_before(p, given, &n, done, i);
	}
	for (size_t k = 0; k < n; k++) {
		if (c->in[given[k]]) {
			kept[m++] = given[k];
		}
	}
	out->in_order_ns = tt_decode_in_order(p, kept, m);
	free(given);
	free(kept);
	free(done);
}

enum evl_status evl_timetable_make(
	struct evl_timetable *out, const struct evl_timetable_args *args, struct evl_err *err)
{
	*out = (struct evl_timetable){0};
	struct tt_problem p = {0};
	enum evl_status st = check(args, err);
	if (st == EVL_OK) {
		st = problem_init(&p, args, err);
	}
	if (st < 0) {
		problem_finish(&p);
		return st;
	}
	size_t n = args->test_count;
	struct choice c = {.p = &p,
		.out = out,
		.window_ns = args->window_ns,
		.effort = args->effort > 0 ? args->effort
			  : n < 100        ? (uint64_t)n * n * 500
					   : 6000000};
	out->slots = evl_xcalloc(n + 1, sizeof *out->slots);
	out->order = evl_xcalloc(n + 1, sizeof *out->order);
	out->slot_count = n;
	c.list = evl_xcalloc(n + 1, sizeof *c.list);
	c.order = evl_xcalloc(n + 1, sizeof *c.order);
	c.in = evl_xcalloc(n + 1, sizeof *c.in);
	c.kept = evl_xcalloc(n + 1, sizeof *c.kept);
	c.kept_n = SIZE_MAX;
	sort_by_need(&p, c.list);
	choose(&c);
	fill(&c);
	free(c.list);
	free(c.order);
	free(c.in);
	free(c.kept);
	problem_finish(&p);
	return EVL_OK;
}

void evl_timetable_finish(struct evl_timetable *t)
{
	free(t->slots);
	free(t->order);
	*t = (struct evl_timetable){0};
}
