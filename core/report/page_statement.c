/* SPDX-License-Identifier: Apache-2.0 */
/* Methods, conditions, opinions, and all of it against the list of ISO/IEC 17025:2017, 7.8. */
#include "core/report/page.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/document.h"
#include "core/report/number.h"

static const struct evl_statement nothing;

static const struct evl_statement *statement_of(const struct evl_page *p)
{
	return p->facts->statement == NULL ? &nothing : p->facts->statement;
}

/* Standards and clauses that the checks of a case name, each once. */
static void put_standards(struct evl_page *p, const struct evl_row_case *k)
{
	size_t first = 0;
	size_t n = evl_run_case_checks(p->run, k->ordinal, &first);
	size_t shown = 0;
	for (size_t i = 0; i < n; i++) {
		const char *s = p->run->checks[first + i].standard;
		bool new = s != NULL &&s[0] != '\0';
		for (size_t j = 0; new &&j < i; j++) {
			const char *before = p->run->checks[first + j].standard;
			new = before == NULL || strcmp(before, s) != 0;
		}
		if (new) {
			evl_page_put(p, "$$", shown++ == 0 ? "" : "; ", s);
		}
	}
	if (shown == 0) {
		evl_page_put_stated(p, NULL);
	}
}

void evl_page_put_methods(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	evl_page_put(p, "<section id=\"methods\" aria-labelledby=\"h-methods\">\n"
			"<h2 id=\"h-methods\">Methods and conditions</h2>\n"
			"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
			"aria-labelledby=\"h-methods\"><table>\n"
			"<thead><tr><th scope=\"col\">Case</th><th scope=\"col\">Method</th><th "
			"scope=\"col\">Standard and clause</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < p->run->case_count; i++) {
		const struct evl_row_case *k = &p->run->cases[i];
		evl_page_put(p, "<tr><th scope=\"row\"><a href=\"#case-$\">$</a></th><td>", k->name,
			k->name);
		evl_page_put_stated(p, k->method);
		evl_page_put(p, "</td><td>");
		put_standards(p, k);
		evl_page_put(p, "</td></tr>\n");
	}
	evl_page_put(p, "</tbody></table></div>\n<dl class=\"how\"><dt>Environment</dt><dd>");
	size_t shown = 0;
	for (void *it = json_object_iter((json_t *)(uintptr_t)s->conditions); it != NULL;
		it = json_object_iter_next((json_t *)(uintptr_t)s->conditions, it)) {
		if (strcmp(json_object_iter_key(it), EVL_DOCUMENT_LINE) != 0) {
			evl_page_put(p, "$$: $", shown++ == 0 ? "" : "; ", json_object_iter_key(it),
				json_string_value(json_object_iter_value(it)));
		}
	}
	if (shown == 0) {
		evl_page_put_stated(p, NULL);
	}
	evl_page_put(p, "</dd><dt>Uncertainty</dt><dd>");
	if (s->uncertainty != NULL) {
		evl_page_put(p, "$. ", s->uncertainty);
	}
	evl_page_put(p,
		"Counted ratios carry their exact confidence limits, beside each check; nothing "
		"else is added to them.</dd><dt>Deviations</dt><dd>");
	if (s->deviations == NULL) {
		evl_page_put_stated(p, NULL);
	} else if (json_array_size(s->deviations) == 0) {
		evl_page_put(p, "none");
	}
	for (size_t i = 0; i < json_array_size(s->deviations); i++) {
		evl_page_put(p, "$$", i == 0 ? "" : "; ",
			json_string_value(json_array_get(s->deviations, i)));
	}
	evl_page_put(p, "</dd></dl>\n</section>\n");
}

void evl_page_put_opinions(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	evl_page_put(p, "<section id=\"opinions\" aria-labelledby=\"h-opinions\">\n"
			"<h2 id=\"h-opinions\">Opinions and interpretations</h2>\n");
	if (s->opinion_count == 0) {
		evl_page_put(p, "<p>None. All above is results.</p>\n");
	} else {
		evl_page_put(p, "<p>These are no results of the tests: they are what the named "
				"persons make of them (ISO/IEC 17025:2017, 7.8.7).</p>\n<ul>\n");
		for (size_t i = 0; i < s->opinion_count; i++) {
			evl_page_put(p, "<li>$ <strong>$</strong></li>\n", s->opinions[i].text,
				s->opinions[i].author);
		}
		evl_page_put(p, "</ul>\n");
	}
	evl_page_put(p, "</section>\n");
}

/* One row of the list; `value` NULL or empty is "not stated". */
static void put_item(struct evl_page *p, const char *letter, const char *asked, const char *value)
{
	evl_page_put(p, "<tr><th scope=\"row\">$</th><td>$</td><td>", letter, asked);
	evl_page_put_stated(p, value);
	evl_page_put(p, "</td></tr>\n");
}

static void put_json_item(struct evl_page *p, const char *letter, const char *asked,
	const char *json, const char *key)
{
	json_t *object = evl_page_parse(json);
	const json_t *v = key == NULL ? object : json_object_get(object, key);
	evl_page_put(p, "<tr><th scope=\"row\">$</th><td>$</td><td>", letter, asked);
	if (v == NULL) {
		evl_page_put_stated(p, NULL);
	} else {
		evl_page_put_json(p, v, 0);
	}
	evl_page_put(p, "</td></tr>\n");
	json_decref(object);
}

static void put_authorised(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	char text[800];
	const char *signer =
		p->facts->demo_key ? "a demonstration key, which is nobody's" : p->facts->subject;
	if (s->authorised_name == NULL) {
		snprintf(text, sizeof text, "no person is named; signed with %.600s", signer);
	} else {
		snprintf(text, sizeof text, "%.200s%s%.200s; signed with %.300s",
			s->authorised_name, s->authorised_function == NULL ? "" : ", ",
			s->authorised_function == NULL ? "" : s->authorised_function, signer);
	}
	put_item(p, "o", "Who authorised the report", text);
}

