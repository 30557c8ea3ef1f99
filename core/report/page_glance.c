/* SPDX-License-Identifier: Apache-2.0 */
/* The first page after the verdict: what was tested in few words, when, which channels, the cases.
 */
#include "core/report/page.h"

#include <jansson.h>
#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

/* The members of a JSON object that are there, one after the other. */
static void put_members(
	struct evl_page *p, const char *name, const char *json, const char *const *members)
{
	json_t *object = evl_page_parse(json);
	size_t shown = 0;
	evl_page_put(p, "<dt>$</dt><dd>", name);
	for (size_t i = 0; members[i] != NULL; i++) {
		const char *value = json_string_value(json_object_get(object, members[i]));
		if (value != NULL && value[0] != '\0') {
			evl_page_put(p, "$$$", shown++ == 0 ? "" : ", ",
				strcmp(members[i], "serial") == 0 ? "serial " : "", value);
		}
	}
	if (shown == 0) {
		evl_page_put_stated(p, NULL);
	}
	evl_page_put(p, "</dd>");
	json_decref(object);
}

static void put_facts(struct evl_page *p)
{
	static const char *const unit[] = {"description", "type", "serial", NULL};
	static const char *const who[] = {"name", NULL};
	const struct evl_row_run *r = &p->run->run;
	evl_page_put(p, "<div class=\"facts brief\"><dl>");
	put_members(p, "Unit", r->unit_json, unit);
	evl_page_put(p, "<dt>Build</dt><dd>$</dd><dt>Bench</dt><dd>", r->build);
	evl_page_put_stated(p, r->bench_title != NULL ? r->bench_title : r->bench_name);
	evl_page_put(p, "</dd></dl><dl>");
	put_members(p, "Laboratory", r->lab_json, who);
	put_members(p, "Customer", r->customer_json, who);
	evl_page_put(p, "<dt>Tested</dt><dd>");
	evl_page_put_stated(p, r->started_utc);
	if (r->ended_utc != NULL) {
		evl_page_put(p, " to $", r->ended_utc);
	}
	evl_page_put(p, " (UTC)</dd></dl></div>\n");
}

static void put_case_row(struct evl_page *p, const struct evl_row_case *k)
{
	int64_t count[PV_COUNT] = {0};
	size_t first = 0;
	size_t n = evl_run_case_checks(p->run, k->ordinal, &first);
	for (size_t i = 0; i < n; i++) {
		count[evl_page_verdict_of(p->run->checks[first + i].verdict)]++;
	}
	evl_page_put(
		p, "<tr><th scope=\"row\"><a href=\"#case-$\">$</a></th><td>", k->name, k->title);
	evl_page_put_verdict(p, evl_page_verdict_of(k->verdict));
	if (k->state != NULL && strcmp(k->state, EVL_STATE_FINISHED) != 0) {
		evl_page_put(p, "<br/>$", k->state);
	}
	evl_page_put(p, "</td><td>");
	bool any = false;
	for (int v = PV_COUNT - 1; v >= 0; v--) {
		if (count[v] > 0) {
			evl_page_put(p, "$$ $", any ? ", " : "", evl_num_count(count[v]).s,
				evl_page_verdict_name((enum evl_page_verdict)v));
			any = true;
		}
	}
	evl_page_put(p, any ? "</td>" : "none</td>");
	evl_page_put(p, "<td class=\"n\">$</td></tr>\n",
		k->ended_ns < k->started_ns ? "not ended"
					    : evl_num_time(k->ended_ns - k->started_ns).s);
}

static void put_case_table(struct evl_page *p)
{
	evl_page_put(p, "<div class=\"wide\" tabindex=\"0\" role=\"group\" "
			"aria-label=\"Cases\"><table>\n"
			"<thead><tr><th scope=\"col\">Case</th><th scope=\"col\">Verdict</th><th "
			"scope=\"col\">Checks</th><th scope=\"col\" class=\"n\">Bench "
			"time</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < p->run->case_count; i++) {
		put_case_row(p, &p->run->cases[i]);
	}
	evl_page_put(p, "</tbody></table></div>\n");
}

void evl_page_put_glance(struct evl_page *p)
{
	evl_page_put(p, "<section id=\"summary\" aria-labelledby=\"h-summary\">\n"
			"<h2 id=\"h-summary\">Summary</h2>\n");
	put_facts(p);
	evl_page_put_strips(p);
	evl_page_put_times(p);
	put_case_table(p);
	evl_page_put(p, "</section>\n");
}
