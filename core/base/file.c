/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

enum evl_status evl_file_read(char **out, size_t *len, const char *path, size_t max_bytes,
	struct evl_err *err)
{
	*out = NULL;
	*len = 0;
	int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
	if (fd < 0) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
	}
	struct stat sb;
	enum evl_status st = EVL_OK;
	char *buf = NULL;
	size_t n = 0;
	if (fstat(fd, &sb) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
		goto out;
	}
	if (!S_ISREG(sb.st_mode)) {
		st = evl_err_set(err, EVL_E_INVALID, "%s: is not a regular file", path);
		goto out;
	}
	if ((uint64_t)sb.st_size > max_bytes) {
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: has %llu bytes, more than the %llu that such a file may have", path,
			(unsigned long long)sb.st_size, (unsigned long long)max_bytes);
		goto out;
	}
	size_t want = (size_t)sb.st_size;
	buf = malloc(want + 1);
	if (buf == NULL) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to read it", path);
		goto out;
	}
	while (n < want) {
		ssize_t got = read(fd, buf + n, want - n);
		if (got < 0) {
			if (errno == EINTR) {
				continue;
			}
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path,
				strerror(errno));
			goto out;
		}
		if (got == 0) {
			break;
		}
		n += (size_t)got;
	}
	buf[n] = '\0';
	*out = buf;
	*len = n;
	buf = NULL;
out:
	free(buf);
	close(fd);
	return st;
}

enum evl_status evl_file_write(const char *path, const void *data, size_t len, struct evl_err *err)
{
	size_t cap = strlen(path) + 32;
	char *tmp = evl_xmalloc(cap);
	snprintf(tmp, cap, "%s.%ld.tmp", path, (long)getpid());
	enum evl_status st = EVL_OK;
	int fd = open(tmp, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
	if (fd < 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
		goto out;
	}
	const char *p = data;
	size_t left = len;
	while (left > 0) {
		ssize_t put = write(fd, p, left);
		if (put < 0) {
			if (errno == EINTR) {
				continue;
			}
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path,
				strerror(errno));
			break;
		}
		p += put;
		left -= (size_t)put;
	}
	if (st == EVL_OK && fsync(fd) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	if (close(fd) != 0 && st == EVL_OK) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	if (st == EVL_OK && rename(tmp, path) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	if (st != EVL_OK) {
		unlink(tmp);
	}
out:
	free(tmp);
	return st;
}

enum evl_status evl_file_mkdirs(const char *path, struct evl_err *err)
{
	char *copy = evl_xstrdup(path);
	enum evl_status st = EVL_OK;
	for (char *p = copy + 1; st == EVL_OK; p++) {
		if (*p != '/' && *p != '\0') {
			continue;
		}
		char keep = *p;
		*p = '\0';
		struct stat sb;
		if (mkdir(copy, 0755) != 0 &&
			(errno != EEXIST || stat(copy, &sb) != 0 || !S_ISDIR(sb.st_mode))) {
			st = evl_err_set(err, EVL_E_IO, "%s: the folder cannot be made: %s", copy,
				errno == EEXIST ? "a file of that name is in the way" :
						  strerror(errno));
		}
		*p = keep;
		if (keep == '\0') {
			break;
		}
	}
	free(copy);
	return st;
}

char *evl_file_join(const char *dir, const char *name)
{
	size_t n = strlen(dir);
	size_t cap = n + strlen(name) + 2;
	char *out = evl_xmalloc(cap);
	snprintf(out, cap, "%s%s%s", dir, n > 0 && dir[n - 1] == '/' ? "" : "/", name);
	return out;
}

enum evl_status evl_file_free_space(uint64_t *bytes, const char *path, struct evl_err *err)
{
	char *dir = evl_xstrdup(path);
	char *slash = strrchr(dir, '/');
	if (slash != NULL) {
		slash[slash == dir] = '\0'; /* "/" stays */
	}
	struct statvfs v;
	enum evl_status st = EVL_OK;
	*bytes = 0;
	if (statvfs(slash != NULL ? dir : ".", &v) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot tell how much room is left there: %s",
			path, strerror(errno));
	} else {
		*bytes = (uint64_t)v.f_bavail * v.f_frsize;
	}
	free(dir);
	return st;
}
