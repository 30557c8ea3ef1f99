/* SPDX-License-Identifier: Apache-2.0 */
/* Skeleton of the report page, and what its sections share. */
#include "core/report/page.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"
#include "core/report/report_css.h"
#include "core/report/sign.h"

static const char *const verdict_names[PV_COUNT] = {
	"none", "pass", "inconclusive", "fail", "error"};

enum evl_page_verdict evl_page_verdict_of(const char *name)
{
	for (int v = 0; name != NULL && v < PV_COUNT; v++) {
		if (strcmp(name, verdict_names[v]) == 0) {
			return (enum evl_page_verdict)v;
		}
	}
	return PV_NONE;
}

const char *evl_page_verdict_name(enum evl_page_verdict v)
{
	return verdict_names[v];
}

void evl_page_put(struct evl_page *p, const char *format, ...)
{
	va_list ap;
	va_start(ap, format);
	const char *from = format;
	for (const char *at = format; *at != '\0'; at++) {
		if (*at != '$') {
			continue;
		}
		evl_text_addn(p->t, from, (size_t)(at - from));
		const char *arg = va_arg(ap, const char *);
		evl_text_add_html(p->t, arg == NULL ? "" : arg);
		from = at + 1;
	}
	evl_text_add(p->t, from);
	va_end(ap);
}

void evl_page_put_verdict(struct evl_page *p, enum evl_page_verdict v)
{
	const char *name = verdict_names[v];
	evl_page_put(p,
		"<span class=\"v v-$\"><svg aria-hidden=\"true\"><use "
		"href=\"#v-$\"/></svg>$</span>",
		name, name, name);
}

struct evl_num evl_page_channel(const struct evl_page *p, int channel_no, bool klm)
{
	struct evl_num out = {"-"};
	const struct evl_row_channel *c = evl_run_channel(p->run, channel_no);
	if (c == NULL) {
		return out;
	}
	if (c->label != NULL && c->label[0] != '\0') {
		snprintf(out.s, sizeof out.s, "%.60s", c->label);
	} else {
		snprintf(
			out.s, sizeof out.s, "%.50s %d", c->role == NULL ? "" : c->role, c->number);
	}
	if (c->klm == NULL) {
		return out;
	}
	/* Some labels say the place themselves: it is said once, or not at all. */
	char place[48];
	snprintf(place, sizeof place, " (%.40s)", c->klm);
	size_t n = strlen(out.s);
	size_t m = strlen(place);
	bool said = n > m && strcmp(out.s + n - m, place) == 0;
	if (said && !klm) {
		out.s[n - m] = '\0';
	} else if (!said && klm) {
		snprintf(out.s + n, sizeof out.s - n, "%s", place);
	}
	return out;
}

static bool has_unit(const struct evl_row_check *c)
{
	return c->unit != NULL && c->unit[0] != '\0' && strcmp(c->unit, "1") != 0;
}

void evl_page_put_value(struct evl_page *p, const struct evl_row_check *c)
{
	if (c->value == NULL) {
		evl_page_put(p, "<span class=\"quiet\">no value</span>");
		return;
	}
	evl_page_put(p, has_unit(c) ? "$ $" : "$", c->value, c->unit);
}

void evl_page_put_wanted(struct evl_page *p, const struct evl_row_check *c)
{
	if (c->limit == NULL) {
		evl_page_put(p, "<span class=\"quiet\">no limit</span>");
		return;
	}
	/* "is" goes without saying. */
	bool silent = c->relation == NULL || strcmp(c->relation, "is") == 0 ||
		      strcmp(c->relation, "=") == 0;
	evl_page_put(p, has_unit(c) ? "$$$ $" : "$$$", silent ? "" : c->relation, silent ? "" : " ",
		c->limit, c->unit);
	if (c->confidence != NULL) {
		char percent[64];
		double value = atof(c->confidence);
		snprintf(percent, sizeof percent, "%.60s", c->confidence);
		if (strchr(c->confidence, '%') == NULL && value > 0 && value < 1) {
			snprintf(percent, sizeof percent, "%.10g %%", value * 100);
		}
		evl_page_put(p, ", at $ confidence", percent);
	}
}

const char *evl_page_place(const struct evl_row_check *c)
{
	bool performance = c->kind != NULL && strcmp(c->kind, "performance") == 0;
	const char *comma = performance && c->title != NULL ? strstr(c->title, ", ") : NULL;
	return comma == NULL ? "" : comma + 2;
}

struct evl_num evl_page_instant(const struct evl_page *p, int case_no, int64_t at_ns)
{
	struct evl_num out = {""};
	if (at_ns < 0) {
		return out;
	}
	const struct evl_row_take *in = NULL;
	for (size_t i = 0; i < p->run->take_count; i++) {
		const struct evl_row_take *take = &p->run->takes[i];
		if (take->case_no == case_no && take->start_ns <= at_ns &&
			(in == NULL || take->start_ns >= in->start_ns)) {
			in = take;
		}
	}
	return evl_num_time(in == NULL ? at_ns : at_ns - in->start_ns);
}

