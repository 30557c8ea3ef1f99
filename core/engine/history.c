/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The last seconds of what a take records, and the recordings made of it around triggers.
 *
 * The stream's thread copies each slab into a slot of a ring and says where recordings begin and
 * end. The keeper, a thread of its own, writes them one after another from the ring. Slots before
 * the present one belong to the keeper as long as a recording that is not written yet needs them:
 *
 *	oldest ........ next of the keeper ........ head (the stream's next)
 *	 free to be filled        needed
 *
 * Everything shared is under `lock`; slots are filled and read without it.
 */
#include <inttypes.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/thread.h"
#include "core/engine/internal.h"

/* What one slot holds of one stream. */
struct piece {
	uint64_t bit; /* from the start */
	uint32_t bytes;
	uint32_t flags;
};

struct catch
{
	uint64_t next;      /* the slot to be written next, counted from the first ever */
	uint64_t until_ns;  /* the stream's */
	int64_t from_ns;    /* of its first slab */
	uint64_t to_frame;  /* valid when closed, as is: */
	uint32_t marks_end; /* marks from there on were found later */
	bool closed;
	bool written; /* or given up: its slots are free */
};

struct history {
	struct take *take;
	uint32_t stream_count;
	struct stream {
		struct part *part;
		bool sent;
		size_t at; /* in a slot */
	} * streams;
	struct evl_rec_channel *channels; /* as a recording has them */
	uint64_t slots;
	size_t slot_bytes;
	uint8_t *data;
	struct piece *pieces; /* [slot * stream_count + stream] */
	uint64_t *frames;     /* [slot]: of its slab, from the start */
	uint64_t *mark_slab;  /* [EVL_TAKE_MARKS_KEPT]: frame of the slab in which it was found */

	pthread_t thread;
	bool threaded;
	pthread_mutex_t lock; /* over what follows, and the marks of the result */
	pthread_cond_t more, less;
	uint64_t head; /* slots filled */
	struct catch catches[EVL_TAKE_CATCHES_MAX];
	uint32_t opened, done; /* catches */
	bool quit;

	/* The keeper's alone. */
	bool begun; /* the present recording */
	struct evl_rec_writer *writer;
	uint32_t marks_seen; /* of the result, for the present catch */
	uint64_t expected;   /* frame of the slab that should come next */
	uint64_t flushed;    /* frame of the latest flush and look at the disk */
	bool given_up;
};

/* ---- the keeper ---- */

static void say(struct evl_take_recording *r, const char *why)
{
	if (r->message[0] == '\0') {
		snprintf(r->message, sizeof r->message, "%.399s", why);
	}
}

static void end_file(struct history *h, struct evl_take_recording *r)
{
	struct evl_rec_totals totals;
	struct evl_err err = {0};
	struct evl_rec_writer *w = h->writer;
	h->writer = NULL;
	if (w == NULL) {
		return;
	}
	if (evl_rec_finish(w, NULL, &totals, &err) < 0) {
		say(r, err.text);
		return;
	}
	evl_record_totals(r, &totals);
}

/* Ends the present recording before its time. */
static void give_up(struct history *h, struct evl_take_recording *r, const char *why)
{
	h->given_up = true;
	say(r, why);
	end_file(h, r);
}

static bool has_room(struct history *h, uint32_t catch, struct evl_take_recording *r)
{
	struct evl_err err = {0};
	if (evl_record_room(h->take, h->take->plan->record.paths[catch], 0, &err) == EVL_OK) {
		return true;
	}
	give_up(h, r, err.text);
	return false;
}

static void open_file(struct history *h, uint32_t catch, struct evl_take_recording *r)
{
	const struct evl_take_record *plan = &h->take->plan->record;
	struct evl_err err = {0};
	if (!has_room(h, catch, r)) {
		return;
	}
	if (evl_rec_writer_create_set(&h->writer, plan->paths[catch], h->channels, h->stream_count,
		    plan->metas != NULL ? plan->metas[catch] : NULL,
		    evl_take_record_is_set(plan) ? &plan->part : NULL, &err) < 0) {
		give_up(h, r, err.text);
		return;
	}
	for (uint32_t i = 0; i < h->stream_count; i++) {
		const struct part *p = h->streams[i].part;
		evl_rec_set_start(
			h->writer, i, p->started_ns, (int64_t)(p->started_ns - h->take->start_ns));
	}
}

/* The next mark of the present recording that was found up to this slab. */
static bool next_mark(
	struct history *h, const struct catch *c, uint64_t frame, struct evl_take_mark *out)
{
	const struct evl_take_result *res = h->take->result;
	bool found = false;
	pthread_mutex_lock(&h->lock);
	const uint32_t end = c->closed ? c->marks_end : res->mark_count;
	while (!found && h->marks_seen < end && h->mark_slab[h->marks_seen] <= frame) {
		*out = res->marks[h->marks_seen++];
		found = out->at_ns >= c->from_ns;
	}
	pthread_mutex_unlock(&h->lock);
	return found;
}

/* Those in its history too, and those that are in the recording before it. */
static void write_marks(struct history *h, uint32_t catch, uint64_t frame)
{
	struct evl_take_mark mark;
	while (next_mark(h, &h->catches[catch], frame, &mark)) {
		const struct evl_rec_mark out = {
			.time_ns = (uint64_t)((int64_t)h->take->start_ns + mark.at_ns),
			.channel = evl_history_stream(h, mark.channel),
			.text = mark.text};
		if (h->writer != NULL) {
			(void)evl_rec_mark(h->writer, &out, NULL); /* a failure is told by finish */
		}
	}
}

static void write_slot(struct history *h, uint32_t catch, uint64_t seq)
{
	struct evl_take_recording *r = &h->take->result->recordings[catch];
	const uint64_t slot = seq % h->slots;
	const uint64_t frame = h->frames[slot];
	struct evl_err err = {0};
	if (!h->begun) {
		h->begun = true;
		h->given_up = false;
		h->marks_seen = 0;
		h->expected = h->flushed = r->from_frame = r->to_frame = frame;
		open_file(h, catch, r);
	}
	r->lost_slabs += (frame - h->expected) / EVL_TAKE_SLAB_FRAMES;
	h->expected = frame + EVL_TAKE_SLAB_FRAMES;
	write_marks(h, catch, frame);
	if (h->given_up) {
		return;
	}
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; i < h->stream_count && st == EVL_OK; i++) {
		const struct piece *p = &h->pieces[slot * h->stream_count + i];
		st = evl_rec_write(h->writer, i, p->bit,
			h->data + slot * h->slot_bytes + h->streams[i].at, p->bytes, p->flags,
			&err);
	}
	if (st == EVL_OK && frame >= h->flushed + EVL_FRAMES_PER_S) {
		h->flushed = frame;
		if (!h->take->engine->clock.is_virtual) {
			st = evl_rec_flush(h->writer, &err);
		}
		has_room(h, catch, r);
	}
	if (st < 0) {
		give_up(h, r, err.text);
		return;
	}
	r->to_frame = h->expected;
}

