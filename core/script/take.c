/* SPDX-License-Identifier: Apache-2.0 */
/* The take that a case waits with: its rows in the store before and after, and what the case gets
 * back. The engine runs it in between, with those of other cases. */
#include <stdlib.h>

#include "core/script/plan.h"

enum evl_status evl_take_begin(
	struct case_run *c, struct evl_take_order *order, uint64_t begin_ns, struct evl_err *err)
{
	struct run_state *r = c->r;
	struct build *b = c->waiting;
	b->plan.begin_ns = begin_ns;
	b->plan.hears = c->hears;
	c->take_start_ns = begin_ns + EVL_TAKE_LEAD_IN * (uint64_t)EVL_FRAME_NS;
	struct evl_row_take row = {.case_no = c->case_no,
		.name = b->name,
		.start_ns = (int64_t)c->take_start_ns,
		.frames = 0,
		.planned_frames = (int64_t)b->plan.frames,
		.lead_in_frames = EVL_TAKE_LEAD_IN,
		.clock = r->lab.is_virtual ? "virtual" : "real"};
	evl_keep_status(r, evl_store_take_begin(r->store, &c->take_no, &row, err), err);
	evl_plan_record_begin(b);
	evl_keep_take_sink(c, &b->sink);
	evl_plan_record_sink(&b->sink);
	c->done_ns = c->errors = 0;
	*order = (struct evl_take_order){.plan = &b->plan,
		.sink = &b->sink,
		.deadline_ns =
			c->started_ns + r->campaign->cases[c->index].time_limit_ns + c->waited_ns};
	return r->store_status;
}

enum evl_status evl_take_end(
	struct case_run *c, const struct evl_take_order *order, struct evl_err *err)
{
	struct run_state *r = c->r;
	struct build *b = c->waiting;
	const struct evl_take_result *result = order->result;
	struct take_seen seen = {.r = r,
		.plan = &b->plan,
		.result = result,
		.name = b->name};
	struct evl_err later = {0};
	enum evl_status st = order->status;
	*err = order->err;
	if (result != NULL) {
		enum evl_status kept =
			evl_plan_record_end(b, result, &seen, st == EVL_OK ? err : &later);
		st = st == EVL_OK ? kept : st;
	}
	bool whole = st == EVL_OK && !result->interrupted;
	evl_keep_status(r,
		evl_store_take_end(r->store, c->case_no, c->take_no,
			whole ? EVL_STATE_FINISHED : EVL_STATE_INTERRUPTED,
			result != NULL ? (int64_t)result->frames : 0, &later),
		&later);
	if (st == EVL_OK && r->store_status < 0) {
		*err = r->store_err;
		st = r->store_status;
	}
	lua_settop(c->co, b->table - 1);
	if (st == EVL_OK) {
		lua_State *L = evl_sandbox_state(r->campaign->sandbox);
		lua_pushcfunction(L, evl_script_push_seen);
		lua_pushlightuserdata(L, &seen);
		st = evl_sandbox_call(r->campaign->sandbox, 1, 1, err);
		if (st == EVL_OK) {
			lua_xmove(L, c->co, 1);
		}
	}
	free(seen.ids);
	evl_plan_drop(c);
	return st;
}
