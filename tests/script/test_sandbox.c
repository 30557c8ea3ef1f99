/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The sandbox: what a campaign must not be able to do, and what it must. What plain Lua does is
 * taken from the Lua 5.4 reference manual; where the sandbox differs, core/script/sandbox.h says
 * so.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <lauxlib.h>

#include "core/script/sandbox.h"

static struct evl_sandbox_limits small_limits(void)
{
	return (struct evl_sandbox_limits){
		.memory_bytes = (size_t)16 << 20, .instructions = 3000000};
}

static enum evl_status run_in(struct evl_sandbox *s, const char *text, struct evl_err *err)
{
	enum evl_status status = evl_sandbox_load(s, "t.lua", text, strlen(text), err);
	if (status == EVL_OK) {
		status = evl_sandbox_call(s, 0, 0, err);
	}
	assert_int_equal(lua_gettop(evl_sandbox_state(s)), 0);
	return status;
}

/* Runs `text` in a new sandbox; the message is expected to contain `message`. */
static void expect(const char *text, enum evl_status wanted, const char *message)
{
	struct evl_sandbox_limits limits = small_limits();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	enum evl_status status = run_in(s, text, &err);
	if (status != wanted || (message != NULL && strstr(err.text, message) == NULL)) {
		print_error("%s\ngave %d \"%s\", not %d \"%s\"\n", text, status, err.text, wanted,
			message != NULL ? message : "");
	}
	assert_int_equal(status, wanted);
	if (message != NULL) {
		assert_non_null(strstr(err.text, message));
	}
	evl_sandbox_destroy(s);
}

static void test_absent(void **state)
{
	(void)state;
	static const char *const names[] = {"io", "os", "debug", "package", "load", "loadfile",
		"loadstring", "dofile", "collectgarbage", "warn", "string.dump", "math.random",
		"math.randomseed", "(\"\").dump"};
	for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
		char text[200];
		snprintf(text, sizeof(text), "assert(%s == nil, 'there')", names[i]);
		expect(text, EVL_OK, NULL);
	}
	/* Nothing is left in the globals that no one meant to give. */
	expect("local known = {assert=1, error=1, getmetatable=1, ipairs=1, next=1, pairs=1,\n"
	       "pcall=1, print=1, rawequal=1, rawget=1, rawlen=1, rawset=1, require=1, select=1,\n"
	       "setmetatable=1, tonumber=1, tostring=1, type=1, xpcall=1, _G=1, _VERSION=1,\n"
	       "string=1, table=1, math=1, utf8=1, coroutine=1}\n"
	       "for k in pairs(_G) do assert(known[k], k) end",
		EVL_OK, NULL);
}

static void test_endless(void **state)
{
	(void)state;
	static const char *const texts[] = {
		"while true do end",
		"local function f() return f() end f()",
		"while true do pcall(function() while true do end end) end",
		"while true do pcall(pcall, pcall, function() while true do end end) end",
		"xpcall(function() while true do end end, function() while true do end end)",
		"while true do xpcall(error, function() while true do end end) end",
		"local co = coroutine.create(function()\n"
		"  while true do pcall(function() while true do end end) end end)\n"
		"while true do coroutine.resume(co) end",
		"while true do coroutine.resume(coroutine.create(function()\n"
		"  while true do end end)) end",
		"while true do pcall(coroutine.wrap(function() while true do end end)) end",
		"while true do coroutine.wrap(function() for i = 1, 90 do end end)() end",
		"local co = coroutine.wrap(function() while true do coroutine.yield() end end)\n"
		"while true do co() end",
		/* handlers that run while the error unwinds */
		"local x <close> = setmetatable({}, {__close = function() while true do end end})\n"
		"while true do end",
		"coroutine.wrap(function()\n"
		"  local x <close> = setmetatable({}, {__close = function() while true do end "
		"end})\n"
		"  while true do end end)()",
		"local co = coroutine.create(function()\n"
		"  local x <close> = setmetatable({}, {__close = function() while true do end "
		"end})\n"
		"  coroutine.yield() end)\n"
		"coroutine.resume(co) coroutine.close(co)",
		"local t = setmetatable({}, {__index = function(t, k) return t[k + 1] end})\n"
		"while true do pcall(function() return t[1] end) end",
		"error(setmetatable({}, {__tostring = function() while true do end end}))",
		"table.sort({3, 2, 1}, function() while true do end end)",
		"('x'):gsub('x', function() while true do end end)",
		"local t = setmetatable({}, {__pairs = function() return function() return 1 end "
		"end})\n"
		"for _ in pairs(t) do end",
		"goto a ::a:: goto a",
	};
	for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++) {
		expect(texts[i], i == 15 ? EVL_E_SCRIPT : EVL_E_LIMIT, "t.lua:");
	}
}

