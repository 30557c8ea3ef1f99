/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/proof.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/digest.h"
#include "core/base/file.h"
#include "core/base/text.h"
#include "core/report/canonical.h"
#include "core/report/evidence_rows.h"
#include "core/report/manifest.h"
#include "core/report/merkle.h"
#include "core/report/verify.h"

#define EVIDENCE_MAX (4ull << 30)
#define PROOF_MAX    (16u << 20)

struct wanted {
	const char *which;
	char table[64], key[160]; /* when a row was named directly */
	char name[128];           /* else: name of the case */
	long number;              /* of the check, from 1 */
	int case_no;              /* -1 until the case was seen */
	struct evl_text names;    /* of the cases that were seen */
};

struct found {
	bool yes;
	size_t index;
	char table[64];
	struct evl_text text;
};

/* The value of a column in the canonical text of a row. */
static const char *column(const json_t *row, const char *name)
{
	for (size_t i = 1; i + 1 < json_array_size(row); i += 2) {
		const char *have = json_string_value(json_array_get(row, i));
		if (have != NULL && strcmp(have, name) == 0) {
			return json_string_value(json_array_get(row, i + 1));
		}
	}
	return NULL;
}

static enum evl_status understand(struct wanted *w, const char *which, struct evl_err *err)
{
	const char *colon = strchr(which, ':');
	const char *slash = strrchr(which, '/');
	*w = (struct wanted){.which = which, .case_no = -1};
	if (colon != NULL && (size_t)(colon - which) < sizeof w->table) {
		snprintf(w->table, sizeof w->table, "%.*s", (int)(colon - which), which);
		snprintf(w->key, sizeof w->key, "%s", colon + 1);
		return EVL_OK;
	}
	char *end = NULL;
	w->number = slash == NULL ? 0 : strtol(slash + 1, &end, 10);
	if (w->number < 1 || *end != '\0' || (size_t)(slash - which) >= sizeof w->name) {
		return evl_err_set(err, EVL_E_INVALID,
			"\"%.100s\" names no row; write CASE/NUMBER, such as bit-errors/33 for the "
			"33rd check of that case, or TABLE:KEY as in evidence.json",
			which);
	}
	snprintf(w->name, sizeof w->name, "%.*s", (int)(slash - which), which);
	return EVL_OK;
}

/* Rows of checks come before the row of their case, which is final last: the case's number is
 * looked for first. */
static void find_case(struct wanted *w, const char *json, size_t len)
{
	struct evl_evidence e;
	evl_evidence_begin(&e, json, len);
	while (w->table[0] == '\0' && evl_evidence_next(&e)) {
		if (strcmp(e.table, "case_") != 0) {
			continue;
		}
		json_t *row = json_loads(evl_text_str(&e.text), 0, NULL);
		const char *name = column(row, "name");
		if (name != NULL) {
			evl_text_addf(&w->names, "%s%s", w->names.len == 0 ? "" : ", ", name);
		}
		if (name != NULL && strcmp(name, w->name) == 0) {
			w->case_no = atoi(e.key);
		}
		json_decref(row);
	}
	evl_evidence_finish(&e);
	if (w->case_no >= 0) {
		snprintf(w->table, sizeof w->table, "check_");
		snprintf(w->key, sizeof w->key, "%d/%ld", w->case_no, w->number - 1);
	}
}

static enum evl_status find_row(struct found *f, struct evl_merkle *tree, struct wanted *w,
	const char *json, size_t len, struct evl_err *err)
{
	struct evl_evidence e;
	find_case(w, json, len);
	evl_evidence_begin(&e, json, len);
	while (evl_evidence_next(&e)) {
		if (strcmp(e.table, w->table) == 0 && strcmp(e.key, w->key) == 0) {
			f->yes = true;
			f->index = tree->count;
			snprintf(f->table, sizeof f->table, "%s", e.table);
			evl_text_addn(&f->text, e.text.data, e.text.len);
		}
		evl_merkle_add(tree, e.text.data, e.text.len);
	}
	bool whole = e.whole;
	evl_evidence_finish(&e);
	if (!whole) {
		return evl_err_set(err, EVL_E_CORRUPT, "evidence.json is not whole");
	}
	if (!f->yes) {
		return evl_err_set(err, EVL_E_NOTFOUND, "there is no row \"%.100s\"; cases are: %s",
			w->which, evl_text_str(&w->names));
	}
	return EVL_OK;
}

static void set(json_t *object, const char *name, json_t *value)
{
	evl_require(value != NULL && json_object_set_new(object, name, value) == 0);
}

static enum evl_status write_file(const char *out_path, const struct found *f,
	const struct evl_merkle *tree, const char *report_id, struct evl_err *err)
{
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES];
	uint8_t root[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	struct evl_text out = {0};
	json_t *o = json_object();
	json_t *list = json_array();
	size_t n = evl_merkle_path(tree, f->index, path);
	for (size_t i = 0; i < n; i++) {
		evl_hex(path[i], sizeof path[i], hex);
		evl_require(json_array_append_new(list, json_string(hex)) == 0);
	}
	evl_merkle_root(tree, root);
	evl_hex(root, sizeof root, hex);
	set(o, "format", json_string(EVL_PROOF_FORMAT));
	set(o, "report", json_string(report_id));
	set(o, "index", json_integer((json_int_t)f->index));
	set(o, "leaves", json_integer((json_int_t)tree->count));
	set(o, "path", list);
	set(o, "root", json_string(hex));
	set(o, "table", json_string(f->table));
	set(o, "text", json_string(evl_text_str(&f->text)));
	evl_require(evl_canonical_json(&out, o));
	enum evl_status st = evl_file_write(out_path, out.data, out.len, err);
	json_decref(o);
	evl_text_finish(&out);
	return st;
}

