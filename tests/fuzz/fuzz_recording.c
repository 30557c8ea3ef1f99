/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Feeds any bytes to the reader of recordings: open, verify, read every piece, extract, diff and
 * align with itself. With the first byte odd the blocks' checks and the trailer's digest are made
 * right first, so that what lies behind them is reached too.
 *
 *	CC=clang meson setup build-fuzz -Dfuzz=true -Db_sanitize=address,undefined -Db_lundef=false
 *	ninja -C build-fuzz && build-fuzz/tests/fuzz/fuzz_recording corpus/
 *
 * tests/recording/test_fuzz.c calls the same function in a seeded loop.
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/bytes.h"
#include "core/recording/diff.h"
#include "core/recording/internal.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void seal_again(uint8_t *f, size_t size)
{
	struct evl_sha256 *sha = evl_sha256_create();
	size_t at = 0;
	while (size - at >= 12) {
		uint32_t n = evl_load_le32(f + at + 4);
		if (n > size - at || n < TAIL_BYTES + 12 || n % 4 != 0) {
			break;
		}
		if (evl_load_le32(f + at) == BLOCK_CUSTOM_FIXED) {
			evl_sha256_of(f + at, n - 36, f + at + n - 36);
			break;
		}
		if (rec_has_tail(f + at, n)) {
			rec_seal(sha, f + at, n);
		} else {
			evl_sha256_update(sha, f + at, n);
		}
		at += n;
	}
	evl_sha256_destroy(sha);
}

static void report(void *context, const struct evl_rec_finding *f)
{
	*(size_t *)context += strlen(f->text);
}

static void use(struct evl_rec *r)
{
	struct evl_err err = {0};
	struct evl_rec_verdict v;
	size_t text = strlen(evl_rec_missing(r)) + strlen(evl_rec_meta(r));
	(void)evl_rec_verify(r, report, &text, &v, &err);
	for (uint32_t c = 0; c < evl_rec_channel_count(r); c++) {
		uint8_t buf[300];
		struct evl_rec_piece p;
		uint64_t at = 0;
		for (int i = 0; i < 50 && evl_rec_piece(r, c, at, &p, &err) == EVL_OK; i++) {
			size_t n = p.bits / 8 < sizeof buf ? (size_t)p.bits / 8 : sizeof buf;
			(void)evl_rec_read(r, c, p.bit_offset, buf, n, &err);
			at = p.bit_offset + p.bits;
		}
		(void)evl_rec_read(r, c, at / 2 & ~(uint64_t)7, buf, sizeof buf, &err);
		(void)evl_rec_digest(r, c, buf, &err);
	}
	struct evl_rec_diff_summary sum;
	(void)evl_rec_diff(r, r, NULL, 0, NULL, NULL, &sum, &err);
	struct evl_rec_align_plan plan = {.range_ns = 1000000};
	(void)evl_rec_align(r, r, &plan, NULL, &err);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	static char path[64];
	static int fd = -1;
	if (size < 1 || size > (1u << 20)) {
		return 0;
	}
	if (fd < 0) {
		snprintf(path, sizeof path, "/tmp/evl-fuzz-recording-XXXXXX");
		fd = mkstemp(path);
		evl_require(fd >= 0);
		unlink(path); /* reached by its descriptor; nothing is left behind */
		snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
	}
	uint8_t *f = malloc(size);
	evl_require(f != NULL);
	memcpy(f, data + 1, size - 1);
	if (data[0] & 1) {
		seal_again(f, size - 1);
	}
	evl_require(ftruncate(fd, 0) == 0);
	evl_require(pwrite(fd, f, size - 1, 0) == (ssize_t)(size - 1));
	free(f);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	if (evl_rec_open(&r, path, &err) == EVL_OK) {
		use(r);
	} else {
		evl_require(r == NULL && err.text[0] != '\0');
	}
	evl_rec_close(r);
	return 0;
}