/* A small table whose length, a border in the manual's words, is about 2^62. */
static void expect_too_long(const char *call)
{
	char text[4000];
	int n = snprintf(text, sizeof(text), "local t = {");
	for (int i = 0; i <= 62; i++) {
		n += snprintf(text + n, sizeof(text) - (size_t)n, "[1 << %d] = 1, ", i);
	}
	snprintf(text + n, sizeof(text) - (size_t)n, "} assert(#t > 1 << 60) %s", call);
	expect(text, EVL_E_SCRIPT, "the list is too long");
}

/* Loops within C functions, where no hook runs. */
static void test_endless_in_c(void **state)
{
	(void)state;
	expect("return ('').rep('', 1 << 62)", EVL_OK, NULL);
	expect("table.move({}, 1, 1 << 62, 2)", EVL_E_SCRIPT, "t.lua:1: move: ");
	expect("table.insert(setmetatable({}, {__len = function() return 1 << 62 end}), 1, 1)",
		EVL_E_SCRIPT, "__len");
	expect_too_long("table.insert(t, 1, 1)");
	expect_too_long("table.remove(t, 1)");
	expect_too_long("table.sort(t)");
	expect_too_long("table.concat(t)");
	expect("table.concat({}, '', 1, 1 << 62)", EVL_E_SCRIPT, "too long a span");
	expect("local t = {} for i = 1, 200000 do t[i] = i end\n"
	       "while true do table.insert(t, 1, 0) table.remove(t, 1) end",
		EVL_E_LIMIT, "t.lua:2:");
}

static void test_memory(void **state)
{
	(void)state;
	expect("local t = {} while true do t[#t + 1] = {} end", EVL_E_NOMEM,
		"t.lua:1: the script needs more than its 16 MiB of memory");
	expect("local s = 'x' while true do s = s .. s end", EVL_E_NOMEM, "t.lua:1: ");
	expect("('x'):rep(1 << 30)", EVL_E_NOMEM, "t.lua:1: ");
	expect("('x'):rep(1 << 62, 'y')", EVL_E_SCRIPT, "too large");
	expect("('%99s'):rep(100000):format()", EVL_E_SCRIPT, "t.lua:1: ");
	expect("string.pack('c2000000000', '')", EVL_E_NOMEM, "t.lua:1: ");
	expect("local function f() return f(), 1 end f()", EVL_E_NOMEM, "t.lua:1: ");
	/* pcall may catch a want of memory, which leaves the script within its cap. */
	expect("assert(not pcall(string.rep, 'x', 1 << 30)) assert(#('x'):rep(1000) == 1000)",
		EVL_OK, NULL);
	/* To copy much again and again costs instructions. */
	expect("local s = ('x'):rep(4000000) while true do local t = s .. 'y' end", EVL_E_LIMIT,
		"t.lua:1: ");

	struct evl_sandbox_limits limits = small_limits();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};
	for (limits.memory_bytes = 1; limits.memory_bytes < 60000; limits.memory_bytes += 997) {
		if (evl_sandbox_create(&s, &limits, &err) == EVL_OK) {
			assert_true(evl_sandbox_peak_bytes(s) <= limits.memory_bytes);
			evl_sandbox_destroy(s);
		} else {
			assert_int_equal(err.status, EVL_E_NOMEM);
			assert_null(s);
		}
	}
}

