/* SPDX-License-Identifier: Apache-2.0 */
/* Events: what the unit reports through its adapter, and what the tester sees in captured bits.
 * They are handed on in the order of their instants, some time after these. */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

/* Events of the unit may come in the poll of the next slab; a cause comes EVL_CAUSE_LEAD_NS later.
 */
#define EVL_EVENT_HOLD_NS (EVL_CAUSE_LEAD_NS + (int64_t)EVL_TAKE_SLAB_NS)

static bool same_defect(const struct evl_take_event *a, const struct evl_take_event *b)
{
	return a->channel == b->channel && a->alarm == b->alarm && a->by_unit == b->by_unit &&
	       a->place == b->place && a->line_channel == b->line_channel &&
	       a->client == b->client && a->path == b->path;
}

void evl_watch_keep(struct take *t, const struct evl_take_event *e)
{
	struct evl_take_result *r = t->result;
	evl_look_event(t->engine, e);
	evl_triggers_event(t, e);
	if (t->in_lead_in) {
		/* Only what still stands at the start matters: a clear removes its raise. */
		for (uint32_t i = 0; i < r->event_count; i++) {
			struct evl_take_event *old = &r->events[i];
			if (same_defect(old, e)) {
				memmove(old, old + 1, (r->event_count - i - 1) * sizeof *old);
				r->event_count--;
				break;
			}
		}
		if (!e->raised) {
			return;
		}
	}
	if (r->event_count >= EVL_TAKE_EVENTS_MAX) {
		r->events_lost++;
		return;
	}
	r->events[r->event_count++] = *e;
}

int64_t evl_watch_ns(const struct take *t, int64_t bits_into_slab, uint64_t slab_bits)
{
	return t->slab_ns + evl_pace_ns(bits_into_slab, slab_bits, EVL_TAKE_SLAB_NS);
}

static int by_time(const struct evl_take_event *x, const struct evl_take_event *y)
{
	const int64_t a[] = {x->at_ns, x->channel, !x->by_unit, x->alarm, x->place, x->line_channel,
		x->client, x->path, x->raised};
	const int64_t b[] = {y->at_ns, y->channel, !y->by_unit, y->alarm, y->place, y->line_channel,
		y->client, y->path, y->raised};
	for (size_t i = 0; i < sizeof a / sizeof a[0]; i++) {
		if (a[i] != b[i]) {
			return a[i] < b[i] ? -1 : 1;
		}
	}
	return 0;
}

/* In place, as qsort may allocate (Shell 1959, gaps of Ciura 2001). */
static void sort(struct evl_take_event *list, uint32_t n)
{
	static const uint32_t gaps[] = {
		31985, 14216, 6318, 2808, 1248, 701, 301, 132, 57, 23, 10, 4, 1};
	for (size_t g = 0; g < sizeof gaps / sizeof gaps[0]; g++) {
		const uint32_t gap = gaps[g];
		for (uint32_t i = gap; i < n; i++) {
			if (by_time(&list[i - gap], &list[i]) <= 0) {
				continue;
			}
			struct evl_take_event one = list[i];
			uint32_t k = i;
			for (; k >= gap && by_time(&list[k - gap], &one) > 0; k -= gap) {
				list[k] = list[k - gap];
			}
			list[k] = one;
		}
	}
}

/* Hands on the events before an instant: in order, each with what explains it. */
static void give(struct take *t, int64_t before_ns)
{
	struct evl_take_result *r = t->result;
	const uint32_t from = t->events_given;
	if (r->event_count == from) {
		return;
	}
	sort(r->events + from, r->event_count - from);
	uint32_t to = from;
	while (to < r->event_count && r->events[to].at_ns < before_ns) {
		to++;
	}
	evl_causes_decide(t->causes, r->events, from, to, r->event_count);
	for (uint32_t i = from; i < to && t->sink->event != NULL; i++) {
		t->sink->event(t->sink->ctx, &r->events[i]);
	}
	t->events_given = to;
}

void evl_watch_lead_in_over(struct take *t)
{
	t->in_lead_in = false;
}

struct seen_by {
	struct take *t;
	const struct part *p;
};

