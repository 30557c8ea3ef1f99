/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/e1_search.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/frame/e1_frame.h"

#define STEP_BYTES 7 /* offsets that one load of 64 bits can judge: a FAS must fit behind each */
#define LOOK_BYTES (2 * EVL_E1_FRAME_BYTES + 8)

/* Bit 63-i is set when x0011011 begins at bit i of w, i = 0 .. 55. */
static inline uint64_t fas_places(uint64_t w)
{
	uint64_t z = ~w;
	uint64_t zz = z & z << 1;
	uint64_t oo = w & w << 1;
	return zz << 1 & oo << 3 & z << 5 & oo << 6;
}

static inline uint64_t judge(const uint8_t *p)
{
	return fas_places(evl_load_be64(p)) & evl_load_be64(p + EVL_E1_FRAME_BYTES) << 1 &
	       fas_places(evl_load_be64(p + 2 * EVL_E1_FRAME_BYTES)) & ~UINT64_C(0xff);
}

static unsigned first_one(uint64_t v)
{
	unsigned n = 0;
	while ((v >> 63) == 0) {
		v <<= 1;
		n++;
	}
	return n;
}

bool evl_e1_search(uint64_t *at, const uint8_t *bytes, size_t size, uint64_t from_bit)
{
	uint64_t bits = (uint64_t)size * 8;
	if (from_bit > bits || bits - from_bit < EVL_E1_SEARCH_BITS) {
		return false;
	}
	uint64_t last = bits - EVL_E1_SEARCH_BITS;
	size_t i = (size_t)(from_bit / 8);
	uint64_t mask = UINT64_MAX >> (from_bit % 8);
	for (; i + LOOK_BYTES <= size; i += STEP_BYTES) {
		uint64_t places = judge(bytes + i) & mask;
		mask = UINT64_MAX;
		if (places != 0) {
			*at = (uint64_t)i * 8 + first_one(places);
			return true;
		}
	}
	for (; (uint64_t)i * 8 <= last; i += STEP_BYTES) {
		uint8_t rest[LOOK_BYTES] = {0};
		size_t n = size - i < LOOK_BYTES ? size - i : LOOK_BYTES;
		memcpy(rest, bytes + i, n);
		uint64_t places = judge(rest) & mask;
		mask = UINT64_MAX;
		if (places != 0) {
			/* The zeros behind the end may have helped. */
			*at = (uint64_t)i * 8 + first_one(places);
			return *at <= last;
		}
	}
	return false;
}
