/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Case by case. Checks that claim the same thing of several channels are one claim: limit, rule and
 * standard are said once, what does not pass is open, what passes is folded.
 */
#include "core/report/page.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"

struct claim {
	const struct evl_row_check **checks;
	size_t count, cap;
	int64_t by_verdict[PV_COUNT];
};

static bool same(const char *a, const char *b)
{
	return a == b || (a != NULL && b != NULL && strcmp(a, b) == 0);
}

/* Places of error performance are no claims of their own. */
static size_t title_length(const struct evl_row_check *c)
{
	const char *place = evl_page_place(c);
	return place[0] == '\0' ? strlen(c->title) : (size_t)(place - c->title) - 2;
}

static bool same_title(const struct evl_row_check *a, const struct evl_row_check *b)
{
	if (a->title == NULL || b->title == NULL) {
		return a->title == b->title;
	}
	size_t n = title_length(a);
	return n == title_length(b) && memcmp(a->title, b->title, n) == 0;
}

/* Limits are part of the claim, but not where each channel has its own (a digest). */
static bool same_claim(const struct evl_row_check *a, const struct evl_row_check *b)
{
	return same_title(a, b) && same(a->kind, b->kind) && same(a->unit, b->unit) &&
	       same(a->relation, b->relation) && same(a->confidence, b->confidence) &&
	       same(a->standard, b->standard) &&
	       (same(a->limit, b->limit) || same(a->kind, "identity"));
}

static struct claim *group(const struct evl_row_check *checks, size_t n, size_t *claim_count)
{
	struct claim *claims = NULL;
	size_t count = 0;
	for (size_t i = 0; i < n; i++) {
		size_t c = 0;
		while (c < count && !same_claim(claims[c].checks[0], &checks[i])) {
			c++;
		}
		if (c == count) {
			claims = evl_xrealloc(claims, ++count * sizeof *claims);
			memset(&claims[c], 0, sizeof claims[c]);
		}
		struct claim *into = &claims[c];
		if (into->count == into->cap) {
			into->cap = into->cap == 0 ? 8 : into->cap * 2;
			into->checks = evl_xrealloc(into->checks, into->cap * sizeof *into->checks);
		}
		into->checks[into->count++] = &checks[i];
		into->by_verdict[evl_page_verdict_of(checks[i].verdict)]++;
	}
	*claim_count = count;
	return claims;
}

struct columns {
	bool channel, place, counts, interval, at, reason, limit;
};

/* With many columns of numbers the reason gets a row of its own. */
static bool reason_below(struct columns col)
{
	return col.reason && col.counts;
}

static int columns_across(struct columns col)
{
	return 2 + col.channel + col.place + col.limit + col.interval + 2 * col.counts + col.at;
}

static struct columns columns_of(const struct claim *k, bool passing)
{
	struct columns col = {0};
	for (size_t i = 0; i < k->count; i++) {
		const struct evl_row_check *c = k->checks[i];
		if ((evl_page_verdict_of(c->verdict) == PV_PASS) != passing) {
			continue;
		}
		col.channel |= c->channel_no >= 0;
		col.place |= evl_page_place(c)[0] != '\0';
		col.counts |= c->bits >= 0;
		col.interval |= c->upper != NULL || c->lower != NULL;
		col.at |= c->at_ns >= 0;
		col.reason |= c->reason != NULL && c->reason[0] != '\0';
		col.limit |= !same(c->limit, k->checks[0]->limit);
	}
	return col;
}

