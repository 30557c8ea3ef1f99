/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/window.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define DAY_S 86400

/* Days from 1970-01-01 (proleptic Gregorian calendar). */
static int64_t days_of(int64_t year, int month, int day)
{
	/* From March on, so that a leap day is the last of its year. */
	int64_t y = month <= 2 ? year - 1 : year;
	int64_t m = month <= 2 ? month + 9 : month - 3;
	int64_t era = (y >= 0 ? y : y - 399) / 400;
	int64_t of_era = y - era * 400;
	int64_t of_year = (153 * m + 2) / 5 + day - 1;
	return era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

/* Local time of an instant, as seconds since 1970 of a clock on the wall. */
static int64_t local_of(int64_t at_s)
{
	time_t t = (time_t)at_s;
	struct tm tm;
	evl_require(localtime_r(&t, &tm) != NULL);
	return days_of(tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday) * DAY_S + tm.tm_hour * 3600 +
	       tm.tm_min * 60 + tm.tm_sec;
}

static int64_t instant_of(int64_t local_s, bool last)
{
	/* Offsets well before and after: changes of a zone are more than two days apart. */
	int64_t before = local_of(local_s - DAY_S) - (local_s - DAY_S);
	int64_t after = local_of(local_s + DAY_S) - (local_s + DAY_S);
	int64_t a = local_s - before, b = local_s - after;
	bool a_good = local_of(a) == local_s, b_good = local_of(b) == local_s;
	if (a_good && b_good) {
		int64_t first = a < b ? a : b;
		return last ? a + b - first : first;
	}
	if (a_good || b_good) {
		return a_good ? a : b;
	}
	/* Skipped: the instant of the change, which lies between the two. */
	int64_t low = a < b ? a : b, high = a < b ? b : a;
	int64_t offset = local_of(low) - low;
	while (high - low > 1) {
		int64_t mid = low + (high - low) / 2;
		if (local_of(mid) - mid == offset) {
			low = mid;
		} else {
			high = mid;
		}
	}
	return high;
}

/* The C library takes an unknown zone for UTC without a word, so look for its file first. */
static enum evl_status set_zone(char **before, const char *zone, struct evl_err *err)
{
	const char *dir = getenv("TZDIR");
	char path[512];
	snprintf(path, sizeof path, "%s/%s", dir != NULL ? dir : "/usr/share/zoneinfo", zone);
	if (strcmp(zone, "UTC") != 0 && access(path, R_OK) != 0) {
		return evl_err_set(err, EVL_E_NOTFOUND,
			"there is no time zone \"%s\" (no file %s); use a name of the time zone "
			"database, such as Europe/London, and install the package tzdata",
			zone, path);
	}
	const char *old = getenv("TZ");
	*before = old != NULL ? evl_xstrdup(old) : NULL;
	snprintf(path, sizeof path, ":%s", zone);
	setenv("TZ", strcmp(zone, "UTC") == 0 ? "UTC0" : path, 1);
	tzset();
	return EVL_OK;
}

static void reset_zone(char *before)
{
	if (before != NULL) {
		setenv("TZ", before, 1);
	} else {
		unsetenv("TZ");
	}
	tzset();
	free(before);
}

enum evl_status evl_window_next(int64_t *from_s, int64_t *to_s, const char *zone,
	uint32_t from_minute, uint32_t to_minute, int64_t now_s, struct evl_err *err)
{
	char *before;
	enum evl_status st = set_zone(&before, zone, err);
	if (st < 0) {
		return st;
	}
	int64_t local = local_of(now_s);
	int64_t day = (local - ((local % DAY_S) + DAY_S) % DAY_S) / DAY_S;
	*to_s = now_s;
	for (int64_t d = day - 2; *to_s <= now_s; d++) {
		int64_t end_day = to_minute > from_minute ? d : d + 1;
		*from_s = instant_of(d * DAY_S + from_minute * 60, false);
		*to_s = instant_of(end_day * DAY_S + to_minute * 60, true);
	}
	reset_zone(before);
	return EVL_OK;
}

enum evl_status evl_window_format(char out[64], const char *zone, int64_t at_s, struct evl_err *err)
{
	char *before;
	enum evl_status st = set_zone(&before, zone[0] != '\0' ? zone : "UTC", err);
	if (st < 0) {
		return st;
	}
	time_t t = (time_t)at_s;
	struct tm tm;
	evl_require(localtime_r(&t, &tm) != NULL);
	strftime(out, 64, "%Y-%m-%d %H:%M %Z", &tm);
	reset_zone(before);
	return EVL_OK;
}
