/* SPDX-License-Identifier: Apache-2.0 */
/* The campaigns of a night file. */
#include <stdio.h>
#include <string.h>

#include "core/bench/night_internal.h"

/* A text, or a list of texts without doubles. */
static enum evl_status take_list(const char *const **out, size_t *count, const struct evl_reader *r,
	const struct evl_node *n, const char *what, size_t most)
{
	const struct evl_node *first = n->kind == EVL_NODE_TEXT ? n : n->first;
	size_t all = n->kind == EVL_NODE_TEXT ? 1 : n->count;
	if (n->kind == EVL_NODE_MAP || all == 0) {
		return evl_reader_fail(
			r, n->line, "%s must be a list of names, such as [one, two]", what);
	}
	if (all > most) {
		return evl_reader_limit(r, n->line, "%s has more than %zu names", what, most);
	}
	const char **list = evl_arena_alloc(r->arena, all * sizeof *list);
	const struct evl_node *c = first;
	for (size_t i = 0; i < all; i++, c = c->next) {
		enum evl_status st = evl_node_text(&list[i], r, c, what);
		if (st < 0) {
			return st;
		}
		for (size_t k = 0; k < i; k++) {
			if (strcmp(list[k], list[i]) == 0) {
				return evl_reader_fail(r, c->line, "%s: \"%s\" comes twice", what,
					evl_quote(list[i]).s);
			}
		}
	}
	*out = list;
	*count = all;
	return EVL_OK;
}

static const char *name_of(const struct evl_night_file *night, const char *what, size_t i)
{
	return strcmp(what, "benches") == 0  ? night->benches[i].name
	       : strcmp(what, "builds") == 0 ? night->builds[i].label
					     : night->entries[i].name;
}

/* Names -> indices in rising order; without the key: all, or none. */
static enum evl_status take_indices(const uint32_t **out, size_t *count,
	const struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *map,
	const char *key, const char *what, size_t known, bool all)
{
	const struct evl_node *n = evl_node_child(map, key);
	uint32_t *list = evl_arena_alloc(r->arena, (known + 1) * sizeof *list);
	const char *const *names = NULL;
	size_t wanted = 0;
	*out = list;
	*count = 0;
	if (n != NULL) {
		enum evl_status st = take_list(&names, &wanted, r, n, key, known);
		if (st < 0) {
			return st;
		}
	}
	for (size_t k = 0; k < wanted; k++) {
		size_t i = 0;
		while (i < known && strcmp(name_of(night, what, i), names[k]) != 0) {
			i++;
		}
		if (i == known) {
			const char **list_of =
				evl_arena_alloc(r->arena, (known + 1) * sizeof(char *));
			for (i = 0; i < known; i++) {
				list_of[i] = name_of(night, what, i);
			}
			const char *near = evl_nearest(names[k], list_of, known);
			return evl_reader_fail(r, n->line, "%s: \"%s\" is not among the %s%s%s%s",
				key, evl_quote(names[k]).s, what, near ? "; did you mean \"" : "",
				near ? near : "", near ? "\"?" : "");
		}
	}
	for (size_t i = 0; i < known; i++) {
		bool in = n == NULL && all;
		for (size_t k = 0; k < wanted && !in; k++) {
			in = strcmp(name_of(night, what, i), names[k]) == 0;
		}
		if (in) {
			list[(*count)++] = (uint32_t)i;
		}
	}
	return EVL_OK;
}

/* NAME of ".../NAME.lua" */
static const char *stem_of(const struct evl_reader *r, const char *path)
{
	const char *slash = strrchr(path, '/');
	const char *base = slash != NULL ? slash + 1 : path;
	const char *dot = strrchr(base, '.');
	return evl_arena_copy(
		r->arena, base, dot != NULL && dot > base ? (size_t)(dot - base) : strlen(base));
}

