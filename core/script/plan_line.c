/* SPDX-License-Identifier: Apache-2.0 */
/* Of the yielded plan: lines and what rides on them, frames, what is watched and injected. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh_map_text.h"
#include "core/script/plan.h"
#include "core/script/setup.h"

enum evl_status evl_plan_framed(struct build *b, int at, const struct evl_bound_role *role,
	struct evl_framing *framing, struct evl_timeslots *slots, struct evl_err *err)
{
	const char *name = evl_plan_text(b->L, at, "framing");
	const char *numbers = evl_plan_text(b->L, at, "timeslots");
	*framing = (struct evl_framing){0};
	*slots = (struct evl_timeslots){0};
	if (name == NULL) {
		return EVL_OK;
	}
	enum evl_status st = evl_framing_parse(framing, role->rate, name, err);
	if (st == EVL_OK && !evl_framing_is_framed(framing)) {
		st = evl_err_set(err, EVL_E_INVALID,
			"role %s: framed: framing %s has no frames; leave framed out", role->name,
			name);
	}
	if (st == EVL_OK) {
		st = numbers != NULL ? evl_timeslots_parse(slots, role->rate, numbers, err)
				     : evl_timeslots_init(slots, role->rate,
					       evl_framing_payload(framing), err);
	}
	if (st == EVL_OK && (slots->mask & ~evl_framing_payload(framing)) != 0) {
		st = evl_err_set(err, EVL_E_INVALID,
			"role %s: framed: timeslots %s: timeslot 0%s is the frame's own with %s",
			role->name, numbers, framing->cas ? " or 16" : "", name);
	}
	return st < 0 ? evl_err_prefix(err, "take %s", b->name) : st;
}

/* The line of the tributaries of a role, among the channels of a role of lines; NULL when the bench
 * does not say which, and they are several. */
static const struct evl_bound_channel *line_of(
	const struct evl_bound_role *lines, const struct evl_bound_channel *c)
{
	for (size_t i = 0; i < lines->channel_count; i++) {
		if (lines->channels[i].adapter == c->adapter &&
			lines->channels[i].channel == c->line_channel) {
			return &lines->channels[i];
		}
	}
	/* A line of another adapter can carry them only when that is all that was asked for. */
	return c->line_channel == UINT32_MAX && lines->channel_count == 1 ? &lines->channels[0]
									  : NULL;
}

static bool has_client(const struct build *b, uint32_t part, uint32_t client)
{
	for (uint32_t i = 0; i < b->plan.inside_count; i++) {
		for (uint32_t k = 0; b->inside[i].part == part && k < b->inside[i].count; k++) {
			if (b->inside[i].follow[k].client == client) {
				return true;
			}
		}
	}
	return false;
}

/* The tributaries of one role on one line of another, as one group. */
static enum evl_status follow_on(struct build *b, const struct evl_bound_role *lines, size_t which,
	const struct evl_bound_role *role, const struct phases *ph,
	const struct evl_take_inside *like, struct evl_err *err)
{
	const uint32_t line_channel = evl_plan_first_channel(b, lines) + (uint32_t)which;
	const struct evl_sdh_map *map = evl_setup_map(b->c, line_channel);
	struct evl_take_follow *list = evl_xcalloc(role->channel_count, sizeof *list);
	struct evl_take_inside *in = &b->inside[b->plan.inside_count];
	struct evl_take_part *p = evl_plan_part(b, line_channel);
	*in = *like;
	in->follow = list;
	in->part = (uint32_t)(p - b->plan.parts);
	p->capture = true;
	for (size_t c = 0; c < role->channel_count; c++) {
		const struct evl_bound_channel *ch = &role->channels[c];
		uint32_t client;
		if (line_of(lines, ch) != &lines->channels[which]) {
			continue;
		}
		if (!evl_bound_client(&client, map, ch) || has_client(b, in->part, client)) {
			char text[EVL_SDH_MAP_TEXT];
			free(list);
			in->follow = NULL;
			return evl_err_set(err, EVL_E_INVALID,
				"take %s: inside: %s has no place of its own in %s, which carries "
				"%.200s; give numbering and numbers in the bench file",
				b->name, ch->label, lines->channels[which].label,
				evl_sdh_map_text(map, text));
		}
		list[in->count].channel = evl_plan_first_channel(b, role) + (uint32_t)c;
		list[in->count].client = client;
		list[in->count].phase = ph->phase[c];
		in->count++;
	}
	b->plan.inside_count += in->count > 0;
	if (in->count == 0) {
		free(list);
		in->follow = NULL;
	}
	return EVL_OK;
}

static enum evl_status inside_entry(struct build *b, int at, struct evl_err *err)
{
	const struct evl_bound_role *lines =
		evl_binding_role(b->r->lab.binding, evl_plan_text(b->L, at, "line"));
	const struct evl_bound_role *role =
		evl_binding_role(b->r->lab.binding, evl_plan_text(b->L, at, "role"));
	struct evl_take_inside like = {0};
	enum evl_status st = evl_plan_pattern(b, at, &like.pattern, err);
	st = st == EVL_OK ? evl_plan_framed(b, at, role, &like.framing, &like.slots, err) : st;
	if (st < 0) {
		return st;
	}
	if (!evl_rate_is_line(lines->rate)) {
		return evl_err_set(err, EVL_E_INVALID, "take %s: inside: role %s is no line but %s",
			b->name, lines->name, evl_rate_name(lines->rate));
	}
	struct phases ph;
	st = evl_plan_phases(b, role, &like.pattern, &ph, err);
	like.identity = ph.identity;
	like.phase_set = ph.set;
	for (size_t c = 0; c < role->channel_count && st == EVL_OK; c++) {
		if (line_of(lines, &role->channels[c]) == NULL) {
			st = evl_err_set(err, EVL_E_INVALID,
				"take %s: inside: %s rides on no line of role %s; say line: in the "
				"bench file, or follow it in the right one",
				b->name, role->channels[c].label, lines->name);
		}
	}
	for (size_t i = 0; i < lines->channel_count && st == EVL_OK; i++) {
		st = follow_on(b, lines, i, role, &ph, &like, err);
	}
	free(ph.phase);
	return st;
}

