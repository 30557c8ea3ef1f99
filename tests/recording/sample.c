/* SPDX-License-Identifier: Apache-2.0 */
#include "sample.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/file.h"

static char folder[512];
static pid_t owner;

static void remove_folder(void)
{
	if (getpid() != owner) {
		return; /* a forked child leaves it to its parent */
	}
	DIR *d = opendir(folder);
	struct dirent *e;
	while (d != NULL && (e = readdir(d)) != NULL) {
		if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0) {
			unlinkat(dirfd(d), e->d_name, 0);
		}
	}
	if (d != NULL) {
		closedir(d);
	}
	rmdir(folder);
}

const char *sample_path(const char *name)
{
	static char *paths[256];
	static int count;
	if (folder[0] == '\0') {
		const char *tmp = getenv("TMPDIR");
		snprintf(folder, sizeof folder, "%s/evl-recording-XXXXXX", tmp ? tmp : "/tmp");
		evl_require(mkdtemp(folder) != NULL);
		owner = getpid();
		atexit(remove_folder);
	}
	char *path = evl_file_join(folder, name);
	for (int i = 0; i < count; i++) {
		if (strcmp(paths[i], path) == 0) {
			free(path);
			return paths[i];
		}
	}
	evl_require(count < 256);
	paths[count++] = path;
	return path;
}

uint8_t sample_byte(uint64_t seed, uint64_t i)
{
	uint64_t z = seed * 0x2545F4914F6CDD1Du + (i / 8 + 1) * 0x9E3779B97F4A7C15u;
	z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
	z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
	z ^= z >> 31;
	return (uint8_t)(z >> (8 * (i % 8)));
}

void sample_fill(uint8_t *out, uint64_t seed, uint64_t from, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		out[i] = sample_byte(seed, from + i);
	}
}

const struct evl_rec_channel small_channels[SMALL_CHANNELS] = {
	{"trib-1.in", EVL_RATE_E1, EVL_REC_SENT, 1000000007, 0, 0},
	{"trib-1.out", EVL_RATE_E1, EVL_REC_RECEIVED, 1000000507, 500, 0},
	{"ds1-1.out", EVL_RATE_T1, EVL_REC_RECEIVED, 999999907, -100, 0},
};

/* E1: 8 frames are 256 bytes, 2048 bits. T1: 8 frames are 193 bytes, 1544 bits. */
static const struct sample_run runs_0[] = {{0, 256, 0}, {2048, 256, 0}};
static const struct sample_run runs_1[] = {
	{0, 256, 0}, {4096, 256, 0}, {6144, 256, EVL_REC_OVERRUN}, {8192, 256, EVL_REC_FILLER}};
static const struct sample_run runs_2[] = {{1544, 193, 0}, {3088, 193, 0}, {4632, 193, 0}};

size_t sample_runs(uint32_t channel, const struct sample_run **runs)
{
	static const struct sample_run *const all[] = {runs_0, runs_1, runs_2};
	static const size_t counts[] = {2, 4, 3};
	*runs = all[channel];
	return counts[channel];
}

void sample_small(const char *path, bool finish)
{
	struct evl_err err = {0};
	struct evl_rec_writer *w = NULL;
	uint8_t buf[256];
	unlink(path);
	enum evl_status st = evl_rec_writer_create(
		&w, path, small_channels, SMALL_CHANNELS, "{\"case\":\"small\",\"take\":1}", &err);
	for (size_t i = 0; st == EVL_OK && i < 4; i++) {
		if (i % 2 == 1) {
			const struct evl_rec_mark m = {1000000000 + i, i == 1 ? -1 : 2,
				i == 1 ? "begin" : "loss of \"frame\" \xC3\xA4"};
			st = evl_rec_mark(w, &m, &err);
		}
		for (uint32_t c = 0; st == EVL_OK && c < SMALL_CHANNELS; c++) {
			const struct sample_run *runs;
			if (i < sample_runs(c, &runs)) {
				sample_fill(buf, c, runs[i].bit_offset / 8, runs[i].bytes);
				st = evl_rec_write(w, c, runs[i].bit_offset, buf, runs[i].bytes,
					runs[i].flags, &err);
			}
		}
	}
	if (st == EVL_OK && finish) {
		st = evl_rec_finish(w, NULL, NULL, &err);
	} else {
		evl_rec_abandon(w);
	}
	if (st < 0) {
		fprintf(stderr, "sample: %s\n", err.text);
	}
	evl_require(st == EVL_OK);
}

uint8_t *sample_read_file(const char *path, size_t *bytes)
{
	char *data;
	struct evl_err err = {0};
	evl_require(evl_file_read(&data, bytes, path, 1u << 30, &err) == EVL_OK);
	return (uint8_t *)data;
}

void sample_write_file(const char *path, const void *data, size_t bytes)
{
	unlink(path); /* a new file: cutting an old one to 0 makes some file systems sync it */
	FILE *f = fopen(path, "wb");
	evl_require(f != NULL && fwrite(data, 1, bytes, f) == bytes && fclose(f) == 0);
}
