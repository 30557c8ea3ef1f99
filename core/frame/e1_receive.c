/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/e1_receive.h"

#include <string.h>

#include "core/frame/e1_internal.h"
#include "core/frame/e1_search.h"
#include "core/frame/event_order.h"
#include "core/signal/bits.h"

#define FRAME         EVL_E1_FRAME_BITS
#define CHUNK         4096
#define BAD_FAS       3    /* G.706 4.1.1 */
#define BAD_BIT2      3    /* same */
#define MFAS_FRAMES   64   /* 8 ms, G.706 4.2 */
#define WORK_FRAMES   3200 /* 400 ms, G.706 Annex B */
#define SECOND_BLOCKS 1000 /* G.706 4.3.2 */
#define SECOND_BAD    915
#define MANY_EVENTS   64 /* that wait: a step brings at most a dozen */

/* The bits at hand: what was carried over and a part of the input behind it. */
struct view {
	const uint8_t *bytes;
	size_t size;
	uint64_t base; /* offset of the first */
	uint8_t *out;  /* may be NULL */
	uint32_t given;
	uint8_t frame[EVL_E1_FRAME_BYTES];
};

void e1_set_alarm(struct evl_e1_receiver *r, enum evl_alarm alarm, bool on, uint64_t offset)
{
	uint32_t bit = 1u << alarm;
	if (((r->alarms & bit) != 0) == on) {
		return;
	}
	r->alarms ^= bit;
	evl_event_order_add(r->order, alarm, on, offset);
}

enum evl_status evl_e1_receiver_init(struct evl_e1_receiver *r,
	const struct evl_e1_options *options, uint32_t channel, evl_e1_event_fn fn, void *ctx,
	struct evl_err *err)
{
	struct evl_e1_options o = options != NULL ? *options : (struct evl_e1_options){0};
	o.rai_set = o.rai_set != 0 ? o.rai_set : 2;
	o.rai_clear = o.rai_clear != 0 ? o.rai_clear : 1;
	o.cas_zero = o.cas_zero != 0 ? o.cas_zero : 2;
	if ((unsigned)o.framing > EVL_E1_CRC4_AUTO) {
		return evl_err_set(err, EVL_E_INVALID,
			"E1 option framing: %u is no framing, use 0 to 3", (unsigned)o.framing);
	}
	if (o.cas && o.framing == EVL_E1_UNFRAMED) {
		return evl_err_set(err, EVL_E_INVALID,
			"E1 option cas: an unframed signal has no timeslot 16, choose a "
			"framing");
	}
	if (o.rai_set < 2 || o.rai_set > 5) {
		return evl_err_set(
			err, EVL_E_INVALID, "E1 option rai_set: %u is not 2 to 5", o.rai_set);
	}
	if (o.rai_clear > 5) {
		return evl_err_set(
			err, EVL_E_INVALID, "E1 option rai_clear: %u is not 1 to 5", o.rai_clear);
	}
	if (o.cas_zero > 2) {
		return evl_err_set(
			err, EVL_E_INVALID, "E1 option cas_zero: %u is not 1 or 2", o.cas_zero);
	}
	*r = (struct evl_e1_receiver){.options = o, .channel = channel, .fn = fn, .ctx = ctx};
	if (evl_e1_monitor_init(&r->monitor, o.los_bits) < 0) {
		return evl_err_set(
			err, EVL_E_INVALID, "E1 option los_bits: %u is not 10 to 255", o.los_bits);
	}
	return EVL_OK;
}

uint8_t evl_e1_receiver_sa(const struct evl_e1_receiver *r, unsigned n)
{
	evl_require(n >= 4 && n <= 8);
	unsigned v = 0;
	for (unsigned i = 0; i < 8; i++) {
		v |= (unsigned)(r->nfas >> (8 * i + 8 - n) & 1) << i;
	}
	return (uint8_t)v;
}

static void on_monitor(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset)
{
	(void)channel;
	e1_set_alarm(ctx, alarm, raised, bit_offset);
}

/* AIS and LOS, so far as the whole bytes before an offset go. */
static void watch_to(struct evl_e1_receiver *r, const struct view *v, uint64_t offset)
{
	const uint64_t from = r->monitor.offset;
	if (offset / 8 > from / 8) {
		evl_e1_monitor_feed(&r->monitor, r->channel, v->bytes + (from - v->base) / 8,
			(size_t)(offset / 8 - from / 8), on_monitor, r);
	}
}

