/* SPDX-License-Identifier: Apache-2.0 */
/* Numbers for people. Expected texts worked by hand. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "core/report/number.h"

#define NNBSP "\xE2\x80\xAF"
#define US    "\xC2\xB5s"

static void counts(void **state)
{
	(void)state;
	assert_string_equal(evl_num_count(0).s, "0");
	assert_string_equal(evl_num_count(999).s, "999");
	assert_string_equal(evl_num_count(1000).s, "1" NNBSP "000");
	assert_string_equal(evl_num_count(-1234567).s, "-1" NNBSP "234" NNBSP "567");
	assert_string_equal(evl_num_count(INT64_MIN).s,
		"-9" NNBSP "223" NNBSP "372" NNBSP "036" NNBSP "854" NNBSP "775" NNBSP "808");
	assert_string_equal(evl_num_seed(UINT64_MAX).s, "18446744073709551615");
	assert_string_equal(evl_num_of(1, "check").s, "1 check");
	assert_string_equal(evl_num_of(63, "check").s, "63 checks");
	assert_string_equal(evl_num_of(0, "check").s, "0 checks");
}

static void bits(void **state)
{
	(void)state;
	assert_string_equal(evl_num_bits(1).s, "1 bit");
	assert_string_equal(evl_num_bits(999999).s, "999" NNBSP "999 bits");
	assert_string_equal(evl_num_bits(1000000).s, "1.0 million bits");
	assert_string_equal(evl_num_bits(30000000).s, "30.0 million bits");
	assert_string_equal(evl_num_bits(999949999).s, "999.9 million bits");
	/* Rounding to 1000.0 million goes to the next form instead. */
	assert_string_equal(evl_num_bits(999950000).s, "1.00e9 bits");
	assert_string_equal(evl_num_bits(12345678901).s, "1.23e10 bits");
	assert_string_equal(evl_num_bits(9999999999).s, "1.00e10 bits");
	assert_string_equal(evl_num_bits(INT64_MAX).s, "9.22e18 bits");
	assert_string_equal(evl_num_bytes(1).s, "1 byte");
}

static void ratios(void **state)
{
	(void)state;
	assert_string_equal(evl_num_ratio(0, 100).s, "0");
	assert_string_equal(evl_num_ratio(1, 0).s, "none");
	assert_string_equal(evl_num_ratio(-1, 10).s, "none");
	assert_string_equal(evl_num_ratio(1, 1).s, "1.0");
	assert_string_equal(evl_num_ratio(1, 10).s, "1.0e-1");
	assert_string_equal(evl_num_ratio(300, 30000000).s, "1.0e-5");
	assert_string_equal(evl_num_ratio(98, 1000000000).s, "9.8e-8");
	assert_string_equal(evl_num_ratio(999, 1000000).s, "1.0e-3"); /* 9.99e-4 rounds up */
	assert_string_equal(evl_num_ratio(1, INT64_MAX).s, "1.1e-19");
}

static void times(void **state)
{
	(void)state;
	assert_string_equal(evl_num_time(0).s, "0 s");
	assert_string_equal(evl_num_time(1).s, "1 ns");
	assert_string_equal(evl_num_time(62500).s, "62.5 " US);
	assert_string_equal(evl_num_time(125000).s, "125 " US);
	assert_string_equal(evl_num_time(500125000).s, "500.125 ms");
	assert_string_equal(evl_num_time(-250000).s, "-250 " US);
	assert_string_equal(evl_num_time(16100000000).s, "16.1 s");
	assert_string_equal(evl_num_time(119999000000).s, "119.999 s");
	assert_string_equal(evl_num_time(125000000000).s, "2 min 5 s");
	assert_string_equal(evl_num_time(3725000000000).s, "1 h 2 min 5 s");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(counts),
		cmocka_unit_test(bits),
		cmocka_unit_test(ratios),
		cmocka_unit_test(times),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
