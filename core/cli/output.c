/* SPDX-License-Identifier: Apache-2.0 */
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/text.h"
#include "core/cli/cli.h"

/* Control characters C0, DEL and, as UTF-8, C1. */
static void tame(char *text)
{
	for (unsigned char *p = (unsigned char *)text; *p != '\0'; p++) {
		if ((*p < 0x20 && *p != '\n' && *p != '\t') || *p == 0x7f) {
			*p = '?';
		} else if (*p == 0xc2 && p[1] >= 0x80 && p[1] < 0xa0) {
			p[0] = '?';
			p[1] = '?';
		}
	}
}

static void put(FILE *to, const char *fmt, va_list args)
{
	va_list again;
	evl_require(fmt != NULL);
	va_copy(again, args);
	int len = vsnprintf(NULL, 0, fmt, again);
	va_end(again);
	if (len < 0) {
		return;
	}
	char *text = evl_xmalloc((unsigned long)len + 1);
	vsnprintf(text, (size_t)len + 1, fmt, args);
	tame(text);
	fputs(text, to);
	free(text);
}

void cli_out(const char *fmt, ...)
{
	va_list args;
	va_start(args, fmt);
	put(stdout, fmt, args);
	va_end(args);
}

void cli_err_out(const char *fmt, ...)
{
	va_list args;
	va_start(args, fmt);
	put(stderr, fmt, args);
	va_end(args);
}

int cli_status_of(enum evl_verdict verdict, bool interrupted)
{
	switch (verdict) {
	case EVL_VERDICT_PASS:
		return interrupted ? CLI_INCONCLUSIVE : CLI_GOOD;
	case EVL_VERDICT_FAIL:
		return CLI_NO;
	case EVL_VERDICT_ERROR:
		return CLI_ERROR;
	default:
		return CLI_INCONCLUSIVE;
	}
}

int cli_usage(const struct cli_verb *verb, const char *fmt, ...)
{
	va_list args;
	cli_err_out("evenlode%s%s: ", verb != NULL ? " " : "", verb != NULL ? verb->name : "");
	va_start(args, fmt);
	put(stderr, fmt, args);
	va_end(args);
	cli_err_out("; see evenlode %s%s--help\n", verb != NULL ? verb->name : "",
		verb != NULL ? " " : "");
	return CLI_USAGE;
}

int cli_error(const struct evl_err *err)
{
	cli_err_out("evenlode: %s\n", err->text[0] != '\0' ? err->text : "failed without a reason");
	return CLI_ERROR;
}

static bool wants_colour(void)
{
	const char *no = getenv("NO_COLOR"); /* any text that is not empty, as no-color.org says */
	const char *term = getenv("TERM");
	return isatty(STDOUT_FILENO) && (no == NULL || *no == '\0') && term != NULL &&
	       strcmp(term, "dumb") != 0;
}

void cli_out_verdict(const char *text, int width)
{
	static const struct {
		const char *word, *colour;
	} table[] = {{"pass", "32"}, {"fail", "31"}, {"error", "35"}, {"inconclusive", "33"},
		{"interrupted", "33"}, {"running", "36"}, {"P", "32"}, {"F", "31"}, {"E", "35"},
		{"I", "33"}, {"newly failing", "31"}, {"worse", "31"}, {"missing", "31"},
		{"no longer proved", "33"}, {"still failing", "31"}, {"flaky", "33"},
		{"undecided", "33"}, {"look here", "33"}, {"repaired", "32"}, {"proved", "32"}};
	const char *colour = NULL;

	for (size_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		if (strcmp(text, table[i].word) == 0) {
			colour = table[i].colour;
		}
	}
	if (colour != NULL && wants_colour()) {
		printf("\033[%sm%s\033[0m%*s", colour, text,
			width > (int)strlen(text) ? width - (int)strlen(text) : 0, "");
	} else {
		cli_out("%-*s", width, text);
	}
}

int cli_flush(int status)
{
	if (fflush(stdout) != 0 || ferror(stdout)) {
		cli_err_out("evenlode: standard output cannot be written: %s\n", strerror(errno));
		return CLI_ERROR;
	}
	return status;
}
