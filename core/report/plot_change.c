/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Build against build in two pictures: what changed, check by check and channel by channel; and the
 * error ratios before and now of what changed.
 */
#include "core/report/drawing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

enum {
	LANE = 34,
	MAX_LANES = 16,
	COLUMNS_MAX = 84, /* more channels share a column */
	PAIR = 24,        /* height of a pair of ratios */
	ZERO = 6,         /* where no error is, from the left of the axis ... */
	DECADES = 44,     /* ... and where the decades begin */
	MAX_PAIRS = 12,
};

/* How to draw a change; the larger one wins where channels share a column. */
enum shape { DOT, PLUS, OPEN, HALF_BETTER, BETTER, HALF_WORSE, STILL, WORSE, SHAPE_COUNT };

static const struct {
	const char *class;
	const char *told;
} shapes[SHAPE_COUNT] = {
	[DOT] = {"shape quiet", "the same"},
	[PLUS] = {"outline", "made now only"},
	[OPEN] = {"outline", "fails no more, not proved"},
	[HALF_BETTER] = {"outline is-pass", "fewer errors"},
	[BETTER] = {"shape is-pass", "better: passes now"},
	[HALF_WORSE] = {"outline is-fail", "worse: more errors, not proved or not made"},
	[STILL] = {"shape is-fail", "still fails"},
	[WORSE] = {"shape is-fail", "worse: fails now"},
};

static enum shape shape_of(const struct evl_compare_item *c)
{
	switch (c->change) {
	case EVL_CHANGE_NEWLY_FAILING:
		return WORSE;
	case EVL_CHANGE_STILL_FAILING:
		return STILL;
	case EVL_CHANGE_WORSE:
	case EVL_CHANGE_NOT_PROVED:
	case EVL_CHANGE_ONLY_BEFORE:
		return HALF_WORSE;
	case EVL_CHANGE_REPAIRED:
	case EVL_CHANGE_PROVED:
		return BETTER;
	case EVL_CHANGE_UNDECIDED:
		return OPEN;
	case EVL_CHANGE_ONLY_AFTER:
		return PLUS;
	default:
		return c->counts == EVL_COUNT_BETTER ? HALF_BETTER : DOT;
	}
}

static void put_shape(struct evl_page *p, enum shape s, double x, double y)
{
	const char *class = shapes[s].class;
	switch (s) {
	case DOT:
		evl_draw_path(p, class, "M%.1f %.1fh2v2h-2Z", x - 1, y - 1);
		break;
	case PLUS:
		evl_draw_path(p, class, "M%.1f %.1fh8M%.1f %.1fv8", x - 4, y, x, y - 4);
		break;
	case OPEN:
		evl_draw_path(p, class, "M%.1f %.1fl4 4l-4 4l-4 -4Z", x, y - 4);
		break;
	case BETTER:
	case HALF_BETTER:
		evl_draw_path(p, class, "M%.1f %.1fh8l-4 7Z", x - 4, y - 3.5);
		break;
	case STILL:
		evl_draw_path(p, class, "M%.1f %.1fh7v7h-7Z", x - 3.5, y - 3.5);
		break;
	default:
		evl_draw_path(p, class, "M%.1f %.1fh8l-4 -7Z", x - 4, y + 3.5);
	}
}

/* ---- what changed ---- */

struct claim {
	size_t first; /* item */
	size_t count;
	size_t changed;
	int64_t by_shape[SHAPE_COUNT];
};

struct claims {
	struct claim *list;
	size_t count;
	size_t *of; /* claim of each item */
};

static bool alike(const char *a, const char *b)
{
	return a == b || (a != NULL && b != NULL && strcmp(a, b) == 0);
}

