/* SPDX-License-Identifier: Apache-2.0 */
/* The calls of a take: arm, start, exchange, poll, inject, stop. */
#include <string.h>
#include <time.h>

#include "core/adapter/guard.h"
#include "core/adapter/internal.h"
#include "core/base/alarm.h"
#include "core/base/rate.h"

#define SECOND_NS 1000000000u

static const char *const state_names[] = {"stopped", "armed", "started", "failed"};

static enum evl_status want_state(const struct evl_instance *in, struct evl_err *err,
	const char *call, enum evl_instance_state state)
{
	return in->state == state
		       ? EVL_OK
		       : evl_instance_refuse(in, err, call, "the instance is %s, it must be %s",
				 state_names[in->state], state_names[state]);
}

static enum evl_status check_arms(const struct evl_instance *in, const struct evl_arm *arms,
	uint32_t count, uint32_t max_frames, struct evl_err *err)
{
	if (count == 0 || count > in->channel_count) {
		return evl_instance_refuse(in, err, "arm", "%u channels; the adapter has %u",
			(unsigned)count, (unsigned)in->channel_count);
	}
	if (max_frames == 0 || max_frames % EVL_SLAB_FRAMES_MIN ||
		max_frames > EVL_INSTANCE_FRAMES_MAX) {
		return evl_instance_refuse(in, err, "arm",
			"slabs of %u frames; it must be a multiple of %u, at most %u",
			(unsigned)max_frames, EVL_SLAB_FRAMES_MIN, EVL_INSTANCE_FRAMES_MAX);
	}
	for (uint32_t i = 0; i < count; i++) {
		if (arms[i].channel >= in->channel_count) {
			return evl_instance_refuse(in, err, "arm", "there is no channel %u",
				(unsigned)arms[i].channel);
		}
		const struct evl_channel_info *c = &in->channels[arms[i].channel];
		uint32_t want =
			(arms[i].play ? EVL_CH_PLAY : 0u) | (arms[i].capture ? EVL_CH_CAPTURE : 0u);
		if (want == 0 || want & ~c->abilities) {
			return evl_instance_refuse(in, err, "arm", "channel %s: %s", c->name,
				want == 0 ? "neither play nor capture is asked for"
				: want & ~c->abilities & EVL_CH_PLAY ? "it cannot play"
								     : "it cannot capture");
		}
		if (arms[i].clock_ppb != 0 && (!arms[i].play || !(c->abilities & EVL_CH_CLOCK))) {
			return evl_instance_refuse(in, err, "arm", "channel %s: %s", c->name,
				arms[i].play ? "its clock is fixed, an offset cannot be played"
					     : "a clock offset, but it is not to be played");
		}
		if (arms[i].clock_ppb > EVL_CLOCK_PPB_MAX ||
			arms[i].clock_ppb < -EVL_CLOCK_PPB_MAX) {
			return evl_instance_refuse(in, err, "arm",
				"channel %s: a clock offset of %d ppb; it can be %d to %d", c->name,
				(int)arms[i].clock_ppb, -EVL_CLOCK_PPB_MAX, EVL_CLOCK_PPB_MAX);
		}
		for (uint32_t k = 0; k < i; k++) {
			if (arms[k].channel == arms[i].channel) {
				return evl_instance_refuse(
					in, err, "arm", "channel %s comes twice", c->name);
			}
		}
	}
	return EVL_OK;
}

enum evl_status evl_instance_arm(struct evl_instance *in, const struct evl_arm *arms,
	uint32_t count, uint32_t max_frames, struct evl_err *err)
{
	enum evl_status st = want_state(in, err, "arm", EVL_INSTANCE_STOPPED);
	if (st == EVL_OK) {
		st = check_arms(in, arms, count, max_frames, err);
	}
	if (st < 0) {
		return st;
	}
	memcpy(in->arms, arms, count * sizeof *arms);
	for (uint32_t i = 0; i < count; i++) {
		in->arms[i].version = 1;
	}
	in->arm_count = count;
	in->max_frames = max_frames;
	in->frames = 0;
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "arm");
	int code = in->adapter->arm(in->self, in->arms, count, max_frames, &said);
	evl_guard_leave();
	in->state = code == EVL_ADAPTER_OK ? EVL_INSTANCE_ARMED : EVL_INSTANCE_FAILED;
	return evl_instance_judge(in, err, "arm", code, &said);
}

