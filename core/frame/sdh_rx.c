/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/sdh_rx.h"

#include <stdlib.h>
#include <string.h>

#include "core/frame/interleave.h"
#include "core/signal/bits.h"

#define BIT     SDH_BIT
#define AU_FAIL (BIT(EVL_ALARM_AU_AIS) | BIT(EVL_ALARM_AU_LOP))
#define ROWS    EVL_STM1_ROWS
#define EVENTS  4096u /* that are kept for each STM-1; four frames cannot bring half of it */

/* AIS of a client: a period with few zeros. E1: at most 2 in each of 2 periods of 512 bits, G.775
 * 5.2. T1: ones density 99.9 % or more, G.775 5.4: at most 4 in 579 bytes (24 frames, 3 ms). */
#define E1_PERIOD  64u
#define E1_ZEROS   2u
#define E1_PERIODS 2u
#define T1_PERIOD  579u
#define T1_ZEROS   4u
#define T1_PERIODS 1u

/* ---- building ---- */

static void path_init(struct evl_sdh_rx *rx, struct sdh_rx_path *p, struct evl_sdh_at at,
	uint32_t aug, uint32_t k, uint32_t hold, const struct evl_au_shape *shape)
{
	p->rx = rx;
	p->exists = true;
	p->at = at;
	p->aug = (uint8_t)aug;
	p->k = (uint8_t)k;
	p->hold = (uint8_t)hold;
	p->client = -1;
	p->tu3 = shape == &evl_tu3_shape;
	p->tug3 = shape == &evl_au4_shape && hold == EVL_SDH_TUG;
	bool au3 = shape == &evl_au3_shape, joined = shape == &evl_au4_4c_shape;
	p->step = joined ? 1 : au3 ? 3 * rx->n : rx->n;
	p->first = rx->n * (EVL_STM1_SOH + (au3 ? k : 0)) + (joined ? 0 : aug);
	evl_trace_rx_init(&p->trace, EVL_TRACE_PATIENCE);
	p->au.shape = shape;
	p->hp.label = hold == EVL_SDH_TUG ? EVL_C2_TUG : -1;
}

static enum evl_vc1_mode mode_of(const struct evl_sdh_client *c)
{
	switch (c->kind) {
	case EVL_SDH_T1:
		return c->tu11 ? EVL_VC1_T1_ASYNC : EVL_VC1_T1_ASYNC_TU12;
	case EVL_SDH_T1_BYTE:
		return c->tu11 ? EVL_VC1_T1_BYTE : EVL_VC1_T1_BYTE_TU12;
	case EVL_SDH_E1_BYTE:
		return EVL_VC1_E1_BYTE;
	default:
		return EVL_VC1_E1_ASYNC;
	}
}

static void add_paths(struct evl_sdh_rx *rx, uint32_t a)
{
	const struct evl_sdh_aug *aug = &rx->map.aug[a];
	if (aug->au == EVL_SDH_AU3) {
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			const struct evl_sdh_at at = {EVL_SDH_HIGH, 3 * a + k};
			path_init(rx, &rx->high[3 * a + k], at, a, k, aug->part[k].hold,
				&evl_au3_shape);
		}
		return;
	}
	const struct evl_sdh_at at = {EVL_SDH_HIGH, 3 * a};
	path_init(rx, &rx->high[3 * a], at, a, 0, aug->hold,
		aug->au == EVL_SDH_AU4 ? &evl_au4_shape : &evl_au4_4c_shape);
}

static void add_client(struct evl_sdh_rx *rx, uint32_t i)
{
	const struct evl_sdh_client *c = &rx->client[i];
	struct sdh_rx_path *p = &rx->high[c->high];
	if (c->kind >= EVL_SDH_VC3) {
		if (p->au.shape == &evl_au4_shape && c->kind == EVL_SDH_VC3) {
			uint32_t q = 3u * (c->aug - 1u) + c->k - 1u;
			const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
			p = &rx->tu3[q];
			path_init(rx, p, at, c->aug - 1u, c->k - 1u, EVL_SDH_BULK, &evl_tu3_shape);
		}
		p->client = (int32_t)i;
		return;
	}
	struct sdh_rx_tu *t = &rx->tu[rx->tus];
	t->client = (int16_t)i;
	t->tu11 = c->tu11;
	t->row = (uint8_t)(p->au.shape == &evl_au3_shape
				   ? c->l - 1 + 7 * (c->m - 1)
				   : c->k - 1 + 3 * (c->l - 1) + 21 * (c->m - 1));
	evl_trace_rx_init(&t->trace, EVL_TRACE_PATIENCE_J2);
	p->any11 |= c->tu11;
	p->any12 |= !c->tu11;
	rx->tu_of[i] = (int16_t)rx->tus++;
	p->tu_count++;
}

