/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Shared by the files pdf*.c. The report is gone through twice: first without a cairo context, to
 * count pages and note which parts can be linked to, then to draw. All lengths are in points.
 */
#pragma once

#include <cairo-pdf.h>
#include <pango/pangocairo.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/text.h"
#include "core/report/pdf.h"
#include "core/report/markup.h"

#define PDF_PAGE_W    595.28 /* ISO 216 A4 */
#define PDF_PAGE_H    841.89
#define PDF_SIDE      45.0
#define PDF_TOP       42.0
#define PDF_BOTTOM    52.0  /* room for the footer */
#define PDF_PICTURE_H 640.0 /* at most, so that its caption fits below it */
#define PDF_WIDTH     (PDF_PAGE_W - 2 * PDF_SIDE)

/* Colours of the style sheet's print section. */
enum pdf_ink {
	INK_TEXT = 0x000000,
	INK_QUIET = 0x444444,
	INK_RULE = 0xBBBBBB,
	INK_PASS = 0x1B6A50,
	INK_FAIL = 0xB02A1C,
	INK_INCONCLUSIVE = 0x855200,
	INK_ERROR = 0x6D2C91,
	INK_NONE = 0x5C6670,
	INK_BAR = 0x33475B,
};

struct pdf_look {
	double size;
	bool bold, mono;
	uint32_t ink;
	PangoAlignment align;
};

struct pdf {
	const struct evl_pdf_facts *facts;
	cairo_t *cr; /* NULL while counting */
	cairo_surface_t *surface;
	PangoContext *context;
	double y; /* where the next block begins */
	int page, pages;
	const char **targets; /* ids that are on a page */
	size_t target_count;
	int outline; /* last bookmark of the upper level */
};

/* ---- pdf_text.c ---- */
/* The inline contents of a node at (x, y), `width` wide; draws only if `draw` and returns the
 * height. */
double pdf_text(struct pdf *d, const struct evl_markup *node, struct pdf_look look, double x,
	double y, double width, bool draw);
double pdf_plain(struct pdf *d, const char *text, struct pdf_look look, double x, double y,
	double width, bool draw);
/* Text longer than a page: line by line from d->y on, links left out. */
void pdf_flow_lines(
	struct pdf *d, const struct evl_markup *node, struct pdf_look look, double x, double width);
/* The same line by line, for what stands side by side over several pages. */
struct pdf_lines;
struct pdf_lines *pdf_lines_create(
	struct pdf *d, const struct evl_markup *node, struct pdf_look look, double width);
void pdf_lines_destroy(struct pdf_lines *l);
bool pdf_lines_done(const struct pdf_lines *l);
/* As many of the next lines as fit into `room`; draws unless counting; returns their height. */
double pdf_lines_put(
	struct pdf *d, struct pdf_lines *l, uint32_t ink, double x, double y, double room);
/* Characters of the whole and of the longest word, for widths of columns. */
void pdf_text_size(const struct evl_markup *node, size_t *chars, size_t *word);
uint32_t pdf_verdict_ink(
	const struct evl_markup *node); /* of class v-NAME or is-NAME; or INK_TEXT */
void pdf_ink(cairo_t *cr, uint32_t ink);
/* The sign of a verdict ("pass") in a square. */
void pdf_draw_sign(cairo_t *cr, const char *verdict, double x, double y, double side);

/* ---- pdf_plot.c ---- */
double pdf_plot(
	struct pdf *d, const struct evl_markup *svg, double x, double y, double width, bool draw);

/* ---- pdf_table.c ---- */
/* A table over as many pages as it needs, its head repeated. */
void pdf_flow_table(struct pdf *d, const struct evl_markup *table, double x, double width);
/* A table on one page: maps, and tables within boxes. */
double pdf_table(
	struct pdf *d, const struct evl_markup *table, double x, double y, double width, bool draw);

/* ---- pdf_list.c ---- */
/* A list on one page. */
double pdf_list(
	struct pdf *d, const struct evl_markup *list, double x, double y, double width, bool draw);
void pdf_flow_list(struct pdf *d, const struct evl_markup *list, double x, double width);
/* A short list in one line. */
bool pdf_is_row(const struct evl_markup *list);

/* ---- pdf_flow.c ---- */
void pdf_flow(struct pdf *d, const struct evl_markup *node, double x, double width);
/* A new page unless `height` still fits. */
bool pdf_need(struct pdf *d, double height);
void pdf_new_page(struct pdf *d);
void pdf_end_page(struct pdf *d);
void pdf_tag(struct pdf *d, const char *tag); /* opens an element of the structure; NULL: nothing */
void pdf_untag(struct pdf *d, const char *tag);
