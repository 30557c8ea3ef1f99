/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Channels of a recording as files of other kinds, and back.
 *
 *	uint64_t bytes;
 *	if (evl_rec_import_raw(w, 0, "trib-1.raw", &bytes, &err) < 0) ...
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/recording/reader.h"
#include "core/recording/writer.h"

/* Appends a file of whole bytes, the first bit in the most significant one, to a channel of a
 * recording that is being written, from the channel's start on. EVL_E_NOTFOUND, EVL_E_INVALID (a
 * folder, or an empty file), EVL_E_IO. */
enum evl_status evl_rec_import_raw(struct evl_rec_writer *w, uint32_t channel, const char *path,
	uint64_t *bytes, struct evl_err *err);

/* Writes a recording again, as one file or (limits not NULL) as a set: same channels, bits,
 * offsets, flags, marks and metadata, so that the stream digests are the same. `totals` may be
 * NULL. On error what was written stays as an unfinished recording. */
enum evl_status evl_rec_copy(struct evl_rec *r, const char *out,
	const struct evl_rec_limits *limits, struct evl_rec_totals *totals, struct evl_err *err);
