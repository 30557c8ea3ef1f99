/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/matrix_page.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/report/number.h"
#include "core/report/page.h"
#include "core/report/report_css.h"

enum { MOST_ROWS = 200 }; /* under each finding */

struct sheet {
	struct evl_page page; /* only for writing */
	const struct evl_matrix *m;
};

static struct evl_num format_p(double p)
{
	struct evl_num out;
	snprintf(out.s, sizeof out.s, "%.3g", p);
	return out;
}

static struct evl_num run_number(int64_t run)
{
	return evl_num_seed((uint64_t)run);
}

/* What kind of news a finding is: a class of the style sheet. */
static const char *tone(enum evl_matrix_finding f)
{
	switch (f) {
	case EVL_MATRIX_NEWLY_FAILING:
	case EVL_MATRIX_WORSE:
	case EVL_MATRIX_MISSING:
	case EVL_MATRIX_STILL_FAILING:
		return "bad";
	case EVL_MATRIX_NOT_PROVED:
	case EVL_MATRIX_FLAKY:
	case EVL_MATRIX_UNDECIDED:
	case EVL_MATRIX_LOOK:
		return "care";
	case EVL_MATRIX_REPAIRED:
	case EVL_MATRIX_PROVED:
		return "good";
	default:
		return "";
	}
}

static const char *verdict_word(const struct evl_matrix_cell *c)
{
	return c->verdict != NULL ? c->verdict : "not there";
}

/* Hidden from readers of the page by voice: what stands beside says it in words. */
static void put_symbol(struct evl_page *p, const struct evl_matrix_cell *c)
{
	if (c->verdict == NULL) {
		evl_page_put(p, "<span aria-hidden=\"true\">&#183;</span>");
	} else {
		evl_page_put(p,
			"<span class=\"is-$\"><svg class=\"is-$\" aria-hidden=\"true\"><use "
			"href=\"#v-$\"/></svg></span>",
			c->verdict, c->verdict, c->verdict);
	}
}

static void put_strip(struct sheet *s, const struct evl_matrix_row *row)
{
	struct evl_page *p = &s->page;
	evl_page_put(p, "<span class=\"strip\" role=\"img\" aria-label=\"");
	for (size_t i = 0; i < s->m->run_count; i++) {
		evl_page_put(p, "$run $ $", i > 0 ? ", " : "", run_number(s->m->runs[i].run).s,
			verdict_word(&row->cells[i]));
	}
	evl_page_put(p, "\">");
	for (size_t i = 0; i < s->m->run_count; i++) {
		put_symbol(p, &row->cells[i]);
	}
	evl_page_put(p, "</span>");
}

/* ---- head ---- */

static void put_head(struct sheet *s)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix_run *last = &s->m->runs[s->m->run_count - 1];
	evl_page_put(p,
		"<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n"
		"<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n"
		"<meta name=\"color-scheme\" content=\"light dark\"/>\n"
		"<meta name=\"generator\" content=\"evenlode $\"/>\n"
		"<title>$: comparison of $ up to build $</title>\n<style>\n",
		EVL_VERSION, last->campaign_name, evl_num_of((int64_t)s->m->run_count, "run").s,
		last->build);
	evl_text_add(p->t, evl_report_css);
	evl_text_add(p->t, evl_matrix_css);
	evl_page_put(p, "</style>\n</head>\n<body>\n");
	evl_text_add(p->t, evl_page_symbols);
	evl_page_put(p,
		"<a class=\"skip\" href=\"#verdict\">To the verdict</a>\n<header>\n"
		"<p class=\"kind\">Comparison of $</p>\n<h1>$ on bench $</h1>\n",
		evl_num_of((int64_t)s->m->run_count, "run").s, last->campaign_name,
		last->bench_name);
	if (last->simulated) {
		evl_page_put(p, "<p class=\"notice\"><strong>Simulated:</strong> an adapter of "
				"this bench is software with no equipment behind it.</p>\n");
	}
	if (last->notice != NULL && last->notice[0] != '\0') {
		evl_page_put(
			p, "<p class=\"notice\"><strong>Notice:</strong> $</p>\n", last->notice);
	}
	evl_page_put(p, "</header>\n");
}

