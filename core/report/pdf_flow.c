/* SPDX-License-Identifier: Apache-2.0 */
/* Blocks one below the other, over pages. A block that fits on a page is never torn. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

#define ROOM (PDF_PAGE_H - PDF_TOP - PDF_BOTTOM) /* of one page */

struct kind {
	const char *tag;
	struct pdf_look look;
	double before, after;
	const char *structure; /* its tag in the PDF (ISO 32000-1 14.8.4) */
};

static const struct kind kinds[] = {
	{"h1", {18, true, false, INK_TEXT, PANGO_ALIGN_LEFT}, 2, 6, "H1"},
	{"h2", {13.5, true, false, INK_TEXT, PANGO_ALIGN_LEFT}, 3, 5, "H2"},
	{"h3", {10.5, true, false, INK_TEXT, PANGO_ALIGN_LEFT}, 7, 4, "H3"},
	{"h4", {9, true, false, INK_TEXT, PANGO_ALIGN_LEFT}, 5, 3, "H4"},
	{"p", {9, false, false, INK_TEXT, PANGO_ALIGN_LEFT}, 0, 5, "P"},
	{"li", {9, false, false, INK_TEXT, PANGO_ALIGN_LEFT}, 0, 3, "LI"},
	{"dt", {8.5, false, false, INK_QUIET, PANGO_ALIGN_LEFT}, 0, 2, "Lbl"},
	{"dd", {8.5, false, false, INK_TEXT, PANGO_ALIGN_LEFT}, 0, 2, "LBody"},
	{"figcaption", {7.8, false, false, INK_QUIET, PANGO_ALIGN_LEFT}, 1, 6, "Caption"},
	{"summary", {8.5, false, false, INK_QUIET, PANGO_ALIGN_LEFT}, 1, 5, "P"},
};

static const struct kind *kind_of(const struct evl_markup *n)
{
	for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
		if (evl_markup_is(n, kinds[i].tag)) {
			return &kinds[i];
		}
	}
	return NULL;
}

static bool is_element(const struct evl_markup *n)
{
	return n->text == NULL;
}

static struct pdf_look look_of(const struct evl_markup *n, const struct kind *k)
{
	struct pdf_look look = k->look;
	if (evl_markup_has_class(n, "quiet")) {
		look.size = 8;
		look.ink = INK_QUIET;
	} else if (evl_markup_has_class(n, "worst")) {
		look.size = 10;
	} else if (evl_markup_has_class(n, "kind")) {
		look.ink = INK_QUIET;
	} else if (evl_markup_has_class(n, "mark")) {
		look.ink = INK_ERROR;
		look.bold = true;
		look.align = PANGO_ALIGN_CENTER;
	} else if (evl_markup_has_class(n, "of")) {
		look.bold = true;
		look.size = 8;
	} else if (evl_markup_has_class(n, "end")) {
		look.bold = true;
		look.align = PANGO_ALIGN_CENTER;
	}
	if (evl_markup_is(n, "h2") && evl_markup_has_class(n->parent, "verdict")) {
		look.ink = pdf_verdict_ink(n->parent);
	}
	return look;
}

void pdf_tag(struct pdf *d, const char *tag)
{
	if (d->cr != NULL && tag != NULL) {
		cairo_tag_begin(d->cr, tag, NULL);
	}
}

void pdf_untag(struct pdf *d, const char *tag)
{
	if (d->cr != NULL && tag != NULL) {
		cairo_tag_end(d->cr, tag);
	}
}

void pdf_end_page(struct pdf *d)
{
	char text[200];
	struct pdf_look look = {.size = 7.5, .ink = INK_QUIET};
	double y = PDF_PAGE_H - 36;
	if (d->cr == NULL) {
		return;
	}
	cairo_move_to(d->cr, PDF_SIDE, y - 5);
	cairo_line_to(d->cr, PDF_PAGE_W - PDF_SIDE, y - 5);
	cairo_set_line_width(d->cr, 0.4);
	pdf_ink(d->cr, INK_RULE);
	cairo_stroke(d->cr);
	snprintf(text, sizeof text, "Report %.100s", d->facts->report_id);
	pdf_plain(d, text, look, PDF_SIDE, y, PDF_WIDTH, true);
	snprintf(text, sizeof text, "page %d of %d", d->page, d->pages);
	look.align = PANGO_ALIGN_RIGHT;
	pdf_plain(d, text, look, PDF_SIDE, y, PDF_WIDTH, true);
	if (d->facts->mark != NULL) {
		look = (struct pdf_look){
			.size = 7.5, .bold = true, .ink = INK_ERROR, .align = PANGO_ALIGN_CENTER};
		pdf_plain(d, d->facts->mark, look, PDF_SIDE, y + 10, PDF_WIDTH, true);
	}
	cairo_show_page(d->cr);
}

