/* SPDX-License-Identifier: Apache-2.0 */
/* limits_file "limits-m2100.yaml": limits for bringing into service (core/measure/limits.h) from a
 * file in the campaign's folder. The table stays in C: Lua names its file by number. */
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/bench/limits_file.h"
#include "core/script/internal.h"

static enum evl_status read_file(
	struct campaign_file *out, const char *path, const char *name, struct evl_err *err)
{
	char *text = NULL;
	size_t len = 0;
	enum evl_status st = evl_file_read(&text, &len, path, EVL_LIMITS_BYTES_MAX, err);
	if (st < 0) {
		return evl_err_prefix(err, "limits_file");
	}
	struct evl_limits_table *table = evl_xcalloc(1, sizeof *table);
	st = evl_limits_parse(table, path, text, len, err);
	if (st == EVL_OK) {
		evl_campaign_file_keep(out, name, "limits", text, len);
		out->limits = table;
	} else {
		free(table);
		evl_err_prefix(err, "limits_file");
	}
	free(text);
	return st;
}

/* core.limits_file(name) -> number of the file, its name for the table, its source. */
static int limits_file(lua_State *L)
{
	struct campaign *c = lua_touserdata(L, lua_upvalueindex(1));
	const char *name = evl_campaign_file_name(L, c, "limits_file");
	size_t i = 0;
	while (i < c->file_count &&
		(c->files[i].limits == NULL || strcmp(c->files[i].name, name) != 0)) {
		i++;
	}
	if (i == c->file_count) {
		struct evl_err err = {0};
		char *path = evl_campaign_file_path(L, c, "limits_file", name);
		enum evl_status st = read_file(&c->files[i], path, name, &err);
		free(path);
		if (st < 0) {
			return evl_script_fail(L, "%s", err.text);
		}
		c->file_count++;
	}
	lua_pushinteger(L, (lua_Integer)i);
	lua_pushstring(L, c->files[i].limits->name);
	lua_pushstring(L, c->files[i].limits->source);
	return 3;
}

static void set_number(lua_State *L, const char *name, double v)
{
	lua_pushnumber(L, v);
	lua_setfield(L, -2, name);
}

/* core.judge_limits(file, path, event, allocation, exposure, count): nil when the table has no such
 * row, else verdict, objective, s1, s2 and least (the exposure from which a count of 0 passes). */
static int judge_limits(lua_State *L)
{
	struct campaign *c = lua_touserdata(L, lua_upvalueindex(1));
	lua_Integer i = luaL_checkinteger(L, 1);
	const char *path = luaL_checkstring(L, 2), *event = luaL_checkstring(L, 3);
	double allocation = luaL_checknumber(L, 4), exposure = luaL_checknumber(L, 5);
	lua_Integer count = luaL_checkinteger(L, 6);
	if (i < 0 || (size_t)i >= c->file_count || c->files[i].limits == NULL || count < 0) {
		return evl_script_fail(L, "limits: not a table of limits_file");
	}
	const struct evl_limits_table *t = c->files[i].limits;
	const struct evl_limits_row *row = NULL;
	for (int e = 0; e < EVL_BIS_EVENTS; e++) {
		if (strcmp(evl_bis_event_name((enum evl_bis_event)e), event) == 0) {
			row = evl_limits_find(t, path, (enum evl_bis_event)e);
		}
	}
	if (row == NULL) {
		return 0;
	}
	static const char *const verdicts[] = {[EVL_BIS_ACCEPT] = "pass",
		[EVL_BIS_PROVISIONAL] = "inconclusive",
		[EVL_BIS_REJECT] = "fail"};
	struct evl_bis_limits l = {0};
	const char *verdict = "inconclusive"; /* nothing was measured */
	if (exposure > 0) {
		struct evl_err err = {0};
		if (evl_bis_limits(&l, row->objective, allocation, exposure, t->ageing_factor,
			    t->width, &err) < 0) {
			return evl_script_fail(L, "check_performance: %s", err.text);
		}
		verdict = verdicts[evl_bis_judge(&l, (uint64_t)count)];
	}
	lua_createtable(L, 0, 7);
	lua_pushstring(L, verdict);
	lua_setfield(L, -2, "verdict");
	set_number(L, "objective", row->objective);
	set_number(L, "bispo", l.bispo);
	set_number(L, "s1", l.s1);
	set_number(L, "s2", l.s2);
	set_number(L, "least",
		evl_bis_least_exposure(row->objective, allocation, t->ageing_factor, t->width));
	return 1;
}

void evl_bind_limits_file(lua_State *L, struct campaign *c)
{
	lua_pushlightuserdata(L, c);
	lua_pushcclosure(L, limits_file, 1);
	lua_setfield(L, -2, "limits_file");
	lua_pushlightuserdata(L, c);
	lua_pushcclosure(L, judge_limits, 1);
	lua_setfield(L, -2, "judge_limits");
}
