/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/blocks.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/signal/bits.h"

#define HEADER_BITS (8 * EVL_COUNTER_HEADER)
#define MARKER      0xf628a53cu
#define RESTART     (UINT64_C(1) << 24)

void evl_blocks_init(struct evl_blocks *b, const struct evl_pattern *pattern)
{
	evl_require(pattern->kind == EVL_PATTERN_COUNTER);
	memset(b, 0, sizeof(*b));
	b->pattern = *pattern;
}

static void set_missing(struct evl_blocks *b, uint64_t number, bool missing)
{
	uint64_t bit = number % EVL_BLOCKS_WINDOW;
	if (evl_bits_get(b->missing, bit) != missing) {
		evl_bits_flip(b->missing, bit);
	}
}

/* Where the number stands in the order. */
static void follow(struct evl_blocks *b, uint64_t number)
{
	uint64_t ahead = (number - b->due) % EVL_COUNTER_BLOCKS;
	uint64_t behind = (b->due - number) % EVL_COUNTER_BLOCKS; /* 1: the one before */
	b->blocks++;
	if (ahead < RESTART) {
		b->lost += ahead;
		uint64_t mark = ahead < EVL_BLOCKS_WINDOW ? ahead : EVL_BLOCKS_WINDOW;
		for (uint64_t i = 1; i <= mark; i++) {
			set_missing(b, number - i, true);
		}
	} else if (behind <= EVL_BLOCKS_WINDOW) {
		if (evl_bits_get(b->missing, number % EVL_BLOCKS_WINDOW)) {
			set_missing(b, number, false);
			b->late++;
			b->lost--;
		} else {
			b->repeated++;
		}
		return;
	} else {
		b->restarts++;
		memset(b->missing, 0, sizeof(b->missing));
	}
	set_missing(b, number, false);
	b->due = (number + 1) % EVL_COUNTER_BLOCKS;
}

static void lock(
	struct evl_blocks *b, uint64_t bit, unsigned channel, uint64_t number, bool inverted)
{
	uint64_t block_bits = 8u * (uint64_t)b->pattern.block_bytes;
	uint64_t period = EVL_COUNTER_BLOCKS * block_bits;
	uint64_t offset = (number * block_bits + HEADER_BITS + period - bit % period) % period;
	if (!b->ever_locked) {
		b->ever_locked = true;
		b->first_lock_bit = bit;
		b->channel = channel;
		b->due = number;
	} else if (channel == b->channel) {
		/* Whole blocks are the business of follow(); the rest is a slip. */
		uint64_t late = (b->offset + period - offset) % period;
		if (late % block_bits != 0) {
			b->slips++;
			b->last_slip_bits =
				late <= period / 2 ? (int64_t)late : -(int64_t)(period - late);
		}
	}
	b->locked = true;
	b->inverted = inverted;
	b->offset = offset;
	b->bad_run = 0;
	b->block_at = bit - HEADER_BITS;
}

/* One bit while hunting; true when a header ends with it. */
static bool hunt_bit(struct evl_blocks *b, unsigned bit)
{
	b->older = b->older << 1 | b->newer >> 63;
	b->newer = b->newer << 1 | bit;
	b->have += b->have < HEADER_BITS;
	uint32_t marker = (uint32_t)(b->older >> 32);
	if (b->have < HEADER_BITS || (marker != MARKER && marker != (uint32_t)~MARKER)) {
		return false;
	}
	bool turned = marker != MARKER;
	uint8_t header[EVL_COUNTER_HEADER];
	evl_store_be64(header, turned ? ~b->older : b->older);
	evl_store_be64(header + 8, turned ? ~b->newer : b->newer);
	unsigned channel;
	uint64_t number;
	if (!evl_counter_read(header, &channel, &number)) {
		return false;
	}
	lock(b, b->fed_bits + 1, channel, number, turned != b->pattern.inverted);
	return true;
}

/* Bits of the body that are wrong; the first few are noted. */
static uint64_t compare_body(struct evl_blocks *b, const uint8_t *got, uint64_t number)
{
	size_t bytes = b->pattern.block_bytes;
	struct evl_prbs prbs;
	uint8_t scratch[EVL_COUNTER_BLOCK_MAX];
	uint64_t wrong = 0;
	evl_prbs_init(&prbs, EVL_PRBS15, number * (bytes - EVL_COUNTER_HEADER) * 8);
	for (size_t i = EVL_COUNTER_HEADER; i < bytes;) {
		size_t part = bytes - i;
		const uint8_t *want = evl_prbs_lend(&prbs, scratch, &part);
		if (memcmp(want, got + i, part) != 0) {
			wrong += evl_bits_count_diff(want, got + i, part);
			b->error_positions += evl_bits_list_diff(b->error_bit + b->error_positions,
				EVL_BLOCKS_KEPT - b->error_positions, b->block_at + 8 * i, want,
				got + i, part);
		}
		i += part;
	}
	return wrong;
}

