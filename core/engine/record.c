/* SPDX-License-Identifier: Apache-2.0 */
/* What a take keeps: its recording, and the digests of streams that are not recorded. */
#include <inttypes.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>

#include "core/base/file.h"
#include "core/base/thread.h"
#include "core/engine/internal.h"

void evl_take_record_name(char *out, size_t cap, const struct evl_bound_role *role,
	const struct evl_bound_channel *channel, bool sent)
{
	if (role->channel_count > 1) {
		snprintf(out, cap, "%s-%u.%s", role->name, channel->number,
			sent ? "sent" : "received");
	} else {
		snprintf(out, cap, "%s.%s", role->name, sent ? "sent" : "received");
	}
}

/* A whole recording that is ended before the take: by a thread, as it waits for the disk. */
struct ending {
	pthread_t thread;
	struct evl_rec_writer *writer;
	uint8_t (*digests)[EVL_SHA256_BYTES];
	struct evl_rec_totals totals;
	enum evl_status status;
	struct evl_err err;
};

/* What the recorded channels are called. The caller frees both. */
static uint32_t list_channels(
	struct take *t, struct evl_rec_channel **out, char (**out_names)[EVL_REC_NAME_MAX])
{
	uint32_t n = 0;
	struct evl_rec_channel *list = evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *list);
	char(*names)[EVL_REC_NAME_MAX] =
		evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *names);
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		for (int sent = 1; sent >= 0; sent--) {
			if (!(sent ? p->plan->record_sent : p->plan->record_received)) {
				continue;
			}
			evl_take_record_name(names[n], sizeof names[n],
				evl_binding_role(t->engine->args.binding, p->bound->role), p->bound,
				sent);
			list[n] = (struct evl_rec_channel){.name = names[n],
				.rate = p->bound->rate,
				.direction = sent ? EVL_REC_SENT : EVL_REC_RECEIVED,
				.start_ns = t->start_ns,
				.clock_ppb = sent ? p->clock_ppb : 0};
			if (t->plan->record_path != NULL) {
				*(sent ? &p->record_sent : &p->record_received) = (int32_t)n;
			}
			n++;
		}
	}
	*out = list;
	*out_names = names;
	return n;
}

/* Bytes that the recordings of the take may have: with triggers, when each comes alone. */
static uint64_t estimate(const struct take *t)
{
	const struct evl_take_record *r = &t->plan->record;
	uint64_t frames = t->frames_all;
	if (r->most > 0) {
		/* Only their histories can overlap. */
		const uint64_t before = r->before_ns / EVL_TAKE_SLAB_NS + 1;
		const uint64_t each = before + r->after_ns / EVL_TAKE_SLAB_NS + 1;
		const uint64_t all = frames / EVL_TAKE_SLAB_FRAMES + r->most * before;
		frames = (r->most * each < all ? r->most * each : all) * EVL_TAKE_SLAB_FRAMES;
	}
	uint64_t bytes = 0;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct part *p = &t->parts[i];
		const uint64_t one = evl_pace_bytes(p->bound->rate, p->clock_ppb, frames);
		bytes += one * ((uint64_t)p->plan->record_sent + p->plan->record_received);
	}
	bytes += bytes / 100 + ((uint64_t)1 << 20); /* heads of blocks, trailer */
	return bytes;
}

static uint64_t megabytes(uint64_t bytes)
{
	return (bytes + 999999) / 1000000;
}

