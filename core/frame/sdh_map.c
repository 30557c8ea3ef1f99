/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/sdh_map.h"

#include <string.h>

#include "core/frame/stm.h"

#define C4_BYTES    2340u /* 9 x 260 */
#define C3_BYTES    756u  /* 9 x 84 */
#define C4_4C_BYTES 9360u /* 9 x 1040 */

static bool is_e1(uint32_t kind)
{
	return kind == EVL_SDH_E1 || kind == EVL_SDH_E1_BYTE;
}

static bool is_t1(uint32_t kind)
{
	return kind == EVL_SDH_T1 || kind == EVL_SDH_T1_BYTE;
}

static void fill_part(struct evl_sdh_part *part, enum evl_sdh_kind kind)
{
	part->hold = kind == EVL_SDH_VC3 ? EVL_SDH_BULK : EVL_SDH_TUG;
	for (uint32_t l = 0; part->hold == EVL_SDH_TUG && l < EVL_SDH_TUG2S; l++) {
		part->tug2[l].tu11 = is_t1(kind);
		memset(part->tug2[l].kind, (int)kind, is_t1(kind) ? 4 : 3);
	}
}

void evl_sdh_map_fill(
	struct evl_sdh_map *map, uint32_t stm, enum evl_sdh_au au, enum evl_sdh_kind kind)
{
	memset(map, 0, sizeof(*map));
	map->stm = (uint8_t)stm;
	map->sonet = au == EVL_SDH_AU3;
	for (uint32_t a = 0; a < stm && a < EVL_SDH_AUGS; a++) {
		struct evl_sdh_aug *aug = &map->aug[a];
		aug->au = (uint8_t)au;
		if (kind == EVL_SDH_VC4 || kind == EVL_SDH_VC4_4C) {
			aug->hold = EVL_SDH_BULK;
			continue;
		}
		aug->hold = EVL_SDH_TUG;
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			fill_part(&aug->part[k], kind);
		}
	}
}

static enum evl_status check_part(
	const struct evl_sdh_part *part, uint32_t aug, uint32_t k, struct evl_err *err)
{
	if (part->hold > EVL_SDH_TUG) {
		return evl_err_set(err, EVL_E_INVALID,
			"aug %u part %u: hold is %u; allowed are 0 to 2", aug, k, part->hold);
	}
	for (uint32_t l = 0; part->hold == EVL_SDH_TUG && l < EVL_SDH_TUG2S; l++) {
		const struct evl_sdh_tug2 *g = &part->tug2[l];
		for (uint32_t m = 0; m < 4; m++) {
			const char *what = NULL;
			if (g->kind[m] > EVL_SDH_T1_BYTE) {
				what = "is no kind for a TU; take E1, T1 or none";
			} else if (!g->tu11 && m == 3 && g->kind[m] != EVL_SDH_NONE) {
				what = "does not exist; a TUG-2 has three TU-12";
			} else if (g->tu11 && is_e1(g->kind[m])) {
				what = "does not fit; an E1 needs a TU-12";
			}
			if (what != NULL) {
				return evl_err_set(err, EVL_E_INVALID,
					"aug %u part %u tug2 %u tu %u: kind %u %s", aug, k, l + 1,
					m + 1, g->kind[m], what);
			}
		}
	}
	return EVL_OK;
}

enum evl_status evl_sdh_map_check(const struct evl_sdh_map *map, struct evl_err *err)
{
	if (map->stm != 1 && map->stm != 4) {
		return evl_err_set(err, EVL_E_INVALID, "stm is %u; allowed are 1 and 4", map->stm);
	}
	if (map->row1 > EVL_STM_C1) {
		return evl_err_set(err, EVL_E_INVALID, "row1 is %u; allowed are 0 to 2", map->row1);
	}
	for (uint32_t a = 0; a < map->stm; a++) {
		const struct evl_sdh_aug *aug = &map->aug[a];
		bool whole = aug->au == EVL_SDH_AU4_4C;
		if (aug->au > EVL_SDH_AU4_4C) {
			return evl_err_set(err, EVL_E_INVALID,
				"aug %u: au is %u; allowed are 0 to 2", a + 1, aug->au);
		}
		if (whole && map->stm != 4) {
			return evl_err_set(
				err, EVL_E_INVALID, "aug %u: AU-4-4c needs stm 4", a + 1);
		}
		if (whole != (map->aug[0].au == EVL_SDH_AU4_4C)) {
			return evl_err_set(err, EVL_E_INVALID,
				"aug %u: AU-4-4c takes all four AUG; say it in each", a + 1);
		}
		if (aug->au != EVL_SDH_AU3 && aug->hold > EVL_SDH_TUG) {
			return evl_err_set(err, EVL_E_INVALID,
				"aug %u: hold is %u; allowed are 0 to 2", a + 1, aug->hold);
		}
		if (whole && aug->hold == EVL_SDH_TUG) {
			return evl_err_set(err, EVL_E_INVALID,
				"aug %u: a VC-4-4c holds no TUG; take bulk or empty", a + 1);
		}
		bool parts = aug->au == EVL_SDH_AU3 || (!whole && aug->hold == EVL_SDH_TUG);
		for (uint32_t k = 0; parts && k < EVL_SDH_PARTS; k++) {
			enum evl_status status = check_part(&aug->part[k], a + 1, k + 1, err);
			if (status != EVL_OK) {
				return status;
			}
		}
	}
	return EVL_OK;
}

