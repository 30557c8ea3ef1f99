/* SPDX-License-Identifier: Apache-2.0 */
/* Results into the store as they happen, and recordings out of it. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <jansson.h>

#include "core/base/file.h"
#include "core/base/text.h"
#include "core/script/internal.h"

void evl_keep_status(struct run_state *r, enum evl_status st, const struct evl_err *err)
{
	if (st < 0 && r->store_status == EVL_OK) {
		r->store_status = st;
		r->store_err = *err;
	}
}

void evl_utc_now(char out[32])
{
	time_t now = time(NULL);
	struct tm tm;
	evl_require(gmtime_r(&now, &tm) != NULL);
	strftime(out, 32, "%Y-%m-%dT%H:%M:%SZ", &tm);
}

struct pair {
	const char *name;
	const char *value; /* left out when empty */
};

static char *json_pairs(const struct pair *pairs, size_t n)
{
	json_t *o = json_object();
	for (size_t i = 0; i < n; i++) {
		if (pairs[i].value[0] != '\0') {
			json_object_set_new(o, pairs[i].name, json_string(pairs[i].value));
		}
	}
	char *text = json_dumps(o, JSON_SORT_KEYS | JSON_COMPACT);
	json_decref(o);
	evl_require(text != NULL);
	return text;
}

static enum evl_status keep_files(struct run_state *r, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < r->campaign->file_count && st == EVL_OK; i++) {
		const struct campaign_file *f = &r->campaign->files[i];
		struct evl_row_file row = {.ordinal = (int)i,
			.name = f->name,
			.purpose = f->purpose,
			.bytes = (int64_t)f->bytes,
			.sha256 = f->sha256};
		st = evl_store_add_file(r->store, &row, err);
	}
	return st;
}

static enum evl_status keep_bench(struct run_state *r, struct evl_err *err)
{
	const struct evl_bench *bench = r->lab.bench;
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < bench->adapter_count && st == EVL_OK; i++) {
		const struct evl_adapter *a = evl_loaded_adapter(r->lab.loaded[i]);
		const struct evl_identity *is = &r->lab.identities[i];
		bool stands_for = strcmp(is->name, a->name) != 0;
		char abi[24], what[400];
		char caps[80];
		snprintf(abi, sizeof abi, "%u.%u", a->abi_major, a->abi_minor);
		snprintf(caps, sizeof caps, "%s%s%s",
			(is->capabilities & EVL_CAP_VIRTUAL_TIME) ? "virtual-time " : "",
			(is->capabilities & EVL_CAP_HW_TIMESTAMPS) ? "hardware-time-stamps " : "",
			(is->capabilities & EVL_CAP_SIMULATED) ? "simulated " : "");
		snprintf(what, sizeof what, "%s %s in a child process: %s", is->name, is->release,
			is->description);
		caps[strlen(caps) > 0 ? strlen(caps) - 1 : 0] = '\0';
		struct evl_row_adapter row = {.ordinal = (int)i,
			.instance = bench->adapters[i].name,
			.driver = bench->adapters[i].driver,
			.version = a->version,
			.abi = abi,
			.description = stands_for ? what : a->description,
			.capabilities = caps};
		st = evl_store_add_adapter(r->store, &row, err);
	}
	for (uint32_t i = 0; i < evl_engine_channel_count(r->engine) && st == EVL_OK; i++) {
		const struct evl_bound_channel *b = evl_engine_channel(r->engine, i);
		char klm[EVL_NUMBERING_TEXT];
		struct evl_row_channel row = {.ordinal = (int)i,
			.role = b->role,
			.number = (int)b->number,
			.klm = b->place.m != 0 ? evl_numbering_format(b->numbering, b->place, klm)
					       : NULL,
			.label = b->label,
			.adapter = bench->adapters[b->adapter].name,
			.channel = b->name,
			.rate = evl_rate_name(b->rate)};
		st = evl_store_add_channel(r->store, &row, err);
	}
	for (size_t i = 0; i < bench->caution_count && st == EVL_OK; i++) {
		struct evl_row_caution row = {.ordinal = (int)i, .text = bench->cautions[i]};
		st = evl_store_add_caution(r->store, &row, err);
	}
	return st;
}

