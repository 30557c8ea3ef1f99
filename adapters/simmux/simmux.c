/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The adapter "simmux": a software multiplexer of SDH and SONET lines as the unit under test. This
 * file speaks the driver ABI; the unit is in unit.c, what can be planted in it in options.h. See
 * README.md.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "adapters/simmux/options.h"
#include "adapters/simmux/text.h"
#include "adapters/simmux/unit.h"
#include "core/adapter/adapter.h"
#include "core/base/rate.h"

#define SIMMUX_SPILL 264u /* most that a chunk of an E1 or T1 brings */
#define PHASE_FRAMES 128u /* real time: frame 0 of the unit lies on a multiple of this */

enum state { STOPPED, ARMED, STARTED };

struct simmux {
	struct simmux_options options;
	const struct simmux_ports *ports;
	struct simmux_unit *unit;
	bool virtual_time;
	uint64_t base_frames; /* host's frame number when the unit counts SIMMUX_LEAD_FRAMES */
	enum state state;
	struct evl_arm arms[SIMMUX_CHANNELS];
	uint32_t arm_count;
	uint32_t max_frames;
	uint64_t next_ns;                /* end of the frames exchanged, on the host's clock */
	uint64_t frames;                 /* since the start */
	bool seen[SIMMUX_CHANNELS];      /* in arm only */
	uint32_t taken[SIMMUX_CHANNELS]; /* bytes of the slabs, in exchange only */
	uint32_t given[SIMMUX_CHANNELS];
	struct simmux_io io[SIMMUX_CHANNELS]; /* of a chunk */
	/* Where the last chunk of a slab goes when its room is less than a chunk can bring; E1 and
	 * T1 only. */
	uint8_t spill[SIMMUX_CHANNELS][SIMMUX_SPILL];
};

static uint64_t to_unit_frames(const struct simmux *s, uint64_t host_frames)
{
	return host_frames - s->base_frames + SIMMUX_LEAD_FRAMES;
}

/* Host time of an instant on the unit's clock, and back. */
static uint64_t to_host_ns(const struct simmux *s, uint64_t unit_ns)
{
	return unit_ns - (uint64_t)SIMMUX_LEAD_FRAMES * EVL_FRAME_NS +
	       s->base_frames * EVL_FRAME_NS;
}

static uint64_t to_unit_ns(const struct simmux *s, uint64_t host_ns)
{
	return host_ns - s->base_frames * EVL_FRAME_NS +
	       (uint64_t)SIMMUX_LEAD_FRAMES * EVL_FRAME_NS;
}

static int mux_open(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct simmux *s = calloc(1, sizeof(*s));
	struct timespec t;
	int rc;

	*self = NULL;
	if (s == NULL) {
		return simmux_fail(
			err, EVL_ADAPTER_E_NOMEM, "out of memory for the simulated multiplexer");
	}
	rc = simmux_options_read(&s->options, args, err);
	if (rc != EVL_ADAPTER_OK) {
		free(s);
		return rc;
	}
	s->ports = &s->options.ports;
	s->virtual_time = args->virtual_time;
	if (!s->virtual_time) {
		if (clock_gettime(CLOCK_MONOTONIC, &t) != 0) {
			free(s);
			return simmux_fail(err, EVL_ADAPTER_E_HARDWARE,
				"CLOCK_MONOTONIC cannot be read: %s", strerror(errno));
		}
		s->base_frames = ((uint64_t)t.tv_sec * EVL_FRAMES_PER_S +
					 (uint64_t)t.tv_nsec / EVL_FRAME_NS) /
				 PHASE_FRAMES * PHASE_FRAMES;
	}
	s->unit = simmux_unit_create(&s->options, args->seed, err);
	if (s->unit == NULL) {
		free(s);
		return EVL_ADAPTER_E_OPTION;
	}
	s->next_ns = s->base_frames * EVL_FRAME_NS;
	*self = s;
	return EVL_ADAPTER_OK;
}

static uint32_t abilities_of(const struct simmux_port *p)
{
	return EVL_CH_PLAY | EVL_CH_CAPTURE | EVL_CH_ALARMS | EVL_CH_INJECT | EVL_CH_SETUP |
	       (p->kind <= SIMMUX_T1 ? EVL_CH_CLOCK : 0);
}

