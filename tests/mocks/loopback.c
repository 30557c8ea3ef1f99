/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A mock adapter that keeps its contract: what is played on a channel comes back on the same
 * channel after a delay. Options (all with a default) choose its size and, for tests of the host,
 * ways to break the contract:
 *
 * README.md in this folder lists them.
 *
 * Channel `line` (STM-1) is always there, after the E1 and before the T1 channels.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "core/adapter/adapter.h"

#ifndef MOCK_NAME
#define MOCK_NAME "loopback"
#endif
#ifndef MOCK_CAPABILITIES
#define MOCK_CAPABILITIES (EVL_CAP_VIRTUAL_TIME | EVL_CAP_SIMULATED)
#endif

#define FRAME_NS       125000u
#define CHANNELS_MAX   (63 + 1 + 28)
#define INJECTIONS_MAX 64
#define EVENTS_MAX     256
#define STORE_SLACK    65536 /* bytes that a store may grow by */

enum garbage {
	GARBAGE_NONE,
	GARBAGE_EVENT_COUNT,
	GARBAGE_EVENT_CHANNEL,
	GARBAGE_EVENT_ALARM,
	GARBAGE_EVENT_TIME,
	GARBAGE_EVENT_ORDER,
	GARBAGE_FLAGS,
	GARBAGE_SLAB_POINTER,
	GARBAGE_SLAB_BYTES,
	GARBAGE_SLAB_CHANNEL,
	GARBAGE_RX_BYTES,
	GARBAGE_RX_DRIFT,
	GARBAGE_ERROR_TEXT,
	GARBAGE_ERROR_EMPTY,
	GARBAGE_ERROR_CODE,
	GARBAGE_STARTED,
	GARBAGE_STARTED_UNSET,
	GARBAGE_NAME_OPEN,
	GARBAGE_NAME_CHARS,
	GARBAGE_NAME_TWICE,
	GARBAGE_RATE,
	GARBAGE_ABILITIES,
	GARBAGE_COUNT,
	GARBAGE_NO_SELF,
	GARBAGE_COUNT_KINDS
};

static const char *const kinds[GARBAGE_COUNT_KINDS] = {"none", "event-count", "event-channel",
	"event-alarm", "event-time", "event-order", "flags", "slab-pointer", "slab-bytes",
	"slab-channel", "rx-bytes", "rx-drift", "error-text", "error-empty", "error-code",
	"started", "started-unset", "name-open", "name-chars", "name-twice", "rate", "abilities",
	"count", "no-self"};

enum state { STOPPED, ARMED, STARTED, FAILED };

struct channel {
	uint32_t rate;
	bool armed, play, capture;
	int32_t clock_ppb;
	uint8_t *ring; /* what was played and did not come out yet; of the present take */
	size_t size, delay_bytes;
	size_t at, level; /* next byte to come out, bytes in the store */
};

struct injection {
	struct evl_inject what;
	bool used, begun;
	uint64_t stride; /* one error in each stretch of so many bits, at a seeded place in it */
	uint64_t begin_ns;
	uint64_t stretch, hit; /* bits since begin_ns: the present stretch, the error in it */
	uint64_t rng;
};

struct loop {
	uint32_t e1, t1, delay_frames, idle, skew_ns;
	uint32_t fail_exchange, fail_take, gap_exchange, hang_exchange;
	int32_t clock_ppb;
	bool fail_arm, fail_start, fixed_clock, virtual_time;
	enum garbage garbage;
	uint64_t seed;
	enum state state;
	uint32_t count;
	struct channel channels[CHANNELS_MAX];
	uint32_t arms[CHANNELS_MAX];
	uint32_t arm_count, max_frames;
	uint32_t takes, exchanges;
	uint64_t now_ns, frames; /* frames since the start */
	struct injection injections[INJECTIONS_MAX];
	uint64_t injection_count;
	struct evl_event events[EVENTS_MAX];
	uint32_t event_count;
};

