/* SPDX-License-Identifier: Apache-2.0 */
/* Compressed recordings. The outside program is zstd of Debian: what it unpacks is the plain
 * recording. */
#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/recording/convert.h"
#include "sample.h"

enum { FRAMES = 64, SLABS = 100, LINES = 3 };

static const struct evl_rec_channel lines[LINES] = {
	{"trib-1.sent", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
	{"trib-2.sent", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
	{"line.received", EVL_RATE_STM1, EVL_REC_RECEIVED, 0, 0, 0},
};

static uint64_t size_of(const char *path)
{
	struct stat sb;
	assert_int_equal(stat(path, &sb), 0);
	return (uint64_t)sb.st_size;
}

static void run(const char *fmt, const char *a, const char *b)
{
	char command[1024];
	snprintf(command, sizeof command, fmt, a, b);
	assert_int_equal(system(command), 0);
}

static void fill(uint8_t *data, uint32_t channel, uint64_t at, size_t bytes)
{
	if (channel == 1) {
		memset(data, 0xD5, bytes); /* A-law silence */
	} else {
		sample_fill(data, channel, at, bytes);
	}
}

/* 0.8 s: one E1 of noise, one idle, and a line of noise, 16 Mbyte. */
static void make(const char *path, bool finish, struct evl_rec_totals *totals)
{
	static uint8_t slab[2430 * FRAMES];
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	unlink(path);
	assert_int_equal(evl_rec_writer_create(&w, path, lines, LINES, NULL, &err), EVL_OK);
	for (uint64_t s = 0; s < SLABS; s++) {
		for (uint32_t c = 0; c < LINES; c++) {
			size_t n = evl_rate_bytes(lines[c].rate, FRAMES);
			fill(slab, c, s * n, n);
			assert_int_equal(evl_rec_write(w, c, s * n * 8, slab, n, 0, &err), EVL_OK);
		}
		if (s % 50 == 49) {
			assert_int_equal(evl_rec_flush(w, &err), EVL_OK);
		}
	}
	if (finish) {
		assert_int_equal(evl_rec_finish(w, NULL, totals, &err), EVL_OK);
	} else {
		evl_rec_abandon(w);
	}
}

static void read_in_step(const char *path)
{
	static uint8_t got[2430 * FRAMES], want[2430 * FRAMES];
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	for (uint64_t s = 0; s < SLABS; s++) {
		for (uint32_t c = 0; c < LINES; c++) {
			size_t n = evl_rate_bytes(lines[c].rate, FRAMES);
			fill(want, c, s * n, n);
			assert_int_equal(evl_rec_read(r, c, s * n * 8, got, n, &err), EVL_OK);
			assert_memory_equal(got, want, n);
		}
	}
	evl_rec_close(r);
}

/* What zstd unpacks is the plain recording, byte for byte, and its digest is the one told; our own
 * reader gives the same bits. */
static void plain_inside(void **state)
{
	(void)state;
	const char *plain = sample_path("plain.pcapng");
	const char *path = sample_path("packed.pcapng.zst");
	const char *out = sample_path("unpacked.pcapng");
	struct evl_rec_totals a, b;
	struct evl_err err = {0};
	make(plain, true, &a);
	make(path, true, &b);
	run("zstd -q -t %s", path, "");
	run("zstd -q -f -d -o %s %s", out, path);
	run("cmp %s %s", plain, out);
	assert_memory_equal(a.file_sha256, b.file_sha256, sizeof a.file_sha256);
	assert_int_equal(b.file_bytes, size_of(path));
	assert_true(b.file_bytes < a.file_bytes);
	read_in_step(path);
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	assert_true(v.intact);
	assert_memory_equal(v.file_sha256, a.file_sha256, sizeof a.file_sha256);

	/* Copied out of the compressed one it is the plain one again. */
	unlink(out);
	assert_int_equal(evl_rec_copy(r, out, NULL, NULL, &err), EVL_OK);
	evl_rec_close(r);
	read_in_step(out);
}

/* Nothing that was flushed is lost when the writer never comes back: here it is cut before its
 * table, and within a frame. */
static void cut_anywhere(void **state)
{
	(void)state;
	const char *path = sample_path("killed.pcapng.zst");
	struct evl_err err = {0};
	make(path, false, NULL);
	read_in_step(path);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	uint64_t before = 0;
	for (size_t n = 200000; n < bytes; n += bytes / 13) {
		struct evl_rec *r = NULL;
		sample_write_file(path, f, n);
		assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
		assert_false(evl_rec_is_finished(r));
		assert_non_null(strstr(evl_rec_missing(r), "unfinished"));
		uint64_t bits = evl_rec_info(r, 2)->bits;
		/* The line is noise, so that nearly all of the file is its bits: what is missing is
		 * less than one block of zstd, 128 kbyte (RFC 8878 3.1.1.2.4), and the blocks of
		 * ours that were begun. */
		assert_true(bits >= before);
		assert_true(bits / 8 + 131072 + 2 * 262144 + 200000 > n);
		before = bits;
		uint8_t got[64], want[64];
		sample_fill(want, 2, bits / 8 - sizeof want, sizeof want);
		assert_int_equal(
			evl_rec_read(r, 2, bits - 8 * sizeof got, got, sizeof got, &err), EVL_OK);
		assert_memory_equal(got, want, sizeof got);
		evl_rec_close(r);
	}
	free(f);
}

/* A small one, cut at every byte: it opens with what is whole, or says that nothing is. */
static void cut_at_every_byte(void **state)
{
	(void)state;
	const char *path = sample_path("small.pcapng.zst");
	sample_small(path, true);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	bool opened = false;
	for (size_t n = 0; n < bytes; n++) {
		struct evl_rec *r = NULL;
		struct evl_err err = {0};
		sample_write_file(path, f, n);
		enum evl_status st = evl_rec_open(&r, path, &err);
		if (st < 0) {
			assert_non_null(strstr(err.text, path));
			assert_false(opened);
		} else {
			struct evl_rec_verdict v;
			assert_true(evl_rec_verify(r, NULL, NULL, &v, &err) == EVL_E_CORRUPT);
			opened = true;
		}
		evl_rec_close(r);
	}
	assert_true(opened);
	free(f);
}

/* Every single changed byte is found, or it is one of the few bits that mean nothing (RFC 8878 has
 * unused and reserved ones) and what is unpacked is the recording as it was. */
static void flip_every_byte(void **state)
{
	(void)state;
	const char *path = sample_path("flip.pcapng.zst");
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v, whole;
	struct evl_err err = {0};
	sample_small(path, true);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &whole, &err), EVL_OK);
	evl_rec_close(r);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	unsigned meaningless = 0;
	for (size_t n = 0; n < bytes; n++) {
		f[n] ^= (uint8_t)(1u << n % 8);
		sample_write_file(path, f, bytes);
		f[n] ^= (uint8_t)(1u << n % 8);
		err = (struct evl_err){0};
		enum evl_status st = evl_rec_open(&r, path, &err);
		if (st == EVL_OK) {
			st = evl_rec_verify(r, NULL, NULL, &v, &err);
			assert_true(st == EVL_OK || v.findings > 0);
		}
		if (st == EVL_OK) {
			assert_memory_equal(v.file_sha256, whole.file_sha256, EVL_SHA256_BYTES);
			meaningless++;
		} else {
			assert_non_null(strstr(err.text, path));
		}
		evl_rec_close(r);
		r = NULL;
	}
	assert_in_range(meaningless, 0, 8);
	free(f);
}

