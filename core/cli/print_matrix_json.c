/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/cli.h"
#include "core/cli/print_matrix.h"

static json_t *column(const struct evl_matrix *m, size_t at)
{
	return at != EVL_MATRIX_NONE ? json_integer(m->runs[at].run) : json_null();
}

static json_t *past_run(const struct evl_matrix *m, const struct evl_past_entry *e)
{
	if (e == NULL) {
		return json_null();
	}
	const struct evl_past_run *r = &m->past.runs[e->run];
	return json_pack("{s:I, s:o, s:o}", "run", (json_int_t)r->run, "build",
		cli_json_text(r->build), "started", cli_json_text(r->started_utc));
}

static json_t *interval(const struct evl_interval *i)
{
	return json_pack("[f, f]", i->lower, i->upper);
}

static json_t *history(const struct evl_matrix *m, const struct evl_past_case *c)
{
	if (c == NULL) {
		return json_null();
	}
	json_t *o = json_pack("{s:s, s:b, s:b, s:I, s:I, s:I, s:I, s:I, s:I}", "finding",
		evl_past_finding_name(c->finding), "proved", c->proved, "mixed_build",
		c->history.mixed_build, "runs", (json_int_t)c->history.runs, "failures",
		(json_int_t)c->history.failures, "build_runs", (json_int_t)c->build_runs,
		"build_failures", (json_int_t)c->build_failures, "other_runs",
		(json_int_t)c->other_runs, "other_failures", (json_int_t)c->other_failures);
	json_object_set_new(o, "probability_on_build",
		c->build_runs > 0 ? json_real((double)c->build_failures / (double)c->build_runs)
				  : json_null());
	json_object_set_new(o, "interval_on_build", interval(&c->build_interval));
	json_object_set_new(o, "first_failure", past_run(m, c->first_failure));
	json_object_set_new(o, "last_failure", past_run(m, c->last_failure));
	json_object_set_new(o, "failing_since", past_run(m, c->failing_since));
	return o;
}

static json_t *recording(const struct evl_matrix_recording *r)
{
	if (r->name == NULL) {
		return json_null();
	}
	return json_pack("{s:o, s:o, s:I, s:o, s:b, s:I}", "name", cli_json_text(r->name), "path",
		cli_json_text(r->path), "run", (json_int_t)r->run, "build", cli_json_text(r->build),
		"of_failure", r->of_failure, "more", (json_int_t)r->more);
}

static json_t *cells(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	json_t *list = json_array();
	for (size_t i = 0; i < m->run_count; i++) {
		const struct evl_matrix_cell *c = &row->cells[i];
		if (c->verdict == NULL) {
			json_array_append_new(list, json_null());
		} else if (row->title == NULL) {
			json_array_append_new(list, json_pack("{s:s}", "verdict", c->verdict));
		} else {
			json_array_append_new(list,
				json_pack("{s:s, s:o, s:o, s:o}", "verdict", c->verdict, "value",
					cli_json_text(c->value), "errors",
					c->errors >= 0 ? json_integer(c->errors) : json_null(),
					"bits",
					c->bits >= 0 ? json_integer(c->bits) : json_null()));
		}
	}
	return list;
}

static json_t *row_json(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	json_t *o = json_pack("{s:o, s:o, s:o, s:o, s:s, s:s, s:o, s:o, s:b}", "case",
		cli_json_text(row->case_name), "title", cli_json_text(row->title), "role",
		cli_json_text(row->role), "number",
		row->role != NULL ? json_integer(row->number) : json_null(), "finding",
		evl_matrix_finding_name(row->finding), "change", evl_change_name(row->change),
		"against", column(m, row->before), "cells", cells(m, row), "flaky", row->flaky);
	json_object_set_new(o, "reason", cli_json_text(row->reason));
	json_object_set_new(o, "tests", json_integer((json_int_t)row->tests));
	json_object_set_new(
		o, "p_worse_corrected", row->tests > 0 ? json_real(row->p_worse) : json_null());
	json_object_set_new(o, "worse_than", column(m, row->worse_than));
	json_object_set_new(o, "p_more_often_corrected",
		row->flaky ? json_real(row->p_more_often) : json_null());
	json_object_set_new(o, "history", history(m, row->past));
	json_object_set_new(o, "recording", recording(&row->recording));
	return o;
}

static json_t *counts(const int *count)
{
	json_t *o = json_object();
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT; f++) {
		json_object_set_new(o, evl_matrix_finding_name((enum evl_matrix_finding)f),
			json_integer(count[f]));
	}
	return o;
}

json_t *print_matrix_json(const struct evl_matrix *m)
{
	json_t *runs = json_array(), *rows = json_array();
	for (size_t i = 0; i < m->run_count; i++) {
		const struct evl_matrix_run *r = &m->runs[i];
		json_array_append_new(runs,
			json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:b, s:b, s:b}", "run",
				(json_int_t)r->run, "campaign", cli_json_text(r->campaign_name),
				"bench", cli_json_text(r->bench_name), "build",
				cli_json_text(r->build), "started", cli_json_text(r->started_utc),
				"state", cli_json_text(r->state), "verdict",
				cli_json_text(r->verdict), "same_campaign", r->same_campaign,
				"same_bench", r->same_bench, "same_seed", r->same_seed));
	}
	for (size_t i = 0; i < m->row_count; i++) {
		json_array_append_new(rows, row_json(m, &m->rows[i]));
	}
	return json_pack("{s:b, s:f, s:f, s:I, s:I, s:I, s:o, s:o, s:o, s:o}", "worse", m->worse,
		"alpha", m->alpha, "confidence", m->confidence, "tested", (json_int_t)m->tested,
		"flaky_tested", (json_int_t)m->flaky_tested, "history_runs",
		(json_int_t)m->past.run_count, "cases", counts(m->case_findings), "checks",
		counts(m->check_findings), "runs", runs, "rows", rows);
}