/* A whole block, aligned. */
static void take(struct evl_blocks *b, const uint8_t *block)
{
	size_t bytes = b->pattern.block_bytes;
	uint8_t plain[EVL_COUNTER_BLOCK_MAX];
	bool turned = b->inverted != b->pattern.inverted;
	const uint8_t *got = block;
	if (turned) {
		for (size_t i = 0; i < bytes; i++) {
			plain[i] = (uint8_t)~block[i];
		}
		got = plain;
	}
	unsigned channel = b->channel;
	uint64_t number = b->due;
	bool good = evl_counter_read(got, &channel, &number);
	/* The header by which it was found proves nothing about its own bits. */
	size_t from = b->block_at + HEADER_BITS == b->first_lock_bit ? EVL_COUNTER_HEADER : 0;
	size_t positions = b->error_positions;
	uint64_t wrong = 0;
	if (!good) {
		uint8_t header[EVL_COUNTER_HEADER];
		evl_counter_header(header, channel, number);
		wrong = evl_bits_count_diff(header, got, EVL_COUNTER_HEADER);
		b->error_positions += evl_bits_list_diff(b->error_bit + b->error_positions,
			EVL_BLOCKS_KEPT - b->error_positions, b->block_at, header, got,
			EVL_COUNTER_HEADER);
	}
	wrong += compare_body(b, got, number);
	if (!good && wrong * 5 >= bytes * 8) {
		b->error_positions = positions;
		b->damaged++;
		b->due = (b->due + 1) % EVL_COUNTER_BLOCKS;
		if (++b->bad_run == EVL_BLOCKS_DAMAGED) {
			b->locked = false;
			b->sync_losses++;
			b->have = 0;
		}
		return;
	}
	b->bad_run = 0;
	b->bits += 8 * (bytes - from);
	b->errors += wrong;
	if (!good) {
		/* The next in order, as far as one can see: neither lost nor counted as good. */
		set_missing(b, b->due, false);
		b->due = (b->due + 1) % EVL_COUNTER_BLOCKS;
	} else if (channel != b->channel) {
		b->foreign++;
		b->last_foreign = channel;
	} else {
		follow(b, number);
	}
}

/* Hunts from bit `from` of data; returns the number of whole bytes used. When a header ends in the
 * last of them, the block's first bytes are laid into `hold`. */
static size_t hunt(struct evl_blocks *b, const uint8_t *data, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		for (unsigned k = 0; k < 8; k++) {
			bool found = hunt_bit(b, data[i] >> (7 - k) & 1u);
			b->fed_bits++;
			if (!found) {
				continue;
			}
			/* Put the header back as the stream had it, then the rest of this byte. */
			uint8_t head[EVL_COUNTER_HEADER];
			evl_store_be64(head, b->older);
			evl_store_be64(head + 8, b->newer);
			unsigned into = (unsigned)(b->block_at % 8);
			memset(b->hold, 0, EVL_COUNTER_HEADER + 1);
			evl_bits_copy(b->hold, into, head, 0, HEADER_BITS);
			b->held = (into + HEADER_BITS + 7) / 8;
			b->hold[b->held - 1] = into != 0 ? (uint8_t)(b->hold[b->held - 1] |
								     (data[i] & (0xffu >> into)))
							 : b->hold[b->held - 1];
			b->fed_bits += 7 - k;
			return i + 1;
		}
	}
	return bytes;
}

/* Bytes of the stream that hold a whole block. */
static size_t span_of(const struct evl_blocks *b)
{
	return b->pattern.block_bytes + (b->block_at % 8 != 0);
}

static void take_from(struct evl_blocks *b, const uint8_t *at)
{
	unsigned shift = (unsigned)(b->block_at % 8);
	if (shift == 0) {
		take(b, at);
	} else {
		uint8_t aligned[EVL_COUNTER_BLOCK_MAX];
		evl_bits_shift(aligned, at, b->pattern.block_bytes, shift);
		take(b, aligned);
	}
	b->block_at += 8u * (uint64_t)b->pattern.block_bytes;
}

void evl_blocks_feed(struct evl_blocks *b, const uint8_t *data, size_t bytes)
{
	size_t i = 0;
	while (i < bytes) {
		if (!b->locked) {
			i += hunt(b, data + i, bytes - i);
			continue;
		}
		size_t span = span_of(b);
		size_t step = b->pattern.block_bytes;
		if (b->held == 0) {
			while (b->locked && bytes - i >= span) {
				take_from(b, data + i);
				i += step;
				b->fed_bits += 8 * step;
			}
			if (b->locked) {
				b->held = bytes - i;
				memcpy(b->hold, data + i, b->held);
				b->fed_bits += 8 * b->held;
				i = bytes;
			}
			continue;
		}
		size_t part = span - b->held < bytes - i ? span - b->held : bytes - i;
		memcpy(b->hold + b->held, data + i, part);
		b->held += part;
		b->fed_bits += 8 * part;
		i += part;
		if (b->held == span) {
			take_from(b, b->hold);
			uint8_t rest = b->hold[step];
			b->held = b->locked && span > step ? 1 : 0;
			b->hold[0] = rest;
			if (!b->locked && span > step) {
				b->fed_bits -= 8;
				(void)hunt(b, &rest, 1);
			}
		}
	}
}
