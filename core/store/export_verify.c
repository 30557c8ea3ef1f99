/* SPDX-License-Identifier: Apache-2.0 */
/* Verification of an exported run, without a store. */
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <string.h>

#include "core/store/export.h"
#include "core/store/internal.h"

struct verify {
	const json_t *root;
	int64_t run;
	struct evl_chain_report *report;
	struct evl_text key; /* of the row at hand */
	struct evl_text text;
	struct results results;
	bool virtual_clock;
	bool run_seen;   /* a row of the table run */
	bool run_closed; /* ... that says that the run ended */
	bool last_is_run;
	struct evl_err *err;
};

static enum evl_status fault(struct verify *v, const char *kind, const char *table, const char *key,
			     const char *words)
{
	key = key != NULL ? key : "?";
	struct evl_chain_report *r = v->report;
	snprintf(r->fault, sizeof r->fault, "%s", kind);
	snprintf(r->table, sizeof r->table, "%s", table);
	snprintf(r->key, sizeof r->key, "%s", key);
	return evl_err_set(v->err, EVL_E_CORRUPT,
			   "evidence: row %.100s of table %.40s (link %" PRId64 "): %s", key, table,
			   r->links + 1, words);
}

static const char *field(const json_t *object, const char *name)
{
	const char *text = json_string_value(json_object_get(object, name));
	return text != NULL ? text : "";
}

/* Reads a canonical text into cells of the array, which must live as long. NULL: not the text of a
 * row as this schema has it. */
static const struct table *read_text(struct cell *cells, const json_t *array)
{
	const char *name = json_string_value(json_array_get(array, 0));
	enum table_id id = name != NULL ? store_table_by_name(name) : T_COUNT;
	if (id == T_COUNT ||
	    json_array_size(array) != 1 + 2 * (size_t)store_tables[id].column_count) {
		return NULL;
	}
	const struct table *t = &store_tables[id];
	memset(cells, 0, (size_t)t->column_count * sizeof *cells);
	for (int i = 0; i < t->column_count; i++) {
		const char *column = json_string_value(json_array_get(array, 1 + 2 * (size_t)i));
		const json_t *value = json_array_get(array, 2 + 2 * (size_t)i);
		if (column == NULL || strcmp(column, t->columns[i].name) != 0 ||
		    (!json_is_string(value) && !json_is_null(value))) {
			return NULL;
		}
		cells[i].null = json_is_null(value);
		cells[i].text = json_string_value(value);
		cells[i].len = json_string_length(value);
	}
	return t;
}

static const char *cell_named(const struct table *t, const struct cell *cells, const char *name)
{
	for (int i = 0; i < t->column_count; i++) {
		if (strcmp(t->columns[i].name, name) == 0) {
			return cells[i].text != NULL ? cells[i].text : "";
		}
	}
	return "";
}

/* Shape and numbers of one text, read into `array`; notes what the run row says, and gathers the
 * results. */
static enum evl_status check_array(struct verify *v, const json_t *array, const char *text,
				   const char *named_table, const char *named_key)
{
	struct cell cells[STORE_MAX_COLUMNS];
	const struct table *t = read_text(cells, array);
	if (t == NULL) {
		return fault(v, "altered", named_table, named_key,
			     "its text is not that of a row of this schema");
	}
	v->text.len = 0;
	v->key.len = 0;
	store_canonical(&v->text, t, cells, VIEW_ALL);
	store_row_key(&v->key, t, cells);
	char run[24];
	snprintf(run, sizeof run, "%" PRId64, v->run);
	if (strcmp(evl_text_str(&v->text), text) != 0) {
		return fault(v, "altered", named_table, named_key, "its text is not canonical");
	}
	if (named_key != NULL &&
	    (strcmp(t->name, named_table) != 0 || strcmp(evl_text_str(&v->key), named_key) != 0)) {
		return fault(v, "altered", named_table, named_key,
			     "its text is that of another row");
	}
	if (strcmp(cell_named(t, cells, "run"), run) != 0) {
		return fault(v, "added", t->name, evl_text_str(&v->key), "it is of another run");
	}
	v->last_is_run = t == &store_tables[T_RUN];
	if (v->last_is_run) {
		v->run_seen = true;
		v->run_closed = strcmp(cell_named(t, cells, "state"), EVL_STATE_RUNNING) != 0;
	}
	v->text.len = 0;
	store_canonical(&v->text, t, cells, v->virtual_clock ? VIEW_RESULTS : VIEW_RESULTS_NO_TIME);
	store_results_add(&v->results, evl_text_str(&v->text), v->text.len);
	return EVL_OK;
}

