/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which defect explains which, so that one root cause does not bury the reader. A defect is a
 * consequence while a higher one stands on the same line, path or tributary, in the order of ITU-T
 * G.783: LOS > LOF > MS-AIS > AU-AIS, AU-LOP > HP-UNEQ, TIM, PLM > LOM > TU-AIS, TU-LOP > LP-UNEQ,
 * TIM, PLM > AIS > LOF of the tributary > its multiframes. Remote indications answer any of these.
 * Reports of the unit and what the tester saw explain one another.
 */
#include <stdlib.h>

#include "core/engine/internal.h"

enum level { LEVEL_SECTION, LEVEL_PATH, LEVEL_TRIBUTARY };

/* How high a defect is, low numbers first; 0: never a cause. `answers`: a remote indication, which
 * is explained by defects up to this height. */
struct rank {
	uint8_t height;
	uint8_t answers;
	uint8_t level;
};

/* On a line. */
static const struct rank on_line[EVL_ALARM_COUNT] = {
	[EVL_ALARM_LOS] = {1, 0, LEVEL_SECTION},
	[EVL_ALARM_LOF] = {2, 0, LEVEL_SECTION},
	[EVL_ALARM_OOF] = {3, 0, LEVEL_SECTION},
	[EVL_ALARM_RS_TIM] = {4, 0, LEVEL_SECTION},
	[EVL_ALARM_MS_AIS] = {5, 0, LEVEL_SECTION},
	[EVL_ALARM_AU_AIS] = {6, 0, LEVEL_PATH},
	[EVL_ALARM_AU_LOP] = {6, 0, LEVEL_PATH},
	[EVL_ALARM_HP_UNEQ] = {7, 0, LEVEL_PATH},
	[EVL_ALARM_HP_TIM] = {8, 0, LEVEL_PATH},
	[EVL_ALARM_HP_PLM] = {9, 0, LEVEL_PATH},
	[EVL_ALARM_HP_LOM] = {10, 0, LEVEL_PATH},
	[EVL_ALARM_MS_RDI] = {0, 5, LEVEL_SECTION},
	[EVL_ALARM_HP_RDI] = {0, 9, LEVEL_PATH},
};

/* On a tributary, or one that no channel is bound to. */
static const struct rank on_tributary[EVL_ALARM_COUNT] = {
	[EVL_ALARM_TU_AIS] = {11, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_TU_LOP] = {11, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LP_UNEQ] = {12, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LP_TIM] = {13, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LP_PLM] = {14, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LOS] = {15, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_AIS] = {16, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LOF] = {17, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_OOF] = {18, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LOM] = {19, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_TS16_AIS] = {20, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_TS16_LOM] = {21, 0, LEVEL_TRIBUTARY},
	[EVL_ALARM_LP_RDI] = {0, 14, LEVEL_TRIBUTARY},
	[EVL_ALARM_LP_RFI] = {0, 14, LEVEL_TRIBUTARY},
	[EVL_ALARM_RAI] = {0, 19, LEVEL_TRIBUTARY},
	[EVL_ALARM_TS16_RAI] = {0, 21, LEVEL_TRIBUTARY},
};

/* A remote indication of a higher layer says that the far end is down for this one as well. */
static uint8_t remote_height(enum evl_alarm alarm)
{
	return alarm == EVL_ALARM_MS_RDI   ? 1
	       : alarm == EVL_ALARM_HP_RDI ? 2
	       : alarm == EVL_ALARM_LP_RDI ? 3
	       : alarm == EVL_ALARM_LP_RFI ? 4
					   : 0;
}

/* A defect that stands, or stood a moment ago. */
struct stood {
	struct evl_take_event raise;
	int64_t ended_ns; /* INT64_MAX while it stands */
};

struct where {
	uint32_t line;    /* engine channel, or UINT32_MAX */
	uint32_t path;    /* 0: not known */
	bool line_played; /* the tester sends into the line's input: its output is another signal */
};

struct causes {
	const struct take *take;
	struct where *where; /* by engine channel */
	struct stood *list;
	uint32_t count, room;
};

