/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One map of every sort that the issue names, with the number of clients counted by hand:
 *
 *	struct evl_sdh_map map;
 *	const char *name = sdh_map_make(&map, 0);	// "63e1"
 */
#pragma once

#include <stdint.h>
#include <string.h>

#include "core/frame/sdh_map.h"

#define SDH_MAPS 13u

static inline uint32_t sdh_map_expected(uint32_t m)
{
	/* mixed: TUG-3 1: 7 TUG-2 by turns TU-12 (4) and TU-11 (3): 12 + 12; TUG-3 2: VC-3; TUG-3
	 * 3: 21 byte-synchronous E1 less one TU left empty. au3mix: VC-3; 28 T1; 4 x 3 T1 in TU-12
	 * and 3 x 4 byte-synchronous T1. stm4mix: 63 E1, 84 T1, VC-4, 3 VC-3 in TU-3. */
	static const uint32_t n[SDH_MAPS] = {63, 84, 45, 84, 252, 1, 1, 3, 63, 63, 53, 151, 336};
	return n[m];
}

static inline const char *sdh_map_make(struct evl_sdh_map *map, uint32_t m)
{
	static const char *const names[SDH_MAPS] = {"63e1", "84t1", "mixed", "au3", "stm4", "vc4",
		"vc4-4c", "3vc3", "63t1", "63e1-byte", "au3mix", "stm4mix", "stm4-t1"};
	switch (m) {
	case 0:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU4, EVL_SDH_E1);
		break;
	case 1:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU4, EVL_SDH_T1);
		break;
	case 2:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU4, EVL_SDH_E1_BYTE);
		for (uint32_t l = 0; l < 7; l++) {
			struct evl_sdh_tug2 *g = &map->aug[0].part[0].tug2[l];
			g->tu11 = l % 2 == 1;
			memset(g->kind, g->tu11 ? EVL_SDH_T1 : EVL_SDH_E1, g->tu11 ? 4 : 3);
		}
		map->aug[0].part[1].hold = EVL_SDH_BULK;
		map->aug[0].part[2].tug2[3].kind[1] = EVL_SDH_NONE;
		break;
	case 3:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU3, EVL_SDH_T1);
		break;
	case 4:
		evl_sdh_map_fill(map, 4, EVL_SDH_AU4, EVL_SDH_E1);
		break;
	case 5:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU4, EVL_SDH_VC4);
		break;
	case 6:
		evl_sdh_map_fill(map, 4, EVL_SDH_AU4_4C, EVL_SDH_VC4_4C);
		break;
	case 7:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU3, EVL_SDH_VC3);
		break;
	case 8:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU4, EVL_SDH_E1);
		for (uint32_t i = 0; i < 21; i++) {
			memset(map->aug[0].part[i % 3].tug2[i / 3].kind, EVL_SDH_T1, 3);
		}
		break;
	case 9:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU3, EVL_SDH_E1_BYTE);
		break;
	case 10:
		evl_sdh_map_fill(map, 1, EVL_SDH_AU3, EVL_SDH_T1);
		map->aug[0].part[0].hold = EVL_SDH_BULK;
		for (uint32_t l = 0; l < 7; l++) {
			struct evl_sdh_tug2 *g = &map->aug[0].part[2].tug2[l];
			g->tu11 = l >= 4;
			memset(g->kind, 0, 4);
			memset(g->kind, g->tu11 ? EVL_SDH_T1_BYTE : EVL_SDH_T1, g->tu11 ? 4 : 3);
		}
		break;
	case 11:
		evl_sdh_map_fill(map, 4, EVL_SDH_AU4, EVL_SDH_E1);
		{
			struct evl_sdh_map other;
			evl_sdh_map_fill(&other, 4, EVL_SDH_AU3, EVL_SDH_T1);
			map->aug[1] = other.aug[1];
			map->aug[2].hold = EVL_SDH_BULK;
			for (uint32_t k = 0; k < 3; k++) {
				map->aug[3].part[k].hold = EVL_SDH_BULK;
			}
		}
		break;
	default:
		evl_sdh_map_fill(map, 4, EVL_SDH_AU3, EVL_SDH_T1_BYTE);
		break;
	}
	return names[m];
}
