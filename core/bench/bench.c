/* SPDX-License-Identifier: Apache-2.0 */
/* The meaning of a bench file, section by section. */
#include "core/bench/bench.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/bench/internal.h"

#define CAUTIONS_MAX 100u

struct whole {
	struct evl_bench bench; /* first: evl_bench_destroy gets its address */
	struct evl_arena arena;
};

static enum evl_status take_name(const char **out, const struct evl_reader *r,
				 const struct evl_node *n, const char *what)
{
	enum evl_status st = evl_node_text(out, r, n, what);
	if (st < 0) {
		return st;
	}
	if (!evl_name_good(*out, "", EVL_BENCH_NAME_MAX)) {
		return evl_reader_fail(r, n->line,
				       "%s \"%s\" is no name; use 1 to %u letters, digits, - and _",
				       what, evl_quote(*out).s, EVL_BENCH_NAME_MAX - 1);
	}
	return EVL_OK;
}

struct field {
	const char *key;
	const char **to;
};

/* Sections that are nothing but optional texts: unit, laboratory, customer. */
static enum evl_status take_texts(const struct evl_reader *r, const struct evl_node *n,
				  const char *const *known, const struct field *fields)
{
	if (n == NULL) {
		return EVL_OK;
	}
	if (n->kind != EVL_NODE_MAP) {
		return evl_reader_fail(r, n->line, "%s must be a mapping, such as %s: {%s: ...}",
				       n->key, n->key, known[0]);
	}
	enum evl_status st = evl_node_known_keys(r, n, known);
	for (size_t i = 0; st == EVL_OK && known[i]; i++) {
		const struct evl_node *c = evl_node_child(n, fields[i].key);
		st = c ? evl_node_text(fields[i].to, r, c, c->key) : EVL_OK;
	}
	return st;
}

static enum evl_status take_parties(struct evl_bench *b, const struct evl_reader *r,
				    const struct evl_node *root)
{
	static const char *const unit[] = {
		"description", "type", "serial", "owner", "condition", "received", NULL};
	static const char *const laboratory[] = {"name", "address", "place", NULL};
	static const char *const customer[] = {"name", "contact", NULL};
	const struct field unit_fields[] = {{"description", &b->unit.description},
					    {"type", &b->unit.type},
					    {"serial", &b->unit.serial},
					    {"owner", &b->unit.owner},
					    {"condition", &b->unit.condition},
					    {"received", &b->unit.received}};
	const struct field laboratory_fields[] = {{"name", &b->laboratory.name},
						  {"address", &b->laboratory.address},
						  {"place", &b->laboratory.place}};
	const struct field customer_fields[] = {{"name", &b->customer.name},
						{"contact", &b->customer.contact}};
	enum evl_status st = take_texts(r, evl_node_child(root, "unit"), unit, unit_fields);
	if (st == EVL_OK) {
		st = take_texts(r, evl_node_child(root, "laboratory"), laboratory,
				laboratory_fields);
	}
	if (st == EVL_OK) {
		st = take_texts(r, evl_node_child(root, "customer"), customer, customer_fields);
	}
	return st;
}

static enum evl_status check_calibration(const struct evl_reader *r, const struct evl_node *n)
{
	static const char *const known[] = {
		"certificate", "by", "date", "due", "uncertainty", "note", NULL};
	const char *text[6];
	const struct field fields[] = {{known[0], &text[0]}, {known[1], &text[1]},
				       {known[2], &text[2]}, {known[3], &text[3]},
				       {known[4], &text[4]}, {known[5], &text[5]}};
	return take_texts(r, n, known, fields);
}

static enum evl_status take_adapter(struct evl_bench_adapter *a, const struct evl_reader *r,
				    const struct evl_node *n)
{
	static const char *const known[] = {"driver", "options", "calibration", NULL};
	enum evl_status st = evl_node_want_map(r, n, n->key, "{driver: simmux}");
	if (st < 0) {
		return st;
	}
	if (!evl_name_good(n->key, "", EVL_BENCH_NAME_MAX)) {
		return evl_reader_fail(
			r, n->line,
			"\"%s\" is no name for an adapter instance; use letters, digits, - and _",
			evl_quote(n->key).s);
	}
	st = evl_node_known_keys(r, n, known);
	if (st < 0) {
		return st;
	}
	a->name = n->key;
	a->line = n->line;
	const struct evl_node *driver = evl_node_child(n, "driver");
	if (driver == NULL) {
		return evl_reader_fail(
			r, n->line,
			"adapter \"%s\" has no driver; write driver: and the name of an adapter",
			n->key);
	}
	st = take_name(&a->driver, r, driver, "driver");
	if (st == EVL_OK) {
		st = check_calibration(r, evl_node_child(n, "calibration"));
	}
	const struct evl_node *options = evl_node_child(n, "options");
	if (st < 0 || options == NULL) {
		return st;
	}
	return evl_bench_take_options(a, r, options);
}

