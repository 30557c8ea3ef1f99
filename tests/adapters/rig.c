/* SPDX-License-Identifier: Apache-2.0 */
#include "tests/adapters/rig.h"

#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/signal/bits.h"
#include "core/signal/prbs.h"

#define OPTIONS_MAX 64

static void must(struct rig *rig, int rc, const char *what)
{
	if (rc != EVL_ADAPTER_OK) {
		fprintf(stderr, "rig: %s: %d: %s\n", what, rc, rig->err.text);
		exit(1);
	}
}

int rig_try(struct rig *rig, const char *build, uint64_t seed, const char *const *options)
{
	struct evl_adapter_option list[OPTIONS_MAX];
	char *copies[OPTIONS_MAX];
	struct evl_open_args args = {
		.version = 1, .options = list, .build = build, .seed = seed, .virtual_time = true};
	const char *root = getenv("EVL_BUILD_ROOT");
	char path[1024];
	int rc;

	memset(rig, 0, sizeof(*rig));
	rig->err.version = 1;
	snprintf(path, sizeof(path), "%s/adapters/simmux/simmux.so", root != NULL ? root : ".");
	rig->library = dlopen(path, RTLD_NOW | RTLD_LOCAL);
	if (rig->library == NULL) {
		fprintf(stderr, "rig: %s\n", dlerror());
		exit(1);
	}
	rig->adapter = dlsym(rig->library, "evl_adapter");
	evl_require(rig->adapter != NULL);
	for (uint32_t i = 0; options != NULL && options[i] != NULL; i++) {
		char *equals;

		evl_require(i < OPTIONS_MAX);
		copies[i] = evl_xstrdup(options[i]);
		equals = strchr(copies[i], '=');
		evl_require(equals != NULL);
		*equals = '\0';
		list[i] = (struct evl_adapter_option){copies[i], equals + 1, i + 1};
		args.option_count++;
	}
	rc = rig->adapter->open(&rig->self, &args, &rig->err);
	for (uint32_t i = 0; i < args.option_count; i++) {
		free(copies[i]);
	}
	return rc;
}

void rig_open(struct rig *rig, const char *build, uint64_t seed, const char *const *options)
{
	must(rig, rig_try(rig, build, seed, options), "open");
	must(rig, rig->adapter->channels(rig->self, rig->info, RIG_MOST, &rig->count, &rig->err),
		"channels");
	evl_require(rig->count <= RIG_MOST);
}

uint32_t rig_channel(const struct rig *rig, const char *name)
{
	for (uint32_t c = 0; c < rig->count; c++) {
		if (strcmp(rig->info[c].name, name) == 0) {
			return c;
		}
	}
	fprintf(stderr, "rig: no channel %s\n", name);
	exit(1);
}

uint32_t rig_frame_bits(const struct rig *rig, uint32_t channel)
{
	static const uint32_t bits[] = {[EVL_ABI_RATE_E1] = 256,
		[EVL_ABI_RATE_T1] = 193,
		[EVL_ABI_RATE_STM1] = 8 * 2430,
		[EVL_ABI_RATE_STM4] = 8 * 9720,
		[EVL_ABI_RATE_VC3] = 8 * 756,
		[EVL_ABI_RATE_VC4] = 8 * 2340,
		[EVL_ABI_RATE_VC4_4C] = 8 * 9360};

	return bits[rig->info[channel].rate];
}

static bool is_line(const struct rig *rig, uint32_t c)
{
	return rig->info[c].rate == EVL_ABI_RATE_STM1 || rig->info[c].rate == EVL_ABI_RATE_STM4;
}

void rig_setup(struct rig *rig, const struct evl_setting *list, uint32_t count)
{
	const struct evl_setup_extension *setup = rig->adapter->get_extension(EVL_SETUP_EXTENSION);

	evl_require(setup != NULL && setup->version == 1);
	must(rig, setup->apply(rig->self, list, count, &rig->err), "setup");
}

static void forget(struct rig *rig)
{
	for (uint32_t c = 0; c < RIG_MOST; c++) {
		free(rig->in[c]);
		free(rig->out[c]);
		rig->in[c] = rig->out[c] = NULL;
	}
	rig->event_count = 0;
}

void rig_close(struct rig *rig)
{
	forget(rig);
	rig->adapter->close(rig->self);
	dlclose(rig->library);
}

void rig_pattern(uint8_t *out, uint32_t bytes, uint32_t tributary)
{
	struct evl_prbs p;

	evl_prbs_init(&p, EVL_PRBS23, (uint64_t)tributary * 130000u + 17u);
	evl_prbs_fill(&p, out, bytes);
}

static void poll_all(struct rig *rig)
{
	uint32_t n;

	must(rig,
		rig->adapter->poll(rig->self, rig->events + rig->event_count,
			RIG_EVENTS - rig->event_count, &n, &rig->err),
		"poll");
	rig->event_count += n;
	evl_require(rig->event_count < RIG_EVENTS);
}