/* A case gets its budget anew and the state stays of use after a cap was reached. */
static void test_budget(void **state)
{
	(void)state;
	struct evl_sandbox_limits limits = small_limits();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	assert_int_equal(run_in(s, "while true do end", &err), EVL_E_LIMIT);
	assert_int_equal(run_in(s, "local x = 1", &err), EVL_E_LIMIT); /* until it is renewed */
	for (int i = 0; i < 3; i++) {
		evl_sandbox_budget(s, 0);
		assert_int_equal(run_in(s, "for i = 1, 1000000 do end", &err), EVL_OK);
	}
	assert_int_equal(run_in(s, "for i = 1, 3000000 do end", &err), EVL_E_LIMIT);
	evl_sandbox_budget(s, 20000000);
	assert_int_equal(run_in(s, "for i = 1, 3000000 do end", &err), EVL_OK);
	evl_sandbox_destroy(s);
}

static void test_cpu(void **state)
{
	(void)state;
	struct evl_sandbox_limits limits = {.cpu_ns = 50000000, .instructions = UINT64_C(1) << 60};
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	assert_int_equal(run_in(s, "while true do end", &err), EVL_E_LIMIT);
	assert_non_null(strstr(err.text, "processor time"));
	evl_sandbox_destroy(s);
}

static void test_interrupt(void **state)
{
	(void)state;
	volatile sig_atomic_t flag = 0;
	struct evl_sandbox_limits limits = small_limits();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	limits.interrupt = &flag;
	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	assert_int_equal(run_in(s, "for i = 1, 10000 do end", &err), EVL_OK);
	flag = 1;
	assert_int_equal(
		run_in(s, "while true do pcall(function() while true do end end) end", &err),
		EVL_E_INTERRUPTED);
	assert_non_null(strstr(err.text, "t.lua:1: interrupted"));
	evl_sandbox_destroy(s);
}

static int say(lua_State *L)
{
	return lua_yield(L, lua_gettop(L));
}

/* Cases are coroutines that wait in bindings. */
static void test_resume(void **state)
{
	(void)state;
	struct evl_sandbox_limits limits = small_limits();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};
	static const char text[] =
		"local a = wait(1)\n"
		"assert(a == 'x')\n"
		"assert(pcall(function() wait(2) end))\n"
		"local ok, why = pcall(function() wait(3) error('so') end)\n"
		"assert(not ok and why == 't.lua:4: so', why)\n"
		"assert(select(2, xpcall(function() return wait(4) end, print)) == 'x')\n"
		"error 'end'";
	bool yielded = false;
	int n = 0;

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	lua_State *L = evl_sandbox_state(s);
	lua_pushcfunction(L, say);
	lua_setglobal(L, "wait");
	lua_State *co = lua_newthread(L);
	assert_ptr_equal(evl_sandbox_of(co), s);
	assert_int_equal(evl_sandbox_load(s, "t.lua", text, strlen(text), &err), EVL_OK);
	lua_xmove(L, co, 1);
	for (int i = 1; i <= 4; i++) {
		evl_sandbox_budget(s, 0);
		if (i > 1) {
			lua_pushliteral(co, "x");
		}
		assert_int_equal(evl_sandbox_resume(s, co, i > 1, &yielded, &n, &err), EVL_OK);
		assert_true(yielded);
		assert_int_equal(n, 1);
		assert_int_equal(lua_tointeger(co, -1), i);
		lua_pop(co, n);
	}
	lua_pushliteral(co, "x");
	assert_int_equal(evl_sandbox_resume(s, co, 1, &yielded, &n, &err), EVL_E_SCRIPT);
	assert_string_equal(err.text, "t.lua:7: end");
	assert_int_equal(n, 0);
	lua_settop(L, 0);
	/* Outside of a case there is no one to wait for. */
	assert_int_equal(run_in(s, "\nwait(1)", &err), EVL_E_SCRIPT);
	assert_string_equal(err.text, "t.lua:2: only a case can wait or take");
	evl_sandbox_destroy(s);
}