enum evl_status evl_plan_inside(struct build *b, struct evl_err *err)
{
	lua_State *L = b->L;
	enum evl_status st = EVL_OK;
	lua_getfield(L, b->table, "inside");
	size_t n = lua_rawlen(L, -1);
	b->inside = evl_xcalloc(n * b->r->lab.binding->channel_count, sizeof *b->inside);
	b->plan.inside = b->inside;
	for (size_t i = 1; i <= n && st == EVL_OK; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i);
		st = inside_entry(b, lua_gettop(L), err);
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	return st;
}

static void watch(struct evl_take_part *p)
{
	p->capture = true;
	p->watch = true;
}

void evl_plan_watch(struct build *b)
{
	evl_plan_roles(b, b->table, "watch", watch);
}

/* One injection by its table; channel is still 0. */
static struct evl_take_injection injection(lua_State *L, int at)
{
	static const struct {
		const char *name;
		uint32_t kind;
	} kinds[] = {{"alarm", EVL_INJECT_ALARM}, {"errors", EVL_INJECT_ERRORS},
		{"burst", EVL_INJECT_BURST}, {"invert", EVL_INJECT_INVERT}, {"bit", EVL_INJECT_BIT},
		{"slip", EVL_INJECT_SLIP}};
	const char *kind = evl_plan_text(L, at, "kind"), *alarm = evl_plan_text(L, at, "alarm");
	struct evl_take_injection j = {
		.alarm = alarm != NULL ? evl_alarm_by_name(alarm) : EVL_ALARM_NONE,
		.path = (uint32_t)evl_plan_integer(L, at, "path"),
		.at_ns = (uint64_t)evl_plan_integer(L, at, "at_ns"),
		.lasting_ns = (uint64_t)evl_plan_integer(L, at, "lasting_ns"),
		.slip_bits = evl_plan_integer(L, at, "slip_bits")};
	for (size_t i = 0; kind != NULL && i < sizeof kinds / sizeof kinds[0]; i++) {
		if (strcmp(kinds[i].name, kind) == 0) {
			j.kind = kinds[i].kind;
		}
	}
	if (j.kind == EVL_INJECT_ERRORS || j.kind == EVL_INJECT_BURST) {
		/* The ABI takes a fraction; 1e-15 steps keep any sensible ratio. */
		j.numerator = (uint64_t)(evl_plan_number(L, at, "ratio") * 1e15 + 0.5);
		j.denominator = 1000000000000000u;
	}
	return j;
}

enum evl_status evl_plan_inject(struct build *b, struct evl_err *err)
{
	lua_State *L = b->L;
	lua_getfield(L, b->table, "inject");
	size_t n = lua_rawlen(L, -1);
	size_t cap = n * b->r->lab.binding->channel_count;
	struct evl_take_injection *list = evl_xcalloc(cap, sizeof *list);
	b->plan.injections = list;
	for (size_t i = 1; i <= n; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i);
		int at = lua_gettop(L);
		const struct evl_bound_role *role =
			evl_binding_role(b->r->lab.binding, evl_plan_text(L, at, "role"));
		const struct evl_take_injection one = injection(L, at);
		uint32_t first, count;
		enum evl_status st = evl_plan_numbered(
			b, role, evl_plan_integer(L, at, "number"), "inject", &first, &count, err);
		if (st < 0) {
			return st;
		}
		for (uint32_t c = 0; c < count; c++) {
			struct evl_take_injection *j = &list[b->plan.injection_count++];
			*j = one;
			j->channel = first + c;
		}
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	return EVL_OK;
}

enum evl_status evl_plan_expectations(struct build *b, struct evl_err *err)
{
	b->expectations = evl_xcalloc(b->plan.part_count, sizeof *b->expectations);
	for (uint32_t i = 0; i < b->plan.part_count; i++) {
		struct evl_take_part *p = &b->plan.parts[i];
		p->framing = evl_setup_framing(b->c, p->channel);
		const struct evl_bound_channel *c = evl_engine_channel(b->r->engine, p->channel);
		if (!evl_rate_is_line(c->rate)) {
			continue;
		}
		p->map = evl_setup_map(b->c, p->channel);
		enum evl_status st = evl_setup_expectations(
			&b->expectations[i], &p->expectation_count, b->c, p->channel, err);
		if (st < 0) {
			return evl_err_prefix(err, "take %s", b->name);
		}
		p->expectations = b->expectations[i];
	}
	return EVL_OK;
}

void evl_plan_lines_finish(struct build *b)
{
	for (uint32_t i = 0; i < b->plan.inside_count; i++) {
		free((void *)b->inside[i].follow);
	}
	for (uint32_t i = 0; b->expectations != NULL && i < b->plan.part_count; i++) {
		free(b->expectations[i]);
	}
	free(b->expectations);
	free(b->inside);
	free((void *)b->plan.injections);
}