/* Gives a frame, or one of ones when `frame` is NULL, and moves the frame clock on. */
static void give(struct evl_e1_receiver *r, struct view *v, const uint8_t *frame)
{
	if (v->out != NULL) {
		uint8_t *to = v->out + (size_t)v->given * EVL_E1_FRAME_BYTES;
		if (frame != NULL) {
			memcpy(to, frame, EVL_E1_FRAME_BYTES);
		} else {
			memset(to, 0xff, EVL_E1_FRAME_BYTES);
		}
		v->given++;
	}
	r->clock += FRAME;
}

/* The frame at an offset, NULL when it is not whole yet. */
static const uint8_t *frame_at(struct view *v, uint64_t offset)
{
	uint64_t bit = offset - v->base;
	if (bit + FRAME > (uint64_t)v->size * 8) {
		return NULL;
	}
	const uint8_t *p = v->bytes + bit / 8;
	if (bit % 8 == 0) {
		return p;
	}
	unsigned shift = (unsigned)(bit % 8);
	for (size_t i = 0; i < EVL_E1_FRAME_BYTES; i += 8) {
		evl_store_be64(
			v->frame + i, evl_load_be64(p + i) << shift | p[i + 8] >> (8 - shift));
	}
	return v->frame;
}

/* False: not found in the bits at hand. */
static bool find(struct evl_e1_track *t, const struct view *v)
{
	uint64_t at;
	if (evl_e1_search(&at, v->bytes, v->size, t->next - v->base)) {
		*t = (struct evl_e1_track){.aligned = true, .next = v->base + at + 2 * FRAME};
		return true;
	}
	uint64_t end = v->base + (uint64_t)v->size * 8;
	if (end >= t->next + EVL_E1_SEARCH_BITS) {
		t->next = end - EVL_E1_SEARCH_BITS + 1;
	}
	return false;
}

/* Bit 1 of an NFAS; true when it completes multiframe alignment (G.706 4.2). */
static bool multiframe_found(struct evl_e1_track *t, bool bit1)
{
	const uint32_t multiples_of_2ms = 1u << 8 | 1u << 16 | 1u << 24;
	t->bit1 = t->bit1 << 1 | bit1;
	t->bit1_seen++;
	t->mfas <<= 1;
	if (t->bit1_seen < 6 || (t->bit1 & 0x3f) != EVL_E1_CRC_MFAS) {
		return false;
	}
	t->mfas |= 1;
	return (t->mfas & multiples_of_2ms) != 0;
}

static void reset_crc(struct evl_e1_receiver *r)
{
	r->ring_whole = false;
	r->crc_valid = false;
	r->second_blocks = 0;
	r->second_errors = 0;
}

static void lose(struct evl_e1_receiver *r, uint64_t offset)
{
	r->counts.losses++;
	r->multiframe = EVL_E1_MF_NONE;
	r->retry = false;
	r->track = (struct evl_e1_track){.next = offset};
	reset_crc(r);
	e1_set_alarm(r, EVL_ALARM_LOF, true, offset);
	e1_set_alarm(r, EVL_ALARM_RAI, false, offset);
	e1_set_alarm(r, EVL_ALARM_LOM, false, offset);
	e1_cas_reset(r, offset);
}

static void begin_frames(struct evl_e1_receiver *r)
{
	r->bad_fas = 0;
	r->bad_bit2 = 0;
	r->rai_ones = 0;
	r->rai_zeros = 0;
	r->clock = r->track.next;
}

/* The multiframe ends its alignment signal in the NFAS that began at `at`: frame 11. */
static void multiframe_aligned(struct evl_e1_receiver *r, uint64_t at)
{
	r->multiframe = EVL_E1_MF_ALIGNED;
	r->crc_frame = 11;
	r->retry = false;
	reset_crc(r);
	e1_set_alarm(r, EVL_ALARM_LOM, false, at + 1);
}

/* One step of the search that runs beside the first alignment; false: needs more bits. */
static bool step_other(struct evl_e1_receiver *r, struct view *v)
{
	struct evl_e1_track *t = &r->other;
	if (!t->aligned) {
		return find(t, v);
	}
	uint64_t at = t->next;
	const uint8_t *f = frame_at(v, at);
	if (f == NULL) {
		return false;
	}
	if (t->frames == MFAS_FRAMES) {
		*t = (struct evl_e1_track){.next = at + 1};
		return true;
	}
	bool found = t->nfas && multiframe_found(t, (f[0] & 0x80) != 0);
	t->nfas = !t->nfas;
	t->frames++;
	t->next = at + FRAME;
	if (found) {
		bool moved = (t->next - r->track.next) % FRAME != 0;
		r->track = *t;
		if (moved) {
			begin_frames(r);
			e1_set_alarm(r, EVL_ALARM_RAI, false, at + 1);
			e1_cas_reset(r, at + 1);
		}
		r->clock = r->track.next;
		multiframe_aligned(r, at);
	}
	return true;
}

