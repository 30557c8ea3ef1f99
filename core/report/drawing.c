/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/drawing.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

void evl_draw_begin(struct evl_page *p, const char *id, const char *label, int height,
	const char *title, const char *told)
{
	char box[64];
	snprintf(box, sizeof box, "0 0 %d %d", DRAW_ALL, height);
	evl_page_put(p,
		"<figure><div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"$\"><svg "
		"class=\"plot\" role=\"img\" viewBox=\"$\" aria-labelledby=\"$-t $-d\"><title "
		"id=\"$-t\">$</title><desc id=\"$-d\">$</desc>\n",
		label, box, id, id, id, title, id, told);
}

void evl_draw_end(struct evl_page *p, const char *caption)
{
	evl_page_put(p, "</svg></div>\n<figcaption>$</figcaption></figure>\n", caption);
}

void evl_draw_text(struct evl_page *p, const char *class, double x, double y, const char *text)
{
	evl_text_addf(p->t, "<text class=\"%s\" x=\"%.1f\" y=\"%.1f\">", class, x, y);
	evl_page_put(p, "$</text>", text);
}

void evl_draw_rect(struct evl_page *p, const char *class, double x, double y, double w, double h)
{
	evl_text_addf(p->t,
		"<rect class=\"%s\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\"/>", class,
		x, y, w, h);
}

void evl_draw_path(struct evl_page *p, const char *class, const char *format, ...)
{
	char d[256];
	va_list ap;
	va_start(ap, format);
	vsnprintf(d, sizeof d, format, ap);
	va_end(ap);
	evl_text_addf(p->t, "<path class=\"%s\" d=\"%s\"/>", class, d);
}

void evl_draw_dot(struct evl_page *p, const char *class, double x, double y, double radius)
{
	evl_text_addf(p->t, "<circle class=\"%s\" cx=\"%.1f\" cy=\"%.1f\" r=\"%.1f\"/>", class, x,
		y, radius);
}

void evl_draw_sign(struct evl_page *p, enum evl_page_verdict v, double x, double y, double side)
{
	const char *name = evl_page_verdict_name(v);
	evl_text_addf(p->t,
		"<use class=\"v-%s\" href=\"#v-%s\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" "
		"height=\"%.1f\"/>",
		name, name, x, y, side, side);
}

struct evl_num evl_draw_short(const char *text, size_t most)
{
	struct evl_num out = {""};
	size_t chars = 0;
	size_t cut = 0; /* bytes of all but the last character that may stay */
	size_t n = 0;
	for (; text[n] != '\0'; n++) {
		if (((unsigned char)text[n] & 0xC0) == 0x80) {
			continue;
		}
		chars++;
		cut = chars == most ? n : cut;
	}
	if (chars <= most && n < sizeof out.s) {
		memcpy(out.s, text, n);
		return out;
	}
	cut = chars <= most ? n : cut;
	cut = cut > sizeof out.s - 4 ? sizeof out.s - 4 : cut;
	while (cut > 0 && ((unsigned char)text[cut] & 0xC0) == 0x80) {
		cut--;
	}
	memcpy(out.s, text, cut);
	memcpy(out.s + cut, "\xE2\x80\xA6", 3);
	return out;
}

int64_t evl_draw_step_ns(int64_t length_ns)
{
	static const int64_t ms = 1000000;
	static const int64_t steps[] = {1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000,
		20000, 30000, 60000, 120000, 300000, 600000, 1800000, 3600000, 7200000, 14400000,
		43200000, 86400000};
	size_t i = 0;
	while (i + 1 < sizeof steps / sizeof *steps && length_ns / (steps[i] * ms) > 8) {
		i++;
	}
	return steps[i] * ms;
}

double evl_draw_time_x(int64_t at_ns, int64_t length_ns)
{
	double share = length_ns <= 0 ? 0 : (double)at_ns / (double)length_ns;
	return DRAW_LEFT + DRAW_WIDTH * (share < 0 ? 0 : share > 1 ? 1 : share);
}

/* "1 h 30 min" where there are no seconds: the labels of an axis stand close together. */
static struct evl_num short_time(int64_t ns)
{
	struct evl_num t = evl_num_time(ns);
	char *min = strstr(t.s, " min 0 s");
	if (min != NULL) {
		min[4] = '\0';
	}
	char *h = strstr(t.s, " h 0 min");
	if (h != NULL && h[8] == '\0') {
		h[2] = '\0';
	}
	return t;
}

void evl_draw_time_axis(struct evl_page *p, int64_t length_ns, int top, int bottom)
{
	int64_t step = evl_draw_step_ns(length_ns);
	for (int64_t at = 0; at <= length_ns && at / step <= 40; at += step) {
		double x = evl_draw_time_x(at, length_ns);
		evl_draw_path(p, "grid", "M%.1f %dV%d", x, top, bottom);
		evl_draw_text(p, "tick", x, bottom + 16, short_time(at).s);
	}
}
