/* SPDX-License-Identifier: Apache-2.0 */
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

enum { CHANNELS = 3, FRAMES = 16000 }; /* 2 s */

static const struct evl_rec_channel channels[CHANNELS] = {
	{"trib-1.in", EVL_RATE_E1, EVL_REC_SENT, 1000000007, 0, 0},
	{"trib-1.out", EVL_RATE_E1, EVL_REC_RECEIVED, 1000000507, 500, 0},
	{"ds1-1.out", EVL_RATE_T1, EVL_REC_RECEIVED, 999999907, -100, 0},
};

/* Two seconds, a gap in channel 1 after one second and an overrun, marks; as one file or a set. */
static void fill(struct evl_rec_writer *w)
{
	static uint8_t slab[32 * 80];
	struct evl_err err = {0};
	for (uint64_t f = 0; f < FRAMES; f += 80) {
		for (uint32_t c = 0; c < CHANNELS; c++) {
			uint64_t bit = f * evl_rate_frame_bits(channels[c].rate);
			size_t n = evl_rate_bytes(channels[c].rate, 80);
			sample_fill(slab, c, bit / 8, n);
			if (c != 1 || f / 80 != 100) {
				assert_int_equal(evl_rec_write(w, c, bit, slab, n,
							 f == 12000 ? EVL_REC_OVERRUN : 0, &err),
					EVL_OK);
			}
		}
		if (f % 4000 == 0) {
			struct evl_rec_mark m = {1000000000 + f * EVL_FRAME_NS, f ? 1 : -1, "step"};
			assert_int_equal(evl_rec_mark(w, &m, &err), EVL_OK);
		}
	}
}

static void make(const char *path, const struct evl_rec_limits *limits, bool finish,
	uint8_t (*digests)[EVL_SHA256_BYTES], struct evl_rec_totals *totals)
{
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	unlink(path);
	for (uint32_t p = 1; limits != NULL && p < 100; p++) {
		char part[600];
		snprintf(part, sizeof part, "%.*s-%04" PRIu32 ".pcapng", (int)strlen(path) - 4,
			path, p);
		unlink(part);
	}
	assert_int_equal(evl_rec_writer_create_set(
				 &w, path, channels, CHANNELS, "{\"case\":\"set\"}", limits, &err),
		EVL_OK);
	fill(w);
	if (finish) {
		assert_int_equal(evl_rec_finish(w, digests, totals, &err), EVL_OK);
	} else {
		evl_rec_abandon(w);
	}
}

static void assert_same(struct evl_rec *a, struct evl_rec *b, bool with_digests)
{
	for (uint32_t c = 0; c < CHANNELS; c++) {
		const struct evl_rec_info *x = evl_rec_info(a, c), *y = evl_rec_info(b, c);
		uint8_t dx[EVL_SHA256_BYTES], dy[EVL_SHA256_BYTES];
		struct evl_err err = {0};
		assert_int_equal(x->bits, y->bits);
		assert_int_equal(x->first_bit, y->first_bit);
		assert_int_equal(x->end_bits, y->end_bits);
		assert_int_equal(x->gaps, y->gaps);
		assert_int_equal(x->channel.start_ns, y->channel.start_ns);
		assert_int_equal(x->channel.skew_ns, y->channel.skew_ns);
		assert_int_equal(evl_rec_digest(a, c, dx, &err), EVL_OK);
		assert_int_equal(evl_rec_digest(b, c, dy, &err), EVL_OK);
		assert_memory_equal(dx, dy, sizeof dx);
		if (with_digests) {
			assert_true(x->has_digest && y->has_digest);
			assert_memory_equal(x->digest, y->digest, sizeof dx);
			assert_memory_equal(x->digest, dx, sizeof dx);
		}
	}
	assert_int_equal(evl_rec_mark_count(a), evl_rec_mark_count(b));
	for (uint32_t i = 0; i < evl_rec_mark_count(a); i++) {
		assert_int_equal(evl_rec_mark_at(a, i)->time_ns, evl_rec_mark_at(b, i)->time_ns);
		assert_int_equal(evl_rec_mark_at(a, i)->channel, evl_rec_mark_at(b, i)->channel);
	}
}

/* A set has the bits, offsets, gaps, marks and stream digests of the one file, whatever the limit;
 * parts keep the limit, their digests are in the index, and each opens by itself. */