enum evl_status evl_instance_start(
	struct evl_instance *in, uint64_t at_ns, uint64_t *started_ns, struct evl_err *err)
{
	enum evl_status st = want_state(in, err, "start", EVL_INSTANCE_ARMED);
	if (st < 0) {
		return st;
	}
	if (in->virtual_time && at_ns < in->now_ns) {
		return evl_instance_refuse(in, err, "start",
			"%llu ns is before the end of the last take, %llu ns",
			(unsigned long long)at_ns, (unsigned long long)in->now_ns);
	}
	memset(started_ns, 0xFF, in->arm_count * sizeof *started_ns);
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "start");
	int code = in->adapter->start(in->self, at_ns, started_ns, &said);
	evl_guard_leave();
	in->state = EVL_INSTANCE_FAILED;
	st = evl_instance_judge(in, err, "start", code, &said);
	if (st < 0) {
		return st;
	}
	for (uint32_t i = 0; i < in->arm_count; i++) {
		const char *name = in->channels[in->arms[i].channel].name;
		uint64_t s = started_ns[i];
		if (s == UINT64_MAX) {
			return evl_instance_broken(
				in, err, "start", "it did not say when channel %s started", name);
		}
		if (s > at_ns ? s - at_ns > SECOND_NS : at_ns - s > SECOND_NS) {
			return evl_instance_broken(in, err, "start",
				"channel %s started at %llu ns, more than 1 s from the %llu "
				"ns asked "
				"for",
				name, (unsigned long long)s, (unsigned long long)at_ns);
		}
	}
	memset(in->ahead, 0, in->arm_count * sizeof *in->ahead);
	in->frames = 0;
	in->now_ns = at_ns;
	in->state = EVL_INSTANCE_STARTED;
	return EVL_OK;
}

/* Nominal bytes of the i-th armed channel from the start to `frames`, a multiple of 8. */
static uint64_t nominal(const struct evl_instance *in, uint32_t i, uint64_t frames)
{
	enum evl_rate rate = (enum evl_rate)in->channels[in->arms[i].channel].rate;
	return frames / EVL_SLAB_FRAMES_MIN * evl_rate_bytes(rate, EVL_SLAB_FRAMES_MIN);
}

uint32_t evl_instance_tx_bytes(const struct evl_instance *in, uint32_t i, uint32_t frames)
{
	const struct evl_arm *a = &in->arms[i];
	if (!a->play) {
		return 0;
	}
	return (uint32_t)(evl_clock_bytes(nominal(in, i, in->frames + frames), a->clock_ppb) -
			  evl_clock_bytes(nominal(in, i, in->frames), a->clock_ppb));
}

uint32_t evl_instance_rx_room(const struct evl_instance *in, uint32_t i, uint32_t frames)
{
	return in->arms[i].capture ? evl_slab_room((uint32_t)nominal(in, i, frames)) : 0;
}

static enum evl_status check_slabs(struct evl_instance *in, uint32_t frames, struct evl_slab *slabs,
	uint32_t count, struct evl_err *err)
{
	if (frames == 0 || frames % EVL_SLAB_FRAMES_MIN || frames > in->max_frames) {
		return evl_instance_refuse(in, err, "exchange",
			"%u frames; it must be a multiple of %u, at most the %u that were armed",
			(unsigned)frames, EVL_SLAB_FRAMES_MIN, (unsigned)in->max_frames);
	}
	if (count != in->arm_count) {
		return evl_instance_refuse(in, err, "exchange", "%u slabs; %u channels are armed",
			(unsigned)count, (unsigned)in->arm_count);
	}
	for (uint32_t i = 0; i < count; i++) {
		struct evl_slab *s = &slabs[i];
		const struct evl_arm *a = &in->arms[i];
		if (s->channel != a->channel || (s->tx != NULL) != a->play ||
			(s->rx != NULL) != a->capture) {
			return evl_instance_refuse(in, err, "exchange",
				"slab %u is not as channel %s was armed", (unsigned)i,
				in->channels[a->channel].name);
		}
		s->version = 1;
		s->flags = 0;
		s->tx_bytes = evl_instance_tx_bytes(in, i, frames);
		s->rx_bytes = evl_instance_rx_room(in, i, frames);
		in->slabs[i] = *s;
	}
	return EVL_OK;
}

/* Is what the i-th channel captured possible? */
static enum evl_status judge_capture(struct evl_instance *in, uint32_t i, uint32_t frames,
	const struct evl_slab *s, struct evl_err *err)
{
	const char *name = in->channels[s->channel].name;
	if (s->rx_bytes > in->slabs[i].rx_bytes) {
		return evl_instance_broken(in, err, "exchange",
			"it captured %u bytes on %s where %u have room", (unsigned)s->rx_bytes,
			name, (unsigned)in->slabs[i].rx_bytes);
	}
	if (s->rx == NULL) {
		return EVL_OK; /* no room, so no bytes */
	}
	int64_t ahead = in->ahead[i] + (int64_t)s->rx_bytes - (int64_t)nominal(in, i, frames);
	uint64_t all = nominal(in, i, in->frames + frames);
	int64_t most = (int64_t)(all / 1000000000u * EVL_CLOCK_PPB_MAX +
				 all % 1000000000u * EVL_CLOCK_PPB_MAX / 1000000000u) +
		       EVL_SLAB_SLACK;
	if (ahead > most || ahead < -most) {
		return evl_instance_broken(in, err, "exchange",
			"channel %s is %lld bytes %s nominal after %llu frames; %d ppm and %u "
			"bytes "
			"are possible",
			name, ahead < 0 ? (long long)-ahead : (long long)ahead,
			ahead < 0 ? "behind" : "ahead of",
			(unsigned long long)(in->frames + frames), EVL_CLOCK_PPB_MAX / 1000,
			EVL_SLAB_SLACK);
	}
	in->ahead[i] = ahead;
	return EVL_OK;
}

