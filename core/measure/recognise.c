/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/recognise.h"

#include "core/base/bytes.h"
#include "core/measure/checker.h"
#include "core/signal/bits.h"

#define PIECE 4096 /* bytes shifted at once */

/* Bits that differ from the one `lag` (1..64) before. */
static uint64_t disagreements(const uint8_t *data, size_t bytes, unsigned lag)
{
	uint8_t later[PIECE];
	/* One byte more is needed for the shift; what is left over does not matter. */
	size_t all = bytes - (lag + 7) / 8;
	uint64_t n = 0;
	for (size_t i = 0; i < all;) {
		size_t part = all - i < PIECE ? all - i : PIECE;
		evl_bits_shift(later, data + i + lag / 8, part, lag % 8);
		n += evl_bits_count_diff(later, data + i, part);
		i += part;
	}
	return n;
}

/* Compares with a pattern that stands at `offset` at bit 0. */
static uint64_t errors_against(
	const struct evl_pattern *p, uint64_t offset, const uint8_t *data, size_t bytes)
{
	uint8_t scratch[PIECE];
	struct evl_source s;
	uint64_t n = 0;
	evl_source_start(&s, p, offset);
	for (size_t i = 0; i < bytes;) {
		size_t part = bytes - i < PIECE ? bytes - i : PIECE;
		const uint8_t *want = evl_source_lend(&s, scratch, &part);
		n += evl_bits_count_diff(want, data + i, part);
		i += part;
	}
	return n;
}

/* The turn of the word that stands first in the lists of pattern.h, if any. */
static void name_word(struct evl_recognised *r, uint64_t seen, unsigned bits)
{
	r->pattern = evl_pattern_word(seen, bits);
	r->offset = 0;
	for (int inverted = 0; inverted < 2; inverted++) {
		for (size_t k = 0; evl_pattern_known(k) != NULL; k++) {
			struct evl_pattern p;
			if (evl_pattern_parse(&p, evl_pattern_known(k), NULL) < 0 ||
				p.kind != EVL_PATTERN_WORD || p.word_bits != r->pattern.word_bits) {
				continue;
			}
			p.inverted = inverted != 0;
			uint64_t mask =
				p.word_bits == 64 ? UINT64_MAX : ((uint64_t)1 << p.word_bits) - 1;
			uint64_t turned = p.word;
			for (unsigned t = 0; t < p.word_bits; t++) {
				if ((inverted ? ~turned & mask : turned) == r->pattern.word) {
					r->pattern = p;
					r->offset = t;
					return;
				}
				turned = (turned << 1 | turned >> (p.word_bits - 1)) & mask;
			}
		}
	}
}

static bool find_word(struct evl_recognised *r, const uint8_t *data, size_t bytes)
{
	uint64_t bits = (uint64_t)bytes * 8;
	for (unsigned lag = 1; lag <= 64; lag++) {
		if (disagreements(data, bytes, lag) * 50 > bits) {
			continue;
		}
		/* Each bit of the word by majority. */
		uint64_t ones[64] = {0};
		for (uint64_t i = 0; i < bits; i++) {
			ones[i % lag] += evl_bits_get(data, i);
		}
		uint64_t word = 0;
		for (unsigned i = 0; i < lag; i++) {
			uint64_t of = (bits - i + lag - 1) / lag;
			word = word << 1 | (ones[i] * 2 > of);
		}
		name_word(r, word, lag);
		r->bits = bits;
		r->errors = errors_against(&r->pattern, r->offset, data, bytes);
		if (r->errors * 100 <= bits) {
			return true;
		}
	}
	return false;
}

/* Two headers say how long a block is. */
static bool find_counter(struct evl_recognised *r, const uint8_t *data, size_t bytes)
{
	uint64_t older = 0, newer = 0, last_end = 0, last_number = 0;
	unsigned last_channel = 0;
	bool any = false;
	for (uint64_t i = 0; i < (uint64_t)bytes * 8; i++) {
		older = older << 1 | newer >> 63;
		newer = newer << 1 | evl_bits_get(data, i);
		for (int inverted = 0; inverted < 2 && i >= 127; inverted++) {
			uint8_t header[EVL_COUNTER_HEADER];
			unsigned channel;
			uint64_t number;
			evl_store_be64(header, inverted ? ~older : older);
			if (header[0] != 0xf6) {
				continue;
			}
			evl_store_be64(header + 8, inverted ? ~newer : newer);
			if (!evl_counter_read(header, &channel, &number)) {
				continue;
			}
			uint64_t between = i + 1 - last_end;
			uint64_t blocks = number - last_number;
			if (any && channel == last_channel && blocks > 0 && blocks < between &&
				between % (8 * blocks) == 0 &&
				between / 8 / blocks >= EVL_COUNTER_BLOCK_MIN &&
				between / 8 / blocks <= EVL_COUNTER_BLOCK_MAX) {
				r->pattern = evl_pattern_counter(
					(unsigned)(between / 8 / blocks), channel);
				r->pattern.inverted = inverted != 0;
				return true;
			}
			any = true;
			last_end = i + 1;
			last_number = number;
			last_channel = channel;
		}
	}
	return false;
}

static bool try_checker(
	struct evl_recognised *r, const struct evl_pattern *p, const uint8_t *data, size_t bytes)
{
	struct evl_checker c;
	evl_checker_init(&c, p);
	evl_checker_feed(&c, data, bytes);
	if (!c.locked || c.errors * 5 >= c.bits) {
		return false;
	}
	*r = (struct evl_recognised){.found = true,
		.pattern = *p,
		.bits = c.bits,
		.errors = c.errors,
		.offset = c.offset};
	r->pattern.inverted = p->inverted != c.inverted;
	return true;
}

void evl_recognise(struct evl_recognised *out, const uint8_t *data, size_t bytes,
	const struct evl_pattern *also, size_t n)
{
	struct evl_recognised r = {0};
	*out = r;
	if (bytes < 32) {
		return;
	}
	if (find_word(&r, data, bytes)) {
		*out = r;
		out->found = true;
		return;
	}
	if (find_counter(&r, data, bytes)) {
		struct evl_pattern p = r.pattern;
		(void)try_checker(out, &p, data, bytes);
		return;
	}
	for (int kind = 0; kind < EVL_PRBS_KINDS; kind++) {
		struct evl_pattern p = evl_pattern_prbs((enum evl_prbs_kind)kind);
		if (try_checker(out, &p, data, bytes)) {
			return;
		}
	}
	for (size_t i = 0; i < n; i++) {
		if (try_checker(out, &also[i], data, bytes)) {
			return;
		}
	}
}
