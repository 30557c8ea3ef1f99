/* SPDX-License-Identifier: Apache-2.0 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#include "core/cli/cli.h"
#include "core/cli/follow.h"
#include "core/script/runner.h"

#define LIVE_NS  100000000u  /* between two drawings of the live line */
#define PLAIN_NS 5000000000u /* between two lines of a log */

static struct {
	bool on, live;
	bool drawn; /* a live line stands on the terminal */
	uint64_t last_ns;
	bool *told;           /* by number of a case: its beginning */
	uint32_t case_number; /* the last that was told to begin or end */
} shown;

static uint64_t now_ns(void)
{
	struct timespec t = {0};
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

bool cli_progress_parse(enum cli_progress_mode *mode, const char *word)
{
	static const char *const words[] = {[CLI_PROGRESS_AUTO] = "auto",
		[CLI_PROGRESS_PLAIN] = "plain",
		[CLI_PROGRESS_NONE] = "none"};
	for (int i = CLI_PROGRESS_AUTO; i <= CLI_PROGRESS_NONE; i++) {
		if (strcmp(word, words[i]) == 0) {
			*mode = (enum cli_progress_mode)i;
			return true;
		}
	}
	return false;
}

void cli_progress_start(enum cli_progress_mode mode)
{
	const char *term = getenv("TERM");
	memset(&shown, 0, sizeof(shown));
	shown.on = mode != CLI_PROGRESS_NONE;
	shown.live = mode == CLI_PROGRESS_AUTO && isatty(STDERR_FILENO) && term != NULL &&
		     strcmp(term, "dumb") != 0;
}

/* Width of the terminal; 80 when it does not say. */
static int columns(void)
{
	struct winsize w;
	return ioctl(STDERR_FILENO, TIOCGWINSZ, &w) == 0 && w.ws_col > 20 ? w.ws_col : 80;
}

static void clear(void)
{
	if (shown.drawn) {
		fputs("\r\033[K", stderr);
		shown.drawn = false;
	}
}

void cli_progress_end(void)
{
	clear();
	fflush(stderr);
	free(shown.told);
	shown.told = NULL;
}

void cli_progress(void *ctx, const struct evl_run_progress *p)
{
	(void)ctx;
	if (!shown.on || p->case_name[0] == '\0') {
		return;
	}
	if (shown.told == NULL) {
		shown.told = evl_xcalloc(p->case_count + 1, sizeof(*shown.told));
	}
	if (!shown.told[p->case_number]) {
		clear();
		shown.told[p->case_number] = true;
		shown.case_number = p->case_number;
		shown.last_ns = now_ns();
		cli_err_out("case %u of %u, %s: %s\n", p->case_number, p->case_count, p->case_name,
			p->case_title);
	}
	if (p->case_ended) {
		clear();
		bool other = shown.case_number != p->case_number;
		shown.case_number = p->case_number;
		cli_err_out("    %s%s%s: %u passed, %u failed, %u inconclusive%s%s\n",
			other ? p->case_name : "", other ? ": " : "",
			evl_verdict_name(p->case_verdict), p->passed, p->failed, p->inconclusive,
			p->case_message != NULL && p->case_message[0] != '\0' ? "; " : "",
			p->case_message != NULL ? p->case_message : "");
		return;
	}
	uint64_t now = now_ns();
	if (now - shown.last_ns < (shown.live ? LIVE_NS : PLAIN_NS)) {
		return;
	}
	shown.last_ns = now;
	clear();
	struct evl_text line = {0};
	evl_text_add(&line, "    ");
	if (p->open_count > 1) {
		evl_text_addf(&line, "%u cases at once, ", p->open_count);
	}
	evl_text_addf(&line, "%s: %s of %s, %s", p->take_name[0] != '\0' ? p->take_name : "judging",
		cli_duration(p->take_done_ns / 1000000u * 1000000u).s,
		cli_duration(p->take_all_ns / 1000000u * 1000000u).s,
		cli_number_of(p->errors, "bit error").s);
	cli_follow_in_short(&line, p);
	if (shown.live) {
		/* A line that wraps could not be drawn over. */
		cli_err_out("%.*s", columns() - 1, evl_text_str(&line));
	} else {
		cli_err_out("%s\n", evl_text_str(&line));
	}
	evl_text_finish(&line);
	shown.drawn = shown.live;
	fflush(stderr);
}
