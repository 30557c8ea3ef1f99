/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/look.h"

#include <string.h>

#include "core/engine/internal.h"

const char *evl_look_name(enum evl_look_state state)
{
	static const char *const names[EVL_LOOK_COUNT] = {
		"not in the take", "running", "no sync", "in sync"};
	return state >= EVL_LOOK_IDLE && state < EVL_LOOK_COUNT ? names[state] : "";
}

void evl_look_event(struct evl_engine *e, const struct evl_take_event *event)
{
	uint64_t *mask = &e->standing[event->channel][event->by_unit];
	uint64_t bit = (uint64_t)1 << event->alarm;
	*mask = event->raised ? *mask | bit : *mask & ~bit;
}

static void look_at(const struct take *t, struct evl_look *out)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		out[t->plan->parts[i].channel].state = EVL_LOOK_MOVING;
	}
	for (uint32_t i = 0; i < t->meter_count; i++) {
		const struct meter *m = &t->meters[i];
		bool pattern = m->out.kind == EVL_CONTENT_PATTERN;
		/* A comparison with a recording has no search: it stands on its place. */
		bool in_sync = !pattern || m->checker.locked;
		struct evl_look *l = &out[m->out.channel];
		l->bits += pattern ? m->checker.bits : m->bits;
		l->errors += pattern ? m->checker.errors : m->errors;
		if (l->state != EVL_LOOK_SEARCHING) {
			l->state = in_sync ? EVL_LOOK_IN_SYNC : EVL_LOOK_SEARCHING;
		}
	}
}

void evl_engine_look(const struct evl_engine *e, struct evl_look *out)
{
	const struct group *g = e->running;
	memset(out, 0, e->channel_count * sizeof *out);
	if (g == NULL) {
		return;
	}
	for (uint32_t c = 0; c < e->channel_count; c++) {
		out[c].alarms = e->standing[c][0] | e->standing[c][1];
	}
	for (uint32_t i = 0; i < g->count; i++) {
		if (g->takes[i].moving) {
			look_at(&g->takes[i], out);
		}
	}
}
