/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/at_once.h"

#include <stdlib.h>

#include "core/base/err.h"

static bool share(const struct evl_at_once_case *a, const struct evl_at_once_case *b)
{
	for (size_t c = 0; c < a->channel_count; c++) {
		if (a->holds[c] && b->holds[c]) {
			return true;
		}
	}
	return false;
}

static bool names(const struct evl_at_once_case *a, size_t other)
{
	for (size_t i = 0; i < a->after_count; i++) {
		if (a->after[i] == other) {
			return true;
		}
	}
	return false;
}

void evl_at_once_order(struct evl_at_once *out, const struct evl_at_once_case *cases, size_t count,
	bool one_by_one)
{
	*out = (struct evl_at_once){.count = count,
		.waits = evl_xcalloc(count * count, sizeof *out->waits),
		.start_ns = evl_xcalloc(count, sizeof *out->start_ns),
		.tail_ns = evl_xcalloc(count, sizeof *out->tail_ns)};
	for (size_t i = 0; i < count; i++) {
		for (size_t k = 0; k < i; k++) {
			bool waits =
				one_by_one || names(&cases[i], k) || share(&cases[i], &cases[k]);
			uint64_t end = out->start_ns[k] + cases[k].lasts_ns;
			out->waits[i * count + k] = waits;
			if (waits && end > out->start_ns[i]) {
				out->start_ns[i] = end;
			}
		}
		uint64_t end = out->start_ns[i] + cases[i].lasts_ns;
		out->end_ns = end > out->end_ns ? end : out->end_ns;
		out->sum_ns += cases[i].lasts_ns;
	}
	for (size_t k = count; k-- > 0;) {
		for (size_t i = k + 1; i < count; i++) {
			uint64_t tail = cases[i].lasts_ns + out->tail_ns[i];
			if (out->waits[i * count + k] && tail > out->tail_ns[k]) {
				out->tail_ns[k] = tail;
			}
		}
	}
}

bool evl_at_once_waits(const struct evl_at_once *o, size_t of, size_t on)
{
	evl_require(of < o->count && on < o->count);
	return o->waits[of * o->count + on];
}

void evl_at_once_finish(struct evl_at_once *o)
{
	free(o->waits);
	free(o->start_ns);
	free(o->tail_ns);
	*o = (struct evl_at_once){0};
}

/* The time from now on, when the round lasts so long and the rest goes at once. */
static uint64_t cost(const struct evl_at_once_take *takes, size_t count, uint64_t round_ns)
{
	uint64_t longest = 0;
	for (size_t i = 0; i < count; i++) {
		const struct evl_at_once_take *t = &takes[i];
		uint64_t left = t->left_ns > t->needs_ns ? t->left_ns : t->needs_ns;
		left = left - (t->needs_ns <= round_ns ? t->needs_ns : 0) + t->tail_ns;
		longest = left > longest ? left : longest;
	}
	return round_ns + longest;
}

void evl_at_once_choose(const struct evl_at_once_take *takes, size_t count, bool *together)
{
	uint64_t best_ns = 0, best_cost = UINT64_MAX;
	evl_require(count > 0);
	for (size_t i = 0; i < count; i++) {
		uint64_t ns = takes[i].needs_ns, c = cost(takes, count, ns);
		if (c < best_cost || (c == best_cost && ns > best_ns)) {
			best_ns = ns;
			best_cost = c;
		}
	}
	for (size_t i = 0; i < count; i++) {
		together[i] = takes[i].needs_ns <= best_ns;
	}
}
