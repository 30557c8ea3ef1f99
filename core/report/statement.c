/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/statement.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/report/document.h"

enum { REQUIREMENTS_MAX = 10000 };

struct loading {
	struct evl_statement *s;
	const char *path;
	struct evl_err *err;
};

static enum evl_status fail(const struct loading *l, const json_t *at, const char *what)
{
	return evl_err_set(
		l->err, EVL_E_INVALID, "%s:%d: %s", l->path, evl_document_line(at), what);
}

static enum evl_status text(const struct loading *l, const char **out, const json_t *mapping,
	const char *member, bool needed)
{
	return evl_document_text(out, mapping, l->path, member, needed, l->err);
}

static bool is_date(const char *s)
{
	static const char shape[] = "dddd-dd-dd";
	if (strlen(s) != sizeof shape - 1) {
		return false;
	}
	for (size_t i = 0; shape[i] != '\0'; i++) {
		if (shape[i] == 'd' ? s[i] < '0' || s[i] > '9' : s[i] != '-') {
			return false;
		}
	}
	int month = atoi(s + 5);
	int day = atoi(s + 8);
	return month >= 1 && month <= 12 && day >= 1 && day <= 31;
}

static enum evl_status date(
	const struct loading *l, const char **out, const json_t *mapping, const char *member)
{
	enum evl_status st = text(l, out, mapping, member, false);
	if (st == EVL_OK && *out != NULL && !is_date(*out)) {
		st = evl_err_set(l->err, EVL_E_INVALID,
			"%s:%d: \"%s\" must be a date such as 2026-12-31, not \"%.40s\"", l->path,
			evl_document_line(mapping), member, *out);
	}
	return st;
}

/* Pointers that live as long as the statement, chained for freeing. */
struct list {
	struct list *next;
	const char *at[];
};

static const char **new_list(struct loading *l, size_t count)
{
	struct list *list = evl_xcalloc(1, sizeof *list + (count + 1) * sizeof *list->at);
	list->next = l->s->lists;
	l->s->lists = list;
	return list->at;
}

/* A list of texts, or one text in which ';' separates (as tables have it). The parts of the latter
 * are cut out of the document's own copy. */
static enum evl_status texts(struct loading *l, const char *const **out, size_t *count,
	const json_t *mapping, const char *member)
{
	json_t *v = json_object_get(mapping, member);
	*count = 0;
	if (v == NULL) {
		return EVL_OK;
	}
	if (json_is_string(v)) {
		json_t *parts = json_array();
		const char *at = json_string_value(v);
		while (*at != '\0') {
			size_t n = strcspn(at, ";");
			const char *from = at + strspn(at, " ");
			size_t len = from < at + n ? (size_t)(at + n - from) : 0;
			while (len > 0 && from[len - 1] == ' ') {
				len--;
			}
			if (len > 0) {
				json_array_append_new(parts, json_stringn(from, len));
			}
			at += n + (at[n] == ';');
		}
		json_object_set_new((json_t *)(uintptr_t)mapping, member, parts);
		v = parts;
	}
	if (!json_is_array(v)) {
		return evl_err_set(l->err, EVL_E_INVALID, "%s:%d: \"%s\" must be a list of texts",
			l->path, evl_document_line(mapping), member);
	}
	const char **list = new_list(l, json_array_size(v));
	for (size_t i = 0; i < json_array_size(v); i++) {
		list[i] = json_string_value(json_array_get(v, i));
		if (list[i] == NULL || list[i][0] == '\0') {
			return evl_err_set(l->err, EVL_E_INVALID,
				"%s:%d: \"%s\" must be a list of texts", l->path,
				evl_document_line(mapping), member);
		}
	}
	*out = list;
	*count = json_array_size(v);
	return EVL_OK;
}

