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

static uint64_t mask_of(unsigned bits)
{
	return bits == 64 ? UINT64_MAX : ((uint64_t)1 << bits) - 1;
}

/* Bits to take in before a prediction can be made. */
static unsigned state_bits(const struct evl_checker *c)
{
	switch (c->pattern.kind) {
	case EVL_PATTERN_PRBS:
		return evl_prbs_order(c->pattern.prbs);
	case EVL_PATTERN_WORD:
		return c->pattern.word_bits;
	case EVL_PATTERN_USER:
		return 128;
	case EVL_PATTERN_COUNTER:
		break;
	}
	return 0;
}

void evl_checker_init(struct evl_checker *c, const struct evl_pattern *pattern)
{
	memset(c, 0, sizeof(*c));
	c->pattern = *pattern;
	c->confirm = EVL_CHECKER_CONFIRM;
	c->skip = state_bits(c);
	if (pattern->kind == EVL_PATTERN_PRBS) {
		/* Makes the shared tables now, not in the stream. */
		(void)evl_prbs_index_of(pattern->prbs, 1);
		evl_source_start(&c->local, pattern, 0);
	} else if (pattern->kind == EVL_PATTERN_COUNTER) {
		evl_blocks_init(&c->blocks, pattern);
	}
}

void evl_checker_set_confirm(struct evl_checker *c, unsigned bits)
{
	evl_require(bits >= 1 && bits <= EVL_CHECKER_CONFIRM && c->fed_bits == 0);
	evl_require(c->pattern.kind == EVL_PATTERN_PRBS || c->pattern.kind == EVL_PATTERN_WORD);
	c->confirm = bits;
}

/* NULL when the log is full; the event is counted all the same. */
static struct evl_sync_event *log_event(
	struct evl_checker *c, enum evl_sync_event_kind kind, uint64_t bit)
{
	struct evl_sync_event *e = NULL;
	if (c->sync_events < EVL_CHECKER_EVENTS_KEPT) {
		e = &c->event[c->sync_events];
		*e = (struct evl_sync_event){.kind = kind, .bit = bit};
	}
	c->sync_events++;
	return e;
}

/* Bits put in make the pattern late, so the phase of bit 0 goes back. */
static int64_t slip_between(const struct evl_checker *c, uint64_t before, uint64_t now)
{
	uint64_t period = evl_pattern_period(&c->pattern);
	uint64_t late = (before + period - now) % period;
	return late <= period / 2 ? (int64_t)late : -(int64_t)(period - late);
}

static void note_slip(struct evl_checker *c, int64_t slip)
{
	c->slips++;
	c->octet_slips += slip % 8 == 0;
	c->last_slip_bits = slip;
	c->moved_bits += slip;
	if (c->moved_bits < c->moved_least_bits) {
		c->moved_least_bits = c->moved_bits;
	}
	if (c->moved_bits > c->moved_most_bits) {
		c->moved_most_bits = c->moved_bits;
	}
}

/* `bit` is the first bit to compare and `phase` (any value) its place in the pattern. */
static void lock(struct evl_checker *c, uint64_t bit, uint64_t phase, bool inverted)
{
	uint64_t period = evl_pattern_period(&c->pattern);
	uint64_t offset = (phase % period + period - bit % period) % period;
	int64_t slip = 0;
	if (!c->ever_locked) {
		c->ever_locked = true;
		c->first_lock_bit = bit;
	} else if (offset != c->offset) {
		slip = slip_between(c, c->offset, offset);
		note_slip(c, slip);
	}
	c->locked = true;
	c->inverted = inverted;
	c->offset = offset;
	c->window_bits = 0;
	c->window_errors = 0;
	c->other_seen = false;
	struct evl_sync_event *e = log_event(c, EVL_SYNC_FOUND, bit);
	if (e != NULL) {
		e->inverted = inverted;
		e->slip_bits = slip;
		e->offset = offset;
	}
	/* The generator stands at the byte that holds the bit. */
	struct evl_pattern sense = c->pattern;
	sense.inverted = sense.inverted != inverted;
	evl_source_start(&c->local, &sense, phase % period + period - bit % 8 % period);
}

