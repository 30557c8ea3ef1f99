/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"
#include "core/store/case_recording.h"
#include "core/store/history.h"

static const char help[] =
	"usage: evenlode history --store FILE [--campaign NAME] [--bench NAME] [--case NAME]\n"
	"                        [--checks] [--alpha P] [--every-run] [--json]\n"
	"\n"
	"Many nights of one campaign on one bench: which case is steady, newly failing or flaky, "
	"and\n"
	"which error ratio rises. Only finished runs are looked at. A change of a case is tested\n"
	"exactly over all orders of its failures, a trend by the exact distribution of the errors\n"
	"over the nights; both with Holm's correction, each with 1 false alarm in 20 histories.\n"
	"That is for one look; with --every-run it holds for a history read after every run.\n"
	"\n"
	"  --store FILE     the store\n"
	"  --campaign NAME  this campaign; that of the newest finished run when not given\n"
	"  --bench NAME     the runs on this bench; that of the campaign's newest finished run "
	"when\n"
	"                   not given\n"
	"  --case NAME      only this case\n"
	"  --checks         also each check that ever failed, on its channel: when first, since "
	"when,\n"
	"                   how often, and which recording shows it\n"
	"  --alpha P        chance of any false alarm of each of the two, 0.05 when not given\n"
	"  --every-run      P is spent over all looks: with j finished runs P / (j (j + 1)) is "
	"used\n"
	"  --json           machine-readable\n"
	"  --help           this text\n"
	"\n"
	"Exit status: 0 nothing got worse, 1 a case is newly failing or an error ratio rises,\n"
	"3 error, 64 usage\n";

enum { OPT_STORE, OPT_CAMPAIGN, OPT_BENCH, OPT_CASE, OPT_ALPHA, OPT_EVERY, OPT_JSON, OPT_CHECKS };
static const struct cli_option options[] = {[OPT_STORE] = {"store", true},
	[OPT_CAMPAIGN] = {"campaign", true},
	[OPT_BENCH] = {"bench", true},
	[OPT_CASE] = {"case", true},
	[OPT_ALPHA] = {"alpha", true},
	[OPT_EVERY] = {"every-run", false},
	[OPT_JSON] = {"json", false},
	[OPT_CHECKS] = {"checks", false},
	{NULL, false}};

#define LINE_RUNS 40 /* letters in one line */

/* ---- plain ---- */

static char letter_of(const struct evl_past_entry *e)
{
	static const char *const verdicts[] = {"pass", "fail", "inconclusive", "error"};
	if (e->repeat) {
		return '=';
	}
	for (size_t i = 0; i < 4; i++) {
		if (strcmp(e->verdict, verdicts[i]) == 0) {
			return "PFIE"[i];
		}
	}
	return '-';
}

/* The runs of one build that follow each other are one line. */
static void print_sequence(const struct evl_past *past, const struct evl_past_case *c)
{
	for (size_t i = 0; i < c->entry_count;) {
		char letters[LINE_RUNS + 1];
		size_t n = 0;
		const struct evl_past_run *first = &past->runs[c->entries[i].run], *last = first;
		while (i < c->entry_count && n < LINE_RUNS &&
			past->runs[c->entries[i].run].build_no == first->build_no) {
			last = &past->runs[c->entries[i].run];
			letters[n++] = letter_of(&c->entries[i++]);
		}
		letters[n] = '\0';
		if (first == last) {
			cli_out("    run %" PRId64 ", build %s: %s\n", first->run, first->build,
				letters);
		} else {
			cli_out("    runs %" PRId64 " to %" PRId64 ", build %s: %s\n", first->run,
				last->run, first->build, letters);
		}
	}
}

static void print_since(const struct evl_past *past, const struct evl_past_case *c)
{
	const struct evl_past_run *r = &past->runs[c->change->run];
	bool worse = c->finding == EVL_PAST_NEWLY_FAILING;
	cli_out(" since run %" PRId64 ", build %s (p %.3g, corrected %.3g%s)", r->run, r->build,
		worse ? c->history.p_worse : c->history.p_better, worse ? c->p_worse : c->p_better,
		c->proved ? "" : ": not proved yet");
}

