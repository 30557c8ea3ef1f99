/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"
#include "core/cli/print_ci.h"
#include "core/cli/print_run.h"
#include "core/store/store_read.h"

static const char help[] =
	"usage: evenlode show RUN --store FILE [--all] [--alarms] [--reveal]\n"
	"                     [--json | --junit | --tap]\n"
	"\n"
	"Shows one run: its cases and their checks. Checks that pass are counted by title. Of the\n"
	"defects only root causes are shown, with how many others each explains.\n"
	"The chain of digests over the run's rows is computed again.\n"
	"\n"
	"  --store FILE  the store\n"
	"  --all         every check in full\n"
	"  --alarms      every defect, also those that follow from another\n"
	"  --reveal      personal data that is withheld otherwise\n"
	"  --json        machine-readable, every check and every defect in full\n"
	"  --junit       JUnit XML, for servers that run tests of software\n"
	"  --tap         TAP version 14, likewise\n"
	"  --help        this text\n"
	"\n"
	"Exit status: 0 done, 1 the run was altered after it was recorded, 3 error, 64 usage\n";

enum { OPT_STORE, OPT_ALL, OPT_ALARMS, OPT_REVEAL, OPT_JSON, OPT_JUNIT, OPT_TAP };
static const struct cli_option options[] = {[OPT_STORE] = {"store", true},
	[OPT_ALL] = {"all", false},
	[OPT_ALARMS] = {"alarms", false},
	[OPT_REVEAL] = {"reveal", false},
	[OPT_JSON] = {"json", false},
	[OPT_JUNIT] = {"junit", false},
	[OPT_TAP] = {"tap", false},
	{NULL, false}};

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

static json_t *or_null(int64_t n)
{
	return n >= 0 ? json_integer((json_int_t)n) : json_null();
}

static json_t *check_json(const struct evl_run *run, const struct evl_row_check *c)
{
	const struct evl_row_channel *channel = evl_run_channel(run, c->channel_no);
	json_t *o = json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "verdict",
		cli_json_text(c->verdict), "title", cli_json_text(c->title), "kind",
		cli_json_text(c->kind), "channel", cli_json_text(channel ? channel->label : NULL),
		"role", cli_json_text(channel != NULL ? channel->role : NULL), "number",
		channel != NULL ? json_integer(channel->number) : json_null());
	json_object_set_new(o, "subject", cli_json_text(c->subject));
	json_object_set_new(o, "value", cli_json_text(c->value));
	json_object_set_new(o, "unit", cli_json_text(c->unit));
	json_object_set_new(o, "relation", cli_json_text(c->relation));
	json_object_set_new(o, "limit", cli_json_text(c->limit));
	json_object_set_new(o, "confidence", cli_json_text(c->confidence));
	json_object_set_new(o, "lower", cli_json_text(c->lower));
	json_object_set_new(o, "upper", cli_json_text(c->upper));
	json_object_set_new(o, "errors", or_null(c->errors));
	json_object_set_new(o, "bits", or_null(c->bits));
	json_object_set_new(o, "rule", cli_json_text(c->rule));
	json_object_set_new(o, "reason", cli_json_text(c->reason));
	json_object_set_new(o, "standard", cli_json_text(c->standard));
	json_object_set_new(o, "at_ns", or_null(c->at_ns));
	return o;
}

static json_t *time_json(const struct evl_run_time *t)
{
	return json_pack("{s:I, s:I, s:I}", "planned_ns", (json_int_t)t->planned_ns, "measured_ns",
		(json_int_t)t->measured_ns, "saved_ns", (json_int_t)t->saved_ns);
}

static json_t *takes_json(const struct evl_run *run, int case_no)
{
	json_t *takes = json_array();
	for (size_t i = 0; i < run->take_count; i++) {
		const struct evl_row_take *t = &run->takes[i];
		struct evl_run_time time;
		if (t->case_no != case_no) {
			continue;
		}
		evl_run_take_time(&time, t);
		json_array_append_new(
			takes, json_pack("{s:o, s:o, s:I, s:I, s:o}", "name",
				       cli_json_text(t->name), "state", cli_json_text(t->state),
				       "frames", (json_int_t)t->frames, "planned_frames",
				       (json_int_t)t->planned_frames, "time", time_json(&time)));
	}
	return takes;
}

