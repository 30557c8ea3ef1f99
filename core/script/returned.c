/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What came back from a replay, against what came back when the recording was made, across a delay:
 * round by round by core/recording/align.h, when the bits at the same offsets differ.
 */
#include <string.h>

#include "core/engine/pace.h"
#include "core/recording/align.h"
#include "core/script/internal.h"
#include "core/script/lua_fields.h"

#define SLIPS_TOLD 4
/* After the first round the delay is known; it is looked for this far around it. */
#define NEAR_NS 4000000u

struct comparing {
	struct open_recording *expected, *returned;
	uint32_t a, b; /* their channels */
	uint64_t frame_bits;
	uint64_t from_bit, bits, lead_bits, seam_bits, settle_bits, times;
	uint64_t range_ns;
	/* Of the round at hand: */
	uint64_t base_bit;  /* of the take, where the first's part begins */
	int64_t shift_bits; /* of the second's part against that */
	/* What was found: */
	struct evl_rec_aligned round;
	bool found, repeats;
	int64_t delay_bits;
	uint64_t delays;
	uint64_t changed_bits, compared_bits, slip_count;
	bool any_changed;
	uint64_t first_changed_bit; /* of the take, as it came but for later slips */
	struct evl_rec_slip slips[SLIPS_TOLD];
	uint64_t slip_bits[SLIPS_TOLD]; /* of the take */
};

static void on_slip(void *context, const struct evl_rec_aligned *d, const struct evl_rec_slip *s)
{
	struct comparing *x = context;
	(void)d;
	if (x->slip_count < SLIPS_TOLD) {
		x->slips[x->slip_count] = *s;
		/* As it came: after what the delay was before. */
		int64_t moved = s->kind == EVL_REC_LOST ? (int64_t)s->bits : -(int64_t)s->bits;
		x->slip_bits[x->slip_count] = (uint64_t)((int64_t)(x->base_bit + s->bit) +
							 x->shift_bits + s->delay_bits + moved);
	}
	x->slip_count++;
}

static void on_channel(void *context, const struct evl_rec_aligned *d)
{
	((struct comparing *)context)->round = *d;
}

/* Round `k`, with delays of at most `range_ns` around `near_bits`. */
static enum evl_status compare_round(
	struct comparing *x, uint64_t k, int64_t near_bits, uint64_t range_ns, struct evl_err *err)
{
	const uint64_t from = x->from_bit + x->settle_bits;
	x->base_bit = x->lead_bits + k * (x->bits + x->seam_bits) + x->settle_bits;
	int64_t at = (int64_t)x->base_bit + (near_bits - (near_bits % 8 + 8) % 8);
	at = at > 0 ? at : 0;
	x->shift_bits = at - (int64_t)x->base_bit;
	const struct evl_rec_pair pair = {evl_rec_info(x->expected->reader, x->a)->channel.name,
		evl_rec_info(x->returned->reader, x->b)->channel.name};
	const struct evl_rec_align_plan plan = {.map = &pair,
		.map_count = 1,
		.range_ns = range_ns,
		.a_part = {from, x->from_bit + x->bits},
		.b_part = {(uint64_t)at, 0},
		.slip = on_slip,
		.channel = on_channel,
		.context = x};
	return evl_rec_align(x->expected->reader, x->returned->reader, &plan, NULL, err);
}

static enum evl_status compare(struct comparing *x, struct evl_err *err)
{
	int64_t now = 0; /* at the end of the round before */
	for (uint64_t k = 0; k < x->times; k++) {
		uint64_t slips = x->slip_count;
		bool near = k > 0 && NEAR_NS < x->range_ns;
		enum evl_status st = compare_round(x, k, now, near ? NEAR_NS : x->range_ns, err);
		if (st == EVL_OK && !x->round.found && near) {
			st = compare_round(x, k, 0, x->range_ns, err);
		}
		if (st < 0) {
			return st;
		}
		if (!x->round.found) {
			x->found = false;
			return EVL_OK;
		}
		const struct evl_rec_aligned *d = &x->round;
		int64_t delay = d->delay_bits + x->shift_bits;
		x->repeats = x->repeats || d->repeats;
		x->delays += k == 0 || delay != now;
		x->delay_bits = k == 0 ? delay : x->delay_bits;
		x->found = true;
		x->compared_bits += d->compared_bits;
		x->changed_bits += d->changed_bits;
		if (d->changed_bits > 0 && !x->any_changed) {
			x->any_changed = true;
			x->first_changed_bit =
				(uint64_t)((int64_t)(x->base_bit + d->first_bit) + delay);
		}
		now = delay;
		if (x->slip_count > slips) {
			now += (int64_t)(d->repeated_bits + d->inserted_bits) -
			       (int64_t)d->lost_bits;
		}
	}
	return EVL_OK;
}

