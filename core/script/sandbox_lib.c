/* SPDX-License-Identifier: Apache-2.0 */
/* The allow-list of library functions, and those that differ from plain Lua. */
#include "core/script/sandbox_internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <lauxlib.h>
#include <lualib.h>

#define LIST_MAX ((lua_Unsigned)1 << 26) /* elements that one C call may walk over */

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
	if (s->limits.print != NULL) {
		s->limits.print(s->limits.print_ctx, text, len);
	} else {
		fwrite(text, 1, len, stderr);
	}
	return 0;
}

static int call_original(lua_State *L)
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
	return call_original(L);
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
	return call_original(L);
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

/* ---- order: pairs and next by key, not by hash ---- */

struct key {
	enum { KEY_INTEGER, KEY_FLOAT, KEY_STRING, KEY_BOOLEAN } kind;
	union {
		lua_Integer integer;
		lua_Number number;
		int boolean;
		struct {
			const char *data; /* alive as long as it is a key of the table */
			size_t len;
		} string;
	} u;
};

static void read_key(lua_State *L, int index, struct key *k)
{
	switch (lua_type(L, index)) {
	case LUA_TNUMBER:
		if (lua_isinteger(L, index)) {
			k->kind = KEY_INTEGER;
			k->u.integer = lua_tointeger(L, index);
		} else {
			k->kind = KEY_FLOAT;
			k->u.number = lua_tonumber(L, index);
		}
		break;
	case LUA_TSTRING:
		k->kind = KEY_STRING;
		k->u.string.data = lua_tolstring(L, index, &k->u.string.len);
		break;
	case LUA_TBOOLEAN:
		k->kind = KEY_BOOLEAN;
		k->u.boolean = lua_toboolean(L, index);
		break;
	default:
		luaL_error(L,
			   "pairs: a key of the table is a %s, and the order of such keys would "
			   "differ from run to run; use a list, or keys that are names",
			   luaL_typename(L, index));
	}
}

static void push_key(lua_State *L, const struct key *k)
{
	switch (k->kind) {
	case KEY_INTEGER:
		lua_pushinteger(L, k->u.integer);
		break;
	case KEY_FLOAT:
		lua_pushnumber(L, k->u.number);
		break;
	case KEY_STRING:
		lua_pushlstring(L, k->u.string.data, k->u.string.len);
		break;
	case KEY_BOOLEAN:
		lua_pushboolean(L, k->u.boolean);
		break;
	}
}

static int rank(const struct key *k)
{
	return k->kind == KEY_STRING ? 1 : k->kind == KEY_BOOLEAN ? 2 : 0;
}

static int compare_keys(const void *va, const void *vb)
{
	const struct key *a = va, *b = vb;
	if (rank(a) != rank(b)) {
		return rank(a) - rank(b);
	}
	if (a->kind == KEY_STRING) {
		size_t n = a->u.string.len < b->u.string.len ? a->u.string.len : b->u.string.len;
		int c = memcmp(a->u.string.data, b->u.string.data, n);
		return c != 0 ? c
			      : (a->u.string.len > b->u.string.len) -
					(a->u.string.len < b->u.string.len);
	}
	if (a->kind == KEY_BOOLEAN) {
		return a->u.boolean - b->u.boolean;
	}
	if (a->kind == KEY_INTEGER && b->kind == KEY_INTEGER) {
		return (a->u.integer > b->u.integer) - (a->u.integer < b->u.integer);
	}
	/* A float key is never a whole number, so that rounding leaves no two alike but beyond
	 * 2^53, where there are no fractions. */
	lua_Number x = a->kind == KEY_FLOAT ? a->u.number : (lua_Number)a->u.integer;
	lua_Number y = b->kind == KEY_FLOAT ? b->u.number : (lua_Number)b->u.integer;
	if (x != y) {
		return x < y ? -1 : 1;
	}
	return (int)a->kind - (int)b->kind;
}

static int pairs_sequence_step(lua_State *L)
{
	lua_Integer i = lua_tointeger(L, lua_upvalueindex(1)) + 1;
	lua_Integer n = lua_tointeger(L, lua_upvalueindex(2));
	luaL_checktype(L, 1, LUA_TTABLE);
	for (; i <= n; i++) {
		if (lua_rawgeti(L, 1, i) != LUA_TNIL) {
			lua_pushinteger(L, i);
			lua_copy(L, -1, lua_upvalueindex(1));
			lua_insert(L, -2);
			return 2;
		}
		lua_pop(L, 1);
	}
	lua_pushnil(L);
	return 1;
}