static void put_check_row(struct evl_page *p, const struct evl_row_check *c, struct columns col)
{
	evl_page_put(p, "<tr>");
	if (col.channel) {
		evl_page_put(p, "<th scope=\"row\" class=\"ch\">$</th>",
			evl_page_channel(p, c->channel_no, true).s);
	}
	if (col.place) {
		evl_page_put(p, "<td>$</td>", evl_page_place(c));
	}
	evl_page_put(p, "<td>");
	evl_page_put_verdict(p, evl_page_verdict_of(c->verdict));
	/* A ratio must not break at its hyphen. */
	bool brief = c->value != NULL && strlen(c->value) <= 16;
	evl_page_put(p, brief ? "</td><td class=\"ch\">" : "</td><td>");
	evl_page_put_value(p, c);
	evl_page_put(p, "</td>");
	if (col.limit) {
		evl_page_put(p, "<td>$</td>", c->limit);
	}
	if (col.interval) {
		if (c->lower == NULL && c->upper == NULL) {
			evl_page_put(p, "<td></td>");
		} else {
			evl_page_put(p, "<td class=\"n\">$ to $</td>",
				c->lower == NULL ? "?" : c->lower,
				c->upper == NULL ? "?" : c->upper);
		}
	}
	if (col.counts) {
		evl_page_put(p, "<td class=\"n\">$</td><td class=\"n\">$</td>",
			c->errors < 0 ? "" : evl_num_count(c->errors).s,
			c->bits < 0 ? "" : evl_num_bits(c->bits).s);
	}
	if (col.at) {
		evl_page_put(
			p, "<td class=\"n\">$</td>", evl_page_instant(p, c->case_no, c->at_ns).s);
	}
	if (col.reason && !reason_below(col)) {
		evl_page_put(p, "<td>$</td>", c->reason);
	}
	evl_page_put(p, "</tr>\n");
	if (reason_below(col) && c->reason != NULL && c->reason[0] != '\0') {
		char across[16];
		snprintf(across, sizeof across, "%d", columns_across(col));
		evl_page_put(p,
			"<tr class=\"because\"><td colspan=\"$\"><div><span "
			"class=\"label\">Why</span> $</div></td></tr>\n",
			across, c->reason);
	}
}

static void put_check_table(
	struct evl_page *p, const struct claim *k, bool passing, const char *label)
{
	struct columns col = columns_of(k, passing);
	evl_page_put(p,
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"$\"><table>\n"
		"<thead><tr>",
		label);
	if (col.channel) {
		evl_page_put(p, "<th scope=\"col\">Channel</th>");
	}
	if (col.place) {
		evl_page_put(p, "<th scope=\"col\">Place</th>");
	}
	evl_page_put(p, "<th scope=\"col\">Verdict</th><th scope=\"col\">Found</th>");
	if (col.limit) {
		evl_page_put(p, "<th scope=\"col\">Wanted</th>");
	}
	if (col.interval) {
		evl_page_put(p, "<th scope=\"col\" class=\"n\">Confidence limits</th>");
	}
	if (col.counts) {
		evl_page_put(p, "<th scope=\"col\" class=\"n\">Errors</th>"
				"<th scope=\"col\" class=\"n\">Compared</th>");
	}
	if (col.at) {
		evl_page_put(p, "<th scope=\"col\" class=\"n\">After start</th>");
	}
	if (col.reason && !reason_below(col)) {
		evl_page_put(p, "<th scope=\"col\">Why</th>");
	}
	evl_page_put(p, "</tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < k->count; i++) {
		if ((evl_page_verdict_of(k->checks[i]->verdict) == PV_PASS) == passing) {
			put_check_row(p, k->checks[i], col);
		}
	}
	evl_page_put(p, "</tbody></table></div>\n");
}

/* What stands for the folded ones: the one nearest to its limit, or the value all share. */
static void put_passing_summary(struct evl_page *p, const struct claim *k)
{
	const struct evl_row_check *nearest = NULL;
	const struct evl_row_check *first = NULL;
	bool alike = true;
	bool alike_upper = true;
	for (size_t i = 0; i < k->count; i++) {
		const struct evl_row_check *c = k->checks[i];
		if (evl_page_verdict_of(c->verdict) != PV_PASS) {
			continue;
		}
		first = first == NULL ? c : first;
		alike = alike && same(c->value, first->value);
		alike_upper = alike_upper && same(c->upper, first->upper);
		if (c->upper != NULL &&
			(nearest == NULL || atof(c->upper) > atof(nearest->upper))) {
			nearest = c;
		}
	}
	if (alike && first->value != NULL) {
		evl_page_put(p, ", each: ");
		evl_page_put_value(p, first);
	}
	if (nearest != NULL && alike_upper) {
		evl_page_put(p, "; upper confidence limit $", nearest->upper);
	} else if (nearest != NULL) {
		evl_page_put(p, "; highest upper confidence limit $ on $", nearest->upper,
			evl_page_channel(p, nearest->channel_no, true).s);
	}
}

static void put_title(struct evl_page *p, const struct evl_row_check *c)
{
	char *title = evl_xstrdup(c->title == NULL ? "" : c->title);
	if (c->title != NULL) {
		title[title_length(c)] = '\0';
	}
	evl_page_put(p, "$", title);
	free(title);
}

