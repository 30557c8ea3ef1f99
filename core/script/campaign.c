/* SPDX-License-Identifier: Apache-2.0 */
/* Loads a campaign file: reads it, runs it once in a sandbox, and takes over what it defined. */
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/script/embedded.h"
#include "core/script/internal.h"

static int bind_all(lua_State *L)
{
	struct evl_sandbox *s = evl_sandbox_of(L);
	struct campaign *c = lua_touserdata(L, 1);
	lua_newtable(L);
	evl_bind_core(L);
	evl_bind_case(L);
	evl_bind_pattern_file(L, c);
	evl_bind_limits_file(L, c);
	evl_bind_recording_file(L, c);
	lua_xmove(L, evl_sandbox_state(s), 1); /* L is a coroutine of evl_sandbox_call */
	evl_sandbox_require_value(s, "core");
	return 0;
}

static int require_prelude(lua_State *L)
{
	lua_getglobal(L, "require");
	lua_pushliteral(L, "prelude");
	lua_call(L, 1, 1);
	/* Cases run as coroutines of the engine's; a campaign has no use for its own. */
	return 1;
}

static char *take_string(lua_State *L, int at, const char *field)
{
	lua_getfield(L, at, field);
	const char *text = lua_tostring(L, -1);
	char *copy = evl_xstrdup(text != NULL ? text : "");
	lua_pop(L, 1);
	return copy;
}

static uint64_t take_integer(lua_State *L, int at, const char *field)
{
	lua_getfield(L, at, field);
	lua_Integer v = lua_tointeger(L, -1);
	lua_pop(L, 1);
	return v > 0 ? (uint64_t)v : 0;
}

static bool take_boolean(lua_State *L, int at, const char *field)
{
	lua_getfield(L, at, field);
	bool v = lua_toboolean(L, -1);
	lua_pop(L, 1);
	return v;
}

static void take_uses(lua_State *L, int at, struct campaign_case *one)
{
	lua_getfield(L, at, "uses");
	size_t n = lua_istable(L, -1) ? lua_rawlen(L, -1) : 0;
	one->uses = n > 0 ? evl_xcalloc(n, sizeof *one->uses) : NULL;
	for (size_t i = 0; i < n; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i + 1);
		one->uses[one->use_count++] = evl_xstrdup(lua_tostring(L, -1));
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
}

/* All that it names came before it in the file. */
static void take_after(lua_State *L, int at, struct campaign *c, struct campaign_case *one)
{
	lua_getfield(L, at, "after");
	size_t n = lua_rawlen(L, -1);
	one->after = evl_xcalloc(n, sizeof *one->after);
	for (size_t i = 0; i < n; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i + 1);
		const char *name = lua_tostring(L, -1);
		for (size_t k = 0; &c->cases[k] != one; k++) {
			if (strcmp(c->cases[k].name, name) == 0) {
				one->after[one->after_count++] = k;
			}
		}
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
}

bool evl_campaign_uses(const struct campaign_case *c, const char *role)
{
	for (size_t i = 0; i < c->use_count; i++) {
		if (strcmp(c->uses[i], role) == 0) {
			return true;
		}
	}
	return c->use_count == 0;
}

/* Upvalue-free C function: argument is the prelude table, light userdata the campaign. Fields were
 * checked by prelude.lua. Sizes are counted before anything is allocated, so that a Lua error (out
 * of memory) leaves only what evl_campaign_destroy frees. */
static int take_over(lua_State *L)
{
	struct campaign *c = lua_touserdata(L, 2);
	lua_getfield(L, 1, "defined");
	lua_call(L, 0, 1);
	int defined = lua_gettop(L);
	lua_getfield(L, defined, "campaign");
	int about = lua_gettop(L);
	c->name = take_string(L, about, "name");
	c->title = take_string(L, about, "title");
	c->version = take_string(L, about, "version");
	c->notice = take_string(L, about, "notice");
	lua_getfield(L, about, "needs");
	int needs = lua_gettop(L);
	size_t n = lua_rawlen(L, needs);
	c->needs = evl_xcalloc(n, sizeof *c->needs);
	for (size_t i = 0; i < n; i++) {
		lua_rawgeti(L, needs, (lua_Integer)i + 1);
		int at = lua_gettop(L);
		struct campaign_need *need = &c->needs[c->need_count++];
		need->role = take_string(L, at, "role");
		lua_getfield(L, at, "rate");
		need->rate = evl_rate_by_name(lua_tostring(L, -1));
		lua_pop(L, 1);
		uint64_t count = take_integer(L, at, "count");
		need->count = count > EVL_BENCH_CHANNELS_MAX ? EVL_BENCH_CHANNELS_MAX + 1
							     : (uint32_t)count;
		need->play = take_boolean(L, at, "play");
		need->capture = take_boolean(L, at, "capture");
		need->alarms = take_boolean(L, at, "alarms");
		need->inject = take_boolean(L, at, "inject");
		need->clock = take_boolean(L, at, "clock");
		need->setup = take_boolean(L, at, "setup");
		lua_pop(L, 1);
	}
	lua_getfield(L, defined, "cases");
	int cases = lua_gettop(L);
	n = lua_rawlen(L, cases);
	c->cases = evl_xcalloc(n, sizeof *c->cases);
	for (size_t i = 0; i < n; i++) {
		lua_rawgeti(L, cases, (lua_Integer)i + 1);
		int at = lua_gettop(L);
		struct campaign_case *one = &c->cases[c->case_count++];
		one->name = take_string(L, at, "name");
		one->title = take_string(L, at, "title");
		one->purpose = take_string(L, at, "purpose");
		one->method = take_string(L, at, "method");
		one->estimate_ns = take_integer(L, at, "estimate_ns");
		one->time_limit_ns = take_integer(L, at, "time_limit_ns");
		take_uses(L, at, one);
		take_after(L, at, c, one);
		lua_pop(L, 1);
	}
	return 0;
}

