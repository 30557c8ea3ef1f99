/* SPDX-License-Identifier: Apache-2.0 */
/* One take of a group: prepare, what it does with each slab, collect. The loop is in group.c. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

static enum evl_status check_plan(struct take *t, struct evl_err *err)
{
	const struct evl_take_plan *plan = t->plan;
	if (plan->part_count == 0 || plan->frames == 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: nothing to do; say what to play, expect or record and "
			"for how long",
			plan->name);
	}
	for (uint32_t i = 0; i < plan->part_count; i++) {
		const struct evl_take_part *p = &plan->parts[i];
		const struct evl_bound_channel *b = evl_engine_channel(t->engine, p->channel);
		bool capture = p->capture;
		if (p->play && (b->abilities & EVL_ABLE_PLAY) == 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: %s cannot play; let the campaign's needs say play = true",
				plan->name, b->label);
		}
		if (capture && (b->abilities & EVL_ABLE_CAPTURE) == 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: %s cannot capture; let the campaign's needs "
				"say capture = true",
				plan->name, b->label);
		}
		evl_require(capture || (p->expected.kind == EVL_CONTENT_NONE && !p->watch &&
					       !p->record_received));
		if (evl_play_check(t, p, b, err) < 0) {
			return EVL_E_INVALID;
		}
	}
	return EVL_OK;
}

static enum evl_status prepare(struct take *t, struct evl_err *err)
{
	struct evl_engine *e = t->engine;
	const struct evl_take_plan *plan = t->plan;
	t->parts = evl_xcalloc(plan->part_count, sizeof *t->parts);
	for (uint32_t i = 0; i < plan->part_count; i++) {
		struct part *p = &t->parts[i];
		p->plan = &plan->parts[i];
		p->bound = evl_engine_channel(e, p->plan->channel);
		p->slab_bytes = evl_rate_bytes(p->bound->rate, EVL_TAKE_SLAB_FRAMES);
		p->clock_ppb = p->plan->play ? evl_play_clock(p->plan) : 0;
		if (p->plan->played.kind == EVL_CONTENT_RECORDING) {
			p->played = evl_play_window(&p->plan->played);
		}
		if (p->plan->expected.kind == EVL_CONTENT_RECORDING) {
			p->expected = evl_play_window(&p->plan->expected);
		}
		size_t room = evl_slab_room((uint32_t)p->slab_bytes);
		p->record_sent = p->record_received = -1;
		p->instance = p->bound->adapter;
		if (p->plan->play) {
			p->tx = evl_xmalloc(room);
			memset(p->tx, EVL_TAKE_IDLE, room);
		}
		if (p->plan->capture) {
			p->rx = evl_xcalloc(1, room);
		}
		if (p->plan->played.kind == EVL_CONTENT_PATTERN) {
			evl_source_start(
				&p->generator, &p->plan->played.pattern, p->plan->played.phase);
			if (p->plan->played.slots.count > 0) {
				p->framed_tx = evl_framed_tx_create(p->bound->rate,
					&p->plan->played.framing, &p->plan->played.slots);
			}
		}
		const bool whole = plan->record_path != NULL;
		if (p->plan->played.kind == EVL_CONTENT_RECORDING &&
			!(whole && p->plan->record_sent)) {
			p->sent_digest = evl_stream_digest_create();
		}
		if (p->plan->expected.kind == EVL_CONTENT_RECORDING &&
			!(whole && p->plan->record_received)) {
			p->received_digest = evl_stream_digest_create();
		}
		if (evl_through_prepare(t, p, err) < 0) {
			return err->status;
		}
	}
	t->inside_memory = evl_xcalloc(plan->inside_count, sizeof *t->inside_memory);
	enum evl_status st = evl_watch_prepare(t, err);
	st = st == EVL_OK ? evl_meters_prepare(t, err) : st;
	if (st == EVL_OK) {
		evl_parity_prepare(t);
	}
	return st == EVL_OK ? evl_prove_prepare(t, err) : st;
}

void evl_take_started(struct take *t)
{
	struct evl_engine *e = t->engine;
	const uint64_t begin_ns = evl_clock_for_adapters(&e->clock, t->plan->begin_ns);
	struct evl_err err = {0};
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		int64_t skew = (int64_t)(t->instances[p->instance].started_ns[p->place] - begin_ns);
		/* The host accepts starts up to 1 s early; before the run there is no time. */
		p->started_ns = skew < 0 && (uint64_t)-skew > t->start_ns
					? 0
					: t->start_ns + (uint64_t)skew;
		if (t->writer != NULL && p->record_sent >= 0) {
			evl_rec_set_start(t->writer, (uint32_t)p->record_sent, p->started_ns, skew);
		}
		if (t->writer != NULL && p->record_received >= 0) {
			evl_rec_set_start(
				t->writer, (uint32_t)p->record_received, p->started_ns, skew);
		}
	}
	for (uint32_t i = 0; i < t->plan->injection_count; i++) {
		const struct evl_take_injection *j = &t->plan->injections[i];
		const struct evl_bound_channel *b = evl_engine_channel(e, j->channel);
		struct evl_inject what = {.kind = j->kind,
			.channel = b->channel,
			.alarm = j->alarm,
			.path = j->path,
			.slip_bits = j->slip_bits,
			.numerator = j->numerator,
			.denominator = j->denominator,
			.at_ns = evl_clock_for_adapters(&e->clock, t->start_ns + j->at_ns),
			.duration_ns = j->lasting_ns};
		enum evl_status st = evl_instance_inject(t->instances[b->adapter].in, &what, &err);
		if (st < 0) {
			evl_take_fail(t, st, &err);
			return;
		}
	}
	t->in_lead_in = true;
	t->slab_ns = -(int64_t)EVL_TAKE_LEAD_IN * (int64_t)EVL_FRAME_NS;
	t->began = t->moving = true;
}