static enum evl_status check_text(struct verify *v, const char *text, const char *named_table,
				  const char *named_key)
{
	json_t *array = json_loads(text, 0, NULL);
	enum evl_status st = check_array(v, array, text, named_table, named_key);
	json_decref(array);
	return st;
}

static enum evl_status check_row(struct verify *v, const json_t *row)
{
	const char *text = json_string_value(json_object_get(row, "text"));
	const char *table = field(row, "table");
	const char *key = field(row, "key");
	if (text == NULL || json_object_size(row) != 5) {
		return fault(v, "altered", table, key,
			     "it does not have the five texts key, link, row, table, text");
	}
	char row_hex[EVL_SHA256_HEX];
	char link_hex[EVL_SHA256_HEX];
	store_sha256_hex(text, strlen(text), row_hex);
	if (strcmp(row_hex, field(row, "row")) != 0) {
		return fault(v, "altered", table, key, "its text does not have the digest given");
	}
	store_chain_link(link_hex, v->report->head, row_hex);
	if (strcmp(link_hex, field(row, "link")) != 0) {
		return fault(v, "chain", table, key,
			     "its link does not follow from the one before; a row was added, "
			     "removed, altered or moved here");
	}
	enum evl_status st = check_text(v, text, table, key);
	if (st == EVL_OK) {
		v->report->links++;
		memcpy(v->report->head, link_hex, sizeof link_hex);
	}
	return st;
}

static enum evl_status check_open(struct verify *v, const json_t *value)
{
	const char *text = json_string_value(value);
	return text == NULL ? fault(v, "altered", "open", "?", "it is no text")
			    : check_text(v, text, "open", NULL);
}

static enum evl_status check_results(struct verify *v)
{
	char hex[EVL_SHA256_HEX];
	store_results_digest(&v->results, hex);
	if (strcmp(hex, field(v->root, "results")) != 0) {
		return evl_err_set(v->err, EVL_E_CORRUPT,
				   "evidence: the results digest does not follow from the rows");
	}
	return EVL_OK;
}

static enum evl_status check_frame(struct verify *v)
{
	static const char *const texts[] = {"format", "head", "results", "software"};
	static const char *const numbers[] = {"links", "run", "schema"};
	static const char *const arrays[] = {"open", "rows"};
	const json_t *root = v->root;
	const char *format = field(root, "format");
	if (!json_is_object(root) || strncmp(format, "evenlode-run/", 13) != 0) {
		return evl_err_set(v->err, EVL_E_INVALID,
				   "evidence: is no exported run of evenlode");
	}
	if (strcmp(format, "evenlode-run/1") != 0 ||
	    json_integer_value(json_object_get(root, "schema")) > EVL_STORE_SCHEMA) {
		return evl_err_set(v->err, EVL_E_VERSION,
				   "evidence: has format %.40s and schema %lld, this evenlode "
				   "" EVL_VERSION " knows evenlode-run/1 and %d; use a newer one",
				   format,
				   (long long)json_integer_value(json_object_get(root, "schema")),
				   EVL_STORE_SCHEMA);
	}
	bool good = json_object_size(root) == 9;
	for (size_t i = 0; i < 4; i++) {
		good = good && json_is_string(json_object_get(root, texts[i]));
	}
	for (size_t i = 0; i < 3; i++) {
		good = good && json_is_integer(json_object_get(root, numbers[i]));
	}
	for (size_t i = 0; i < 2; i++) {
		good = good && json_is_array(json_object_get(root, arrays[i]));
	}
	good = good && json_integer_value(json_object_get(root, "schema")) == EVL_STORE_SCHEMA;
	v->run = json_integer_value(json_object_get(root, "run"));
	return good ? EVL_OK
		    : evl_err_set(v->err, EVL_E_CORRUPT,
				  "evidence: the fields around the rows were altered: format, "
				  "head, links, open, results, rows, run, schema, software are "
				  "wanted");
}

