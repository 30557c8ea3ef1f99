/* SPDX-License-Identifier: Apache-2.0 */
/* The tester's own receiver of a captured line: defects of section, paths and tributaries, and the
 * bits of tributaries that are followed. */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

static bool is_followed(const struct take *t, uint32_t part)
{
	for (uint32_t i = 0; i < t->plan->inside_count; i++) {
		if (t->plan->inside[i].part == part) {
			return true;
		}
	}
	return false;
}

static bool expects_clients(const struct evl_take_part *p)
{
	for (uint32_t i = 0; i < p->expectation_count; i++) {
		if (p->expectations[i].level == EVL_SDH_CLIENT) {
			return true;
		}
	}
	return false;
}

static bool expects_a_trace(const struct evl_take_part *p)
{
	for (uint32_t i = 0; i < p->expectation_count; i++) {
		if (p->expectations[i].trace.kind != EVL_TRACE_NONE) {
			return true;
		}
	}
	return false;
}

/* How deep its receiver looks. The bits of a line that is not watched depend on no more than
 * EVL_RX_BITS looks at, unless a mismatch of a trace puts AIS in their place. */
static enum evl_rx_depth depth_of(const struct line_receiver *line)
{
	const struct evl_take_part *p = line->part->plan;
	if (!line->deep) {
		return EVL_RX_HIGH;
	}
	return p->watch || expects_a_trace(p) ? EVL_RX_ALL : EVL_RX_BITS;
}

/* Which bound channels are clients of this line. */
static void find_channels(struct line_receiver *line)
{
	const struct evl_engine *e = line->take->engine;
	for (uint32_t i = 0; i < line->client_count; i++) {
		line->channel_of[i] = line->meter_of[i] = UINT32_MAX;
	}
	for (uint32_t c = 0; c < e->channel_count; c++) {
		const struct evl_bound_channel *b = e->channels[c];
		uint32_t client;
		if (b->adapter == line->part->bound->adapter &&
			b->line_channel == line->part->bound->channel &&
			evl_bound_client(&client, &line->map, b)) {
			line->channel_of[client] = c;
		}
	}
}

static enum evl_status expect(struct line_receiver *line, struct evl_err *err)
{
	const struct evl_take_part *p = line->part->plan;
	for (uint32_t i = 0; i < p->expectation_count; i++) {
		const struct evl_take_expectation *x = &p->expectations[i];
		const struct evl_sdh_at at = {(enum evl_sdh_level)x->level, x->index};
		enum evl_status st = x->trace.kind != EVL_TRACE_NONE
					     ? evl_sdh_rx_expect_trace(line->rx, at, &x->trace)
					     : evl_sdh_rx_expect_label(line->rx, at, x->label);
		if (st < 0) {
			return evl_err_set(err, st,
				"take %s: %s: the tester can expect no %s there by the line's "
				"mapping",
				line->take->plan->name, line->part->bound->label,
				x->trace.kind != EVL_TRACE_NONE ? "trace" : "label");
		}
	}
	return EVL_OK;
}

static enum evl_status create(struct take *t, struct part *p, bool followed, struct evl_err *err)
{
	struct line_receiver *line = calloc(1, sizeof *line);
	if (line == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for the receiver of a line");
	}
	p->line = line;
	line->take = t;
	line->part = p;
	evl_require(p->plan->map != NULL || p->bound->map != NULL);
	line->map = p->plan->map != NULL ? *p->plan->map : *p->bound->map;
	line->deep = followed || expects_clients(p->plan);
	line->client_count = evl_sdh_map_clients(&line->map, line->clients);
	const struct evl_rx_options options = {.depth = depth_of(line)};
	enum evl_status st = evl_sdh_rx_create(&line->rx, &line->map, &options, err);
	if (st < 0) {
		return st;
	}
	evl_cut_init(
		&line->frames, EVL_SLAB_FRAMES_MIN * EVL_SDH_LINE_BYTES((size_t)line->map.stm));
	find_channels(line);
	return expect(line, err);
}

enum evl_status evl_lines_prepare(struct take *t, struct evl_err *err)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		bool followed = is_followed(t, i);
		if (!evl_rate_is_line(p->bound->rate) || !(followed || p->plan->watch)) {
			continue;
		}
		enum evl_status st = create(t, p, followed, err);
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

void evl_line_destroy(struct line_receiver *line)
{
	if (line == NULL) {
		return;
	}
	evl_sdh_rx_destroy(line->rx);
	evl_cut_finish(&line->frames);
	for (uint32_t i = 0; i < line->client_count; i++) {
		evl_framed_rx_destroy(line->framed_of[i]);
	}
	free(line);
}

/* What a client may bring in a slab: pieces of 8 frames, with up to one from the slab before, and
 * by another clock one more. */
static size_t slab_room(const struct evl_sdh_client *c)
{
	return (size_t)evl_sdh_rx_room(c, EVL_SLAB_FRAMES_MIN) *
	       (EVL_TAKE_SLAB_FRAMES / EVL_SLAB_FRAMES_MIN + 3);
}

