/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Numbering maps: which place in the line a tributary number means. ITU-T G.707 has two orders
 * (Table 7-1, and the note in 7.3.13); a laboratory may have a third, given as a table. They differ
 * for most numbers, so reports always show number and place together.
 *
 *	struct evl_numbering map;
 *	struct evl_numbering_place place;
 *	evl_numbering_init(&map, EVL_NUMBERING_COLUMN);
 *	if (evl_numbering_place(&place, &map, EVL_NUMBERING_TU12, 22)) {
 *		puts(evl_numbering_format(&map, place, text));	// 1-1-2
 *	}
 *
 * A place is K-L-M: TUG-3 1..3, TUG-2 1..7, TU-12 1..3 or TU-11 1..4. On the AU-3 route the number
 * of the AU-3 stands in the place of K. On STM-4 the number of the AUG-1, 1..4, comes in front; the
 * tributary numbers of the second AUG-1 begin after the last of the first (common practice, no
 * source).
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/base/rate.h"

#define EVL_NUMBERING_MAX  336u /* TU-11 of an STM-4 */
#define EVL_NUMBERING_TEXT 16u  /* bytes that hold "A-K-L-M" with the NUL */

enum evl_numbering_kind {
	EVL_NUMBERING_NONE = 0,   /* the bench says nothing: numbers have no place */
	EVL_NUMBERING_COLUMN = 1, /* "column-order": K + 3(L-1) + 21(M-1) */
	EVL_NUMBERING_KLM = 2,    /* "klm-order": M runs fastest, then L, then K */
	EVL_NUMBERING_TABLE = 3,  /* a table in the bench file */
};

enum evl_numbering_unit {
	EVL_NUMBERING_BY_RATE = 0, /* TU-12 for E1, TU-11 for T1 */
	EVL_NUMBERING_TU12 = 1,    /* 63 to an AUG-1; VT2 in SONET */
	EVL_NUMBERING_TU11 = 2,    /* 84 to an AUG-1; VT1.5 in SONET */
};

enum evl_numbering_route {
	EVL_NUMBERING_AU4 = 0, /* by way of TUG-3 and VC-4 */
	EVL_NUMBERING_AU3 = 1, /* by way of VC-3; STS-1 in SONET */
};

struct evl_numbering_place {
	uint8_t aug; /* AUG-1 of the STM-N, 1..4; 1 on STM-1 */
	uint8_t k;   /* TUG-3, or AU-3, 1..3 */
	uint8_t l;   /* TUG-2, 1..7 */
	uint8_t m;   /* TU-12, 1..3, or TU-11, 1..4 */
};

struct evl_numbering {
	enum evl_numbering_kind kind;
	enum evl_numbering_unit unit; /* of a table never BY_RATE */
	enum evl_numbering_route route;
	uint8_t augs;                                         /* AUG-1 in the line: 1 or 4 */
	struct evl_numbering_place places[EVL_NUMBERING_MAX]; /* of a table, by number - 1 */
};

/* A map without table for STM-1, AU-4, units by rate; `kind` is NONE, COLUMN or KLM. The fields
 * unit, route and augs may be set afterwards. */
void evl_numbering_init(struct evl_numbering *map, enum evl_numbering_kind kind);

/* The unit that channels of this rate ride in; BY_RATE when they cannot have one (another rate, or
 * E1 where the map says TU-11). */
enum evl_numbering_unit evl_numbering_unit_of(const struct evl_numbering *map, enum evl_rate rate);

/* How many numbers there are: 63 or 84 for each AUG-1. `unit` is not BY_RATE; so below. */
uint32_t evl_numbering_count(const struct evl_numbering *map, enum evl_numbering_unit unit);

/* The place of a number. False (and *out is zero) when the number is out of range, the map is NONE,
 * or it is a table of the other unit. */
bool evl_numbering_place(struct evl_numbering_place *out, const struct evl_numbering *map,
	enum evl_numbering_unit unit, uint32_t number);

/* The number of a place; 0 where evl_numbering_place would say false for all numbers. */
uint32_t evl_numbering_number(const struct evl_numbering *map, enum evl_numbering_unit unit,
	struct evl_numbering_place place);

/* The number by one of the two orders of the standard, whatever the map; `kind` is COLUMN or KLM
 * and the place must be good. */
uint32_t evl_numbering_formula(enum evl_numbering_kind kind, enum evl_numbering_unit unit,
	struct evl_numbering_place place);

bool evl_numbering_place_good(const struct evl_numbering *map, enum evl_numbering_unit unit,
	struct evl_numbering_place place);

/* The columns that the unit fills, from 1, returned in rising order: 4 of a TU-12, 3 of a TU-11. On
 * the AU-4 route of the VC-4's 261 (ITU-T G.707 7.3), on the AU-3 route of the AU-3's 87, which
 * include the fixed stuff in 30 and 59 (7.1, 10.1; ANSI T1.105). Returns how many. */
uint32_t evl_numbering_columns(uint16_t columns[4], const struct evl_numbering *map,
	enum evl_numbering_unit unit, struct evl_numbering_place place);

/* "K-L-M", with "A-" in front when the line has more AUG-1 than one. Returns `text`. */
const char *evl_numbering_format(const struct evl_numbering *map, struct evl_numbering_place place,
	char text[EVL_NUMBERING_TEXT]);

/* Reads exactly that. False for anything else, or a place that is not good. */
bool evl_numbering_parse(struct evl_numbering_place *out, const struct evl_numbering *map,
	enum evl_numbering_unit unit, const char *text);

/* "column-order", "klm-order", "table", "none". */
const char *evl_numbering_name(enum evl_numbering_kind kind);
/* "by-rate", "TU-12", "TU-11"; "AU-4", "AU-3"; "STM-1", "STM-4". */
const char *evl_numbering_unit_name(enum evl_numbering_unit unit);
const char *evl_numbering_route_name(enum evl_numbering_route route);
const char *evl_numbering_line_name(const struct evl_numbering *map);
