/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/section_rx.h"

#include <string.h>

#ifdef __SSE2__
#include <emmintrin.h>
#endif

#include "core/base/bytes.h"
#include "core/signal/bits.h"

#define FRAME      ((uint64_t)rx->frame_bits)
#define WORD       EVL_STM1_ALIGNMENT_BITS
#define OOF_WORDS  5
#define LOF_BITS   (EVL_LOF_FRAMES * FRAME)
#define NEVER      UINT64_MAX
#define BIT(alarm) (1u << (alarm))

static bool in_range(
	uint32_t value, uint32_t low, uint32_t high, const char *field, struct evl_err *err)
{
	if (value < low || value > high) {
		(void)evl_err_set(err, EVL_E_INVALID, "%s is %u; allowed are %u to %u", field,
			value, low, high);
		return false;
	}
	return true;
}

enum evl_status evl_rx_options_resolve(
	struct evl_rx_options *out, const struct evl_rx_options *in, struct evl_err *err)
{
	struct evl_rx_options o = in != NULL ? *in : (struct evl_rx_options){0};
	o.los_bytes = o.los_bytes != 0 ? o.los_bytes : 389;
	o.k2_frames = o.k2_frames != 0 ? o.k2_frames : 5;
	o.rdi_frames = o.rdi_frames != 0 ? o.rdi_frames : 5;
	o.lop_frames = o.lop_frames != 0 ? o.lop_frames : 8;
	o.lom_frames = o.lom_frames != 0 ? o.lom_frames : 8;
	if (!in_range(o.los_bytes, 45, 1944, "los_bytes", err) ||
		!in_range(o.k2_frames, 3, 5, "k2_frames", err) ||
		!in_range(o.rdi_frames, 3, 10, "rdi_frames", err) ||
		!in_range(o.lop_frames, 8, 10, "lop_frames", err) ||
		!in_range(o.lom_frames, 8, 40, "lom_frames", err) ||
		!in_range(o.depth, EVL_RX_ALL, EVL_RX_BITS, "depth", err)) {
		return EVL_E_INVALID;
	}
	*out = o;
	return EVL_OK;
}

/* Byte k = 1..5 after the one in which a framing word begins at bit s holds bits 8k-s..8k-s+7 of
 * the word; a search looks at whole bytes and keeps the set of all s that are still possible. */
static void fill_shifts(struct evl_section_rx *rx)
{
	for (uint32_t k = 1; k <= 5; k++) {
		for (uint32_t s = 0; s < 8; s++) {
			uint8_t byte = (uint8_t)(EVL_STM1_ALIGNMENT >> (WORD - 8 - (8 * k - s)));
			rx->shifts[k - 1][byte] = (uint8_t)(rx->shifts[k - 1][byte] | 1u << s);
		}
	}
}

void evl_section_rx_init(
	struct evl_section_rx *rx, uint32_t n, const struct evl_rx_options *options)
{
	memset(rx, 0, sizeof(*rx));
	rx->n = n;
	rx->frame_bytes = EVL_STM1_FRAME_BYTES * n;
	rx->frame_bits = 8 * rx->frame_bytes;
	rx->word = 24 * (n - 1);
	rx->filled = 2 * rx->frame_bytes;
	rx->los_bytes = options->los_bytes;
	rx->k2_frames = options->k2_frames;
	rx->hunting = true;
	rx->good = NEVER;
	evl_stm_rx_init(&rx->stm, n);
	fill_shifts(rx);
}

static void set_defect(struct evl_section_rx *rx, enum evl_alarm alarm, bool on, uint64_t bit)
{
	if (((rx->defects & BIT(alarm)) != 0) == on) {
		return;
	}
	rx->defects ^= BIT(alarm);
	if (rx->event != NULL) {
		rx->event(rx->ctx, alarm, on, rx->base + bit);
	}
}

