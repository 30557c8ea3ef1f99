/* SPDX-License-Identifier: Apache-2.0 */
/* Defects of a run: root causes with how many others they explain, or all of them. */
#include <inttypes.h>
#include <string.h>

#include "core/cli/cli.h"
#include "core/cli/print_run.h"

#define ROOTS_SHOWN 12u /* of a case, unless all are asked for */

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

static bool same_text(const char *a, const char *b)
{
	return strcmp(text(a), text(b)) == 0;
}

static const char *label(const struct evl_run *run, int channel)
{
	const struct evl_row_channel *c = evl_run_channel(run, channel);
	return c != NULL ? text(c->label) : "?";
}

/* The clear of the raise events[at]; NULL when it stood to the end. */
static const struct evl_row_event *clear_of(const struct evl_run *run, size_t at)
{
	const struct evl_row_event *e = &run->events[at];
	for (size_t i = at + 1; i < run->event_count; i++) {
		const struct evl_row_event *c = &run->events[i];
		if (c->case_no != e->case_no || c->take_no != e->take_no) {
			break;
		}
		if (!c->raised && c->channel_no == e->channel_no && same_text(c->alarm, e->alarm) &&
			same_text(c->source, e->source) && same_text(c->place, e->place)) {
			return c;
		}
	}
	return NULL;
}

/* A raise of the same defect on the same channel of the same take, whoever told it. */
static bool same_root(const struct evl_row_event *a, const struct evl_row_event *b)
{
	return a->case_no == b->case_no && a->take_no == b->take_no && b->raised &&
	       b->consequence_of == NULL && a->channel_no == b->channel_no &&
	       same_text(a->alarm, b->alarm);
}

/* Unit and tester tell one disturbance within so long of each other (ours). What follows from it
 * may be seen a little before it is told itself (core/engine EVL_CAUSE_LEAD_NS). */
#define SAME_NS INT64_C(50000000)
#define LEAD_NS INT64_C(5000000)

/* Does `later` tell again what `first` tells, or is it another one? */
static bool told_again(const struct evl_run *run, size_t first, size_t later)
{
	const struct evl_row_event *clear = clear_of(run, first);
	return run->events[later].at_ns - run->events[first].at_ns < SAME_NS || clear == NULL ||
	       run->events[later].at_ns < clear->at_ns;
}

/* How many raises of the take name this defect as their cause, up to where it comes once more. */
static size_t explained_by(const struct evl_run *run, size_t at)
{
	const struct evl_row_event *e = &run->events[at];
	int64_t until = INT64_MAX;
	size_t n = 0;
	for (size_t i = 0; i < run->event_count && until == INT64_MAX; i++) {
		if (i == at || !same_root(e, &run->events[i])) {
			continue;
		}
		if (i < at && told_again(run, i, at)) {
			return 0; /* told with the first that saw it, unit or tester */
		}
		if (i > at && !told_again(run, at, i)) {
			until = run->events[i].at_ns - LEAD_NS;
		}
	}
	for (size_t i = 0; i < run->event_count; i++) {
		const struct evl_row_event *c = &run->events[i];
		n += c->case_no == e->case_no && c->take_no == e->take_no && c->raised &&
		     c->cause_channel_no == e->channel_no &&
		     same_text(c->consequence_of, e->alarm) && c->at_ns >= e->at_ns - LEAD_NS &&
		     c->at_ns < until;
	}
	return n;
}

static void print_one(const struct evl_run *run, size_t at, bool all)
{
	const struct evl_row_event *e = &run->events[at];
	const struct evl_row_event *clear = clear_of(run, at);
	const struct evl_row_take *take = evl_run_take(run, e->case_no, e->take_no);
	const int64_t from = e->at_ns - (take != NULL ? take->start_ns : 0);
	cli_out("    %-9s %s%s%s, by the %s, take %d, %s%s", text(e->alarm),
		label(run, e->channel_no), e->place != NULL ? ", " : "", text(e->place),
		text(e->source), e->take_no + 1, from < 0 ? "before the start" : "after ",
		from < 0 ? "" : cli_duration((uint64_t)from).s);
	if (clear != NULL) {
		cli_out(", for %s", cli_duration((uint64_t)(clear->at_ns - e->at_ns)).s);
	} else {
		cli_out(", to the end");
	}
	if (e->consequence_of != NULL) {
		cli_out("; consequence of %s, %s", e->consequence_of,
			label(run, e->cause_channel_no));
	} else if (!all) {
		size_t n = explained_by(run, at);
		if (n > 0) {
			cli_out("; %s", cli_number_of(n, "consequence").s);
		}
	}
	cli_out("\n");
}

void print_run_alarms(const struct evl_run *run, bool all)
{
	for (size_t k = 0; k < run->case_count; k++) {
		size_t roots = 0, others = 0;
		for (size_t i = 0; i < run->event_count; i++) {
			const struct evl_row_event *e = &run->events[i];
			if (e->case_no != (int)k || !e->raised) {
				continue;
			}
			if (roots + others == 0) {
				cli_out("alarms of %s\n", text(run->cases[k].name));
			}
			bool root = e->consequence_of == NULL;
			roots += root;
			others += !root;
			if (all || (root && roots <= ROOTS_SHOWN)) {
				print_one(run, i, all);
			}
		}
		if (!all && (others > 0 || roots > ROOTS_SHOWN)) {
			cli_out("    %s in all, %s; --alarms shows each\n",
				cli_number_of(roots, "root cause").s,
				cli_number_of(others, "consequence").s);
		}
	}
}
