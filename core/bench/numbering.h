/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Numbering maps: which place K-L-M in the VC-4 a tributary number means. ITU-T G.707 has two
 * orders (Table 7-1, and the note in 7.3.13); a laboratory may have a third, given as a table.
 * They differ for most numbers, so reports always show number and K-L-M together.
 *
 *	struct evl_numbering map;
 *	evl_numbering_init(&map, EVL_NUMBERING_COLUMN);
 *	struct evl_klm place = evl_numbering_klm(&map, 2);	// 2-1-1
 *	uint32_t number = evl_numbering_number(&map, place);	// 2
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/base/text.h"
#include "core/frame/klm.h"

#define EVL_NUMBERING_COUNT 63u /* TU-12 in a VC-4: 3 TUG-3 x 7 TUG-2 x 3, G.707 7.3 */

enum evl_numbering_kind {
	EVL_NUMBERING_NONE = 0,   /* the bench says nothing: numbers have no K-L-M */
	EVL_NUMBERING_COLUMN = 1, /* "column-order": n = K + 3(L-1) + 21(M-1) */
	EVL_NUMBERING_KLM = 2,    /* "klm-order": n = 21(K-1) + 3(L-1) + M */
	EVL_NUMBERING_TABLE = 3,  /* a table in the bench file */
};

struct evl_numbering {
	enum evl_numbering_kind kind;
	struct evl_klm places[EVL_NUMBERING_COUNT + 1]; /* by number 1..63; [0] unused */
	uint8_t numbers[4][8][4];                       /* by K, L, M; 0 where there is none */
};

/* Fills a map by formula; `kind` is NONE, COLUMN or KLM. */
void evl_numbering_init(struct evl_numbering *map, enum evl_numbering_kind kind);

/* Fills a map from a table: table[i] is the place of number i + 1. EVL_E_INVALID unless every
 * place 1-1-1 .. 3-7-3 comes exactly once; the message names the numbers. */
enum evl_status evl_numbering_init_table(struct evl_numbering *map,
					 const struct evl_klm table[EVL_NUMBERING_COUNT],
					 struct evl_err *err);

/* The place of a number; all zero when the number is not 1..63 or the map is NONE. */
struct evl_klm evl_numbering_klm(const struct evl_numbering *map, uint32_t number);

/* The number of a place; 0 when it is no place 1-1-1 .. 3-7-3 or the map is NONE. */
uint32_t evl_numbering_number(const struct evl_numbering *map, struct evl_klm place);

/* "column-order", "klm-order", "table", "none". */
const char *evl_numbering_name(enum evl_numbering_kind kind);

/* Adds a table for people: 21 lines of three "number  K-L-M", numbers running down. */
void evl_numbering_print(const struct evl_numbering *map, struct evl_text *out);
