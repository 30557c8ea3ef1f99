/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A recording as one file for another laboratory: a tar archive (POSIX.1-1988 ustar) of its files
 * and SHA256SUMS, so that `tar -xf` and `sha256sum -c SHA256SUMS` are all that it takes to check
 *it.
 *
 *	evl_rec_bundle(r, "take.tar", &err);
 *	evl_rec_unbundle("take.tar", "from-lab-b", &name, &err);	// "from-lab-b/take.pcapng"
 */
#pragma once

#include "core/base/err.h"
#include "core/recording/reader.h"

/* Writes the files of the recording, of a set the index first, as they are; `out` must not exist.
 * The same recording gives the same bytes. EVL_E_INVALID: it is unfinished or has missing parts, or
 * a file is longer than 8 GiB - 1, which ustar cannot hold (make a set of it); EVL_E_CONFLICT;
 * EVL_E_IO. On error nothing is left. */
enum evl_status evl_rec_bundle(const struct evl_rec *r, const char *out, struct evl_err *err);

/* Unpacks into the folder, which is made when it is not there, and compares every digest. Files
 * that exist are not replaced (EVL_E_CONFLICT). *name, the caller's to free, is the path of the
 * recording or index. EVL_E_INVALID: no such bundle, or names that are no plain ones;
 * EVL_E_CORRUPT: cut, or a digest does not fit (the message names the file). On error nothing is
 * left but the folder. */
enum evl_status evl_rec_unbundle(
	const char *path, const char *folder, char **name, struct evl_err *err);