static int push_two(lua_State *L)
{
	lua_pushinteger(L, 7);
	lua_pushinteger(L, 8);
	return 2;
}

static void test_call_results(void **state)
{
	(void)state;
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};
	static const struct {
		int wanted, top;
	} table[] = {{0, 0}, {1, 1}, {2, 2}, {4, 4}, {LUA_MULTRET, 2}};

	assert_int_equal(evl_sandbox_create(&s, NULL, &err), EVL_OK);
	lua_State *L = evl_sandbox_state(s);
	for (size_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		lua_pushliteral(L, "below");
		lua_pushcfunction(L, push_two);
		lua_pushboolean(L, 1); /* an argument that nobody reads */
		assert_int_equal(evl_sandbox_call(s, 1, table[i].wanted, &err), EVL_OK);
		assert_int_equal(lua_gettop(L), 1 + table[i].top);
		assert_string_equal(lua_tostring(L, 1), "below");
		if (table[i].top > 0) {
			assert_int_equal(lua_tointeger(L, 2), 7);
		}
		if (table[i].top == 4) {
			assert_int_equal(lua_tointeger(L, 3), 8);
			assert_true(lua_isnil(L, 4) && lua_isnil(L, 5));
		}
		lua_settop(L, 0);
	}
	evl_sandbox_destroy(s);
}

static void load_bytes(const char *bytes, size_t len, const char *message)
{
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_sandbox_create(&s, NULL, &err), EVL_OK);
	assert_int_equal(evl_sandbox_load(s, "t.lua", bytes, len, &err), EVL_E_SCRIPT);
	if (strstr(err.text, message) == NULL) {
		print_error("\"%s\" has no \"%s\"\n", err.text, message);
	}
	assert_non_null(strstr(err.text, message));
	assert_int_equal(lua_gettop(evl_sandbox_state(s)), 0);
	evl_sandbox_destroy(s);
}

static int write_chunk(lua_State *L, const void *data, size_t size, void *ctx)
{
	(void)L;
	luaL_addlstring(ctx, data, size);
	return 0;
}

static void test_load(void **state)
{
	(void)state;
	/* Real byte code, as lua_dump of this very library makes it. */
	lua_State *L = luaL_newstate();
	luaL_Buffer b;
	assert_int_equal(luaL_loadstring(L, "return 1"), LUA_OK);
	lua_State *B = luaL_newstate();
	luaL_buffinit(B, &b);
	assert_int_equal(lua_dump(L, write_chunk, &b, 0), 0);
	luaL_pushresult(&b);
	size_t len;
	const char *code = lua_tolstring(B, -1, &len);
	load_bytes(code, len, "t.lua: is compiled Lua");
	lua_close(L);
	lua_close(B);

	load_bytes("x = 1\n\0", 7, "t.lua:2: is no UTF-8 text");
	load_bytes("\n\n\xff", 3, "t.lua:3: is no UTF-8 text");
	load_bytes("\xc0\x80", 2, "t.lua:1:");     /* overlong, RFC 3629 section 3 */
	load_bytes("\xed\xa0\x80", 3, "t.lua:1:"); /* surrogate, likewise */
	load_bytes("\xe2\x82", 2, "t.lua:1:");     /* cut short */
	load_bytes("x = = 1", 7, "t.lua:1: unexpected symbol near '='");
	load_bytes("x = (", 5, "t.lua:1:");
	char *big = malloc(EVL_SANDBOX_TEXT_MAX + 1);
	assert_non_null(big);
	memset(big, ' ', EVL_SANDBOX_TEXT_MAX + 1);
	load_bytes(big, EVL_SANDBOX_TEXT_MAX + 1, "at most 1048576");
	memset(big, '(', 100000);
	load_bytes(big, 100000, "t.lua: ");
	free(big);

	expect("", EVL_OK, NULL);
	expect("\xef\xbb\xbfprint = nil", EVL_OK, NULL);
	expect("#!/usr/bin/env something\nerror 'two'", EVL_E_SCRIPT, "t.lua:2: two");
	expect("local s = '\xe2\x82\xac' assert(#s == 3)", EVL_OK, NULL);
}

