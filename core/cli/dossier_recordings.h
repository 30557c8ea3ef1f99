/* SPDX-License-Identifier: Apache-2.0 */
/* The recordings of a run as bundles in a folder beside the dossier, which takes them from it. */
#pragma once

#include "core/report/dossier.h"

struct cli_dossier_recordings {
	struct evl_dossier_recording *list;
	size_t count;
	char *folder;
};

/* Checks each finished recording and packs it. The caller finishes `out` always. */
enum evl_status cli_dossier_recordings_make(struct cli_dossier_recordings *out,
	struct evl_store *store, const char *store_path, int64_t run, const char *dossier_dir,
	struct evl_err *err);
void cli_dossier_recordings_finish(struct cli_dossier_recordings *r); /* takes a zeroed object */
