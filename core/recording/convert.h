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