static void put_counts(struct sheet *s)
{
	struct evl_page *p = &s->page;
	evl_page_put(p, "<ul class=\"counts\" aria-label=\"Checks by finding\">");
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT; f++) {
		if (s->m->check_findings[f] > 0) {
			evl_page_put(p, "<li><strong class=\"$\">$</strong> $</li>",
				tone((enum evl_matrix_finding)f),
				evl_num_count(s->m->check_findings[f]).s,
				evl_matrix_finding_name((enum evl_matrix_finding)f));
		}
	}
	evl_page_put(p, "</ul>\n");
}

static void put_verdict(struct sheet *s)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix *m = s->m;
	const struct evl_matrix_run *last = &m->runs[m->run_count - 1];
	/* What fails as it failed before is no news, but nothing to be content with. */
	bool still = m->case_findings[EVL_MATRIX_STILL_FAILING] +
			     m->check_findings[EVL_MATRIX_STILL_FAILING] >
		     0;
	const char *v = m->worse || still ? "fail" : "pass";
	evl_page_put(p,
		"<section id=\"verdict\" class=\"verdict is-$\" aria-labelledby=\"h-verdict\">\n"
		"<h2 id=\"h-verdict\"><svg class=\"big\" aria-hidden=\"true\"><use "
		"href=\"#v-$\"/></svg><span class=\"word\">$</span> <span class=\"line\">Build $, "
		"run $, $",
		v, v, m->worse ? "worse" : still ? "still failing" : "not worse", last->build,
		run_number(last->run).s, !m->worse && still ? "not worse than the " : "against ");
	evl_page_put(p, "$ before</span></h2>\n", evl_num_of((int64_t)m->run_count - 1, "run").s);
	put_counts(s);
	evl_page_put(p, "</section>\n");
}

static void put_runs(struct sheet *s)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix_run *last = &s->m->runs[s->m->run_count - 1];
	evl_page_put(p,
		"<section id=\"runs\" aria-labelledby=\"h-runs\">\n<h2 id=\"h-runs\">Runs</h2>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-labelledby=\"h-runs\">"
		"<table>\n<thead><tr><th scope=\"col\">Run</th><th scope=\"col\">Build</th>"
		"<th scope=\"col\">Verdict</th><th scope=\"col\">Started (UTC)</th><th "
		"scope=\"col\">Not as in the last run</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < s->m->run_count; i++) {
		const struct evl_matrix_run *r = &s->m->runs[i];
		evl_page_put(p, "<tr><th scope=\"row\">$</th><td>$</td><td>", run_number(r->run).s,
			r->build);
		evl_page_put_verdict(p, evl_page_verdict_of(r->verdict));
		evl_page_put(p, "$$</td><td>$</td><td>",
			strcmp(r->state, EVL_STATE_FINISHED) != 0 ? ", " : "",
			strcmp(r->state, EVL_STATE_FINISHED) != 0 ? r->state : "", r->started_utc);
		const char *sep = "";
		if (strcmp(r->campaign_name, last->campaign_name) != 0) {
			evl_page_put(p, "campaign $", r->campaign_name);
			sep = ", ";
		} else if (!r->same_campaign) {
			evl_page_put(p, "campaign file");
			sep = ", ";
		}
		if (strcmp(r->bench_name, last->bench_name) != 0) {
			evl_page_put(p, "$bench $", sep, r->bench_name);
			sep = ", ";
		} else if (!r->same_bench) {
			evl_page_put(p, "$bench file", sep);
			sep = ", ";
		}
		evl_page_put(
			p, "$$</td></tr>\n", r->same_seed ? "" : sep, r->same_seed ? "" : "seed");
	}
	evl_page_put(p, "</tbody></table></div>\n</section>\n");
}

/* ---- the matrix ---- */

static void put_check_counts(struct sheet *s, const struct evl_matrix_row *row)
{
	int count[EVL_MATRIX_FINDING_COUNT] = {0};
	const char *sep = "";
	for (size_t i = row->case_row + 1; i < s->m->row_count && s->m->rows[i].title != NULL;
		i++) {
		count[s->m->rows[i].finding]++;
	}
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT; f++) {
		if (count[f] > 0) {
			evl_page_put(&s->page, "$<span class=\"$\">$ $</span>", sep,
				tone((enum evl_matrix_finding)f), evl_num_count(count[f]).s,
				evl_matrix_finding_name((enum evl_matrix_finding)f));
			sep = ", ";
		}
	}
	if (*sep == '\0') {
		evl_page_put(&s->page, "<span class=\"quiet\">no checks</span>");
	}
}

