/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/network_schedule.h"

#include <inttypes.h>

#include "core/signal/rng.h"

#define FAR_GRID_NS (8u * (uint64_t)EVL_FRAME_NS)

static bool is_momentary(const struct evl_network_event *e)
{
	return evl_schedule_is_move(e) || e->kind == EVL_NETWORK_BIT;
}

static uint64_t bits_of(const struct schedule *s, uint64_t ns)
{
	return ns / EVL_FRAME_NS * s->frame_bits + ns % EVL_FRAME_NS * s->frame_bits / EVL_FRAME_NS;
}

struct turn evl_schedule_turn(const struct schedule *s, uint32_t i, uint64_t number)
{
	const struct evl_network_event *e = &s->event[i];
	struct turn t = {.number = number, .span = {UINT64_MAX, UINT64_MAX}};
	if (number > 0 && (e->every_ns == 0 || (e->times > 0 && number >= e->times) ||
				  number > (INT64_MAX - e->at_ns) / e->every_ns)) {
		return t;
	}
	uint64_t begin_ns = e->at_ns + number * e->every_ns;
	if (e->jitter_frames > 0) {
		const uint64_t grid = evl_schedule_is_far(e) ? 8 : 1;
		struct evl_rng rng;
		evl_rng_init(&rng, s->jitter_seed, number * EVL_NETWORK_EVENTS_MAX + i);
		begin_ns += grid * EVL_FRAME_NS * evl_rng_below(&rng, e->jitter_frames / grid + 1);
	}
	t.span.begin = bits_of(s, begin_ns);
	t.span.end = is_momentary(e) ? t.span.begin + 1 : bits_of(s, begin_ns + e->lasting_ns);
	return t;
}

/* ---- what cannot be ---- */

static enum evl_status check_alarm(const struct schedule *s, const struct evl_network_event *e,
	uint32_t i, bool framed, struct evl_err *err)
{
	const bool pdh = s->rate == EVL_RATE_E1 || s->rate == EVL_RATE_T1;
	const bool line = evl_rate_is_line(s->rate);
	if (evl_schedule_is_far(e) && pdh) {
		if (!framed) {
			return evl_err_set(err, EVL_E_INVALID,
				"event %u: %s is made in frames; let the channel play framed { ... "
				"}",
				i + 1, evl_alarm_name(e->alarm));
		}
		if (e->at_ns % FAR_GRID_NS != 0 || e->lasting_ns % FAR_GRID_NS != 0 ||
			e->every_ns % FAR_GRID_NS != 0 || e->jitter_frames % 8 != 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"event %u: %s begins and ends with whole milliseconds, so must its "
				"times",
				i + 1, evl_alarm_name(e->alarm));
		}
		return EVL_OK;
	}
	if ((e->alarm == EVL_ALARM_LOS && (pdh || line)) || (e->alarm == EVL_ALARM_AIS && pdh) ||
		(e->alarm == EVL_ALARM_MS_AIS && line)) {
		return EVL_OK;
	}
	return evl_err_set(err, EVL_E_INVALID, "event %u: no network makes %s on %s; %s", i + 1,
		evl_alarm_name(e->alarm), evl_rate_name(s->rate),
		pdh    ? "use LOS, AIS, or RAI or LOF of frames"
		: line ? "use LOS or MS-AIS, or inject it"
		       : "a container has no alarm in its bits");
}

