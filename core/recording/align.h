/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Compares two recordings across a delay: finds by how many bits the second is later than the
 * first, compares bit by bit at that delay, and tells lost and repeated bits (slips) from changed
 * ones.
 *
 *	static void slip(void *context, const struct evl_rec_aligned *d,
 *		const struct evl_rec_slip *s) { ... }
 *	static void channel(void *context, const struct evl_rec_aligned *d) { ... }
 *	struct evl_rec_align_plan plan = {.range_ns = 600000000, .slip = slip, .channel = channel};
 *	evl_rec_align(a, b, &plan, &summary, &err);
 *
 * A delay d says: bit i of the first is bit i + d of the second. All bits are exact: a delay is
 * found where whole 64-bit words of the first stand in the second, and is judged by counting the
 * differing bits. docs/recording.md tells how and where its limits are.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/recording/diff.h"
#include "core/recording/reader.h"

#define EVL_REC_ALIGN_RANGE_NS     600000000ull  /* of the search when nothing is said */
#define EVL_REC_ALIGN_RANGE_NS_MAX 2000000000ull /* 2 s */
/* Bits that are compared at once to judge a delay. */
#define EVL_REC_ALIGN_PROBE_BITS 8192u

enum evl_rec_slip_kind {
	EVL_REC_LOST = 1,     /* bits of the first are not in the second */
	EVL_REC_REPEATED = 2, /* the second has bits twice */
	EVL_REC_INSERTED = 3, /* the second has bits that the first has not */
};

/* "lost", "repeated", "inserted". */
const char *evl_rec_slip_name(enum evl_rec_slip_kind kind);

/* One place at which the delay changes. */
struct evl_rec_slip {
	enum evl_rec_slip_kind kind;
	uint64_t bits;   /* lost, repeated or inserted */
	uint64_t frames; /* bits in whole frames of the rate; 0 when they are no whole number */
	uint64_t bit;    /* of the first recording: the first that no longer fits the old delay */
	uint64_t least_bit; /* the slip may be as early as here: the bits between fit both delays */
	uint64_t frame;     /* `bit` in frames of 125 us from the start */
	uint32_t byte;      /* within the frame */
	uint32_t bit_no;    /* 1 to 8, 1 = sent first */
	int64_t delay_bits; /* from there on */
};

struct evl_rec_aligned {
	int64_t a_channel, b_channel; /* -1: none */
	const char *a_name, *b_name;  /* NULL: none; valid while the readers are open */
	enum evl_rate rate;
	enum evl_rec_relation relation; /* EQUAL: at the delay below nothing is changed, lost,
					 * repeated or inserted, and neither has bits that the other
					 * lacks; LENGTH: as EQUAL but for those bits at the ends or
					 * in gaps; DIFFERENT; ONLY_A, ONLY_B, RATE: not compared */
	uint64_t a_recorded_bits, b_recorded_bits;
	bool found;               /* a delay was found; without one nothing is compared */
	int64_t delay_bits;       /* at the start; negative: the second is earlier */
	bool repeats;             /* another delay fits as well: the content repeats itself ... */
	int64_t other_delay_bits; /* ... and this is the nearest such */
	uint64_t compared_bits;   /* of the first that have a partner in the second */
	uint64_t changed_bits;    /* among those */
	uint64_t slips;
	uint64_t lost_bits, repeated_bits, inserted_bits; /* over all slips */
	uint64_t only_a_bits, only_b_bits; /* recorded bits without partner, slips not counted */

	/* Where the first changed bit is, when changed_bits > 0: as in evl_rec_difference, in the
	 * bits of the first recording. */
	uint64_t first_bit, first_frame;
	uint32_t first_byte, first_bit_no;

	int64_t crossed_with;     /* channel of b that carries this one's bits when b_channel does
				   * not; -1: none or not known */
	const char *crossed_name; /* or NULL */
	int64_t crossed_delay_bits;
};

struct evl_rec_align_summary {
	uint32_t pairs, equal, found, crossed, only_a, only_b;
	uint64_t compared_bits, changed_bits, slips;
};

/* Part of a channel. Where it is said, the positions that are told and the delays count from
 * `from_bit` of each. */
struct evl_rec_part {
	uint64_t from_bit;
	uint64_t to_bit; /* the first that is not of it; 0: to the end of the channel */
};

struct evl_rec_align_plan {
	const struct evl_rec_pair *map; /* as for evl_rec_diff; map_count 0: by equal names */
	uint32_t map_count;
	uint64_t range_ns; /* delays of at most this are found; 0: EVL_REC_ALIGN_RANGE_NS */
	struct evl_rec_part a_part, b_part; /* of each channel of both */
	/* Called for each slip in order, with what is known of the channel so far; may be NULL. */
	void (*slip)(void *context, const struct evl_rec_aligned *channel,
		const struct evl_rec_slip *slip);
	/* Called for each channel as evl_rec_diff does, after its slips; may be NULL. */
	void (*channel)(void *context, const struct evl_rec_aligned *channel);
	void *context;
};

/* Memory is bounded (4 MB) whatever the lengths; time is that of reading both once, and for each
 * search about 1 ns for each bit of twice the range. `summary` may be NULL. EVL_E_INVALID: the
 * range is too long, or the map names a channel twice; EVL_E_NOTFOUND: it names one that is not
 * there. */
enum evl_status evl_rec_align(struct evl_rec *a, struct evl_rec *b,
	const struct evl_rec_align_plan *plan, struct evl_rec_align_summary *summary,
	struct evl_err *err);

/* Only the delay of one channel against another, as above, from the first bits that tell; *found
 * false: nothing within the range fits. Of the plan the range and the parts are used. */
enum evl_status evl_rec_find_delay(struct evl_rec *a, uint32_t a_channel, struct evl_rec *b,
	uint32_t b_channel, const struct evl_rec_align_plan *plan, bool *found, int64_t *delay_bits,
	struct evl_err *err);