static void compare_crc(struct evl_e1_receiver *r, uint64_t at)
{
	bool bad = r->crc_got != r->crc;
	r->counts.crc_blocks++;
	/* The block before: frame 6 ends the word for sub-multiframe II, frame 14 that for I. */
	r->counts.crc_errors[r->crc_frame == 6] += bad;
	r->second_errors += bad;
	r->second_blocks++;
	if (r->second_errors >= SECOND_BAD) {
		lose(r, at + 1);
	} else if (r->second_blocks == SECOND_BLOCKS) {
		r->second_blocks = 0;
		r->second_errors = 0;
	}
}

/* The next frame of the multiframe, before timeslot 0 is looked at further. */
static void step_crc(struct evl_e1_receiver *r, const uint8_t *f, uint64_t at)
{
	unsigned n = (r->crc_frame + 1u) % 16;
	bool bit1 = (f[0] & 0x80) != 0;
	r->crc_frame = (uint8_t)n;
	if (n % 8 == 0) {
		r->ring = 0;
		r->ring_whole = true;
		r->crc_got = 0;
	}
	r->ring = evl_e1_crc4_add(r->ring, f, n % 2 == 0);
	if (n % 2 == 0) {
		r->crc_got = (uint8_t)(r->crc_got << 1 | bit1);
		if (n % 8 == 6 && r->crc_valid) {
			compare_crc(r, at);
		}
	} else if (n >= 13) {
		r->counts.e_bits += !bit1;
	}
	if (n % 8 == 7 && r->ring_whole) {
		r->crc = evl_e1_crc4_end(r->ring);
		r->crc_valid = true;
	}
}

static void step_multiframe(struct evl_e1_receiver *r, const uint8_t *f, uint64_t at)
{
	struct evl_e1_track *t = &r->track;
	if (r->multiframe == EVL_E1_MF_ALIGNED) {
		step_crc(r, f, at);
		return;
	}
	if (t->frames == MFAS_FRAMES) {
		e1_set_alarm(r, EVL_ALARM_LOM, true, at);
		r->retry = true;
		r->other = (struct evl_e1_track){.next = at + 1};
	}
	if (t->frames == WORK_FRAMES && r->options.framing == EVL_E1_CRC4_AUTO) {
		r->multiframe = EVL_E1_MF_ABSENT;
		r->retry = false;
		e1_set_alarm(r, EVL_ALARM_LOM, false, at);
	} else if (t->frames < MFAS_FRAMES && t->nfas && multiframe_found(t, (f[0] & 0x80) != 0)) {
		multiframe_aligned(r, at);
	}
}

static void take_fas(struct evl_e1_receiver *r, uint8_t ts0, uint64_t at)
{
	uint8_t wrong = (uint8_t)((ts0 ^ EVL_E1_FAS) & EVL_E1_FAS_MASK);
	if (wrong == 0) {
		r->bad_fas = 0;
		return;
	}
	r->counts.fas_errors++;
	r->counts.fas_bits += evl_bits_count_ones(&wrong, 1);
	if (++r->bad_fas == BAD_FAS) {
		lose(r, at + 8);
	}
}

static void take_nfas(struct evl_e1_receiver *r, uint8_t ts0, uint64_t at)
{
	if ((ts0 & EVL_E1_NFAS_BIT2) != 0) {
		r->bad_bit2 = 0;
	} else {
		r->counts.nfas_errors++;
		if (++r->bad_bit2 >= BAD_BIT2 && r->options.check_bit2) {
			lose(r, at + 2);
			return;
		}
	}
	r->nfas = r->nfas << 8 | ts0;
	if ((ts0 & EVL_E1_NFAS_A) != 0) {
		r->rai_zeros = 0;
		if (r->rai_ones < r->options.rai_set && ++r->rai_ones == r->options.rai_set) {
			e1_set_alarm(r, EVL_ALARM_RAI, true, at + 3);
		}
	} else {
		r->rai_ones = 0;
		if (r->rai_zeros < r->options.rai_clear && ++r->rai_zeros == r->options.rai_clear) {
			e1_set_alarm(r, EVL_ALARM_RAI, false, at + 3);
		}
	}
}