static uint32_t frame_bits(uint32_t rate)
{
	return rate == EVL_ABI_RATE_E1 ? 256 : rate == EVL_ABI_RATE_T1 ? 193 : 19440;
}

static int fail(struct evl_adapter_error *err, int code, const char *text)
{
	snprintf(err->text, sizeof err->text, "%s", text);
	return code;
}

/* Fails in the way that the option `garbage` asks for. */
static int fail_planned(struct loop *l, struct evl_adapter_error *err, const char *text)
{
	l->state = FAILED;
	switch (l->garbage) {
	case GARBAGE_ERROR_TEXT:
		memset(err->text, 'x', sizeof err->text);
		return EVL_ADAPTER_E_HARDWARE;
	case GARBAGE_ERROR_EMPTY:
		return EVL_ADAPTER_E_HARDWARE;
	case GARBAGE_ERROR_CODE:
		return 77;
	default:
		return fail(err, EVL_ADAPTER_E_HARDWARE, text);
	}
}

static bool option_number(const struct evl_adapter_option *o, uint32_t max, uint32_t *out,
	struct evl_adapter_error *err)
{
	char *end;
	errno = 0;
	unsigned long v = strtoul(o->value, &end, 10);
	if (o->value[0] < '0' || o->value[0] > '9' || *end || errno || v > max) {
		snprintf(err->text, sizeof err->text, "option %s: \"%.80s\" is not 0..%u", o->path,
			o->value, (unsigned)max);
		return false;
	}
	*out = (uint32_t)v;
	return true;
}

static bool option_set(
	struct loop *l, const struct evl_adapter_option *o, struct evl_adapter_error *err)
{
	const struct {
		const char *name;
		uint32_t *to;
		uint32_t max;
	} numbers[] = {{"e1_channels", &l->e1, 63}, {"t1_channels", &l->t1, 28},
		{"delay_frames", &l->delay_frames, 8000}, {"idle", &l->idle, 255},
		{"skew_ns", &l->skew_ns, 1000000}, {"fail_exchange", &l->fail_exchange, 1000000},
		{"fail_take", &l->fail_take, 1000000}, {"gap_exchange", &l->gap_exchange, 1000000},
		{"hang_exchange", &l->hang_exchange, 1000000}};
	for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
		if (strcmp(o->path, numbers[i].name) == 0) {
			return option_number(o, numbers[i].max, numbers[i].to, err);
		}
	}
	const struct {
		const char *name;
		bool *to;
	} flags[] = {{"fail_arm", &l->fail_arm}, {"fail_start", &l->fail_start},
		{"fixed_clock", &l->fixed_clock}};
	for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++) {
		if (strcmp(o->path, flags[i].name) == 0) {
			*flags[i].to = strcmp(o->value, "yes") == 0;
			if (!*flags[i].to && strcmp(o->value, "no") != 0) {
				snprintf(err->text, sizeof err->text,
					"option %s: \"%.80s\" is not yes or no", o->path, o->value);
				return false;
			}
			return true;
		}
	}
	if (strcmp(o->path, "clock_ppb") == 0) {
		char *end;
		long v = strtol(o->value, &end, 10);
		if (end == o->value || *end || v < -EVL_CLOCK_PPB_MAX || v > EVL_CLOCK_PPB_MAX) {
			snprintf(err->text, sizeof err->text,
				"option clock_ppb: \"%.80s\" is not -300000..300000", o->value);
			return false;
		}
		l->clock_ppb = (int32_t)v;
		return true;
	}
	if (strcmp(o->path, "fail_open") == 0) {
		snprintf(err->text, sizeof err->text, "%.400s", o->value);
		return false;
	}
	while (strcmp(o->path, "hang_open") == 0 && pause() != 0) {
	}
	if (strcmp(o->path, "garbage") == 0) {
		for (int k = 0; k < GARBAGE_COUNT_KINDS; k++) {
			if (strcmp(o->value, kinds[k]) == 0) {
				l->garbage = (enum garbage)k;
				return true;
			}
		}
		snprintf(
			err->text, sizeof err->text, "option garbage: no kind \"%.80s\"", o->value);
		return false;
	}
	snprintf(err->text, sizeof err->text, "option %.200s is unknown", o->path);
	return false;
}

