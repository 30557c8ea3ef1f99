/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/print_run.h"

#include <inttypes.h>
#include <string.h>

#include "core/cli/cli.h"

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

void print_run_head(const struct evl_run *run)
{
	const struct evl_row_run *r = &run->run;
	cli_out("run       %" PRId64 " (%s)\n", r->run, text(r->state));
	cli_out("campaign  %s %s: %s\n", text(r->campaign_name), text(r->campaign_version),
		text(r->campaign_title));
	cli_out("bench     %s: %s\n", text(r->bench_name), text(r->bench_title));
	if (r->notice != NULL && r->notice[0] != '\0') {
		cli_out("notice    %s\n", r->notice);
	}
	cli_out("build     %s\n", text(r->build));
	cli_out("seed      %" PRIu64 "%s", r->seed, r->reference_run > 0 ? "" : "\n");
	if (r->reference_run > 0) {
		cli_out(", reference run %" PRId64 "\n", r->reference_run);
	}
	cli_out("clock     %s%s\n", text(r->clock), r->simulated ? ", simulated unit" : "");
	cli_out("time      %s to %s\n", text(r->started_utc),
		r->ended_utc != NULL ? r->ended_utc : "(no end)");
}

static bool is_bad(const struct evl_row_check *c)
{
	return strcmp(text(c->verdict), "pass") != 0;
}

static void print_check(const struct evl_run *run, const struct evl_row_check *c)
{
	const struct evl_row_channel *channel = evl_run_channel(run, c->channel_no);
	cli_out("    ");
	cli_out_verdict(text(c->verdict), 13);
	cli_out("%s", text(c->title));
	if (channel != NULL) {
		cli_out(", %s", text(channel->label));
	}
	if (c->value != NULL) {
		/* "1" is the unit of a bare number. */
		bool unit = c->unit != NULL && strcmp(c->unit, "1") != 0;
		cli_out(": %s%s%s", c->value, unit ? " " : "", unit ? c->unit : "");
		if (c->limit != NULL) {
			cli_out(", wanted %s %s", text(c->relation), c->limit);
		}
		if (c->confidence != NULL) {
			cli_out(" at %s", c->confidence);
		}
	}
	if (c->reason != NULL && c->reason[0] != '\0') {
		cli_out("; %s", c->reason);
	}
	if (c->at_ns >= 0) {
		cli_out(" (bench time %s)", cli_duration((uint64_t)c->at_ns).s);
	}
	cli_out("\n");
}

/* One line for each title of which there are checks that pass. */
static void print_passed(const struct evl_row_check *checks, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		size_t passed = 0, all = 0;
		bool seen = false;
		for (size_t k = 0; k < n; k++) {
			if (strcmp(text(checks[k].title), text(checks[i].title)) != 0) {
				continue;
			}
			seen = seen || k < i;
			all++;
			passed += !is_bad(&checks[k]);
		}
		if (!seen && passed > 0) {
			cli_out("    ");
			cli_out_verdict("pass", 13);
			cli_out("%s: %zu of %zu\n", text(checks[i].title), passed, all);
		}
	}
}

/* Of a case, or of the run with -1; nothing when no take ended early. */
void print_time_saved(const struct evl_run *run, int case_no)
{
	struct evl_run_time t;
	evl_run_time(&t, run, case_no);
	if (t.saved_ns > 0) {
		cli_out("%stakes planned for %s, measured for %s, time saved %s\n",
			case_no >= 0 ? "    " : "time      ",
			cli_duration((uint64_t)t.planned_ns).s,
			cli_duration((uint64_t)t.measured_ns).s,
			cli_duration((uint64_t)t.saved_ns).s);
	}
}

void print_run_cases(const struct evl_run *run, enum print_checks which, size_t most)
{
	for (size_t i = 0; i < run->case_count; i++) {
		const struct evl_row_case *c = &run->cases[i];
		size_t first, n = evl_run_case_checks(run, (int)i, &first);
		size_t shown = 0, left = 0;

		cli_out("\n");
		cli_out_verdict(text(c->verdict), 14);
		cli_out("%s: %s%s\n", text(c->name), text(c->title),
			strcmp(text(c->state), EVL_STATE_FINISHED) == 0 ? "" : " (not finished)");
		if (c->message != NULL && c->message[0] != '\0') {
			cli_out("    %s\n", c->message);
		}
		print_time_saved(run, (int)i);
		if (which == PRINT_BAD_CHECKS) {
			print_passed(run->checks + first, n);
		}
		for (size_t k = first; k < first + n; k++) {
			if (which == PRINT_BAD_CHECKS && !is_bad(&run->checks[k])) {
				continue;
			}
			if (most != 0 && shown == most) {
				left++;
				continue;
			}
			print_check(run, &run->checks[k]);
			shown++;
		}
		if (left > 0) {
			cli_out("    and %zu more; see evenlode show %" PRId64 "\n", left,
				run->run.run);
		}
	}
	cli_out("\n");
}
