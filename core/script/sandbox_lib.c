/* SPDX-License-Identifier: Apache-2.0 */
/* The allow-list of library functions, and those that differ from plain Lua. */
#include "core/base/personal.h"
#include "core/script/sandbox_internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <lauxlib.h>
#include <lualib.h>

/* ---- values as text: no addresses, which would differ from run to run ---- */

static bool shows_address(lua_State *L, int index)
{
	switch (lua_type(L, index)) {
	case LUA_TTABLE:
	case LUA_TFUNCTION:
	case LUA_TUSERDATA:
	case LUA_TLIGHTUSERDATA:
	case LUA_TTHREAD:
		return true;
	default:
		return false;
	}
}

/* Pushes the text of the value at `index`. */
static const char *push_text(lua_State *L, int index)
{
	index = lua_absindex(L, index);
	if (!shows_address(L, index)) {
		return luaL_tolstring(L, index, NULL);
	}
	if (luaL_getmetafield(L, index, "__tostring") != LUA_TNIL) {
		lua_pop(L, 1);
		return luaL_tolstring(L, index, NULL);
	}
	int type = luaL_getmetafield(L, index, "__name");
	if (type != LUA_TSTRING) {
		if (type != LUA_TNIL) {
			lua_pop(L, 1);
		}
		lua_pushstring(L, luaL_typename(L, index));
	}
	return lua_tostring(L, -1);
}

static int lib_tostring(lua_State *L)
{
	luaL_checkany(L, 1);
	push_text(L, 1);
	return 1;
}

static int lib_print(lua_State *L)
{
	struct evl_sandbox *s = evl_sandbox_of(L);
	int n = lua_gettop(L);
	luaL_Buffer b;

	luaL_buffinit(L, &b);
	for (int i = 1; i <= n; i++) {
		if (i > 1) {
			luaL_addchar(&b, '\t');
		}
		push_text(L, i);
		luaL_addvalue(&b);
	}
	luaL_addchar(&b, '\n');
	luaL_pushresult(&b);
	size_t len;
	const char *text = lua_tolstring(L, -1, &len);
	evl_sandbox_charge(L, len);
	char *shown = strlen(text) == len ? evl_personal_hidden(text) : NULL;
	text = shown != NULL ? shown : text;
	len = shown != NULL ? strlen(shown) : len;
	if (s->limits.print != NULL) {
		s->limits.print(s->limits.print_ctx, text, len);
	} else {
		fwrite(text, 1, len, stderr);
	}
	free(shown);
	return 0;
}

int sandbox_call_original(lua_State *L)
{
	lua_pushvalue(L, lua_upvalueindex(1));
	lua_insert(L, 1);
	lua_call(L, lua_gettop(L) - 1, LUA_MULTRET);
	return lua_gettop(L);
}

static int lib_format(lua_State *L)
{
	const char *p = luaL_checkstring(L, 1);
	int arg = 1;
	int top = lua_gettop(L);

	while ((p = strchr(p, '%')) != NULL) {
		p++;
		if (*p == '%') {
			p++;
			continue;
		}
		p += strspn(p, "-+ #0123456789.");
		arg++;
		if (*p == 'p') {
			return luaL_error(L, "format: %%p would differ from run to run");
		}
		if (*p == 's' && arg <= top && shows_address(L, arg)) {
			push_text(L, arg);
			lua_replace(L, arg);
		}
	}
	return sandbox_call_original(L);
}

static int lib_rep(lua_State *L)
{
	size_t len, sep_len = 0;
	luaL_checklstring(L, 1, &len);
	luaL_checkinteger(L, 2);
	luaL_optlstring(L, 3, "", &sep_len);
	if (len + sep_len == 0) {
		lua_pushliteral(L, ""); /* the original would go round n times for nothing */
		return 1;
	}
	return sandbox_call_original(L);
}

/* ---- errors: a cap that was reached goes through every handler ---- */

static int finish_pcall(lua_State *L, int status, lua_KContext extra)
{
	struct evl_sandbox *s = evl_sandbox_of(L);
	bool failed = status != LUA_OK && status != LUA_YIELD;

	if (s->tripped != TRIP_NONE) {
		return failed ? lua_error(L) : sandbox_raise_trip(L);
	}
	if (failed) {
		lua_pushboolean(L, 0);
		lua_pushvalue(L, -2);
		return 2;
	}
	return lua_gettop(L) - (int)extra;
}

static int lib_pcall(lua_State *L)
{
	luaL_checkany(L, 1);
	lua_pushboolean(L, 1);
	lua_insert(L, 1);
	int status = lua_pcallk(L, lua_gettop(L) - 2, LUA_MULTRET, 0, 0, finish_pcall);
	return finish_pcall(L, status, 0);
}

static int xpcall_handler(lua_State *L)
{
	if (evl_sandbox_of(L)->tripped != TRIP_NONE) {
		return 1; /* hooks are off here: the script's handler could run for ever */
	}
	lua_pushvalue(L, lua_upvalueindex(1));
	lua_insert(L, 1);
	lua_call(L, lua_gettop(L) - 1, 1);
	return 1;
}

