/* SPDX-License-Identifier: Apache-2.0 */
/* The plots: the shapes that drawing.h lists (path with M, L, H, V, h, v, l and Z; rect; circle;
 * text; use of a verdict's sign). */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

static double number(const struct evl_markup *n, const char *name)
{
	return atof(evl_markup_get(n, name));
}

static void trace(cairo_t *cr, const char *d)
{
	double x = 0;
	double y = 0;
	char command = 'M';
	cairo_new_path(cr);
	while (*d != '\0') {
		char *end = NULL;
		if (strchr("MLHVhvl", *d) != NULL) {
			command = *d++;
			continue;
		}
		if (*d == 'Z') {
			cairo_close_path(cr);
			d++;
			continue;
		}
		double a = strtod(d, &end);
		if (end == d) {
			d++; /* blank or comma */
			continue;
		}
		d = end;
		bool two = strchr("MLl", command) != NULL;
		double b = two ? strtod(d, &end) : 0;
		d = two ? end : d;
		switch (command) {
		case 'H':
			x = a;
			break;
		case 'h':
			x += a;
			break;
		case 'V':
			y = a;
			break;
		case 'v':
			y += a;
			break;
		case 'l':
			x += a;
			y += b;
			break;
		default:
			x = a;
			y = b;
		}
		if (command == 'M') {
			cairo_move_to(cr, x, y);
			command = 'L';
		} else {
			cairo_line_to(cr, x, y);
		}
	}
}

/* A path that is filled, or drawn round, in the ink of its class. */
static void put_shape(cairo_t *cr, const struct evl_markup *n, bool filled)
{
	uint32_t ink = pdf_verdict_ink(n);
	if (ink == INK_TEXT && evl_markup_has_class(n, "quiet")) {
		ink = INK_QUIET;
	}
	pdf_ink(cr, ink);
	cairo_set_line_width(cr, 1.6);
	if (filled) {
		cairo_fill(cr);
	} else {
		cairo_stroke(cr);
	}
}

static void put_path(cairo_t *cr, const struct evl_markup *n)
{
	static const double dashes[] = {5, 3};
	bool limit = evl_markup_has_class(n, "limit");
	bool thick = evl_markup_has_class(n, "interval");
	bool filled = evl_markup_has_class(n, "shape");
	trace(cr, evl_markup_get(n, "d"));
	if (filled || evl_markup_has_class(n, "outline")) {
		put_shape(cr, n, filled);
		return;
	}
	cairo_set_line_width(cr, thick ? 2.4 : limit ? 1.6 : 1);
	pdf_ink(cr, thick ? INK_BAR : limit ? INK_TEXT : INK_RULE);
	cairo_set_dash(cr, dashes, limit ? 2 : 0, 0);
	cairo_stroke(cr);
	cairo_set_dash(cr, NULL, 0, 0);
}

/* Hatching that needs no pattern: lines at 45 degrees, clipped. */
static void put_hatch(cairo_t *cr, double x, double y, double w, double h)
{
	cairo_save(cr);
	cairo_rectangle(cr, x, y, w, h);
	cairo_clip(cr);
	pdf_ink(cr, INK_INCONCLUSIVE);
	cairo_set_line_width(cr, 1.2);
	for (double at = floor((x - h) / 6) * 6; at < x + w; at += 6) {
		cairo_move_to(cr, at, y + h);
		cairo_line_to(cr, at + h, y);
	}
	cairo_stroke(cr);
	cairo_restore(cr);
}

static uint32_t rect_ink(const struct evl_markup *n)
{
	uint32_t verdict = pdf_verdict_ink(n);
	if (verdict != INK_TEXT) {
		return verdict;
	}
	return evl_markup_has_class(n, "bar")    ? INK_FAIL
	       : evl_markup_has_class(n, "base") ? INK_RULE
						 : INK_BAR;
}

static void put_rect(cairo_t *cr, const struct evl_markup *n)
{
	double x = number(n, "x");
	double y = number(n, "y");
	double w = number(n, "width");
	double h = number(n, "height");
	if (evl_markup_has_class(n, "lost")) {
		put_hatch(cr, x, y, w, h);
		return;
	}
	cairo_rectangle(cr, x, y, w, h);
	if (evl_markup_has_class(n, "broken")) {
		static const double dashes[] = {3, 3};
		pdf_ink(cr, INK_BAR);
		cairo_set_line_width(cr, 1.5);
		cairo_set_dash(cr, dashes, 2, 0);
		cairo_stroke(cr);
		cairo_set_dash(cr, NULL, 0, 0);
		return;
	}
	pdf_ink(cr, rect_ink(n));
	cairo_fill(cr);
}

static void put_circle(cairo_t *cr, const struct evl_markup *n)
{
	cairo_new_path(cr);
	cairo_arc(cr, number(n, "cx"), number(n, "cy"), number(n, "r"), 0, 6.283185307179586);
	if (evl_markup_has_class(n, "before")) {
		cairo_set_source_rgb(cr, 1, 1, 1);
		cairo_fill_preserve(cr);
		pdf_ink(cr, INK_BAR);
		cairo_set_line_width(cr, 2);
		cairo_stroke(cr);
		return;
	}
	pdf_ink(cr, INK_FAIL);
	cairo_fill(cr);
}

static void put_use(cairo_t *cr, const struct evl_markup *n)
{
	const char *href = evl_markup_get(n, "href");
	if (strncmp(href, "#v-", 3) == 0) {
		pdf_draw_sign(cr, href + 3, number(n, "x"), number(n, "y"), number(n, "width"));
	}
}

static void put_words(struct pdf *d, const struct evl_markup *n)
{
	enum { ROOM = 400 };
	bool tick = evl_markup_has_class(n, "tick");
	struct pdf_look look = {.size = evl_markup_has_class(n, "name") ? 12 : 11,
		.bold = evl_markup_has_class(n, "name"),
		.ink = evl_markup_has_class(n, "name") ? INK_TEXT : INK_QUIET,
		.align = tick ? PANGO_ALIGN_CENTER : PANGO_ALIGN_LEFT};
	/* SVG names the base line, Pango the top of the line. */
	double top = number(n, "y") - look.size * 0.93;
	double x = number(n, "x") - (tick ? ROOM / 2 : 0);
	pdf_text(d, n, look, x, top, ROOM, true);
}

double pdf_plot(
	struct pdf *d, const struct evl_markup *svg, double x, double y, double width, bool draw)
{
	double box[4] = {0, 0, 900, 100};
	sscanf(evl_markup_get(svg, "viewBox"), "%lf %lf %lf %lf", &box[0], &box[1], &box[2],
		&box[3]);
	double scale = width / (box[2] > 0 ? box[2] : 900);
	scale = box[3] * scale > PDF_PICTURE_H ? PDF_PICTURE_H / box[3] : scale;
	if (draw && d->cr != NULL) {
		pdf_tag(d, "Figure");
		cairo_save(d->cr);
		cairo_translate(d->cr, x, y);
		cairo_scale(d->cr, scale, scale);
		for (const struct evl_markup *n = svg->first; n != NULL; n = n->next) {
			if (evl_markup_is(n, "path")) {
				put_path(d->cr, n);
			} else if (evl_markup_is(n, "rect")) {
				put_rect(d->cr, n);
			} else if (evl_markup_is(n, "circle")) {
				put_circle(d->cr, n);
			} else if (evl_markup_is(n, "use")) {
				put_use(d->cr, n);
			} else if (evl_markup_is(n, "text")) {
				put_words(d, n);
			}
		}
		cairo_restore(d->cr);
		pdf_untag(d, "Figure");
	}
	return box[3] * scale;
}
