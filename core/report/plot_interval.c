/* SPDX-License-Identifier: Apache-2.0 */
/* The confidence picture of a claim: measured ratios with their intervals against the limit. */
#include "core/report/page.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/drawing.h"
#include "core/report/number.h"

enum { LEFT = DRAW_LEFT, WIDTH = DRAW_WIDTH, LANE = 26, MAX_LANES = 8 };

struct axis {
	double low, high; /* decades: log10 of the ends */
};

static double x_of(struct axis a, double v)
{
	double at = v <= 0 ? a.low : log10(v);
	double share = (at - a.low) / (a.high - a.low);
	return LEFT + WIDTH * (share < 0 ? 0 : share > 1 ? 1 : share);
}

static double number(const char *text)
{
	return text == NULL ? -1 : atof(text);
}

static bool usable(const struct evl_row_check *c)
{
	return c->upper != NULL && number(c->upper) > 0 && c->limit != NULL && number(c->limit) > 0;
}

/* The bar ends in a crossbar where the limit is known; at zero it runs out of the picture. */
static void put_interval(struct evl_page *p, struct axis a, int y, double lower, double upper)
{
	double from = x_of(a, lower);
	double to = x_of(a, upper);
	if (lower > 0) {
		evl_draw_path(p, "interval", "M%.1f %dH%.1fM%.1f %dv10M%.1f %dv10", from, y, to,
			from, y - 5, to, y - 5);
	} else {
		evl_draw_path(p, "interval", "M%d %dH%.1fM%.1f %dv10", LEFT, y, to, to, y - 5);
	}
}

static void put_lane(struct evl_page *p, struct axis a, int y, const struct evl_row_check *c)
{
	char end[128];
	double value = number(c->value);
	const char *place = evl_page_place(c);
	if (place[0] != '\0') {
		evl_draw_text(p, "sub", 0, y + 4, evl_draw_short(place, 22).s);
	} else {
		evl_draw_text(p, "name", 0, y + 4, evl_page_channel(p, c->channel_no, false).s);
	}
	put_interval(p, a, y, number(c->lower), number(c->upper));
	if (value > 0) {
		evl_draw_dot(p, "dot", x_of(a, value), y, 4);
	}
	snprintf(end, sizeof end, "%.20s: %.40s", c->verdict,
		c->value == NULL ? "no value" : c->value);
	evl_draw_text(p, "sub", LEFT + WIDTH + 10, y + 4, end);
}

/* All passing channels in one lane: the least lower and the highest upper limit. */
static void put_passing(struct evl_page *p, struct axis a, int y, int64_t n, bool places,
	double lower, const char *upper)
{
	char end[96];
	evl_draw_text(p, "name", 0, y + 4, evl_num_of(n, places ? "place" : "channel").s);
	put_interval(p, a, y, lower, number(upper));
	snprintf(end, sizeof end, "pass: at most %.40s", upper);
	evl_draw_text(p, "sub", LEFT + WIDTH + 10, y + 4, end);
}

static void put_frame(
	struct evl_page *p, struct axis a, int bottom, double limit, const char *limit_text)
{
	char label[96];
	for (int e = (int)a.low; e <= (int)a.high; e++) {
		double x = LEFT + WIDTH * (e - a.low) / (a.high - a.low);
		evl_draw_path(p, "grid", "M%.1f 16V%d", x, bottom);
		snprintf(label, sizeof label, "1e%d", e);
		evl_draw_text(p, "tick", x, bottom + 14, label);
	}
	double x = x_of(a, limit);
	evl_draw_path(p, "limit", "M%.1f 14V%d", x, bottom);
	snprintf(label, sizeof label, "limit %.40s", limit_text);
	evl_draw_text(p, "tick", x, 10, label);
}

void evl_page_put_intervals(
	struct evl_page *p, const struct evl_row_check *const *checks, size_t count, const char *id)
{
	const struct evl_row_check *lane[MAX_LANES];
	size_t lanes = 0;
	size_t left_out = 0;
	int64_t passing = 0;
	double pass_lower = 1;
	const char *pass_upper = "0";
	double least = 1;
	double most = 0;
	const struct evl_row_check *any = NULL;
	for (size_t i = 0; i < count; i++) {
		const struct evl_row_check *c = checks[i];
		if (!usable(c)) {
			continue;
		}
		double ends[] = {number(c->lower), number(c->upper), number(c->limit)};
		any = c;
		for (size_t k = 0; k < 3; k++) {
			least = ends[k] > 0 && ends[k] < least ? ends[k] : least;
			most = ends[k] > most ? ends[k] : most;
		}
		if (strcmp(c->verdict, "pass") == 0) {
			passing++;
			pass_lower = ends[0] < pass_lower ? ends[0] : pass_lower;
			pass_upper = ends[1] > number(pass_upper) ? c->upper : pass_upper;
		} else if (lanes < MAX_LANES) {
			lane[lanes++] = c;
		} else {
			left_out++;
		}
	}
	if (any == NULL) {
		return;
	}
	struct axis a = {floor(log10(least) - 0.3), ceil(log10(most) + 0.1)};
	a.low = a.low < a.high - 14 ? a.high - 14 : a.low;
	int rows = (int)lanes + (passing > 0);
	int bottom = 20 + rows * LANE;
	char name[64];
	char title[400];
	snprintf(name, sizeof name, "%.50s-i", id);
	snprintf(title, sizeof title, "%s: confidence intervals against the limit %s",
		evl_draw_short(any->title, 70).s, evl_draw_short(any->limit, 30).s);
	evl_draw_begin(
		p, name, title, bottom + 22, title, "The numbers are in the tables of this claim.");
	put_frame(p, a, bottom, number(any->limit), any->limit);
	int y = 20 + LANE / 2;
	for (size_t i = 0; i < lanes; i++, y += LANE) {
		put_lane(p, a, y, lane[i]);
	}
	if (passing > 0) {
		put_passing(
			p, a, y, passing, evl_page_place(any)[0] != '\0', pass_lower, pass_upper);
	}
	char caption[400];
	size_t n = (size_t)snprintf(caption, sizeof caption, "%s",
		"Dot: measured ratio. Bar: from its lower to its upper confidence limit. It passes "
		"when the whole bar lies left of the wanted limit, fails when it lies right of "
		"it.");
	if (left_out > 0) {
		snprintf(caption + n, sizeof caption - n,
			" %.60s that do not pass are not drawn; the table has them.",
			evl_num_of((int64_t)left_out,
				evl_page_place(any)[0] != '\0' ? "more place" : "more channel")
				.s);
	}
	evl_draw_end(p, caption);
}
