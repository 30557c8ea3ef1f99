/* SPDX-License-Identifier: Apache-2.0 */
/* Functions of the `core` module that need no run: names, durations, statistics, errors. */
#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "core/base/alarm.h"
#include "core/base/rate.h"
#include "core/engine/take.h"
#include "core/measure/delay.h"
#include "core/measure/phase.h"
#include "core/measure/poisson.h"
#include "core/measure/sequential.h"
#include "core/script/internal.h"
#include "core/signal/pattern.h"

int evl_script_fail(lua_State *L, const char *fmt, ...)
{
	char text[1024];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(text, sizeof text, fmt, ap);
	va_end(ap);
	evl_sandbox_where(L);
	lua_pushstring(L, text);
	lua_concat(L, 2);
	return lua_error(L);
}

/* core.fail(format, ...): an error at the line of the campaign that called the library. */
static int core_fail(lua_State *L)
{
	int n = lua_gettop(L);
	lua_getglobal(L, "string");
	lua_getfield(L, -1, "format");
	lua_remove(L, -2);
	lua_insert(L, 1);
	lua_call(L, n, 1);
	evl_sandbox_where(L);
	lua_insert(L, -2);
	lua_concat(L, 2);
	return lua_error(L);
}

/* core.fail_file(text): an error about the file as a whole. */
static int core_fail_file(lua_State *L)
{
	luaL_checkstring(L, 1);
	lua_settop(L, 1);
	return lua_error(L);
}

static int core_rate_bits(lua_State *L)
{
	enum evl_rate rate = EVL_RATE_NONE;
	if (lua_type(L, 1) == LUA_TSTRING) {
		rate = evl_rate_by_name(lua_tostring(L, 1));
	}
	if (rate == EVL_RATE_NONE) {
		lua_pushnil(L);
	} else {
		lua_pushinteger(L, evl_rate_frame_bits(rate));
	}
	return 1;
}

static int core_rate_names(lua_State *L)
{
	luaL_Buffer b;
	luaL_buffinit(L, &b);
	for (int r = EVL_RATE_E1; r < EVL_RATE_COUNT; r++) {
		luaL_addstring(&b, r > EVL_RATE_E1 ? ", " : "");
		luaL_addstring(&b, evl_rate_name((enum evl_rate)r));
	}
	luaL_pushresult(&b);
	return 1;
}

/* core.pattern(text) -> its name as the report shows it, kind; raises with what is known. */
static int core_pattern(lua_State *L)
{
	static const char *const kinds[] = {"prbs", "word", "user", "counter"};
	struct evl_pattern p;
	struct evl_err err = {0};
	char name[EVL_PATTERN_NAME_MAX];
	if (evl_pattern_parse(&p, luaL_checkstring(L, 1), &err) < 0) {
		return evl_script_fail(L, "%s", err.text);
	}
	lua_pushstring(L, evl_pattern_name(name, &p));
	lua_pushstring(L, kinds[p.kind]);
	return 2;
}

static int core_prbs_names(lua_State *L)
{
	luaL_Buffer b;
	luaL_buffinit(L, &b);
	for (int k = 0; k < EVL_PRBS_KINDS; k++) {
		luaL_addstring(&b, k > 0 ? ", " : "");
		luaL_addstring(&b, evl_prbs_name((enum evl_prbs_kind)k));
	}
	luaL_pushresult(&b);
	return 1;
}

/* core.user_pattern(name, bytes, bits): raises when a receiver could not find its place. */
static int core_user_pattern(lua_State *L)
{
	size_t len;
	const char *name = luaL_checkstring(L, 1);
	const char *bytes = luaL_checklstring(L, 2, &len);
	lua_Integer bits = luaL_checkinteger(L, 3);
	struct evl_err err = {0};
	struct evl_user_pattern *u = NULL;
	if (bits < 1 || (uint64_t)bits > (uint64_t)len * 8) {
		return evl_script_fail(L, "pattern %s: %zu bytes do not hold %" PRId64 " bits",
			name, len, (int64_t)bits);
	}
	if (evl_user_pattern_create(&u, name, (const uint8_t *)bytes, (uint64_t)bits, &err) < 0) {
		return evl_script_fail(L, "%s", err.text);
	}
	evl_user_pattern_destroy(u);
	return 0;
}

