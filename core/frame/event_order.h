/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Puts the events of one call of a receiver in the order of their bits; shared by e1_receive.c and
 * t1_receive.c only. It lies on the stack of the call. Events wait until it is known that none
 * with a lower offset will come; those of one alarm keep the order in which they were added.
 *
 *	struct evl_event_order order;
 *	evl_event_order_init(&order, channel, fn, ctx);
 *	evl_event_order_add(&order, EVL_ALARM_LOS, true, offset);
 *	evl_event_order_give(&order, known_to);	// those up to and with that offset
 */
#pragma once

#include "core/frame/e1.h"

#define EVL_EVENT_ORDER_MOST 400u /* more than the bits that a receiver holds back can bring */

struct evl_ordered_event {
	uint64_t offset;
	uint8_t alarm; /* enum evl_alarm */
	bool raised;
};

struct evl_event_order {
	uint32_t waiting, channel;
	evl_e1_event_fn fn; /* may be NULL */
	void *ctx;
	struct evl_ordered_event e[EVL_EVENT_ORDER_MOST]; /* the earliest first */
};

static inline void evl_event_order_init(
	struct evl_event_order *o, uint32_t channel, evl_e1_event_fn fn, void *ctx)
{
	o->waiting = 0;
	o->channel = channel;
	o->fn = fn;
	o->ctx = ctx;
}

static inline void evl_event_order_give_first(struct evl_event_order *o, uint32_t n)
{
	for (uint32_t i = 0; i < n; i++) {
		o->fn(o->ctx, o->channel, (enum evl_alarm)o->e[i].alarm, o->e[i].raised,
			o->e[i].offset);
	}
	o->waiting -= n;
	for (uint32_t i = 0; i < o->waiting; i++) {
		o->e[i] = o->e[i + n];
	}
}

static inline void evl_event_order_give(struct evl_event_order *o, uint64_t known_to)
{
	uint32_t n = 0;
	while (n < o->waiting && o->e[n].offset <= known_to) {
		n++;
	}
	if (n > 0) {
		evl_event_order_give_first(o, n);
	}
}

static inline void evl_event_order_add(
	struct evl_event_order *o, enum evl_alarm alarm, bool raised, uint64_t offset)
{
	if (o->fn == NULL) {
		return;
	}
	if (o->waiting == EVL_EVENT_ORDER_MOST) { /* too many, so without their order */
		evl_event_order_give_first(o, EVL_EVENT_ORDER_MOST / 2);
	}
	uint32_t at = o->waiting;
	while (at > 0 && o->e[at - 1].offset > offset && o->e[at - 1].alarm != alarm) {
		o->e[at] = o->e[at - 1];
		at--;
	}
	/* A place given up for an earlier one may have looked further than the new one. */
	if (at > 0 && o->e[at - 1].offset > offset) {
		offset = o->e[at - 1].offset;
	}
	o->e[at] = (struct evl_ordered_event){offset, (uint8_t)alarm, raised};
	o->waiting++;
}
