/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Values of options as people write them, and the words for those that are wrong:
 *
 *	uint64_t ns;
 *	if (!simmux_read_time("2.5 s", &ns)) ...
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/adapter/adapter.h"
#include "core/frame/trace.h"

#define SIMMUX_SHOWN 120 /* characters of a foreign path or value in a message */

/* A decimal number of 1 to 18 digits and nothing else. */
bool simmux_read_uint(const char *text, size_t len, uint64_t *out);
bool simmux_read_bounded(const char *text, uint32_t low, uint32_t high, uint32_t *out);

/* "12", "-3"; bounds within 2^31. */
bool simmux_read_int(const char *text, int32_t low, int32_t high, int32_t *out);

/* Two hexadecimal digits. */
bool simmux_read_hex(const char *text, uint32_t *out);

/* "1e-6", "2.5E-7", "0.001" or "1/1000000", above 0 and at most 1. */
bool simmux_read_ratio(const char *text, uint64_t *numerator, uint64_t *denominator);

/* "2.5 s", "100 ms", "125us", "0 s": whole nanoseconds. */
bool simmux_read_time(const char *text, uint64_t *ns);

/* "20", "-4.6": parts per million with at most 3 places, as whole parts in 1e9. */
bool simmux_read_ppb(const char *text, uint32_t most_ppm, int32_t *ppb);

/* A trace of 16 bytes, or "64:" and one of 64. false: `why` says what is wrong. */
bool simmux_read_trace(const char *text, struct evl_trace *out, struct evl_err *why);

/* Words an error, one line of plain characters, and returns `code`. */
int simmux_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));

/* EVL_ADAPTER_E_OPTION: the value of an option is not what is wanted. */
int simmux_bad_value(
	struct evl_adapter_error *err, const struct evl_adapter_option *o, const char *wanted);
int simmux_unknown(
	struct evl_adapter_error *err, const struct evl_adapter_option *o, const char *known);
int simmux_twice(struct evl_adapter_error *err, const struct evl_adapter_option *o);
