/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/print_ci.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/cli/cli.h"

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

enum kind { GOOD, FAILURE, ERROR, SKIPPED };

static enum kind kind_of(const struct evl_row_case *c)
{
	const char *v = text(c->verdict);
	return strcmp(text(c->state), EVL_STATE_FINISHED) != 0 || strcmp(v, "error") == 0 ? ERROR
	       : strcmp(v, "pass") == 0                                                   ? GOOD
	       : strcmp(v, "none") == 0                                                   ? SKIPPED
											  : FAILURE;
}

/* Seconds of bench time with milliseconds. */
static void add_seconds(struct evl_text *out, int64_t ns)
{
	uint64_t ms = ns > 0 ? (uint64_t)ns / 1000000u : 0;
	evl_text_addf(out, "%" PRIu64 ".%03u", ms / 1000, (unsigned)(ms % 1000));
}

static int64_t length_of(const struct evl_row_case *c)
{
	return c->ended_ns > c->started_ns ? c->ended_ns - c->started_ns : 0;
}

/* Checks that did not pass, one a line, as `show` words them in short. */
static void add_checks(struct evl_text *out, const struct evl_run *run, size_t case_no)
{
	size_t first, n = evl_run_case_checks(run, (int)case_no, &first);
	for (size_t k = first; k < first + n; k++) {
		const struct evl_row_check *c = &run->checks[k];
		const struct evl_row_channel *ch = evl_run_channel(run, c->channel_no);
		if (strcmp(text(c->verdict), "pass") == 0) {
			continue;
		}
		evl_text_addf(out, "%s: %s%s%s", text(c->verdict), text(c->title),
			ch != NULL ? ", " : "", ch != NULL ? text(ch->label) : "");
		if (c->value != NULL) {
			evl_text_addf(out, ": %s", c->value);
		}
		if (c->reason != NULL && c->reason[0] != '\0') {
			evl_text_addf(out, "; %s", c->reason);
		}
		evl_text_add(out, "\n");
	}
}

/* One line that says why. */
static void add_why(struct evl_text *out, const struct evl_run *run, size_t case_no)
{
	const struct evl_row_case *c = &run->cases[case_no];
	if (strcmp(text(c->state), EVL_STATE_FINISHED) != 0) {
		evl_text_addf(out, "%s, not finished", text(c->verdict));
	} else {
		evl_text_add(out, text(c->verdict));
	}
	if (c->message != NULL && c->message[0] != '\0') {
		evl_text_addf(out, ": %s", c->message);
	}
}

void print_ci_attribute(struct evl_text *out, const char *name, const char *value)
{
	evl_text_addf(out, " %s=\"", name);
	evl_text_add_html(out, value);
	evl_text_add(out, "\"");
}

void print_ci_property(struct evl_text *out, const char *name, const char *value)
{
	evl_text_add(out, "      <property");
	print_ci_attribute(out, "name", name);
	print_ci_attribute(out, "value", text(value));
	evl_text_add(out, "/>\n");
}

void print_ci_timestamp(struct evl_text *out, const char *utc)
{
	size_t len = strlen(utc);
	struct evl_text when = {0};
	evl_text_addn(&when, utc, len > 0 ? len - 1 : 0);
	print_ci_attribute(out, "timestamp", evl_text_str(&when));
	evl_text_finish(&when);
}

static void add_counts(struct evl_text *out, const struct evl_run *run)
{
	unsigned count[4] = {0};
	int64_t ns = 0;
	for (size_t i = 0; i < run->case_count; i++) {
		count[kind_of(&run->cases[i])]++;
		ns += length_of(&run->cases[i]);
	}
	evl_text_addf(out, " tests=\"%zu\" failures=\"%u\" errors=\"%u\" skipped=\"%u\" time=\"",
		run->case_count, count[FAILURE], count[ERROR], count[SKIPPED]);
	add_seconds(out, ns);
	evl_text_add(out, "\"");
}

