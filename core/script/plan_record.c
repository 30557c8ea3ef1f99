/* SPDX-License-Identifier: Apache-2.0 */
/* What a take records: from the yielded plan, into the store, and back to the case. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "core/base/file.h"
#include "core/script/plan.h"

static char *meta_json(const struct build *b, const char *name)
{
	const struct run_state *r = b->r;
	json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:s}", "campaign", r->campaign->name,
		"bench", r->lab.bench->name, "build", r->args->build, "case",
		r->campaign->cases[b->c->index].name, "take", b->name, "recording", name,
		"numbering", evl_numbering_name(r->lab.bench->numbering.kind));
	evl_require(o != NULL);
	json_object_set_new(o, "seed", json_integer((json_int_t)r->args->seed));
	evl_plan_networks_meta(b, o);
	char *text = json_dumps(o, JSON_SORT_KEYS | JSON_COMPACT);
	json_decref(o);
	return text;
}

/* Name, paths and metadata of recording `n`: "as", "as 2" ... */
static enum evl_status name_recording(
	struct build *b, uint32_t n, const char *as, const char *ending, struct evl_err *err)
{
	struct record_plan *p = &b->record;
	const char *store = b->r->args->store;
	const char *slash = strrchr(store, '/');
	char path[512], number[24] = "", name[160];
	if (b->plan.record.most > 0) {
		snprintf(number, sizeof number, "-caught-%" PRIu32, n + 1);
	}
	int len = snprintf(path, sizeof path, "%s.recordings/run-%" PRId64 "-case-%d-take-%d%s.%s",
		slash != NULL ? slash + 1 : store, b->r->run, b->c->case_no + 1, b->c->take_no + 1,
		number, ending);
	if (len < 0 || (size_t)len >= sizeof path) {
		return evl_err_set(
			err, EVL_E_INVALID, "%s: the name is too long to make recordings", store);
	}
	if (n == 0) {
		snprintf(name, sizeof name, "%s", as);
	} else {
		snprintf(name, sizeof name, "%.120s %" PRIu32, as, n + 1);
	}
	const size_t dir_len = slash != NULL ? (size_t)(slash - store) + 1 : 0;
	p->names[n] = evl_xstrdup(name);
	p->paths[n] = evl_xstrdup(path);
	p->files[n] = evl_xmalloc(dir_len + (size_t)len + 1);
	memcpy(p->files[n], store, dir_len);
	memcpy(p->files[n] + dir_len, path, (size_t)len + 1);
	p->metas[n] = meta_json(b, name);
	p->numbers[n] = -1;
	return EVL_OK;
}

static void record(struct evl_take_part *p)
{
	p->capture = true;
	p->record_received = true;
	p->record_sent = p->play;
}

static enum evl_when kind_of(const char *name)
{
	static const char *const names[] = {[EVL_WHEN_PATTERN_LOST] = "pattern_lost",
		[EVL_WHEN_SLIP] = "slip",
		[EVL_WHEN_ERRORS] = "errors_above",
		[EVL_WHEN_ALARM] = "alarm"};
	int k = 0;
	while (k < EVL_WHEN_INSTANT && strcmp(names[k], name) != 0) {
		k++;
	}
	return (enum evl_when)k;
}

static enum evl_status read_conditions(struct build *b, int at, const char *field,
	struct evl_take_condition *out, uint32_t *count, struct evl_err *err)
{
	lua_State *L = b->L;
	enum evl_status st = EVL_OK;
	lua_getfield(L, at, field);
	const int list = lua_gettop(L);
	*count = (uint32_t)lua_rawlen(L, list);
	for (uint32_t i = 0; i < *count && st == EVL_OK; i++) {
		lua_rawgeti(L, list, (lua_Integer)i + 1);
		const int one = lua_gettop(L);
		const char *by = evl_plan_text(L, one, "by");
		struct evl_take_condition *c = &out[i];
		*c = (struct evl_take_condition){.kind = kind_of(evl_plan_text(L, one, "kind")),
			.above = (uint64_t)evl_plan_integer(L, one, "above"),
			.alarm = evl_alarm_by_name(evl_plan_text(L, one, "alarm")),
			.by = strcmp(by, "unit") == 0     ? EVL_BY_UNIT
			      : strcmp(by, "tester") == 0 ? EVL_BY_TESTER
							  : EVL_BY_ANY,
			.at_ns = (uint64_t)evl_plan_integer(L, one, "at_ns")};
		if (c->kind == EVL_WHEN_INSTANT) {
			char *text = evl_xstrdup(evl_plan_text(L, one, "text"));
			b->record.texts[b->record.text_count++] = text;
			c->text = text;
		} else {
			st = evl_plan_numbered(b,
				evl_binding_role(b->r->lab.binding, evl_plan_text(L, one, "role")),
				evl_plan_integer(L, one, "number"), "record", &c->first, &c->count,
				err);
		}
		lua_settop(L, list);
	}
	lua_pop(L, 1);
	return st;
}