static void add(struct evl_sdh_client *list, uint32_t *n, struct evl_sdh_client client)
{
	static const uint32_t bits[EVL_SDH_KINDS] = {[EVL_SDH_E1] = 256,
		[EVL_SDH_E1_BYTE] = 256,
		[EVL_SDH_T1] = 193,
		[EVL_SDH_T1_BYTE] = 193,
		[EVL_SDH_VC3] = 8 * C3_BYTES,
		[EVL_SDH_VC4] = 8 * C4_BYTES,
		[EVL_SDH_VC4_4C] = 8 * C4_4C_BYTES};
	client.frame_bits = bits[client.kind];
	if (list != NULL) {
		list[*n] = client;
	}
	(*n)++;
}

static void add_parts(const struct evl_sdh_aug *aug, struct evl_sdh_client c,
	struct evl_sdh_client *list, uint32_t *n)
{
	const uint8_t high = c.high;
	bool au3 = aug->au == EVL_SDH_AU3;
	for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
		if (aug->part[k].hold == EVL_SDH_BULK) {
			c.kind = EVL_SDH_VC3;
			c.k = (uint8_t)(k + 1);
			c.high = (uint8_t)(high + (au3 ? k : 0));
			add(list, n, c);
		}
	}
	for (uint32_t i = 0; i < EVL_SDH_MOST_TUS; i++) {
		uint32_t k = i % 3, l = i / 3 % 7, m = i / 21;
		const struct evl_sdh_part *part = &aug->part[k];
		if (part->hold != EVL_SDH_TUG || part->tug2[l].kind[m] == EVL_SDH_NONE) {
			continue;
		}
		c.kind = part->tug2[l].kind[m];
		c.tu11 = part->tug2[l].tu11;
		c.k = (uint8_t)(k + 1);
		c.l = (uint8_t)(l + 1);
		c.m = (uint8_t)(m + 1);
		c.high = (uint8_t)(high + (au3 ? k : 0));
		add(list, n, c);
	}
}

uint32_t evl_sdh_map_clients(
	const struct evl_sdh_map *map, struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS])
{
	uint32_t n = 0;
	for (uint32_t a = 0; a < map->stm; a++) {
		const struct evl_sdh_aug *aug = &map->aug[a];
		struct evl_sdh_client c = {.aug = (uint8_t)(a + 1), .high = (uint8_t)(3 * a)};
		bool parts = aug->au == EVL_SDH_AU3 || aug->hold == EVL_SDH_TUG;
		if (aug->au == EVL_SDH_AU4_4C && a > 0) {
			break;
		}
		if (parts) {
			add_parts(aug, c, list, &n);
		} else if (aug->hold == EVL_SDH_BULK) {
			c.kind = aug->au == EVL_SDH_AU4 ? EVL_SDH_VC4 : EVL_SDH_VC4_4C;
			add(list, &n, c);
		}
	}
	return n;
}

uint32_t evl_sdh_path_number(const struct evl_sdh_map *map, uint32_t high)
{
	uint32_t n = 1;
	for (uint32_t a = 0; a < high / 3; a++) {
		n += map->aug[a].au == EVL_SDH_AU3 ? 3 : 1;
	}
	return n + high % 3;
}

const char *evl_sdh_kind_name(enum evl_sdh_kind kind)
{
	static const char *const names[EVL_SDH_KINDS] = {"none", "E1", "E1 byte-synchronous", "T1",
		"T1 byte-synchronous", "VC-3", "VC-4", "VC-4-4c"};
	return kind < EVL_SDH_KINDS ? names[kind] : "none";
}
