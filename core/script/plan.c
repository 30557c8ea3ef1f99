/* SPDX-License-Identifier: Apache-2.0 */
/* The table that a case yielded -> plan -> take -> the table that the case gets back. The plan was
 * checked and laid out by scripts/case.lua; what depends on the bench is checked here. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "core/base/file.h"
#include "core/measure/phase.h"
#include "core/script/plan.h"

const char *evl_plan_text(lua_State *L, int at, const char *name)
{
	lua_getfield(L, at, name);
	const char *text = lua_type(L, -1) == LUA_TSTRING ? lua_tostring(L, -1) : NULL;
	lua_pop(L, 1);
	return text;
}

int64_t evl_plan_integer(lua_State *L, int at, const char *name)
{
	lua_getfield(L, at, name);
	int64_t v = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : 0;
	lua_pop(L, 1);
	return v;
}

bool evl_plan_bool(lua_State *L, int at, const char *name)
{
	lua_getfield(L, at, name);
	bool v = lua_toboolean(L, -1);
	lua_pop(L, 1);
	return v;
}

double evl_plan_number(lua_State *L, int at, const char *name)
{
	lua_getfield(L, at, name);
	double v = lua_tonumber(L, -1);
	lua_pop(L, 1);
	return v;
}

/* The part of a channel, made when it is not there yet. */
struct evl_take_part *evl_plan_part(struct build *b, uint32_t channel)
{
	for (uint32_t i = 0; i < b->plan.part_count; i++) {
		if (b->plan.parts[i].channel == channel) {
			return &b->plan.parts[i];
		}
	}
	struct evl_take_part *p = &b->plan.parts[b->plan.part_count++];
	*p = (struct evl_take_part){.channel = channel};
	return p;
}

uint32_t evl_plan_first_channel(const struct build *b, const struct evl_bound_role *role)
{
	uint32_t first = 0;
	for (size_t i = 0; &b->r->lab.binding->roles[i] != role; i++) {
		first += (uint32_t)b->r->lab.binding->roles[i].channel_count;
	}
	return first;
}

void evl_plan_roles(
	struct build *b, int at, const char *field, void (*each)(struct evl_take_part *p))
{
	lua_State *L = b->L;
	lua_getfield(L, at, field);
	size_t n = lua_rawlen(L, -1);
	for (size_t i = 1; i <= n; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i);
		const struct evl_bound_role *role =
			evl_binding_role(b->r->lab.binding, lua_tostring(L, -1));
		for (size_t c = 0; c < role->channel_count; c++) {
			each(evl_plan_part(b, evl_plan_first_channel(b, role) + (uint32_t)c));
		}
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
}

enum evl_status evl_plan_numbered(const struct build *b, const struct evl_bound_role *role,
	int64_t number, const char *field, uint32_t *first, uint32_t *count, struct evl_err *err)
{
	*first = evl_plan_first_channel(b, role);
	*count = (uint32_t)role->channel_count;
	for (uint32_t i = 0; i < role->channel_count && number != 0; i++) {
		if (role->channels[i].number == number) {
			*first += i;
			*count = 1;
			return EVL_OK;
		}
	}
	return number == 0 ? EVL_OK
			   : evl_err_set(err, EVL_E_INVALID,
				     "take %s: %s: role %s has no number %" PRId64, b->name, field,
				     role->name, number);
}

/* The user's own bits: made once for all roles of the take. */
static enum evl_status user_pattern(
	struct build *b, int at, const char *name, struct evl_pattern *out, struct evl_err *err)
{
	const char *bytes = evl_plan_text(b->L, at, "bytes");
	uint64_t bits = (uint64_t)evl_plan_integer(b->L, at, "bits");
	for (size_t i = 0; i < b->user_count; i++) {
		if (b->user_bytes[i] == bytes && evl_user_pattern_bits(b->users[i]) == bits) {
			*out = evl_pattern_user(b->users[i]);
			return EVL_OK;
		}
	}
	struct evl_user_pattern *u = NULL;
	enum evl_status st = evl_user_pattern_create(&u, name, (const uint8_t *)bytes, bits, err);
	if (st < 0) {
		return st;
	}
	size_t n = b->user_count++;
	b->users = evl_xrealloc(b->users, b->user_count * sizeof *b->users);
	b->user_bytes = evl_xrealloc(b->user_bytes, b->user_count * sizeof *b->user_bytes);
	b->users[n] = u;
	b->user_bytes[n] = bytes;
	*out = evl_pattern_user(u);
	return EVL_OK;
}

