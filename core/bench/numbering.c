/* SPDX-License-Identifier: Apache-2.0 */
#include "core/bench/numbering.h"

#include <string.h>

#define KS 3u /* TUG-3 of a VC-4, AU-3 of an AUG-1 */
#define LS 7u /* TUG-2 of a TUG-3 or VC-3 */

static uint32_t per_tug2(enum evl_numbering_unit unit)
{
	evl_require(unit == EVL_NUMBERING_TU12 || unit == EVL_NUMBERING_TU11);
	return unit == EVL_NUMBERING_TU12 ? 3 : 4;
}

void evl_numbering_init(struct evl_numbering *map, enum evl_numbering_kind kind)
{
	evl_require(kind >= EVL_NUMBERING_NONE && kind <= EVL_NUMBERING_KLM);
	*map = (struct evl_numbering){.kind = kind, .augs = 1};
}

enum evl_numbering_unit evl_numbering_unit_of(const struct evl_numbering *map, enum evl_rate rate)
{
	if (rate == EVL_RATE_E1) {
		return map->unit == EVL_NUMBERING_TU11 ? EVL_NUMBERING_BY_RATE : EVL_NUMBERING_TU12;
	}
	if (rate == EVL_RATE_T1) {
		return map->unit == EVL_NUMBERING_TU12 ? EVL_NUMBERING_TU12 : EVL_NUMBERING_TU11;
	}
	return EVL_NUMBERING_BY_RATE;
}

uint32_t evl_numbering_count(const struct evl_numbering *map, enum evl_numbering_unit unit)
{
	return map->augs * KS * LS * per_tug2(unit);
}

/* A table names the places of one kind of unit. */
static bool serves(const struct evl_numbering *map, enum evl_numbering_unit unit)
{
	return map->kind != EVL_NUMBERING_NONE &&
	       (map->unit == EVL_NUMBERING_BY_RATE || map->unit == unit);
}

bool evl_numbering_place(struct evl_numbering_place *out, const struct evl_numbering *map,
	enum evl_numbering_unit unit, uint32_t number)
{
	*out = (struct evl_numbering_place){0};
	if (number < 1 || number > evl_numbering_count(map, unit) || !serves(map, unit)) {
		return false;
	}
	if (map->kind == EVL_NUMBERING_TABLE) {
		*out = map->places[number - 1];
		return true;
	}
	uint32_t ms = per_tug2(unit), in_aug = (number - 1) % (KS * LS * ms);
	out->aug = (uint8_t)((number - 1) / (KS * LS * ms) + 1);
	if (map->kind == EVL_NUMBERING_COLUMN) {
		out->k = (uint8_t)(in_aug % KS + 1);
		out->l = (uint8_t)(in_aug / KS % LS + 1);
		out->m = (uint8_t)(in_aug / (KS * LS) + 1);
	} else {
		out->k = (uint8_t)(in_aug / (LS * ms) + 1);
		out->l = (uint8_t)(in_aug / ms % LS + 1);
		out->m = (uint8_t)(in_aug % ms + 1);
	}
	return true;
}

bool evl_numbering_place_good(const struct evl_numbering *map, enum evl_numbering_unit unit,
	struct evl_numbering_place place)
{
	return place.aug >= 1 && place.aug <= map->augs && place.k >= 1 && place.k <= KS &&
	       place.l >= 1 && place.l <= LS && place.m >= 1 && place.m <= per_tug2(unit);
}

uint32_t evl_numbering_formula(enum evl_numbering_kind kind, enum evl_numbering_unit unit,
	struct evl_numbering_place place)
{
	uint32_t ms = per_tug2(unit), k = place.k - 1u, l = place.l - 1u, m = place.m - 1u;
	uint32_t before = (place.aug - 1u) * KS * LS * ms;
	evl_require(kind == EVL_NUMBERING_COLUMN || kind == EVL_NUMBERING_KLM);
	evl_require(k < KS && l < LS && m < ms);
	return before +
	       (kind == EVL_NUMBERING_COLUMN ? k + KS * l + KS * LS * m : (k * LS + l) * ms + m) +
	       1;
}

uint32_t evl_numbering_number(const struct evl_numbering *map, enum evl_numbering_unit unit,
	struct evl_numbering_place place)
{
	if (!serves(map, unit) || !evl_numbering_place_good(map, unit, place)) {
		return 0;
	}
	if (map->kind != EVL_NUMBERING_TABLE) {
		return evl_numbering_formula(map->kind, unit, place);
	}
	for (uint32_t i = 0; i < evl_numbering_count(map, unit); i++) {
		if (memcmp(&map->places[i], &place, sizeof place) == 0) {
			return i + 1;
		}
	}
	return 0;
}

uint32_t evl_numbering_columns(uint16_t columns[4], const struct evl_numbering *map,
	enum evl_numbering_unit unit, struct evl_numbering_place place)
{
	uint32_t count = unit == EVL_NUMBERING_TU12 ? 4 : 3, ms = per_tug2(unit);
	uint32_t k = place.k - 1u, l = place.l - 1u, m = place.m - 1u;
	evl_require(k < KS && l < LS && m < ms);
	for (uint32_t x = 0; x < count; x++) {
		uint32_t tu = m + ms * x; /* the TU columns of a TUG-2 take turns */
		if (map->route == EVL_NUMBERING_AU4) {
			columns[x] = (uint16_t)(10 + k + KS * l + KS * LS * tu);
		} else {
			uint32_t c = 2 + l + LS * tu; /* of the VC-3's 85 */
			columns[x] = (uint16_t)(c + (c >= 30) + (c >= 58));
		}
	}
	return count;
}

const char *evl_numbering_format(const struct evl_numbering *map, struct evl_numbering_place place,
	char text[EVL_NUMBERING_TEXT])
{
	const uint8_t parts[] = {place.aug, place.k, place.l, place.m};
	char *to = text;
	for (size_t i = map->augs > 1 ? 0 : 1; i < sizeof parts; i++) {
		evl_require(parts[i] <= 9);
		*to++ = (char)('0' + parts[i]);
		*to++ = '-';
	}
	to[-1] = '\0';
	return text;
}

bool evl_numbering_parse(struct evl_numbering_place *out, const struct evl_numbering *map,
	enum evl_numbering_unit unit, const char *text)
{
	uint8_t parts[4] = {1, 0, 0, 0};
	for (size_t i = map->augs > 1 ? 0 : 1; i < sizeof parts; i++) {
		if (text[0] < '0' || text[0] > '9' || text[1] != (i < 3 ? '-' : '\0')) {
			return false;
		}
		parts[i] = (uint8_t)(text[0] - '0');
		text += 2;
	}
	*out = (struct evl_numbering_place){parts[0], parts[1], parts[2], parts[3]};
	return evl_numbering_place_good(map, unit, *out);
}

const char *evl_numbering_name(enum evl_numbering_kind kind)
{
	static const char *const names[] = {"none", "column-order", "klm-order", "table"};
	return kind >= EVL_NUMBERING_NONE && kind <= EVL_NUMBERING_TABLE ? names[kind] : "none";
}

const char *evl_numbering_unit_name(enum evl_numbering_unit unit)
{
	return unit == EVL_NUMBERING_TU12   ? "TU-12"
	       : unit == EVL_NUMBERING_TU11 ? "TU-11"
					    : "by-rate";
}

const char *evl_numbering_route_name(enum evl_numbering_route route)
{
	return route == EVL_NUMBERING_AU3 ? "AU-3" : "AU-4";
}

const char *evl_numbering_line_name(const struct evl_numbering *map)
{
	return map->augs > 1 ? "STM-4" : "STM-1";
}
