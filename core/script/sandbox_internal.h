/* SPDX-License-Identifier: Apache-2.0 */
/* Shared by the parts of the sandbox only. */
#pragma once

#include "core/script/sandbox.h"

#define HOOK_INSTRUCTIONS     1000 /* between two looks at the caps */
#define BYTES_PER_INSTRUCTION 64   /* what fresh memory costs of the budget: it has to be filled */

/* Of one string or one part of a table. Comparing two such strings is a single instruction; this
 * keeps a thousand of them, between two looks at the clock, to a few seconds. */
#define BLOCK_BYTES_MAX (32u * 1024u * 1024u)

enum trip {
	TRIP_NONE = 0,
	TRIP_INSTRUCTIONS,
	TRIP_CPU,
	TRIP_INTERRUPT,
};

struct module {
	const char *name;
	const char *text; /* NULL: a value, already in the table of loaded modules */
	size_t len;
};

struct evl_sandbox {
	lua_State *main;
	void *user;
	struct evl_sandbox_limits limits; /* with defaults filled in */
	size_t bytes, peak_bytes;
	int64_t left;        /* instructions */
	uint64_t cpu_end_ns; /* on the thread's processor clock */
	enum trip tripped;   /* once set, each hook and each pcall raises until the next budget */
	struct module *modules;
	size_t module_count;
};

/* Registry key of the table of loaded modules. */
#define LOADED_KEY "evl.loaded"
/* Registry key of the globals of scripts. */
#define ENVIRONMENT_KEY "evl.environment"

/* Raises the error of the cap that was reached. */
int sandbox_raise_trip(lua_State *L);

/* Sets up the globals; runs in protected mode with an empty stack. */
int sandbox_open_libraries(lua_State *L);

/* `require` */
int sandbox_require(lua_State *L);

/* string.find, match, gmatch and gsub, each step taken off the budget. */
int sandbox_str_find(lua_State *L);
int sandbox_str_match(lua_State *L);
int sandbox_str_gmatch(lua_State *L);
int sandbox_str_gsub(lua_State *L);

/* Calls the function in upvalue 1, which this one guards, with all arguments. */
int sandbox_call_original(lua_State *L);

int sandbox_next(lua_State *L);
int sandbox_pairs(lua_State *L);

/* table.x, over the originals. */
int sandbox_concat(lua_State *L);
int sandbox_insert(lua_State *L);
int sandbox_move(lua_State *L);
int sandbox_remove(lua_State *L);

/* Replaces the math library on top of the stack by table.sort. */
void sandbox_push_sort(lua_State *L);
