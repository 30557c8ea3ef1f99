/* SPDX-License-Identifier: Apache-2.0 */
/* In-service error performance by parity: into the store, and into what a case gets back. */
#include <string.h>

#include "core/script/internal.h"
#include "core/script/lua_fields.h"

#define QUARTER 900
#define DAY     86400

static const struct evl_performance_totals *totals_of(const struct evl_performance_totals *near,
	const struct evl_performance_totals *far, int end)
{
	return end == 0 ? near : far;
}

static void put(struct case_run *c, const struct evl_take_performance *p, int ordinal, int end,
	int64_t bin_seconds, uint64_t bin, const struct evl_performance_totals *t)
{
	struct evl_err err = {0};
	struct evl_row_performance row = {.case_no = c->case_no,
		.take_no = c->take_no,
		.channel_no = (int)p->channel,
		.ordinal = ordinal,
		.bin_seconds = bin_seconds,
		.bin = (int64_t)bin,
		.place = p->place,
		.code = end == 0 ? p->near_code : p->far_code,
		.end = end == 0 ? "near" : "far",
		.path = p->performance->path->name,
		.available_seconds = (int64_t)t->available,
		.unavailable_seconds = (int64_t)t->unavailable,
		.errored_seconds = (int64_t)t->es,
		.severely_errored_seconds = (int64_t)t->ses,
		.background_block_errors = (int64_t)t->background,
		.errored_blocks = (int64_t)t->errored,
		.blocks = (int64_t)t->units,
		.unread_seconds = (int64_t)t->unread};
	evl_keep_status(c->r, evl_store_put_performance(c->r->store, &row, &err), &err);
}

/* Rows of one place and end: the whole, and the bins still kept when there is more than one. */
static void put_end(struct case_run *c, const struct evl_take_performance *p, int ordinal, int end)
{
	const struct evl_performance *f = p->performance;
	put(c, p, ordinal, end, 0, 0, totals_of(&f->near, &f->far, end));
	for (uint64_t n = 0; f->decided > QUARTER && n * QUARTER < f->decided; n++) {
		const struct evl_performance_bin *b = evl_performance_quarter(f, n);
		if (b != NULL) {
			put(c, p, ordinal, end, QUARTER, n, totals_of(&b->near, &b->far, end));
		}
	}
	for (uint64_t n = 0; f->decided > DAY && n * DAY < f->decided; n++) {
		const struct evl_performance_bin *b = evl_performance_day(f, n);
		if (b != NULL) {
			put(c, p, ordinal, end, DAY, n, totals_of(&b->near, &b->far, end));
		}
	}
}

void evl_keep_performances(struct case_run *c, const struct evl_take_result *result)
{
	for (uint32_t i = 0; i < result->performance_count; i++) {
		for (int end = 0; end <= (result->performances[i].far_code != NULL); end++) {
			put_end(c, &result->performances[i], (int)(2 * i) + end, end);
		}
	}
}

void evl_script_push_performances(
	lua_State *L, struct run_state *r, const struct evl_take_result *res)
{
	lua_Integer n = 0;
	lua_newtable(L);
	for (uint32_t i = 0; i < res->performance_count; i++) {
		const struct evl_take_performance *p = &res->performances[i];
		for (int end = 0; end <= (p->far_code != NULL); end++) {
			const struct evl_performance_totals *t =
				totals_of(&p->performance->near, &p->performance->far, end);
			lua_createtable(L, 0, 16);
			set_integer(L, "channel", p->channel);
			set_text(L, "role", evl_engine_channel(r->engine, p->channel)->role);
			set_text(L, "place", p->place);
			set_text(L, "ends", end == 0 ? "near" : "far");
			set_text(L, "code", end == 0 ? p->near_code : p->far_code);
			set_text(L, "path", p->performance->path->name);
			set_text(L, "standard", p->performance->path->standard + strlen("ITU-T "));
			set_integer(L, "available", (int64_t)t->available);
			set_integer(L, "unavailable", (int64_t)t->unavailable);
			set_integer(L, "es", (int64_t)t->es);
			set_integer(L, "ses", (int64_t)t->ses);
			set_integer(L, "bbe", (int64_t)t->background);
			set_integer(L, "errored_blocks", (int64_t)t->errored);
			set_integer(L, "blocks", (int64_t)t->units);
			set_integer(L, "unread", (int64_t)t->unread);
			lua_rawseti(L, -2, ++n);
		}
	}
}
