/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The engine moves slabs between sources, adapters and meters. It knows nothing of Lua or SQLite:
 * results leave through a sink and a result record.
 *
 *	evl_engine_create(&engine, &args, &err);
 *	evl_engine_take(engine, &plan, deadline_ns, &sink, &result, &err);
 *	evl_take_result_destroy(result);
 *	evl_engine_destroy(engine);
 *
 * The streaming loop allocates nothing: all memory of a take is got before its start.
 */
#pragma once

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

#include "core/adapter/instance.h"
#include "core/bench/bind.h"
#include "core/engine/take.h"

struct evl_engine;

struct evl_engine_args {
	struct evl_instance *const *instances; /* by adapter index of the bench; borrowed */
	uint32_t instance_count;
	const struct evl_binding *binding; /* borrowed */
	bool is_virtual;
	const volatile sig_atomic_t *stop; /* not 0: end the running take early; may be NULL */
	/* Recordings leave so many bytes of their file system free: a take that would need them is
	 * refused, and a recording that comes near is ended. */
	uint64_t reserve_bytes;
	/* Free bytes where `path` will be; NULL: of the file system. Called from any thread. */
	enum evl_status (*free_space)(uint64_t *bytes, const char *path, struct evl_err *err);
};

enum evl_status evl_engine_create(
	struct evl_engine **out, const struct evl_engine_args *args, struct evl_err *err);
void evl_engine_destroy(struct evl_engine *engine); /* takes NULL */

uint64_t evl_engine_now(const struct evl_engine *engine); /* ns on the clock of the run */
/* Virtual clock: on to that instant, never back: what lies before was measured in an earlier run.
 * Does nothing on the real clock, where the time is what it is. */
void evl_engine_pass(struct evl_engine *engine, uint64_t until_ns);
uint32_t evl_engine_channel_count(const struct evl_engine *engine);
/* Borrowed from the binding. */
const struct evl_bound_channel *evl_engine_channel(
	const struct evl_engine *engine, uint32_t channel);

/* When a take that is begun now can begin: on the 8 ms grid of the virtual clock; on the real clock
 * 200 ms from now, time enough to arm all channels. The take proper starts EVL_TAKE_LEAD_IN frames
 * later. */
uint64_t evl_engine_next_begin(const struct evl_engine *engine);

/* Runs one take. `deadline_ns` on the clock of the run: a take that would end later is refused
 * with EVL_E_LIMIT before it begins (on the real clock also when it runs over).
 * EVL_OK: *out holds the result, also when it was interrupted (result.interrupted).
 * EVL_E_ADAPTER and others: nothing more can be said; *out holds what was measured up to then, or
 * NULL when the take had not begun. The engine can run the next take after any error.
 * `out` belongs to the caller (evl_take_result_destroy). */
enum evl_status evl_engine_take(struct evl_engine *engine, const struct evl_take_plan *plan,
	uint64_t deadline_ns, const struct evl_take_sink *sink, struct evl_take_result **out,
	struct evl_err *err);

/* One take of a group. */
struct evl_take_order {
	const struct evl_take_plan *plan;
	uint64_t deadline_ns;
	const struct evl_take_sink *sink; /* or NULL */
	/* Filled in, as evl_engine_take gives them; the result belongs to the caller. */
	enum evl_status status;
	struct evl_err err;
	struct evl_take_result *result;
};

/* Runs takes at once: all begin at one instant (begin_ns is the same) and move at one pace, each
 * for its own length. Each fares as it would alone, with these exceptions: two that want one
 * channel cannot both begin; an adapter that fails ends all takes with channels on it, and no
 * other; a take that ends earlier leaves its channels at idle until the last has ended. `count` is
 * above 0. */
void evl_engine_group(struct evl_engine *engine, struct evl_take_order *orders, uint32_t count);
