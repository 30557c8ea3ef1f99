/* SPDX-License-Identifier: Apache-2.0 */
/* Who tested what, where and when; and the same against the list of ISO/IEC 17025. */
#include "core/report/page.h"

#include <ctype.h>
#include <jansson.h>
#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

#define NOT_STATED "<span class=\"quiet\">not stated</span>"

static void put_scalar(struct evl_page *p, const json_t *v)
{
	char number[64];
	if (json_is_string(v)) {
		evl_page_put(p, "$", json_string_value(v));
	} else if (json_is_integer(v)) {
		snprintf(number, sizeof number, "%lld", (long long)json_integer_value(v));
		evl_page_put(p, "$", number);
	} else if (json_is_real(v)) {
		snprintf(number, sizeof number, "%.12g", json_real_value(v));
		evl_page_put(p, "$", number);
	} else {
		evl_page_put(p, json_is_true(v) ? "yes" : json_is_false(v) ? "no" : NOT_STATED);
	}
}

void evl_page_put_json(struct evl_page *p, const json_t *v, int depth)
{
	if (depth > 4 || !(json_is_object(v) || json_is_array(v))) {
		put_scalar(p, v);
		return;
	}
	if (json_is_array(v)) {
		for (size_t i = 0; i < json_array_size(v); i++) {
			evl_page_put(p, i == 0 ? "" : ", ");
			evl_page_put_json(p, json_array_get(v, i), depth + 1);
		}
		return;
	}
	bool first = true;
	for (void *it = json_object_iter((json_t *)(uintptr_t)v); it != NULL;
		it = json_object_iter_next((json_t *)(uintptr_t)v, it)) {
		evl_page_put(p, "$$: ", first ? "" : "; ", json_object_iter_key(it));
		evl_page_put_json(p, json_object_iter_value(it), depth + 1);
		first = false;
	}
}

json_t *evl_page_parse(const char *text)
{
	json_t *v = text == NULL ? NULL : json_loads(text, 0, NULL);
	if (v != NULL && (!json_is_object(v) || json_object_size(v) == 0)) {
		json_decref(v);
		v = NULL;
	}
	return v;
}

static void put_member(struct evl_page *p, const char *key, const json_t *value)
{
	char name[64];
	snprintf(name, sizeof name, "%.60s", key);
	name[0] = (char)toupper((unsigned char)name[0]);
	for (char *c = name; *c != '\0'; c++) {
		*c = *c == '_' ? ' ' : *c;
	}
	evl_page_put(p, "<dt>$</dt><dd>", name);
	evl_page_put_json(p, value, 0);
	evl_page_put(p, "</dd>");
}

void evl_page_put_json_list(struct evl_page *p, const char *title, const char *json)
{
	json_t *object = evl_page_parse(json);
	evl_page_put(p, "<div><h3>$</h3>", title);
	if (object == NULL) {
		evl_page_put(p, "<p>" NOT_STATED "</p></div>\n");
		return;
	}
	/* The store keeps members by name; people look for these first. */
	static const char *const first[] = {"name", "description", "type", "serial", "address"};
	evl_page_put(p, "<dl>");
	for (size_t i = 0; i < sizeof first / sizeof *first; i++) {
		const json_t *v = json_object_get(object, first[i]);
		if (v != NULL) {
			put_member(p, first[i], v);
			json_object_del(object, first[i]);
		}
	}
	for (void *it = json_object_iter(object); it != NULL;
		it = json_object_iter_next(object, it)) {
		put_member(p, json_object_iter_key(it), json_object_iter_value(it));
	}
	evl_page_put(p, "</dl></div>\n");
	json_decref(object);
}

void evl_page_put_stated(struct evl_page *p, const char *value)
{
	evl_page_put(p, value == NULL || value[0] == '\0' ? NOT_STATED : "$", value);
}

static void put_pair(struct evl_page *p, const char *name, const char *value)
{
	evl_page_put(p, "<dt>$</dt><dd>", name);
	evl_page_put_stated(p, value);
	evl_page_put(p, "</dd>");
}