static int blame(lua_State *L)
{
	evl_sandbox_where(L);
	lua_pushliteral(L, "blamed");
	lua_concat(L, 2);
	return lua_error(L);
}

static void require_text(struct evl_sandbox *s, const char *name, const char *text)
{
	evl_sandbox_require_text(s, name, text, strlen(text));
}

static void test_require(void **state)
{
	(void)state;
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, NULL, &err), EVL_OK);
	require_text(s, "one",
		"local m = {count = 0}\n"
		"function m.go(f) m.count = m.count + 1\n"
		"  return f() end\n"
		"function m.bad() return nil + 1 end\n"
		"local core = require 'core'\n"
		"m.blame = function() core.blame() end\n"
		"return m");
	require_text(s, "ring", "return require 'ring'");
	require_text(s, "broken", "x = = 1");
	lua_State *L = evl_sandbox_state(s);
	lua_newtable(L);
	lua_pushcfunction(L, blame);
	lua_setfield(L, -2, "blame");
	evl_sandbox_require_value(s, "core");

	assert_int_equal(run_in(s,
				 "local a, b = require 'one', require 'one'\n"
				 "assert(a == b)\n"
				 "a.go(function() end)\n"
				 "assert(b.count == 1)",
				 &err),
		EVL_OK);
	assert_int_equal(run_in(s, "\nrequire 'one'.bad()", &err), EVL_E_SCRIPT);
	assert_non_null(strstr(err.text, "[one]:4: attempt to perform arithmetic on a nil value"));
	assert_non_null(strstr(err.text, "(from t.lua:2)"));
	assert_int_equal(run_in(s, "\n\nrequire 'one'.blame()", &err), EVL_E_SCRIPT);
	assert_string_equal(err.text, "t.lua:3: blamed");
	assert_int_equal(run_in(s, "require 'core'", &err), EVL_E_SCRIPT);
	assert_string_equal(err.text, "t.lua:1: there is no module 'core'; a campaign can require: "
				      "one, ring, broken");
	assert_int_equal(run_in(s, "assert(pcall(require, 'core'))", &err), EVL_E_SCRIPT);
	assert_int_equal(run_in(s, "coroutine.wrap(require)('core')", &err), EVL_E_SCRIPT);
	assert_int_equal(run_in(s, "require '../etc/passwd'", &err), EVL_E_SCRIPT);
	assert_int_equal(run_in(s, "require 'ring'", &err), EVL_E_SCRIPT);
	assert_non_null(strstr(err.text, "requires itself"));
	assert_int_equal(run_in(s, "require 'broken'", &err), EVL_E_SCRIPT);
	assert_non_null(strstr(err.text, "[broken]:1: unexpected symbol"));
	evl_sandbox_destroy(s);
}

