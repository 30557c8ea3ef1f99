/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Fields of the table on top of a Lua stack, for what a case gets back:
 *
 *	lua_newtable(L);
 *	set_integer(L, "channel", 3);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include <lua.h>

static inline void set_integer(lua_State *L, const char *name, int64_t v)
{
	lua_pushinteger(L, (lua_Integer)v);
	lua_setfield(L, -2, name);
}

static inline void set_text(lua_State *L, const char *name, const char *text)
{
	lua_pushstring(L, text);
	lua_setfield(L, -2, name);
}

static inline void set_bool(lua_State *L, const char *name, bool v)
{
	lua_pushboolean(L, v);
	lua_setfield(L, -2, name);
}