static enum evl_status run_file(struct campaign *c, struct evl_err *err)
{
	struct evl_sandbox *s = c->sandbox;
	lua_State *L = evl_sandbox_state(s);
	struct evl_sha256 *d = evl_sha256_create();
	for (const struct evl_embedded_script *e = evl_embedded_scripts; e->name != NULL; e++) {
		evl_sandbox_require_text(s, e->name, e->text, e->len);
		evl_sha256_update(d, e->name, strlen(e->name) + 1);
		evl_sha256_update(d, e->text, e->len + 1);
	}
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_peek(d, digest);
	evl_sha256_destroy(d);
	evl_hex(digest, sizeof digest, c->library_sha256);

	lua_pushcfunction(L, bind_all);
	lua_pushlightuserdata(L, c);
	enum evl_status st = evl_sandbox_call(s, 1, 0, err);
	if (st < 0) {
		return st;
	}
	lua_pushcfunction(L, require_prelude);
	if ((st = evl_sandbox_call(s, 0, 1, err)) < 0) {
		return st;
	}
	c->entry_ref = luaL_ref(L, LUA_REGISTRYINDEX);
	evl_sandbox_budget(s, 0);
	if ((st = evl_sandbox_load(s, c->path, c->source, c->source_bytes, err)) < 0 ||
		(st = evl_sandbox_call(s, 0, 0, err)) < 0) {
		return st;
	}
	c->loaded = true;
	lua_pushcfunction(L, take_over);
	lua_rawgeti(L, LUA_REGISTRYINDEX, c->entry_ref);
	lua_pushlightuserdata(L, c);
	st = evl_sandbox_call(s, 2, 0, err);
	return st < 0 && strncmp(err->text, c->path, strlen(c->path)) != 0
		       ? evl_err_prefix(err, "%s", c->path)
		       : st;
}

enum evl_status evl_campaign_load(struct campaign **out, const char *path,
	const volatile sig_atomic_t *stop, struct run_state *state, struct evl_err *err)
{
	*out = NULL;
	struct campaign *c = evl_xcalloc(1, sizeof *c);
	c->path = evl_xstrdup(path);
	enum evl_status st =
		evl_file_read(&c->source, &c->source_bytes, path, EVL_SANDBOX_TEXT_MAX, err);
	if (st == EVL_OK && c->source_bytes == 0) {
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: the file is empty; a campaign needs campaign { ... } and "
			"case \"...\" { ... }",
			path);
	}
	if (st == EVL_OK) {
		uint8_t digest[EVL_SHA256_BYTES];
		evl_sha256_of(c->source, c->source_bytes, digest);
		evl_hex(digest, sizeof digest, c->sha256);
		struct evl_sandbox_limits limits = {.interrupt = stop};
		st = evl_sandbox_create(&c->sandbox, &limits, err);
	}
	if (st == EVL_OK) {
		evl_sandbox_set_user(c->sandbox, state);
		st = run_file(c, err);
	}
	if (st < 0) {
		evl_campaign_destroy(c);
		return st;
	}
	*out = c;
	return EVL_OK;
}

void evl_campaign_destroy(struct campaign *c)
{
	if (c == NULL) {
		return;
	}
	evl_sandbox_destroy(c->sandbox);
	for (size_t i = 0; i < c->need_count; i++) {
		free(c->needs[i].role);
	}
	for (size_t i = 0; i < c->case_count; i++) {
		free(c->cases[i].name);
		free(c->cases[i].title);
		free(c->cases[i].purpose);
		free(c->cases[i].method);
		for (size_t k = 0; k < c->cases[i].use_count; k++) {
			free(c->cases[i].uses[k]);
		}
		free(c->cases[i].uses);
		free(c->cases[i].after);
	}
	evl_campaign_files_finish(c);
	free(c->needs);
	free(c->cases);
	free(c->name);
	free(c->title);
	free(c->version);
	free(c->notice);
	free(c->source);
	free(c->path);
	free(c);
}