static void test_messages(void **state)
{
	(void)state;
	expect("\nerror 'why'", EVL_E_SCRIPT, "t.lua:2: why");
	expect("\nerror('why', 0)", EVL_E_SCRIPT, "t.lua:2: why");
	expect("\nerror()", EVL_E_SCRIPT, "t.lua:2: an error was raised with a nil value");
	expect("\nerror({})", EVL_E_SCRIPT, "t.lua:2: an error was raised with a table value");
	expect("error(setmetatable({}, {__tostring = function() return 'own words' end}))",
		EVL_E_SCRIPT, "t.lua:1: own words");
	expect("\nerror(setmetatable({}, {__tostring = error}))", EVL_E_SCRIPT, "t.lua:2: ");
	expect("\nerror(setmetatable({}, {__tostring = function() return 1 end}))", EVL_E_SCRIPT,
		"t.lua:2: ");
	expect("\nlocal x = y.z", EVL_E_SCRIPT,
		"t.lua:2: attempt to index a nil value (global 'y')");
	expect("\n(1)()", EVL_E_SCRIPT, "t.lua:2: attempt to call a number value");
	expect("\nstring.rep()", EVL_E_SCRIPT, "t.lua:2: bad argument #1 to 'rep'");
	expect("\nstring.format('%d', {})", EVL_E_SCRIPT,
		"t.lua:2: bad argument #2 to 'string.format'");
	expect("\ntable.insert(1, 2)", EVL_E_SCRIPT, "t.lua:2: bad argument #1 to 'table.insert'");
	expect("\ncoroutine.wrap(function() error 'in' end)()", EVL_E_SCRIPT, "t.lua:2: in");
}

