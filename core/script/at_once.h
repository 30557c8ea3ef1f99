/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which cases of a campaign may run at once, and which of their takes begin together. Pure: the
 * same input gives the same answer on any machine.
 *
 *	evl_at_once_order(&order, cases, n, false);
 *	... a case may begin when all have ended for which evl_at_once_waits(&order, it, k) ...
 *	evl_at_once_choose(takes, open, together);
 *	evl_at_once_finish(&order);
 *
 * The rule: a case holds its channels from its begin to its end. It waits for every earlier case of
 * the file that holds one of them, and for those that it names itself; for no other. So cases that
 * share a channel run in the order of the file, and those that share none at once.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct evl_at_once_case {
	const bool *holds;    /* by channel */
	size_t channel_count; /* the same in all */
	const size_t *after;  /* indices of earlier cases */
	size_t after_count;
	uint64_t lasts_ns; /* as stated */
};

struct evl_at_once {
	size_t count;
	bool *waits;        /* [of * count + for] */
	uint64_t *start_ns; /* by case, when each begins as soon as it may and lasts as stated */
	uint64_t *tail_ns;  /* by case: what must come after its end, as stated */
	uint64_t end_ns;    /* of the last */
	uint64_t sum_ns;    /* one at a time */
};

/* `one_by_one`: each waits for all before it. */
void evl_at_once_order(struct evl_at_once *out, const struct evl_at_once_case *cases, size_t count,
	bool one_by_one);
bool evl_at_once_waits(const struct evl_at_once *o, size_t of, size_t on);
void evl_at_once_finish(struct evl_at_once *o); /* takes a zeroed object */

/* A case that waits with a take. */
struct evl_at_once_take {
	uint64_t needs_ns; /* the take; above 0 */
	uint64_t left_ns;  /* of the case as stated, with this take; less than it counts as it */
	uint64_t tail_ns;
};

/* Takes that begin together end together: a short one waits for the longest. Says which are to
 * begin now, so that the least time passes if from then on all goes at once: for each length of the
 * round, its length and the longest of what is left of all cases. At least one is chosen; of two
 * rounds that are as good the longer. */
void evl_at_once_choose(const struct evl_at_once_take *takes, size_t count, bool *together);