static void same_as_one_file(void **state)
{
	(void)state;
	static const struct {
		struct evl_rec_limits limits;
		uint32_t least, most; /* parts: 2 s, about 1.4 Mbyte */
	} rows[] = {
		{{.part_ns = 500000000}, 4, 5},
		{{.part_bytes = 200000}, 7, 9},
		{{.part_bytes = 1 << 30}, 1, 1},
		{{.part_bytes = 300000, .part_ns = 100000000}, 19, 22},
	};
	const char *one = sample_path("one.pcapng");
	const char *path = sample_path("night.set");
	uint8_t d1[CHANNELS][EVL_SHA256_BYTES], d2[CHANNELS][EVL_SHA256_BYTES];
	struct evl_rec_totals totals;
	struct evl_err err = {0};
	unlink(one);
	make(one, NULL, true, d1, NULL);
	struct evl_rec *a = NULL, *b = NULL;
	assert_int_equal(evl_rec_open(&a, one, &err), EVL_OK);
	assert_int_equal(evl_rec_info(a, 1)->gaps, 1);
	assert_int_equal(evl_rec_part_count(a), 0);
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		make(path, &rows[i].limits, true, d2, &totals);
		assert_memory_equal(d1, d2, sizeof d1);
		assert_int_equal(evl_rec_open(&b, path, &err), EVL_OK);
		assert_true(evl_rec_is_finished(b));
		assert_string_equal(evl_rec_missing(b), "");
		assert_string_equal(evl_rec_meta(b), evl_rec_meta(a));
		assert_in_range(evl_rec_part_count(b), rows[i].least, rows[i].most);
		assert_same(a, b, true);
		struct evl_rec_verdict v;
		assert_int_equal(evl_rec_verify(b, NULL, NULL, &v, &err), EVL_OK);
		assert_true(v.intact && v.finished);
		uint8_t sha[EVL_SHA256_BYTES];
		assert_int_equal(evl_sha256_of_file(path, sha, &err), EVL_OK);
		assert_memory_equal(sha, v.file_sha256, sizeof sha);
		assert_memory_equal(sha, totals.file_sha256, sizeof sha);
		size_t n;
		char *index = (char *)sample_read_file(path, &n);
		for (uint32_t p = 1; p <= evl_rec_part_count(b); p++) {
			char name[40], hex[EVL_SHA256_HEX];
			struct stat sb;
			struct evl_rec *r = NULL;
			snprintf(name, sizeof name, "night-%04" PRIu32 ".pcapng", p);
			const char *part = sample_path(name);
			assert_int_equal(stat(part, &sb), 0);
			/* blocks' heads and tails and the trailer come on top of the bits */
			assert_true(rows[i].limits.part_bytes == 0 ||
				    (uint64_t)sb.st_size < rows[i].limits.part_bytes + 8192);
			assert_int_equal(evl_sha256_of_file(part, sha, &err), EVL_OK);
			evl_hex(sha, sizeof sha, hex);
			assert_non_null(strstr(index, hex));
			assert_int_equal(evl_rec_open(&r, part, &err), EVL_OK);
			assert_true(evl_rec_is_finished(r));
			assert_int_equal(evl_rec_info(r, 0)->has_digest, p == 1);
			assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
			evl_rec_close(r);
		}
		free(index);
		evl_rec_close(b);
	}
	evl_rec_close(a);
}

/* Copied into a set and back it is byte for byte what it was: the blocks are cut alike. */
static void copied(void **state)
{
	(void)state;
	const char *one = sample_path("one.pcapng");
	const char *path = sample_path("copy.set");
	const char *back = sample_path("back.pcapng");
	const struct evl_rec_limits limits = {.part_ns = 300000000};
	struct evl_err err = {0};
	struct evl_rec *a = NULL, *b = NULL;
	unlink(one);
	make(one, NULL, true, NULL, NULL);
	assert_int_equal(evl_rec_open(&a, one, &err), EVL_OK);
	assert_int_equal(evl_rec_copy(a, path, &limits, NULL, &err), EVL_OK);
	assert_int_equal(evl_rec_open(&b, path, &err), EVL_OK);
	assert_same(a, b, true);
	evl_rec_close(a);
	assert_int_equal(evl_rec_copy(b, back, NULL, NULL, &err), EVL_OK);
	assert_int_equal(evl_rec_open(&a, back, &err), EVL_OK);
	assert_same(a, b, true);
	assert_int_equal(evl_rec_copy(b, back, NULL, NULL, &err), EVL_E_CONFLICT);
	evl_rec_close(a);
	evl_rec_close(b);
}