/* Which columns are results depends on the clock, which the run's row tells, the last one: looked
 * at first, so that each text is read once. What it says is checked in its turn. */
static void look_at_clock(struct verify *v, const char *text)
{
	struct cell cells[STORE_MAX_COLUMNS];
	if (text == NULL || strncmp(text, "[\"run\",", 7) != 0) {
		return;
	}
	json_t *array = json_loads(text, 0, NULL);
	const struct table *t = read_text(cells, array);
	v->virtual_clock = t != NULL && strcmp(cell_named(t, cells, "clock"), "virtual") == 0;
	json_decref(array);
}

static enum evl_status check_all(struct verify *v)
{
	const json_t *rows = json_object_get(v->root, "rows");
	const json_t *open = json_object_get(v->root, "open");
	size_t i;
	json_t *one;
	enum evl_status st = check_frame(v);
	if (st != EVL_OK) {
		return st;
	}
	json_array_foreach(rows, i, one)
	{
		look_at_clock(v, json_string_value(json_object_get(one, "text")));
	}
	json_array_foreach(open, i, one)
	{
		look_at_clock(v, json_string_value(one));
	}
	json_array_foreach(rows, i, one)
	{
		st = check_row(v, one);
		if (st != EVL_OK) {
			return st;
		}
	}
	const char *head = field(v->root, "head");
	if (strcmp(v->report->head, head) != 0 ||
	    json_integer_value(json_object_get(v->root, "links")) != v->report->links) {
		return fault(v, "missing", "?", "?",
			     "the rows do not lead to the head of the chain; rows at the end were "
			     "removed or added");
	}
	bool ended = v->run_seen && v->run_closed && v->last_is_run;
	v->report->open_rows = (int64_t)json_array_size(open);
	json_array_foreach(open, i, one)
	{
		st = check_open(v, one);
		if (st != EVL_OK) {
			return st;
		}
	}
	if (ended && json_array_size(open) > 0) {
		return fault(v, "added", "open", "?", "a run that ended has no open rows");
	}
	if (!ended && (!v->run_seen || v->run_closed)) {
		char key[24];
		snprintf(key, sizeof key, "%" PRId64, v->run);
		return fault(v, "missing", "run", key, "the last row must be the run's own");
	}
	return check_results(v);
}

enum evl_status evl_export_verify(const char *json, size_t len, struct evl_chain_report *report,
				  json_t **root, struct evl_err *err)
{
	struct evl_chain_report own;
	struct verify v = {.report = report != NULL ? report : &own, .err = err};
	memset(v.report, 0, sizeof *v.report);
	memcpy(v.report->head, STORE_CHAIN_START, sizeof v.report->head);
	json_error_t why;
	json_t *all = json_loadb(json, len, JSON_REJECT_DUPLICATES, &why);
	if (root != NULL) {
		*root = NULL;
	}
	if (all == NULL) {
		return evl_err_set(err, EVL_E_CORRUPT,
				   "evidence: is no JSON (line %d, column %d: %s)", why.line,
				   why.column, why.text);
	}
	v.root = all;
	enum evl_status st = check_all(&v);
	if (st == EVL_OK && root != NULL) {
		*root = json_incref(all);
	}
	json_decref(all);
	evl_text_finish(&v.key);
	evl_text_finish(&v.text);
	store_results_finish(&v.results);
	return st;
}
