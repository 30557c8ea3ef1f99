/* SPDX-License-Identifier: Apache-2.0 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/cli/cli.h"
#include "core/cli/follow.h"
#include "core/night/night.h"

static const char help[] =
	"usage: evenlode night FILE [--now] [--resume | --new] [OPTIONS]\n"
	"       evenlode night FILE --timetable [--at TIME] [--svg PICTURE] [--json]\n"
	"\n"
	"Runs the campaigns of a night file one after another, within its window. After any\n"
	"end of the program (kill -9, power) the same command goes on: what finished is kept,\n"
	"the case that was cut short is run again whole. Ctrl-C or SIGTERM ends the running\n"
	"take at once; the same command goes on later.\n"
	"\n"
	"  --timetable          only show what would run and when, and what will not fit\n"
	"  --svg PICTURE        with --timetable: also draw it into this file\n"
	"  --at TIME            with --timetable: as if it were TIME, such as\n"
	"                       2026-11-25T17:00:00Z\n"
	"  --json               with --timetable: machine-readable\n"
	"  --now                begin now and end when all is done, whatever the window says\n"
	"  --resume             only go on with a night that was broken off; begin no new one\n"
	"  --new                give up a night that was broken off and begin anew\n"
	"  --hang-limit S       a call of an adapter that lasts longer than S seconds hangs: the\n"
	"                       case gets verdict error, the program starts itself again and\n"
	"                       goes on; 30 when not given, 0: wait for ever\n"
	"  --reserve MB         as for run\n"
	"  --progress MODE      auto: a live line on a terminal; plain: lines; none\n"
	"  --live [ADDR:]PORT   a web page that shows the run of now; 127.0.0.1 when no address\n"
	"                       is given, port 0: any that is free\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --help               this text\n"
	"\n"
	"Progress goes to standard error, timetable and summary to standard output.\n"
	"\n"
	"Exit status: 0 all ran and passed, 1 something failed, 2 inconclusive, interrupted or\n"
	"not all ran, 3 error, 64 usage. With --timetable: 0 all fits, 1 something is left out,\n"
	"3 error\n";

enum {
	OPT_TIMETABLE,
	OPT_SVG,
	OPT_AT,
	OPT_JSON,
	OPT_NOW,
	OPT_RESUME,
	OPT_NEW,
	OPT_HANG,
	OPT_RESERVE,
	OPT_PROGRESS,
	OPT_LIVE,
	OPT_PATH
};
static const struct cli_option options[] = {[OPT_TIMETABLE] = {"timetable", false},
	[OPT_SVG] = {"svg", true},
	[OPT_AT] = {"at", true},
	[OPT_JSON] = {"json", false},
	[OPT_NOW] = {"now", false},
	[OPT_RESUME] = {"resume", false},
	[OPT_NEW] = {"new", false},
	[OPT_HANG] = {"hang-limit", true},
	[OPT_RESERVE] = {"reserve", true},
	[OPT_PROGRESS] = {"progress", true},
	[OPT_LIVE] = {"live", true},
	[OPT_PATH] = {"adapter-path", true},
	{NULL, false}};

struct asked {
	const char *file, *svg, *at, *live, *path;
	bool timetable, json, now, resume, anew;
	enum cli_progress_mode mode;
	uint32_t hang_limit_s;
	bool has_reserve;
	uint64_t reserve_bytes;
	char **argv; /* to start again */
};

static json_t *plan_json(const struct evl_night_plan *plan)
{
	static const char *const needs[] = {"never run", "changed", "failed", "aged"};
	json_t *jobs = json_array();
	for (size_t i = 0; i < plan->job_count; i++) {
		const struct evl_night_job *job = &plan->jobs[i];
		const struct evl_timetable_slot *slot = evl_night_plan_slot(plan, job);
		bool in = slot != NULL && slot->fate == EVL_TIMETABLE_PLACED;
		struct evl_text why = {0};
		evl_night_plan_why_out(&why, plan, job);
		json_t *o = json_pack("{s:o, s:b, s:I, s:i, s:s}", "id", cli_json_text(job->id),
			"planned", in, "duration_ns", (json_int_t)job->duration_ns, "past_runs",
			(int)job->past_runs, "need", needs[job->need]);
		if (in) {
			json_object_set_new(
				o, "start_ns", json_integer((json_int_t)slot->start_ns));
			json_object_set_new(o, "end_ns", json_integer((json_int_t)slot->end_ns));
		} else {
			json_object_set_new(o, "why", cli_json_text(evl_text_str(&why)));
		}
		json_array_append_new(jobs, o);
		evl_text_finish(&why);
	}
	return json_pack("{s:o, s:I, s:o, s:I, s:I, s:I, s:o}", "night",
		cli_json_text(plan->file->name), "from_s", (json_int_t)plan->from_s, "to_s",
		plan->to_s > 0 ? json_integer(plan->to_s) : json_null(), "end_ns",
		(json_int_t)plan->table.end_ns, "bound_ns", (json_int_t)plan->table.bound_ns,
		"in_order_ns", (json_int_t)plan->table.in_order_ns, "jobs", jobs);
}

