/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/cli/cli.h"
#include "core/night/first_bad.h"

static const char help[] =
	"usage: evenlode bisect CAMPAIGN BUILD... --bench BENCH --store FILE [OPTIONS]\n"
	"\n"
	"Finds the first bad build of a list, the oldest first, in few runs, also when a run may\n"
	"mislead: after each run the builds are weighed, and the one that tells most is next.\n"
	"Every run is in the store; the same command goes on after any end of the program.\n"
	"\n"
	"  --bench FILE         the bench file (YAML)\n"
	"  --store FILE         the store (SQLite); made when it is not there\n"
	"  --case NAME          run only this case; its verdict counts\n"
	"  --check TITLE        only the checks of this title count\n"
	"  --load COMMAND       loads a build into the unit: sh -c COMMAND, with the label as $1\n"
	"                       and in EVENLODE_BUILD; when not given the label alone is enough\n"
	"  --load-limit S       a load that lasts longer is ended; 600 when not given\n"
	"  --missed P           chance that a run of a bad build passes; 0.1 when not given\n"
	"  --false-alarm P      chance that a run of a good build fails; 0.01 when not given\n"
	"  --confidence P       ends when one answer is so probable; 0.95 when not given\n"
	"  --runs N             runs at most; 100 when not given\n"
	"  --seed N             of the first run, each other has the next one; 1 when not\n"
	"                       given\n"
	"  --reference RUN      run whose recordings are replayed\n"
	"  --hang-limit S       as for run\n"
	"  --progress MODE      auto: a live line on a terminal; plain: lines; none\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Exit status: 0 the first bad build is found, 1 none of the builds is bad, 2 undecided or\n"
	"interrupted, 3 error, 64 usage\n";

enum {
	OPT_BENCH,
	OPT_STORE,
	OPT_CASE,
	OPT_CHECK,
	OPT_LOAD,
	OPT_LOAD_LIMIT,
	OPT_MISSED,
	OPT_FALSE_ALARM,
	OPT_CONFIDENCE,
	OPT_RUNS,
	OPT_SEED,
	OPT_REFERENCE,
	OPT_HANG,
	OPT_PROGRESS,
	OPT_PATH,
	OPT_JSON
};
static const struct cli_option options[] = {[OPT_BENCH] = {"bench", true},
	[OPT_STORE] = {"store", true},
	[OPT_CASE] = {"case", true},
	[OPT_CHECK] = {"check", true},
	[OPT_LOAD] = {"load", true},
	[OPT_LOAD_LIMIT] = {"load-limit", true},
	[OPT_MISSED] = {"missed", true},
	[OPT_FALSE_ALARM] = {"false-alarm", true},
	[OPT_CONFIDENCE] = {"confidence", true},
	[OPT_RUNS] = {"runs", true},
	[OPT_SEED] = {"seed", true},
	[OPT_REFERENCE] = {"reference", true},
	[OPT_HANG] = {"hang-limit", true},
	[OPT_PROGRESS] = {"progress", true},
	[OPT_PATH] = {"adapter-path", true},
	[OPT_JSON] = {"json", false},
	{NULL, false}};

static const char *const end_names[] = {"found", "undecided", "most runs", "interrupted"};

static const char *label_of(const struct evl_first_bad *f, size_t answer)
{
	return answer < f->build_count ? f->builds[answer].label : NULL;
}

