/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/setup.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "core/frame/sdh_map_text.h"

#define TRACE_64 "64:"

struct wanted {
	uint32_t channel; /* of the engine */
	uint32_t path;    /* 0: all of the line's */
	char field[8];
	struct evl_trace trace; /* kind NONE: a label */
	int32_t label;
};

/* Settings for one adapter. */
struct orders {
	struct evl_setting *list;
	uint32_t count, room;
};

struct setup {
	struct evl_sdh_map *maps; /* by engine channel; stm 0: as the bench says */
	struct evl_framing *framings;
	uint32_t channels;
	size_t adapters;
	struct wanted *wanted;
	size_t wanted_count;
	struct orders *sent; /* by adapter: what the unit was told for this case */
	bool *touched;       /* by adapter: it was told something */
};

/* What one entry of the list says. */
struct entry {
	const struct evl_bound_role *role;
	lua_Integer number; /* 0: all */
	const char *kind;   /* "mapping", "framing", "sent", "expected", "tester" */
	const char *field, *text;
	lua_Integer path;
};

static struct setup *setup_of(struct case_run *k)
{
	struct run_state *r = k->r;
	if (k->setup == NULL) {
		struct setup *s = evl_xcalloc(1, sizeof *s);
		s->channels = evl_engine_channel_count(r->engine);
		s->maps = evl_xcalloc(s->channels, sizeof *s->maps);
		s->framings = evl_xcalloc(s->channels, sizeof *s->framings);
		s->adapters = r->lab.bench->adapter_count;
		s->sent = evl_xcalloc(s->adapters, sizeof *s->sent);
		s->touched = evl_xcalloc(s->adapters, sizeof *s->touched);
		k->setup = s;
	}
	return k->setup;
}

void evl_setup_destroy(struct setup *s)
{
	if (s != NULL) {
		free(s->maps);
		free(s->framings);
		free(s->wanted);
		for (size_t i = 0; i < s->adapters; i++) {
			free(s->sent[i].list);
		}
		free(s->sent);
		free(s->touched);
		free(s);
	}
}

static void forget(struct setup *s)
{
	memset(s->maps, 0, s->channels * sizeof *s->maps);
	memset(s->framings, 0, s->channels * sizeof *s->framings);
	free(s->wanted);
	s->wanted = NULL;
	s->wanted_count = 0;
}

const struct evl_sdh_map *evl_setup_map(const struct case_run *c, uint32_t channel)
{
	return c->setup != NULL && c->setup->maps[channel].stm != 0
		       ? &c->setup->maps[channel]
		       : evl_engine_channel(c->r->engine, channel)->map;
}

struct evl_framing evl_setup_framing(const struct case_run *c, uint32_t channel)
{
	return c->setup != NULL ? c->setup->framings[channel] : (struct evl_framing){0};
}

/* ---- what the tester is told ---- */

static bool is_trace(const char *field)
{
	return strcmp(field, "J0") == 0 || strcmp(field, "J1") == 0 || strcmp(field, "J2") == 0;
}

static enum evl_status trace_of(struct evl_trace *out, const char *text, struct evl_err *err)
{
	bool wide = strncmp(text, TRACE_64, strlen(TRACE_64)) == 0;
	return evl_trace_set(
		out, wide ? EVL_TRACE_64 : EVL_TRACE_16, text + (wide ? strlen(TRACE_64) : 0), err);
}

