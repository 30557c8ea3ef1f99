/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Pseudo-random test patterns 2^15-1 and 2^23-1 (ITU-T O.150 clauses 5.3 and 5.6), as they stand
 * on the line: the register output inverted. Bits fill bytes from the most significant bit.
 *
 *	struct evl_prbs p;
 *	uint8_t slab[256];
 *	evl_prbs_init(&p, EVL_PRBS15, 0);
 *	evl_prbs_fill(&p, slab, sizeof(slab));	// 00 01 FF FB FF E7 ...
 *
 * Phase: the index in the period of a bit, 0 being the first of the n ones of the register (n zeros
 * on the line). The register is s[i] = 1 for i < n, then s[i] = s[i-k] XOR s[i-n].
 *
 * struct evl_prbs is a value: copy it freely, there is nothing to free. Tables that all generators
 * share (96 KB for 2^15-1, 96 KB for searching in 2^23-1) are made once, on first use, safe with
 * threads. Filling never allocates.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum evl_prbs_kind {
	EVL_PRBS15, /* "2^15-1", n = 15, k = 14, inverted; O.150 5.3, E1 and T1 by O.151 */
	EVL_PRBS23, /* "2^23-1", n = 23, k = 18, inverted; O.150 5.6, SDH payloads by O.181 */
	EVL_PRBS_KINDS
};

#define EVL_PRBS_HISTORY_BYTES 368

struct evl_prbs {
	enum evl_prbs_kind kind;
	uint32_t phase;                          /* index in the period of the next bit */
	uint8_t history[EVL_PRBS_HISTORY_BYTES]; /* 2^23-1 only: the last bytes before it */
};

const char *evl_prbs_name(enum evl_prbs_kind kind);                /* "2^15-1", "2^23-1" */
bool evl_prbs_by_name(enum evl_prbs_kind *kind, const char *name); /* false: no such name */
uint32_t evl_prbs_period(enum evl_prbs_kind kind);                 /* bits */
unsigned evl_prbs_order(enum evl_prbs_kind kind);                  /* n, stages */
unsigned evl_prbs_tap(enum evl_prbs_kind kind);                    /* k, the other feedback stage */

/* Starts at `phase` (any value; taken modulo the period) in O(log period). */
void evl_prbs_init(struct evl_prbs *p, enum evl_prbs_kind kind, uint64_t phase);

/* Writes the next 8 * bytes bits. */
void evl_prbs_fill(struct evl_prbs *p, uint8_t *out, size_t bytes);

/* Like fill, but may lend the shared table instead of copying: sets *bytes to what it gives (at
 * least 1, at most the value on entry, which must not be 0) and returns where they are. `scratch`
 * holds the *bytes of entry; the result is valid while scratch is left alone. */
const uint8_t *evl_prbs_lend(struct evl_prbs *p, uint8_t *scratch, size_t *bytes);

/* Moves forward by `bits` without making them. */
void evl_prbs_skip(struct evl_prbs *p, uint64_t bits);

/* Index in the period of the next bit that fill will write. */
static inline uint32_t evl_prbs_phase(const struct evl_prbs *p)
{
	return p->phase;
}

/* The n register bits (not inverted) from `phase` on; the first in time is bit n-1 of the result.
 */
uint32_t evl_prbs_window(enum evl_prbs_kind kind, uint64_t phase);

/* The phase whose window this is; UINT32_MAX for the all-zero window, which is not in the period,
 * and for values of more than n bits. A few microseconds at most for 2^23-1. */
uint32_t evl_prbs_index_of(enum evl_prbs_kind kind, uint32_t window);