enum evl_status evl_record_room(
	const struct take *t, const char *path, uint64_t bytes, struct evl_err *err)
{
	const struct evl_engine_args *a = &t->engine->args;
	uint64_t left = 0;
	enum evl_status st =
		(a->free_space != NULL ? a->free_space : evl_file_free_space)(&left, path, err);
	if (st < 0 || (left >= bytes && left - bytes >= a->reserve_bytes)) {
		return st;
	}
	if (bytes > 0) {
		return evl_err_set(err, EVL_E_LIMIT,
			"take %s: its recordings may need %" PRIu64 " MB and %" PRIu64
			" MB are to stay free, but the disk of %s has only %" PRIu64
			" MB left; make room, record less, or choose another reserve",
			t->plan->name, megabytes(bytes), megabytes(a->reserve_bytes), path,
			left / 1000000);
	}
	return evl_err_set(err, EVL_E_LIMIT,
		"ended because the disk has only %" PRIu64 " MB left, and %" PRIu64
		" MB are to stay free",
		left / 1000000, megabytes(a->reserve_bytes));
}

enum evl_status evl_record_begin(struct take *t, struct evl_err *err)
{
	const struct evl_take_plan *plan = t->plan;
	const struct evl_take_record *r = &plan->record;
	const bool triggered = r->most > 0;
	evl_require(!triggered || (plan->record_path == NULL && r->most <= EVL_TAKE_CATCHES_MAX));
	t->result->marks = evl_xcalloc(EVL_TAKE_MARKS_KEPT, sizeof *t->result->marks);
	if (plan->record_path == NULL && !triggered) {
		return evl_triggers_create(t, err);
	}
	t->result->recordings = evl_xcalloc(triggered ? r->most : 1, sizeof *t->result->recordings);
	struct evl_rec_channel *list;
	char(*names)[EVL_REC_NAME_MAX];
	const uint32_t n = list_channels(t, &list, &names);
	enum evl_status st = evl_triggers_create(t, err);
	if (st == EVL_OK && n == 0) {
		st = evl_err_set(
			err, EVL_E_INVALID, "take %s: record: no channel to record", plan->name);
	}
	if (st == EVL_OK && triggered) {
		st = evl_history_create(&t->history, t, list, err); /* first: it bounds `before` */
	}
	st = st == EVL_OK ? evl_record_room(t, triggered ? r->paths[0] : plan->record_path,
				    estimate(t), err)
			  : st;
	if (st == EVL_OK && !triggered) {
		st = evl_rec_writer_create_set(&t->writer, plan->record_path, list, n,
			plan->record_meta, evl_take_record_is_set(r) ? &r->part : NULL, err);
		t->result->recording_count = st == EVL_OK;
	}
	t->record_digests = evl_xcalloc(n, sizeof *t->record_digests);
	free(names);
	free(list);
	return st;
}

enum evl_status evl_record_slab(struct take *t, struct evl_err *err)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		/* A channel that is recorded whole gets its digest from the recording. */
		if (p->sent_digest != NULL) {
			evl_stream_digest_update(p->sent_digest, p->sent_bits, p->tx, p->tx_bytes);
		}
		if (p->received_digest != NULL) {
			evl_stream_digest_update(
				p->received_digest, p->received_bits, p->rx, p->rx_bytes);
		}
		enum evl_status st = EVL_OK;
		if (p->record_sent >= 0 && t->writer != NULL) {
			st = evl_rec_write(t->writer, (uint32_t)p->record_sent, p->sent_bits, p->tx,
				p->tx_bytes, 0, err);
		}
		if (st == EVL_OK && p->record_received >= 0 && t->writer != NULL) {
			st = evl_rec_write(t->writer, (uint32_t)p->record_received,
				p->received_bits, p->rx, p->rx_bytes, p->rec_flags, err);
		}
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

/* The channel of the whole recording that a mark is about, or -1. */
static int64_t recorded_channel(const struct take *t, int64_t channel)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct part *p = &t->parts[i];
		if (p->plan->channel == channel) {
			return p->record_received >= 0 ? p->record_received : p->record_sent;
		}
	}
	return -1;
}

