/* SPDX-License-Identifier: Apache-2.0 */
/* Layout of a header: POSIX.1-2017, pax, "ustar Interchange Format". */
#include "core/recording/bundle.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/base/text.h"
#include "core/recording/internal.h"

enum {
	RECORD = 512,
	NAME_MAX_BYTES = 99,
	CHUNK = 256 * 1024,
	SUMS_MAX = 4 * 1024 * 1024,
	FILES_MAX = SET_PARTS_MAX + 2,
};

static const char sums_name[] = "SHA256SUMS";
static const uint64_t size_limit = (uint64_t)1 << 33; /* 11 octal digits */

static const char *base_name(const char *path)
{
	const char *slash = strrchr(path, '/');
	return slash != NULL ? slash + 1 : path;
}

static uint32_t sum_of(const uint8_t *h)
{
	uint32_t sum = 0;
	for (int i = 0; i < RECORD; i++) {
		sum += i >= 148 && i < 156 ? ' ' : h[i];
	}
	return sum;
}

/* ---- packing ---- */

static void make_header(uint8_t h[RECORD], const char *name, uint64_t bytes)
{
	memset(h, 0, RECORD);
	memcpy(h, name, strlen(name));
	memcpy(h + 100, "0000644", 7);
	memcpy(h + 108, "0000000", 7);
	memcpy(h + 116, "0000000", 7);
	snprintf((char *)h + 124, 12, "%011" PRIo64, bytes);
	memcpy(h + 136, "00000000000", 11); /* no time: the same recording, the same bytes */
	h[156] = '0';
	memcpy(h + 257, "ustar", 6);
	memcpy(h + 263, "00", 2);
	snprintf((char *)h + 148, 8, "%06" PRIo32, sum_of(h));
	h[155] = ' ';
}

static enum evl_status put(
	FILE *f, const void *data, size_t bytes, const char *path, struct evl_err *err)
{
	if (fwrite(data, 1, bytes, f) != bytes) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	return EVL_OK;
}

static enum evl_status put_padding(FILE *f, uint64_t bytes, const char *path, struct evl_err *err)
{
	static const uint8_t zero[2 * RECORD];
	return put(f, zero, (size_t)((RECORD - bytes % RECORD) % RECORD), path, err);
}

/* Adds a file, and its line to the sums. */
static enum evl_status pack(
	FILE *f, const char *out, const char *path, struct evl_text *sums, struct evl_err *err)
{
	uint8_t header[RECORD], digest[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	const char *name = base_name(path);
	if (strlen(name) > NAME_MAX_BYTES) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: its name is longer than %d bytes; a bundle cannot hold it", path,
			NAME_MAX_BYTES);
	}
	FILE *in = fopen(path, "rb");
	if (in == NULL) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be opened: %s", path, strerror(errno));
	}
	enum evl_status st = EVL_OK;
	off_t end = fseeko(in, 0, SEEK_END) == 0 ? ftello(in) : -1;
	uint64_t left = end > 0 ? (uint64_t)end : 0;
	if (end < 0 || fseeko(in, 0, SEEK_SET) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
	} else if (left >= size_limit) {
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: has more than 8 GiB; copy it into a set of smaller parts first", path);
	} else {
		make_header(header, name, left);
		st = put(f, header, sizeof header, out, err);
	}
	uint64_t bytes = left;
	uint8_t *buf = evl_xmalloc(CHUNK);
	struct evl_sha256 *sha = evl_sha256_create();
	while (st == EVL_OK && left > 0) {
		size_t n = left < CHUNK ? (size_t)left : CHUNK;
		if (fread(buf, 1, n, in) != n) {
			st = evl_err_set(err, EVL_E_IO,
				"%s: cannot be read, or became shorter meanwhile", path);
			break;
		}
		evl_sha256_update(sha, buf, n);
		st = put(f, buf, n, out, err);
		left -= n;
	}
	if (st == EVL_OK) {
		st = put_padding(f, bytes, out, err);
		evl_sha256_peek(sha, digest);
		evl_hex(digest, sizeof digest, hex);
		evl_text_addf(sums, "%s  %s\n", hex, name);
	}
	evl_sha256_destroy(sha);
	free(buf);
	fclose(in);
	return st;
}

