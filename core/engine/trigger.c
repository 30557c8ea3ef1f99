/* SPDX-License-Identifier: Apache-2.0 */
/* Conditions that mark an instant, and begin a recording where they are triggers. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

/* Conditions on each meter: as it was after the slab before. */
struct watched {
	uint64_t fed_bits;
	uint64_t losses, slips;
};

struct triggers {
	const struct evl_take_condition *list[2 * EVL_TAKE_CONDITIONS]; /* triggers, then marks */
	uint32_t count, triggers;
	bool on_meters, on_alarms;
	struct watched *meters;
	bool *passed; /* [condition * meter_count + meter]: ERRORS, in this second */
	uint64_t second;
};

static bool is_about(const struct evl_take_condition *c, uint32_t channel)
{
	return channel >= c->first && channel - c->first < c->count;
}

static void fire(struct take *t, uint32_t which, int64_t at_ns, int64_t channel, const char *text)
{
	struct evl_take_mark mark = {.at_ns = at_ns,
		.channel = channel,
		.trigger = which < t->triggers->triggers,
		.recording = -1};
	snprintf(mark.text, sizeof mark.text, "%s", text);
	evl_record_mark(t, &mark);
}

static const char *inside_of(const struct take *t, const struct meter *m)
{
	return m->out.place == EVL_PLACE_LINE
		       ? evl_engine_channel(t->engine, m->out.line_channel)->label
		       : NULL;
}

static void fire_meter(
	struct take *t, uint32_t which, const struct meter *m, int64_t at_ns, const char *what)
{
	char text[EVL_TAKE_MARK_TEXT];
	const char *line = inside_of(t, m);
	snprintf(text, sizeof text, "%s on %.32s%s%.32s", what,
		evl_engine_channel(t->engine, m->out.channel)->label, line != NULL ? " in " : "",
		line != NULL ? line : "");
	fire(t, which, at_ns, m->out.channel, text);
}

/* Instant of bit `bit` of what a meter was fed, `fed` bits of which came before this slab. */
static int64_t instant(const struct take *t, const struct meter *m, uint64_t fed)
{
	const struct evl_checker *c = &m->checker;
	if (c->pattern.kind == EVL_PATTERN_COUNTER) {
		return t->slab_ns + (int64_t)EVL_TAKE_SLAB_NS; /* it tells no positions of losses */
	}
	return evl_watch_ns(t, (int64_t)(c->last_loss_bit - fed), c->fed_bits - fed);
}

static void look_at_errors(struct take *t, uint32_t which, uint32_t meter)
{
	const struct meter *m = &t->meters[meter];
	const struct evl_take_condition *c = t->triggers->list[which];
	bool *passed = &t->triggers->passed[(size_t)which * t->meter_count + meter];
	const uint64_t errors = m->out.kind == EVL_CONTENT_PATTERN
					? m->checker.errors - m->last.errors
					: m->errors - m->last_errors;
	if (*passed || errors <= c->above) {
		return;
	}
	*passed = true;
	char what[80];
	snprintf(what, sizeof what, "more than %" PRIu64 " errors in second %" PRIu64, c->above,
		t->triggers->second + 1);
	fire_meter(t, which, m, t->slab_ns + (int64_t)EVL_TAKE_SLAB_NS, what);
}

static void look_at_meter(struct take *t, uint32_t meter)
{
	struct triggers *g = t->triggers;
	const struct meter *m = &t->meters[meter];
	struct watched *w = &g->meters[meter];
	const struct evl_checker *c = &m->checker;
	const bool pattern = m->out.kind == EVL_CONTENT_PATTERN;
	const uint64_t losses = pattern ? c->sync_losses - w->losses : 0;
	const uint64_t slips = pattern ? c->slips - w->slips : 0;
	for (uint32_t i = 0; i < g->count; i++) {
		if (g->list[i]->kind == EVL_WHEN_INSTANT || !is_about(g->list[i], m->out.channel)) {
			continue;
		}
		if (g->list[i]->kind == EVL_WHEN_ERRORS) {
			look_at_errors(t, i, meter);
		} else if (g->list[i]->kind == EVL_WHEN_PATTERN_LOST && losses > 0) {
			fire_meter(t, i, m, instant(t, m, w->fed_bits), "pattern lost");
		} else if (g->list[i]->kind == EVL_WHEN_SLIP && slips > 0) {
			char what[80], many[40] = "";
			if (slips > 1) {
				snprintf(many, sizeof many, "%" PRIu64 " slips, last ", slips);
			}
			snprintf(what, sizeof what, "%s%+" PRId64 " bits",
				slips > 1 ? many : "slip ", c->last_slip_bits);
			fire_meter(t, i, m, instant(t, m, w->fed_bits), what);
		}
	}
	*w = (struct watched){c->fed_bits, c->sync_losses, c->slips};
}

static void look_at_instants(struct take *t)
{
	for (uint32_t i = 0; i < t->triggers->count; i++) {
		const struct evl_take_condition *c = t->triggers->list[i];
		if (c->kind == EVL_WHEN_INSTANT && (int64_t)c->at_ns >= t->slab_ns &&
			(int64_t)c->at_ns < t->slab_ns + (int64_t)EVL_TAKE_SLAB_NS) {
			fire(t, i, (int64_t)c->at_ns, -1, c->text);
		}
	}
}

