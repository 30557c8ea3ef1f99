/* SPDX-License-Identifier: Apache-2.0 */
/* The table that a case yielded, before it is taken as a plan: scripts/case.lua lays it out, but a
 * campaign can yield by itself, or change what the library gave it (a pattern's name, the number of
 * a recording), and nothing of that may end the process. */
#include <string.h>

#include <jansson.h>

#include "core/script/internal.h"

#define NAME_BYTES  79  /* of a take */
#define TITLE_BYTES 100 /* of a recording */

bool evl_script_is_text(const char *text, size_t len)
{
	json_t *s = strlen(text) == len ? json_stringn(text, len) : NULL; /* NULL: no UTF-8 */
	json_decref(s);
	return s != NULL;
}

static int bad(lua_State *L, const char *what)
{
	return luaL_error(L, "take: %s; was a pattern, a recording or the library changed?", what);
}

/* Pushes a field, never by way of a metatable. */
static int field(lua_State *L, int at, const char *name)
{
	lua_pushstring(L, name);
	return lua_rawget(L, at);
}

static void plain_table(lua_State *L, int at, const char *what)
{
	if (lua_type(L, at) != LUA_TTABLE || lua_getmetatable(L, at)) {
		bad(L, what);
	}
}

/* The string on top, popped; its table keeps it alive. */
static const char *text_on_top(lua_State *L, size_t most, const char *what)
{
	size_t len = 0;
	const char *text = lua_type(L, -1) == LUA_TSTRING ? lua_tolstring(L, -1, &len) : NULL;
	if (text == NULL || len == 0 || !evl_script_is_text(text, len)) {
		bad(L, what);
	}
	if (len > most) {
		luaL_error(
			L, "take: %s has %d bytes; at most %d are kept", what, (int)len, (int)most);
	}
	lua_pop(L, 1);
	return text;
}

static void role_on_top(lua_State *L, const struct run_state *r)
{
	const char *role = text_on_top(L, 255, "a role is missing");
	if (evl_binding_role(r->lab.binding, role) == NULL) {
		luaL_error(L, "take: role %s is not in the campaign's needs", role);
	}
	if (!evl_campaign_uses(&r->campaign->cases[r->now->index], role)) {
		luaL_error(L, "take: role %s is not in the uses of this case", role);
	}
}

static void times(lua_State *L, int at)
{
	static const char *const names[] = {"at_ns", "lasting_ns"};
	for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
		if (field(L, at, names[i]) != LUA_TNUMBER || !lua_isinteger(L, -1) ||
			lua_tointeger(L, -1) < 0) {
			bad(L, "inject: the times are no durations");
		}
		lua_pop(L, 1);
	}
	field(L, at, "path");
	if (!lua_isnil(L, -1) && (!lua_isinteger(L, -1) || lua_tointeger(L, -1) < 0 ||
					 lua_tointeger(L, -1) > EVL_SDH_MOST_HIGH)) {
		bad(L, "inject: the path does not exist");
	}
	field(L, at, "kind");
	text_on_top(L, 16, "inject: the kind is none");
	lua_pop(L, 1);
}

static void clock_offset(lua_State *L, int at)
{
	field(L, at, "number");
	field(L, at, "ppb");
	if (!lua_isinteger(L, -2) || !lua_isinteger(L, -1) ||
		lua_tointeger(L, -1) < -EVL_CLOCK_PPB_MAX ||
		lua_tointeger(L, -1) > EVL_CLOCK_PPB_MAX) {
		bad(L, "clock: an offset is out of range");
	}
	lua_pop(L, 2);
}

static lua_Integer whole(
	lua_State *L, int at, const char *name, lua_Integer least, lua_Integer most)
{
	field(L, at, name);
	lua_Integer v = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : least - 1;
	if (v < least || v > most) {
		luaL_error(L, "take: network: %s is out of range; was the library changed?", name);
	}
	lua_pop(L, 1);
	return v;
}

static void ratio(lua_State *L, int at)
{
	field(L, at, "ratio");
	lua_Number v = lua_type(L, -1) == LUA_TNUMBER ? lua_tonumber(L, -1) : -1;
	if (!(v >= 0 && v <= 1)) {
		bad(L, "network: a ratio is none");
	}
	lua_pop(L, 1);
}