static void print_case(const struct evl_past *past, const struct evl_past_case *c)
{
	const struct evl_history *h = &c->history;
	cli_out("%s: %s", c->name, evl_past_finding_name(c->finding));
	if (c->change != NULL) {
		print_since(past, c);
	}
	if (c->counted > 0) {
		cli_out(", failed in %zu of %zu", h->failures, h->runs);
	}
	if (c->finding == EVL_PAST_FLAKY) {
		cli_out(", fails with probability %.3g (%.3g to %.3g at %g %%)", h->share,
			h->interval.lower, h->interval.upper, 100 * past->confidence);
	} else if (c->proved) {
		cli_out(", since then with probability %.3g to %.3g at %g %%", h->since.lower,
			h->since.upper, 100 * past->confidence);
	}
	if (c->first_failure != NULL && c->first_failure != c->change) {
		const struct evl_past_run *r = &past->runs[c->first_failure->run];
		cli_out(", first in run %" PRId64 ", build %s, %s", r->run, r->build,
			r->started_utc);
	}
	cli_out("%s\n", h->mixed_build ? "; one build both passed and failed" : "");
	print_sequence(past, c);
}

static void print_series(const struct evl_past *past, const struct evl_past_series *s)
{
	const struct evl_past_point *last = &s->points[s->point_count - 1];
	cli_out("    %-9s  %s: %s in %s", s->tested ? evl_past_trend_name(s->finding) : "no test",
		s->title, cli_number_of(s->errors, "error").s, cli_number_of(s->bits, "bit").s);
	cli_out(" of %s, %s in %s in run %" PRId64, cli_number_of(s->point_count, "run").s,
		cli_count(last->errors).s, cli_count(last->bits).s, past->runs[last->run].run);
	if (s->tested) {
		cli_out(" (p rising %.3g, corrected %.3g; falling %.3g, corrected %.3g%s)",
			s->trend.p_rising, s->p_rising, s->trend.p_falling, s->p_falling,
			s->trend.exact ? "" : "; by the normal distribution");
	}
	cli_out("\n");
}

static void print_run(
	const char *before, const struct evl_past *past, const struct evl_past_entry *e)
{
	const struct evl_past_run *r = &past->runs[e->run];
	cli_out("%srun %" PRId64 ", build %s, %s", before, r->run, r->build, r->started_utc);
}

/* A check that failed: when first, since when, and what to replay. */
static enum evl_status print_check(const struct evl_past *past, const struct evl_past_case *c,
	struct evl_store *store, struct evl_err *err)
{
	struct evl_case_recording kept = {0};
	if (c->first_failure == NULL) {
		return EVL_OK; /* only repeats failed */
	}
	enum evl_status st = evl_store_recording_of_case(
		&kept, store, past->runs[c->last_failure->run].run, c->name, err);
	if (st != EVL_OK) {
		return st;
	}
	cli_out("    %s", c->title);
	if (c->role != NULL) {
		cli_out(", %s %d", c->role, c->number);
	}
	cli_out(": %s, failed in %zu of %zu, on the newest build in %zu of %zu\n",
		evl_past_finding_name(c->finding), c->history.failures, c->history.runs,
		c->build_failures, c->build_runs);
	print_run("        first failed in ", past, c->first_failure);
	if (c->failing_since != NULL && c->failing_since != c->first_failure) {
		print_run("\n        fails since ", past, c->failing_since);
	} else if (c->last_failure != c->first_failure) {
		print_run("\n        last failed in ", past, c->last_failure);
	}
	cli_out("\n");
	if (kept.name != NULL) {
		cli_out("        replay \"%s\" of run %" PRId64 ", build %s: %s\n", kept.name,
			kept.run, kept.build, kept.path);
	}
	evl_case_recording_finish(&kept);
	return EVL_OK;
}

static enum evl_status print_checks(const struct evl_past *past, const struct evl_past_case *of,
	struct evl_store *store, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < past->check_count && st == EVL_OK; i++) {
		if (past->checks[i].name == of->name) {
			st = print_check(past, &past->checks[i], store, err);
		}
	}
	return st;
}

static void print_head(const struct evl_past *past)
{
	const struct evl_past_run *first = &past->runs[0];
	const struct evl_past_run *last = &past->runs[past->run_count - 1];
	cli_out("campaign %s on bench %s: %s, %" PRId64 " (%s) to %" PRId64 " (%s)\n",
		past->campaign_name, past->bench_name,
		cli_number_of(past->run_count, "finished run").s, first->run, first->started_utc,
		last->run, last->started_utc);
	if (past->older > 0 || past->unfinished > 0 || past->other_bench > 0) {
		cli_out("left out: %" PRId64 " older, %" PRId64 " not finished, %" PRId64
			" on other benches\n",
			past->older, past->unfinished, past->other_bench);
	}
	for (size_t i = 0; i < past->run_count; i++) {
		const struct evl_past_run *r = &past->runs[i];
		if (r->campaign_changed || r->bench_changed) {
			cli_out("run %" PRId64 " has another %s file than the run before\n", r->run,
				!r->bench_changed      ? "campaign"
				: !r->campaign_changed ? "bench"
						       : "campaign and bench");
		}
	}
	cli_out("P pass, F fail, I inconclusive, E error of the tester, - none, = the same "
		"measurement again\n\n");
}