static json_t *case_json(const struct evl_run *run, size_t index)
{
	const struct evl_row_case *c = &run->cases[index];
	json_t *checks = json_array();
	size_t first, n = evl_run_case_checks(run, (int)index, &first);
	for (size_t i = first; i < first + n; i++) {
		json_array_append_new(checks, check_json(run, &run->checks[i]));
	}
	struct evl_run_time time;
	evl_run_time(&time, run, (int)index);
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "name",
		cli_json_text(c->name), "title", cli_json_text(c->title), "verdict",
		cli_json_text(c->verdict), "state", cli_json_text(c->state), "message",
		cli_json_text(c->message), "purpose", cli_json_text(c->purpose), "method",
		cli_json_text(c->method), "started_ns", or_null(c->started_ns), "ended_ns",
		or_null(c->ended_ns), "time", time_json(&time), "takes",
		takes_json(run, (int)index), "checks", checks);
}

static json_t *lists_json(const struct evl_run *run)
{
	json_t *adapters = json_array(), *channels = json_array(), *cautions = json_array();
	json_t *recordings = json_array(), *files = json_array(), *marks = json_array();

	for (size_t i = 0; i < run->adapter_count; i++) {
		const struct evl_row_adapter *r = &run->adapters[i];
		json_array_append_new(adapters,
			json_pack("{s:o, s:o, s:o, s:o, s:o}", "instance",
				cli_json_text(r->instance), "driver", cli_json_text(r->driver),
				"version", cli_json_text(r->version), "abi", cli_json_text(r->abi),
				"capabilities", cli_json_text(r->capabilities)));
	}
	for (size_t i = 0; i < run->channel_count; i++) {
		const struct evl_row_channel *r = &run->channels[i];
		json_array_append_new(channels,
			json_pack("{s:o, s:i, s:o, s:o, s:o, s:o, s:o}", "role",
				cli_json_text(r->role), "number", r->number, "klm",
				cli_json_text(r->klm), "label", cli_json_text(r->label), "adapter",
				cli_json_text(r->adapter), "channel", cli_json_text(r->channel),
				"rate", cli_json_text(r->rate)));
	}
	for (size_t i = 0; i < run->caution_count; i++) {
		json_array_append_new(cautions, cli_json_text(run->cautions[i].text));
	}
	for (size_t i = 0; i < run->recording_count; i++) {
		const struct evl_row_recording *r = &run->recordings[i];
		json_array_append_new(
			recordings, json_pack("{s:o, s:o, s:o, s:I, s:b, s:I, s:I, s:o}", "name",
					    cli_json_text(r->name), "path", cli_json_text(r->path),
					    "sha256", cli_json_text(r->file_sha256), "bytes",
					    (json_int_t)r->bytes, "finished", r->finished,
					    "from_frame", (json_int_t)r->from_frame, "frames",
					    (json_int_t)r->frames, "note", cli_json_text(r->note)));
	}
	for (size_t i = 0; i < run->take_mark_count; i++) {
		const struct evl_row_mark *m = &run->take_marks[i];
		json_array_append_new(marks,
			json_pack("{s:i, s:i, s:I, s:o, s:b, s:o, s:o}", "case", m->case_no, "take",
				m->take_no, "at_ns", (json_int_t)m->at_ns, "channel",
				or_null(m->channel_no), "trigger", m->trigger, "text",
				cli_json_text(m->text), "recording", cli_json_text(m->recording)));
	}
	for (size_t i = 0; i < run->file_count; i++) {
		const struct evl_row_file *r = &run->files[i];
		json_array_append_new(files,
			json_pack("{s:o, s:o, s:I, s:o}", "name", cli_json_text(r->name), "purpose",
				cli_json_text(r->purpose), "bytes", (json_int_t)r->bytes, "sha256",
				cli_json_text(r->sha256)));
	}
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "adapters", adapters, "channels",
		channels, "cautions", cautions, "recordings", recordings, "marks", marks, "files",
		files);
}