static void push(lua_State *L, const struct comparing *x)
{
	lua_createtable(L, 0, 10);
	set_bool(L, "found", x->found);
	set_bool(L, "repeats", x->repeats);
	set_integer(L, "delay_bits", x->delay_bits);
	set_integer(L, "delay_ns", evl_pace_ns(x->delay_bits, x->frame_bits, EVL_FRAME_NS));
	set_integer(L, "delays", (int64_t)x->delays);
	set_integer(L, "changed_bits", (int64_t)x->changed_bits);
	set_integer(L, "compared_bits", (int64_t)x->compared_bits);
	set_integer(L, "slip_count", (int64_t)x->slip_count);
	if (x->any_changed) {
		set_integer(L, "first_changed_ns",
			evl_pace_ns((int64_t)x->first_changed_bit, x->frame_bits, EVL_FRAME_NS));
	}
	lua_newtable(L);
	for (uint64_t i = 0; i < x->slip_count && i < SLIPS_TOLD; i++) {
		const struct evl_rec_slip *s = &x->slips[i];
		lua_createtable(L, 0, 4);
		set_text(L, "kind", evl_rec_slip_name(s->kind));
		set_integer(L, "bits", (int64_t)s->bits);
		set_integer(L, "frames", (int64_t)s->frames);
		set_integer(L, "at_ns",
			evl_pace_ns((int64_t)x->slip_bits[i], x->frame_bits, EVL_FRAME_NS));
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
	lua_setfield(L, -2, "slips");
}

/* Field `name` of the table at 1: a multiple of `unit`. */
static uint64_t field(lua_State *L, const char *name, lua_Integer unit)
{
	lua_pushstring(L, name);
	lua_rawget(L, 1);
	lua_Integer v = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : -1;
	if (v < 0 || v % unit != 0 || v > INT64_MAX / 4) {
		evl_script_fail(L, "check_returned_as_recorded: what the take gave was changed");
	}
	lua_pop(L, 1);
	return (uint64_t)v;
}

/* core.compare_returned(meter.expected, id of the recording of the take, channel, range_ns or 0) ->
 * nil when the take did not record what came back there. */
int evl_script_compare_returned(lua_State *L)
{
	struct run_state *r = evl_sandbox_user(evl_sandbox_of(L));
	luaL_checktype(L, 1, LUA_TTABLE);
	lua_Integer id = luaL_checkinteger(L, 2);
	lua_Integer channel = luaL_checkinteger(L, 3);
	lua_Integer range = luaL_checkinteger(L, 4);
	if (r == NULL || id < 0 || (size_t)id >= r->recording_count) {
		return 0;
	}
	struct comparing x = {.expected = evl_recording_of(r, L, 1),
		.returned = &r->recordings[id],
		.from_bit = field(L, "from_bit", 8),
		.bits = field(L, "bits", 8),
		.lead_bits = field(L, "lead_bits", 8),
		.seam_bits = field(L, "seam_bits", 8),
		.settle_bits = field(L, "settle_bits", 8),
		.times = field(L, "times", 1),
		.range_ns = range > 0 ? (uint64_t)range : EVL_REC_ALIGN_RANGE_NS};
	if (x.range_ns > EVL_REC_ALIGN_RANGE_NS_MAX) {
		return evl_script_fail(L, "check_returned_as_recorded: within: a delay of more "
					  "than 2 s cannot be searched for");
	}
	char name[EVL_REC_NAME_MAX];
	lua_getfield(L, 1, "channel");
	const char *expected = lua_tostring(L, -1);
	if (x.expected == NULL || expected == NULL || channel < 0 ||
		(uint64_t)channel >= evl_engine_channel_count(r->engine) ||
		x.settle_bits >= x.bits || x.times < 1 || x.times > 1000000 ||
		!evl_rec_find(x.expected->reader, expected, &x.a)) {
		return evl_script_fail(
			L, "check_returned_as_recorded: what the take gave was changed");
	}
	const struct evl_bound_channel *c = evl_engine_channel(r->engine, (uint32_t)channel);
	evl_take_record_name(
		name, sizeof name, evl_binding_role(r->lab.binding, c->role), c, false);
	if (!evl_rec_find(x.returned->reader, name, &x.b) ||
		evl_rec_info(x.returned->reader, x.b)->channel.rate !=
			evl_rec_info(x.expected->reader, x.a)->channel.rate) {
		return 0;
	}
	x.frame_bits = evl_rate_frame_bits(c->rate);
	const uint64_t most = (uint64_t)10 * 366 * 86400 * EVL_FRAMES_PER_S * x.frame_bits;
	if (x.bits + x.seam_bits > most / x.times || x.lead_bits > most || x.from_bit > most) {
		return evl_script_fail(
			L, "check_returned_as_recorded: what the take gave was changed");
	}
	if (x.times > 1) { /* a round further on has the same bits: it is no delay */
		uint64_t half = (uint64_t)evl_pace_ns(
			(int64_t)(x.bits + x.seam_bits) / 2, x.frame_bits, EVL_FRAME_NS);
		x.range_ns = x.range_ns < half ? x.range_ns : half;
	}
	struct evl_err err = {0};
	if (compare(&x, &err) < 0) {
		return evl_script_fail(L, "check_returned_as_recorded: %s", err.text);
	}
	push(L, &x);
	return 1;
}
