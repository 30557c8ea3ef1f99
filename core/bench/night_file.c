/* SPDX-License-Identifier: Apache-2.0 */
/* The night file, top level; night_entry.c reads one campaign of it. */
#include "core/bench/night_file.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/bench/internal.h"
#include "core/bench/night_internal.h"

enum evl_status evl_night_take_name(
	const char **out, const struct evl_reader *r, const struct evl_node *n, const char *what)
{
	enum evl_status st = evl_node_text(out, r, n, what);
	if (st < 0) {
		return st;
	}
	if (!evl_name_good(*out, "", EVL_NIGHT_NAME_MAX)) {
		return evl_reader_fail(r, n->line,
			"%s \"%s\" is no name; use 1 to %u letters, digits, - and _", what,
			evl_quote(*out).s, EVL_NIGHT_NAME_MAX - 1);
	}
	return EVL_OK;
}

enum evl_status evl_night_take_number(uint64_t *out, const struct evl_reader *r,
	const struct evl_node *n, const char *what, uint64_t least, uint64_t most)
{
	const char *text;
	enum evl_status st = evl_node_text(&text, r, n, what);
	if (st < 0) {
		return st;
	}
	uint64_t v = 0;
	bool good = text[0] != '\0';
	for (const char *p = text; *p != '\0' && good; p++) {
		uint64_t digit = (uint64_t)(*p - '0');
		good = *p >= '0' && *p <= '9' && v <= (UINT64_MAX - digit) / 10;
		v = good ? v * 10 + digit : v;
	}
	if (!good || v < least || v > most) {
		return evl_reader_fail(r, n->line,
			"%s: \"%s\" is no whole number from %llu to %llu", what, evl_quote(text).s,
			(unsigned long long)least, (unsigned long long)most);
	}
	*out = v;
	return EVL_OK;
}

enum evl_status evl_night_take_path(
	const char **out, const struct evl_reader *r, const struct evl_node *n, const char *what)
{
	const char *text;
	enum evl_status st = evl_node_text(&text, r, n, what);
	if (st < 0) {
		return st;
	}
	if (text[0] == '\0' || strchr(text, '\n') != NULL) {
		return evl_reader_fail(r, n->line, "%s must be the path of a file", what);
	}
	const char *slash = strrchr(r->path, '/');
	size_t folder = slash != NULL && text[0] != '/' ? (size_t)(slash - r->path) + 1 : 0;
	char *path = evl_arena_alloc(r->arena, folder + strlen(text) + 1);
	memcpy(path, r->path, folder);
	memcpy(path + folder, text, strlen(text) + 1);
	*out = path;
	return EVL_OK;
}

enum evl_status evl_night_take_retry(
	uint32_t *out, const struct evl_reader *r, const struct evl_node *n)
{
	static const char *const known[] = {"error", NULL};
	uint64_t v = 0;
	enum evl_status st = evl_node_want_map(r, n, "retry", "retry: {error: 1}");
	if (st == EVL_OK && evl_node_child(n, "fail") != NULL) {
		return evl_reader_fail(r, evl_node_child(n, "fail")->line,
			"retry: a fail is a result and is never tried again; repeat: N runs a "
			"campaign several times and keeps each");
	}
	if (st < 0 || (st = evl_node_known_keys(r, n, known)) < 0 ||
		(st = evl_night_take_number(
			 &v, r, n->first, "retry.error", 0, EVL_NIGHT_RETRIES_MAX)) < 0) {
		return st;
	}
	*out = (uint32_t)v;
	return EVL_OK;
}

static bool two_digits(uint32_t *out, const char *p)
{
	if (p[0] < '0' || p[0] > '9' || p[1] < '0' || p[1] > '9') {
		return false;
	}
	*out = (uint32_t)(p[0] - '0') * 10 + (uint32_t)(p[1] - '0');
	return true;
}

/* "22:00 to 06:00" */
static bool read_window(struct evl_night_file *night, const char *text)
{
	uint32_t h[2], m[2];
	if (strlen(text) != 14 || strncmp(text + 5, " to ", 4) != 0) {
		return false;
	}
	for (int i = 0; i < 2; i++) {
		const char *p = text + 9 * i;
		if (!two_digits(&h[i], p) || p[2] != ':' || !two_digits(&m[i], p + 3) ||
			h[i] > 23 || m[i] > 59) {
			return false;
		}
	}
	night->from_minute = h[0] * 60 + m[0];
	night->to_minute = h[1] * 60 + m[1];
	return night->from_minute != night->to_minute;
}

