/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a take keeps in recordings: everything, from start to end in one file or a set; or only what
 * happened around triggers, with some seconds of history.
 *
 *	struct evl_take_condition slip = {.kind = EVL_WHEN_SLIP, .first = 0, .count = 63};
 *	struct evl_take_record keep = {.paths = paths, .metas = metas, .most = 10,
 *		.before_ns = 5000000000, .after_ns = 2000000000, .when = &slip, .when_count = 1};
 *
 * A caught recording holds whole slabs of 8 ms from the one in which (instant of the trigger less
 * `before`) lies, to the one in which (instant of the last trigger, plus `after`) lies. What holds
 * for a replay of it:
 * - Bit offsets, start instants and skews are those of the take: bit 0 is the first bit of the take
 *   and not in the recording. The first bit that is there (evl_rec_info.first_bit) is the first of
 *   slab k of the take, k = evl_take_recording.from_frame / 64, so it lies k * 8 ms after the start
 *   on the grid of all multiframes up to 8 ms.
 * - The bits before it are missing, so a reader counts one gap in each channel, before its first
 *   bit. A channel without overruns has no other.
 * - A channel that plays at a clock of its own has evl_pace_bytes(rate, clock_ppb, from_frame)
 *   bytes before it.
 *
 * Streams are kept in a ring in memory: `before` and a second more, for a disk that is slow at the
 * moment. A thread of its own writes from the ring, so that nothing on the disk stops the stream.
 * On the real clock slabs that find the ring full are missing in the recording, and counted; on the
 * virtual clock the take waits.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/digest.h"
#include "core/recording/writer.h"

#define EVL_TAKE_HISTORY_MAX  ((uint64_t)1 << 30)   /* bytes of all rings of a take */
#define EVL_TAKE_HISTORY_MORE 1000000000u           /* ns that a ring holds besides `before` */
#define EVL_TAKE_CATCHES_MAX  100u                  /* recordings by triggers in one take */
#define EVL_TAKE_MARKS_KEPT   4096u                 /* marks of one take */
#define EVL_TAKE_MARK_TEXT    120u                  /* bytes with the NUL */
#define EVL_TAKE_CONDITIONS   32u                   /* each of triggers and marks */
#define EVL_TAKE_RESERVE      256000000u  /* bytes that recordings leave free, when not said */

enum evl_when {
	EVL_WHEN_PATTERN_LOST, /* synchronism; at the first error of the window that ended it */
	EVL_WHEN_SLIP,         /* found again at another phase; at that same error */
	EVL_WHEN_ERRORS,       /* more than `above` in a second of the take; at the end of the slab
				* in which that was passed, once in a second */
	EVL_WHEN_ALARM,        /* raised in the take; what stood at the start does not count */
	EVL_WHEN_INSTANT,      /* `at_ns` from the start */
};

enum evl_when_by { EVL_BY_ANY = 0, EVL_BY_UNIT, EVL_BY_TESTER };

/* One condition, on the channels first .. first + count - 1; INSTANT has none. The first three need
 * a meter of the channel, of what it received or inside a line. */
struct evl_take_condition {
	enum evl_when kind;
	uint32_t first, count;
	uint64_t above;
	enum evl_alarm alarm; /* NONE: any */
	enum evl_when_by by;
	uint64_t at_ns;
	const char *text; /* INSTANT: of the mark, one line of UTF-8 that fits */
};

struct evl_take_record {
	/* Whole: most = 0, and the path and metadata of the plan. */
	struct evl_rec_limits part; /* of each recording; zeros: one file, else a set */
	/* By triggers: the n-th recording gets paths[n], metas[n]. */
	uint32_t most;
	const char *const *paths;
	const char *const *metas;
	uint64_t before_ns, after_ns;
	bool until_triggered; /* the take ends when the first recording is complete */
	const struct evl_take_condition *when;
	uint32_t when_count;
	/* Marks in whatever recording is being made. */
	const struct evl_take_condition *mark;
	uint32_t mark_count;
};

/* Is each of its recordings a set? Else it is one file. */
static inline bool evl_take_record_is_set(const struct evl_take_record *r)
{
	return r->part.part_bytes > 0 || r->part.part_ns > 0;
}

/* An instant that fulfilled a condition. */
struct evl_take_mark {
	int64_t at_ns;                 /* from the start */
	int64_t channel;               /* or -1 */
	bool trigger;                  /* else a mark only */
	int64_t recording;             /* the first of the result that it is in, or -1 */
	char text[EVL_TAKE_MARK_TEXT]; /* "slip +8 bits on trib 21" */
};

/* One recording of a take. */
struct evl_take_recording {
	uint64_t from_frame, to_frame; /* what it holds, from the start; whole slabs */
	uint64_t lost_slabs;           /* in between, because the disk was too slow */
	bool finished;                 /* with trailer; else it is readable, but not whole */
	/* "" or why it ends before its time, or is not finished. */
	char message[400];
	char sha256[EVL_SHA256_HEX]; /* of the finished file, or of the index of a set */
	uint64_t bytes;
};
