/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Errors: the lowest layer that knows words the message, once: what, where (file:line), what was
 * expected. Upper layers pass it on, or put a context in front.
 *
 *	struct evl_err err = {0};
 *	if (evl_bench_load(&bench, path, &err) < 0) {
 *		fprintf(stderr, "evenlode: %s\n", err.text);
 *	}
 */
#pragma once

#include <stdarg.h>

#include "core/base/status.h"

struct evl_err {
	enum evl_status status;
	char text[1024]; /* UTF-8, one line, no trailing stop; truncated at a character border */
};

/* Words an error and returns `status`, so that `return evl_err_set(...)` reads well. `err` may be
 * NULL. The text may use the old err->text as an argument. */
enum evl_status evl_err_set(struct evl_err *err, enum evl_status status, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));

/* Puts "context: " in front of the present text and returns the present status. */
enum evl_status evl_err_prefix(struct evl_err *err, const char *fmt, ...)
	__attribute__((format(printf, 2, 3)));

/* Programming mistakes end the process with file and line; bad input and hardware never do. */
_Noreturn void evl_require_failed(const char *expr, const char *file, int line);
#define evl_require(expr) ((expr) ? (void)0 : evl_require_failed(#expr, __FILE__, __LINE__))

/* Allocate or end the process: for small, bounded host objects only. Never for sizes that come
 * from input: those use calloc and report EVL_E_NOMEM. */
void *evl_xmalloc(unsigned long size);
void *evl_xcalloc(unsigned long n, unsigned long size);
void *evl_xrealloc(void *old, unsigned long size);
char *evl_xstrdup(const char *text);
