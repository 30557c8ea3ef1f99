/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/sandbox_internal.h"

#include <ctype.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <lauxlib.h>

#define DEFAULT_MEMORY       ((size_t)256 << 20)
#define DEFAULT_INSTRUCTIONS UINT64_C(200000000)
#define DEFAULT_CPU_NS       UINT64_C(20000000000)

struct evl_sandbox *evl_sandbox_of(lua_State *L)
{
	/* Lua copies the extra space of the main thread into each coroutine. */
	struct evl_sandbox *s;
	memcpy(&s, lua_getextraspace(L), sizeof(s));
	return s;
}

static void *counting_alloc(void *ctx, void *old, size_t old_bytes, size_t bytes)
{
	struct evl_sandbox *s = ctx;
	size_t held = old != NULL ? old_bytes : 0; /* else old_bytes tells the kind of object */

	if (bytes == 0) {
		free(old);
		s->bytes -= held;
		return NULL;
	}
	if (bytes > held &&
		(bytes - held > s->limits.memory_bytes - s->bytes || bytes > BLOCK_BYTES_MAX)) {
		return NULL;
	}
	void *p = realloc(old, bytes);
	if (p == NULL) {
		return NULL;
	}
	s->bytes = s->bytes - held + bytes;
	if (bytes > held) {
		s->left -= (int64_t)(bytes / BYTES_PER_INSTRUCTION);
	}
	if (s->bytes > s->peak_bytes) {
		s->peak_bytes = s->bytes;
	}
	return p;
}

static uint64_t cpu_now_ns(void)
{
	struct timespec t = {0};
	clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
	return (uint64_t)t.tv_sec * UINT64_C(1000000000) + (uint64_t)t.tv_nsec;
}

int sandbox_raise_trip(lua_State *L)
{
	struct evl_sandbox *s = evl_sandbox_of(L);
	evl_sandbox_where(L);
	switch (s->tripped) {
	case TRIP_INTERRUPT:
		lua_pushliteral(L, "interrupted");
		break;
	case TRIP_CPU:
		lua_pushfstring(L, "more than %d s of processor time used up without end",
			(int)(s->limits.cpu_ns / UINT64_C(1000000000)));
		break;
	default:
		lua_pushliteral(L, "the instruction limit is used up; look for a loop without end");
		break;
	}
	lua_concat(L, 2);
	return lua_error(L);
}

/* Takes `amount` off; true when a cap is reached, now or before. */
static bool take(struct evl_sandbox *s, int64_t amount)
{
	if (s->tripped != TRIP_NONE) {
		return true;
	}
	s->left -= amount;
	if (s->limits.interrupt != NULL && *s->limits.interrupt) {
		s->tripped = TRIP_INTERRUPT;
	} else if (s->left <= 0) {
		s->tripped = TRIP_INSTRUCTIONS;
	} else if (amount >= HOOK_INSTRUCTIONS && cpu_now_ns() > s->cpu_end_ns) {
		s->tripped = TRIP_CPU;
	}
	return s->tripped != TRIP_NONE;
}

static void hook(lua_State *L, lua_Debug *ar)
{
	(void)ar;
	if (take(evl_sandbox_of(L), HOOK_INSTRUCTIONS)) {
		/* From here on each instruction raises, so that no handler gets anywhere. */
		lua_sethook(L, hook, LUA_MASKCOUNT, 1);
		sandbox_raise_trip(L);
	}
}

void evl_sandbox_charge(lua_State *L, uint64_t amount)
{
	if (take(evl_sandbox_of(L), amount < INT64_MAX / 2 ? (int64_t)amount : INT64_MAX / 2)) {
		sandbox_raise_trip(L);
	}
}

void evl_sandbox_budget(struct evl_sandbox *s, uint64_t instructions)
{
	uint64_t n = instructions != 0 ? instructions : s->limits.instructions;
	s->left = n < INT64_MAX / 2 ? (int64_t)n : INT64_MAX / 2;
	s->cpu_end_ns = cpu_now_ns() + s->limits.cpu_ns;
	s->tripped = TRIP_NONE;
	lua_sethook(s->main, hook, LUA_MASKCOUNT, HOOK_INSTRUCTIONS);
}

