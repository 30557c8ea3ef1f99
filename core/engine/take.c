/* SPDX-License-Identifier: Apache-2.0 */
/* One take: prepare, arm, start, move slabs, stop, collect. */
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
	t->instances = evl_xcalloc(e->args.instance_count, sizeof *t->instances);
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct per_instance *in = &t->instances[i];
		in->in = e->args.instances[i];
		in->arms = evl_xcalloc(plan->part_count, sizeof *in->arms);
		in->slabs = evl_xcalloc(plan->part_count, sizeof *in->slabs);
		in->started_ns = evl_xcalloc(plan->part_count, sizeof *in->started_ns);
	}
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
		struct per_instance *in = &t->instances[p->instance];
		p->place = in->count++;
		in->arms[p->place] = (struct evl_arm){.channel = p->bound->channel,
			.play = p->plan->play,
			.capture = p->plan->capture,
			.clock_ppb = p->clock_ppb};
		if (p->plan->play) {
			p->tx = evl_xmalloc(room);
			memset(p->tx, EVL_TAKE_IDLE, room);
		}
		if (p->plan->capture) {
			p->rx = evl_xcalloc(1, room);
		}
		in->slabs[p->place] =
			(struct evl_slab){.channel = p->bound->channel, .tx = p->tx, .rx = p->rx};
		if (p->plan->played.kind == EVL_CONTENT_PATTERN) {
			evl_source_start(
				&p->generator, &p->plan->played.pattern, p->plan->played.phase);
			if (p->plan->played.slots.count > 0) {
				p->framed_tx = evl_framed_tx_create(p->bound->rate,
					&p->plan->played.framing, &p->plan->played.slots);
			}
		}
		if (p->plan->played.kind == EVL_CONTENT_RECORDING && !p->plan->record_sent) {
			p->sent_digest = evl_stream_digest_create();
		}
		if (p->plan->expected.kind == EVL_CONTENT_RECORDING && !p->plan->record_received) {
			p->received_digest = evl_stream_digest_create();
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

static enum evl_status arm_and_start(struct take *t, struct evl_err *err)
{
	struct evl_engine *e = t->engine;
	const uint64_t begin_ns = t->plan->begin_ns;
	t->start_ns = begin_ns + (uint64_t)EVL_TAKE_LEAD_IN * EVL_FRAME_NS;
	t->result->start_ns = t->start_ns;
	enum evl_status st = evl_record_begin(t, err);
	for (uint32_t i = 0; i < e->args.instance_count && st == EVL_OK; i++) {
		struct per_instance *in = &t->instances[i];
		if (in->count > 0) {
			st = evl_instance_arm(
				in->in, in->arms, in->count, EVL_TAKE_SLAB_FRAMES, err);
		}
	}
	for (uint32_t i = 0; i < e->args.instance_count && st == EVL_OK; i++) {
		struct per_instance *in = &t->instances[i];
		if (in->count > 0) {
			st = evl_instance_start(in->in, evl_clock_for_adapters(&e->clock, begin_ns),
				in->started_ns, err);
		}
	}
	if (st == EVL_OK) {
		evl_clock_reach(&e->clock, begin_ns);
	}
	for (uint32_t i = 0; i < t->plan->part_count && st == EVL_OK; i++) {
		struct part *p = &t->parts[i];
		int64_t skew = (int64_t)(t->instances[p->instance].started_ns[p->place] -
					 evl_clock_for_adapters(&e->clock, begin_ns));
		/* The host accepts starts up to 1 s early; before the run there is no time. */
		p->started_ns = skew < 0 && (uint64_t)-skew > t->start_ns
					? 0
					: t->start_ns + (uint64_t)skew;
		if (p->record_sent >= 0) {
			evl_rec_set_start(t->writer, (uint32_t)p->record_sent, p->started_ns, skew);
		}
		if (p->record_received >= 0) {
			evl_rec_set_start(
				t->writer, (uint32_t)p->record_received, p->started_ns, skew);
		}
	}
	for (uint32_t i = 0; i < t->plan->injection_count && st == EVL_OK; i++) {
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
		st = evl_instance_inject(t->instances[b->adapter].in, &what, err);
	}
	return st;
}

static enum evl_status exchange(struct take *t, struct evl_err *err)
{
	t->exchanges++;
	for (uint32_t i = 0; i < t->engine->args.instance_count; i++) {
		struct per_instance *in = &t->instances[i];
		if (in->count == 0) {
			continue;
		}
		enum evl_status st = evl_instance_exchange(
			in->in, EVL_TAKE_SLAB_FRAMES, in->slabs, in->count, err);
		if (st < 0) {
			return st;
		}
	}
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		const struct evl_slab *slab = &t->instances[p->instance].slabs[p->place];
		uint32_t flags = slab->flags;
		p->tx_bytes = slab->tx_bytes;
		p->rx_bytes = slab->rx_bytes;
		p->rec_flags = ((flags & EVL_SLAB_GAP) ? EVL_REC_FILLER : 0u) |
			       ((flags & EVL_SLAB_OVERRUN) ? EVL_REC_OVERRUN : 0u);
		t->result->gaps += flags != 0;
	}
	return EVL_OK;
}