static void print_plain(const struct evl_first_bad *f, double confidence)
{
	int width = 5;
	for (size_t i = 0; i < f->build_count; i++) {
		int n = (int)strlen(f->builds[i].label);
		width = n > width ? n : width;
	}
	cli_out("%-*s  passed  failed  neither  P(first bad)\n", width, "build");
	for (size_t i = 0; i < f->build_count; i++) {
		const struct evl_first_bad_build *b = &f->builds[i];
		cli_out("%-*s  %6" PRIu32 "  %6" PRIu32 "  %7" PRIu32 "  %.4f%s\n", width, b->label,
			b->passed, b->failed, b->fruitless, b->probability,
			b->left_out ? "  left out" : "");
	}
	cli_out("%-*s                           %.4f\n\n", width, "none", f->none);
	size_t earlier = 0;
	for (size_t i = 0; i < f->run_count; i++) {
		earlier += f->runs[i].earlier;
	}
	cli_out("%s counted, %zu of them in the store before\n",
		cli_number_of(f->run_count, "run").s, earlier);
	const char *best = label_of(f, f->answer.first_bad);
	if (f->end == EVL_FIRST_BAD_FOUND) {
		cli_out(best != NULL ? "The first bad build is %s (probability %.4f)\n"
				     : "None of the builds is bad%s (probability %.4f)\n",
			best != NULL ? best : "", f->answer.probability);
		return;
	}
	const char *first = label_of(f, f->first), *last = label_of(f, f->last);
	cli_out("Undecided%s: ", f->end == EVL_FIRST_BAD_STOPPED ? ", interrupted"
				 : f->end == EVL_FIRST_BAD_MOST_RUNS
					 ? ", --runs is reached"
					 : ", what is left cannot be told apart");
	cli_out("with probability %g the first bad build is from %s to %s%s\n", confidence,
		first != NULL ? first : "none", last != NULL ? last : "none of them",
		f->end == EVL_FIRST_BAD_UNDECIDED ? "" : "; the same command goes on");
}

static json_t *to_json(const struct evl_first_bad *f, const struct evl_first_bad_args *args)
{
	json_t *builds = json_array(), *runs = json_array();
	for (size_t i = 0; i < f->build_count; i++) {
		const struct evl_first_bad_build *b = &f->builds[i];
		json_array_append_new(
			builds, json_pack("{s:o, s:i, s:i, s:i, s:b, s:f}", "build",
					cli_json_text(b->label), "passed", (int)b->passed, "failed",
					(int)b->failed, "neither", (int)b->fruitless, "left_out",
					b->left_out, "probability", b->probability));
	}
	for (size_t i = 0; i < f->run_count; i++) {
		const struct evl_first_bad_run *r = &f->runs[i];
		char seed[24];
		snprintf(seed, sizeof seed, "%" PRIu64, r->seed);
		json_array_append_new(runs,
			json_pack("{s:I, s:o, s:s, s:s, s:b}", "run", (json_int_t)r->run, "build",
				cli_json_text(label_of(f, r->build)), "seed", seed, "result",
				!r->judged  ? "neither"
				: r->failed ? "fail"
					    : "pass",
				"earlier", r->earlier));
	}
	return json_pack("{s:s, s:o, s:f, s:o, s:o, s:f, s:f, s:f, s:f, s:o, s:o}", "end",
		end_names[f->end], "first_bad", cli_json_text(label_of(f, f->answer.first_bad)),
		"probability", f->answer.probability, "from", cli_json_text(label_of(f, f->first)),
		"to", cli_json_text(label_of(f, f->last)), "none", f->none, "confidence",
		args->confidence, "missed", args->noise.missed, "false_alarm",
		args->noise.false_alarm, "builds", builds, "runs", runs);
}

static bool parse_share(double *out, const char *text)
{
	char *end;
	double v = strtod(text, &end);
	if (end == text || *end != '\0' || !(v >= 0 && v < 1)) {
		return false;
	}
	*out = v;
	return true;
}

static bool parse_number(uint32_t *out, const char *text, uint64_t most)
{
	uint64_t v;
	if (!cli_parse_u64(&v, text) || v < 1 || v > most) {
		return false;
	}
	*out = (uint32_t)v;
	return true;
}

