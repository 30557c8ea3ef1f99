/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Loads a build into the unit by the laboratory's own command, which `sh -c` runs with the label as
 * $1 and in the variable EVENLODE_BUILD. Its output goes to standard error, its input is empty.
 *
 *	evl_load_build("./load.sh \"$1\"", "B", 600, stop, &err);
 */
#pragma once

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"

/* EVL_E_ADAPTER: the command ended with another status than 0 or lasted longer than `limit_s`
 * (then it and what it started in its process group are ended). EVL_E_INTERRUPTED: *stop became not
 * 0, the same. EVL_E_IO: it could not be started. `stop` may be NULL. Waits; not for a thread that
 * moves slabs. */
enum evl_status evl_load_build(const char *command, const char *build, uint32_t limit_s,
	const volatile sig_atomic_t *stop, struct evl_err *err);
