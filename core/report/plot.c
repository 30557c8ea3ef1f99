/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One picture per take: errors per second of each errored channel, and below it, on the same time
 * axis, the alarms. Drawn with classes, so that it follows the page's light, dark and print
 * colours.
 */
#include "core/report/page.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/alarm.h"
#include "core/base/err.h"
#include "core/report/drawing.h"
#include "core/report/number.h"

#define SECOND_NS UINT64_C(1000000000)

enum {
	LEFT = DRAW_LEFT,
	WIDTH = DRAW_WIDTH,
	LANE = 34, /* height of a lane with its gap */
	BAR = 26,  /* height of a full bar */
	MAX_LANES = 12,
	MAX_BINS = 280, /* bars in a lane: at least 2 units each */
};

struct lane {
	int channel_no; /* the first one */
	int channels;   /* drawn as one: errors in the same bins */
	bool gathers;
	int64_t errors, lost_seconds;
	int64_t bin[MAX_BINS]; /* errors */
	bool lost[MAX_BINS];   /* pattern not in sync */
};

struct span {
	int64_t from_ns, to_ns; /* from the start of the take */
};

struct alarm_lane {
	const char *role, *alarm, *source;
	struct span *spans;
	size_t span_count, span_cap;
	int channels; /* that raised it */
	int last_channel;
	int open; /* not cleared at the end */
	int64_t first_ns, last_clear_ns;
};

/* Alarms that only follow from another one: not drawn, told in a folded table. */
struct consequence {
	const char *role, *alarm, *cause;
	int cause_channel_no;
	int raises;
	int64_t first_ns;
};

struct plot {
	struct evl_page *p;
	const struct evl_row_take *take;
	int64_t length_ns;
	int bins;
	int64_t bin_s; /* seconds in a bin */
	struct lane *lanes;
	size_t lane_count;
	int64_t max_errors;
	struct alarm_lane *alarms;
	size_t alarm_count;
	struct consequence *consequences;
	size_t consequence_count;
};

static double x_of(const struct plot *g, int64_t ns)
{
	return evl_draw_time_x(ns, g->length_ns);
}

static void collect_errors(struct plot *g)
{
	const struct evl_run *run = g->p->run;
	int64_t seconds = (g->length_ns + (int64_t)SECOND_NS - 1) / (int64_t)SECOND_NS;
	g->bin_s = (seconds + MAX_BINS - 1) / MAX_BINS;
	g->bin_s = g->bin_s < 1 ? 1 : g->bin_s;
	g->bins = (int)((seconds + g->bin_s - 1) / g->bin_s);
	for (size_t i = 0; i < run->second_count; i++) {
		const struct evl_row_second *s = &run->seconds[i];
		if (s->case_no != g->take->case_no || s->take_no != g->take->ordinal ||
			(s->errors == 0 && s->in_sync) || s->second < 0 || s->second >= seconds) {
			continue;
		}
		if (g->lane_count == 0 || g->lanes[g->lane_count - 1].channel_no != s->channel_no) {
			g->lanes = evl_xrealloc(g->lanes, (g->lane_count + 1) * sizeof *g->lanes);
			memset(&g->lanes[g->lane_count], 0, sizeof *g->lanes);
			g->lanes[g->lane_count].channels = 1;
			g->lanes[g->lane_count++].channel_no = s->channel_no;
		}
		struct lane *l = &g->lanes[g->lane_count - 1];
		int b = (int)(s->second / g->bin_s);
		l->errors += s->errors;
		l->bin[b] += s->errors;
		l->lost[b] = l->lost[b] || !s->in_sync;
		l->lost_seconds += !s->in_sync;
		g->max_errors = l->bin[b] > g->max_errors ? l->bin[b] : g->max_errors;
	}
}

static bool same_bins(const struct plot *g, const struct lane *a, const struct lane *b)
{
	const struct evl_row_channel *x = evl_run_channel(g->p->run, a->channel_no);
	const struct evl_row_channel *y = evl_run_channel(g->p->run, b->channel_no);
	for (int i = 0; i < g->bins; i++) {
		if ((a->bin[i] > 0) != (b->bin[i] > 0) || a->lost[i] != b->lost[i]) {
			return false;
		}
	}
	return x != NULL && y != NULL && x->role != NULL && y->role != NULL &&
	       strcmp(x->role, y->role) == 0;
}