static void path_start(struct sdh_rx_path *p, const struct evl_rx_options *o)
{
	if (!p->exists) {
		return;
	}
	int16_t label = p->hp.label;
	evl_au_rx_init(&p->au, p->au.shape, (uint8_t)o->lop_frames);
	evl_vc4_rx_init(&p->hp, o->rdi_frames, o->lom_frames);
	p->hp.columns = p->au.shape->columns;
	p->hp.tug = p->hold == EVL_SDH_TUG;
	p->hp.label = label;
	p->hp.no_b3 = p->rx->bare;
	p->slot = p->waiting = p->ops = 0;
	if (p->hp.tug) {
		p->au.vc = p->rx->ring[p - p->rx->high][0];
	}
	evl_trace_rx_cut(&p->trace);
	p->defects = 0;
	p->not_joined = 0;
	p->rei_out = 0;
	p->seen = false;
	p->errors = p->errored_blocks = p->rei = p->rei_blocks = 0;
	p->increments = p->decrements = p->new_pointers = 0;
}

static void start(struct evl_sdh_rx *rx)
{
	const struct evl_rx_options *o = &rx->options;
	rx->frames = 16; /* so that no instant is below zero */
	rx->frame_bit = 0;
	rx->rs_tim = rx->seen = false;
	evl_trace_rx_cut(&rx->j0);
	evl_section_rx_init(&rx->section, rx->n, o);
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		path_start(&rx->high[i], o);
		path_start(&rx->tu3[i], o);
	}
	for (uint32_t t = 0; t < rx->tus; t++) {
		struct sdh_rx_tu *tu = &rx->tu[t];
		evl_tu1_rx_init(&tu->tu, mode_of(&rx->client[tu->client]), (uint8_t)o->lop_frames,
			(uint8_t)o->rdi_frames);
		evl_trace_rx_cut(&tu->trace);
	}
	for (uint32_t i = 0; i < rx->clients; i++) {
		rx->own[i] = (struct sdh_client_rx){.first_bit = UINT64_MAX};
	}
}

enum evl_status evl_sdh_rx_create(struct evl_sdh_rx **out, const struct evl_sdh_map *map,
	const struct evl_rx_options *options, struct evl_err *err)
{
	struct evl_rx_options resolved;
	enum evl_status status = evl_sdh_map_check(map, err);
	if (status == EVL_OK) {
		status = evl_rx_options_resolve(&resolved, options, err);
	}
	if (status != EVL_OK) {
		return status;
	}
	const bool bare = resolved.depth == EVL_RX_BITS;
	const bool all = resolved.depth == EVL_RX_ALL || bare;
	size_t tus = all ? (size_t)map->stm * EVL_SDH_MOST_TUS : 0;
	size_t events = all ? map->stm * EVENTS : EVENTS / 8;
	size_t size = sizeof(struct evl_sdh_rx) + tus * sizeof(struct sdh_rx_tu) +
		      events * sizeof(struct sdh_rx_event);
	struct evl_sdh_rx *rx = calloc(1, size);
	if (rx == NULL) {
		return evl_err_set(
			err, EVL_E_NOMEM, "no memory for an SDH decoder (%zu bytes)", size);
	}
	rx->map = *map;
	rx->options = resolved;
	rx->deep = all;
	rx->bare = bare;
	rx->n = map->stm;
	rx->frame_bits = EVL_STM1_FRAME_BITS * rx->n;
	rx->tu = (struct sdh_rx_tu *)(rx + 1);
	rx->event = (struct sdh_rx_event *)(rx->tu + tus);
	rx->most_events = (uint32_t)events;
	rx->clients = evl_sdh_map_clients(map, rx->client);
	evl_trace_rx_init(&rx->j0, EVL_TRACE_PATIENCE);
	bool whole = map->aug[0].au == EVL_SDH_AU4_4C;
	uint32_t augs = resolved.depth == EVL_RX_SECTION ? 0 : whole ? 1 : rx->n;
	for (uint32_t a = 0; a < augs; a++) {
		add_paths(rx, a);
	}
	for (uint32_t i = 0; i < rx->clients; i++) {
		rx->tu_of[i] = -1;
	}
	/* Clients of one path do not follow one another in AU-3, so TUs are put in order of paths.
	 */
	for (uint32_t high = 0; all && high < EVL_SDH_MOST_HIGH; high++) {
		rx->high[high].tu_first = (uint16_t)rx->tus;
		for (uint32_t i = 0; i < rx->clients; i++) {
			if (rx->client[i].high == high) {
				add_client(rx, i);
			}
		}
	}
	start(rx);
	*out = rx;
	return EVL_OK;
}

