/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/cli/cli.h"
#include "core/cli/print_compare.h"
#include "core/cli/print_matrix.h"
#include "core/report/matrix_page.h"

static const char help[] =
	"usage: evenlode compare BEFORE AFTER --store FILE [--alpha P] [--json]\n"
	"       evenlode compare RUN RUN... --store FILE [--matrix] [--html FILE] [--all]\n"
	"                        [--alpha P] [--json | --junit | --tap]\n"
	"       evenlode compare --builds A,B... --store FILE ...\n"
	"       evenlode compare --last N --store FILE ...\n"
	"\n"
	"Two runs: build against build, check by check and channel by channel. More runs, builds "
	"by\n"
	"name, or the newest N runs: a matrix of cases by runs, in which the last run is judged, "
	"and\n"
	"what became of each check: newly failing, worse though it passes, missing, still "
	"failing,\n"
	"flaky (with its probability, from all runs in the store), repaired; since when, and "
	"which\n"
	"recording shows it again. Two error counts are told apart by the exact conditional test "
	"of\n"
	"two Poisson counts, with Holm's correction over all channels and runs.\n"
	"\n"
	"  --store FILE     the store that holds the runs\n"
	"  --builds A,B...  the newest finished run of each build, in this order\n"
	"  --last N         the newest N finished runs, oldest first\n"
	"  --campaign NAME  of --builds and --last; that of the newest finished run when not "
	"given\n"
	"  --bench NAME     likewise\n"
	"  --matrix         the matrix for two runs, too\n"
	"  --html FILE      write the matrix as a page for a browser\n"
	"  --all            list all checks; without it 40 under each finding\n"
	"  --alpha P        chance of a false alarm that is allowed, such as 0.05 (the default)\n"
	"  --json           machine-readable\n"
	"  --junit          the matrix as JUnit XML: a case fails when it or a check of it is "
	"worse\n"
	"  --tap            TAP version 14, likewise\n"
	"  --help           this text\n"
	"\n"
	"Exit status: 0 the last run is not worse, 1 it is worse, 3 error, 64 usage\n";

enum {
	OPT_STORE,
	OPT_ALPHA,
	OPT_JSON,
	OPT_BUILDS,
	OPT_LAST,
	OPT_CAMPAIGN,
	OPT_BENCH,
	OPT_MATRIX,
	OPT_HTML,
	OPT_ALL,
	OPT_JUNIT,
	OPT_TAP
};
static const struct cli_option options[] = {[OPT_STORE] = {"store", true},
	[OPT_ALPHA] = {"alpha", true},
	[OPT_JSON] = {"json", false},
	[OPT_BUILDS] = {"builds", true},
	[OPT_LAST] = {"last", true},
	[OPT_CAMPAIGN] = {"campaign", true},
	[OPT_BENCH] = {"bench", true},
	[OPT_MATRIX] = {"matrix", false},
	[OPT_HTML] = {"html", true},
	[OPT_ALL] = {"all", false},
	[OPT_JUNIT] = {"junit", false},
	[OPT_TAP] = {"tap", false},
	{NULL, false}};

#define MOST_CHECKS 40 /* under each finding, without --all */

struct wish {
	const char *store, *html;
	double alpha;
	bool json, junit, tap, matrix, all;
	struct evl_matrix_choice choice;
	char *builds;      /* what choice.builds points into */
	const char **list; /* of builds */
	int64_t runs[EVL_MATRIX_RUNS_MAX];
	size_t run_count;
};

