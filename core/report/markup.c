/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/markup.h"

#include <expat.h>
#include <stdlib.h>
#include <string.h>

enum { PIECE_BYTES = 1 << 16 };

/* Memory that is freed as a whole. */
struct piece {
	struct piece *older;
	size_t used, cap;
};

struct reading {
	struct evl_markup_doc *doc;
	struct evl_markup *at; /* innermost open element */
	unsigned skip;         /* open elements within one that is left out; 0: none */
};

static void *take(struct evl_markup_doc *doc, size_t bytes)
{
	struct piece *p = doc->memory;
	bytes = (bytes + 15) & ~(size_t)15;
	if (p == NULL || p->cap - p->used < bytes) {
		size_t cap = bytes > PIECE_BYTES ? bytes : PIECE_BYTES;
		struct piece *more = evl_xcalloc(1, sizeof *more + cap);
		more->older = p;
		more->cap = cap;
		doc->memory = p = more;
	}
	char *at = (char *)(p + 1) + p->used;
	p->used += bytes;
	return at;
}

static const char *keep(struct evl_markup_doc *doc, const char *text, size_t len)
{
	char *copy = take(doc, len + 1);
	memcpy(copy, text, len);
	return copy;
}

static struct evl_markup *add(struct reading *r, const char *tag)
{
	struct evl_markup *n = take(r->doc, sizeof *n);
	n->tag = keep(r->doc, tag, strlen(tag));
	n->parent = r->at;
	if (r->at == NULL) {
		r->doc->root = n;
	} else if (r->at->first == NULL) {
		r->at->first = r->at->last = n;
	} else {
		r->at->last = r->at->last->next = n;
	}
	return n;
}

static bool left_out(const struct reading *r, const char *tag, const char **attributes)
{
	static const char *const tags[] = {"style", "nav", "defs", "head"};
	for (size_t i = 0; i < sizeof tags / sizeof *tags; i++) {
		if (strcmp(tag, tags[i]) == 0) {
			return true;
		}
	}
	for (size_t i = 0; attributes[i] != NULL; i += 2) {
		if (strcmp(attributes[i], "class") == 0 &&
			(strcmp(attributes[i + 1], "symbols") == 0 ||
				strcmp(attributes[i + 1], "skip") == 0)) {
			return true;
		}
	}
	return evl_markup_is(r->at, "details") && strcmp(tag, "summary") != 0;
}

static void XMLCALL on_start(void *user, const XML_Char *tag, const XML_Char **attributes)
{
	struct reading *r = user;
	size_t n = 0;
	if (r->skip > 0 || left_out(r, tag, attributes)) {
		r->skip++;
		return;
	}
	while (attributes[n] != NULL) {
		n++;
	}
	struct evl_markup *node = add(r, tag);
	node->room = take(r->doc, sizeof *node->room);
	node->attributes = take(r->doc, (n + 1) * sizeof *node->attributes);
	for (size_t i = 0; i < n; i++) {
		node->attributes[i] = keep(r->doc, attributes[i], strlen(attributes[i]));
	}
	r->at = node;
}

static void XMLCALL on_end(void *user, const XML_Char *tag)
{
	struct reading *r = user;
	(void)tag;
	if (r->skip > 0) {
		r->skip--;
	} else {
		r->at = r->at->parent;
	}
}

static void XMLCALL on_text(void *user, const XML_Char *text, int len)
{
	struct reading *r = user;
	if (r->skip == 0 && r->at != NULL) {
		struct evl_markup *node = add(r, "");
		node->text = keep(r->doc, text, (size_t)len);
	}
}

enum evl_status evl_markup_parse(
	struct evl_markup_doc *doc, const char *xml, size_t len, struct evl_err *err)
{
	struct reading r = {.doc = doc};
	enum evl_status st = EVL_OK;
	XML_Parser parser = XML_ParserCreate("UTF-8");
	evl_require(parser != NULL);
	XML_SetUserData(parser, &r);
	XML_SetElementHandler(parser, on_start, on_end);
	XML_SetCharacterDataHandler(parser, on_text);
	/* Pieces, because one call takes no more than an int. */
	for (size_t at = 0; st == EVL_OK && at <= len; at += PIECE_BYTES) {
		size_t n = len - at < PIECE_BYTES ? len - at : PIECE_BYTES;
		if (XML_Parse(parser, xml + at, (int)n, at + PIECE_BYTES > len) != XML_STATUS_OK) {
			st = evl_err_set(err, EVL_E_INVALID,
				"the report page is not well-formed: line %lu, column %lu: %s",
				(unsigned long)XML_GetCurrentLineNumber(parser),
				(unsigned long)XML_GetCurrentColumnNumber(parser),
				XML_ErrorString(XML_GetErrorCode(parser)));
		}
	}
	XML_ParserFree(parser);
	return st;
}

void evl_markup_finish(struct evl_markup_doc *doc)
{
	struct piece *p = doc->memory;
	while (p != NULL) {
		struct piece *older = p->older;
		free(p);
		p = older;
	}
	memset(doc, 0, sizeof *doc);
}

const char *evl_markup_get(const struct evl_markup *node, const char *name)
{
	for (size_t i = 0; node->attributes != NULL && node->attributes[i] != NULL; i += 2) {
		if (strcmp(node->attributes[i], name) == 0) {
			return node->attributes[i + 1];
		}
	}
	return "";
}

bool evl_markup_is(const struct evl_markup *node, const char *tag)
{
	return node != NULL && strcmp(node->tag, tag) == 0;
}

bool evl_markup_has_class(const struct evl_markup *node, const char *word)
{
	const char *at = evl_markup_get(node, "class");
	size_t n = strlen(word);
	while (*at != '\0') {
		size_t len = strcspn(at, " ");
		if (len == n && strncmp(at, word, n) == 0) {
			return true;
		}
		at += len + (at[len] == ' ');
	}
	return false;
}