static json_t *events_json(const struct evl_run *run)
{
	json_t *list = json_array();
	for (size_t i = 0; i < run->event_count; i++) {
		const struct evl_row_event *e = &run->events[i];
		json_array_append_new(list,
			json_pack("{s:i, s:i, s:i, s:I, s:o, s:b, s:o, s:o, s:o, s:o}", "case",
				e->case_no, "take", e->take_no, "channel", e->channel_no, "at_ns",
				(json_int_t)e->at_ns, "alarm", cli_json_text(e->alarm), "raised",
				e->raised, "place", cli_json_text(e->place), "source",
				cli_json_text(e->source), "consequence_of",
				cli_json_text(e->consequence_of), "cause_channel",
				or_null(e->cause_channel_no)));
	}
	return list;
}

static json_t *to_json(const struct evl_run *run, const struct evl_chain_report *chain)
{
	const struct evl_row_run *r = &run->run;
	char seed[24];
	json_t *cases = json_array();

	snprintf(seed, sizeof(seed), "%" PRIu64, r->seed);
	for (size_t i = 0; i < run->case_count; i++) {
		json_array_append_new(cases, case_json(run, i));
	}
	json_t *o = json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:s}", "run", (json_int_t)r->run,
		"verdict", cli_json_text(r->verdict), "state", cli_json_text(r->state), "message",
		cli_json_text(r->message), "campaign", cli_json_text(r->campaign_name), "bench",
		cli_json_text(r->bench_name), "build", cli_json_text(r->build), "seed", seed);
	json_object_set_new(o, "reference_run", or_null(r->reference_run));
	json_object_set_new(o, "campaign_title", cli_json_text(r->campaign_title));
	json_object_set_new(o, "campaign_version", cli_json_text(r->campaign_version));
	json_object_set_new(o, "campaign_sha256", cli_json_text(r->campaign_sha256));
	json_object_set_new(o, "bench_sha256", cli_json_text(r->bench_sha256));
	json_object_set_new(o, "notice", cli_json_text(r->notice));
	json_object_set_new(o, "unit", cli_json_object_of(r->unit_json));
	json_object_set_new(o, "laboratory", cli_json_object_of(r->lab_json));
	json_object_set_new(o, "customer", cli_json_object_of(r->customer_json));
	json_object_set_new(o, "numbering", cli_json_text(r->numbering));
	json_object_set_new(o, "clock", cli_json_text(r->clock));
	json_object_set_new(o, "simulated", json_boolean(r->simulated));
	json_object_set_new(o, "software_version", cli_json_text(r->software_version));
	json_object_set_new(o, "started", cli_json_text(r->started_utc));
	json_object_set_new(o, "ended", cli_json_text(r->ended_utc));
	struct evl_run_time time;
	evl_run_time(&time, run, -1);
	json_object_set_new(o, "time", time_json(&time));
	json_object_set_new(o, "cases", cases);
	json_object_set_new(o, "events", events_json(run));
	json_t *lists = lists_json(run);
	json_object_update(o, lists);
	json_decref(lists);
	json_object_set_new(o, "results_digest", cli_json_text(run->results_digest));
	json_object_set_new(o, "chain",
		json_pack("{s:I, s:s, s:o}", "links", (json_int_t)chain->links, "head", chain->head,
			"fault",
			chain->fault[0] != '\0'
				? json_sprintf("%s: %s %s", chain->fault, chain->table, chain->key)
				: json_null()));
	return o;
}