enum evl_status evl_rec_bundle(const struct evl_rec *r, const char *out, struct evl_err *err)
{
	const char *path = evl_rec_path(r);
	if (!evl_rec_is_finished(r) || evl_rec_missing(r)[0] != '\0') {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is not whole (%s); make a whole one of it with recording copy first",
			path, evl_rec_missing(r));
	}
	if (r->part > 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is part %" PRIu32 " of a set; bundle the index of the set", path,
			r->part);
	}
	int fd = open(out, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
	FILE *f = fd >= 0 ? fdopen(fd, "wb") : NULL;
	if (f == NULL) {
		return evl_err_set(err, errno == EEXIST ? EVL_E_CONFLICT : EVL_E_IO,
			"%s: cannot be created: %s", out, strerror(errno));
	}
	struct evl_text sums = {0};
	uint8_t header[RECORD];
	static const uint8_t zero[2 * RECORD];
	enum evl_status st = pack(f, out, path, &sums, err);
	for (uint32_t p = 0; st == EVL_OK && p < evl_rec_part_count(r); p++) {
		st = pack(f, out, rec_set_path_of(r, p), &sums, err);
	}
	if (st == EVL_OK) {
		make_header(header, sums_name, sums.len);
		st = put(f, header, sizeof header, out, err);
	}
	if (st == EVL_OK) {
		st = put(f, evl_text_str(&sums), sums.len, out, err);
	}
	if (st == EVL_OK) {
		st = put_padding(f, sums.len, out, err);
	}
	if (st == EVL_OK) {
		st = put(f, zero, sizeof zero, out, err);
	}
	if (st == EVL_OK && (fflush(f) != 0 || (fsync(fd) != 0 && errno != EINVAL))) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", out, strerror(errno));
	}
	fclose(f);
	evl_text_finish(&sums);
	if (st < 0) {
		unlink(out);
	}
	return st;
}

/* ---- unpacking ---- */

struct unpacked {
	char *path;
	char hex[EVL_SHA256_HEX];
	bool told; /* SHA256SUMS has it */
};

struct unpacking {
	FILE *f;
	const char *path, *folder;
	struct unpacked *files;
	uint32_t count;
	char *sums; /* content of SHA256SUMS */
	uint8_t *buf;
};

static enum evl_status no_bundle(struct unpacking *u, const char *why, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_INVALID, "%s: is no bundle of a recording: %s", u->path, why);
}

/* A header; *end at the end of the archive. */
static enum evl_status get_header(struct unpacking *u, char name[NAME_MAX_BYTES + 1],
	uint64_t *bytes, bool *end, struct evl_err *err)
{
	uint8_t h[RECORD];
	char number[13] = "";
	*end = false;
	size_t n = fread(h, 1, sizeof h, u->f);
	if (n == sizeof h && h[0] == '\0') {
		*end = true;
		return EVL_OK;
	}
	if (n == sizeof h && memcmp(h + 257, "ustar", 6) != 0 && u->count == 0) {
		return no_bundle(u, "it is no ustar archive", err);
	}
	memcpy(number, h + 148, 8);
	if (n != sizeof h || strtoul(number, NULL, 8) != sum_of(h)) {
		return evl_err_set(err, u->count == 0 && n < 263 ? EVL_E_INVALID : EVL_E_CORRUPT,
			"%s: is cut or altered after %" PRIu32 " whole files", u->path, u->count);
	}
	memcpy(name, h, NAME_MAX_BYTES + 1);
	bool plain = memchr(h, '\0', NAME_MAX_BYTES + 1) != NULL && h[156] == '0' &&
		     h[345] == '\0' && strchr(name, '/') == NULL && name[0] != '.' &&
		     rec_is_line(name, NAME_MAX_BYTES);
	if (!plain) {
		return no_bundle(u, "it holds more than plain files with plain names", err);
	}
	memcpy(number, h + 124, 12);
	char *rest = NULL;
	*bytes = strtoull(number, &rest, 8);
	if (number[0] < '0' || number[0] > '7' || (*rest != '\0' && *rest != ' ') ||
		*bytes >= size_limit) {
		return no_bundle(u, "the length of a file cannot be", err);
	}
	return EVL_OK;
}

static enum evl_status cut(struct unpacking *u, const char *name, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_CORRUPT, "%s: is cut within %s", u->path, name);
}

static enum evl_status get_sums(struct unpacking *u, uint64_t bytes, struct evl_err *err)
{
	if (u->sums != NULL || bytes > SUMS_MAX) {
		return no_bundle(u, "its SHA256SUMS cannot be", err);
	}
	u->sums = evl_xcalloc(1, (size_t)bytes + 1);
	return fread(u->sums, 1, (size_t)bytes, u->f) == bytes ? EVL_OK : cut(u, sums_name, err);
}

