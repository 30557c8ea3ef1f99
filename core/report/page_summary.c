/* SPDX-License-Identifier: Apache-2.0 */
/* First screen: the verdict with its worst check; and the cautions. */
#include "core/report/page.h"

#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

static const char *const headline[PV_COUNT] = {
	"Nothing was judged",
	"Every check passes",
	"Something could not be proved",
	"Something is not as wanted",
	"The test itself went wrong",
};

static void put_counts(struct evl_page *p)
{
	static const enum evl_page_verdict order[] = {
		PV_ERROR, PV_FAIL, PV_INCONCLUSIVE, PV_PASS, PV_NONE};
	evl_page_put(p, "<ul class=\"counts\" aria-label=\"Checks by verdict\">");
	for (size_t i = 0; i < sizeof order / sizeof *order; i++) {
		if (p->count[order[i]] > 0) {
			evl_page_put(
				p, "<li><strong>$</strong> ", evl_num_count(p->count[order[i]]).s);
			evl_page_put_verdict(p, order[i]);
			evl_page_put(p, "</li>");
		}
	}
	evl_page_put(p, "</ul>\n");
}

/* A test that ends as soon as all is proved saves bench time. */
static void put_time(struct evl_page *p)
{
	struct evl_run_time t;
	evl_run_time(&t, p->run, -1);
	if (p->run->take_count == 0) {
		return;
	}
	evl_page_put(p, "<p id=\"time\"><span class=\"label\">Bench time of all takes</span> ");
	if (t.planned_ns > 0) {
		evl_page_put(p, "planned $, ", evl_num_time(t.planned_ns).s);
	}
	evl_page_put(p, "measured $, saved by early stops $.</p>\n", evl_num_time(t.measured_ns).s,
		t.saved_ns > 0 ? evl_num_time(t.saved_ns).s : "none");
}

static void put_worst(struct evl_page *p)
{
	const struct evl_row_check *c = p->worst_check;
	if (c == NULL) {
		evl_page_put(p, "<p class=\"worst\">The run holds no check.</p>\n");
		return;
	}
	if (evl_page_verdict_of(c->verdict) <= PV_PASS) {
		return;
	}
	const struct evl_row_case *k = evl_run_case(p->run, c->case_no);
	evl_page_put(p, "<p class=\"worst\"><span class=\"label\">Worst check</span> ");
	evl_page_put(p, "<a href=\"#case-$\">$</a>: ", k == NULL ? "" : k->name,
		k == NULL ? "" : k->title);
	evl_page_put(p, "<strong>$", c->title);
	if (evl_run_channel(p->run, c->channel_no) != NULL) {
		evl_page_put(p, ", $", evl_page_channel(p, c->channel_no, true).s);
	}
	evl_page_put(p, "</strong>. Found: <strong>");
	evl_page_put_value(p, c);
	evl_page_put(p, "</strong>. Wanted: ");
	evl_page_put_wanted(p, c);
	evl_page_put(p, ".");
	if (c->reason != NULL && c->reason[0] != '\0') {
		evl_page_put(p, " Why: $.", c->reason);
	}
	evl_page_put(p, "</p>\n");
}

static void put_bad_channels(struct evl_page *p)
{
	size_t bad = 0;
	for (size_t i = 0; i < p->run->channel_count; i++) {
		bad += p->channel[i] >= PV_INCONCLUSIVE;
	}
	if (bad == 0) {
		return;
	}
	evl_page_put(p, "<p><span class=\"label\">Channels concerned</span> ");
	size_t shown = 0;
	for (size_t i = 0; i < p->run->channel_count && shown < 12; i++) {
		if (p->channel[i] >= PV_INCONCLUSIVE) {
			evl_page_put(p, "$$ ($)", shown++ == 0 ? "" : ", ",
				evl_page_channel(p, (int)i, false).s, evl_page_why(p, (int)i).s);
		}
	}
	if (bad > shown) {
		evl_page_put(p, " and $ more, see the <a href=\"#map\">map</a>",
			evl_num_count((int64_t)(bad - shown)).s);
	}
	evl_page_put(p, ".</p>\n");
}

static void put_change(struct evl_page *p)
{
	if (p->cmp == NULL) {
		return;
	}
	evl_page_put(p, "<p><span class=\"label\">Compared with build $</span> <strong>$</strong> ",
		p->before->run.build, p->cmp->worse ? "worse" : "nothing got worse");
	size_t shown = 0;
	for (int c = EVL_CHANGE_SAME + 1; c < EVL_CHANGE_COUNT; c++) {
		if (p->cmp->count[c] > 0) {
			evl_page_put(p, "$$ $", shown++ == 0 ? "(" : ", ",
				evl_num_count(p->cmp->count[c]).s,
				evl_change_name((enum evl_change)c));
		}
	}
	evl_page_put(p, "$; see the <a href=\"#comparison\">comparison</a>.</p>\n",
		shown > 0 ? ")" : "");
}

void evl_page_put_cautions(struct evl_page *p)
{
	evl_page_put(p,
		"<section id=\"cautions\" aria-labelledby=\"h-cautions\" class=\"cautions\">\n"
		"<h2 id=\"h-cautions\">Cautions</h2>\n<ul>\n"
		"<li><strong>Laser:</strong> open optical ports and fibre ends give off "
		"invisible laser radiation. Do not look into them; switch off or cover first "
		"(IEC 60825).</li>\n"
		"<li><strong>Live traffic:</strong> intrusive tests drop live calls, among them "
		"emergency calls. Test only with the unit out of service, or with the operator's "
		"consent and a way back.</li>\n"
		"<li><strong>Captured traffic:</strong> recordings of live lines hold personal "
		"data and the content of conversations. Making and keeping them needs "
		"authority.</li>\n"
		"<li><strong>Local rules come first:</strong> electrical and building codes, the "
		"rules of the site, and work that needs a licensed person take precedence over "
		"anything said here.</li>\n");
	for (size_t i = 0; i < p->run->caution_count; i++) {
		evl_page_put(
			p, "<li><strong>This bench:</strong> $</li>\n", p->run->cautions[i].text);
	}
	evl_page_put(p, "</ul>\n</section>\n");
}

void evl_page_put_summary(struct evl_page *p)
{
	const struct evl_row_run *r = &p->run->run;
	const char *name = evl_page_verdict_name(p->verdict);
	evl_page_put(p,
		"<section id=\"verdict\" aria-labelledby=\"h-verdict\" class=\"verdict is-$\">\n"
		"<h2 id=\"h-verdict\"><svg aria-hidden=\"true\" class=\"big\"><use "
		"href=\"#v-$\"/></svg><span class=\"word\">$</span> <span "
		"class=\"line\">$</span></h2>\n",
		name, name, name, headline[p->verdict]);
	if (strcmp(r->state, EVL_STATE_FINISHED) != 0) {
		evl_page_put(p,
			"<p class=\"worst\"><strong>This run is $:</strong> it did not come to "
			"its end; what it had measured until then is below.</p>\n",
			r->state);
	}
	put_worst(p);
	put_bad_channels(p);
	put_change(p);
	put_counts(p);
	put_time(p);
	if (r->message != NULL && r->message[0] != '\0') {
		evl_page_put(p, "<p><span class=\"label\">Message of the run</span> $</p>\n",
			r->message);
	}
	evl_page_put(p,
		"<p class=\"quiet\">Build $, run $, seed $. A check passes only when the evidence "
		"proves it; see the <a href=\"#rule\">decision rule</a>.</p>\n</section>\n",
		r->build, evl_num_count(r->run).s, evl_num_seed(r->seed).s);
}
