/* SPDX-License-Identifier: Apache-2.0 */
/* From requirement to evidence, and what has no counterpart on either side. */
#include "core/report/page.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"

static bool among(const char *const *list, size_t count, const char *what)
{
	for (size_t i = 0; i < count; i++) {
		if (what != NULL && strcmp(list[i], what) == 0) {
			return true;
		}
	}
	return false;
}

/* The checks of one case that stand for a requirement. */
struct proof {
	size_t count;
	enum evl_page_verdict worst;
	char digest[EVL_SHA256_HEX];
};

/* The digest of a single check is that of its row. Of several it is the SHA-256 of their digests in
 * hex, a newline behind each, in the order of the run. */
static struct proof prove(
	const struct evl_page *p, const struct evl_requirement *r, const struct evl_row_case *k)
{
	struct proof out = {.worst = PV_NONE};
	size_t first = 0;
	size_t n = evl_run_case_checks(p->run, k->ordinal, &first);
	struct evl_sha256 *all = evl_sha256_create();
	uint8_t md[EVL_SHA256_BYTES];
	for (size_t i = first; i < first + n; i++) {
		const struct evl_row_check *c = &p->run->checks[i];
		if (r->check_count > 0 && !among(r->checks, r->check_count, c->title)) {
			continue;
		}
		enum evl_page_verdict v = evl_page_verdict_of(c->verdict);
		out.worst = v > out.worst ? v : out.worst;
		out.count++;
		if (p->facts->check_digests != NULL) {
			memcpy(out.digest, p->facts->check_digests[i], sizeof out.digest);
			evl_sha256_update(all, p->facts->check_digests[i], EVL_SHA256_HEX - 1);
			evl_sha256_update(all, "\n", 1);
		}
	}
	if (out.count > 1 && p->facts->check_digests != NULL) {
		evl_sha256_peek(all, md);
		evl_hex(md, sizeof md, out.digest);
	}
	evl_sha256_destroy(all);
	return out;
}

static const struct evl_remark *waiver_of(const struct evl_statement *s, const char *id)
{
	for (size_t i = 0; i < s->waiver_count; i++) {
		if (strcmp(s->waivers[i].requirement, id) == 0) {
			return &s->waivers[i];
		}
	}
	return NULL;
}

/* A waiver counts on the day on which the run ended. Days are compared as text, both ISO 8601. */
static bool expired(const struct evl_page *p, const struct evl_remark *w)
{
	const struct evl_row_run *r = &p->run->run;
	const char *day = r->ended_utc != NULL ? r->ended_utc : r->started_utc;
	return w->expires != NULL && day != NULL && strncmp(day, w->expires, 10) > 0;
}

static void put_requirement_cell(
	struct evl_page *p, const struct evl_requirement *r, enum evl_page_verdict worst)
{
	const struct evl_remark *w = waiver_of(p->facts->statement, r->id);
	evl_page_put(p, "<th scope=\"row\"><strong>$</strong> $", r->id, r->text);
	if (r->source != NULL) {
		evl_page_put(p, "<br/><span class=\"quiet\">$</span>", r->source);
	}
	if (w != NULL) {
		evl_page_put(p, "<br/>$",
			worst == PV_PASS ? "a waiver is not needed"
			: expired(p, w)  ? "its waiver has expired"
					 : "waived, see below");
	}
	evl_page_put(p, "</th>");
}

static const struct evl_row_case *find_case(const struct evl_page *p, const char *name)
{
	for (size_t i = 0; i < p->run->case_count; i++) {
		if (p->run->cases[i].name != NULL && strcmp(p->run->cases[i].name, name) == 0) {
			return &p->run->cases[i];
		}
	}
	return NULL;
}

static void put_checks_cell(
	struct evl_page *p, const struct evl_requirement *r, const struct proof *proof)
{
	evl_page_put(p, "<td>");
	for (size_t i = 0; i < r->check_count; i++) {
		evl_page_put(p, "$$", i == 0 ? "" : "; ", r->checks[i]);
	}
	evl_page_put(p, r->check_count == 0 ? "$" : ": $",
		proof->count == 0 ? "none made" : evl_num_of((int64_t)proof->count, "check").s);
	evl_page_put(p, "</td><td>");
	evl_page_put_verdict(p, proof->worst);
	evl_page_put(p, "</td><td><code class=\"hash\">$</code></td></tr>\n", proof->digest);
}