static enum evl_status take_requirement(struct loading *l, const json_t *m)
{
	static const char *const known[] = {"id", "text", "source", "cases", "checks", NULL};
	struct evl_statement *s = l->s;
	struct evl_requirement *r = &s->requirements[s->requirement_count];
	enum evl_status st =
		!json_is_object(m)
			? fail(l, m, "a requirement must be a mapping: {id: ..., text: ...}")
			: evl_document_known(m, l->path, known, "a requirement", l->err);
	st = st == EVL_OK ? text(l, &r->id, m, "id", true) : st;
	st = st == EVL_OK ? text(l, &r->text, m, "text", true) : st;
	st = st == EVL_OK ? text(l, &r->source, m, "source", false) : st;
	st = st == EVL_OK ? texts(l, &r->cases, &r->case_count, m, "cases") : st;
	st = st == EVL_OK ? texts(l, &r->checks, &r->check_count, m, "checks") : st;
	for (size_t i = 0; st == EVL_OK && i < s->requirement_count; i++) {
		if (strcmp(s->requirements[i].id, r->id) == 0) {
			st = evl_err_set(l->err, EVL_E_INVALID,
				"%s:%d: requirement \"%.60s\" is given twice", l->path,
				evl_document_line(m), r->id);
		}
	}
	s->requirement_count++;
	return st;
}

static enum evl_status take_requirements(struct loading *l, const json_t *list, const json_t *at)
{
	if (!json_is_array(list) || json_array_size(list) > REQUIREMENTS_MAX) {
		return fail(l, at, "requirements must be a list of at most 10000");
	}
	l->s->requirements = evl_xcalloc(json_array_size(list) + 1, sizeof *l->s->requirements);
	enum evl_status st = EVL_OK;
	for (size_t i = 0; st == EVL_OK && i < json_array_size(list); i++) {
		st = take_requirement(l, json_array_get(list, i));
	}
	return st;
}

static bool is_requirement(const struct evl_statement *s, const char *id)
{
	for (size_t i = 0; i < s->requirement_count; i++) {
		if (strcmp(s->requirements[i].id, id) == 0) {
			return true;
		}
	}
	return false;
}

static enum evl_status take_remark(
	struct loading *l, struct evl_remark *r, const json_t *m, bool waiver)
{
	static const char *const of_waiver[] = {
		"requirement", "reason", "author", "date", "expires", NULL};
	static const char *const of_observation[] = {
		"requirement", "text", "author", "date", "expires", NULL};
	enum evl_status st =
		!json_is_object(m)
			? fail(l, m, "waivers and observations are mappings")
			: evl_document_known(m, l->path, waiver ? of_waiver : of_observation,
				  waiver ? "a waiver" : "an observation", l->err);
	st = st == EVL_OK ? text(l, &r->requirement, m, "requirement", waiver) : st;
	st = st == EVL_OK ? text(l, &r->text, m, waiver ? "reason" : "text", true) : st;
	st = st == EVL_OK ? text(l, &r->author, m, "author", true) : st;
	st = st == EVL_OK ? date(l, &r->date, m, "date") : st;
	st = st == EVL_OK ? date(l, &r->expires, m, "expires") : st;
	if (st == EVL_OK && r->requirement != NULL && !is_requirement(l->s, r->requirement)) {
		st = evl_err_set(l->err, EVL_E_INVALID,
			"%s:%d: there is no requirement \"%.60s\" in this file", l->path,
			evl_document_line(m), r->requirement);
	}
	return st;
}

static enum evl_status take_remarks(struct loading *l, struct evl_remark **out, size_t *count,
	const json_t *root, const char *member, bool waiver)
{
	const json_t *list = json_object_get(root, member);
	if (list == NULL) {
		return EVL_OK;
	}
	if (!json_is_array(list)) {
		return fail(l, root, "waivers and observations are lists");
	}
	*out = evl_xcalloc(json_array_size(list) + 1, sizeof **out);
	enum evl_status st = EVL_OK;
	for (size_t i = 0; st == EVL_OK && i < json_array_size(list); i++) {
		st = take_remark(l, &(*out)[(*count)++], json_array_get(list, i), waiver);
	}
	return st;
}

