/* SPDX-License-Identifier: Apache-2.0 */
/* Events: what the unit reports through its adapter, and what the tester sees in captured bits. */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

static void keep(struct take *t, const struct evl_take_event *e)
{
	struct evl_take_result *r = t->result;
	if (t->in_lead_in) {
		/* Only what still stands at the start matters: a clear removes its raise. */
		for (uint32_t i = 0; i < r->event_count; i++) {
			struct evl_take_event *old = &r->events[i];
			if (old->channel == e->channel && old->alarm == e->alarm &&
				old->by_unit == e->by_unit) {
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
	if (!t->in_lead_in && t->sink->event != NULL) {
		t->sink->event(t->sink->ctx, e);
	}
}

void evl_watch_lead_in_over(struct take *t)
{
	t->in_lead_in = false;
	for (uint32_t i = 0; i < t->result->event_count; i++) {
		if (t->sink->event != NULL) {
			t->sink->event(t->sink->ctx, &t->result->events[i]);
		}
	}
}

struct seen_by {
	struct take *t;
	const struct part *p;
};

/* Instant of a bit from the start (negative in the lead-in), rounded down; `before` is the number
 * of the present slab's first bit. */
static int64_t bit_to_ns(const struct seen_by *s, uint64_t bit, uint64_t before)
{
	return s->t->slab_ns + evl_pace_ns((int64_t)(bit - before), (uint64_t)s->p->rx_bytes * 8,
				       (uint64_t)EVL_TAKE_SLAB_FRAMES * EVL_FRAME_NS);
}

static void on_line(void *ctx, enum evl_alarm alarm, int tributary, bool raised, uint64_t bit)
{
	const struct seen_by *s = ctx;
	(void)tributary; /* the monitor speaks of the line only */
	struct evl_take_event e = {.channel = s->p->plan->channel,
		.alarm = alarm,
		.raised = raised,
		.at_ns = bit_to_ns(s, bit, s->p->seen_bits)};
	keep(s->t, &e);
}

static void on_e1(void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit)
{
	const struct seen_by *s = ctx;
	struct evl_take_event e = {.channel = channel,
		.alarm = alarm,
		.raised = raised,
		.at_ns = bit_to_ns(s, bit, s->p->received_bits)};
	keep(s->t, &e);
}

enum evl_status evl_watch_prepare(struct take *t, struct evl_err *err)
{
	t->polled = evl_xcalloc(EVL_POLL_BATCH, sizeof *t->polled);
	t->result->events = calloc(EVL_TAKE_EVENTS_MAX, sizeof *t->result->events);
	if (t->result->events == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for the events of a take");
	}
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		if (!p->plan->watch) {
			continue;
		}
		if (p->bound->rate == EVL_RATE_E1) {
			evl_require(evl_e1_monitor_init(&p->e1, 0) == EVL_OK);
			p->watch_e1 = true;
		} else if (p->bound->rate == EVL_RATE_STM1) {
			enum evl_status st = evl_line_monitor_create(&p->line, NULL, err);
			if (st < 0) {
				return st;
			}
			evl_cut_init(&p->line_frames, EVL_MUX63_LINE_BYTES);
		} else {
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: %s: %s channels cannot be watched for alarms "
				"yet; take it out "
				"of watch",
				t->plan->name, p->bound->label, evl_rate_name(p->bound->rate));
		}
	}
	return EVL_OK;
}

static void feed_line(void *ctx, const uint8_t *line, uint32_t frames)
{
	struct seen_by *by = ctx;
	struct evl_mux63_events events = {on_line, by};
	evl_line_monitor_feed(by->p->line, line, frames, &events);
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
		if (p->line != NULL) {
			evl_cut_feed(&p->line_frames, p->rx, p->rx_bytes, feed_line, &by);
		}
	}
}

enum evl_status evl_watch_poll(struct take *t, struct evl_err *err)
{
	struct evl_engine *e = t->engine;
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		uint32_t n = 0;
		do {
			enum evl_status st = evl_instance_poll(
				e->args.instances[i], t->polled, EVL_POLL_BATCH, &n, err);
			if (st < 0) {
				return st;
			}
			for (uint32_t k = 0; k < n; k++) {
				uint32_t port = t->polled[k].channel;
				uint32_t channel =
					port < e->port_count[i] ? e->by_port[i][port] : UINT32_MAX;
				if (channel == UINT32_MAX) {
					continue; /* a channel that no role names */
				}
				struct evl_take_event ev = {.channel = channel,
					.alarm = (enum evl_alarm)t->polled[k].alarm,
					.raised = t->polled[k].raised,
					.by_unit = true,
					.at_ns = (int64_t)(t->polled[k].at_ns -
							   evl_clock_for_adapters(
								   &e->clock, t->start_ns))};
				keep(t, &ev);
			}
		} while (n == EVL_POLL_BATCH);
	}
	return EVL_OK;
}

static int by_time(const void *a, const void *b)
{
	const struct evl_take_event *x = a;
	const struct evl_take_event *y = b;
	if (x->at_ns != y->at_ns) {
		return x->at_ns < y->at_ns ? -1 : 1;
	}
	if (x->channel != y->channel) {
		return x->channel < y->channel ? -1 : 1;
	}
	if (x->by_unit != y->by_unit) {
		return x->by_unit ? -1 : 1;
	}
	if (x->alarm != y->alarm) {
		return x->alarm < y->alarm ? -1 : 1;
	}
	return (int)x->raised - (int)y->raised;
}

void evl_watch_finish(struct take *t)
{
	struct evl_take_result *r = t->result;
	if (r->event_count > 1) {
		qsort(r->events, r->event_count, sizeof *r->events, by_time);
	}
	if (r->events != NULL) {
		r->events = evl_xrealloc(
			r->events, (r->event_count ? r->event_count : 1) * sizeof *r->events);
	}
}
