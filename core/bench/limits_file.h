/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Reads a table of bringing-into-service limits (core/measure/limits.h) from a YAML file:
 *
 *	limits: m2100
 *	source: ITU-T M.2100, from memory
 *	ageing_factor: 0.5		# BISPO = APO * this
 *	width: 2			# D = this * sqrt(BISPO)
 *	rows:
 *	  - {path: E1, event: es, objective: 0.04}
 *
 * Every mistake is FILE:LINE with what was expected.
 */
#pragma once

#include <stddef.h>

#include "core/base/err.h"
#include "core/measure/limits.h"

#define EVL_LIMITS_BYTES_MAX 65536u

/* EVL_E_INVALID with FILE:LINE; EVL_E_NOTFOUND and EVL_E_IO as evl_file_read. */
enum evl_status evl_limits_load(
	struct evl_limits_table *out, const char *path, struct evl_err *err);
/* `text` need not end in a NUL; `path` is for messages. */
enum evl_status evl_limits_parse(struct evl_limits_table *out, const char *path, const char *text,
	size_t bytes, struct evl_err *err);