static enum evl_status load_requirements(struct loading *l)
{
	static const char *const known[] = {"requirements", "waivers", "observations", NULL};
	struct evl_statement *s = l->s;
	json_t **doc = &s->documents[1];
	size_t n = strlen(l->path);
	enum evl_status st = evl_file_read(&s->requirements_source, &s->requirements_len, l->path,
		EVL_DOCUMENT_BYTES_MAX, l->err);
	if (st != EVL_OK) {
		return evl_err_prefix(l->err, "requirements");
	}
	s->has_requirements = true;
	s->requirements_csv = n >= 4 && strcmp(l->path + n - 4, ".csv") == 0;
	if (s->requirements_csv) {
		st = evl_document_csv(
			doc, l->path, s->requirements_source, s->requirements_len, l->err);
		return st == EVL_OK ? take_requirements(l, *doc, NULL) : st;
	}
	st = evl_document_yaml(doc, l->path, s->requirements_source, s->requirements_len, l->err);
	if (st == EVL_OK && !json_is_object(*doc)) {
		st = fail(l, *doc, "must be a mapping that begins with requirements:");
	}
	st = st == EVL_OK ? evl_document_known(*doc, l->path, known, "this file", l->err) : st;
	st = st == EVL_OK ? take_requirements(l, json_object_get(*doc, "requirements"), *doc) : st;
	st = st == EVL_OK ? take_remarks(l, &s->waivers, &s->waiver_count, *doc, "waivers", true)
			  : st;
	return st == EVL_OK ? take_remarks(l, &s->observations, &s->observation_count, *doc,
				      "observations", false)
			    : st;
}

static enum evl_status take_opinions(struct loading *l, const json_t *root)
{
	static const char *const known[] = {"text", "author", NULL};
	const json_t *list = json_object_get(root, "opinions");
	enum evl_status st = EVL_OK;
	if (list == NULL) {
		return EVL_OK;
	}
	if (!json_is_array(list)) {
		return fail(l, root, "opinions must be a list of {text: ..., author: ...}");
	}
	l->s->opinions = evl_xcalloc(json_array_size(list) + 1, sizeof *l->s->opinions);
	for (size_t i = 0; st == EVL_OK && i < json_array_size(list); i++) {
		const json_t *m = json_array_get(list, i);
		struct evl_opinion *o = &l->s->opinions[l->s->opinion_count++];
		/* ISO/IEC 17025:2017 7.8.7: opinions only by people who are authorised to. */
		st = !json_is_object(m)
			     ? fail(l, root, "an opinion has a text and an author")
			     : evl_document_known(m, l->path, known, "an opinion", l->err);
		st = st == EVL_OK ? text(l, &o->text, m, "text", true) : st;
		st = st == EVL_OK ? text(l, &o->author, m, "author", true) : st;
	}
	return st;
}

static enum evl_status take_authorised(struct loading *l, const json_t *root)
{
	static const char *const known[] = {"name", "function", NULL};
	const json_t *m = json_object_get(root, "authorised");
	if (m == NULL) {
		return EVL_OK;
	}
	enum evl_status st =
		!json_is_object(m) ? fail(l, root, "authorised must be {name: ..., function: ...}")
				   : evl_document_known(m, l->path, known, "authorised", l->err);
	st = st == EVL_OK ? text(l, &l->s->authorised_name, m, "name", true) : st;
	return st == EVL_OK ? text(l, &l->s->authorised_function, m, "function", false) : st;
}