void pdf_new_page(struct pdf *d)
{
	pdf_end_page(d);
	d->page++;
	d->y = PDF_TOP;
}

bool pdf_need(struct pdf *d, double height)
{
	if (d->y + height <= PDF_PAGE_H - PDF_BOTTOM || d->y <= PDF_TOP + 1) {
		return false;
	}
	pdf_new_page(d);
	return true;
}

/* Notes, or makes, the place that links to this id lead to. */
static void put_target(struct pdf *d, const struct evl_markup *n)
{
	const char *id = evl_markup_get(n, "id");
	char attributes[300];
	if (id[0] == '\0' || strpbrk(id, "'\\") != NULL || strlen(id) > 200) {
		return;
	}
	if (d->cr == NULL) {
		d->targets = evl_xrealloc(d->targets, (d->target_count + 1) * sizeof *d->targets);
		d->targets[d->target_count++] = id;
		return;
	}
	snprintf(attributes, sizeof attributes, "name='%s' x=%.2f y=%.2f", id, PDF_SIDE, d->y);
	cairo_tag_begin(d->cr, CAIRO_TAG_DEST, attributes);
	cairo_tag_end(d->cr, CAIRO_TAG_DEST);
}

static void collect_text(struct evl_text *t, const struct evl_markup *n)
{
	if (n->text != NULL) {
		evl_text_add(t, n->text);
	}
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		collect_text(t, c);
	}
}

static void put_bookmark(struct pdf *d, const struct evl_markup *heading)
{
	char attributes[300];
	struct evl_text title = {0};
	const char *id = evl_markup_get(heading, "id");
	bool upper = evl_markup_is(heading, "h2");
	if (d->cr == NULL || id[0] == '\0' || strpbrk(id, "'\\") != NULL || strlen(id) > 200 ||
		!(upper || (evl_markup_is(heading, "h3") && strncmp(id, "h-case", 6) == 0))) {
		return;
	}
	collect_text(&title, heading);
	snprintf(attributes, sizeof attributes, "dest='%s'", id);
	int made = cairo_pdf_surface_add_outline(d->surface,
		upper ? CAIRO_PDF_OUTLINE_ROOT : d->outline, evl_text_str(&title), attributes,
		upper ? CAIRO_PDF_OUTLINE_FLAG_BOLD : 0);
	d->outline = upper ? made : d->outline;
	evl_text_finish(&title);
}

static double put_block(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, bool draw);

static double put_children(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, bool draw)
{
	double from = y;
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		if (is_element(c)) {
			y += put_block(d, c, x, y, width, draw);
		}
	}
	return y - from;
}

static double put_text_block(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, bool draw)
{
	const struct kind *k = kind_of(n);
	const char *tag = draw && d->cr != NULL ? k->structure : NULL;
	pdf_tag(d, tag);
	double h = pdf_text(d, n, look_of(n, k), x, y + k->before, width, draw);
	pdf_untag(d, tag);
	if (h == 0) {
		return 0;
	}
	if (evl_markup_is(n, "summary")) {
		struct pdf_look look = {.size = 7.2, .ink = INK_QUIET};
		h += pdf_plain(d, "Rows: in report.html and evidence.json.", look, x,
			y + k->before + h + 1, width, draw);
	}
	return h + k->before + k->after;
}

static bool is_list(const struct evl_markup *n)
{
	return evl_markup_is(n, "dl") || evl_markup_is(n, "ul") || evl_markup_is(n, "ol");
}

static bool is_grid(const struct evl_markup *n)
{
	return evl_markup_has_class(n, "facts") || evl_markup_has_class(n, "maps");
}

static int grid_columns(const struct evl_markup *n)
{
	return evl_markup_has_class(n, "maps") ? 3 : 2;
}

