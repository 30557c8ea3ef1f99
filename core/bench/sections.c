/* SPDX-License-Identifier: Apache-2.0 */
/* The section `options` of a bench file. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/internal.h"

#define OPTION_PATH_MAX 256u

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
