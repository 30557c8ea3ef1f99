/* SPDX-License-Identifier: Apache-2.0 */
/* Inline contents: words with their looks, verdict signs, links. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

#define SIGN "\xEF\xBF\xBC" /* U+FFFC stands for a sign within the text */

static const char *const verdict_names[] = {"none", "pass", "inconclusive", "fail", "error"};
static const uint32_t verdict_inks[] = {INK_NONE, INK_PASS, INK_INCONCLUSIVE, INK_FAIL, INK_ERROR};

struct link {
	size_t from, to; /* bytes of the text */
	const char *target;
};

struct words {
	struct evl_text text;
	PangoAttrList *attributes;
	struct link *links;
	size_t link_count;
	bool blank; /* white space is due before the next word */
};

void pdf_ink(cairo_t *cr, uint32_t ink)
{
	cairo_set_source_rgb(
		cr, (ink >> 16 & 0xFF) / 255.0, (ink >> 8 & 0xFF) / 255.0, (ink & 0xFF) / 255.0);
}

uint32_t pdf_verdict_ink(const struct evl_markup *node)
{
	char name[32];
	for (size_t v = 0; v < 5; v++) {
		snprintf(name, sizeof name, "v-%s", verdict_names[v]);
		if (evl_markup_has_class(node, name)) {
			return verdict_inks[v];
		}
		snprintf(name, sizeof name, "is-%s", verdict_names[v]);
		if (evl_markup_has_class(node, name)) {
			return verdict_inks[v];
		}
	}
	return INK_TEXT;
}

/* The shapes of the page's symbols, in a square of 20 units. */
static void draw_sign(cairo_t *cr, size_t v)
{
	pdf_ink(cr, verdict_inks[v]);
	cairo_set_line_cap(cr, CAIRO_LINE_CAP_ROUND);
	cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
	cairo_new_path(cr);
	if (v == 1) {
		cairo_arc(cr, 10, 10, 9, 0, 6.283185307179586);
		cairo_fill(cr);
	} else if (v == 3) {
		cairo_rectangle(cr, 1, 1, 18, 18);
		cairo_fill(cr);
	} else if (v == 4) {
		static const double corner[][2] = {
			{6, 1}, {14, 1}, {19, 6}, {19, 14}, {14, 19}, {6, 19}, {1, 14}, {1, 6}};
		for (size_t i = 0; i < 8; i++) {
			cairo_line_to(cr, corner[i][0], corner[i][1]);
		}
		cairo_close_path(cr);
		cairo_fill(cr);
	} else {
		cairo_set_line_width(cr, 1.6);
		cairo_arc(cr, 10, 10, 8.4, 0, 6.283185307179586);
		cairo_stroke(cr);
	}
	if (v == 2) {
		cairo_arc(cr, 10, 10, 9, 1.5707963267948966, 4.71238898038469);
		cairo_fill(cr);
		return;
	}
	cairo_set_line_width(cr, 2.2);
	if (v != 0) {
		cairo_set_source_rgb(cr, 1, 1, 1);
	}
	static const double strokes[5][4][2] = {{{6, 10}, {14, 10}, {-1, 0}, {-1, 0}},
		{{5.5, 10.5}, {8.5, 13.5}, {14.5, 6.5}, {-1, 0}},
		{{-1, 0}, {-1, 0}, {-1, 0}, {-1, 0}}, {{6, 6}, {14, 14}, {-1, 0}, {-1, 0}},
		{{10, 5}, {10, 11.5}, {-1, 0}, {-1, 0}}};
	for (size_t i = 0; i < 4 && strokes[v][i][0] >= 0; i++) {
		cairo_line_to(cr, strokes[v][i][0], strokes[v][i][1]);
	}
	cairo_stroke(cr);
	if (v == 3) {
		cairo_move_to(cr, 14, 6);
		cairo_line_to(cr, 6, 14);
		cairo_stroke(cr);
	} else if (v == 4) {
		cairo_move_to(cr, 10, 14);
		cairo_line_to(cr, 10, 15);
		cairo_stroke(cr);
	}
}

void pdf_draw_sign(cairo_t *cr, const char *verdict, double x, double y, double side)
{
	for (size_t v = 0; v < sizeof verdict_names / sizeof *verdict_names; v++) {
		if (strcmp(verdict_names[v], verdict) == 0) {
			cairo_save(cr);
			cairo_translate(cr, x, y);
			cairo_scale(cr, side / 20, side / 20);
			draw_sign(cr, v);
			cairo_restore(cr);
		}
	}
}