/* A broken line hits all its tributaries at once: more than a few channels with errors in the same
 * bins become one lane, whose bars are the highest of them. */
static void merge_lanes(struct plot *g)
{
	enum { ALIKE = 4 };
	size_t kept = 0;
	for (size_t i = 0; i < g->lane_count; i++) {
		size_t into = 0;
		size_t alike = 0;
		/* Only lanes that gather others are looked for; the rest stay single. */
		while (into < kept &&
			(!g->lanes[into].gathers || !same_bins(g, &g->lanes[into], &g->lanes[i]))) {
			into++;
		}
		if (into == kept) {
			for (size_t k = i; k < g->lane_count; k++) {
				alike += same_bins(g, &g->lanes[i], &g->lanes[k]);
			}
			g->lanes[kept] = g->lanes[i];
			g->lanes[kept++].gathers = alike >= ALIKE;
			continue;
		}
		struct lane *all = &g->lanes[into];
		all->channels++;
		all->errors += g->lanes[i].errors;
		for (int b = 0; b < g->bins; b++) {
			int64_t more = g->lanes[i].bin[b];
			all->bin[b] = more > all->bin[b] ? more : all->bin[b];
		}
	}
	g->lane_count = kept;
}

static struct alarm_lane *alarm_lane(
	struct plot *g, const char *role, const struct evl_row_event *e)
{
	const char *source = e->source == NULL ? "unknown" : e->source;
	for (size_t i = 0; i < g->alarm_count; i++) {
		struct alarm_lane *a = &g->alarms[i];
		if (strcmp(a->role, role) == 0 && strcmp(a->alarm, e->alarm) == 0 &&
			strcmp(a->source, source) == 0) {
			return a;
		}
	}
	g->alarms = evl_xrealloc(g->alarms, (g->alarm_count + 1) * sizeof *g->alarms);
	struct alarm_lane *a = &g->alarms[g->alarm_count++];
	memset(a, 0, sizeof *a);
	*a = (struct alarm_lane){.role = role,
		.alarm = e->alarm,
		.source = source,
		.last_channel = -1,
		.first_ns = INT64_MAX,
		.last_clear_ns = -1};
	return a;
}

static void add_span(struct alarm_lane *a, int64_t from_ns, int64_t to_ns)
{
	if (a->span_count == a->span_cap) {
		a->span_cap = a->span_cap == 0 ? 8 : a->span_cap * 2;
		a->spans = evl_xrealloc(a->spans, a->span_cap * sizeof *a->spans);
	}
	a->spans[a->span_count++] = (struct span){from_ns, to_ns};
}

static int compare_spans(const void *a, const void *b)
{
	const struct span *x = a;
	const struct span *y = b;
	return x->from_ns != y->from_ns ? (x->from_ns > y->from_ns) - (x->from_ns < y->from_ns)
					: (x->to_ns > y->to_ns) - (x->to_ns < y->to_ns);
}

static void merge_spans(struct alarm_lane *a)
{
	size_t n = 0;
	qsort(a->spans, a->span_count, sizeof *a->spans, compare_spans);
	for (size_t i = 0; i < a->span_count; i++) {
		if (n > 0 && a->spans[i].from_ns <= a->spans[n - 1].to_ns) {
			if (a->spans[i].to_ns > a->spans[n - 1].to_ns) {
				a->spans[n - 1].to_ns = a->spans[i].to_ns;
			}
		} else {
			a->spans[n++] = a->spans[i];
		}
	}
	a->span_count = n;
}

static void add_consequence(
	struct plot *g, const char *role, const struct evl_row_event *e, int64_t at_ns)
{
	size_t i = 0;
	for (; i < g->consequence_count; i++) {
		const struct consequence *c = &g->consequences[i];
		if (strcmp(c->role, role) == 0 && strcmp(c->alarm, e->alarm) == 0 &&
			strcmp(c->cause, e->consequence_of) == 0 &&
			c->cause_channel_no == e->cause_channel_no) {
			break;
		}
	}
	if (i == g->consequence_count) {
		g->consequences = evl_xrealloc(
			g->consequences, ++g->consequence_count * sizeof *g->consequences);
		g->consequences[i] = (struct consequence){.role = role,
			.alarm = e->alarm,
			.cause = e->consequence_of,
			.cause_channel_no = e->cause_channel_no,
			.first_ns = at_ns};
	}
	g->consequences[i].raises++;
}

