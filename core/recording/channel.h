/* SPDX-License-Identifier: Apache-2.0 */
/* What a recording knows of one channel, and the limits of the container (docs/recording.md). */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/rate.h"

#define EVL_REC_CHANNELS_MAX 1024u  /* channels in one recording */
#define EVL_REC_NAME_MAX     128u   /* bytes of a channel name with the NUL */
#define EVL_REC_META_MAX     60000u /* bytes of the metadata text, compact */

#define EVL_REC_CLOCK_PPB_MAX 300000 /* as EVL_CLOCK_PPB_MAX in core/adapter/adapter.h */

enum evl_rec_direction {
	EVL_REC_SENT = 1,     /* into the unit under test */
	EVL_REC_RECEIVED = 2, /* from the unit under test */
};

/* "sent" or "received". */
const char *evl_rec_direction_name(enum evl_rec_direction direction);

/* Flags of recorded bits. The first two have the values of EVL_SLAB_x in core/adapter/adapter.h. */
enum {
	/* The adapter put filler in the place of lost bits (EVL_SLAB_GAP). */
	EVL_REC_FILLER = 1u << 0,
	/* The host came too late; bits were lost within these (EVL_SLAB_OVERRUN). */
	EVL_REC_OVERRUN = 1u << 1,
	/* Bits are missing before these. The writer sets it by itself from the offsets. */
	EVL_REC_GAP = 1u << 2,
};

#define EVL_REC_MARKS_MAX     10000u /* marks in one recording */
#define EVL_REC_MARK_TEXT_MAX 200u   /* bytes of a mark's text without the NUL */

/* An instant that somebody wants to find again: a trigger, an alarm, a step of a campaign. */
struct evl_rec_mark {
	uint64_t time_ns; /* on the run's clock, < 2^62 */
	int64_t channel;  /* that it is about, or -1 */
	const char *text; /* one line of UTF-8 */
};

struct evl_rec_channel {
	const char *name; /* "trib-17.out": role, number, direction; unique in the recording;
			   * printable UTF-8 without control characters */
	enum evl_rate rate;
	enum evl_rec_direction direction;
	uint64_t start_ns; /* instant of the channel's first bit on the run's clock; < 2^62 */
	int64_t skew_ns;   /* start_ns less the instant at which the take was to start */
	int32_t clock_ppb; /* SENT: clock of the channel against the run's, in 1e-9, as it was
			    * played; at most EVL_REC_CLOCK_PPB_MAX. RECEIVED: 0, its clock is its
			    * own */
};
