/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Shared by the verbs of the command line: exit statuses, options, output. A verb is one file
 * cmd_NAME.c with one struct cli_verb:
 *
 *	static int run_verb(int argc, char **argv) { ... }
 *	const struct cli_verb cli_verb_fit = {"fit", "can this bench run it?", help, run_verb};
 */
#pragma once

#include <jansson.h>
#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/verdict.h"

enum cli_exit {
	CLI_GOOD = 0,         /* done; of `run`: pass; of a question: yes */
	CLI_NO = 1,           /* of `run`: fail; of a question: no */
	CLI_INCONCLUSIVE = 2, /* of `run` only */
	CLI_ERROR = 3,
	CLI_USAGE = 64,
};

struct cli_verb {
	const char *name;
	const char *summary;               /* one line for the list of verbs */
	const char *help;                  /* whole text of --help */
	int (*run)(int argc, char **argv); /* argv[0] is the verb; returns enum cli_exit */
};

extern const struct cli_verb cli_verb_fit, cli_verb_run, cli_verb_runs, cli_verb_show,
	cli_verb_compare, cli_verb_dossier, cli_verb_verify, cli_verb_recording, cli_verb_adapters,
	cli_verb_numbering, cli_verb_plan, cli_verb_history, cli_verb_night,
	cli_verb_bisect;

/* ---- options.c ---- */

#define CLI_MANY 2 /* a value, and the option may be given several times */

struct cli_option {
	const char *name;        /* without "--" */
	unsigned char has_value; /* true, false, or CLI_MANY */
};

/*
 * Walks the options of a verb; each verb also knows --help.
 *
 *	struct cli_args a = {.verb = &cli_verb_x, .options = options, .argc = argc, .argv = argv};
 *	while (cli_next(&a)) {
 *		switch (a.index) { case OPT_JSON: json = true; break; ... }
 *	}
 *	if (a.exit >= 0) { return a.exit; }
 *	path = a.operands[0];
 *
 * Options and operands may be mixed; "--" ends the options. The number of operands is checked.
 */
struct cli_args {
	const struct cli_verb *verb;
	const struct cli_option *options; /* ends with a NULL name */
	int argc;
	char **argv;
	int operands_min, operands_max;

	int index;         /* of the option just read, in `options` */
	const char *value; /* of it, or NULL */
	int exit;          /* -1: all is well; else leave with this status */
	char **operands;   /* after the last cli_next */
	int operand_count;
	bool started;  /* private */
	uint32_t seen; /* private; bit by index of options with a value */
};

bool cli_next(struct cli_args *a);

/* "evenlode VERB: TEXT (see evenlode VERB --help)" on stderr; returns CLI_USAGE. */
int cli_usage(const struct cli_verb *verb, const char *fmt, ...)
	__attribute__((format(printf, 2, 3)));
/* "evenlode: TEXT" on stderr; returns CLI_ERROR. */
int cli_error(const struct evl_err *err);

/* Exit status of `run` and `night`; a pass that was interrupted proves less than was asked. */
int cli_status_of(enum evl_verdict verdict, bool interrupted);

/* Whole decimal numbers; false when the text is anything else or out of range. */
bool cli_parse_u64(uint64_t *out, const char *text);
bool cli_parse_run(int64_t *out, const char *text); /* 1 and up */
/* A decimal number above 0 and below 1. */
bool cli_parse_share(double *out, const char *text);

/* Text to standard output; control characters within become '?', so that a name in a file cannot
 * steer the terminal. '\n' and '\t' pass. */
void cli_out(const char *fmt, ...) __attribute__((format(printf, 1, 2)));
/* The same to standard error. */
void cli_err_out(const char *fmt, ...) __attribute__((format(printf, 1, 2)));

/* `text` in the colour of a verdict or state, when standard output is a terminal that wants
 * colour; padded with blanks to `width`. */
void cli_out_verdict(const char *text, int width);

/* Standard output that could not be written (a full disk) is an error: returns `status`, or
 * CLI_ERROR with a message. The last thing that a program does. */
int cli_flush(int status);

#define CLI_HANG_LIMIT_S 30 /* adapters answer within 5 s (core/adapter/adapter.h) */
bool cli_parse_hang(uint32_t *seconds, const char *text); /* 0 .. 86400 */
bool cli_parse_megabytes(uint64_t *bytes, const char *text); /* a whole number, to 10^12 */

/* ---- json.c ---- */

json_t *cli_json_text(const char *text);      /* NULL becomes null; bad UTF-8 is replaced */
json_t *cli_json_object_of(const char *json); /* a JSON text as object; null when it is none */
/* Prints with a newline and releases `value`. */
void cli_json_print(json_t *value);

/* ---- format.c: numbers as people read them ---- */

struct cli_word {
	char s[64];
};

struct cli_word cli_duration(uint64_t ns); /* "500 ms", "12.3 s", "1 h 02 min" */
struct cli_word cli_count(uint64_t n);     /* "1 234 567" */
/* "1 check", "3 checks" */
struct cli_word cli_number_of(uint64_t n, const char *singular);

/* ---- places.c ---- */

/* Folders in which adapters are looked for: those of `option` (may be NULL), of the variable
 * EVENLODE_ADAPTER_PATH, those beside the program and those of an installed one. */
struct cli_places {
	char **dirs;
	size_t count;
};
void cli_places_find(struct cli_places *p, const char *option);
void cli_places_finish(struct cli_places *p);

/* ---- stop.c ---- */

/* From here on Ctrl-C and SIGTERM only set the flag. */
const volatile sig_atomic_t *cli_stop_install(void);

/* ---- progress.c ---- */

struct evl_run_progress;
enum cli_progress_mode { CLI_PROGRESS_AUTO, CLI_PROGRESS_PLAIN, CLI_PROGRESS_NONE };
bool cli_progress_parse(enum cli_progress_mode *mode, const char *word); /* false: no such word */
void cli_progress_start(enum cli_progress_mode mode);
void cli_progress(void *ctx, const struct evl_run_progress *p); /* ctx unused */
void cli_progress_end(void);