static void second(struct take *t, uint32_t which)
{
	evl_meters_second(t, which);
	evl_framed_second(t, which);
	evl_parity_second(t);
}

/* No more slabs are for it; its channels go on idle while others of the group move. */
static void end(struct take *t)
{
	t->moving = false;
	t->ended = true;
	evl_play_idle(t);
	if (t->done % EVL_FRAMES_PER_S != 0) {
		second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S));
	}
}

void evl_take_fail(struct take *t, enum evl_status status, const struct evl_err *err)
{
	if (t->status == EVL_OK) {
		t->status = status;
		*t->err = *err;
	}
	if (t->moving) {
		end(t);
	}
}

void evl_take_fill(struct take *t)
{
	struct evl_err err = {0};
	enum evl_status st = evl_play_fill(t, &err);
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
}

void evl_take_slab(struct take *t)
{
	struct evl_err err = {0};
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		const struct evl_slab *slab = &t->instances[p->instance].slabs[p->place];
		p->tx_bytes = slab->tx_bytes;
		p->rx_bytes = slab->rx_bytes;
		p->rec_flags = ((slab->flags & EVL_SLAB_GAP) ? EVL_REC_FILLER : 0u) |
			       ((slab->flags & EVL_SLAB_OVERRUN) ? EVL_REC_OVERRUN : 0u);
		t->result->gaps += slab->flags != 0;
	}
	enum evl_status st = t->in_lead_in ? EVL_OK : evl_record_slab(t, &err);
	if (st == EVL_OK) {
		evl_watch_feed(t);
	}
	if (st == EVL_OK && !t->in_lead_in) {
		evl_parity_look(t);
		st = evl_meters_feed(t, &err);
	}
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
}

