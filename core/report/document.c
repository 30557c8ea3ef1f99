/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/document.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#include "core/base/text.h"

enum { DEPTH_MAX = 12, NODES_MAX = 200000, COLUMNS_MAX = 40 };

struct reading {
	const char *path;
	yaml_parser_t parser;
	size_t nodes;
	struct evl_err *err;
};

static enum evl_status refuse(const char *path, size_t line, struct evl_err *err, const char *what)
{
	return evl_err_set(err, EVL_E_INVALID, "%s:%zu: %s", path, line, what);
}

static json_t *text_value(const char *bytes, size_t len)
{
	return json_stringn(bytes, len); /* NULL unless it is UTF-8 */
}

static bool next_event(struct reading *r, yaml_event_t *e)
{
	if (yaml_parser_parse(&r->parser, e)) {
		return true;
	}
	char what[300];
	snprintf(what, sizeof what, "is not YAML: %.200s",
		r->parser.problem == NULL ? "unreadable" : r->parser.problem);
	refuse(r->path, r->parser.problem_mark.line + 1, r->err, what);
	return false;
}

static enum evl_status build(struct reading *r, const yaml_event_t *e, int depth, json_t **out);

static enum evl_status build_list(struct reading *r, int depth, json_t *list)
{
	for (;;) {
		yaml_event_t e;
		json_t *item = NULL;
		if (!next_event(r, &e)) {
			return EVL_E_INVALID;
		}
		if (e.type == YAML_SEQUENCE_END_EVENT) {
			yaml_event_delete(&e);
			return EVL_OK;
		}
		enum evl_status st = build(r, &e, depth + 1, &item);
		yaml_event_delete(&e);
		if (st != EVL_OK) {
			return st;
		}
		evl_require(json_array_append_new(list, item) == 0);
	}
}

/* A key is a short text of printable characters: so none can be EVL_DOCUMENT_LINE. */
static bool yaml_key(const yaml_event_t *e, char out[128])
{
	if (e->type != YAML_SCALAR_EVENT || e->data.scalar.length == 0 ||
		e->data.scalar.length >= 128) {
		return false;
	}
	memcpy(out, e->data.scalar.value, e->data.scalar.length);
	out[e->data.scalar.length] = '\0';
	for (const char *c = out; *c != '\0'; c++) {
		if ((unsigned char)*c < 0x20) {
			return false;
		}
	}
	return strlen(out) == e->data.scalar.length;
}

static enum evl_status build_mapping(struct reading *r, int depth, json_t *object)
{
	for (;;) {
		yaml_event_t e;
		json_t *value = NULL;
		char key[128];
		char what[200];
		if (!next_event(r, &e)) {
			return EVL_E_INVALID;
		}
		size_t line = e.start_mark.line + 1;
		if (e.type == YAML_MAPPING_END_EVENT) {
			yaml_event_delete(&e);
			return EVL_OK;
		}
		bool good = yaml_key(&e, key);
		yaml_event_delete(&e);
		if (!good) {
			return refuse(r->path, line, r->err, "a key must be a word");
		}
		if (json_object_get(object, key) != NULL) {
			snprintf(what, sizeof what, "\"%s\" is given twice", key);
			return refuse(r->path, line, r->err, what);
		}
		if (!next_event(r, &e)) {
			return EVL_E_INVALID;
		}
		enum evl_status st = build(r, &e, depth + 1, &value);
		yaml_event_delete(&e);
		if (st != EVL_OK) {
			return st;
		}
		if (json_object_set_new(object, key, value) != 0) {
			return refuse(r->path, line, r->err, "a key is not UTF-8");
		}
	}
}

