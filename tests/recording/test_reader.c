/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/base/bytes.h"
#include "core/recording/stream_digest.h"
#include "sample.h"

/* Block boundaries of a file, worked out from the lengths alone. */
struct walk {
	size_t at[64];
	size_t count; /* blocks; at[count] is the end of the file */
};

static struct walk walk_blocks(const uint8_t *f, size_t bytes)
{
	struct walk w = {0};
	size_t at = 0;
	while (at < bytes) {
		w.at[w.count++] = at;
		at += evl_load_le32(f + at + 4);
	}
	w.at[w.count] = at;
	assert_int_equal(at, bytes);
	return w;
}

/* Cut at every byte: all whole blocks before the cut are there, with the right bits, and the text
 * says that it is unfinished. */
static void cut_at_every_byte(void **state)
{
	(void)state;
	const char *whole = sample_path("whole.pcapng");
	const char *path = sample_path("cut.pcapng");
	sample_small(whole, true);
	size_t bytes;
	uint8_t *f = sample_read_file(whole, &bytes);
	struct walk w = walk_blocks(f, bytes);
	const size_t heads = 1 + SMALL_CHANNELS;
	for (size_t n = 0; n < bytes; n++) {
		sample_write_file(path, f, n);
		struct evl_err err = {0};
		struct evl_rec *r = NULL;
		enum evl_status st = evl_rec_open(&r, path, &err);
		if (n < w.at[2]) { /* the first channel is not described yet */
			if (st >= 0 || r != NULL || strstr(err.text, path) == NULL ||
				(n >= 24 && strstr(err.text, "is cut ") == NULL)) {
				fail_msg("cut at %zu: %d %s", n, st, err.text);
			}
			continue;
		}
		if (st < 0) {
			fail_msg("cut at %zu: %s", n, err.text);
		}
		assert_false(evl_rec_is_finished(r));
		assert_int_equal(strncmp(evl_rec_missing(r), "unfinished: ", 12), 0);
		uint32_t channels = 0;
		uint64_t bits[SMALL_CHANNELS] = {0};
		uint32_t marks = 0;
		for (size_t i = 1; i < w.count && w.at[i + 1] <= n; i++) {
			const uint8_t *b = f + w.at[i];
			channels += i < heads;
			if (i >= heads && evl_load_le32(b) == 0x00000BAD) {
				marks++;
			} else if (i >= heads) {
				bits[evl_load_le32(b + 8)] += evl_load_le32(b + 20) * 8u;
			}
		}
		assert_int_equal(evl_rec_channel_count(r), channels);
		assert_int_equal(evl_rec_mark_count(r), marks);
		if (marks == 2) {
			assert_string_equal(
				evl_rec_mark_at(r, 1)->text, "loss of \"frame\" \xC3\xA4");
		}
		for (uint32_t c = 0; c < channels; c++) {
			assert_int_equal(evl_rec_info(r, c)->bits, bits[c]);
			struct evl_rec_piece p;
			uint64_t seen = 0;
			for (uint64_t at = 0; evl_rec_piece(r, c, at, &p, NULL) == EVL_OK;
				at = p.bit_offset + p.bits) {
				uint8_t got[1024], want[1024];
				sample_fill(want, c, p.bit_offset / 8, p.bits / 8);
				st = evl_rec_read(r, c, p.bit_offset, got, p.bits / 8, &err);
				assert_int_equal(st, EVL_OK);
				assert_memory_equal(got, want, p.bits / 8);
				seen += p.bits;
			}
			assert_int_equal(seen, bits[c]);
		}
		struct evl_rec_verdict v;
		assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
		assert_false(v.intact || v.finished);
		evl_rec_close(r);
	}
	free(f);
}

struct first_finding {
	uint64_t position, block, count;
	char text[1024];
};

static void keep_first(void *context, const struct evl_rec_finding *f)
{
	struct first_finding *k = context;
	if (k->count++ == 0) {
		k->position = f->position;
		k->block = f->block;
		snprintf(k->text, sizeof k->text, "%s", f->text);
	}
}

/* Every byte of the file changed, one at a time (all bits, and the lowest bit only): open or verify
 * notices each and names the block that holds it. */