static int compare_two(const struct wish *w, struct evl_store *store)
{
	struct evl_run *runs[2] = {NULL, NULL};
	struct evl_compare cmp = {0};
	struct evl_err err = {0};
	int status;
	if (evl_store_load_run(&runs[0], store, w->runs[0], &err) != EVL_OK ||
		evl_store_load_run(&runs[1], store, w->runs[1], &err) != EVL_OK ||
		evl_compare_runs(&cmp, runs[0], runs[1], w->alpha, &err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		if (w->json) {
			cli_json_print(print_compare_json(&cmp, runs[0], runs[1]));
		} else {
			print_compare(&cmp, runs[0], runs[1]);
		}
		status = cmp.worse ? CLI_NO : CLI_GOOD;
	}
	evl_compare_finish(&cmp);
	evl_run_destroy(runs[0]);
	evl_run_destroy(runs[1]);
	return status;
}

static int write_page(const struct wish *w, const struct evl_matrix *m)
{
	struct evl_text page = {0};
	struct evl_err err = {0};
	evl_matrix_page_write(&page, m);
	enum evl_status st = evl_file_write(w->html, evl_text_str(&page), page.len, &err);
	evl_text_finish(&page);
	return st == EVL_OK ? CLI_GOOD : cli_error(&err);
}

static void print(const struct wish *w, const struct evl_matrix *m)
{
	if (w->json) {
		cli_json_print(print_matrix_json(m));
	} else if (w->junit || w->tap) {
		struct evl_text out = {0};
		(w->junit ? print_matrix_junit : print_matrix_tap)(&out, m);
		cli_out("%s", evl_text_str(&out));
		evl_text_finish(&out);
	} else {
		print_matrix(m, w->all ? 0 : MOST_CHECKS);
	}
}

static int compare_many(struct wish *w, struct evl_store *store)
{
	struct evl_matrix m = {0};
	struct evl_err err = {0};
	int status = CLI_GOOD;
	if ((w->run_count == 0 &&
		    evl_matrix_choose(w->runs, &w->run_count, store, &w->choice, &err) != EVL_OK) ||
		evl_matrix_load(&m, store,
			&(struct evl_matrix_query){
				.runs = w->runs, .run_count = w->run_count, .alpha = w->alpha},
			&err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		status = w->html != NULL ? write_page(w, &m) : CLI_GOOD;
		if (status == CLI_GOOD) {
			print(w, &m);
			status = m.worse ? CLI_NO : CLI_GOOD;
		}
	}
	evl_matrix_finish(&m);
	return status;
}

/* "A,B,C" into names. */
static int split_builds(struct wish *w, const struct cli_args *a)
{
	size_t n = 1;
	for (const char *c = w->builds; *c != '\0'; c++) {
		n += *c == ',';
	}
	if (n < 2 || n > EVL_MATRIX_RUNS_MAX) {
		return cli_usage(a->verb, "--builds needs 2 to %u names with a comma between",
			EVL_MATRIX_RUNS_MAX);
	}
	w->list = evl_xcalloc(n, sizeof *w->list);
	char *at = w->builds;
	for (size_t i = 0; i < n; i++) {
		w->list[i] = at;
		at += strcspn(at, ",");
		*at++ = '\0';
		if (w->list[i][0] == '\0') {
			return cli_usage(a->verb, "--builds: name %zu is empty", i + 1);
		}
		for (size_t k = 0; k < i; k++) {
			if (strcmp(w->list[i], w->list[k]) == 0) {
				return cli_usage(
					a->verb, "--builds: \"%s\" is given twice", w->list[i]);
			}
		}
	}
	w->choice.builds = w->list;
	w->choice.build_count = n;
	return -1;
}

/* Which runs; -1: all is well. */
static int settle_runs(struct wish *w, const struct cli_args *a)
{
	bool named = w->builds != NULL || w->choice.last > 0;
	if (w->builds != NULL && w->choice.last > 0) {
		return cli_usage(a->verb, "--builds and --last exclude one another");
	}
	if (named && a->operand_count > 0) {
		return cli_usage(a->verb, "numbers of runs go with neither --builds nor --last");
	}
	if (!named && (w->choice.campaign_name != NULL || w->choice.bench_name != NULL)) {
		return cli_usage(a->verb, "--campaign and --bench go with --builds or --last");
	}
	if (!named && a->operand_count < 2) {
		return cli_usage(a->verb,
			"an operand is missing: name two runs or more, or use --builds or --last");
	}
	for (int i = 0; i < a->operand_count; i++) {
		if (!cli_parse_run(&w->runs[i], a->operands[i])) {
			return cli_usage(a->verb, "\"%s\" is no number of a run", a->operands[i]);
		}
	}
	w->run_count = (size_t)a->operand_count;
	return w->builds != NULL ? split_builds(w, a) : -1;
}

static int settle(struct wish *w, const struct cli_args *a)
{
	if (w->store == NULL) {
		return cli_usage(a->verb, "--store is missing");
	}
	if (w->json + w->junit + w->tap > 1 || (w->all && (w->json || w->junit || w->tap))) {
		return cli_usage(a->verb,
			"--json, --junit and --tap exclude one another, and --all goes with none "
			"of them");
	}
	int status = settle_runs(w, a);
	w->matrix =
		w->matrix || w->run_count != 2 || w->html != NULL || w->junit || w->tap || w->all;
	return status;
}

static int read_option(struct wish *w, const struct cli_args *a)
{
	uint64_t n;
	switch (a->index) {
	case OPT_STORE:
		w->store = a->value;
		break;
	case OPT_ALPHA:
		if (!cli_parse_share(&w->alpha, a->value)) {
			return cli_usage(
				a->verb, "--alpha \"%s\" is no number between 0 and 1", a->value);
		}
		break;
	case OPT_JSON:
		w->json = true;
		break;
	case OPT_BUILDS:
		w->builds = evl_xstrdup(a->value);
		break;
	case OPT_LAST:
		if (!cli_parse_u64(&n, a->value) || n < 2 || n > EVL_MATRIX_RUNS_MAX) {
			return cli_usage(a->verb, "--last \"%s\" is no number from 2 to %u",
				a->value, EVL_MATRIX_RUNS_MAX);
		}
		w->choice.last = (size_t)n;
		break;
	case OPT_CAMPAIGN:
		w->choice.campaign_name = a->value;
		break;
	case OPT_BENCH:
		w->choice.bench_name = a->value;
		break;
	case OPT_MATRIX:
		w->matrix = true;
		break;
	case OPT_HTML:
		w->html = a->value;
		break;
	case OPT_ALL:
		w->all = true;
		break;
	case OPT_JUNIT:
		w->junit = true;
		break;
	case OPT_TAP:
		w->tap = true;
		break;
	}
	return -1;
}

static int compare(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_compare,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_max = EVL_MATRIX_RUNS_MAX};
	struct wish w = {.alpha = 0.05};
	struct evl_store *store = NULL;
	struct evl_err err = {0};

	while (cli_next(&a)) {
		a.exit = read_option(&w, &a);
	}
	int status = a.exit >= 0 ? a.exit : settle(&w, &a);
	if (status < 0) {
		status = evl_store_open(&store, w.store, EVL_STORE_READ, &err) != EVL_OK
				 ? cli_error(&err)
			 : w.matrix ? compare_many(&w, store)
				    : compare_two(&w, store);
	}
	evl_store_close(store);
	free(w.list);
	free(w.builds);
	return status;
}

const struct cli_verb cli_verb_compare = {
	"compare", "is this build worse than those before?", help, compare};