static enum evl_status build(struct reading *r, const yaml_event_t *e, int depth, json_t **out)
{
	size_t line = e->start_mark.line + 1;
	enum evl_status st = EVL_OK;
	*out = NULL;
	if (++r->nodes > NODES_MAX || depth > DEPTH_MAX) {
		return evl_err_set(r->err, EVL_E_LIMIT,
			"%s:%zu: more than %d values, or nested deeper than %d", r->path, line,
			NODES_MAX, DEPTH_MAX);
	}
	bool anchored =
		(e->type == YAML_SCALAR_EVENT && e->data.scalar.anchor != NULL) ||
		(e->type == YAML_MAPPING_START_EVENT && e->data.mapping_start.anchor != NULL) ||
		(e->type == YAML_SEQUENCE_START_EVENT && e->data.sequence_start.anchor != NULL);
	if (anchored || e->type == YAML_ALIAS_EVENT) {
		return refuse(r->path, line, r->err,
			"anchors and aliases are not used here; write it out");
	}
	if (e->type == YAML_SCALAR_EVENT) {
		*out = text_value((const char *)e->data.scalar.value, e->data.scalar.length);
		return *out != NULL ? EVL_OK : refuse(r->path, line, r->err, "is not UTF-8");
	}
	if (e->type == YAML_SEQUENCE_START_EVENT) {
		*out = json_array();
		st = build_list(r, depth, *out);
	} else {
		*out = json_object();
		json_object_set_new(*out, EVL_DOCUMENT_LINE, json_integer((json_int_t)line));
		st = build_mapping(r, depth, *out);
	}
	if (st != EVL_OK) {
		json_decref(*out);
		*out = NULL;
	}
	return st;
}

enum evl_status evl_document_yaml(
	json_t **out, const char *path, const char *text, size_t len, struct evl_err *err)
{
	struct reading r = {.path = path, .err = err};
	yaml_event_t e;
	enum evl_status st = EVL_OK;
	*out = NULL;
	evl_require(yaml_parser_initialize(&r.parser));
	yaml_parser_set_input_string(&r.parser, (const unsigned char *)text, len);
	bool done = false;
	while (!done && st == EVL_OK) {
		if (!next_event(&r, &e)) {
			st = EVL_E_INVALID;
			break;
		}
		done = e.type == YAML_STREAM_END_EVENT;
		if (e.type == YAML_DOCUMENT_START_EVENT && *out != NULL) {
			st = refuse(path, e.start_mark.line + 1, err, "a second document begins");
		} else if (e.type == YAML_SCALAR_EVENT || e.type == YAML_SEQUENCE_START_EVENT ||
			   e.type == YAML_MAPPING_START_EVENT || e.type == YAML_ALIAS_EVENT) {
			st = build(&r, &e, 0, out);
		}
		yaml_event_delete(&e);
	}
	yaml_parser_delete(&r.parser);
	if (st == EVL_OK && *out == NULL) {
		*out = json_object();
		json_object_set_new(*out, EVL_DOCUMENT_LINE, json_integer(1));
	}
	if (st != EVL_OK) {
		json_decref(*out);
		*out = NULL;
	}
	return st;
}

/* ---- comma-separated values ---- */

struct table {
	const char *at, *end;
	size_t line;
};

/* One field; *last tells that the row ends behind it. NULL: a quote is not closed, or something
 * stands behind a closing one. */
static json_t *take_field(struct table *t, bool *last)
{
	struct evl_text field = {0};
	bool quoted = t->at < t->end && *t->at == '"';
	bool closed = !quoted;
	t->at += quoted;
	while (t->at < t->end) {
		char c = *t->at;
		if (quoted && !closed && c == '"') {
			t->at++;
			if (t->at < t->end && *t->at == '"') {
				evl_text_add(&field, "\"");
				t->at++;
			} else {
				closed = true;
			}
			continue;
		}
		if (closed && (c == ',' || c == '\n' || c == '\r')) {
			break;
		}
		if (quoted && closed) {
			closed = false; /* text behind the closing quote */
			break;
		}
		t->line += c == '\n';
		evl_text_addn(&field, t->at++, 1);
	}
	*last = t->at >= t->end || *t->at != ',';
	if (t->at < t->end) {
		if (*t->at == '\r' && t->at + 1 < t->end && t->at[1] == '\n') {
			t->at++;
		}
		t->at++;
	}
	json_t *value = closed ? text_value(evl_text_str(&field), field.len) : NULL;
	evl_text_finish(&field);
	return value;
}