enum evl_status evl_proof_write(
	const char *dir, const char *which, const char *out_path, struct evl_err *err)
{
	struct evl_dossier_report report = {0};
	struct evl_merkle tree = {0};
	struct found f = {0};
	struct wanted w;
	char *json = NULL;
	size_t len = 0;
	char *path = evl_file_join(dir, EVL_DOSSIER_EVIDENCE);
	enum evl_status st = understand(&w, which, err);
	if (st == EVL_OK) {
		st = evl_dossier_verify(&report, dir, NULL, err);
	}
	if (st == EVL_OK) {
		st = evl_file_read(&json, &len, path, EVIDENCE_MAX, err);
	}
	if (st == EVL_OK) {
		st = find_row(&f, &tree, &w, json, len, err);
	}
	if (st == EVL_OK) {
		st = write_file(out_path, &f, &tree, report.report_id, err);
	}
	evl_dossier_report_finish(&report);
	evl_merkle_finish(&tree);
	evl_text_finish(&f.text);
	evl_text_finish(&w.names);
	free(json);
	free(path);
	return st;
}

static const char *text_of(const json_t *o, const char *name)
{
	const char *s = json_string_value(json_object_get(o, name));
	return s == NULL ? "" : s;
}

static enum evl_status check_path(const json_t *proof, const json_t *manifest, struct evl_err *err)
{
	const json_t *tree = json_object_get(manifest, "tree");
	const json_t *list = json_object_get(proof, "path");
	const json_t *text = json_object_get(proof, "text");
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES];
	uint8_t root[EVL_SHA256_BYTES];
	uint8_t leaf[EVL_SHA256_BYTES];
	json_int_t index = json_integer_value(json_object_get(proof, "index"));
	json_int_t leaves = json_integer_value(json_object_get(tree, "leaves"));
	size_t n = json_array_size(list);
	bool good = n <= EVL_MERKLE_PATH_MAX && json_is_string(text) && index >= 0 && leaves > 0 &&
		    evl_unhex(text_of(tree, "root"), root, sizeof root) == EVL_OK;
	for (size_t i = 0; i < n && good; i++) {
		const char *hex = json_string_value(json_array_get(list, i));
		good = hex != NULL && evl_unhex(hex, path[i], sizeof path[i]) == EVL_OK;
	}
	if (!good) {
		return evl_err_set(err, EVL_E_CORRUPT, "lacks a part, or one has another form");
	}
	if (json_integer_value(json_object_get(proof, "leaves")) != leaves ||
		strcmp(text_of(proof, "root"), text_of(tree, "root")) != 0 ||
		strcmp(text_of(proof, "report"), text_of(manifest, "report")) != 0) {
		return evl_err_set(err, EVL_E_CORRUPT, "belongs to another dossier");
	}
	evl_merkle_leaf(leaf, json_string_value(text), json_string_length(text));
	if (!evl_merkle_proves(leaf, (uint64_t)index, (uint64_t)leaves,
		    (const uint8_t(*)[EVL_SHA256_BYTES])path, n, root)) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"its row does not lead to the root that the signed manifest names");
	}
	json_t *row = json_loads(json_string_value(text), 0, NULL);
	const char *table = json_string_value(json_array_get(row, 0));
	bool same = table != NULL && strcmp(table, text_of(proof, "table")) == 0;
	json_decref(row);
	return same ? EVL_OK
		    : evl_err_set(err, EVL_E_CORRUPT, "names another table than its row does");
}

enum evl_status evl_proof_check(
	char **text, const char *path, const json_t *manifest, struct evl_err *err)
{
	char *data = NULL;
	size_t len = 0;
	struct evl_text again = {0};
	*text = NULL;
	enum evl_status st = evl_file_read(&data, &len, path, PROOF_MAX, err);
	if (st != EVL_OK) {
		return st;
	}
	json_t *proof = json_loadb(data, len, JSON_REJECT_DUPLICATES, NULL);
	if (proof == NULL || strcmp(text_of(proof, "format"), EVL_PROOF_FORMAT) != 0) {
		st = evl_err_set(err, EVL_E_CORRUPT, "is no proof of the format " EVL_PROOF_FORMAT);
	} else if (!evl_canonical_json(&again, proof) || again.len != len ||
		   memcmp(again.data, data, len) != 0 || json_object_size(proof) != 8) {
		st = evl_err_set(err, EVL_E_CORRUPT, "is not canonical JSON (RFC 8785)");
	} else {
		st = check_path(proof, manifest, err);
	}
	if (st == EVL_OK) {
		*text = evl_xstrdup(text_of(proof, "text"));
	}
	evl_text_finish(&again);
	json_decref(proof);
	free(data);
	return st;
}