void evl_record_mark(struct take *t, struct evl_take_mark *mark)
{
	struct evl_take_result *r = t->result;
	if (t->history != NULL) {
		const uint32_t before = r->recording_count;
		mark->recording = mark->trigger ? evl_history_trigger(t->history, mark->at_ns)
						: evl_history_open(t->history);
		if (r->recording_count > before && t->sink->recording != NULL) {
			t->sink->recording(t->sink->ctx, before);
		}
		r->marks_lost += !evl_history_mark(t->history, mark);
		return;
	}
	if (r->mark_count == EVL_TAKE_MARKS_KEPT) {
		r->marks_lost++;
		return;
	}
	if (t->writer != NULL) {
		const struct evl_rec_mark out = {
			.time_ns = (uint64_t)((int64_t)t->start_ns + mark->at_ns),
			.channel = recorded_channel(t, mark->channel),
			.text = mark->text};
		mark->recording = 0;
		(void)evl_rec_mark(t->writer, &out, NULL); /* the next slab tells a failure */
	}
	r->marks[r->mark_count++] = *mark;
}

static void *end_apart(void *context)
{
	struct ending *e = context;
	e->status = evl_rec_finish(e->writer, e->digests, &e->totals, &e->err);
	return NULL;
}

/* Ends the whole recording while the take goes on. */
static enum evl_status end_early(struct take *t, const char *why, struct evl_err *err)
{
	struct evl_take_recording *r = &t->result->recordings[0];
	struct ending *e = evl_xcalloc(1, sizeof *e);
	e->writer = t->writer;
	e->digests = t->record_digests;
	if (!evl_thread_start(&e->thread, end_apart, e)) {
		free(e);
		return evl_err_set(
			err, EVL_E_NOMEM, "take %s: no thread to end a recording", t->plan->name);
	}
	t->writer = NULL;
	t->ending = e;
	r->to_frame = t->done;
	snprintf(r->message, sizeof r->message, "%.399s", why);
	return EVL_OK;
}

enum evl_status evl_record_second(struct take *t, struct evl_err *err)
{
	if (t->writer == NULL) {
		return EVL_OK;
	}
	struct evl_err why = {0};
	if (evl_record_room(t, t->plan->record_path, 0, &why) < 0) {
		return end_early(t, why.text, err);
	}
	return t->engine->clock.is_virtual ? EVL_OK : evl_rec_flush(t->writer, err);
}

void evl_record_look(struct take *t)
{
	evl_triggers_look(t);
	if (t->history != NULL) {
		evl_history_slab(t->history);
	}
}

void evl_record_totals(struct evl_take_recording *r, const struct evl_rec_totals *totals)
{
	r->finished = true;
	r->bytes = totals->file_bytes;
	evl_hex(totals->file_sha256, sizeof totals->file_sha256, r->sha256);
}

enum evl_status evl_record_finish(struct take *t, enum evl_status so_far, struct evl_err *err)
{
	struct evl_take_recording *r = t->result->recordings;
	if (t->history != NULL) {
		evl_history_finish(t->history);
	}
	if (t->ending != NULL) {
		struct ending *e = t->ending;
		pthread_join(e->thread, NULL);
		t->ending = NULL;
		if (e->status == EVL_OK) {
			evl_record_totals(r, &e->totals);
		} else {
			snprintf(r->message, sizeof r->message, "%.399s", e->err.text);
		}
		free(e);
		return so_far;
	}
	if (t->writer == NULL) {
		return so_far;
	}
	struct evl_rec_writer *w = t->writer;
	t->writer = NULL;
	r->to_frame = t->done;
	if (so_far < 0) {
		evl_rec_abandon(w); /* what is there stays readable, and is marked unfinished */
		snprintf(r->message, sizeof r->message, "unfinished: the take ended in an error");
		return so_far;
	}
	struct evl_rec_totals totals;
	enum evl_status st = evl_rec_finish(w, t->record_digests, &totals, err);
	if (st == EVL_OK) {
		evl_record_totals(r, &totals);
		t->recorded_whole = true;
	}
	return st;
}