static int pairs_sorted_step(lua_State *L)
{
	lua_Integer i = lua_tointeger(L, lua_upvalueindex(1)) + 1;
	luaL_checktype(L, 1, LUA_TTABLE);
	for (; lua_rawgeti(L, lua_upvalueindex(2), i) != LUA_TNIL; i++) {
		lua_pushvalue(L, -1);
		if (lua_rawget(L, 1) != LUA_TNIL) {
			lua_pushinteger(L, i);
			lua_replace(L, lua_upvalueindex(1));
			return 2;
		}
		lua_pop(L, 2); /* taken out since the loop began */
	}
	return 1;
}

static int finish_pairs(lua_State *L, int status, lua_KContext ctx)
{
	(void)L;
	(void)status;
	(void)ctx;
	return 3;
}

static int lib_pairs(lua_State *L)
{
	luaL_checkany(L, 1);
	if (luaL_getmetafield(L, 1, "__pairs") != LUA_TNIL) {
		lua_pushvalue(L, 1);
		lua_callk(L, 1, 3, 0, finish_pairs);
		return 3;
	}
	luaL_checktype(L, 1, LUA_TTABLE);
	lua_settop(L, 1);

	size_t count = 0;
	bool sequence = true; /* keys 1, 2, ... in the order in which Lua keeps them */
	for (lua_pushnil(L); lua_next(L, 1) != 0; lua_pop(L, 1)) {
		count++;
		sequence = sequence && lua_isinteger(L, -2) &&
			   lua_tointeger(L, -2) == (lua_Integer)count;
	}
	evl_sandbox_charge(L, count);
	if (sequence) {
		lua_pushinteger(L, 0);
		lua_pushinteger(L, (lua_Integer)count);
		lua_pushcclosure(L, pairs_sequence_step, 2);
	} else {
		size_t n = 0;
		struct key *keys = lua_newuserdatauv(L, count * sizeof(*keys), 0);
		for (lua_pushnil(L); lua_next(L, 1) != 0; lua_pop(L, 1)) {
			read_key(L, -2, &keys[n++]);
		}
		qsort(keys, n, sizeof(*keys), compare_keys);
		lua_pushinteger(L, 0);
		lua_createtable(L, (int)n, 0);
		for (size_t i = 0; i < n; i++) {
			push_key(L, &keys[i]);
			lua_rawseti(L, -2, (lua_Integer)i + 1);
		}
		lua_pushcclosure(L, pairs_sorted_step, 2);
	}
	lua_pushvalue(L, 1);
	lua_pushnil(L);
	return 3;
}

static int lib_next(lua_State *L)
{
	struct key first, k;
	uint64_t count = 0;

	luaL_checktype(L, 1, LUA_TTABLE);
	if (!lua_isnoneornil(L, 2)) {
		return luaL_error(L, "next gives only the first key here; go through a table with "
				     "pairs, which has a stable order");
	}
	lua_settop(L, 1);
	for (lua_pushnil(L); lua_next(L, 1) != 0; lua_pop(L, 1)) {
		read_key(L, -2, &k);
		if (count++ == 0 || compare_keys(&k, &first) < 0) {
			first = k;
		}
	}
	evl_sandbox_charge(L, count);
	if (count == 0) {
		lua_pushnil(L);
		return 1;
	}
	push_key(L, &first);
	lua_pushvalue(L, -1);
	lua_rawget(L, 1);
	return 2;
}

/* ---- lists: C loops over a length that a script made up ---- */

static void check_list(lua_State *L, const char *what)
{
	if (lua_type(L, 1) != LUA_TTABLE) {
		return; /* the original says what it wants */
	}
	if (luaL_getmetafield(L, 1, "__len") != LUA_TNIL) {
		luaL_error(L, "%s: a table with __len is no list", what);
	}
	if (lua_rawlen(L, 1) > LIST_MAX) {
		luaL_error(L, "%s: the list is too long", what);
	}
}

static void check_span(lua_State *L, const char *what, lua_Integer from, lua_Integer to)
{
	if (to >= from && (lua_Unsigned)to - (lua_Unsigned)from >= LIST_MAX) {
		luaL_error(L, "%s: %I to %I is too long a span", what, (LUAI_UACINT)from,
			   (LUAI_UACINT)to);
	}
	if (to >= from) {
		evl_sandbox_charge(L, ((lua_Unsigned)to - (lua_Unsigned)from) / 16);
	}
}

static int lib_insert(lua_State *L)
{
	check_list(L, "insert");
	if (lua_gettop(L) == 3) {
		evl_sandbox_charge(L, lua_rawlen(L, 1) / 16);
	}
	return call_original(L);
}

static int lib_remove(lua_State *L)
{
	check_list(L, "remove");
	if (lua_gettop(L) == 2) {
		evl_sandbox_charge(L, lua_rawlen(L, 1) / 16);
	}
	return call_original(L);
}