enum evl_status evl_instance_exchange(struct evl_instance *in, uint32_t frames,
	struct evl_slab *slabs, uint32_t count, struct evl_err *err)
{
	enum evl_status st = want_state(in, err, "exchange", EVL_INSTANCE_STARTED);
	if (st == EVL_OK) {
		st = check_slabs(in, frames, slabs, count, err);
	}
	if (st < 0) {
		return st;
	}
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "exchange");
	int code = in->adapter->exchange(in->self, frames, slabs, count, &said);
	evl_guard_leave();
	if (code != EVL_ADAPTER_OK) {
		memcpy(slabs, in->slabs, count * sizeof *slabs);
		in->state = EVL_INSTANCE_FAILED;
		return evl_instance_judge(in, err, "exchange", code, &said);
	}
	for (uint32_t i = 0; i < count && st == EVL_OK; i++) {
		const struct evl_slab *s = &slabs[i], *was = &in->slabs[i];
		const char *what = s->version != was->version     ? "version"
				   : s->channel != was->channel   ? "channel"
				   : s->tx_bytes != was->tx_bytes ? "tx_bytes"
				   : s->tx != was->tx             ? "tx"
				   : s->rx != was->rx             ? "rx"
								  : NULL;
		const char *name = in->channels[was->channel].name;
		if (what) {
			st = evl_instance_broken(in, err, "exchange",
				"it changed the field %s of the slab of %s", what, name);
		} else if (s->flags & ~(uint32_t)(EVL_SLAB_GAP | EVL_SLAB_OVERRUN)) {
			st = evl_instance_broken(in, err, "exchange",
				"it set unknown flags 0x%X on the slab of %s", (unsigned)s->flags,
				name);
		} else {
			st = judge_capture(in, i, frames, s, err);
		}
	}
	if (st < 0) {
		memcpy(slabs, in->slabs, count * sizeof *slabs);
		in->state = EVL_INSTANCE_FAILED;
		return st;
	}
	in->frames += frames;
	in->now_ns += (uint64_t)frames * EVL_FRAME_NS;
	return EVL_OK;
}

/* The latest time that an event can have: hardware clocks may be up to 1 s off. */
static uint64_t latest_ns(const struct evl_instance *in)
{
	if (in->virtual_time) {
		return in->now_ns;
	}
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * SECOND_NS + (uint64_t)t.tv_nsec + SECOND_NS;
}

enum evl_status evl_instance_poll(struct evl_instance *in, struct evl_event *out, uint32_t capacity,
	uint32_t *count, struct evl_err *err)
{
	*count = 0;
	if (capacity == 0 || capacity > EVL_INSTANCE_EVENTS_MAX) {
		return evl_instance_refuse(in, err, "poll",
			"room for %u events; 1..%u are possible", (unsigned)capacity,
			EVL_INSTANCE_EVENTS_MAX);
	}
	memset(out, 0, capacity * sizeof *out);
	uint32_t n = UINT32_MAX;
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "poll");
	int code = in->adapter->poll(in->self, out, capacity, &n, &said);
	evl_guard_leave();
	enum evl_status st = evl_instance_judge(in, err, "poll", code, &said);
	if (st < 0) {
		return st;
	}
	if (n > capacity) {
		return evl_instance_broken(in, err, "poll",
			"it reports %u events where %u have room", (unsigned)n, (unsigned)capacity);
	}
	uint64_t from = 0, until = latest_ns(in);
	for (uint32_t i = 0; i < n; i++) {
		const char *problem = evl_event_problem(&out[i], in->channel_count, from, until);
		if (problem) {
			return evl_instance_broken(in, err, "poll",
				"event %u (channel %u, alarm %u, %llu ns): %s", (unsigned)i,
				(unsigned)out[i].channel, (unsigned)out[i].alarm,
				(unsigned long long)out[i].at_ns, problem);
		}
		from = out[i].at_ns;
	}
	*count = n;
	return EVL_OK;
}

