/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/checker.h"

#include <string.h>

#include "core/base/bytes.h"
#include "core/base/err.h"
#include "core/signal/bits.h"

#define WINDOW_BYTES (EVL_CHECKER_WINDOW_BITS / 8)
#define CHUNK_BYTES  4096 /* compared at once while all is well */

static unsigned leading_zeros(uint64_t v)
{
	unsigned n = 0;
	for (unsigned step = 32; step > 0; step /= 2) {
		if (v >> (64 - step) == 0) {
			n += step;
			v <<= step;
		}
	}
	return v == 0 ? 64 : n;
}

static unsigned trailing_zeros(uint64_t v)
{
	unsigned n = 0;
	for (unsigned step = 32; step > 0; step /= 2) {
		if ((v & (((uint64_t)1 << step) - 1)) == 0) {
			n += step;
			v >>= step;
		}
	}
	return v == 0 ? 64 : n;
}

void evl_checker_init(struct evl_checker *c, enum evl_prbs_kind kind)
{
	memset(c, 0, sizeof(*c));
	c->kind = kind;
	c->skip = evl_prbs_order(kind);
	(void)evl_prbs_index_of(kind, 1); /* makes the shared tables now, not in the stream */
}

/* NULL when the log is full; the event is counted all the same. */
static struct evl_sync_event *log_event(struct evl_checker *c, enum evl_sync_event_kind kind,
					uint64_t bit)
{
	struct evl_sync_event *e = NULL;
	if (c->sync_events < EVL_CHECKER_EVENTS_KEPT) {
		e = &c->event[c->sync_events];
		*e = (struct evl_sync_event){.kind = kind, .bit = bit};
	}
	c->sync_events++;
	return e;
}

/* `bit` is the first bit to compare and `window` the register before it. */
static void lock(struct evl_checker *c, uint64_t bit, uint32_t window, bool inverted)
{
	uint32_t period = evl_prbs_period(c->kind);
	uint64_t phase = (uint64_t)evl_prbs_index_of(c->kind, window) + evl_prbs_order(c->kind);
	uint32_t offset = (uint32_t)((phase + period - bit % period) % period);
	int32_t slip = 0;
	if (!c->ever_locked) {
		c->ever_locked = true;
		c->first_lock_bit = bit;
	} else if (offset != c->offset) {
		/* Bits put in make the pattern late, so the phase of bit 0 goes back. */
		uint32_t late = (c->offset + period - offset) % period;
		slip = late <= period / 2 ? (int32_t)late : (int32_t)late - (int32_t)period;
		c->slips++;
		c->last_slip_bits = slip;
	}
	c->locked = true;
	c->inverted = inverted;
	c->offset = offset;
	c->window_bits = 0;
	c->window_errors = 0;
	struct evl_sync_event *e = log_event(c, EVL_SYNC_FOUND, bit);
	if (e != NULL) {
		e->inverted = inverted;
		e->slip_bits = slip;
		e->offset = offset;
	}
	/* The generator stands at the byte that holds the bit. */
	evl_prbs_init(&c->local, c->kind, phase + period - bit % 8);
}

static void lose(struct evl_checker *c, uint64_t bit)
{
	c->locked = false;
	c->sync_losses++;
	c->loss_bits += c->window_bits;
	c->loss_errors += c->window_errors;
	struct evl_sync_event *e = log_event(c, EVL_SYNC_LOST, bit);
	if (e != NULL) {
		e->first_error_bit = c->window_first_error;
	}
	c->skip = evl_prbs_order(c->kind);
	c->run = 0;
	c->history = 0;
}

/*
 * Takes the `n` (8..64) leading bits of `word` while hunting. Returns the number of bits used: n,
 * or fewer when the pattern was found, the next bit being the first to compare.
 *
 * A bit is as predicted when line[i] XOR line[i-k] XOR line[i-n] is 1 (0 with the polarity
 * reversed). Only a run that comes in from the word before can reach 64 inside a word, so looking
 * at the run at either end of the word is enough.
 */