/* Ranges only; core/engine/network.c says what cannot be. */
static void network(lua_State *L, int at)
{
	const lua_Integer ten_years_ns = 315360000000000000;
	const lua_Integer most_slip = (lua_Integer)1 << 50;
	whole(L, at, "number", 0, UINT32_MAX);
	whole(L, at, "delay_frames", 0, UINT32_MAX);
	ratio(L, at);
	field(L, at, "events");
	const int events = lua_gettop(L);
	plain_table(L, events, "network: the events are no list");
	const lua_Integer n = (lua_Integer)lua_rawlen(L, events);
	for (lua_Integer i = 1; i <= n && i <= EVL_NETWORK_EVENTS_MAX; i++) {
		lua_rawgeti(L, events, i);
		const int one = lua_gettop(L);
		plain_table(L, one, "network: an event is no table");
		field(L, one, "kind");
		const char *kind = text_on_top(L, 16, "network: the kind is none");
		if (evl_plan_network_kind(kind) == 0) {
			bad(L, "network: the kind is none");
		}
		whole(L, one, "at_ns", 0, ten_years_ns);
		whole(L, one, "lasting_ns", 0, ten_years_ns);
		whole(L, one, "every_ns", 0, ten_years_ns);
		whole(L, one, "times", 0, LUA_MAXINTEGER);
		whole(L, one, "jitter_frames", 0, ten_years_ns / EVL_FRAME_NS);
		whole(L, one, "delay_frames", 0, UINT32_MAX);
		whole(L, one, "slip_bits", -most_slip, most_slip);
		ratio(L, one);
		lua_pop(L, 1);
	}
	if (n > EVL_NETWORK_EVENTS_MAX) {
		bad(L, "network: there are too many events");
	}
	lua_pop(L, 1);
}

/* Instants of a window, all below 10 years; core/script/plan_replay.c makes bits of them. */
static void replayed(lua_State *L, int at)
{
	static const char *const names[] = {
		"from_ns", "lasting_ns", "lead_ns", "seam_ns", "times", "mark_ns", "at_ns"};
	const lua_Integer most = 400000000000000000;
	if (field(L, at, "says") == LUA_TSTRING) {
		lua_pushvalue(L, -1);
		if (lua_rawlen(L, -1) > 0) {
			text_on_top(L, 4096, "what is replayed");
		} else {
			lua_pop(L, 1);
		}
	}
	lua_pop(L, 1);
	int type = field(L, at, "numbers");
	if (type != LUA_TNIL && type != LUA_TSTRING) { /* else "in order" */
		plain_table(L, -1, "replay: numbers");
	}
	lua_pop(L, 1);
	if (field(L, at, "window") == LUA_TNIL) {
		lua_pop(L, 1);
		return;
	}
	int window = lua_gettop(L);
	plain_table(L, window, "replay: the window");
	lua_Integer v[sizeof names / sizeof *names];
	for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
		field(L, window, names[i]);
		v[i] = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : -1;
		if (v[i] < 0 || v[i] > most) {
			bad(L, "replay: the window has no place");
		}
		lua_pop(L, 1);
	}
	if (v[1] == 0 || v[4] == 0 || v[4] > 1000000 || v[1] + v[3] > most / v[4]) {
		bad(L, "replay: the window has no end");
	}
	if (v[5] > 0 && v[5] < v[0]) {
		bad(L, "replay: the mark is before the window");
	}
	field(L, window, "settle_ns");
	if (!lua_isnil(L, -1) && (!lua_isinteger(L, -1) || lua_tointeger(L, -1) < 0 ||
					 lua_tointeger(L, -1) > most)) {
		bad(L, "replay: settle is no duration");
	}
	lua_pop(L, 2);
}

static void source(lua_State *L, int at, const struct run_state *r)
{
	bool pattern = field(L, at, "pattern") != LUA_TNIL;
	if (pattern) {
		text_on_top(L, 4096, "a pattern has no name");
	} else {
		lua_pop(L, 1);
	}
	int type = field(L, at, "recording");
	lua_pop(L, 1);
	if (pattern ? type != LUA_TNIL : evl_recording_of(r, L, at) == NULL) {
		bad(L, "a recording is not known");
	}
	if (!pattern) {
		replayed(L, at);
	}
	type = field(L, at, "file");
	lua_Integer id = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : -1;
	lua_pop(L, 1);
	if (type != LUA_TNIL && (id < 0 || (size_t)id >= r->campaign->file_count ||
					r->campaign->files[id].pattern == NULL)) {
		bad(L, "a pattern's file is not known");
	}
	size_t len = 0;
	if (field(L, at, "bytes") == LUA_TSTRING) {
		lua_tolstring(L, -1, &len);
	}
	field(L, at, "bits");
	lua_Integer bits = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : 0;
	if (bits < 0 || (lua_Unsigned)bits > 8 * (lua_Unsigned)len) {
		bad(L, "a pattern has more bits than bytes");
	}
	lua_pop(L, 2);
}