static int show_timetable(const struct asked *q, const struct evl_night_file *file,
	const struct evl_night_plan_args *args)
{
	struct evl_night_plan plan = {0};
	struct evl_err err = {0};
	struct evl_text text = {0}, svg = {0};
	int status = CLI_GOOD;
	enum evl_status st = evl_night_plan_make(&plan, file, args, &err);
	if (st == EVL_OK && q->svg != NULL) {
		st = evl_night_plan_svg(&svg, &plan, &err);
		if (st == EVL_OK) {
			st = evl_file_write(q->svg, evl_text_str(&svg), svg.len, &err);
		}
	}
	if (st == EVL_OK && !q->json) {
		st = evl_night_plan_text(&text, &plan, &err);
	}
	if (st < 0) {
		status = cli_error(&err);
	} else {
		if (q->json) {
			cli_json_print(plan_json(&plan));
		} else {
			cli_out("%s", evl_text_str(&text));
		}
		status = plan.problems > 0                    ? CLI_ERROR
			 : plan.table.placed < plan.job_count ? CLI_NO
							      : CLI_GOOD;
	}
	evl_text_finish(&text);
	evl_text_finish(&svg);
	evl_night_plan_finish(&plan);
	return status;
}

struct shown {
	struct cli_follow *follow; /* NULL: no page */
	bool quiet;
};

static void tell(void *ctx, const char *line)
{
	struct shown *s = ctx;
	if (!s->quiet) {
		cli_progress_end();
		cli_err_out("%s\n", line);
	}
	if (s->follow != NULL) {
		cli_follow_note(s->follow, line);
	}
}

static void on_progress(void *ctx, const struct evl_run_progress *p)
{
	struct shown *s = ctx;
	cli_progress(NULL, p);
	if (s->follow != NULL) {
		cli_follow_progress(s->follow, p);
	}
}

static const struct asked *again; /* the only night of this process */

/* A call that hangs cannot be taken back, so this program takes its own place: the journal says
 * where to go on, and all files and locks are closed on the way. */
static void hung(void *ctx, const char *text)
{
	(void)ctx;
	cli_err_out("evenlode: %s; it has verdict error, and the night goes on\n", text);
	fflush(NULL);
	char **argv = again->argv - 1; /* argv[0] is the verb, before it is the program */
	for (char **p = argv; *p != NULL; p++) {
		if (strcmp(*p, "--new") == 0 || strcmp(*p, "--resume") == 0) {
			*p = (char *)"--resume";
		}
	}
	execv("/proc/self/exe", argv);
	cli_err_out(
		"evenlode: cannot start again: %s; the same command goes on\n", strerror(errno));
	_exit(CLI_ERROR);
}

static void hung_opening(void *ctx, const char *text)
{
	(void)ctx;
	cli_err_out("evenlode: %s\n", text);
	fflush(NULL);
	_exit(CLI_ERROR);
}

static int run_night(const struct asked *q, const struct evl_night_file *file,
	const struct evl_night_plan_args *plan)
{
	struct shown shown = {.quiet = q->mode == CLI_PROGRESS_NONE};
	struct evl_night_args args = {.file = file,
		.adapter_dirs = plan->adapter_dirs,
		.adapter_dir_count = plan->adapter_dir_count,
		.no_window = q->now,
		.only_resume = q->resume,
		.anew = q->anew,
		.stop = cli_stop_install(),
		.tell = tell,
		.progress = on_progress,
		.ctx = &shown,
		.hung = hung,
		.hung_opening = hung_opening,
		.hang_limit_s = q->hang_limit_s,
		.reserve_bytes = q->has_reserve ? &q->reserve_bytes : NULL};
	again = q;
	struct evl_night_result result = {0};
	struct evl_err err = {0};
	struct evl_text text = {0};
	if (q->live != NULL && cli_follow_start(&shown.follow, q->live, &err) < 0) {
		return err.status == EVL_E_INVALID ? cli_usage(&cli_verb_night, "%s", err.text)
						   : cli_error(&err);
	}
	cli_progress_start(q->mode);
	enum evl_status st = evl_night_run(&result, &args, &err);
	cli_progress_end();
	cli_follow_end(shown.follow, st == EVL_OK ? evl_verdict_name(result.verdict) : "error",
		st == EVL_OK ? "" : err.text);
	int status =
		st == EVL_OK ? cli_status_of(result.verdict, result.interrupted) : cli_error(&err);
	if (st == EVL_OK) {
		evl_night_summary(&text, &result);
		cli_out("%s", evl_text_str(&text));
		cli_out("verdict   ");
		cli_out_verdict(evl_verdict_name(result.verdict), 0);
		cli_out("%s\n", result.interrupted ? ", interrupted" : "");
	}
	evl_text_finish(&text);
	evl_night_result_finish(&result);
	return status;
}

