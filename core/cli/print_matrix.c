/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/print_matrix.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"

#define WIDTH     100 /* columns of a line */
#define NAME_MOST 40  /* a longer name of a case has a line of its own */
#define RUNS_LINE 40  /* letters in one line */

/* Columns that a text takes: characters, not bytes. */
static int columns_of(const char *text, size_t len)
{
	int n = 0;
	for (size_t i = 0; i < len; i++) {
		n += ((unsigned char)text[i] & 0xc0) != 0x80;
	}
	return n;
}

/* Prints words, the line being at column `at`; further lines begin at `indent`. A word that is too
 * long for any line stays whole. */
static void wrap(const char *text, int at, int indent)
{
	const char *sep = "";
	while (*text != '\0') {
		size_t len = strcspn(text, " ");
		int n = columns_of(text, len);
		if (*sep != '\0' && at + 1 + n > WIDTH) {
			cli_out("\n%*s", indent, "");
			at = indent;
			sep = "";
		}
		cli_out("%s%.*s", sep, (int)len, text);
		at += n + (*sep != '\0');
		sep = " ";
		text += len + strspn(text + len, " ");
	}
	cli_out("\n");
}

static void wrap_text(struct evl_text *t, int at, int indent)
{
	wrap(evl_text_str(t), at, indent);
	evl_text_finish(t);
}

/* The letters of columns first .. first + RUNS_LINE - 1; returns their number. */
static size_t letters(const struct evl_matrix *m, const struct evl_matrix_row *row, size_t first)
{
	size_t n = 0;
	for (; first + n < m->run_count && n < RUNS_LINE; n++) {
		char letter[2] = {evl_matrix_letter(&row->cells[first + n]), '\0'};
		cli_out_verdict(letter, 0);
	}
	return n;
}

/* ---- head ---- */

static void print_runs(const struct evl_matrix *m)
{
	const struct evl_matrix_run *last = &m->runs[m->run_count - 1];
	struct evl_text line = {0};
	evl_text_addf(&line, "campaign %s on bench %s; the last of these runs is judged",
		last->campaign_name, last->bench_name);
	wrap_text(&line, 0, 4);
	for (size_t i = 0; i < m->run_count; i++) {
		const struct evl_matrix_run *r = &m->runs[i];
		cli_out("%5zu  run %-6" PRId64 "  %-12s  ", i + 1, r->run, r->verdict);
		evl_text_addf(&line, "build %s, %s", r->build, r->started_utc);
		if (strcmp(r->campaign_name, last->campaign_name) != 0) {
			evl_text_addf(&line, ", campaign %s", r->campaign_name);
		} else if (!r->same_campaign) {
			evl_text_add(&line, ", another campaign file");
		}
		if (strcmp(r->bench_name, last->bench_name) != 0) {
			evl_text_addf(&line, ", bench %s", r->bench_name);
		} else if (!r->same_bench) {
			evl_text_add(&line, ", another bench file");
		}
		evl_text_add(&line, r->same_seed ? "" : ", another seed");
		if (strcmp(r->state, EVL_STATE_FINISHED) != 0) {
			evl_text_addf(&line, ", %s", r->state);
		}
		wrap_text(&line, 33, 33);
	}
	wrap("P pass, F fail, I inconclusive, E error of the tester, - no verdict, . not there", 0,
		4);
}

/* ---- the matrix ---- */

/* Numbers of the columns from `first` on, as digits above each other. */
static void print_ruler(const struct evl_matrix *m, size_t first, int name_width)
{
	size_t end = first + RUNS_LINE < m->run_count ? first + RUNS_LINE : m->run_count;
	for (size_t unit = end > 99 ? 100 : end > 9 ? 10 : 1; unit > 0; unit /= 10) {
		cli_out("%*s", name_width + 2, "");
		for (size_t i = first + 1; i <= end; i++) {
			if (unit == 1 || (i / unit > 0 && (i % unit == 0 || i == first + 1))) {
				cli_out("%zu", i / unit % 10);
			} else {
				cli_out(" ");
			}
		}
		cli_out("\n");
	}
}