static enum evl_status take_entry(struct evl_night_file *night, struct evl_night_entry *e,
	const struct evl_reader *r, const struct evl_node *n, uint32_t retries)
{
	static const char *const known[] = {"name", "campaign", "benches", "builds", "cases",
		"priority", "repeat", "retry", "after", NULL};
	enum evl_status st = evl_node_want_map(r, n, "a campaign", "{campaign: acceptance.lua}");
	if (st < 0 || (st = evl_node_known_keys(r, n, known)) < 0) {
		return st;
	}
	const struct evl_node *c = evl_node_child(n, "campaign");
	if (c == NULL) {
		return evl_reader_fail(
			r, n->line, "\"campaign\" with the path of a file is missing");
	}
	uint64_t priority = 5, repeats = 1;
	*e = (struct evl_night_entry){.line = n->line, .retries = retries};
	if ((st = evl_night_take_path(&e->campaign, r, c, "campaign")) < 0) {
		return st;
	}
	e->name = stem_of(r, e->campaign);
	if ((c = evl_node_child(n, "name")) != NULL) {
		if ((st = evl_night_take_name(&e->name, r, c, "name")) < 0) {
			return st;
		}
	} else if (!evl_name_good(e->name, "", EVL_NIGHT_NAME_MAX)) {
		return evl_reader_fail(r, n->line,
			"the campaign \"%s\" needs a name: NAME of 1 to %u letters, digits, - and "
			"_",
			evl_quote(e->name).s, EVL_NIGHT_NAME_MAX - 1);
	}
	if (((c = evl_node_child(n, "priority")) != NULL &&
		    (st = evl_night_take_number(&priority, r, c, "priority", 0, 9)) < 0) ||
		((c = evl_node_child(n, "repeat")) != NULL &&
			(st = evl_night_take_number(
				 &repeats, r, c, "repeat", 1, EVL_NIGHT_REPEATS_MAX)) < 0) ||
		((c = evl_node_child(n, "retry")) != NULL &&
			(st = evl_night_take_retry(&e->retries, r, c)) < 0) ||
		((c = evl_node_child(n, "cases")) != NULL &&
			(st = take_list(&e->cases, &e->case_count, r, c, "cases",
				 EVL_NIGHT_CASES_MAX)) < 0) ||
		(st = take_indices(&e->benches, &e->bench_count, night, r, n, "benches", "benches",
			 night->bench_count, true)) < 0 ||
		(st = take_indices(&e->builds, &e->build_count, night, r, n, "builds", "builds",
			 night->build_count, true)) < 0) {
		return st;
	}
	e->priority = (uint32_t)priority;
	e->repeats = (uint32_t)repeats;
	return EVL_OK;
}

/* Does a walk along `after` come back to where it began? colour: 0 new, 1 on the way, 2 done. */
static bool circle(const struct evl_night_entry *list, uint32_t i, unsigned char *colour)
{
	colour[i] = 1;
	for (size_t k = 0; k < list[i].after_count; k++) {
		uint32_t to = list[i].after[k];
		if (colour[to] == 1 || (colour[to] == 0 && circle(list, to, colour))) {
			return true;
		}
	}
	colour[i] = 2;
	return false;
}

enum evl_status evl_night_take_entries(struct evl_night_file *night, const struct evl_reader *r,
	const struct evl_node *n, uint32_t retries)
{
	if (n->kind != EVL_NODE_LIST || n->count == 0) {
		return evl_reader_fail(r, n->line,
			"campaigns must be a list of mappings, such as - campaign: acceptance.lua");
	}
	if (n->count > EVL_NIGHT_ENTRIES_MAX) {
		return evl_reader_limit(
			r, n->line, "more than %u campaigns", EVL_NIGHT_ENTRIES_MAX);
	}
	struct evl_night_entry *list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	night->entries = list;
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		struct evl_night_entry *e = &list[night->entry_count];
		enum evl_status st = take_entry(night, e, r, c, retries);
		if (st < 0) {
			return st;
		}
		for (size_t i = 0; i < night->entry_count; i++) {
			if (strcmp(list[i].name, e->name) == 0) {
				return evl_reader_fail(r, c->line,
					"a second campaign with the name \"%s\", first in line %u; "
					"give one another name: NAME",
					e->name, (unsigned)list[i].line);
			}
		}
		night->entry_count++;
	}
	const struct evl_node *c = n->first;
	for (size_t i = 0; i < night->entry_count; i++, c = c->next) {
		enum evl_status st = take_indices(&list[i].after, &list[i].after_count, night, r, c,
			"after", "campaigns", night->entry_count, false);
		if (st < 0) {
			return st;
		}
	}
	for (uint32_t i = 0; i < night->entry_count; i++) {
		unsigned char colour[EVL_NIGHT_ENTRIES_MAX] = {0};
		if (circle(list, i, colour)) {
			return evl_reader_fail(r, list[i].line,
				"after: \"%s\" would have to wait for itself; take one \"after\" "
				"out "
				"of the circle",
				list[i].name);
		}
	}
	return EVL_OK;
}
