/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/cli/cli.h"
#include "core/cli/follow.h"
#include "core/cli/print_run.h"
#include "core/script/runner.h"
#include "core/store/store_read.h"

static const char help[] =
	"usage: evenlode run CAMPAIGN --bench BENCH --build LABEL --store FILE [OPTIONS]\n"
	"\n"
	"Runs the cases of a campaign and keeps every result in the store as it comes. Ctrl-C "
	"ends\n"
	"the run; what was measured until then is kept.\n"
	"\n"
	"  --bench FILE         the bench file (YAML)\n"
	"  --build LABEL        version of the unit's firmware or hardware\n"
	"  --store FILE         the store (SQLite); made when it is not there\n"
	"  --seed N             all that is random derives from it; 1 when not given\n"
	"  --case NAME          only this case; may be given several times\n"
	"  --reference RUN      run whose recordings are replayed; when not given, the newest\n"
	"                       passed run of the campaign in the store, or else this run\n"
	"  --continue RUN       continues a run that was broken off (same campaign, bench, build,\n"
	"                       seed): finished cases are taken over, the others are run\n"
	"  --one-at-a-time      no two cases at once, also where the channels that they use would\n"
	"                       allow it (see docs/campaigns.md)\n"
	"  --hang-limit S       a call of an adapter that lasts longer than S seconds hangs: the\n"
	"                       case gets verdict error and the program ends with 3; 30 when\n"
	"                       not given, 0: wait for ever\n"
	"  --reserve MB         megabytes of the disk that recordings leave free; 256 when not\n"
	"                       given. A take that would need them gets verdict error, a\n"
	"                       recording that comes near is ended\n"
	"  --progress MODE      auto: a live line on a terminal; plain: lines; none\n"
	"  --live [ADDR:]PORT   a web page that shows the run while it goes on; 127.0.0.1 when\n"
	"                       no address is given, port 0: any that is free\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --help               this text\n"
	"\n"
	"Progress goes to standard error, the outcome to standard output.\n"
	"\n"
	"Exit status: 0 pass, 1 fail, 2 inconclusive or interrupted, 3 error (bench, adapter,\n"
	"campaign, store), 64 usage\n";

enum { OPT_BENCH, OPT_BUILD, OPT_STORE, OPT_SEED, OPT_CASE, OPT_REFERENCE, OPT_CONTINUE,
	OPT_ONE, OPT_HANG, OPT_RESERVE, OPT_PROGRESS, OPT_LIVE, OPT_PATH };
static const struct cli_option options[] = {[OPT_BENCH] = {"bench", true},
	[OPT_BUILD] = {"build", true},
	[OPT_STORE] = {"store", true},
	[OPT_SEED] = {"seed", true},
	[OPT_CASE] = {"case", CLI_MANY},
	[OPT_REFERENCE] = {"reference", true},
	[OPT_CONTINUE] = {"continue", true},
	[OPT_ONE] = {"one-at-a-time", false},
	[OPT_HANG] = {"hang-limit", true},
	[OPT_RESERVE] = {"reserve", true},
	[OPT_PROGRESS] = {"progress", true},
	[OPT_LIVE] = {"live", true},
	[OPT_PATH] = {"adapter-path", true},
	{NULL, false}};

static int print_outcome(const struct evl_run_args *args, const struct evl_run_outcome *out)
{
	struct evl_store *store = NULL;
	struct evl_run *run = NULL;
	struct evl_err err = {0};
	int status = cli_status_of(out->verdict, out->interrupted);

	if (evl_store_open(&store, args->store, EVL_STORE_READ, &err) == EVL_OK &&
		evl_store_load_run(&run, store, out->run, &err) == EVL_OK) {
		print_run_head(run);
		print_run_cases(run, PRINT_BAD_CHECKS, 20);
	} else {
		status = cli_error(&err);
	}
	evl_run_destroy(run);
	evl_store_close(store);
	if (out->message != NULL) {
		cli_out("%s\n", out->message);
	}
	cli_out("results   %s\n", out->results_digest);
	cli_out("verdict   ");
	cli_out_verdict(evl_verdict_name(out->verdict), 0);
	cli_out("%s (%s, %s, %" PRIu32 " failed, %" PRIu32 " inconclusive)\n",
		out->interrupted ? ", interrupted" : "", cli_number_of(out->cases_run, "case").s,
		cli_number_of(out->checks, "check").s, out->failed, out->inconclusive);
	return status;
}

/* In the watchdog's thread; the other one never goes on. */
static void hung(void *ctx, int64_t run, const char *text)
{
	(void)ctx;
	cli_err_out("evenlode: run %" PRId64 ": %s; the case has verdict error, go on with "
		    "--continue\n",
		run, text);
	fflush(NULL);
	_exit(CLI_ERROR);
}

static void on_progress(void *ctx, const struct evl_run_progress *p)
{
	cli_progress(NULL, p);
	if (ctx != NULL) {
		cli_follow_progress(ctx, p);
	}
}

