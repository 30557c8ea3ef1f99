/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/place.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/report/manifest.h"

static char *without_slash(const char *dir)
{
	char *copy = evl_xstrdup(dir);
	size_t n = strlen(copy);
	while (n > 1 && copy[n - 1] == '/') {
		copy[--n] = '\0';
	}
	return copy;
}

static char *with_suffix(const char *text, const char *suffix)
{
	size_t cap = strlen(text) + strlen(suffix) + 1;
	char *out = evl_xmalloc(cap);
	snprintf(out, cap, "%s%s", text, suffix);
	return out;
}

/* Removes the files that a dossier (or an unfinished one) can hold, and the folder if nothing else
 * is in it. */
static void remove_dossier(const char *dir)
{
	DIR *d = opendir(dir);
	if (d == NULL) {
		return;
	}
	struct dirent *e;
	while ((e = readdir(d)) != NULL) {
		size_t n = strlen(e->d_name);
		bool unfinished = n > 4 && strcmp(e->d_name + n - 4, ".tmp") == 0;
		if (evl_dossier_knows_file(e->d_name) || unfinished) {
			char *path = evl_file_join(dir, e->d_name);
			unlink(path);
			free(path);
		}
	}
	closedir(d);
	rmdir(dir);
}

/* A folder may be replaced when it is empty, or holds a manifest and nothing that is not ours. */
static enum evl_status check_contents(const char *dir, struct evl_err *err)
{
	DIR *d = opendir(dir);
	if (d == NULL) {
		return evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", dir, strerror(errno));
	}
	enum evl_status st = EVL_OK;
	size_t known = 0;
	bool manifest = false;
	struct dirent *e;
	while (st == EVL_OK && (e = readdir(d)) != NULL) {
		if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0) {
			continue;
		}
		if (!evl_dossier_knows_file(e->d_name)) {
			st = evl_err_set(err, EVL_E_CONFLICT,
				"%s: holds %s, so it is not (only) an earlier dossier; nothing "
				"was written, choose another folder",
				dir, e->d_name);
		}
		known++;
		manifest = manifest || strcmp(e->d_name, EVL_DOSSIER_MANIFEST) == 0;
	}
	closedir(d);
	if (st == EVL_OK && known > 0 && !manifest) {
		st = evl_err_set(err, EVL_E_CONFLICT,
			"%s: holds files but no %s, so it is not an earlier dossier; nothing was "
			"written, choose another folder",
			dir, EVL_DOSSIER_MANIFEST);
	}
	return st;
}

enum evl_status evl_place_check(const char *dir, struct evl_err *err)
{
	struct stat sb;
	if (dir[0] == '\0') {
		return evl_err_set(err, EVL_E_INVALID, "the name of the dossier folder is empty");
	}
	char *target = without_slash(dir);
	enum evl_status st = EVL_OK;
	if (lstat(target, &sb) != 0) {
		if (errno != ENOENT) {
			st = evl_err_set(
				err, EVL_E_IO, "%s: cannot be used: %s", target, strerror(errno));
		}
	} else if (!S_ISDIR(sb.st_mode)) {
		st = evl_err_set(err, EVL_E_CONFLICT,
			"%s: exists and is no folder; nothing was written, choose another name",
			target);
	} else {
		st = check_contents(target, err);
	}
	free(target);
	return st;
}

enum evl_status evl_place_begin(struct evl_place *place, const char *dir, struct evl_err *err)
{
	char suffix[40];
	enum evl_status st = evl_place_check(dir, err);
	if (st != EVL_OK) {
		return st;
	}
	place->target = without_slash(dir);
	snprintf(suffix, sizeof suffix, ".%ld.unfinished", (long)getpid());
	place->temporary = with_suffix(place->target, suffix);
	char *slash = strrchr(place->target, '/');
	if (slash != NULL && slash != place->target) {
		*slash = '\0';
		st = evl_file_mkdirs(place->target, err);
		*slash = '/';
		if (st != EVL_OK) {
			return st;
		}
	}
	remove_dossier(place->temporary); /* left by a killed process with our number */
	if (mkdir(place->temporary, 0755) != 0) {
		return evl_err_set(err, EVL_E_IO, "%s: the folder cannot be made: %s",
			place->temporary, strerror(errno));
	}
	place->made = true;
	return EVL_OK;
}

/* Makes renames durable; a file system that cannot is not an error. */
static void sync_parent(const char *target)
{
	const char *slash = strrchr(target, '/');
	char *parent = evl_xstrdup(slash == NULL ? "." : slash == target ? "/" : target);
	if (slash != NULL && slash != target) {
		parent[slash - target] = '\0';
	}
	int fd = open(parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (fd >= 0) {
		fsync(fd);
		close(fd);
	}
	free(parent);
}

enum evl_status evl_place_commit(struct evl_place *place, struct evl_err *err)
{
	/* Works at once where there is nothing or an empty folder. */
	if (rename(place->temporary, place->target) == 0) {
		place->made = false;
		sync_parent(place->target);
		return EVL_OK;
	}
	int why = errno;
	enum evl_status st = EVL_OK;
	char *aside = with_suffix(place->target, ".earlier");
	if (why == ENOTEMPTY || why == EEXIST) {
		st = evl_place_check(place->target, err);
		remove_dossier(aside);
		if (st == EVL_OK && rename(place->target, aside) != 0) {
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be renamed to %s: %s",
				place->target, aside, strerror(errno));
		}
		if (st == EVL_OK && rename(place->temporary, place->target) != 0) {
			why = errno;
			rename(aside, place->target);
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be put in place: %s",
				place->target, strerror(why));
		}
	} else {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be put in place: %s", place->target,
			strerror(why));
	}
	if (st == EVL_OK) {
		place->made = false;
		sync_parent(place->target);
		remove_dossier(aside);
	}
	free(aside);
	return st;
}

void evl_place_finish(struct evl_place *place)
{
	if (place->made) {
		remove_dossier(place->temporary);
	}
	free(place->target);
	free(place->temporary);
	memset(place, 0, sizeof *place);
}