static void put_deviations(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	char text[200];
	snprintf(text, sizeof text, "%s; %s",
		s->deviations == NULL                 ? "not stated by the laboratory"
		: json_array_size(s->deviations) == 0 ? "none, says the laboratory"
						      : "see Methods and conditions",
		strcmp(p->run->run.state, EVL_STATE_FINISHED) == 0
			? "the run came to its end; cases that were left out are not listed"
			: "the run was interrupted, see the verdict");
	put_item(p, "n", "Additions, deviations, exclusions", text);
}

/* Which results it covers, and which parts of the specification are met (7.8.6.2). */
static void put_conformity(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	char text[400];
	snprintf(text, sizeof text,
		"verdict %s; it covers all %.60s of this run, each against the limit beside it%s",
		evl_page_verdict_name(p->verdict),
		evl_num_of((int64_t)p->run->check_count, "check").s,
		s->has_requirements ? "; requirement by requirement under Requirements" : "");
	put_item(p, "7.8.3.1 b", "Statement of conformity", text);
}

static void put_list(struct evl_page *p)
{
	const struct evl_row_run *r = &p->run->run;
	const struct evl_statement *s = statement_of(p);
	char text[512];
	put_item(p, "a", "Title", r->campaign_title);
	put_json_item(p, "b", "Laboratory: name and address", r->lab_json, NULL);
	put_json_item(p, "c", "Where the work was done", r->lab_json, "place");
	snprintf(text, sizeof text,
		"report %.80s; number on each page of the PDF, end mark on the last line",
		p->facts->report_id);
	put_item(p, "d", "Unique identification and end mark", text);
	put_json_item(p, "e", "Customer: name and contact", r->customer_json, NULL);
	snprintf(text, sizeof text,
		"campaign %.100s, version %.60s, SHA-256 %.64s; method and standard of each case "
		"under Methods and conditions",
		r->campaign_name == NULL ? "not stated" : r->campaign_name,
		r->campaign_version == NULL ? "not stated" : r->campaign_version,
		r->campaign_sha256 == NULL ? "not stated" : r->campaign_sha256);
	put_item(p, "f", "Method", text);
	put_json_item(p, "g", "Item tested, and its condition", r->unit_json, NULL);
	put_json_item(p, "h", "Date of receipt", r->unit_json, "received");
	snprintf(text, sizeof text, "%.40s to %.40s (UTC)",
		r->started_utc == NULL ? "not stated" : r->started_utc,
		r->ended_utc == NULL ? "not stated" : r->ended_utc);
	put_item(p, "i", "Dates of performance", text);
	put_item(p, "j", "Date of issue", "in manifest.json (issued_utc) and in the signatures");
	put_item(p, "k", "Sampling", s->sampling);
	put_item(p, "l", "Results relate only to the items tested", "stated above");
	put_item(p, "m", "Results with units", "section Case by case");
	put_deviations(p);
	put_authorised(p);
	put_item(p, "p", "Results from external providers", s->external);
	put_item(p, "7.8.2.2", "Data provided by the customer",
		s->has_requirements
			? "requirements and waivers, as given in the file of requirements; "
			  "names of unit and customer, as entered"
			: "names of unit and customer, as entered; no more is stated");
	put_item(p, "7.8.3.1 a", "Conditions of the test",
		s->conditions == NULL ? NULL : "under Methods and conditions");
	put_conformity(p);
	put_item(p, "7.8.3.1 c", "Measurement uncertainty",
		s->uncertainty != NULL
			? "under Methods and conditions; confidence limits beside each ratio"
			: "confidence limits beside each ratio; no more is stated");
	put_item(p, "7.8.6", "Decision rule and its risk",
		"section Decision rule, and beside each check");
	put_item(p, "7.8.7", "Opinions, apart from results",
		s->opinion_count == 0 ? "none" : "section Opinions and interpretations");
	if (s->replaces != NULL) {
		snprintf(text, sizeof text, "replaces report %.100s: %.300s", s->replaces,
			s->replaces_reason);
	}
	put_item(p, "7.8.8", "Amended report",
		s->replaces != NULL ? text : "no; nobody says that it replaces another one");
}

void evl_page_put_statement(struct evl_page *p)
{
	const struct evl_statement *s = statement_of(p);
	evl_page_put(p,
		"<section id=\"statement\" aria-labelledby=\"h-statement\">\n"
		"<h2 id=\"h-statement\">Statement</h2>\n"
		"<p class=\"only\"><strong>The results relate only to the items tested.</strong> "
		"This report is one part of its dossier and should not be reproduced except in "
		"full without the laboratory's approval.</p>\n");
	if (s->replaces != NULL) {
		evl_page_put(p,
			"<p class=\"notice\"><strong>Amended report:</strong> it replaces report "
			"$. $</p>\n",
			s->replaces, s->replaces_reason);
	}
	evl_page_put(p,
		"<p>Names of the laboratory, the customer and the unit, and everything about "
		"calibration, were entered by people and not measured. The list below follows the "
		"common requirements for reports in ISO/IEC 17025:2017, 7.8. It shows what this "
		"report states; it does not claim that the laboratory is accredited. What nobody "
		"entered is shown as not stated.</p>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"h-statement\"><table class=\"asked\">\n"
		"<thead><tr><th scope=\"col\">Item</th><th scope=\"col\">Asked for</th><th "
		"scope=\"col\">In this report</th></tr></thead>\n<tbody>\n");
	put_list(p);
	evl_page_put(p, "</tbody></table></div>\n</section>\n");
}