static enum evl_status tell_tester(
	struct case_run *c, const struct entry *e, uint32_t channel, struct evl_err *err)
{
	struct setup *s = c->setup;
	const struct evl_bound_channel *b = evl_engine_channel(c->r->engine, channel);
	if (strcmp(e->kind, "mapping") == 0) {
		if (!evl_rate_is_line(b->rate)) {
			return evl_err_set(
				err, EVL_E_INVALID, "%s is no line; it has no mapping", b->label);
		}
		return evl_sdh_map_parse(
			&s->maps[channel], b->rate == EVL_RATE_STM4 ? 4 : 1, e->text, err);
	}
	if (strcmp(e->kind, "framing") == 0) {
		return evl_framing_parse(&s->framings[channel], b->rate, e->text, err);
	}
	if (strcmp(e->kind, "tester") != 0) {
		return EVL_OK;
	}
	struct wanted w = {.channel = channel, .path = (uint32_t)e->path, .label = -1};
	snprintf(w.field, sizeof w.field, "%s", e->field);
	if (is_trace(e->field)) {
		enum evl_status st = trace_of(&w.trace, e->text, err);
		if (st < 0) {
			return evl_err_prefix(err, "%s", e->field);
		}
	} else {
		w.label = (int32_t)strtol(e->text, NULL, 16);
	}
	/* A later word on the same place replaces the earlier: one number after all of them. */
	for (size_t i = 0; i < s->wanted_count; i++) {
		struct wanted *old = &s->wanted[i];
		if (old->channel == channel && old->path == w.path &&
			strcmp(old->field, w.field) == 0) {
			*old = w;
			return EVL_OK;
		}
	}
	s->wanted = evl_xrealloc(s->wanted, (s->wanted_count + 1) * sizeof *s->wanted);
	s->wanted[s->wanted_count++] = w;
	return EVL_OK;
}

/* Index of the high-order path with this number in the order of the line; UINT32_MAX: none. */
static uint32_t high_of(const struct evl_sdh_map *map, uint32_t path)
{
	const bool whole = map->aug[0].au == EVL_SDH_AU4_4C;
	for (uint32_t a = 0; a < (whole ? 1u : map->stm); a++) {
		uint32_t n = map->aug[a].au == EVL_SDH_AU3 ? 3 : 1;
		if (path <= n) {
			return path == 0 ? UINT32_MAX : 3 * a + path - 1;
		}
		path -= n;
	}
	return UINT32_MAX;
}

static uint32_t path_count(const struct evl_sdh_map *map)
{
	uint32_t n = 0;
	while (high_of(map, n + 1) != UINT32_MAX) {
		n++;
	}
	return n;
}

static void add_expectation(struct evl_take_expectation **out, uint32_t *count,
	enum evl_sdh_level level, uint32_t index, const struct wanted *w)
{
	*out = evl_xrealloc(*out, (*count + 1) * sizeof **out);
	(*out)[(*count)++] = (struct evl_take_expectation){
		.level = level, .index = index, .trace = w->trace, .label = w->label};
}

enum evl_status evl_setup_expectations(struct evl_take_expectation **out, uint32_t *count,
	const struct case_run *c, uint32_t line_channel, struct evl_err *err)
{
	const struct evl_engine *engine = c->r->engine;
	const struct evl_bound_channel *line = evl_engine_channel(engine, line_channel);
	const struct evl_sdh_map *map = evl_setup_map(c, line_channel);
	*out = NULL;
	*count = 0;
	for (size_t i = 0; c->setup != NULL && i < c->setup->wanted_count; i++) {
		const struct wanted *w = &c->setup->wanted[i];
		const struct evl_bound_channel *b = evl_engine_channel(engine, w->channel);
		uint32_t client;
		if (w->channel != line_channel) {
			if (b->adapter == line->adapter && b->line_channel == line->channel &&
				evl_bound_client(&client, map, b)) {
				add_expectation(out, count, EVL_SDH_CLIENT, client, w);
			}
			continue;
		}
		if (strcmp(w->field, "J0") == 0) {
			add_expectation(out, count, EVL_SDH_SECTION, 0, w);
			continue;
		}
		const uint32_t n = path_count(map);
		if (w->path > n) {
			return evl_err_set(err, EVL_E_INVALID,
				"setup: %s has %u high-order paths by its mapping; path %u does "
				"not "
				"exist",
				line->label, n, w->path);
		}
		for (uint32_t p = 1; p <= n; p++) {
			if (w->path == 0 || w->path == p) {
				add_expectation(out, count, EVL_SDH_HIGH, high_of(map, p), w);
			}
		}
	}
	return EVL_OK;
}

/* ---- what the unit is told ---- */

