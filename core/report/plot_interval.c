/* SPDX-License-Identifier: Apache-2.0 */
/* The confidence picture of a claim: measured ratios with their intervals against the limit. */
#include "core/report/page.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/number.h"

enum { LEFT = 150, WIDTH = 560, RIGHT = 190, LANE = 26, MAX_LANES = 8 };

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

static void put_text(struct evl_page *p, const char *class, double x, int y, const char *text)
{
	char at[48];
	snprintf(at, sizeof at, "x=\"%.1f\" y=\"%d\"", x, y);
	evl_page_put(p, "<text class=\"$\" ", class);
	evl_text_add(p->t, at);
	evl_page_put(p, ">$</text>", text);
}

static void put_path(struct evl_page *p, const char *class, const char *d)
{
	evl_page_put(p, "<path class=\"$\" d=\"$\"/>", class, d);
}

static void put_interval(struct evl_page *p, struct axis a, int y, double lower, double upper)
{
	char d[128];
	double from = x_of(a, lower);
	double to = x_of(a, upper);
	/* The bar ends in a crossbar where the limit is known; at zero it runs out of the picture.
	 */
	if (lower > 0) {
		snprintf(d, sizeof d, "M%.1f %dH%.1fM%.1f %dv10M%.1f %dv10", from, y, to, from,
			y - 5, to, y - 5);
	} else {
		snprintf(d, sizeof d, "M%.1f %dH%.1fM%.1f %dv10", (double)LEFT, y, to, to, y - 5);
	}
	put_path(p, "interval", d);
}

static void put_lane(struct evl_page *p, struct axis a, int y, const struct evl_row_check *c)
{
	char end[128];
	double value = number(c->value);
	put_text(p, "name", 0, y + 4, evl_page_channel(p, c->channel_no, false).s);
	put_interval(p, a, y, number(c->lower), number(c->upper));
	if (value > 0) {
		char at[64];
		snprintf(at, sizeof at, "cx=\"%.1f\" cy=\"%d\" r=\"4\"", x_of(a, value), y);
		evl_page_put(p, "<circle class=\"dot\" ");
		evl_text_add(p->t, at);
		evl_page_put(p, "/>");
	}
	snprintf(end, sizeof end, "%.20s: %.40s", c->verdict,
		c->value == NULL ? "no value" : c->value);
	put_text(p, "sub", LEFT + WIDTH + 10, y + 4, end);
}

/* All passing channels in one lane: the least lower and the highest upper limit. */
static void put_passing(
	struct evl_page *p, struct axis a, int y, int64_t n, double lower, const char *upper)
{
	char end[96];
	put_text(p, "name", 0, y + 4, evl_num_of(n, "channel").s);
	put_interval(p, a, y, lower, number(upper));
	snprintf(end, sizeof end, "pass: at most %.40s", upper);
	put_text(p, "sub", LEFT + WIDTH + 10, y + 4, end);
}

static void put_frame(
	struct evl_page *p, struct axis a, int bottom, double limit, const char *limit_text)
{
	char d[96];
	char label[96];
	for (int e = (int)a.low; e <= (int)a.high; e++) {
		double x = LEFT + WIDTH * (e - a.low) / (a.high - a.low);
		snprintf(d, sizeof d, "M%.1f 16V%d", x, bottom);
		put_path(p, "grid", d);
		snprintf(label, sizeof label, "1e%d", e);
		put_text(p, "tick", x, bottom + 14, label);
	}
	double x = x_of(a, limit);
	snprintf(d, sizeof d, "M%.1f 14V%d", x, bottom);
	put_path(p, "limit", d);
	snprintf(label, sizeof label, "limit %.40s", limit_text);
	put_text(p, "tick", x, 10, label);
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
	char box[64];
	snprintf(box, sizeof box, "0 0 %d %d", LEFT + WIDTH + RIGHT, bottom + 22);
	evl_page_put(p,
		"<figure><div class=\"wide\" tabindex=\"0\" role=\"region\" "
		"aria-label=\"Plot\"><svg class=\"plot\" role=\"img\" viewBox=\"$\" "
		"aria-labelledby=\"$-it $-id\"><title id=\"$-it\">$: confidence intervals against "
		"the limit $</title><desc id=\"$-id\">The numbers are in the tables of this "
		"claim.</desc>\n",
		box, id, id, id, any->title, any->limit, id);
	put_frame(p, a, bottom, number(any->limit), any->limit);
	int y = 20 + LANE / 2;
	for (size_t i = 0; i < lanes; i++, y += LANE) {
		put_lane(p, a, y, lane[i]);
	}
	if (passing > 0) {
		put_passing(p, a, y, passing, pass_lower, pass_upper);
	}
	evl_page_put(p,
		"</svg></div>\n"
		"<figcaption>Dot: measured ratio. Bar: from its lower to its upper confidence "
		"limit. It passes when the whole bar lies left of the wanted limit, fails when "
		"it lies right of it.");
	if (left_out > 0) {
		evl_page_put(p, " $ that do not pass are not drawn; the table has them.",
			evl_num_of((int64_t)left_out, "more channel").s);
	}
	evl_page_put(p, "</figcaption></figure>\n");
}
