/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The report page as a tree of elements, so that the PDF is laid out from the very text that is the
 * HTML file. Within this room only. The page is well-formed XML (read with expat).
 *
 *	struct evl_markup_doc doc = {0};
 *	if (evl_markup_parse(&doc, html, len, &err) == EVL_OK) {
 *		for (const struct evl_markup *n = doc.root->first; n != NULL; n = n->next) { ... }
 *	}
 *	evl_markup_finish(&doc);
 *
 * Left out while reading: style sheet, navigation, the common symbols, and what <details> folds
 * away (its summary stays), so that the tree stays small for a report of any size.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/base/err.h"

/* For who lays the tree out: what a node took when it was last measured. */
struct evl_markup_room {
	double width, size, height;
};

struct evl_markup {
	const char *tag;         /* "" for text */
	const char *text;        /* of a text node; else NULL */
	const char **attributes; /* name, value, ..., NULL */
	struct evl_markup_room *room; /* of an element; all zero after reading */
	struct evl_markup *parent, *first, *last, *next;
};

struct evl_markup_doc {
	struct evl_markup *root; /* <html> */
	void *memory;            /* private */
};

/* EVL_E_INVALID names line and column of what is not well-formed. */
enum evl_status evl_markup_parse(
	struct evl_markup_doc *doc, const char *xml, size_t len, struct evl_err *err);
void evl_markup_finish(struct evl_markup_doc *doc); /* takes a zeroed object */

/* The value of an attribute, "" when it is not there. */
const char *evl_markup_get(const struct evl_markup *node, const char *name);
bool evl_markup_is(const struct evl_markup *node, const char *tag);
/* True when `word` is among the words of the attribute `class`. */
bool evl_markup_has_class(const struct evl_markup *node, const char *word);