/* Every entry of the list in field `name` of the plan at 1. */
static void list(lua_State *L, const struct run_state *r, int table, const char *name)
{
	field(L, table, name);
	int at = lua_gettop(L);
	plain_table(L, at, name);
	lua_Integer n = (lua_Integer)lua_rawlen(L, at);
	bool roles = strcmp(name, "watch") == 0 || strcmp(name, "roles") == 0;
	for (lua_Integer i = 1; i <= n; i++) {
		lua_rawgeti(L, at, i);
		int one = lua_gettop(L);
		if (roles) {
			role_on_top(L, r);
			continue;
		}
		plain_table(L, one, name);
		field(L, one, "role");
		role_on_top(L, r);
		if (strcmp(name, "inside") == 0) {
			field(L, one, "line");
			role_on_top(L, r);
		}
		if (strcmp(name, "inject") == 0) {
			times(L, one);
		} else if (strcmp(name, "clock") == 0) {
			clock_offset(L, one);
		} else if (strcmp(name, "network") == 0) {
			network(L, one);
		} else {
			source(L, one, r);
		}
		lua_settop(L, at);
	}
	lua_pop(L, 1);
}

static void whole_number(lua_State *L, int at, const char *name, lua_Integer most)
{
	field(L, at, name);
	if (!lua_isinteger(L, -1) || lua_tointeger(L, -1) < 0 || lua_tointeger(L, -1) > most) {
		bad(L, name);
	}
	lua_pop(L, 1);
}

/* record.when and record.mark */
static void conditions(lua_State *L, const struct run_state *r, int table, const char *name)
{
	field(L, table, name);
	const int at = lua_gettop(L);
	plain_table(L, at, name);
	const lua_Integer n = (lua_Integer)lua_rawlen(L, at);
	if (n > EVL_TAKE_CONDITIONS) {
		bad(L, name);
	}
	for (lua_Integer i = 1; i <= n; i++) {
		lua_rawgeti(L, at, i);
		const int one = lua_gettop(L);
		plain_table(L, one, name);
		whole_number(L, one, "number", INT32_MAX);
		whole_number(L, one, "above", INT64_MAX);
		whole_number(L, one, "at_ns", INT64_MAX / 4);
		static const char *const texts[] = {"kind", "by", "alarm", "text", "role"};
		for (size_t k = 0; k < sizeof texts / sizeof *texts; k++) {
			if (field(L, one, texts[k]) != LUA_TSTRING) {
				bad(L, texts[k]);
			}
		}
		const bool instant = strcmp(lua_tostring(L, one + 1), "at") == 0;
		const char *alarm = lua_tostring(L, one + 3);
		if (strcmp(lua_tostring(L, one + 1), "alarm") == 0 && strcmp(alarm, "any") != 0 &&
			evl_alarm_by_name(alarm) == EVL_ALARM_NONE) {
			bad(L, "alarm");
		}
		if (instant) {
			lua_pushvalue(L, one + 4);
			text_on_top(L, EVL_TAKE_MARK_TEXT - 1, "record: text");
		} else {
			role_on_top(L, r);
		}
		lua_settop(L, at);
	}
	lua_pop(L, 1);
}

int evl_script_check_plan(lua_State *L)
{
	const struct run_state *r = lua_touserdata(L, 1);
	static const char *const lists[] = {
		"play", "expect", "inside", "watch", "inject", "clock", "network"};
	if (lua_type(L, 2) != LUA_TTABLE) {
		return luaL_error(L, "a case waits only in test:take; coroutine.yield is for "
				     "coroutines of your own");
	}
	plain_table(L, 2, "the plan is not what test:take made");
	field(L, 2, "name");
	text_on_top(L, NAME_BYTES, "name");
	field(L, 2, "frames");
	if (!lua_isinteger(L, -1) || lua_tointeger(L, -1) < 1) {
		bad(L, "the length is none");
	}
	lua_pop(L, 1);
	for (size_t i = 0; i < sizeof lists / sizeof *lists; i++) {
		list(L, r, 2, lists[i]);
	}
	field(L, 2, "record");
	plain_table(L, 3, "record");
	if (field(L, 3, "as") != LUA_TNIL) {
		text_on_top(L, TITLE_BYTES, "record: as");
		list(L, r, 3, "roles");
		whole_number(L, 3, "part_ns", INT64_MAX);
		whole_number(L, 3, "part_bytes", INT64_MAX);
		whole_number(L, 3, "before_ns", INT64_MAX / 4);
		whole_number(L, 3, "after_ns", INT64_MAX / 4);
		whole_number(L, 3, "most", EVL_TAKE_CATCHES_MAX);
		conditions(L, r, 3, "when");
		conditions(L, r, 3, "mark");
	}
	return 0;
}
