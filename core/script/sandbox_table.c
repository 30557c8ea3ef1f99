/* SPDX-License-Identifier: Apache-2.0 */
/* Functions of the sandbox that go through tables: in a stable order, and never without end. */
#include "core/script/sandbox_internal.h"

#include <stdlib.h>
#include <string.h>

#include <lauxlib.h>

#define LIST_MAX ((lua_Unsigned)1 << 26) /* elements that one C call may walk over */

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

int sandbox_pairs(lua_State *L)
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

int sandbox_next(lua_State *L)
{
	struct key first = {.kind = KEY_INTEGER}, k;
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

int sandbox_insert(lua_State *L)
{
	check_list(L, "insert");
	if (lua_gettop(L) == 3) {
		evl_sandbox_charge(L, lua_rawlen(L, 1) / 16);
	}
	return sandbox_call_original(L);
}

int sandbox_remove(lua_State *L)
{
	check_list(L, "remove");
	if (lua_gettop(L) == 2) {
		evl_sandbox_charge(L, lua_rawlen(L, 1) / 16);
	}
	return sandbox_call_original(L);
}

int sandbox_concat(lua_State *L)
{
	check_list(L, "concat");
	if (lua_type(L, 1) == LUA_TTABLE) {
		check_span(L, "concat", luaL_optinteger(L, 3, 1),
			   luaL_optinteger(L, 4, (lua_Integer)lua_rawlen(L, 1)));
	}
	return sandbox_call_original(L);
}

int sandbox_move(lua_State *L)
{
	check_span(L, "move", luaL_checkinteger(L, 2), luaL_checkinteger(L, 3));
	return sandbox_call_original(L);
}

static const char sort_text[] = "local min = ...\n"
				"local function less(a, b) return a < b end\n"
				"local function sort(t, before)\n"
				"	if before == nil then before = less end\n"
				"	local n, from, to = #t, {}, {}\n"
				"	for i = 1, n do from[i] = t[i] end\n"
				"	local width = 1\n"
				"	while width < n do\n"
				"		for low = 1, n, 2 * width do\n"
				"			local a, b = low, low + width\n"
				"			local a_end, b_end = min(b, n + 1), "
				"min(b + width, n + 1)\n"
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

static int guarded_sort(lua_State *L)
{
	luaL_checktype(L, 1, LUA_TTABLE);
	check_list(L, "sort");
	if (!lua_isnoneornil(L, 2)) {
		luaL_checktype(L, 2, LUA_TFUNCTION);
	}
	lua_settop(L, 2);
	return sandbox_call_original(L);
}

/* Replaces the math library on top by the sorting function. */
void sandbox_push_sort(lua_State *L)
{
	if (luaL_loadbufferx(L, sort_text, sizeof(sort_text) - 1, "=[sort]", "t") != LUA_OK) {
		lua_error(L);
	}
	lua_getfield(L, -2, "min");
	lua_call(L, 1, 1);
	lua_pushcclosure(L, guarded_sort, 1);
	lua_remove(L, -2);
}
