/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"
#include "core/store/store_read.h"

static const char help[] = "usage: evenlode runs --store FILE [--json]\n"
			   "\n"
			   "Lists the runs of a store, oldest first.\n"
			   "\n"
			   "  --store FILE  the store\n"
			   "  --json        machine-readable\n"
			   "  --help        this text\n"
			   "\n"
			   "Exit status: 0 done, 3 error, 64 usage\n";

enum { OPT_STORE, OPT_JSON };
static const struct cli_option options[] = {
	[OPT_STORE] = {"store", true}, [OPT_JSON] = {"json", false}, {NULL, false}};

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

static void print_plain(const struct evl_run_list *list)
{
	if (list->count == 0) {
		cli_out("no runs\n");
		return;
	}
	cli_out("%5s  %-12s  %-12s  %-20s  %-16s  %-14s  %s\n", "run", "verdict", "state",
		"started", "build", "cases", "campaign");
	for (size_t i = 0; i < list->count; i++) {
		const struct evl_run_brief *b = &list->runs[i];
		char cases[48];
		snprintf(cases, sizeof(cases), "%d of %d pass", b->cases_passed, b->cases);
		cli_out("%5" PRId64 "  ", b->run.run);
		cli_out_verdict(text(b->run.verdict), 14);
		cli_out_verdict(text(b->run.state), 14);
		cli_out("%-20s  %-16s  %-14s  %s\n", text(b->run.started_utc), text(b->run.build),
			cases, text(b->run.campaign_name));
	}
}

static json_t *to_json(const struct evl_run_list *list)
{
	json_t *runs = json_array();
	for (size_t i = 0; i < list->count; i++) {
		const struct evl_run_brief *b = &list->runs[i];
		/* As text: a seed may be larger than the integers of many JSON readers. */
		char seed[24];
		snprintf(seed, sizeof(seed), "%" PRIu64, b->run.seed);
		json_array_append_new(runs,
			json_pack(
				"{s:I, s:o, s:o, s:o, s:o, s:o, s:s, s:o, s:o, s:i, s:i, s:i, s:i}",
				"run", (json_int_t)b->run.run, "verdict",
				cli_json_text(b->run.verdict), "state", cli_json_text(b->run.state),
				"campaign", cli_json_text(b->run.campaign_name), "build",
				cli_json_text(b->run.build), "bench",
				cli_json_text(b->run.bench_name), "seed", seed, "started",
				cli_json_text(b->run.started_utc), "ended",
				cli_json_text(b->run.ended_utc), "cases", b->cases, "cases_passed",
				b->cases_passed, "cases_failed", b->cases_failed,
				"cases_inconclusive", b->cases_inconclusive));
	}
	return json_pack("{s:o}", "runs", runs);
}

static int runs(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_runs, .options = options, .argc = argc, .argv = argv};
	struct evl_run_list list = {0};
	struct evl_store *store = NULL;
	struct evl_err err = {0};
	const char *path = NULL;
	bool json = false;
	int status = CLI_GOOD;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_STORE:
			path = a.value;
			break;
		case OPT_JSON:
			json = true;
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (path == NULL) {
		return cli_usage(a.verb, "--store is missing");
	}
	if (evl_store_open(&store, path, EVL_STORE_READ, &err) != EVL_OK ||
		evl_store_list_runs(&list, store, &err) != EVL_OK) {
		status = cli_error(&err);
	} else if (json) {
		cli_json_print(to_json(&list));
	} else {
		print_plain(&list);
	}
	evl_run_list_finish(&list);
	evl_store_close(store);
	return status;
}

const struct cli_verb cli_verb_runs = {"runs", "list the runs of a store", help, runs};
