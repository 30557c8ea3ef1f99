/* SPDX-License-Identifier: Apache-2.0 */
/* Tables: widths of columns from their contents, rows that stay whole, heads repeated on each page;
 * and the map, whose cells are boxes. */
#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

enum { COLUMNS_MAX = 12, SIZED_ROWS = 400 };

#define CELL_SIZE 8.0
#define PAD       2.6
#define GAP       7.0

struct grid {
	double x, width;
	double column[COLUMNS_MAX]; /* with the gap behind it */
	int columns;
	bool map;
};

static const struct evl_markup *find(const struct evl_markup *table, const char *tag)
{
	for (const struct evl_markup *n = table->first; n != NULL; n = n->next) {
		if (evl_markup_is(n, tag)) {
			return n;
		}
	}
	return NULL;
}

static const struct evl_markup *next_cell(const struct evl_markup *n)
{
	while (n != NULL && !evl_markup_is(n, "td") && !evl_markup_is(n, "th")) {
		n = n->next;
	}
	return n;
}

static const struct evl_markup *next_row(const struct evl_markup *n)
{
	while (n != NULL && !evl_markup_is(n, "tr")) {
		n = n->next;
	}
	return n;
}

static bool stays_whole(const struct evl_markup *cell)
{
	return evl_markup_has_class(cell, "ch") || evl_markup_has_class(cell, "n");
}

static int span_of(const struct evl_markup *cell)
{
	int n = atoi(evl_markup_get(cell, "colspan"));
	return n < 1 ? 1 : n > COLUMNS_MAX ? COLUMNS_MAX : n;
}

static bool is_digest(const struct evl_markup *cell)
{
	const struct evl_markup *n = cell->first;
	return n != NULL && n->text == NULL && evl_markup_has_class(n, "hash");
}

/* What each column wants, in characters: whole text and what must not break. */
struct wants {
	double whole[COLUMNS_MAX], least[COLUMNS_MAX];
	int columns;
};

static void size_row(struct wants *w, const struct evl_markup *row)
{
	int i = 0;
	for (const struct evl_markup *c = next_cell(row->first); c != NULL && i < COLUMNS_MAX;
		i += span_of(c), c = next_cell(c->next)) {
		size_t chars = 0;
		size_t word = 0;
		if (span_of(c) > 1) {
			continue; /* takes what the others need */
		}
		pdf_text_size(c, &chars, &word);
		bool head = evl_markup_is(row->parent, "thead");
		if (is_digest(c)) {
			/* Small letters, and to be compared, not read: two lines or more will do.
			 */
			word = 14;
			chars = 28;
		}
		/* Long numbers with their words may break after all: reasons need the room. */
		double least = (double)(stays_whole(c) && !head && chars <= 14 ? chars : word);
		least *= head ? 1.2 : 1; /* bold */
		least = least > 24 ? 24 : least < 3 ? 3 : least;
		w->least[i] = least > w->least[i] ? least : w->least[i];
		/* Long heads wrap rather than take room from the contents. */
		double whole = head && chars > 16 ? 16 : chars > 60 ? 60 : (double)chars;
		w->whole[i] = whole > w->whole[i] ? whole : w->whole[i];
	}
	w->columns = i > w->columns ? i : w->columns;
}

/* Every column gets its least; what is left goes to those that want more, by how much more. */
static void share(struct grid *g, const struct wants *w)
{
	const double em = CELL_SIZE * 0.58; /* a letter's width in the middle */
	double need = 0;
	double more = 0;
	g->columns = w->columns;
	for (int i = 0; i < g->columns; i++) {
		double least = w->least[i] * em + GAP;
		double whole = w->whole[i] * em + GAP;
		g->column[i] = least;
		need += least;
		more += whole > least ? whole - least : 0;
	}
	if (need >= g->width) {
		for (int i = 0; i < g->columns; i++) {
			g->column[i] *= g->width / need;
		}
		return;
	}
	double room = g->width - need;
	double part = more > room ? room / more : 1;
	double used = 0;
	for (int i = 0; i < g->columns; i++) {
		double whole = w->whole[i] * em + GAP;
		g->column[i] += whole > g->column[i] ? (whole - g->column[i]) * part : 0;
		used += g->column[i];
	}
	/* Numbers at the right stay near their texts: spare room goes behind the first column. */
	if (g->columns > 0 && used < g->width) {
		g->column[0] += (g->width - used) * (g->columns > 1 ? 0.35 : 1);
	}
}

static void measure(struct grid *g, const struct evl_markup *table, double x, double width)
{
	struct wants w = {0};
	const struct evl_markup *parts[] = {find(table, "thead"), find(table, "tbody")};
	g->x = x;
	g->width = width;
	g->map = evl_markup_has_class(table, "map");
	for (size_t i = 0; i < 2; i++) {
		const struct evl_markup *row = parts[i] == NULL ? NULL : next_row(parts[i]->first);
		for (int n = 0; row != NULL && n < SIZED_ROWS; row = next_row(row->next), n++) {
			size_row(&w, row);
		}
	}
	share(g, &w);
	if (g->map && g->columns > 0) {
		bool headed = parts[0] != NULL;
		double first = headed ? 15 : width / g->columns;
		for (int i = 0; i < g->columns; i++) {
			g->column[i] = i == 0 ? first : (width - first) / (g->columns - 1);
		}
		if (!headed && g->columns < 8) {
			for (int i = 0; i < g->columns; i++) {
				g->column[i] = width / 8;
			}
		}
	}
}