enum evl_status evl_instance_inject(
	struct evl_instance *in, const struct evl_inject *what, struct evl_err *err)
{
	if (what->channel >= in->channel_count) {
		return evl_instance_refuse(
			in, err, "inject", "there is no channel %u", (unsigned)what->channel);
	}
	const struct evl_channel_info *c = &in->channels[what->channel];
	if (!(c->abilities & EVL_CH_INJECT) || in->adapter->inject == NULL) {
		return evl_instance_refuse(in, err, "inject", "channel %s cannot inject", c->name);
	}
	if (what->kind == EVL_INJECT_ALARM) {
		if (what->alarm < EVL_ABI_LOS || what->alarm >= EVL_ALARM_COUNT) {
			return evl_instance_refuse(in, err, "inject", "channel %s: %u is no alarm",
				c->name, (unsigned)what->alarm);
		}
	} else if (what->kind == EVL_INJECT_ERRORS || what->kind == EVL_INJECT_BURST) {
		if (what->numerator == 0 || what->numerator > what->denominator) {
			return evl_instance_refuse(in, err, "inject",
				"channel %s: %llu / %llu is no error ratio above 0 and up to 1",
				c->name, (unsigned long long)what->numerator,
				(unsigned long long)what->denominator);
		}
	} else if (what->kind == EVL_INJECT_SLIP) {
		if (what->slip_bits == 0) {
			return evl_instance_refuse(
				in, err, "inject", "channel %s: a slip of 0 bits is none", c->name);
		}
	} else if (what->kind != EVL_INJECT_INVERT && what->kind != EVL_INJECT_BIT) {
		return evl_instance_refuse(in, err, "inject", "channel %s: there is no kind %u",
			c->name, (unsigned)what->kind);
	}
	bool instant = what->kind == EVL_INJECT_SLIP || what->kind == EVL_INJECT_BIT;
	if ((what->duration_ns == 0 && !instant) || what->at_ns > INT64_MAX ||
		what->duration_ns > INT64_MAX) {
		return evl_instance_refuse(in, err, "inject",
			"channel %s: it must last more than 0 ns, and end", c->name);
	}
	if (in->virtual_time && what->at_ns < in->now_ns) {
		return evl_instance_refuse(in, err, "inject",
			"channel %s: %llu ns is past, it is %llu ns", c->name,
			(unsigned long long)what->at_ns, (unsigned long long)in->now_ns);
	}
	struct evl_inject to = *what;
	to.version = 1;
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "inject");
	int code = in->adapter->inject(in->self, &to, &said);
	evl_guard_leave();
	return evl_instance_judge(in, err, "inject", code, &said);
}

bool evl_instance_can_set_up(const struct evl_instance *in)
{
	return in->setup != NULL;
}

enum evl_status evl_instance_set_up(struct evl_instance *in, const struct evl_setting *list,
	uint32_t count, struct evl_err *err)
{
	if (in->setup == NULL) {
		return count == 0 ? EVL_OK
				  : evl_instance_refuse(in, err, "setup",
					    "this adapter has no extension " EVL_SETUP_EXTENSION);
	}
	if (in->state != EVL_INSTANCE_STOPPED) {
		return evl_instance_refuse(in, err, "setup", "a take is going on");
	}
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_setting *s = &list[i];
		if (s->channel >= in->channel_count) {
			return evl_instance_refuse(
				in, err, "setup", "there is no channel %u", (unsigned)s->channel);
		}
		if (!(in->channels[s->channel].abilities & EVL_CH_SETUP)) {
			return evl_instance_refuse(in, err, "setup",
				"channel %s cannot be set up", in->channels[s->channel].name);
		}
		if (s->version != 1 || s->kind < EVL_SETTING_MAPPING ||
			s->kind > EVL_SETTING_EXPECTED ||
			memchr(s->field, '\0', sizeof s->field) == NULL ||
			memchr(s->text, '\0', sizeof s->text) == NULL) {
			return evl_instance_refuse(in, err, "setup",
				"channel %s: setting %u is no good record",
				in->channels[s->channel].name, (unsigned)i);
		}
	}
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "setup");
	int code = in->setup->apply(in->self, list, count, &said);
	evl_guard_leave();
	return evl_instance_judge(in, err, "setup", code, &said);
}

enum evl_status evl_instance_stop(struct evl_instance *in, struct evl_err *err)
{
	if (in->state == EVL_INSTANCE_STOPPED) {
		return EVL_OK;
	}
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "stop");
	int code = in->adapter->stop(in->self, &said);
	evl_guard_leave();
	in->state = code == EVL_ADAPTER_OK ? EVL_INSTANCE_STOPPED : EVL_INSTANCE_FAILED;
	return evl_instance_judge(in, err, "stop", code, &said);
}