void evl_sdh_rx_destroy(struct evl_sdh_rx *rx)
{
	free(rx);
}

void evl_sdh_rx_reset(struct evl_sdh_rx *rx)
{
	start(rx);
}

void evl_sdh_rx_set_frame(struct evl_sdh_rx *rx, uint64_t frame_number)
{
	rx->section.base = frame_number * rx->frame_bits - rx->section.end;
}

/* ---- frames ---- */

static void path_frame(struct sdh_rx_path *p, const struct evl_section_frame *frame, uint16_t word,
	const uint8_t *payload, uint32_t stride, const uint8_t *h3)
{
	struct evl_sdh_rx *rx = p->rx;
	p->got_vc = false;
	if (frame->realigned) {
		evl_au_rx_lost(&p->au);
	}
	if (frame->valid) {
		const uint32_t columns = EVL_STM1_COLUMNS * rx->n;
		const struct evl_au_view view = {
			.payload = payload,
			.stride = stride,
			.h3 = h3,
			.bit = frame->bit,
			.row_bytes = columns,
			.first = p->first,
			.step = p->step,
			.h3_at = p->first - 3 * rx->n,
		};
		enum evl_ptr_action action = evl_au_rx_frame(&p->au, word, &view, sdh_rx_vc, p);
		p->increments += action == EVL_PTR_INC;
		p->decrements += action == EVL_PTR_DEC;
		p->new_pointers += action == EVL_PTR_NEW;
	} else {
		evl_au_rx_ais(&p->au);
	}
	bool lop = p->au.ptr.state == EVL_PTR_LOP || p->not_joined >= rx->options.lop_frames;
	uint64_t h2_end =
		frame->bit +
		8u * (evl_stm_at(rx->n, 4, 4 + (p->step == 3 * rx->n ? p->k : 0), p->aug + 1u) + 1);
	uint32_t now = p->au.ptr.state == EVL_PTR_AIS ? BIT(EVL_ALARM_AU_AIS)
		       : lop                          ? BIT(EVL_ALARM_AU_LOP)
						      : 0;
	sdh_rx_set(rx, p->at, &p->defects, AU_FAIL, now, h2_end);
	if ((now != 0 || !frame->valid) && !p->got_vc) {
		sdh_rx_miss(p, h2_end);
	}
}

static uint8_t soh(const struct evl_sdh_rx *rx, const uint8_t *plain, uint32_t b, uint32_t a)
{
	return plain[evl_stm_at(rx->n, 4, b, a)];
}

static uint16_t word_of(const struct evl_sdh_rx *rx, const uint8_t *plain, uint32_t b, uint32_t a)
{
	return (uint16_t)(soh(rx, plain, b, a) << 8 | soh(rx, plain, b + 3, a));
}

static void au4_4c(struct evl_sdh_rx *rx, const struct evl_section_frame *frame)
{
	struct sdh_rx_path *p = &rx->high[0];
	const uint8_t *plain = frame->plain;
	bool joined = true;
	for (uint32_t a = 2; frame->valid && a <= EVL_SDH_AUGS; a++) {
		joined &= evl_ptr_is_concatenation(word_of(rx, plain, 1, a));
	}
	/* LOP of a concatenation: no indication as often as invalid pointers make LOP (G.783). */
	p->not_joined =
		joined || !frame->valid ? 0 : (uint8_t)(p->not_joined + (p->not_joined < 255));
	path_frame(p, frame, word_of(rx, plain, 1, 1), plain + 4 * EVL_STM1_SOH,
		4 * EVL_STM1_COLUMNS, plain + evl_stm_at(4, 4, 7, 1));
}