static void print_plain(const struct evl_run *run, const struct evl_chain_report *chain, bool all,
	bool alarms)
{
	print_run_head(run);
	for (size_t i = 0; i < run->caution_count; i++) {
		cli_out("caution   %s\n", text(run->cautions[i].text));
	}
	for (size_t i = 0; i < run->file_count; i++) {
		const struct evl_row_file *r = &run->files[i];
		cli_out("file      %s (%s): %s bytes, SHA-256 %s\n", text(r->name),
			text(r->purpose), cli_count((uint64_t)(r->bytes > 0 ? r->bytes : 0)).s,
			text(r->sha256));
	}
	for (size_t i = 0; i < run->recording_count; i++) {
		const struct evl_row_recording *r = &run->recordings[i];
		const int64_t frame = 125000; /* ns */
		cli_out("recording %s: %s (%s bytes", text(r->name), text(r->path),
			cli_count((uint64_t)(r->bytes > 0 ? r->bytes : 0)).s);
		if (r->from_frame > 0) {
			cli_out(", %s from %s after the start",
				cli_duration((uint64_t)(r->frames * frame)).s,
				cli_duration((uint64_t)(r->from_frame * frame)).s);
		}
		cli_out(")%s%s%s\n", r->finished ? "" : ", not finished",
			r->note != NULL ? ", " : "", r->note != NULL ? r->note : "");
	}
	for (size_t i = 0; i < run->take_mark_count; i++) {
		const struct evl_row_mark *m = &run->take_marks[i];
		cli_out("%s %s: %s%s%s\n", m->trigger ? "trigger  " : "mark     ",
			cli_duration((uint64_t)(m->at_ns > 0 ? m->at_ns : 0)).s, text(m->text),
			m->recording != NULL ? ", in recording " : "",
			m->recording != NULL ? m->recording : "");
	}
	print_run_cases(run, all ? PRINT_ALL_CHECKS : PRINT_BAD_CHECKS, 0);
	print_run_alarms(run, alarms);
	if (run->run.message != NULL && run->run.message[0] != '\0') {
		cli_out("%s\n", run->run.message);
	}
	print_time_saved(run, -1);
	cli_out("results   %s\n", run->results_digest);
	cli_out("chain     %s, head %s%s\n", cli_number_of((uint64_t)chain->links, "link").s,
		chain->head, chain->open_rows > 0 ? ", still open" : "");
	cli_out("verdict   ");
	cli_out_verdict(text(run->run.verdict), 0);
	cli_out("%s\n",
		strcmp(text(run->run.state), EVL_STATE_INTERRUPTED) == 0 ? ", interrupted" : "");
}

static int show(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_show,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_store *store = NULL;
	struct evl_run *run = NULL;
	struct evl_chain_report chain = {0};
	struct evl_err err = {0};
	const char *path = NULL;
	bool json = false, all = false, alarms = false, junit = false, tap = false;
	bool reveal = false;
	int64_t number;
	int status = CLI_GOOD;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_STORE:
			path = a.value;
			break;
		case OPT_ALL:
			all = true;
			break;
		case OPT_ALARMS:
			alarms = true;
			break;
		case OPT_REVEAL:
			reveal = true;
			break;
		case OPT_JSON:
			json = true;
			break;
		case OPT_JUNIT:
			junit = true;
			break;
		case OPT_TAP:
			tap = true;
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (json + junit + tap > 1 || ((all || alarms) && (junit || tap))) {
		return cli_usage(a.verb, 
			"--junit, --tap and --json exclude one another; --all and --alarms go "
			"with none of the first two");
	}
	if (path == NULL) {
		return cli_usage(a.verb, "--store is missing");
	}
	if (!cli_parse_run(&number, a.operands[0])) {
		return cli_usage(a.verb, "\"%s\" is no number of a run", a.operands[0]);
	}
	if (evl_store_open(&store, path, EVL_STORE_READ, &err) != EVL_OK ||
		evl_store_load_run(&run, store, number, &err) != EVL_OK) {
		status = cli_error(&err);
		goto out;
	}
	enum evl_status st = evl_store_chain_verify(store, number, &chain, &err);
	if (st != EVL_OK && st != EVL_E_CORRUPT) {
		status = cli_error(&err);
		goto out;
	}
	if (reveal) {
		struct evl_personal personal;
		if (evl_store_personal(&personal, store, number, &err) != EVL_OK) {
			status = cli_error(&err);
			evl_personal_finish(&personal);
			goto out;
		}
		evl_run_reveal(run, &personal);
		evl_personal_finish(&personal);
	}
	if (junit || tap) {
		struct evl_text out = {0};
		(junit ? print_junit : print_tap)(&out, run);
		cli_out("%s", evl_text_str(&out));
		evl_text_finish(&out);
	} else if (json) {
		cli_json_print(to_json(run, &chain));
	} else {
		print_plain(run, &chain, all, alarms);
	}
	if (st == EVL_E_CORRUPT) {
		cli_error(&err);
		status = CLI_NO;
	}
out:
	evl_run_destroy(run);
	evl_store_close(store);
	return status;
}

const struct cli_verb cli_verb_show = {"show", "show one run", help, show};