void print_junit(struct evl_text *out, const struct evl_run *run)
{
	const struct evl_row_run *r = &run->run;
	struct evl_text number = {0};
	evl_text_add(out, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites");
	add_counts(out, run);
	evl_text_add(out, ">\n  <testsuite");
	print_ci_attribute(out, "name", text(r->campaign_name));
	add_counts(out, run);
	print_ci_timestamp(out, text(r->started_utc));
	evl_text_add(out, ">\n    <properties>\n");
	evl_text_addf(&number, "%" PRId64, r->run);
	print_ci_property(out, "run", evl_text_str(&number));
	print_ci_property(out, "build", r->build);
	print_ci_property(out, "bench", r->bench_name);
	print_ci_property(out, "verdict", r->verdict);
	print_ci_property(out, "results_digest", run->results_digest);
	evl_text_add(out, "    </properties>\n");
	evl_text_finish(&number);
	for (size_t i = 0; i < run->case_count; i++) {
		static const char *const elements[] = {"", "failure", "error", "skipped"};
		const struct evl_row_case *c = &run->cases[i];
		enum kind kind = kind_of(c);
		evl_text_add(out, "    <testcase");
		print_ci_attribute(out, "name", text(c->name));
		print_ci_attribute(out, "classname", text(r->campaign_name));
		evl_text_add(out, " time=\"");
		add_seconds(out, length_of(c));
		if (kind == GOOD) {
			evl_text_add(out, "\"/>\n");
			continue;
		}
		struct evl_text why = {0}, checks = {0};
		add_why(&why, run, i);
		add_checks(&checks, run, i);
		evl_text_addf(out, "\">\n      <%s", elements[kind]);
		print_ci_attribute(out, "message", evl_text_str(&why));
		if (kind != SKIPPED) {
			print_ci_attribute(out, "type", text(c->verdict));
		}
		evl_text_add(out, ">");
		evl_text_add_html(out, evl_text_str(&checks));
		evl_text_addf(out, "</%s>\n    </testcase>\n", elements[kind]);
		evl_text_finish(&why);
		evl_text_finish(&checks);
	}
	evl_text_add(out, "  </testsuite>\n</testsuites>\n");
}

/* ---- TAP ---- */

void print_ci_escaped(struct evl_text *out, const char *s)
{
	for (; *s != '\0'; s++) {
		if (*s == '#' || *s == '\\') {
			evl_text_add(out, "\\");
		}
		evl_text_addn(out, (unsigned char)*s < 0x20 ? " " : s, 1);
	}
}

void print_ci_yaml(struct evl_text *out, const char *key, const char *value)
{
	json_t *v = cli_json_text(value);
	char *quoted = json_dumps(v, JSON_ENCODE_ANY);
	evl_require(quoted != NULL);
	evl_text_addf(out, "  %s: %s\n", key, quoted);
	free(quoted);
	json_decref(v);
}

void print_tap(struct evl_text *out, const struct evl_run *run)
{
	evl_text_addf(out, "TAP version 14\n1..%zu\n", run->case_count);
	for (size_t i = 0; i < run->case_count; i++) {
		const struct evl_row_case *c = &run->cases[i];
		enum kind kind = kind_of(c);
		evl_text_addf(
			out, "%s %zu - ", kind == GOOD || kind == SKIPPED ? "ok" : "not ok", i + 1);
		print_ci_escaped(out, text(c->name));
		evl_text_add(out, ": ");
		print_ci_escaped(out, text(c->title));
		if (kind == SKIPPED) {
			evl_text_add(out, " # SKIP the case made no check\n");
			continue;
		}
		evl_text_add(out, "\n");
		if (kind == GOOD) {
			continue;
		}
		struct evl_text why = {0}, checks = {0};
		add_why(&why, run, i);
		add_checks(&checks, run, i);
		evl_text_add(out, "  ---\n");
		print_ci_yaml(out, "verdict", text(c->verdict));
		print_ci_yaml(out, "message", evl_text_str(&why));
		print_ci_yaml(out, "checks", evl_text_str(&checks));
		evl_text_add(out, "  ...\n");
		evl_text_finish(&why);
		evl_text_finish(&checks);
	}
}
