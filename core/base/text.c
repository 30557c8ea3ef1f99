/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

static void reserve(struct evl_text *t, size_t more)
{
	if (t->len + more + 1 <= t->cap) {
		return;
	}
	size_t cap = t->cap ? t->cap : 64;
	while (cap < t->len + more + 1) {
		cap *= 2;
	}
	t->data = evl_xrealloc(t->data, cap);
	t->cap = cap;
}

void evl_text_addn(struct evl_text *t, const char *s, size_t n)
{
	reserve(t, n);
	memcpy(t->data + t->len, s, n);
	t->len += n;
	t->data[t->len] = '\0';
}

void evl_text_add(struct evl_text *t, const char *s)
{
	evl_text_addn(t, s, strlen(s));
}

void evl_text_addf(struct evl_text *t, const char *fmt, ...)
{
	va_list ap;
	va_start(ap, fmt);
	va_list again;
	va_copy(again, ap);
	int n = vsnprintf(NULL, 0, fmt, ap);
	va_end(ap);
	evl_require(n >= 0);
	reserve(t, (size_t)n);
	vsnprintf(t->data + t->len, (size_t)n + 1, fmt, again);
	va_end(again);
	t->len += (size_t)n;
}

/* Length of the well-formed UTF-8 character at s, 0 when it is not one (RFC 3629 clause 4). */
static size_t utf8_len(const unsigned char *s)
{
	if (s[0] < 0x80) {
		return 1;
	}
	if (s[0] >= 0xC2 && s[0] <= 0xDF && (s[1] & 0xC0) == 0x80) {
		return 2;
	}
	if ((s[0] & 0xF0) == 0xE0 && (s[1] & 0xC0) == 0x80 && (s[2] & 0xC0) == 0x80) {
		unsigned cp = (s[0] & 15u) << 12 | (s[1] & 63u) << 6 | (s[2] & 63u);
		return cp >= 0x800 && (cp < 0xD800 || cp > 0xDFFF) ? 3 : 0;
	}
	if (s[0] >= 0xF0 && s[0] <= 0xF4 && (s[1] & 0xC0) == 0x80 && (s[2] & 0xC0) == 0x80 &&
		(s[3] & 0xC0) == 0x80) {
		unsigned cp = (s[0] & 7u) << 18 | (s[1] & 63u) << 12 | (s[2] & 63u) << 6 |
			(s[3] & 63u);
		return cp >= 0x10000 && cp <= 0x10FFFF ? 4 : 0;
	}
	return 0;
}

void evl_text_add_html(struct evl_text *t, const char *s)
{
	const unsigned char *p = (const unsigned char *)s;
	while (*p) {
		size_t n = utf8_len(p);
		if (n == 0 || (*p < 0x20 && *p != '\n' && *p != '\t') || *p == 0x7F) {
			evl_text_add(t, "\xEF\xBF\xBD");
			p++;
			continue;
		}
		switch (*p) {
		case '&':
			evl_text_add(t, "&amp;");
			break;
		case '<':
			evl_text_add(t, "&lt;");
			break;
		case '>':
			evl_text_add(t, "&gt;");
			break;
		case '"':
			evl_text_add(t, "&quot;");
			break;
		case '\'':
			evl_text_add(t, "&#39;");
			break;
		default:
			evl_text_addn(t, (const char *)p, n);
		}
		p += n;
	}
}

const char *evl_text_str(const struct evl_text *t)
{
	return t->data ? t->data : "";
}

void evl_text_finish(struct evl_text *t)
{
	free(t->data);
	*t = (struct evl_text){0};
}
