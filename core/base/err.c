/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/err.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put_text(struct evl_err *err, const char *text)
{
	size_t n = strlen(text);
	if (n >= sizeof err->text) {
		n = sizeof err->text - 1;
		while (n > 0 && ((unsigned char)text[n] & 0xC0) == 0x80) {
			n--;
		}
	}
	memcpy(err->text, text, n);
	err->text[n] = '\0';
	for (size_t i = 0; i < n; i++) {
		if ((unsigned char)err->text[i] < 0x20 || err->text[i] == 0x7F) {
			err->text[i] = ' ';
		}
	}
}

enum evl_status evl_err_set(struct evl_err *err, enum evl_status status, const char *fmt, ...)
{
	if (err == NULL) {
		return status;
	}
	char buf[2048];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(buf, sizeof buf, fmt, ap);
	va_end(ap);
	put_text(err, buf);
	err->status = status;
	return status;
}

enum evl_status evl_err_prefix(struct evl_err *err, const char *fmt, ...)
{
	if (err == NULL) {
		return EVL_E_INVALID;
	}
	char buf[2048 + sizeof err->text];
	va_list ap;
	va_start(ap, fmt);
	int n = vsnprintf(buf, 1024, fmt, ap);
	va_end(ap);
	if (n < 0) {
		n = 0;
	} else if (n > 1023) {
		n = 1023;
	}
	snprintf(buf + n, sizeof buf - (size_t)n, ": %s", err->text);
	put_text(err, buf);
	return err->status;
}

_Noreturn void evl_require_failed(const char *expr, const char *file, int line)
{
	fprintf(stderr, "evenlode: internal mistake at %s:%d: %s does not hold; please report it\n",
		file, line, expr);
	abort();
}

static void *or_die(void *p)
{
	if (p == NULL) {
		fputs("evenlode: out of memory\n", stderr);
		abort();
	}
	return p;
}

void *evl_xmalloc(unsigned long size)
{
	return or_die(malloc(size ? size : 1));
}

void *evl_xcalloc(unsigned long n, unsigned long size)
{
	return or_die(calloc(n ? n : 1, size ? size : 1));
}

void *evl_xrealloc(void *old, unsigned long size)
{
	return or_die(realloc(old, size ? size : 1));
}

char *evl_xstrdup(const char *text)
{
	size_t n = strlen(text) + 1;
	return memcpy(evl_xmalloc(n), text, n);
}