static void put_consequences(struct plot *g)
{
	int64_t raises = 0;
	for (size_t i = 0; i < g->consequence_count; i++) {
		raises += g->consequences[i].raises;
	}
	if (raises == 0) {
		return;
	}
	evl_page_put(g->p,
		"<details><summary>$ that follow from others, not drawn</summary>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-label=\"Alarms that follow from others\"><table>\n<thead><tr><th "
		"scope=\"col\">Alarm</th><th scope=\"col\">On</th><th scope=\"col\">Follows "
		"from</th><th scope=\"col\" class=\"n\">Times</th><th scope=\"col\" "
		"class=\"n\">First after start</th></tr></thead>\n<tbody>\n",
		evl_num_of(raises, "alarm").s);
	for (size_t i = 0; i < g->consequence_count; i++) {
		const struct consequence *c = &g->consequences[i];
		evl_page_put(g->p,
			"<tr><th scope=\"row\">$</th><td>$</td><td>$ $</td><td "
			"class=\"n\">$</td><td class=\"n\">$</td></tr>\n",
			c->alarm, c->role, c->cause,
			evl_page_channel(g->p, c->cause_channel_no, true).s,
			evl_num_count(c->raises).s, evl_num_time(c->first_ns).s);
	}
	evl_page_put(g->p, "</tbody></table></div></details>\n");
}

static bool of_take(const struct plot *g, const struct evl_row_event *e)
{
	return e->case_no == g->take->case_no && e->take_no == g->take->ordinal && e->alarm != NULL;
}

/* One channel after the other, so that each raise meets the clear of its own channel. */
static void collect_alarms(struct plot *g)
{
	const struct evl_run *run = g->p->run;
	size_t first = 0;
	while (first < run->event_count && !of_take(g, &run->events[first])) {
		first++;
	}
	/* since[alarm * 2 + by unit], per channel */
	int64_t(*since)[EVL_ALARM_COUNT * 2] = evl_xcalloc(run->channel_count, sizeof *since);
	for (size_t c = 0; c < run->channel_count; c++) {
		for (size_t a = 0; a < EVL_ALARM_COUNT * 2; a++) {
			since[c][a] = -1;
		}
	}
	/* Raised as a consequence: its clear is none of a root cause either. */
	bool(*follows)[EVL_ALARM_COUNT * 2] = evl_xcalloc(run->channel_count, sizeof *follows);
	int *raised_by = evl_xcalloc(run->channel_count * EVL_ALARM_COUNT * 2, sizeof(int));
	for (size_t i = first; i < run->event_count; i++) {
		const struct evl_row_event *e = &run->events[i];
		const struct evl_row_channel *c = evl_run_channel(run, e->channel_no);
		if (!of_take(g, e) || c == NULL || c->role == NULL) {
			continue;
		}
		size_t kind = (size_t)evl_alarm_by_name(e->alarm) * 2 +
			      (e->source != NULL && strcmp(e->source, "unit") == 0);
		int64_t at = e->at_ns - g->take->start_ns;
		bool *follow = &follows[e->channel_no][kind];
		if (e->raised && e->consequence_of != NULL) {
			add_consequence(g, c->role, e, at);
			*follow = true;
			continue;
		}
		if (!e->raised && *follow) {
			*follow = false;
			continue;
		}
		struct alarm_lane *lane = alarm_lane(g, c->role, e);
		int64_t *open = &since[e->channel_no][kind];
		if (e->raised) {
			int *seen = &raised_by[(size_t)e->channel_no * EVL_ALARM_COUNT * 2 + kind];
			lane->channels += *seen == 0;
			lane->last_channel = e->channel_no;
			*seen = 1;
			lane->first_ns = at < lane->first_ns ? at : lane->first_ns;
			lane->open += *open < 0;
			*open = *open < 0 ? at : *open;
		} else {
			/* Cleared without a raise: it stood since before the take. */
			lane->open -= *open >= 0;
			add_span(lane, *open < 0 ? 0 : *open, at);
			*open = -1;
			lane->last_clear_ns = at > lane->last_clear_ns ? at : lane->last_clear_ns;
		}
	}
	for (size_t a = 0; a < g->alarm_count; a++) {
		struct alarm_lane *lane = &g->alarms[a];
		size_t kind = (size_t)evl_alarm_by_name(lane->alarm) * 2 +
			      (strcmp(lane->source, "unit") == 0);
		for (size_t c = 0; c < run->channel_count; c++) {
			if (since[c][kind] >= 0 && run->channels[c].role != NULL &&
				strcmp(run->channels[c].role, lane->role) == 0) {
				add_span(lane, since[c][kind], g->length_ns);
			}
		}
		merge_spans(lane);
	}
	free(raised_by);
	free(follows);
	free(since);
}