static void put_claim(struct evl_page *p, const struct claim *k, const char *id)
{
	enum { OPEN_UP_TO = 3 }; /* a few passing checks need no folding */
	const struct evl_row_check *c = k->checks[0];
	int64_t pass = k->by_verdict[PV_PASS];
	enum evl_page_verdict worst = PV_NONE;
	for (int v = 0; v < PV_COUNT; v++) {
		worst = k->by_verdict[v] > 0 ? (enum evl_page_verdict)v : worst;
	}
	evl_page_put(p, "<article class=\"claim\" aria-labelledby=\"$\">\n<h4 id=\"$\">", id, id);
	evl_page_put_verdict(p, worst);
	evl_page_put(p, " ");
	put_title(p, c);
	evl_page_put(p, "</h4>\n<p>Wanted: <strong>");
	if (same(c->kind, "identity") && k->count > 1) {
		evl_page_put(p, "equal digests");
	} else {
		evl_page_put_wanted(p, c);
	}
	evl_page_put(p, "</strong>. ");
	for (int v = PV_COUNT - 1; v >= 0; v--) {
		if (k->by_verdict[v] > 0) {
			evl_page_put(p, "$ $. ", evl_num_count(k->by_verdict[v]).s,
				evl_page_verdict_name((enum evl_page_verdict)v));
		}
	}
	evl_page_put(p, "</p>\n<p class=\"quiet\">");
	if (c->subject != NULL && c->subject[0] != '\0' && k->count == 1) {
		evl_page_put(p, "Judged: $. ", c->subject);
	}
	if (c->rule != NULL && c->rule[0] != '\0') {
		evl_page_put(p, "Rule: $. ", c->rule);
	}
	evl_page_put(p, "Source of limit or method: $.</p>\n",
		c->standard == NULL || c->standard[0] == '\0' ? "not stated" : c->standard);
	evl_page_put_intervals(p, k->checks, k->count, id);
	if (pass < (int64_t)k->count) {
		put_check_table(p, k, false, "Checks that do not pass");
	}
	if (pass > 0 && pass <= OPEN_UP_TO) {
		put_check_table(p, k, true, "Checks that pass");
	} else if (pass > 0) {
		evl_page_put(p, "<details><summary>$ pass", evl_num_of(pass, "check").s);
		put_passing_summary(p, k);
		evl_page_put(p, "</summary>\n");
		put_check_table(p, k, true, "Checks that pass");
		evl_page_put(p, "</details>\n");
	}
	evl_page_put(p, "</article>\n");
}

static void put_case(struct evl_page *p, const struct evl_row_case *k, const char *number)
{
	size_t first = 0;
	size_t n = evl_run_case_checks(p->run, k->ordinal, &first);
	size_t claim_count = 0;
	struct claim *claims = group(p->run->checks + first, n, &claim_count);
	evl_page_put(p,
		"<section class=\"case\" id=\"case-$\" aria-labelledby=\"h-case-$\">\n"
		"<h3 id=\"h-case-$\">$. $ ",
		k->name, k->name, k->name, number, k->title);
	evl_page_put_verdict(p, evl_page_verdict_of(k->verdict));
	evl_page_put(p,
		"</h3>\n<dl class=\"how\"><dt>Purpose</dt><dd>$</dd><dt>Method</dt><dd>$</dd>",
		k->purpose == NULL || k->purpose[0] == '\0' ? "not stated" : k->purpose,
		k->method == NULL || k->method[0] == '\0' ? "not stated" : k->method);
	if (k->message != NULL && k->message[0] != '\0') {
		evl_page_put(p, "<dt>Message</dt><dd>$</dd>", k->message);
	}
	if (strcmp(k->state, EVL_STATE_FINISHED) != 0) {
		evl_page_put(p, "<dt>State</dt><dd><strong>$</strong></dd>", k->state);
	}
	evl_page_put(p, "</dl>\n");
	if (n == 0) {
		evl_page_put(p, "<p>This case holds no check.</p>\n");
	}
	evl_page_put_shares(p, k);
	for (size_t i = 0; i < claim_count; i++) {
		char id[64];
		snprintf(id, sizeof id, "claim-%d-%zu", k->ordinal + 1, i + 1);
		put_claim(p, &claims[i], id);
		free(claims[i].checks);
	}
	free(claims);
	evl_page_put_takes(p, k);
	evl_page_put(p, "</section>\n");
}

void evl_page_put_cases(struct evl_page *p)
{
	evl_page_put(p, "<section id=\"cases\" aria-labelledby=\"h-cases\">\n"
			"<h2 id=\"h-cases\">Case by case</h2>\n");
	for (size_t i = 0; i < p->run->case_count; i++) {
		put_case(p, &p->run->cases[i], evl_num_count((int64_t)i + 1).s);
	}
	evl_page_put(p, "</section>\n");
}