static enum evl_status take_adapters(struct whole *w, const struct evl_reader *r,
				     const struct evl_node *n)
{
	enum evl_status st = evl_node_want_map(r, n, "adapters", "mux: {driver: simmux}");
	if (st < 0) {
		return st;
	}
	struct evl_bench_adapter *list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	for (const struct evl_node *c = n->first; c != NULL && st == EVL_OK; c = c->next) {
		st = take_adapter(&list[w->bench.adapter_count++], r, c);
	}
	w->bench.adapters = list;
	return st;
}

static enum evl_status take_cautions(struct evl_bench *b, const struct evl_reader *r,
				     const struct evl_node *n)
{
	if (n == NULL) {
		return EVL_OK;
	}
	if (n->kind != EVL_NODE_LIST || n->count > CAUTIONS_MAX) {
		return evl_reader_fail(r, n->line, "cautions must be a list of at most %u texts",
				       CAUTIONS_MAX);
	}
	const char **list = evl_arena_alloc(r->arena, n->count * sizeof *list);
	enum evl_status st = EVL_OK;
	for (const struct evl_node *c = n->first; c != NULL && st == EVL_OK; c = c->next) {
		st = evl_node_text(&list[b->caution_count++], r, c, "a caution");
		if (st == EVL_OK && c->text[0] == '\0') {
			st = evl_reader_fail(r, c->line,
					     "a caution is empty; write it or remove it");
		}
	}
	b->cautions = list;
	return st;
}

static enum evl_status take_all(struct whole *w, const struct evl_reader *r,
				const struct evl_node *root)
{
	static const char *const known[] = {"bench",      "title",    "notice",    "unit",
					    "laboratory", "customer", "numbering", "adapters",
					    "roles",      "cautions", NULL};
	static const char *const needed[] = {"bench", "adapters", "roles"};
	struct evl_bench *b = &w->bench;
	if (root->kind != EVL_NODE_MAP) {
		return evl_reader_fail(
			r, root->line,
			"not a bench file: it must be a mapping that begins with bench: NAME");
	}
	enum evl_status st = evl_node_known_keys(r, root, known);
	for (size_t i = 0; st == EVL_OK && i < sizeof needed / sizeof needed[0]; i++) {
		if (evl_node_child(root, needed[i]) == NULL) {
			st = evl_reader_fail(r, root->line, "there is no \"%s\" in this bench file",
					     needed[i]);
		}
	}
	if (st == EVL_OK) {
		st = take_name(&b->name, r, evl_node_child(root, "bench"), "bench");
	}
	const struct evl_node *n = evl_node_child(root, "title");
	if (st == EVL_OK && n) {
		st = evl_node_text(&b->title, r, n, "title");
	}
	n = evl_node_child(root, "notice");
	if (st == EVL_OK && n) {
		st = evl_node_text(&b->notice, r, n, "notice");
	}
	if (st == EVL_OK) {
		st = take_parties(b, r, root);
	}
	if (st == EVL_OK) {
		n = evl_node_child(root, "numbering");
		evl_numbering_init(&b->numbering, EVL_NUMBERING_NONE);
		st = n ? evl_bench_take_numbering(&b->numbering, r, n) : EVL_OK;
	}
	if (st == EVL_OK) {
		st = take_adapters(w, r, evl_node_child(root, "adapters"));
	}
	if (st == EVL_OK) {
		st = evl_bench_take_roles(b, r, evl_node_child(root, "roles"));
	}
	if (st == EVL_OK) {
		st = take_cautions(b, r, evl_node_child(root, "cautions"));
	}
	return st;
}