static void put_run(struct evl_page *p)
{
	const struct evl_row_run *r = &p->run->run;
	evl_page_put(p, "<div><h3>Run</h3><dl>");
	put_pair(p, "Build", r->build);
	put_pair(p, "Started (UTC)", r->started_utc);
	put_pair(p, "Ended (UTC)", r->ended_utc);
	put_pair(p, "Run number", evl_num_count(r->run).s);
	put_pair(p, "Seed", evl_num_seed(r->seed).s);
	put_pair(p, "Clock",
		r->clock != NULL && strcmp(r->clock, "virtual") == 0
			? "virtual: bench time is counted in frames of 125 µs, not by the wall "
			  "clock"
			: r->clock);
	if (r->reference_run > 0) {
		put_pair(p, "Reference run", evl_num_count(r->reference_run).s);
	}
	put_pair(p, "Software", r->software_version);
	evl_page_put(p, "</dl></div>\n<div><h3>Campaign</h3><dl>");
	put_pair(p, "Name", r->campaign_name);
	put_pair(p, "Version", r->campaign_version);
	put_pair(p, "SHA-256", r->campaign_sha256);
	for (size_t i = 0; i < p->run->file_count; i++) {
		const struct evl_row_file *f = &p->run->files[i];
		char name[300];
		snprintf(name, sizeof name, "%s %.250s, SHA-256", f->purpose, f->name);
		put_pair(p, name, f->sha256);
	}
	evl_page_put(p, "</dl></div>\n<div><h3>Bench</h3><dl>");
	put_pair(p, "Name", r->bench_name);
	put_pair(p, "Title", r->bench_title);
	put_pair(p, "Numbering", r->numbering);
	put_pair(p, "SHA-256", r->bench_sha256);
	evl_page_put(p, "</dl></div>\n");
}

/* As the bench file gives it. A simulation has nothing to calibrate, and says so itself. */
static void put_calibration(struct evl_page *p, const char *instance)
{
	static const struct {
		const char *member, *name;
	} parts[] = {{"certificate", "Certificate"}, {"by", "Calibrated by"},
		{"date", "Calibrated on"}, {"due", "Due again"}, {"uncertainty", "Uncertainty"},
		{"note", "Calibration"}};
	const json_t *c = json_object_get(
		json_object_get(json_object_get(p->facts->bench, "adapters"), instance),
		"calibration");
	if (!json_is_object(c)) {
		put_pair(p, "Calibration", NULL);
		return;
	}
	bool note = json_string_length(json_object_get(c, "note")) > 0;
	for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
		const char *value = json_string_value(json_object_get(c, parts[i].member));
		/* A note may stand for all of it. */
		if (value != NULL || !note || i == 0) {
			if (i == 5 && !note) {
				continue;
			}
			if (i == 0 && value == NULL && note) {
				continue;
			}
			put_pair(p, parts[i].name, value);
		}
	}
}

/* A list and no table: six columns do not fit a narrow page. */
static void put_adapters(struct evl_page *p)
{
	evl_page_put(p, "<h3>Adapters</h3>\n<div class=\"facts\">\n");
	for (size_t i = 0; i < p->run->adapter_count; i++) {
		const struct evl_row_adapter *a = &p->run->adapters[i];
		evl_page_put(p, "<div><h4>$</h4><dl>", a->instance);
		put_pair(p, "Driver", a->driver);
		put_pair(p, "Version", a->version);
		put_pair(p, "Driver ABI", a->abi);
		put_pair(p, "What it is", a->description);
		put_pair(p, "Capabilities", a->capabilities);
		put_calibration(p, a->instance);
		evl_page_put(p, "</dl></div>\n");
	}
	evl_page_put(p, "</div>\n");
}

void evl_page_put_identity(struct evl_page *p)
{
	const struct evl_row_run *r = &p->run->run;
	evl_page_put(p, "<section id=\"identity\" class=\"fresh\" aria-labelledby=\"h-identity\">\n"
			"<h2 id=\"h-identity\">What was tested, by whom, for whom</h2>\n"
			"<div class=\"facts\">\n");
	evl_page_put_json_list(p, "Unit under test", r->unit_json);
	put_run(p);
	evl_page_put_json_list(p, "Laboratory", r->lab_json);
	evl_page_put_json_list(p, "Customer", r->customer_json);
	evl_page_put(p, "</div>\n");
	put_adapters(p);
	evl_page_put(p, "</section>\n");
}
