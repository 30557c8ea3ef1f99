/* SPDX-License-Identifier: Apache-2.0 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "core/recording/stream_digest.h"
#include "sample.h"

static void assert_hex(const uint8_t digest[EVL_SHA256_BYTES], const char *hex)
{
	char text[EVL_SHA256_HEX];
	evl_hex(digest, EVL_SHA256_BYTES, text);
	assert_string_equal(text, hex);
}

/* Expected values: Python's hashlib over the construction of stream_digest.h, by hand:
 *	import hashlib, struct
 *	le = lambda v: struct.pack("<Q", v)
 *	b = bytes(range(32))
 *	hashlib.sha256(b"evl-stream-1").hexdigest()
 *	hashlib.sha256(b"evl-stream-1" + le(0) + b + le(256)).hexdigest()
 *	hashlib.sha256(b"evl-stream-1" + le(0) + b + le(256) + le(512) + b + le(256)).hexdigest()
 *	hashlib.sha256(b"evl-stream-1" + le(8 << 40) + b + le(256)).hexdigest()
 */
static void vectors(void **state)
{
	(void)state;
	uint8_t b[32], out[EVL_SHA256_BYTES];
	for (int i = 0; i < 32; i++) {
		b[i] = (uint8_t)i;
	}
	struct evl_stream_digest *d = evl_stream_digest_create();
	evl_stream_digest_end(d, out);
	assert_hex(out, "0463899abcdf5a92c17f734e7f77ac07eed9c8f70ac08e42873e2cbfb2f886f5");
	assert_int_equal(evl_stream_digest_update(d, 0, b, 32), EVL_OK);
	evl_stream_digest_end(d, out);
	assert_hex(out, "30a9127341c690db923f6051beba9bc05856851ecb4e2973f78b23dd16de8273");
	assert_int_equal(evl_stream_digest_update(d, 0, b, 32), EVL_OK);
	assert_int_equal(evl_stream_digest_update(d, 512, b, 32), EVL_OK);
	assert_int_equal(evl_stream_digest_next_bit(d), 768);
	evl_stream_digest_end(d, out);
	assert_hex(out, "d37ea180f926e1a0e778754bd66035583b1ab676e812fd48e4bee1f93043d893");
	assert_int_equal(evl_stream_digest_update(d, (uint64_t)8 << 40, b, 32), EVL_OK);
	evl_stream_digest_end(d, out);
	assert_hex(out, "7b50794b0e62659921cf56a13788b0298795b15b3aad1fc8d38e460b4e19b901");
	evl_stream_digest_destroy(d);
}

/* However the stream is cut, the digest is the same; shifted by one byte it is not. */
static void slab_sizes(void **state)
{
	(void)state;
	uint8_t all[4096], whole[EVL_SHA256_BYTES], cut[EVL_SHA256_BYTES];
	sample_fill(all, 1, 0, sizeof all);
	struct evl_stream_digest *d = evl_stream_digest_create();
	assert_int_equal(evl_stream_digest_update(d, 0, all, sizeof all), EVL_OK);
	evl_stream_digest_end(d, whole);
	for (size_t step = 1; step < 700; step += 97) {
		for (size_t at = 0; at < sizeof all; at += step) {
			size_t n = sizeof all - at < step ? sizeof all - at : step;
			assert_int_equal(evl_stream_digest_update(d, at * 8, all + at, n), EVL_OK);
			assert_int_equal(evl_stream_digest_update(d, (at + n) * 8, all, 0), EVL_OK);
		}
		evl_stream_digest_end(d, cut);
		assert_memory_equal(cut, whole, sizeof cut);
	}
	assert_int_equal(evl_stream_digest_update(d, 8, all, sizeof all), EVL_OK);
	evl_stream_digest_end(d, cut);
	assert_memory_not_equal(cut, whole, sizeof cut);
	evl_stream_digest_destroy(d);
}

static void refused(void **state)
{
	(void)state;
	uint8_t b[32] = {0}, before[EVL_SHA256_BYTES], after[EVL_SHA256_BYTES];
	struct evl_stream_digest *d = evl_stream_digest_create();
	evl_stream_digest_update(d, 256, b, 32);
	evl_stream_digest_end(d, before);
	evl_stream_digest_update(d, 256, b, 32);
	assert_int_equal(evl_stream_digest_update(d, 504, b, 1), EVL_E_INVALID);
	assert_int_equal(evl_stream_digest_update(d, 515, b, 1), EVL_E_INVALID);
	assert_int_equal(evl_stream_digest_update(d, UINT64_MAX - 7, b, 1), EVL_E_INVALID);
	assert_int_equal(evl_stream_digest_update(d, INT64_MAX - 7, b, 32), EVL_E_INVALID);
	evl_stream_digest_end(d, after);
	assert_memory_equal(before, after, sizeof before);
	evl_stream_digest_destroy(d);
	evl_stream_digest_destroy(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(vectors),
		cmocka_unit_test(slab_sizes),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