static int at_panic(lua_State *L)
{
	const char *text = lua_tostring(L, -1);
	fprintf(stderr, "evenlode: Lua error outside of protected code: %s\n",
		text != NULL ? text : "(no text)");
	return 0; /* Lua aborts */
}

enum evl_status evl_sandbox_create(
	struct evl_sandbox **out, const struct evl_sandbox_limits *limits, struct evl_err *err)
{
	struct evl_sandbox *s = evl_xcalloc(1, sizeof(*s));

	*out = NULL;
	if (limits != NULL) {
		s->limits = *limits;
	}
	if (s->limits.memory_bytes == 0) {
		s->limits.memory_bytes = DEFAULT_MEMORY;
	}
	if (s->limits.instructions == 0) {
		s->limits.instructions = DEFAULT_INSTRUCTIONS;
	}
	if (s->limits.cpu_ns == 0) {
		s->limits.cpu_ns = DEFAULT_CPU_NS;
	}
	s->main = lua_newstate(counting_alloc, s);
	if (s->main == NULL) {
		goto no_memory;
	}
	lua_atpanic(s->main, at_panic);
	memcpy(lua_getextraspace(s->main), &s, sizeof(s));
	evl_sandbox_budget(s, 0);
	lua_pushcfunction(s->main, sandbox_open_libraries);
	if (lua_pcall(s->main, 0, 0, 0) != LUA_OK) {
		goto no_memory;
	}
	*out = s;
	return EVL_OK;

no_memory:
	evl_err_set(err, EVL_E_NOMEM, "a memory limit of %zu bytes is too small for Lua",
		s->limits.memory_bytes);
	evl_sandbox_destroy(s);
	return EVL_E_NOMEM;
}

void evl_sandbox_destroy(struct evl_sandbox *s)
{
	if (s == NULL) {
		return;
	}
	if (s->main != NULL) {
		lua_close(s->main);
	}
	free(s->modules);
	free(s);
}

lua_State *evl_sandbox_state(struct evl_sandbox *s)
{
	return s->main;
}

void evl_sandbox_set_user(struct evl_sandbox *s, void *user)
{
	s->user = user;
}

void *evl_sandbox_user(struct evl_sandbox *s)
{
	return s->user;
}

size_t evl_sandbox_peak_bytes(const struct evl_sandbox *s)
{
	return s->peak_bytes;
}

/* "file:line: " of the innermost line that is the user's; "" when there is none. Allocates
 * nothing, so that it also works on a coroutine that died for want of memory. */
static void where(lua_State *L, char *out, size_t size)
{
	lua_Debug ar;
	out[0] = '\0';
	for (int level = 0; lua_getstack(L, level, &ar); level++) {
		lua_getinfo(L, "Sl", &ar);
		if (ar.source[0] == '@' && ar.currentline > 0) {
			snprintf(out, size, "%s:%d: ", ar.short_src, ar.currentline);
			return;
		}
	}
}

void evl_sandbox_where(lua_State *L)
{
	char text[LUA_IDSIZE + 16];
	where(L, text, sizeof(text));
	lua_pushstring(L, text);
}

/* Does the message begin as Lua words them, "something:12: "? */
static bool has_position(const char *text)
{
	for (const char *p = strchr(text, ':'); p != NULL; p = strchr(p + 1, ':')) {
		const char *q = p + 1;
		while (isdigit((unsigned char)*q)) {
			q++;
		}
		if (q > p + 1 && q[0] == ':' && q[1] == ' ') {
			return true;
		}
	}
	return false;
}

static int to_text(lua_State *L)
{
	if (luaL_getmetafield(L, 1, "__tostring") == LUA_TNIL) {
		return luaL_error(L, "no text");
	}
	lua_insert(L, 1);
	lua_call(L, 1, 1);
	luaL_checktype(L, 1, LUA_TSTRING);
	return 1;
}

/* Words the error value on top of `co`, whose stack is still as the error left it. */
static enum evl_status word_error(
	struct evl_sandbox *s, lua_State *co, int lua_status, struct evl_err *err)
{
	char at[LUA_IDSIZE + 16];
	const char *text = lua_type(co, -1) == LUA_TSTRING ? lua_tostring(co, -1) : NULL;

