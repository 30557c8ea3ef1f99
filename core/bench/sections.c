/* SPDX-License-Identifier: Apache-2.0 */
/* The sections `numbering` and `options` of a bench file. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/internal.h"

#define OPTION_PATH_MAX 256u

static enum evl_status take_table(struct evl_numbering *map, const struct evl_reader *r,
				  const struct evl_node *n)
{
	struct evl_klm table[EVL_NUMBERING_COUNT] = {{0}};
	uint32_t lines[EVL_NUMBERING_COUNT] = {0};
	enum evl_status st = evl_node_want_map(r, n, "table", "{1: 1-1-1, 2: 1-1-2, ...}");
	if (st < 0) {
		return st;
	}
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		uint32_t first, last;
		const char *problem;
		if (evl_span_parse(&first, &last, c->key, &problem) < 0 || first != last ||
		    first < 1 || first > EVL_NUMBERING_COUNT) {
			return evl_reader_fail(r, c->line,
					       "table: \"%s\" is no tributary number 1..%u",
					       evl_quote(c->key).s, EVL_NUMBERING_COUNT);
		}
		if (lines[first - 1] != 0) {
			return evl_reader_fail(r, c->line,
					       "table: number %u comes twice, first in line %u",
					       (unsigned)first, (unsigned)lines[first - 1]);
		}
		const char *text = c->kind == EVL_NODE_TEXT ? c->text : "";
		struct evl_klm place;
		if (evl_klm_parse(&place, text) < 0) {
			return evl_reader_fail(
				r, c->line,
				"table: \"%s\" of number %u is no place K-L-M; K is 1..3, L 1..7, "
				"M 1..3",
				evl_quote(text).s, (unsigned)first);
		}
		for (uint32_t i = 0; i < EVL_NUMBERING_COUNT; i++) {
			if (lines[i] && table[i].k == place.k && table[i].l == place.l &&
			    table[i].m == place.m) {
				return evl_reader_fail(
					r, c->line,
					"table: place %s of number %u has number %u already (line "
					"%u); each place comes once",
					text, (unsigned)first, (unsigned)i + 1, (unsigned)lines[i]);
			}
		}
		table[first - 1] = place;
		lines[first - 1] = c->line;
	}
	for (uint32_t i = 0; i < EVL_NUMBERING_COUNT; i++) {
		if (lines[i] == 0) {
			return evl_reader_fail(
				r, n->line,
				"table: number %u is missing; all of 1..%u must be there",
				(unsigned)i + 1, EVL_NUMBERING_COUNT);
		}
	}
	return evl_numbering_init_table(map, table, r->err);
}

enum evl_status evl_bench_take_numbering(struct evl_numbering *map, const struct evl_reader *r,
					 const struct evl_node *n)
{
	static const char *const known[] = {"table", NULL};
	evl_numbering_init(map, EVL_NUMBERING_NONE);
	if (n == NULL) {
		return EVL_OK;
	}
	if (n->kind == EVL_NODE_TEXT) {
		for (enum evl_numbering_kind k = EVL_NUMBERING_COLUMN; k <= EVL_NUMBERING_KLM;
		     k++) {
			if (strcmp(n->text, evl_numbering_name(k)) == 0) {
				evl_numbering_init(map, k);
				return EVL_OK;
			}
		}
	} else if (n->kind == EVL_NODE_MAP && n->count > 0) {
		enum evl_status st = evl_node_known_keys(r, n, known);
		return st < 0 ? st : take_table(map, r, n->first);
	}
	return evl_reader_fail(
		r, n->line,
		"numbering%s%s%s is not known; write column-order, klm-order or a mapping table: "
		"{1: 1-1-1, ...}",
		n->kind == EVL_NODE_TEXT ? " \"" : "",
		n->kind == EVL_NODE_TEXT ? evl_quote(n->text).s : "",
		n->kind == EVL_NODE_TEXT ? "\"" : "");
}

/* One step of a path must be readable back: no brackets, blanks or control characters. */
static bool step_good(const char *key)
{
	for (const char *s = key; *s; s++) {
		if (*s == '[' || *s == ']' || *s == ' ' || *s == '\n' || *s == '\t') {
			return false;
		}
	}
	return true;
}

