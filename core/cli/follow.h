/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A run as it is shown while it goes on: on the live page, and in short in the progress line.
 *
 *	struct cli_follow *f;
 *	cli_follow_start(&f, "38123", &err);	// or "0", "192.0.2.1:8080", "[::1]:0"
 *	...				// cli_follow_progress(f, p) from the runner's progress
 *	cli_follow_end(f, "pass", "");
 */
#pragma once

#include "core/base/err.h"
#include "core/base/text.h"
#include "core/script/runner.h"

struct cli_follow;

/* `where`: [ADDRESS:]PORT. Prints the address of the page to standard error. EVL_E_INVALID: not
 * that. */
enum evl_status cli_follow_start(struct cli_follow **out, const char *where, struct evl_err *err);
/* Runs may follow one another, as in a night; cases and channels are those of the present one. */
void cli_follow_progress(struct cli_follow *f, const struct evl_run_progress *p);
/* What the page says of the present run, such as "2 of 6, first/one/A"; copied. */
void cli_follow_note(struct cli_follow *f, const char *note);
/* The last state, with the verdict of the run, and the end of the page. Takes NULL. */
void cli_follow_end(struct cli_follow *f, const char *verdict, const char *message);

/* Adds "61 of 63 in sync; LOS: line; no sync: trib 12" to `out`; nothing between takes. At most
 * three channels are named in each group. */
void cli_follow_in_short(struct evl_text *out, const struct evl_run_progress *p);
