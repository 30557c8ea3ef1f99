/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/pdf.h"

#include <stdlib.h>
#include <string.h>

#include "core/report/pdf_internal.h"

struct sink {
	uint8_t *data;
	size_t len, cap;
};

static cairo_status_t write_bytes(void *user, const unsigned char *data, unsigned int n)
{
	struct sink *s = user;
	if (s->cap - s->len < n) {
		s->cap = (s->len + n) * 2;
		s->data = evl_xrealloc(s->data, s->cap);
	}
	memcpy(s->data + s->len, data, n);
	s->len += n;
	return CAIRO_STATUS_SUCCESS;
}

/* Metrics that do not depend on the screen or the user's settings. */
static PangoContext *make_context(PangoFontMap *fonts)
{
	PangoContext *context = pango_font_map_create_context(fonts);
	cairo_font_options_t *options = cairo_font_options_create();
	cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
	cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
	pango_cairo_context_set_font_options(context, options);
	pango_cairo_context_set_resolution(context, 72);
	pango_context_set_round_glyph_positions(context, FALSE);
	pango_context_set_language(context, pango_language_from_string("en"));
	cairo_font_options_destroy(options);
	return context;
}

static const struct evl_markup *find_body(const struct evl_markup *root)
{
	for (const struct evl_markup *n = root->first; n != NULL; n = n->next) {
		if (evl_markup_is(n, "body")) {
			return n;
		}
	}
	return NULL;
}

static void go_through(struct pdf *d, const struct evl_markup *body)
{
	d->page = 1;
	d->y = PDF_TOP;
	d->outline = CAIRO_PDF_OUTLINE_ROOT;
	pdf_flow(d, body, PDF_SIDE, PDF_WIDTH);
	pdf_end_page(d);
}

static void set_metadata(struct pdf *d)
{
	cairo_surface_t *s = d->surface;
	cairo_pdf_surface_set_metadata(s, CAIRO_PDF_METADATA_TITLE, d->facts->title);
	cairo_pdf_surface_set_metadata(s, CAIRO_PDF_METADATA_CREATOR, "evenlode " EVL_VERSION);
	/* Without a date of our own Cairo would take the clock. */
	cairo_pdf_surface_set_metadata(s, CAIRO_PDF_METADATA_CREATE_DATE,
		d->facts->created_utc == NULL ? "1970-01-01T00:00:00Z" : d->facts->created_utc);
}

static enum evl_status draw(
	struct pdf *d, struct sink *sink, const struct evl_markup *body, struct evl_err *err)
{
	d->surface = cairo_pdf_surface_create_for_stream(write_bytes, sink, PDF_PAGE_W, PDF_PAGE_H);
	/* Plain cross-reference tables, to which pdf_sign.c adds an update. */
	cairo_pdf_surface_restrict_to_version(d->surface, CAIRO_PDF_VERSION_1_4);
	set_metadata(d);
	d->cr = cairo_create(d->surface);
	pango_cairo_update_context(d->cr, d->context);
	go_through(d, body);
	cairo_status_t status = cairo_status(d->cr);
	cairo_destroy(d->cr);
	cairo_surface_finish(d->surface);
	status = status == CAIRO_STATUS_SUCCESS ? cairo_surface_status(d->surface) : status;
	cairo_surface_destroy(d->surface);
	d->cr = NULL;
	return status == CAIRO_STATUS_SUCCESS
		       ? EVL_OK
		       : evl_err_set(err, EVL_E_NOMEM, "the PDF cannot be made: %s",
				 cairo_status_to_string(status));
}

enum evl_status evl_pdf_make(uint8_t **out, size_t *out_len, const char *html, size_t html_len,
	const struct evl_pdf_facts *facts, struct evl_err *err)
{
	struct evl_markup_doc doc = {0};
	struct sink sink = {0};
	struct pdf d = {.facts = facts};
	*out = NULL;
	*out_len = 0;
	enum evl_status st = evl_markup_parse(&doc, html, html_len, err);
	const struct evl_markup *body = st == EVL_OK ? find_body(doc.root) : NULL;
	PangoFontMap *fonts = pango_cairo_font_map_new();
	PangoFontFamily **families = NULL;
	int family_count = 0;
	pango_font_map_list_families(fonts, &families, &family_count);
	g_free(families);
	if (st == EVL_OK && family_count == 0) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"no font is installed, and the PDF needs one; install the package "
			"fonts-dejavu-core");
	}
	if (st == EVL_OK) {
		evl_require(body != NULL);
		d.context = make_context(fonts);
		go_through(&d, body);
		d.pages = d.page;
		st = draw(&d, &sink, body, err);
		g_object_unref(d.context);
	}
	g_object_unref(fonts);
	evl_markup_finish(&doc);
	free(d.targets);
	if (st == EVL_OK) {
		*out = sink.data;
		*out_len = sink.len;
	} else {
		free(sink.data);
	}
	return st;
}
