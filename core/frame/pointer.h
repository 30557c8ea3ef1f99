/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The pointer word N N N N S S I D I D I D I D I D of AU-4, AU-3, TU-3 (H1 H2), TU-12 and TU-11
 * (V1 V2): generator and interpreter, ITU-T G.707 8.1 to 8.3, G.783 Annex A. One word a frame or,
 * in TU-12 and TU-11, a multiframe of 500 us; "frame" below means either.
 *
 *	struct evl_ptr_rx rx;
 *	evl_ptr_rx_init(&rx, EVL_PTR_TU12_RANGE, 8);
 *	switch (evl_ptr_rx_word(&rx, word)) { case EVL_PTR_INC: ... }
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define EVL_PTR_AU4_RANGE  783 /* values 0..782, unit 3 bytes; AU-3: unit 1 byte */
#define EVL_PTR_TU3_RANGE  765 /* values 0..764, unit 1 byte */
#define EVL_PTR_TU12_RANGE 140 /* values 0..139, unit 1 byte */
#define EVL_PTR_TU11_RANGE 104 /* values 0..103, unit 1 byte */
#define EVL_PTR_SS         2   /* SS = 10 for AU-4, AU-3, TU-3 and TU-12; SONET sends 00 */
#define EVL_PTR_SS_TU11    3
#define EVL_PTR_ALL_ONES   0xffffu

/* What the word means for the payload of its frame. */
enum evl_ptr_action {
	EVL_PTR_HOLD = 0,
	EVL_PTR_INC =
		1, /* the positive justification bytes are stuff; the value is one more after */
	EVL_PTR_DEC =
		2, /* the negative justification bytes carry data; the value is one less after */
	EVL_PTR_NEW = 3, /* `value` is new: the payload starts there */
};

/* ---- generator ---- */

struct evl_ptr_tx {
	uint16_t range;
	uint16_t value;
	uint16_t new_value; /* to be sent with NDF */
	bool has_new;
	uint8_t since_change; /* frames, saturates at 4 */
	uint8_t ss;           /* SS bits: 2 by default */
	int32_t pending;      /* increments (> 0) or decrements (< 0) still to send */
};

void evl_ptr_tx_init(struct evl_ptr_tx *tx, uint16_t range, uint16_t value);

/* The word of the next frame. After EVL_PTR_NEW, tx->value is the new value. Changes are at least 4
 * frames apart (three unchanged pointers between them, ITU-T G.707 8.1.5). */
uint16_t evl_ptr_tx_next(struct evl_ptr_tx *tx, enum evl_ptr_action *action);

/* The word for a value with the new data flag on or off. */
uint16_t evl_ptr_word(uint16_t value, uint8_t ss, bool ndf);

/* Concatenation indication 1001SS11 11111111 (G.707 8.1.7), whatever SS is. */
static inline bool evl_ptr_is_concatenation(uint16_t word)
{
	return (word & 0xf3ff) == 0x93ff;
}

/* ---- interpreter ---- */

enum evl_ptr_state {
	EVL_PTR_START = 0, /* nothing received yet; no defect so far */
	EVL_PTR_NORMAL = 1,
	EVL_PTR_AIS = 2,
	EVL_PTR_LOP = 3,
};

struct evl_ptr_rx {
	uint16_t range;
	uint16_t value;       /* valid in EVL_PTR_NORMAL */
	uint16_t candidate;   /* a normal value other than the present one ... */
	uint8_t same;         /* ... seen this many times in a row */
	uint8_t state;        /* enum evl_ptr_state */
	uint8_t ones;         /* words of all ones in a row */
	uint8_t invalid;      /* words in a row that are no valid pointer */
	uint8_t ndf;          /* words in a row with the new data flag */
	uint8_t since_change; /* frames, saturates at 4 */
	uint8_t lop_limit;    /* N of N x invalid and N x NDF */
};

void evl_ptr_rx_init(struct evl_ptr_rx *rx, uint16_t range, uint8_t lop_limit);

/* True when the word is the value that holds, written as sent without errors; then
 * evl_ptr_rx_same has the effect of evl_ptr_rx_word. */
static inline bool evl_ptr_rx_is_same(const struct evl_ptr_rx *rx, uint16_t word)
{
	return rx->state == EVL_PTR_NORMAL && (word & 0xf3ff) == (0x6000 | rx->value);
}

static inline void evl_ptr_rx_same(struct evl_ptr_rx *rx)
{
	rx->since_change = (uint8_t)(rx->since_change + (rx->since_change < 4));
	rx->ones = rx->ndf = rx->same = rx->invalid = 0;
}

/*
 * Rules (G.783 Annex A, figures in facts of G.707 8.1; SS bits are not looked at):
 * - NNNN is NDF when at least 3 bits match 1001, normal when at least 3 match 0110;
 * - increment or decrement when at least 8 of the 10 I and D bits match, in a normal word, not
 *   within 3 frames after a change;
 * - another valid normal value counts when it came 3 times in a row; with NDF at once;
 * - 3 words of all ones: AIS. lop_limit words in a row invalid, or with NDF: LOP.
 * - LOP is left by 3 equal valid normal words or by AIS; AIS also by one NDF.
 */
enum evl_ptr_action evl_ptr_rx_word(struct evl_ptr_rx *rx, uint16_t word);