static bool has(const struct evl_section_rx *rx, enum evl_alarm alarm)
{
	return (rx->defects & BIT(alarm)) != 0;
}

/* The byte of the history that holds line bit `bit`. */
static const uint8_t *at(const struct evl_section_rx *rx, uint64_t bit)
{
	return rx->history + (bit + 8u * (uint64_t)rx->filled - rx->end) / 8;
}

static bool word_at(const struct evl_section_rx *rx, uint64_t bit)
{
	uint64_t w = evl_load_be64(at(rx, bit)) << (bit % 8) >> (64 - WORD);
	return w == EVL_STM1_ALIGNMENT;
}

/* ---- LOS ---- */

/* Looks for runs of zero bytes up to line bit `to` (whole bytes). A run of los_bytes cannot hide
 * between two places that are los_bytes apart and not zero, so few bytes are looked at. */
static void scan_zeros(struct evl_section_rx *rx, uint64_t to)
{
	while (rx->scanned < to) {
		const uint8_t *p = at(rx, rx->scanned);
		uint32_t left = (uint32_t)((to - rx->scanned) / 8);
		uint32_t take = rx->zero_run < rx->los_bytes ? rx->los_bytes - rx->zero_run : 1;
		take = take < left ? take : left;
		uint32_t zeros = 0;
		while (zeros < take && p[take - 1 - zeros] == 0) {
			zeros++;
		}
		rx->scanned += 8u * (uint64_t)take;
		if (zeros < take) {
			rx->zero_run = zeros;
			continue;
		}
		rx->zero_run += zeros;
		if (rx->zero_run >= rx->los_bytes) {
			rx->zero_run = rx->los_bytes;
			rx->zero_end = rx->scanned;
			set_defect(rx, EVL_ALARM_LOS, true, rx->scanned);
		}
	}
}

/* A good framing word at `bit`, and one a frame before. */
static void two_good_words(struct evl_section_rx *rx, uint64_t bit)
{
	if (has(rx, EVL_ALARM_LOS) && rx->zero_end <= bit - FRAME) {
		set_defect(rx, EVL_ALARM_LOS, false, bit + WORD);
	}
}

/* ---- LOF ---- */

static void advance_timer(struct evl_section_rx *rx, uint64_t to)
{
	if (to <= rx->timed) {
		return;
	}
	if (!rx->in_frame) {
		uint64_t before = rx->oof_bits;
		rx->oof_bits += to - rx->timed;
		if (before < LOF_BITS && rx->oof_bits >= LOF_BITS) {
			set_defect(rx, EVL_ALARM_LOF, true, rx->timed + LOF_BITS - before);
		}
		/* Nothing found from the very start: there is no framing word to be errored. */
		if (!rx->has_grid && to >= OOF_WORDS * FRAME) {
			set_defect(rx, EVL_ALARM_OOF, true, OOF_WORDS * FRAME);
			rx->has_grid = rx->nominal = true;
			rx->grid = rx->end / FRAME * FRAME;
		}
	} else if (to >= rx->in_frame_since + LOF_BITS) {
		rx->oof_bits = 0;
		set_defect(rx, EVL_ALARM_LOF, false, rx->in_frame_since + LOF_BITS);
	}
	rx->timed = to;
}

/* ---- frame search ---- */

/* Both bytes after the one in which a word begins lie in A1 A1 A1, 24 bits of period 8, so they are
 * equal. Says how many bytes from p on can be left out. */
static uint32_t no_word(const uint8_t *p, uint32_t bytes)
{
	uint32_t i = 0;
#ifdef __SSE2__
	for (; i + 16 <= bytes; i += 16) {
		__m128i a = _mm_loadu_si128((const __m128i *)(const void *)(p + i + 1));
		__m128i b = _mm_loadu_si128((const __m128i *)(const void *)(p + i + 2));
		if (_mm_movemask_epi8(_mm_cmpeq_epi8(a, b)) != 0) {
			break;
		}
	}
#endif
	while (i < bytes && p[i + 1] != p[i + 2]) {
		i++;
	}
	return i;
}