static void put_requirement(struct evl_page *p, const struct evl_requirement *r)
{
	enum evl_page_verdict worst = PV_NONE;
	bool gap = r->case_count == 0;
	for (size_t i = 0; i < r->case_count; i++) {
		const struct evl_row_case *k = find_case(p, r->cases[i]);
		struct proof proof = {.worst = PV_NONE};
		proof = k == NULL ? proof : prove(p, r, k);
		gap = gap || proof.count == 0;
		worst = proof.worst > worst ? proof.worst : worst;
	}
	/* What was only partly tested is not shown to be met. */
	worst = gap && worst == PV_PASS ? PV_INCONCLUSIVE : worst;
	if (r->case_count == 0) {
		evl_page_put(p, "<tr>");
		put_requirement_cell(p, r, worst);
		evl_page_put(p, "<td><strong>no case</strong></td><td></td><td>");
		evl_page_put_verdict(p, PV_NONE);
		evl_page_put(p, "</td><td></td></tr>\n");
	}
	for (size_t i = 0; i < r->case_count; i++) {
		const struct evl_row_case *k = find_case(p, r->cases[i]);
		evl_page_put(p, "<tr>");
		if (i == 0) {
			put_requirement_cell(p, r, worst);
		} else {
			evl_page_put(p, "<th scope=\"row\">$, also</th>", r->id);
		}
		if (k == NULL) {
			evl_page_put(p,
				"<td><code>$</code> <strong>is not in this "
				"run</strong></td><td></td><td>",
				r->cases[i]);
			evl_page_put_verdict(p, PV_NONE);
			evl_page_put(p, "</td><td></td></tr>\n");
			continue;
		}
		struct proof proof = prove(p, r, k);
		evl_page_put(p, "<td><a href=\"#case-$\">$</a></td>", k->name, k->name);
		put_checks_cell(p, r, &proof);
	}
}

static void put_untraced(struct evl_page *p)
{
	const struct evl_statement *s = p->facts->statement;
	size_t shown = 0;
	for (size_t i = 0; i < p->run->case_count; i++) {
		const struct evl_row_case *k = &p->run->cases[i];
		bool found = false;
		for (size_t j = 0; j < s->requirement_count && !found; j++) {
			found = among(
				s->requirements[j].cases, s->requirements[j].case_count, k->name);
		}
		if (!found) {
			evl_page_put(
				p, shown++ == 0 ? "<p>Cases that no requirement asks for: " : ", ");
			evl_page_put(p, "<a href=\"#case-$\">$</a>", k->name, k->name);
		}
	}
	evl_page_put(p, shown > 0 ? ".</p>\n" : "<p>Every case serves a requirement.</p>\n");
}

static void put_remarks(
	struct evl_page *p, const struct evl_remark *list, size_t count, bool waiver)
{
	if (count == 0) {
		evl_page_put(p, "<p>$: none.</p>\n", waiver ? "Waivers" : "Observations");
		return;
	}
	const char *id = waiver ? "h-waivers" : "h-observations";
	evl_page_put(p,
		"<h3 id=\"$\">$</h3>\n<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"$\"><table>\n<thead><tr><th scope=\"col\">Requirement</th><th "
		"scope=\"col\">$</th><th scope=\"col\">By</th><th scope=\"col\">Valid</th></tr>"
		"</thead>\n<tbody>\n",
		id, waiver ? "Waivers" : "Observations", id, waiver ? "Reason" : "What");
	for (size_t i = 0; i < count; i++) {
		const struct evl_remark *r = &list[i];
		evl_page_put(p, "<tr><th scope=\"row\">$</th><td>$</td><td>$</td><td>",
			r->requirement == NULL ? "the whole" : r->requirement, r->text, r->author);
		if (r->date != NULL) {
			evl_page_put(p, "from $ ", r->date);
		}
		if (r->expires == NULL) {
			evl_page_put(p, "no expiry stated");
		} else {
			evl_page_put(p, expired(p, r) ? "<strong>expired on $</strong>" : "until $",
				r->expires);
		}
		evl_page_put(p, "</td></tr>\n");
	}
	evl_page_put(p, "</tbody></table></div>\n");
}

void evl_page_put_trace(struct evl_page *p)
{
	const struct evl_statement *s = p->facts->statement;
	evl_page_put(p,
		"<section id=\"trace\" aria-labelledby=\"h-trace\">\n"
		"<h2 id=\"h-trace\">Requirements</h2>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"h-trace\"><table class=\"trace\">\n"
		"<thead><tr><th scope=\"col\">Requirement</th><th scope=\"col\">Case</th><th "
		"scope=\"col\">Checks</th><th scope=\"col\">Verdict</th><th "
		"scope=\"col\">Evidence digest</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < s->requirement_count; i++) {
		put_requirement(p, &s->requirements[i]);
	}
	evl_page_put(p,
		"</tbody></table></div>\n<p class=\"quiet\">Evidence digest: of one check, the "
		"SHA-256 of its row in evidence.json; of several, the SHA-256 of these digests, a "
		"newline behind each. A waiver changes no verdict: it says who accepts it, why and "
		"until when.</p>\n");
	put_untraced(p);
	put_remarks(p, s->waivers, s->waiver_count, true);
	put_remarks(p, s->observations, s->observation_count, false);
	evl_page_put(p, "</section>\n");
}
