/* SPDX-License-Identifier: Apache-2.0 */
/* The recordings of a run as bundles, for a dossier that has them with it. */
#include "core/cli/dossier_recordings.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/recording/bundle.h"
#include "core/recording/reader.h"
#include "core/store/store_read.h"

/* Recordings are named relative to the folder of the store. */
static char *beside(const char *store, const char *path)
{
	const char *slash = strrchr(store, '/');
	if (slash == NULL || path[0] == '/') {
		return evl_xstrdup(path);
	}
	char *folder = evl_xstrdup(store);
	folder[slash - store] = '\0';
	char *out = evl_file_join(folder[0] != '\0' ? folder : "/", path);
	free(folder);
	return out;
}

static enum evl_status bundle(const struct evl_row_recording *row, const char *store,
	const char *out, struct evl_err *err)
{
	struct evl_rec *r = NULL;
	struct evl_rec_verdict verdict;
	char hex[EVL_SHA256_HEX];
	char *path = beside(store, row->path);
	enum evl_status st = evl_rec_open(&r, path, err);
	if (st == EVL_OK) { /* also a damage in the middle of it must not be handed over */
		st = evl_rec_verify(r, NULL, NULL, &verdict, err);
	}
	if (st == EVL_OK) {
		evl_hex(verdict.file_sha256, sizeof verdict.file_sha256, hex);
		if (row->file_sha256 == NULL || strcmp(hex, row->file_sha256) != 0) {
			st = evl_err_set(err, EVL_E_CORRUPT,
				"%s: is not the recording \"%s\" that the run made", path,
				row->name);
		}
	}
	if (st == EVL_OK) {
		st = evl_rec_bundle(r, out, err);
	}
	evl_rec_close(r);
	free(path);
	return st < 0 ? evl_err_prefix(err, "recording \"%s\"", row->name) : st;
}

enum evl_status cli_dossier_recordings_make(struct cli_dossier_recordings *out,
	struct evl_store *store, const char *store_path, int64_t number, const char *dir,
	struct evl_err *err)
{
	struct evl_run *run = NULL;
	*out = (struct cli_dossier_recordings){0};
	enum evl_status st = evl_store_load_run(&run, store, number, err);
	if (st < 0) {
		return st;
	}
	size_t n = strlen(dir);
	while (n > 1 && dir[n - 1] == '/') {
		n--;
	}
	out->folder = evl_xmalloc(n + 48);
	snprintf(out->folder, n + 48, "%.*s.%ld.recordings", (int)n, dir, (long)getpid());
	st = evl_file_mkdirs(out->folder, err);
	out->list = evl_xcalloc(run->recording_count + 1, sizeof *out->list);
	for (size_t i = 0; st == EVL_OK && i < run->recording_count; i++) {
		const struct evl_row_recording *row = &run->recordings[i];
		if (!row->finished) {
			continue; /* the report says so */
		}
		char name[40];
		snprintf(name, sizeof name, "recording-%d.tar", row->ordinal + 1);
		char *path = evl_file_join(out->folder, name);
		unlink(path); /* left by a killed process with our number */
		out->list[out->count++] = (struct evl_dossier_recording){row->ordinal, path};
		st = bundle(row, store_path, path, err);
	}
	evl_run_destroy(run);
	return st;
}

void cli_dossier_recordings_finish(struct cli_dossier_recordings *r)
{
	for (size_t i = 0; i < r->count; i++) {
		unlink(r->list[i].path); /* gone when the dossier has it */
		free((char *)r->list[i].path);
	}
	if (r->folder != NULL) {
		rmdir(r->folder);
	}
	free(r->list);
	free(r->folder);
	*r = (struct cli_dossier_recordings){0};
}