static struct pdf_look look_of(const struct grid *g, const struct evl_markup *cell)
{
	bool head = evl_markup_is(cell->parent->parent, "thead");
	bool boxed = evl_markup_has_class(cell, "cell");
	return (struct pdf_look){.size = boxed    ? 7.2
					 : g->map ? 6.5
						  : CELL_SIZE,
		.bold = head,
		.ink = head || (g->map && !boxed) ? INK_QUIET : INK_TEXT,
		.align = evl_markup_has_class(cell, "n") ? PANGO_ALIGN_RIGHT : PANGO_ALIGN_LEFT};
}

static double put_cell(struct pdf *d, const struct grid *g, const struct evl_markup *cell, double x,
	double y, double width, double height, bool draw)
{
	struct pdf_look look = look_of(g, cell);
	if (!evl_markup_has_class(cell, "cell")) {
		return pdf_text(d, cell, look, x, y + PAD, width - (g->map ? 2 : GAP), draw) +
		       2 * PAD;
	}
	uint32_t ink = pdf_verdict_ink(cell);
	bool bad = ink == INK_FAIL || ink == INK_ERROR || ink == INK_INCONCLUSIVE;
	if (draw && d->cr != NULL) {
		cairo_rectangle(d->cr, x + 1, y + 1, width - 2, height - 2);
		cairo_set_line_width(d->cr, bad ? 1.4 : 0.5);
		pdf_ink(d->cr, bad ? ink : INK_RULE);
		cairo_stroke(d->cr);
	}
	look.ink = bad ? ink : INK_TEXT;
	return pdf_text(d, cell, look, x + 3.2, y + 2.6, width - 6, draw) + 6;
}

static double width_of(const struct grid *g, const struct evl_markup *cell, int at)
{
	double width = 0;
	for (int i = at; i < at + span_of(cell) && i < g->columns; i++) {
		width += g->column[i];
	}
	return width;
}

/* A row that belongs with the one before it has no line between them. */
static void draw_rule(struct pdf *d, const struct grid *g, const struct evl_markup *row, double y)
{
	const struct evl_markup *next = next_row(row->next);
	if (d->cr == NULL || g->map || (next != NULL && evl_markup_has_class(next, "because"))) {
		return;
	}
	cairo_move_to(d->cr, g->x, y);
	cairo_line_to(d->cr, g->x + g->width, y);
	cairo_set_line_width(d->cr, evl_markup_is(row->parent, "thead") ? 1 : 0.4);
	pdf_ink(d->cr, INK_RULE);
	cairo_stroke(d->cr);
}

/* Height of the row; draws only if `draw`. `height` is what was measured before. */
static double put_row(struct pdf *d, const struct grid *g, const struct evl_markup *row, double y,
	double height, bool draw)
{
	double most = 0;
	double x = g->x;
	int i = 0;
	draw = draw && d->cr != NULL;
	if (draw) {
		pdf_tag(d, "TR");
	}
	for (const struct evl_markup *c = next_cell(row->first); c != NULL && i < g->columns;
		i += span_of(c), c = next_cell(c->next)) {
		double width = width_of(g, c, i);
		if (draw) {
			pdf_tag(d, evl_markup_is(c, "th") ? "TH" : "TD");
		}
		double h = put_cell(d, g, c, x, y, width, height, draw);
		if (draw) {
			pdf_untag(d, evl_markup_is(c, "th") ? "TH" : "TD");
		}
		most = h > most ? h : most;
		x += width;
	}
	if (draw) {
		pdf_untag(d, "TR");
		draw_rule(d, g, row, y + height);
	}
	return most;
}

/* Cells of maps side by side are level: the tallest of all decides. */
static double map_height(struct pdf *d, const struct grid *g, const struct evl_markup *table)
{
	double most = 0;
	bool alone = !evl_markup_has_class(table->parent, "maps");
	for (const struct evl_markup *t = table->parent->first; t != NULL; t = t->next) {
		const struct evl_markup *body = evl_markup_is(t, "table") ? find(t, "tbody") : NULL;
		const struct evl_markup *r =
			body == NULL || (alone && t != table) ? NULL : next_row(body->first);
		for (; r != NULL; r = next_row(r->next)) {
			double h = put_row(d, g, r, 0, 0, false);
			most = h > most ? h : most;
		}
	}
	return most;
}

static double put_head(
	struct pdf *d, const struct grid *g, const struct evl_markup *head, double y, bool draw)
{
	double from = y;
	const struct evl_markup *row = head == NULL ? NULL : next_row(head->first);
	for (; row != NULL; row = next_row(row->next)) {
		double h = put_row(d, g, row, y, 0, false);
		if (draw) {
			put_row(d, g, row, y, h, true);
		}
		y += h;
	}
	return y - from;
}