static int mux_channels(void *self, struct evl_channel_info *out, uint32_t capacity,
	uint32_t *count, struct evl_adapter_error *err)
{
	static const uint32_t rates[SIMMUX_LINE] = {EVL_ABI_RATE_E1, EVL_ABI_RATE_T1,
		EVL_ABI_RATE_VC3, EVL_ABI_RATE_VC4, EVL_ABI_RATE_VC4_4C};
	const struct simmux_ports *p = ((struct simmux *)self)->ports;

	(void)err;
	*count = p->count;
	for (uint32_t c = 0; c < capacity && c < p->count; c++) {
		const uint32_t kind = p->list[c].kind;

		memset(&out[c], 0, sizeof(out[c]));
		out[c].version = 1;
		out[c].rate = kind != SIMMUX_LINE ? rates[kind]
			      : p->stm == 4       ? EVL_ABI_RATE_STM4
						  : EVL_ABI_RATE_STM1;
		out[c].abilities = abilities_of(&p->list[c]);
		simmux_port_name(p, c, out[c].name);
		memcpy(out[c].port, out[c].name, sizeof(out[c].port));
	}
	return EVL_ADAPTER_OK;
}

static int mux_arm(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
	struct evl_adapter_error *err)
{
	struct simmux *s = self;
	bool line_played[SIMMUX_LINES] = {false};

	memset(s->seen, 0, sizeof(s->seen));
	if (s->state != STOPPED) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE, "arm: stop the present take first");
	}
	if (count > s->ports->count || max_frames == 0 || max_frames % SIMMUX_CHUNK_FRAMES != 0) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"arm: %u channels, slabs of %u frames; at most %u channels and "
			"a multiple of "
			"%u frames are possible",
			count, max_frames, s->ports->count, SIMMUX_CHUNK_FRAMES);
	}
	for (uint32_t i = 0; i < count; i++) {
		uint32_t c = arms[i].channel;

		if (c >= s->ports->count || s->seen[c]) {
			return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"arm: channel %u is not there or is given twice", c);
		}
		if (!arms[i].play && !arms[i].capture) {
			return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"arm: channel %u is to be neither played nor captured", c);
		}
		if (arms[i].clock_ppb != 0 &&
			(s->ports->list[c].kind > SIMMUX_T1 || !arms[i].play ||
				arms[i].clock_ppb > EVL_CLOCK_PPB_MAX ||
				arms[i].clock_ppb < -EVL_CLOCK_PPB_MAX)) {
			return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"arm: channel %u cannot have a clock offset of %d ppb; "
				"a tributary that is played can, up to %d",
				c, arms[i].clock_ppb, EVL_CLOCK_PPB_MAX);
		}
		s->seen[c] = true;
		if (s->ports->list[c].kind == SIMMUX_LINE && arms[i].play) {
			line_played[s->ports->list[c].line] = true;
		}
	}
	for (uint32_t l = 0; l < s->ports->lines; l++) {
		if (line_played[l] && simmux_unit_needs_loop(s->unit, l)) {
			return simmux_fail(err, EVL_ADAPTER_E_STATE,
				"arm: an injected defect waits that needs line %u looped; do not "
				"play into it",
				l + 1);
		}
	}
	if (count > 0) {
		memcpy(s->arms, arms, count * sizeof(arms[0]));
	}
	s->arm_count = count;
	s->max_frames = max_frames;
	for (uint32_t l = 0; l < s->ports->lines; l++) {
		simmux_unit_set_line_played(s->unit, l, line_played[l]);
	}
	s->state = ARMED;
	return EVL_ADAPTER_OK;
}

static int mux_start(
	void *self, uint64_t at_ns, uint64_t *started_ns, struct evl_adapter_error *err)
{
	struct simmux *s = self;
	uint64_t frame =
		at_ns / EVL_FRAME_NS; /* the one that is under way; never ahead of the host */

	if (s->state != ARMED) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE, "start: arm first");
	}
	if (frame < s->base_frames || to_unit_frames(s, frame) < simmux_unit_now(s->unit)) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"start: %llu ns lies before %llu ns, where the last take ended",
			(unsigned long long)at_ns, (unsigned long long)s->next_ns);
	}
	simmux_unit_reach(s->unit, to_unit_frames(s, frame));
	s->next_ns = frame * EVL_FRAME_NS;
	s->frames = 0;
	for (uint32_t i = 0; i < s->arm_count; i++) {
		started_ns[i] = s->next_ns;
	}
	s->state = STARTED;
	return EVL_ADAPTER_OK;
}

/* `frames` is a multiple of 8, so that a T1 has whole bytes. */
static uint32_t nominal_bytes(const struct simmux *s, uint32_t channel, uint32_t frames)
{
	return (uint32_t)((uint64_t)frames * s->ports->list[channel].frame_bits / 8);
}

/* Bytes played on a channel in the first `frames` frames of the take. */
static uint64_t played(const struct simmux *s, const struct evl_arm *a, uint64_t frames)
{
	const uint64_t nominal = frames * s->ports->list[a->channel].frame_bits / 8;

	return a->play ? evl_clock_bytes(nominal, a->clock_ppb) : 0;
}