static void flip_every_byte(void **state)
{
	(void)state;
	const char *whole = sample_path("whole.pcapng");
	const char *path = sample_path("flip.pcapng");
	sample_small(whole, true);
	size_t bytes;
	uint8_t *f = sample_read_file(whole, &bytes);
	struct walk w = walk_blocks(f, bytes);
	const uint8_t masks[] = {0xFF, 0x01, 0x80};
	for (size_t i = 0; i < bytes * sizeof masks; i++) {
		size_t at = i / sizeof masks;
		size_t block = 0;
		while (w.at[block + 1] <= at) {
			block++;
		}
		f[at] ^= masks[i % sizeof masks];
		sample_write_file(path, f, bytes);
		f[at] ^= masks[i % sizeof masks];
		struct evl_err err = {0};
		struct evl_rec *r = NULL;
		struct first_finding k = {0};
		struct evl_rec_verdict v;
		enum evl_status st = evl_rec_open(&r, path, &err);
		char where[64];
		snprintf(where, sizeof where, "at byte %zu", w.at[block]);
		if (st < 0) {
			/* only what comes before the channels' data can make it unreadable; where
			 * its very first bytes are changed it is no recording any more */
			bool foreign = st == EVL_E_INVALID && at < 24;
			if (block > SMALL_CHANNELS || r != NULL ||
				(!foreign && (st != EVL_E_CORRUPT || !strstr(err.text, where)) &&
					!strstr(err.text, "is cut within its section header") &&
					!strstr(err.text, "is cut before its first channel"))) {
				fail_msg("byte %zu of block %zu: %d %s", at, block, st, err.text);
			}
			continue;
		}
		st = evl_rec_verify(r, keep_first, &k, &v, &err);
		if (st != EVL_E_CORRUPT || v.intact || k.count == 0 || k.block != block ||
			k.position != w.at[block] || !strstr(k.text, where) ||
			!strstr(err.text, k.text)) {
			fail_msg("byte %zu of block %zu at %zu: %d, %" PRIu64
				 " findings, block %" PRIu64 ": %s",
				at, block, w.at[block], st, k.count, k.block, k.text);
		}
		evl_rec_close(r);
	}
	free(f);
}

/* A changed data bit is reported with the channel, and the channel's digest is named too. */
static void names_the_channel(void **state)
{
	(void)state;
	const char *whole = sample_path("whole.pcapng");
	const char *path = sample_path("flip.pcapng");
	sample_small(whole, true);
	size_t bytes;
	uint8_t *f = sample_read_file(whole, &bytes);
	struct walk w = walk_blocks(f, bytes);
	/* blocks 0 to 3 are the head, 4 is a mark; 6 is the second with data */
	f[w.at[6] + 28 + 100] ^= 4;
	sample_write_file(path, f, bytes);
	free(f);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	struct first_finding k = {0};
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, keep_first, &k, &v, &err), EVL_E_CORRUPT);
	assert_non_null(strstr(err.text, "(channel trib-1.out, from frame 16)"));
	assert_int_equal(k.count, 3); /* the block, the file, the channel */
	evl_rec_close(r);
}

static void foreign_files(void **state)
{
	(void)state;
	const char *path = sample_path("foreign");
	/* the minimal section header and interface of draft-ietf-opsawg-pcapng */
	static const uint8_t pcapng[] = {0x0A, 0x0D, 0x0D, 0x0A, 0x1C, 0, 0, 0, 0x4D, 0x3C, 0x2B,
		0x1A, 1, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x1C, 0, 0, 0, 1,
		0, 0, 0, 0x20, 0, 0, 0, 0x8C, 0, 0, 0, 0xFF, 0xFF, 0, 0, 9, 0, 1, 0, 9, 0, 0, 0, 0,
		0, 0, 0, 0x20, 0, 0, 0};
	static const uint8_t named[] = {0x0A, 0x0D, 0x0D, 0x0A, 0x3C, 0, 0, 0, 0x4D, 0x3C, 0x2B,
		0x1A, 1, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 4, 0, 12, 0, 'o',
		't', 'h', 'e', 'r', ' ', 't', 'o', 'o', 'l', ' ', '1', 1, 0, 8, 0, 'a', ' ', 'c',
		'o', 'm', 'm', 'e', 'n', 0, 0, 0, 0, 0x3C, 0, 0, 0};
	static const uint8_t big[] = {0x0A, 0x0D, 0x0D, 0x0A, 0, 0, 0, 0x1C, 0x1A, 0x2B, 0x3C, 0x4D,
		0, 1, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0x1C};
	static const uint8_t pcap[] = {
		0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 1, 0, 0, 0};
	static const uint8_t text[] = "campaign = { name = 'a text, no recording' }\n";
	static uint8_t zeros[4096];
	struct {
		const void *data;
		size_t bytes;
		const char *says;
	} rows[] = {
		{pcapng, sizeof pcapng, "is a pcapng file of another program"},
		{named, sizeof named, "is a pcapng file of other tool 1, not a recording"},
		{big, sizeof big, "most significant byte first"},
		{pcap, sizeof pcap, "is a pcap file"},
		{text, sizeof text, "is not a recording"},
		{zeros, sizeof zeros, "is not a recording"},
		{zeros, 1, "is not a recording"},
		{zeros, 0, "is empty"},
	};
	struct evl_err err = {0};
	struct evl_rec *r = NULL;
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		sample_write_file(path, rows[i].data, rows[i].bytes);
		assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_INVALID);
		assert_null(r);
		if (strstr(err.text, rows[i].says) == NULL || strstr(err.text, path) == NULL) {
			fail_msg("row %zu: %s", i, err.text);
		}
	}
	assert_int_equal(evl_rec_open(&r, "/nonexistent", &err), EVL_E_NOTFOUND);
	assert_int_equal(evl_rec_open(&r, "/tmp", &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_open(&r, "/dev/zero", &err), EVL_E_INVALID);
	evl_rec_close(NULL);
}

