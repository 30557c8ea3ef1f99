/* SPDX-License-Identifier: Apache-2.0 */
/* SHA-256 against the example messages published with FIPS 180-4 (NIST, "SHA-256" examples). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/digest.h"

static const struct {
	const char *text;
	const char *hex;
} vectors[] = {
	{"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
	{"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
	{"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
		"248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
};

static void published(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof vectors / sizeof *vectors; i++) {
		uint8_t d[EVL_SHA256_BYTES];
		char hex[EVL_SHA256_HEX];
		evl_sha256_of(vectors[i].text, strlen(vectors[i].text), d);
		evl_hex(d, sizeof d, hex);
		assert_string_equal(hex, vectors[i].hex);
	}
}

static void million_a_in_pieces(void **state)
{
	(void)state;
	char piece[997];
	memset(piece, 'a', sizeof piece);
	struct evl_sha256 *s = evl_sha256_create();
	size_t left = 1000000;
	while (left > 0) {
		size_t n = left < sizeof piece ? left : sizeof piece;
		evl_sha256_update(s, piece, n);
		left -= n;
	}
	uint8_t d[EVL_SHA256_BYTES];
	uint8_t again[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	evl_sha256_peek(s, d);
	evl_sha256_peek(s, again); /* looking does not end it */
	assert_memory_equal(d, again, sizeof d);
	evl_hex(d, sizeof d, hex);
	assert_string_equal(
		hex, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
	evl_sha256_reset(s);
	evl_sha256_peek(s, d);
	evl_hex(d, sizeof d, hex);
	assert_string_equal(hex, vectors[0].hex);
	evl_sha256_destroy(s);
}

static void hex_digits(void **state)
{
	(void)state;
	uint8_t out[2];
	assert_int_equal(evl_unhex("0aFf", out, 2), EVL_OK);
	assert_int_equal(out[0], 0x0A);
	assert_int_equal(out[1], 0xFF);
	assert_int_equal(evl_unhex("0aF", out, 2), EVL_E_INVALID);
	assert_int_equal(evl_unhex("0aFg", out, 2), EVL_E_INVALID);
	assert_int_equal(evl_unhex("0aFf0", out, 2), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(published),
		cmocka_unit_test(million_a_in_pieces),
		cmocka_unit_test(hex_digits),
	};
	return cmocka_run_group_tests_name("base.digest", tests, NULL, NULL);
}