static int check_slabs(const struct simmux *s, uint32_t frames, const struct evl_slab *slabs,
	uint32_t count, struct evl_adapter_error *err)
{
	if (s->state != STARTED) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE, "exchange: start first");
	}
	if (frames == 0 || frames % SIMMUX_CHUNK_FRAMES != 0 || frames > s->max_frames) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"exchange: %u frames; a multiple of %u up to %u was armed", frames,
			SIMMUX_CHUNK_FRAMES, s->max_frames);
	}
	if (count != s->arm_count) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"exchange: %u slabs for %u armed channels", count, s->arm_count);
	}
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &s->arms[i];
		uint64_t due = played(s, a, s->frames + frames) - played(s, a, s->frames);
		uint32_t room =
			a->capture ? evl_slab_room(nominal_bytes(s, a->channel, frames)) : 0;

		if (slabs[i].channel != a->channel || (slabs[i].tx != NULL) != a->play ||
			(slabs[i].rx != NULL) != a->capture || slabs[i].tx_bytes != due ||
			slabs[i].rx_bytes < room) {
			return simmux_fail(err, EVL_ADAPTER_E_STATE,
				"exchange: slab %u (channel %u) does not match what was armed", i,
				slabs[i].channel);
		}
	}
	return EVL_ADAPTER_OK;
}

/* Real time: an exchange ends when its last frame has gone over the line. */
static void pace(const struct simmux *s)
{
	const struct timespec until = {.tv_sec = (time_t)(s->next_ns / 1000000000u),
		.tv_nsec = (long)(s->next_ns % 1000000000u)};

	while (!s->virtual_time &&
		clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR) {
	}
}

/* One chunk of the exchange; s->taken[i] and s->given[i] are bytes of slab i so far. */
static int run_chunk(
	struct simmux *s, struct evl_slab *slabs, uint32_t count, struct evl_adapter_error *err)
{
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &s->arms[i];
		struct simmux_io *c = &s->io[a->channel];
		const uint32_t room = slabs[i].rx_bytes - s->given[i];

		if (a->play) {
			c->tx = slabs[i].tx + s->taken[i];
			c->tx_bytes = (uint32_t)(played(s, a, s->frames + SIMMUX_CHUNK_FRAMES) -
						 played(s, a, s->frames));
			s->taken[i] += c->tx_bytes;
		}
		if (a->capture) {
			bool fits = room >= simmux_unit_most(s->unit, a->channel);

			c->rx = fits ? slabs[i].rx + s->given[i] : s->spill[a->channel];
		}
	}
	simmux_unit_run(s->unit, s->io);
	for (uint32_t i = 0; i < count; i++) {
		const uint32_t c = s->arms[i].channel, n = s->io[c].rx_bytes;

		if (!s->arms[i].capture) {
			continue;
		}
		if (n > slabs[i].rx_bytes - s->given[i]) {
			return simmux_fail(err, EVL_ADAPTER_E_HARDWARE,
				"exchange: channel %u brought more than its slab holds; "
				"its clock is too far off",
				c);
		}
		if (s->io[c].rx != slabs[i].rx + s->given[i]) {
			memcpy(slabs[i].rx + s->given[i], s->io[c].rx, n);
		}
		s->given[i] += n;
	}
	s->frames += SIMMUX_CHUNK_FRAMES;
	return EVL_ADAPTER_OK;
}

static int mux_exchange(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
	struct evl_adapter_error *err)
{
	struct simmux *s = self;
	int rc = check_slabs(s, frames, slabs, count, err);

	memset(s->taken, 0, count * sizeof(s->taken[0]));
	memset(s->given, 0, count * sizeof(s->given[0]));
	memset(s->io, 0, s->ports->count * sizeof(s->io[0]));
	for (uint32_t f = 0; rc == EVL_ADAPTER_OK && f < frames; f += SIMMUX_CHUNK_FRAMES) {
		rc = run_chunk(s, slabs, count, err);
	}
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	for (uint32_t i = 0; i < count; i++) {
		slabs[i].rx_bytes = s->arms[i].capture ? s->given[i] : 0;
		slabs[i].flags = 0;
	}
	s->next_ns += (uint64_t)frames * EVL_FRAME_NS;
	pace(s);
	return EVL_ADAPTER_OK;
}

static int mux_poll(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
	struct evl_adapter_error *err)
{
	struct simmux *s = self;
	struct simmux_defects *defects = simmux_unit_defects(s->unit);
	const uint64_t now = simmux_unit_now(s->unit) * EVL_FRAME_NS;
	uint64_t lost = defects->lost;

	*count = 0;
	if (lost > 0) {
		defects->lost = 0;
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"poll: %llu defects were lost, as more than %u waited; poll more often",
			(unsigned long long)lost, SIMMUX_EVENTS);
	}
	while (*count < capacity && simmux_defects_take(defects, now, &out[*count])) {
		out[*count].at_ns = to_host_ns(s, out[*count].at_ns);
		(*count)++;
	}
	return EVL_ADAPTER_OK;
}