/* Files of zstd that are none of ours get one clear message. */
static void foreign(void **state)
{
	(void)state;
	const char *plain = sample_path("source.txt");
	const char *path = sample_path("foreign.zst");
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	static uint8_t text[3 * 1024 * 1024];
	sample_write_file(plain, text, 1000);
	run("zstd -q -f %s -o %s", plain, path);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "is not a recording"));
	run("zstd -q -f < %s > %s", plain, path); /* the length is not told */
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "zstd -d"));
	sample_write_file(plain, text, sizeof text); /* a frame of 3 MiB from 100 bytes */
	run("zstd -q -f %s -o %s", plain, path);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "zstd -d"));
}

/* A set of compressed parts reads as the plain recording does. */
static void compressed_set(void **state)
{
	(void)state;
	const char *plain = sample_path("whole.pcapng");
	const char *path = sample_path("parts.set");
	const struct evl_rec_limits limits = {.part_ns = 300000000, .compress = true};
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	struct evl_err err = {0};
	make(plain, true, NULL);
	assert_int_equal(evl_rec_open(&r, plain, &err), EVL_OK);
	assert_int_equal(evl_rec_copy(r, path, &limits, NULL, &err), EVL_OK);
	evl_rec_close(r);
	run("zstd -q -t %s %s", sample_path("parts-0001.pcapng.zst"),
		sample_path("parts-0003.pcapng.zst"));
	read_in_step(path);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_part_count(r), 3);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	evl_rec_close(r);
	/* An altered frame is named with its part. */
	size_t bytes;
	uint8_t *f = sample_read_file(sample_path("parts-0002.pcapng.zst"), &bytes);
	f[bytes / 2] ^= 4;
	sample_write_file(sample_path("parts-0002.pcapng.zst"), f, bytes);
	free(f);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
	assert_non_null(strstr(err.text, "part 2: the compressed frame"));
	evl_rec_close(r);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(plain_inside),
		cmocka_unit_test(cut_anywhere),
		cmocka_unit_test(cut_at_every_byte),
		cmocka_unit_test(flip_every_byte),
		cmocka_unit_test(foreign),
		cmocka_unit_test(compressed_set),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
