/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/number.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define NARROW_SPACE "\xE2\x80\xAF" /* U+202F */
#define MICRO	     "\xC2\xB5"	    /* U+00B5 */

struct evl_num evl_num_seed(uint64_t seed)
{
	struct evl_num out;
	snprintf(out.s, sizeof out.s, "%" PRIu64, seed);
	return out;
}

struct evl_num evl_num_count(int64_t n)
{
	struct evl_num out = {""};
	char digits[24];
	int len = snprintf(
		digits, sizeof digits, "%" PRIu64, n < 0 ? (uint64_t)0 - (uint64_t)n : (uint64_t)n);
	size_t at = 0;
	if (n < 0) {
		out.s[at++] = '-';
	}
	for (int i = 0; i < len; i++) {
		if (i > 0 && (len - i) % 3 == 0) {
			memcpy(out.s + at, NARROW_SPACE, 3);
			at += 3;
		}
		out.s[at++] = digits[i];
	}
	return out;
}

/* Rounds n / d to one decimal, half up, in whole numbers. */
static void one_decimal(char *out, size_t cap, uint64_t n, uint64_t d)
{
	uint64_t tenths = n / d * 10 + (n % d * 10 + d / 2) / d;
	snprintf(out, cap, "%" PRIu64 ".%" PRIu64, tenths / 10, tenths % 10);
}

struct evl_num evl_num_bits(int64_t bits)
{
	struct evl_num out;
	if (bits < 1000000) {
		snprintf(out.s, sizeof out.s, "%.60s %s", evl_num_count(bits).s,
			bits == 1 ? "bit" : "bits");
	} else if (bits < 999950000) {
		char value[24];
		one_decimal(value, sizeof value, (uint64_t)bits, 1000000);
		snprintf(out.s, sizeof out.s, "%s million bits", value);
	} else {
		int exponent = 9;
		uint64_t unit = 1000000000;
		while ((uint64_t)bits / unit >= 10) {
			unit *= 10;
			exponent++;
		}
		uint64_t hundredths = ((uint64_t)bits + unit / 200) / (unit / 100);
		if (hundredths >= 1000) {
			hundredths /= 10;
			exponent++;
		}
		snprintf(out.s, sizeof out.s, "%" PRIu64 ".%02" PRIu64 "e%d bits", hundredths / 100,
			hundredths % 100, exponent);
	}
	return out;
}

struct evl_num evl_num_bytes(int64_t bytes)
{
	struct evl_num out;
	snprintf(out.s, sizeof out.s, "%.60s %s", evl_num_count(bytes).s,
		bytes == 1 ? "byte" : "bytes");
	return out;
}

struct evl_num evl_num_ratio(int64_t errors, int64_t bits)
{
	struct evl_num out;
	if (bits <= 0 || errors < 0) {
		snprintf(out.s, sizeof out.s, "none");
		return out;
	}
	if (errors == 0) {
		snprintf(out.s, sizeof out.s, "0");
		return out;
	}
	int exponent = 0;
	double ratio = (double)errors / (double)bits;
	while (ratio < 0.9999999999 && exponent > -30) {
		ratio *= 10;
		exponent--;
	}
	int tenths = (int)(ratio * 10 + 0.5);
	if (tenths >= 100) {
		tenths /= 10;
		exponent++;
	}
	if (exponent == 0) {
		snprintf(out.s, sizeof out.s, "%d.%d", tenths / 10, tenths % 10);
	} else {
		snprintf(out.s, sizeof out.s, "%d.%de%d", tenths / 10, tenths % 10, exponent);
	}
	return out;
}

struct evl_num evl_num_time(int64_t ns)
{
	static const struct {
		uint64_t ns;
		const char *name;
	} units[] = {{1000000000, "s"}, {1000000, "ms"}, {1000, MICRO "s"}, {1, "ns"}};
	struct evl_num out;
	const char *sign = ns < 0 ? "-" : "";
	uint64_t n = ns < 0 ? (uint64_t)0 - (uint64_t)ns : (uint64_t)ns;
	if (n == 0) {
		snprintf(out.s, sizeof out.s, "0 s");
		return out;
	}
	if (n >= 120u * UINT64_C(1000000000)) {
		uint64_t s = (n + 500000000) / 1000000000;
		if (s >= 3600) {
			snprintf(out.s, sizeof out.s,
				"%s%" PRIu64 " h %" PRIu64 " min %" PRIu64 " s", sign, s / 3600,
				s / 60 % 60, s % 60);
		} else {
			snprintf(out.s, sizeof out.s, "%s%" PRIu64 " min %" PRIu64 " s", sign,
				s / 60, s % 60);
		}
		return out;
	}
	size_t u = 0;
	while (n < units[u].ns) {
		u++;
	}
	uint64_t unit = units[u].ns;
	uint64_t thousandths = unit >= 1000 ? (n + unit / 2000) / (unit / 1000) : n * 1000;
	char fraction[8];
	snprintf(fraction, sizeof fraction, ".%03u", (unsigned)(thousandths % 1000));
	for (int i = 3; i > 0 && fraction[i] == '0'; i--) {
		fraction[i] = '\0';
	}
	snprintf(out.s, sizeof out.s, "%s%" PRIu64 "%s %s", sign, thousandths / 1000,
		fraction[1] == '\0' ? "" : fraction, units[u].name);
	return out;
}

struct evl_num evl_num_of(int64_t n, const char *word)
{
	struct evl_num out;
	snprintf(out.s, sizeof out.s, "%.60s %.60s%s", evl_num_count(n).s, word, n == 1 ? "" : "s");
	return out;
}
