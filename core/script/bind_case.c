/* SPDX-License-Identifier: Apache-2.0 */
/* Functions of the `core` module that belong to a running case: takes, checks, channels. */
#include <string.h>

#include "core/script/internal.h"
#include "core/script/setup.h"

static struct case_run *running(lua_State *L)
{
	struct run_state *r = evl_sandbox_user(evl_sandbox_of(L));
	if (r == NULL || r->now == NULL) {
		evl_script_fail(L, "this works only inside the run function of a case");
	}
	return r->now;
}

/* core.yield(plan): hands a take to the engine and comes back with what was seen. */
static int case_yield(lua_State *L)
{
	struct case_run *c = running(L);
	if (L != c->co) {
		return evl_script_fail(L, "a take cannot be made inside a coroutine of its own");
	}
	lua_settop(L, 1);
	return lua_yield(L, 1);
}

#define CHECK_TEXT_BYTES 4000 /* of one field: rows are read by people */

static const char *field_text(lua_State *L, const char *name)
{
	lua_getfield(L, 1, name);
	if (lua_isnil(L, -1)) {
		lua_pop(L, 1);
		return NULL;
	}
	size_t len = 0;
	const char *text = lua_type(L, -1) == LUA_TSTRING ? lua_tolstring(L, -1, &len) : NULL;
	if (text == NULL || !evl_script_is_text(text, len)) {
		evl_script_fail(L, "check: %s is no UTF-8 text", name);
	}
	if (len > CHECK_TEXT_BYTES) {
		evl_script_fail(L, "check: %s has %zu bytes; at most %d are kept", name, len,
			CHECK_TEXT_BYTES);
	}
	lua_pop(L, 1); /* the table keeps the string alive */
	return text;
}

static int64_t field_integer(lua_State *L, const char *name, int64_t otherwise)
{
	lua_getfield(L, 1, name);
	int64_t v = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : otherwise;
	lua_pop(L, 1);
	return v;
}

/* core.check{...}: scripts/case.lua has checked the field names and types. */
static int case_check(lua_State *L)
{
	struct case_run *c = running(L);
	struct run_state *r = c->r;
	luaL_checktype(L, 1, LUA_TTABLE);
	int64_t channel = field_integer(L, "channel", -1);
	if (channel >= (int64_t)evl_engine_channel_count(r->engine) || channel < -1) {
		return evl_script_fail(L,
			"check: channel %lld does not exist; use the index of "
			"test:channels(role)",
			(long long)channel);
	}
	int64_t at = field_integer(L, "at_ns", -1);
	enum evl_verdict verdict;
	struct evl_row_check row = {.case_no = c->case_no,
		.title = field_text(L, "title"),
		.kind = field_text(L, "kind"),
		.channel_no = (int)channel,
		.subject =
			channel >= 0 ? evl_engine_channel(r->engine, (uint32_t)channel)->label : "",
		.value = field_text(L, "value"),
		.unit = field_text(L, "unit"),
		.limit = field_text(L, "limit"),
		.relation = field_text(L, "relation"),
		.confidence = field_text(L, "confidence"),
		.lower = field_text(L, "lower"),
		.upper = field_text(L, "upper"),
		.errors = field_integer(L, "errors", -1),
		.bits = field_integer(L, "bits", -1),
		.verdict = field_text(L, "verdict"),
		.rule = field_text(L, "rule"),
		.reason = field_text(L, "reason"),
		.standard = field_text(L, "standard"),
		.at_ns = at >= 0 ? (int64_t)c->take_start_ns + at : -1};
	if (row.kind == NULL) {
		row.kind = "campaign";
	}
	if (row.rule == NULL) {
		row.rule = "judged by the campaign";
	}
	if (row.title == NULL || row.verdict == NULL ||
		!evl_verdict_by_name(&verdict, row.verdict)) {
		return evl_script_fail(L, "check: title or verdict is missing or not known");
	}
	struct evl_err err = {0};
	evl_keep_status(r, evl_store_add_check(r->store, NULL, &row, &err), &err);
	if (r->store_status < 0) {
		return evl_script_fail(L, "%s", r->store_err.text);
	}
	c->verdict = evl_verdict_worse(c->verdict, verdict);
	r->outcome->checks++;
	r->outcome->failed += verdict == EVL_VERDICT_FAIL;
	r->outcome->inconclusive += verdict == EVL_VERDICT_INCONCLUSIVE;
	c->passed += verdict == EVL_VERDICT_PASS;
	c->failed += verdict == EVL_VERDICT_FAIL;
	c->inconclusive += verdict == EVL_VERDICT_INCONCLUSIVE;
	return 0;
}