static void put_legend(struct evl_page *p)
{
	static const enum evl_page_verdict all[] = {
		PV_PASS, PV_FAIL, PV_INCONCLUSIVE, PV_ERROR, PV_NONE};
	evl_page_put(p, "<ul class=\"legend\" aria-label=\"Symbols\">");
	for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
		evl_page_put(p, "<li>");
		evl_page_put_verdict(p, all[i]);
		evl_page_put(p, "</li>");
	}
	evl_page_put(p, "<li><span aria-hidden=\"true\">&#183;</span> not there</li></ul>\n");
}

static void put_matrix(struct sheet *s)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix *m = s->m;
	evl_page_put(p,
		"<section id=\"matrix\" aria-labelledby=\"h-matrix\">\n<h2 id=\"h-matrix\">Cases "
		"by runs</h2>\n<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"h-matrix\"><table class=\"grid\">\n<thead><tr><th "
		"scope=\"col\">Case</th>");
	for (size_t i = 0; i < m->run_count; i++) {
		evl_page_put(p,
			"<th scope=\"col\" class=\"run$\"><span>$</span><span class=\"quiet\">run "
			"$</span></th>",
			i + 1 == m->run_count ? " judged" : "", m->runs[i].build,
			run_number(m->runs[i].run).s);
	}
	evl_page_put(p, "<th scope=\"col\">Finding</th><th scope=\"col\">Its "
			"checks</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_row *row = &m->rows[i];
		if (row->title != NULL) {
			continue;
		}
		evl_page_put(p, "<tr><th scope=\"row\"><code>$</code></th>", row->case_name);
		for (size_t c = 0; c < m->run_count; c++) {
			evl_page_put(p, "<td class=\"cell-v$\">",
				c + 1 == m->run_count ? " judged" : "");
			put_symbol(p, &row->cells[c]);
			evl_page_put(p, "<span class=\"sr\">$</span></td>",
				verdict_word(&row->cells[c]));
		}
		evl_page_put(p, "<td class=\"what $\">$</td><td class=\"checks\">",
			tone(row->finding), evl_matrix_finding_name(row->finding));
		put_check_counts(s, row);
		evl_page_put(p, "</td></tr>\n");
	}
	evl_page_put(p, "</tbody></table></div>\n");
	put_legend(p);
	evl_page_put(p, "</section>\n");
}

/* ---- findings ---- */

static void put_value(struct evl_page *p, const struct evl_matrix_cell *c)
{
	if (c->verdict == NULL) {
		evl_page_put(p, "not there");
	} else {
		bool unit = c->value != NULL && c->unit != NULL && strcmp(c->unit, "1") != 0;
		evl_page_put(p, "$$$", c->value != NULL ? c->value : c->verdict, unit ? " " : "",
			unit ? c->unit : "");
	}
}

static void put_values(struct sheet *s, const struct evl_matrix_row *row)
{
	struct evl_page *p = &s->page;
	if (row->title == NULL) {
		return;
	}
	evl_page_put(p, "<dt>Measured</dt><dd>");
	if (row->before != EVL_MATRIX_NONE) {
		put_value(p, &row->cells[row->before]);
		evl_page_put(p, " in run $, now ", run_number(s->m->runs[row->before].run).s);
	}
	put_value(p, &row->cells[s->m->run_count - 1]);
	evl_page_put(p, "$$</dd>", row->reason != NULL && row->reason[0] != '\0' ? "; " : "",
		row->reason);
}

static void put_worse(struct sheet *s, const struct evl_matrix_row *row)
{
	const struct evl_matrix_cell *now = &row->cells[s->m->run_count - 1];
	if (row->worse_than == EVL_MATRIX_NONE ||
		(row->change != EVL_CHANGE_WORSE && row->finding != EVL_MATRIX_LOOK)) {
		return;
	}
	const struct evl_matrix_cell *then = &row->cells[row->worse_than];
	evl_page_put(&s->page,
		"<dt>Errors</dt><dd>$ in $ of run $; $ in $ now. p $, corrected for $</dd>",
		evl_num_count(then->errors).s, evl_num_bits(then->bits).s,
		run_number(s->m->runs[row->worse_than].run).s, evl_num_count(now->errors).s,
		evl_num_bits(now->bits).s, format_p(row->p_worse).s,
		evl_num_of((int64_t)s->m->tested, "test").s);
}