/* The present slab is used up. */
static void advance(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		p->seen_bits += (uint64_t)p->rx_bytes * 8;
		if (!t->in_lead_in) {
			p->sent_bits += (uint64_t)p->tx_bytes * 8;
			p->received_bits += (uint64_t)p->rx_bytes * 8;
		}
	}
	t->slab_ns += (int64_t)EVL_SLAB_NS;
}

static enum evl_status stream(struct take *t, struct evl_err *err)
{
	struct evl_engine *e = t->engine;
	const volatile sig_atomic_t *stop = e->args.stop;
	enum evl_status st = EVL_OK;
	uint64_t slab_start = t->start_ns - (uint64_t)EVL_TAKE_LEAD_IN * EVL_FRAME_NS;
	t->in_lead_in = true;
	t->slab_ns = -(int64_t)EVL_TAKE_LEAD_IN * (int64_t)EVL_FRAME_NS;
	for (uint32_t lead = 0; lead < EVL_TAKE_LEAD_IN && st == EVL_OK;
		lead += EVL_TAKE_SLAB_FRAMES) {
		st = evl_play_fill(t, err);
		st = st == EVL_OK ? exchange(t, err) : st;
		if (st == EVL_OK) {
			evl_watch_feed(t);
			st = evl_watch_poll(t, err);
			advance(t);
		}
		slab_start += EVL_SLAB_NS;
		evl_clock_reach(&e->clock, slab_start);
	}
	evl_watch_lead_in_over(t);
	evl_parity_start(t);
	while (st == EVL_OK && t->done < t->frames_all) {
		if (stop != NULL && *stop != 0) {
			t->result->interrupted = true;
			break;
		}
		if ((st = evl_play_fill(t, err)) < 0 || (st = exchange(t, err)) < 0 ||
			(st = evl_record_slab(t, err)) < 0) {
			break;
		}
		evl_watch_feed(t);
		evl_parity_look(t);
		if ((st = evl_meters_feed(t, err)) < 0 || (st = evl_watch_poll(t, err)) < 0) {
			break;
		}
		t->done += EVL_TAKE_SLAB_FRAMES;
		advance(t);
		slab_start += EVL_SLAB_NS;
		evl_clock_reach(&e->clock, slab_start);
		if (t->done % EVL_FRAMES_PER_S == 0) {
			if (t->writer != NULL && !e->clock.is_virtual &&
				(st = evl_rec_flush(t->writer, err)) < 0) {
				break;
			}
			evl_meters_second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S - 1));
			evl_framed_second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S - 1));
			evl_parity_second(t);
			if (t->sink->tick != NULL) {
				t->sink->tick(t->sink->ctx);
			}
			if (evl_prove_second(t) && t->done < t->frames_all) {
				t->result->ended_early = true;
				break;
			}
		}
		if (t->sink->progress != NULL) {
			t->sink->progress(
				t->sink->ctx, t->done, t->frames_all, evl_meters_errors(t));
		}
	}
	if (t->done % EVL_FRAMES_PER_S != 0) {
		evl_meters_second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S));
		evl_framed_second(t, (uint32_t)(t->done / EVL_FRAMES_PER_S));
		evl_parity_second(t);
	}
	return st;
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
			s->skew_ns = (int64_t)(p->started_ns - t->start_ns);
			s->clock_ppb = sent ? p->clock_ppb : 0;
			s->bits = sent ? p->sent_bits : p->received_bits;
			int32_t in_record = sent ? p->record_sent : p->record_received;
			uint8_t digest[EVL_SHA256_BYTES];
			if (d != NULL) {
				evl_stream_digest_end(d, digest);
				evl_hex(digest, sizeof digest, s->digest);
			} else if (in_record >= 0 && t->record_digests != NULL) {
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
			s->recorded = in_record >= 0;
		}
	}
	return st;
}

/* Had any channel of the take a clock of its own? Byte counts tell to a byte or two. */
static bool had_own_clock(const struct take *t)
{
	bool any = false;
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct part *p = &t->parts[i];
		uint64_t nominal = evl_pace_bytes(p->bound->rate, 0, t->done) * 8;
		uint64_t off = p->received_bits > nominal ? p->received_bits - nominal
							  : nominal - p->received_bits;
		any = any || p->clock_ppb != 0 || (p->plan->capture && off > 16);
	}
	return any;
}