static enum evl_status check_event(const struct schedule *s, const struct evl_network_event *e,
	uint32_t i, bool framed, struct evl_err *err)
{
	const uint64_t jitter_ns = e->jitter_frames * EVL_FRAME_NS;
	if (!is_momentary(e) && bits_of(s, e->lasting_ns) == 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"event %u: lasting is shorter than a bit of %s", i + 1,
			evl_rate_name(s->rate));
	}
	if (e->every_ns != 0 && e->every_ns < EVL_NETWORK_EVERY_NS_MIN) {
		return evl_err_set(
			err, EVL_E_INVALID, "event %u: every must be 1 ms at least", i + 1);
	}
	if (e->every_ns != 0 &&
		(jitter_ns >= e->every_ns || e->lasting_ns > e->every_ns - jitter_ns)) {
		return evl_err_set(err, EVL_E_INVALID,
			"event %u: lasting and jitter together must not be longer than every, and "
			"jitter shorter",
			i + 1);
	}
	if (e->kind == EVL_NETWORK_DELAY && e->delay_frames > EVL_NETWORK_DELAY_FRAMES_MAX) {
		return evl_err_set(err, EVL_E_INVALID, "event %u: a delay is 0 to 500 ms", i + 1);
	}
	const int64_t most = (int64_t)EVL_NETWORK_DELAY_FRAMES_MAX * s->frame_bits;
	if (e->kind == EVL_NETWORK_SLIP &&
		(e->slip_bits == 0 || e->slip_bits < -most || e->slip_bits > most)) {
		return evl_err_set(err, EVL_E_INVALID,
			"event %u: a slip is 1 to %" PRId64 " bits of %s either way", i + 1, most,
			evl_rate_name(s->rate));
	}
	return e->kind == EVL_NETWORK_ALARM ? check_alarm(s, e, i, framed, err) : EVL_OK;
}

/* ---- the delay ---- */

uint64_t evl_schedule_next_move(const struct schedule *s, const struct turn *turn, uint64_t end)
{
	for (uint32_t i = 0; i < s->event_count; i++) {
		if (evl_schedule_is_move(&s->event[i]) && turn[i].span.begin < end) {
			end = turn[i].span.begin;
		}
	}
	return end;
}

uint32_t evl_schedule_move(
	const struct schedule *s, struct turn *turn, uint64_t at, struct moved *moved)
{
	uint32_t moves = 0;
	for (uint32_t i = 0; i < s->event_count; i++) {
		const struct evl_network_event *e = &s->event[i];
		if (!evl_schedule_is_move(e) || turn[i].span.begin != at) {
			continue;
		}
		if (e->kind == EVL_NETWORK_DELAY) {
			moved->path = (uint64_t)e->delay_frames * s->frame_bits;
		} else {
			moved->slipped += e->slip_bits;
		}
		turn[i] = evl_schedule_turn(s, i, turn[i].number + 1);
		moves++;
	}
	return moves;
}

enum evl_status evl_schedule_longest(const struct schedule *s, uint64_t path_bits, uint64_t end,
	uint64_t *longest, struct evl_err *err)
{
	const int64_t most = (int64_t)EVL_NETWORK_DELAY_FRAMES_MAX * s->frame_bits;
	struct turn turn[EVL_NETWORK_EVENTS_MAX];
	struct moved moved = {.path = path_bits};
	uint64_t moves = 0;
	for (uint32_t i = 0; i < s->event_count; i++) {
		turn[i] = evl_schedule_turn(s, i, 0);
	}
	*longest = path_bits;
	for (uint64_t at; (at = evl_schedule_next_move(s, turn, end)) < end;) {
		moves += evl_schedule_move(s, turn, at, &moved);
		int64_t delay = (int64_t)moved.path + moved.slipped;
		const double at_s = (double)at / ((double)s->frame_bits * EVL_FRAMES_PER_S);
		if (delay < 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"the slips up to %.6g s leave out %" PRId64
				" bits more than the delay holds; give it a longer delay",
				at_s, -delay);
		}
		if (delay > most) {
			return evl_err_set(err, EVL_E_INVALID,
				"with the slips up to %.6g s the delay is %" PRId64
				" bits above 500 ms",
				at_s, delay - most);
		}
		if (moves > EVL_NETWORK_MOVES_MAX) {
			return evl_err_set(err, EVL_E_INVALID,
				"more than %u slips and steps of delay in one take; let them come "
				"less often",
				EVL_NETWORK_MOVES_MAX);
		}
		*longest = (uint64_t)delay > *longest ? (uint64_t)delay : *longest;
	}
	return EVL_OK;
}

enum evl_status evl_schedule_check(const struct schedule *s, bool framed, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; i < s->event_count && st == EVL_OK; i++) {
		st = check_event(s, &s->event[i], i, framed, err);
	}
	return st;
}