enum evl_status evl_bench_parse(struct evl_bench **out, const char *path, const char *text,
				size_t bytes, struct evl_err *err)
{
	*out = NULL;
	if (bytes > EVL_BENCH_BYTES_MAX) {
		return evl_err_set(err, EVL_E_LIMIT,
				   "%s: has more than the %u bytes of a bench file", path,
				   EVL_BENCH_BYTES_MAX);
	}
	struct whole *w = evl_xcalloc(1, sizeof *w);
	struct evl_bench *b = &w->bench;
	b->name = b->title = b->notice = "";
	b->unit = (struct evl_bench_unit){"", "", "", "", "", ""};
	b->laboratory = b->customer = (struct evl_bench_party){"", "", "", ""};
	struct evl_reader r = {.arena = &w->arena, .path = path, .err = err};
	struct evl_node *root;
	enum evl_status st = evl_tree_parse(&root, &r, text, bytes);
	if (st == EVL_OK) {
		st = take_all(w, &r, root);
	}
	if (st < 0) {
		evl_bench_destroy(b);
		return st;
	}
	b->path = evl_arena_copy(&w->arena, path, strlen(path));
	b->source = evl_arena_copy(&w->arena, text, bytes);
	b->source_bytes = bytes;
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_of(text, bytes, digest);
	evl_hex(digest, sizeof digest, b->sha256);
	*out = b;
	return EVL_OK;
}

enum evl_status evl_bench_load(struct evl_bench **out, const char *path, struct evl_err *err)
{
	*out = NULL;
	char *text;
	size_t bytes;
	enum evl_status st = evl_file_read(&text, &bytes, path, EVL_BENCH_BYTES_MAX, err);
	if (st < 0) {
		return st;
	}
	st = evl_bench_parse(out, path, text, bytes, err);
	free(text);
	return st;
}

void evl_bench_destroy(struct evl_bench *bench)
{
	if (bench == NULL) {
		return;
	}
	struct whole *w = (struct whole *)bench;
	evl_arena_finish(&w->arena);
	free(w);
}

void evl_bench_label(struct evl_text *out, struct evl_numbering_place *place,
		     const struct evl_bench_role *role, const struct evl_bench_channel *channel,
		     enum evl_numbering_unit unit)
{
	char text[EVL_NUMBERING_TEXT];
	*place = (struct evl_numbering_place){0};
	evl_text_add(out, role->name);
	if (role->numbered) {
		evl_text_addf(out, " %u", (unsigned)channel->number);
	}
	if (role->numbering && unit != EVL_NUMBERING_BY_RATE &&
	    evl_numbering_place(
		    place, role->numbering, unit, evl_bench_line_number(role, channel))) {
		const struct evl_bench_ride *ride =
			role->ride_count > 1 ? evl_bench_ride_of(role, channel) : NULL;
		evl_text_addf(out, " (%s%s%s)", ride ? ride->line_channel : "", ride ? " " : "",
			      evl_numbering_format(role->numbering, *place, text));
	}
}

const struct evl_bench_ride *evl_bench_ride_of(
	const struct evl_bench_role *role, const struct evl_bench_channel *channel)
{
	for (size_t i = 0; i < role->ride_count; i++) {
		const struct evl_bench_ride *r = &role->rides[i];
		if (r->last == 0 || (channel->number >= r->first && channel->number <= r->last)) {
			return r;
		}
	}
	return NULL;
}

uint32_t evl_bench_line_number(
	const struct evl_bench_role *role, const struct evl_bench_channel *channel)
{
	const struct evl_bench_ride *ride = evl_bench_ride_of(role, channel);
	bool ranges = ride != NULL && ride->last != 0;
	return ranges ? channel->number - ride->first + 1 : channel->number;
}

const struct evl_bench_role *evl_bench_role(const struct evl_bench *bench, const char *name)
{
	for (size_t i = 0; i < bench->role_count; i++) {
		if (strcmp(bench->roles[i].name, name) == 0) {
			return &bench->roles[i];
		}
	}
	return NULL;
}

const struct evl_bench_adapter *evl_bench_adapter(const struct evl_bench *bench, const char *name)
{
	for (size_t i = 0; i < bench->adapter_count; i++) {
		if (strcmp(bench->adapters[i].name, name) == 0) {
			return &bench->adapters[i];
		}
	}
	return NULL;
}