/* core.delay_pattern(ns, rate) -> the name of the pattern whose period is long enough. */
static int core_delay_pattern(lua_State *L)
{
	struct evl_pattern p;
	struct evl_err err = {0};
	char name[EVL_PATTERN_NAME_MAX];
	uint64_t ns = (uint64_t)luaL_checkinteger(L, 1);
	uint64_t rate = (uint64_t)evl_rate_frame_bits(evl_rate_by_name(luaL_checkstring(L, 2))) *
			EVL_FRAMES_PER_S;
	if (evl_delay_choose(&p, ns, rate, &err) < 0) {
		return evl_script_fail(L, "%s", err.text);
	}
	lua_pushstring(L, evl_pattern_name(name, &p));
	return 1;
}

/* core.telling_pattern(n, bits) -> the shortest pseudo-random pattern with a period of more than
 * `bits` that gives each of n channels a phase of its own, with as much room again; nil when there
 * are too many channels for any. */
static int core_telling_pattern(lua_State *L)
{
	const lua_Integer n = luaL_checkinteger(L, 1);
	const lua_Integer bits = luaL_checkinteger(L, 2);
	struct evl_pattern best = {0};
	uint64_t shortest = 0; /* none yet */
	for (int kind = 0; kind < EVL_PRBS_KINDS && n > 0 && n <= EVL_PHASE_CHANNELS_MAX; kind++) {
		struct evl_pattern p = evl_pattern_prbs((enum evl_prbs_kind)kind);
		uint64_t period = evl_pattern_period(&p);
		if (period > (uint64_t)bits && (shortest == 0 || period < shortest) &&
			evl_pattern_identity(&p, 2 * (size_t)n) == EVL_IDENTITY_PHASE) {
			best = p;
			shortest = period;
		}
	}
	if (shortest == 0) {
		return 0;
	}
	char name[EVL_PATTERN_NAME_MAX];
	lua_pushstring(L, evl_pattern_name(name, &best));
	return 1;
}

static int core_alarm_known(lua_State *L)
{
	lua_pushboolean(L, lua_type(L, 1) == LUA_TSTRING &&
				   evl_alarm_by_name(lua_tostring(L, 1)) != EVL_ALARM_NONE);
	return 1;
}

static int core_alarm_names(lua_State *L)
{
	luaL_Buffer b;
	luaL_buffinit(L, &b);
	for (int a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
		luaL_addstring(&b, a > EVL_ALARM_LOS ? ", " : "");
		luaL_addstring(&b, evl_alarm_name((enum evl_alarm)a));
	}
	luaL_pushresult(&b);
	return 1;
}

/* "1.5 ms" -> 1500000; nil when it is no duration, not a whole number of ns, or beyond 10 years. */
static int core_duration_ns(lua_State *L)
{
	static const struct {
		const char *unit;
		uint64_t ns;
	} units[] = {{"us", 1000u}, {"ms", 1000000u}, {"s", 1000000000u}, {"min", 60000000000u},
		{"h", 3600000000000u}};
	const char *p = luaL_checkstring(L, 1);
	uint64_t digits = 0;
	uint64_t scale = 1;
	bool point = false;
	int count = 0;
	for (; (*p >= '0' && *p <= '9') || (*p == '.' && !point); p++) {
		if (*p == '.') {
			point = true;
			continue;
		}
		if (++count > 15) {
			return 0;
		}
		digits = digits * 10 + (uint64_t)(*p - '0');
		scale *= point ? 10 : 1;
	}
	while (*p == ' ') {
		p++;
	}
	for (size_t i = 0; count > 0 && i < sizeof units / sizeof *units; i++) {
		if (strcmp(p, units[i].unit) != 0) {
			continue;
		}
		const uint64_t most = 315360000000000000u; /* 10 years */
		if (digits / scale > most / units[i].ns) {
			return 0;
		}
		uint64_t whole = digits / scale * units[i].ns;
		uint64_t rest = digits % scale;
		while (scale > 1 && rest % 10 == 0) {
			rest /= 10;
			scale /= 10;
		}
		if (rest > UINT64_MAX / units[i].ns || rest * units[i].ns % scale != 0) {
			return 0;
		}
		lua_pushinteger(L, (lua_Integer)(whole + rest * units[i].ns / scale));
		return 1;
	}
	return 0;
}

