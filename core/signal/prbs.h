/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Pseudo-random test patterns (ITU-T O.150, O.151, O.152, O.153), as they stand on the line. Bits
 * fill bytes from the most significant bit.
 *
 *	struct evl_prbs p;
 *	uint8_t slab[256];
 *	evl_prbs_init(&p, EVL_PRBS15, 0);
 *	evl_prbs_fill(&p, slab, sizeof(slab));	// 00 01 FF FB FF E7 ...
 *
 * Phase: the index in the period of a bit, 0 being the first of the n ones of the register. The
 * register is s[i] = 1 for i < n, then s[i] = s[i-k] XOR s[i-n].
 *
 * struct evl_prbs is a value: copy it freely, there is nothing to free. Tables that all generators
 * share (at most 64 KB for the three short patterns, 256 KB a pattern for evl_prbs_index_of) are
 * made once, on first use, safe with threads. Filling never allocates.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* n and k; whether O.150 sends the register inverted; the clause. */
enum evl_prbs_kind {
	EVL_PRBS9,  /* "2^9-1", 9, 5; O.150 5.1, O.153 */
	EVL_PRBS11, /* "2^11-1", 11, 9; O.150 5.2, O.152 */
	EVL_PRBS15, /* "2^15-1", 15, 14, inverted; O.150 5.3, O.151 */
	EVL_PRBS20, /* "2^20-1", 20, 3; O.150 5.4, O.153 */
	EVL_QRSS,   /* "QRSS", 20, 17: a bit becomes 1 where the next 14 would be zeros, while the
		     * register goes on unchanged, so no run of zeros is longer than 14; O.150 5.5,
		     * O.151 */
	EVL_PRBS23, /* "2^23-1", 23, 18, inverted; O.150 5.6, O.151, SDH payloads by O.181 */
	EVL_PRBS29, /* "2^29-1", 29, 27, inverted; O.150 5.7 */
	EVL_PRBS31, /* "2^31-1", 31, 28, inverted; O.150 5.8 */
	EVL_PRBS_KINDS
};

#define EVL_PRBS_HISTORY_BYTES 640
#define EVL_PRBS_RECENT_BYTES  32

struct evl_prbs {
	enum evl_prbs_kind kind;
	bool turned;    /* the sense opposite to that of O.150 */
	uint32_t phase; /* index in the period of the next bit */
	/* n >= 20: the last bytes before it, not forced. When `lean` only the last n of them are
	 * known, and are in `recent`: all that a receiver without errors touches. */
	bool lean;
	uint8_t recent[EVL_PRBS_RECENT_BYTES];
	uint8_t history[EVL_PRBS_HISTORY_BYTES];
};

const char *evl_prbs_name(enum evl_prbs_kind kind);                /* "2^15-1", ..., "QRSS" */
bool evl_prbs_by_name(enum evl_prbs_kind *kind, const char *name); /* false: no such name */
uint32_t evl_prbs_period(enum evl_prbs_kind kind);                 /* bits, 2^n-1 */
unsigned evl_prbs_order(enum evl_prbs_kind kind);                  /* n, stages */
unsigned evl_prbs_tap(enum evl_prbs_kind kind);                    /* k, the other feedback stage */
bool evl_prbs_inverts(enum evl_prbs_kind kind); /* O.150 sends the register inverted */

/* Starts at `phase` (any value; taken modulo the period) in O(log period). */
void evl_prbs_init(struct evl_prbs *p, enum evl_prbs_kind kind, uint64_t phase);

/* The same in the sense opposite to O.150 when `turned`. */
void evl_prbs_init_sense(struct evl_prbs *p, enum evl_prbs_kind kind, bool turned, uint64_t phase);

/* Writes the next 8 * bytes bits. */
void evl_prbs_fill(struct evl_prbs *p, uint8_t *out, size_t bytes);

/* Like fill, but may lend the shared table instead of copying: sets *bytes to what it gives (at
 * least 1, at most the value on entry, which must not be 0) and returns where they are. `scratch`
 * holds the *bytes of entry; the result is valid while scratch is left alone. */
const uint8_t *evl_prbs_lend(struct evl_prbs *p, uint8_t *scratch, size_t *bytes);

/* Are these the next 8 * bytes bits? When they are, moves behind them; else stays. Makes nothing:
 * it checks the recurrence within what was received, so it is quicker than making and comparing,
 * and touches less. Always false for QRSS, whose forced bits do not obey, and for 2^15-1 and
 * shorter, which are lent. */
bool evl_prbs_follow(struct evl_prbs *p, const uint8_t *got, size_t bytes);

/* Moves forward by `bits` without making them. */
void evl_prbs_skip(struct evl_prbs *p, uint64_t bits);

/* Index in the period of the next bit that fill will write. */
static inline uint32_t evl_prbs_phase(const struct evl_prbs *p)
{
	return p->phase;
}

/* The n register bits (neither inverted nor forced) from `phase` on; the first in time is bit n-1
 * of the result. */
uint32_t evl_prbs_window(enum evl_prbs_kind kind, uint64_t phase);

/* The phase whose window this is; UINT32_MAX for the all-zero window, which is not in the period,
 * and for values of more than n bits. Walks at most 2^(n-15) bits to the next of 32768 known
 * windows: under a microsecond up to 2^20-1, about 1 ms at most for 2^31-1. */
uint32_t evl_prbs_index_of(enum evl_prbs_kind kind, uint32_t window);
