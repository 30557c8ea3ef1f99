/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/canonical.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

#define SAFE_INTEGER ((INT64_C(1) << 53) - 1) /* RFC 8785, appendix D */

static void put_string(struct evl_text *out, const char *s, size_t len)
{
	evl_text_add(out, "\"");
	for (size_t i = 0; i < len; i++) {
		unsigned char c = (unsigned char)s[i];
		static const char named[] = "\b\t\n\f\r\"\\";
		static const char *const as[] = {"\\b", "\\t", "\\n", "\\f", "\\r", "\\\"", "\\\\"};
		const char *at = c == 0 ? NULL : strchr(named, c);
		if (at != NULL) {
			evl_text_add(out, as[at - named]);
		} else if (c < 0x20) {
			evl_text_addf(out, "\\u%04x", c);
		} else {
			evl_text_addn(out, s + i, 1);
		}
	}
	evl_text_add(out, "\"");
}

/* One UTF-16 code unit after the other; *low holds the second of a pair. UTF-8 is valid here. */
static unsigned next_unit(const unsigned char **s, unsigned *low)
{
	unsigned c = **s;
	if (*low != 0) {
		c = *low;
		*low = 0;
		return c;
	}
	if (c == 0) {
		return 0;
	}
	int more = c < 0x80 ? 0 : c < 0xE0 ? 1 : c < 0xF0 ? 2 : 3;
	c &= more == 0 ? 0x7F : 0x3Fu >> more;
	for ((*s)++; more > 0; more--, (*s)++) {
		c = c << 6 | (**s & 0x3F);
	}
	if (c < 0x10000) {
		return c;
	}
	*low = 0xDC00 | ((c - 0x10000) & 0x3FF);
	return 0xD800 | ((c - 0x10000) >> 10);
}

/* RFC 8785 3.2.3: by UTF-16 code units, which is not the order of UTF-8 bytes. */
static int compare_names(const void *a, const void *b)
{
	const unsigned char *x = *(const unsigned char *const *)a;
	const unsigned char *y = *(const unsigned char *const *)b;
	unsigned low[2] = {0, 0};
	for (;;) {
		unsigned u = next_unit(&x, &low[0]);
		unsigned v = next_unit(&y, &low[1]);
		if (u != v || u == 0) {
			return (u > v) - (u < v);
		}
	}
}

/* RFC 8785 3.2.2.3: as ECMAScript writes a number (ECMA-262, Number::toString): the fewest digits
 * that give the same double again. */
static void put_real(struct evl_text *out, double d)
{
	char text[40];
	char digits[24];
	int k = 0;
	int precision = 0;
	if (d == 0) {
		evl_text_add(out, "0"); /* also of -0 */
		return;
	}
	do {
		snprintf(text, sizeof text, "%.*e", precision, d);
	} while (strtod(text, NULL) != d && ++precision < 17);
	const char *c = text;
	if (*c == '-') {
		evl_text_add(out, "-");
		c++;
	}
	for (; *c != 'e'; c++) {
		if (*c >= '0' && *c <= '9') {
			digits[k++] = *c;
		}
	}
	int n = atoi(c + 1) + 1; /* the value is 0.digits times 10 to the n */
	digits[k] = '\0';
	if (k <= n && n <= 21) {
		evl_text_add(out, digits);
		for (int i = k; i < n; i++) {
			evl_text_add(out, "0");
		}
	} else if (n > 0 && n <= 21) {
		evl_text_addf(out, "%.*s.%s", n, digits, digits + n);
	} else if (n > -6 && n <= 0) {
		evl_text_add(out, "0.");
		for (int i = n; i < 0; i++) {
			evl_text_add(out, "0");
		}
		evl_text_add(out, digits);
	} else {
		evl_text_addf(out, "%c%s%se%c%d", digits[0], k > 1 ? "." : "", digits + 1,
			n - 1 < 0 ? '-' : '+', abs(n - 1));
	}
}

static bool put_object(struct evl_text *out, const json_t *value)
{
	json_t *object = (json_t *)(uintptr_t)value; /* jansson's iterators do not alter it */
	size_t n = json_object_size(object);
	const char **names = evl_xcalloc(n, sizeof *names);
	size_t i = 0;
	bool ok = true;
	for (void *it = json_object_iter(object); it != NULL;
		it = json_object_iter_next(object, it)) {
		names[i++] = json_object_iter_key(it);
	}
	qsort(names, n, sizeof *names, compare_names);
	evl_text_add(out, "{");
	for (i = 0; i < n && ok; i++) {
		evl_text_add(out, i == 0 ? "" : ",");
		put_string(out, names[i], strlen(names[i]));
		evl_text_add(out, ":");
		ok = evl_canonical_json(out, json_object_get(object, names[i]));
	}
	evl_text_add(out, "}");
	free(names);
	return ok;
}

bool evl_canonical_json(struct evl_text *out, const json_t *value)
{
	switch (json_typeof(value)) {
	case JSON_OBJECT:
		return put_object(out, value);
	case JSON_ARRAY:
		evl_text_add(out, "[");
		for (size_t i = 0; i < json_array_size(value); i++) {
			evl_text_add(out, i == 0 ? "" : ",");
			if (!evl_canonical_json(out, json_array_get(value, i))) {
				return false;
			}
		}
		evl_text_add(out, "]");
		return true;
	case JSON_STRING:
		put_string(out, json_string_value(value), json_string_length(value));
		return true;
	case JSON_INTEGER:
		evl_text_addf(out, "%lld", (long long)json_integer_value(value));
		return llabs((long long)json_integer_value(value)) <= SAFE_INTEGER;
	case JSON_REAL:
		put_real(out, json_real_value(value)); /* JSON has no infinity, nor jansson */
		return true;
	case JSON_TRUE:
		evl_text_add(out, "true");
		return true;
	case JSON_FALSE:
		evl_text_add(out, "false");
		return true;
	case JSON_NULL:
		evl_text_add(out, "null");
		return true;
	default:
		return false;
	}
}
