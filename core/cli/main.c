/* SPDX-License-Identifier: Apache-2.0 */
#include <stdio.h>
#include <string.h>

#include "core/adapter/adapter.h"
#include "core/cli/cli.h"

static const struct cli_verb *const verbs[] = {&cli_verb_fit, &cli_verb_run, &cli_verb_runs,
	&cli_verb_show, &cli_verb_compare, &cli_verb_bisect, &cli_verb_history, &cli_verb_dossier,
	&cli_verb_verify, &cli_verb_recording, &cli_verb_adapters, &cli_verb_numbering,
	&cli_verb_plan, &cli_verb_night};

#define VERB_COUNT (sizeof(verbs) / sizeof(verbs[0]))

static void print_help(void)
{
	puts("evenlode: test campaigns for transmission equipment\n"
	     "\n"
	     "usage: evenlode VERB [OPTIONS] [OPERANDS]\n"
	     "       evenlode --help | --version\n");
	for (size_t i = 0; i < VERB_COUNT; i++) {
		printf("  %-10s %s\n", verbs[i]->name, verbs[i]->summary);
	}
	puts("\n"
	     "evenlode VERB --help tells what a verb takes.\n"
	     "\n"
	     "Exit status\n"
	     "  of run and night: 0 pass, 1 fail, 2 inconclusive, 3 error (bench, adapter,\n"
	     "                    campaign)\n"
	     "  of others:        0 done, or the answer is yes; 1 the answer is no; 3 error\n"
	     "  of all:           64 the command line is not understood\n"
	     "\n"
	     "Environment\n"
	     "  EVENLODE_ADAPTER_PATH  folders with adapters, with a colon between\n"
	     "  NO_COLOR               not empty: no colour on a terminal");
}

static int dispatch(int argc, char **argv)
{
	if (argc < 2) {
		return cli_usage(NULL, "a verb is missing");
	}
	const char *word = argv[1];
	if (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0) {
		if (argc > 2) {
			return cli_usage(NULL, "\"%s\" is one operand too many", argv[2]);
		}
		print_help();
		return CLI_GOOD;
	}
	if (strcmp(word, "--version") == 0) {
		if (argc > 2) {
			return cli_usage(NULL, "\"%s\" is one operand too many", argv[2]);
		}
		printf("evenlode %s (driver ABI %d.%d)\n", EVL_VERSION, EVL_ABI_MAJOR,
			EVL_ABI_MINOR);
		return CLI_GOOD;
	}
	for (size_t i = 0; i < VERB_COUNT; i++) {
		if (strcmp(word, verbs[i]->name) == 0) {
			return verbs[i]->run(argc - 1, argv + 1);
		}
	}
	return cli_usage(NULL, word[0] == '-' ? "unknown option %s" : "unknown verb \"%s\"", word);
}

int main(int argc, char **argv)
{
	return cli_flush(dispatch(argc, argv));
}
