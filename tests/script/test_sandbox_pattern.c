/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Patterns of the sandbox. Outside check: the string library of Lua 5.4 itself (liblua5.4 from
 * Debian), which gets the same seeded random patterns and subjects; results and messages must be
 * equal. Plus patterns that would hold the original up for hours.
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
#include <lualib.h>

#include "core/script/sandbox.h"

static uint64_t random_state = 12345;

static uint32_t draw(uint32_t n)
{
	/* Knuth's MMIX constants; any generator would do */
	random_state = random_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
	return (uint32_t)(random_state >> 33) % n;
}

static const char compare_text[] =
	"local function show(...)\n"
	"  local parts = {}\n"
	"  for i = 1, select('#', ...) do\n"
	"    local v = select(i, ...)\n"
	"    parts[i] = math.type(v) == 'integer' and 'i' .. v or type(v) == 'string' and 's' .. "
	"v\n"
	"      or type(v)\n"
	"  end\n"
	"  return table.concat(parts, '\\1')\n"
	"end\n"
	"local function gmatch(s, p, init)\n"
	"  local all, n = {}, 0\n"
	"  for a, b in string.gmatch(s, p, init) do n = n + 1 all[n] = show(a, b) end\n"
	"  return table.concat(all, '\\2')\n"
	"end\n"
	"return function(s, p, init, plain, r, n)\n"
	"  return table.concat({\n"
	"    show(pcall(string.find, s, p, init)),\n"
	"    show(pcall(string.find, s, p, init, plain)),\n"
	"    show(pcall(string.match, s, p, init)),\n"
	"    show(pcall(string.gsub, s, p, r)),\n"
	"    show(pcall(string.gsub, s, p, r, n)),\n"
	"    show(pcall(string.gsub, s, p, function(a, b) return b and a or false end)),\n"
	"    show(pcall(string.gsub, s, p, {a = 'A', b = false, ab = 7})),\n"
	"    show(pcall(gmatch, s, p, init)),\n"
	"  }, '\\3')\n"
	"end\n";

/* Both sides word alike but for the function's name, which differs when called through pcall. */
static char *call_compare(lua_State *L, const char *s, size_t s_len, const char *p, size_t p_len,
			  int init, bool plain, const char *r, int n)
{
	lua_getglobal(L, "compare");
	lua_pushlstring(L, s, s_len);
	lua_pushlstring(L, p, p_len);
	lua_pushinteger(L, init);
	lua_pushboolean(L, plain);
	lua_pushstring(L, r);
	lua_pushinteger(L, n);
	if (lua_pcall(L, 6, 1, 0) != LUA_OK) {
		print_error("%s\n", lua_tostring(L, -1));
		fail();
	}
	size_t len;
	const char *text = lua_tolstring(L, -1, &len);
	char *copy = malloc(len + 1);
	assert_non_null(copy);
	for (size_t i = 0; i <= len; i++) { /* readable and without NUL bytes within */
		copy[i] = i < len && text[i] == '\0' ? '0' : text[i];
	}
	lua_pop(L, 1);
	return copy;
}

static size_t random_text(char *out, size_t max, const char *const *pieces, uint32_t count)
{
	size_t len = 0;
	for (uint32_t i = draw(7); i > 0; i--) {
		const char *piece = pieces[draw(count)];
		size_t n = strlen(piece);
		if (len + n <= max) {
			memcpy(out + len, piece, n);
			len += n;
		}
	}
	out[len] = '\0';
	return len;
}

