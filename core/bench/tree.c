/* SPDX-License-Identifier: Apache-2.0 */
/* YAML by libyaml's event interface, so that the caps stop a hostile file while it is read. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <yaml.h>

#include "core/bench/bench.h"
#include "core/bench/internal.h"

#define TEXT_MAX 4096u /* bytes of one text: title, caution, ... */

static enum evl_status fail_as(enum evl_status status, const struct evl_reader *r, uint32_t line,
			       const char *fmt, va_list ap)
{
	char text[1024];
	vsnprintf(text, sizeof text, fmt, ap);
	return evl_err_set(r->err, status, "%s:%u: %s", r->path, (unsigned)line, text);
}

enum evl_status evl_reader_fail(const struct evl_reader *r, uint32_t line, const char *fmt, ...)
{
	va_list ap;
	va_start(ap, fmt);
	enum evl_status st = fail_as(EVL_E_INVALID, r, line, fmt, ap);
	va_end(ap);
	return st;
}

enum evl_status evl_reader_limit(const struct evl_reader *r, uint32_t line, const char *fmt, ...)
{
	va_list ap;
	va_start(ap, fmt);
	enum evl_status st = fail_as(EVL_E_LIMIT, r, line, fmt, ap);
	va_end(ap);
	return st;
}

struct evl_quoted evl_quote(const char *text)
{
	struct evl_quoted q;
	size_t n = strlen(text);
	bool clipped = n > 64;
	if (clipped) {
		n = 61;
		while (n > 0 && ((unsigned char)text[n] & 0xC0) == 0x80) {
			n--;
		}
	}
	for (size_t i = 0; i < n; i++) {
		q.s[i] = text[i] == '\n' || text[i] == '\t' ? ' ' : text[i];
	}
	memcpy(q.s + n, clipped ? "..." : "", clipped ? 4 : 1);
	return q;
}

struct evl_node *evl_node_child(const struct evl_node *map, const char *key)
{
	for (struct evl_node *n = map->first; n != NULL; n = n->next) {
		if (strcmp(n->key, key) == 0) {
			return n;
		}
	}
	return NULL;
}

enum evl_status evl_node_want_map(const struct evl_reader *r, const struct evl_node *n,
				  const char *what, const char *example)
{
	if (n->kind == EVL_NODE_MAP && n->count > 0) {
		return EVL_OK;
	}
	return evl_reader_fail(r, n->line, "%s must be a mapping with entries, such as %s", what,
			       example);
}

enum evl_status evl_node_text(const char **out, const struct evl_reader *r,
			      const struct evl_node *n, const char *what)
{
	if (n->kind != EVL_NODE_TEXT) {
		return evl_reader_fail(r, n->line, "%s must be a text, not a %s", what,
				       n->kind == EVL_NODE_MAP ? "mapping" : "list");
	}
	if (strlen(n->text) > TEXT_MAX) {
		return evl_reader_fail(r, n->line, "%s is longer than %u bytes", what, TEXT_MAX);
	}
	*out = n->text;
	return EVL_OK;
}

/* What the parser is inside of. */
struct level {
	struct evl_node *node;
	const char *key; /* read, its value is still to come */
	uint32_t key_line;
};

struct build {
	const struct evl_reader *r;
	struct level levels[EVL_BENCH_DEPTH_MAX];
	size_t depth;
	size_t nodes;
	struct evl_node *root;
};

static uint32_t line_of(const yaml_event_t *e)
{
	return (uint32_t)e->start_mark.line + 1;
}

static enum evl_status check_text(const struct evl_reader *r, uint32_t line, const char *s,
				  size_t n)
{
	for (size_t i = 0; i < n; i++) {
		unsigned char c = (unsigned char)s[i];
		if ((c < 0x20 && c != '\n' && c != '\t') || c == 0x7F) {
			return evl_reader_fail(r, line,
					       "control character 0x%02X in a text; remove it", c);
		}
	}
	return EVL_OK;
}