/* One option; false when its value is none. */
static bool take(struct evl_first_bad_args *q, enum cli_progress_mode *mode, const char **path,
	bool *json, int index, const char *value)
{
	switch (index) {
	case OPT_BENCH:
		q->run.bench = value;
		return true;
	case OPT_STORE:
		q->run.store = value;
		return true;
	case OPT_CASE:
		q->case_name = value;
		return true;
	case OPT_CHECK:
		q->check_title = value;
		return true;
	case OPT_LOAD:
		q->load = value;
		return value[0] != '\0';
	case OPT_LOAD_LIMIT:
		return parse_number(&q->load_limit_s, value, 86400);
	case OPT_MISSED:
		return parse_share(&q->noise.missed, value);
	case OPT_FALSE_ALARM:
		return parse_share(&q->noise.false_alarm, value);
	case OPT_CONFIDENCE:
		return parse_share(&q->confidence, value);
	case OPT_RUNS:
		return parse_number(&q->most_runs, value, 1000000);
	case OPT_SEED:
		return cli_parse_u64(&q->run.seed, value);
	case OPT_REFERENCE:
		return cli_parse_run(&q->run.reference_run, value);
	case OPT_HANG:
		return cli_parse_hang(&q->run.hang_limit_s, value);
	case OPT_PROGRESS:
		return cli_progress_parse(mode, value);
	case OPT_PATH:
		*path = value;
		return true;
	default:
		*json = true;
		return true;
	}
}

static void tell(void *ctx, const char *line)
{
	cli_progress_end();
	if (*(const enum cli_progress_mode *)ctx != CLI_PROGRESS_NONE) {
		cli_err_out("%s\n", line);
	}
}

/* In the watchdog's thread; the other one never goes on. */
static void hung(void *ctx, int64_t run, const char *text)
{
	(void)ctx;
	cli_err_out("evenlode: run %" PRId64 ": %s; it has verdict error, the same command goes "
		    "on\n",
		run, text);
	fflush(NULL);
	_exit(CLI_ERROR);
}

static int bisect(int argc, char **argv)
{
	struct evl_first_bad_args q = {.run = {.seed = 1,
					       .hung = hung,
					       .hang_limit_s = CLI_HANG_LIMIT_S,
					       .progress = cli_progress},
		.noise = {0.1, 0.01},
		.confidence = 0.95,
		.most_runs = 100,
		.load_limit_s = 600,
		.tell = tell};
	struct cli_args a = {.verb = &cli_verb_bisect,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = INT_MAX};
	enum cli_progress_mode mode = CLI_PROGRESS_AUTO;
	struct cli_places places = {0};
	struct evl_first_bad found = {0};
	struct evl_err err = {0};
	const char *path = NULL;
	bool json = false;
	int status;

	while (cli_next(&a)) {
		if (!take(&q, &mode, &path, &json, a.index, a.value)) {
			a.exit = cli_usage(
				a.verb, "--%s \"%s\" cannot be", options[a.index].name, a.value);
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (q.run.bench == NULL || q.run.store == NULL) {
		return cli_usage(
			a.verb, "%s is missing", q.run.bench == NULL ? "--bench" : "--store");
	}
	q.run.campaign = a.operands[0];
	q.builds = (const char *const *)a.operands + 1;
	q.build_count = (size_t)a.operand_count - 1;
	q.tell_ctx = &mode;
	cli_places_find(&places, path);
	q.run.adapter_dirs = (const char *const *)places.dirs;
	q.run.adapter_dir_count = places.count;
	q.run.stop = cli_stop_install();
	cli_progress_start(mode);
	enum evl_status st = evl_first_bad_find(&found, &q, &err);
	cli_progress_end();
	if (st < 0) {
		status = cli_error(&err);
	} else {
		if (json) {
			cli_json_print(to_json(&found, &q));
		} else {
			print_plain(&found, q.confidence);
		}
		status = found.end != EVL_FIRST_BAD_FOUND             ? CLI_INCONCLUSIVE
			 : found.answer.first_bad < found.build_count ? CLI_GOOD
								      : CLI_NO;
	}
	evl_first_bad_finish(&found);
	cli_places_finish(&places);
	return status;
}

const struct cli_verb cli_verb_bisect = {
	"bisect", "which build is the first bad one?", help, bisect};