static void end(struct history *h, uint32_t catch)
{
	struct evl_take_recording *r = &h->take->result->recordings[catch];
	if (h->begun) {
		write_marks(h, catch, UINT64_MAX);
		end_file(h, r);
	} else {
		say(r, "the disk was too slow: nothing of it could be kept");
	}
	h->begun = false;
}

/* The next thing to do for the oldest recording that is not written: its slot, or its end. */
static bool has_work(const struct history *h, bool *ends)
{
	if (h->done == h->opened) {
		return false;
	}
	const struct catch *c = &h->catches[h->done];
	const bool there = c->next < h->head;
	*ends = c->closed && (!there || h->frames[c->next % h->slots] >= c->to_frame);
	return there || *ends;
}

static void *keep(void *context)
{
	struct history *h = context;
	pthread_mutex_lock(&h->lock);
	for (;;) {
		bool ends = false;
		while (!has_work(h, &ends) && !h->quit) {
			pthread_cond_wait(&h->more, &h->lock);
		}
		if (!has_work(h, &ends)) {
			break;
		}
		const uint32_t at = h->done;
		struct catch *c = &h->catches[at];
		const uint64_t next = c->next;
		if (ends) {
			c->written = true; /* its slots are free while the disk is waited for */
			pthread_cond_signal(&h->less);
		}
		pthread_mutex_unlock(&h->lock);
		if (ends) {
			end(h, at);
		} else {
			write_slot(h, at, next);
		}
		pthread_mutex_lock(&h->lock);
		h->done += ends;
		c->next += !ends;
		pthread_cond_signal(&h->less);
	}
	pthread_mutex_unlock(&h->lock);
	return NULL;
}

/* ---- the stream ---- */

/* Slots that may be filled now. */
static uint64_t free_slots(const struct history *h)
{
	uint64_t needed = h->head;
	for (uint32_t i = h->done; i < h->opened; i++) {
		const struct catch *c = &h->catches[i];
		needed = !c->written && c->next < needed ? c->next : needed;
	}
	return h->slots - (h->head - needed);
}

static void close_catch(struct history *h, uint64_t frame)
{
	struct catch *c = &h->catches[h->opened - 1];
	c->closed = true;
	c->to_frame = frame;
	c->marks_end = h->take->result->mark_count;
	h->take->caught = true;
}

