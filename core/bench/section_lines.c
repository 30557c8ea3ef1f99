/* SPDX-License-Identifier: Apache-2.0 */
/* The keys `mapping` and `line` of a role: what a line carries, and who rides on which line. */
#include <string.h>

#include "core/bench/internal.h"
#include "core/frame/sdh_map_text.h"

/* The rate of a line is known when its adapter is open; here the text must be good for one. */
static enum evl_status take_mapping(
	struct evl_bench_role *role, const struct evl_reader *r, const struct evl_node *n)
{
	struct evl_sdh_map map;
	struct evl_err err = {0};
	enum evl_status st = evl_node_text(&role->mapping, r, n, "mapping");
	role->mapping_line = n->line;
	if (st == EVL_OK && evl_sdh_map_parse(&map, 1, role->mapping, NULL) < 0 &&
		evl_sdh_map_parse(&map, 4, role->mapping, &err) < 0) {
		st = evl_reader_fail(r, n->line, "role \"%s\": %s", role->name, err.text);
	}
	return st;
}

static enum evl_status take_name(struct evl_bench_ride *ride, const struct evl_bench_role *role,
	const struct evl_reader *r, const struct evl_node *n)
{
	enum evl_status st = evl_node_text(&ride->line_channel, r, n, "line");
	ride->line = n->line;
	if (st == EVL_OK && !evl_name_good(ride->line_channel, "./", EVL_BENCH_NAME_MAX)) {
		st = evl_reader_fail(r, n->line,
			"role \"%s\": line \"%s\" is no name of a channel; write the adapter's "
			"name "
			"of the line, such as line: line-2",
			role->name, evl_quote(ride->line_channel).s);
	}
	return st;
}

static bool number_of(const struct evl_bench_role *role, uint32_t number)
{
	for (size_t i = 0; i < role->channel_count; i++) {
		if (role->channels[i].number == number) {
			return true;
		}
	}
	return false;
}

/* {1..63: line-1, 64..126: line-2} */
static enum evl_status take_ranges(struct evl_bench_ride *rides, const struct evl_bench_role *role,
	const struct evl_reader *r, const struct evl_node *n)
{
	size_t count = 0;
	for (const struct evl_node *c = n->first; c != NULL; c = c->next, count++) {
		struct evl_bench_ride *ride = &rides[count];
		const char *problem;
		if (evl_span_parse(&ride->first, &ride->last, c->key, &problem) < 0 ||
			ride->first < 1 || !number_of(role, ride->first) ||
			!number_of(role, ride->last)) {
			return evl_reader_fail(r, c->line,
				"role \"%s\": line: \"%s\" is no range of this role's numbers; "
				"write "
				"{1..63: line-1, 64..126: line-2}",
				role->name, evl_quote(c->key).s);
		}
		for (size_t i = 0; i < count; i++) {
			if (ride->first <= rides[i].last && rides[i].first <= ride->last) {
				return evl_reader_fail(r, c->line,
					"role \"%s\": line: the numbers %s are in line %u too",
					role->name, evl_quote(c->key).s, (unsigned)rides[i].line);
			}
		}
		enum evl_status st = take_name(ride, role, r, c);
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

enum evl_status evl_bench_take_lines(
	struct evl_bench_role *role, const struct evl_reader *r, const struct evl_node *n)
{
	const struct evl_node *mapping = evl_node_child(n, "mapping");
	const struct evl_node *line = evl_node_child(n, "line");
	enum evl_status st = EVL_OK;
	role->mapping = "";
	if (mapping) {
		st = take_mapping(role, r, mapping);
	}
	if (st < 0 || line == NULL) {
		return st;
	}
	if (mapping) {
		return evl_reader_fail(r, line->line,
			"role \"%s\" has mapping and line; mapping is for lines, line for what "
			"rides on one",
			role->name);
	}
	if (line->kind == EVL_NODE_LIST || (line->kind == EVL_NODE_MAP && line->count == 0)) {
		return evl_reader_fail(r, line->line,
			"role \"%s\": write line: line-2, or line: {1..63: line-1, 64..126: "
			"line-2}",
			role->name);
	}
	bool ranges = line->kind == EVL_NODE_MAP;
	struct evl_bench_ride *rides =
		evl_arena_alloc(r->arena, (ranges ? line->count : 1) * sizeof *rides);
	role->rides = rides;
	role->ride_count = ranges ? line->count : 1;
	return ranges ? take_ranges(rides, role, r, line) : take_name(rides, role, r, line);
}