void rig_take(struct rig *rig, uint64_t at_ns, uint32_t frames, uint32_t slab,
	const struct evl_inject *inject)
{
	struct evl_arm *arms = evl_xcalloc(rig->count, sizeof(*arms));
	struct evl_slab *slabs = evl_xcalloc(rig->count, sizeof(*slabs));
	uint64_t *started = evl_xcalloc(rig->count, sizeof(*started));
	uint32_t count = 0, first_line = UINT32_MAX;

	forget(rig);
	rig->frames = frames;
	for (uint32_t c = 0; c < rig->count; c++) {
		/* Room for 300 ppm and the slack of a last slab. */
		uint32_t bytes = evl_slab_room(rig_frame_bits(rig, c) / 8 * frames + frames) + 64;
		bool line = is_line(rig, c);
		bool play, capture = line || !rig->only_line;

		first_line = line && first_line == UINT32_MAX ? c : first_line;
		play = line ? c == first_line && rig->line_source != NULL : !rig->idle;
		rig->out_bytes[c] = 0;
		if (!play && !capture) {
			continue;
		}
		arms[count++] = (struct evl_arm){
			1, c, play, capture, !line && play ? rig->clock_ppb[c] : 0};
		if (!line && play) {
			rig->in[c] = evl_xmalloc(bytes);
			rig_pattern(rig->in[c], bytes, c);
			if (rig->shape != NULL) {
				rig->shape(rig->in[c], frames, c);
			}
		}
		if (capture) {
			rig->out[c] = evl_xcalloc(bytes, 1);
		}
	}
	must(rig, rig->adapter->arm(rig->self, arms, count, slab, &rig->err), "arm");
	must(rig, rig->adapter->start(rig->self, at_ns, started, &rig->err), "start");
	rig->started_ns = started[0];
	for (uint32_t i = 0; i < count; i++) {
		evl_require(started[i] == started[0]);
	}
	if (inject != NULL) {
		must(rig, rig->adapter->inject(rig->self, inject, &rig->err), "inject");
	}
	for (uint32_t f = 0; f < frames; f += slab) {
		uint32_t now = frames - f < slab ? frames - f : slab;

		for (uint32_t i = 0; i < count; i++) {
			uint32_t c = arms[i].channel;
			uint64_t bits = rig_frame_bits(rig, c);
			const uint8_t *source = is_line(rig, c) ? rig->line_source : rig->in[c];
			uint64_t from = evl_clock_bytes(f * bits / 8, arms[i].clock_ppb);
			uint64_t to = evl_clock_bytes((f + now) * bits / 8, arms[i].clock_ppb);

			slabs[i] = (struct evl_slab){.version = 1, .channel = c};
			slabs[i].tx_bytes = arms[i].play ? (uint32_t)(to - from) : 0;
			slabs[i].tx = arms[i].play ? source + from : NULL;
			slabs[i].rx_bytes =
				arms[i].capture ? evl_slab_room((uint32_t)(now * bits / 8)) : 0;
			slabs[i].rx = arms[i].capture ? rig->out[c] + rig->out_bytes[c] : NULL;
		}
		must(rig, rig->adapter->exchange(rig->self, now, slabs, count, &rig->err),
			"exchange");
		for (uint32_t i = 0; i < count; i++) {
			rig->out_bytes[arms[i].channel] += slabs[i].rx_bytes;
		}
		poll_all(rig);
	}
	must(rig, rig->adapter->stop(rig->self, &rig->err), "stop");
	free(arms);
	free(slabs);
	free(started);
}

const struct evl_event *rig_event(
	const struct rig *rig, uint32_t channel, uint32_t alarm, bool raised)
{
	for (uint32_t i = 0; i < rig->event_count; i++) {
		const struct evl_event *e = &rig->events[i];

		if (e->channel == channel && e->alarm == alarm && e->raised == raised) {
			return e;
		}
	}
	return NULL;
}

bool rig_arrives(const struct rig *rig, uint32_t channel, uint32_t tributary, uint32_t delay,
	uint32_t from, uint32_t *wrong)
{
	uint32_t bits = (uint32_t)rig->out_bytes[channel] * 8;

	*wrong = 0;
	for (uint32_t b = from > delay ? from : delay; b < bits; b++) {
		*wrong += evl_bits_get(rig->out[channel], b) !=
			  evl_bits_get(rig->in[tributary], b - delay);
	}
	return *wrong == 0;
}

bool rig_is_ais(const struct rig *r, uint32_t channel, uint64_t from_ns, uint64_t to_ns)
{
	const uint64_t bits = rig_frame_bits(r, channel);

	for (uint64_t b = from_ns * bits / 125000; b < to_ns * bits / 125000; b++) {
		if (!evl_bits_get(r->out[channel], b)) {
			return false;
		}
	}
	return true;
}