/* The fields pattern (and bytes, bits for the user's own) of the table at `at`. */
enum evl_status evl_plan_pattern(
	struct build *b, int at, struct evl_pattern *out, struct evl_err *err)
{
	const char *text = evl_plan_text(b->L, at, "pattern");
	enum evl_status st = EVL_OK;
	lua_getfield(b->L, at, "file");
	if (lua_isinteger(b->L, -1)) {
		*out = evl_pattern_user(b->r->campaign->files[lua_tointeger(b->L, -1)].pattern);
	} else if (evl_plan_text(b->L, at, "bytes") != NULL) {
		st = user_pattern(b, at, text, out, err);
	} else {
		st = evl_pattern_parse(out, text, err);
	}
	lua_pop(b->L, 1);
	return st < 0 ? evl_err_prefix(err, "take %s", b->name) : st;
}

/* n phases of their own, if the pattern is long enough to tell them apart. */
static bool assign(uint32_t *out, size_t n, const struct evl_pattern *pattern, uint64_t seed,
	enum evl_status *st, struct evl_err *err)
{
	if (evl_pattern_identity(pattern, n) != EVL_IDENTITY_PHASE || n > EVL_PHASE_CHANNELS_MAX) {
		return false;
	}
	struct evl_err why = {0};
	*st = evl_phase_assign(out, n, pattern, seed, &why);
	if (*st < 0 && *st != EVL_E_LIMIT) {
		*err = why;
	}
	return *st != EVL_E_LIMIT; /* no good choice in so short a pattern: no mistake */
}

/* Phases of all channels of a role, the same in every take of the run: no two channels of the
 * binding share one where the pattern is long enough for all, else no two of the role; where it is
 * too short for that they are spread evenly, and arrival cannot be told. */
enum evl_status evl_plan_phases(const struct build *b, const struct evl_bound_role *role,
	const struct evl_pattern *pattern, struct phases *out, struct evl_err *err)
{
	const struct evl_binding *binding = b->r->lab.binding;
	uint64_t seed = b->r->args->seed;
	uint32_t first = evl_plan_first_channel(b, role);
	size_t n = role->channel_count;
	enum evl_status st = EVL_OK;
	*out = (struct phases){.phase = evl_xcalloc(n, sizeof *out->phase)};
	if (pattern->kind == EVL_PATTERN_COUNTER) {
		out->identity = EVL_IDENTITY_NUMBER;
		return EVL_OK;
	}
	uint32_t *all = evl_xcalloc(binding->channel_count, sizeof *all);
	if (assign(all, binding->channel_count, pattern, seed, &st, err)) {
		out->identity = EVL_IDENTITY_PHASE;
	} else if (assign(all + first, n, pattern, seed + ((uint64_t)first << 32), &st, err)) {
		out->identity = EVL_IDENTITY_PHASE;
		out->set = first + 1;
	} else {
		st = EVL_OK;
		for (size_t c = 0; c < n; c++) {
			all[first + c] = (uint32_t)(evl_pattern_period(pattern) * c / n);
		}
	}
	for (size_t c = 0; c < n; c++) {
		out->phase[c] = all[first + c];
	}
	free(all);
	return st;
}