/* A later format is refused as such, not as damage. */
static void later_version(void **state)
{
	(void)state;
	const char *path = sample_path("later.pcapng");
	sample_small(path, true);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	uint32_t n = evl_load_le32(f + 4);
	uint8_t *v = (uint8_t *)strstr((char *)f + 28, "\"version\":1");
	assert_non_null(v);
	v[10] = '2';
	uint8_t digest[EVL_SHA256_BYTES]; /* docs/recording.md: the check of a block */
	evl_sha256_of(f, n - 24, digest);
	memcpy(f + n - 24, digest, 16);
	sample_write_file(path, f, bytes);
	free(f);
	struct evl_err err = {0};
	struct evl_rec *r = NULL;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_VERSION);
	assert_non_null(strstr(err.text, "format 2"));
}

/* Bytes at the end that are no block: all before them is read; verify says where. */
static void rubbish_at_the_end(void **state)
{
	(void)state;
	const char *path = sample_path("rubbish.pcapng");
	for (int round = 0; round < 2; round++) {
		sample_small(path, round == 0);
		size_t bytes;
		uint8_t *f = sample_read_file(path, &bytes);
		f = evl_xrealloc(f, bytes + 4096); /* a crash may leave a tail of zeros */
		memset(f + bytes, 0, 4096);
		sample_write_file(path, f, bytes + 4096);
		free(f);
		struct evl_err err = {0};
		struct evl_rec *r = NULL;
		struct evl_rec_verdict v;
		assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
		assert_false(evl_rec_is_finished(r));
		assert_int_equal(strncmp(evl_rec_missing(r), "damaged: ", 9), 0);
		assert_int_equal(evl_rec_info(r, 0)->bits, 4096);
		assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
		evl_rec_close(r);
	}
}

/* More blocks than a window holds and than the index has points: reads in step, from the end to
 * the start, and at random must all give the right bits, finished or not. */
