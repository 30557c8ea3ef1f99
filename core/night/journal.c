/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/journal.h"

#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/base/text.h"

#define JOURNAL_BYTES_MAX (64u * 1024u * 1024u)

static char *path_of(const char *store)
{
	struct evl_text t = {0};
	evl_text_addf(&t, "%s.night", store);
	return t.data;
}

static enum evl_status damaged(const struct evl_night_journal *j, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_CORRUPT,
		"%s: is no journal of a night; move it away, and the next night begins anew",
		j->path);
}

/* ---- reading ---- */

static bool number(int64_t *out, const json_t *o, const char *key)
{
	const json_t *v = json_object_get(o, key);
	*out = json_integer_value(v);
	return json_is_integer(v);
}

static char *text_of(const json_t *o, const char *key)
{
	const char *s = json_string_value(json_object_get(o, key));
	return s != NULL && s[0] != '\0' ? evl_xstrdup(s) : NULL;
}

static bool read_head(struct evl_night_journal *j, const json_t *o)
{
	int64_t version, left_out;
	const char *sha = json_string_value(json_object_get(o, "file_sha256"));
	const char *began = json_string_value(json_object_get(o, "began"));
	const json_t *jobs = json_object_get(o, "jobs");
	if (!number(&version, o, "evenlode_night") || version != 1 || !number(&j->to_s, o, "to") ||
		!number(&left_out, o, "left_out") || sha == NULL || began == NULL ||
		strlen(sha) != EVL_SHA256_HEX - 1 || strlen(began) >= sizeof j->began_utc ||
		!json_is_array(jobs) || json_array_size(jobs) > EVL_NIGHT_JOBS_MAX) {
		return false;
	}
	memcpy(j->file_sha256, sha, EVL_SHA256_HEX);
	memcpy(j->began_utc, began, strlen(began) + 1);
	j->left_out = (size_t)left_out;
	j->marks = evl_xcalloc(json_array_size(jobs) + 1, sizeof *j->marks);
	for (size_t i = 0; i < json_array_size(jobs); i++) {
		const json_t *one = json_array_get(jobs, i);
		int64_t job, duration;
		if (!number(&job, one, "job") || !number(&duration, one, "duration_ns") ||
			job < 0 || job >= EVL_NIGHT_JOBS_MAX || duration <= 0) {
			return false;
		}
		j->marks[j->count++] = (struct evl_night_mark){
			.job = (uint32_t)job, .duration_ns = (uint64_t)duration};
	}
	return true;
}

static bool read_note(struct evl_night_journal *j, const json_t *o)
{
	int64_t at, attempt;
	const char *kind = json_object_get(o, "begin") ? "begin"
			   : json_object_get(o, "end") ? "end"
						       : "skip";
	if (json_object_get(o, "close") != NULL) {
		free(j->closed);
		j->closed = text_of(o, "close");
		return j->closed != NULL;
	}
	if (!number(&at, o, kind) || at < 0 || (size_t)at >= j->count) {
		return false;
	}
	struct evl_night_mark *m = &j->marks[at];
	free(m->text);
	m->text = NULL;
	switch (kind[0]) {
	case 'b':
		m->state = EVL_NIGHT_BEGUN;
		if (!number(&attempt, o, "attempt") || !number(&m->after_run, o, "after_run") ||
			!number(&m->of, o, "of") || attempt < 1 || attempt > 1000) {
			return false;
		}
		m->attempt = (uint32_t)attempt;
		return true;
	case 'e': {
		const char *verdict = json_string_value(json_object_get(o, "verdict"));
		m->state = EVL_NIGHT_DONE;
		m->text = text_of(o, "message");
		return number(&m->run, o, "run") && verdict != NULL &&
		       evl_verdict_by_name(&m->verdict, verdict);
	}
	default:
		m->state = EVL_NIGHT_SKIPPED;
		m->text = text_of(o, "why");
		return true;
	}
}

static enum evl_status read_all(struct evl_night_journal *j, struct evl_err *err)
{
	char *text;
	size_t bytes;
	enum evl_status st = evl_file_read(&text, &bytes, j->path, JOURNAL_BYTES_MAX, err);
	if (st < 0) {
		return st;
	}
	size_t at = 0;
	bool head = true;
	while (st == EVL_OK && at < bytes) {
		const char *end = memchr(text + at, '\n', bytes - at);
		if (end == NULL) {
			break; /* cut short: it never happened */
		}
		size_t len = (size_t)(end - text) - at;
		json_t *o = json_loadb(text + at, len, JSON_REJECT_DUPLICATES, NULL);
		if (!json_is_object(o) || !(head ? read_head(j, o) : read_note(j, o))) {
			st = damaged(j, err);
		}
		json_decref(o);
		head = false;
		at += len + 1;
	}
	if (st == EVL_OK && head) {
		st = damaged(j, err);
	}
	if (st == EVL_OK && at < bytes && ftruncate(j->fd, (off_t)at) != 0) {
		st = evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", j->path, strerror(errno));
	}
	free(text);
	return st;
}