static unsigned hunt_word(struct evl_checker *c, uint64_t word, unsigned n, uint64_t first_bit)
{
	unsigned order = evl_prbs_order(c->kind);
	unsigned tap = evl_prbs_tap(c->kind);
	unsigned from = c->skip < n ? c->skip : n;
	c->skip -= from;
	if (from < n) {
		uint64_t agree = word ^ (word >> tap | c->history << (64 - tap)) ^
				 (word >> order | c->history << (64 - order));
		uint64_t head = agree << from;
		bool value = head >> 63 != 0;
		unsigned len = leading_zeros(value ? ~head : head);
		len = len < n - from ? len : n - from;
		if (value != c->run_value) {
			c->run_value = value;
			c->run = 0;
		}
		if (c->run < EVL_CHECKER_CONFIRM && c->run + len >= EVL_CHECKER_CONFIRM) {
			unsigned used = from + EVL_CHECKER_CONFIRM - c->run;
			uint64_t last = word >> (64 - used);
			if (used < 64) {
				last |= c->history << used;
			}
			uint32_t window =
				(uint32_t)(value ? ~last : last) & evl_prbs_period(c->kind);
			if (window != 0) {
				lock(c, first_bit + used, window, !value);
				return used;
			}
		}
		if (len == n - from) {
			/* Past 64 only in the all-zero register, which lasts as long as the run. */
			c->run += len;
			c->run = c->run < EVL_CHECKER_CONFIRM ? c->run : EVL_CHECKER_CONFIRM;
		} else {
			uint64_t tail = agree >> (64 - n);
			c->run_value = (tail & 1) != 0;
			c->run = trailing_zeros(c->run_value ? ~tail : tail);
		}
	}
	c->history = n == 64 ? word : c->history << n | word >> (64 - n);
	return n;
}

/* Counts a stretch that lies within one window; at the end of the window decides on a loss. */
static void count(struct evl_checker *c, uint64_t bit, unsigned bits, uint64_t errors,
		  uint64_t first_error)
{
	c->bits += bits;
	c->errors += errors;
	c->window_bits += bits;
	if (errors > 0 && c->window_errors == 0) {
		c->window_first_error = first_error;
	}
	c->window_errors += errors;
	if ((bit + bits) % EVL_CHECKER_WINDOW_BITS == 0) {
		if (c->window_errors >= EVL_CHECKER_LOSS_ERRORS) {
			lose(c, bit + bits);
		}
		c->window_bits = 0;
		c->window_errors = 0;
	}
}

static void compare_part(struct evl_checker *c, uint64_t bit, const uint8_t *expected,
			 const uint8_t *got, size_t bytes, unsigned bits)
{
	uint64_t errors = evl_bits_count_diff(expected, got, bytes);
	uint64_t first = 0;
	if (errors > 0) {
		uint64_t base = bit - bit % 8;
		first = base + evl_bits_first_diff(expected, got, bytes);
		c->error_positions += evl_bits_list_diff(
			c->error_bit + c->error_positions,
			EVL_CHECKER_ERRORS_KEPT - c->error_positions, base, expected, got, bytes);
	}
	count(c, bit, bits, errors, first);
}

/* What is left of a byte in which the pattern was found, from its bit `from` (1..7) on. */
static void compare_rest(struct evl_checker *c, uint64_t bit, unsigned from, uint8_t seen)
{
	uint8_t scratch;
	size_t one = 1;
	unsigned mask = 0xffu >> from;
	unsigned expected = *evl_prbs_lend(&c->local, &scratch, &one) ^ (c->inverted ? 0xffu : 0u);
	uint8_t e = (uint8_t)(expected & mask);
	uint8_t g = (uint8_t)(seen & mask);
	compare_part(c, bit, &e, &g, 1, 8 - from);
}

