/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Canonical JSON: the examples of RFC 8785 (3.2.2 with 3.2.3 and 3.2.4, 3.2.3, appendix B), from
 * memory; each number of appendix B was also compared with ECMAScript's own JSON.stringify.
 */
#include "tests/report/invented.h"

#include "core/report/canonical.h"

static void becomes(const char *in, const char *want)
{
	struct evl_text out = {0};
	json_t *v = json_loads(in, JSON_DECODE_ANY | JSON_ALLOW_NUL, NULL);
	assert_non_null(v);
	assert_true(evl_canonical_json(&out, v));
	assert_string_equal(evl_text_str(&out), want);
	json_decref(v);
	evl_text_finish(&out);
}

static void example(void **state)
{
	(void)state;
	becomes("{\n  \"numbers\": [333333333.33333329, 1E30, 4.50,\n"
		"              2e-3, 0.000000000000000000000000001],\n"
		"  \"string\": \"\\u20ac$\\u000F\\u000aA'\\u0042\\u0022\\u005c\\\\\\\"\\/\",\n"
		"  \"literals\": [null, true, false]\n}",
		"{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,"
		"1e-27],\"string\":\"\xE2\x82\xAC$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}");
	becomes("{ \"b\" : [1, 2 , true], \"a\" : null }", "{\"a\":null,\"b\":[1,2,true]}");
	becomes("{\"a\":9007199254740991,\"aa\":-3,\"Z\":{}}",
		"{\"Z\":{},\"a\":9007199254740991,\"aa\":-3}");
}

/* 3.2.3: carriage return, 1, U+0080, o with diaeresis, euro, a smile (two code units, D83D DE02),
 * dalet with dagesh (FB33): by UTF-8 bytes the last two would change places. */
static void order(void **state)
{
	(void)state;
	becomes("{\"\\u20ac\":\"Euro Sign\",\"\\r\":\"Carriage Return\",\"\\ufb33\":\"Hebrew "
		"Letter "
		"Dalet With "
		"Dagesh\",\"1\":\"One\",\"\\ud83d\\ude02\":\"Smiley\",\"\\u0080\":\"Control"
		"\",\"\\u00f6\":\"Latin Small Letter O With Diaeresis\"}",
		"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\xC2\x80\":\"Control\",\"\xC3\xB6\":"
		"\"Latin Small Letter O With Diaeresis\",\"\xE2\x82\xAC\":\"Euro Sign\","
		"\"\xF0\x9F\x98\x82\":\"Smiley\",\"\xEF\xAC\xB3\":\"Hebrew Letter Dalet With "
		"Dagesh\"}");
}

static void numbers(void **state)
{
	(void)state;
	static const struct {
		uint64_t bits; /* IEEE 754 */
		const char *want;
	} samples[] = {
		{0x0000000000000000, "0"},
		{0x8000000000000000, "0"},
		{0x0000000000000001, "5e-324"},
		{0x8000000000000001, "-5e-324"},
		{0x7fefffffffffffff, "1.7976931348623157e+308"},
		{0xffefffffffffffff, "-1.7976931348623157e+308"},
		{0x4340000000000000, "9007199254740992"},
		{0xc340000000000000, "-9007199254740992"},
		{0x4430000000000000, "295147905179352830000"},
		{0x44b52d02c7e14af5, "9.999999999999997e+22"},
		{0x44b52d02c7e14af6, "1e+23"},
		{0x44b52d02c7e14af7, "1.0000000000000001e+23"},
		{0x444b1ae4d6e2ef4e, "999999999999999700000"},
		{0x444b1ae4d6e2ef4f, "999999999999999900000"},
		{0x444b1ae4d6e2ef50, "1e+21"},
		{0x3eb0c6f7a0b5ed8c, "9.999999999999997e-7"},
		{0x3eb0c6f7a0b5ed8d, "0.000001"},
		{0x41b3de4355555553, "333333333.3333332"},
		{0x41b3de4355555554, "333333333.33333325"},
		{0x41b3de4355555555, "333333333.3333333"},
		{0x41b3de4355555556, "333333333.3333334"},
		{0x41b3de4355555557, "333333333.33333343"},
		{0xbecbf647612f3696, "-0.0000033333333333333333"},
		{0x43143ff3c1cb0959, "1424953923781206.2"},
	};
	for (size_t i = 0; i < sizeof samples / sizeof *samples; i++) {
		struct evl_text out = {0};
		double d = 0;
		memcpy(&d, &samples[i].bits, sizeof d);
		json_t *v = json_real(d);
		assert_true(evl_canonical_json(&out, v));
		assert_string_equal(evl_text_str(&out), samples[i].want);
		json_decref(v);
		evl_text_finish(&out);
	}
	struct evl_text out = {0};
	json_t *v = json_loads("[9007199254740992]", 0, NULL);
	assert_false(evl_canonical_json(&out, v)); /* appendix D: beyond 2^53 - 1 a string is due */
	json_decref(v);
	evl_text_finish(&out);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(example),
		cmocka_unit_test(order),
		cmocka_unit_test(numbers),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
