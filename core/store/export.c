/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/export.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"

struct parts {
	struct evl_text rows;
	struct evl_text open;
};

static void member(struct evl_text *out, const char *name, const char *text)
{
	evl_text_addf(out, "\"%s\":", name);
	store_json_string(out, text, strlen(text));
}

static void add_step(void *arg, const struct chain_step *step)
{
	struct parts *parts = arg;
	struct evl_text *out = step->open ? &parts->open : &parts->rows;
	if (out->len > 0) {
		evl_text_add(out, ",");
	}
	if (step->open) {
		store_json_string(out, step->text, step->text_len);
		return;
	}
	evl_text_add(out, "{");
	member(out, "key", step->key);
	evl_text_add(out, ",");
	member(out, "link", step->link);
	evl_text_add(out, ",");
	member(out, "row", step->row);
	evl_text_add(out, ",");
	member(out, "table", step->table);
	evl_text_add(out, ",\"text\":");
	store_json_string(out, step->text, step->text_len);
	evl_text_add(out, "}");
}

enum evl_status evl_export_run(char **json, size_t *len, struct evl_store *store, int64_t run,
			       struct evl_err *err)
{
	*json = NULL;
	*len = 0;
	struct parts parts = {0};
	struct evl_chain_report report;
	char results[EVL_SHA256_HEX];
	bool began;
	enum evl_status st = store_snapshot_begin(store, &began, err);
	if (st != EVL_OK) {
		return st;
	}
	st = store_chain_walk(store, run, &report, add_step, &parts, err);
	if (st == EVL_OK) {
		st = evl_store_results_digest(store, run, results, err);
	}
	store_snapshot_end(store, began);
	if (st == EVL_OK) {
		struct evl_text out = {0};
		evl_text_add(&out, "{\"format\":\"evenlode-run/1\",");
		member(&out, "head", report.head);
		evl_text_addf(&out, ",\"links\":%" PRId64 ",\"open\":[", report.links);
		evl_text_addn(&out, evl_text_str(&parts.open), parts.open.len);
		evl_text_add(&out, "],");
		member(&out, "results", results);
		evl_text_add(&out, ",\"rows\":[");
		evl_text_addn(&out, evl_text_str(&parts.rows), parts.rows.len);
		evl_text_addf(&out, "],\"run\":%" PRId64 ",\"schema\":%d,", run, EVL_STORE_SCHEMA);
		member(&out, "software", EVL_VERSION);
		evl_text_add(&out, "}");
		*json = out.data; /* handed to the caller */
		*len = out.len;
	}
	evl_text_finish(&parts.rows);
	evl_text_finish(&parts.open);
	return st;
}