/* The manual's behaviour where the sandbox has functions of its own. */
static void test_still_lua(void **state)
{
	(void)state;
	expect("assert(select('#', pcall(error)) == 2)\n"
	       "local ok, e = pcall(error, 'x', 0) assert(not ok and e == 'x')\n"
	       "assert(select(3, pcall(function() return 1, 2 end)) == 2)\n"
	       "local ok, e = xpcall(error, function(m) return m .. '!' end, 'x', 0)\n"
	       "assert(not ok and e == 'x!')\n"
	       "assert(select(2, xpcall(function(...) return select('#', ...) end, print, 1, nil)) "
	       "== 2)",
		EVL_OK, NULL);
	expect("local co = coroutine.create(function(a) local b = coroutine.yield(a + 1)\n"
	       "  error('x' .. b, 0) end)\n"
	       "local ok, v = coroutine.resume(co, 1) assert(ok and v == 2)\n"
	       "assert(coroutine.status(co) == 'suspended')\n"
	       "local ok, v = coroutine.resume(co, 5) assert(not ok and v == 'x5')\n"
	       "assert(coroutine.status(co) == 'dead')\n"
	       "local ok, v = coroutine.resume(co) assert(v == 'cannot resume dead coroutine')\n"
	       "assert(not pcall(coroutine.resume, 1))\n"
	       "local closed\n"
	       "local co = coroutine.create(function()\n"
	       "  local x <close> = setmetatable({}, {__close = function() closed = true end})\n"
	       "  coroutine.yield() end)\n"
	       "coroutine.resume(co) assert(coroutine.close(co) and closed)\n"
	       "assert(not pcall(coroutine.close, coroutine.running()))\n"
	       "local t = {} for v in coroutine.wrap(function() for i = 1, 3 do coroutine.yield(i) "
	       "end\n"
	       "  end) do t[#t + 1] = v end assert(#t == 3)",
		EVL_OK, NULL);
	expect("assert(getmetatable('') == 'string')\n"
	       "assert(not pcall(setmetatable, {}, 1))\n"
	       "assert(not pcall(setmetatable, setmetatable({}, {__metatable = 1}), {}))\n"
	       "local t = setmetatable({}, {__index = {a = 1}}) assert(t.a == 1)\n"
	       "assert(getmetatable(setmetatable(t, nil)) == nil)",
		EVL_OK, NULL);
	expect("setmetatable({}, {__gc = function() end})", EVL_E_SCRIPT, "__gc");
	expect("local t = {} for k, v in pairs {3, 2, 1} do t[#t + 1] = k * v end\n"
	       "assert(table.concat(t, ' ') == '3 4 3')\n"
	       "for k in pairs {} do error() end\n"
	       "local t = {a = 1, b = 2, c = 3} for k in pairs(t) do t[k] = nil t.c = nil end\n"
	       "assert(next(t) == nil and next({5}) == 1 and select(2, next {x = 7}) == 7)\n"
	       "assert(not pcall(next, {1, 2}, 1))\n"
	       "for k, v in pairs(setmetatable({}, {__pairs = function() return ipairs {9} end})) "
	       "do\n"
	       "  assert(k == 1 and v == 9) end",
		EVL_OK, NULL);
	expect("local t = {5, 3, 9, 1} table.sort(t) assert(table.concat(t, ',') == '1,3,5,9')\n"
	       "table.sort(t, function(a, b) return a > b end)\n"
	       "assert(table.concat(t, ',') == '9,5,3,1')\n"
	       "table.sort({}) table.sort({1})\n"
	       "assert(not pcall(table.sort, {1, 'x'})) assert(not pcall(table.sort, {2, 1}, 1))\n"
	       "local u = {} for i = 1, 1000 do u[i] = {k = (i * 7919) % 10, i = i} end\n"
	       "table.sort(u, function(a, b) return a.k < b.k end)\n"
	       "for i = 2, 1000 do assert(u[i - 1].k < u[i].k or\n"
	       "  (u[i - 1].k == u[i].k and u[i - 1].i < u[i].i)) end",
		EVL_OK, NULL);
	expect("assert(tostring(12) == '12' and tostring(nil) == 'nil' and tostring(1.5) == "
	       "'1.5')\n"
	       "assert(tostring(setmetatable({}, {__tostring = function() return 'T' end})) == "
	       "'T')\n"
	       "assert(tostring({}) == 'table' and tostring(print) == 'function')\n"
	       "assert(string.format('%s|%5.1f|%%|%q|%s', {}, 2.25, 'a\\n', 1) == 'table|  "
	       "2.2|%|\"a\\\\\\n\"|1')\n"
	       "assert(not pcall(string.format, '%p', {})) assert(not pcall(string.format, '%d', "
	       "'x'))\n"
	       "assert(('ab'):rep(3, '-') == 'ab-ab-ab' and ('x'):rep(0) == '')\n"
	       "assert(table.concat({1, 2, 3}, ', ', 2) == '2, 3')\n"
	       "local t = {1, 2, 3} table.insert(t, 1, 0) assert(t[4] == 3 and table.remove(t, 1) "
	       "== 0)\n"
	       "assert(table.remove({}) == nil)\n"
	       "assert(select('#', table.unpack({1, 2, nil, 4}, 1, 4)) == 4)\n"
	       "assert(table.move({1, 2, 3}, 1, 3, 2)[4] == 3)",
		EVL_OK, NULL);
}

/* Lua seeds its string hash from addresses and the clock, so that plain pairs differs from run to
 * run (lstate.c, luai_makeseed). Here it must be sorted. */
static void test_order(void **state)
{
	(void)state;
	expect("local t = {}\n"
	       "for i = 1, 300 do t['key' .. (i * 7919) % 1000] = i end\n"
	       "t[3] = 'x' t[1] = 'x' t[-5] = 'x' t[2.5] = 'x' t[true] = 'x' t[false] = 'x'\n"
	       "t[math.maxinteger] = 'x' t[math.mininteger] = 'x' t[math.huge] = 'x' t[''] = 'x'\n"
	       "local keys = {}\n"
	       "for k, v in pairs(t) do keys[#keys + 1] = k assert(t[k] == v) end\n"
	       "assert(#keys == 310)\n"
	       "local head = {math.mininteger, -5, 1, 2.5, 3, math.maxinteger, math.huge, ''}\n"
	       "for i, k in ipairs(head) do assert(keys[i] == k, i) end\n"
	       "for i = 9, 308 do assert(keys[i - 1] < keys[i]) end\n"
	       "assert(keys[309] == false and keys[310] == true)",
		EVL_OK, NULL);
	expect("\nfor k in pairs {[{}] = 1} do end", EVL_E_SCRIPT,
		"t.lua:2: pairs: a key of the table is a table");
}

