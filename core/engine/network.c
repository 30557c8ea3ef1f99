/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/network.h"

#include <stdlib.h>
#include <string.h>

#include "core/engine/network_schedule.h"
#include "core/frame/sdh.h"
#include "core/signal/bits.h"
#include "core/signal/impair.h"

#define IDLE       0xAAu
#define BLOCK      64u /* frames of evl_errors.block_bits */
#define AIS_FRAMES 8u

/* Frames of MS-AIS. Which bits they are depends on the batches that are looked at, so on the spans
 * alone. */
struct ais {
	struct evl_sdh_tx *tx;
	uint8_t *frames; /* of `batch` */
	uint64_t batch;
	bool ready;
};

struct evl_network {
	struct schedule schedule;
	struct evl_network_event *event;
	struct turn *turn;
	struct turn *far; /* of RAI and LOF, by the source's time */
	struct evl_errors *errors;
	struct evl_errors always;
	bool any_always;
	uint64_t at; /* bits that came out since the start */
	bool started;
	/* The delay line. */
	uint8_t *ring; /* NULL: there is none, ever */
	uint64_t ring_bits;
	uint64_t written; /* bits in so far, and ring_bits more */
	struct moved moved;
	uint32_t history_frames;
	struct ais ais;
};

/* ---- the delay ---- */

static void ring_put(struct evl_network *n, const uint8_t *src, uint64_t bits)
{
	uint64_t at = n->written % n->ring_bits;
	uint64_t first = n->ring_bits - at < bits ? n->ring_bits - at : bits;
	evl_bits_copy(n->ring, at, src, 0, first);
	if (first < bits) {
		evl_bits_copy(n->ring, 0, src, first, bits - first);
	}
	n->written += bits;
}

/* Bits of `dst` from what went in at `from` on. */
static void ring_get(
	const struct evl_network *n, uint8_t *dst, uint64_t dst_bit, uint64_t from, uint64_t bits)
{
	uint64_t at = from % n->ring_bits;
	uint64_t first = n->ring_bits - at < bits ? n->ring_bits - at : bits;
	evl_bits_copy(dst, dst_bit, n->ring, at, first);
	if (first < bits) {
		evl_bits_copy(dst, dst_bit + first, n->ring, 0, bits - first);
	}
}

static void delay(struct evl_network *n, uint8_t *data, uint64_t bits)
{
	if (n->ring == NULL) {
		return;
	}
	const uint64_t in = n->written;
	ring_put(n, data, bits);
	for (uint64_t done = 0; done < bits;) {
		uint64_t stop = bits;
		if (n->started) {
			stop = evl_schedule_next_move(&n->schedule, n->turn, n->at + bits) - n->at;
		}
		ring_get(n, data, done, in + done - n->moved.path - (uint64_t)n->moved.slipped,
			stop - done);
		done = stop;
		if (done < bits) {
			evl_schedule_move(&n->schedule, n->turn, n->at + done, &n->moved);
		}
	}
}

/* ---- errors and alarms ---- */

static void set_bits(uint8_t *data, struct evl_span part, bool ones)
{
	const uint8_t fill[1] = {ones ? 0xff : 0};
	uint64_t begin = part.begin;
	uint64_t whole = (begin + 7) / 8 * 8;
	uint64_t head = whole < part.end ? whole : part.end;
	evl_bits_copy(data, begin, fill, 0, head - begin);
	if (head < part.end) {
		memset(data + head / 8, fill[0], (size_t)((part.end - head) / 8));
		uint64_t tail = (part.end - head) % 8;
		evl_bits_copy(data, part.end - tail, fill, 0, tail);
	}
}

/* Bits of the take from `from` on out of the frames of MS-AIS. */
static void ms_ais(struct evl_network *n, uint8_t *data, struct evl_span part, uint64_t from)
{
	struct ais *a = &n->ais;
	const uint64_t size = (uint64_t)AIS_FRAMES * n->schedule.frame_bits;
	for (uint64_t bit = part.begin; bit < part.end;) {
		const uint64_t pos = from + bit - part.begin, batch = pos / size;
		const uint64_t left = size - pos % size;
		const uint64_t some = part.end - bit < left ? part.end - bit : left;
		if (!a->ready || batch != a->batch) {
			struct evl_err err;
			if (!a->ready || batch != a->batch + 1) {
				evl_sdh_tx_set_frame(a->tx, batch * AIS_FRAMES);
			}
			/* It carries no client, so nothing can be out of range. */
			evl_require(evl_sdh_encode(a->tx, NULL, NULL, AIS_FRAMES, a->frames,
					    &err) == EVL_OK);
			a->batch = batch;
			a->ready = true;
		}
		evl_bits_copy(data, bit, a->frames, pos % size, some);
		bit += some;
	}
}

