/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds bit-oriented messages on the data link of ESF: 11111111 0cccccc0 repeated (ANSI T1.403,
 * from memory). A code is taken when 7 of 10 contiguous 16-bit intervals carry it, and is gone when
 * 10 contiguous ones do not (the rule that RFC 4805 3.4 quotes for RAI; used for every code).
 *
 *	struct evl_t1_link link = {0};
 *	if (evl_t1_link_bit(&link, bit)) {
 *		// link.code is now 0..63, or EVL_T1_NO_CODE
 *	}
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define EVL_T1_NO_CODE (-1)

/* All zero is the beginning. Read found and code; the rest is private. */
struct evl_t1_link {
	bool found; /* code holds */
	uint8_t code;
	bool tracking;
	uint8_t tracked;  /* code under watch */
	uint8_t phase;    /* bits since its last interval ended */
	uint16_t history; /* ten intervals, latest in bit 0 */
	uint16_t bits;    /* the last 16, latest in bit 0 */
	uint8_t have;     /* bits in it, up to 16 */
	uint32_t ones;    /* in a row */
};

/* True when found or code changed. */
bool evl_t1_link_bit(struct evl_t1_link *link, bool bit);
