/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/convert.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { CHUNK = 256 * 1024 };

enum evl_status evl_rec_import_raw(struct evl_rec_writer *w, uint32_t channel, const char *path,
	uint64_t *bytes, struct evl_err *err)
{
	struct stat sb;
	*bytes = 0;
	FILE *f = fopen(path, "rb");
	if (f == NULL) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
	}
	uint8_t *buf = evl_xmalloc(CHUNK);
	enum evl_status st = EVL_OK;
	if (fstat(fileno(f), &sb) == 0 && S_ISDIR(sb.st_mode)) {
		st = evl_err_set(err, EVL_E_INVALID, "%s: is a folder, not a file of bits", path);
	}
	size_t n;
	while (st == EVL_OK && (n = fread(buf, 1, CHUNK, f)) > 0) {
		st = evl_rec_write(w, channel, *bytes * 8, buf, n, 0, err);
		*bytes += n;
	}
	if (st == EVL_OK && ferror(f)) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
	} else if (st == EVL_OK && *bytes == 0) {
		st = evl_err_set(
			err, EVL_E_INVALID, "%s: is empty; there is nothing to import", path);
	}
	free(buf);
	fclose(f);
	return st;
}