static void lose(struct evl_checker *c, uint64_t bit)
{
	c->locked = false;
	c->sync_losses++;
	c->loss_bits += c->window_bits;
	c->loss_errors += c->window_errors;
	c->last_loss_bit = c->window_first_error;
	struct evl_sync_event *e = log_event(c, EVL_SYNC_LOST, bit);
	if (e != NULL) {
		e->first_error_bit = c->window_first_error;
	}
	c->skip = state_bits(c);
	c->run = 0;
	c->history = 0;
}

/* Where in the word these bits (as many as it has) begin; -1: nowhere. */
static int turn_of(const struct evl_pattern *p, uint64_t bits)
{
	uint64_t mask = mask_of(p->word_bits);
	uint64_t word = p->word;
	for (unsigned t = 0; t < p->word_bits; t++) {
		if (word == (bits & mask)) {
			return (int)t;
		}
		word = (word << 1 | word >> (p->word_bits - 1)) & mask;
	}
	return -1;
}

/* A run of `confirm` bits that agreed: do the latest bits say a place in the pattern? */
static bool try_lock(struct evl_checker *c, uint64_t bit, uint64_t latest, bool value)
{
	const struct evl_pattern *p = &c->pattern;
	if (p->kind == EVL_PATTERN_PRBS) {
		uint32_t window = (uint32_t)(value ? ~latest : latest) & evl_prbs_period(p->prbs);
		if (window == 0) {
			return false;
		}
		uint64_t at = evl_prbs_index_of(p->prbs, window);
		bool line = evl_prbs_inverts(p->prbs) != p->inverted;
		lock(c, bit, at + evl_prbs_order(p->prbs), value != line);
		return true;
	}
	if (value) {
		return false; /* each bit the opposite of the one a period before */
	}
	int turn = turn_of(p, p->inverted ? ~latest : latest);
	int inverse = p->word_bits > 1 ? turn_of(p, p->inverted ? latest : ~latest) : -1;
	if (turn < 0 && inverse < 0) {
		return false;
	}
	lock(c, bit, (uint64_t)(turn >= 0 ? turn : inverse), turn < 0);
	return true;
}

/*
 * Takes the `n` (1..64) leading bits of `word` while hunting. Returns the number of bits used: n,
 * or fewer when the pattern was found, the next bit being the first to compare.
 *
 * A pseudo-random bit is as predicted when line[i] XOR line[i-k] XOR line[i-n] is 0 (1 with the
 * register inverted), a bit of a word when line[i] XOR line[i-n] is 0. Only a run that comes in
 * from the word before can reach 64 inside a word, so looking at the run at either end of the word
 * is enough; when fewer bits make a lock, it is called for single bits.
 */
static unsigned hunt_word(struct evl_checker *c, uint64_t word, unsigned n, uint64_t first_bit)
{
	unsigned from = c->skip < n ? c->skip : n;
	c->skip -= from;
	if (from < n) {
		unsigned lag = state_bits(c);
		uint64_t agree = word;
		agree ^= lag == 64 ? c->history : word >> lag | c->history << (64 - lag);
		if (c->pattern.kind == EVL_PATTERN_PRBS) {
			unsigned tap = evl_prbs_tap(c->pattern.prbs);
			agree ^= word >> tap | c->history << (64 - tap);
		}
		uint64_t head = agree << from;
		bool value = head >> 63 != 0;
		unsigned len = leading_zeros(value ? ~head : head);
		len = len < n - from ? len : n - from;
		if (value != c->run_value) {
			c->run_value = value;
			c->run = 0;
		}
		if (c->run < c->confirm && c->run + len >= c->confirm) {
			unsigned used = from + c->confirm - c->run;
			uint64_t last = word >> (64 - used);
			if (used < 64) {
				last |= c->history << used;
			}
			if (try_lock(c, first_bit + used, last, value)) {
				return used;
			}
		}
		if (len == n - from) {
			/* Past the limit only where no place was found, all along the run. */
			c->run += len;
			c->run = c->run < c->confirm ? c->run : c->confirm;
		} else {
			uint64_t tail = agree >> (64 - n);
			c->run_value = (tail & 1) != 0;
			c->run = trailing_zeros(c->run_value ? ~tail : tail);
		}
	}
	c->history = n == 64 ? word : c->history << n | word >> (64 - n);
	return n;
}

/* The 8 bytes that follow the user's bits `at`. */
static uint64_t user_bits(const struct evl_pattern *p, uint64_t at)
{
	uint8_t next[8];
	evl_user_pattern_fill(p->user, at % evl_user_pattern_bits(p->user), next, sizeof(next));
	return evl_load_be64(next);
}