/* Checks of one claim may stand apart, but not in another case. */
static void collect(struct claims *out, const struct evl_compare *cmp)
{
	size_t of_case = 0; /* first claim of the case */
	out->list = evl_xcalloc(cmp->item_count + 1, sizeof *out->list);
	out->of = evl_xcalloc(cmp->item_count + 1, sizeof *out->of);
	out->count = 0;
	for (size_t i = 0; i < cmp->item_count; i++) {
		const struct evl_compare_item *c = &cmp->items[i];
		if (i > 0 && !alike(cmp->items[i - 1].case_name, c->case_name)) {
			of_case = out->count;
		}
		size_t k = out->count;
		while (k > of_case &&
			(!alike(cmp->items[out->list[k - 1].first].title, c->title) ||
				!alike(cmp->items[out->list[k - 1].first].role, c->role))) {
			k--;
		}
		if (k == of_case) {
			out->list[out->count].first = i;
			k = ++out->count;
		}
		struct claim *into = &out->list[k - 1];
		enum shape s = shape_of(c);
		into->count++;
		into->changed += s != DOT;
		into->by_shape[s]++;
		out->of[i] = k - 1;
	}
}

/* Channels by number along the axis; `per` of them in a column. */
struct axis {
	int most, per;
};

static double column_x(struct axis a, int number)
{
	int columns = (a.most + a.per - 1) / a.per;
	double width = (double)DRAW_WIDTH / (columns < 21 ? 21 : columns);
	int at = number < 1 ? 0 : (number - 1) / a.per;
	return DRAW_LEFT + width * (at + 0.5);
}

static void put_claim(
	struct evl_page *p, const struct claims *all, size_t number, struct axis a, int y)
{
	static const enum shape worst_first[] = {
		WORSE, STILL, HALF_WORSE, OPEN, BETTER, HALF_BETTER, PLUS};
	enum { NONE = -1 };
	const struct claim *k = &all->list[number];
	const struct evl_compare_item *one = &p->cmp->items[k->first];
	int shape[COLUMNS_MAX];
	char told[120] = "";
	char sub[400];
	for (int i = 0; i < COLUMNS_MAX; i++) {
		shape[i] = NONE;
	}
	for (size_t i = k->first; i < p->cmp->item_count; i++) {
		const struct evl_compare_item *c = &p->cmp->items[i];
		if (all->of[i] != number) {
			continue;
		}
		int s = (int)shape_of(c);
		int at = c->number < 1 ? 0 : (c->number - 1) / a.per;
		at = at >= COLUMNS_MAX ? COLUMNS_MAX - 1 : at;
		shape[at] = s > shape[at] ? s : shape[at];
	}
	evl_draw_text(p, "name", 0, y + 13, evl_draw_short(one->title, 21).s);
	snprintf(sub, sizeof sub, "%s, %s", evl_draw_short(one->case_name, 18).s,
		one->role == NULL ? "no channel" : evl_draw_short(one->role, 8).s);
	evl_draw_text(p, "sub", 0, y + 26, sub);
	evl_draw_rect(p, "base", DRAW_LEFT, y + 27, DRAW_WIDTH, 1);
	for (int i = 0; i < COLUMNS_MAX; i++) {
		if (shape[i] != NONE) {
			put_shape(p, (enum shape)shape[i], column_x(a, i * a.per + 1), y + 14);
		}
	}
	size_t n = 0;
	int parts = 0;
	for (size_t s = 0; s < sizeof worst_first / sizeof *worst_first && parts < 2; s++) {
		static const char *const word[SHAPE_COUNT] = {"same", "new", "undecided",
			"fewer errors", "better", "worse", "still fail", "fail now"};
		int64_t count = k->by_shape[worst_first[s]];
		if (count > 0) {
			n += (size_t)snprintf(told + n, sizeof told - n, "%s%.30s %s",
				parts == 0 ? "" : ", ", evl_num_count(count).s,
				word[worst_first[s]]);
			parts++;
		}
	}
	evl_draw_text(p, "sub", DRAW_LEFT + DRAW_WIDTH + 10, y + 13, told);
	if (k->by_shape[DOT] > 0) {
		snprintf(told, sizeof told, "%.40s the same", evl_num_count(k->by_shape[DOT]).s);
		evl_draw_text(p, "sub", DRAW_LEFT + DRAW_WIDTH + 10, y + 26, told);
	}
}

static void put_number_axis(struct evl_page *p, struct axis a, int bottom)
{
	int columns = (a.most + a.per - 1) / a.per;
	int step = (columns < 25 ? 1 : columns < 60 ? 5 : 10) * a.per;
	char text[24];
	for (int number = 1; number <= a.most;
		number = number == 1 && step > 1 ? step : number + step) {
		snprintf(text, sizeof text, "%d", number);
		evl_draw_text(p, "tick", column_x(a, number), bottom + 12, text);
	}
}