static void loop_close(void *self)
{
	struct loop *l = self;
	if (l == NULL) {
		return;
	}
	for (uint32_t i = 0; i < l->count; i++) {
		free(l->channels[i].ring);
	}
	free(l);
}

static int loop_open(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	*self = NULL;
	if (args->virtual_time && !(MOCK_CAPABILITIES & EVL_CAP_VIRTUAL_TIME)) {
		return fail(err, EVL_ADAPTER_E_UNSUPPORTED, "runs in real time only");
	}
	struct loop *l = calloc(1, sizeof *l);
	if (l == NULL) {
		return fail(err, EVL_ADAPTER_E_NOMEM, "out of memory");
	}
	l->e1 = 8;
	l->idle = 255;
	l->virtual_time = args->virtual_time;
	l->seed = args->seed;
	for (uint32_t i = 0; i < args->option_count; i++) {
		if (!option_set(l, &args->options[i], err)) {
			free(l);
			return EVL_ADAPTER_E_OPTION;
		}
	}
	if (l->e1 == 0 || (l->t1 > 0 && l->delay_frames % 8 != 0)) {
		bool none = l->e1 == 0;
		free(l);
		return fail(err, EVL_ADAPTER_E_OPTION,
			none ? "option e1_channels: at least 1"
			     : "option delay_frames: not a multiple of "
			       "8, with T1 channels");
	}
	l->count = l->e1 + 1 + l->t1;
	for (uint32_t i = 0; i < l->count; i++) {
		struct channel *c = &l->channels[i];
		c->rate = i < l->e1    ? EVL_ABI_RATE_E1
			  : i == l->e1 ? EVL_ABI_RATE_STM1
				       : EVL_ABI_RATE_T1;
		c->delay_bytes = (size_t)frame_bits(c->rate) * l->delay_frames / 8;
	}
	if (l->garbage == GARBAGE_NO_SELF) {
		loop_close(l);
		return EVL_ADAPTER_OK;
	}
	*self = l;
	return EVL_ADAPTER_OK;
}

static int loop_channels(void *self, struct evl_channel_info *out, uint32_t capacity,
	uint32_t *count, struct evl_adapter_error *err)
{
	(void)err;
	struct loop *l = self;
	for (uint32_t i = 0; i < l->count && i < capacity; i++) {
		struct evl_channel_info *c = &out[i];
		*c = (struct evl_channel_info){.version = 1,
			.rate = l->channels[i].rate,
			.abilities = EVL_CH_PLAY | EVL_CH_CAPTURE | EVL_CH_ALARMS | EVL_CH_INJECT |
				     (l->fixed_clock ? 0 : EVL_CH_CLOCK)};
		if (i < l->e1) {
			snprintf(c->name, sizeof c->name, "e1-%u", (unsigned)i + 1);
		} else if (i == l->e1) {
			snprintf(c->name, sizeof c->name, "line");
		} else {
			snprintf(c->name, sizeof c->name, "t1-%u", (unsigned)(i - l->e1));
		}
		snprintf(c->port, sizeof c->port, "loop/%.40s", c->name);
	}
	*count = l->count;
	if (capacity > 0) {
		switch (l->garbage) {
		case GARBAGE_NAME_OPEN:
			memset(out[0].name, 'a', sizeof out[0].name);
			break;
		case GARBAGE_NAME_CHARS:
			snprintf(out[0].name, sizeof out[0].name, "e1 \x01 one");
			break;
		case GARBAGE_NAME_TWICE:
			snprintf(out[0].name, sizeof out[0].name, "line");
			break;
		case GARBAGE_RATE:
			out[0].rate = 99;
			break;
		case GARBAGE_ABILITIES:
			out[0].abilities = 1u << 30;
			break;
		default:
			break;
		}
	}
	if (l->garbage == GARBAGE_COUNT) {
		*count = 0xFFFFFFFFu;
	}
	return EVL_ADAPTER_OK;
}