static bool needs_setup(const struct run_state *r, const struct evl_bound_role *role)
{
	for (size_t i = 0; i < r->campaign->need_count; i++) {
		if (strcmp(r->campaign->needs[i].role, role->name) == 0) {
			return r->campaign->needs[i].setup;
		}
	}
	return false;
}

static void add_order(struct orders *o, const struct entry *e, const struct evl_bound_channel *b)
{
	static const char *const kinds[] = {[EVL_SETTING_MAPPING] = "mapping",
		[EVL_SETTING_FRAMING] = "framing",
		[EVL_SETTING_SENT] = "sent",
		[EVL_SETTING_EXPECTED] = "expected"};
	struct evl_setting one = {.version = 1, .channel = b->channel, .path = (uint32_t)e->path};
	for (uint32_t k = EVL_SETTING_MAPPING; k <= EVL_SETTING_EXPECTED; k++) {
		if (strcmp(kinds[k], e->kind) == 0) {
			one.kind = k;
		}
	}
	if (one.kind == 0) {
		return; /* for the tester only */
	}
	snprintf(one.field, sizeof one.field, "%s", e->field != NULL ? e->field : "");
	snprintf(one.text, sizeof one.text, "%s", e->text);
	for (uint32_t i = 0; i < o->count; i++) {
		struct evl_setting *old = &o->list[i];
		if (old->kind == one.kind && old->channel == one.channel && old->path == one.path &&
			strcmp(old->field, one.field) == 0) {
			*old = one;
			return;
		}
	}
	if (o->count == o->room) {
		o->room = o->room > 0 ? 2 * o->room : 64;
		o->list = evl_xrealloc(o->list, o->room * sizeof *o->list);
	}
	o->list[o->count++] = one;
}

/* An adapter forgets what it was told before, so it is told what all open cases want of it; `own`
 * stands for what this one wanted until now. */
static enum evl_status tell_unit(
	struct case_run *c, size_t adapter, const struct orders *own, struct evl_err *err)
{
	struct run_state *r = c->r;
	struct orders all = {0};
	for (size_t i = 0; i < r->case_count; i++) {
		const struct case_run *k = &r->cases[i];
		const struct orders *o = k == c             ? own
					 : k->setup != NULL ? &k->setup->sent[adapter]
							    : NULL;
		if (o != NULL && o->count > 0) {
			all.list =
				evl_xrealloc(all.list, (all.count + o->count) * sizeof *all.list);
			memcpy(all.list + all.count, o->list, o->count * sizeof *all.list);
			all.count += o->count;
		}
	}
	enum evl_status st =
		evl_instance_set_up(r->lab.instances[adapter], all.list, all.count, err);
	free(all.list);
	return st;
}

/* All adapters, those that have nothing to do only when they had before. */
static enum evl_status send(struct case_run *c, struct orders *orders, struct evl_err *err)
{
	struct setup *s = c->setup;
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < s->adapters && st == EVL_OK; i++) {
		if (orders[i].count > 0 || s->touched[i]) {
			st = tell_unit(c, i, &orders[i], err);
			s->touched[i] = st < 0 || orders[i].count > 0;
			if (st == EVL_OK) {
				struct orders old = s->sent[i];
				s->sent[i] = orders[i];
				orders[i] = old; /* the caller frees it */
			}
		}
	}
	return st;
}

enum evl_status evl_setup_clear(struct case_run *c, struct evl_err *err)
{
	if (c->setup == NULL) {
		return EVL_OK;
	}
	struct orders *none = evl_xcalloc(c->setup->adapters, sizeof *none);
	enum evl_status st = send(c, none, err);
	for (size_t i = 0; i < c->setup->adapters; i++) {
		free(none[i].list);
	}
	free(none);
	forget(c->setup);
	return st;
}

/* ---- the list ---- */

static const char *entry_text(lua_State *L, int at, const char *name)
{
	lua_pushstring(L, name);
	size_t len = 0;
	const char *text = lua_rawget(L, at) == LUA_TSTRING ? lua_tolstring(L, -1, &len) : NULL;
	lua_pop(L, 1); /* the table keeps it alive */
	if (text != NULL && (!evl_script_is_text(text, len) || len >= EVL_SETTING_TEXT)) {
		luaL_error(
			L, "setup: %s is no text of at most %d bytes", name, EVL_SETTING_TEXT - 1);
	}
	return text;
}

