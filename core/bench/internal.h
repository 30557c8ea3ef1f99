/* SPDX-License-Identifier: Apache-2.0 */
/* Shared within the room: memory of a parsed bench, the YAML tree, ranges, suggestions. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/base/text.h"
#include "core/bench/bench.h"
#include "core/bench/bind.h"

/* All memory of one phase, freed at once. Ends the process when out of memory, so callers bound
 * what they ask for. */
struct evl_arena {
	struct evl_arena_chunk *chunks;
};

void *evl_arena_alloc(struct evl_arena *arena, size_t bytes); /* zeroed, aligned for anything */
char *evl_arena_copy(struct evl_arena *arena, const char *text, size_t bytes); /* adds a NUL */
void evl_arena_finish(struct evl_arena *arena); /* takes a zeroed object */

/* One YAML document without anchors, aliases and tags. Keys are text and unique in their mapping,
 * text is UTF-8 without control characters but line feed and tab. */
enum evl_node_kind {
	EVL_NODE_TEXT,
	EVL_NODE_LIST,
	EVL_NODE_MAP,
};

struct evl_node {
	enum evl_node_kind kind;
	uint32_t line;          /* from 1; of the key where there is one */
	const char *key;        /* in a mapping, else NULL */
	const char *text;       /* of EVL_NODE_TEXT, else NULL */
	struct evl_node *first; /* children in file order */
	struct evl_node *last;
	struct evl_node *next;
	size_t count; /* of children */
};

/* What messages need: where we are. */
struct evl_reader {
	struct evl_arena *arena;
	const char *path;
	struct evl_err *err;
};

/* Words "FILE:LINE: ..."; the first returns EVL_E_INVALID, the second EVL_E_LIMIT. */
enum evl_status evl_reader_fail(const struct evl_reader *r, uint32_t line, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));
enum evl_status evl_reader_limit(const struct evl_reader *r, uint32_t line, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));

/* Parses; *out lives in the arena. */
enum evl_status evl_tree_parse(struct evl_node **out, const struct evl_reader *r, const char *text,
			       size_t bytes);

/* The child of a mapping, or NULL. */
struct evl_node *evl_node_child(const struct evl_node *map, const char *key);

/* A copy for messages: clipped at a character, line feeds as spaces. Use within one expression:
 * evl_quote(text).s */
struct evl_quoted {
	char s[72];
};
struct evl_quoted evl_quote(const char *text);

/* Fails unless `n` is a mapping with entries; `example` shows one. */
enum evl_status evl_node_want_map(const struct evl_reader *r, const struct evl_node *n,
				  const char *what, const char *example);

/* The text of a node; fails when it is a list or mapping, or longer than 4096 bytes. */
enum evl_status evl_node_text(const char **out, const struct evl_reader *r,
			      const struct evl_node *n, const char *what);

/* Refuses keys of `map` that are not in the NULL-terminated list `known`. */
enum evl_status evl_node_known_keys(const struct evl_reader *r, const struct evl_node *map,
				    const char *const *known);

/* The entry of `names` that is nearest to `name`, when it is a likely slip of the keyboard (at most
 * two changed, added, lost or swapped characters, fewer in short words); else NULL. */
const char *evl_nearest(const char *name, const char *const *names, size_t count);

/* Letters, digits, '-' and '_', and the characters of `also`; 1 .. max_bytes - 1 bytes. */
bool evl_name_good(const char *name, const char *also, size_t max_bytes);

/* A name with at most one range in braces, "trib-{01..63}". A name without is a range of one. */
struct evl_range {
	const char *prefix;
	size_t prefix_bytes;
	const char *suffix;
	uint32_t first, last;
	int width;  /* digits with leading zeros; 0 as is */
	bool plain; /* no braces */
};

/* Reads a pattern; on failure *problem is a text without end stop. The range points into text. */
enum evl_status evl_range_parse(struct evl_range *out, const char *text, const char **problem);
/* The i-th name, i <= last - first. Writes at most `bytes` with the NUL, returns false when the
 * name is longer. */
bool evl_range_name(const struct evl_range *range, uint32_t i, char *out, size_t bytes);
/* Reads "7" or "1..63". */
enum evl_status evl_span_parse(uint32_t *first, uint32_t *last, const char *text,
			       const char **problem);

/* Sections of the file: each fills its part of the bench. */
enum evl_status evl_bench_take_numbering(struct evl_numbering *map, const struct evl_reader *r,
					 const struct evl_node *n); /* n may be NULL */
enum evl_status evl_bench_take_options(struct evl_bench_adapter *adapter,
				       const struct evl_reader *r, const struct evl_node *n);
/* The keys `mapping` and `line` of a role whose channels and numbers are known. */
enum evl_status evl_bench_take_lines(
	struct evl_bench_role *role, const struct evl_reader *r, const struct evl_node *n);

/* ride.c: the map of a line by the bench; false and the problem worded when it is wrong. `ports`:
 * all of the bench's. */
bool evl_ride_map(struct evl_sdh_map *out, const struct evl_bench *bench,
		  const struct evl_bench_role *role, const struct evl_bound_port *line,
		  const struct evl_bound_port *ports, size_t port_count, struct evl_err *err);
/* The line of a channel; UINT32_MAX when it is not known. False and the problem worded when the
 * bench names one that is not there, or the line carries no such channel there. */
bool evl_ride_line(uint32_t *line_channel, const struct evl_bench *bench,
		   const struct evl_bench_role *role, const struct evl_bench_channel *channel,
		   enum evl_rate rate, const struct evl_bound_port *ports, size_t port_count,
		   struct evl_err *err);

/* Needs the adapters and the numbering of the bench. */
enum evl_status evl_bench_take_roles(struct evl_bench *bench, const struct evl_reader *r,
				     const struct evl_node *n);