static uint32_t path_of(const struct evl_sdh_map *map, uint32_t client)
{
	struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
	uint32_t n = evl_sdh_map_clients(map, list);
	return client < n ? evl_sdh_path_number(map, list[client].high) : 0;
}

static const struct evl_sdh_map *map_of(const struct take *t, uint32_t line)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		if (t->plan->parts[i].channel == line && t->plan->parts[i].map != NULL) {
			return t->plan->parts[i].map;
		}
	}
	return t->engine->channels[line]->map;
}

struct causes *evl_causes_create(const struct take *t)
{
	const struct evl_engine *e = t->engine;
	struct causes *c = evl_xcalloc(1, sizeof *c);
	c->take = t;
	c->where = evl_xcalloc(e->channel_count, sizeof *c->where);
	c->room = 4096;
	c->list = evl_xcalloc(c->room, sizeof *c->list);
	for (uint32_t i = 0; i < e->channel_count; i++) {
		const struct evl_bound_channel *b = e->channels[i];
		struct where *w = &c->where[i];
		w->line = UINT32_MAX;
		if (evl_rate_is_line(b->rate)) {
			w->line = i;
		} else if (b->line_channel < e->port_count[b->adapter]) {
			w->line = e->by_port[b->adapter][b->line_channel];
		}
		uint32_t client;
		if (w->line != UINT32_MAX && w->line != i) {
			const struct evl_sdh_map *map = map_of(t, w->line);
			if (evl_bound_client(&client, map, b)) {
				w->path = path_of(map, client);
			} else {
				w->line = UINT32_MAX; /* it does not ride there */
			}
		}
		for (uint32_t k = 0; k < t->plan->part_count; k++) {
			if (t->plan->parts[k].channel == w->line) {
				w->line_played = t->plan->parts[k].play;
			}
		}
	}
	return c;
}

void evl_causes_destroy(struct causes *c)
{
	if (c != NULL) {
		free(c->where);
		free(c->list);
		free(c);
	}
}

static bool is_line_event(const struct causes *c, const struct evl_take_event *e)
{
	return c->where[e->channel].line == e->channel && e->client < 0;
}

static const struct rank *rank_of(const struct causes *c, const struct evl_take_event *e)
{
	return is_line_event(c, e) ? &on_line[e->alarm] : &on_tributary[e->alarm];
}

static uint32_t path_of_event(const struct causes *c, const struct evl_take_event *e)
{
	return e->path != 0 ? e->path : c->where[e->channel].path;
}

/* Is `e` seen at the line itself, not at the port of a tributary? */
static bool at_line(const struct causes *c, const struct evl_take_event *e)
{
	return is_line_event(c, e) || e->place == EVL_PLACE_LINE;
}

/* Can `higher` explain `e` by what they are and where? */
static bool explains(
	const struct causes *c, const struct evl_take_event *higher, const struct evl_take_event *e)
{
	const struct rank *h = rank_of(c, higher), *own = rank_of(c, e);
	const uint8_t remote = remote_height(higher->alarm), mine = remote_height(e->alarm);
	const bool answer = own->answers > 0;
	const bool by_height =
		h->height > 0 &&
		(answer ? h->height <= own->answers : own->height > 0 && h->height < own->height);
	const bool by_remote = remote > 0 && mine > 0 && remote < mine;
	if (!by_height && !by_remote) {
		return false;
	}
	const struct where *w = &c->where[e->channel], *wh = &c->where[higher->channel];
	if (h->level == LEVEL_TRIBUTARY) {
		/* A tributary without a channel goes by its place in the line; else inside the line
		 * and at its port it is the same. */
		if (higher->channel != e->channel ||
			(w->line == e->channel && higher->client != e->client)) {
			return false;
		}
	} else if (wh->line == UINT32_MAX || wh->line != w->line) {
		return false;
	} else if (h->level == LEVEL_PATH) {
		const uint32_t a = path_of_event(c, higher), b = path_of_event(c, e);
		if (a != 0 && b != 0 && a != b) {
			return false;
		}
	}
	/* What the unit says of a tributary's input is what comes from the tester. */
	if (e->by_unit && e->alarm == EVL_ALARM_LOS && !is_line_event(c, e)) {
		return false;
	}
	/* Into the line and out of it are two signals, unless the one is the other by a loop. */
	return answer || higher->by_unit == e->by_unit || !at_line(c, higher) || !at_line(c, e) ||
	       !w->line_played;
}