void evl_triggers_look(struct take *t)
{
	struct triggers *g = t->triggers;
	if (g == NULL) {
		return;
	}
	if (g->second != t->done / EVL_FRAMES_PER_S) {
		g->second = t->done / EVL_FRAMES_PER_S;
		memset(g->passed, 0, (size_t)g->count * t->meter_count * sizeof *g->passed);
	}
	look_at_instants(t);
	for (uint32_t i = 0; i < t->meter_count && g->on_meters; i++) {
		look_at_meter(t, i);
	}
}

void evl_triggers_event(struct take *t, const struct evl_take_event *e)
{
	const struct triggers *g = t->triggers;
	if (g == NULL || !g->on_alarms || !e->raised || t->in_lead_in || e->at_ns < 0) {
		return;
	}
	for (uint32_t i = 0; i < g->count; i++) {
		const struct evl_take_condition *c = g->list[i];
		if (c->kind != EVL_WHEN_ALARM || !is_about(c, e->channel) ||
			(c->alarm != EVL_ALARM_NONE && c->alarm != e->alarm) ||
			(c->by == EVL_BY_UNIT && !e->by_unit) ||
			(c->by == EVL_BY_TESTER && e->by_unit)) {
			continue;
		}
		char text[EVL_TAKE_MARK_TEXT], path[32] = "";
		const bool in_line = e->place == EVL_PLACE_LINE && e->channel != e->line_channel;
		if (e->path > 0 && !in_line) {
			snprintf(path, sizeof path, " path %" PRIu32, e->path);
		}
		snprintf(text, sizeof text, "%s raised on %.32s%s%s%.32s, by the %s",
			evl_alarm_name(e->alarm), evl_engine_channel(t->engine, e->channel)->label,
			path, in_line ? " in " : "",
			in_line ? evl_engine_channel(t->engine, e->line_channel)->label : "",
			e->by_unit ? "unit" : "tester");
		fire(t, i, e->at_ns, e->channel, text);
	}
}

/* A condition that nothing in the take can fulfil is a mistake. */
static enum evl_status check(
	const struct take *t, const struct evl_take_condition *c, struct evl_err *err)
{
	evl_require(c->kind == EVL_WHEN_INSTANT ||
		    (c->count > 0 && c->first + c->count <= t->engine->channel_count));
	if (c->kind == EVL_WHEN_INSTANT) {
		evl_require(c->text != NULL && strlen(c->text) < EVL_TAKE_MARK_TEXT);
		return c->at_ns < t->frames_all * EVL_FRAME_NS
			       ? EVL_OK
			       : evl_err_set(err, EVL_E_INVALID,
					 "take %s: record: the mark \"%s\" would come after the "
					 "end "
					 "of the take",
					 t->plan->name, c->text);
	}
	for (uint32_t i = 0; i < t->meter_count && c->kind != EVL_WHEN_ALARM; i++) {
		const struct evl_take_meter *m = &t->meters[i].out;
		if (is_about(c, m->channel) &&
			(c->kind == EVL_WHEN_ERRORS || m->kind == EVL_CONTENT_PATTERN)) {
			return EVL_OK;
		}
	}
	return c->kind == EVL_WHEN_ALARM
		       ? EVL_OK
		       : evl_err_set(err, EVL_E_INVALID,
				 "take %s: record: nothing is expected on %s that could tell of "
				 "%s; "
				 "add %s to expect or inside",
				 t->plan->name, evl_engine_channel(t->engine, c->first)->label,
				 c->kind == EVL_WHEN_ERRORS ? "errors"
				 : c->kind == EVL_WHEN_SLIP ? "slips"
							    : "lost patterns",
				 c->kind == EVL_WHEN_ERRORS ? "its role" : "a pattern of its role");
}

enum evl_status evl_triggers_create(struct take *t, struct evl_err *err)
{
	const struct evl_take_record *r = &t->plan->record;
	if (r->when_count + r->mark_count == 0) {
		return EVL_OK;
	}
	evl_require(r->when_count <= EVL_TAKE_CONDITIONS && r->mark_count <= EVL_TAKE_CONDITIONS);
	struct triggers *g = evl_xcalloc(1, sizeof *g);
	t->triggers = g;
	g->triggers = r->when_count;
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; i < r->when_count + r->mark_count && st == EVL_OK; i++) {
		const struct evl_take_condition *c =
			i < r->when_count ? &r->when[i] : &r->mark[i - r->when_count];
		g->list[g->count++] = c;
		g->on_alarms = g->on_alarms || c->kind == EVL_WHEN_ALARM;
		g->on_meters =
			g->on_meters || (c->kind != EVL_WHEN_ALARM && c->kind != EVL_WHEN_INSTANT);
		st = check(t, c, err);
	}
	g->meters = evl_xcalloc(t->meter_count, sizeof *g->meters);
	g->passed = evl_xcalloc((size_t)g->count * t->meter_count, sizeof *g->passed);
	return st;
}

void evl_triggers_destroy(struct triggers *g)
{
	if (g != NULL) {
		free(g->meters);
		free(g->passed);
		free(g);
	}
}