static lua_Integer entry_integer(lua_State *L, int at, const char *name, lua_Integer most)
{
	lua_pushstring(L, name);
	lua_rawget(L, at);
	lua_Integer v = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : 0;
	lua_pop(L, 1);
	if (v < 0 || v > most) {
		luaL_error(L, "setup: %s is out of range", name);
	}
	return v;
}

/* Everything of the list is read, and what is not as scripts/setup.lua makes it raised, before
 * anything is allocated. */
static void read_entry(struct entry *e, lua_State *L, int list, lua_Integer i)
{
	const struct run_state *r = evl_sandbox_user(evl_sandbox_of(L));
	lua_rawgeti(L, list, i);
	const int at = lua_gettop(L);
	if (lua_type(L, at) != LUA_TTABLE) {
		luaL_error(L, "setup: the list is not what the library made");
	}
	const char *role = entry_text(L, at, "role");
	*e = (struct entry){.role = role ? evl_binding_role(r->lab.binding, role) : NULL,
		.number = entry_integer(L, at, "number", 99999),
		.kind = entry_text(L, at, "kind"),
		.field = entry_text(L, at, "field"),
		.text = entry_text(L, at, "text"),
		.path = entry_integer(L, at, "path", EVL_SDH_MOST_HIGH)};
	bool field = e->kind != NULL && strcmp(e->kind, "mapping") != 0 &&
		     strcmp(e->kind, "framing") != 0;
	if (e->role == NULL || e->kind == NULL || e->text == NULL ||
		!evl_campaign_uses(&r->campaign->cases[r->now->index], role) ||
		(field && (e->field == NULL || strlen(e->field) > 7))) {
		luaL_error(L, "setup: the list is not what the library made");
	}
	lua_pop(L, 1);
}

static enum evl_status take_entry(
	struct case_run *k, const struct entry *e, struct orders *orders, struct evl_err *err)
{
	struct run_state *r = k->r;
	bool any = false;
	for (uint32_t c = 0; c < evl_engine_channel_count(r->engine); c++) {
		const struct evl_bound_channel *b = evl_engine_channel(r->engine, c);
		if (strcmp(b->role, e->role->name) != 0 ||
			(e->number != 0 && b->number != (uint32_t)e->number)) {
			continue;
		}
		any = true;
		enum evl_status st = tell_tester(k, e, c, err);
		if (st < 0) {
			return evl_err_prefix(err, "%s", b->label);
		}
		if (needs_setup(r, e->role)) {
			add_order(&orders[b->adapter], e, b);
		}
	}
	return any ? EVL_OK
		   : evl_err_set(err, EVL_E_INVALID, "role %s has no number %d", e->role->name,
			     (int)e->number);
}

int evl_setup_apply(lua_State *L)
{
	struct run_state *r = evl_sandbox_user(evl_sandbox_of(L));
	if (r == NULL || r->now == NULL) {
		return evl_script_fail(L, "this works only inside the run function of a case");
	}
	luaL_checktype(L, 1, LUA_TTABLE);
	const lua_Integer n = (lua_Integer)lua_rawlen(L, 1);
	struct entry *list = lua_newuserdatauv(L, (size_t)(n + 1) * sizeof *list, 0);
	for (lua_Integer i = 0; i < n; i++) {
		read_entry(&list[i], L, 1, i + 1);
	}
	struct evl_err err = {0};
	struct orders *orders = evl_xcalloc(r->lab.bench->adapter_count, sizeof *orders);
	enum evl_status st = EVL_OK;
	forget(setup_of(r->now));
	for (lua_Integer i = 0; i < n && st == EVL_OK; i++) {
		st = take_entry(r->now, &list[i], orders, &err);
	}
	st = st == EVL_OK ? send(r->now, orders, &err) : st;
	for (size_t i = 0; i < r->lab.bench->adapter_count; i++) {
		free(orders[i].list);
	}
	free(orders);
	return st < 0 ? evl_script_fail(L, "setup: %s", err.text) : 0;
}