/* Children side by side; returns the height of one row of them, *next is the first child of the
 * row after it. */
static double put_grid_row(struct pdf *d, const struct evl_markup *n,
	const struct evl_markup *first, const struct evl_markup **next, double x, double y,
	double width, bool draw)
{
	const double gap = 16;
	int columns = grid_columns(n);
	double w = (width - gap * (columns - 1)) / columns;
	double most = 0;
	int i = 0;
	const struct evl_markup *c = first;
	for (; c != NULL && i < columns; c = c->next) {
		if (is_element(c)) {
			double h = put_block(d, c, x + i * (w + gap), y, w, draw);
			most = h > most ? h : most;
			i++;
		}
	}
	*next = c;
	return most;
}

static double put_block(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, bool draw)
{
	double from = y;
	if (kind_of(n) != NULL) {
		return put_text_block(d, n, x, y, width, draw);
	}
	if (is_list(n)) {
		return pdf_list(d, n, x, y, width, draw);
	}
	if (evl_markup_is(n, "table")) {
		return pdf_table(d, n, x, y, width, draw);
	}
	if (evl_markup_is(n, "svg")) {
		return evl_markup_has_class(n, "plot") ? pdf_plot(d, n, x, y, width, draw) : 0;
	}
	if (is_grid(n)) {
		const struct evl_markup *c = n->first;
		while (c != NULL) {
			y += put_grid_row(d, n, c, &c, x, y, width, draw);
		}
		return y - from;
	}
	return put_children(d, n, x, y, width, draw);
}

/* A block in a frame, or with a bar at its side, that stays whole. */
static bool is_framed(const struct evl_markup *n)
{
	return evl_markup_has_class(n, "verdict") || evl_markup_has_class(n, "cautions") ||
	       evl_markup_has_class(n, "only") || evl_markup_has_class(n, "notice") ||
	       evl_markup_has_class(n, "mark");
}

static void draw_frame(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, double height)
{
	static const double dashes[] = {4, 3};
	if (d->cr == NULL) {
		return;
	}
	bool side = evl_markup_has_class(n, "verdict") || evl_markup_has_class(n, "notice");
	uint32_t ink = evl_markup_has_class(n, "verdict") ? pdf_verdict_ink(n)
		       : evl_markup_has_class(n, "mark")  ? INK_ERROR
		       : evl_markup_has_class(n, "only")  ? INK_TEXT
							  : INK_INCONCLUSIVE;
	pdf_ink(d->cr, ink);
	if (side) {
		cairo_rectangle(d->cr, x, y, evl_markup_has_class(n, "verdict") ? 6 : 3, height);
		cairo_fill(d->cr);
	}
	if (!evl_markup_has_class(n, "notice")) {
		cairo_rectangle(d->cr, x, y, width, height);
		cairo_set_line_width(d->cr, side ? 0.5 : 1);
		cairo_set_dash(d->cr, dashes, evl_markup_has_class(n, "mark") ? 2 : 0, 0);
		cairo_stroke(d->cr);
		cairo_set_dash(d->cr, NULL, 0, 0);
	}
}

static void flow_framed(struct pdf *d, const struct evl_markup *n, double x, double width)
{
	double pad = evl_markup_has_class(n, "notice") ? 2 : 6;
	double in = evl_markup_has_class(n, "verdict") ? 16 : 10;
	double h = put_block(d, n, x + in, 0, width - in - 10, false) + 2 * pad;
	pdf_need(d, h);
	put_target(d, n);
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		if (is_element(c) && evl_markup_is(c, "h2")) {
			put_target(d, c);
			put_bookmark(d, c);
		}
	}
	draw_frame(d, n, x, d->y, width, h);
	put_block(d, n, x + in, d->y + pad, width - in - 10, true);
	d->y += h + 7;
}

static void flow_children(struct pdf *d, const struct evl_markup *n, double x, double width)
{
	put_target(d, n);
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		if (is_element(c)) {
			pdf_flow(d, c, x, width);
		}
	}
}

static void flow_grid(struct pdf *d, const struct evl_markup *n, double x, double width)
{
	const struct evl_markup *c = n->first;
	while (c != NULL) {
		const struct evl_markup *next = NULL;
		double h = put_grid_row(d, n, c, &next, x, 0, width, false);
		if (h > ROOM) {
			for (; c != next; c = c->next) { /* one below the other, then */
				if (is_element(c)) {
					pdf_flow(d, c, x, width);
				}
			}
			continue;
		}
		pdf_need(d, h);
		put_grid_row(d, n, c, &next, x, d->y, width, true);
		d->y += h + 2;
		c = next;
	}
}