static int lib_xpcall(lua_State *L)
{
	int n = lua_gettop(L);
	luaL_checktype(L, 2, LUA_TFUNCTION);
	lua_pushvalue(L, 2);
	lua_pushcclosure(L, xpcall_handler, 1);
	lua_replace(L, 2);
	lua_pushboolean(L, 1);
	lua_pushvalue(L, 1);
	lua_rotate(L, 3, 2);
	int status = lua_pcallk(L, n - 2, LUA_MULTRET, 2, 2, finish_pcall);
	return finish_pcall(L, status, 2);
}

static int lib_setmetatable(lua_State *L)
{
	int type = lua_type(L, 2);
	luaL_checktype(L, 1, LUA_TTABLE);
	luaL_argexpected(L, type == LUA_TNIL || type == LUA_TTABLE, 2, "nil or table");
	if (luaL_getmetafield(L, 1, "__metatable") != LUA_TNIL) {
		return luaL_error(L, "cannot change a protected metatable");
	}
	if (type == LUA_TTABLE) {
		lua_pushliteral(L, "__gc");
		if (lua_rawget(L, 2) != LUA_TNIL) {
			return luaL_error(L, "setmetatable: __gc is not available here");
		}
	}
	lua_settop(L, 2);
	lua_setmetatable(L, 1);
	return 1;
}

/* ---- coroutines ---- */

static lua_State *check_thread(lua_State *L)
{
	lua_State *co = lua_tothread(L, 1);
	luaL_argexpected(L, co != NULL, 1, "coroutine");
	return co;
}

static int lib_co_create(lua_State *L)
{
	luaL_checktype(L, 1, LUA_TFUNCTION);
	/* Each coroutine counts for itself; a short-lived one never gets to its hook. */
	evl_sandbox_charge(L, HOOK_INSTRUCTIONS);
	lua_State *co = lua_newthread(L);
	lua_pushvalue(L, 1);
	lua_xmove(L, co, 1);
	return 1;
}

/* Number of results on top of L, or -1 with the error value there. */
static int resume(lua_State *L, lua_State *co, int nargs)
{
	int n = 0;
	if (!lua_checkstack(co, nargs)) {
		lua_pushliteral(L, "too many arguments to resume");
		return -1;
	}
	lua_xmove(L, co, nargs);
	int status = lua_resume(co, L, nargs, &n);
	bool good = status == LUA_OK || status == LUA_YIELD;
	if (evl_sandbox_of(L)->tripped != TRIP_NONE) {
		if (good) {
			return sandbox_raise_trip(L);
		}
		lua_xmove(co, L, 1);
		return lua_error(L);
	}
	if (!good) {
		lua_xmove(co, L, 1);
		return -1;
	}
	if (!lua_checkstack(L, n + 1)) {
		lua_pop(co, n);
		lua_pushliteral(L, "too many results to resume");
		return -1;
	}
	lua_xmove(co, L, n);
	return n;
}

static int lib_co_resume(lua_State *L)
{
	lua_State *co = check_thread(L);
	int n = resume(L, co, lua_gettop(L) - 1);
	lua_pushboolean(L, n >= 0);
	n = n < 0 ? 1 : n;
	lua_insert(L, -(n + 1));
	return n + 1;
}

static int wrapped(lua_State *L)
{
	int n = resume(L, lua_tothread(L, lua_upvalueindex(1)), lua_gettop(L));
	if (n < 0) {
		if (lua_type(L, -1) == LUA_TSTRING) {
			luaL_where(L, 1);
			lua_insert(L, -2);
			lua_concat(L, 2);
		}
		return lua_error(L);
	}
	return n;
}

static int lib_co_wrap(lua_State *L)
{
	lib_co_create(L);
	lua_pushcclosure(L, wrapped, 1);
	return 1;
}

static int lib_co_close(lua_State *L)
{
	lua_State *co = check_thread(L);
	int status = lua_status(co);
	lua_Debug ar;

	if (co == L || (status == LUA_OK && lua_getstack(co, 0, &ar))) {
		return luaL_error(L, "cannot close a running coroutine");
	}
	if (status != LUA_OK && status != LUA_YIELD) {
		/* It died by an error. Its `__close` handlers stay undone: after an error that a
		 * hook raised, Lua would run them with hooks off. */
		lua_pushboolean(L, 0);
		lua_pushliteral(L, "the coroutine ended with an error");
		return 2;
	}
	if (lua_resetthread(co) == LUA_OK) {
		lua_pushboolean(L, 1);
		return 1;
	}
	lua_pushboolean(L, 0);
	lua_xmove(co, L, 1);
	if (evl_sandbox_of(L)->tripped != TRIP_NONE) {
		return lua_error(L);
	}
	return 2;
}

/* ---- the allow-list ---- */

static const char *const base_allowed[] = {"_G",     "_VERSION", "assert", "error",  "getmetatable",
					   "ipairs", "rawequal", "rawget", "rawlen", "rawset",
					   "select", "tonumber", "type",   NULL};
