/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Compares two recordings channel by channel, bit by bit: what was sent against what came back, or
 * one replay against the next.
 *
 *	static void show(void *context, const struct evl_rec_difference *d) { ... }
 *	evl_rec_diff(a, b, NULL, 0, show, NULL, &summary, &err);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/recording/reader.h"

enum evl_rec_relation {
	EVL_REC_EQUAL = 0,     /* the same bits at the same offsets */
	EVL_REC_DIFFERENT = 1, /* some bits that both have are not equal */
	EVL_REC_LENGTH = 2,    /* all bits that both have are equal, but one has more */
	EVL_REC_ONLY_A = 3,    /* b has no such channel */
	EVL_REC_ONLY_B = 4,    /* a has no such channel */
	EVL_REC_RATE = 5,      /* rates differ: not compared */
};

/* "equal", "different", "length", "only in a", "only in b", "rate". */
const char *evl_rec_relation_name(enum evl_rec_relation relation);

enum evl_rec_crossing {
	EVL_REC_NOT_CROSSED = 0,
	EVL_REC_CROSSED_BY_DIGEST = 1,  /* channel x of a is equal to channel y of b */
	EVL_REC_CROSSED_BY_CONTENT = 2, /* nearly so: few differing bits in a sample */
};

struct evl_rec_difference {
	enum evl_rec_relation relation;
	int64_t a_channel, b_channel;      /* -1: none */
	const char *a_name, *b_name;       /* NULL: none; valid while the readers are open */
	uint64_t a_bits, b_bits;           /* recorded bits of each */
	uint64_t compared_bits;            /* bits that both have */
	uint64_t different_bits;           /* among those */
	uint64_t only_a_bits, only_b_bits; /* bits that the other lacks at that offset */

	/* Where the first differing bit is, when different_bits > 0. */
	uint64_t first_bit;    /* offset from the channel's start */
	uint64_t first_frame;  /* 125 us frames from the start, 0 being the first */
	uint32_t first_byte;   /* bits / 8 within the frame (for T1 the frame's bit / 8) */
	uint32_t first_bit_no; /* 1 to 8, 1 = most significant, sent first (ITU-T G.704 2.3) */

	/* Which channel of b carries what channel a_channel of a carried, when not its own. */
	enum evl_rec_crossing crossing;
	int64_t crossed_with;      /* channel of b, or -1 */
	const char *crossed_name;  /* or NULL */
	uint64_t sample_bits;      /* for CROSSED_BY_CONTENT: bits looked at ... */
	uint64_t sample_different; /* ... and those that differ from `crossed_with` */
};

/* Compares channel `a` of the first with channel `b` of the second recording. */
struct evl_rec_pair {
	const char *a, *b;
};

struct evl_rec_diff_summary {
	uint32_t pairs; /* compared */
	uint32_t equal;
	uint32_t crossed;
	uint32_t only_a, only_b;
	uint64_t compared_bits, different_bits;
};

typedef void (*evl_rec_diff_report)(void *context, const struct evl_rec_difference *difference);

/* Calls `report` (may be NULL) once per pair in the order of the channels of `a`, then once per
 * channel of `b` that has no partner. `map` names the pairs; with map_count 0 channels of equal
 * name are compared. A channel named in `map` that is not there is EVL_E_NOTFOUND. With a map,
 * channels that it does not name are left out. Returns EVL_OK whether or not they are equal. */
enum evl_status evl_rec_diff(struct evl_rec *a, struct evl_rec *b, const struct evl_rec_pair *map,
			     uint32_t map_count, evl_rec_diff_report report, void *context,
			     struct evl_rec_diff_summary *summary, struct evl_err *err);