	where(co, at, sizeof(at));
	if (s->tripped != TRIP_NONE) {
		enum evl_status status =
			s->tripped == TRIP_INTERRUPT ? EVL_E_INTERRUPTED : EVL_E_LIMIT;
		return evl_err_set(err, status, "%s%s", text != NULL ? "" : at,
			text != NULL ? text : "the instruction limit is used up");
	}
	if (lua_status == LUA_ERRMEM) {
		return evl_err_set(err, EVL_E_NOMEM,
			"%sthe script needs more than its %zu MiB of memory", at,
			s->limits.memory_bytes >> 20);
	}
	if (text == NULL) {
		/* An object: its own words, if it has any. */
		const char *type = luaL_typename(co, -1);
		lua_pushcfunction(s->main, to_text);
		lua_xmove(co, s->main, 1);
		if (lua_pcall(s->main, 1, 1, 0) == LUA_OK) {
			evl_err_set(err, EVL_E_SCRIPT, "%s%s", at, lua_tostring(s->main, -1));
		} else {
			evl_err_set(err, EVL_E_SCRIPT,
				"%san error was raised with a %s value instead of a message", at,
				type);
		}
		lua_pop(s->main, 1);
		return EVL_E_SCRIPT;
	}
	if (!has_position(text)) {
		return evl_err_set(err, EVL_E_SCRIPT, "%s%s", at, text);
	}
	if (text[0] == '[' && at[0] != '\0') {
		at[strlen(at) - 2] = '\0'; /* without ": " */
		return evl_err_set(err, EVL_E_SCRIPT, "%s (from %s)", text, at);
	}
	return evl_err_set(err, EVL_E_SCRIPT, "%s", text);
}

/* Line of the first byte that is no UTF-8 (RFC 3629) or is NUL; 0 when all is well. */
static size_t first_bad_line(const char *text, size_t len)
{
	size_t line = 1;
	for (size_t i = 0; i < len;) {
		unsigned char c = (unsigned char)text[i];
		size_t more = c < 0x80                ? 0
			      : c >= 0xc2 && c < 0xe0 ? 1
			      : c >= 0xe0 && c < 0xf0 ? 2
			      : c >= 0xf0 && c < 0xf5 ? 3
						      : len;
		if (c == 0 || more > len - i - 1) {
			return line;
		}
		for (size_t k = 1; k <= more; k++) {
			if (((unsigned char)text[i + k] & 0xc0) != 0x80) {
				return line;
			}
		}
		if (more == 2) { /* no overlong forms, no surrogates */
			unsigned char d = (unsigned char)text[i + 1];
			if ((c == 0xe0 && d < 0xa0) || (c == 0xed && d >= 0xa0)) {
				return line;
			}
		}
		if (more == 3) {
			unsigned char d = (unsigned char)text[i + 1];
			if ((c == 0xf0 && d < 0x90) || (c == 0xf4 && d >= 0x90)) {
				return line;
			}
		}
		line += c == '\n';
		i += more + 1;
	}
	return 0;
}

struct load_args {
	const char *name, *text;
	size_t len;
};

/* Copies each entry of the table below the top into the one on top, without metamethods. */
static void copy_entries(lua_State *L)
{
	lua_pushnil(L);
	while (lua_next(L, -3) != 0) {
		lua_pushvalue(L, -2);
		lua_insert(L, -2);
		lua_rawset(L, -4);
	}
}

/* Pushes the globals of scripts: a copy of those that the library made, so that a script which
 * gives `string` or `pairs` another meaning does so for itself only. */
static void push_environment(lua_State *L)
{
	if (lua_getfield(L, LUA_REGISTRYINDEX, ENVIRONMENT_KEY) == LUA_TTABLE) {
		return;
	}
	lua_pop(L, 1);
	lua_pushglobaltable(L);
	lua_newtable(L);
	int env = lua_gettop(L);
	copy_entries(L);
	for (const char *const *lib =
			(const char *const[]){"coroutine", "math", "string", "table", "utf8", NULL};
		*lib != NULL; lib++) {
		if (lua_getfield(L, env, *lib) == LUA_TTABLE) {
			lua_newtable(L);
			copy_entries(L);
			lua_setfield(L, env, *lib);
		}
		lua_pop(L, 1);
	}
	lua_pushvalue(L, env);
	lua_setfield(L, env, "_G");
	lua_pushvalue(L, env);
	lua_setfield(L, LUA_REGISTRYINDEX, ENVIRONMENT_KEY);
	lua_remove(L, -2);
}

