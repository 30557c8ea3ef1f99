/* SPDX-License-Identifier: Apache-2.0 */
/* Takes that begin at one instant: arm the channels of all, start, move slabs, stop. An adapter
 * arms once for all of them, so none can join later; one that ends earlier leaves its channels at
 * idle. */
#include <stdlib.h>

#include "core/base/text.h"
#include "core/engine/internal.h"

/* A failure of the instance now is one of the take: it has a channel there, and was not over. */
static bool is_hit(const struct take *t, uint32_t instance)
{
	if (t->status < 0 || t->ended) {
		return false;
	}
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		uint32_t channel = t->plan->parts[i].channel;
		if (evl_engine_channel(t->engine, channel)->adapter == instance) {
			return true;
		}
	}
	return false;
}

/* The adapter of an instance failed: all takes with channels on it end. The others go on. */
static void instance_failed(
	struct group *g, uint32_t instance, enum evl_status status, struct evl_err *err)
{
	struct evl_text who = {0};
	uint32_t hit = 0;
	g->instances[instance].failed = true;
	for (uint32_t k = 0; k < g->count; k++) {
		if (is_hit(&g->takes[k], instance)) {
			evl_text_addf(
				&who, "%s%s", hit++ > 0 ? ", " : "", g->takes[k].plan->holder);
		}
	}
	if (hit > 1) {
		evl_err_set(err, status, "%s; it ends all that ran on it at once: %.300s",
			err->text, evl_text_str(&who));
	}
	for (uint32_t k = 0; k < g->count; k++) {
		if (is_hit(&g->takes[k], instance)) {
			evl_take_fail(&g->takes[k], status, err);
		}
	}
	evl_text_finish(&who);
}

/* Lists for the adapters, of the takes that can begin. */
static void list_channels(struct group *g)
{
	struct evl_engine *e = g->engine;
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct per_instance *in = &g->instances[i];
		in->in = e->args.instances[i];
		in->arms = evl_xcalloc(e->channel_count, sizeof *in->arms);
		in->slabs = evl_xcalloc(e->channel_count, sizeof *in->slabs);
		in->started_ns = evl_xcalloc(e->channel_count, sizeof *in->started_ns);
	}
	for (uint32_t k = 0; k < g->count; k++) {
		struct take *t = &g->takes[k];
		for (uint32_t i = 0; t->status == EVL_OK && i < t->plan->part_count; i++) {
			struct part *p = &t->parts[i];
			struct per_instance *in = &g->instances[p->instance];
			p->place = in->count++;
			in->arms[p->place] = (struct evl_arm){.channel = p->bound->channel,
				.play = p->plan->play,
				.capture = p->plan->capture,
				.clock_ppb = p->clock_ppb};
			in->slabs[p->place] = (struct evl_slab){
				.channel = p->bound->channel, .tx = p->tx, .rx = p->rx};
		}
	}
}

static void arm_and_start(struct group *g)
{
	struct evl_engine *e = g->engine;
	struct evl_err err = {0};
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct per_instance *in = &g->instances[i];
		enum evl_status st = in->count == 0 ? EVL_OK
						    : evl_instance_arm(in->in, in->arms, in->count,
							      EVL_TAKE_SLAB_FRAMES, &err);
		if (st < 0) {
			instance_failed(g, i, st, &err);
		}
	}
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct per_instance *in = &g->instances[i];
		enum evl_status st =
			in->count == 0 || in->failed
				? EVL_OK
				: evl_instance_start(in->in,
					  evl_clock_for_adapters(&e->clock, g->begin_ns),
					  in->started_ns, &err);
		if (st < 0) {
			instance_failed(g, i, st, &err);
		}
	}
	evl_clock_reach(&e->clock, g->begin_ns);
	for (uint32_t k = 0; k < g->count; k++) {
		if (g->takes[k].status == EVL_OK) {
			evl_take_started(&g->takes[k]);
		}
	}
}

static void exchange(struct group *g)
{
	struct evl_err err = {0};
	g->exchanges++;
	for (uint32_t i = 0; i < g->engine->args.instance_count; i++) {
		struct per_instance *in = &g->instances[i];
		if (in->count == 0 || in->failed) {
			continue;
		}
		enum evl_status st = evl_instance_exchange(
			in->in, EVL_TAKE_SLAB_FRAMES, in->slabs, in->count, &err);
		if (st < 0) {
			instance_failed(g, i, st, &err);
		}
	}
}

/* What units report goes to each take that hears the channel. */
static void hear(struct group *g, uint32_t instance, uint32_t port, const struct evl_event *event)
{
	const struct evl_engine *e = g->engine;
	uint32_t channel = port < e->port_count[instance] ? e->by_port[instance][port] : UINT32_MAX;
	for (uint32_t k = 0; k < g->count && channel != UINT32_MAX; k++) {
		if (g->takes[k].moving && evl_watch_hears(&g->takes[k], channel)) {
			evl_watch_report(&g->takes[k], channel, event);
		}
	}
}

/* An adapter that cannot be asked is a failure for all that hear a channel of it. */
static void deaf(struct group *g, uint32_t instance, enum evl_status status, struct evl_err *err)
{
	const struct evl_engine *e = g->engine;
	if (g->instances[instance].count > 0) {
		instance_failed(g, instance, status, err);
	}
	for (uint32_t c = 0; c < e->channel_count; c++) {
		for (uint32_t k = 0; k < g->count && e->channels[c]->adapter == instance; k++) {
			if (!g->takes[k].ended && evl_watch_hears(&g->takes[k], c)) {
				evl_take_fail(&g->takes[k], status, err);
			}
		}
	}
}

