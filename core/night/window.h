/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The hours of a night: "22:00 to 06:00" of a time zone as instants, daylight-saving changes
 * included. Zones are those of the time zone database that the C library reads (package tzdata).
 *
 *	int64_t from, to;
 *	evl_window_next(&from, &to, "Europe/London", 22 * 60, 6 * 60, time(NULL), &err);
 *
 * A local time that a change skips means the instant of the change. One that comes twice means the
 * first for the beginning of a window and the second for its end, so that none of it is lost.
 * Not for several threads at once: the C library knows one zone at a time.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"

/* The window that `now_s` lies in, else the next one: from_s <= t < to_s, seconds since 1970 UTC.
 * Minutes are of the local day, 0 .. 1439, and differ. EVL_E_NOTFOUND: no such zone. */
enum evl_status evl_window_next(int64_t *from_s, int64_t *to_s, const char *zone,
	uint32_t from_minute, uint32_t to_minute, int64_t now_s, struct evl_err *err);

/* "2026-11-25 22:00 GMT" in the zone; "2026-11-25 22:00 UTC" when zone is "". */
enum evl_status evl_window_format(
	char out[64], const char *zone, int64_t at_s, struct evl_err *err);