static const struct evl_row_measurement *crossed(const struct evl_page *p, int channel_no)
{
	for (size_t i = 0; i < p->run->measurement_count; i++) {
		const struct evl_row_measurement *m = &p->run->measurements[i];
		if (m->channel_no == channel_no && m->found_channel_no >= 0 &&
			m->found_channel_no != channel_no) {
			return m;
		}
	}
	return NULL;
}

struct evl_num evl_page_why(const struct evl_page *p, int channel_no)
{
	struct evl_num out = {""};
	const struct evl_row_check *c = p->worst[channel_no];
	if (c == NULL || p->channel[channel_no] < PV_INCONCLUSIVE) {
		return out;
	}
	const struct evl_row_measurement *m = crossed(p, channel_no);
	if (m != NULL) {
		const struct evl_row_channel *from = evl_run_channel(p->run, m->found_channel_no);
		snprintf(out.s, sizeof out.s, "crossed with %d", from == NULL ? 0 : from->number);
	} else if (c->errors > 0) {
		/* U+2060 after the hyphen keeps the ratio on one line of a narrow cell. */
		struct evl_num n = evl_num_ratio(c->errors, c->bits);
		const char *ratio = n.s;
		const char *hyphen = strchr(ratio, '-');
		int head = hyphen == NULL ? (int)strlen(ratio) : (int)(hyphen - ratio) + 1;
		snprintf(out.s, sizeof out.s, "errors %.*s%s%.20s", head, ratio,
			hyphen == NULL ? "" : "\xE2\x81\xA0", ratio + head);
	} else if (c->bits == 0) {
		snprintf(out.s, sizeof out.s, "no bits compared");
	} else {
		snprintf(out.s, sizeof out.s, "%.60s: %.60s", c->title,
			c->value == NULL ? "no value" : c->value);
	}
	return out;
}

/* A claim that is not gradual (the wrong pattern, no alarm) is wholly broken; other claims by their
 * share of wrong bits. */
static double badness(const struct evl_row_check *c)
{
	return c->errors >= 0 && c->bits > 0 ? (double)c->errors / (double)c->bits : 2;
}

/* Verdict first; then the above, or, among the checks of one channel, what rests on more bits. The
 * earlier check wins a tie. */
static bool is_worse(const struct evl_row_check *a, const struct evl_row_check *b, bool one_channel)
{
	if (b == NULL) {
		return true;
	}
	enum evl_page_verdict va = evl_page_verdict_of(a->verdict);
	enum evl_page_verdict vb = evl_page_verdict_of(b->verdict);
	if (va != vb || va < PV_FAIL) {
		return va > vb;
	}
	if (one_channel && badness(a) < 2 && badness(b) < 2) {
		return a->bits > b->bits;
	}
	return badness(a) > badness(b);
}

static void derive(struct evl_page *p)
{
	const struct evl_run *run = p->run;
	p->verdict = evl_page_verdict_of(run->run.verdict);
	p->channel = evl_xcalloc(run->channel_count, sizeof *p->channel);
	p->worst = evl_xcalloc(run->channel_count, sizeof *p->worst);
	for (size_t i = 0; i < run->check_count; i++) {
		const struct evl_row_check *c = &run->checks[i];
		enum evl_page_verdict v = evl_page_verdict_of(c->verdict);
		p->count[v]++;
		if (is_worse(c, p->worst_check, false)) {
			p->worst_check = c;
		}
		if (evl_run_channel(run, c->channel_no) == NULL) {
			continue;
		}
		if (v > p->channel[c->channel_no]) {
			p->channel[c->channel_no] = v;
		}
		if (is_worse(c, p->worst[c->channel_no], true)) {
			p->worst[c->channel_no] = c;
		}
	}
}

/* Shapes that differ without colour: tick, cross, half disc, exclamation mark, dash. */
const char evl_page_symbols[] =
	"<svg class=\"symbols\" width=\"0\" height=\"0\" aria-hidden=\"true\"><symbol "
	"id=\"v-pass\" viewBox=\"0 0 20 20\"><circle cx=\"10\" cy=\"10\" r=\"9\"/><path d=\"M5.5 "
	"10.5l3 3 6-7\"/></symbol><symbol id=\"v-fail\" viewBox=\"0 0 20 20\"><rect x=\"1\" "
	"y=\"1\" width=\"18\" height=\"18\"/><path d=\"M6 6l8 8M14 6l-8 8\"/></symbol><symbol "
	"id=\"v-inconclusive\" viewBox=\"0 0 20 20\"><path class=\"body\" d=\"M10 1a9 9 0 0 0 0 "
	"18z\"/><circle cx=\"10\" cy=\"10\" r=\"8.2\" class=\"hollow\"/></symbol><symbol "
	"id=\"v-error\" viewBox=\"0 0 20 20\"><path class=\"body\" d=\"M6 1h8l5 5v8l-5 "
	"5H6l-5-5V6z\"/><path d=\"M10 5v6.5M10 14v1\"/></symbol><symbol id=\"v-none\" viewBox=\"0 "
	"0 20 20\"><circle cx=\"10\" cy=\"10\" r=\"8.4\" class=\"hollow\"/><path d=\"M6 10h8\" "
	"class=\"line\"/></symbol><symbol id=\"lost\" viewBox=\"0 0 8 8\"><path d=\"M0 8l8-8\" "
	"class=\"line\"/></symbol></svg>\n";