/* "3 newly failing, 60 same" of a case's checks. */
static void count_checks(
	struct evl_text *out, const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	int count[EVL_MATRIX_FINDING_COUNT] = {0};
	for (size_t i = row->case_row + 1; i < m->row_count && m->rows[i].title != NULL; i++) {
		count[m->rows[i].finding]++;
	}
	const char *sep = "";
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT; f++) {
		if (count[f] > 0) {
			evl_text_addf(out, "%s%d %s", sep, count[f],
				evl_matrix_finding_name((enum evl_matrix_finding)f));
			sep = ", ";
		}
	}
	if (*sep == '\0') {
		evl_text_add(out, "no checks");
	}
}

static void print_cases(const struct evl_matrix *m)
{
	int name_width = 4;
	for (size_t i = 0; i < m->row_count; i++) {
		if (m->rows[i].title == NULL) {
			int n = columns_of(m->rows[i].case_name, strlen(m->rows[i].case_name));
			name_width = n > name_width && n <= NAME_MOST ? n : name_width;
		}
	}
	for (size_t first = 0; first < m->run_count; first += RUNS_LINE) {
		cli_out("\n");
		print_ruler(m, first, name_width);
		bool whole = first + RUNS_LINE >= m->run_count;
		for (size_t i = 0; i < m->row_count; i++) {
			const struct evl_matrix_row *row = &m->rows[i];
			if (row->title != NULL) {
				continue;
			}
			int n = columns_of(row->case_name, strlen(row->case_name));
			cli_out("%s", row->case_name);
			if (n > name_width) {
				cli_out("\n");
				n = 0;
			}
			cli_out("%*s", name_width + 2 - n, "");
			int at = name_width + 2 + (int)letters(m, row, first);
			if (!whole) {
				cli_out("\n");
				continue;
			}
			cli_out("  ");
			cli_out_verdict(evl_matrix_finding_name(row->finding), 16);
			cli_out("  ");
			struct evl_text counts = {0};
			count_checks(&counts, m, row);
			wrap_text(&counts, at + 20, at + 20);
		}
	}
}

/* ---- rows by finding ---- */

static const char *value_of(const struct evl_matrix_cell *c)
{
	return c->verdict == NULL ? "not there" : c->value != NULL ? c->value : c->verdict;
}

static void add_values(
	struct evl_text *out, const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	const struct evl_matrix_cell *now = &row->cells[m->run_count - 1];
	if (row->title == NULL) {
		return;
	}
	if (row->before != EVL_MATRIX_NONE) {
		evl_text_addf(out, "%s -> ", value_of(&row->cells[row->before]));
	}
	evl_text_add(out, value_of(now));
	if (now->verdict != NULL && now->unit != NULL && strcmp(now->unit, "1") != 0) {
		evl_text_addf(out, " %s", now->unit);
	}
	if (row->reason != NULL && row->reason[0] != '\0') {
		evl_text_addf(out, "; %s", row->reason);
	}
}

static void print_counts(const struct evl_matrix *m, const struct evl_matrix_row *row, int indent)
{
	const struct evl_matrix_cell *now = &row->cells[m->run_count - 1];
	if (row->worse_than == EVL_MATRIX_NONE ||
		(row->change != EVL_CHANGE_WORSE && row->finding != EVL_MATRIX_LOOK)) {
		return;
	}
	const struct evl_matrix_cell *then = &row->cells[row->worse_than];
	struct evl_text line = {0};
	evl_text_addf(&line, "%" PRId64 " errors in %s bits of run %" PRId64 ", ", then->errors,
		cli_count((uint64_t)then->bits).s, m->runs[row->worse_than].run);
	evl_text_addf(&line, "%" PRId64 " in %s now: p %.3g, corrected for %zu tests", now->errors,
		cli_count((uint64_t)now->bits).s, row->p_worse, m->tested);
	cli_out("%*s", indent, "");
	wrap_text(&line, indent, indent + 2);
}