/* One frame in alignment; false: it is not whole yet. */
static bool step_frame(struct evl_e1_receiver *r, struct view *v)
{
	struct evl_e1_track *t = &r->track;
	uint64_t at = t->next;
	const uint8_t *f = frame_at(v, at);
	if (f == NULL) {
		return false;
	}
	if (r->multiframe != EVL_E1_MF_NONE && r->multiframe != EVL_E1_MF_ABSENT) {
		step_multiframe(r, f, at);
	}
	if (t->aligned && t->nfas) {
		take_nfas(r, f[0], at);
	} else if (t->aligned) {
		take_fas(r, f[0], at);
	}
	if (!t->aligned) {
		return true;
	}
	if (r->options.cas) {
		e1_cas_frame(r, f[16], at);
	}
	r->counts.frames++;
	r->frame_bit = at;
	give(r, v, f);
	t->nfas = !t->nfas;
	t->frames += t->frames < UINT32_MAX;
	t->next = at + FRAME;
	return true;
}

static bool step_search(struct evl_e1_receiver *r, struct view *v)
{
	bool found = find(&r->track, v);
	while (r->clock + FRAME <= r->track.next) {
		give(r, v, NULL);
	}
	if (found) {
		watch_to(r, v, r->track.next + 8);
		evl_e1_monitor_aligned(&r->monitor, r->channel, r->track.next + 8, on_monitor, r);
		bool crc = r->options.framing >= EVL_E1_CRC4;
		r->multiframe = crc ? EVL_E1_MF_SEARCH : EVL_E1_MF_NONE;
		begin_frames(r);
		e1_set_alarm(r, EVL_ALARM_LOF, false, r->track.next + 8);
	}
	return found;
}

/* Nothing that is still to be done can bring an event before this offset. */
static uint64_t done_to(const struct evl_e1_receiver *r)
{
	return r->retry && r->other.next < r->track.next ? r->other.next : r->track.next;
}

/* Does all that the bits at hand allow. What comes of it does not depend on how they were cut: the
 * place that lies further back always goes first, and waits when its bits are not there. */
static void run(struct evl_e1_receiver *r, struct view *v)
{
	bool more = true;
	while (more) {
		if (r->retry && r->other.next <= r->track.next) {
			more = step_other(r, v);
		} else if (r->track.aligned) {
			more = step_frame(r, v);
		} else {
			more = step_search(r, v);
		}
		if (r->order->waiting >= MANY_EVENTS) {
			watch_to(r, v, done_to(r));
			evl_event_order_give(r->order, r->monitor.offset);
		}
	}
}

static void run_unframed(struct evl_e1_receiver *r, struct view *v)
{
	const uint8_t *f;
	while ((f = frame_at(v, r->track.next)) != NULL) {
		r->counts.frames++;
		r->frame_bit = r->track.next;
		r->track.next += FRAME;
		give(r, v, f);
	}
}

uint32_t evl_e1_receive(struct evl_e1_receiver *r, const uint8_t *bits, size_t bytes, uint8_t *out)
{
	uint8_t stage[EVL_E1_CARRY + CHUNK];
	struct view v = {.bytes = stage, .out = out};
	struct evl_event_order order;
	evl_event_order_init(&order, r->channel, r->fn, r->ctx);
	r->order = &order;
	bool framed = r->options.framing != EVL_E1_UNFRAMED;
	if (bytes > 0 && !r->begun) {
		r->begun = true;
		e1_set_alarm(r, EVL_ALARM_LOF, framed, 0);
	}
	while (bytes > 0) {
		size_t n = bytes < CHUNK ? bytes : CHUNK;
		memcpy(stage, r->carry, r->carried);
		memcpy(stage + r->carried, bits, n);
		v.size = r->carried + n;
		v.base = r->fed - (uint64_t)r->carried * 8;
		r->fed += (uint64_t)n * 8;
		if (framed) {
			run(r, &v);
		} else {
			run_unframed(r, &v);
		}
		const uint64_t low = done_to(r);
		watch_to(r, &v, bytes > n ? low : r->fed);
		evl_event_order_give(&order, low < r->monitor.offset ? low : r->monitor.offset);
		size_t done = (size_t)((low - v.base) / 8);
		r->carried = (uint32_t)(v.size - done);
		evl_require(r->carried <= EVL_E1_CARRY);
		memcpy(r->carry, stage + done, r->carried);
		bits += n;
		bytes -= n;
	}
	evl_event_order_give(&order, UINT64_MAX);
	r->order = NULL;
	return v.given;
}
