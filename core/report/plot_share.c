/* SPDX-License-Identifier: Apache-2.0 */
/* Error performance of a case: measured ratios as shares of their limits, a panel for each event.
 */
#include "core/report/drawing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

enum {
	EVENTS = 3,
	LANE = 22,
	TOP = 30,
	PANEL = 160, /* width; three with two gaps are the axis */
	PANEL_GAP = 40,
	MAX_LANES = 12,
	MIN_PASSING = 6, /* so many that pass have lanes of their own */
};

/* Titles of checks begin with these (scripts/performance.lua); G.821, G.826 and G.828 clause on
 * definitions have the events. */
static const struct {
	const char *title, *name;
} events[EVENTS] = {
	{"errored second", "ES"},
	{"severely errored second", "SES"},
	{"background block error", "BBE"},
};

struct line {
	int channel_no;
	const char *place; /* what stands behind the event in the title, or "" */
	const struct evl_row_check *check[EVENTS];
	enum evl_page_verdict worst;
};

static double number(const char *text)
{
	return text == NULL ? -1 : atof(text);
}

static int event_of(const struct evl_row_check *c)
{
	if (c->kind == NULL || strcmp(c->kind, "performance") != 0 || c->title == NULL ||
		number(c->limit) <= 0 || number(c->value) < 0) {
		return -1;
	}
	for (int e = 0; e < EVENTS; e++) {
		if (strncmp(c->title, events[e].title, strlen(events[e].title)) == 0) {
			return e;
		}
	}
	return -1;
}

static size_t collect(const struct evl_row_check *checks, size_t n, struct line *lines)
{
	size_t count = 0;
	for (size_t i = 0; i < n; i++) {
		const struct evl_row_check *c = &checks[i];
		int e = event_of(c);
		if (e < 0) {
			continue;
		}
		/* The checks of one place follow each other. */
		struct line *l = count == 0 ? NULL : &lines[count - 1];
		if (l == NULL || l->channel_no != c->channel_no || l->check[e] != NULL ||
			strcmp(l->place, evl_page_place(c)) != 0) {
			l = &lines[count++];
			*l = (struct line){.channel_no = c->channel_no, .place = evl_page_place(c)};
		}
		enum evl_page_verdict v = evl_page_verdict_of(c->verdict);
		l->check[e] = c;
		l->worst = v > l->worst ? v : l->worst;
	}
	return count;
}

/* From one hundredth of the limit to ten times it. */
static double panel_x(int event, double share)
{
	double at = share <= 0 ? 0 : (log10(share) + 2) / 3;
	return DRAW_LEFT + event * (PANEL + PANEL_GAP) + PANEL * (at < 0 ? 0 : at > 1 ? 1 : at);
}

static void put_frame(struct evl_page *p, int bottom)
{
	static const char *const ticks[] = {"1 %", "10 %", "100 %", "1000 %"};
	for (int e = 0; e < EVENTS; e++) {
		evl_draw_text(p, "name", panel_x(e, 0), 12, events[e].name);
		for (int t = 0; t < 4; t++) {
			double x = panel_x(e, pow(10, t - 2));
			evl_draw_path(
				p, t == 2 ? "limit" : "grid", "M%.1f %dV%d", x, TOP - 8, bottom);
			evl_draw_text(p, "tick", x, bottom + 14, ticks[t]);
		}
	}
}

static void put_bar(
	struct evl_page *p, int e, double share, double upper, int y, enum evl_page_verdict v)
{
	char class[40];
	double from = panel_x(e, 0);
	double to = panel_x(e, share);
	snprintf(class, sizeof class, "share is-%s", evl_page_verdict_name(v));
	if (share > 0) {
		evl_draw_rect(p, class, from, y - 5, to - from < 2 ? 2 : to - from, 10);
	}
	if (upper > share) {
		double end = panel_x(e, upper);
		evl_draw_path(p, "interval", "M%.1f %dH%.1fM%.1f %dv8", to, y, end, end, y - 4);
	}
}

static void put_lane(struct evl_page *p, const struct line *l, int y)
{
	char name[200];
	snprintf(name, sizeof name, "%.110s", evl_page_channel(p, l->channel_no, false).s);
	if (l->place[0] != '\0') {
		snprintf(name, sizeof name, "%s", evl_draw_short(l->place, 24).s);
	}
	evl_draw_sign(p, l->worst, 0, y - 6, 12);
	evl_draw_text(p, "sub", 17, y + 4, evl_draw_short(name, 22).s);
	for (int e = 0; e < EVENTS; e++) {
		const struct evl_row_check *c = l->check[e];
		if (c != NULL) {
			double limit = number(c->limit);
			put_bar(p, e, number(c->value) / limit, number(c->upper) / limit, y,
				evl_page_verdict_of(c->verdict));
		}
	}
	evl_draw_text(
		p, "sub", DRAW_LEFT + DRAW_WIDTH + 24, y + 4, evl_page_verdict_name(l->worst));
}