enum evl_status evl_keep_run_begin(struct run_state *r, struct evl_err *err)
{
	const struct evl_bench *bench = r->lab.bench;
	const struct campaign *c = r->campaign;
	const struct pair unit[] = {{"description", bench->unit.description},
		{"type", bench->unit.type}, {"serial", bench->unit.serial},
		{"owner", bench->unit.owner}, {"condition", bench->unit.condition},
		{"received", bench->unit.received}};
	const struct pair lab[] = {{"name", bench->laboratory.name},
		{"address", bench->laboratory.address}, {"place", bench->laboratory.place}};
	const struct pair customer[] = {
		{"name", bench->customer.name}, {"contact", bench->customer.contact}};
	char *unit_json = json_pairs(unit, sizeof unit / sizeof *unit);
	char *lab_json = json_pairs(lab, sizeof lab / sizeof *lab);
	char *customer_json = json_pairs(customer, 2);
	char now[32];
	evl_utc_now(now);
	struct evl_text notice = {0};
	evl_text_add(&notice, c->notice);
	if (bench->notice[0] != '\0' && strcmp(bench->notice, c->notice) != 0) {
		evl_text_addf(&notice, "%s%s", notice.len > 0 ? " " : "", bench->notice);
	}
	struct evl_row_run row = {.campaign_name = c->name,
		.campaign_title = c->title,
		.campaign_version = c->version,
		.campaign_source = c->source,
		.campaign_sha256 = c->sha256,
		.bench_name = bench->name,
		.bench_title = bench->title,
		.bench_source = bench->source,
		.bench_sha256 = bench->sha256,
		.notice = evl_text_str(&notice),
		.unit_json = unit_json,
		.lab_json = lab_json,
		.customer_json = customer_json,
		.numbering = evl_numbering_name(bench->numbering.kind),
		.build = r->args->build,
		.seed = r->args->seed,
		.reference_run = r->reference_run > 0 ? r->reference_run : -1,
		.clock = r->lab.is_virtual ? "virtual" : "real",
		.simulated = r->lab.simulated,
		.software_version = "evenlode " EVL_VERSION,
		.library_sha256 = c->library_sha256,
		.started_utc = now};
	enum evl_status st = evl_store_run_begin(r->store, &r->run, &row, err);
	if (st == EVL_OK) {
		r->outcome->run = r->run;
		st = keep_bench(r, err);
	}
	if (st == EVL_OK) {
		st = keep_files(r, err);
	}
	evl_text_finish(&notice);
	free(unit_json);
	free(lab_json);
	free(customer_json);
	return st;
}

/* ---- while a take runs ---- */

static void on_second(void *ctx, const struct evl_take_second *s)
{
	struct case_run *c = ctx;
	if (s->place != EVL_PLACE_RECEIVED) {
		return; /* inside the line only totals are kept */
	}
	struct evl_row_second row = {.case_no = c->case_no,
		.take_no = c->take_no,
		.channel_no = (int)s->channel,
		.second = s->second,
		.bits = (int64_t)s->bits,
		.errors = (int64_t)s->errors,
		.in_sync = s->in_sync,
		.sync_losses = (int64_t)s->sync_losses,
		.slips = (int64_t)s->slips};
	struct evl_err err = {0};
	evl_keep_status(c->r, evl_store_put_second(c->r->store, &row, &err), &err);
}

const char *evl_keep_event_place(
	char place[EVL_EVENT_PLACE], const struct run_state *r, const struct evl_take_event *e)
{
	if (e->place == EVL_PLACE_LINE) {
		const char *line = evl_engine_channel(r->engine, e->line_channel)->label;
		if (e->channel != e->line_channel) {
			snprintf(place, EVL_EVENT_PLACE, "in %.60s", line);
		} else {
			snprintf(place, EVL_EVENT_PLACE, "client %d", (int)e->client + 1);
		}
		return place;
	}
	if (e->path > 0) {
		snprintf(place, EVL_EVENT_PLACE, "path %u", (unsigned)e->path);
		return place;
	}
	return NULL;
}

static void on_event(void *ctx, const struct evl_take_event *e)
{
	struct case_run *c = ctx;
	char place[EVL_EVENT_PLACE];
	struct evl_row_event row = {.case_no = c->case_no,
		.take_no = c->take_no,
		.channel_no = (int)e->channel,
		.at_ns = (int64_t)c->take_start_ns + e->at_ns,
		.alarm = evl_alarm_name(e->alarm),
		.raised = e->raised,
		.place = evl_keep_event_place(place, c->r, e),
		.source = e->by_unit ? "unit" : "tester",
		.consequence_of = e->cause != EVL_ALARM_NONE ? evl_alarm_name(e->cause) : NULL,
		.cause_channel_no = e->cause != EVL_ALARM_NONE ? (int)e->cause_channel : -1};
	struct evl_err err = {0};
	evl_keep_status(c->r, evl_store_add_event(c->r->store, NULL, &row, &err), &err);
}