/* The index cut at every byte: the parts whose lines are whole are read, and the next one. */
static void index_cut_at_every_byte(void **state)
{
	(void)state;
	const char *path = sample_path("night.set");
	const struct evl_rec_limits limits = {.part_ns = 500000000};
	make(path, &limits, true, NULL, NULL);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	for (size_t n = 0; n < bytes; n++) {
		sample_write_file(path, f, n);
		struct evl_rec *r = NULL;
		struct evl_err err = {0};
		enum evl_status st = evl_rec_open(&r, path, &err);
		uint32_t lines = 0;
		for (size_t i = 0; i < n; i++) {
			lines += f[i] == '\n';
		}
		if (lines == 0) {
			assert_true(st < 0 && r == NULL && strstr(err.text, path) != NULL);
			continue;
		}
		assert_int_equal(st, EVL_OK);
		assert_false(evl_rec_is_finished(r));
		assert_int_equal(strncmp(evl_rec_missing(r), "unfinished: the index", 21), 0);
		uint32_t all = 4 + (lines > 5); /* parts that there are */
		uint32_t parts = lines < all ? lines : all;
		if (evl_rec_part_count(r) != parts && !(lines >= 5 && evl_rec_part_count(r) >= 4)) {
			fail_msg("cut at %zu: %u parts, %u lines: %s", n, evl_rec_part_count(r),
				lines, evl_rec_missing(r));
		}
		uint8_t got[32], want[32];
		uint64_t last = evl_rec_info(r, 0)->end_bits - 256;
		assert_true(last >= (uint64_t)parts * 4000 * 256 - 256 - 80 * 256);
		assert_int_equal(evl_rec_read(r, 0, last, got, 32, &err), EVL_OK);
		sample_fill(want, 0, last / 8, 32);
		assert_memory_equal(got, want, 32);
		struct evl_rec_verdict v;
		if (n % 64 == 0) {
			assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
		}
		evl_rec_close(r);
	}
	/* every byte changed: open refuses, or something is missing, or verify finds it */
	for (size_t i = 0; i < bytes; i++) {
		struct evl_rec *r = NULL;
		struct evl_err err = {0};
		f[i] ^= 1;
		sample_write_file(path, f, bytes);
		f[i] ^= 1;
		if (evl_rec_open(&r, path, &err) < 0) {
			assert_non_null(strstr(err.text, path));
		} else if (evl_rec_is_finished(r)) {
			struct evl_rec_verdict v; /* a digest at the end: only the bits can tell */
			if (evl_rec_verify(r, NULL, NULL, &v, &err) != EVL_E_CORRUPT) {
				fail_msg("byte %zu changed and not noticed", i);
			}
		} else {
			assert_string_not_equal(evl_rec_missing(r), "");
		}
		evl_rec_close(r);
	}
	free(f);
}

/* Not finished: what was written is there, the part that was not listed too. */
static void broken_off(void **state)
{
	(void)state;
	const char *one = sample_path("one.pcapng");
	const char *path = sample_path("off.set");
	const struct evl_rec_limits limits = {.part_ns = 500000000};
	struct evl_err err = {0};
	struct evl_rec *a = NULL, *b = NULL;
	unlink(one);
	make(one, NULL, true, NULL, NULL);
	make(path, &limits, false, NULL, NULL);
	assert_int_equal(evl_rec_open(&a, one, &err), EVL_OK);
	assert_int_equal(evl_rec_open(&b, path, &err), EVL_OK);
	assert_false(evl_rec_is_finished(b));
	assert_non_null(
		strstr(evl_rec_missing(b), "unfinished: the index ends after part 3; part 4 "
					   "is read too: unfinished: "));
	assert_same(a, b, false);
	evl_rec_close(a);
	evl_rec_close(b);
}

static void keep_text(void *context, const struct evl_rec_finding *f)
{
	char *to = context;
	if (to[0] == '\0') {
		snprintf(to, 256, "%s", f->text);
	}
}