static int loop_arm(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
	struct evl_adapter_error *err)
{
	struct loop *l = self;
	if (l->state != STOPPED) {
		return fail(err, EVL_ADAPTER_E_STATE, "arm: a take is going on");
	}
	if (l->fail_arm) {
		return fail_planned(l, err, "arm refused as planned");
	}
	for (uint32_t i = 0; i < l->count; i++) {
		l->channels[i].armed = false;
	}
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &arms[i];
		if (a->channel >= l->count || l->channels[a->channel].armed ||
			(!a->play && (!a->capture || a->clock_ppb != 0)) ||
			(l->fixed_clock && a->clock_ppb != 0) || a->clock_ppb > EVL_CLOCK_PPB_MAX ||
			a->clock_ppb < -EVL_CLOCK_PPB_MAX) {
			l->state = FAILED;
			return fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"arm: no such channel, a channel twice, nothing to do on it, or a "
				"clock offset that cannot be");
		}
		struct channel *c = &l->channels[a->channel];
		c->armed = true;
		c->play = a->play;
		c->capture = a->capture;
		c->clock_ppb = a->clock_ppb;
		c->size = c->delay_bytes + STORE_SLACK +
			  evl_slab_room(frame_bits(c->rate) * max_frames / 8);
		free(c->ring);
		c->ring = malloc(c->size);
		if (c->ring == NULL) {
			l->state = FAILED;
			return fail(err, EVL_ADAPTER_E_NOMEM, "out of memory");
		}
		memset(c->ring, (int)l->idle, c->delay_bytes);
		c->at = 0;
		c->level = c->delay_bytes;
		l->arms[i] = a->channel;
	}
	l->arm_count = count;
	l->max_frames = max_frames;
	l->state = ARMED;
	return EVL_ADAPTER_OK;
}

static void sleep_until(uint64_t ns)
{
	struct timespec t = {
		.tv_sec = (time_t)(ns / 1000000000u), .tv_nsec = (long)(ns % 1000000000u)};
	while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
	}
}

static int loop_start(
	void *self, uint64_t at_ns, uint64_t *started_ns, struct evl_adapter_error *err)
{
	struct loop *l = self;
	if (l->state != ARMED) {
		return fail(err, EVL_ADAPTER_E_STATE, "start: not armed");
	}
	if (l->fail_start) {
		return fail_planned(l, err, "start refused as planned");
	}
	if (!l->virtual_time) {
		sleep_until(at_ns);
	}
	for (uint32_t i = 0; i < l->arm_count; i++) {
		started_ns[i] = at_ns + (uint64_t)l->skew_ns * i;
	}
	if (l->garbage == GARBAGE_STARTED) {
		started_ns[0] = at_ns + 2000000000u;
	} else if (l->garbage == GARBAGE_STARTED_UNSET) {
		started_ns[0] = UINT64_MAX;
	}
	l->now_ns = at_ns;
	l->frames = 0;
	l->takes++;
	l->exchanges = 0;
	l->state = STARTED;
	return EVL_ADAPTER_OK;
}

static uint64_t random_next(uint64_t *s)
{
	uint64_t z = (*s += 0x9E3779B97F4A7C15u);
	z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
	z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
	return z ^ (z >> 31);
}

static void add_event(struct loop *l, const struct injection *j, bool raised, uint64_t at_ns)
{
	if (l->event_count < EVENTS_MAX) {
		l->events[l->event_count++] = (struct evl_event){.version = 1,
			.channel = j->what.channel,
			.alarm = j->what.alarm,
			.raised = raised,
			.at_ns = at_ns};
	}
}

static uint64_t frame_up(uint64_t ns)
{
	return ns % FRAME_NS ? ns - ns % FRAME_NS + FRAME_NS : ns;
}