static void print_worse(const struct evl_past *past)
{
	const char *sep = ": ";
	cli_out("Something got worse");
	for (size_t i = 0; i < past->case_count; i++) {
		if (past->cases[i].finding == EVL_PAST_NEWLY_FAILING) {
			cli_out("%s%s is newly failing", sep, past->cases[i].name);
			sep = ", ";
		}
	}
	for (size_t i = 0; i < past->series_count; i++) {
		if (past->series[i].finding == EVL_PAST_RISING) {
			cli_out("%s%s rises in %s", sep, past->series[i].title,
				past->series[i].case_name);
			sep = ", ";
		}
	}
	cli_out(".\n");
}

static enum evl_status print_plain(
	const struct evl_past *past, struct evl_store *store, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	print_head(past);
	for (size_t i = 0; i < past->case_count && st == EVL_OK; i++) {
		const struct evl_past_case *c = &past->cases[i];
		print_case(past, c);
		for (size_t k = 0; k < past->series_count; k++) {
			if (past->series[k].case_name == c->name) {
				print_series(past, &past->series[k]);
			}
		}
		st = print_checks(past, c, store, err);
	}
	cli_out("\ntested: changes of %s, trends of %s; either gives a false alarm in 1 of %.6g "
		"histories at most\n",
		cli_number_of(past->cases_tested, "case").s,
		cli_number_of(past->series_tested, "error ratio").s, 1 / past->alpha_of_all);
	if (past->look > 0) {
		cli_out("read after every run: look %s has %.3g of %.6g\n", cli_count(past->look).s,
			past->alpha, past->alpha_of_all);
	}
	if (past->worse) {
		print_worse(past);
	} else {
		cli_out("Nothing got worse.\n");
	}
	return st;
}

/* ---- JSON ---- */

static json_t *run_number(const struct evl_past *past, const struct evl_past_entry *e)
{
	return e != NULL ? json_integer(past->runs[e->run].run) : json_null();
}

static json_t *interval_json(const struct evl_interval *i)
{
	return json_pack("[f, f]", i->lower, i->upper);
}

static json_t *case_json(const struct evl_past *past, const struct evl_past_case *c)
{
	const struct evl_history *h = &c->history;
	bool tested = h->failures > 0 && h->failures < h->runs;
	json_t *runs = json_array();
	for (size_t i = 0; i < c->entry_count; i++) {
		const struct evl_past_entry *e = &c->entries[i];
		json_array_append_new(
			runs, json_pack("{s:o, s:o, s:s, s:b, s:b}", "run", run_number(past, e),
				      "build", cli_json_text(past->runs[e->run].build), "verdict",
				      e->verdict, "counted", e->counted, "repeat", e->repeat));
	}
	json_t *o = json_pack("{s:o, s:s, s:b, s:I, s:I, s:b, s:o, s:o, s:o}", "name",
		cli_json_text(c->name), "finding", evl_past_finding_name(c->finding), "proved",
		c->proved, "counted", (json_int_t)h->runs, "failures", (json_int_t)h->failures,
		"mixed_build", h->mixed_build, "first_failure", run_number(past, c->first_failure),
		"change", run_number(past, c->change), "runs", runs);
	json_object_set_new(
		o, "probability_of_failing", h->runs > 0 ? json_real(h->share) : json_null());
	json_object_set_new(o, "interval", h->runs > 0 ? interval_json(&h->interval) : json_null());
	json_object_set_new(
		o, "interval_since_change", c->proved ? interval_json(&h->since) : json_null());
	json_object_set_new(o, "p_worse", tested ? json_real(h->p_worse) : json_null());
	json_object_set_new(o, "p_worse_corrected", tested ? json_real(c->p_worse) : json_null());
	json_object_set_new(o, "p_better", tested ? json_real(h->p_better) : json_null());
	json_object_set_new(o, "p_better_corrected", tested ? json_real(c->p_better) : json_null());
	return o;
}

static json_t *series_json(const struct evl_past *past, const struct evl_past_series *s)
{
	json_t *points = json_array();
	for (size_t i = 0; i < s->point_count; i++) {
		const struct evl_past_point *p = &s->points[i];
		json_array_append_new(points,
			json_pack("{s:I, s:I, s:I}", "run", (json_int_t)past->runs[p->run].run,
				"errors", (json_int_t)p->errors, "bits", (json_int_t)p->bits));
	}
	json_t *o = json_pack("{s:o, s:o, s:s, s:I, s:I, s:b, s:o}", "case",
		cli_json_text(s->case_name), "title", cli_json_text(s->title), "trend",
		evl_past_trend_name(s->finding), "errors", (json_int_t)s->errors, "bits",
		(json_int_t)s->bits, "tested", s->tested, "runs", points);
	if (s->tested) {
		json_object_set_new(o, "exact", json_boolean(s->trend.exact));
		json_object_set_new(o, "slope", json_real(s->trend.slope));
		json_object_set_new(o, "p_rising", json_real(s->trend.p_rising));
		json_object_set_new(o, "p_rising_corrected", json_real(s->p_rising));
		json_object_set_new(o, "p_falling", json_real(s->trend.p_falling));
		json_object_set_new(o, "p_falling_corrected", json_real(s->p_falling));
	}
	return o;
}

