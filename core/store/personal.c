/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Personal data of a run: out of the rows, which go into dossiers, into a table of its own. In its
 * place stands "[withheld 3]"; row 3 of `personal` holds SHA-256(salt || text). The salt is secret
 * and random: the digits of a subscriber are few enough to be found by trying otherwise.
 */
#include <inttypes.h>
#include <openssl/rand.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/personal.h"
#include "core/store/internal.h"
#include "core/store/store_read.h"

enum { SALT_BYTES = 16 };

/* The number of a text, from 0: that of an earlier row with the same text, else a new one. */
static enum evl_status number_of(
	int64_t *number, struct evl_store *store, const char *text, size_t len, struct evl_err *err)
{
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(
		&stmt, store, "SELECT ordinal FROM personal_clear WHERE run=?1 AND text=?2", err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, store->run);
	sqlite3_bind_text(stmt, 2, text, (int)len, SQLITE_STATIC);
	int rc = sqlite3_step(stmt);
	*number = rc == SQLITE_ROW ? sqlite3_column_int64(stmt, 0) : -1;
	sqlite3_finalize(stmt);
	if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
		return store_db_error(store, "personal_clear", err);
	}
	if (*number >= 0) {
		return EVL_OK;
	}
	st = store_int(
		number, store, "SELECT count(*) FROM personal WHERE run=?1", store->run, 0, err);
	uint8_t salt[SALT_BYTES], digest[EVL_SHA256_BYTES];
	char salt_hex[2 * SALT_BYTES + 1], hex[EVL_SHA256_HEX];
	if (st == EVL_OK && RAND_bytes(salt, sizeof salt) != 1) {
		st = evl_err_set(err, EVL_E_IO, "%s: no random bytes for a salt", store->path);
	}
	if (st != EVL_OK) {
		return st;
	}
	struct evl_sha256 *sha = evl_sha256_create();
	evl_sha256_update(sha, salt, sizeof salt);
	evl_sha256_update(sha, text, len);
	evl_sha256_peek(sha, digest);
	evl_sha256_destroy(sha);
	evl_hex(salt, sizeof salt, salt_hex);
	evl_hex(digest, sizeof digest, hex);
	const struct cell cells[] = {
		{.number = store->run}, {.number = *number}, {.text = hex, .len = strlen(hex)}};
	st = store_insert_cells(store, T_PERSONAL, cells, err);
	if (st == EVL_OK) {
		st = store_chain_append(store, &store_tables[T_PERSONAL], cells, err);
	}
	if (st == EVL_OK) {
		st = store_prepare(
			&stmt, store, "INSERT INTO personal_clear VALUES(?1,?2,?3,?4)", err);
	}
	if (st == EVL_OK) {
		sqlite3_bind_int64(stmt, 1, store->run);
		sqlite3_bind_int64(stmt, 2, *number);
		sqlite3_bind_text(stmt, 3, salt_hex, -1, SQLITE_STATIC);
		sqlite3_bind_text(stmt, 4, text, (int)len, SQLITE_STATIC);
		if (sqlite3_step(stmt) != SQLITE_DONE) {
			st = store_db_error(store, "personal_clear", err);
		}
		sqlite3_finalize(stmt);
	}
	return st;
}

enum evl_status store_withhold(
	char **out, struct evl_store *store, const char *text, struct evl_err *err)
{
	const char *begin, *end, *next;
	*out = NULL;
	if (evl_personal_find(text, &end, &next) == NULL) {
		return EVL_OK;
	}
	struct evl_text t = {0};
	enum evl_status st = EVL_OK;
	while (st == EVL_OK && (begin = evl_personal_find(text, &end, &next)) != NULL) {
		int64_t number = 0;
		st = number_of(&number, store, begin, (size_t)(end - begin), err);
		evl_text_addn(&t, text, (size_t)(begin - text) - (sizeof EVL_PERSONAL_BEGIN - 1));
		evl_text_addf(&t, "[withheld %" PRId64 "]", number + 1);
		text = next;
	}
	evl_text_add(&t, text);
	if (st == EVL_OK) {
		*out = evl_xstrdup(evl_text_str(&t));
	}
	evl_text_finish(&t);
	return st;
}

