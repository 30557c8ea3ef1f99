/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/engine.h"

#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

enum evl_status evl_engine_create(
	struct evl_engine **out, const struct evl_engine_args *args, struct evl_err *err)
{
	struct evl_engine *e = evl_xcalloc(1, sizeof *e);
	*out = NULL;
	e->args = *args;
	evl_clock_init(&e->clock, args->is_virtual);
	e->channel_count = (uint32_t)args->binding->channel_count;
	e->channels = evl_xcalloc(e->channel_count, sizeof *e->channels);
	e->standing = evl_xcalloc(e->channel_count, sizeof *e->standing);
	e->off_clock = evl_xcalloc(e->channel_count, sizeof *e->off_clock);
	e->by_port = evl_xcalloc(args->instance_count, sizeof *e->by_port);
	e->port_count = evl_xcalloc(args->instance_count, sizeof *e->port_count);
	for (uint32_t i = 0; i < args->instance_count; i++) {
		evl_instance_channels(args->instances[i], &e->port_count[i]);
		e->by_port[i] = evl_xmalloc(e->port_count[i] * sizeof **e->by_port);
		memset(e->by_port[i], 0xFF, e->port_count[i] * sizeof **e->by_port);
	}
	uint32_t n = 0;
	for (size_t r = 0; r < args->binding->role_count; r++) {
		const struct evl_bound_role *role = &args->binding->roles[r];
		for (size_t c = 0; c < role->channel_count; c++) {
			const struct evl_bound_channel *b = &role->channels[c];
			evl_require(b->adapter < args->instance_count &&
				    b->channel < e->port_count[b->adapter]);
			e->by_port[b->adapter][b->channel] = n;
			e->channels[n++] = b;
		}
	}
	evl_require(n == e->channel_count);
	e->leases = evl_leases_create(n);
	if (n == 0) {
		evl_engine_destroy(e);
		return evl_err_set(err, EVL_E_INVALID, "no channel is bound; nothing can be run");
	}
	*out = e;
	return EVL_OK;
}

void evl_engine_destroy(struct evl_engine *e)
{
	if (e == NULL) {
		return;
	}
	for (uint32_t i = 0; i < e->args.instance_count; i++) {
		free(e->by_port[i]);
	}
	free(e->by_port);
	free(e->port_count);
	free(e->channels);
	free(e->standing);
	free(e->off_clock);
	evl_leases_destroy(e->leases);
	free(e);
}

uint64_t evl_engine_now(const struct evl_engine *e)
{
	return evl_clock_now(&e->clock);
}

void evl_engine_pass(struct evl_engine *e, uint64_t until_ns)
{
	if (e->clock.is_virtual) {
		evl_clock_reach(&e->clock, until_ns);
		memset(e->standing, 0, e->channel_count * sizeof *e->standing);
		memset(e->off_clock, 0, e->channel_count * sizeof *e->off_clock);
	}
}

uint64_t evl_engine_next_begin(const struct evl_engine *e)
{
	const uint64_t grid = EVL_TAKE_SLAB_NS;
	uint64_t now = evl_clock_now(&e->clock);
	return e->clock.is_virtual ? (now + grid - 1) / grid * grid : now + 200000000u;
}

uint32_t evl_engine_channel_count(const struct evl_engine *e)
{
	return e->channel_count;
}

const struct evl_bound_channel *evl_engine_channel(const struct evl_engine *e, uint32_t channel)
{
	evl_require(channel < e->channel_count);
	return e->channels[channel];
}

void evl_take_result_destroy(struct evl_take_result *r)
{
	if (r == NULL) {
		return;
	}
	free(r->meters);
	free(r->events);
	free(r->framed);
	for (uint32_t i = 0; i < r->performance_count; i++) {
		free(r->performances[i].performance);
	}
	free(r->performances);
	free(r->streams);
	free(r->recordings);
	free(r->marks);
	free(r);
}
