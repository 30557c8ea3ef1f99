/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/sdh_map_text.h"

#include <stdio.h>
#include <string.h>

#define MOST_ENTRIES (EVL_SDH_AUGS * EVL_SDH_PARTS)

/* What may be written, and what it means for an AUG and one of its parts. */
static const struct entry {
	const char *text;
	uint8_t au;
	uint8_t hold; /* of the VC-4 or VC-4-4c; of each part with AU-3 */
	uint8_t part; /* hold of the part */
	bool tu11;
	uint8_t kind; /* of its TUs */
} entries[] = {
	{"AU-4/TU-12/E1", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, false, EVL_SDH_E1},
	{"AU-4/TU-12/E1 byte-synchronous", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, false,
		EVL_SDH_E1_BYTE},
	{"AU-4/TU-12/T1", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, false, EVL_SDH_T1},
	{"AU-4/TU-12/T1 byte-synchronous", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, false,
		EVL_SDH_T1_BYTE},
	{"AU-4/TU-11/T1", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, true, EVL_SDH_T1},
	{"AU-4/TU-11/T1 byte-synchronous", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_TUG, true,
		EVL_SDH_T1_BYTE},
	{"AU-4/TU-3/VC-3", EVL_SDH_AU4, EVL_SDH_TUG, EVL_SDH_BULK, false, EVL_SDH_NONE},
	{"AU-4/VC-4", EVL_SDH_AU4, EVL_SDH_BULK, EVL_SDH_EMPTY, false, EVL_SDH_NONE},
	{"AU-4/empty", EVL_SDH_AU4, EVL_SDH_EMPTY, EVL_SDH_EMPTY, false, EVL_SDH_NONE},
	{"AU-3/TU-12/E1", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, false, EVL_SDH_E1},
	{"AU-3/TU-12/E1 byte-synchronous", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, false,
		EVL_SDH_E1_BYTE},
	{"AU-3/TU-12/T1", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, false, EVL_SDH_T1},
	{"AU-3/TU-12/T1 byte-synchronous", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, false,
		EVL_SDH_T1_BYTE},
	{"AU-3/TU-11/T1", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, true, EVL_SDH_T1},
	{"AU-3/TU-11/T1 byte-synchronous", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_TUG, true,
		EVL_SDH_T1_BYTE},
	{"AU-3/VC-3", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_BULK, false, EVL_SDH_NONE},
	{"AU-3/empty", EVL_SDH_AU3, EVL_SDH_TUG, EVL_SDH_EMPTY, false, EVL_SDH_NONE},
	{"AU-4-4c/VC-4-4c", EVL_SDH_AU4_4C, EVL_SDH_BULK, EVL_SDH_EMPTY, false, EVL_SDH_NONE},
	{"AU-4-4c/empty", EVL_SDH_AU4_4C, EVL_SDH_EMPTY, EVL_SDH_EMPTY, false, EVL_SDH_NONE},
};

#define ENTRIES (sizeof(entries) / sizeof(entries[0]))

static const struct entry *find(const char *text, size_t length)
{
	for (size_t i = 0; i < ENTRIES; i++) {
		if (strlen(entries[i].text) == length &&
			memcmp(entries[i].text, text, length) == 0) {
			return &entries[i];
		}
	}
	return NULL;
}

static void fill_part(struct evl_sdh_part *part, const struct entry *e)
{
	part->hold = e->part;
	for (uint32_t l = 0; e->part == EVL_SDH_TUG && l < EVL_SDH_TUG2S; l++) {
		part->tug2[l].tu11 = e->tu11;
		memset(part->tug2[l].kind, e->kind, e->tu11 ? 4 : 3);
	}
}

/* The entries in order, separated by commas and blanks; returns how many. */
static enum evl_status split(const struct entry *list[MOST_ENTRIES], uint32_t *count,
	const char *text, struct evl_err *err)
{
	*count = 0;
	for (const char *p = text;; p++) {
		p += strspn(p, " ");
		size_t n = strcspn(p, ",");
		size_t used = n;
		while (used > 0 && p[used - 1] == ' ') {
			used--;
		}
		if (*count == MOST_ENTRIES) {
			return evl_err_set(err, EVL_E_INVALID,
				"mapping: more than %u entries; give one for all, or one for each "
				"part",
				(unsigned)MOST_ENTRIES);
		}
		const struct entry *e = find(p, used);
		if (e == NULL) {
			return evl_err_set(err, EVL_E_INVALID,
				"mapping: entry %u, \"%.*s\", is not known; write the way up, such "
				"as AU-4/TU-12/E1, AU-3/TU-11/T1, AU-4/TU-3/VC-3 or AU-4/VC-4",
				*count + 1, (int)(used < 60 ? used : 60), p);
		}
		list[(*count)++] = e;
		p += n;
		if (*p == '\0') {
			return EVL_OK;
		}
	}
}