/* Works one injection into the frames from t0 to t1 of its channel; rx may be NULL. What comes out
 * does not depend on the size of slabs. */
static void inject_into(struct loop *l, struct injection *j, uint64_t t0, uint64_t t1, uint8_t *rx,
	uint32_t rx_bytes)
{
	if (!j->begun) {
		uint64_t begin = frame_up(j->what.at_ns);
		if (begin >= t1) {
			return;
		}
		j->begun = true;
		j->begin_ns = begin < t0 ? t0 : begin;
		j->hit = j->stride ? random_next(&j->rng) % j->stride : 0;
		if (j->what.kind == EVL_INJECT_ALARM) {
			add_event(l, j, true, j->begin_ns);
		}
	}
	uint64_t end = frame_up(j->what.at_ns + j->what.duration_ns);
	end = end < j->begin_ns ? j->begin_ns : end;
	uint64_t from = j->begin_ns > t0 ? j->begin_ns : t0;
	uint64_t to = end < t1 ? end : t1;
	uint64_t bits = frame_bits(l->channels[j->what.channel].rate);
	if (j->what.kind == EVL_INJECT_ERRORS) {
		uint64_t to_bit = (to - j->begin_ns) / FRAME_NS * bits;
		uint64_t skip = (from - t0) / FRAME_NS * bits; /* bits of rx before the first */
		uint64_t past = (from - j->begin_ns) / FRAME_NS * bits;
		while (j->hit < to_bit) {
			uint64_t b = j->hit - past + skip;
			if (rx && b / 8 < rx_bytes) {
				rx[b / 8] ^= (uint8_t)(0x80u >> b % 8);
			}
			j->stretch += j->stride;
			j->hit = j->stretch + random_next(&j->rng) % j->stride;
		}
	} else if (rx && (j->what.alarm == EVL_ABI_LOS || j->what.alarm == EVL_ABI_AIS)) {
		/* Whole frames are whole bytes on E1 and STM-1; T1 gets the bytes within. */
		size_t at = (size_t)((from - t0) / FRAME_NS * bits / 8);
		size_t n = (size_t)((to - from) / FRAME_NS * bits / 8);
		at = at < rx_bytes ? at : rx_bytes;
		n = n < rx_bytes - at ? n : rx_bytes - at;
		memset(rx + at, j->what.alarm == EVL_ABI_LOS ? 0 : 0xFF, n);
	}
	if (end <= t1) {
		if (j->what.kind == EVL_INJECT_ALARM) {
			add_event(l, j, false, end);
		}
		j->used = false;
	}
}

/* Bytes of a clock from the start to `frames`, a multiple of 8. */
static uint64_t bytes_to(const struct channel *c, uint64_t frames, int32_t ppb)
{
	return evl_clock_bytes(frames / 8 * frame_bits(c->rate), ppb);
}

static void store(struct channel *c, const uint8_t *data, uint8_t idle, size_t n)
{
	if (c->level + n > c->size) {
		size_t lost = c->level + n - c->size;
		c->at = (c->at + lost) % c->size;
		c->level -= lost;
	}
	for (size_t done = 0; done < n;) {
		size_t to = (c->at + c->level) % c->size;
		size_t part = c->size - to < n - done ? c->size - to : n - done;
		if (data) {
			memcpy(c->ring + to, data + done, part);
		} else {
			memset(c->ring + to, idle, part);
		}
		c->level += part;
		done += part;
	}
}

