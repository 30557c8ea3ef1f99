/* SPDX-License-Identifier: Apache-2.0 */
/* Whole small files: read with a size cap, written so that a crash leaves the old or the new. */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

/* Reads a whole regular file of at most `max_bytes`; *out gets a NUL after the last byte and
 * belongs to the caller (free). A larger file, a folder or a pipe is EVL_E_INVALID, a missing one
 * EVL_E_NOTFOUND. The message names the path and the cap. */
enum evl_status evl_file_read(char **out, size_t *len, const char *path, size_t max_bytes,
	struct evl_err *err);

/* Writes to a temporary name beside `path`, syncs, renames. Errors remove the temporary file. */
enum evl_status evl_file_write(const char *path, const void *data, size_t len, struct evl_err *err);

/* Makes a folder and its parents; an existing folder is fine. */
enum evl_status evl_file_mkdirs(const char *path, struct evl_err *err);

/* Joins with one '/'; the result belongs to the caller (free). */
char *evl_file_join(const char *dir, const char *name);

/* Bytes that this user may still write in the folder of `path`, which need not exist yet. */
enum evl_status evl_file_free_space(uint64_t *bytes, const char *path, struct evl_err *err);