/* First place from rx->hunt on where a framing word lies whole in the history. */
static bool find_word(struct evl_section_rx *rx)
{
	uint64_t i = rx->hunt / 8 * 8;
	uint32_t first = rx->hunt % 8;
	for (; i + 8 + WORD <= rx->end + 8; i += 8, first = 0) {
		const uint8_t *p = at(rx, i);
		uint32_t skip = no_word(p, (uint32_t)((rx->end - WORD - i) / 8));
		if (skip > 0) {
			i += 8 * (uint64_t)(skip - 1);
			continue;
		}
		uint32_t set = rx->shifts[0][p[1]];
		if (set == 0 || (set &= rx->shifts[1][p[2]]) == 0) {
			continue;
		}
		set &= rx->shifts[2][p[3]] & rx->shifts[3][p[4]] & rx->shifts[4][p[5]];
		for (uint32_t s = first; s < 8 && set != 0; s++) {
			if ((set >> s & 1) == 0) {
				continue;
			}
			if (i + s + WORD > rx->end) {
				rx->hunt = i + s;
				return false;
			}
			if (word_at(rx, i + s)) {
				rx->candidate = i + s;
				return true;
			}
		}
	}
	rx->hunt = i + first;
	return false;
}

/* True when a word and its successor a frame later were found; candidate is the first. */
static bool search(struct evl_section_rx *rx)
{
	while (!rx->confirmed) {
		if (!rx->has_candidate) {
			if (!find_word(rx)) {
				return false;
			}
			rx->has_candidate = true;
		}
		uint64_t next = rx->candidate + FRAME;
		if (next + WORD > rx->end) {
			return false;
		}
		rx->confirmed = word_at(rx, next);
		if (!rx->confirmed) {
			rx->has_candidate = false;
			rx->hunt = next;
		}
	}
	return true;
}

static void align(struct evl_section_rx *rx)
{
	uint64_t bit = rx->candidate + FRAME - rx->word;
	uint64_t when = rx->candidate + FRAME + WORD;
	scan_zeros(rx, (when + 7) / 8 * 8 <= rx->end ? (when + 7) / 8 * 8 : rx->end);
	advance_timer(rx, when);
	rx->realigned = !rx->has_grid || rx->nominal || rx->grid != bit;
	rx->has_grid = true;
	rx->nominal = false;
	rx->grid = bit;
	rx->hunting = rx->has_candidate = rx->confirmed = false;
	rx->in_frame = true;
	rx->in_frame_since = when;
	rx->bad_run = 0;
	rx->good = rx->candidate - rx->word;
	set_defect(rx, EVL_ALARM_OOF, false, when);
	if (rx->realigned) {
		rx->stm.have_b1 = rx->stm.have_b2 = false;
	}
}

static void check_word(struct evl_section_rx *rx)
{
	uint64_t when = rx->grid + rx->word + WORD;
	scan_zeros(rx, (when + 7) / 8 * 8);
	if (!rx->in_frame) {
		return;
	}
	advance_timer(rx, when);
	if (word_at(rx, rx->grid + rx->word)) {
		rx->bad_run = 0;
		if (rx->good != NEVER && rx->good + FRAME == rx->grid) {
			two_good_words(rx, rx->grid + rx->word);
		}
		rx->good = rx->grid;
		return;
	}
	if (++rx->bad_run == OOF_WORDS) {
		rx->in_frame = false;
		rx->hunting = true;
		rx->has_candidate = rx->confirmed = false;
		rx->hunt = rx->grid + rx->word + 1;
		set_defect(rx, EVL_ALARM_OOF, true, when);
	}
}

/* ---- multiplex section ---- */

