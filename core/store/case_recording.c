/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/case_recording.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/store/internal.h"

/* Row: name, path, build, run. */
static enum evl_status keep(struct evl_case_recording *out, struct evl_store *store,
	sqlite3_stmt *stmt, enum evl_case_recording_kind kind, struct evl_err *err)
{
	const char *text[3];
	size_t bytes = 0;
	for (int i = 0; i < 3; i++) {
		text[i] = (const char *)sqlite3_column_text(stmt, i);
		text[i] = text[i] != NULL ? text[i] : "";
		bytes += strlen(text[i]) + 1;
	}
	char *at = malloc(bytes);
	if (at == NULL) {
		return evl_err_set(err, EVL_E_NOMEM,
			"%s: out of memory for the name of a recording", store->path);
	}
	out->memory = at;
	const char **to[] = {&out->name, &out->path, &out->build};
	for (int i = 0; i < 3; i++) {
		size_t n = strlen(text[i]) + 1;
		*to[i] = memcpy(at, text[i], n);
		at += n;
	}
	out->run = sqlite3_column_int64(stmt, 3);
	out->kind = kind;
	return EVL_OK;
}

static enum evl_status find_made(struct evl_case_recording *out, struct evl_store *store,
	int64_t run, const char *case_name, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT r.name, r.path, run.build, r.run FROM recording r JOIN case_ k ON "
		"k.run=r.run AND k.ordinal=r.case_no JOIN run ON run.run=r.run WHERE r.run=?1 AND "
		"k.name=?2 AND r.finished=1 ORDER BY r.ordinal",
		err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, run);
	sqlite3_bind_text(stmt, 2, case_name, -1, SQLITE_STATIC);
	int rc;
	while (st == EVL_OK && (rc = sqlite3_step(stmt)) != SQLITE_DONE) {
		if (rc != SQLITE_ROW) {
			st = store_db_error(store, "recording", err);
		} else if (out->name != NULL) {
			out->more++;
		} else {
			st = keep(out, store, stmt, EVL_RECORDING_MADE, err);
		}
	}
	sqlite3_finalize(stmt);
	return st;
}

/* What streams that are played from a recording say of themselves (core/script): "recording NAME,
 * CHANNEL", with 40 bytes of the name at most. */
static bool names(const char *description, const char *recording)
{
	char head[64];
	int n = snprintf(head, sizeof head, "recording %.40s, ", recording);
	return n > 0 && strncmp(description, head, (size_t)n) == 0;
}

/* Among the runs that a campaign can have taken it from: the reference run that was named, else the
 * passed ones before, newest first; the run itself where there was none. */
static enum evl_status find_replayed(struct evl_case_recording *out, struct evl_store *store,
	int64_t run, const char *description, struct evl_err *err)
{
	sqlite3_stmt *stmt = NULL;
	enum evl_status st = store_prepare(&stmt, store,
		"SELECT r.name, r.path, m.build, r.run FROM run JOIN run m ON m.run<=run.run JOIN "
		"recording r ON r.run=m.run WHERE run.run=?1 AND r.finished=1 AND "
		"CASE WHEN run.reference_run IS NOT NULL THEN m.run=run.reference_run ELSE "
		"m.run=run.run OR (m.campaign_name=run.campaign_name AND m.verdict='pass' AND "
		"m.state='finished') END ORDER BY m.run=run.run, m.run DESC, r.ordinal DESC",
		err);
	if (st != EVL_OK) {
		return st;
	}
	sqlite3_bind_int64(stmt, 1, run);
	int rc;
	while (st == EVL_OK && out->name == NULL && (rc = sqlite3_step(stmt)) != SQLITE_DONE) {
		if (rc != SQLITE_ROW) {
			st = store_db_error(store, "recording", err);
		} else if (sqlite3_column_text(stmt, 0) != NULL &&
			   names(description, (const char *)sqlite3_column_text(stmt, 0))) {
			st = keep(out, store, stmt, EVL_RECORDING_REPLAYED, err);
		}
	}
	sqlite3_finalize(stmt);
	return st;
}

enum evl_status evl_store_recording_of_case(struct evl_case_recording *out, struct evl_store *store,
	int64_t run, const char *case_name, struct evl_err *err)
{
	*out = (struct evl_case_recording){0};
	enum evl_status st = find_made(out, store, run, case_name, err);
	sqlite3_stmt *stmt = NULL;
	if (st == EVL_OK && out->name == NULL) {
		st = store_prepare(&stmt, store,
			"SELECT s.description FROM stream s JOIN case_ k ON k.run=s.run AND "
			"k.ordinal=s.case_no WHERE s.run=?1 AND k.name=?2 AND s.direction='sent' "
			"AND substr(s.description, 1, 10)='recording ' ORDER BY s.take_no, "
			"s.channel_no LIMIT 1",
			err);
	}
	if (stmt != NULL) {
		sqlite3_bind_int64(stmt, 1, run);
		sqlite3_bind_text(stmt, 2, case_name, -1, SQLITE_STATIC);
		int rc = sqlite3_step(stmt);
		const char *text =
			rc == SQLITE_ROW ? (const char *)sqlite3_column_text(stmt, 0) : NULL;
		if (text != NULL) {
			st = find_replayed(out, store, run, text, err);
		} else if (rc != SQLITE_DONE && rc != SQLITE_ROW) {
			st = store_db_error(store, "stream", err);
		}
		sqlite3_finalize(stmt);
	}
	if (st != EVL_OK) {
		evl_case_recording_finish(out);
	}
	return st;
}

void evl_case_recording_finish(struct evl_case_recording *r)
{
	free(r->memory);
	*r = (struct evl_case_recording){0};
}