/* "2026-11-25T17:00:00Z" -> seconds since 1970. */
static bool parse_utc(int64_t *out, const char *text)
{
	int y, mo, d, h, mi, s, used = 0;
	if (sscanf(text, "%4d-%2d-%2dT%2d:%2d:%2dZ%n", &y, &mo, &d, &h, &mi, &s, &used) != 6 ||
		used != 20 || text[20] != '\0' || y < 1970 || mo < 1 || mo > 12 || d < 1 ||
		d > 31 || h < 0 || h > 23 || mi < 0 || mi > 59 || s < 0 || s > 59) {
		return false;
	}
	/* Days from 1970-01-01, from March on so that a leap day is the last of its year. */
	int64_t year = mo <= 2 ? y - 1 : y, m = mo <= 2 ? mo + 9 : mo - 3;
	int64_t days = year * 365 + year / 4 - year / 100 + year / 400 + (153 * m + 2) / 5 + d - 1 -
		       719468;
	*out = ((days * 24 + h) * 60 + mi) * 60 + s;
	return true;
}

static int night(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_night,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct asked q = {
		.mode = CLI_PROGRESS_AUTO, .hang_limit_s = CLI_HANG_LIMIT_S, .argv = argv};
	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_TIMETABLE:
			q.timetable = true;
			break;
		case OPT_SVG:
			q.svg = a.value;
			break;
		case OPT_AT:
			q.at = a.value;
			break;
		case OPT_JSON:
			q.json = true;
			break;
		case OPT_NOW:
			q.now = true;
			break;
		case OPT_RESUME:
			q.resume = true;
			break;
		case OPT_NEW:
			q.anew = true;
			break;
		case OPT_HANG:
			if (!cli_parse_hang(&q.hang_limit_s, a.value)) {
				a.exit = cli_usage(a.verb,
					"--hang-limit \"%s\" is no number of seconds, 0 to 86400",
					a.value);
			}
			break;
		case OPT_RESERVE:
			q.has_reserve = true;
			if (!cli_parse_megabytes(&q.reserve_bytes, a.value)) {
				a.exit = cli_usage(a.verb,
					"--reserve \"%s\" is no whole number of megabytes",
					a.value);
			}
			break;
		case OPT_PROGRESS:
			if (!cli_progress_parse(&q.mode, a.value)) {
				a.exit = cli_usage(a.verb,
					"--progress \"%s\" is none of auto, plain, none", a.value);
			}
			break;
		case OPT_LIVE:
			q.live = a.value;
			break;
		case OPT_PATH:
			q.path = a.value;
			break;
		}
	}
	struct evl_night_plan_args plan = {.now_s = (int64_t)time(NULL), .no_window = q.now};
	if (a.exit >= 0) {
		return a.exit;
	}
	if (!q.timetable && (q.svg != NULL || q.at != NULL || q.json)) {
		return cli_usage(a.verb, "--%s goes only with --timetable",
			q.svg != NULL  ? "svg"
			: q.at != NULL ? "at"
				       : "json");
	}
	if (q.timetable && q.live != NULL) {
		return cli_usage(a.verb, "--live goes only without --timetable");
	}
	if ((q.timetable && (q.resume || q.anew)) || (q.resume && q.anew)) {
		return cli_usage(a.verb, "--timetable, --resume and --new exclude one another");
	}
	if (q.at != NULL && !parse_utc(&plan.now_s, q.at)) {
		return cli_usage(
			a.verb, "--at \"%s\" is no instant such as 2026-11-25T17:00:00Z", q.at);
	}
	struct evl_night_file *file;
	struct evl_err err = {0};
	if (evl_night_file_load(&file, a.operands[0], &err) < 0) {
		return cli_error(&err);
	}
	struct cli_places places = {0};
	cli_places_find(&places, q.path);
	plan.adapter_dirs = (const char *const *)places.dirs;
	plan.adapter_dir_count = places.count;
	plan.hung = hung_opening;
	plan.hang_limit_s = q.hang_limit_s;
	int status = q.timetable ? show_timetable(&q, file, &plan) : run_night(&q, file, &plan);
	cli_places_finish(&places);
	evl_night_file_destroy(file);
	return status;
}

const struct cli_verb cli_verb_night = {"night", "run a night of campaigns", help, night};