struct flat {
	const struct evl_reader *r;
	struct evl_bench_option *options;
	size_t count, cap;
};

/* Adds all leaves below `n`; the depth is that of the tree, at most EVL_BENCH_DEPTH_MAX. */
static enum evl_status flatten(struct flat *f, const struct evl_node *n, char *path, size_t len)
{
	if (n->kind == EVL_NODE_TEXT) {
		evl_require(f->count < f->cap);
		f->options[f->count++] = (struct evl_bench_option){
			.path = evl_arena_copy(f->r->arena, path, len),
			.value = n->text,
			.line = n->line,
		};
		return EVL_OK;
	}
	size_t index = 0;
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		int more;
		if (n->kind == EVL_NODE_MAP) {
			if (!step_good(c->key)) {
				return evl_reader_fail(f->r, c->line,
						       "option \"%s\": brackets and blanks are not "
						       "possible in the "
						       "name of an option",
						       evl_quote(c->key).s);
			}
			more = snprintf(path + len, OPTION_PATH_MAX - len, "%s%s", len ? "." : "",
					c->key);
		} else {
			more = snprintf(path + len, OPTION_PATH_MAX - len, "[%zu]", index++);
		}
		if (more < 0 || len + (size_t)more >= OPTION_PATH_MAX) {
			return evl_reader_fail(f->r, c->line,
					       "the path of this option is longer than %u bytes",
					       OPTION_PATH_MAX - 1);
		}
		enum evl_status st = flatten(f, c, path, len + (size_t)more);
		if (st < 0) {
			return st;
		}
		path[len] = '\0';
	}
	return EVL_OK;
}

static size_t leaves(const struct evl_node *n)
{
	size_t sum = n->kind == EVL_NODE_TEXT;
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		sum += leaves(c);
	}
	return sum;
}

static int by_path(const void *a, const void *b)
{
	const struct evl_bench_option *const *x = a, *const *y = b;
	return strcmp((*x)->path, (*y)->path);
}

/* A key with a dot can spell the path of another option: {a.b: 1, a: {b: 2}}. */
static enum evl_status check_twice(const struct flat *f)
{
	const struct evl_bench_option **sorted =
		evl_arena_alloc(f->r->arena, f->count * sizeof *sorted);
	for (size_t i = 0; i < f->count; i++) {
		sorted[i] = &f->options[i];
	}
	qsort(sorted, f->count, sizeof *sorted, by_path);
	for (size_t i = 1; i < f->count; i++) {
		const struct evl_bench_option *a = sorted[i - 1], *b = sorted[i];
		if (strcmp(a->path, b->path) == 0) {
			bool swap = a->line > b->line;
			return evl_reader_fail(f->r, swap ? a->line : b->line,
					       "option %s comes twice, first in line %u",
					       evl_quote(a->path).s,
					       (unsigned)(swap ? b->line : a->line));
		}
	}
	return EVL_OK;
}

enum evl_status evl_bench_take_options(struct evl_bench_adapter *a, const struct evl_reader *r,
				       const struct evl_node *options)
{
	if (options->kind == EVL_NODE_TEXT && options->text[0] == '\0') {
		return EVL_OK; /* "options:" with nothing behind it */
	}
	if (options->kind != EVL_NODE_MAP) {
		return evl_reader_fail(r, options->line,
				       "options must be a mapping, such as {delay_frames: 2}");
	}
	struct flat f = {.r = r, .cap = leaves(options)};
	f.options = evl_arena_alloc(r->arena, f.cap * sizeof *f.options);
	char path[OPTION_PATH_MAX] = "";
	enum evl_status st = flatten(&f, options, path, 0);
	if (st == EVL_OK) {
		st = check_twice(&f);
	}
	a->options = f.options;
	a->option_count = f.count;
	return st;
}