static void render_sign(cairo_t *cr, PangoAttrShape *shape, gboolean path, gpointer user)
{
	double x = 0;
	double y = 0;
	double side = (double)shape->logical_rect.width / PANGO_SCALE;
	(void)path;
	(void)user;
	cairo_get_current_point(cr, &x, &y);
	cairo_save(cr);
	cairo_translate(cr, x, y + (double)shape->logical_rect.y / PANGO_SCALE);
	cairo_scale(cr, side / 20, side / 20);
	draw_sign(cr, (size_t)GPOINTER_TO_UINT(shape->data));
	cairo_restore(cr);
}

/* Where a long word is torn, no hyphen is made up; and no ligatures, which copied text would keep
 * as one character. */
static PangoAttrList *new_attributes(void)
{
	PangoAttrList *list = pango_attr_list_new();
	pango_attr_list_insert(list, pango_attr_insert_hyphens_new(FALSE));
	pango_attr_list_insert(list, pango_attr_font_features_new("liga 0, clig 0"));
	return list;
}

static void add_attribute(struct words *w, PangoAttribute *a, size_t from)
{
	a->start_index = (guint)from;
	a->end_index = (guint)w->text.len;
	pango_attr_list_insert(w->attributes, a);
}

static void set_look(struct words *w, struct pdf_look look, size_t from)
{
	if (w->text.len == from) {
		return;
	}
	add_attribute(w, pango_attr_size_new((int)(look.size * PANGO_SCALE)), from);
	add_attribute(w, pango_attr_weight_new(look.bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL),
		from);
	if (look.mono) {
		add_attribute(w, pango_attr_family_new("DejaVu Sans Mono"), from);
	}
	add_attribute(w,
		pango_attr_foreground_new((guint16)((look.ink >> 16 & 0xFF) * 257),
			(guint16)((look.ink >> 8 & 0xFF) * 257),
			(guint16)((look.ink & 0xFF) * 257)),
		from);
}

static bool is_blank(char c)
{
	return c == ' ' || c == '\n' || c == '\t' || c == '\r';
}

/* Runs of white space become one blank, none at the beginning. */
static void add_text(struct words *w, const char *text, struct pdf_look look)
{
	size_t from = w->text.len;
	for (const char *c = text; *c != '\0'; c++) {
		if (is_blank(*c)) {
			w->blank = true;
			continue;
		}
		if (w->blank && w->text.len > 0 && w->text.data[w->text.len - 1] != '\n') {
			evl_text_add(&w->text, " ");
		}
		w->blank = false;
		evl_text_addn(&w->text, c, 1);
	}
	set_look(w, look, from);
}

static void add_sign(struct words *w, const struct evl_markup *svg, struct pdf_look look)
{
	const char *href = svg->first == NULL ? "" : evl_markup_get(svg->first, "href");
	for (size_t v = 0; v < 5; v++) {
		if (strncmp(href, "#v-", 3) != 0 || strcmp(href + 3, verdict_names[v]) != 0) {
			continue;
		}
		add_text(w, "", look);
		if (w->blank && w->text.len > 0) {
			evl_text_add(&w->text, " ");
		}
		int side = (int)(look.size * (evl_markup_has_class(svg, "big") ? 1.1 : 0.95) *
				 PANGO_SCALE);
		PangoRectangle r = {0, -side * 17 / 20, side, side};
		size_t from = w->text.len;
		evl_text_add(&w->text, SIGN);
		add_attribute(w,
			pango_attr_shape_new_with_data(&r, &r, GUINT_TO_POINTER(v), NULL, NULL),
			from);
		evl_text_add(&w->text, "\xC2\xA0");
		w->blank = false;
	}
}

static void add_link(struct words *w, size_t from, const char *href)
{
	if (href[0] == '#' && w->text.len > from) {
		w->links = evl_xrealloc(w->links, (w->link_count + 1) * sizeof *w->links);
		w->links[w->link_count++] = (struct link){from, w->text.len, href + 1};
	}
}