/* Two rows of what the shapes mean; only those that are there. */
static void put_legend(struct evl_page *p, const bool *used, int y)
{
	int at = 0;
	for (int s = SHAPE_COUNT - 1; s >= 0; s--) {
		if (used[s]) {
			double x = 8 + (at % 3) * 300;
			put_shape(p, (enum shape)s, x, y + 8 + (at / 3) * 18);
			evl_draw_text(p, "sub", x + 12, y + 12 + (at / 3) * 18, shapes[s].told);
			at++;
		}
	}
}

static struct axis make_axis(const struct evl_compare *cmp)
{
	struct axis a = {1, 1};
	for (size_t i = 0; i < cmp->item_count; i++) {
		a.most = cmp->items[i].number > a.most ? cmp->items[i].number : a.most;
	}
	a.per = (a.most + COLUMNS_MAX - 1) / COLUMNS_MAX;
	return a;
}

static void draw_matrix(struct evl_page *p, const struct claims *claims, size_t changed,
	const bool *used, const char *told)
{
	struct axis a = make_axis(p->cmp);
	size_t shown = changed < MAX_LANES ? changed : MAX_LANES;
	int kinds = 0;
	for (int s = 0; s < SHAPE_COUNT; s++) {
		kinds += used[s];
	}
	int bottom = 4 + (int)shown * LANE;
	evl_draw_begin(p, "changes", "Changes by check and channel",
		bottom + 26 + (kinds + 2) / 3 * 18, "Changes by check and channel", told);
	int y = 2;
	size_t drawn = 0;
	for (size_t i = 0; i < claims->count && drawn < shown; i++) {
		if (claims->list[i].changed > 0) {
			put_claim(p, claims, i, a, y);
			y += LANE;
			drawn++;
		}
	}
	put_number_axis(p, a, bottom);
	put_legend(p, used, bottom + 20);
	char caption[400];
	size_t at = (size_t)snprintf(caption, sizeof caption,
		"Checks that changed, by the number of their channel%s.",
		a.per == 1 ? "" : "; channels share a column, the worst is drawn");
	if (claims->count > changed) {
		at += (size_t)snprintf(caption + at, sizeof caption - at,
			" Not drawn, for nothing changed there: %zu of %zu checks of the campaign.",
			claims->count - changed, claims->count);
	}
	if (changed > shown) {
		snprintf(caption + at, sizeof caption - at, " Not drawn, for want of room: %zu.",
			changed - shown);
	}
	evl_draw_end(p, caption);
}

static void put_matrix(struct evl_page *p)
{
	struct claims claims;
	collect(&claims, p->cmp);
	size_t n = claims.count;
	size_t changed = 0;
	bool used[SHAPE_COUNT] = {false};
	struct evl_text told = {0};
	for (size_t i = 0; i < n; i++) {
		const struct claim *k = &claims.list[i];
		changed += k->changed > 0;
		for (int s = 0; k->changed > 0 && changed <= MAX_LANES && s < SHAPE_COUNT; s++) {
			used[s] = used[s] || k->by_shape[s] > 0;
		}
		if (k->changed > 0 && changed <= MAX_LANES) {
			evl_text_addf(&told, "%s, %s: %zu of %zu changed. ",
				p->cmp->items[k->first].case_name, p->cmp->items[k->first].title,
				k->changed, k->count);
		}
	}
	if (changed > 0) {
		draw_matrix(p, &claims, changed, used, evl_text_str(&told));
	}
	evl_text_finish(&told);
	free(claims.list);
	free(claims.of);
}
/* ---- error ratios before and now ---- */

static double ratio(const struct evl_row_check *c)
{
	return (double)c->errors / (double)c->bits;
}

static bool has_pair(const struct evl_compare_item *c)
{
	return c->before != NULL && c->after != NULL && c->before->bits > 0 && c->after->bits > 0 &&
	       c->before->errors >= 0 && c->after->errors >= 0 &&
	       c->before->errors + c->after->errors > 0 && shape_of(c) != DOT;
}

