/* SPDX-License-Identifier: Apache-2.0 */
/* Names, ranges of names, and what the user may have meant. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/internal.h"

#define NEAR_BYTES 48

static bool is_digit(char c)
{
	return c >= '0' && c <= '9';
}

bool evl_name_good(const char *name, const char *also, size_t max_bytes)
{
	size_t n = strlen(name);
	if (n == 0 || n >= max_bytes) {
		return false;
	}
	for (size_t i = 0; i < n; i++) {
		char c = name[i];
		if (!is_digit(c) && !(c >= 'a' && c <= 'z') && !(c >= 'A' && c <= 'Z') &&
		    c != '-' && c != '_' && strchr(also, c) == NULL) {
			return false;
		}
	}
	return true;
}

/* Changes between two words: one character put in, left out, replaced, or two neighbours swapped
 * (optimal string alignment distance, Damerau 1964). Words of NEAR_BYTES or more are far apart. */
static size_t distance(const char *a, const char *b)
{
	size_t rows[3][NEAR_BYTES];
	size_t n = strlen(a), m = strlen(b);
	if (n >= NEAR_BYTES || m >= NEAR_BYTES) {
		return NEAR_BYTES;
	}
	size_t *before = rows[0], *above = rows[1], *row = rows[2];
	for (size_t j = 0; j <= m; j++) {
		above[j] = j;
		before[j] = 0;
	}
	for (size_t i = 1; i <= n; i++) {
		row[0] = i;
		for (size_t j = 1; j <= m; j++) {
			size_t d = above[j - 1] + (a[i - 1] != b[j - 1]);
			d = above[j] + 1 < d ? above[j] + 1 : d;
			d = row[j - 1] + 1 < d ? row[j - 1] + 1 : d;
			if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] &&
			    before[j - 2] + 1 < d) {
				d = before[j - 2] + 1;
			}
			row[j] = d;
		}
		size_t *old = before;
		before = above;
		above = row;
		row = old;
	}
	return above[m];
}

const char *evl_nearest(const char *name, const char *const *names, size_t count)
{
	size_t limit = strlen(name) < 4 ? 1 : 2;
	const char *best = NULL;
	for (size_t i = 0; i < count; i++) {
		size_t d = distance(name, names[i]);
		if (d <= limit && strlen(names[i]) > d) {
			limit = d > 0 ? d - 1 : 0;
			best = names[i];
			if (d <= 1) {
				break;
			}
		}
	}
	return best;
}

enum evl_status evl_node_known_keys(const struct evl_reader *r, const struct evl_node *map,
				    const char *const *known)
{
	size_t count = 0;
	while (known[count]) {
		count++;
	}
	for (const struct evl_node *n = map->first; n != NULL; n = n->next) {
		bool found = false;
		for (size_t i = 0; i < count; i++) {
			found = found || strcmp(known[i], n->key) == 0;
		}
		if (found) {
			continue;
		}
		struct evl_text t = {0};
		const char *near = evl_nearest(n->key, known, count);
		if (near) {
			evl_text_addf(&t, "did you mean \"%s\"? ", near);
		}
		evl_text_add(&t, "known keys here: ");
		for (size_t i = 0; i < count; i++) {
			evl_text_addf(&t, "%s%s", i ? ", " : "", known[i]);
		}
		enum evl_status st = evl_reader_fail(r, n->line, "unknown key \"%s\"%s%s%s; %s",
						     evl_quote(n->key).s, map->key ? " in \"" : "",
						     map->key ? evl_quote(map->key).s : "",
						     map->key ? "\"" : "", evl_text_str(&t));
		evl_text_finish(&t);
		return st;
	}
	return EVL_OK;
}

/* Reads digits at *s, at most 9 of them, and moves *s behind them. */
static bool digits(uint32_t *out, const char **s, int *count)
{
	uint32_t v = 0;
	int n = 0;
	while (is_digit((*s)[n]) && n < 9) {
		v = v * 10 + (uint32_t)((*s)[n] - '0');
		n++;
	}
	if (n == 0 || is_digit((*s)[n])) {
		return false;
	}
	*s += n;
	*out = v;
	*count = n;
	return true;
}

enum evl_status evl_range_parse(struct evl_range *out, const char *text, const char **problem)
{
	*out = (struct evl_range){.prefix = text, .prefix_bytes = strcspn(text, "{}")};
	const char *s = text + out->prefix_bytes;
	out->suffix = s;
	if (*s == '\0') {
		out->plain = true;
		return EVL_OK;
	}
	int first_digits, last_digits;
	*problem = "a range is written {FIRST..LAST}, such as trib-{1..63}";
	if (*s++ != '{' || !digits(&out->first, &s, &first_digits) || s[0] != '.' || s[1] != '.') {
		return EVL_E_INVALID;
	}
	bool first_zero = s[-first_digits] == '0' && first_digits > 1;
	s += 2;
	if (!digits(&out->last, &s, &last_digits) || *s != '}') {
		return EVL_E_INVALID;
	}
	bool last_zero = s[-last_digits] == '0' && last_digits > 1;
	out->suffix = s + 1;
	if (strpbrk(out->suffix, "{}")) {
		*problem = "only one range in braces is possible in a name";
		return EVL_E_INVALID;
	}
	if (out->last < out->first) {
		*problem = "the range runs downwards; write the smaller number first";
		return EVL_E_INVALID;
	}
	if ((first_zero || last_zero) && first_digits != last_digits) {
		*problem = "with leading zeros both ends need the same number of digits, as in "
			   "{01..63}";
		return EVL_E_INVALID;
	}
	out->width = first_zero ? first_digits : 0;
	return EVL_OK;
}

bool evl_range_name(const struct evl_range *range, uint32_t i, char *out, size_t bytes)
{
	int n = range->plain ? snprintf(out, bytes, "%s", range->prefix)
			     : snprintf(out, bytes, "%.*s%0*u%s", (int)range->prefix_bytes,
					range->prefix, range->width, (unsigned)(range->first + i),
					range->suffix);
	return n >= 0 && (size_t)n < bytes;
}

enum evl_status evl_span_parse(uint32_t *first, uint32_t *last, const char *text,
			       const char **problem)
{
	const char *s = text;
	int n;
	*problem = "write a number such as 7 or a range such as 1..63";
	if (!digits(first, &s, &n)) {
		return EVL_E_INVALID;
	}
	*last = *first;
	if (*s == '\0') {
		return EVL_OK;
	}
	if (s[0] != '.' || s[1] != '.') {
		return EVL_E_INVALID;
	}
	s += 2;
	if (!digits(last, &s, &n) || *s) {
		return EVL_E_INVALID;
	}
	if (*last < *first) {
		*problem = "the range runs downwards; write the smaller number first";
		return EVL_E_INVALID;
	}
	return EVL_OK;
}