/* A missing part is a gap and told; an altered one is named by verify. */
static void damaged_parts(void **state)
{
	(void)state;
	const char *path = sample_path("bad.set");
	const char *part = sample_path("bad-0002.pcapng");
	const struct evl_rec_limits limits = {.part_ns = 500000000};
	struct evl_err err = {0};
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	char text[256] = "";
	make(path, &limits, true, NULL, NULL);
	size_t bytes;
	uint8_t *f = sample_read_file(part, &bytes);
	f[bytes / 2] ^= 0x10;
	sample_write_file(part, f, bytes);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_true(evl_rec_is_finished(r)); /* its length is right: only verify can know */
	assert_int_equal(evl_rec_verify(r, keep_text, text, &v, &err), EVL_E_CORRUPT);
	assert_int_equal(strncmp(text, "part 2: block ", 14), 0);
	assert_non_null(strstr(err.text, "bad.set: part 2: block "));
	evl_rec_close(r);
	f[bytes / 2] ^= 0x10;

	/* cut: its whole blocks are there, the parts after it too */
	sample_write_file(part, f, bytes / 2);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_non_null(strstr(evl_rec_missing(r), "damaged: part 2 ("));
	assert_int_equal(evl_rec_info(r, 0)->end_bits, FRAMES * 256);
	uint8_t got[32], want[32];
	uint64_t places[] = {4000 * 256 + 512, 13000 * 256};
	for (int i = 0; i < 2; i++) {
		assert_int_equal(evl_rec_read(r, 0, places[i], got, 32, &err), EVL_OK);
		sample_fill(want, 0, places[i] / 8, 32);
		assert_memory_equal(got, want, 32);
	}
	assert_int_equal(evl_rec_read(r, 0, 7900 * 256, got, 32, &err), EVL_E_NOTFOUND);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
	evl_rec_close(r);

	unlink(part);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_non_null(strstr(evl_rec_missing(r), "bad-0002.pcapng) is missing"));
	assert_false(evl_rec_info(r, 0)->has_digest);
	assert_int_equal(evl_rec_read(r, 0, 4100 * 256, got, 32, &err), EVL_E_NOTFOUND);
	assert_int_equal(evl_rec_read(r, 0, 13000 * 256, got, 32, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
	evl_rec_close(r);

	/* another part in its place */
	size_t n;
	uint8_t *other = sample_read_file(sample_path("bad-0003.pcapng"), &n);
	sample_write_file(part, other, n);
	free(other);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	enum evl_status st = evl_rec_verify(r, NULL, NULL, &v, &err);
	assert_int_equal(st, EVL_E_CORRUPT);
	assert_non_null(strstr(err.text, "is not part 2 of the set"));
	evl_rec_close(r);
	free(f);
}

static void refused(void **state)
{
	(void)state;
	const struct {
		const char *name;
		struct evl_rec_limits limits;
		const char *meta, *text;
	} rows[] = {
		{"x.pcapng", {.part_ns = 1000000000}, NULL, "is no pcapng or zst file"},
		{"x.set", {.part_ns = 0}, NULL, "at least 65536 bytes or 100 ms"},
		{"x.set", {.part_bytes = 1000}, NULL, "at least 65536 bytes or 100 ms"},
		{"x.set", {.part_ns = 1000}, NULL, "at least 65536 bytes or 100 ms"},
		{"x.set", {.part_bytes = 65536}, "[]", "is not a JSON object"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		const char *path = sample_path(rows[i].name);
		struct evl_rec_writer *w = NULL;
		struct evl_err err = {0};
		assert_int_equal(evl_rec_writer_create_set(&w, path, channels, CHANNELS,
					 rows[i].meta, &rows[i].limits, &err),
			EVL_E_INVALID);
		assert_non_null(strstr(err.text, rows[i].text));
		assert_int_not_equal(access(path, F_OK), 0);
	}
	/* a part that is there already is not replaced, and no index is left */
	const char *path = sample_path("x.set");
	const struct evl_rec_limits limits = {.part_bytes = 65536};
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	sample_write_file(sample_path("x-0001.pcapng"), "x", 1);
	assert_int_equal(
		evl_rec_writer_create_set(&w, path, channels, CHANNELS, NULL, &limits, &err),
		EVL_E_CONFLICT);
	assert_int_not_equal(access(path, F_OK), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(same_as_one_file),
		cmocka_unit_test(copied),
		cmocka_unit_test(index_cut_at_every_byte),
		cmocka_unit_test(broken_off),
		cmocka_unit_test(damaged_parts),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