static enum evl_status get_file(
	struct unpacking *u, const char *name, uint64_t bytes, struct evl_err *err)
{
	if (u->count == FILES_MAX) {
		return no_bundle(u, "it holds too many files", err);
	}
	struct unpacked *to = &u->files[u->count];
	char *path = evl_file_join(u->folder, name);
	int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
	FILE *out = fd >= 0 ? fdopen(fd, "wb") : NULL;
	if (out == NULL) {
		enum evl_status st = evl_err_set(err, errno == EEXIST ? EVL_E_CONFLICT : EVL_E_IO,
			"%s: cannot be created: %s", path, strerror(errno));
		free(path);
		return st;
	}
	to->path = path;
	u->count++; /* from here on it is ours to remove */
	struct evl_sha256 *sha = evl_sha256_create();
	enum evl_status st = EVL_OK;
	while (st == EVL_OK && bytes > 0) {
		size_t n = bytes < CHUNK ? (size_t)bytes : CHUNK;
		if (fread(u->buf, 1, n, u->f) != n) {
			st = cut(u, name, err);
			break;
		}
		evl_sha256_update(sha, u->buf, n);
		st = put(out, u->buf, n, path, err);
		bytes -= n;
	}
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_peek(sha, digest);
	evl_hex(digest, sizeof digest, to->hex);
	evl_sha256_destroy(sha);
	if (fclose(out) != 0 && st == EVL_OK) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	return st;
}

/* Every file has its line, and every line its file. */
static enum evl_status compare(struct unpacking *u, struct evl_err *err)
{
	if (u->sums == NULL || u->count == 0) {
		return no_bundle(u, "it holds no recording, or no SHA256SUMS", err);
	}
	for (char *line = u->sums; *line != '\0';) {
		char *stop = strchr(line, '\n');
		if (stop == NULL || stop - line < EVL_SHA256_HEX + 2) {
			return no_bundle(u, "a line of its SHA256SUMS cannot be", err);
		}
		*stop = '\0';
		const char *name = line + EVL_SHA256_HEX + 1;
		uint32_t i = 0;
		while (i < u->count && strcmp(base_name(u->files[i].path), name) != 0) {
			i++;
		}
		if (i == u->count) {
			return evl_err_set(err, EVL_E_CORRUPT,
				"%s: %s is missing, which its SHA256SUMS names", u->path, name);
		}
		if (memcmp(line, u->files[i].hex, EVL_SHA256_HEX - 1) != 0) {
			return evl_err_set(err, EVL_E_CORRUPT,
				"%s: %s is altered: its digest is not the one in SHA256SUMS",
				u->path, name);
		}
		u->files[i].told = true;
		line = stop + 1;
	}
	for (uint32_t i = 0; i < u->count; i++) {
		if (!u->files[i].told) {
			return evl_err_set(err, EVL_E_CORRUPT, "%s: %s is not in its SHA256SUMS",
				u->path, base_name(u->files[i].path));
		}
	}
	return EVL_OK;
}

static enum evl_status unpack(struct unpacking *u, struct evl_err *err)
{
	for (;;) {
		char name[NAME_MAX_BYTES + 1];
		uint64_t bytes = 0;
		bool end = false;
		enum evl_status st = get_header(u, name, &bytes, &end, err);
		if (st < 0 || end) {
			return st < 0 ? st : compare(u, err);
		}
		st = strcmp(name, sums_name) == 0 ? get_sums(u, bytes, err)
						  : get_file(u, name, bytes, err);
		size_t padding = (size_t)((RECORD - bytes % RECORD) % RECORD);
		if (st == EVL_OK && fread(u->buf, 1, padding, u->f) != padding) {
			st = cut(u, name, err);
		}
		if (st < 0) {
			return st;
		}
	}
}

enum evl_status evl_rec_unbundle(
	const char *path, const char *folder, char **name, struct evl_err *err)
{
	struct unpacking u = {.path = path, .folder = folder};
	struct evl_rec *r = NULL;
	*name = NULL;
	u.f = fopen(path, "rb");
	if (u.f == NULL) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
	}
	u.files = evl_xcalloc(FILES_MAX, sizeof *u.files);
	u.buf = evl_xmalloc(CHUNK);
	enum evl_status st = evl_file_mkdirs(folder, err);
	if (st == EVL_OK) {
		st = unpack(&u, err);
	}
	if (st == EVL_OK) { /* the first file is the recording or the index */
		st = evl_rec_open(&r, u.files[0].path, err);
		evl_rec_close(r);
	}
	for (uint32_t i = 0; i < u.count; i++) {
		if (st < 0) {
			unlink(u.files[i].path);
		} else if (i == 0) {
			*name = evl_xstrdup(u.files[0].path);
		}
		free(u.files[i].path);
	}
	fclose(u.f);
	free(u.files);
	free(u.sums);
	free(u.buf);
	return st;
}
