/* SPDX-License-Identifier: Apache-2.0 */
/* Cells between row structs, SQLite and canonical texts; keys; digests of rows. */
#include "core/store/internal.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Bytes of the UTF-8 character at s (RFC 3629 clause 4), 0 when there is none. */
static size_t utf8_length(const unsigned char *s)
{
	if (s[0] < 0x80) {
		return 1;
	}
	size_t n = s[0] >= 0xC2 && s[0] <= 0xDF ? 2 : (s[0] & 0xF0) == 0xE0 ? 3 : 4;
	if (s[0] < 0xC2 || s[0] > 0xF4) {
		return 0;
	}
	for (size_t i = 1; i < n; i++) { /* a NUL ends this before the text is left */
		if ((s[i] & 0xC0) != 0x80) {
			return 0;
		}
	}
	if ((s[0] == 0xE0 && s[1] < 0xA0) || (s[0] == 0xED && s[1] > 0x9F) ||
	    (s[0] == 0xF0 && s[1] < 0x90) || (s[0] == 0xF4 && s[1] > 0x8F)) {
		return 0; /* overlong, a surrogate, or beyond U+10FFFF */
	}
	return n;
}

static bool utf8_valid(const char *text)
{
	const unsigned char *s = (const unsigned char *)text;
	while (*s != 0) {
		size_t n = utf8_length(s);
		if (n == 0) {
			return false;
		}
		s += n;
	}
	return true;
}

char *store_utf8_repaired(const char *text)
{
	struct evl_text t = {0};
	const unsigned char *s = (const unsigned char *)text;
	while (*s != 0) {
		size_t n = utf8_length(s);
		if (n == 0) {
			evl_text_add(&t, "\xEF\xBF\xBD");
			s++;
		} else {
			evl_text_addn(&t, (const char *)s, n);
			s += n;
		}
	}
	char *out = evl_xstrdup(evl_text_str(&t));
	evl_text_finish(&t);
	return out;
}

static bool one_of(const char *text, const char *const *names)
{
	while (*names != NULL && strcmp(*names, text) != 0) {
		names++;
	}
	return *names != NULL;
}

static enum evl_status text_cell(struct cell *cell, char **owned, const struct table *t,
				 const struct column *c, const char *text, struct evl_err *err)
{
	static const char *const verdicts[] = {"none", "pass",  "inconclusive",
					       "fail", "error", NULL};
	static const char *const states[] = {EVL_STATE_RUNNING, EVL_STATE_FINISHED,
					     EVL_STATE_INTERRUPTED, NULL};
	if (text == NULL) {
		if (!(c->flags & COL_OPTIONAL)) {
			return evl_err_set(err, EVL_E_INVALID, "store: %s.%s must be given",
					   t->name, c->name);
		}
		cell->null = true;
		return EVL_OK;
	}
	if (c->flags & COL_VERDICT && !one_of(text, verdicts)) {
		return evl_err_set(err, EVL_E_INVALID,
				   "store: %s.%s is \"%.40s\"; known are none, pass, inconclusive, "
				   "fail, error",
				   t->name, c->name, text);
	}
	if (c->flags & COL_STATE && !one_of(text, states)) {
		return evl_err_set(
			err, EVL_E_INVALID,
			"store: %s.%s is \"%.40s\"; known are running, finished, interrupted",
			t->name, c->name, text);
	}
	if (!utf8_valid(text)) {
		if (c->flags & COL_EXACT) {
			return evl_err_set(err, EVL_E_INVALID,
					   "store: %s.%s is no UTF-8 text; save the file as UTF-8",
					   t->name, c->name);
		}
		*owned = store_utf8_repaired(text);
		text = *owned;
	}
	cell->text = text;
	cell->len = strlen(text);
	return EVL_OK;
}

enum evl_status store_cells_from_row(struct cell *cells, char **owned, const struct table *t,
				     const void *row, struct evl_err *err)
{
	memset(owned, 0, (size_t)t->column_count * sizeof *owned);
	memset(cells, 0, (size_t)t->column_count * sizeof *cells);
	for (int i = 0; i < t->column_count; i++) {
		const struct column *c = &t->columns[i];
		const char *at = (const char *)row + c->offset;
		enum evl_status st = EVL_OK;
		switch ((enum column_type)c->type) {
		case COL_INT:
			cells[i].number = *(const int *)at;
			break;
		case COL_I64:
			cells[i].number = *(const int64_t *)at;
			break;
		case COL_BOOL:
			cells[i].number = *(const bool *)at;
			break;
		case COL_U64: {
			owned[i] = evl_xmalloc(24);
			snprintf(owned[i], 24, "%" PRIu64, *(const uint64_t *)at);
			cells[i].text = owned[i];
			cells[i].len = strlen(owned[i]);
			break;
		}
		case COL_TEXT:
			st = text_cell(&cells[i], &owned[i], t, c, *(const char *const *)at, err);
			break;
		}
		if (st == EVL_OK && c->type != COL_TEXT && c->type != COL_U64 &&
		    cells[i].number < 0) {
			if (c->flags & COL_OPTIONAL) {
				cells[i].null = true;
			} else if (c->type != COL_I64 ||
				   !(c->flags & (COL_TIME | COL_SIGNED))) {
				st = evl_err_set(err, EVL_E_INVALID,
						 "store: %s.%s is %" PRId64
						 ", it cannot be negative",
						 t->name, c->name, cells[i].number);
			}
		}
		if (st != EVL_OK) {
			store_cells_finish(owned, t);
			return st;
		}
	}
	return EVL_OK;
}