static void print_flaky(const struct evl_matrix *m, const struct evl_matrix_row *row, int indent)
{
	const struct evl_past_case *c = row->past;
	const char *build = m->past.runs[m->past.run_count - 1].build;
	struct evl_text line = {0};
	if (!row->flaky) {
		return;
	}
	evl_text_addf(&line,
		"build %s failed in %zu of %s: probability %.3g (%.3g to %.3g at %g %%)", build,
		c->build_failures, cli_number_of(c->build_runs, "run").s,
		c->build_runs > 0 ? (double)c->build_failures / (double)c->build_runs : 0,
		c->build_interval.lower, c->build_interval.upper, 100 * m->confidence);
	if (c->other_runs > 0) {
		evl_text_addf(&line, "; other builds in %zu of %zu; more often now: p %.3g, %s",
			c->other_failures, c->other_runs, row->p_more_often,
			row->p_more_often <= m->alpha ? "so it is worse" : "not proved");
	}
	cli_out("%*s", indent, "");
	wrap_text(&line, indent, indent + 2);
}

static void add_run(struct evl_text *out, const struct evl_past_run *r)
{
	evl_text_addf(out, "run %" PRId64 ", build %s, %s", r->run, r->build, r->started_utc);
}

static void print_when(const struct evl_matrix *m, const struct evl_matrix_row *row, int indent)
{
	const struct evl_past_case *c = row->past;
	struct evl_text line = {0};
	if (c == NULL || c->first_failure == NULL) {
		return;
	}
	const struct evl_past_run *first = &m->past.runs[c->first_failure->run];
	evl_text_add(&line, "first failed in ");
	add_run(&line, first);
	if (c->failing_since != NULL && c->failing_since != c->first_failure) {
		evl_text_add(&line, "; fails since ");
		add_run(&line, &m->past.runs[c->failing_since->run]);
	}
	evl_text_addf(&line, "; failed in %zu of %s", c->history.failures,
		cli_number_of(c->history.runs, "run").s);
	cli_out("%*s", indent, "");
	wrap_text(&line, indent, indent + 2);
}

static bool same_recording(
	const struct evl_matrix_recording *a, const struct evl_matrix_recording *b)
{
	return a->name != NULL && b->name != NULL && a->run == b->run &&
	       strcmp(a->path, b->path) == 0 && a->of_failure == b->of_failure;
}

static void print_recording(const struct evl_matrix_recording *r, int indent)
{
	struct evl_text line = {0};
	if (r->name == NULL) {
		return;
	}
	evl_text_addf(&line, "%s \"%s\" of run %" PRId64 ", build %s: %s",
		r->of_failure ? "replay its failure:" : "replay the reference:", r->name, r->run,
		r->build, r->path);
	if (r->more > 0) {
		evl_text_addf(&line, " (and %zu more of that case)", r->more);
	}
	cli_out("%*s", indent, "");
	wrap_text(&line, indent, indent + 2);
}

static void print_row(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	struct evl_text line = {0};
	int indent = 4;
	cli_out("    ");
	for (size_t first = 0; first < m->run_count; first += RUNS_LINE) {
		int n = (int)letters(m, row, first);
		bool whole = first + RUNS_LINE >= m->run_count;
		indent = 4 + n + 2;
		cli_out(whole ? "  " : "\n    ");
	}
	if (row->title == NULL) {
		evl_text_add(&line, "the case");
	} else if (row->role != NULL) {
		evl_text_addf(&line, "%s, %s %d: ", row->title, row->role, row->number);
	} else {
		evl_text_addf(&line, "%s: ", row->title);
	}
	add_values(&line, m, row);
	wrap_text(&line, indent, indent);
	print_counts(m, row, indent);
	print_flaky(m, row, indent);
	print_when(m, row, indent);
}