static void on_tick(void *ctx)
{
	struct case_run *c = ctx;
	struct evl_err err = {0};
	evl_keep_status(c->r,
		evl_store_take_progress(c->r->store, c->case_no, c->take_no,
			(int64_t)(c->done_ns / EVL_FRAME_NS), &err),
		&err);
	evl_keep_status(c->r, evl_store_tick_commit(c->r->store, &err), &err);
	evl_keep_status(c->r, evl_store_tick_begin(c->r->store, &err), &err);
}

static void on_progress(void *ctx, uint64_t done, uint64_t all, uint64_t errors)
{
	struct case_run *c = ctx;
	struct run_state *r = c->r;
	(void)all;
	c->done_ns = done * EVL_FRAME_NS;
	c->errors = errors;
	/* Once for each slab of the round, by the first that has it. */
	if (c->done_ns > r->round_done_ns) {
		r->round_done_ns = c->done_ns;
		evl_cases_tell_take(r);
	}
}

void evl_keep_take_sink(struct case_run *c, struct evl_take_sink *sink)
{
	*sink = (struct evl_take_sink){.ctx = c,
		.second = on_second,
		.event = on_event,
		.progress = on_progress,
		.tick = on_tick};
}

static void keep_meter(struct case_run *c, const struct evl_take_plan *plan,
	const struct evl_take_result *result, const struct evl_take_meter *m)
{
	char name[EVL_PATTERN_NAME_MAX];
	const char *pattern = NULL;
	for (uint32_t i = 0; i < plan->part_count; i++) {
		if (m->place == EVL_PLACE_RECEIVED && plan->parts[i].channel == m->channel &&
			m->kind == EVL_CONTENT_PATTERN) {
			pattern = evl_pattern_name(name, &plan->parts[i].expected.pattern);
		}
	}
	bool inside = m->place == EVL_PLACE_LINE;
	for (uint32_t i = 0; inside && i < plan->inside_count; i++) {
		const struct evl_take_inside *in = &plan->inside[i];
		for (uint32_t k = 0; k < in->count; k++) {
			if (in->follow[k].channel == m->channel) {
				pattern = evl_pattern_name(name, &in->pattern);
			}
		}
	}
	struct evl_row_measurement row = {.case_no = c->case_no,
		.take_no = c->take_no,
		.channel_no = (int)m->channel,
		.kind = inside                           ? "pattern-in-line"
			: m->kind == EVL_CONTENT_PATTERN ? "pattern"
							 : "recording",
		.pattern = pattern,
		.in_sync = m->locked,
		.inverted = m->inverted,
		.bits = (int64_t)m->bits,
		.errors = (int64_t)m->errors,
		.seconds = (int64_t)(result->frames / EVL_FRAMES_PER_S),
		.errored_seconds = (int64_t)m->errored_seconds,
		.severely_errored_seconds = (int64_t)m->severely_errored_seconds,
		.unavailable_seconds = (int64_t)m->unavailable_seconds,
		.background_block_errors = (int64_t)m->by_blocks.background,
		.sync_losses = (int64_t)m->sync_losses,
		.slips = (int64_t)m->slips,
		.sync_bit = m->kind == EVL_CONTENT_PATTERN && m->locked ? (int64_t)m->first_lock_bit
									: -1,
		.first_error_bit = m->errors > 0 ? (int64_t)m->first_error_bit : -1,
		.found_channel_no =
			m->arrival == EVL_ARRIVAL_CROSSED ? (int)m->from_channel
			: m->arrival == EVL_ARRIVAL_NONE || m->arrival == EVL_ARRIVAL_UNKNOWN
				? -1
				: (int)m->channel,
		.delay_bits = m->delay_bits,
		.octet_slips = (int64_t)m->octet_slips,
		.moved_bits = m->moved_bits,
		.moved_least_bits = m->moved_least_bits,
		.moved_most_bits = m->moved_most_bits,
		.blocks = (int64_t)m->by_blocks.units,
		.errored_blocks = (int64_t)m->by_blocks.errored,
		.recognised = m->recognised[0] != '\0' ? m->recognised : NULL};
	struct evl_err err = {0};
	evl_keep_status(c->r, evl_store_put_measurement(c->r->store, &row, &err), &err);
	for (uint32_t i = 0; i < m->mark_count && !inside; i++) {
		struct evl_row_error_mark mark = {.case_no = c->case_no,
			.take_no = c->take_no,
			.channel_no = (int)m->channel,
			.bit_offset = (int64_t)m->marks[i]};
		evl_keep_status(c->r, evl_store_put_mark(c->r->store, &mark, &err), &err);
	}
}

