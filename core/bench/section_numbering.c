/* SPDX-License-Identifier: Apache-2.0 */
/* The section `numbering` of a bench file, and of a role in it. */
#include <string.h>

#include "core/bench/internal.h"

/* The place of the text in a NULL-terminated list of words, or the problem worded. */
static enum evl_status take_word(uint32_t *out, const struct evl_reader *r,
	const struct evl_node *map, const char *key, const char *const words[])
{
	const struct evl_node *n = evl_node_child(map, key);
	const char *text;
	*out = 0;
	if (n == NULL) {
		return EVL_OK;
	}
	enum evl_status st = evl_node_text(&text, r, n, key);
	if (st < 0) {
		return st;
	}
	for (uint32_t i = 0; words[i] != NULL; i++) {
		if (strcmp(words[i], text) == 0) {
			*out = i;
			return EVL_OK;
		}
	}
	return evl_reader_fail(r, n->line, "numbering: %s \"%s\" is not known; write %s or %s", key,
		evl_quote(text).s, words[0], words[1]);
}

static enum evl_status take_entry(struct evl_numbering *map, uint32_t *lines, uint32_t count,
	const struct evl_reader *r, const struct evl_node *c)
{
	const char *text = c->kind == EVL_NODE_TEXT ? c->text : "", *problem;
	struct evl_numbering_place place;
	uint32_t first, last;
	if (evl_span_parse(&first, &last, c->key, &problem) < 0 || first != last || first < 1 ||
		first > count) {
		return evl_reader_fail(r, c->line,
			"table: \"%s\" is no tributary number 1..%u (%s of an %s)",
			evl_quote(c->key).s, (unsigned)count, evl_numbering_unit_name(map->unit),
			evl_numbering_line_name(map));
	}
	if (lines[first - 1] != 0) {
		return evl_reader_fail(r, c->line, "table: number %u comes twice, first in line %u",
			(unsigned)first, (unsigned)lines[first - 1]);
	}
	if (!evl_numbering_parse(&place, map, map->unit, text)) {
		bool wide = map->augs > 1;
		return evl_reader_fail(r, c->line,
			"table: \"%s\" of number %u is no place %sK-L-M; %s%s is 1..3, L 1..7, M "
			"1..%u",
			evl_quote(text).s, (unsigned)first, wide ? "A-" : "",
			wide ? "A (AUG-1) is 1..4, " : "",
			map->route == EVL_NUMBERING_AU3 ? "K (AU-3)" : "K",
			map->unit == EVL_NUMBERING_TU12 ? 3u : 4u);
	}
	for (uint32_t i = 0; i < count; i++) {
		if (lines[i] && memcmp(&map->places[i], &place, sizeof place) == 0) {
			return evl_reader_fail(r, c->line,
				"table: place %s of number %u has number %u already (line %u); "
				"each place comes once",
				text, (unsigned)first, (unsigned)i + 1, (unsigned)lines[i]);
		}
	}
	map->places[first - 1] = place;
	lines[first - 1] = c->line;
	return EVL_OK;
}

static enum evl_status take_table(
	struct evl_numbering *map, const struct evl_reader *r, const struct evl_node *n)
{
	uint32_t lines[EVL_NUMBERING_MAX] = {0};
	enum evl_status st = evl_node_want_map(r, n, "table", "{1: 1-1-1, 2: 1-1-2, ...}");
	if (st < 0) {
		return st;
	}
	map->kind = EVL_NUMBERING_TABLE;
	if (map->unit == EVL_NUMBERING_BY_RATE) {
		map->unit = n->count == evl_numbering_count(map, EVL_NUMBERING_TU11)
				    ? EVL_NUMBERING_TU11
				    : EVL_NUMBERING_TU12;
	}
	uint32_t count = evl_numbering_count(map, map->unit);
	for (const struct evl_node *c = n->first; c != NULL && st == EVL_OK; c = c->next) {
		st = take_entry(map, lines, count, r, c);
	}
	for (uint32_t i = 0; i < count && st == EVL_OK; i++) {
		if (lines[i] == 0) {
			return evl_reader_fail(r, n->line,
				"table: number %u is missing; all of 1..%u must be there",
				(unsigned)i + 1, (unsigned)count);
		}
	}
	return st;
}

static bool take_order(struct evl_numbering *map, const char *text)
{
	for (enum evl_numbering_kind k = EVL_NUMBERING_COLUMN; k <= EVL_NUMBERING_KLM; k++) {
		if (strcmp(text, evl_numbering_name(k)) == 0) {
			map->kind = k;
			return true;
		}
	}
	return false;
}

static enum evl_status take_map(
	struct evl_numbering *map, const struct evl_reader *r, const struct evl_node *n)
{
	static const char *const known[] = {"order", "table", "unit", "route", "line", NULL};
	static const char *const units[] = {"TU-12", "TU-11", NULL};
	static const char *const routes[] = {"AU-4", "AU-3", NULL};
	static const char *const lines[] = {"STM-1", "STM-4", NULL};
	const struct evl_node *order, *table;
	uint32_t unit, route, line;
	const char *text;
	enum evl_status st = evl_node_known_keys(r, n, known);
	if (st == EVL_OK) {
		st = take_word(&unit, r, n, "unit", units);
	}
	if (st == EVL_OK) {
		st = take_word(&route, r, n, "route", routes);
	}
	if (st == EVL_OK) {
		st = take_word(&line, r, n, "line", lines);
	}
	if (st < 0) {
		return st;
	}
	if (evl_node_child(n, "unit")) {
		map->unit = unit == 0 ? EVL_NUMBERING_TU12 : EVL_NUMBERING_TU11;
	}
	map->route = route == 0 ? EVL_NUMBERING_AU4 : EVL_NUMBERING_AU3;
	map->augs = line == 0 ? 1 : 4;
	order = evl_node_child(n, "order");
	table = evl_node_child(n, "table");
	if ((order == NULL) == (table == NULL)) {
		return evl_reader_fail(r, order ? table->line : n->line, "numbering: write %s",
			order ? "either order: or table:, not both"
			      : "order: column-order, order: klm-order or table: {1: 1-1-1, ...}");
	}
	if (table) {
		return take_table(map, r, table);
	}
	st = evl_node_text(&text, r, order, "order");
	if (st == EVL_OK && !take_order(map, text)) {
		st = evl_reader_fail(r, order->line,
			"numbering: order \"%s\" is not known; write column-order or klm-order",
			evl_quote(text).s);
	}
	return st;
}

enum evl_status evl_bench_take_numbering(
	struct evl_numbering *map, const struct evl_reader *r, const struct evl_node *n)
{
	evl_numbering_init(map, EVL_NUMBERING_NONE);
	if (n->kind == EVL_NODE_TEXT && take_order(map, n->text)) {
		return EVL_OK;
	}
	if (n->kind == EVL_NODE_MAP && n->count > 0) {
		return take_map(map, r, n);
	}
	return evl_reader_fail(r, n->line,
		"numbering%s%s%s is not known; write column-order, klm-order or a mapping such as "
		"{order: klm-order, unit: TU-11} or {table: {1: 1-1-1, ...}}",
		n->kind == EVL_NODE_TEXT ? " \"" : "",
		n->kind == EVL_NODE_TEXT ? evl_quote(n->text).s : "",
		n->kind == EVL_NODE_TEXT ? "\"" : "");
}