static const struct {
	const char *id;
	const char *name;
} places[] = {
	{"verdict", "Verdict"},
	{"summary", "Summary"},
	{"identity", "What was tested"},
	{"cautions", "Cautions"},
	{"trace", "Requirements"},
	{"map", "Map of the channels"},
	{"cases", "Case by case"},
	{"methods", "Methods and conditions"},
	{"rule", "Decision rule"},
	{"comparison", "Comparison"},
	{"opinions", "Opinions"},
	{"evidence", "Evidence"},
	{"statement", "Statement"},
};

static bool has_requirements(const struct evl_page *p)
{
	return p->facts->statement != NULL && p->facts->statement->has_requirements;
}

static void put_nav(struct evl_page *p)
{
	evl_page_put(p, "<nav aria-label=\"Contents\"><ol>");
	for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
		bool there = strcmp(places[i].id, "comparison") == 0 ? p->cmp != NULL
			     : strcmp(places[i].id, "trace") == 0    ? has_requirements(p)
								     : true;
		if (there) {
			evl_page_put(
				p, "<li><a href=\"#$\">$</a></li>", places[i].id, places[i].name);
		}
	}
	evl_page_put(p, "</ol></nav>\n");
}

static void put_head(struct evl_page *p)
{
	const struct evl_row_run *r = &p->run->run;
	const char *title = r->campaign_title == NULL ? r->campaign_name : r->campaign_title;
	evl_page_put(p,
		"<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n"
		"<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n"
		"<meta name=\"color-scheme\" content=\"light dark\"/>\n"
		"<meta name=\"generator\" content=\"evenlode $\"/>\n<title>$: $ (build $)</title>\n"
		"<style>\n",
		r->software_version, evl_page_verdict_name(p->verdict), title, r->build);
	evl_text_add(p->t, evl_report_css);
	if (p->facts->demo_key) {
		/* In the margin of each sheet; browsers without margin boxes print the first one.
		 */
		evl_text_add(p->t,
			"@media print { @page { @bottom-left { content: \"" EVL_DEMO_KEY_MARK
			"\"; font: bold 8pt sans-serif; } } }\n");
	}
	evl_page_put(p, "</style>\n</head>\n<body>\n");
	evl_text_add(p->t, evl_page_symbols);
	evl_page_put(p, "<a class=\"skip\" href=\"#verdict\">To the verdict</a>\n");
	evl_page_put(p, "<header>\n");
	if (p->facts->demo_key) {
		evl_page_put(p, "<p class=\"mark\" role=\"note\">$</p>\n", EVL_DEMO_KEY_MARK);
	}
	evl_page_put(p,
		"<p class=\"kind\">Acceptance report <code>$</code></p>\n<h1>$</h1>\n",
		p->facts->report_id, title);
	if (r->simulated) {
		evl_page_put(p, "<p class=\"notice\"><strong>Simulated:</strong> an adapter of "
				"this bench is software with no equipment behind it.</p>\n");
	}
	if (r->notice != NULL && r->notice[0] != '\0') {
		evl_page_put(p, "<p class=\"notice\"><strong>Notice:</strong> $</p>\n", r->notice);
	}
	evl_page_put(p, "</header>\n");
}

void evl_page_write(struct evl_text *out, const struct evl_run *run, const struct evl_run *before,
	const struct evl_compare *cmp, const struct evl_page_facts *facts)
{
	struct evl_page p = {.t = out, .run = run, .before = before, .cmp = cmp, .facts = facts};
	derive(&p);
	put_head(&p);
	evl_page_put(&p, "<main>\n");
	evl_page_put_summary(&p);
	evl_page_put_glance(&p);
	evl_page_put_identity(&p);
	evl_page_put_cautions(&p);
	if (has_requirements(&p)) {
		evl_page_put_trace(&p);
	}
	evl_page_put_map(&p);
	evl_page_put_cases(&p);
	evl_page_put_methods(&p);
	evl_page_put_rule(&p);
	if (cmp != NULL) {
		evl_page_put_comparison(&p);
	}
	evl_page_put_opinions(&p);
	evl_page_put_evidence(&p);
	evl_page_put_statement(&p);
	evl_page_put(&p, "</main>\n");
	put_nav(&p);
	evl_page_put(&p,
		"<footer><p class=\"end\" id=\"end\">End of report $</p></footer>\n</body>\n"
		"</html>\n",
		facts->report_id);
	free(p.channel);
	free(p.worst);
}
