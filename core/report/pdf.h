/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The report as PDF, laid out with Cairo and Pango from the same text that is the HTML file. Within
 * this room only.
 *
 *	struct evl_pdf_facts facts = {.title = title, .report_id = id, .created_utc = ended};
 *	if (evl_pdf_make(&pdf, &len, html, html_len, &facts, &err) == EVL_OK &&
 *		evl_pdf_sign(&signed_pdf, &signed_len, pdf, len, signer, now, &err) == EVL_OK) { ...
 *}
 *
 * A4, embedded fonts, "page n of N" and the number of the report on each page, tags for headings,
 * paragraphs, lists, tables and figures, links and bookmarks. The same text and facts give the same
 * bytes with the same Cairo, Pango and fonts; no clock is read.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/report/sign.h"

struct evl_pdf_facts {
	const char *title;
	const char *report_id;
	const char *created_utc; /* "2026-11-25T09:12:41Z": for the metadata; NULL: none */
	const char *mark;        /* on every page, such as EVL_DEMO_KEY_MARK; or NULL */
};

/* *out belongs to the caller (free). EVL_E_INVALID: the page is not well-formed. EVL_E_NOTFOUND: no
 * font is installed. */
enum evl_status evl_pdf_make(uint8_t **out, size_t *out_len, const char *html, size_t html_len,
	const struct evl_pdf_facts *facts, struct evl_err *err);

/* Adds a signature as an incremental update (ISO 32000-1 7.5.6, 12.8): the bytes of `pdf` stay the
 * first `len` bytes of the result. SubFilter ETSI.CAdES.detached, a PAdES baseline B-B signature
 * (ETSI EN 319 142-1): the signed attributes are content type, message digest and
 * signing-certificate-v2; the claimed time is in the entry M of the signature dictionary. */
enum evl_status evl_pdf_sign(uint8_t **out, size_t *out_len, const uint8_t *pdf, size_t len,
	const struct evl_signer *signer, int64_t at_unix_s, struct evl_err *err);