static const char *const string_allowed[] = {"byte",   "char",     "format", "len",     "lower",
					     "pack",   "packsize", "rep",    "reverse", "sub",
					     "unpack", "upper",    NULL};
static const char *const table_allowed[] = {"concat", "insert", "move", "pack",
					    "remove", "unpack", NULL};
static const char *const math_allowed[] = {
	"abs",  "acos", "asin", "atan", "ceil",       "cos",  "deg",        "exp",  "floor",
	"fmod", "huge", "log",  "max",  "maxinteger", "min",  "mininteger", "modf", "pi",
	"rad",  "sin",  "sqrt", "tan",  "tointeger",  "type", "ult",        NULL};
static const char *const utf8_allowed[] = {"char", "charpattern", "codepoint", "codes",
					   "len",  "offset",      NULL};
static const char *const coroutine_allowed[] = {"isyieldable", "running", "status", "yield", NULL};

static const luaL_Reg base_own[] = {{"next", sandbox_next},
				    {"pairs", sandbox_pairs},
				    {"pcall", lib_pcall},
				    {"print", lib_print},
				    {"require", sandbox_require},
				    {"setmetatable", lib_setmetatable},
				    {"tostring", lib_tostring},
				    {"xpcall", lib_xpcall},
				    {NULL, NULL}};
static const luaL_Reg string_own[] = {{"find", sandbox_str_find},
				      {"gmatch", sandbox_str_gmatch},
				      {"gsub", sandbox_str_gsub},
				      {"match", sandbox_str_match},
				      {NULL, NULL}};
static const luaL_Reg string_guards[] = {{"format", lib_format}, {"rep", lib_rep}, {NULL, NULL}};
static const luaL_Reg table_guards[] = {{"concat", sandbox_concat},
					{"insert", sandbox_insert},
					{"move", sandbox_move},
					{"remove", sandbox_remove},
					{NULL, NULL}};
static const luaL_Reg coroutine_own[] = {{"close", lib_co_close},
					 {"create", lib_co_create},
					 {"resume", lib_co_resume},
					 {"wrap", lib_co_wrap},
					 {NULL, NULL}};

/* Fills the table on top with the allowed functions of library `name`, those in `guards` wrapped,
 * and those in `own`. The original stays among Lua's loaded libraries, out of reach, where the
 * messages find the names of functions. */
static void fill(lua_State *L, const char *name, lua_CFunction open, const char *const *allowed,
		 const luaL_Reg *guards, const luaL_Reg *own)
{
	luaL_requiref(L, name, open, 0);
	for (; *allowed != NULL; allowed++) {
		lua_getfield(L, -1, *allowed);
		for (const luaL_Reg *g = guards; g != NULL && g->name != NULL; g++) {
			if (strcmp(g->name, *allowed) == 0) {
				lua_pushcclosure(L, g->func, 1);
			}
		}
		lua_setfield(L, -3, *allowed);
	}
	lua_pop(L, 1);
	if (own != NULL) {
		luaL_setfuncs(L, own, 0);
	}
}

int sandbox_open_libraries(lua_State *L)
{
	lua_newtable(L); /* the new globals */
	int globals = lua_gettop(L);
	fill(L, LUA_GNAME, luaopen_base, base_allowed, NULL, base_own);
	lua_pushvalue(L, globals);
	lua_setfield(L, globals, "_G");

	lua_newtable(L);
	fill(L, LUA_MATHLIBNAME, luaopen_math, math_allowed, NULL, NULL);
	lua_setfield(L, globals, LUA_MATHLIBNAME);

	lua_newtable(L);
	fill(L, LUA_UTF8LIBNAME, luaopen_utf8, utf8_allowed, NULL, NULL);
	lua_setfield(L, globals, LUA_UTF8LIBNAME);

	lua_newtable(L);
	fill(L, LUA_COLIBNAME, luaopen_coroutine, coroutine_allowed, NULL, coroutine_own);
	lua_setfield(L, globals, LUA_COLIBNAME);

	lua_newtable(L);
	fill(L, LUA_TABLIBNAME, luaopen_table, table_allowed, table_guards, NULL);
	lua_getfield(L, globals, LUA_MATHLIBNAME);
	sandbox_push_sort(L);
	lua_setfield(L, -2, "sort");
	lua_setfield(L, globals, LUA_TABLIBNAME);

	lua_newtable(L);
	fill(L, LUA_STRLIBNAME, luaopen_string, string_allowed, string_guards, string_own);
	lua_pushliteral(L, "");
	lua_getmetatable(L, -1); /* of all strings; luaopen_string made it */
	lua_pushvalue(L, -3);
	lua_setfield(L, -2, "__index");
	lua_pushliteral(L, "string");
	lua_setfield(L, -2, "__metatable");
	lua_pop(L, 2);
	lua_setfield(L, globals, LUA_STRLIBNAME);

	lua_pushvalue(L, globals);
	lua_rawseti(L, LUA_REGISTRYINDEX, LUA_RIDX_GLOBALS);
	lua_newtable(L);
	lua_setfield(L, LUA_REGISTRYINDEX, LOADED_KEY);
	return 0;
}
