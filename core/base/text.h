/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A growing string for reports and messages. Always NUL-terminated.
 *
 *	struct evl_text t = {0};
 *	evl_text_addf(&t, "%d tributaries", n);
 *	fputs(evl_text_str(&t), stdout);
 *	evl_text_finish(&t);
 */
#pragma once

#include <stddef.h>

struct evl_text {
	char *data; /* owned; NULL while empty */
	size_t len; /* bytes without the NUL */
	size_t cap;
};

void evl_text_add(struct evl_text *t, const char *s);
void evl_text_addn(struct evl_text *t, const char *s, size_t n);
void evl_text_addf(struct evl_text *t, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
/* Escapes & < > " ' for HTML, SVG and XML; control characters and bad UTF-8 become U+FFFD. */
void evl_text_add_html(struct evl_text *t, const char *s);
const char *evl_text_str(const struct evl_text *t); /* "" while empty; valid until the next add */
void evl_text_finish(struct evl_text *t);	     /* frees; takes a zeroed object */