static bool is_open(const struct history *h)
{
	return h->opened > 0 && !h->catches[h->opened - 1].closed;
}

int64_t evl_history_open(const struct history *h)
{
	return is_open(h) ? (int64_t)h->opened - 1 : -1;
}

int64_t evl_history_trigger(struct history *h, int64_t at_ns)
{
	const struct evl_take_record *plan = &h->take->plan->record;
	const uint64_t until = (uint64_t)at_ns + plan->after_ns;
	if (is_open(h)) {
		struct catch *c = &h->catches[h->opened - 1];
		c->until_ns = until > c->until_ns ? until : c->until_ns;
		return (int64_t)h->opened - 1;
	}
	if (h->opened == plan->most) {
		h->take->result->triggers_missed++;
		return -1;
	}
	const uint64_t at = (uint64_t)at_ns;
	const uint64_t from = at > plan->before_ns ? (at - plan->before_ns) / EVL_TAKE_SLAB_NS : 0;
	pthread_mutex_lock(&h->lock);
	struct catch *c = &h->catches[h->opened++];
	*c = (struct catch){.until_ns = until};
	/* Back as far as it goes: what a slow adapter reports late may be older than the ring. */
	c->next = h->head;
	while (c->next > 0 && h->head - (c->next - 1) <= h->slots &&
		h->frames[(c->next - 1) % h->slots] >= from * EVL_TAKE_SLAB_FRAMES) {
		c->next--;
	}
	c->from_ns = (int64_t)((c->next < h->head ? h->frames[c->next % h->slots] : h->take->done) *
			       EVL_FRAME_NS);
	struct evl_take_result *res = h->take->result;
	res->recording_count = h->opened;
	for (uint32_t i = 0; i < res->mark_count; i++) {
		struct evl_take_mark *m = &res->marks[i];
		if (m->recording < 0 && m->at_ns >= c->from_ns) {
			m->recording = (int64_t)h->opened - 1; /* it lies in the history */
		}
	}
	pthread_cond_signal(&h->more);
	pthread_mutex_unlock(&h->lock);
	return (int64_t)h->opened - 1;
}

bool evl_history_mark(struct history *h, const struct evl_take_mark *mark)
{
	struct evl_take_result *res = h->take->result;
	pthread_mutex_lock(&h->lock);
	const bool room = res->mark_count < EVL_TAKE_MARKS_KEPT;
	if (room) {
		h->mark_slab[res->mark_count] = h->take->done;
		res->marks[res->mark_count++] = *mark;
	}
	pthread_mutex_unlock(&h->lock);
	return room;
}

int64_t evl_history_stream(const struct history *h, int64_t channel)
{
	for (int sent = 0; sent <= 1; sent++) {
		for (uint32_t i = 0; i < h->stream_count; i++) {
			if (h->streams[i].part->plan->channel == channel &&
				h->streams[i].sent == (bool)sent) {
				return i;
			}
		}
	}
	return -1;
}

void evl_history_slab(struct history *h)
{
	struct take *t = h->take;
	pthread_mutex_lock(&h->lock);
	while (t->engine->clock.is_virtual && free_slots(h) == 0) {
		pthread_cond_wait(&h->less, &h->lock);
	}
	const bool room = free_slots(h) > 0;
	pthread_mutex_unlock(&h->lock);
	if (room) {
		const uint64_t slot = h->head % h->slots;
		uint8_t *to = h->data + slot * h->slot_bytes;
		for (uint32_t i = 0; i < h->stream_count; i++) {
			const struct stream *s = &h->streams[i];
			const struct part *p = s->part;
			const size_t bytes = s->sent ? p->tx_bytes : p->rx_bytes;
			memcpy(to + s->at, s->sent ? p->tx : p->rx, bytes);
			h->pieces[slot * h->stream_count + i] =
				(struct piece){s->sent ? p->sent_bits : p->received_bits,
					(uint32_t)bytes, s->sent ? 0 : p->rec_flags};
		}
		h->frames[slot] = t->done;
	}
	pthread_mutex_lock(&h->lock);
	h->head += room;
	const uint64_t end = t->done + EVL_TAKE_SLAB_FRAMES;
	if (is_open(h) && end * EVL_FRAME_NS >= h->catches[h->opened - 1].until_ns) {
		close_catch(h, end);
	}
	pthread_cond_signal(&h->more);
	pthread_mutex_unlock(&h->lock);
}

static uint32_t count_streams(const struct take *t)
{
	uint32_t n = 0;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct evl_take_part *p = t->parts[i].plan;
		n += (uint32_t)p->record_sent + (uint32_t)p->record_received;
	}
	return n;
}