enum evl_status evl_plan_record(struct build *b, struct evl_err *err)
{
	lua_State *L = b->L;
	struct record_plan *p = &b->record;
	struct evl_take_record *r = &b->plan.record;
	lua_getfield(L, b->table, "record");
	const int at = lua_gettop(L);
	const char *as = evl_plan_text(L, at, "as");
	if (as == NULL) {
		lua_pop(L, 1);
		return EVL_OK;
	}
	r->part.part_ns = (uint64_t)evl_plan_integer(L, at, "part_ns");
	r->part.part_bytes = (uint64_t)evl_plan_integer(L, at, "part_bytes");
	r->part.compress = evl_plan_bool(L, at, "compress");
	r->most = (uint32_t)evl_plan_integer(L, at, "most");
	r->before_ns = (uint64_t)evl_plan_integer(L, at, "before_ns");
	r->after_ns = (uint64_t)evl_plan_integer(L, at, "after_ns");
	r->until_triggered = evl_plan_bool(L, at, "until_triggered");
	r->when = p->when;
	r->mark = p->mark;
	evl_plan_roles(b, at, "roles", record);
	enum evl_status st = read_conditions(b, at, "when", p->when, &r->when_count, err);
	st = st == EVL_OK ? read_conditions(b, at, "mark", p->mark, &r->mark_count, err) : st;
	p->count = r->most > 0 ? r->most : 1;
	p->names = evl_xcalloc(p->count, sizeof *p->names);
	p->paths = evl_xcalloc(p->count, sizeof *p->paths);
	p->files = evl_xcalloc(p->count, sizeof *p->files);
	p->metas = evl_xcalloc(p->count, sizeof *p->metas);
	p->numbers = evl_xcalloc(p->count, sizeof *p->numbers);
	for (uint32_t n = 0; n < p->count && st == EVL_OK; n++) {
		st = name_recording(b, n, as,
			evl_take_record_is_set(r) ? "set"
			: r->part.compress        ? "pcapng.zst"
						  : "pcapng",
			err);
	}
	lua_pop(L, 1);
	if (st < 0) {
		return st;
	}
	char *dir = evl_xstrdup(p->files[0]);
	*strrchr(dir, '/') = '\0';
	st = evl_file_mkdirs(dir, err);
	free(dir);
	if (r->most > 0) {
		r->paths = (const char *const *)p->files;
		r->metas = (const char *const *)p->metas;
	} else {
		b->plan.record_path = p->files[0];
		b->plan.record_meta = p->metas[0];
	}
	return st;
}

void evl_plan_record_finish(struct build *b)
{
	struct record_plan *p = &b->record;
	for (uint32_t i = 0; p->names != NULL && i < p->count; i++) {
		free(p->names[i]);
		free(p->paths[i]);
		free(p->files[i]);
		free(p->metas[i]);
	}
	free(p->names);
	free(p->paths);
	free(p->files);
	free(p->metas);
	free(p->numbers);
	for (uint32_t i = 0; i < p->text_count; i++) {
		free(p->texts[i]);
	}
}

/* ---- into the store ---- */