static void release(struct take *t)
{
	evl_parity_finish(t);
	for (uint32_t i = 0; t->parts != NULL && i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		free(p->tx);
		free(p->rx);
		evl_stream_digest_destroy(p->sent_digest);
		evl_stream_digest_destroy(p->received_digest);
		free(p->framed_tx);
		evl_framed_rx_destroy(p->framed_rx);
		evl_line_destroy(p->line);
	}
	for (uint32_t i = 0; t->instances != NULL && i < t->engine->args.instance_count; i++) {
		free(t->instances[i].arms);
		free(t->instances[i].slabs);
		free(t->instances[i].started_ns);
	}
	for (uint32_t i = 0; i < t->meter_count; i++) {
		free(t->meters[i].sample);
	}
	free(t->parts);
	free(t->instances);
	free(t->meters);
	for (uint32_t i = 0; t->inside_memory != NULL && i < t->plan->inside_count; i++) {
		free(t->inside_memory[i]);
	}
	free(t->inside_memory);
	evl_causes_destroy(t->causes);
	free(t->scratch);
	free(t->polled);
	free(t->record_digests);
	evl_rec_abandon(t->writer);
	evl_lease_release(t->engine->leases, t->plan->holder);
}

static enum evl_status lease_all(struct take *t, struct evl_err *err)
{
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

enum evl_status evl_engine_take(struct evl_engine *e, const struct evl_take_plan *plan,
	uint64_t deadline_ns, const struct evl_take_sink *sink, struct evl_take_result **out,
	struct evl_err *err)
{
	static const struct evl_take_sink none = {0};
	struct take t = {.engine = e, .plan = plan, .sink = sink != NULL ? sink : &none};
	*out = NULL;
	t.frames_all = (plan->frames + EVL_TAKE_SLAB_FRAMES - 1) / EVL_TAKE_SLAB_FRAMES *
		       EVL_TAKE_SLAB_FRAMES;
	uint64_t end_ns =
		plan->begin_ns + (t.frames_all + EVL_TAKE_LEAD_IN) * (uint64_t)EVL_FRAME_NS;
	if (end_ns > deadline_ns) {
		return evl_err_set(err, EVL_E_LIMIT,
			"take %s would end %" PRIu64 " ms after the time limit of its case",
			plan->name, (end_ns - deadline_ns) / 1000000u + 1);
	}
	enum evl_status st = lease_all(&t, err);
	if (st == EVL_OK) {
		st = check_plan(&t, err);
	}
	if (st < 0) {
		evl_lease_release(e->leases, plan->holder);
		return st;
	}
	t.result = evl_xcalloc(1, sizeof *t.result);
	st = prepare(&t, err);
	bool began = false;
	for (uint32_t i = 0; i < e->channel_count; i++) {
		e->standing[i][0] = 0; /* monitors begin anew; the unit reports changes only */
	}
	if (st == EVL_OK) {
		st = arm_and_start(&t, err);
		began = st == EVL_OK;
	}
	if (began) {
		e->running = &t;
		st = stream(&t, err);
		e->running = NULL;
	}
	if (e->clock.is_virtual) {
		/* Adapters have moved on by every exchange, also by one that was not used up. */
		evl_clock_reach(&e->clock, plan->begin_ns + t.exchanges * EVL_SLAB_NS);
	}
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct evl_err later = {0};
		struct evl_instance *in = t.instances[i].in;
		if (t.instances[i].count == 0 ||
			evl_instance_stop(in, st == EVL_OK ? err : &later) == EVL_OK) {
			continue;
		}
		st = st == EVL_OK ? EVL_E_ADAPTER : st;
		(void)evl_instance_stop(in, NULL); /* so that the next take is not refused for it */
	}
	t.result->frames = t.done;
	t.result->frames_planned = t.frames_all;
	struct evl_err later = {0};
	if (began) {
		st = evl_record_finish(&t, st, err);
		enum evl_status finished = evl_meters_finish(&t, st == EVL_OK ? err : &later);
		st = st == EVL_OK ? finished : st;
		e->off_clock = had_own_clock(&t);
		finished = collect_streams(&t, st == EVL_OK ? err : &later);
		st = st == EVL_OK ? finished : st;
		evl_watch_finish(&t);
		evl_framed_collect(&t);
		evl_parity_collect(&t);
		*out = t.result;
	} else {
		evl_take_result_destroy(t.result);
	}
	release(&t);
	return st;
}