static void lay_out(struct history *h, const struct evl_rec_channel *channels)
{
	struct take *t = h->take;
	h->streams = evl_xcalloc(h->stream_count, sizeof *h->streams);
	h->channels = evl_xcalloc(h->stream_count, sizeof *h->channels);
	memcpy(h->channels, channels, h->stream_count * sizeof *channels);
	uint32_t n = 0;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		for (int sent = 1; sent >= 0; sent--) {
			if (!(sent ? p->plan->record_sent : p->plan->record_received)) {
				continue;
			}
			h->channels[n].name = evl_xstrdup(channels[n].name);
			h->streams[n++] = (struct stream){p, sent, h->slot_bytes};
			h->slot_bytes += evl_slab_room((uint32_t)p->slab_bytes);
		}
	}
	evl_require(n == h->stream_count);
}

static enum evl_status allocate(struct history *h, struct evl_err *err)
{
	const struct take *t = h->take;
	const uint64_t ns = t->plan->record.before_ns + EVL_TAKE_HISTORY_MORE;
	const uint64_t bytes = ns / EVL_TAKE_SLAB_NS * h->slot_bytes;
	h->slots = ns / EVL_TAKE_SLAB_NS + 1;
	if (ns / EVL_TAKE_SLAB_NS > EVL_TAKE_HISTORY_MAX / h->slot_bytes) {
		return evl_err_set(err, EVL_E_LIMIT,
			"take %s: record: %" PRIu32 " streams of %" PRIu64 " kbyte/s together, for "
			"%" PRIu64 " ms before a trigger and a second more, need %" PRIu64
			" MB of memory; at most %" PRIu64
			" MB are allowed: make before shorter or record fewer roles",
			t->plan->name, h->stream_count, (uint64_t)h->slot_bytes * 125 / 1000 + 1,
			t->plan->record.before_ns / 1000000u, bytes / 1000000u + 1,
			EVL_TAKE_HISTORY_MAX / 1000000u);
	}
	h->data = malloc(h->slots * h->slot_bytes);
	h->pieces = calloc(h->slots * h->stream_count, sizeof *h->pieces);
	h->frames = calloc(h->slots, sizeof *h->frames);
	h->mark_slab = calloc(EVL_TAKE_MARKS_KEPT, sizeof *h->mark_slab);
	if (h->data == NULL || h->pieces == NULL || h->frames == NULL || h->mark_slab == NULL) {
		return evl_err_set(err, EVL_E_NOMEM,
			"take %s: record: no memory for %" PRIu64
			" MB of history; make before shorter or record fewer roles",
			t->plan->name, bytes / 1000000u + 1);
	}
	memset(h->data, 0, h->slots * h->slot_bytes); /* so that the stream waits for no page */
	return EVL_OK;
}

enum evl_status evl_history_create(struct history **out, struct take *t,
	const struct evl_rec_channel *channels, struct evl_err *err)
{
	struct history *h = calloc(1, sizeof *h);
	*out = h;
	if (h == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for triggers");
	}
	h->take = t;
	h->stream_count = count_streams(t);
	pthread_mutex_init(&h->lock, NULL);
	pthread_cond_init(&h->more, NULL);
	pthread_cond_init(&h->less, NULL);
	lay_out(h, channels);
	enum evl_status st = allocate(h, err);
	if (st < 0) {
		return st;
	}
	h->threaded = evl_thread_start(&h->thread, keep, h);
	return h->threaded ? EVL_OK
			   : evl_err_set(err, EVL_E_NOMEM,
				     "take %s: no thread to write recordings with", t->plan->name);
}

void evl_history_finish(struct history *h)
{
	if (!h->threaded) {
		return;
	}
	pthread_mutex_lock(&h->lock);
	if (is_open(h)) {
		close_catch(h, h->take->done);
	}
	h->quit = true;
	pthread_cond_signal(&h->more);
	pthread_mutex_unlock(&h->lock);
	pthread_join(h->thread, NULL);
	h->threaded = false;
}

void evl_history_destroy(struct history *h)
{
	if (h == NULL) {
		return;
	}
	evl_history_finish(h);
	for (uint32_t i = 0; h->channels != NULL && i < h->stream_count; i++) {
		free((char *)h->channels[i].name);
	}
	free(h->channels);
	free(h->streams);
	free(h->data);
	free(h->pieces);
	free(h->frames);
	free(h->mark_slab);
	pthread_cond_destroy(&h->more);
	pthread_cond_destroy(&h->less);
	pthread_mutex_destroy(&h->lock);
	free(h);
}
