/* SPDX-License-Identifier: Apache-2.0 */
/* Patterns inside E1 and T1 frames, and what the frames themselves tell. */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

/* What timeslots carry that nobody uses: silence of the A-law with even bits inverted (ITU-T
 * G.711), and of T1 idle 7F (from memory). Bit 2 is 1 in both, which in SF is no RAI. */
#define E1_IDLE 0xD5
#define T1_IDLE 0x7F

#define PIECE 8u /* frames; whole bytes at either rate */

struct framed_tx *evl_framed_tx_create(
	enum evl_rate rate, const struct evl_framing *framing, const struct evl_timeslots *slots)
{
	struct framed_tx *f = evl_xcalloc(1, sizeof *f);
	f->rate = rate;
	f->slots = *slots;
	evl_e1_builder_init(&f->e1, framing->e1, framing->cas);
	f->e1.e_valid = true; /* a far end that receives well */
	evl_t1_builder_init(&f->t1, framing->t1);
	return f;
}

static void make_piece(struct framed_tx *f, struct evl_source *payload)
{
	const bool e1 = f->rate == EVL_RATE_E1;
	const size_t n = (size_t)f->slots.count * PIECE;
	const uint32_t far =
		payload != NULL && f->network != NULL ? evl_network_far(f->network, f->made) : 0;
	const bool rai = (far & EVL_NETWORK_RAI) != 0, lof = (far & EVL_NETWORK_LOF) != 0;
	f->made += payload != NULL ? PIECE : 0;
	if (payload != NULL) {
		evl_source_fill(payload, f->group, n);
	} else {
		memset(f->group, e1 ? E1_IDLE : T1_IDLE, n);
	}
	if (e1) {
		memset(f->frames, E1_IDLE, PIECE * EVL_E1_FRAME_BYTES);
		evl_timeslots_insert(&f->slots, f->frames, f->group, PIECE);
		f->e1.rai = rai;
		f->e1.bad_fas = lof ? PIECE : 0;
		evl_e1_build(&f->e1, f->frames, PIECE);
	} else {
		/* Each timeslot 7F: bits 1, 9, ... of the 192 after each F bit are the zeros. */
		static const uint8_t idle[EVL_T1_SLOTS] = {T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE,
			T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE,
			T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE,
			T1_IDLE, T1_IDLE, T1_IDLE, T1_IDLE};
		for (uint32_t i = 0; i < PIECE; i++) {
			evl_t1_pack(f->frames, (uint64_t)i * EVL_T1_FRAME_BITS + 1, idle);
		}
		evl_timeslots_insert_t1(&f->slots, f->frames, f->group, PIECE);
		f->t1.rai = rai;
		evl_t1_build(&f->t1, f->frames, PIECE);
		/* Inverted, Ft and Fs of SF would be a frame again, two frames on: no F bits. */
		for (uint32_t i = 0; lof && i < PIECE; i++) {
			const uint32_t bit = i * EVL_T1_FRAME_BITS;
			f->frames[bit / 8] &= (uint8_t) ~(0x80u >> bit % 8);
		}
	}
	f->left = evl_rate_bytes(f->rate, PIECE);
}

void evl_framed_tx_fill(struct framed_tx *f, struct evl_source *payload, uint8_t *out, size_t bytes)
{
	const size_t piece = evl_rate_bytes(f->rate, PIECE);
	while (bytes > 0) {
		if (f->left == 0) {
			make_piece(f, payload);
		}
		size_t n = f->left < bytes ? f->left : bytes;
		memcpy(out, f->frames + piece - f->left, n);
		f->left -= n;
		out += n;
		bytes -= n;
	}
}

/* ---- receiving ---- */

static void on_event(void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit)
{
	struct framed_rx *f = ctx;
	if (!f->watched) {
		return;
	}
	struct evl_take_event e = {.channel = channel,
		.alarm = alarm,
		.raised = raised,
		.at_ns = evl_watch_ns(f->take, (int64_t)(bit - f->fed_bits), f->slab_bits),
		.place = f->out.place,
		.client = -1};
	if (f->line != NULL) {
		e.line_channel = f->line->part->plan->channel;
		e.client = (int32_t)f->client;
	}
	evl_watch_keep(f->take, &e);
}

