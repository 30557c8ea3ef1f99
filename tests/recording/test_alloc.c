/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Streaming does not allocate, and each large allocation that fails is reported. The linker's
 * --wrap hands us the calls of this project's objects; those within libraries (OpenSSL copies a
 * running digest for each block's check) are not counted.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "sample.h"

void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *old, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *old, size_t size);

static size_t calls;
static int fail_at = -1; /* the how many-th large allocation fails; -1: none */

/* Large ones are those that must not end the process; 70000 bytes for the head are small change
 * that may. */
static int fails(size_t size)
{
	calls++;
	return size >= 32768 && size != 70000 && fail_at >= 0 && fail_at-- == 0;
}

void *__wrap_malloc(size_t size)
{
	return fails(size) ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
	return fails(n * size) ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *old, size_t size)
{
	return fails(size) ? NULL : __real_realloc(old, size);
}

static const struct evl_rec_channel channels[] = {{"trib-1.in", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0},
	{"line-1.out", EVL_RATE_STM1, EVL_REC_RECEIVED, 0, 0, 0}};

static void streaming(void **state)
{
	(void)state;
	const char *path = sample_path("stream.pcapng");
	static uint8_t slab[2430 * 80];
	struct evl_rec_writer *w = NULL;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_writer_create(&w, path, channels, 2, NULL, &err), EVL_OK);
	calls = 0;
	for (uint64_t f = 0; f < 8000; f += 80) {
		assert_int_equal(evl_rec_write(w, 0, f * 256, slab, 32 * 80, 0, &err), EVL_OK);
		assert_int_equal(evl_rec_write(w, 1, f * 19440, slab, sizeof slab, 0, &err),
				 EVL_OK);
	}
	assert_int_equal(evl_rec_flush(w, &err), EVL_OK);
	assert_int_equal(calls, 0);
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	calls = 0;
	for (uint64_t f = 0; f < 8000; f += 80) {
		assert_int_equal(evl_rec_read(r, 0, f * 256, slab, 32 * 80, &err), EVL_OK);
		assert_int_equal(evl_rec_read(r, 1, f * 19440, slab, sizeof slab, &err), EVL_OK);
	}
	assert_int_equal(calls, 0);
	evl_rec_close(r);
}

static void failing(void **state)
{
	(void)state;
	const char *path = sample_path("failing.pcapng");
	uint8_t slab[256] = {0};
	int refused = 0;
	for (int n = 0;; n++) {
		struct evl_rec_writer *w = NULL;
		struct evl_err err = {0};
		unlink(path);
		fail_at = n;
		enum evl_status st = evl_rec_writer_create(&w, path, channels, 2, NULL, &err);
		int left = fail_at;
		fail_at = -1;
		if (left >= 0) {
			assert_int_equal(st, EVL_OK);
			assert_int_equal(evl_rec_write(w, 0, 0, slab, 256, 0, &err), EVL_OK);
			assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
			break;
		}
		assert_int_equal(st, EVL_E_NOMEM);
		assert_null(w);
		assert_non_null(strstr(err.text, path));
		assert_int_equal(access(path, F_OK), -1);
		refused++;
	}
	assert_true(refused >= 3); /* two channels' blocks, the index */
	refused = 0;
	for (int n = 0;; n++) {
		struct evl_rec *r = NULL;
		struct evl_err err = {0};
		fail_at = n;
		enum evl_status st = evl_rec_open(&r, path, &err);
		int left = fail_at;
		fail_at = -1;
		evl_rec_close(r);
		if (left >= 0) {
			assert_int_equal(st, EVL_OK);
			break;
		}
		assert_int_equal(st, EVL_E_NOMEM);
		assert_null(r);
		refused++;
	}
	assert_true(refused >= 5); /* windows, the index, read-ahead */
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(streaming),
		cmocka_unit_test(failing),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