static enum evl_status take_replaces(struct loading *l, const json_t *root)
{
	static const char *const known[] = {"report", "reason", NULL};
	const json_t *m = json_object_get(root, "replaces");
	if (m == NULL) {
		return EVL_OK;
	}
	/* ISO/IEC 17025:2017 7.8.8: an amended report names the one it replaces, and says why. */
	enum evl_status st = !json_is_object(m)
				     ? fail(l, root, "replaces must be {report: ..., reason: ...}")
				     : evl_document_known(m, l->path, known, "replaces", l->err);
	st = st == EVL_OK ? text(l, &l->s->replaces, m, "report", true) : st;
	return st == EVL_OK ? text(l, &l->s->replaces_reason, m, "reason", true) : st;
}

static enum evl_status load_statement(struct loading *l)
{
	static const char *const known[] = {"authorised", "conditions", "sampling", "external",
		"uncertainty", "deviations", "opinions", "replaces", NULL};
	struct evl_statement *s = l->s;
	json_t **doc = &s->documents[0];
	const char *unused = NULL;
	enum evl_status st = evl_file_read(
		&s->statement_source, &s->statement_len, l->path, EVL_DOCUMENT_BYTES_MAX, l->err);
	if (st != EVL_OK) {
		return evl_err_prefix(l->err, "statement");
	}
	st = evl_document_yaml(doc, l->path, s->statement_source, s->statement_len, l->err);
	if (st == EVL_OK && !json_is_object(*doc)) {
		st = fail(l, *doc, "must be a mapping, such as authorised: {name: ...}");
	}
	st = st == EVL_OK ? evl_document_known(*doc, l->path, known, "a statement", l->err) : st;
	st = st == EVL_OK ? text(l, &s->sampling, *doc, "sampling", false) : st;
	st = st == EVL_OK ? text(l, &s->external, *doc, "external", false) : st;
	st = st == EVL_OK ? text(l, &s->uncertainty, *doc, "uncertainty", false) : st;
	st = st == EVL_OK ? take_authorised(l, *doc) : st;
	st = st == EVL_OK ? take_replaces(l, *doc) : st;
	st = st == EVL_OK ? take_opinions(l, *doc) : st;
	if (st != EVL_OK) {
		return st;
	}
	const char *const *list = NULL;
	size_t count = 0;
	st = texts(l, &list, &count, *doc, "deviations");
	s->deviations = json_object_get(*doc, "deviations");
	s->conditions = json_object_get(*doc, "conditions");
	if (st == EVL_OK && s->conditions != NULL && !json_is_object(s->conditions)) {
		st = fail(
			l, *doc, "conditions must be a mapping, such as {temperature: 22 to 24 C}");
	}
	for (void *it = json_object_iter((json_t *)(uintptr_t)s->conditions);
		st == EVL_OK && it != NULL;
		it = json_object_iter_next((json_t *)(uintptr_t)s->conditions, it)) {
		const char *key = json_object_iter_key(it);
		st = strcmp(key, EVL_DOCUMENT_LINE) == 0
			     ? EVL_OK
			     : text(l, &unused, s->conditions, key, false);
	}
	return st;
}

enum evl_status evl_statement_load(struct evl_statement *s, const char *statement_path,
	const char *requirements_path, struct evl_err *err)
{
	struct loading l = {.s = s, .path = statement_path, .err = err};
	enum evl_status st = EVL_OK;
	memset(s, 0, sizeof *s);
	if (statement_path != NULL) {
		st = load_statement(&l);
	}
	if (st == EVL_OK && requirements_path != NULL) {
		l.path = requirements_path;
		st = load_requirements(&l);
	}
	if (st != EVL_OK) {
		evl_statement_finish(s);
	}
	return st;
}

void evl_statement_finish(struct evl_statement *s)
{
	struct list *list = s->lists;
	while (list != NULL) {
		struct list *next = list->next;
		free(list);
		list = next;
	}
	free(s->requirements);
	free(s->waivers);
	free(s->observations);
	free(s->opinions);
	free(s->statement_source);
	free(s->requirements_source);
	json_decref(s->documents[0]);
	json_decref(s->documents[1]);
	memset(s, 0, sizeof *s);
}