static enum evl_status add_key(struct build *b, struct level *top, const yaml_event_t *e)
{
	uint32_t line = line_of(e);
	if (e->type != YAML_SCALAR_EVENT) {
		return evl_reader_fail(b->r, line,
				       "a key must be a plain word, not a list or mapping");
	}
	const char *s = (const char *)e->data.scalar.value;
	enum evl_status st = check_text(b->r, line, s, e->data.scalar.length);
	if (st < 0) {
		return st;
	}
	if (e->data.scalar.length == 0) {
		return evl_reader_fail(b->r, line, "a key is empty; write NAME: VALUE");
	}
	const struct evl_node *before = evl_node_child(top->node, s);
	if (before != NULL) {
		return evl_reader_fail(b->r, line,
				       "key \"%s\" comes twice, first in line %u; keep one",
				       evl_quote(s).s, (unsigned)before->line);
	}
	top->key = evl_arena_copy(b->r->arena, s, e->data.scalar.length);
	top->key_line = line;
	return EVL_OK;
}

static enum evl_status add_node(struct build *b, const yaml_event_t *e)
{
	uint32_t line = line_of(e);
	if (++b->nodes > EVL_BENCH_NODES_MAX) {
		return evl_reader_limit(b->r, line, "more than %u entries; such a file is smaller",
					EVL_BENCH_NODES_MAX);
	}
	const char *tag = e->type == YAML_SCALAR_EVENT ? (const char *)e->data.scalar.tag
			  : e->type == YAML_MAPPING_START_EVENT
				  ? (const char *)e->data.mapping_start.tag
				  : (const char *)e->data.sequence_start.tag;
	const char *anchor = e->type == YAML_SCALAR_EVENT ? (const char *)e->data.scalar.anchor
			     : e->type == YAML_MAPPING_START_EVENT
				     ? (const char *)e->data.mapping_start.anchor
				     : (const char *)e->data.sequence_start.anchor;
	if (anchor != NULL) {
		return evl_reader_fail(b->r, line,
				       "anchor &%s: anchors are not allowed; write the value out",
				       evl_quote(anchor).s);
	}
	if (tag != NULL) {
		return evl_reader_fail(b->r, line, "tag %s: tags are not allowed; remove it",
				       evl_quote(tag).s);
	}
	struct level *top = b->depth > 0 ? &b->levels[b->depth - 1] : NULL;
	if (top && top->node->kind == EVL_NODE_MAP && top->key == NULL) {
		return add_key(b, top, e);
	}
	struct evl_node *n = evl_arena_alloc(b->r->arena, sizeof *n);
	n->line = line;
	if (e->type == YAML_SCALAR_EVENT) {
		const char *s = (const char *)e->data.scalar.value;
		enum evl_status st = check_text(b->r, line, s, e->data.scalar.length);
		if (st < 0) {
			return st;
		}
		n->kind = EVL_NODE_TEXT;
		n->text = evl_arena_copy(b->r->arena, s, e->data.scalar.length);
	} else {
		n->kind = e->type == YAML_MAPPING_START_EVENT ? EVL_NODE_MAP : EVL_NODE_LIST;
	}
	if (top == NULL) {
		b->root = n;
	} else {
		if (top->key) {
			n->key = top->key;
			n->line = top->key_line;
			top->key = NULL;
		}
		if (top->node->last) {
			top->node->last->next = n;
		} else {
			top->node->first = n;
		}
		top->node->last = n;
		top->node->count++;
	}
	if (n->kind != EVL_NODE_TEXT) {
		if (b->depth == EVL_BENCH_DEPTH_MAX) {
			return evl_reader_limit(b->r, line, "nested deeper than %u levels",
						EVL_BENCH_DEPTH_MAX);
		}
		b->levels[b->depth++] = (struct level){.node = n};
	}
	return EVL_OK;
}