static void draw_rule(struct pdf *d, double x, double width)
{
	if (d->cr != NULL) {
		cairo_move_to(d->cr, x, d->y);
		cairo_line_to(d->cr, x + width, d->y);
		cairo_set_line_width(d->cr, 0.6);
		pdf_ink(d->cr, INK_RULE);
		cairo_stroke(d->cr);
	}
	d->y += 6;
}

static const struct evl_markup *next_element(const struct evl_markup *n)
{
	n = n->next;
	while (n != NULL && !is_element(n)) {
		n = n->next;
	}
	return n;
}

/* A heading stays with what follows: with all of a small block, with the beginning of a large. */
static double follower(struct pdf *d, const struct evl_markup *heading, double x, double width)
{
	const struct evl_markup *n = next_element(heading);
	if (n == NULL || evl_markup_is(n, "table") || evl_markup_has_class(n, "wide")) {
		return 70;
	}
	const struct evl_markup *next = NULL;
	double h = is_grid(n)           ? put_grid_row(d, n, n->first, &next, x, 0, width, false)
		   : kind_of(n) != NULL ? put_block(d, n, x, 0, width, false)
					: 70;
	/* A few sentences, then their picture. */
	while (evl_markup_is(n, "p") && next_element(n) != NULL && h < 400) {
		n = next_element(n);
		if (evl_markup_is(n, "figure") || evl_markup_is(n, "p")) {
			h += put_block(d, n, x, 0, width, false);
		}
	}
	return h < 40 ? 40 : h > 400 ? 70 : h;
}

void pdf_flow(struct pdf *d, const struct evl_markup *n, double x, double width)
{
	if (is_framed(n)) {
		double h = put_block(d, n, x, 0, width - 26, false);
		if (h < ROOM - 20) {
			flow_framed(d, n, x, width);
			return;
		}
	}
	if (kind_of(n) != NULL || evl_markup_is(n, "svg") || pdf_is_row(n) ||
		evl_markup_has_class(n, "channels")) {
		bool heading = n->tag[0] == 'h';
		double h = put_block(d, n, x, 0, width, false);
		if (h > ROOM && kind_of(n) != NULL) {
			pdf_flow_lines(d, n, look_of(n, kind_of(n)), x, width);
			return;
		}
		pdf_need(d, heading ? h + follower(d, n, x, width) : h);
		put_target(d, n);
		if (heading) {
			put_bookmark(d, n);
		}
		put_block(d, n, x, d->y, width, true);
		d->y += h;
		return;
	}
	if (is_grid(n)) {
		flow_grid(d, n, x, width);
	} else if (is_list(n)) {
		pdf_flow_list(d, n, x, width);
	} else if (evl_markup_is(n, "table") && evl_markup_has_class(n, "map")) {
		double h = pdf_table(d, n, x, 0, width, false);
		if (h > ROOM) {
			pdf_flow_table(d, n, x, width);
			return;
		}
		pdf_need(d, h);
		d->y += pdf_table(d, n, x, d->y, width, true);
	} else if (evl_markup_is(n, "table")) {
		pdf_flow_table(d, n, x, width);
	} else {
		bool section = evl_markup_is(n, "section") || evl_markup_is(n, "article");
		if (evl_markup_has_class(n, "fresh") && d->y > PDF_TOP + 1) {
			pdf_new_page(d);
		}
		if (evl_markup_is(n, "figure") || evl_markup_has_class(n, "whole")) {
			double h = put_block(d, n, x, 0, width, false);
			pdf_need(d, h < ROOM - 20 ? h + 20 : 300);
		} else if (evl_markup_has_class(n, "claim")) {
			double h = put_block(d, n, x, 0, width, false);
			pdf_need(d, h < ROOM / 2 ? h + 12 : 200);
		}
		if (section) {
			pdf_need(d, 90);
			d->y += d->y > PDF_TOP + 1 ? 6 : 0;
			draw_rule(d, x, width);
		}
		flow_children(d, n, x, width);
	}
}
