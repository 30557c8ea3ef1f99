/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A multiplexing structure (sdh_map.h) as text, for bench files, campaigns and reports. Written as
 * the way up through ITU-T G.707 figure 6-1, from the administrative unit to what is carried:
 *
 *	AU-4/TU-12/E1			63 E1, asynchronous, of an STM-1; 252 of an STM-4
 *	AU-3/TU-11/T1			84 T1 by way of three AU-3
 *	AU-4/TU-12/E1 byte-synchronous	AU-4/TU-12/T1		AU-4/TU-11/T1 byte-synchronous
 *	AU-4/TU-3/VC-3			AU-3/VC-3		AU-4/VC-4	AU-4-4c/VC-4-4c
 *	AU-4/empty			unequipped
 *
 * In SONET's words AU-3 is an STS-1, TU-11 a VT1.5, TU-12 a VT2, AU-4 an STS-3c, AU-4-4c an
 * STS-12c; docs/transport.md has a table.
 *
 * Parts that differ are a list with commas: three for the TUG-3 of each VC-4 or the AU-3 of each
 * AUG, on an STM-4 also four for the AUG, or twelve for both. "AU-4/TU-12/E1, AU-4/TU-12/E1,
 * AU-4/TU-3/VC-3" is 42 E1 and one VC-3.
 *
 *	struct evl_sdh_map map;
 *	if (evl_sdh_map_parse(&map, 1, "AU-4/TU-12/E1", &err) < 0) ...
 */
#pragma once

#include <stddef.h>

#include "core/frame/sdh_map.h"

#define EVL_SDH_MAP_TEXT 512u /* bytes that hold any such text with the NUL */

/* stm: 1 or 4. SS bits of AU-3 are those of SONET. EVL_E_INVALID: the message names the entry that
 * is wrong and what may stand there. */
enum evl_status evl_sdh_map_parse(
	struct evl_sdh_map *out, uint32_t stm, const char *text, struct evl_err *err);

/* The shortest such text; "mixed" for a map that has other kinds within one TUG-3 or AU-3, which
 * the notation cannot say. Returns `text`. */
const char *evl_sdh_map_text(const struct evl_sdh_map *map, char text[EVL_SDH_MAP_TEXT]);