static void poll(struct group *g)
{
	for (uint32_t i = 0; i < g->engine->args.instance_count; i++) {
		struct evl_err err = {0};
		uint32_t n = 0;
		enum evl_status st = EVL_OK;
		do {
			st = g->instances[i].failed
				     ? EVL_OK
				     : evl_instance_poll(g->engine->args.instances[i], g->polled,
					       EVL_POLL_BATCH, &n, &err);
			for (uint32_t k = 0; k < n && st == EVL_OK; k++) {
				hear(g, i, g->polled[k].channel, &g->polled[k]);
			}
		} while (st == EVL_OK && n == EVL_POLL_BATCH && !g->instances[i].failed);
		if (st < 0) {
			deaf(g, i, st, &err);
		}
	}
}

static void each_moving(struct group *g, void (*step)(struct take *t))
{
	for (uint32_t k = 0; k < g->count; k++) {
		if (g->takes[k].moving) {
			step(&g->takes[k]);
		}
	}
}

static bool any_moves(const struct group *g)
{
	for (uint32_t k = 0; k < g->count; k++) {
		if (g->takes[k].moving) {
			return true;
		}
	}
	return false;
}

static void stream(struct group *g)
{
	uint64_t slab_start = g->begin_ns;
	while (any_moves(g)) {
		each_moving(g, evl_take_fill);
		if (!any_moves(g)) {
			break;
		}
		exchange(g);
		each_moving(g, evl_take_slab);
		if (any_moves(g)) {
			poll(g);
		}
		each_moving(g, evl_watch_give);
		each_moving(g, evl_take_advance);
		slab_start += EVL_TAKE_SLAB_NS;
		evl_clock_reach(&g->engine->clock, slab_start);
		each_moving(g, evl_take_judge);
	}
}

static void stop(struct group *g)
{
	struct evl_engine *e = g->engine;
	if (e->clock.is_virtual) {
		/* Adapters have moved on by every exchange, also by one that was not used up. */
		evl_clock_reach(&e->clock, g->begin_ns + g->exchanges * EVL_TAKE_SLAB_NS);
	}
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		struct evl_err err = {0};
		struct per_instance *in = &g->instances[i];
		if (in->count == 0 || evl_instance_stop(in->in, &err) == EVL_OK) {
			continue;
		}
		/* What was measured may not have been what the unit did: it hits all, as alone. */
		for (uint32_t k = 0; k < g->count; k++) {
			g->takes[k].ended = false;
		}
		instance_failed(g, i, EVL_E_ADAPTER, &err);
		(void)evl_instance_stop(
			in->in, NULL); /* so that the next take is not refused for it */
	}
}

void evl_engine_group(struct evl_engine *e, struct evl_take_order *orders, uint32_t count)
{
	static const struct evl_take_sink none = {0};
	struct group g = {.engine = e, .count = count, .begin_ns = orders[0].plan->begin_ns};
	bool any = false;
	g.takes = evl_xcalloc(count, sizeof *g.takes);
	g.instances = evl_xcalloc(e->args.instance_count, sizeof *g.instances);
	g.polled = evl_xcalloc(EVL_POLL_BATCH, sizeof *g.polled);
	for (uint32_t k = 0; k < count; k++) {
		struct evl_take_order *o = &orders[k];
		evl_require(o->plan->begin_ns == g.begin_ns);
		o->err = (struct evl_err){0};
		g.takes[k] = (struct take){.engine = e,
			.plan = o->plan,
			.sink = o->sink != NULL ? o->sink : &none,
			.instances = g.instances,
			.err = &o->err};
		evl_take_prepare(&g.takes[k], o->deadline_ns);
		any = any || g.takes[k].status == EVL_OK;
	}
	if (any) {
		for (uint32_t i = 0; i < e->channel_count; i++) {
			e->standing[i][0] =
				0; /* monitors begin anew; the unit reports changes only */
		}
		list_channels(&g);
		e->running = &g;
		arm_and_start(&g);
		stream(&g);
		e->running = NULL;
		stop(&g);
	}
	for (uint32_t k = 0; k < count; k++) {
		evl_take_collect(&g.takes[k]);
		orders[k].status = g.takes[k].status;
		orders[k].result = g.takes[k].result;
	}
	/* Only now: two takes of one holder would let go of each other's channels. */
	for (uint32_t k = 0; k < count; k++) {
		evl_take_release(&g.takes[k]);
	}
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		free(g.instances[i].arms);
		free(g.instances[i].slabs);
		free(g.instances[i].started_ns);
	}
	free(g.instances);
	free(g.takes);
	free(g.polled);
}

enum evl_status evl_engine_take(struct evl_engine *e, const struct evl_take_plan *plan,
	uint64_t deadline_ns, const struct evl_take_sink *sink, struct evl_take_result **out,
	struct evl_err *err)
{
	struct evl_take_order one = {.plan = plan, .deadline_ns = deadline_ns, .sink = sink};
	evl_engine_group(e, &one, 1);
	*out = one.result;
	if (one.status < 0) {
		evl_err_set(err, one.status, "%s", one.err.text);
	}
	return one.status;
}