struct decades {
	int low, high;
};

static double ratio_x(struct decades d, double v)
{
	double share = v <= 0 ? 0 : (log10(v) - d.low) / (d.high - d.low);
	return DRAW_LEFT + DECADES +
	       (DRAW_WIDTH - DECADES) * (share < 0          ? 0
						: share > 1 ? 1
							    : share);
}

static void put_pair(struct evl_page *p, const struct evl_compare_item *c, struct decades d, int y)
{
	char name[200];
	char told[120];
	double before = c->before->errors == 0 ? DRAW_LEFT + ZERO : ratio_x(d, ratio(c->before));
	double after = c->after->errors == 0 ? DRAW_LEFT + ZERO : ratio_x(d, ratio(c->after));
	snprintf(name, sizeof name, "%s %d", evl_draw_short(c->role == NULL ? "" : c->role, 10).s,
		c->number);
	evl_draw_text(p, "name", 0, y + 4, c->role == NULL ? "" : name);
	evl_draw_text(p, "sub", 62, y + 4, evl_draw_short(c->title, 14).s);
	evl_draw_path(p, "interval", "M%.1f %dH%.1f", before, y, after);
	evl_draw_dot(p, "before", before, y, 4.5);
	evl_draw_dot(p, "dot", after, y, 4.5);
	snprintf(told, sizeof told, "%.20s to %.20s, %s",
		evl_num_ratio(c->before->errors, c->before->bits).s,
		evl_num_ratio(c->after->errors, c->after->bits).s, evl_change_name(c->change));
	evl_draw_text(p, "sub", DRAW_LEFT + DRAW_WIDTH + 10, y + 4, told);
}

static void put_pairs(struct evl_page *p)
{
	size_t count = 0;
	double least = 1;
	double most = 0;
	for (size_t i = 0; i < p->cmp->item_count; i++) {
		const struct evl_compare_item *c = &p->cmp->items[i];
		if (!has_pair(c)) {
			continue;
		}
		count++;
		double ends[] = {ratio(c->before), ratio(c->after)};
		for (int k = 0; k < 2; k++) {
			least = ends[k] > 0 && ends[k] < least ? ends[k] : least;
			most = ends[k] > most ? ends[k] : most;
		}
	}
	if (count == 0) {
		return;
	}
	size_t shown = count < MAX_PAIRS ? count : MAX_PAIRS;
	struct decades d = {(int)floor(log10(least)), (int)ceil(log10(most))};
	d.high = d.high == d.low ? d.low + 1 : d.high;
	int bottom = 8 + (int)shown * PAIR;
	evl_draw_begin(p, "ratios", "Error ratios before and now", bottom + 20,
		"Error ratios before and now", "The numbers are in the table below.");
	evl_draw_path(p, "grid", "M%d 2V%d", DRAW_LEFT + ZERO, bottom);
	evl_draw_text(p, "tick", DRAW_LEFT + ZERO, bottom + 14, "0");
	for (int e = d.low; e <= d.high; e++) {
		char text[24];
		double x = ratio_x(d, pow(10, e));
		snprintf(text, sizeof text, "1e%d", e);
		evl_draw_path(p, "grid", "M%.1f 2V%d", x, bottom);
		evl_draw_text(p, "tick", x, bottom + 14, text);
	}
	int y = 8 + PAIR / 2 - 4;
	size_t drawn = 0;
	for (size_t i = 0; i < p->cmp->item_count && drawn < shown; i++) {
		if (has_pair(&p->cmp->items[i])) {
			put_pair(p, &p->cmp->items[i], d, y);
			y += PAIR;
			drawn++;
		}
	}
	char caption[200];
	size_t at = (size_t)snprintf(caption, sizeof caption,
		"Error ratios of what changed, logarithmic. Ring: before. Dot: this run.");
	if (count > shown) {
		snprintf(caption + at, sizeof caption - at,
			" %zu more are not drawn; the table has them.", count - shown);
	}
	evl_draw_end(p, caption);
}

void evl_page_put_changes(struct evl_page *p)
{
	put_matrix(p);
	put_pairs(p);
}