static void loop_channel(struct loop *l, struct channel *c, struct evl_slab *s, uint32_t frames)
{
	int32_t ppb = c->clock_ppb + l->clock_ppb;
	size_t n = (size_t)(bytes_to(c, l->frames + frames, ppb) - bytes_to(c, l->frames, ppb));
	s->rx_bytes = s->rx ? (uint32_t)n : 0;
	if (c->level == 0 && s->tx && s->tx_bytes == n) {
		if (s->rx) {
			memcpy(s->rx, s->tx, n);
		}
		return;
	}
	store(c, s->tx, (uint8_t)l->idle, s->tx ? s->tx_bytes : n);
	for (size_t done = 0; done < n;) {
		size_t part = c->size - c->at < n - done ? c->size - c->at : n - done;
		part = part < c->level ? part : c->level;
		if (part == 0) { /* the store is empty */
			if (s->rx) {
				memset(s->rx + done, (int)l->idle, n - done);
			}
			break;
		}
		if (s->rx) {
			memcpy(s->rx + done, c->ring + c->at, part);
		}
		c->at = (c->at + part) % c->size;
		c->level -= part;
		done += part;
	}
}

static int loop_exchange(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
	struct evl_adapter_error *err)
{
	struct loop *l = self;
	if (l->state != STARTED) {
		return fail(err, EVL_ADAPTER_E_STATE, "exchange: not started");
	}
	if (frames == 0 || frames % 8 || frames > l->max_frames || count != l->arm_count) {
		l->state = FAILED;
		return fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"exchange: frames or channels are not as armed");
	}
	if (++l->exchanges == l->fail_exchange && (l->fail_take == 0 || l->fail_take == l->takes)) {
		return fail_planned(l, err, "the loop was cut as planned");
	}
	while (l->exchanges == l->hang_exchange && (!l->fail_take || l->fail_take == l->takes)) {
		pause();
	}
	uint64_t t1 = l->now_ns + (uint64_t)frames * FRAME_NS;
	for (uint32_t i = 0; i < count; i++) {
		struct channel *c = &l->channels[l->arms[i]];
		if (slabs[i].channel != l->arms[i] || (slabs[i].tx != NULL) != c->play ||
			(slabs[i].rx != NULL) != c->capture ||
			slabs[i].tx_bytes !=
				(c->play ? bytes_to(c, l->frames + frames, c->clock_ppb) -
							bytes_to(c, l->frames, c->clock_ppb)
					 : 0) ||
			slabs[i].rx_bytes < (c->capture ? frame_bits(c->rate) * frames / 8 : 0)) {
			l->state = FAILED;
			return fail(
				err, EVL_ADAPTER_E_UNSUPPORTED, "exchange: slab is not as armed");
		}
		loop_channel(l, c, &slabs[i], frames);
		slabs[i].flags = i == 0 && l->exchanges == l->gap_exchange ? EVL_SLAB_GAP : 0;
	}
	for (uint32_t k = 0; k < INJECTIONS_MAX; k++) {
		struct injection *j = &l->injections[k];
		if (j->used) {
			uint8_t *rx = NULL;
			uint32_t rx_bytes = 0;
			for (uint32_t i = 0; i < count; i++) {
				if (slabs[i].channel == j->what.channel) {
					rx = slabs[i].rx;
					rx_bytes = slabs[i].rx_bytes;
				}
			}
			inject_into(l, j, l->now_ns, t1, rx, rx_bytes);
		}
	}
	l->now_ns = t1;
	l->frames += frames;
	if (!l->virtual_time) {
		sleep_until(t1);
	}
	switch (l->garbage) {
	case GARBAGE_FLAGS:
		slabs[0].flags = 0xDEADBEEFu;
		break;
	case GARBAGE_SLAB_POINTER:
		slabs[0].rx = (uint8_t *)l;
		break;
	case GARBAGE_SLAB_BYTES:
		slabs[0].tx_bytes++;
		break;
	case GARBAGE_RX_BYTES:
		slabs[0].rx_bytes =
			evl_slab_room(frame_bits(l->channels[l->arms[0]].rate) * frames / 8) + 1;
		break;
	case GARBAGE_RX_DRIFT:
		slabs[0].rx_bytes += 40;
		break;
	case GARBAGE_SLAB_CHANNEL:
		slabs[0].channel = 1000;
		break;
	default:
		break;
	}
	return EVL_ADAPTER_OK;
}