static const char *word_of(const struct evl_inject *what)
{
	static const char *const words[] = {[EVL_INJECT_ERRORS] = "errors",
		[EVL_INJECT_BURST] = "a burst",
		[EVL_INJECT_INVERT] = "inversion",
		[EVL_INJECT_BIT] = "a bit error",
		[EVL_INJECT_SLIP] = "a slip"};

	return what->kind == EVL_INJECT_ALARM ? evl_alarm_name((enum evl_alarm)what->alarm)
					      : words[what->kind];
}

static int mux_inject(void *self, const struct evl_inject *what, struct evl_adapter_error *err)
{
	struct simmux *s = self;
	struct simmux_injection in = {.kind = what->kind,
		.channel = what->channel,
		.alarm = what->alarm,
		.numerator = what->numerator,
		.denominator = what->denominator,
		.lasting_ns = what->duration_ns,
		.slip_bits = what->slip_bits,
		.path = what->path};
	const char *why;
	char name[EVL_NAME_MAX];
	int code;

	if (what->channel >= s->ports->count) {
		return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED, "inject: there is no channel %u",
			what->channel);
	}
	simmux_port_name(s->ports, what->channel, name);
	if (what->kind < EVL_INJECT_ALARM || what->kind > EVL_INJECT_SLIP ||
		(what->kind == EVL_INJECT_ALARM &&
			(what->alarm == EVL_ALARM_NONE || what->alarm >= EVL_ALARM_COUNT))) {
		return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"inject on %s: kind %u, alarm %u is not known here", name, what->kind,
			what->alarm);
	}
	/* A burst may have nothing but its two ends. */
	if ((what->kind == EVL_INJECT_ERRORS || what->kind == EVL_INJECT_BURST) &&
		((what->numerator == 0 && what->kind == EVL_INJECT_ERRORS) ||
			what->numerator > what->denominator || what->denominator == 0 ||
			what->denominator > (uint64_t)1 << 53)) {
		return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"inject on %s: the ratio %llu/%llu is not above 0 and "
			"at most 1, with "
			"a denominator up to 2^53",
			name, (unsigned long long)what->numerator,
			(unsigned long long)what->denominator);
	}
	if (what->at_ns < s->base_frames * EVL_FRAME_NS) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE,
			"inject on %s: would begin before the unit was switched on", name);
	}
	in.at_ns = to_unit_ns(s, what->at_ns);
	why = simmux_unit_inject(s->unit, &in, &code);
	if (why != NULL) {
		return simmux_fail(err, code, "inject on %s: %s %s", name, word_of(what), why);
	}
	return EVL_ADAPTER_OK;
}

static int mux_setup(
	void *self, const struct evl_setting *list, uint32_t count, struct evl_adapter_error *err)
{
	struct simmux *s = self;

	if (s->state != STOPPED) {
		return simmux_fail(err, EVL_ADAPTER_E_STATE, "setup: stop the present take first");
	}
	return simmux_unit_setup(s->unit, list, count, err);
}

static const void *mux_get_extension(const char *id)
{
	static const struct evl_setup_extension setup = {.version = 1, .apply = mux_setup};

	return strcmp(id, EVL_SETUP_EXTENSION) == 0 ? &setup : NULL;
}

static int mux_stop(void *self, struct evl_adapter_error *err)
{
	struct simmux *s = self;

	(void)err; /* succeeds when there is nothing to stop */
	simmux_unit_drop_injections(s->unit);
	for (uint32_t l = 0; l < s->ports->lines; l++) {
		simmux_unit_set_line_played(s->unit, l, false);
	}
	s->state = STOPPED;
	return EVL_ADAPTER_OK;
}

static void mux_close(void *self)
{
	struct simmux *s = self;

	if (s != NULL) {
		simmux_unit_destroy(s->unit);
		free(s);
	}
}

EVL_ADAPTER_EXPORT const struct evl_adapter evl_adapter = {
	.abi_major = EVL_ABI_MAJOR,
	.abi_minor = EVL_ABI_MINOR,
	.name = "simmux",
	.version = EVL_VERSION,
	.description = "software SDH multiplexer, by default with 63 E1 on an STM-1 (simulated)",
	.capabilities = EVL_CAP_VIRTUAL_TIME | EVL_CAP_SIMULATED,
	.open = mux_open,
	.channels = mux_channels,
	.arm = mux_arm,
	.start = mux_start,
	.exchange = mux_exchange,
	.poll = mux_poll,
	.inject = mux_inject,
	.stop = mux_stop,
	.close = mux_close,
	.get_extension = mux_get_extension,
};