static enum evl_status take_window(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *root)
{
	const struct evl_node *window = evl_node_child(root, "window");
	const struct evl_node *zone = evl_node_child(root, "zone");
	const char *text;
	enum evl_status st;
	if (zone != NULL) {
		if ((st = evl_node_text(&night->zone, r, zone, "zone")) < 0) {
			return st;
		}
		night->zone_line = zone->line;
		if (!evl_name_good(night->zone, "/+", EVL_NIGHT_NAME_MAX) ||
			night->zone[0] == '/') {
			return evl_reader_fail(r, zone->line,
				"zone \"%s\" is no name of the time zone database, such as "
				"Europe/London",
				evl_quote(night->zone).s);
		}
	}
	if (window == NULL) {
		return zone == NULL ? EVL_OK
				    : evl_reader_fail(r, zone->line,
					      "zone has no use without window: \"22:00 to 06:00\"");
	}
	if ((st = evl_node_text(&text, r, window, "window")) < 0) {
		return st;
	}
	if (zone == NULL) {
		return evl_reader_fail(
			r, window->line, "the window needs a zone, such as zone: Europe/London");
	}
	night->has_window = read_window(night, text);
	return night->has_window ? EVL_OK
				 : evl_reader_fail(r, window->line,
					   "window: \"%s\" is not of the form \"22:00 to 06:00\" "
					   "with two different times",
					   evl_quote(text).s);
}

static enum evl_status take_benches(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *n)
{
	enum evl_status st = evl_node_want_map(r, n, "benches", "benches: {bench-1: bench.yaml}");
	if (st < 0) {
		return st;
	}
	if (n->count > EVL_NIGHT_BENCHES_MAX) {
		return evl_reader_limit(r, n->line, "more than %u benches", EVL_NIGHT_BENCHES_MAX);
	}
	struct evl_night_bench *list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		struct evl_night_bench *b = &list[night->bench_count++];
		b->name = c->key;
		b->line = c->line;
		if (!evl_name_good(c->key, "", EVL_NIGHT_NAME_MAX)) {
			return evl_reader_fail(r, c->line,
				"bench \"%s\" is no name; use 1 to %u letters, digits, - and _",
				evl_quote(c->key).s, EVL_NIGHT_NAME_MAX - 1);
		}
		if ((st = evl_night_take_path(&b->path, r, c, "the bench file")) < 0) {
			return st;
		}
	}
	night->benches = list;
	return EVL_OK;
}

static enum evl_status take_builds(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *n)
{
	if (n->kind != EVL_NODE_LIST || n->count == 0) {
		return evl_reader_fail(r, n->line, "builds must be a list, such as [A, B]");
	}
	if (n->count > EVL_NIGHT_BUILDS_MAX) {
		return evl_reader_limit(r, n->line, "more than %u builds", EVL_NIGHT_BUILDS_MAX);
	}
	struct evl_night_build *list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	for (const struct evl_node *c = n->first; c != NULL; c = c->next) {
		struct evl_night_build *b = &list[night->build_count];
		b->line = c->line;
		enum evl_status st = evl_node_text(&b->label, r, c, "the label of a build");
		if (st < 0) {
			return st;
		}
		if (b->label[0] == '\0' || strlen(b->label) > EVL_NIGHT_BUILD_MAX ||
			strchr(b->label, '\n') != NULL) {
			return evl_reader_fail(r, c->line,
				"the label of a build must be one line of 1 to %u bytes",
				EVL_NIGHT_BUILD_MAX);
		}
		for (size_t i = 0; i < night->build_count; i++) {
			if (strcmp(list[i].label, b->label) == 0) {
				return evl_reader_fail(r, c->line, "build \"%s\" comes twice",
					evl_quote(b->label).s);
			}
		}
		night->build_count++;
	}
	night->builds = list;
	return EVL_OK;
}

static enum evl_status take_stop(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *n)
{
	static const char *const known[] = {"failed_runs", "error_runs", NULL};
	uint32_t *const to[] = {&night->stop_failed_runs, &night->stop_error_runs};
	enum evl_status st =
		evl_node_want_map(r, n, "stop", "stop: {failed_runs: 10, error_runs: 3}");
	if (st == EVL_OK) {
		st = evl_node_known_keys(r, n, known);
	}
	for (int i = 0; st == EVL_OK && known[i] != NULL; i++) {
		const struct evl_node *c = evl_node_child(n, known[i]);
		uint64_t v = 0;
		if (c != NULL &&
			(st = evl_night_take_number(&v, r, c, known[i], 1, 1000000)) == EVL_OK) {
			*to[i] = (uint32_t)v;
		}
	}
	return st;
}