/* A case is told by its checks; it has an entry of its own where none of them says the same. */
static bool has_entry(const struct evl_matrix *m, const struct evl_matrix_row *row)
{
	if (row->title != NULL) {
		return true;
	}
	for (size_t i = row->case_row + 1; i < m->row_count && m->rows[i].title != NULL; i++) {
		if (m->rows[i].finding == row->finding) {
			return false;
		}
	}
	return true;
}

static void print_finding(const struct evl_matrix *m, enum evl_matrix_finding f, size_t most)
{
	size_t shown = 0, left = 0;
	const struct evl_matrix_row *before = NULL;
	if (m->case_findings[f] + m->check_findings[f] == 0) {
		return;
	}
	cli_out("\n");
	cli_out_verdict(evl_matrix_finding_name(f), 0);
	cli_out(":");
	if (m->case_findings[f] > 0) {
		cli_out(" %s%s", cli_number_of((uint64_t)m->case_findings[f], "case").s,
			m->check_findings[f] > 0 ? "," : "");
	}
	if (m->check_findings[f] > 0) {
		cli_out(" %s", cli_number_of((uint64_t)m->check_findings[f], "check").s);
	}
	cli_out("\n");
	for (size_t i = 0; i < m->row_count; i++) {
		const struct evl_matrix_row *row = &m->rows[i];
		if (row->finding != f || !has_entry(m, row)) {
			continue;
		}
		if (most > 0 && shown == most) {
			left++;
			continue;
		}
		shown++;
		bool new_case = before == NULL || before->case_row != row->case_row;
		if (new_case) {
			cli_out("  %s\n", row->case_name);
		}
		if (new_case || !same_recording(&before->recording, &row->recording)) {
			print_recording(&row->recording, 4);
		}
		print_row(m, row);
		before = row;
	}
	if (left > 0) {
		cli_out("    and %zu more: --all lists them\n", left);
	}
}

/* ---- the end ---- */

static void print_end(const struct evl_matrix *m)
{
	struct evl_text line = {0};
	evl_text_addf(&line,
		"tested: %s of error counts (a false alarm in 1 comparison of %.6g at most), flaky "
		"rows against "
		"other builds: %zu (the same)",
		cli_number_of(m->tested, "pair").s, 1 / m->alpha, m->flaky_tested);
	cli_out("\n");
	wrap_text(&line, 0, 4);
	if (m->has_history) {
		evl_text_addf(&line, "history: %s of campaign %s on bench %s, up to run %" PRId64,
			cli_number_of(m->past.run_count, "finished run").s, m->past.campaign_name,
			m->past.bench_name, m->past.runs[m->past.run_count - 1].run);
		wrap_text(&line, 0, 4);
	}
	const char *sep = ": ";
	evl_text_add(&line, m->worse ? "The last run is worse" : "The last run is not worse");
	for (int f = 0; f < EVL_MATRIX_FINDING_COUNT && m->worse; f++) {
		int n = m->case_findings[f] + m->check_findings[f];
		if (n > 0 && evl_matrix_finding_is_worse((enum evl_matrix_finding)f)) {
			evl_text_addf(&line, "%s%d %s", sep, n,
				evl_matrix_finding_name((enum evl_matrix_finding)f));
			sep = ", ";
		}
	}
	evl_text_add(&line, ".");
	if (!m->worse && m->check_findings[EVL_MATRIX_STILL_FAILING] > 0) {
		evl_text_addf(&line, " It still fails as before: %d of its checks.",
			m->check_findings[EVL_MATRIX_STILL_FAILING]);
	}
	wrap_text(&line, 0, 4);
}

void print_matrix(const struct evl_matrix *m, size_t most)
{
	print_runs(m);
	print_cases(m);
	for (int f = 0; f < EVL_MATRIX_SAME; f++) {
		print_finding(m, (enum evl_matrix_finding)f, most);
	}
	print_end(m);
}