/* All that pass in one lane: the highest of each event. */
static void put_passing(struct evl_page *p, const struct line *lines, size_t count, int y)
{
	double most[EVENTS] = {0};
	double upper[EVENTS] = {0};
	int64_t n = 0;
	for (size_t i = 0; i < count; i++) {
		if (lines[i].worst != PV_PASS) {
			continue;
		}
		n++;
		for (int e = 0; e < EVENTS; e++) {
			const struct evl_row_check *c = lines[i].check[e];
			double limit = c == NULL ? 1 : number(c->limit);
			double share = c == NULL ? 0 : number(c->value) / limit;
			double high = c == NULL ? 0 : number(c->upper) / limit;
			most[e] = share > most[e] ? share : most[e];
			upper[e] = high > upper[e] ? high : upper[e];
		}
	}
	evl_draw_sign(p, PV_PASS, 0, y - 6, 12);
	char name[64];
	snprintf(name, sizeof name, "%.40s that pass", evl_num_count(n).s);
	evl_draw_text(p, "sub", 17, y + 4, name);
	for (int e = 0; e < EVENTS; e++) {
		put_bar(p, e, most[e], upper[e], y, PV_PASS);
	}
	evl_draw_text(p, "sub", DRAW_LEFT + DRAW_WIDTH + 24, y + 4, "the highest of them");
}

static void tell(struct evl_page *p, const struct line *lines, size_t count, struct evl_text *told)
{
	for (size_t i = 0; i < count && i < 20; i++) {
		const struct line *l = &lines[i];
		evl_text_addf(told, "%s%s%s: ", evl_page_channel(p, l->channel_no, false).s,
			l->place[0] == '\0' ? "" : ", ", l->place);
		for (int e = 0; e < EVENTS; e++) {
			const struct evl_row_check *c = l->check[e];
			if (c != NULL) {
				evl_text_addf(
					told, "%s %s of %s; ", events[e].name, c->value, c->limit);
			}
		}
	}
	if (count > 20) {
		evl_text_add(told, "The tables of the case have the rest.");
	}
}

void evl_page_put_shares(struct evl_page *p, const struct evl_row_case *k)
{
	size_t first = 0;
	size_t n = evl_run_case_checks(p->run, k->ordinal, &first);
	struct line *lines = evl_xcalloc(n, sizeof *lines);
	size_t count = collect(p->run->checks + first, n, lines);
	size_t passing = 0;
	size_t lanes = 0;
	for (size_t i = 0; i < count; i++) {
		passing += lines[i].worst == PV_PASS;
	}
	bool gather = passing > MIN_PASSING;
	size_t own = count - (gather ? passing : 0);
	size_t shown = own < MAX_LANES ? own : MAX_LANES;
	if (count == 0) {
		free(lines);
		return;
	}
	int bottom = TOP + (int)(shown + gather) * LANE;
	struct evl_text told = {0};
	char caption[500];
	char id[32];
	char label[200];
	snprintf(id, sizeof id, "shares-%d", k->ordinal + 1);
	snprintf(label, sizeof label, "Error performance of %s", evl_draw_short(k->name, 100).s);
	tell(p, lines, count, &told);
	evl_draw_begin(p, id, label, bottom + 20, "Error performance against its limits",
		evl_text_str(&told));
	put_frame(p, bottom);
	int y = TOP + LANE / 2 - 2;
	for (size_t i = 0; i < count && lanes < shown; i++) {
		if (!gather || lines[i].worst != PV_PASS) {
			put_lane(p, &lines[i], y);
			y += LANE;
			lanes++;
		}
	}
	if (gather) {
		put_passing(p, lines, count, y);
	}
	size_t at = (size_t)snprintf(caption, sizeof caption,
		"Error performance: errored seconds (ES), severely errored seconds (SES) and "
		"background block errors (BBE) as shares of their limits, logarithmic; the dashed "
		"line is the limit. Thin line: to the upper confidence limit.");
	if (own > shown) {
		snprintf(caption + at, sizeof caption - at,
			" %zu more that do not pass are not drawn; the tables have them.",
			own - shown);
	}
	evl_draw_end(p, caption);
	evl_text_finish(&told);
	free(lines);
}