static void add_node(struct words *w, const struct evl_markup *n, struct pdf_look look)
{
	if (n->text != NULL) {
		add_text(w, n->text, look);
		return;
	}
	size_t from = w->text.len;
	if (evl_markup_is(n, "svg")) {
		add_sign(w, n, look);
		return;
	}
	if (evl_markup_has_class(n, "sr")) {
		return; /* for screen readers: the sign says it here */
	}
	if (evl_markup_is(n, "br") || evl_markup_has_class(n, "why")) {
		evl_text_add(&w->text, "\n");
		w->blank = false;
	}
	w->blank = w->blank || evl_markup_has_class(n, "klm");
	if (evl_markup_is(n, "strong") || evl_markup_is(n, "b")) {
		look.bold = true;
	} else if (evl_markup_is(n, "code")) {
		look.mono = true;
		look.size *= evl_markup_has_class(n, "hash") ? 0.78 : 0.9;
	}
	if (evl_markup_has_class(n, "quiet") || evl_markup_has_class(n, "label") ||
		evl_markup_has_class(n, "klm")) {
		look.ink = INK_QUIET;
	}
	if (evl_markup_has_class(n, "klm") || evl_markup_has_class(n, "why")) {
		look.size *= 0.85;
	}
	if (evl_markup_has_class(n, "word")) {
		look.size *= 1.9;
	} else if (evl_markup_has_class(n, "line")) {
		look.ink = INK_TEXT;
		look.bold = false;
	}
	if (evl_markup_has_class(n, "v")) {
		look.ink = pdf_verdict_ink(n);
		look.bold = true;
	}
	for (const struct evl_markup *c = n->first; c != NULL; c = c->next) {
		add_node(w, c, look);
	}
	if (evl_markup_has_class(n, "label")) {
		add_text(w, ":", look);
	}
	if (evl_markup_is(n, "a")) {
		add_link(w, from, evl_markup_get(n, "href"));
	}
}

static void finish(struct words *w)
{
	evl_text_finish(&w->text);
	pango_attr_list_unref(w->attributes);
	free(w->links);
}

static bool is_target(const struct pdf *d, const char *id)
{
	for (size_t i = 0; i < d->target_count; i++) {
		if (strcmp(d->targets[i], id) == 0) {
			return true;
		}
	}
	return false;
}

/* One rectangle for each line that a link runs over. */
static void draw_link(struct pdf *d, PangoLayout *layout, const struct link *l, double x, double y)
{
	char attributes[400];
	if (!is_target(d, l->target) || strpbrk(l->target, "'\\") != NULL ||
		strlen(l->target) > 200) {
		return;
	}
	PangoLayoutIter *it = pango_layout_get_iter(layout);
	do {
		int *ranges = NULL;
		int n = 0;
		PangoRectangle box;
		pango_layout_iter_get_line_extents(it, NULL, &box);
		pango_layout_line_get_x_ranges(pango_layout_iter_get_line_readonly(it),
			(int)l->from, (int)l->to, &ranges, &n);
		for (int i = 0; i < n; i++) {
			double from = (double)ranges[2 * i] / PANGO_SCALE;
			double to = (double)ranges[2 * i + 1] / PANGO_SCALE;
			if (to - from < 0.5) {
				continue;
			}
			snprintf(attributes, sizeof attributes,
				"dest='%s' rect=[%.2f %.2f %.2f %.2f]", l->target, x + from,
				y + (double)box.y / PANGO_SCALE, to - from,
				(double)box.height / PANGO_SCALE);
			cairo_tag_begin(d->cr, CAIRO_TAG_LINK, attributes);
			cairo_tag_end(d->cr, CAIRO_TAG_LINK);
		}
		g_free(ranges);
	} while (pango_layout_iter_next_line(it));
	pango_layout_iter_free(it);
}

static PangoLayout *lay_out(struct pdf *d, struct words *w, struct pdf_look look, double width)
{
	PangoLayout *layout = pango_layout_new(d->context);
	PangoFontDescription *font = pango_font_description_new();
	pango_font_description_set_family_static(font, "DejaVu Sans");
	pango_font_description_set_size(font, (int)(look.size * PANGO_SCALE));
	pango_layout_set_font_description(layout, font);
	pango_font_description_free(font);
	pango_layout_set_width(layout, (int)(width * PANGO_SCALE));
	pango_layout_set_wrap(layout, PANGO_WRAP_WORD_CHAR);
	pango_layout_set_alignment(layout, look.align);
	pango_layout_set_line_spacing(layout, 1.12f);
	pango_layout_set_text(layout, evl_text_str(&w->text), (int)w->text.len);
	pango_layout_set_attributes(layout, w->attributes);
	return layout;
}

static double put(struct pdf *d, struct words *w, struct pdf_look look, double x, double y,
	double width, bool draw)
{
	int height = 0;
	PangoLayout *layout = lay_out(d, w, look, width);
	pango_layout_get_size(layout, NULL, &height);
	if (draw && d->cr != NULL) {
		cairo_move_to(d->cr, x, y);
		pdf_ink(d->cr, look.ink);
		pango_cairo_context_set_shape_renderer(d->context, render_sign, NULL, NULL);
		pango_cairo_show_layout(d->cr, layout);
		for (size_t i = 0; i < w->link_count; i++) {
			draw_link(d, layout, &w->links[i], x, y);
		}
	}
	g_object_unref(layout);
	return (double)height / PANGO_SCALE;
}

