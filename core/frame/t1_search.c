/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_search.h"

#include <string.h>

#include "core/base/bytes.h"

/* A cycle of framing bits, `spacing` bits apart. */
struct pattern {
	unsigned spacing, cycle, looks;
	uint8_t bit[12]; /* of the cycle: 0, 1, or ANY */
};
#define ANY 2

#define STEP_BYTES 7 /* at any bit shift a load of 64 bits holds 57 offsets */

static void esf_pattern(struct pattern *p)
{
	*p = (struct pattern){.spacing = 4 * EVL_T1_FRAME_BITS, .cycle = 6, .looks = 12};
	for (unsigned i = 0; i < 6; i++) {
		p->bit[i] = EVL_T1_ESF_FPS >> (5 - i) & 1;
	}
}

static void sf_pattern(struct pattern *p, bool japan)
{
	*p = (struct pattern){.spacing = EVL_T1_FRAME_BITS, .cycle = 12, .looks = 24};
	memcpy(p->bit, evl_t1_sf_table, sizeof(evl_t1_sf_table));
	if (japan) {
		p->bit[11] = ANY;
	}
}

/* Bit 63-i of right[c] stays set when the framing bits from offset `bit` + i on are right, taken
 * that the first is number c of the cycle. Returns the OR of all. */
static uint64_t judge(uint64_t right[12], const struct pattern *p, const uint8_t *bytes,
	size_t size, uint64_t bit)
{
	uint64_t any = UINT64_MAX;
	for (unsigned k = 0; k < p->looks && any != 0; k++) {
		uint64_t at = bit + (uint64_t)k * p->spacing;
		size_t i = (size_t)(at / 8);
		uint64_t w;
		if (i + 8 <= size) {
			w = evl_load_be64(bytes + i) << (at % 8);
		} else {
			uint8_t rest[8] = {0};
			memcpy(rest, bytes + i, i < size ? size - i : 0);
			w = evl_load_be64(rest) << (at % 8);
		}
		any = 0;
		unsigned n = k % p->cycle;
		for (unsigned c = 0; c < p->cycle; c++) {
			uint64_t good = p->bit[n] == ANY ? UINT64_MAX : p->bit[n] ? w : ~w;
			right[c] &= good;
			any |= right[c];
			n = n + 1 < p->cycle ? n + 1 : 0;
		}
	}
	return any;
}

bool evl_t1_search(uint64_t *at, unsigned *number, enum evl_t1_framing framing, bool japan,
	const uint8_t *bytes, size_t size, uint64_t from_bit)
{
	struct pattern p;
	if (framing == EVL_T1_ESF) {
		esf_pattern(&p);
	} else {
		sf_pattern(&p, japan);
	}
	uint64_t span = (uint64_t)(p.looks - 1) * p.spacing + 1;
	uint64_t bits = (uint64_t)size * 8;
	if (from_bit > bits || bits - from_bit < span) {
		return false;
	}
	uint64_t last = bits - span;
	for (uint64_t bit = from_bit; bit <= last; bit += 8 * STEP_BYTES) {
		uint64_t mask = UINT64_MAX << 8;
		uint64_t right[12];
		if (last - bit < 55) {
			mask &= UINT64_MAX << (63 - (last - bit));
		}
		for (unsigned c = 0; c < p.cycle; c++) {
			right[c] = mask;
		}
		uint64_t any = judge(right, &p, bytes, size, bit);
		if (any == 0) {
			continue;
		}
		unsigned i = 0;
		while ((any << i >> 63) == 0) {
			i++;
		}
		*at = bit + i;
		for (unsigned c = 0; c < p.cycle; c++) {
			if ((right[c] << i >> 63) != 0) {
				*number = framing == EVL_T1_ESF ? 4 * (c + 1) : c + 1;
				break;
			}
		}
		return true;
	}
	return false;
}
