/* SPDX-License-Identifier: Apache-2.0 */
/* The index of a set: one line of JSON for the set, one for each whole part, one for the end. */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/recording/internal.h"

struct rec_index {
	int fd;
	char *path;
	char *part_path;
	uint32_t channels, part;
	bool compress;
	struct evl_sha256 *sha;
	uint64_t bytes;
};

char *rec_set_part_path(const char *path, uint32_t part, bool compress)
{
	const char *slash = strrchr(path, '/');
	const char *dot = strrchr(slash != NULL ? slash : path, '.');
	bool ends = dot != NULL && dot != path && dot[-1] != '/';
	int stem = ends ? (int)(dot - path) : (int)strlen(path);
	size_t size = (size_t)stem + 32;
	char *out = evl_xmalloc(size);
	snprintf(
		out, size, "%.*s-%04" PRIu32 ".pcapng%s", stem, path, part, compress ? ".zst" : "");
	return out;
}

void rec_index_destroy(struct rec_index *x)
{
	if (x == NULL) {
		return;
	}
	if (x->fd >= 0) {
		close(x->fd);
	}
	evl_sha256_destroy(x->sha);
	free(x->part_path);
	free(x->path);
	free(x);
}

void rec_index_remove(struct rec_index *x)
{
	if (x != NULL && x->fd >= 0) {
		unlink(x->path);
	}
}

uint32_t rec_index_part(const struct rec_index *x)
{
	return x->part;
}

const char *rec_index_part_path(const struct rec_index *x)
{
	return x->part_path;
}

/* Writes a line and releases the object. */
static enum evl_status put_line(struct rec_index *x, json_t *line, struct evl_err *err)
{
	char *text = line != NULL ? json_dumps(line, JSON_COMPACT) : NULL;
	json_decref(line);
	if (text == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "%s: no memory for a line of it", x->path);
	}
	size_t n = strlen(text);
	text[n++] = '\n'; /* in the place of the NUL */
	size_t done = 0;
	while (done < n) {
		ssize_t k = write(x->fd, text + done, n - done);
		if (k < 0 && errno == EINTR) {
			continue;
		}
		if (k <= 0) {
			free(text);
			return evl_err_set(err, EVL_E_IO,
				"%s: cannot be written: %s; %" PRIu32
				" whole parts are listed in it",
				x->path, strerror(k < 0 ? errno : ENOSPC), x->part - 1);
		}
		done += (size_t)k;
	}
	evl_sha256_update(x->sha, text, n);
	x->bytes += n;
	free(text);
	return EVL_OK;
}

static enum evl_status check(
	const char *path, const struct evl_rec_limits *limits, struct evl_err *err)
{
	size_t n = strlen(path);
	if ((n > 7 && strcmp(path + n - 7, ".pcapng") == 0) || rec_is_packed_name(path)) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the index of a set is no pcapng or zst file; give it another ending",
			path);
	}
	if ((limits->part_bytes == 0 && limits->part_ns == 0) ||
		(limits->part_bytes > 0 && limits->part_bytes < 65536) ||
		(limits->part_ns > 0 && limits->part_ns < 100000000)) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: a part of a set must be allowed at least 65536 bytes or 100 ms, not "
			"%" PRIu64 " bytes and %" PRIu64 " ns",
			path, limits->part_bytes, limits->part_ns);
	}
	return EVL_OK;
}