struct printed {
	char text[256];
};

static void on_print(void *ctx, const char *text, size_t len)
{
	struct printed *p = ctx;
	snprintf(p->text, sizeof(p->text), "%.*s", (int)len, text);
}

static void test_print(void **state)
{
	(void)state;
	struct printed p = {""};
	struct evl_sandbox_limits limits = {.print = on_print, .print_ctx = &p};
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	assert_int_equal(run_in(s, "print(1, 'two', nil, {})", &err), EVL_OK);
	assert_string_equal(p.text, "1\ttwo\tnil\ttable\n");
	evl_sandbox_destroy(s);
}

/* A script that spoils its globals spoils them for scripts only, not for library modules. */
static void test_spoilt(void **state)
{
	(void)state;
	static const char library[] = "return function(x)\n"
				      "local t = {} for k in pairs({a = x}) do t[#t + 1] = k end\n"
				      "return string.format('%s', table.concat(t)) end";
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, NULL, &err), EVL_OK);
	evl_sandbox_require_text(s, "good", library, sizeof library - 1);
	assert_int_equal(
		run_in(s,
			"good = require 'good'\n"
			"for k in pairs(string) do string[k] = false end\n"
			"for k in pairs(table) do table[k] = false end\n"
			"local g = _G for k in pairs(g) do if k ~= 'good' then g[k] = nil end end",
			&err),
		EVL_OK);
	assert_int_equal(run_in(s, "local x = good(1) local y = x == 'a' or z()", &err), EVL_OK);
	assert_int_equal(run_in(s, "local x = ('x'):upper()", &err), EVL_OK);
	assert_int_equal(run_in(s, "local x = 1 + 1 if x ~= 2 then y() end", &err), EVL_OK);
	assert_int_equal(run_in(s, "string.format('x')", &err), EVL_E_SCRIPT);
	evl_sandbox_destroy(s);
}

static void count_print(void *ctx, const char *text, size_t len)
{
	(void)text;
	*(uint64_t *)ctx += len;
}

/* What takes long in one instruction: printing much, comparing long strings. */
static void test_long_instructions(void **state)
{
	(void)state;
	uint64_t printed = 0;
	struct evl_sandbox_limits limits = {.print = count_print,
		.print_ctx = &printed,
		.instructions = 10000000,
		.memory_bytes = 256u << 20};
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_int_equal(evl_sandbox_create(&s, &limits, &err), EVL_OK);
	assert_int_equal(run_in(s, "local s = ('x'):rep(1 << 20) while true do print(s) end", &err),
		EVL_E_LIMIT);
	assert_true(printed > 0 && printed <= 10000000);
	evl_sandbox_budget(s, UINT64_C(1) << 50);
	assert_int_equal(run_in(s, "local s = ('x'):rep((32 << 20) + 1)", &err), EVL_E_NOMEM);
	assert_int_equal(run_in(s, "local s = ('x'):rep(31 << 20)", &err), EVL_OK);
	evl_sandbox_destroy(s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_absent),
		cmocka_unit_test(test_endless),
		cmocka_unit_test(test_endless_in_c),
		cmocka_unit_test(test_memory),
		cmocka_unit_test(test_budget),
		cmocka_unit_test(test_cpu),
		cmocka_unit_test(test_interrupt),
		cmocka_unit_test(test_resume),
		cmocka_unit_test(test_call_results),
		cmocka_unit_test(test_load),
		cmocka_unit_test(test_require),
		cmocka_unit_test(test_messages),
		cmocka_unit_test(test_still_lua),
		cmocka_unit_test(test_order),
		cmocka_unit_test(test_print),
		cmocka_unit_test(test_spoilt),
		cmocka_unit_test(test_long_instructions),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