static int load_protected(lua_State *L)
{
	const struct load_args *a = lua_touserdata(L, 1);
	const char *chunk = lua_pushfstring(L, "@%s", a->name);
	if (luaL_loadbufferx(L, a->text, a->len, chunk, "t") != LUA_OK) {
		return lua_error(L);
	}
	push_environment(L);
	lua_setupvalue(L, -2, 1); /* _ENV is the one upvalue of a main chunk */
	return 1;
}

enum evl_status evl_sandbox_load(
	struct evl_sandbox *s, const char *name, const char *text, size_t len, struct evl_err *err)
{
	struct load_args args = {name, text, len};
	size_t bad;

	if (len > EVL_SANDBOX_TEXT_MAX) {
		return evl_err_set(err, EVL_E_SCRIPT,
			"%s: %zu bytes are too many for a script; at most %u are read", name, len,
			EVL_SANDBOX_TEXT_MAX);
	}
	if (len > 0 && text[0] == LUA_SIGNATURE[0]) {
		return evl_err_set(
			err, EVL_E_SCRIPT, "%s: is compiled Lua; only Lua text is accepted", name);
	}
	bad = first_bad_line(text, len);
	if (bad != 0) {
		return evl_err_set(
			err, EVL_E_SCRIPT, "%s:%zu: is no UTF-8 text; a script is text", name, bad);
	}
	if (len >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
		args.text += 3;
		args.len -= 3;
	}
	if (args.len > 0 && args.text[0] == '#') { /* "#!": skip, but keep the line number */
		const char *eol = memchr(args.text, '\n', args.len);
		size_t skip = eol != NULL ? (size_t)(eol - args.text) : args.len;
		args.text += skip;
		args.len -= skip;
	}
	lua_pushcfunction(s->main, load_protected);
	lua_pushlightuserdata(s->main, &args);
	int status = lua_pcall(s->main, 1, 1, 0);
	if (status != LUA_OK) {
		if (status == LUA_ERRMEM) {
			evl_err_set(err, EVL_E_NOMEM, "%s: does not fit into its %zu MiB of memory",
				name, s->limits.memory_bytes >> 20);
		} else {
			const char *why = lua_tostring(s->main, -1);
			evl_err_set(err, EVL_E_SCRIPT, "%s%s%s", has_position(why) ? "" : name,
				has_position(why) ? "" : ": ", why);
		}
		lua_pop(s->main, 1);
		return status == LUA_ERRMEM ? EVL_E_NOMEM : EVL_E_SCRIPT;
	}
	return EVL_OK;
}

static int new_thread(lua_State *L)
{
	lua_newthread(L);
	return 1;
}

enum evl_status evl_sandbox_resume(struct evl_sandbox *s, lua_State *co, int nargs, bool *yielded,
	int *nresults, struct evl_err *err)
{
	*yielded = false;
	*nresults = 0;
	lua_sethook(co, hook, LUA_MASKCOUNT, HOOK_INSTRUCTIONS);
	int status = lua_resume(co, s->main, nargs, nresults);
	/* A cap that some C function swallowed is still the end. */
	if (s->tripped != TRIP_NONE && (status == LUA_OK || status == LUA_YIELD)) {
		lua_settop(co, 0);
		lua_pushnil(co);
		status = LUA_ERRRUN;
	}
	if (status == LUA_OK || status == LUA_YIELD) {
		*yielded = status == LUA_YIELD;
		return EVL_OK;
	}
	*nresults = 0;
	return word_error(s, co, status, err);
}

enum evl_status evl_sandbox_call(
	struct evl_sandbox *s, int nargs, int nresults, struct evl_err *err)
{
	lua_State *L = s->main;
	int base = lua_gettop(L) - nargs; /* of the function */
	int got = 0;
	bool yielded = false;
	enum evl_status status;