void store_cells_finish(char **owned, const struct table *t)
{
	for (int i = 0; i < t->column_count; i++) {
		free(owned[i]);
		owned[i] = NULL;
	}
}

void store_cells_from_stmt(struct cell *cells, const struct table *t, sqlite3_stmt *stmt)
{
	memset(cells, 0, (size_t)t->column_count * sizeof *cells);
	for (int i = 0; i < t->column_count; i++) {
		switch (sqlite3_column_type(stmt, i)) {
		case SQLITE_NULL:
			cells[i].null = true;
			break;
		case SQLITE_INTEGER:
			cells[i].number = sqlite3_column_int64(stmt, i);
			break;
		default: {
			const char *text = (const char *)sqlite3_column_text(stmt, i);
			cells[i].text = text != NULL ? text : "";
			cells[i].len = (size_t)sqlite3_column_bytes(stmt, i);
			break;
		}
		}
	}
}

void store_json_string(struct evl_text *out, const char *text, size_t len)
{
	evl_text_addn(out, "\"", 1);
	size_t plain = 0;
	for (size_t i = 0; i < len; i++) {
		unsigned char c = (unsigned char)text[i];
		if (c >= 0x20 && c != '"' && c != '\\') {
			continue;
		}
		evl_text_addn(out, text + plain, i - plain);
		plain = i + 1;
		static const char letters[] = "btn_fr"; /* 8, 9, 10, 12, 13 */
		if (c == '"' || c == '\\') {
			evl_text_addf(out, "\\%c", c);
		} else if (c >= 8 && c <= 13 && c != 11) {
			evl_text_addf(out, "\\%c", letters[c - 8]);
		} else {
			evl_text_addf(out, "\\u%04x", c);
		}
	}
	evl_text_addn(out, text + plain, len - plain);
	evl_text_addn(out, "\"", 1);
}

bool store_column_in_view(const struct column *c, enum row_view view)
{
	return view == VIEW_ALL ||
	       !(c->flags & COL_LOCAL || (c->flags & COL_TIME && view == VIEW_RESULTS_NO_TIME));
}

void store_canonical(struct evl_text *out, const struct table *t, const struct cell *cells,
		     enum row_view view)
{
	evl_text_addn(out, "[\"", 2);
	evl_text_add(out, t->name);
	evl_text_addn(out, "\"", 1);
	for (int i = 0; i < t->column_count; i++) {
		if (!store_column_in_view(&t->columns[i], view)) {
			continue;
		}
		evl_text_addn(out, ",\"", 2);
		evl_text_add(out, t->columns[i].name);
		evl_text_addn(out, "\",", 2);
		if (cells[i].null) {
			evl_text_addn(out, "null", 4);
		} else if (cells[i].text != NULL) {
			store_json_string(out, cells[i].text, cells[i].len);
		} else {
			evl_text_addf(out, "\"%" PRId64 "\"", cells[i].number);
		}
	}
	evl_text_addn(out, "]", 1);
}

void store_row_key(struct evl_text *out, const struct table *t, const struct cell *cells)
{
	bool first = true;
	for (int i = 0; i < t->column_count; i++) {
		if (!(t->columns[i].flags & COL_KEY) || (i == 0 && t != &store_tables[T_RUN])) {
			continue;
		}
		if (!first) {
			evl_text_addn(out, "/", 1);
		}
		first = false;
		if (cells[i].text != NULL) {
			evl_text_addn(out, cells[i].text, cells[i].len);
		} else {
			evl_text_addf(out, "%" PRId64, cells[i].number);
		}
	}
}

void store_sha256_hex(const char *text, size_t len, char hex[EVL_SHA256_HEX])
{
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_of(text, len, digest);
	evl_hex(digest, sizeof digest, hex);
}

void store_chain_link(char link[EVL_SHA256_HEX], const char *previous, const char *row)
{
	char both[2 * EVL_SHA256_HEX];
	int n = snprintf(both, sizeof both, "%s%s", previous, row);
	store_sha256_hex(both, (size_t)n, link);
}

void store_results_add(struct results *r, const char *text, size_t len)
{
	if (r->count == r->cap) {
		r->cap = r->cap > 0 ? r->cap * 2 : 256;
		r->rows = evl_xrealloc(r->rows, r->cap * sizeof *r->rows);
	}
	store_sha256_hex(text, len, r->rows[r->count++]);
}

static int by_hex(const void *a, const void *b)
{
	return memcmp(a, b, EVL_SHA256_HEX);
}

void store_results_digest(struct results *r, char hex[EVL_SHA256_HEX])
{
	if (r->count > 0) {
		qsort(r->rows, r->count, sizeof *r->rows, by_hex);
	}
	struct evl_sha256 *d = evl_sha256_create();
	for (size_t i = 0; i < r->count; i++) {
		r->rows[i][EVL_SHA256_HEX - 1] = '\n';
		evl_sha256_update(d, r->rows[i], EVL_SHA256_HEX);
		r->rows[i][EVL_SHA256_HEX - 1] = '\0';
	}
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_peek(d, digest);
	evl_sha256_destroy(d);
	evl_hex(digest, sizeof digest, hex);
}

void store_results_finish(struct results *r)
{
	free(r->rows);
	*r = (struct results){0};
}