static json_t *check_json(const struct evl_past *past, const struct evl_past_case *c)
{
	json_t *o = case_json(past, c);
	json_object_set_new(o, "title", cli_json_text(c->title));
	json_object_set_new(o, "role", cli_json_text(c->role));
	json_object_set_new(o, "number", c->role != NULL ? json_integer(c->number) : json_null());
	json_object_set_new(o, "last_failure", run_number(past, c->last_failure));
	json_object_set_new(o, "failing_since", run_number(past, c->failing_since));
	return o;
}

static json_t *to_json(const struct evl_past *past)
{
	json_t *checks = json_array();
	for (size_t i = 0; i < past->check_count; i++) {
		json_array_append_new(checks, check_json(past, &past->checks[i]));
	}
	json_t *runs = json_array(), *cases = json_array(), *series = json_array();
	for (size_t i = 0; i < past->run_count; i++) {
		const struct evl_past_run *r = &past->runs[i];
		json_array_append_new(
			runs, json_pack("{s:I, s:o, s:o, s:o, s:b, s:b}", "run", (json_int_t)r->run,
				      "build", cli_json_text(r->build), "started",
				      cli_json_text(r->started_utc), "verdict",
				      cli_json_text(r->verdict), "campaign_changed",
				      r->campaign_changed, "bench_changed", r->bench_changed));
	}
	for (size_t i = 0; i < past->case_count; i++) {
		json_array_append_new(cases, case_json(past, &past->cases[i]));
	}
	for (size_t i = 0; i < past->series_count; i++) {
		json_array_append_new(series, series_json(past, &past->series[i]));
	}
	return json_pack(
		"{s:b, s:o, s:o, s:f, s:f, s:f, s:I, s:I, s:I, s:I, s:I, s:I, s:o, s:o, s:o, s:o}",
		"worse", past->worse, "campaign", cli_json_text(past->campaign_name), "bench",
		cli_json_text(past->bench_name), "confidence", past->confidence, "alpha",
		past->alpha_of_all, "alpha_of_this_look", past->alpha, "look",
		(json_int_t)past->look, "older", (json_int_t)past->older, "unfinished",
		(json_int_t)past->unfinished, "other_bench", (json_int_t)past->other_bench,
		"cases_tested", (json_int_t)past->cases_tested, "ratios_tested",
		(json_int_t)past->series_tested, "runs", runs, "cases", cases, "error_ratios",
		series, "checks", checks);
}

static int history(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_history, .options = options, .argc = argc, .argv = argv};
	struct evl_past_query query = {0};
	struct evl_past past = {0};
	struct evl_store *store = NULL;
	struct evl_err err = {0};
	const char *path = NULL, *alpha = NULL;
	bool json = false;
	enum evl_status st = EVL_OK;
	int status = CLI_GOOD;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_STORE:
			path = a.value;
			break;
		case OPT_CAMPAIGN:
			query.campaign_name = a.value;
			break;
		case OPT_BENCH:
			query.bench_name = a.value;
			break;
		case OPT_CASE:
			query.case_name = a.value;
			break;
		case OPT_ALPHA:
			alpha = a.value;
			break;
		case OPT_EVERY:
			query.every_run = true;
			break;
		case OPT_JSON:
			json = true;
			break;
		case OPT_CHECKS:
			query.checks = true;
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (path == NULL) {
		return cli_usage(a.verb, "--store is missing");
	}
	if (alpha != NULL && !cli_parse_share(&query.alpha, alpha)) {
		return cli_usage(
			a.verb, "--alpha: \"%.40s\" is not a number between 0 and 1", alpha);
	}
	if (evl_store_open(&store, path, EVL_STORE_READ, &err) != EVL_OK ||
		evl_past_load(&past, store, &query, &err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		if (json) {
			cli_json_print(to_json(&past));
		} else {
			st = print_plain(&past, store, &err);
		}
		status = st != EVL_OK ? cli_error(&err) : past.worse ? CLI_NO : CLI_GOOD;
	}
	evl_past_finish(&past);
	evl_store_close(store);
	return status;
}

const struct cli_verb cli_verb_history = {
	"history", "many nights: newly failing, flaky, a trend?", help, history};