static enum evl_status take_row(
	struct table *t, const char *path, const json_t *head, json_t *into, struct evl_err *err)
{
	size_t line = t->line;
	char what[200];
	bool last = false;
	size_t i = 0;
	for (; !last; i++) {
		json_t *field = take_field(t, &last);
		if (field == NULL) {
			return refuse(path, line, err,
				"a field in quotes does not end before the next comma, or it is "
				"not "
				"UTF-8");
		}
		if (head == NULL) {
			json_array_append_new(into, field);
		} else if (i < json_array_size(head)) {
			json_object_set_new(
				into, json_string_value(json_array_get(head, i)), field);
		} else {
			json_decref(field);
		}
		if (i >= COLUMNS_MAX) {
			return refuse(path, line, err, "has more than 40 columns");
		}
	}
	t->line++;
	if (head != NULL && i != json_array_size(head)) {
		snprintf(what, sizeof what, "has %zu fields where the first row has %zu", i,
			json_array_size(head));
		return refuse(path, line, err, what);
	}
	return EVL_OK;
}

enum evl_status evl_document_csv(
	json_t **out, const char *path, const char *text, size_t len, struct evl_err *err)
{
	struct table t = {.at = text, .end = text + len, .line = 1};
	json_t *head = json_array();
	*out = json_array();
	if (len >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) {
		t.at += 3; /* some programs put a byte order mark in front */
	}
	enum evl_status st = t.at == t.end ? refuse(path, 1, err, "is empty")
					   : take_row(&t, path, NULL, head, err);
	while (st == EVL_OK && t.at < t.end) {
		json_t *row = json_object();
		json_object_set_new(row, EVL_DOCUMENT_LINE, json_integer((json_int_t)t.line));
		if (*t.at == '\n' || *t.at == '\r') {
			t.line += *t.at == '\n';
			t.at++; /* an empty line */
			json_decref(row);
			continue;
		}
		st = take_row(&t, path, head, row, err);
		json_array_append_new(*out, row);
	}
	json_decref(head);
	if (st != EVL_OK) {
		json_decref(*out);
		*out = NULL;
	}
	return st;
}

/* ---- what is in them ---- */

int evl_document_line(const json_t *mapping)
{
	return (int)json_integer_value(json_object_get(mapping, EVL_DOCUMENT_LINE));
}

enum evl_status evl_document_known(const json_t *mapping, const char *path,
	const char *const *known, const char *what, struct evl_err *err)
{
	for (void *it = json_object_iter((json_t *)(uintptr_t)mapping); it != NULL;
		it = json_object_iter_next((json_t *)(uintptr_t)mapping, it)) {
		const char *key = json_object_iter_key(it);
		bool found = strcmp(key, EVL_DOCUMENT_LINE) == 0;
		char list[400] = "";
		for (size_t i = 0; known[i] != NULL; i++) {
			size_t n = strlen(list);
			snprintf(list + n, sizeof list - n, "%s%s", i == 0 ? "" : ", ", known[i]);
			found = found || strcmp(key, known[i]) == 0;
		}
		if (!found) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s:%d: \"%.60s\" is not known of %s; there are: %s", path,
				evl_document_line(mapping), key, what, list);
		}
	}
	return EVL_OK;
}

enum evl_status evl_document_text(const char **out, const json_t *mapping, const char *path,
	const char *member, bool needed, struct evl_err *err)
{
	const json_t *v = json_object_get(mapping, member);
	*out = NULL;
	if (v != NULL && !json_is_string(v)) {
		return evl_err_set(err, EVL_E_INVALID, "%s:%d: \"%s\" must be a text", path,
			evl_document_line(mapping), member);
	}
	if (v != NULL && json_string_length(v) > 0) {
		*out = json_string_value(v);
	}
	if (*out == NULL && needed) {
		return evl_err_set(err, EVL_E_INVALID, "%s:%d: \"%s\" is missing", path,
			evl_document_line(mapping), member);
	}
	return EVL_OK;
}