enum evl_status evl_framed_rx_create(struct framed_rx **out, enum evl_rate rate,
	const struct evl_framing *framing, const struct evl_timeslots *slots, size_t most_bytes,
	struct evl_err *err)
{
	struct framed_rx *f = calloc(1, sizeof *f);
	enum evl_status st = EVL_OK;
	if (f == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for a receiver of frames");
	}
	f->out.framing = *framing;
	if (rate == EVL_RATE_E1) {
		const struct evl_e1_options o = {.framing = framing->e1, .cas = framing->cas};
		f->e1 = evl_xcalloc(1, sizeof *f->e1);
		st = evl_e1_receiver_init(f->e1, &o, 0, on_event, f, err);
	} else {
		const struct evl_t1_options o = {.framing = framing->t1};
		evl_require(rate == EVL_RATE_T1);
		f->t1 = evl_xcalloc(1, sizeof *f->t1);
		st = evl_t1_receiver_init(f->t1, &o, 0, on_event, f, err);
	}
	if (slots != NULL) {
		const bool e1 = rate == EVL_RATE_E1;
		size_t room = e1 ? EVL_E1_OUT_BYTES(most_bytes) : EVL_T1_OUT_BYTES(most_bytes);
		f->slots = *slots;
		f->frames = evl_xmalloc(room);
		f->group_room = room / (e1 ? EVL_E1_FRAME_BYTES : EVL_T1_SLOTS) * slots->count;
		f->group = evl_xmalloc(f->group_room);
	}
	if (st < 0) {
		evl_framed_rx_destroy(f);
		return st;
	}
	*out = f;
	return EVL_OK;
}

void evl_framed_rx_destroy(struct framed_rx *f)
{
	if (f == NULL) {
		return;
	}
	free(f->e1);
	free(f->t1);
	free(f->frames);
	free(f->group);
	free(f);
}

void evl_framed_rx_feed(struct framed_rx *f, const uint8_t *bits, size_t bytes)
{
	f->slab_bits = (uint64_t)bytes * 8;
	uint32_t n = f->e1 != NULL ? evl_e1_receive(f->e1, bits, bytes, f->frames)
				   : evl_t1_receive(f->t1, bits, bytes, f->frames);
	if (f->group != NULL) {
		evl_timeslots_extract(&f->slots, f->group, f->frames, n);
		f->group_bytes = (size_t)n * f->slots.count;
	}
	f->fed_bits += f->slab_bits;
}

/* ---- what the frames tell ---- */

void evl_framed_each(struct take *t, void (*fn)(void *ctx, struct framed_rx *f), void *ctx)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		if (p->framed_rx != NULL) {
			fn(ctx, p->framed_rx);
		}
		for (uint32_t c = 0; p->line != NULL && c < p->line->client_count; c++) {
			if (p->line->framed_of[c] != NULL) {
				fn(ctx, p->line->framed_of[c]);
			}
		}
	}
}

static uint64_t crc_errors(const struct framed_rx *f)
{
	return f->e1 != NULL ? f->e1->counts.crc_errors[0] + f->e1->counts.crc_errors[1]
			     : f->t1->counts.crc_errors;
}

static void end_second(void *ctx, struct framed_rx *f)
{
	const uint32_t second = *(const uint32_t *)ctx;
	const uint64_t crc = crc_errors(f) - f->last_crc;
	const uint64_t e = f->e1 != NULL ? f->e1->counts.e_bits - f->last_e : 0;
	f->out.errored_seconds += crc > 0;
	f->out.far_errored_seconds += e > 0;
	if (crc > f->out.worst_errors) {
		f->out.worst_errors = crc;
		f->out.worst_second = second;
	}
	f->last_crc += crc;
	f->last_e += e;
}

void evl_framed_second(struct take *t, uint32_t second)
{
	evl_framed_each(t, end_second, &second);
}

static void count(void *ctx, struct framed_rx *f)
{
	(void)f;
	++*(uint32_t *)ctx;
}

static void collect(void *ctx, struct framed_rx *f)
{
	struct evl_take_result *r = ctx;
	struct evl_take_framed *out = &f->out;
	if (!evl_framing_is_framed(&out->framing)) {
		return;
	}
	if (f->e1 != NULL) {
		const struct evl_e1_counts *c = &f->e1->counts;
		out->frames = c->frames;
		out->crc_blocks = c->crc_blocks;
		out->e_bits = c->e_bits;
		out->frame_errors = c->fas_errors;
		out->losses = c->losses;
	} else {
		const struct evl_t1_counts *c = &f->t1->counts;
		out->frames = c->frames;
		out->crc_blocks = c->crc_blocks;
		out->frame_errors = c->f_errors;
		out->losses = c->losses;
	}
	out->crc_errors = crc_errors(f);
	r->framed[r->framed_count++] = *out;
}

void evl_framed_collect(struct take *t)
{
	uint32_t n = 0;
	evl_framed_each(t, count, &n);
	t->result->framed = evl_xcalloc(n, sizeof *t->result->framed);
	evl_framed_each(t, collect, t->result);
}