static enum evl_status take_file(struct evl_night_journal *j, struct evl_err *err)
{
	j->fd = open(j->path, O_RDWR | O_APPEND | O_CLOEXEC);
	if (j->fd < 0) {
		return errno == ENOENT
			       ? evl_err_set(err, EVL_E_NOTFOUND,
					 "%s: there is no journal, so no night was broken off",
					 j->path)
			       : evl_err_set(err, EVL_E_IO, "%s: cannot be opened: %s", j->path,
					 strerror(errno));
	}
	if (flock(j->fd, LOCK_EX | LOCK_NB) != 0) {
		return evl_err_set(err, EVL_E_CONFLICT,
			"%s: another process is running this night; wait for its end, or stop it",
			j->path);
	}
	return EVL_OK;
}

enum evl_status evl_night_journal_open(
	struct evl_night_journal *out, const char *store, struct evl_err *err)
{
	*out = (struct evl_night_journal){.fd = -1, .path = path_of(store)};
	enum evl_status st = take_file(out, err);
	if (st == EVL_OK) {
		st = read_all(out, err);
	}
	if (st < 0) {
		evl_night_journal_finish(out);
	}
	return st;
}

enum evl_status evl_night_journal_begin(struct evl_night_journal *out, const char *store,
	const struct evl_night_plan *plan, const char *began_utc, struct evl_err *err)
{
	*out = (struct evl_night_journal){.fd = -1, .path = path_of(store)};
	const struct evl_timetable *t = &plan->table;
	json_t *jobs = json_array();
	for (size_t k = 0; k < t->placed; k++) {
		uint32_t job = plan->by_table[t->order[k]];
		json_array_append_new(jobs,
			json_pack("{s:I, s:I, s:s}", "job", (json_int_t)job, "duration_ns",
				(json_int_t)plan->jobs[job].duration_ns, "id", plan->jobs[job].id));
	}
	json_t *o = json_pack("{s:i, s:s, s:s, s:s, s:I, s:I, s:o}", "evenlode_night", 1, "night",
		plan->file->name, "file_sha256", plan->file->sha256, "began", began_utc, "to",
		(json_int_t)plan->to_s, "left_out", (json_int_t)(plan->job_count - t->placed),
		"jobs", jobs);
	evl_require(o != NULL);
	char *line = json_dumps(o, JSON_COMPACT);
	struct evl_text text = {0};
	evl_text_addf(&text, "%s\n", line);
	enum evl_status st = evl_file_write(out->path, text.data, text.len, err);
	free(line);
	json_decref(o);
	evl_text_finish(&text);
	if (st == EVL_OK) {
		st = take_file(out, err);
	}
	if (st == EVL_OK) {
		st = read_all(out, err);
	}
	if (st < 0) {
		evl_night_journal_finish(out);
	}
	return st;
}

void evl_night_journal_finish(struct evl_night_journal *j)
{
	if (j->fd >= 0) {
		close(j->fd);
	}
	for (size_t i = 0; i < j->count; i++) {
		free(j->marks[i].text);
	}
	free(j->marks);
	free(j->path);
	free(j->closed);
	*j = (struct evl_night_journal){.fd = -1};
}

/* ---- writing ---- */

/* Releases `o`. On the disk, and in the marks, or neither. */
static enum evl_status append(struct evl_night_journal *j, json_t *o, struct evl_err *err)
{
	evl_require(o != NULL);
	char *line = json_dumps(o, JSON_COMPACT);
	evl_require(line != NULL);
	size_t len = strlen(line);
	line[len++] = '\n'; /* in the place of the NUL */
	enum evl_status st = EVL_OK;
	for (size_t at = 0; at < len;) {
		ssize_t n = write(j->fd, line + at, len - at);
		if (n < 0 && errno != EINTR) {
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", j->path,
				strerror(errno));
			break;
		}
		at += n > 0 ? (size_t)n : 0;
	}
	if (st == EVL_OK && fsync(j->fd) != 0) {
		st = evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", j->path, strerror(errno));
	}
	if (st == EVL_OK) {
		evl_require(read_note(j, o));
	}
	free(line);
	json_decref(o);
	return st;
}

enum evl_status evl_night_note_begin(struct evl_night_journal *j, size_t mark, uint32_t attempt,
	int64_t after_run, int64_t of, struct evl_err *err)
{
	return append(j,
		json_pack("{s:I, s:I, s:I, s:I}", "begin", (json_int_t)mark, "attempt",
			(json_int_t)attempt, "after_run", (json_int_t)after_run, "of",
			(json_int_t)of),
		err);
}

/* Messages may hold bytes of adapters that are no UTF-8. */
static json_t *safe(const char *text)
{
	json_t *s = json_string(text != NULL ? text : "");
	return s != NULL ? s : json_string("(a message that is no UTF-8 text)");
}

enum evl_status evl_night_note_end(struct evl_night_journal *j, size_t mark, int64_t run,
	enum evl_verdict verdict, const char *message, struct evl_err *err)
{
	return append(j,
		json_pack("{s:I, s:I, s:s, s:o}", "end", (json_int_t)mark, "run", (json_int_t)run,
			"verdict", evl_verdict_name(verdict), "message", safe(message)),
		err);
}

enum evl_status evl_night_note_skip(
	struct evl_night_journal *j, size_t mark, const char *why, struct evl_err *err)
{
	return append(j, json_pack("{s:I, s:o}", "skip", (json_int_t)mark, "why", safe(why)), err);
}

enum evl_status evl_night_note_close(
	struct evl_night_journal *j, const char *why, struct evl_err *err)
{
	return append(j, json_pack("{s:o}", "close", safe(why)), err);
}