/* Nanoseconds -> frames of 125 us, up to whole slabs. */
static int core_frames(lua_State *L)
{
	uint64_t ns = (uint64_t)luaL_checkinteger(L, 1);
	const uint64_t slab = EVL_TAKE_SLAB_NS;
	lua_pushinteger(L, (lua_Integer)((ns + slab - 1) / slab * EVL_TAKE_SLAB_FRAMES));
	return 1;
}

static int core_bits_to_prove(lua_State *L)
{
	uint64_t bits = evl_poisson_bits_needed(0, luaL_checknumber(L, 1), luaL_checknumber(L, 2));
	if (bits > (uint64_t)1 << 60) {
		return evl_script_fail(L, "limit: that needs more bits than can be run");
	}
	lua_pushinteger(L, (lua_Integer)bits);
	return 1;
}

/* Pushes a judgement as a table, or raises why there is none. */
static int judged(
	lua_State *L, enum evl_status st, const struct evl_judgement *j, const struct evl_err *err)
{
	if (st < 0) {
		return evl_script_fail(L, "%s", err->text);
	}
	lua_createtable(L, 0, 5);
	lua_pushstring(L, evl_verdict_name(j->verdict));
	lua_setfield(L, -2, "verdict");
	lua_pushnumber(L, j->lower);
	lua_setfield(L, -2, "lower");
	lua_pushnumber(L, j->upper);
	lua_setfield(L, -2, "upper");
	lua_pushstring(L, j->rule);
	lua_setfield(L, -2, "rule");
	lua_pushstring(L, j->sentence);
	lua_setfield(L, -2, "reason");
	return 1;
}

static uint64_t count_arg(lua_State *L, int at)
{
	lua_Integer n = luaL_checkinteger(L, at);
	luaL_argcheck(L, n >= 0, at, "a count is 0 or more");
	return (uint64_t)n;
}

static int core_judge_ratio(lua_State *L)
{
	struct evl_judgement j;
	struct evl_err err = {0};
	enum evl_status st = evl_judge_ratio(&j, count_arg(L, 1), count_arg(L, 2),
		luaL_checknumber(L, 3), luaL_checknumber(L, 4), &err);
	return judged(L, st, &j, &err);
}

static int core_judge_ratio_anytime(lua_State *L)
{
	struct evl_judgement j;
	struct evl_err err = {0};
	enum evl_status st = evl_judge_ratio_anytime(&j, count_arg(L, 1), count_arg(L, 2),
		luaL_checknumber(L, 3), luaL_checknumber(L, 4), &err);
	return judged(L, st, &j, &err);
}

static int core_judge_share(lua_State *L)
{
	struct evl_judgement j;
	struct evl_err err = {0};
	enum evl_status st = evl_judge_share(&j, count_arg(L, 1), count_arg(L, 2),
		luaL_checknumber(L, 3), luaL_checknumber(L, 4), luaL_checkstring(L, 5),
		luaL_checkstring(L, 6), &err);
	return judged(L, st, &j, &err);
}

static const luaL_Reg functions[] = {
	{"fail", core_fail},
	{"fail_file", core_fail_file},
	{"rate_bits", core_rate_bits},
	{"rate_names", core_rate_names},
	{"pattern", core_pattern},
	{"prbs_names", core_prbs_names},
	{"user_pattern", core_user_pattern},
	{"delay_pattern", core_delay_pattern},
	{"telling_pattern", core_telling_pattern},
	{"alarm_known", core_alarm_known},
	{"alarm_names", core_alarm_names},
	{"duration_ns", core_duration_ns},
	{"frames", core_frames},
	{"bits_to_prove", core_bits_to_prove},
	{"judge_ratio", core_judge_ratio},
	{"judge_ratio_anytime", core_judge_ratio_anytime},
	{"judge_share", core_judge_share},
	{NULL, NULL},
};

void evl_bind_core(lua_State *L)
{
	luaL_setfuncs(L, functions, 0);
}