/* Do these 128 bits lie in the user's pattern? EVL_USER_PATTERN_NONE: not where windows are kept.
 */
static uint64_t user_place(const struct evl_pattern *p, uint64_t older, uint64_t newer)
{
	uint64_t at = evl_user_pattern_find(p->user, older);
	return at != EVL_USER_PATTERN_NONE && user_bits(p, at + 64) == newer
		       ? at
		       : EVL_USER_PATTERN_NONE;
}

static bool hunt_user(struct evl_checker *c, unsigned bit, uint64_t at)
{
	const struct evl_pattern *p = &c->pattern;
	c->older = c->older << 1 | c->history >> 63;
	c->history = c->history << 1 | bit;
	c->skip -= c->skip > 0;
	if (c->skip > 0) {
		return false;
	}
	for (int turned = 0; turned < 2; turned++) {
		uint64_t place = user_place(
			p, turned ? ~c->older : c->older, turned ? ~c->history : c->history);
		if (place != EVL_USER_PATTERN_NONE) {
			lock(c, at + 1, place + 128, (turned != 0) != p->inverted);
			return true;
		}
	}
	return false;
}

/* As hunt_word, for all patterns. */
static unsigned hunt_bits(struct evl_checker *c, uint64_t word, unsigned n, uint64_t first_bit)
{
	bool user = c->pattern.kind == EVL_PATTERN_USER;
	if (!user && c->confirm == EVL_CHECKER_CONFIRM) {
		return hunt_word(c, word, n, first_bit);
	}
	for (unsigned b = 0; b < n; b++) {
		if (user) {
			(void)hunt_user(c, word << b >> 63 != 0, first_bit + b);
		} else {
			(void)hunt_word(c, word << b, 1, first_bit + b);
		}
		if (c->locked) {
			return b + 1;
		}
	}
	return n;
}

/* A window of a word or of the user's bits that had errors: does it fit another place exactly? Only
 * whole windows are looked at. */
static bool out_of_phase(struct evl_checker *c, uint64_t end)
{
	const struct evl_pattern *p = &c->pattern;
	if ((p->kind != EVL_PATTERN_WORD && p->kind != EVL_PATTERN_USER) ||
		c->window_bits < EVL_CHECKER_WINDOW_BITS) {
		return false;
	}
	uint64_t period = evl_pattern_period(p);
	bool turned = c->inverted != p->inverted;
	if (p->kind == EVL_PATTERN_WORD) {
		const uint8_t *tail = c->window + sizeof(c->window) - 16;
		uint64_t older = evl_load_be64(tail), newer = evl_load_be64(tail + 8);
		unsigned lag = p->word_bits;
		uint64_t before = lag == 64 ? older : newer >> lag | older << (64 - lag);
		uint64_t due = (c->offset + end) % period;
		int turn = turn_of(p, turned ? ~newer : newer);
		if (newer != before) {
			return false;
		}
		return turn >= 0 ? (uint64_t)turn != due : turn_of(p, turned ? newer : ~newer) >= 0;
	}
	/* One wrong bit in a dull stretch may look like another place once, but not twice like the
	 * same. */
	uint64_t first = end - EVL_CHECKER_WINDOW_BITS;
	for (unsigned bit = 0; bit + 128 <= EVL_CHECKER_WINDOW_BITS; bit++) {
		uint8_t some[16] = {0};
		evl_bits_copy(some, 0, c->window, bit, 128);
		uint64_t older = evl_load_be64(some), newer = evl_load_be64(some + 8);
		uint64_t at = user_place(p, turned ? ~older : older, turned ? ~newer : newer);
		if (at == EVL_USER_PATTERN_NONE) {
			continue;
		}
		uint64_t offset = (at + period - (first + bit) % period) % period;
		if (offset != c->offset) {
			bool again = c->other_seen && c->other_offset == offset;
			c->other_seen = true;
			c->other_offset = offset;
			return again;
		}
	}
	return false;
}