static size_t hunt(struct evl_checker *c, const uint8_t *data, size_t bytes)
{
	size_t i = 0;
	while (i < bytes && !c->locked) {
		unsigned n = 64;
		uint64_t word = 0;
		if (bytes - i >= 8) {
			word = evl_load_be64(data + i);
		} else {
			n = (unsigned)(bytes - i) * 8;
			for (unsigned b = 0; b < n / 8; b++) {
				word |= (uint64_t)data[i + b] << (56 - 8 * b);
			}
		}
		uint64_t at = c->fed_bits;
		unsigned used = hunt_word(c, word, n, at);
		unsigned whole = (used + 7) / 8;
		c->fed_bits += (uint64_t)whole * 8;
		i += whole;
		if (used % 8 != 0) {
			compare_rest(c, at + used, used % 8, data[i - 1]);
		}
	}
	return i;
}

/* A stretch of any length without errors, in a window that had none before. */
static void count_good(struct evl_checker *c, uint64_t bits)
{
	c->bits += bits;
	c->fed_bits += bits;
	uint64_t into = c->fed_bits % EVL_CHECKER_WINDOW_BITS;
	c->window_bits = c->window_bits + bits < into ? c->window_bits + bits : into;
}

static size_t compare(struct evl_checker *c, const uint8_t *data, size_t bytes)
{
	uint8_t scratch[CHUNK_BYTES];
	uint8_t turned[CHUNK_BYTES];
	size_t done = 0;
	while (done < bytes) {
		size_t chunk = bytes - done < CHUNK_BYTES ? bytes - done : CHUNK_BYTES;
		const uint8_t *expected = evl_prbs_lend(&c->local, scratch, &chunk);
		const uint8_t *got = data + done;
		if (c->inverted) {
			for (size_t i = 0; i < chunk; i++) {
				turned[i] = (uint8_t)~got[i];
			}
			got = turned;
		}
		if (c->window_errors == 0 && memcmp(expected, got, chunk) == 0) {
			count_good(c, (uint64_t)chunk * 8);
			done += chunk;
			continue;
		}
		for (size_t i = 0; i < chunk;) {
			uint64_t at = c->fed_bits;
			size_t left = WINDOW_BYTES - at / 8 % WINDOW_BYTES;
			size_t part = chunk - i < left ? chunk - i : left;
			c->fed_bits += (uint64_t)part * 8;
			compare_part(c, at, expected + i, got + i, part, (unsigned)part * 8);
			i += part;
			if (!c->locked) {
				return done + i;
			}
		}
		done += chunk;
	}
	return done;
}

void evl_checker_feed(struct evl_checker *c, const uint8_t *data, size_t bytes)
{
	if (bytes == 0) {
		return;
	}
	uint64_t before = c->errors;
	size_t i = 0;
	while (i < bytes) {
		i += c->locked ? compare(c, data + i, bytes - i) : hunt(c, data + i, bytes - i);
	}
	c->slabs++;
	c->errored_slabs += c->errors != before;
}

struct evl_checker_counts evl_checker_since(const struct evl_checker *c,
					    struct evl_checker_counts *last)
{
	struct evl_checker_counts now = {
		.bits = c->bits,
		.errors = c->errors,
		.sync_losses = c->sync_losses,
		.slips = c->slips,
		.unlocked_bits = c->fed_bits - c->bits,
	};
	struct evl_checker_counts diff = {
		.bits = now.bits - last->bits,
		.errors = now.errors - last->errors,
		.sync_losses = now.sync_losses - last->sync_losses,
		.slips = now.slips - last->slips,
		.unlocked_bits = now.unlocked_bits - last->unlocked_bits,
	};
	*last = now;
	return diff;
}

uint32_t evl_checker_delay_bits(const struct evl_checker *c, uint32_t sent_phase)
{
	uint32_t period = evl_prbs_period(c->kind);
	return (sent_phase % period + period - c->offset) % period;
}