static enum evl_status take_event(struct build *b, const yaml_event_t *e)
{
	switch (e->type) {
	case YAML_DOCUMENT_START_EVENT:
		if (b->root) {
			return evl_reader_fail(b->r, line_of(e),
					       "a second document begins; such a file holds one");
		}
		return EVL_OK;
	case YAML_ALIAS_EVENT:
		return evl_reader_fail(b->r, line_of(e),
				       "alias *%s: aliases are not allowed; write the value out",
				       evl_quote((const char *)e->data.alias.anchor).s);
	case YAML_SCALAR_EVENT:
	case YAML_MAPPING_START_EVENT:
	case YAML_SEQUENCE_START_EVENT:
		return add_node(b, e);
	case YAML_MAPPING_END_EVENT:
	case YAML_SEQUENCE_END_EVENT:
		b->depth--;
		return EVL_OK;
	default:
		return EVL_OK;
	}
}

static enum evl_status syntax_error(const struct evl_reader *r, const yaml_parser_t *p)
{
	if (p->error == YAML_MEMORY_ERROR) {
		return evl_err_set(r->err, EVL_E_NOMEM, "%s: out of memory", r->path);
	}
	const char *problem = p->problem ? p->problem : "cannot be read";
	const char *hint =
		strstr(problem, "cannot start any token")
			? "; tabs cannot indent, and texts that begin with @ ` or % need quotes"
			: "";
	if (p->context) {
		return evl_reader_fail(r, (uint32_t)p->problem_mark.line + 1,
				       "not valid YAML: %s, %s from line %u%s", problem, p->context,
				       (unsigned)p->context_mark.line + 1, hint);
	}
	return evl_reader_fail(r, (uint32_t)p->problem_mark.line + 1, "not valid YAML: %s%s",
			       problem, hint);
}

/* Position of the first byte that is no text, or `bytes`. */
static size_t first_binary(const char *text, size_t bytes)
{
	const unsigned char *s = (const unsigned char *)text;
	for (size_t i = 0; i < bytes;) {
		size_t n = s[i] < 0x80                    ? 1
			   : s[i] >= 0xC2 && s[i] <= 0xDF ? 2
			   : s[i] >= 0xE0 && s[i] <= 0xEF ? 3
			   : s[i] >= 0xF0 && s[i] <= 0xF4 ? 4
							  : 0;
		if (n == 0 || s[i] == 0 || i + n > bytes) {
			return i;
		}
		for (size_t k = 1; k < n; k++) {
			if ((s[i + k] & 0xC0) != 0x80) {
				return i;
			}
		}
		i += n;
	}
	return bytes;
}

enum evl_status evl_tree_parse(struct evl_node **out, const struct evl_reader *r, const char *text,
			       size_t bytes)
{
	*out = NULL;
	size_t bad = first_binary(text, bytes);
	if (bad < bytes) {
		uint32_t line = 1;
		for (size_t i = 0; i < bad; i++) {
			line += text[i] == '\n';
		}
		return evl_reader_fail(r, line,
				       "not a text file (byte 0x%02X at offset %zu is not UTF-8 "
				       "text); a bench or night file is "
				       "YAML",
				       (unsigned char)text[bad], bad);
	}
	yaml_parser_t parser;
	if (!yaml_parser_initialize(&parser)) {
		return evl_err_set(r->err, EVL_E_NOMEM, "%s: out of memory", r->path);
	}
	yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
	yaml_parser_set_input_string(&parser, (const unsigned char *)text, bytes);
	struct build b = {.r = r};
	enum evl_status st = EVL_OK;
	for (bool end = false; !end && st == EVL_OK;) {
		yaml_event_t e;
		if (!yaml_parser_parse(&parser, &e)) {
			st = syntax_error(r, &parser);
			break;
		}
		end = e.type == YAML_STREAM_END_EVENT;
		st = take_event(&b, &e);
		yaml_event_delete(&e);
	}
	yaml_parser_delete(&parser);
	if (st == EVL_OK && b.root == NULL) {
		return evl_reader_fail(r, 1, 
			"the file is empty; a bench begins with bench: NAME, a night file with "
			"night: NAME");
	}
	*out = st == EVL_OK ? b.root : NULL;
	return st;
}
