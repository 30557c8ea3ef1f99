/* SPDX-License-Identifier: Apache-2.0 */
#include "core/bench/limits_file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/bench/internal.h"

/* A child that must be there, as text of at most `cap` - 1 bytes. */
static enum evl_status take_text(char *out, size_t cap, const struct evl_reader *r,
	const struct evl_node *map, const char *key)
{
	const struct evl_node *n = evl_node_child(map, key);
	const char *text;
	if (n == NULL) {
		return evl_reader_fail(r, map->line, "%s is missing", key);
	}
	enum evl_status st = evl_node_text(&text, r, n, key);
	if (st < 0) {
		return st;
	}
	if (text[0] == '\0' || strlen(text) >= cap) {
		return evl_reader_fail(r, n->line, "%s must have 1 to %zu bytes", key, cap - 1);
	}
	memcpy(out, text, strlen(text) + 1);
	return EVL_OK;
}

/* A child that must be there, as a number above 0 and at most `most`. */
static enum evl_status take_number(double *out, const struct evl_reader *r,
	const struct evl_node *map, const char *key, double most)
{
	char text[64];
	enum evl_status st = take_text(text, sizeof text, r, map, key);
	if (st < 0) {
		return st;
	}
	char *end;
	*out = strtod(text, &end);
	/* Only digits, point and exponent: strtod also knows "nan" and hexadecimal. */
	if (text[strspn(text, "0123456789.eE+-")] != '\0' || *end != '\0' || end == text ||
		!(*out > 0 && *out <= most)) {
		return evl_reader_fail(r, evl_node_child(map, key)->line,
			"%s: \"%s\" is not a number above 0 and at most %g, such as 0.04", key,
			evl_quote(text).s, most);
	}
	return EVL_OK;
}

static enum evl_status take_event(
	enum evl_bis_event *out, const struct evl_reader *r, const struct evl_node *row)
{
	char text[16];
	enum evl_status st = take_text(text, sizeof text, r, row, "event");
	for (int e = 0; e < EVL_BIS_EVENTS && st == EVL_OK; e++) {
		if (strcmp(text, evl_bis_event_name((enum evl_bis_event)e)) == 0) {
			*out = (enum evl_bis_event)e;
			return EVL_OK;
		}
	}
	return st < 0 ? st
		      : evl_reader_fail(r, evl_node_child(row, "event")->line,
				"event: \"%s\" is not known; use es, ses or bbe",
				evl_quote(text).s);
}

static enum evl_status take_row(
	struct evl_limits_table *t, const struct evl_reader *r, const struct evl_node *n)
{
	static const char *const known[] = {"path", "event", "objective", NULL};
	struct evl_limits_row row = {.line = n->line};
	enum evl_status st =
		evl_node_want_map(r, n, "a row", "{path: E1, event: es, objective: 0.04}");
	if (st < 0 || (st = evl_node_known_keys(r, n, known)) < 0 ||
		(st = take_text(row.path, sizeof row.path, r, n, "path")) < 0 ||
		(st = take_event(&row.event, r, n)) < 0 ||
		(st = take_number(&row.objective, r, n, "objective", 1)) < 0) {
		return st;
	}
	const struct evl_limits_row *before = evl_limits_find(t, row.path, row.event);
	if (before != NULL) {
		return evl_reader_fail(r, n->line, "%s of %s comes twice, first in line %u",
			evl_bis_event_name(row.event), evl_quote(row.path).s,
			(unsigned)before->line);
	}
	if (t->row_count == EVL_LIMITS_ROWS_MAX) {
		return evl_reader_limit(r, n->line, "more than %d rows", EVL_LIMITS_ROWS_MAX);
	}
	t->rows[t->row_count++] = row;
	return EVL_OK;
}

static enum evl_status take_all(
	struct evl_limits_table *t, const struct evl_reader *r, const struct evl_node *root)
{
	static const char *const known[] = {
		"limits", "source", "ageing_factor", "width", "rows", NULL};
	enum evl_status st = evl_node_want_map(r, root, "a file of limits", "limits: m2100");
	if (st < 0 || (st = evl_node_known_keys(r, root, known)) < 0 ||
		(st = take_text(t->name, sizeof t->name, r, root, "limits")) < 0 ||
		(st = take_text(t->source, sizeof t->source, r, root, "source")) < 0 ||
		(st = take_number(&t->ageing_factor, r, root, "ageing_factor", 1)) < 0 ||
		(st = take_number(&t->width, r, root, "width", 100)) < 0) {
		return st;
	}
	const struct evl_node *rows = evl_node_child(root, "rows");
	if (rows == NULL || rows->kind != EVL_NODE_LIST || rows->count == 0) {
		return evl_reader_fail(r, rows != NULL ? rows->line : root->line,
			"rows must be a list of {path: E1, event: es, objective: "
			"0.04}");
	}
	for (const struct evl_node *n = rows->first; n != NULL && st == EVL_OK; n = n->next) {
		st = take_row(t, r, n);
	}
	return st;
}

enum evl_status evl_limits_parse(struct evl_limits_table *out, const char *path, const char *text,
	size_t bytes, struct evl_err *err)
{
	struct evl_arena arena = {0};
	struct evl_reader r = {.arena = &arena, .path = path, .err = err};
	struct evl_node *root;
	*out = (struct evl_limits_table){.row_count = 0};
	if (bytes > EVL_LIMITS_BYTES_MAX) {
		return evl_err_set(
			err, EVL_E_LIMIT, "%s: has more than %u bytes", path, EVL_LIMITS_BYTES_MAX);
	}
	enum evl_status st = evl_tree_parse(&root, &r, text, bytes);
	if (st == EVL_OK) {
		st = take_all(out, &r, root);
	}
	evl_arena_finish(&arena);
	return st;
}

enum evl_status evl_limits_load(struct evl_limits_table *out, const char *path, struct evl_err *err)
{
	char *text;
	size_t bytes;
	enum evl_status st = evl_file_read(&text, &bytes, path, EVL_LIMITS_BYTES_MAX, err);
	if (st < 0) {
		return st;
	}
	st = evl_limits_parse(out, path, text, bytes, err);
	free(text);
	return st;
}