static void test_like_lua(void **state)
{
	(void)state;
	static const char *const pattern_pieces[] = {
		"a",  "b",   "c",    ".",    "a*",     "b+",   "c-",       "a?",
		".-", ".*",  "[ab]", "[^a]", "[a-c]*", "[]]",  "[^]-]",    "[%a]",
		"%a", "%A+", "%d",   "%s*",  "%w",     "%x",   "%p",       "%u",
		"%l", "%c",  "%g",   "(",    ")",      "()",   "(a*)",     "(.)",
		"%1", "%2",  "^",    "$",    "%b()",   "%b",   "%f[%a]",   "%f[^ab]",
		"%f", "%",   "[",    "]",    "-",      "[a-",  "[%",       "%%",
		"%.", "1",   " ",    "(",    ")",      "(b-)", "\xc3\xa4", "[\x80-\xff]"};
	static const char *const subject_pieces[] = {"a", "b",        "c",  "ab", "abc", "aaa", "1",
						     " ", "(",        ")",  "A",  "]",   "-",   ".",
						     "%", "\xc3\xa4", "\t", "^",  "$"};
	static const char *const replacements[] = {"",     "x",  "%0", "%1", "%2",
						   "<%0>", "%%", "%",  "%x", "%1%0%1"};
	lua_State *plain_lua = luaL_newstate();
	struct evl_sandbox *s = NULL;
	struct evl_err err = {0};

	assert_non_null(plain_lua);
	luaL_openlibs(plain_lua);
	assert_int_equal(
		luaL_loadbuffer(plain_lua, compare_text, sizeof(compare_text) - 1, "@t.lua"),
		LUA_OK);
	assert_int_equal(lua_pcall(plain_lua, 0, 1, 0), LUA_OK);
	lua_setglobal(plain_lua, "compare");
	assert_int_equal(evl_sandbox_create(&s, NULL, &err), EVL_OK);
	assert_int_equal(evl_sandbox_load(s, "t.lua", compare_text, sizeof(compare_text) - 1, &err),
			 EVL_OK);
	assert_int_equal(evl_sandbox_call(s, 0, 1, &err), EVL_OK);
	lua_setglobal(evl_sandbox_state(s), "compare");

	unsigned matched = 0;
	for (int i = 0; i < 20000; i++) {
		char subject[64], pattern[64];
		size_t p_len = random_text(pattern, sizeof(pattern) - 1, pattern_pieces,
					   sizeof(pattern_pieces) / sizeof(pattern_pieces[0]));
		size_t s_len = random_text(subject, sizeof(subject) - 1, subject_pieces,
					   sizeof(subject_pieces) / sizeof(subject_pieces[0]));
		if (draw(20) == 0 && s_len > 0) {
			subject[draw((uint32_t)s_len)] = '\0';
		}
		if (draw(40) == 0 && p_len > 0) {
			pattern[draw((uint32_t)p_len)] = '\0';
		}
		int init = draw(2) ? 1 : (int)draw(24) - 12;
		bool plain = draw(2);
		const char *r = replacements[draw(sizeof(replacements) / sizeof(replacements[0]))];
		int n = (int)draw(5) - 1;
		evl_sandbox_budget(s, 0);
		char *want =
			call_compare(plain_lua, subject, s_len, pattern, p_len, init, plain, r, n);
		char *got = call_compare(evl_sandbox_state(s), subject, s_len, pattern, p_len, init,
					 plain, r, n);
		if (strcmp(want, got) != 0) {
			print_error(
				"subject \"%s\" pattern \"%s\" init %d replacement \"%s\" n %d\n"
				"Lua says %s\nwe say   %s\n",
				subject, pattern, init, r, n, want, got);
		}
		assert_string_equal(got, want);
		matched += strncmp(got, "boolean\1i", 9) == 0;
		free(want);
		free(got);
	}
	assert_true(matched > 3000); /* the draw is not all errors and misses */
	lua_close(plain_lua);
	evl_sandbox_destroy(s);
}

static enum evl_status run_text(const char *text, struct evl_err *err)
{
	struct evl_sandbox_limits limits = {.instructions = 20000000};
	struct evl_sandbox *s = NULL;
	assert_int_equal(evl_sandbox_create(&s, &limits, err), EVL_OK);
	enum evl_status status = evl_sandbox_load(s, "t.lua", text, strlen(text), err);
	assert_int_equal(status, EVL_OK);
	status = evl_sandbox_call(s, 0, 0, err);
	evl_sandbox_destroy(s);
	return status;
}

static void test_backtracking(void **state)
{
	(void)state;
	static const char *const bombs[] = {
		"local s = ('a'):rep(100000) s:find('.-.-.-.-.-b')",
		"local s = ('a'):rep(100000) s:match('a*a*a*a*a*b')",
		"local s = ('a'):rep(5000) pcall(string.gsub, s, ('a?'):rep(90) .. 'b', '')\n"
		"while true do pcall(string.find, s, ('a?'):rep(90) .. 'b') end",
		"for _ in (('('):rep(3000000)):gmatch('%b()') do end",
		"local s = ('a'):rep(3000000) while true do s:find(('a'):rep(1000000) .. 'b', 1, "
		"true) end",
		"local s = ('ab'):rep(1000000) while true do s:find('^(.*)%1$') end",
	};
	struct evl_err err = {0};
	for (size_t i = 0; i < sizeof(bombs) / sizeof(bombs[0]); i++) {
		assert_int_equal(run_text(bombs[i], &err), EVL_E_LIMIT);
		assert_memory_equal(err.text, "t.lua:", 6);
	}
	/* Long but harmless work goes through. */
	assert_int_equal(run_text("local s = ('key = value\\n'):rep(20000) local n = 0\n"
				  "for k, v in s:gmatch('(%w+)%s*=%s*(%w+)') do n = n + 1 end\n"
				  "assert(n == 20000)\n"
				  "assert(#s:gsub('%s+', ' ') == #s and s:find('nothing') == nil)\n"
				  "assert(s:find('value', 200000, true))",
				  &err),
			 EVL_OK);
	/* Nesting that would use up the C stack. */
	assert_int_equal(
		run_text("assert(not pcall(string.find, 'a', ('('):rep(33) .. 'a'))\n"
			 "local ok, why = pcall(string.find, ('a'):rep(300), ('a?'):rep(300))\n"
			 "assert(not ok and why:find('too complex'))",
			 &err),
		EVL_OK);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_like_lua),
		cmocka_unit_test(test_backtracking),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