static enum evl_status take_order(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *n)
{
	const char *text;
	enum evl_status st = evl_node_text(&text, r, n, "order");
	if (st < 0) {
		return st;
	}
	if (strcmp(text, "as-written") == 0) {
		night->order = EVL_NIGHT_AS_WRITTEN;
	} else if (strcmp(text, "by-need") != 0) {
		return evl_reader_fail(r, n->line,
			"order: \"%s\" is not known; use by-need or as-written", evl_quote(text).s);
	}
	return EVL_OK;
}

static enum evl_status take_all(
	struct evl_night_file *night, const struct evl_reader *r, const struct evl_node *root)
{
	static const char *const known[] = {"night", "title", "store", "zone", "window", "seed",
		"order", "retry", "stop", "benches", "builds", "campaigns", NULL};
	static const char *const needed[] = {
		"night", "store", "benches", "builds", "campaigns", NULL};
	if (root->kind != EVL_NODE_MAP) {
		return evl_reader_fail(r, root->line,
			"not a night file: it must be a mapping that begins with night: NAME");
	}
	enum evl_status st = evl_node_known_keys(r, root, known);
	for (size_t i = 0; st == EVL_OK && needed[i] != NULL; i++) {
		if (evl_node_child(root, needed[i]) == NULL) {
			st = evl_reader_fail(
				r, root->line, "there is no \"%s\" in this night file", needed[i]);
		}
	}
	uint32_t retries = 0;
	const struct evl_node *n;
	if (st < 0 ||
		(st = evl_night_take_name(
			 &night->name, r, evl_node_child(root, "night"), "night")) < 0 ||
		(st = evl_night_take_path(
			 &night->store, r, evl_node_child(root, "store"), "store")) < 0 ||
		(st = take_window(night, r, root)) < 0 ||
		((n = evl_node_child(root, "title")) != NULL &&
			(st = evl_node_text(&night->title, r, n, "title")) < 0) ||
		((n = evl_node_child(root, "seed")) != NULL &&
			(st = evl_night_take_number(&night->seed, r, n, "seed", 0,
				 UINT64_MAX - EVL_NIGHT_REPEATS_MAX)) < 0) ||
		((n = evl_node_child(root, "order")) != NULL &&
			(st = take_order(night, r, n)) < 0) ||
		((n = evl_node_child(root, "retry")) != NULL &&
			(st = evl_night_take_retry(&retries, r, n)) < 0) ||
		((n = evl_node_child(root, "stop")) != NULL && (st = take_stop(night, r, n)) < 0) ||
		(st = take_benches(night, r, evl_node_child(root, "benches"))) < 0 ||
		(st = take_builds(night, r, evl_node_child(root, "builds"))) < 0) {
		return st;
	}
	return evl_night_take_entries(night, r, evl_node_child(root, "campaigns"), retries);
}

struct whole {
	struct evl_night_file night; /* first: evl_night_file_destroy gets its address */
	struct evl_arena arena;
};

enum evl_status evl_night_file_parse(struct evl_night_file **out, const char *path,
	const char *text, size_t bytes, struct evl_err *err)
{
	*out = NULL;
	if (bytes > EVL_NIGHT_BYTES_MAX) {
		return evl_err_set(err, EVL_E_LIMIT,
			"%s: has more than the %u bytes of a night file", path,
			EVL_NIGHT_BYTES_MAX);
	}
	struct whole *w = evl_xcalloc(1, sizeof *w);
	struct evl_reader r = {.arena = &w->arena, .path = path, .err = err};
	struct evl_node *root;
	w->night.title = w->night.zone = "";
	w->night.seed = 1;
	enum evl_status st = evl_tree_parse(&root, &r, text, bytes);
	if (st == EVL_OK) {
		st = take_all(&w->night, &r, root);
	}
	if (st < 0) {
		evl_night_file_destroy(&w->night);
		return st;
	}
	w->night.path = evl_arena_copy(&w->arena, path, strlen(path));
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_of(text, bytes, digest);
	evl_hex(digest, sizeof digest, w->night.sha256);
	*out = &w->night;
	return EVL_OK;
}

enum evl_status evl_night_file_load(
	struct evl_night_file **out, const char *path, struct evl_err *err)
{
	*out = NULL;
	char *text;
	size_t bytes;
	enum evl_status st = evl_file_read(&text, &bytes, path, EVL_NIGHT_BYTES_MAX, err);
	if (st < 0) {
		return st;
	}
	st = evl_night_file_parse(out, path, text, bytes, err);
	free(text);
	return st;
}

void evl_night_file_destroy(struct evl_night_file *night)
{
	if (night == NULL) {
		return;
	}
	struct whole *w = (struct whole *)night;
	evl_arena_finish(&w->arena);
	free(w);
}