static void persist(
	struct evl_section_rx *rx, enum evl_alarm alarm, uint32_t *run, bool now, uint64_t bit)
{
	if (has(rx, alarm) == now) {
		*run = 0;
	} else if (++*run == rx->k2_frames) {
		*run = 0;
		set_defect(rx, alarm, now, bit);
	}
}

static void take_frame(struct evl_section_rx *rx, evl_section_sink sink, void *ctx)
{
	struct evl_section_frame frame = {
		.plain = rx->plain, .bit = rx->grid, .realigned = rx->realigned};
	scan_zeros(rx, (rx->grid + FRAME) / 8 * 8);
	advance_timer(rx, rx->grid + FRAME);
	bool ok = !has(rx, EVL_ALARM_LOS) && !has(rx, EVL_ALARM_LOF) && !rx->nominal;
	struct evl_stm_rx_result r = {.k2 = EVL_K2_AIS};
	if (ok) {
		const uint8_t *line = at(rx, rx->grid);
		if (rx->grid % 8 != 0) {
			evl_bits_shift(rx->aligned, line, rx->frame_bytes, rx->grid % 8);
			line = rx->aligned;
		}
		evl_stm_rx_frame(&rx->stm, line, rx->plain, &r);
	} else {
		rx->stm.have_b1 = rx->stm.have_b2 = false;
	}
	uint64_t k2_end = rx->grid + 8u * (evl_stm_at(rx->n, 5, 7, 1) + 1);
	persist(rx, EVL_ALARM_MS_AIS, &rx->ais_run, r.k2 == EVL_K2_AIS, k2_end);
	persist(rx, EVL_ALARM_MS_RDI, &rx->rdi_run, r.k2 == EVL_K2_RDI, k2_end);
	frame.readable = ok;
	frame.valid = ok && !has(rx, EVL_ALARM_MS_AIS);
	rx->counts.frames += !rx->nominal;
	rx->counts.b1_errors += r.b1_errors;
	rx->counts.b1_blocks += r.b1_errors > 0;
	if (frame.valid) {
		rx->counts.b2_errors += r.b2_errors;
		rx->counts.ms_rei += r.ms_rei;
		rx->rei_out += r.b2_errors;
	}
	rx->realigned = false;
	if (sink != NULL) {
		sink(ctx, &frame);
	}
}

void evl_section_rx_feed(struct evl_section_rx *rx, const uint8_t *line, evl_section_event_fn event,
	evl_section_sink sink, void *ctx)
{
	rx->event = event;
	rx->ctx = ctx;
	if (rx->filled == 4 * rx->frame_bytes) {
		memcpy(rx->history, rx->history + 3 * rx->frame_bytes, rx->frame_bytes);
		rx->filled = rx->frame_bytes;
	}
	memcpy(rx->history + rx->filled, line, rx->frame_bytes);
	rx->filled += rx->frame_bytes;
	rx->end += FRAME;
	for (;;) {
		bool whole = rx->has_grid && rx->grid + FRAME <= rx->end;
		if (rx->hunting && search(rx) &&
			(!rx->has_grid || rx->candidate < rx->grid + rx->word)) {
			uint64_t bit = rx->candidate + FRAME; /* of the word */
			align(rx);
			two_good_words(rx, bit);
			continue;
		}
		if (!whole) {
			break;
		}
		check_word(rx);
		take_frame(rx, sink, ctx);
		rx->grid += FRAME;
	}
	/* Zeros that come after the next framing word begins are looked at after that word. */
	uint64_t stop = rx->end;
	if (rx->has_grid && rx->in_frame && rx->grid + rx->word + WORD <= stop) {
		stop = (rx->grid + rx->word) / 8 * 8;
	} else if (rx->hunting && rx->has_candidate && rx->candidate + FRAME < stop) {
		stop = (rx->candidate + FRAME) / 8 * 8;
	}
	scan_zeros(rx, stop);
	if (!rx->has_grid) {
		advance_timer(rx, rx->end);
	}
	rx->event = NULL;
}