/* plan.play and plan.expect: a list of { role, pattern | recording }. */
static enum evl_status contents(struct build *b, const char *field, bool play, struct evl_err *err)
{
	lua_State *L = b->L;
	enum evl_status st = EVL_OK;
	lua_getfield(L, b->table, field);
	int list = lua_gettop(L);
	size_t n = lua_rawlen(L, list);
	for (size_t i = 1; i <= n && st == EVL_OK; i++) {
		lua_rawgeti(L, list, (lua_Integer)i);
		int at = lua_gettop(L);
		const struct evl_bound_role *role =
			evl_binding_role(b->r->lab.binding, evl_plan_text(L, at, "role"));
		const char *pattern = evl_plan_text(L, at, "pattern");
		struct evl_pattern what = {0};
		struct phases ph = {0};
		struct evl_framing framing = {0};
		struct evl_timeslots slots = {0};
		if (pattern != NULL) {
			st = evl_plan_pattern(b, at, &what, err);
			st = st == EVL_OK ? evl_plan_phases(b, role, &what, &ph, err) : st;
			st = st == EVL_OK ? evl_plan_framed(b, at, role, &framing, &slots, err)
					  : st;
		}
		uint32_t first = evl_plan_first_channel(b, role);
		for (size_t c = 0; c < role->channel_count && st == EVL_OK; c++) {
			struct evl_take_part *p = evl_plan_part(b, first + (uint32_t)c);
			struct evl_take_content *content = play ? &p->played : &p->expected;
			p->play = p->play || play;
			p->capture = p->capture || !play;
			if (pattern != NULL) {
				content->kind = EVL_CONTENT_PATTERN;
				content->pattern = what;
				content->pattern.channel = (uint16_t)p->channel;
				content->identity = ph.identity;
				content->phase_set = ph.set;
				content->phase = ph.phase[c];
				content->framing = framing;
				content->slots = slots;
				char name[EVL_PATTERN_NAME_MAX];
				snprintf(content->source, sizeof content->source,
					"pattern %.40s, phase %" PRIu64 "%s%s",
					evl_pattern_name(name, &what), ph.phase[c],
					slots.count > 0 ? ", in " : "",
					slots.count > 0 ? evl_framing_name(&framing) : "");
			} else {
				st = evl_plan_recorded(b, at, role, c, play, content, err);
			}
		}
		free(ph.phase);
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	return st;
}

/* Says in the description of a stream what its clock is. */
static void describe_clock(struct evl_take_content *c, int32_t ppb)
{
	size_t used = strlen(c->source);
	if (ppb != 0 && used < sizeof c->source) {
		snprintf(
			c->source + used, sizeof c->source - used, ", clock %+.3g ppm", ppb * 1e-3);
	}
}

/* plan.clock: a list of { role, number (0: all), ppb }. */
static enum evl_status clocks(struct build *b, struct evl_err *err)
{
	lua_State *L = b->L;
	lua_getfield(L, b->table, "clock");
	size_t n = lua_rawlen(L, -1);
	for (size_t i = 1; i <= n; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i);
		int at = lua_gettop(L);
		const struct evl_bound_role *role =
			evl_binding_role(b->r->lab.binding, evl_plan_text(L, at, "role"));
		uint32_t first, count;
		enum evl_status st = evl_plan_numbered(
			b, role, evl_plan_integer(L, at, "number"), "clock", &first, &count, err);
		if (st < 0) {
			return st;
		}
		for (uint32_t c = 0; c < count; c++) {
			evl_plan_part(b, first + c)->clock_ppb =
				(int32_t)evl_plan_integer(L, at, "ppb");
		}
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	for (uint32_t i = 0; i < b->plan.part_count; i++) {
		struct evl_take_part *p = &b->plan.parts[i];
		describe_clock(&p->played,
			p->played.kind == EVL_CONTENT_RECORDING
				? evl_rec_info(p->played.reader, p->played.reader_channel)
					  ->channel.clock_ppb
				: p->clock_ppb);
	}
	return EVL_OK;
}

/* The user's own patterns, for telling what a signal is that was not expected. */
static void known(struct build *b)
{
	const struct campaign *c = b->r->campaign;
	b->known = evl_xcalloc(c->file_count + b->user_count, sizeof *b->known);
	size_t n = 0;
	for (size_t i = 0; i < c->file_count; i++) {
		if (c->files[i].pattern != NULL) {
			b->known[n++] = evl_pattern_user(c->files[i].pattern);
		}
	}
	for (size_t i = 0; i < b->user_count; i++) {
		b->known[n++] = evl_pattern_user(b->users[i]);
	}
	b->plan.known = b->known;
	b->plan.known_count = n;
}

static enum evl_status fill(struct build *b, struct evl_err *err)
{
	snprintf(b->name, sizeof b->name, "%s", evl_plan_text(b->L, b->table, "name"));
	snprintf(b->holder, sizeof b->holder, "case %s", b->r->campaign->cases[b->c->index].name);
	b->plan.name = b->name;
	b->plan.holder = b->holder;
	b->plan.frames = (uint64_t)evl_plan_integer(b->L, b->table, "frames");
	b->plan.until_proved =
		(struct evl_take_proof){.ratio = evl_plan_number(b->L, b->table, "until_ratio"),
			.confidence = evl_plan_number(b->L, b->table, "until_confidence")};
	b->plan.parts = evl_xcalloc(b->r->lab.binding->channel_count, sizeof *b->plan.parts);
	enum evl_status st = contents(b, "play", true, err);
	st = st == EVL_OK ? clocks(b, err) : st;
	st = st == EVL_OK ? evl_plan_networks(b, err) : st;
	st = st == EVL_OK ? contents(b, "expect", false, err) : st;
	st = st == EVL_OK ? evl_plan_inside(b, err) : st;
	if (st == EVL_OK) {
		evl_plan_watch(b);
		st = evl_plan_inject(b, err);
	}
	known(b);
	st = st == EVL_OK ? evl_plan_record(b, err) : st;
	return st == EVL_OK ? evl_plan_expectations(b, err) : st;
}

enum evl_status evl_plan_make(struct case_run *c, struct evl_err *err)
{
	struct build *b = evl_xcalloc(1, sizeof *b);
	*b = (struct build){.r = c->r, .c = c, .L = c->co, .table = lua_gettop(c->co)};
	c->waiting = b;
	c->take_no = (int)c->takes;
	enum evl_status st = fill(b, err);
	c->takes += st == EVL_OK;
	return st;
}

void evl_plan_drop(struct case_run *c)
{
	struct build *b = c->waiting;
	if (b == NULL) {
		return;
	}
	c->waiting = NULL;
	free(b->plan.parts);
	evl_plan_lines_finish(b);
	evl_plan_networks_finish(b);
	for (size_t i = 0; i < b->user_count; i++) {
		evl_user_pattern_destroy(b->users[i]);
	}
	free(b->users);
	free(b->user_bytes);
	free(b->known);
	evl_plan_record_finish(b);
	free(b);
}