static void put_label(struct plot *g, int y, const char *name, const char *sub, const char *end)
{
	evl_draw_text(g->p, "name", 0, y + 13, name);
	evl_draw_text(g->p, "sub", 0, y + 26, sub);
	evl_draw_text(g->p, "sub", LEFT + WIDTH + 10, y + 13, end);
}

static void put_error_lane(struct plot *g, const struct lane *l, int y, const char *hatch)
{
	struct evl_num end;
	double full = log10(1.0 + (double)g->max_errors);
	evl_draw_rect(g->p, "base", LEFT, y + BAR, WIDTH, 1);
	for (int b = 0; b < g->bins; b++) {
		double from = x_of(g, (int64_t)b * g->bin_s * (int64_t)SECOND_NS);
		double to = x_of(g, (int64_t)(b + 1) * g->bin_s * (int64_t)SECOND_NS);
		double w = to - from > 3 ? to - from - 1 : to - from;
		if (l->bin[b] > 0) {
			double h = BAR * log10(1.0 + (double)l->bin[b]) / full;
			evl_draw_rect(g->p, "bar", from, y + BAR - h, w, h);
		}
		if (l->lost[b]) {
			evl_text_addf(g->p->t,
				"<rect class=\"lost\" fill=\"url(#%s)\" x=\"%.1f\" y=\"%d\" "
				"width=\"%.1f\" height=\"%d\"/>",
				hatch, from, y, w, BAR);
		}
	}
	if (l->lost_seconds > 0) {
		snprintf(end.s, sizeof end.s, "%.60s, %.40s s without sync",
			evl_num_of(l->errors, "error").s, evl_num_count(l->lost_seconds).s);
	} else {
		end = evl_num_of(l->errors, "error");
	}
	const struct evl_row_channel *c = evl_run_channel(g->p->run, l->channel_no);
	if (l->channels > 1) {
		struct evl_num name;
		snprintf(name.s, sizeof name.s, "%d %.40s", l->channels, c->role);
		put_label(g, y, name.s, "in the same seconds", end.s);
	} else {
		put_label(g, y, evl_page_channel(g->p, l->channel_no, false).s,
			c == NULL || c->klm == NULL ? "" : c->klm, end.s);
	}
}

static void put_alarm_lane(struct plot *g, const struct alarm_lane *a, int y)
{
	struct evl_num end;
	char name[96];
	char sub[96];
	evl_draw_rect(g->p, "base", LEFT, y + BAR, WIDTH, 1);
	for (size_t i = 0; i < a->span_count; i++) {
		double from = x_of(g, a->spans[i].from_ns);
		double to = x_of(g, a->spans[i].to_ns);
		evl_draw_rect(g->p, "alarm", from, y + 5, to - from < 2 ? 2 : to - from, BAR - 5);
	}
	if (a->channels == 1 && a->last_channel >= 0) {
		snprintf(name, sizeof name, "%.20s %.60s", a->alarm,
			evl_page_channel(g->p, a->last_channel, false).s);
	} else {
		snprintf(name, sizeof name, "%.20s, %d %.30s", a->alarm, a->channels, a->role);
	}
	snprintf(sub, sizeof sub, "%s %.30s",
		strcmp(a->source, "unit") == 0 ? "told by" : "seen by", a->source);
	if (a->first_ns == INT64_MAX) {
		snprintf(end.s, sizeof end.s, "stood at the start");
	} else if (a->open > 0) {
		snprintf(end.s, sizeof end.s, "from %.40s, %d not cleared",
			evl_num_time(a->first_ns).s, a->open);
	} else {
		snprintf(end.s, sizeof end.s, "%.40s to %.40s", evl_num_time(a->first_ns).s,
			evl_num_time(a->last_clear_ns).s);
	}
	put_label(g, y, name, sub, end.s);
}

