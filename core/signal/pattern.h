/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Test patterns of every kind under one type: pseudo-random (prbs.h), words of 1 to 64 bits, the
 * user's own bits, and numbered blocks (the counter pattern).
 *
 *	struct evl_pattern pattern;
 *	struct evl_source source;
 *	if (evl_pattern_parse(&pattern, "2^15-1 inverted", &err) < 0) { ... }
 *	evl_source_start(&source, &pattern, phase);
 *	evl_source_fill(&source, slab, bytes);
 *
 * struct evl_pattern (what) and struct evl_source (where in it) are values: copy them freely, there
 * is nothing to free; the user's own bits are borrowed. Filling never allocates. A source starts
 * at any bit in O(log period).
 *
 * Texts (evl_pattern_parse):
 *	2^9-1 2^11-1 2^15-1 2^20-1 QRSS 2^23-1 2^29-1 2^31-1	ITU-T O.150
 *	all ones, all zeros, alternating		1, 0, 10
 *	1 in 8, 2 in 8, 3 in 24				01000000, 01000010, 010001000000000000000100
 *	word 1100					1 to 64 bits, the first in time first
 *	counter, counter 128				blocks of 512 or so many bytes
 * Each may be followed by "inverted": the sense opposite to that of O.150, or every bit inverted.
 *
 * Counter pattern (ours, no standard): blocks of block_bytes bytes, each
 *	byte 0..3	marker F6 28 A5 3C
 *	byte 4..5	channel XOR 5A96
 *	byte 6..11	sequence number, 48 bits XOR C35AA53C695A
 *	byte 12..15	CRC-32 (crc.h) of bytes 0..11 as sent
 *	byte 16..	2^15-1, going on from block to block without the headers
 * all numbers with the most significant bit first. The XOR keeps small numbers from being runs of
 * zeros. Bit 0 of the pattern begins block 0, so any instant can be made from its phase.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/signal/prbs.h"
#include "core/signal/user_pattern.h"

enum evl_pattern_kind {
	EVL_PATTERN_PRBS,
	EVL_PATTERN_WORD,
	EVL_PATTERN_USER,
	EVL_PATTERN_COUNTER,
};

#define EVL_PATTERN_NAME_MAX    96 /* bytes with the NUL */
#define EVL_COUNTER_HEADER      16 /* bytes */
#define EVL_COUNTER_BLOCK_MIN   32
#define EVL_COUNTER_BLOCK_MAX   1024
#define EVL_COUNTER_BLOCK_USUAL 512
#define EVL_COUNTER_BLOCKS      (UINT64_C(1) << 48) /* then numbers begin again */

struct evl_pattern {
	enum evl_pattern_kind kind;
	bool inverted;           /* sense opposite to O.150; else every bit inverted */
	enum evl_prbs_kind prbs; /* PRBS */
	uint64_t word;           /* WORD: the first bit in time is bit word_bits-1 */
	unsigned word_bits;      /* WORD: 1..64, the shortest that repeats to the same */
	const struct evl_user_pattern *user; /* USER: borrowed */
	uint16_t block_bytes;                /* COUNTER */
	uint16_t channel;                    /* COUNTER: whose blocks they are */
};

/* EVL_E_INVALID: the message names what is wrong and what is known. */
enum evl_status evl_pattern_parse(struct evl_pattern *out, const char *text, struct evl_err *err);

/* The text that parse takes (for USER "user NAME, N bits", which it does not). At most
 * EVL_PATTERN_NAME_MAX bytes. Returns out. */
char *evl_pattern_name(char out[EVL_PATTERN_NAME_MAX], const struct evl_pattern *p);

/* All texts that need no number, for lists: NULL beyond the last. */
const char *evl_pattern_known(size_t i);

struct evl_pattern evl_pattern_prbs(enum evl_prbs_kind kind);
struct evl_pattern evl_pattern_word(uint64_t word, unsigned bits); /* bits 1..64 */
struct evl_pattern evl_pattern_user(const struct evl_user_pattern *u);
struct evl_pattern evl_pattern_counter(unsigned block_bytes, unsigned channel);

bool evl_pattern_same(const struct evl_pattern *a, const struct evl_pattern *b);

/* Bits after which it repeats; for COUNTER 2^48 blocks. */
uint64_t evl_pattern_period(const struct evl_pattern *p);

/* Can receivers of n channels be told apart by what arrives? */
enum evl_pattern_identity {
	EVL_IDENTITY_NONE,   /* too short: no */
	EVL_IDENTITY_PHASE,  /* by the phase of each (core/measure/phase.h) */
	EVL_IDENTITY_NUMBER, /* by the channel number that each block carries */
};
enum evl_pattern_identity evl_pattern_identity(const struct evl_pattern *p, size_t n);

/* Least bits of period for each channel that is told apart by phase. */
#define EVL_PATTERN_BITS_PER_CHANNEL 256

struct evl_source {
	struct evl_pattern pattern;
	uint64_t phase; /* of the next bit; below the period. PRBS: in prbs */
	struct evl_prbs prbs;
};

/* `phase`: any value, taken modulo the period. */
void evl_source_start(struct evl_source *s, const struct evl_pattern *pattern, uint64_t phase);

/* Writes the next 8 * bytes bits. */
void evl_source_fill(struct evl_source *s, uint8_t *out, size_t bytes);

/* Like fill, but may lend a shared table: see evl_prbs_lend. */
const uint8_t *evl_source_lend(struct evl_source *s, uint8_t *scratch, size_t *bytes);

/* Are these the next 8 * bytes bits? True only when they are, and then it has moved behind them;
 * false may also mean that it cannot tell so quickly (prbs.h): then make them and compare. */
bool evl_source_follow(struct evl_source *s, const uint8_t *got, size_t bytes);

void evl_source_skip(struct evl_source *s, uint64_t bits);

/* Phase of the next bit. */
uint64_t evl_source_phase(const struct evl_source *s);

/* The header of a block as sent, and back. Reading is false when marker or CRC do not fit. */
void evl_counter_header(uint8_t out[EVL_COUNTER_HEADER], unsigned channel, uint64_t number);
bool evl_counter_read(const uint8_t in[EVL_COUNTER_HEADER], unsigned *channel, uint64_t *number);