static void aug(struct evl_sdh_rx *rx, const struct evl_section_frame *frame, uint32_t a,
	const uint8_t *payload, uint32_t stride)
{
	const uint8_t *plain = frame->plain;
	if (rx->map.aug[a].au == EVL_SDH_AU4) {
		uint8_t h3[3];
		for (uint32_t i = 0; i < 3; i++) {
			h3[i] = soh(rx, plain, 7 + i, a + 1);
		}
		path_frame(
			&rx->high[3 * a], frame, word_of(rx, plain, 1, a + 1), payload, stride, h3);
		return;
	}
	for (uint32_t row = 0; frame->valid && row < ROWS; row++) {
		uint8_t *parts[EVL_SDH_PARTS];
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			parts[k] = rx->au3[k] + row * EVL_AU3_STRIDE;
		}
		evl_deinterleave(parts, payload + row * stride, EVL_SDH_PARTS, EVL_VC3_COLUMNS);
	}
	for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
		uint8_t h3 = soh(rx, plain, 7 + k, a + 1);
		path_frame(&rx->high[3 * a + k], frame, word_of(rx, plain, 1 + k, a + 1),
			rx->au3[k], EVL_AU3_STRIDE, &h3);
	}
}

static void section_overhead(struct evl_sdh_rx *rx, const struct evl_section_frame *frame)
{
	const uint32_t columns = EVL_STM1_SOH * rx->n;
	for (uint32_t row = 0; row < ROWS; row++) {
		const uint8_t *from = frame->plain + row * EVL_STM1_COLUMNS * rx->n;
		if (rx->n == 1) {
			memcpy(rx->soh + row * EVL_STM1_SOH, from, EVL_STM1_SOH);
		} else {
			memcpy(rx->soh + row * columns, from, columns);
		}
	}
	rx->seen = true;
	(void)evl_trace_rx_byte(&rx->j0, rx->soh[6 * rx->n]);
	if (rx->j0.tim != rx->rs_tim) {
		const struct evl_sdh_at at = {EVL_SDH_SECTION, 0};
		uint32_t defects = rx->rs_tim ? BIT(EVL_ALARM_RS_TIM) : 0;
		rx->rs_tim = rx->j0.tim;
		sdh_rx_set(rx, at, &defects, BIT(EVL_ALARM_RS_TIM),
			rx->rs_tim ? BIT(EVL_ALARM_RS_TIM) : 0, frame->bit + 8u * (6 * rx->n + 1));
	}
}

static void on_frame(void *ctx, const struct evl_section_frame *given)
{
	struct evl_sdh_rx *rx = ctx;
	struct evl_section_frame frame = *given;
	rx->frames++;
	rx->frame_bit = frame.bit;
	if (frame.readable && rx->bare) {
		rx->seen = false;
	} else if (frame.readable) {
		section_overhead(rx, &frame);
	} else {
		evl_trace_rx_cut(&rx->j0);
		uint32_t defects = rx->rs_tim ? BIT(EVL_ALARM_RS_TIM) : 0;
		rx->rs_tim = false;
		sdh_rx_set(rx, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, &defects,
			BIT(EVL_ALARM_RS_TIM), 0, frame.bit + rx->frame_bits);
	}
	frame.valid = frame.valid && !rx->rs_tim;
	if (rx->options.depth == EVL_RX_SECTION) {
		return;
	}
	if (rx->map.aug[0].au == EVL_SDH_AU4_4C) {
		au4_4c(rx, &frame);
		return;
	}
	bool one = rx->n == 1;
	for (uint32_t row = 0; !one && frame.valid && row < ROWS; row++) {
		uint8_t *parts[EVL_SDH_AUGS];
		for (uint32_t a = 0; a < EVL_SDH_AUGS; a++) {
			parts[a] = rx->payload[a] + row * EVL_VC4_COLUMNS;
		}
		evl_deinterleave(parts, frame.plain + 4 * (row * EVL_STM1_COLUMNS + EVL_STM1_SOH),
			EVL_SDH_AUGS, EVL_VC4_COLUMNS);
	}
	for (uint32_t a = 0; a < rx->n; a++) {
		aug(rx, &frame, a, one ? frame.plain + EVL_STM1_SOH : rx->payload[a],
			one ? EVL_STM1_COLUMNS : EVL_VC4_COLUMNS);
	}
}

/* ---- output ---- */

uint32_t evl_sdh_rx_room(const struct evl_sdh_client *client, uint32_t frames)
{
	if (client->kind >= EVL_SDH_VC3) {
		return (frames + 2) * client->frame_bits / 8;
	}
	return (client->frame_bits == EVL_VC12_E1_BITS ? EVL_VC12_MOST_BYTES
						       : EVL_VC11_MOST_BYTES) *
	       frames;
}

