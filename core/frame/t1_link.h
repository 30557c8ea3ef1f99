/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds bit-oriented messages on the data link of ESF: 11111111 0cccccc0 repeated (ANSI T1.403,
 * from memory). A code is taken when 7 of 10 contiguous 16-bit intervals carry it, and is gone when
 * 10 contiguous ones do not (the rule that RFC 4805 3.4 quotes for RAI; used for every code).
 *
 *	struct evl_t1_link link = {0};
 *	if (evl_t1_link_bit(&link, bit)) {
 *		// link.code is now 0..63, when link.found
 *	}
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define EVL_T1_NO_CODE (-1)

/* A code under watch, at one phase of 16 bits. */
struct evl_t1_link_watch {
	bool on;
	uint8_t code;
	uint8_t phase;    /* bits since its last interval ended */
	uint16_t history; /* ten intervals, latest in bit 0 */
};

/* All zero is the beginning. Read found and code; the rest is private. */
struct evl_t1_link {
	bool found; /* code holds */
	uint8_t code;
	struct evl_t1_link_watch held, next; /* the code found; one that may become it */
	uint16_t bits;                       /* the last 16, latest in bit 0 */
	uint8_t have;                        /* bits in it, up to 16 */
	uint32_t ones;                       /* in a row, saturating */
};

/* True when found or code changed. */
bool evl_t1_link_bit(struct evl_t1_link *link, bool bit);