static uint32_t height_of(const struct causes *c, const struct evl_take_event *e)
{
	const struct rank *r = rank_of(c, e);
	return r->height > 0 ? r->height : 100u + remote_height(e->alarm);
}

/* The better explanation: the higher, then the earlier, then the unit's. */
static bool better(
	const struct causes *c, const struct evl_take_event *a, const struct evl_take_event *b)
{
	if (b == NULL || height_of(c, a) != height_of(c, b)) {
		return b == NULL || height_of(c, a) < height_of(c, b);
	}
	if (a->at_ns != b->at_ns) {
		return a->at_ns < b->at_ns;
	}
	return a->by_unit && !b->by_unit;
}

static bool same_defect(const struct evl_take_event *a, const struct evl_take_event *b)
{
	return a->channel == b->channel && a->alarm == b->alarm && a->by_unit == b->by_unit &&
	       a->place == b->place && a->line_channel == b->line_channel &&
	       a->client == b->client && a->path == b->path;
}

static void decide_raise(
	struct causes *c, struct evl_take_event *events, uint32_t at, uint32_t known)
{
	struct evl_take_event *e = &events[at];
	const struct evl_take_event *best = NULL;
	for (uint32_t i = 0; i < c->count; i++) {
		const struct stood *s = &c->list[i];
		if (s->ended_ns >= e->at_ns - EVL_CAUSE_TAIL_NS && explains(c, &s->raise, e) &&
			better(c, &s->raise, best)) {
			best = &s->raise;
		}
	}
	for (uint32_t i = at + 1; i < known && events[i].at_ns <= e->at_ns + EVL_CAUSE_LEAD_NS;
		i++) {
		if (events[i].raised && explains(c, &events[i], e) && better(c, &events[i], best)) {
			best = &events[i];
		}
	}
	if (best != NULL) {
		/* What explains may have a root of its own, further up. */
		const bool rooted = best->cause != EVL_ALARM_NONE;
		const enum evl_alarm cause = rooted ? best->cause : best->alarm;
		const uint32_t channel = rooted ? best->cause_channel : best->channel;
		const bool by_unit = rooted ? best->cause_by_unit : best->by_unit;
		e->cause = cause;
		e->cause_channel = channel;
		e->cause_by_unit = by_unit;
	}
}

/* Drops what ended too long ago to explain anything; false when there is no room even so. */
static bool make_room(struct causes *c, int64_t now_ns)
{
	uint32_t kept = 0;
	for (uint32_t i = 0; i < c->count; i++) {
		if (c->list[i].ended_ns >= now_ns - EVL_CAUSE_TAIL_NS) {
			c->list[kept++] = c->list[i];
		}
	}
	c->count = kept;
	return c->count < c->room;
}

void evl_causes_decide(
	struct causes *c, struct evl_take_event *events, uint32_t from, uint32_t to, uint32_t known)
{
	for (uint32_t at = from; at < to; at++) {
		struct evl_take_event *e = &events[at];
		if (!e->raised) {
			for (uint32_t i = c->count; i-- > 0;) {
				struct stood *s = &c->list[i];
				if (s->ended_ns == INT64_MAX && same_defect(&s->raise, e)) {
					s->ended_ns = e->at_ns;
					e->cause = s->raise.cause;
					e->cause_channel = s->raise.cause_channel;
					e->cause_by_unit = s->raise.cause_by_unit;
					break;
				}
			}
			continue;
		}
		decide_raise(c, events, at, known);
		if (c->count < c->room || make_room(c, e->at_ns)) {
			c->list[c->count++] = (struct stood){.raise = *e, .ended_ns = INT64_MAX};
		}
	}
	if (to > from) {
		make_room(c, events[to - 1].at_ns);
	}
}
