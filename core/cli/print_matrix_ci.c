/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/cli/cli.h"
#include "core/cli/print_ci.h"
#include "core/cli/print_matrix.h"

enum kind { GOOD, FAILURE, KNOWN };

/* The worst of the case and its checks; findings are in that order. */
static enum evl_matrix_finding worst_of(
	const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	enum evl_matrix_finding worst = row->finding;
	for (size_t i = row->case_row + 1; i < m->row_count && m->rows[i].title != NULL; i++) {
		worst = m->rows[i].finding < worst ? m->rows[i].finding : worst;
	}
	return worst;
}

/* Flaky, too, when it failed this time. */
static enum kind kind_of(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	if (evl_matrix_finding_is_worse(worst_of(m, row))) {
		return FAILURE;
	}
	const char *now = row->cells[m->run_count - 1].verdict;
	return now != NULL && strcmp(now, "pass") == 0 ? GOOD : KNOWN;
}

static void add_why(
	struct evl_text *out, const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	evl_text_add(out, evl_matrix_finding_name(worst_of(m, row)));
	if (row->past != NULL && row->past->failing_since != NULL) {
		const struct evl_past_run *r = &m->past.runs[row->past->failing_since->run];
		evl_text_addf(out, ", fails since run %" PRId64 ", build %s", r->run, r->build);
	}
}

static void add_rows(
	struct evl_text *out, const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	for (size_t i = row->case_row; i < m->row_count; i++) {
		const struct evl_matrix_row *r = &m->rows[i];
		if (i > row->case_row && r->title == NULL) {
			break;
		}
		if (r->finding == EVL_MATRIX_SAME) {
			continue;
		}
		evl_text_addf(out, "%s: %s", evl_matrix_finding_name(r->finding),
			r->title != NULL ? r->title : "the case");
		if (r->role != NULL) {
			evl_text_addf(out, ", %s %d", r->role, r->number);
		}
		evl_text_add(out, ": ");
		for (size_t c = 0; c < m->run_count; c++) {
			char letter[2] = {evl_matrix_letter(&r->cells[c]), '\0'};
			evl_text_add(out, letter);
		}
		if (r->reason != NULL && r->reason[0] != '\0') {
			evl_text_addf(out, "; %s", r->reason);
		}
		if (r->recording.name != NULL) {
			evl_text_addf(out, "; recording \"%s\" of run %" PRId64 ": %s",
				r->recording.name, r->recording.run, r->recording.path);
		}
		evl_text_add(out, "\n");
	}
}

static void add_counts(struct evl_text *out, const struct evl_matrix *m)
{
	unsigned count[3] = {0};
	for (size_t i = 0; i < m->row_count; i++) {
		if (m->rows[i].title == NULL) {
			count[kind_of(m, &m->rows[i])]++;
		}
	}
	evl_text_addf(out, " tests=\"%zu\" failures=\"%u\" errors=\"0\" skipped=\"%u\"",
		m->case_count, count[FAILURE], count[KNOWN]);
}

void print_matrix_junit(struct evl_text *out, const struct evl_matrix *m)
{
	const struct evl_matrix_run *last = &m->runs[m->run_count - 1];
	evl_text_add(out, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites");
	add_counts(out, m);
	evl_text_add(out, " time=\"0.000\">\n  <testsuite");
	print_ci_attribute(out, "name", last->campaign_name);
	add_counts(out, m);
	evl_text_add(out, " time=\"0.000\"");
	print_ci_timestamp(out, last->started_utc);
	evl_text_add(out, ">\n    <properties>\n");
	for (size_t i = 0; i < m->run_count; i++) {
		struct evl_text number = {0};
		evl_text_addf(&number, "%" PRId64, m->runs[i].run);
		print_ci_property(out, "run", evl_text_str(&number));
		print_ci_property(out, "build", m->runs[i].build);
		evl_text_finish(&number);
	}
	evl_text_add(out, "    </properties>\n");
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_row *row = &m->rows[i];
		if (row->title != NULL) {
			continue;
		}
		enum kind kind = kind_of(m, row);
		evl_text_add(out, "    <testcase");
		print_ci_attribute(out, "name", row->case_name);
		print_ci_attribute(out, "classname", last->campaign_name);
		evl_text_add(out, kind == GOOD ? " time=\"0.000\"/>\n" : " time=\"0.000\">\n");
		if (kind == GOOD) {
			continue;
		}
		struct evl_text why = {0}, rows = {0};
		add_why(&why, m, row);
		add_rows(&rows, m, row);
		evl_text_addf(out, "      <%s", kind == FAILURE ? "failure" : "skipped");
		print_ci_attribute(out, "message", evl_text_str(&why));
		if (kind == FAILURE) {
			print_ci_attribute(out, "type", evl_matrix_finding_name(worst_of(m, row)));
		}
		evl_text_add(out, ">");
		evl_text_add_html(out, evl_text_str(&rows));
		evl_text_addf(
			out, "</%s>\n    </testcase>\n", kind == FAILURE ? "failure" : "skipped");
		evl_text_finish(&why);
		evl_text_finish(&rows);
	}
	evl_text_add(out, "  </testsuite>\n</testsuites>\n");
}

void print_matrix_tap(struct evl_text *out, const struct evl_matrix *m)
{
	size_t n = 0;
	evl_text_addf(out, "TAP version 14\n1..%zu\n", m->case_count);
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_row *row = &m->rows[i];
		if (row->title != NULL) {
			continue;
		}
		enum kind kind = kind_of(m, row);
		struct evl_text why = {0}, rows = {0};
		add_why(&why, m, row);
		evl_text_addf(out, "%s %zu - ", kind == GOOD ? "ok" : "not ok", ++n);
		print_ci_escaped(out, row->case_name);
		evl_text_add(out, kind == KNOWN ? " # TO" "DO " : "");
		if (kind == KNOWN) {
			print_ci_escaped(out, evl_text_str(&why));
		}
		evl_text_add(out, "\n");
		if (kind != GOOD) {
			add_rows(&rows, m, row);
			evl_text_add(out, "  ---\n");
			print_ci_yaml(out, "message", evl_text_str(&why));
			print_ci_yaml(out, "rows", evl_text_str(&rows));
			evl_text_add(out, "  ...\n");
		}
		evl_text_finish(&why);
		evl_text_finish(&rows);
	}
}