static void act(
	struct evl_network *n, uint32_t i, struct evl_span span, uint8_t *data, uint64_t bits)
{
	struct evl_span part;
	if (!evl_span_cut(&part, span, n->at, bits)) {
		return;
	}
	const uint64_t from = n->at + part.begin;
	switch (n->event[i].kind) {
	case EVL_NETWORK_ERRORS:
		evl_errors_apply(&n->errors[i], data, part.begin, from, part.end - part.begin);
		break;
	case EVL_NETWORK_BURST:
		evl_impair_burst(&n->errors[i], data, n->at, bits, span);
		break;
	case EVL_NETWORK_INVERT:
		evl_impair_invert(data, n->at, bits, span);
		break;
	case EVL_NETWORK_BIT:
		evl_impair_single(data, n->at, bits, span.begin);
		break;
	default:
		if (n->event[i].alarm == EVL_ALARM_MS_AIS) {
			ms_ais(n, data, part, from);
		} else {
			set_bits(data, part, n->event[i].alarm == EVL_ALARM_AIS);
		}
		break;
	}
}

/* Events of one layer, in the order of the list: errors, AIS over them, no signal over all. */
enum layer { ERRORS, AIS, NO_SIGNAL, LAYERS };

static enum layer layer_of(const struct evl_network_event *e)
{
	return e->kind != EVL_NETWORK_ALARM ? ERRORS : e->alarm == EVL_ALARM_LOS ? NO_SIGNAL : AIS;
}

static void disturb(struct evl_network *n, enum layer layer, uint8_t *data, uint64_t bits)
{
	const uint64_t end = n->at + bits;
	for (uint32_t i = 0; i < n->schedule.event_count; i++) {
		const struct evl_network_event *e = &n->event[i];
		struct turn *t = &n->turn[i];
		if (evl_schedule_is_move(e) || evl_schedule_is_far(e) || layer_of(e) != layer) {
			continue;
		}
		while (t->span.begin < end) {
			act(n, i, t->span, data, bits);
			if (t->span.end > end) {
				break; /* goes on in the next slab */
			}
			*t = evl_schedule_turn(&n->schedule, i, t->number + 1);
		}
	}
}

void evl_network_pass(struct evl_network *n, uint8_t *data, size_t bytes)
{
	const uint64_t bits = (uint64_t)bytes * 8;
	delay(n, data, bits);
	if (!n->started) {
		return;
	}
	if (n->any_always) {
		evl_errors_apply(&n->always, data, 0, n->at, bits);
	}
	for (enum layer layer = ERRORS; n->schedule.event_count > 0 && layer < LAYERS; layer++) {
		disturb(n, layer, data, bits);
	}
	n->at += bits;
}

void evl_network_start(struct evl_network *n)
{
	n->started = true;
}

uint32_t evl_network_far(struct evl_network *n, uint64_t frame)
{
	const uint64_t at = frame * n->schedule.frame_bits;
	uint32_t what = 0;
	for (uint32_t i = 0; i < n->schedule.event_count; i++) {
		if (!evl_schedule_is_far(&n->event[i])) {
			continue;
		}
		while (n->far[i].span.end <= at && n->far[i].span.begin != UINT64_MAX) {
			n->far[i] = evl_schedule_turn(&n->schedule, i, n->far[i].number + 1);
		}
		if (n->far[i].span.begin <= at) {
			what |= n->event[i].alarm == EVL_ALARM_RAI ? EVL_NETWORK_RAI
								   : EVL_NETWORK_LOF;
		}
	}
	return what;
}

/* ---- create ---- */

static enum evl_status create_ais(struct evl_network *n, struct evl_err *err)
{
	struct evl_sdh_map map = {.stm = n->schedule.rate == EVL_RATE_STM4 ? 4 : 1};
	const struct evl_sdh_at section = {.level = EVL_SDH_SECTION};
	enum evl_status st = evl_sdh_tx_create(&n->ais.tx, &map, err);
	if (st == EVL_OK) {
		n->ais.frames = evl_xmalloc((size_t)AIS_FRAMES * n->schedule.frame_bits / 8);
		st = evl_sdh_tx_insert_ais(n->ais.tx, section, true);
	}
	return st;
}