void evl_take_advance(struct take *t)
{
	if (!t->in_lead_in) {
		evl_record_look(t);
	}
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		p->seen_bits += (uint64_t)p->rx_bytes * 8;
		if (!t->in_lead_in) {
			p->sent_bits += (uint64_t)p->tx_bytes * 8;
			p->received_bits += (uint64_t)p->rx_bytes * 8;
		}
	}
	t->done += t->in_lead_in ? 0 : EVL_TAKE_SLAB_FRAMES;
	t->slab_ns += (int64_t)EVL_TAKE_SLAB_NS;
	if (t->in_lead_in && t->slab_ns == 0) {
		evl_through_start(t);
		evl_watch_lead_in_over(t);
		evl_parity_start(t);
	}
}

void evl_take_judge(struct take *t)
{
	const volatile sig_atomic_t *stop = t->engine->args.stop;
	struct evl_err err = {0};
	if (t->done > 0 && t->done % EVL_FRAMES_PER_S == 0) {
		enum evl_status st = evl_record_second(t, &err);
		if (st < 0) {
			evl_take_fail(t, st, &err);
			return;
		}
		second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S - 1));
		if (t->sink->tick != NULL) {
			t->sink->tick(t->sink->ctx);
		}
		if (evl_prove_second(t) && t->done < t->frames_all) {
			t->result->ended_early = true;
			end(t);
			return;
		}
	}
	if (!t->in_lead_in && t->done > 0 && t->sink->progress != NULL) {
		t->sink->progress(t->sink->ctx, t->done, t->frames_all, evl_meters_errors(t));
	}
	if (!t->in_lead_in && t->done == t->frames_all) {
		end(t);
	} else if (t->caught && t->plan->record.until_triggered) {
		t->result->ended_early = t->result->caught = true;
		end(t);
	} else if (!t->in_lead_in && stop != NULL && *stop != 0) {
		t->result->interrupted = true;
		end(t);
	}
}

static enum evl_status collect_streams(struct take *t, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	struct evl_take_result *r = t->result;
	r->streams = evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *r->streams);
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		for (int sent = 1; sent >= 0; sent--) {
			if (!(sent ? p->plan->play : p->plan->capture)) {
				continue;
			}
			const struct evl_take_content *c =
				sent ? &p->plan->played : &p->plan->expected;
			struct evl_stream_digest *d = sent ? p->sent_digest : p->received_digest;
			struct evl_take_stream *s = &r->streams[r->stream_count++];
			s->channel = p->plan->channel;
			s->sent = sent;
			s->source = c->source;
			s->network = sent ? p->plan->network : NULL;
			s->skew_ns = (int64_t)(p->started_ns - t->start_ns);
			s->clock_ppb = sent ? p->clock_ppb : 0;
			s->bits = sent ? p->sent_bits : p->received_bits;
			int32_t in_record = sent ? p->record_sent : p->record_received;
			uint8_t digest[EVL_SHA256_BYTES];
			if (sent && p->source_digest != NULL) {
				evl_stream_digest_end(p->source_digest, digest);
				evl_hex(digest, sizeof digest, s->source_digest);
			}
			if (d != NULL) {
				evl_stream_digest_end(d, digest);
				evl_hex(digest, sizeof digest, s->digest);
			} else if (in_record >= 0 && t->recorded_whole) {
				evl_hex(t->record_digests[in_record], EVL_SHA256_BYTES, s->digest);
			}
			if (c->kind == EVL_CONTENT_RECORDING && sent && st == EVL_OK) {
				st = evl_identity_expected(c, s->bits, digest, err);
				if (st == EVL_OK) {
					evl_hex(digest, sizeof digest, s->recorded_digest);
				}
			} else if (c->kind == EVL_CONTENT_RECORDING && !sent) {
				const struct evl_rec_info *info =
					evl_rec_info(c->reader, c->reader_channel);
				if (info->has_digest && info->bits == s->bits &&
					c->window.bits == 0) {
					evl_hex(info->digest, sizeof info->digest,
						s->recorded_digest);
				}
			}
			s->recorded = in_record >= 0 && t->recorded_whole;
		}
	}
	return st;
}