enum evl_status store_withhold_cells(struct evl_store *store, const struct table *t,
	struct cell *cells, char **owned, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	const char *end, *next;
	for (int i = 0; st == EVL_OK && i < t->column_count; i++) {
		char *text = NULL;
		if (t->columns[i].type != COL_TEXT || t->columns[i].flags & COL_EXACT ||
			cells[i].text == NULL) {
			continue;
		}
		if (t == &store_tables[T_RUN]) { /* is there before anything that belongs to it */
			text = evl_personal_find(cells[i].text, &end, &next) != NULL
				       ? evl_personal_hidden(cells[i].text)
				       : NULL;
		} else {
			st = store_withhold(&text, store, cells[i].text, err);
		}
		if (text != NULL) {
			free(owned[i]);
			owned[i] = text;
			cells[i].text = text;
			cells[i].len = strlen(text);
		}
	}
	return st;
}

/* ---- for the laboratory itself ---- */

enum evl_status evl_store_personal(
	struct evl_personal *out, struct evl_store *store, int64_t run, struct evl_err *err)
{
	*out = (struct evl_personal){0};
	sqlite3_stmt *stmt;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT salt, text FROM personal_clear WHERE run=?1 ORDER BY ordinal", err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, run);
	int rc;
	while ((rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		const char *salt = (const char *)sqlite3_column_text(stmt, 0);
		const char *text = (const char *)sqlite3_column_text(stmt, 1);
		out->list = evl_xrealloc(out->list, (out->count + 1) * sizeof *out->list);
		out->list[out->count].salt = evl_xstrdup(salt != NULL ? salt : "");
		out->list[out->count].text = evl_xstrdup(text != NULL ? text : "");
		out->count++;
	}
	st = rc == SQLITE_DONE ? EVL_OK : store_db_error(store, "personal_clear", err);
	sqlite3_finalize(stmt);
	return st;
}

void evl_personal_finish(struct evl_personal *p)
{
	for (size_t i = 0; i < p->count; i++) {
		free(p->list[i].salt);
		free(p->list[i].text);
	}
	free(p->list);
	*p = (struct evl_personal){0};
}

static char *filled_in(
	const struct evl_personal *p, const char *text, const char *before, const char *after)
{
	static const char mark[] = "[withheld ";
	struct evl_text out = {0};
	const char *at;
	while ((at = strstr(text, mark)) != NULL) {
		char *rest = NULL;
		const char *digits = at + sizeof mark - 1;
		unsigned long long n =
			*digits >= '1' && *digits <= '9' ? strtoull(digits, &rest, 10) : 0;
		bool known = n >= 1 && n <= p->count && *rest == ']';
		evl_text_addn(&out, text, (size_t)((known ? at : digits) - text));
		if (known) {
			evl_text_add(&out, before);
			evl_text_add(&out, p->list[n - 1].text);
			evl_text_add(&out, after);
		}
		text = known ? rest + 1 : digits;
	}
	evl_text_add(&out, text);
	char *copy = evl_xstrdup(evl_text_str(&out));
	evl_text_finish(&out);
	return copy;
}

char *evl_personal_shown(const struct evl_personal *p, const char *text)
{
	return filled_in(p, text, "", "");
}

enum evl_status store_withhold_again(struct evl_store *store, const struct evl_personal *p,
	const struct table *t, struct cell *cells, char **owned, struct evl_err *err)
{
	for (int i = 0; p->count > 0 && i < t->column_count; i++) {
		if (t->columns[i].type == COL_TEXT && cells[i].text != NULL) {
			owned[i] =
				filled_in(p, cells[i].text, EVL_PERSONAL_BEGIN, EVL_PERSONAL_END);
			cells[i].text = owned[i];
			cells[i].len = strlen(owned[i]);
		}
	}
	return store_withhold_cells(store, t, cells, owned, err);
}