/* Zeros of up to a period; stops to count when there are more than `most`. */
static uint32_t zeros_in(const uint8_t *p, uint32_t bytes, uint32_t most)
{
	uint32_t zeros = 0;
	for (uint32_t i = 0; i < bytes && zeros <= most; i += 8) {
		uint32_t n = bytes - i < 8 ? bytes - i : 8;
		zeros += 8 * n - (uint32_t)evl_bits_count_ones(p + i, n);
	}
	return zeros;
}

static void client_ais(
	struct evl_sdh_rx *rx, uint32_t i, const uint8_t *p, uint32_t bytes, uint64_t end)
{
	struct sdh_client_rx *own = &rx->own[i];
	const bool e1 = rx->client[i].frame_bits == EVL_VC12_E1_BITS;
	const uint32_t period = e1 ? E1_PERIOD : T1_PERIOD, most = e1 ? E1_ZEROS : T1_ZEROS;
	while (bytes > 0) {
		uint32_t n = period - own->bytes < bytes ? period - own->bytes : bytes;
		if (own->zeros <= most) {
			own->zeros += zeros_in(p, n, most);
		}
		own->bytes = (uint16_t)(own->bytes + n);
		p += n;
		bytes -= n;
		if (own->bytes < period) {
			return;
		}
		bool now = own->zeros <= most;
		own->bytes = 0;
		own->zeros = 0;
		own->run = now == own->ais ? 0 : (uint8_t)(own->run + 1);
		if (own->run == (e1 ? E1_PERIODS : T1_PERIODS)) {
			uint32_t defects = own->ais ? BIT(EVL_ALARM_AIS) : 0;
			own->ais = now;
			own->run = 0;
			sdh_rx_set(rx, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, &defects,
				BIT(EVL_ALARM_AIS), now ? BIT(EVL_ALARM_AIS) : 0, end);
		}
	}
}

/* The decoder's own AIS says nothing about the client. */
static void no_client(struct evl_sdh_rx *rx, uint32_t i, uint64_t end)
{
	struct sdh_client_rx *own = &rx->own[i];
	uint32_t defects = own->ais ? BIT(EVL_ALARM_AIS) : 0;
	own->ais = false;
	own->run = 0;
	own->bytes = 0;
	own->zeros = 0;
	sdh_rx_set(
		rx, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, &defects, BIT(EVL_ALARM_AIS), 0, end);
}

void sdh_rx_pull(struct evl_sdh_rx *rx, uint32_t client, uint64_t end)
{
	uint8_t drop[EVL_VC12_MOST_BYTES];
	struct evl_vc1_rx *vc = &rx->tu[rx->tu_of[client]].tu.vc;
	struct sdh_client_rx *own = &rx->own[client];
	uint8_t *out = rx->data[client] != NULL ? rx->data[client] + rx->bytes[client] : drop;
	if (vc->open && own->first_bit == UINT64_MAX) {
		own->first_bit = 8 * own->given + vc->prefill;
	}
	uint32_t n = evl_vc1_rx_pull_bytes(vc, rx->steer, out);
	rx->bytes[client] += n;
	own->given += n;
	if (vc->open && !rx->bare) {
		client_ais(rx, client, out, n, end);
	} else if (own->ais || own->bytes > 0) {
		no_client(rx, client, end);
	}
}

/* The same over bits of several frames, if none of their periods speaks of AIS: else nothing is
 * done. The first 8 bytes of a part of a period nearly always have zeros enough. */
static inline bool is_quiet(struct sdh_client_rx *own, const uint8_t *p, uint32_t bytes,
	const uint32_t period, const uint32_t most)
{
	uint32_t filled = own->bytes, zeros = own->zeros;
	while (bytes > 0) {
		uint32_t n = period - filled < bytes ? period - filled : bytes;
		if (zeros <= most) {
			uint64_t left = 0;
			if (n >= sizeof(left)) {
				memcpy(&left, p, sizeof(left));
				left = ~left;
				for (uint32_t k = 0; k < most; k++) {
					left &= left - 1; /* 0 stays 0 */
				}
			}
			zeros = left != 0 ? most + 1 : zeros + zeros_in(p, n, most);
		}
		filled += n;
		p += n;
		bytes -= n;
		if (filled == period) {
			if (zeros <= most) {
				return false;
			}
			filled = zeros = 0;
		}
	}
	own->bytes = (uint16_t)filled;
	own->zeros = zeros;
	return true;
}