static void put_flaky(struct sheet *s, const struct evl_matrix_row *row)
{
	const struct evl_past_case *c = row->past;
	struct evl_page *p = &s->page;
	char share[96];
	if (!row->flaky) {
		return;
	}
	snprintf(share, sizeof share, "%.3g (%.3g to %.3g at %g %%)",
		c->build_runs > 0 ? (double)c->build_failures / (double)c->build_runs : 0,
		c->build_interval.lower, c->build_interval.upper, 100 * s->m->confidence);
	evl_page_put(p, "<dt>Fails at times</dt><dd>build $ failed in $ of $: probability $",
		s->m->past.runs[s->m->past.run_count - 1].build,
		evl_num_count((int64_t)c->build_failures).s,
		evl_num_of((int64_t)c->build_runs, "run").s, share);
	if (c->other_runs > 0) {
		evl_page_put(p, "; other builds in $ of $; more often now: p $, $",
			evl_num_count((int64_t)c->other_failures).s,
			evl_num_count((int64_t)c->other_runs).s, format_p(row->p_more_often).s,
			row->p_more_often <= s->m->alpha ? "so it is worse" : "not proved");
	}
	evl_page_put(p, "</dd>");
}

static void put_run(struct evl_page *p, const struct evl_past_run *r)
{
	evl_page_put(p, "run $, build $, $", run_number(r->run).s, r->build, r->started_utc);
}

static void put_when(struct sheet *s, const struct evl_matrix_row *row)
{
	const struct evl_past_case *c = row->past;
	struct evl_page *p = &s->page;
	if (c == NULL || c->first_failure == NULL) {
		return;
	}
	evl_page_put(p, "<dt>First failed</dt><dd>");
	put_run(p, &s->m->past.runs[c->first_failure->run]);
	evl_page_put(p, "</dd>");
	if (c->failing_since != NULL && c->failing_since != c->first_failure) {
		evl_page_put(p, "<dt>Fails since</dt><dd>");
		put_run(p, &s->m->past.runs[c->failing_since->run]);
		evl_page_put(p, "</dd>");
	}
	evl_page_put(p, "<dt>Failed in</dt><dd>$ of $</dd>",
		evl_num_count((int64_t)c->history.failures).s,
		evl_num_of((int64_t)c->history.runs, "run").s);
}

static void put_recording(struct evl_page *p, const struct evl_matrix_recording *r)
{
	if (r->name == NULL) {
		return;
	}
	evl_page_put(p, "<dt>$</dt><dd>\"$\" of run $, build $: <code>$</code>",
		r->of_failure ? "Replay its failure" : "Replay the reference", r->name,
		run_number(r->run).s, r->build, r->path);
	if (r->more > 0) {
		evl_page_put(p, " (and $ of that case)",
			evl_num_of((int64_t)r->more, "more recording").s);
	}
	evl_page_put(p, "</dd>");
}

static void put_row(struct sheet *s, const struct evl_matrix_row *row)
{
	struct evl_page *p = &s->page;
	evl_page_put(p, "<article class=\"row $\"><h4>", tone(row->finding));
	put_strip(s, row);
	if (row->title == NULL) {
		evl_page_put(p, "<span>the case</span>");
	} else if (row->role != NULL) {
		evl_page_put(p, "<span>$, $ $</span>", row->title, row->role,
			evl_num_count(row->number).s);
	} else {
		evl_page_put(p, "<span>$</span>", row->title);
	}
	evl_page_put(p, "</h4>\n<dl>");
	put_values(s, row);
	put_worse(s, row);
	put_flaky(s, row);
	put_when(s, row);
	put_recording(p, &row->recording);
	evl_page_put(p, "</dl></article>\n");
}

/* A case is told by its checks; it has an entry of its own where none of them says the same. */
static bool has_entry(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	for (size_t i = row->case_row + 1;
		row->title == NULL && i < m->row_count && m->rows[i].title != NULL; i++) {
		if (m->rows[i].finding == row->finding) {
			return false;
		}
	}
	return true;
}