static int run(int argc, char **argv)
{
	struct evl_run_args args = {
		.seed = 1, .hung = hung, .hang_limit_s = CLI_HANG_LIMIT_S};
	struct cli_args a = {.verb = &cli_verb_run,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_run_outcome out = {0};
	struct evl_err err = {0};
	struct cli_places places = {0};
	enum cli_progress_mode mode = CLI_PROGRESS_AUTO;
	const char **cases = evl_xcalloc((unsigned long)argc, sizeof(*cases));
	const char *path = NULL, *live = NULL;
	struct cli_follow *follow = NULL;
	int64_t broken_off = 0;
	uint64_t reserve;
	int status;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_BENCH:
			args.bench = a.value;
			break;
		case OPT_BUILD:
			args.build = a.value;
			break;
		case OPT_STORE:
			args.store = a.value;
			break;
		case OPT_SEED:
			if (!cli_parse_u64(&args.seed, a.value)) {
				a.exit = cli_usage(a.verb,
					"--seed \"%s\" is no whole number from 0 to 2^64 - 1",
					a.value);
			}
			break;
		case OPT_CASE:
			cases[args.case_count++] = a.value;
			break;
		case OPT_REFERENCE:
			if (!cli_parse_run(&args.reference_run, a.value)) {
				a.exit = cli_usage(a.verb,
					"--reference \"%s\" is no number of a run", a.value);
			}
			break;
		case OPT_CONTINUE:
			if (!cli_parse_run(&broken_off, a.value)) {
				a.exit = cli_usage(a.verb,
					"--continue \"%s\" is no number of a run", a.value);
			}
			args.take_over = &broken_off;
			args.take_over_count = 1;
			break;
		case OPT_ONE:
			args.one_at_a_time = true;
			break;
		case OPT_HANG:
			if (!cli_parse_hang(&args.hang_limit_s, a.value)) {
				a.exit = cli_usage(a.verb,
					"--hang-limit \"%s\" is no number of seconds, 0 to 86400",
					a.value);
			}
			break;
		case OPT_RESERVE:
			args.reserve_bytes = &reserve;
			if (!cli_parse_megabytes(&reserve, a.value)) {
				a.exit = cli_usage(a.verb,
					"--reserve \"%s\" is no whole number of megabytes",
					a.value);
			}
			break;
		case OPT_PROGRESS:
			if (!cli_progress_parse(&mode, a.value)) {
				a.exit = cli_usage(a.verb,
					"--progress \"%s\" is none of auto, plain, none", a.value);
			}
			break;
		case OPT_LIVE:
			live = a.value;
			break;
		case OPT_PATH:
			path = a.value;
			break;
		}
	}
	status = a.exit;
	if (status < 0 && (args.bench == NULL || args.build == NULL || args.store == NULL)) {
		status = cli_usage(a.verb, "%s is missing",
			args.bench == NULL   ? "--bench"
			: args.build == NULL ? "--build"
					     : "--store");
	}
	if (status < 0 && args.build[0] == '\0') {
		status = cli_usage(a.verb, "--build needs a label that is not empty");
	}
	if (status < 0 && args.take_over_count > 0 && args.reference_run > 0) {
		status = cli_usage(a.verb,
			"--reference cannot be chosen with --continue: it is that of the run");
	}
	if (status >= 0) {
		goto out;
	}
	cli_places_find(&places, path);
	args.campaign = a.operands[0];
	args.cases = cases;
	args.adapter_dirs = (const char *const *)places.dirs;
	args.adapter_dir_count = places.count;
	args.stop = cli_stop_install();
	args.progress = on_progress;
	if (live != NULL && cli_follow_start(&follow, live, &err) < 0) {
		status = err.status == EVL_E_INVALID ? cli_usage(a.verb, "%s", err.text)
						     : cli_error(&err);
		goto out;
	}
	args.progress_ctx = follow;
	cli_progress_start(mode);
	enum evl_status st = evl_runner_run(&out, &args, &err);
	cli_progress_end();
	cli_follow_end(follow, st == EVL_OK ? evl_verdict_name(out.verdict) : "error",
		st != EVL_OK ? err.text : out.message != NULL ? out.message : "");
	if (st != EVL_OK) {
		if (out.run > 0) {
			cli_err_out("evenlode: run %" PRId64 " could not be brought to its end\n",
				out.run);
		}
		cli_error(&err);
		/* Stopped before there was a run: nothing failed. */
		status = st == EVL_E_INTERRUPTED ? CLI_INCONCLUSIVE : CLI_ERROR;
	} else {
		status = print_outcome(&args, &out);
	}
out:
	evl_run_outcome_finish(&out);
	cli_places_finish(&places);
	free(cases);
	return status;
}

const struct cli_verb cli_verb_run = {"run", "run a campaign", help, run};
