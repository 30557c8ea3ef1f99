/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Shapes of the report's pictures, written as SVG with classes, so that a picture follows the
 * page's light, dark and print colours; pdf_plot.c draws the same shapes. Within this room only.
 *
 *	evl_draw_begin(p, "times", "Timetable", 120, "Timetable of the run", "Case by case ...");
 *	evl_draw_rect(p, "take", 150, 10, 30, 12);
 *	evl_draw_sign(p, PV_FAIL, 0, 8, 14);
 *	evl_draw_end(p, "Bars are takes.");
 *
 * All lengths are in units of a picture that is DRAW_ALL units wide.
 */
#pragma once

#include "core/report/number.h"
#include "core/report/page.h"

enum {
	DRAW_LEFT = 150,  /* where the axis begins; names stand left of it */
	DRAW_WIDTH = 560, /* of the axis */
	DRAW_RIGHT = 190, /* room for words behind it */
	DRAW_ALL = DRAW_LEFT + DRAW_WIDTH + DRAW_RIGHT,
};

/* Opens the figure. `id` is unique on the page; `label` names it for who cannot see it; `told` is
 * what it shows, in words. */
void evl_draw_begin(struct evl_page *p, const char *id, const char *label, int height,
	const char *title, const char *told);
/* Closes it. `caption` says how to read the picture. */
void evl_draw_end(struct evl_page *p, const char *caption);

/* Classes of text: "name" (bold), "sub" (quiet), "tick" (quiet, centred at x). */
void evl_draw_text(struct evl_page *p, const char *class, double x, double y, const char *text);
void evl_draw_rect(struct evl_page *p, const char *class, double x, double y, double w, double h);
/* Only M, L, H, V, h, v, l and Z. */
void evl_draw_path(struct evl_page *p, const char *class, const char *format, ...)
	__attribute__((format(printf, 3, 4)));
void evl_draw_dot(struct evl_page *p, const char *class, double x, double y, double radius);
/* The sign of a verdict in a square. */
void evl_draw_sign(struct evl_page *p, enum evl_page_verdict v, double x, double y, double side);

/* The first `most` characters of a UTF-8 text, the last one an ellipsis when there are more. */
struct evl_num evl_draw_short(const char *text, size_t most);

/* Distance of the ticks of a time axis of that length: at most nine ticks. */
int64_t evl_draw_step_ns(int64_t length_ns);
/* Grid lines from `top` to `bottom` with their times below it. */
void evl_draw_time_axis(struct evl_page *p, int64_t length_ns, int top, int bottom);
double evl_draw_time_x(int64_t at_ns, int64_t length_ns);