/* Which channels had a clock of their own? Byte counts tell to a byte or two. */
static void note_clocks(const struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct part *p = &t->parts[i];
		uint64_t nominal = evl_pace_bytes(p->bound->rate, 0, t->done) * 8;
		uint64_t off = p->received_bits > nominal ? p->received_bits - nominal
							  : nominal - p->received_bits;
		t->engine->off_clock[p->plan->channel] =
			p->clock_ppb != 0 || (p->plan->capture && off > 16);
	}
}

void evl_take_release(struct take *t)
{
	evl_parity_finish(t);
	for (uint32_t i = 0; t->parts != NULL && i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		free(p->tx);
		free(p->rx);
		evl_stream_digest_destroy(p->sent_digest);
		evl_stream_digest_destroy(p->received_digest);
		evl_stream_digest_destroy(p->source_digest);
		evl_network_destroy(p->network);
		free(p->framed_tx);
		evl_framed_rx_destroy(p->framed_rx);
		evl_line_destroy(p->line);
	}
	for (uint32_t i = 0; i < t->meter_count; i++) {
		free(t->meters[i].sample);
	}
	free(t->parts);
	free(t->meters);
	for (uint32_t i = 0; t->inside_memory != NULL && i < t->plan->inside_count; i++) {
		free(t->inside_memory[i]);
	}
	free(t->inside_memory);
	evl_causes_destroy(t->causes);
	free(t->scratch);
	evl_history_destroy(t->history);
	evl_triggers_destroy(t->triggers);
	free(t->record_digests);
	evl_rec_abandon(t->writer);
	if (t->leased) {
		evl_lease_release(t->engine->leases, t->plan->holder);
	}
}

static enum evl_status lease_all(struct take *t, struct evl_err *err)
{
	t->leased = true;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		uint32_t channel = t->plan->parts[i].channel;
		enum evl_status st = evl_lease_take(t->engine->leases, channel, t->plan->holder,
			evl_engine_channel(t->engine, channel)->label, err);
		if (st < 0) {
			return evl_err_prefix(err, "take %s", t->plan->name);
		}
	}
	return EVL_OK;
}

void evl_take_prepare(struct take *t, uint64_t deadline_ns)
{
	const struct evl_take_plan *plan = t->plan;
	struct evl_err err = {0};
	t->frames_all = (plan->frames + EVL_TAKE_SLAB_FRAMES - 1) / EVL_TAKE_SLAB_FRAMES *
			EVL_TAKE_SLAB_FRAMES;
	uint64_t end_ns =
		plan->begin_ns + (t->frames_all + EVL_TAKE_LEAD_IN) * (uint64_t)EVL_FRAME_NS;
	enum evl_status st = EVL_OK;
	if (end_ns > deadline_ns) {
		st = evl_err_set(&err, EVL_E_LIMIT,
			"take %s would end %" PRIu64 " ms after the time limit of its case",
			plan->name, (end_ns - deadline_ns) / 1000000u + 1);
	}
	st = st == EVL_OK ? lease_all(t, &err) : st;
	st = st == EVL_OK ? check_plan(t, &err) : st;
	if (st == EVL_OK) {
		t->result = evl_xcalloc(1, sizeof *t->result);
		t->start_ns = plan->begin_ns + (uint64_t)EVL_TAKE_LEAD_IN * EVL_FRAME_NS;
		t->result->start_ns = t->start_ns;
		st = prepare(t, &err);
	}
	st = st == EVL_OK ? evl_record_begin(t, &err) : st;
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
}

void evl_take_collect(struct take *t)
{
	struct evl_err err = {0};
	if (!t->began) {
		evl_take_result_destroy(t->result);
		t->result = NULL;
		return;
	}
	t->result->frames = t->done;
	t->result->frames_planned = t->frames_all;
	enum evl_status st = evl_record_finish(t, t->status, &err);
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
	st = evl_meters_finish(t, &err);
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
	note_clocks(t);
	st = collect_streams(t, &err);
	if (st < 0) {
		evl_take_fail(t, st, &err);
	}
	evl_watch_finish(t);
	evl_framed_collect(t);
	evl_parity_collect(t);
}