enum evl_status evl_sdh_map_parse(
	struct evl_sdh_map *out, uint32_t stm, const char *text, struct evl_err *err)
{
	const struct entry *list[MOST_ENTRIES] = {NULL};
	uint32_t count;
	memset(out, 0, sizeof(*out));
	enum evl_status status = split(list, &count, text, err);
	if (status != EVL_OK) {
		return status;
	}
	bool good = count == 1 || count == 3 || (stm == 4 && (count == 4 || count == 12));
	if (!good) {
		return evl_err_set(err, EVL_E_INVALID,
			"mapping: %u entries do not fit an STM-%u; give 1 for all or 3 for the "
			"parts of each AUG%s",
			count, stm, stm == 4 ? ", 4 for the AUG or 12 for both" : "");
	}
	out->stm = (uint8_t)stm;
	for (uint32_t a = 0; a < stm && a < EVL_SDH_AUGS; a++) {
		struct evl_sdh_aug *aug = &out->aug[a];
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			uint32_t i = count == 1 ? 0 : count == 3 ? k : count == 4 ? a : 3 * a + k;
			const struct entry *e = list[i];
			if (k > 0 && (e->au != aug->au || e->hold != aug->hold)) {
				return evl_err_set(err, EVL_E_INVALID,
					"mapping: entry %u, %s, cannot stand in one AUG with %s",
					i + 1, e->text, list[i - 1]->text);
			}
			aug->au = e->au;
			aug->hold = e->hold;
			fill_part(&aug->part[k], e);
		}
		out->sonet = out->sonet || aug->au == EVL_SDH_AU3;
	}
	return evl_sdh_map_check(out, err);
}

/* The entry that says all of a part, or NULL. */
static const struct entry *describe(const struct evl_sdh_aug *aug, uint32_t k)
{
	for (size_t i = 0; i < ENTRIES; i++) {
		const struct entry *e = &entries[i];
		struct evl_sdh_part part = {0};
		bool parts = aug->au == EVL_SDH_AU3 || aug->hold == EVL_SDH_TUG;
		if (e->au != aug->au || (aug->au != EVL_SDH_AU3 && e->hold != aug->hold)) {
			continue;
		}
		fill_part(&part, e);
		const struct evl_sdh_part *have = &aug->part[k];
		bool same = !parts || part.hold == have->hold;
		for (uint32_t l = 0; same && parts && part.hold == EVL_SDH_TUG && l < EVL_SDH_TUG2S;
			l++) {
			same = part.tug2[l].tu11 == have->tug2[l].tu11 &&
			       memcmp(part.tug2[l].kind, have->tug2[l].kind,
				       part.tug2[l].tu11 ? 4 : 3) == 0;
		}
		if (same) {
			return e;
		}
	}
	return NULL;
}

const char *evl_sdh_map_text(const struct evl_sdh_map *map, char text[EVL_SDH_MAP_TEXT])
{
	const struct entry *list[MOST_ENTRIES] = {NULL};
	bool by_aug = true, by_part = true; /* all parts of an AUG alike; all AUG alike */
	uint32_t n = 3u * map->stm;
	for (uint32_t i = 0; i < n; i++) {
		list[i] = describe(&map->aug[i / 3], i % 3);
		if (list[i] == NULL) {
			snprintf(text, EVL_SDH_MAP_TEXT, "mixed");
			return text;
		}
		by_aug = by_aug && list[i] == list[i / 3 * 3];
		by_part = by_part && list[i] == list[i % 3];
	}
	uint32_t step = by_aug ? 3 : 1;
	uint32_t end = by_part ? 3 : n;
	size_t used = 0;
	for (uint32_t i = 0; i < end; i += step) {
		used += (size_t)snprintf(text + used, EVL_SDH_MAP_TEXT - used, "%s%s",
			i > 0 ? ", " : "", list[i]->text);
	}
	return text;
}