static void put_finding(struct sheet *s, enum evl_matrix_finding f)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix *m = s->m;
	size_t shown = 0, left = 0, case_row = EVL_MATRIX_NONE;
	if (m->case_findings[f] + m->check_findings[f] == 0) {
		return;
	}
	evl_page_put(p, "<section class=\"finding\"><h3 class=\"$\">$: ", tone(f),
		evl_matrix_finding_name(f));
	if (m->case_findings[f] > 0) {
		evl_page_put(p, "$$", evl_num_of(m->case_findings[f], "case").s,
			m->check_findings[f] > 0 ? ", " : "");
	}
	if (m->check_findings[f] > 0) {
		evl_page_put(p, "$", evl_num_of(m->check_findings[f], "check").s);
	}
	evl_page_put(p, "</h3>\n");
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_row *row = &m->rows[i];
		if (row->finding != f || !has_entry(m, row)) {
			continue;
		}
		if (shown == MOST_ROWS) {
			left++;
			continue;
		}
		shown++;
		if (row->case_row != case_row) {
			evl_page_put(p, "<p class=\"in-case\">In case <code>$</code></p>\n",
				row->case_name);
			case_row = row->case_row;
		}
		put_row(s, row);
	}
	if (left > 0) {
		evl_page_put(p,
			"<p>$ are not shown; <code>evenlode compare --all</code> lists all.</p>\n",
			evl_num_of((int64_t)left, "more row").s);
	}
	evl_page_put(p, "</section>\n");
}

static void put_findings(struct sheet *s)
{
	struct evl_page *p = &s->page;
	bool any = false;
	evl_page_put(p, "<section id=\"findings\" aria-labelledby=\"h-findings\">\n<h2 "
			"id=\"h-findings\">What changed</h2>\n");
	for (int f = 0; f < EVL_MATRIX_SAME; f++) {
		any = any || s->m->case_findings[f] + s->m->check_findings[f] > 0;
		put_finding(s, (enum evl_matrix_finding)f);
	}
	if (!any) {
		evl_page_put(p, "<p>No case and no check changed.</p>\n");
	}
	evl_page_put(p, "</section>\n");
}

/* ---- how ---- */

static void put_rule(struct sheet *s)
{
	struct evl_page *p = &s->page;
	const struct evl_matrix *m = s->m;
	char alpha[32];
	snprintf(alpha, sizeof alpha, "%.4g %%", m->alpha * 100);
	evl_page_put(p,
		"<section id=\"rule\" aria-labelledby=\"h-rule\">\n<h2 id=\"h-rule\">How this is "
		"judged</h2>\n<ul>\n"
		"<li>The last run is judged; each verdict in it is held against the last one "
		"before that says something (pass, fail or error). It is worse when a case or "
		"check is newly failing, worse, no longer proved or missing.</li>\n"
		"<li>Worse though it passes: the exact conditional test of two Poisson counts "
		"(Przyborowski and Wilenski 1940), one-sided, against each run before, with Holm's "
		"correction (1979) over $. The chance of even one false alarm is at most $.</li>\n",
		evl_num_of((int64_t)m->tested, "test").s, alpha);
	evl_page_put(p,
		"<li>Flaky: one build both passed and failed, and no lasting change is proved. The "
		"probability is that of failing on the last run's build, with Clopper and "
		"Pearson's interval (1934). Whether it fails more often than on other builds: "
		"Fisher's exact test (1935), with Holm's correction over $; then it is "
		"worse.</li>\n",
		evl_num_of((int64_t)m->flaky_tested, "flaky row").s);
	if (m->has_history) {
		evl_page_put(p,
			"<li>First failures and probabilities are from $ of campaign $ on bench "
			"$, up to run $.</li>\n",
			evl_num_of((int64_t)m->past.run_count, "finished run").s,
			m->past.campaign_name, m->past.bench_name,
			run_number(m->past.runs[m->past.run_count - 1].run).s);
	}
	evl_page_put(p, "</ul>\n</section>\n");
}

void evl_matrix_page_write(struct evl_text *out, const struct evl_matrix *m)
{
	struct sheet s = {.page = {.t = out}, .m = m};
	put_head(&s);
	evl_page_put(&s.page, "<main>\n");
	put_verdict(&s);
	put_matrix(&s);
	put_findings(&s);
	put_runs(&s);
	put_rule(&s);
	evl_page_put(&s.page,
		"</main>\n<nav aria-label=\"Contents\"><ol><li><a "
		"href=\"#verdict\">Verdict</a></li>"
		"<li><a href=\"#matrix\">Cases by runs</a></li><li><a href=\"#findings\">What "
		"changed</a></li><li><a href=\"#runs\">Runs</a></li><li><a href=\"#rule\">How this "
		"is judged</a></li></ol></nav>\n<footer><p class=\"end\">End of the "
		"comparison</p></footer>\n</body>\n</html>\n");
}