static int lib_concat(lua_State *L)
{
	check_list(L, "concat");
	if (lua_type(L, 1) == LUA_TTABLE) {
		check_span(L, "concat", luaL_optinteger(L, 3, 1),
			   luaL_optinteger(L, 4, (lua_Integer)lua_rawlen(L, 1)));
	}
	return call_original(L);
}

static int lib_move(lua_State *L)
{
	check_span(L, "move", luaL_checkinteger(L, 2), luaL_checkinteger(L, 3));
	return call_original(L);
}

static const char sort_text[] = "local function less(a, b) return a < b end\n"
				"local function sort(t, before)\n"
				"	if before == nil then before = less end\n"
				"	local n, from, to = #t, {}, {}\n"
				"	for i = 1, n do from[i] = t[i] end\n"
				"	local width = 1\n"
				"	while width < n do\n"
				"		for low = 1, n, 2 * width do\n"
				"			local a, b = low, low + width\n"
				"			local a_end, b_end = math_min(b, n + 1), "
				"math_min(b + width, n + 1)\n"
				"			for k = low, b_end - 1 do\n"
				"				if a < a_end and (b >= b_end or "
				"not before(from[b], from[a])) then\n"
				"					to[k], a = from[a], a + 1\n"
				"				else\n"
				"					to[k], b = from[b], b + 1\n"
				"				end\n"
				"			end\n"
				"		end\n"
				"		from, to, width = to, from, 2 * width\n"
				"	end\n"
				"	for i = 1, n do t[i] = from[i] end\n"
				"end\n"
				"return sort\n";

static int lib_sort(lua_State *L)
{
	luaL_checktype(L, 1, LUA_TTABLE);
	check_list(L, "sort");
	if (!lua_isnoneornil(L, 2)) {
		luaL_checktype(L, 2, LUA_TFUNCTION);
	}
	lua_settop(L, 2);
	return call_original(L);
}

/* ---- the allow-list ---- */

static const char *const base_allowed[] = {"_G",     "_VERSION", "assert", "error",  "getmetatable",
					   "ipairs", "rawequal", "rawget", "rawlen", "rawset",
					   "select", "tonumber", "type",   NULL};
static const char *const string_allowed[] = {
	"byte",  "char",   "len", "lower", "pack",   "packsize", "reverse", "sub", "unpack",
	"upper", "format", "rep", "find",  "gmatch", "gsub",     "match",   NULL};
static const char *const table_allowed[] = {"concat", "insert", "move", "pack",
					    "remove", "unpack", NULL};
static const char *const math_allowed[] = {
	"abs",  "acos", "asin", "atan", "ceil",       "cos",  "deg",        "exp",  "floor",
	"fmod", "huge", "log",  "max",  "maxinteger", "min",  "mininteger", "modf", "pi",
	"rad",  "sin",  "sqrt", "tan",  "tointeger",  "type", "ult",        NULL};
static const char *const utf8_allowed[] = {"char", "charpattern", "codepoint", "codes",
					   "len",  "offset",      NULL};
static const char *const coroutine_allowed[] = {"isyieldable", "running", "status", "yield", NULL};

static const luaL_Reg base_own[] = {{"next", lib_next},
				    {"pairs", lib_pairs},
				    {"pcall", lib_pcall},
				    {"print", lib_print},
				    {"require", sandbox_require},
				    {"setmetatable", lib_setmetatable},
				    {"tostring", lib_tostring},
				    {"xpcall", lib_xpcall},
				    {NULL, NULL}};
static const luaL_Reg string_guards[] = {{"format", lib_format}, {"rep", lib_rep}, {NULL, NULL}};
static const luaL_Reg table_guards[] = {{"concat", lib_concat},
					{"insert", lib_insert},
					{"move", lib_move},
					{"remove", lib_remove},
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
	if (luaL_loadbufferx(L, sort_text, sizeof(sort_text) - 1, "=[sort]", "t") != LUA_OK) {
		return lua_error(L);
	}
	lua_getfield(L, globals, LUA_MATHLIBNAME);
	lua_getfield(L, -1, "min");
	lua_remove(L, -2);
	lua_newtable(L); /* what the text sees as globals */
	lua_insert(L, -2);
	lua_setfield(L, -2, "math_min");
	lua_setupvalue(L, -2, 1);
	lua_call(L, 0, 1);
	lua_pushcclosure(L, lib_sort, 1);
	lua_setfield(L, -2, "sort");
	lua_setfield(L, globals, LUA_TABLIBNAME);

	lua_newtable(L);
	fill(L, LUA_STRLIBNAME, luaopen_string, string_allowed, string_guards, NULL);
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