/* Counts a stretch that lies within one window; at the end of the window decides on a loss. */
static void count(
	struct evl_checker *c, uint64_t bit, unsigned bits, uint64_t errors, uint64_t first_error)
{
	c->bits += bits;
	c->errors += errors;
	c->window_bits += bits;
	if (errors > 0 && c->window_errors == 0) {
		c->window_first_error = first_error;
	}
	c->window_errors += errors;
	if ((bit + bits) % EVL_CHECKER_WINDOW_BITS == 0) {
		if (c->window_errors >= EVL_CHECKER_LOSS_ERRORS ||
			(c->window_errors > 0 && out_of_phase(c, bit + bits))) {
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
		c->last_error_bit = base + evl_bits_last_diff(expected, got, bytes);
		c->error_positions += evl_bits_list_diff(c->error_bit + c->error_positions,
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
	unsigned expected = *evl_source_lend(&c->local, &scratch, &one);
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
		unsigned used = hunt_bits(c, word, n, at);
		unsigned whole = (used + 7) / 8;
		c->fed_bits += (uint64_t)whole * 8;
		i += whole;
		if (used % 8 != 0) {
			compare_rest(c, at + used, used % 8, data[i - 1]);
		}
	}
	return i;
}

/* Keeps what came in the present window, where a wrong place must be told by its bits. `data` ends
 * at bit `end` of the stream. */
static void keep_window(struct evl_checker *c, const uint8_t *data, size_t bytes, uint64_t end)
{
	if (c->pattern.kind != EVL_PATTERN_WORD && c->pattern.kind != EVL_PATTERN_USER) {
		return;
	}
	size_t into = end / 8 % WINDOW_BYTES;
	into = into == 0 ? WINDOW_BYTES : into;
	size_t part = bytes < into ? bytes : into;
	memcpy(c->window + into - part, data + bytes - part, part);
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
	size_t done = 0;
	while (done < bytes) {
		size_t chunk = bytes - done < CHUNK_BYTES ? bytes - done : CHUNK_BYTES;
		if (c->window_errors == 0 && evl_source_follow(&c->local, data + done, chunk)) {
			count_good(c, (uint64_t)chunk * 8);
			done += chunk;
			continue;
		}
		const uint8_t *expected = evl_source_lend(&c->local, scratch, &chunk);
		const uint8_t *got = data + done;
		if (c->window_errors == 0 && memcmp(expected, got, chunk) == 0) {
			count_good(c, (uint64_t)chunk * 8);
			keep_window(c, got, chunk, c->fed_bits);
			done += chunk;
			continue;
		}
		for (size_t i = 0; i < chunk;) {
			uint64_t at = c->fed_bits;
			size_t left = WINDOW_BYTES - at / 8 % WINDOW_BYTES;
			size_t part = chunk - i < left ? chunk - i : left;
			c->fed_bits += (uint64_t)part * 8;
			keep_window(c, got + i, part, c->fed_bits);
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

/* The counter pattern has a receiver of its own; its results are shown like all others. */
static void feed_blocks(struct evl_checker *c, const uint8_t *data, size_t bytes)
{
	struct evl_blocks *b = &c->blocks;
	uint64_t slips = b->slips;
	evl_blocks_feed(b, data, bytes);
	c->locked = b->locked;
	c->ever_locked = b->ever_locked;
	c->inverted = b->inverted;
	c->offset = b->offset;
	c->first_lock_bit = b->first_lock_bit;
	c->fed_bits = b->fed_bits;
	c->bits = b->bits;
	c->errors = b->errors;
	c->sync_losses = b->sync_losses;
	c->error_positions = b->error_positions;
	memcpy(c->error_bit, b->error_bit, sizeof(b->error_bit));
	if (b->slips > slips) {
		/* More than one in a slab show as one that moved by the last. */
		note_slip(c, b->last_slip_bits);
		c->slips = b->slips;
	}
}

void evl_checker_feed(struct evl_checker *c, const uint8_t *data, size_t bytes)
{
	if (bytes == 0) {
		return;
	}
	uint64_t before = c->errors;
	size_t i = 0;
	if (c->pattern.kind == EVL_PATTERN_COUNTER) {
		feed_blocks(c, data, bytes);
		i = bytes;
	}
	while (i < bytes) {
		i += c->locked ? compare(c, data + i, bytes - i) : hunt(c, data + i, bytes - i);
	}
	c->slabs++;
	c->errored_slabs += c->errors != before;
}

struct evl_checker_counts evl_checker_since(
	const struct evl_checker *c, struct evl_checker_counts *last)
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

uint64_t evl_checker_delay_bits(const struct evl_checker *c, uint64_t sent_phase)
{
	uint64_t period = evl_pattern_period(&c->pattern);
	return (sent_phase % period + period - c->offset) % period;
}