static void tell(struct plot *g, struct evl_text *told)
{
	for (size_t i = 0; i < g->lane_count && i < MAX_LANES; i++) {
		evl_text_addf(told, "%s%s: %s. ",
			evl_page_channel(g->p, g->lanes[i].channel_no, true).s,
			g->lanes[i].channels > 1 ? " and others alike" : "",
			evl_num_of(g->lanes[i].errors, "error").s);
	}
	for (size_t i = 0; i < g->alarm_count; i++) {
		const struct alarm_lane *a = &g->alarms[i];
		evl_text_addf(told, "%s on %s of role %s, %s the %s. ", a->alarm,
			evl_num_of(a->channels, "channel").s, a->role,
			strcmp(a->source, "unit") == 0 ? "told by" : "seen by", a->source);
	}
}

static void begin_figure(struct plot *g, const char *id, int height)
{
	char title[300];
	char label[480];
	struct evl_text told = {0};
	const struct evl_row_case *k = evl_run_case(g->p->run, g->take->case_no);
	snprintf(title, sizeof title, "Errors and alarms over time, %s",
		evl_draw_short(g->take->name, 60).s);
	snprintf(label, sizeof label, "%s, %s", title,
		evl_draw_short(k == NULL || k->name == NULL ? "" : k->name, 60).s);
	tell(g, &told);
	evl_draw_begin(g->p, id, label, height, title, evl_text_str(&told));
	evl_text_finish(&told);
}

static void put_figure(struct plot *g)
{
	char id[48];
	char hatch[64];
	size_t lanes = g->lane_count < MAX_LANES ? g->lane_count : MAX_LANES;
	int bottom = 8 + (int)(lanes + g->alarm_count) * LANE;
	snprintf(id, sizeof id, "plot-%d-%d", g->take->case_no + 1, g->take->ordinal + 1);
	snprintf(hatch, sizeof hatch, "%s-h", id);
	begin_figure(g, id, bottom + 24);
	evl_page_put(g->p,
		"<defs><pattern id=\"$\" width=\"6\" height=\"6\" "
		"patternUnits=\"userSpaceOnUse\"><path class=\"hatch\" d=\"M0 6L6 "
		"0\"/></pattern></defs>\n",
		hatch);
	evl_draw_time_axis(g->p, g->length_ns, 4, bottom);
	int y = 6;
	for (size_t i = 0; i < lanes; i++, y += LANE) {
		put_error_lane(g, &g->lanes[i], y, hatch);
	}
	for (size_t i = 0; i < g->alarm_count; i++, y += LANE) {
		put_alarm_lane(g, &g->alarms[i], y);
	}
	evl_page_put(g->p, "</svg></div>\n<figcaption>Time from the start of the take.");
	if (lanes > 0) {
		evl_page_put(g->p, " Errors in each $$; logarithmic, a full bar is $.",
			g->bin_s == 1 ? "second" : evl_num_count(g->bin_s).s,
			g->bin_s == 1 ? "" : " s", evl_num_of(g->max_errors, "error").s);
		evl_page_put(g->p, " Hatched: the pattern was not in sync.");
	}
	if (g->lane_count > lanes) {
		evl_page_put(g->p, " $ with errors are not drawn; all are in evidence.json.",
			evl_num_of((int64_t)(g->lane_count - lanes), "more channel").s);
	}
	if (g->alarm_count > 0) {
		evl_page_put(g->p, " Alarm bars run from the first raise to the last clear of the "
				   "channels that "
				   "are named.");
	}
	evl_page_put(g->p, "</figcaption></figure>\n");
}

void evl_page_put_plot(struct evl_page *p, const struct evl_row_take *take)
{
	struct plot g = {.p = p, .take = take, .length_ns = take->frames * 125000};
	if (g.length_ns > 0) {
		collect_errors(&g);
		merge_lanes(&g);
		collect_alarms(&g);
		if (g.lane_count + g.alarm_count > 0) {
			put_figure(&g);
		} else {
			evl_page_put(p, "<p class=\"quiet\">No errored second and no alarm is "
					"recorded for this take.</p>\n");
		}
		put_consequences(&g);
	}
	for (size_t i = 0; i < g.alarm_count; i++) {
		free(g.alarms[i].spans);
	}
	free(g.alarms);
	free(g.consequences);
	free(g.lanes);
}
