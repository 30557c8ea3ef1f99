/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/text.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

bool simmux_read_trace(const char *text, struct evl_trace *out, struct evl_err *why)
{
	const bool is_long = strncmp(text, "64:", 3) == 0;

	return evl_trace_set(out, is_long ? EVL_TRACE_64 : EVL_TRACE_16, is_long ? text + 3 : text,
		       why) == EVL_OK;
}

int simmux_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
{
	va_list ap;

	va_start(ap, fmt);
	vsnprintf(err->text, sizeof(err->text), fmt, ap);
	va_end(ap);
	/* One line of UTF-8, whatever the bench file held and wherever it was cut. */
	for (char *c = err->text; *c != '\0'; c++) {
		if (*c < ' ' || *c > '~') {
			*c = '?';
		}
	}
	return code;
}

int simmux_bad_value(
	struct evl_adapter_error *err, const struct evl_adapter_option *o, const char *wanted)
{
	return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s: '%.*s' is not %s", SIMMUX_SHOWN,
		o->path, SIMMUX_SHOWN, o->value, wanted);
}

int simmux_unknown(
	struct evl_adapter_error *err, const struct evl_adapter_option *o, const char *known)
{
	return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s is not known; known are %s",
		SIMMUX_SHOWN, o->path, known);
}

/* A decimal number of at most 18 digits and nothing else. */
bool simmux_read_uint(const char *text, size_t len, uint64_t *out)
{
	uint64_t v = 0;

	if (len == 0 || len > 18) {
		return false;
	}
	for (size_t i = 0; i < len; i++) {
		if (!isdigit((unsigned char)text[i])) {
			return false;
		}
		v = v * 10 + (uint64_t)(text[i] - '0');
	}
	*out = v;
	return true;
}

bool simmux_read_bounded(const char *text, uint32_t low, uint32_t high, uint32_t *out)
{
	uint64_t v;

	if (!simmux_read_uint(text, strlen(text), &v) || v < low || v > high) {
		return false;
	}
	*out = (uint32_t)v;
	return true;
}

/* "12", "12.5" or ".5" of `len` characters as value / 10^decimals; at most 15 digits. */
static bool read_decimal(const char *text, size_t len, uint64_t *value, uint32_t *decimals)
{
	uint32_t digits = 0;
	bool point = false;

	*value = 0;
	*decimals = 0;
	for (size_t i = 0; i < len; i++) {
		if (text[i] == '.' && !point) {
			point = true;
			continue;
		}
		if (!isdigit((unsigned char)text[i]) || ++digits > 15) {
			return false;
		}
		*value = *value * 10 + (uint64_t)(text[i] - '0');
		*decimals += point;
	}
	return digits > 0;
}

/* "1e-6", "2.5E-7", "0.001" or "1/1000000", above 0 and at most 1. */
bool simmux_read_ratio(const char *text, uint64_t *numerator, uint64_t *denominator)
{
	const char *slash = strchr(text, '/');
	const char *exp = strpbrk(text, "eE");
	uint64_t power = 0;
	uint32_t decimals;

	if (slash != NULL) {
		return simmux_read_uint(text, (size_t)(slash - text), numerator) &&
		       simmux_read_uint(slash + 1, strlen(slash + 1), denominator) &&
		       *numerator > 0 && *numerator <= *denominator;
	}
	if (!read_decimal(text, exp != NULL ? (size_t)(exp - text) : strlen(text), numerator,
		    &decimals)) {
		return false;
	}
	if (exp != NULL) {
		bool minus = exp[1] == '-';

		if (!minus && strspn(exp + 1, "0") != strlen(exp + 1)) {
			return false; /* a ratio above 1, or nonsense */
		}
		if (!simmux_read_uint(exp + 1 + minus, strlen(exp + 1 + minus), &power) ||
			power > 15) {
			return false;
		}
	}
	if (power + decimals > 15) {
		return false;
	}
	*denominator = 1;
	for (uint64_t i = 0; i < power + decimals; i++) {
		*denominator *= 10;
	}
	return *numerator > 0 && *numerator <= *denominator;
}

/* "2.5 s", "100 ms", "125us", "0 s": whole nanoseconds. */
bool simmux_read_time(const char *text, uint64_t *ns)
{
	static const struct {
		const char *name;
		uint32_t digits; /* after the point, down to the nanosecond */
	} units[] = {{"s", 9}, {"ms", 6}, {"us", 3}, {"ns", 0}};
	size_t number = strspn(text, "0123456789.");
	const char *unit = text + number + strspn(text + number, " ");
	uint32_t decimals;

	if (!read_decimal(text, number, ns, &decimals)) {
		return false;
	}
	for (size_t u = 0; u < sizeof(units) / sizeof(units[0]); u++) {
		if (strcmp(unit, units[u].name) != 0) {
			continue;
		}
		for (; decimals > units[u].digits; decimals--) {
			if (*ns % 10 != 0) {
				return false; /* finer than a nanosecond */
			}
			*ns /= 10;
		}
		for (uint32_t d = decimals; d < units[u].digits; d++) {
			if (*ns > UINT64_MAX / 20) {
				return false;
			}
			*ns *= 10;
		}
		return true;
	}
	return false;
}

bool simmux_read_int(const char *text, int32_t low, int32_t high, int32_t *out)
{
	bool minus = *text == '-';
	uint64_t v;

	if (!simmux_read_uint(text + minus, strlen(text + minus), &v) || v > INT32_MAX) {
		return false;
	}
	*out = minus ? -(int32_t)v : (int32_t)v;
	return *out >= low && *out <= high;
}

bool simmux_read_hex(const char *text, uint32_t *out)
{
	uint32_t v = 0;

	if (strlen(text) != 2) {
		return false;
	}
	for (uint32_t i = 0; i < 2; i++) {
		static const char digits[] = "0123456789abcdef";
		const char *at = strchr(digits, tolower((unsigned char)text[i]));

		if (at == NULL || *at == '\0') {
			return false;
		}
		v = v * 16 + (uint32_t)(at - digits);
	}
	*out = v;
	return true;
}

bool simmux_read_ppb(const char *text, uint32_t most_ppm, int32_t *ppb)
{
	bool minus = *text == '-';
	uint64_t value;
	uint32_t decimals;

	if (!read_decimal(text + minus, strlen(text + minus), &value, &decimals) || decimals > 3) {
		return false;
	}
	for (; decimals < 3; decimals++) {
		value *= 10; /* at most 15 digits */
	}
	if (value > most_ppm * 1000u) {
		return false;
	}
	*ppb = minus ? -(int32_t)value : (int32_t)value;
	return true;
}

int simmux_twice(struct evl_adapter_error *err, const struct evl_adapter_option *o)
{
	return simmux_fail(
		err, EVL_ADAPTER_E_OPTION, "option %.*s is given twice", SIMMUX_SHOWN, o->path);
}
