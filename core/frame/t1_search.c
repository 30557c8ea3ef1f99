/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_search.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/signal/bits.h"

#define STEP_BYTES 7  /* at any bit shift a load of 64 bits holds 57 offsets */
#define LOOKS      24 /* framing bits that must be right */
#define ESF_SPACE  (4 * EVL_T1_FRAME_BITS)

/* 64 bits from offset `at` on; the last up to 7 of them are 0, as is what lies behind the end. */
static inline uint64_t bits_at(const uint8_t *bytes, size_t size, uint64_t at)
{
	size_t i = (size_t)(at / 8);
	if (i + 8 <= size) {
		return evl_load_be64(bytes + i) << (at % 8);
	}
	uint8_t rest[8] = {0};
	memcpy(rest, bytes + i, i < size ? size - i : 0);
	return evl_load_be64(rest) << (at % 8);
}

/* Where a place is found and what its frame number is. */
struct place {
	unsigned bit; /* behind the offset asked for */
	unsigned number;
};

static unsigned leading_zeros(uint64_t v)
{
	unsigned n = 0;
	while ((v >> 63) == 0) {
		v <<= 1;
		n++;
	}
	return n;
}

/* The frame number of a place of SF from all its 24 F bits, 0 when they are not right. */
static unsigned sf_number(const uint8_t *bytes, uint64_t at, bool japan)
{
	uint32_t seen = 0;
	for (unsigned k = 0; k < LOOKS; k++) {
		seen = seen << 1 | evl_bits_get(bytes, at + (uint64_t)k * EVL_T1_FRAME_BITS);
	}
	for (unsigned c = 0; c < EVL_T1_SF_FRAMES; c++) {
		bool good = true;
		for (unsigned k = 0; k < LOOKS && good; k++) {
			unsigned n = (c + k) % EVL_T1_SF_FRAMES;
			good = (japan && n == 11) ||
			       (seen >> (LOOKS - 1 - k) & 1) == evl_t1_sf_table[n];
		}
		if (good) {
			return c + 1;
		}
	}
	return 0;
}

/* Among 56 offsets from `bit` on (those in mask): Ft alternates in every second F bit, be it the
 * first or the second of them; what is left is looked at one by one. */
static bool judge_sf(struct place *place, const uint8_t *bytes, size_t size, uint64_t bit,
	uint64_t mask, bool japan)
{
	uint64_t even = mask, odd = mask;
	uint64_t w0 = bits_at(bytes, size, bit);
	uint64_t w1 = bits_at(bytes, size, bit + EVL_T1_FRAME_BITS);
	for (uint64_t k = 2; k < LOOKS; k += 2) {
		uint64_t w2 = bits_at(bytes, size, bit + k * EVL_T1_FRAME_BITS);
		uint64_t w3 = bits_at(bytes, size, bit + (k + 1) * EVL_T1_FRAME_BITS);
		even &= w0 ^ w2;
		odd &= w1 ^ w3;
		if ((even | odd) == 0) {
			return false;
		}
		w0 = w2;
		w1 = w3;
	}
	for (uint64_t left = even | odd; left != 0;) {
		place->bit = leading_zeros(left);
		place->number = sf_number(bytes, bit + place->bit, japan);
		if (place->number != 0) {
			return true;
		}
		left &= ~(UINT64_C(1) << (63 - place->bit));
	}
	return false;
}

/* The frame number of a place of ESF from all its 24 bits, 0 when they are not right. */
static unsigned esf_number(const uint8_t *bytes, uint64_t at)
{
	uint32_t seen = 0;
	for (unsigned k = 0; k < LOOKS; k++) {
		seen = seen << 1 | evl_bits_get(bytes, at + (uint64_t)k * ESF_SPACE);
	}
	/* 001011 four times, from each of its bits on. */
	uint32_t all = EVL_T1_ESF_FPS * 0x041041u;
	for (unsigned c = 0; c < 6; c++) {
		if (seen == all) {
			return 4 * (c + 1);
		}
		all = (all << 1 & 0xffffff) | all >> 23;
	}
	return 0;
}

/* The same for ESF: in 001011 the XOR of bits three apart is 0, 1, 0 over and over. right[c] keeps
 * the offsets where the 1 comes at c. */
static bool judge_esf(
	struct place *place, const uint8_t *bytes, size_t size, uint64_t bit, uint64_t mask)
{
	uint64_t right[3] = {mask, mask, mask};
	uint64_t w[3];
	for (uint64_t i = 0; i < 3; i++) {
		w[i] = bits_at(bytes, size, bit + i * ESF_SPACE);
	}
	for (uint64_t k = 3; k < LOOKS; k += 3) {
		uint64_t n0 = bits_at(bytes, size, bit + k * ESF_SPACE);
		uint64_t n1 = bits_at(bytes, size, bit + (k + 1) * ESF_SPACE);
		uint64_t n2 = bits_at(bytes, size, bit + (k + 2) * ESF_SPACE);
		uint64_t d0 = w[0] ^ n0, d1 = w[1] ^ n1, d2 = w[2] ^ n2;
		right[0] &= d0 & ~d1 & ~d2;
		right[1] &= ~d0 & d1 & ~d2;
		right[2] &= ~d0 & ~d1 & d2;
		if ((right[0] | right[1] | right[2]) == 0) {
			return false;
		}
		w[0] = n0;
		w[1] = n1;
		w[2] = n2;
	}
	for (uint64_t left = right[0] | right[1] | right[2]; left != 0;) {
		place->bit = leading_zeros(left);
		place->number = esf_number(bytes, bit + place->bit);
		if (place->number != 0) {
			return true;
		}
		left &= ~(UINT64_C(1) << (63 - place->bit));
	}
	return false;
}

bool evl_t1_search(uint64_t *at, unsigned *number, enum evl_t1_framing framing, bool japan,
	const uint8_t *bytes, size_t size, uint64_t from_bit)
{
	bool esf = framing == EVL_T1_ESF;
	uint64_t span = esf ? EVL_T1_ESF_SEARCH_BITS : EVL_T1_SF_SEARCH_BITS;
	uint64_t bits = (uint64_t)size * 8;
	if (from_bit > bits || bits - from_bit < span) {
		return false;
	}
	uint64_t last = bits - span;
	for (uint64_t bit = from_bit; bit <= last; bit += 8 * STEP_BYTES) {
		struct place place;
		uint64_t mask = UINT64_MAX << 8;
		if (last - bit < 55) {
			mask &= UINT64_MAX << (63 - (last - bit));
		}
		if (esf ? judge_esf(&place, bytes, size, bit, mask)
			: judge_sf(&place, bytes, size, bit, mask, japan)) {
			*at = bit + place.bit;
			*number = place.number;
			return true;
		}
	}
	return false;
}
