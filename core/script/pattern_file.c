/* SPDX-License-Identifier: Apache-2.0 */
/* pattern_file "idle.bin": bits of the user's own, read from a file in the campaign's folder. The
 * bytes never enter Lua: a pattern names its file by number, and the pattern is made once. */
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/file.h"
#include "core/script/internal.h"

#define NAME_BYTES 200

/* Only a name below the campaign's folder, also after links are followed. The path to read, or
 * NULL; free it. */
static char *path_below(
	const struct campaign *c, const char *what, const char *name, struct evl_err *err)
{
	const char *slash = strrchr(c->path, '/');
	bool up = false;
	for (const char *p = name; p != NULL && *p != '\0'; p = strchr(p, '/'), p += p != NULL) {
		up = up || strcmp(p, "..") == 0 || strncmp(p, "../", 3) == 0;
	}
	if (name[0] == '\0' || name[0] == '/' || up || strlen(name) > NAME_BYTES) {
		evl_err_set(err, EVL_E_INVALID,
			"%s: \"%.80s\" is no name of a file in the campaign's folder; give one "
			"such as \"%s\"",
			what, name,
			what[0] == 'p'   ? "patterns/idle.bin"
			: what[0] == 'l' ? "limits-m2100.yaml"
					 : "recordings/fault.pcapng");
		return NULL;
	}
	char *folder = evl_xstrdup(slash != NULL ? c->path : ".");
	if (slash != NULL) {
		folder[slash - c->path + (slash == c->path)] = '\0';
	}
	char *path = evl_file_join(folder, name);
	char *real_folder = realpath(folder, NULL);
	char *real = realpath(path, NULL);
	size_t n = real_folder != NULL ? strlen(real_folder) : 0;
	n -= n == 1; /* the root folder */
	/* One that is not there is told by reading it. */
	bool beyond = real != NULL && real_folder != NULL &&
		      (strncmp(real, real_folder, n) != 0 || real[n] != '/');
	free(real_folder);
	free(real);
	free(folder);
	if (beyond) {
		evl_err_set(err, EVL_E_INVALID,
			"%s: \"%.80s\" leads out of the campaign's folder by a link; put the file "
			"itself there",
			what, name);
		free(path);
		return NULL;
	}
	return path;
}

void evl_campaign_file_keep(struct campaign_file *out, const char *name, const char *purpose,
	const void *data, size_t len)
{
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_of(data, len, digest);
	evl_hex(digest, sizeof digest, out->sha256);
	out->name = evl_xstrdup(name);
	out->purpose = purpose;
	out->bytes = len;
}

const char *evl_campaign_file_name(lua_State *L, const struct campaign *c, const char *what)
{
	size_t len = 0;
	const char *name = luaL_checklstring(L, 1, &len);
	if (c->loaded) {
		evl_script_fail(L,
			"%s: read it at the top of the file, outside of any case, so that its "
			"digest is kept with the run",
			what);
	}
	if (!evl_script_is_text(name, len)) {
		evl_script_fail(L, "%s: the name is no UTF-8 text", what);
	}
	return name;
}

char *evl_campaign_file_path(
	lua_State *L, const struct campaign *c, const char *what, const char *name)
{
	struct evl_err err = {0};
	if (c->file_count == CAMPAIGN_FILES_MAX) {
		evl_script_fail(L, "%s: more than %d files", what, CAMPAIGN_FILES_MAX);
	}
	char *path = path_below(c, what, name, &err);
	if (path == NULL) {
		evl_script_fail(L, "%s", err.text);
	}
	return path;
}

static enum evl_status read_file(struct campaign_file *out, const char *path, const char *name,
	uint64_t bits, struct evl_err *err)
{
	char *data = NULL;
	size_t len = 0;
	enum evl_status st = evl_file_read(&data, &len, path, EVL_USER_PATTERN_BITS_MAX / 8, err);
	if (st < 0) {
		return evl_err_prefix(err, "pattern_file");
	}
	bits = bits != 0 ? bits : (uint64_t)len * 8;
	if (bits > (uint64_t)len * 8) {
		st = evl_err_set(err, EVL_E_INVALID,
			"pattern_file: %s: %zu bytes do not hold %" PRIu64 " bits", path, len,
			bits);
	} else {
		st = evl_user_pattern_create(&out->pattern, name, (const uint8_t *)data, bits, err);
	}
	if (st == EVL_OK) {
		evl_campaign_file_keep(out, name, "pattern", data, len);
		out->bits = bits;
	}
	free(data);
	return st;
}

/* core.pattern_file(name, bits or 0) -> the number of the file in the campaign. */
static int pattern_file(lua_State *L)
{
	struct campaign *c = lua_touserdata(L, lua_upvalueindex(1));
	lua_Integer bits = luaL_checkinteger(L, 2);
	struct evl_err err = {0};
	const char *name = evl_campaign_file_name(L, c, "pattern_file");
	if (bits < 0 || bits > (lua_Integer)EVL_USER_PATTERN_BITS_MAX) {
		return evl_script_fail(L, "pattern_file: bits must be %d to %d",
			EVL_USER_PATTERN_BITS_MIN, (int)EVL_USER_PATTERN_BITS_MAX);
	}
	for (size_t i = 0; i < c->file_count; i++) {
		if (c->files[i].pattern != NULL && strcmp(c->files[i].name, name) == 0 &&
			(c->files[i].bits == (uint64_t)bits ||
				(bits == 0 && c->files[i].bits == c->files[i].bytes * 8))) {
			lua_pushinteger(L, (lua_Integer)i);
			return 1;
		}
	}
	char *path = evl_campaign_file_path(L, c, "pattern_file", name);
	enum evl_status st = read_file(&c->files[c->file_count], path, name, (uint64_t)bits, &err);
	free(path);
	if (st < 0) {
		return evl_script_fail(L, "%s", err.text);
	}
	lua_pushinteger(L, (lua_Integer)c->file_count++);
	return 1;
}

void evl_bind_pattern_file(lua_State *L, struct campaign *c)
{
	lua_pushlightuserdata(L, c);
	lua_pushcclosure(L, pattern_file, 1);
	lua_setfield(L, -2, "pattern_file");
}

void evl_campaign_files_finish(struct campaign *c)
{
	for (size_t i = 0; i < c->file_count; i++) {
		free(c->files[i].name);
		evl_user_pattern_destroy(c->files[i].pattern);
		free(c->files[i].limits);
		evl_recording_close(c->files[i].recording);
		free(c->files[i].recording);
	}
}
