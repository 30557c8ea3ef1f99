/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Options of the process adapter, as a bench file gives them:
 *
 *	options:
 *	  command: [evenlode-serve, simmux]
 *	  limits: {exchange_ms: 500}
 *	  options: {line: looped}		# handed on to the adapter in the child
 */
#pragma once

#include <stdint.h>

#include "core/adapter/adapter.h"

#define PROCESS_WORDS_MAX 64u     /* of the command */
#define PROCESS_LIMIT_MAX 600000u /* ms */

struct process_limits {
	uint32_t open_ms;     /* start of the program, hello, open and channels, each */
	uint32_t take_ms;     /* arm, start, stop */
	uint32_t exchange_ms; /* beyond the length of the frames */
	uint32_t call_ms;     /* poll, inject, setup, close */
};

struct process_options {
	char **command; /* NULL at the end; owned, as all */
	uint32_t words;
	struct process_limits limits;
	struct evl_adapter_option *handed; /* without "options." in front */
	uint32_t handed_count;
	char *build;
};

/* EVL_ADAPTER_OK, or EVL_ADAPTER_E_OPTION with the path in err->text, or _E_NOMEM. *out is to be
 * finished in any case. */
int process_options_read(struct process_options *out, const struct evl_open_args *args,
	struct evl_adapter_error *err);
void process_options_finish(struct process_options *o); /* takes a zeroed object */

/* Puts "options." in front of the handed-on path that the child's text names, so that the reader
 * and the host find the place in the bench file. */
void process_options_reword(const struct process_options *o, struct evl_adapter_error *err);

/* Words an error and returns `code`. */
int process_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));
