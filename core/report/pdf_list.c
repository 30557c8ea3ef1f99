/* SPDX-License-Identifier: Apache-2.0 */
/* Lists: definitions, points, short ones in a line, and strips of small cells. */
#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

#define ROOM (PDF_PAGE_H - PDF_TOP - PDF_BOTTOM) /* of one page */

static const struct pdf_look item = {9, false, false, INK_TEXT, PANGO_ALIGN_LEFT};
static const struct pdf_look term = {8.5, false, false, INK_QUIET, PANGO_ALIGN_LEFT};
static const struct pdf_look description = {8.5, false, false, INK_TEXT, PANGO_ALIGN_LEFT};

/* One pair of a definition list; *dd is left at the description. */
static double put_pair(struct pdf *d, const struct evl_markup *dt, const struct evl_markup **dd,
	double x, double y, double width, bool draw)
{
	const struct evl_markup *n = dt->next;
	double left = width < 300 ? 78 : 110;
	while (n != NULL && !evl_markup_is(n, "dd")) {
		n = n->next;
	}
	draw = draw && d->cr != NULL;
	if (draw) {
		pdf_tag(d, "Lbl");
	}
	double a = pdf_text(d, dt, term, x, y, left - 8, draw);
	if (draw) {
		pdf_untag(d, "Lbl");
	}
	double b = 0;
	if (n != NULL) {
		if (draw) {
			pdf_tag(d, "LBody");
		}
		b = pdf_text(d, n, description, x + left, y, width - left, draw);
		if (draw) {
			pdf_untag(d, "LBody");
		}
	}
	*dd = n;
	return (a > b ? a : b) + 2.5;
}

static double put_definitions(
	struct pdf *d, const struct evl_markup *list, double x, double y, double width, bool draw)
{
	double from = y;
	const struct evl_markup *n = list->first;
	while (n != NULL) {
		const struct evl_markup *dd = NULL;
		if (!evl_markup_is(n, "dt")) {
			n = n->next;
			continue;
		}
		y += put_pair(d, n, &dd, x, y, width, draw);
		n = dd == NULL ? n->next : dd->next;
	}
	return y - from + 4;
}

/* A short list in one line: "3 fail   60 pass". */
bool pdf_is_row(const struct evl_markup *n)
{
	return evl_markup_has_class(n, "counts") || evl_markup_has_class(n, "legend");
}

static double put_row(
	struct pdf *d, const struct evl_markup *list, double x, double y, double width, bool draw)
{
	const double step = width / 5 < 95 ? 95 : width / 5;
	double at = x;
	double most = 0;
	for (const struct evl_markup *c = list->first; c != NULL; c = c->next) {
		if (!evl_markup_is(c, "li")) {
			continue;
		}
		if (at > x && at + step > x + width + 1) {
			at = x;
			y += most + 2;
		}
		double h = pdf_text(d, c, item, at, y, step - 6, draw);
		most = h > most ? h : most;
		at += step;
	}
	return most + 6;
}

/* Small cells in rows of 21, or of 42 when there are many. */
static double put_strip(
	struct pdf *d, const struct evl_markup *list, double x, double y, double width, bool draw)
{
	const int across = evl_markup_has_class(list, "many") ? 42 : 21;
	const double w = width / across;
	const double h = 13;
	static const double dashes[] = {2, 2};
	int at = 0;
	for (const struct evl_markup *c = list->first; c != NULL; c = c->next) {
		if (!evl_markup_is(c, "li")) {
			continue;
		}
		double left = x + (at % across) * w;
		double top = y + (at / across) * h;
		uint32_t ink = pdf_verdict_ink(c);
		bool plain = ink == INK_PASS || ink == INK_NONE || ink == INK_TEXT;
		at++;
		if (!draw || d->cr == NULL) {
			continue;
		}
		cairo_rectangle(d->cr, left + 0.7, top + 0.7, w - 2, h - 2);
		cairo_set_line_width(d->cr, plain ? 0.5 : 1.3);
		cairo_set_dash(d->cr, dashes, ink == INK_NONE ? 2 : 0, 0);
		pdf_ink(d->cr, plain ? INK_RULE : ink);
		cairo_stroke(d->cr);
		cairo_set_dash(d->cr, NULL, 0, 0);
		struct pdf_look look = {.size = across > 21 ? 4.6 : 6.8,
			.bold = !plain,
			.ink = plain ? INK_QUIET : ink,
			.align = PANGO_ALIGN_CENTER};
		pdf_tag(d, "LI");
		pdf_text(d, c, look, left, top + (across > 21 ? 3 : 1.8), w - 0.6, true);
		pdf_untag(d, "LI");
	}
	return (at + across - 1) / across * h + 5;
}