static enum evl_status create_ring(struct evl_network *n, uint64_t longest, size_t most_bytes,
	const struct evl_network_plan *plan, struct evl_err *err)
{
	bool any = longest > 0;
	for (uint32_t i = 0; i < plan->event_count; i++) {
		any = any || evl_schedule_is_move(&plan->events[i]);
	}
	if (!any) {
		return EVL_OK;
	}
	/* Whole milliseconds of history, so that it can be primed with frames of any rate. */
	const uint64_t grid = 8u * (uint64_t)n->schedule.frame_bits;
	const uint64_t history = (longest + grid - 1) / grid * grid;
	n->history_frames = (uint32_t)(history / n->schedule.frame_bits);
	n->ring_bits = history + (uint64_t)most_bytes * 8;
	n->ring = malloc((size_t)(n->ring_bits / 8));
	if (n->ring == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for a delay of %u frames of %s",
			n->history_frames, evl_rate_name(n->schedule.rate));
	}
	memset(n->ring, IDLE, (size_t)(n->ring_bits / 8));
	n->written = n->ring_bits;
	return EVL_OK;
}

static void create_events(struct evl_network *n, const struct evl_network_plan *plan, uint64_t seed)
{
	const uint64_t block = (uint64_t)BLOCK * n->schedule.frame_bits;
	n->event = evl_xcalloc(n->schedule.event_count, sizeof *n->event);
	n->schedule.event = n->event;
	n->turn = evl_xcalloc(n->schedule.event_count, sizeof *n->turn);
	n->far = evl_xcalloc(n->schedule.event_count, sizeof *n->far);
	n->errors = evl_xcalloc(n->schedule.event_count, sizeof *n->errors);
	for (uint32_t i = 0; i < n->schedule.event_count; i++) {
		const struct evl_network_event *e = &plan->events[i];
		n->event[i] = *e;
		if (e->kind == EVL_NETWORK_ERRORS || e->kind == EVL_NETWORK_BURST) {
			evl_errors_init(
				&n->errors[i], seed, i + 1, e->numerator, e->denominator, block);
		}
	}
	n->any_always = plan->numerator > 0;
	if (n->any_always) {
		evl_errors_init(&n->always, seed, 0, plan->numerator, plan->denominator, block);
	}
}

enum evl_status evl_network_create(struct evl_network **out, const struct evl_network_plan *plan,
	uint32_t channel, enum evl_rate rate, bool framed, uint64_t bits, size_t most_bytes,
	struct evl_err *err)
{
	struct evl_network *n = evl_xcalloc(1, sizeof *n);
	enum evl_status st = EVL_OK;
	bool any_ms_ais = false;
	*out = NULL;
	n->schedule = (struct schedule){.rate = rate,
		.frame_bits = evl_rate_frame_bits(rate),
		.event_count = plan->event_count,
		.event = plan->events};
	n->moved.path = (uint64_t)plan->delay_frames * n->schedule.frame_bits;
	if (plan->event_count > EVL_NETWORK_EVENTS_MAX) {
		st = evl_err_set(err, EVL_E_INVALID, "more than %u events", EVL_NETWORK_EVENTS_MAX);
	} else if (plan->delay_frames > EVL_NETWORK_DELAY_FRAMES_MAX) {
		st = evl_err_set(err, EVL_E_INVALID, "a delay is 0 to 500 ms");
	}
	st = st == EVL_OK ? evl_schedule_check(&n->schedule, framed, err) : st;
	for (uint32_t i = 0; i < plan->event_count; i++) {
		any_ms_ais = any_ms_ais || plan->events[i].alarm == EVL_ALARM_MS_AIS;
	}
	if (st < 0) {
		goto out;
	}
	uint64_t state = plan->seed ^ ((uint64_t)channel + 1) << 40;
	create_events(n, plan, evl_splitmix64(&state));
	n->schedule.jitter_seed = evl_splitmix64(&state);
	for (uint32_t i = 0; i < n->schedule.event_count; i++) {
		n->turn[i] = n->far[i] = evl_schedule_turn(&n->schedule, i, 0);
	}
	uint64_t longest = 0;
	st = evl_schedule_longest(&n->schedule, n->moved.path, bits, &longest, err);
	st = st == EVL_OK ? create_ring(n, longest, most_bytes, plan, err) : st;
	st = st == EVL_OK && any_ms_ais ? create_ais(n, err) : st;
out:
	if (st < 0) {
		evl_network_destroy(n);
		return st;
	}
	*out = n;
	return EVL_OK;
}

void evl_network_destroy(struct evl_network *n)
{
	if (n == NULL) {
		return;
	}
	evl_sdh_tx_destroy(n->ais.tx);
	free(n->ais.frames);
	free(n->ring);
	free(n->event);
	free(n->turn);
	free(n->far);
	free(n->errors);
	free(n);
}

uint32_t evl_network_history_frames(const struct evl_network *n)
{
	return n->history_frames;
}

void evl_network_prime(struct evl_network *n, const uint8_t *data, size_t bytes)
{
	evl_require(!n->started && n->history_frames > 0);
	ring_put(n, data, (uint64_t)bytes * 8);
}