static inline bool client_is_quiet(
	struct sdh_client_rx *own, bool e1, const uint8_t *p, uint32_t bytes)
{
	if (own->ais || own->run > 0) {
		return false;
	}
	return e1 ? is_quiet(own, p, bytes, E1_PERIOD, E1_ZEROS)
		  : is_quiet(own, p, bytes, T1_PERIOD, T1_ZEROS);
}

void sdh_rx_give(struct evl_sdh_rx *rx, uint32_t client, const uint8_t *bits,
	const uint32_t bytes[], const uint64_t ends[], uint32_t frames)
{
	struct sdh_client_rx *own = &rx->own[client];
	uint32_t n = 0;
	if (own->first_bit == UINT64_MAX) {
		own->first_bit = 8 * own->given + rx->tu[rx->tu_of[client]].tu.vc.prefill;
	}
	for (uint32_t f = 0; f < frames; f++) {
		n += bytes[f];
	}
	const bool e1 = rx->client[client].frame_bits == EVL_VC12_E1_BITS;
	bool quiet = rx->bare || client_is_quiet(own, e1, bits, n);
	for (uint32_t f = 0, at = 0; !quiet && f < frames; at += bytes[f++]) {
		client_ais(rx, client, bits + at, bytes[f], ends[f]);
	}
	if (rx->data[client] != NULL) {
		memcpy(rx->data[client] + rx->bytes[client], bits, n);
	}
	rx->bytes[client] += n;
	own->given += n;
}

/* ---- events ---- */

void sdh_rx_note(struct evl_sdh_rx *rx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised,
	uint64_t bit)
{
	if (rx->events == NULL || rx->events->fn == NULL) {
		return;
	}
	if (rx->noted == rx->most_events) { /* does not happen: sdh_rx_tell comes in time */
		rx->events->fn(rx->events->ctx, alarm, at, raised, bit);
		return;
	}
	rx->event[rx->noted] = (struct sdh_rx_event){.bit = bit,
		.number = rx->noted,
		.index = (uint16_t)at.index,
		.level = (uint8_t)at.level,
		.alarm = (uint8_t)alarm,
		.raised = raised};
	rx->noted++;
}

static int by_bit(const void *a, const void *b)
{
	const struct sdh_rx_event *x = a, *y = b;
	if (x->bit != y->bit) {
		return x->bit < y->bit ? -1 : 1;
	}
	if (x->level != y->level) {
		return x->level < y->level ? -1 : 1;
	}
	if (x->index != y->index) {
		return x->index < y->index ? -1 : 1;
	}
	return x->number < y->number ? -1 : x->number > y->number;
}

/* Does what waits and tells what was found. */
static void settle(struct evl_sdh_rx *rx)
{
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		if (rx->high[i].ops > 0) {
			sdh_rx_flush(&rx->high[i]);
		}
	}
	if (rx->noted > 1) {
		qsort(rx->event, rx->noted, sizeof(rx->event[0]), by_bit);
	}
	for (uint32_t i = 0; i < rx->noted; i++) {
		const struct sdh_rx_event *e = &rx->event[i];
		rx->events->fn(rx->events->ctx, e->alarm, (struct evl_sdh_at){e->level, e->index},
			e->raised, e->bit);
	}
	rx->noted = 0;
}

static void section_event(void *ctx, enum evl_alarm alarm, bool raised, uint64_t bit)
{
	sdh_rx_note(ctx, alarm, (struct evl_sdh_at){EVL_SDH_SECTION, 0}, raised, bit);
}

void evl_sdh_decode(struct evl_sdh_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const data[], uint32_t bytes[], const struct evl_sdh_events *events)
{
	uint32_t counts[EVL_SDH_MOST_CLIENTS];
	evl_require(!rx->deep || (frames % 8 == 0 && data != NULL));
	rx->events = events;
	rx->data = data;
	rx->steer = bytes != NULL;
	rx->bytes = bytes != NULL ? bytes : counts;
	memset(rx->bytes, 0, rx->clients * sizeof(counts[0]));
	for (uint32_t f = 0; f < frames; f++) {
		evl_section_rx_feed(&rx->section, line + (size_t)EVL_SDH_LINE_BYTES(rx->n) * f,
			section_event, on_frame, rx);
		for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
			if (rx->high[i].tu_count > 0) {
				sdh_rx_output(&rx->high[i]);
			}
		}
		if (rx->noted > rx->most_events / 2) {
			settle(rx);
		}
	}
	settle(rx);
	rx->events = NULL;
	rx->data = NULL;
	rx->bytes = NULL;
}
