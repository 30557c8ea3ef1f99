/* SPDX-License-Identifier: Apache-2.0 */
/* Strings, messages, files, byte order. UTF-8 cases from RFC 3629 clauses 3 and 4. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/bytes.h"
#include "core/base/err.h"
#include "core/base/file.h"
#include "core/base/rate.h"
#include "core/base/text.h"

static void escapes_html(void **state)
{
	(void)state;
	static const struct {
		const char *in, *out;
	} cases[] = {
		{"a<b>&\"'", "a&lt;b&gt;&amp;&quot;&#39;"},
		{"caf\xC3\xA9", "caf\xC3\xA9"},
		{"\x01x\x7F", "\xEF\xBF\xBDx\xEF\xBF\xBD"},
		{"\xC0\x80", "\xEF\xBF\xBD\xEF\xBF\xBD"}, /* overlong NUL, RFC 3629 10 */
		{"\xED\xA0\x80",
			"\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"}, /* surrogate, RFC 3629 3 */
		{"\xE2\x82", "\xEF\xBF\xBD\xEF\xBF\xBD"},        /* cut in the middle */
		{"\xF0\x9F\x93\x9E", "\xF0\x9F\x93\x9E"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct evl_text t = {0};
		evl_text_add_html(&t, cases[i].in);
		assert_string_equal(evl_text_str(&t), cases[i].out);
		evl_text_finish(&t);
	}
}

static void long_texts(void **state)
{
	(void)state;
	struct evl_text t = {0};
	assert_string_equal(evl_text_str(&t), "");
	for (int i = 0; i < 1000; i++) {
		evl_text_addf(&t, "%03d,", i);
	}
	assert_int_equal(t.len, 4000);
	assert_string_equal(evl_text_str(&t) + 3996, "999,");
	evl_text_finish(&t);
	assert_null(t.data);
}

static void messages(void **state)
{
	(void)state;
	struct evl_err err = {0};
	assert_int_equal(evl_err_set(&err, EVL_E_IO, "line one\nline %d", 2), EVL_E_IO);
	assert_string_equal(err.text, "line one line 2");
	assert_int_equal(evl_err_prefix(&err, "%s:%d", "x.yaml", 7), EVL_E_IO);
	assert_string_equal(err.text, "x.yaml:7: line one line 2");
	assert_int_equal(evl_err_set(NULL, EVL_E_IO, "nobody listens"), EVL_E_IO);
	/* Cut at a character border: 600 times a two-byte character is longer than the record. */
	char big[1201];
	for (int i = 0; i < 600; i++) {
		memcpy(big + 2 * i, "\xC3\xA9", 2);
	}
	big[1200] = '\0';
	evl_err_set(&err, EVL_E_INVALID, "%s", big);
	size_t n = strlen(err.text);
	assert_true(n < sizeof err.text && n % 2 == 0);
}

static void files(void **state)
{
	(void)state;
	char dir[] = "/tmp/evl-file-XXXXXX";
	assert_non_null(mkdtemp(dir));
	char *deep = evl_file_join(dir, "a/b/c");
	struct evl_err err = {0};
	assert_int_equal(evl_file_mkdirs(deep, &err), EVL_OK);
	assert_int_equal(evl_file_mkdirs(deep, &err), EVL_OK);
	char *path = evl_file_join(deep, "f");
	assert_int_equal(evl_file_write(path, "hello\0x", 7, &err), EVL_OK);
	char *data = NULL;
	size_t len = 0;
	assert_int_equal(evl_file_read(&data, &len, path, 100, &err), EVL_OK);
	assert_int_equal(len, 7);
	assert_memory_equal(data, "hello\0x", 8); /* and a NUL after it */
	free(data);
	assert_int_equal(evl_file_read(&data, &len, path, 6, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, path));
	assert_int_equal(evl_file_read(&data, &len, deep, 6, &err), EVL_E_INVALID);
	assert_int_equal(evl_file_read(&data, &len, "/nonexistent", 6, &err), EVL_E_NOTFOUND);
	char *below = evl_file_join(path, "x");
	assert_int_equal(evl_file_mkdirs(below, &err), EVL_E_IO); /* a file is in the way */
	assert_int_equal(evl_file_write("/nonexistent/f", "", 0, &err), EVL_E_IO);
	free(below);
	unlink(path);
	free(path);
	free(deep);
	char cmd[64];
	snprintf(cmd, sizeof cmd, "rm -r %s", dir);
	assert_int_equal(system(cmd), 0);
}

static void byte_order(void **state)
{
	(void)state;
	static const uint8_t b[8] = {1, 2, 3, 4, 5, 6, 7, 8};
	uint8_t out[8];
	assert_int_equal(evl_load_be16(b), 0x0102);
	assert_int_equal(evl_load_le16(b), 0x0201);
	assert_int_equal(evl_load_be32(b), 0x01020304);
	assert_int_equal(evl_load_le32(b), 0x04030201);
	assert_true(evl_load_be64(b) == 0x0102030405060708u);
	assert_true(evl_load_le64(b) == 0x0807060504030201u);
	evl_store_be64(out, 0x0102030405060708u);
	assert_memory_equal(out, b, 8);
	evl_store_le64(out, 0x0807060504030201u);
	assert_memory_equal(out, b, 8);
}

/* ITU-T G.704 2.1 and 2.3 (193 and 256 bits a frame), G.707 6.2 (9 rows of 270 bytes). */
static void rates(void **state)
{
	(void)state;
	assert_int_equal(evl_rate_frame_bits(EVL_RATE_E1) * EVL_FRAMES_PER_S, 2048000);
	assert_int_equal(evl_rate_frame_bits(EVL_RATE_T1) * EVL_FRAMES_PER_S, 1544000);
	assert_int_equal(evl_rate_frame_bits(EVL_RATE_STM1) * EVL_FRAMES_PER_S, 155520000);
	assert_int_equal(evl_rate_bytes(EVL_RATE_T1, 8), 193);
	assert_int_equal(evl_rate_bytes(EVL_RATE_STM1, 8), 8 * 9 * 270);
	assert_int_equal(evl_rate_by_name("STM-1"), EVL_RATE_STM1);
	assert_int_equal(evl_rate_by_name("STM-2"), EVL_RATE_NONE);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(escapes_html),
		cmocka_unit_test(long_texts),
		cmocka_unit_test(messages),
		cmocka_unit_test(files),
		cmocka_unit_test(byte_order),
		cmocka_unit_test(rates),
	};
	return cmocka_run_group_tests_name("base.text", tests, NULL, NULL);
}