static double put_item(
	struct pdf *d, const struct evl_markup *li, double x, double y, double width, bool draw)
{
	if (draw && d->cr != NULL) {
		cairo_new_path(d->cr);
		cairo_arc(d->cr, x + 4, y + 6.2, 1.6, 0, 6.283185307179586);
		pdf_ink(d->cr, INK_TEXT);
		cairo_fill(d->cr);
		pdf_tag(d, "LI");
	}
	double h = pdf_text(d, li, item, x + 12, y, width - 12, draw);
	if (draw) {
		pdf_untag(d, "LI");
	}
	return h + 3;
}

/* An item of a list that fits on a page is not torn. */
static void start_item(struct pdf *d, double height)
{
	if (height <= ROOM && d->y + height > PDF_PAGE_H - PDF_BOTTOM && d->y > PDF_TOP + 1) {
		pdf_untag(d, "L");
		pdf_new_page(d);
		pdf_tag(d, "L");
	}
}

/* A pair longer than a page: the description below its term. */
static void flow_pair(struct pdf *d, const struct evl_markup *dt, const struct evl_markup *dd,
	double x, double width)
{
	pdf_flow_lines(d, dt, term, x, width);
	if (dd != NULL) {
		pdf_flow_lines(d, dd, description, x + 12, width - 12);
	}
	d->y += 2.5;
}

void pdf_flow_list(struct pdf *d, const struct evl_markup *n, double x, double width)
{
	bool definitions = evl_markup_is(n, "dl");
	const struct evl_markup *c = n->first;
	pdf_tag(d, "L");
	while (c != NULL) {
		const struct evl_markup *last = c;
		if (definitions && evl_markup_is(c, "dt")) {
			double h = put_pair(d, c, &last, x, 0, width, false);
			start_item(d, h);
			if (h > ROOM) {
				flow_pair(d, c, last, x, width);
			} else {
				put_pair(d, c, &last, x, d->y, width, true);
				d->y += h;
			}
		} else if (!definitions && evl_markup_is(c, "li")) {
			double h = put_item(d, c, x, 0, width, false);
			start_item(d, h);
			if (h > ROOM) {
				pdf_flow_lines(d, c, item, x + 12, width - 12);
			} else {
				put_item(d, c, x, d->y, width, true);
				d->y += h;
			}
		}
		c = last == NULL ? NULL : last->next;
	}
	pdf_untag(d, "L");
	d->y += 4;
}

double pdf_list(
	struct pdf *d, const struct evl_markup *n, double x, double y, double width, bool draw)
{
	double from = y;
	if (evl_markup_is(n, "dl")) {
		return put_definitions(d, n, x, y, width, draw);
	}
	if (evl_markup_has_class(n, "channels")) {
		return put_strip(d, n, x, y, width, draw);
	}
	if (pdf_is_row(n)) {
		return put_row(d, n, x, y, width, draw);
	}
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		y += evl_markup_is(c, "li") ? put_item(d, c, x, y, width, draw) : 0;
	}
	return y - from + 3;
}
