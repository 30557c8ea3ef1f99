/* SPDX-License-Identifier: Apache-2.0 */
/* The exported run: recomputed by Python's hashlib, and verified without a store. */
#include "fill.h"

#include <jansson.h>

#include "core/base/file.h"
#include "core/store/export.h"

static char *folder;
static char *path;
static struct evl_store *store;
static char *json;
static size_t len;

static int setup(void **state)
{
	(void)state;
	folder = folder_create();
	path = path_in(folder, "lab.evl");
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	struct fill f = fill_a;
	/* Characters that JSON escapes, or does not: RFC 8785 3.2.2.2. */
	f.build = "A \"quoted\" \\ / \t\n\r\b\f\x01\x1f\x7f \xC3\xA9 \xE2\x80\xA8 \xF0\x9F\x98\x80";
	fill_run(store, &fill_a);
	fill_run(store, &f);
	OK(evl_export_run(&json, &len, store, 2, err));
	return 0;
}

static int teardown(void **state)
{
	(void)state;
	free(json);
	evl_store_close(store);
	free(path);
	folder_destroy(folder);
	return 0;
}

/* Outside check: Python (json, hashlib, sqlite3) knows nothing of our code. */
static void python_agrees(int64_t run)
{
	char *out = path_in(folder, "export.json");
	char *text = NULL;
	size_t bytes = 0;
	char command[1024];
	OK(evl_export_run(&text, &bytes, store, run, err));
	OK(evl_file_write(out, text, bytes, err));
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(command, sizeof command, "%s '%s/tests/store/check_export.py' '%s' %d '%s' >&2",
		 EVL_PYTHON, root != NULL ? root : ".", path, (int)run, out);
	assert_int_equal(system(command), 0);
	free(text);
	free(out);
}

static void test_python(void **state)
{
	(void)state;
	struct fill f = fill_a;
	f.real_clock = true;
	f.errors = 7;
	fill_run(store, &f);
	python_agrees(1);
	python_agrees(2);
	python_agrees(3);
	char *text = NULL;
	size_t bytes = 0;
	REFUSED(evl_export_run(&text, &bytes, store, 9, err), EVL_E_NOTFOUND, "no run 9");
	assert_null(text);
}

static void test_verify(void **state)
{
	(void)state;
	struct evl_chain_report report;
	struct evl_run *r;
	OK(evl_export_verify(json, len, &report, NULL, err));
	OK(evl_store_load_run(&r, store, 2, err));
	assert_string_equal(report.head, r->chain_head);
	assert_int_equal(report.links, r->chain_links);
	evl_run_destroy(r);

	/* Canonical: jansson's own compact, sorted dump is the same. */
	json_t *root = json_loads(json, 0, NULL);
	char *again = json_dumps(root, JSON_COMPACT | JSON_SORT_KEYS);
	assert_string_equal(again, json);
	free(again);
	json_decref(root);
}

static void test_other_texts(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		enum evl_status want;
		const char *part;
	} cases[] = {
		{"", EVL_E_CORRUPT, "is no JSON"},
		{"{", EVL_E_CORRUPT, "is no JSON"},
		{"[]", EVL_E_INVALID, "is no exported run"},
		{"{\"format\":\"song\"}", EVL_E_INVALID, "is no exported run"},
		{"{\"format\":\"evenlode-run/2\"}", EVL_E_VERSION, "use a newer one"},
		{"{\"format\":\"evenlode-run/1\",\"schema\":9}", EVL_E_VERSION, "use a newer one"},
		{"{\"format\":\"evenlode-run/1\"}", EVL_E_CORRUPT, "fields around the rows"},
		{"{\"format\":\"evenlode-run/1\",\"head\":\"x\",\"links\":0,\"open\":[],"
		 "\"results\":\"\",\"rows\":[1],\"run\":1,\"schema\":3,\"software\":\"\"}",
		 EVL_E_CORRUPT, "five texts"},
		{"{\"format\":\"evenlode-run/1\",\"head\":\"x\",\"links\":0,\"open\":[3],"
		 "\"results\":\"\",\"rows\":[],\"run\":1,\"schema\":3,\"software\":\"\"}",
		 EVL_E_CORRUPT, "head of the chain"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		REFUSED(evl_export_verify(cases[i].text, strlen(cases[i].text), NULL, NULL, err),
			cases[i].want, cases[i].part);
	}
}

/* A digit or letter changed anywhere, but in the name of the program that exported it. */
static void test_any_byte(void **state)
{
	(void)state;
	const char *free_text = strstr(json, "\"software\":\"");
	assert_non_null(free_text);
	size_t free_from = (size_t)(free_text - json) + 12;
	for (size_t i = 0; i < len; i += 3) {
		if (i >= free_from && i < len - 2) {
			continue;
		}
		char was = json[i];
		struct evl_err e = {0};
		json[i] = was == '5' ? '6' : '5';
		if (evl_export_verify(json, len, NULL, NULL, &e) == EVL_OK) {
			fail_msg("byte %zu: '%c' became '%c' unnoticed", i, was, json[i]);
		}
		assert_true(e.text[0] != '\0');
		json[i] = was;
	}
	OK(evl_export_verify(json, len, NULL, NULL, err));
}

