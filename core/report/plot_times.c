/* SPDX-License-Identifier: Apache-2.0 */
/* Timetable of the run: cases as lanes, takes as bars, on the bench's time. */
#include "core/report/drawing.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

enum {
	LANE = 26,
	SIGN = 13,
	PLAIN_LANES = 14, /* so many cases have a lane each */
	MAX_LANES = 24,
	MARKS_MAX = 60, /* in a lane */
};

struct lane {
	size_t first, count; /* of the run's cases; several only when all of them pass */
};

static int64_t end_of_case(const struct evl_run *run, const struct evl_row_case *k)
{
	int64_t end = k->ended_ns >= k->started_ns ? k->ended_ns : k->started_ns;
	for (size_t i = 0; i < run->take_count; i++) {
		const struct evl_row_take *t = &run->takes[i];
		int64_t at = t->start_ns + t->frames * 125000;
		end = t->case_no == k->ordinal && at > end ? at : end;
	}
	return end;
}

/* More cases than lanes: those that pass, one after the other, share one. */
static size_t make_lanes(const struct evl_run *run, struct lane *lanes)
{
	size_t n = 0;
	for (size_t i = 0; i < run->case_count; i++) {
		bool pass = evl_page_verdict_of(run->cases[i].verdict) == PV_PASS;
		const struct lane *last = n == 0 ? NULL : &lanes[n - 1];
		if (run->case_count > PLAIN_LANES && pass && last != NULL &&
			evl_page_verdict_of(run->cases[last->first].verdict) == PV_PASS) {
			lanes[n - 1].count++;
		} else {
			lanes[n++] = (struct lane){i, 1};
		}
	}
	return n;
}

static void put_takes(struct evl_page *p, const struct lane *l, int y, int64_t length)
{
	for (size_t i = 0; i < p->run->take_count; i++) {
		const struct evl_row_take *t = &p->run->takes[i];
		if (t->case_no < (int)l->first || t->case_no >= (int)(l->first + l->count)) {
			continue;
		}
		double from = evl_draw_time_x(t->start_ns, length);
		double w = evl_draw_time_x(t->start_ns + t->frames * 125000, length) - from;
		bool whole = t->state == NULL || strcmp(t->state, EVL_STATE_FINISHED) == 0;
		/* A gap of half a unit keeps takes that follow each other apart. */
		evl_draw_rect(p, whole ? "take" : "take broken", from, y + 4,
			w < 1.5 ? 1.5
			: w > 4 ? w - 0.8
				: w,
			10);
	}
}

/* Instants of checks that do not pass, each place once. */
static void put_marks(struct evl_page *p, const struct lane *l, int y, int64_t length)
{
	int marks = 0;
	double last = -10;
	for (size_t c = l->first; c < l->first + l->count; c++) {
		size_t first = 0;
		size_t n = evl_run_case_checks(p->run, (int)c, &first);
		for (size_t i = first; i < first + n && marks < MARKS_MAX; i++) {
			const struct evl_row_check *k = &p->run->checks[i];
			double x = k->at_ns < 0 ? last : evl_draw_time_x(k->at_ns, length);
			double apart = x > last ? x - last : last - x;
			if (k->at_ns >= 0 && evl_page_verdict_of(k->verdict) >= PV_INCONCLUSIVE &&
				apart > 3) {
				evl_draw_path(p, "shape is-fail", "M%.1f %dl4 6l-8 0Z", x, y + 15);
				last = x;
				marks++;
			}
		}
	}
}

static void put_lane(struct evl_page *p, const struct lane *l, int y, int64_t length)
{
	const struct evl_row_case *k = &p->run->cases[l->first];
	const struct evl_row_case *last = &p->run->cases[l->first + l->count - 1];
	enum evl_page_verdict v = evl_page_verdict_of(k->verdict);
	int64_t end = end_of_case(p->run, last);
	char name[200];
	char told[200];
	if (l->count > 1) {
		snprintf(name, sizeof name, "%zu. to %zu.", l->first + 1, l->first + l->count);
	} else {
		snprintf(name, sizeof name, "%zu. %s", l->first + 1,
			k->name == NULL ? "" : evl_draw_short(k->name, 60).s);
	}
	double from = evl_draw_time_x(k->started_ns, length);
	double to = evl_draw_time_x(end, length);
	evl_draw_sign(p, v, 0, y + 3, SIGN);
	evl_draw_text(p, "sub", SIGN + 5, y + 14, evl_draw_short(name, 20).s);
	evl_draw_rect(p, "base", from, y + 8, to - from < 1 ? 1 : to - from, 2);
	put_takes(p, l, y, length);
	put_marks(p, l, y, length);
	snprintf(told, sizeof told, "%s, %s%s", evl_page_verdict_name(v),
		evl_num_time(end - k->started_ns).s,
		k->ended_ns < k->started_ns ? ", not ended" : "");
	evl_draw_text(p, "sub", DRAW_LEFT + DRAW_WIDTH + 10, y + 14, told);
}

static void tell(struct evl_page *p, struct evl_text *told)
{
	for (size_t i = 0; i < p->run->case_count && i < 40; i++) {
		const struct evl_row_case *k = &p->run->cases[i];
		evl_text_addf(told, "%zu. %s: %s, from %s to %s. ", i + 1, k->name,
			evl_page_verdict_name(evl_page_verdict_of(k->verdict)),
			evl_num_time(k->started_ns).s, evl_num_time(end_of_case(p->run, k)).s);
	}
}

void evl_page_put_times(struct evl_page *p)
{
	const struct evl_run *run = p->run;
	int64_t length = 0;
	if (run->case_count == 0) {
		return;
	}
	struct lane *lanes = evl_xcalloc(run->case_count, sizeof *lanes);
	size_t count = make_lanes(run, lanes);
	size_t shown = count < MAX_LANES ? count : MAX_LANES;
	for (size_t i = 0; i < run->case_count; i++) {
		int64_t end = end_of_case(run, &run->cases[i]);
		length = end > length ? end : length;
	}
	struct evl_text told = {0};
	char caption[400];
	int bottom = 6 + (int)shown * LANE;
	tell(p, &told);
	evl_draw_begin(p, "times", "Timetable of the run", bottom + 24, "Timetable of the run",
		evl_text_str(&told));
	evl_draw_time_axis(p, length, 4, bottom);
	for (size_t i = 0; i < shown; i++) {
		put_lane(p, &lanes[i], 6 + (int)i * LANE, length);
	}
	size_t n = (size_t)snprintf(caption, sizeof caption,
		"Timetable, bench time from the start of the run. Thin line: the case. Bar: a "
		"take. Triangle below: where a check that does not pass was located.");
	if (count > shown) {
		snprintf(caption + n, sizeof caption - n,
			" %zu lanes more are not drawn; the table has all cases.", count - shown);
	}
	evl_draw_end(p, caption);
	evl_text_finish(&told);
	free(lanes);
}