double pdf_text(struct pdf *d, const struct evl_markup *node, struct pdf_look look, double x,
	double y, double width, bool draw)
{
	struct evl_markup_room *room = node->room;
	draw = draw && d->cr != NULL;
	/* Heights are asked for many times, of each node with one width and look. */
	if (!draw && room != NULL && room->width == width && room->size == look.size) {
		return room->height;
	}
	struct words w = {.attributes = new_attributes()};
	for (const struct evl_markup *c = node->first; c != NULL; c = c->next) {
		add_node(&w, c, look);
	}
	double height = w.text.len == 0 ? 0 : put(d, &w, look, x, y, width, draw);
	finish(&w);
	if (room != NULL) {
		*room = (struct evl_markup_room){width, look.size, height};
	}
	return height;
}

double pdf_plain(struct pdf *d, const char *text, struct pdf_look look, double x, double y,
	double width, bool draw)
{
	struct words w = {.attributes = new_attributes()};
	add_text(&w, text, look);
	double height = put(d, &w, look, x, y, width, draw);
	finish(&w);
	return height;
}

struct pdf_lines {
	struct words words;
	PangoLayout *layout;
	PangoLayoutIter *at; /* the next line */
	bool done;
};

struct pdf_lines *pdf_lines_create(
	struct pdf *d, const struct evl_markup *node, struct pdf_look look, double width)
{
	struct pdf_lines *l = evl_xcalloc(1, sizeof *l);
	l->words.attributes = new_attributes();
	for (const struct evl_markup *c = node->first; c != NULL; c = c->next) {
		add_node(&l->words, c, look);
	}
	l->layout = lay_out(d, &l->words, look, width);
	l->at = pango_layout_get_iter(l->layout);
	l->done = l->words.text.len == 0;
	return l;
}

void pdf_lines_destroy(struct pdf_lines *l)
{
	pango_layout_iter_free(l->at);
	g_object_unref(l->layout);
	finish(&l->words);
	free(l);
}

bool pdf_lines_done(const struct pdf_lines *l)
{
	return l->done;
}

double pdf_lines_put(
	struct pdf *d, struct pdf_lines *l, uint32_t ink, double x, double y, double room)
{
	double used = 0;
	while (!l->done) {
		PangoRectangle box;
		pango_layout_iter_get_line_extents(l->at, NULL, &box);
		double height = (double)box.height / PANGO_SCALE;
		double base = (double)(pango_layout_iter_get_baseline(l->at) - box.y) / PANGO_SCALE;
		if (used + height > room) {
			break;
		}
		if (d->cr != NULL) {
			cairo_move_to(d->cr, x + (double)box.x / PANGO_SCALE, y + used + base);
			pdf_ink(d->cr, ink);
			pango_cairo_context_set_shape_renderer(d->context, render_sign, NULL, NULL);
			pango_cairo_show_layout_line(
				d->cr, pango_layout_iter_get_line_readonly(l->at));
		}
		used += height;
		l->done = !pango_layout_iter_next_line(l->at);
	}
	return used;
}

void pdf_flow_lines(
	struct pdf *d, const struct evl_markup *node, struct pdf_look look, double x, double width)
{
	struct pdf_lines *l = pdf_lines_create(d, node, look, width);
	pdf_need(d, 3 * look.size);
	while (!pdf_lines_done(l)) {
		d->y += pdf_lines_put(d, l, look.ink, x, d->y, PDF_PAGE_H - PDF_BOTTOM - d->y);
		if (!pdf_lines_done(l)) {
			pdf_new_page(d);
		}
	}
	pdf_lines_destroy(l);
}

void pdf_text_size(const struct evl_markup *node, size_t *chars, size_t *word)
{
	struct pdf_look look = {.size = 8};
	struct words w = {.attributes = new_attributes()};
	size_t line = 0;
	size_t run = 0;
	for (const struct evl_markup *c = node->first; c != NULL; c = c->next) {
		add_node(&w, c, look);
	}
	*chars = *word = 0;
	for (size_t i = 0; i < w.text.len; i++) {
		unsigned char b = (unsigned char)w.text.data[i];
		bool breaks = b == ' ' || b == '\n';
		line = b == '\n' ? 0 : line + ((b & 0xC0) != 0x80);
		run = breaks ? 0 : run + ((b & 0xC0) != 0x80);
		if (strncmp(w.text.data + i, SIGN, 3) == 0) {
			line += 2; /* wider than a letter, and its word is bold */
			run += 2;
		}
		*chars = line > *chars ? line : *chars;
		*word = run > *word ? run : *word;
	}
	finish(&w);
}