enum evl_status rec_index_create(struct rec_index **out, const char *path, uint32_t channels,
	const char *meta_json, const struct evl_rec_limits *limits, struct evl_err *err)
{
	*out = NULL;
	enum evl_status st = check(path, limits, err);
	if (st < 0) {
		return st;
	}
	json_t *meta = json_loads(meta_json, JSON_REJECT_DUPLICATES, NULL);
	if (!json_is_object(meta)) {
		json_decref(meta);
		return evl_err_set(
			err, EVL_E_INVALID, "%s: the metadata is not a JSON object", path);
	}
	struct rec_index *x = evl_xcalloc(1, sizeof *x);
	x->path = evl_xstrdup(path);
	x->channels = channels;
	x->part = 1;
	x->compress = limits->compress;
	x->part_path = rec_set_part_path(path, 1, x->compress);
	x->sha = evl_sha256_create();
	x->fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
	if (x->fd < 0) {
		st = errno == EEXIST
			     ? evl_err_set(err, EVL_E_CONFLICT,
				       "%s: exists already; a recording never replaces a file",
				       path)
			     : evl_err_set(err, EVL_E_IO, "%s: cannot be created: %s", path,
				       strerror(errno));
		json_decref(meta);
	} else {
		json_t *first = json_pack("{s:s, s:i, s:s, s:I, s:I, s:I, s:o}", "format",
			SET_FORMAT, "version", FORMAT_VERSION, "software",
			SOFTWARE_NAME " " EVL_VERSION, "channels", (json_int_t)channels,
			"part_bytes", (json_int_t)limits->part_bytes, "part_ns",
			(json_int_t)limits->part_ns, "meta", meta);
		if (x->compress && first != NULL) {
			json_object_set_new(first, "compressed", json_true());
		}
		st = put_line(x, first, err);
	}
	if (st < 0) {
		rec_index_remove(x);
		rec_index_destroy(x);
		return st;
	}
	*out = x;
	return EVL_OK;
}

enum evl_status rec_index_add(struct rec_index *x, uint64_t bytes,
	const uint8_t sha256[EVL_SHA256_BYTES], uint32_t marks, const struct evl_rec_info *infos,
	struct evl_err *err)
{
	char hex[EVL_SHA256_HEX];
	evl_hex(sha256, EVL_SHA256_BYTES, hex);
	json_t *rows = json_array();
	for (uint32_t c = 0; c < x->channels; c++) {
		const struct evl_rec_info *i = &infos[c];
		json_array_append_new(rows,
			json_pack("[I, I, I, I, I, I]", (json_int_t)i->first_bit,
				(json_int_t)i->end_bits, (json_int_t)i->bits, (json_int_t)i->blocks,
				(json_int_t)i->gaps, (json_int_t)i->overruns));
	}
	const char *slash = strrchr(x->part_path, '/');
	enum evl_status st = put_line(x,
		json_pack("{s:I, s:s, s:I, s:s, s:I, s:o}", "part", (json_int_t)x->part, "file",
			slash != NULL ? slash + 1 : x->part_path, "bytes", (json_int_t)bytes,
			"sha256", hex, "marks", (json_int_t)marks, "channels", rows),
		err);
	if (st < 0) {
		return st;
	}
	x->part++;
	free(x->part_path);
	x->part_path = rec_set_part_path(x->path, x->part, x->compress);
	return EVL_OK;
}

enum evl_status rec_index_room(const struct rec_index *x, struct evl_err *err)
{
	if (x->part > SET_PARTS_MAX || x->part * (uint64_t)x->channels > SET_CELLS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: a set of %" PRIu32 " channels ends with part %" PRIu32
			"; allow larger parts",
			x->path, x->channels, x->part - 1);
	}
	return EVL_OK;
}

enum evl_status rec_index_end(struct rec_index *x, const struct evl_rec_info *infos,
	struct evl_rec_totals *totals, struct evl_err *err)
{
	char hex[EVL_SHA256_HEX];
	uint8_t all[EVL_SHA256_BYTES];
	json_t *digests = json_array();
	for (uint32_t c = 0; c < x->channels; c++) {
		evl_hex(infos[c].digest, EVL_SHA256_BYTES, hex);
		json_array_append_new(digests, json_string(hex));
	}
	evl_sha256_peek(x->sha, all);
	evl_hex(all, sizeof all, hex);
	enum evl_status st = put_line(x,
		json_pack("{s:I, s:o, s:s}", "end", (json_int_t)(x->part - 1), "digests", digests,
			"check", hex),
		err);
	if (st == EVL_OK && fsync(x->fd) != 0 && errno != EINVAL) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be brought to the disk: %s", x->path,
			strerror(errno));
	}
	totals->file_bytes += x->bytes;
	evl_sha256_peek(x->sha, totals->file_sha256);
	return st;
}