static void altered(json_t *root, const char *fault, const char *table)
{
	struct evl_chain_report report;
	struct evl_err e = {0};
	char *text = json_dumps(root, JSON_COMPACT | JSON_SORT_KEYS);
	enum evl_status st = evl_export_verify(text, strlen(text), &report, NULL, &e);
	if (st != EVL_E_CORRUPT || strcmp(report.fault, fault) != 0 ||
	    (table != NULL && strcmp(report.table, table) != 0)) {
		fail_msg("%d %s %s %s: %s, wanted %s %s", st, report.fault, report.table,
			 report.key, e.text, fault, table != NULL ? table : "");
	}
	free(text);
	json_decref(root);
}

static void test_rows(void **state)
{
	(void)state;
	json_t *whole = json_loads(json, 0, NULL);
	size_t n = json_array_size(json_object_get(whole, "rows"));
	for (size_t i = 0; i < n; i++) {
		json_t *root = json_deep_copy(whole);
		json_t *rows = json_object_get(root, "rows");
		json_t *row = json_array_get(rows, i);
		char table[64];
		snprintf(table, sizeof table, "%s",
			 json_string_value(json_object_get(row, "table")));
		json_object_set_new(row, "text", json_string("[\"run\"]"));
		altered(root, "altered", table);

		root = json_deep_copy(
			whole); /* removed: the link of the next one does not follow */
		rows = json_object_get(root, "rows");
		json_array_remove(rows, i);
		altered(root, i + 1 < n ? "chain" : "missing", NULL);

		root = json_deep_copy(whole); /* twice */
		rows = json_object_get(root, "rows");
		json_array_insert(rows, i, json_array_get(rows, i));
		altered(root, "chain", table);

		root = json_deep_copy(
			whole); /* its digest follows the new text, its link does not */
		rows = json_object_get(root, "rows");
		row = json_array_get(rows, i);
		char hex[EVL_SHA256_HEX];
		uint8_t digest[EVL_SHA256_BYTES];
		evl_sha256_of("[\"run\"]", 7, digest);
		evl_hex(digest, sizeof digest, hex);
		json_object_set_new(row, "text", json_string("[\"run\"]"));
		json_object_set_new(row, "row", json_string(hex));
		altered(root, "chain", table);

		root = json_deep_copy(whole); /* named as another row */
		row = json_array_get(json_object_get(root, "rows"), i);
		json_object_set_new(row, "key", json_string("77"));
		altered(root, "altered", table);
	}
	/* The end cut off with head and count put right: the run's own row is missing. */
	json_t *root = json_deep_copy(whole);
	json_t *rows = json_object_get(root, "rows");
	json_array_remove(rows, n - 1);
	json_object_set(root, "head", json_object_get(json_array_get(rows, n - 2), "link"));
	json_object_set_new(root, "links", json_integer((json_int_t)n - 1));
	altered(root, "missing", "run");
	/* An open row smuggled into a run that ended. */
	root = json_deep_copy(whole);
	json_array_append(
		json_object_get(root, "open"),
		json_object_get(json_array_get(json_object_get(root, "rows"), 0), "text"));
	altered(root, "added", "open");
	json_decref(whole);
}

static void test_altered_store_is_not_exported(void **state)
{
	(void)state;
	evl_store_close(store);
	store = NULL;
	char command[400];
	snprintf(command, sizeof command,
		 "%s -c \"import sqlite3; d=sqlite3.connect('%s'); d.execute('UPDATE check_ SET "
		 "errors=0, bits=1 WHERE run=2 AND ordinal=1'); d.commit()\"",
		 EVL_PYTHON, path);
	assert_int_equal(system(command), 0);
	OK(evl_store_open(&store, path, EVL_STORE_READ, err));
	char *text = NULL;
	size_t bytes;
	REFUSED(evl_export_run(&text, &bytes, store, 2, err), EVL_E_CORRUPT,
		"the row 0/1 of table check_ was altered");
	assert_null(text);
}

static void test_open_run(void **state)
{
	(void)state;
	int64_t run;
	int case_no;
	int take_no;
	fill_setup(store, &run, &fill_a);
	fill_case(store, &case_no, &take_no, &fill_a);
	char *text = NULL;
	size_t bytes;
	struct evl_chain_report report;
	OK(evl_export_run(&text, &bytes, store, run, err));
	OK(evl_export_verify(text, bytes, &report, NULL, err));
	assert_int_equal(report.open_rows, 6);
	char *at = strstr(text, "\\\"pattern\\\",\\\"2^15-1\\\"");
	assert_non_null(at);
	at[strlen("\\\"pattern\\\",\\\"2")] = '!';
	REFUSED(evl_export_verify(text, bytes, NULL, NULL, err), EVL_E_CORRUPT, "results digest");
	free(text);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_python, setup, teardown),
		cmocka_unit_test_setup_teardown(test_verify, setup, teardown),
		cmocka_unit_test_setup_teardown(test_other_texts, setup, teardown),
		cmocka_unit_test_setup_teardown(test_any_byte, setup, teardown),
		cmocka_unit_test_setup_teardown(test_rows, setup, teardown),
		cmocka_unit_test_setup_teardown(test_altered_store_is_not_exported, setup,
						teardown),
		cmocka_unit_test_setup_teardown(test_open_run, setup, teardown),
	};
	return cmocka_run_group_tests_name("store.export", tests, NULL, NULL);
}
