/* SPDX-License-Identifier: Apache-2.0 */
/* The section `roles` of a bench file. */
#include <string.h>

#include "core/bench/internal.h"

#define NUMBER_MAX       99999u /* of a channel, shown to people */
#define CHANNEL_NAME_MAX 48u    /* EVL_NAME_MAX of the driver ABI */

/* A text, or each text of a list, handed to `each` in order. */
static enum evl_status for_texts(const struct evl_reader *r, const struct evl_node *n,
				 enum evl_status (*each)(void *ctx, const struct evl_reader *r,
							 const struct evl_node *n),
				 void *ctx)
{
	if (n->kind == EVL_NODE_TEXT) {
		return each(ctx, r, n);
	}
	if (n->kind != EVL_NODE_LIST || n->count == 0) {
		return evl_reader_fail(r, n->line, "%s must be one range or a list with entries",
				       n->key);
	}
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		if (c->kind != EVL_NODE_TEXT) {
			return evl_reader_fail(
				r, c->line,
				"%s: an entry of the list is no text; put names with braces or "
				"commas in quotes",
				n->key);
		}
		enum evl_status st = each(ctx, r, c);
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

struct channels {
	struct evl_bench_channel *list; /* NULL while counting */
	size_t count;
	size_t room; /* how many this bench may still have */
};

static enum evl_status add_channels(void *ctx, const struct evl_reader *r, const struct evl_node *n)
{
	struct channels *c = ctx;
	struct evl_range range;
	const char *problem;
	if (evl_range_parse(&range, n->text, &problem) < 0) {
		return evl_reader_fail(r, n->line, "channels \"%s\": %s", evl_quote(n->text).s,
				       problem);
	}
	size_t more = range.last - range.first + 1;
	if (more > c->room - c->count) {
		return evl_reader_limit(r, n->line, "more than %u channels in one bench",
					EVL_BENCH_CHANNELS_MAX);
	}
	for (uint32_t i = 0; c->list && i < more; i++) {
		char name[CHANNEL_NAME_MAX];
		if (!evl_range_name(&range, i, name, sizeof name) ||
		    !evl_name_good(name, "./", sizeof name)) {
			return evl_reader_fail(
				r, n->line,
				"channels \"%s\": no channel can have such a name; use 1 to %u "
				"letters, digits, - _ . and /",
				evl_quote(n->text).s, CHANNEL_NAME_MAX - 1);
		}
		for (size_t k = 0; k < c->count; k++) {
			if (strcmp(c->list[k].name, name) == 0) {
				return evl_reader_fail(
					r, n->line,
					"channel %s is in this role twice, first in line %u", name,
					(unsigned)c->list[k].line);
			}
		}
		c->list[c->count++] = (struct evl_bench_channel){
			.name = evl_arena_copy(r->arena, name, strlen(name)), .line = n->line};
	}
	c->count += c->list ? 0 : more;
	return EVL_OK;
}

struct numbers {
	struct evl_bench_channel *list;
	size_t count; /* numbers so far */
	size_t want;
};

static enum evl_status add_numbers(void *ctx, const struct evl_reader *r, const struct evl_node *n)
{
	struct numbers *c = ctx;
	uint32_t first, last;
	const char *problem;
	if (evl_span_parse(&first, &last, n->text, &problem) < 0) {
		return evl_reader_fail(r, n->line, "numbers \"%s\": %s", evl_quote(n->text).s,
				       problem);
	}
	if (first < 1 || last > NUMBER_MAX) {
		return evl_reader_fail(r, n->line, "numbers \"%s\": numbers are 1..%u",
				       evl_quote(n->text).s, NUMBER_MAX);
	}
	for (uint32_t v = first; v <= last; v++) {
		for (size_t k = 0; k < c->count && k < c->want; k++) {
			if (c->list[k].number == v) {
				return evl_reader_fail(r, n->line,
						       "numbers: %u comes twice in this role",
						       (unsigned)v);
			}
		}
		if (c->count < c->want) {
			c->list[c->count].number = v;
		}
		c->count++;
	}
	return EVL_OK;
}

static enum evl_status take_role_adapter(struct evl_bench_role *role, const struct evl_bench *b,
					 const struct evl_reader *r, const struct evl_node *n)
{
	const struct evl_node *a = evl_node_child(n, "adapter");
	if (a == NULL) {
		return evl_reader_fail(
			r, n->line,
			"role \"%s\" has no adapter; write adapter: and one of the names under "
			"adapters",
			n->key);
	}
	const char *name;
	enum evl_status st = evl_node_text(&name, r, a, "adapter");
	if (st < 0) {
		return st;
	}
	for (size_t i = 0; i < b->adapter_count; i++) {
		if (strcmp(b->adapters[i].name, name) == 0) {
			role->adapter = (uint32_t)i;
			return EVL_OK;
		}
	}
	const char **names = evl_arena_alloc(r->arena, b->adapter_count * sizeof *names);
	for (size_t i = 0; i < b->adapter_count; i++) {
		names[i] = b->adapters[i].name;
	}
	const char *near = evl_nearest(name, names, b->adapter_count);
	return evl_reader_fail(
		r, a->line, "role \"%s\": there is no adapter \"%s\" under adapters; %s \"%s\"%s",
		n->key, evl_quote(name).s, near ? "did you mean" : "the first one is",
		near ? near : names[0], near ? "?" : "");
}

static enum evl_status take_role_numbering(struct evl_bench_role *role, const struct evl_reader *r,
					   const struct evl_node *n)
{
	role->numbering = NULL;
	if (n->kind == EVL_NODE_TEXT && strcmp(n->text, "none") == 0) {
		return EVL_OK;
	}
	struct evl_numbering *own = evl_arena_alloc(r->arena, sizeof *own);
	enum evl_status st = evl_bench_take_numbering(own, r, n);
	if (st == EVL_OK && !role->numbered) {
		return evl_reader_fail(
			r, n->line,
			"role \"%s\" has no numbers; write numbers: and the tributary "
			"number of its channel, or leave numbering out",
			role->name);
	}
	role->numbering = own;
	return st;
}

static enum evl_status take_role(const struct evl_bench *b, size_t *total,
				 struct evl_bench_role *role, const struct evl_reader *r,
				 const struct evl_node *n)
{
	static const char *const known[] = {"adapter", "channels", "numbers", "numbering",
					    "mapping", "line",     NULL};
	enum evl_status st = evl_node_want_map(r, n, n->key, "{adapter: mux, channels: [line]}");
	if (st < 0) {
		return st;
	}
	if (!evl_name_good(n->key, "", EVL_BENCH_NAME_MAX)) {
		return evl_reader_fail(r, n->line,
				       "\"%s\" is no name for a role; use letters, digits, - and _",
				       evl_quote(n->key).s);
	}
	role->name = n->key;
	role->line = n->line;
	st = evl_node_known_keys(r, n, known);
	if (st == EVL_OK) {
		st = take_role_adapter(role, b, r, n);
	}
	if (st < 0) {
		return st;
	}
	const struct evl_node *channels = evl_node_child(n, "channels");
	if (channels == NULL) {
		return evl_reader_fail(
			r, n->line,
			"role \"%s\" has no channels; write channels: and a range or list of names",
			n->key);
	}
	struct channels c = {.room = EVL_BENCH_CHANNELS_MAX - *total};
	st = for_texts(r, channels, add_channels, &c);
	if (st < 0) {
		return st;
	}
	c.list = evl_arena_alloc(r->arena, c.count * sizeof *c.list);
	c.count = 0;
	st = for_texts(r, channels, add_channels, &c);
	if (st < 0) {
		return st;
	}
	*total += c.count;
	role->channels = c.list;
	role->channel_count = c.count;
	const struct evl_node *numbers = evl_node_child(n, "numbers");
	role->numbered = numbers != NULL || c.count > 1;
	if (numbers) {
		struct numbers nums = {.list = c.list, .want = c.count};
		st = for_texts(r, numbers, add_numbers, &nums);
		if (st == EVL_OK && nums.count != c.count) {
			st = evl_reader_fail(r, numbers->line,
					     "role \"%s\" has %zu channels but %zu numbers", n->key,
					     c.count, nums.count);
		}
	} else {
		for (size_t i = 0; i < c.count; i++) {
			c.list[i].number = (uint32_t)i + 1;
		}
	}
	role->numbering =
		role->numbered && b->numbering.kind != EVL_NUMBERING_NONE ? &b->numbering : NULL;
	const struct evl_node *numbering = evl_node_child(n, "numbering");
	if (st == EVL_OK && numbering) {
		st = take_role_numbering(role, r, numbering);
	}
	return st == EVL_OK ? evl_bench_take_lines(role, r, n) : st;
}

enum evl_status evl_bench_take_roles(struct evl_bench *b, const struct evl_reader *r,
				     const struct evl_node *n)
{
	enum evl_status st =
		evl_node_want_map(r, n, "roles", "line: {adapter: mux, channels: [line]}");
	if (st < 0) {
		return st;
	}
	struct evl_bench_role *list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	size_t total = 0;
	b->roles = list;
	b->roles_line = n->line;
	for (const struct evl_node *c = n->first; c != NULL && st == EVL_OK; c = c->next) {
		st = take_role(b, &total, &list[b->role_count++], r, c);
	}
	return st;
}