enum evl_status evl_lines_add_meters(struct take *t, struct evl_err *err)
{
	for (uint32_t g = 0; g < t->plan->inside_count; g++) {
		const struct evl_take_inside *in = &t->plan->inside[g];
		struct line_receiver *line = t->parts[in->part].line;
		size_t total = 0, at = 0;
		evl_require(line != NULL && line->deep);
		for (uint32_t i = 0; i < in->count; i++) {
			evl_require(in->follow[i].client < line->client_count &&
				    line->meter_of[in->follow[i].client] == UINT32_MAX);
			total += slab_room(&line->clients[in->follow[i].client]);
		}
		uint8_t *memory = calloc(1, total > 0 ? total : 1);
		if (memory == NULL) {
			return evl_err_set(err, EVL_E_NOMEM,
				"take %s: no memory for %u tributaries inside the line",
				t->plan->name, in->count);
		}
		t->inside_memory[g] = memory;
		for (uint32_t i = 0; i < in->count; i++) {
			const uint32_t client = in->follow[i].client;
			const size_t room = slab_room(&line->clients[client]);
			const uint32_t channel = in->follow[i].channel;
			const enum evl_rate rate = t->engine->channels[channel]->rate;
			size_t sample = room;
			uint32_t frame_bits = evl_rate_frame_bits(rate);
			if (in->slots.count > 0) {
				struct framed_rx *f;
				enum evl_status st = evl_framed_rx_create(
					&f, rate, &in->framing, &in->slots, room, err);
				if (st < 0) {
					return st;
				}
				line->framed_of[client] = f;
				f->take = t;
				f->part = line->part;
				f->line = line;
				f->client = client;
				f->watched = line->part->plan->watch;
				f->out.channel = channel;
				f->out.place = EVL_PLACE_LINE;
				if (f->e1 != NULL) {
					f->e1->channel = channel;
				} else {
					f->t1->channel = channel;
				}
				sample = f->group_room;
				frame_bits = in->slots.count * 8;
			}
			line->meter_of[client] = t->meter_count;
			line->data[client] = memory + at;
			at += room;
			struct meter *m = evl_meter_add(t, in->part, channel, EVL_PLACE_LINE,
				EVL_CONTENT_PATTERN, rate, sample);
			m->out.line_channel = t->plan->parts[in->part].channel;
			m->out.frame_bits = frame_bits;
			m->phase = in->follow[i].phase;
			m->identity = in->identity;
			m->phase_set = in->phase_set;
			struct evl_pattern own = in->pattern;
			own.channel = (uint16_t)channel;
			evl_checker_init(&m->checker, &own);
		}
	}
	return EVL_OK;
}

static void on_event(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	struct line_receiver *line = ctx;
	const struct part *p = line->part;
	struct evl_take_event e = {.channel = p->plan->channel,
		.alarm = alarm,
		.raised = raised,
		.at_ns = evl_watch_ns(
			line->take, (int64_t)(bit - p->seen_bits), (uint64_t)p->rx_bytes * 8),
		.client = -1};
	if (!p->plan->watch) {
		return; /* followed only for its bits */
	}
	if (at.level == EVL_SDH_HIGH) {
		e.path = evl_sdh_path_number(&line->map, at.index);
	} else if (at.level == EVL_SDH_CLIENT) {
		if (alarm == EVL_ALARM_AIS && line->framed_of[at.index] != NULL) {
			return; /* the receiver of its frames says that */
		}
		e.place = EVL_PLACE_LINE;
		e.line_channel = e.channel;
		e.client = (int32_t)at.index;
		e.path = evl_sdh_path_number(&line->map, line->clients[at.index].high);
		if (line->channel_of[at.index] != UINT32_MAX) {
			e.channel = line->channel_of[at.index];
		} else if (alarm == EVL_ALARM_AIS) {
			return; /* what an unused tributary holds is nobody's matter */
		}
	}
	evl_watch_keep(line->take, &e);
}

static void feed(void *ctx, const uint8_t *bits, uint32_t pieces)
{
	struct line_receiver *line = ctx;
	const struct evl_sdh_events events = {on_event, line};
	const uint32_t frames = pieces * EVL_SLAB_FRAMES_MIN;
	if (!line->deep) {
		evl_sdh_decode(line->rx, bits, frames, NULL, NULL, &events);
		return;
	}
	uint8_t *data[EVL_SDH_MOST_CLIENTS];
	uint32_t bytes[EVL_SDH_MOST_CLIENTS];
	for (uint32_t c = 0; c < line->client_count; c++) {
		data[c] = line->data[c] != NULL ? line->data[c] + line->bytes[c] : NULL;
	}
	evl_sdh_decode(line->rx, bits, frames, data, bytes, &events);
	for (uint32_t c = 0; c < line->client_count; c++) {
		line->bytes[c] += bytes[c];
	}
}

void evl_lines_feed(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		if (p->line == NULL) {
			continue;
		}
		memset(p->line->bytes, 0, sizeof p->line->bytes);
		evl_cut_feed(&p->line->frames, p->rx, p->rx_bytes, feed, p->line);
		for (uint32_t c = 0; c < p->line->client_count; c++) {
			if (p->line->framed_of[c] != NULL) {
				evl_framed_rx_feed(
					p->line->framed_of[c], p->line->data[c], p->line->bytes[c]);
			}
		}
	}
}

void evl_lines_feed_meters(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct line_receiver *line = t->parts[i].line;
		for (uint32_t c = 0; line != NULL && c < line->client_count; c++) {
			if (line->meter_of[c] == UINT32_MAX) {
				continue;
			}
			struct meter *m = &t->meters[line->meter_of[c]];
			const struct framed_rx *f = line->framed_of[c];
			if (f != NULL) {
				evl_meter_feed_pattern(t, m, f->group, f->group_bytes);
			} else {
				evl_meter_feed_pattern(t, m, line->data[c], line->bytes[c]);
			}
		}
	}
}