static int by_time(const void *a, const void *b)
{
	const struct evl_event *x = a, *y = b;
	return x->at_ns != y->at_ns ? (x->at_ns > y->at_ns) - (x->at_ns < y->at_ns)
				    : (x->channel > y->channel) - (x->channel < y->channel);
}

static int loop_poll(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
	struct evl_adapter_error *err)
{
	(void)err;
	struct loop *l = self;
	qsort(l->events, l->event_count, sizeof l->events[0], by_time);
	uint32_t n = l->event_count < capacity ? l->event_count : capacity;
	memcpy(out, l->events, n * sizeof *out);
	memmove(l->events, l->events + n, (l->event_count - n) * sizeof *out);
	l->event_count -= n;
	*count = n;
	if (l->garbage >= GARBAGE_EVENT_COUNT && l->garbage <= GARBAGE_EVENT_ORDER &&
		capacity > 1) {
		for (uint32_t i = 0; i < 2; i++) {
			out[i] = (struct evl_event){.version = 1, .alarm = EVL_ABI_LOS, .at_ns = 0};
		}
		*count = l->garbage == GARBAGE_EVENT_COUNT ? capacity + 1 : 2;
		out[0].channel = l->garbage == GARBAGE_EVENT_CHANNEL ? 4000 : 0;
		out[0].alarm = l->garbage == GARBAGE_EVENT_ALARM ? 77 : EVL_ABI_LOS;
		out[1].at_ns = l->garbage == GARBAGE_EVENT_TIME ? UINT64_MAX : 0;
		out[0].at_ns = l->garbage == GARBAGE_EVENT_ORDER ? 1 : 0;
	}
	return EVL_ADAPTER_OK;
}

static int loop_inject(void *self, const struct evl_inject *what, struct evl_adapter_error *err)
{
	struct loop *l = self;
	bool alarm = what->kind == EVL_INJECT_ALARM && what->alarm >= EVL_ABI_LOS &&
		     what->alarm <= EVL_ABI_AIS;
	bool errors = what->kind == EVL_INJECT_ERRORS && what->numerator > 0 &&
		      what->numerator <= what->denominator;
	if (what->channel >= l->count || (!alarm && !errors)) {
		return fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"inject: no such channel, kind, alarm or ratio");
	}
	for (uint32_t k = 0; k < INJECTIONS_MAX; k++) {
		struct injection *j = &l->injections[k];
		if (!j->used) {
			*j = (struct injection){.what = *what, .used = true};
			j->stride = errors ? what->denominator / what->numerator : 0;
			j->rng = l->seed ^ (uint64_t)what->channel << 32 ^ l->injection_count++;
			return EVL_ADAPTER_OK;
		}
	}
	return fail(err, EVL_ADAPTER_E_NOMEM, "inject: too many at a time");
}

static int loop_stop(void *self, struct evl_adapter_error *err)
{
	struct loop *l = self;
	(void)err; /* nothing to do when no take is going on */
	for (uint32_t k = 0; k < INJECTIONS_MAX; k++) {
		struct injection *j = &l->injections[k];
		if (j->used && j->begun && j->what.kind == EVL_INJECT_ALARM) {
			add_event(l, j, false, l->now_ns);
		}
		j->used = false;
	}
	l->state = STOPPED;
	return EVL_ADAPTER_OK;
}

EVL_ADAPTER_EXPORT const struct evl_adapter evl_adapter = {
	.abi_major = EVL_ABI_MAJOR,
	.abi_minor = EVL_ABI_MINOR,
	.name = MOCK_NAME,
	.version = "1.0",
	.description = "mock: what is played comes back",
	.capabilities = MOCK_CAPABILITIES,
	.open = loop_open,
	.channels = loop_channels,
	.arm = loop_arm,
	.start = loop_start,
	.exchange = loop_exchange,
	.poll = loop_poll,
	.inject = loop_inject,
	.stop = loop_stop,
	.close = loop_close,
};
