/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Bit-exact checker for every pattern (core/signal/pattern.h): synchronises itself at any bit
 * alignment, counts errors against a free-running generator, sees slips, loss of synchronisation
 * and inversion.
 *
 *	struct evl_checker c;
 *	evl_checker_init(&c, &pattern);
 *	evl_checker_feed(&c, slab, bytes);		// as often as slabs arrive
 *	if (c.locked && c.errors == 0) { ... }
 *
 * All counters only grow; for counts of a second take differences (struct evl_checker_counts). The
 * outcome does not depend on how the stream is cut into slabs, but for `errored_slabs`. Feeding
 * never allocates. Read the fields freely; write none. Odds of false synchronisation and false
 * loss: docs/patterns.md.
 *
 * Found: n received bits say the place in the pattern, then 64 bits in a row must be as predicted,
 * in either polarity. n is the number of stages; the length of a word; 64 for the user's bits; for
 * the counter pattern marker and CRC of a header take the place of both. A pseudo-random pattern
 * is found on the recurrence of its register, QRSS too, although its forced bits do not obey it;
 *the all-zero register is refused, so all ones (AIS) and all zeros never count as one. Of all ones
 *and all zeros the inverse is not looked for, as it is another signal. Bits used for this are not
 *in `bits`.
 *
 * Lost: at least 103 errors within a window of 512 bits, the windows beginning at multiples of 512
 * bits of the stream: the error ratio 0.2 of ITU-T O.151, applied to a much shorter interval than
 * its 1 s, so that a slip is noticed within 1024 bits (0.5 ms at 2048 kbit/s). Words and the user's
 * bits at a wrong place may have fewer errors: a word is also lost when a window with errors ends
 *in n + 64 bits that are exactly those of another place, the user's bits when two windows with
 *errors hold 128 bits each that are exactly those of one other place. What was compared in a window
 *that ended in loss stays in `bits` and `errors`, and is also in `loss_bits` and `loss_errors`, so
 *that both readings can be had; then the search begins anew at the next bit. For the counter
 *pattern see blocks.h.
 *
 * Slip: found again at another phase. A slip of +8 means that eight bits were inserted or repeated
 * (the pattern now arrives eight bits later), -8 that eight are missing; the shortest way round the
 * period is taken.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/measure/blocks.h"
#include "core/signal/pattern.h"

#define EVL_CHECKER_ERRORS_KEPT 32 /* positions */
#define EVL_CHECKER_EVENTS_KEPT 32 /* losses and finds */
#define EVL_CHECKER_CONFIRM     64 /* predicted bits that make a lock */
#define EVL_CHECKER_WINDOW_BITS 512
#define EVL_CHECKER_LOSS_ERRORS 103 /* at least 0.2 of the window */

enum evl_sync_event_kind {
	EVL_SYNC_FOUND, /* bit: the first that is compared */
	EVL_SYNC_LOST, /* bit: the first after the window; first_error_bit: the first error in it */
};

struct evl_sync_event {
	enum evl_sync_event_kind kind;
	bool inverted;            /* found: with the opposite polarity */
	int64_t slip_bits;        /* found: 0, or how far from where it was before */
	uint64_t offset;          /* found: phase of bit 0 of the stream by this lock */
	uint64_t bit;             /* position in the stream */
	uint64_t first_error_bit; /* lost: position in the stream */
};

struct evl_checker {
	/* Results. */
	struct evl_pattern pattern;
	bool locked;             /* now */
	bool ever_locked;        /* at least once; offset and first_lock_bit are valid */
	bool inverted;           /* by the latest lock: opposite to the pattern */
	uint64_t offset;         /* by the latest lock: phase of bit 0 of the stream, mod period */
	uint64_t first_lock_bit; /* position of the first bit that was ever compared */
	uint64_t fed_bits;       /* all bits given */
	uint64_t bits;           /* bits compared */
	uint64_t errors;         /* of these, wrong */
	uint64_t loss_bits;      /* part of `bits` that lies in windows that ended in loss */
	uint64_t loss_errors;    /* part of `errors` likewise */
	uint64_t sync_losses;
	uint64_t slips;
	uint64_t octet_slips; /* of these, by whole octets */
	int64_t last_slip_bits;
	int64_t moved_bits;       /* delay now against that of the first lock: sum of all slips */
	int64_t moved_least_bits; /* smallest and largest value of moved_bits so far */
	int64_t moved_most_bits;
	uint64_t slabs;         /* calls of feed with at least one byte */
	uint64_t errored_slabs; /* of these, with at least one error */

	/* Workings. */
	struct evl_source local;     /* locked: generator at the next byte of the stream */
	unsigned confirm;            /* predicted bits that make a lock */
	uint64_t history;            /* hunting: the last 64 bits, newest lowest */
	uint64_t older;              /* hunting for the user's bits: the 64 before */
	unsigned skip;               /* hunting: bits to take in before predictions count */
	unsigned run;                /* hunting: predictions in a row that agreed */
	bool run_value;              /* hunting: what they agreed in */
	uint64_t window_bits;        /* locked: compared in this window so far */
	uint64_t window_errors;      /* locked: errors in this window so far */
	uint64_t window_first_error; /* locked: valid when window_errors > 0 */
	bool other_seen;             /* USER: a window with errors fitted another place: */
	uint64_t other_offset;       /* phase of bit 0 there */
	uint8_t window[EVL_CHECKER_WINDOW_BITS / 8]; /* WORD, USER: what came in this window */

	/* Results again: behind what each slab touches. */
	uint64_t last_error_bit; /* position of the latest error, when there is one; not COUNTER */
	size_t error_positions;  /* entries in error_bit */
	uint64_t error_bit[EVL_CHECKER_ERRORS_KEPT]; /* positions of the first errors */
	uint64_t last_loss_bit; /* the first error of the latest loss, when there was one; not
				 * COUNTER */
	uint64_t sync_events; /* all; the first EVL_CHECKER_EVENTS_KEPT are in event */
	struct evl_sync_event event[EVL_CHECKER_EVENTS_KEPT];
	struct evl_blocks blocks; /* COUNTER: what became of the blocks */
};

/* A copy of the growing counters, for differences per second. */
struct evl_checker_counts {
	uint64_t bits;
	uint64_t errors;
	uint64_t sync_losses;
	uint64_t slips;
	uint64_t unlocked_bits; /* fed, but not compared */
};

void evl_checker_init(struct evl_checker *c, const struct evl_pattern *pattern);

/* Before feeding: `bits` predicted bits (1..64, usually 64) make a lock. Fewer find a pattern under
 * more errors, and find one where there is none more often (docs/patterns.md). Pseudo-random
 * patterns and words only. */
void evl_checker_set_confirm(struct evl_checker *c, unsigned bits);

/* The next 8 * bytes bits of the stream. */
void evl_checker_feed(struct evl_checker *c, const uint8_t *data, size_t bytes);

/* Counts since `*last` was taken; *last becomes the present state. Begin with a zeroed *last. */
struct evl_checker_counts evl_checker_since(
	const struct evl_checker *c, struct evl_checker_counts *last);

/* Transit delay in bits when the sender began with `sent_phase` at bit 0 of the same stream; modulo
 * the period. Only when ever_locked. */
uint64_t evl_checker_delay_bits(const struct evl_checker *c, uint64_t sent_phase);
