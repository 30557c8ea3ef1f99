/* SPDX-License-Identifier: Apache-2.0 */
#include "core/bench/numbering.h"

#include <string.h>

static void put(struct evl_numbering *map, uint32_t number, struct evl_klm place)
{
	map->places[number] = place;
	map->numbers[place.k][place.l][place.m] = (uint8_t)number;
}

void evl_numbering_init(struct evl_numbering *map, enum evl_numbering_kind kind)
{
	*map = (struct evl_numbering){.kind = kind};
	if (kind == EVL_NUMBERING_NONE) {
		return;
	}
	evl_require(kind == EVL_NUMBERING_COLUMN || kind == EVL_NUMBERING_KLM);
	for (uint32_t n = 1; n <= EVL_NUMBERING_COUNT; n++) {
		struct evl_klm place = {0};
		evl_require(evl_klm_from_number(&place, n,
						kind == EVL_NUMBERING_COLUMN
							? EVL_KLM_BY_COLUMN
							: EVL_KLM_BY_KLM) == EVL_OK);
		put(map, n, place);
	}
}

enum evl_status evl_numbering_init_table(struct evl_numbering *map,
					 const struct evl_klm table[EVL_NUMBERING_COUNT],
					 struct evl_err *err)
{
	*map = (struct evl_numbering){.kind = EVL_NUMBERING_TABLE};
	for (uint32_t n = 1; n <= EVL_NUMBERING_COUNT; n++) {
		struct evl_klm place = table[n - 1];
		if (!evl_klm_valid(place)) {
			return evl_err_set(
				err, EVL_E_INVALID,
				"number %u: %u-%u-%u is no place; K is 1..3, L 1..7, M 1..3",
				(unsigned)n, place.k, place.l, place.m);
		}
		uint32_t before = evl_numbering_number(map, place);
		if (before != 0) {
			return evl_err_set(
				err, EVL_E_INVALID,
				"place %u-%u-%u has two numbers, %u and %u; each place comes once",
				place.k, place.l, place.m, (unsigned)before, (unsigned)n);
		}
		put(map, n, place);
	}
	return EVL_OK;
}

struct evl_klm evl_numbering_klm(const struct evl_numbering *map, uint32_t number)
{
	return number <= EVL_NUMBERING_COUNT ? map->places[number] : (struct evl_klm){0};
}

uint32_t evl_numbering_number(const struct evl_numbering *map, struct evl_klm place)
{
	return evl_klm_valid(place) ? map->numbers[place.k][place.l][place.m] : 0;
}

const char *evl_numbering_name(enum evl_numbering_kind kind)
{
	static const char *const names[] = {"none", "column-order", "klm-order", "table"};
	return kind >= EVL_NUMBERING_NONE && kind <= EVL_NUMBERING_TABLE ? names[kind] : "none";
}

void evl_numbering_print(const struct evl_numbering *map, struct evl_text *out)
{
	if (map->kind == EVL_NUMBERING_NONE) {
		evl_text_add(out, "no numbering map\n");
		return;
	}
	for (uint32_t row = 1; row <= EVL_NUMBERING_COUNT / 3; row++) {
		for (uint32_t n = row; n <= EVL_NUMBERING_COUNT; n += EVL_NUMBERING_COUNT / 3) {
			char text[EVL_KLM_TEXT];
			evl_text_addf(out, "%s%2u  %s", n == row ? "" : "     ", (unsigned)n,
				      evl_klm_format(map->places[n], text));
		}
		evl_text_add(out, "\n");
	}
}