static void begin_row(struct case_run *c, struct record_plan *p, uint32_t n)
{
	struct run_state *r = c->r;
	struct evl_err err = {0};
	struct evl_row_recording rec = {.case_no = c->case_no,
		.take_no = c->take_no,
		.name = p->names[n],
		.path = p->paths[n]};
	if (r->store_status == EVL_OK) {
		evl_keep_status(
			r, evl_store_recording_begin(r->store, &p->numbers[n], &rec, &err), &err);
	}
}

void evl_plan_record_begin(struct build *b)
{
	if (b->plan.record_path != NULL) {
		begin_row(b->c, &b->record, 0);
	}
}

static void on_recording(void *ctx, uint32_t number)
{
	struct case_run *c = ctx;
	begin_row(c, &c->waiting->record, number);
}

static void keep_mark(struct case_run *c, const struct evl_take_mark *m)
{
	struct evl_err err = {0};
	struct evl_row_mark row = {.case_no = c->case_no,
		.take_no = c->take_no,
		.at_ns = (int64_t)c->take_start_ns + m->at_ns,
		.channel_no = (int)m->channel,
		.trigger = m->trigger,
		.text = m->text,
		.recording = m->recording >= 0 ? c->waiting->record.names[m->recording] : NULL};
	evl_keep_status(c->r, evl_store_add_take_mark(c->r->store, &row, &err), &err);
}

void evl_plan_record_sink(struct evl_take_sink *sink)
{
	sink->recording = on_recording;
}

static enum evl_status end_row(
	struct build *b, uint32_t n, const struct evl_take_recording *kept, struct evl_err *err)
{
	struct run_state *r = b->r;
	struct evl_rec *rec = NULL;
	const int number = b->record.numbers[n];
	struct evl_row_recording row = {.file_sha256 = kept->finished ? kept->sha256 : NULL,
		.bytes = (int64_t)kept->bytes,
		.finished = kept->finished,
		.from_frame = (int64_t)kept->from_frame,
		.frames = (int64_t)(kept->to_frame - kept->from_frame),
		.note = kept->message[0] != '\0' ? kept->message : NULL};
	enum evl_status st = kept->finished ? evl_rec_open(&rec, b->record.files[n], err) : EVL_OK;
	for (uint32_t i = 0; rec != NULL && i < evl_rec_channel_count(rec); i++) {
		const struct evl_rec_info *info = evl_rec_info(rec, i);
		char hex[EVL_SHA256_HEX];
		evl_hex(info->digest, sizeof info->digest, hex);
		struct evl_row_recording_channel channel = {.recording_no = number,
			.ordinal = (int)i,
			.name = info->channel.name,
			.direction = evl_rec_direction_name(info->channel.direction),
			.rate = evl_rate_name(info->channel.rate),
			.bits = (int64_t)info->bits,
			.digest = hex};
		evl_keep_status(r, evl_store_put_recording_channel(r->store, &channel, err), err);
	}
	evl_rec_close(rec);
	if (st == EVL_OK) {
		evl_keep_status(r, evl_store_recording_end(r->store, number, &row, err), err);
		st = r->store_status;
	}
	return st;
}

enum evl_status evl_plan_record_end(struct build *b, const struct evl_take_result *result,
	struct take_seen *seen, struct evl_err *err)
{
	struct run_state *r = b->r;
	seen->ids = evl_xcalloc(result->recording_count, sizeof *seen->ids);
	seen->names = b->record.names;
	seen->triggered = b->plan.record.most > 0;
	seen->start_ns = b->c->take_start_ns;
	for (uint32_t i = 0; i < result->mark_count; i++) {
		keep_mark(b->c, &result->marks[i]);
	}
	for (uint32_t n = 0; n < result->recording_count; n++) {
		const struct evl_take_recording *kept = &result->recordings[n];
		seen->ids[n] = -1;
		if (r->store_status < 0) {
			return r->store_status;
		}
		enum evl_status st = end_row(b, n, kept, err);
		if (st < 0) {
			return st;
		}
		if (kept->finished) {
			seen->ids[n] = evl_keep_open_recording(r, b->record.names[n], r->run, err);
			if (seen->ids[n] < 0) {
				return EVL_E_IO;
			}
		}
	}
	return EVL_OK;
}