double pdf_table(
	struct pdf *d, const struct evl_markup *table, double x, double y, double width, bool draw)
{
	struct grid g = {0};
	const struct evl_markup *body = find(table, "tbody");
	const struct evl_markup *caption = find(table, "caption");
	double from = y;
	measure(&g, table, x, width);
	draw = draw && d->cr != NULL;
	if (caption != NULL) {
		struct pdf_look look = {.size = 8.5, .bold = true, .ink = INK_TEXT};
		y += pdf_text(d, caption, look, x, y, width, draw) + 3;
	}
	if (draw) {
		pdf_tag(d, "Table");
	}
	y += put_head(d, &g, find(table, "thead"), y, draw);
	double level = g.map && body != NULL ? map_height(d, &g, table) : 0;
	const struct evl_markup *row = body == NULL ? NULL : next_row(body->first);
	for (; row != NULL; row = next_row(row->next)) {
		double h = g.map ? level : put_row(d, &g, row, y, 0, false);
		if (draw) {
			put_row(d, &g, row, y, h, true);
		}
		y += h;
	}
	if (draw) {
		pdf_untag(d, "Table");
	}
	return y - from + 6;
}

/* A row taller than a page: its cells go on, side by side, over as many pages as they need. */
static void flow_row(struct pdf *d, const struct grid *g, const struct evl_markup *row,
	const struct evl_markup *head)
{
	struct pdf_lines *lines[COLUMNS_MAX] = {NULL};
	double x[COLUMNS_MAX] = {0};
	uint32_t ink[COLUMNS_MAX] = {0};
	int n = 0;
	int i = 0;
	double at = g->x;
	for (const struct evl_markup *c = next_cell(row->first); c != NULL && i < g->columns;
		i += span_of(c), c = next_cell(c->next)) {
		double width = width_of(g, c, i);
		struct pdf_look look = look_of(g, c);
		lines[n] = pdf_lines_create(d, c, look, width - GAP);
		ink[n] = look.ink;
		x[n++] = at;
		at += width;
	}
	for (bool left = true; left;) {
		double room = PDF_PAGE_H - PDF_BOTTOM - d->y - 2 * PAD;
		double most = 0;
		left = false;
		pdf_tag(d, "TR");
		for (int c = 0; c < n; c++) {
			pdf_tag(d, "TD");
			double h = pdf_lines_put(d, lines[c], ink[c], x[c], d->y + PAD, room);
			pdf_untag(d, "TD");
			most = h > most ? h : most;
			left = left || !pdf_lines_done(lines[c]);
		}
		pdf_untag(d, "TR");
		d->y += most + 2 * PAD;
		if (left) {
			pdf_untag(d, "Table");
			pdf_new_page(d);
			pdf_tag(d, "Table");
			d->y += put_head(d, g, head, d->y, true);
		}
	}
	draw_rule(d, g, row, d->y);
	for (int c = 0; c < n; c++) {
		pdf_lines_destroy(lines[c]);
	}
}

/* Of the row, and of those that must stay with it. */
static double height_with_next(struct pdf *d, const struct grid *g, const struct evl_markup *row)
{
	double h = put_row(d, g, row, 0, 0, false);
	const struct evl_markup *next = next_row(row->next);
	if (next != NULL && evl_markup_has_class(next, "because")) {
		h += put_row(d, g, next, 0, 0, false);
	}
	return h;
}

void pdf_flow_table(struct pdf *d, const struct evl_markup *table, double x, double width)
{
	struct grid g = {0};
	const struct evl_markup *head = find(table, "thead");
	const struct evl_markup *body = find(table, "tbody");
	measure(&g, table, x, width);
	double head_height = put_head(d, &g, head, 0, false);
	double whole = PDF_PAGE_H - PDF_BOTTOM - PDF_TOP - head_height; /* of an empty page */
	const struct evl_markup *row = body == NULL ? NULL : next_row(body->first);
	double first = row == NULL ? 0 : height_with_next(d, &g, row);
	pdf_need(d, head_height + (first > whole ? 60 : first) + 2);
	pdf_tag(d, "Table");
	d->y += put_head(d, &g, head, d->y, true);
	for (; row != NULL; row = next_row(row->next)) {
		double h = put_row(d, &g, row, 0, 0, false);
		double together = height_with_next(d, &g, row);
		double need = together <= whole ? together : h <= whole ? h : 60;
		if (d->y + need > PDF_PAGE_H - PDF_BOTTOM) {
			pdf_untag(d, "Table");
			pdf_new_page(d);
			pdf_tag(d, "Table");
			d->y += put_head(d, &g, head, d->y, true);
		}
		if (h > whole) {
			flow_row(d, &g, row, head);
			continue;
		}
		put_row(d, &g, row, d->y, h, true);
		d->y += h;
	}
	pdf_untag(d, "Table");
	d->y += 6;
}