void evl_keep_result(
	struct case_run *c, const struct evl_take_plan *plan, const struct evl_take_result *result)
{
	struct evl_err err = {0};
	for (uint32_t i = 0; i < result->meter_count; i++) {
		keep_meter(c, plan, result, &result->meters[i]);
	}
	evl_keep_performances(c, result);
	for (uint32_t i = 0; i < result->stream_count; i++) {
		const struct evl_take_stream *s = &result->streams[i];
		struct evl_row_stream row = {.case_no = c->case_no,
			.take_no = c->take_no,
			.channel_no = (int)s->channel,
			.direction = s->sent ? "sent" : "received",
			.description = s->source,
			.start_skew_ns = s->skew_ns,
			.bits = (int64_t)s->bits,
			.digest = s->digest[0] != '\0' ? s->digest : NULL,
			.source_digest = s->source_digest[0] != '\0' ? s->source_digest : NULL};
		evl_keep_status(c->r, evl_store_put_stream(c->r->store, &row, &err), &err);
	}
}

/* ---- recordings ---- */

static char *beside_store(struct run_state *r, const char *path)
{
	if (path[0] == '/') {
		return evl_xstrdup(path);
	}
	const char *slash = strrchr(r->args->store, '/');
	if (slash == NULL) {
		return evl_xstrdup(path);
	}
	char *dir = evl_xstrdup(r->args->store);
	dir[slash - r->args->store] = '\0';
	char *joined = evl_file_join(dir[0] != '\0' ? dir : "/", path);
	free(dir);
	return joined;
}

/* The digests that the store remembers must be those that the file holds. */
static enum evl_status same_as_stored(const struct evl_found_recording *found, struct evl_rec *rec,
	const char *path, struct evl_err *err)
{
	if (!evl_rec_is_finished(rec)) {
		return evl_err_set(err, EVL_E_CORRUPT, "%s: the recording is not whole: %s", path,
			evl_rec_missing(rec));
	}
	for (size_t i = 0; i < found->channel_count; i++) {
		uint32_t c;
		char hex[EVL_SHA256_HEX] = "";
		if (evl_rec_find(rec, found->channels[i].name, &c) &&
			evl_rec_info(rec, c)->has_digest) {
			evl_hex(evl_rec_info(rec, c)->digest, EVL_SHA256_BYTES, hex);
		}
		if (strcmp(hex, found->channels[i].digest) != 0) {
			return evl_err_set(err, EVL_E_CORRUPT,
				"%s: channel %s is not what the store recorded; the "
				"file was replaced or "
				"altered",
				path, found->channels[i].name);
		}
	}
	return EVL_OK;
}

int evl_keep_open_recording(struct run_state *r, const char *name, int64_t run, struct evl_err *err)
{
	struct evl_found_recording found = {0};
	struct evl_rec *rec = NULL;
	char *path = NULL;
	int at = -1;
	enum evl_status st =
		evl_store_find_recording(&found, r->store, r->campaign->name, name, run, err);
	if (st < 0) {
		return -1;
	}
	path = beside_store(r, found.recording.path);
	if (evl_rec_open(&rec, path, err) < 0 || same_as_stored(&found, rec, path, err) < 0) {
		evl_rec_close(rec);
		goto out;
	}
	r->recordings =
		evl_xrealloc(r->recordings, (r->recording_count + 1) * sizeof *r->recordings);
	at = (int)r->recording_count++;
	r->recordings[at] = (struct open_recording){.name = evl_xstrdup(name), .reader = rec};
	evl_recording_measure(&r->recordings[at]);
out:
	free(path);
	evl_found_recording_finish(&found);
	return at;
}
