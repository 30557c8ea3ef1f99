/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/evidence_rows.h"

#include <stdlib.h>
#include <string.h>

static bool take(struct evl_evidence *e, const char *what)
{
	size_t n = strlen(what);
	if ((size_t)(e->end - e->at) < n || memcmp(e->at, what, n) != 0) {
		return false;
	}
	e->at += n;
	return true;
}

/* A string without escapes, such as a digest. */
static bool take_plain(struct evl_evidence *e, char *out, size_t cap)
{
	size_t n = 0;
	if (!take(e, "\"")) {
		return false;
	}
	while (e->at < e->end && *e->at != '"' && *e->at != '\\' && n + 1 < cap) {
		out[n++] = *e->at++;
	}
	out[n] = '\0';
	return take(e, "\"");
}

/* RFC 8259 7, as far as RFC 8785 3.2.2.2 writes it: \u only for control characters. */
static bool take_escape(struct evl_evidence *e)
{
	static const char named[] = "\"\\/bfnrt";
	static const char meant[] = "\"\\/\b\f\n\r\t";
	if (e->end - e->at < 2) {
		return false;
	}
	char c = e->at[1];
	const char *at = c == '\0' ? NULL : strchr(named, c);
	if (at != NULL) {
		evl_text_addn(&e->text, &meant[at - named], 1);
		e->at += 2;
		return true;
	}
	if (c != 'u' || e->end - e->at < 6 || memcmp(e->at + 2, "00", 2) != 0) {
		return false;
	}
	char digits[3] = {e->at[4], e->at[5], '\0'};
	char byte = (char)strtol(digits, NULL, 16);
	evl_text_addn(&e->text, &byte, 1);
	e->at += 6;
	return true;
}

static bool take_text(struct evl_evidence *e)
{
	if (!take(e, "\"")) {
		return false;
	}
	e->text.len = 0;
	for (;;) {
		const char *from = e->at;
		while (e->at < e->end && *e->at != '"' && *e->at != '\\') {
			e->at++;
		}
		evl_text_addn(&e->text, from, (size_t)(e->at - from));
		if (e->at >= e->end) {
			return false;
		}
		if (*e->at == '"') {
			e->at++;
			return true;
		}
		if (!take_escape(e)) {
			return false;
		}
	}
}

void evl_evidence_begin(struct evl_evidence *e, const char *json, size_t len)
{
	/* Within a string the quotes would have backslashes in front. */
	static const char key[] = ",\"rows\":[";
	memset(e, 0, sizeof *e);
	e->at = e->end = json + len;
	for (size_t i = 0; i + sizeof key - 1 <= len; i++) {
		if (json[i] == ',' && memcmp(json + i, key, sizeof key - 1) == 0) {
			e->at = json + i + sizeof key - 1;
			return;
		}
	}
}

bool evl_evidence_next(struct evl_evidence *e)
{
	char link[EVL_SHA256_HEX];
	if (take(e, "]")) {
		e->whole = true;
		return false;
	}
	take(e, ",");
	return take(e, "{\"key\":") && take_plain(e, e->key, sizeof e->key) &&
	       take(e, ",\"link\":") && take_plain(e, link, sizeof link) && take(e, ",\"row\":") &&
	       take_plain(e, e->row, sizeof e->row) && take(e, ",\"table\":") &&
	       take_plain(e, e->table, sizeof e->table) && take(e, ",\"text\":") && take_text(e) &&
	       take(e, "}");
}

void evl_evidence_finish(struct evl_evidence *e)
{
	evl_text_finish(&e->text);
}