	/* In a coroutine of its own: its stack still shows the line after an error of any kind. */
	lua_pushcfunction(L, new_thread);
	if (lua_pcall(L, 0, 1, 0) != LUA_OK) {
		lua_settop(L, base - 1);
		return evl_err_set(err, EVL_E_NOMEM,
			"the script needs more than its %zu MiB of memory",
			s->limits.memory_bytes >> 20);
	}
	lua_State *co = lua_tothread(L, -1);
	lua_insert(L, base); /* below the function: keeps the coroutine alive */
	if (!lua_checkstack(co, nargs + 2)) {
		status = evl_err_set(err, EVL_E_SCRIPT, "too many arguments: %d", nargs);
		goto out;
	}
	lua_xmove(L, co, nargs + 1);
	status = evl_sandbox_resume(s, co, nargs, &yielded, &got, err);
	if (status == EVL_OK && yielded) {
		char at[LUA_IDSIZE + 16];
		where(co, at, sizeof(at));
		status = evl_err_set(err, EVL_E_SCRIPT, "%sonly a case can wait or take", at);
	}
	if (status == EVL_OK) {
		int want = nresults == LUA_MULTRET ? got : nresults;
		if (!lua_checkstack(L, want) || !lua_checkstack(co, want)) {
			status = evl_err_set(err, EVL_E_SCRIPT, "too many results: %d", got);
			goto out;
		}
		lua_settop(co, lua_gettop(co) - got + want);
		lua_xmove(co, L, want);
		lua_remove(L, base);
		return EVL_OK;
	}
out:
	lua_settop(L, base - 1);
	return status;
}

static void add_module(struct evl_sandbox *s, const char *name, const char *text, size_t len)
{
	s->modules = evl_xrealloc(s->modules, (s->module_count + 1) * sizeof(*s->modules));
	s->modules[s->module_count++] = (struct module){name, text, len};
}

void evl_sandbox_require_text(
	struct evl_sandbox *s, const char *modname, const char *text, size_t len)
{
	evl_require(text != NULL);
	add_module(s, modname, text, len);
}

void evl_sandbox_require_value(struct evl_sandbox *s, const char *modname)
{
	lua_getfield(s->main, LUA_REGISTRYINDEX, LOADED_KEY);
	lua_insert(s->main, -2);
	lua_setfield(s->main, -2, modname);
	lua_pop(s->main, 1);
	add_module(s, modname, NULL, 0);
}

static bool called_by_library(lua_State *L)
{
	lua_Debug ar;
	/* Not through pcall or a coroutine of the script's: their caller may be anybody. */
	if (!lua_getstack(L, 1, &ar)) {
		return false;
	}
	lua_getinfo(L, "S", &ar);
	return ar.what[0] != 'C' && ar.source[0] == '=';
}

int sandbox_require(lua_State *L)
{
	struct evl_sandbox *s = evl_sandbox_of(L);
	const char *name = luaL_checkstring(L, 1);
	bool library = called_by_library(L);

	for (size_t i = 0; i < s->module_count; i++) {
		const struct module *m = &s->modules[i];
		if (strcmp(m->name, name) != 0 || (m->text == NULL && !library)) {
			continue;
		}
		lua_settop(L, 1);
		lua_getfield(L, LUA_REGISTRYINDEX, LOADED_KEY);
		if (lua_getfield(L, 2, name) == LUA_TBOOLEAN && !lua_toboolean(L, -1)) {
			return luaL_error(L, "module '%s' requires itself", name);
		}
		if (!lua_isnil(L, -1)) {
			return 1;
		}
		lua_pushboolean(L, 0); /* being loaded */
		lua_setfield(L, 2, name);
		const char *chunk = lua_pushfstring(L, "=[%s]", name);
		if (luaL_loadbufferx(L, m->text, m->len, chunk, "t") != LUA_OK) {
			return lua_error(L);
		}
		lua_call(L, 0, 1);
		if (!lua_toboolean(L, -1)) {
			lua_pop(L, 1);
			lua_pushboolean(L, 1);
		}
		lua_pushvalue(L, -1);
		lua_setfield(L, 2, name);
		return 1;
	}
	luaL_Buffer b;
	const char *sep = "";
	luaL_buffinit(L, &b);
	for (size_t i = 0; i < s->module_count; i++) {
		if (s->modules[i].text != NULL) {
			luaL_addstring(&b, sep);
			luaL_addstring(&b, s->modules[i].name);
			sep = ", ";
		}
	}
	luaL_pushresult(&b);
	return luaL_error(L, "there is no module '%s'; a campaign can require: %s", name,
		lua_tostring(L, -1));
}
