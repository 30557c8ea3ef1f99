/* SPDX-License-Identifier: Apache-2.0 */
/* Build against build. */
#include "core/report/page.h"

#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

enum { MOST_ROWS = 200 };

static void put_counts(struct evl_page *p)
{
	evl_page_put(p, "<ul class=\"counts\" aria-label=\"Checks by change\">");
	for (int c = 0; c < EVL_CHANGE_COUNT; c++) {
		if (p->cmp->count[c] > 0) {
			evl_page_put(p, "<li><strong>$</strong> $</li>",
				evl_num_count(p->cmp->count[c]).s,
				evl_change_name((enum evl_change)c));
		}
	}
	evl_page_put(p, "</ul>\n");
}

static void put_cell(struct evl_page *p, const char *verdict)
{
	evl_page_put(p, "<td>");
	if (verdict == NULL) {
		evl_page_put(p, "<span class=\"quiet\">not there</span>");
	} else {
		evl_page_put_verdict(p, evl_page_verdict_of(verdict));
	}
	evl_page_put(p, "</td>");
}

static void put_cases(struct evl_page *p)
{
	evl_page_put(p, "<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"Cases "
			"compared\"><table>\n"
			"<thead><tr><th scope=\"col\">Case</th><th scope=\"col\">Before</th><th "
			"scope=\"col\">This run</th><th scope=\"col\">Change</th></tr></thead>\n"
			"<tbody>\n");
	for (size_t i = 0; i < p->cmp->case_count; i++) {
		const struct evl_compare_case *k = &p->cmp->cases[i];
		evl_page_put(p, "<tr><th scope=\"row\"><code>$</code></th>", k->name);
		put_cell(p, k->before == NULL ? NULL : k->before->verdict);
		put_cell(p, k->after == NULL ? NULL : k->after->verdict);
		evl_page_put(p, "<td>$</td></tr>\n", evl_change_name(k->change));
	}
	evl_page_put(p, "</tbody></table></div>\n");
}

static void put_found(struct evl_page *p, const struct evl_row_check *c)
{
	if (c == NULL) {
		evl_page_put(p, "<td><span class=\"quiet\">not there</span></td>");
		return;
	}
	evl_page_put(p, "<td>");
	evl_page_put_verdict(p, evl_page_verdict_of(c->verdict));
	evl_page_put(p, " ");
	evl_page_put_value(p, c);
	evl_page_put(p, "</td>");
}

static void put_items(struct evl_page *p)
{
	size_t changed = 0;
	size_t shown = 0;
	for (size_t i = 0; i < p->cmp->item_count; i++) {
		changed += p->cmp->items[i].change != EVL_CHANGE_SAME;
	}
	if (changed == 0) {
		evl_page_put(p, "<p>No check changed.</p>\n");
		return;
	}
	evl_page_put(p, "<h3 id=\"h-changed\">Checks that changed or still fail</h3>\n"
			"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
			"aria-labelledby=\"h-changed\"><table>\n"
			"<thead><tr><th scope=\"col\">Check</th><th scope=\"col\">Change</th><th "
			"scope=\"col\">Before</th><th scope=\"col\">This run</th><th scope=\"col\" "
			"class=\"n\">p, corrected</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < p->cmp->item_count && shown < MOST_ROWS; i++) {
		const struct evl_compare_item *c = &p->cmp->items[i];
		char channel[160] = "";
		char value[32] = "";
		if (c->change == EVL_CHANGE_SAME) {
			continue;
		}
		shown++;
		if (c->role != NULL) {
			snprintf(channel, sizeof channel, ", %.100s %d", c->role, c->number);
		}
		if (c->tested) {
			snprintf(value, sizeof value, c->p_adjusted > 0 ? "%.2g" : "< 1e-300",
				c->p_adjusted);
		}
		evl_page_put(p, "<tr><th scope=\"row\"><code>$</code>: $$</th><td>$</td>",
			c->case_name, c->title, channel, evl_change_name(c->change));
		put_found(p, c->before);
		put_found(p, c->after);
		evl_page_put(p, "<td class=\"n\">$</td></tr>\n", value);
	}
	evl_page_put(p, "</tbody></table></div>\n");
	if (changed > shown) {
		evl_page_put(p,
			"<p>$ are not shown; <code>evenlode compare</code> lists all.</p>\n",
			evl_num_of((int64_t)(changed - shown), "more check").s);
	}
}

static void put_streams(struct evl_page *p)
{
	const int *n = p->cmp->stream_counts;
	if (p->cmp->stream_count == 0) {
		return;
	}
	evl_page_put(p,
		"<p>Streams: $ have the same bits, $ other bits, $ cannot be compared, $ are in "
		"one run only.</p>\n",
		evl_num_count(n[EVL_STREAM_EQUAL]).s, evl_num_count(n[EVL_STREAM_DIFFERENT]).s,
		evl_num_count(n[EVL_STREAM_UNKNOWN]).s,
		evl_num_count(n[EVL_STREAM_ONLY_BEFORE] + n[EVL_STREAM_ONLY_AFTER]).s);
}

void evl_page_put_comparison(struct evl_page *p)
{
	const struct evl_row_run *b = &p->before->run;
	char alpha[32];
	snprintf(alpha, sizeof alpha, "%.4g %%", p->cmp->alpha * 100);
	evl_page_put(p,
		"<section id=\"comparison\" aria-labelledby=\"h-comparison\">\n"
		"<h2 id=\"h-comparison\">Comparison with an earlier run</h2>\n"
		"<p><strong>$</strong> Before: build $, run $, started $. This run: build $.</p>\n",
		p->cmp->worse ? "This build is worse." : "Nothing got worse.", b->build,
		evl_num_count(b->run).s, b->started_utc, p->run->run.build);
	evl_page_put(p, "<p class=\"quiet\">Campaign: $. Bench: $. Seed: $.</p>\n",
		p->cmp->same_campaign ? "the same" : "another one",
		p->cmp->same_bench ? "the same" : "another one",
		p->cmp->same_seed ? "the same" : "another one");
	put_counts(p);
	evl_page_put_changes(p);
	put_cases(p);
	put_items(p);
	put_streams(p);
	evl_page_put(p,
		"<p class=\"quiet\">Where a channel passes both times, its errors count as risen "
		"only if the exact conditional test of two Poisson counts (Przyborowski and "
		"Wilenski 1940), one-sided, with Holm's correction (1979) over $ says so: the "
		"chance of even one false alarm in this comparison is at most $.</p>\n</section>\n",
		evl_num_of((int64_t)p->cmp->tested, "tested pair").s, alpha);
}
