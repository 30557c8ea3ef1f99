/* SPDX-License-Identifier: Apache-2.0 */
/* The take that a case waits with: its rows in the store before and after, and what the case gets
 * back. The engine runs it in between, with those of other cases. */
#include "core/script/plan.h"

static enum evl_status keep_recording(struct build *b, const struct evl_take_result *result,
	struct take_seen *seen, struct evl_err *err)
{
	struct run_state *r = b->r;
	struct evl_rec *rec = NULL;
	enum evl_status st = evl_rec_open(&rec, b->record_file, err);
	for (uint32_t i = 0; st == EVL_OK && i < evl_rec_channel_count(rec); i++) {
		const struct evl_rec_info *info = evl_rec_info(rec, i);
		char hex[EVL_SHA256_HEX];
		evl_hex(info->digest, sizeof info->digest, hex);
		struct evl_row_recording_channel row = {.recording_no = b->recording_no,
			.ordinal = (int)i,
			.name = info->channel.name,
			.direction = evl_rec_direction_name(info->channel.direction),
			.rate = evl_rate_name(info->channel.rate),
			.bits = (int64_t)info->bits,
			.digest = hex};
		evl_keep_status(r, evl_store_put_recording_channel(r->store, &row, err), err);
	}
	evl_rec_close(rec);
	if (st < 0) {
		return st;
	}
	evl_keep_status(r,
		evl_store_recording_end(r->store, b->recording_no, result->recordings[0].sha256,
			(int64_t)result->recordings[0].bytes, err),
		err);
	if (r->store_status < 0) {
		return r->store_status;
	}
	seen->recording = evl_keep_open_recording(r, b->record_as, r->run, err);
	seen->recording_name = b->record_as;
	return seen->recording >= 0 ? EVL_OK : EVL_E_IO;
}

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
	if (r->store_status == EVL_OK && b->record_as != NULL) {
		struct evl_row_recording rec = {.case_no = c->case_no,
			.take_no = c->take_no,
			.name = b->record_as,
			.path = b->record_path};
		evl_keep_status(
			r, evl_store_recording_begin(r->store, &b->recording_no, &rec, err), err);
	}
	evl_keep_take_sink(c, &b->sink);
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
		.name = b->name,
		.recording = -1};
	struct evl_err later = {0};
	enum evl_status st = order->status;
	*err = order->err;
	if (st == EVL_OK && b->record_as != NULL) {
		st = keep_recording(b, result, &seen, err);
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
	evl_plan_drop(c);
	return st;
}
