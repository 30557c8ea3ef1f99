/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A Lua 5.4 state in which a campaign cannot harm its host: no files, processes, clocks, byte code
 * or unseeded random numbers; memory, instructions and processor time are capped, and no pcall
 * can swallow a cap.
 *
 *	struct evl_sandbox *s = NULL;
 *	evl_sandbox_create(&s, NULL, &err);
 *	evl_sandbox_require_text(s, "limits", text, len);
 *	if (evl_sandbox_load(s, "acceptance.lua", source, source_len, &err) == EVL_OK) {
 *		evl_sandbox_call(s, 0, 0, &err);
 *	}
 *	evl_sandbox_destroy(s);
 *
 * What a script finds differs from plain Lua 5.4 as follows:
 * - absent: io, os, package, debug, load, loadfile, dofile, collectgarbage, warn, string.dump,
 *   math.random, math.randomseed (the bindings give a seeded source of random numbers);
 * - `require` serves only the modules of evl_sandbox_require_text;
 * - `pairs` goes through numbers, then strings in byte order, then booleans, so that two runs are
 *   alike; other keys raise an error; `next` only gives the first key;
 * - `table.sort` is stable; `tostring` and "%s" show no addresses, "%p" raises an error;
 * - `setmetatable` refuses `__gc` (Lua runs finalisers with hooks off);
 * - scripts of evl_sandbox_load see a copy of the globals and of the libraries' tables, one for all
 *   of a sandbox, made at the first load: what they change there library modules do not notice;
 * - no string and no part of a table can be larger than 32 MiB; `print` takes an instruction off
 *   the budget for each byte;
 * - a cap that was reached ends the call, whatever pcall, xpcall or coroutine is around it.
 */
#pragma once

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <lua.h>

#include "core/base/err.h"

struct evl_sandbox;

#define EVL_SANDBOX_TEXT_MAX (1024u * 1024u) /* bytes of one chunk */

struct evl_sandbox_limits {
	size_t memory_bytes;   /* of all Lua data; 0: 256 MiB */
	uint64_t instructions; /* between two calls of evl_sandbox_budget; 0: 200 million */
	uint64_t cpu_ns;       /* processor time, likewise; 0: 20 s. A guard against slow C library
				* calls: far above what `instructions` take, so it decides nothing
				* in a script that ends. */
	const volatile sig_atomic_t *interrupt; /* not 0: stop at once; may be NULL */
	/* Receives what `print` writes, with its newline; NULL: stderr. */
	void (*print)(void *ctx, const char *text, size_t len);
	void *print_ctx;
};

/* `limits` NULL: all defaults. EVL_E_NOMEM when not even the libraries fit under the cap. */
enum evl_status evl_sandbox_create(struct evl_sandbox **out,
				   const struct evl_sandbox_limits *limits, struct evl_err *err);
void evl_sandbox_destroy(struct evl_sandbox *s);

/* The main Lua thread, to add bindings to. Work that may raise belongs in a C function that
 * evl_sandbox_call calls. Owned by the sandbox; do not set a hook, a panic function or the
 * extra space of it. */
lua_State *evl_sandbox_state(struct evl_sandbox *s);

/* The sandbox that a state or coroutine belongs to. */
struct evl_sandbox *evl_sandbox_of(lua_State *L);

/* One pointer of the owner's, reachable from each binding: evl_sandbox_user(evl_sandbox_of(L)). */
void evl_sandbox_set_user(struct evl_sandbox *s, void *user);
void *evl_sandbox_user(struct evl_sandbox *s);

/* Compiles text and pushes it as a function. `name` is shown in messages ("NAME:LINE: ..."). Byte
 * code, binary files, text over EVL_SANDBOX_TEXT_MAX and syntax errors are EVL_E_SCRIPT. Pushes
 * nothing on failure. */
enum evl_status evl_sandbox_load(struct evl_sandbox *s, const char *name, const char *text,
				 size_t len, struct evl_err *err);

/* Calls the function below `nargs` arguments on the main thread, like lua_pcall (`nresults` may
 * be LUA_MULTRET). On failure nothing is left of function and arguments, and the message reads
 * "file:line: what", with "(from file:line)" when it arose within a library module.
 * EVL_E_SCRIPT: the script raised an error; EVL_E_LIMIT: instructions or time used up;
 * EVL_E_NOMEM: memory cap; EVL_E_INTERRUPTED: the flag is set. */
enum evl_status evl_sandbox_call(struct evl_sandbox *s, int nargs, int nresults,
				 struct evl_err *err);

/* Starts or continues the coroutine `co` (made with lua_newthread) with `nargs` values on its
 * stack. EVL_OK: *yielded tells whether it yielded or returned, with *nresults values on top of
 * its stack. Failures as with evl_sandbox_call; the coroutine is dead then and must be dropped,
 * never closed or reset: Lua would run its `__close` handlers with the hook off. */
enum evl_status evl_sandbox_resume(struct evl_sandbox *s, lua_State *co, int nargs, bool *yielded,
				   int *nresults, struct evl_err *err);

/* Fills instructions and processor time up again; 0: as created. Call it before each resume of
 * a case, never from a binding. */
void evl_sandbox_budget(struct evl_sandbox *s, uint64_t instructions);

/* Takes `amount` instructions off the budget, for bindings that work long. Raises a Lua error
 * when it is used up. */
void evl_sandbox_charge(lua_State *L, uint64_t amount);

/* Registers a module for `require "modname"`. Both pointers must outlive the sandbox (they are
 * compiled-in). Compiled at the first require; a module returns its table. In messages it is
 * shown as "[modname]". */
void evl_sandbox_require_text(struct evl_sandbox *s, const char *modname, const char *text,
			      size_t len);

/* Registers the value on top of the main thread's stack (popped) as a module that only library
 * modules can require, such as the table of C bindings. Raises no error but may run out of memory:
 * call it within evl_sandbox_call. */
void evl_sandbox_require_value(struct evl_sandbox *s, const char *modname);

/* Pushes "file:line: " of the innermost line on the stack of L that is no library module's, or ""
 * when there is none: where the user has to look. For bindings that raise on the user's behalf. */
void evl_sandbox_where(lua_State *L);

/* Largest number of bytes that Lua data has taken so far. */
size_t evl_sandbox_peak_bytes(const struct evl_sandbox *s);