/* line: the channel of the line that it rides on; path: its high-order path there. */
static void push_ride(lua_State *L, struct case_run *c, const struct evl_bound_channel *b)
{
	struct run_state *r = c->r;
	for (uint32_t i = 0; i < evl_engine_channel_count(r->engine); i++) {
		const struct evl_bound_channel *line = evl_engine_channel(r->engine, i);
		struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
		uint32_t client;
		if (evl_rate_is_line(b->rate) || line->adapter != b->adapter ||
			line->channel != b->line_channel) {
			continue;
		}
		const struct evl_sdh_map *map = evl_setup_map(c, i);
		if (!evl_bound_client(&client, map, b)) {
			return; /* the mapping of now has no place for it */
		}
		(void)evl_sdh_map_clients(map, list);
		lua_pushinteger(L, i);
		lua_setfield(L, -2, "line");
		lua_pushinteger(L, evl_sdh_path_number(map, list[client].high));
		lua_setfield(L, -2, "path");
	}
}

static int case_channels(lua_State *L)
{
	struct case_run *c = running(L);
	struct run_state *r = c->r;
	const char *role = luaL_checkstring(L, 1);
	lua_newtable(L);
	int n = 0;
	for (uint32_t i = 0; i < evl_engine_channel_count(r->engine); i++) {
		const struct evl_bound_channel *b = evl_engine_channel(r->engine, i);
		if (strcmp(b->role, role) != 0) {
			continue;
		}
		lua_createtable(L, 0, 6);
		lua_pushinteger(L, i);
		lua_setfield(L, -2, "index");
		lua_pushinteger(L, b->number);
		lua_setfield(L, -2, "number");
		lua_pushstring(L, b->label);
		lua_setfield(L, -2, "label");
		if (b->place.m != 0) {
			char text[EVL_NUMBERING_TEXT];
			lua_pushstring(L, evl_numbering_format(b->numbering, b->place, text));
			lua_setfield(L, -2, "klm");
		}
		push_ride(L, c, b);
		lua_rawseti(L, -2, ++n);
	}
	return 1;
}

static int case_find_recording(lua_State *L)
{
	struct run_state *r = running(L)->r;
	const char *name = luaL_checkstring(L, 1);
	struct evl_err err = {0};
	/* Never this run's own instead of a reference that cannot be read: a unit compared with
	 * itself always passes. */
	bool reference = r->reference_run > 0;
	int at = evl_keep_open_recording(r, name, reference ? r->reference_run : r->run, &err);
	/* Opening reads head and trailer only; a bit altered since then is no fault of the unit. */
	struct evl_rec_verdict verdict;
	if (at < 0 || (reference && evl_rec_verify(r->recordings[at].reader, NULL, NULL, &verdict,
					    &err) < 0)) {
		return evl_script_fail(L, "reference: %s", err.text);
	}
	evl_recording_push(L, &r->recordings[at], "id", at);
	return 1;
}

static const luaL_Reg functions[] = {
	{"yield", case_yield},
	{"check", case_check},
	{"channels", case_channels},
	{"find_recording", case_find_recording},
	{"compare_returned", evl_script_compare_returned},
	{"set_up", evl_setup_apply},
	{NULL, NULL},
};

void evl_bind_case(lua_State *L)
{
	luaL_setfuncs(L, functions, 0);
}