static void on_e1(void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit)
{
	const struct seen_by *s = ctx;
	struct evl_take_event e = {.channel = channel,
		.alarm = alarm,
		.raised = raised,
		.at_ns = evl_watch_ns(
			s->t, (int64_t)(bit - s->p->received_bits), (uint64_t)s->p->rx_bytes * 8),
		.client = -1};
	evl_watch_keep(s->t, &e);
}

/* The frames of a port: for its alarms, or for a pattern in its timeslots. */
static enum evl_status prepare_frames(struct take *t, struct part *p, struct evl_err *err)
{
	const struct evl_take_part *plan = p->plan;
	const struct evl_take_content *c = &plan->expected;
	const bool inside = c->kind == EVL_CONTENT_PATTERN && c->slots.count > 0;
	const bool watch = plan->watch && !evl_rate_is_line(p->bound->rate);
	const bool e1 = p->bound->rate == EVL_RATE_E1;
	if (watch && !e1 && p->bound->rate != EVL_RATE_T1) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: %s: a channel of %s has no alarms of its own; take it out of "
			"watch",
			t->plan->name, p->bound->label, evl_rate_name(p->bound->rate));
	}
	const struct evl_framing *framing = inside ? &c->framing : &plan->framing;
	if (watch && e1 && !inside && !evl_framing_is_framed(framing)) {
		evl_require(evl_e1_monitor_init(&p->e1, 0) == EVL_OK);
		p->watch_e1 = true;
		return EVL_OK;
	}
	if (!watch && !inside) {
		return EVL_OK;
	}
	struct framed_rx *f;
	enum evl_status st = evl_framed_rx_create(&f, p->bound->rate, framing,
		inside ? &c->slots : NULL, evl_slab_room((uint32_t)p->slab_bytes), err);
	if (st < 0) {
		return st;
	}
	p->framed_rx = f;
	f->take = t;
	f->part = p;
	f->watched = watch;
	f->out.channel = plan->channel;
	f->out.place = EVL_PLACE_RECEIVED;
	if (e1) {
		f->e1->channel = plan->channel;
	} else {
		f->t1->channel = plan->channel;
	}
	return EVL_OK;
}

enum evl_status evl_watch_prepare(struct take *t, struct evl_err *err)
{
	t->causes = evl_causes_create(t);
	t->result->events = calloc(EVL_TAKE_EVENTS_MAX, sizeof *t->result->events);
	if (t->result->events == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for the events of a take");
	}
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; i < t->plan->part_count && st == EVL_OK; i++) {
		st = prepare_frames(t, &t->parts[i], err);
	}
	return st == EVL_OK ? evl_lines_prepare(t, err) : st;
}

void evl_watch_feed(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		struct seen_by by = {t, p};
		if (p->watch_e1 && !t->in_lead_in) {
			evl_e1_monitor_feed(
				&p->e1, p->plan->channel, p->rx, p->rx_bytes, on_e1, &by);
		}
		/* Frames are searched for from the lead-in on, so that they are there at the start.
		 */
		if (p->framed_rx != NULL &&
			(!t->in_lead_in || evl_framing_is_framed(&p->framed_rx->out.framing))) {
			evl_framed_rx_feed(p->framed_rx, p->rx, p->rx_bytes);
		}
	}
	evl_lines_feed(t);
}

bool evl_watch_hears(const struct take *t, uint32_t channel)
{
	return t->plan->hears == NULL || t->plan->hears[channel];
}

void evl_watch_report(struct take *t, uint32_t channel, const struct evl_event *reported)
{
	struct evl_take_event ev = {.channel = channel,
		.alarm = (enum evl_alarm)reported->alarm,
		.raised = reported->raised,
		.by_unit = true,
		.client = -1,
		.at_ns = (int64_t)(reported->at_ns -
				   evl_clock_for_adapters(&t->engine->clock, t->start_ns))};
	evl_watch_keep(t, &ev);
}

void evl_watch_give(struct take *t)
{
	if (!t->in_lead_in) {
		give(t, t->slab_ns - EVL_EVENT_HOLD_NS);
	}
}

void evl_watch_finish(struct take *t)
{
	struct evl_take_result *r = t->result;
	if (r->events != NULL) {
		give(t, INT64_MAX);
		/* What an adapter reported late went out late; here it is where it belongs. */
		sort(r->events, r->event_count);
		r->events = evl_xrealloc(
			r->events, (r->event_count ? r->event_count : 1) * sizeof *r->events);
	}
}
