/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_link.h"

#define INTERVAL  16
#define INTERVALS 0x3ffu /* ten */
#define TAKEN     7

static unsigned ones(unsigned v)
{
	unsigned n = 0;
	for (; v != 0; v &= v - 1) {
		n++;
	}
	return n;
}

/* True when an interval of this watch ended with this bit. */
static bool step(struct evl_t1_link_watch *w, bool message, uint8_t code)
{
	if (!w->on || ++w->phase < INTERVAL) {
		return false;
	}
	w->phase = 0;
	w->history = (uint16_t)((w->history << 1 | (message && code == w->code)) & INTERVALS);
	return true;
}

bool evl_t1_link_bit(struct evl_t1_link *link, bool bit)
{
	link->bits = (uint16_t)(link->bits << 1 | bit);
	link->have = (uint8_t)(link->have + (link->have < INTERVAL));
	link->ones = bit ? link->ones + (link->ones < UINT32_MAX) : 0;
	bool message = link->have == INTERVAL && (link->bits & 0xff81) == 0xff00;
	uint8_t code = (uint8_t)(link->bits >> 1 & 0x3f);
	bool changed = false;

	if (step(&link->held, message, code) && link->held.history == 0) {
		link->held.on = false;
		link->found = false;
		changed = true;
	}
	bool ended = step(&link->next, message, code);
	bool idle = !link->next.on || (link->next.history & 1) == 0;
	bool known = link->held.on && link->held.code == code && link->held.phase == 0;
	if (message && !known && idle) {
		link->next = (struct evl_t1_link_watch){.on = true, .code = code, .history = 1};
		ended = true;
	}
	if (ended && ones(link->next.history) >= TAKEN) {
		changed = changed || !link->found || link->code != link->next.code;
		link->found = true;
		link->code = link->next.code;
		link->held = link->next;
		link->next.on = false;
	} else if (ended && link->next.history == 0) {
		link->next.on = false;
	}
	return changed;
}