static void many_blocks(void **state)
{
	(void)state;
	enum { CHANNELS = 7, BLOCKS = 6000, BYTES = 24 };
	const char *path = sample_path("many.pcapng");
	static const struct evl_rec_channel ch[CHANNELS] = {
		{"a", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
		{"b", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
		{"c", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
		{"d", EVL_RATE_T1, EVL_REC_SENT, 0, 0, 0},
		{"e", EVL_RATE_STM1, EVL_REC_SENT, 0, 0, 0},
		{"rare", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
		{"none", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}};
	for (int finish = 0; finish < 2; finish++) {
		struct evl_err err = {0};
		struct evl_rec_writer *w = NULL;
		unlink(path);
		assert_int_equal(evl_rec_writer_create(&w, path, ch, CHANNELS, NULL, &err), EVL_OK);
		uint8_t buf[BYTES * 8], want[BYTES * 8];
		for (uint64_t i = 0; i < BLOCKS; i++) {
			for (uint32_t c = 0; c < CHANNELS - 1; c++) {
				if (c == 5 && i % 1000 != 7) {
					continue; /* rare: with gaps longer than a window */
				}
				sample_fill(buf, c, i * BYTES, BYTES);
				assert_int_equal(
					evl_rec_write(w, c, i * BYTES * 8, buf, BYTES, 0, &err),
					EVL_OK);
			}
			assert_int_equal(evl_rec_flush(w, &err), EVL_OK);
		}
		if (finish) {
			assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
		} else {
			evl_rec_abandon(w);
		}
		struct evl_rec *r = NULL;
		assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
		assert_int_equal(evl_rec_is_finished(r), finish);
		for (uint64_t i = 0; i + 8 <= BLOCKS; i += 8) { /* in step */
			for (uint32_t c = 0; c < 5; c++) {
				sample_fill(want, c, i * BYTES, sizeof want);
				assert_int_equal(
					evl_rec_read(r, c, i * BYTES * 8, buf, sizeof buf, &err),
					EVL_OK);
				assert_memory_equal(buf, want, sizeof want);
			}
		}
		for (uint64_t k = 0; k < 3000; k++) {
			uint64_t at = k < 1000 ? (BLOCKS - 1 - k) * BYTES
					       : (sample_byte(77, 2 * k) * 256u +
							 sample_byte(77, 2 * k + 1)) *
							 2u;
			uint32_t c = (uint32_t)(k % 5);
			size_t n = 1 + (size_t)k % sizeof buf;
			if (at + n > BLOCKS * BYTES) {
				n = (size_t)(BLOCKS * BYTES - at);
			}
			sample_fill(want, c, at, n);
			assert_int_equal(evl_rec_read(r, c, at * 8, buf, n, &err), EVL_OK);
			assert_memory_equal(buf, want, n);
		}
		struct evl_rec_piece p;
		uint64_t at = 0;
		for (uint64_t i = 7; i < BLOCKS; i += 1000) {
			assert_int_equal(evl_rec_piece(r, 5, at, &p, &err), EVL_OK);
			assert_int_equal(p.bit_offset, i * BYTES * 8);
			assert_int_equal(p.bits, BYTES * 8);
			assert_true(p.flags & EVL_REC_GAP);
			at = p.bit_offset + p.bits;
		}
		assert_int_equal(evl_rec_piece(r, 5, at, &p, &err), EVL_E_END);
		assert_int_equal(evl_rec_piece(r, 6, 0, &p, &err), EVL_E_END);
		assert_int_equal(evl_rec_info(r, 5)->gaps, 6);
		struct evl_rec_verdict v;
		assert_int_equal(
			evl_rec_verify(r, NULL, NULL, &v, &err), finish ? EVL_OK : EVL_E_CORRUPT);
		assert_int_equal(v.blocks, 1 + CHANNELS + 5 * BLOCKS + 6 + finish);
		for (uint32_t c = 0; finish && c < CHANNELS; c++) {
			uint8_t d[EVL_SHA256_BYTES];
			assert_int_equal(evl_rec_digest(r, c, d, &err), EVL_OK);
			assert_memory_equal(d, evl_rec_info(r, c)->digest, sizeof d);
		}
		evl_rec_close(r);
	}
}

/* A file that shrinks under the reader gives an error, no signal. */
static void shrinks(void **state)
{
	(void)state;
	const char *path = sample_path("shrinks.pcapng");
	sample_small(path, true);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	uint8_t b[256];
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(truncate(path, 100), 0);
	assert_int_equal(evl_rec_read(r, 0, 0, b, sizeof b, &err), EVL_E_IO);
	assert_non_null(strstr(err.text, "became shorter"));
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_IO);
	assert_false(v.intact);
	evl_rec_close(r);
}

/* Raw bytes out; a full disk (/dev/full, Linux) is reported with its name. */
static void extract(void **state)
{
	(void)state;
	const char *path = sample_path("extract.pcapng");
	const char *raw = sample_path("extract.raw");
	sample_small(path, true);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	FILE *f = fopen(raw, "wb");
	uint64_t bytes, gaps;
	assert_int_equal(evl_rec_extract(r, 1, f, raw, &bytes, &gaps, &err), EVL_OK);
	fclose(f);
	assert_int_equal(bytes, 1024);
	assert_int_equal(gaps, 1);
	size_t n;
	uint8_t *got = sample_read_file(raw, &n);
	uint8_t want[1024];
	sample_fill(want, 1, 0, 256);
	sample_fill(want + 256, 1, 512, 768);
	assert_int_equal(n, 1024);
	assert_memory_equal(got, want, n);
	free(got);
	f = fopen("/dev/full", "wb");
	if (f != NULL) {
		assert_int_equal(
			evl_rec_extract(r, 1, f, "/dev/full", &bytes, NULL, &err), EVL_E_IO);
		assert_non_null(strstr(err.text, "/dev/full: cannot be written"));
		fclose(f);
	}
	evl_rec_close(r);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(cut_at_every_byte),
		cmocka_unit_test(flip_every_byte),
		cmocka_unit_test(names_the_channel),
		cmocka_unit_test(foreign_files),
		cmocka_unit_test(later_version),
		cmocka_unit_test(rubbish_at_the_end),
		cmocka_unit_test(many_blocks),
		cmocka_unit_test(shrinks),
		cmocka_unit_test(extract),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
