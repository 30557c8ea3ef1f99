/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Orders of tests and what they decode to. A timetable is an order in which each test begins as
 * soon as its resources and the tests before it allow; some order gives the best timetable. The
 * search begins with list schedules by several rules and goes on by ejection.
 */
#include <stdlib.h>
#include <string.h>

#include "core/night/timetable_internal.h"

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

/* Orders by rules: long first, wide first, much in conflict first, and what has a long chain. */
static uint64_t start_order(struct tt_problem *p, uint32_t *order, size_t n)
{
	uint64_t end = tt_decode(p, order, n);
	struct tt_keyed *keys = evl_xcalloc(n + 1, sizeof *keys);
	uint32_t *list = evl_xcalloc(n + 1, sizeof *list);
	uint32_t *next = evl_xcalloc(n + 1, sizeof *next);
	uint64_t *crowd = evl_xcalloc(p->count + 1, sizeof *crowd); /* durations in conflict */
	memcpy(list, order, n * sizeof *list);
	for (size_t k = 0; k < n; k++) {
		for (size_t j = 0; j < n; j++) {
			crowd[list[k]] += tt_conflict(p, list[k], list[j])
						  ? p->tests[list[j]].duration_ns
						  : 0;
		}
	}
	for (int rule = 0; rule < 5; rule++) {
		for (size_t k = 0; k < n; k++) {
			uint32_t i = list[k];
			const struct evl_timetable_test *t = &p->tests[i];
			double d = (double)t->duration_ns;
			double key = rule == 0   ? d
				     : rule == 1 ? (double)t->need_count
				     : rule == 2 ? (double)crowd[i]
				     : rule == 3 ? d * (double)crowd[i]
						 : d * (double)(t->need_count + 1);
			/* A chain behind it makes a test as urgent as the chain is long. */
			keys[k] = (struct tt_keyed){key + (key / (d + 1)) * (double)p->tail[i], i};
		}
		qsort(keys, n, sizeof *keys, tt_by_key);
		for (size_t k = 0; k < n; k++) {
			list[k] = keys[k].index;
		}
		uint64_t e = tt_list(p, next, list, n);
		if (e < end) {
			end = e;
			memcpy(order, next, n * sizeof *order);
		}
	}
	free(keys);
	free(list);
	free(next);
	free(crowd);
	return end;
}

uint64_t tt_search(struct tt_problem *p, uint32_t *order, size_t n, uint64_t goal_ns, bool straight,
	uint64_t work)
{
	uint64_t best = tt_decode(p, order, n);
	if (n < 2 || best <= goal_ns) {
		return best;
	}
	best = start_order(p, order, n);
	return best <= goal_ns ? best : tt_eject(p, order, n, goal_ns, straight, work);
}
