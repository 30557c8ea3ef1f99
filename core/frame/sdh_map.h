/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What an STM-1, STM-4, OC-3 or OC-12 line carries: the multiplexing structure of ITU-T G.707
 * clause 6 and figure 6-1 (ANSI T1.105) as plain data.
 *
 *	struct evl_sdh_map map;
 *	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);	// 63 E1 in one AU-4
 *	map.aug[0].part[2].hold = EVL_SDH_BULK;			// the third TUG-3 is a TU-3
 *	if (evl_sdh_map_check(&map, &err) != EVL_OK) ...
 *	struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
 *	uint32_t n = evl_sdh_map_clients(&map, list);		// 42 E1 and one VC-3
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_SDH_AUGS         4   /* of STM-4 */
#define EVL_SDH_PARTS        3   /* TUG-3 of a VC-4, or AU-3 of an AUG */
#define EVL_SDH_TUG2S        7   /* of a TUG-3 or VC-3 */
#define EVL_SDH_MOST_TUS     84  /* of an AUG */
#define EVL_SDH_MOST_CLIENTS 336 /* 84 TU-11 in each of 4 AUG */
#define EVL_SDH_MOST_HIGH    12  /* high-order paths: 3 AU-3 in each of 4 AUG */

enum evl_sdh_au {
	EVL_SDH_AU4 = 0,    /* STS-3c */
	EVL_SDH_AU3 = 1,    /* 3 x AU-3: 3 x STS-1 */
	EVL_SDH_AU4_4C = 2, /* STS-12c: all of an STM-4, said in aug[0] */
};

/* What a VC-4, VC-4-4c, TUG-3 or VC-3 holds. */
enum evl_sdh_hold {
	EVL_SDH_EMPTY = 0, /* unequipped: C2 = 0 and payload zero; a TUG-3 of stuff */
	EVL_SDH_BULK = 1,  /* the container as a stream of bytes; in a TUG-3: VC-3 in TU-3 */
	EVL_SDH_TUG = 2,   /* VC-4: 3 TUG-3. TUG-3 and VC-3: 7 TUG-2. C2 = 02 */
};

/* What a TU carries. */
enum evl_sdh_kind {
	EVL_SDH_NONE = 0,    /* nothing: V5 label 0, data zero */
	EVL_SDH_E1 = 1,      /* VC-12 asynchronous; not in TU-11 */
	EVL_SDH_E1_BYTE = 2, /* VC-12 byte-synchronous; not in TU-11 */
	EVL_SDH_T1 = 3,      /* VC-11 asynchronous, in TU-11 or TU-12 */
	EVL_SDH_T1_BYTE = 4, /* VC-11 byte-synchronous, in TU-11 or TU-12 */
	EVL_SDH_VC3 = 5,     /* of a client only: bulk in VC-3 */
	EVL_SDH_VC4 = 6,     /* likewise in VC-4 */
	EVL_SDH_VC4_4C = 7,  /* likewise in VC-4-4c */
	EVL_SDH_KINDS
};

struct evl_sdh_tug2 {
	bool tu11;       /* four TU-11; otherwise three TU-12 */
	uint8_t kind[4]; /* enum evl_sdh_kind of TU m = 1..3 or 1..4 */
};

struct evl_sdh_part {
	uint8_t hold; /* enum evl_sdh_hold */
	struct evl_sdh_tug2 tug2[EVL_SDH_TUG2S];
};

struct evl_sdh_aug {
	uint8_t au;   /* enum evl_sdh_au */
	uint8_t hold; /* of VC-4 or VC-4-4c, enum evl_sdh_hold; not read for AU-3 */
	struct evl_sdh_part part[EVL_SDH_PARTS]; /* TUG-3 K, or VC-3 A; with AU-4 only for TUG */
};

struct evl_sdh_map {
	uint8_t stm;  /* 1 (STM-1, OC-3) or 4 (STM-4, OC-12) */
	bool sonet;   /* SS bits of AU pointers 00 instead of 10 */
	uint8_t row1; /* enum evl_stm_row1: what follows A2 */
	struct evl_sdh_aug aug[EVL_SDH_AUGS];
};

/* A whole line of one kind: E1 and E1_BYTE in TU-12, T1 and T1_BYTE in TU-11, VC3 in TU-3 or AU-3,
 * VC4, VC4_4C; au must fit the kind. With AU-3 `sonet` is set. */
void evl_sdh_map_fill(
	struct evl_sdh_map *map, uint32_t stm, enum evl_sdh_au au, enum evl_sdh_kind kind);

/* EVL_E_INVALID: the message names the field, such as "aug 1 part 2 tug2 5 tu 4: ...". */
enum evl_status evl_sdh_map_check(const struct evl_sdh_map *map, struct evl_err *err);

/* A client of the line. Numbers from 1; k is the TUG-3 or the AU-3, l the TUG-2, m the TU; 0 where
 * there is none. */
struct evl_sdh_client {
	uint8_t kind; /* enum evl_sdh_kind, not NONE */
	bool tu11;
	uint8_t aug, k, l, m;
	uint8_t high; /* index of its high-order path: 3 (aug - 1), and k - 1 more for AU-3 */
	uint32_t frame_bits; /* nominal, in 125 us: 256, 193, or the container */
};

/* Clients in the order of AUG and then of their first column (m, then l, then k runs fastest; the
 * t-th of 63 E1 begins in column 9 + t of the VC-4); containers of their own where their first
 * column is. `list` may be NULL. The map must be good. */
uint32_t evl_sdh_map_clients(
	const struct evl_sdh_map *map, struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS]);

/* Number of a high-order path, from 1 in the order of the line: three to an AUG with AU-3 (SONET's
 * STS-1), else one. `high`: as in evl_sdh_client. */
uint32_t evl_sdh_path_number(const struct evl_sdh_map *map, uint32_t high);

/* "E1", "E1 byte-synchronous", ..., "VC-4-4c". */
const char *evl_sdh_kind_name(enum evl_sdh_kind kind);
