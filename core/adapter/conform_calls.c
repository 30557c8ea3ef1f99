/* SPDX-License-Identifier: Apache-2.0 */
/* Checked calls and takes of the conformance kit. */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/adapter/conform_kit.h"
#include "core/adapter/internal.h"
#include "core/base/rate.h"

#define SECOND_NS  1000000000u
#define GUARD      16u /* bytes behind the room of rx */
#define GUARD_BYTE 0xA5

void kit_begin(struct conform_kit *k, const char *name, const char *rule)
{
	struct evl_conform_report *r = k->report;
	r->items = evl_xrealloc(r->items, (r->count + 1) * sizeof *r->items);
	r->items[r->count] = (struct evl_conform_item){.name = name, .rule = rule};
	k->current = r->count++;
}

bool kit_fail(struct conform_kit *k, const char *fmt, ...)
{
	struct evl_conform_item *item = &k->report->items[k->current];
	if (item->result != EVL_CONFORM_FAIL) {
		item->result = EVL_CONFORM_FAIL;
		va_list ap;
		va_start(ap, fmt);
		vsnprintf(item->text, sizeof item->text, fmt, ap);
		va_end(ap);
	}
	return false;
}

void kit_skip(struct conform_kit *k, const char *why)
{
	struct evl_conform_item *item = &k->report->items[k->current];
	item->result = EVL_CONFORM_SKIP;
	snprintf(item->text, sizeof item->text, "%s", why);
}

bool kit_passes(const struct conform_kit *k)
{
	return k->report->items[k->current].result == EVL_CONFORM_PASS;
}

static uint64_t clock_ns(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * SECOND_NS + (uint64_t)t.tv_nsec;
}

/* Looks at what a call returned, whatever the item is about. */
static int look(struct conform_kit *k, const char *call, int code,
	const struct evl_adapter_error *said, uint64_t begun_ns, uint64_t limit_ns)
{
	uint64_t took = clock_ns() - begun_ns;
	if (took > limit_ns && k->late_problem[0] == '\0') {
		snprintf(k->late_problem, sizeof k->late_problem,
			"%s took %" PRIu64 " ms, its limit is %" PRIu64 " ms", call, took / 1000000,
			limit_ns / 1000000);
	}
	evl_adapter_text(k->said, sizeof k->said, said->text, sizeof said->text);
	if (code != EVL_ADAPTER_OK && evl_adapter_code_name(code) == NULL &&
		k->text_problem[0] == '\0') {
		snprintf(k->text_problem, sizeof k->text_problem,
			"%s returned %d, which is no code of the ABI", call, code);
	}
	const char *problem = NULL;
	if (memchr(said->text, '\0', sizeof said->text) == NULL) {
		problem = "has no end";
	} else if (code != EVL_ADAPTER_OK && said->text[0] == '\0') {
		problem = "is empty though the call failed";
	} else if (strcmp(k->said, said->text) != 0) {
		problem = "is not one line of UTF-8";
	}
	if (problem && k->text_problem[0] == '\0') {
		snprintf(k->text_problem, sizeof k->text_problem, "the error text of %s %s", call,
			problem);
	}
	return code;
}

int kit_open(struct conform_kit *k, void **self, bool virtual_time, uint64_t seed, bool extra)
{
	size_t n = k->args->option_count;
	struct evl_adapter_option *options = evl_xcalloc(n + 1, sizeof *options);
	for (size_t i = 0; i < n; i++) {
		options[i] = (struct evl_adapter_option){.path = k->args->options[i].path,
			.value = k->args->options[i].value,
			.line = k->args->options[i].line};
	}
	options[n] = (struct evl_adapter_option){.path = CONFORM_OPTION, .value = "1", .line = 1};
	struct evl_open_args args = {.version = 1,
		.options = options,
		.option_count = (uint32_t)(n + extra),
		.build = k->args->build ? k->args->build : "",
		.seed = seed,
		.virtual_time = virtual_time};
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	*self = NULL;
	int code =
		look(k, "open", k->adapter->open(self, &args, &said), &said, t, 5ull * SECOND_NS);
	free(options);
	return code;
}

int kit_channels(struct conform_kit *k, void *self, struct evl_channel_info *out, uint32_t capacity,
	uint32_t *count)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->channels(self, out, capacity, count, &said);
	return look(k, "channels", code, &said, t, 5ull * SECOND_NS);
}

int kit_arm(struct conform_kit *k, void *self, const struct evl_arm *arms, uint32_t count,
	uint32_t max_frames)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->arm(self, arms, count, max_frames, &said);
	return look(k, "arm", code, &said, t, SECOND_NS);
}

int kit_start(struct conform_kit *k, void *self, uint64_t at_ns, uint64_t *started_ns)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->start(self, at_ns, started_ns, &said);
	return look(k, "start", code, &said, t, SECOND_NS);
}

int kit_exchange(
	struct conform_kit *k, void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->exchange(self, frames, slabs, count, &said);
	return look(
		k, "exchange", code, &said, t, (uint64_t)frames * EVL_FRAME_NS + SECOND_NS / 10);
}

int kit_poll(struct conform_kit *k, void *self, struct evl_event *out, uint32_t capacity,
	uint32_t *count)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->poll(self, out, capacity, count, &said);
	return look(k, "poll", code, &said, t, 5ull * SECOND_NS);
}

int kit_inject(struct conform_kit *k, void *self, const struct evl_inject *what)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	int code = k->adapter->inject(self, what, &said);
	return look(k, "inject", code, &said, t, 5ull * SECOND_NS);
}

int kit_stop(struct conform_kit *k, void *self)
{
	struct evl_adapter_error said = {.version = 1};
	uint64_t t = clock_ns();
	return look(k, "stop", k->adapter->stop(self, &said), &said, t, SECOND_NS);
}

bool kit_wants_good(struct conform_kit *k, int code, const char *call)
{
	if (code == EVL_ADAPTER_OK) {
		return true;
	}
	return kit_fail(k, "%s failed with %d: %.300s", call, code, k->said);
}

bool kit_wants_refused(struct conform_kit *k, int code, int wanted, const char *call)
{
	if (code == EVL_ADAPTER_OK) {
		return kit_fail(k, "%s was taken", call);
	}
	if (wanted != EVL_ADAPTER_OK && code != wanted) {
		return kit_fail(k, "%s was refused with code %d, it must be %d: %.300s", call, code,
			wanted, k->said);
	}
	return true;
}

/* What the kit plays on a channel from byte `offset` on: the same whatever the size of slabs. The
 * mixing steps are those of splitmix64 (public domain, S. Vigna). */
static void play(uint8_t *out, size_t bytes, uint32_t channel, uint64_t offset)
{
	for (size_t i = 0; i < bytes;) {
		uint64_t z = ((uint64_t)channel << 40) + (offset + i) / 8 * 0x9E3779B97F4A7C15u;
		z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
		z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
		z ^= z >> 31;
		for (unsigned k = (offset + i) % 8; k < 8 && i < bytes; k++, i++) {
			out[i] = (uint8_t)(z >> (k * 8));
		}
	}
}

static size_t slab_room(enum evl_rate rate, uint32_t frames)
{
	return evl_slab_room((uint32_t)evl_rate_bytes(rate, frames));
}

/* Nominal bytes of a channel; `frames` is a multiple of 8. */
static uint64_t nominal(const struct conform_kit *k, uint32_t channel, uint64_t frames)
{
	return frames / 8 * evl_rate_bytes((enum evl_rate)k->channels[channel].rate, 8);
}

void take_init(struct conform_take *t, const struct conform_kit *k, void *self, uint32_t max_frames)
{
	uint32_t n = k->channel_count;
	*t = (struct conform_take){.self = self, .max_frames = max_frames};
	t->arms = evl_xcalloc(n, sizeof *t->arms);
	t->slabs = evl_xcalloc(n, sizeof *t->slabs);
	t->tx = evl_xcalloc(n, sizeof *t->tx);
	t->rx = evl_xcalloc(n, sizeof *t->rx);
	t->started_ns = evl_xcalloc(n, sizeof *t->started_ns);
	t->digests = evl_xcalloc(n, sizeof *t->digests);
	t->played = evl_xcalloc(n, sizeof *t->played);
	t->captured = evl_xcalloc(n, sizeof *t->captured);
	t->sent = evl_xcalloc(1, slab_room(EVL_RATE_STM4, max_frames)); /* the largest */
	for (uint32_t c = 0; c < n; c++) {
		struct evl_arm *a = &t->arms[t->count];
		*a = (struct evl_arm){.version = 1,
			.channel = c,
			.play = (k->channels[c].abilities & EVL_CH_PLAY) != 0,
			.capture = (k->channels[c].abilities & EVL_CH_CAPTURE) != 0};
		if (!a->play && !a->capture) {
			continue;
		}
		size_t room = slab_room((enum evl_rate)k->channels[c].rate, max_frames);
		t->tx[t->count] = a->play ? evl_xcalloc(1, room) : NULL;
		t->rx[t->count] = a->capture ? evl_xcalloc(1, room + GUARD) : NULL;
		t->digests[t->count] = a->capture ? evl_sha256_create() : NULL;
		t->count++;
	}
}

void take_finish(struct conform_take *t)
{
	for (uint32_t i = 0; i < t->count; i++) {
		free(t->tx[i]);
		free(t->rx[i]);
		evl_sha256_destroy(t->digests[i]);
	}
	free(t->arms);
	free(t->slabs);
	free(t->tx);
	free(t->rx);
	free(t->started_ns);
	free(t->digests);
	free(t->played);
	free(t->captured);
	free(t->sent);
	*t = (struct conform_take){0};
}

bool take_begin(struct conform_kit *k, struct conform_take *t, uint64_t at_ns)
{
	if (!kit_wants_good(k, kit_arm(k, t->self, t->arms, t->count, t->max_frames), "arm")) {
		return false;
	}
	t->at_ns = k->virtual_time ? at_ns : clock_ns() + 2000000;
	t->frames = 0;
	memset(t->played, 0, t->count * sizeof *t->played);
	memset(t->captured, 0, t->count * sizeof *t->captured);
	memset(t->started_ns, 0xFF, t->count * sizeof *t->started_ns);
	if (!kit_wants_good(k, kit_start(k, t->self, t->at_ns, t->started_ns), "start")) {
		return false;
	}
	for (uint32_t i = 0; i < t->count; i++) {
		uint64_t s = t->started_ns[i];
		uint64_t off = s > t->at_ns ? s - t->at_ns : t->at_ns - s;
		if (s == UINT64_MAX || off > SECOND_NS) {
			return kit_fail(k,
				"start: channel %s began at %" PRIu64 " ns, asked for %" PRIu64,
				k->channels[t->arms[i].channel].name, s, t->at_ns);
		}
	}
	return true;
}

/* Bytes that the i-th channel plays in the next exchange. */
static uint32_t due(
	const struct conform_kit *k, const struct conform_take *t, uint32_t i, uint32_t frames)
{
	const struct evl_arm *a = &t->arms[i];
	uint64_t to = nominal(k, a->channel, t->frames + frames);
	return a->play ? (uint32_t)(evl_clock_bytes(to, a->clock_ppb) - t->played[i]) : 0;
}

uint32_t take_set_clock(struct conform_take *t, const struct conform_kit *k, int32_t ppb)
{
	uint32_t n = 0;
	for (uint32_t i = 0; i < t->count; i++) {
		struct evl_arm *a = &t->arms[i];
		bool takes = (k->channels[a->channel].abilities & EVL_CH_CLOCK) != 0;
		a->clock_ppb = takes ? ppb : 0;
		n += takes;
	}
	return n;
}

void take_fill(const struct conform_kit *k, struct conform_take *t, uint32_t frames)
{
	for (uint32_t i = 0; i < t->count; i++) {
		uint32_t c = t->arms[i].channel;
		size_t room = slab_room((enum evl_rate)k->channels[c].rate, frames);
		t->slabs[i] = (struct evl_slab){.version = 1,
			.channel = c,
			.tx_bytes = due(k, t, i, frames),
			.rx_bytes = t->rx[i] ? (uint32_t)room : 0,
			.tx = t->tx[i],
			.rx = t->rx[i]};
		if (t->tx[i]) {
			play(t->tx[i], t->slabs[i].tx_bytes, c, t->played[i]);
		}
	}
}

static bool slab_good(
	struct conform_kit *k, const struct conform_take *t, uint32_t i, uint32_t frames)
{
	const struct evl_slab *s = &t->slabs[i];
	const struct evl_arm *a = &t->arms[i];
	const char *name = k->channels[a->channel].name;
	uint32_t room = (uint32_t)slab_room((enum evl_rate)k->channels[a->channel].rate, frames);
	uint32_t bytes = due(k, t, i, frames);
	if (s->version != 1 || s->channel != a->channel || s->tx_bytes != bytes ||
		s->tx != t->tx[i] || s->rx != t->rx[i]) {
		return kit_fail(k, "exchange changed the slab of channel %s", name);
	}
	if (s->rx_bytes > (a->capture ? room : 0)) {
		return kit_fail(k, "exchange captured %u bytes on channel %s where %u have room",
			(unsigned)s->rx_bytes, name, (unsigned)(a->capture ? room : 0));
	}
	for (uint32_t g = 0; a->capture && g < GUARD; g++) {
		if (t->rx[i][room + g] != GUARD_BYTE) {
			return kit_fail(k, "exchange wrote behind the room of channel %s", name);
		}
	}
	uint64_t all = nominal(k, a->channel, t->frames + frames);
	uint64_t got = t->captured[i] + s->rx_bytes;
	if (a->capture &&
		(got > evl_clock_bytes(all, EVL_CLOCK_PPB_MAX) + EVL_SLAB_SLACK ||
			got + EVL_SLAB_SLACK < evl_clock_bytes(all, -EVL_CLOCK_PPB_MAX))) {
		return kit_fail(k,
			"channel %s brought %" PRIu64 " bytes in %" PRIu64
			" frames, nominal are %" PRIu64 "; its clock is further off than "
			"the ABI allows",
			name, got, t->frames + frames, all);
	}
	if (s->flags & ~(uint32_t)(EVL_SLAB_GAP | EVL_SLAB_OVERRUN)) {
		return kit_fail(k, "exchange set unknown flags 0x%X on channel %s",
			(unsigned)s->flags, name);
	}
	if (a->play) {
		play(t->sent, bytes, a->channel, t->played[i]);
		if (memcmp(t->tx[i], t->sent, bytes) != 0) {
			return kit_fail(k, "exchange wrote into tx of channel %s", name);
		}
	}
	return true;
}

bool take_step(struct conform_kit *k, struct conform_take *t, uint32_t frames, uint8_t prefill)
{
	take_fill(k, t, frames);
	for (uint32_t i = 0; i < t->count; i++) {
		if (t->rx[i]) {
			memset(t->rx[i], prefill, t->slabs[i].rx_bytes);
			memset(t->rx[i] + t->slabs[i].rx_bytes, GUARD_BYTE, GUARD);
		}
	}
	if (!kit_wants_good(k, kit_exchange(k, t->self, frames, t->slabs, t->count), "exchange")) {
		return false;
	}
	for (uint32_t i = 0; i < t->count; i++) {
		if (!slab_good(k, t, i, frames)) {
			return false;
		}
		if (t->rx[i]) {
			evl_sha256_update(t->digests[i], t->rx[i], t->slabs[i].rx_bytes);
		}
		t->played[i] += t->slabs[i].tx_bytes;
		t->captured[i] += t->slabs[i].rx_bytes;
	}
	t->frames += frames;
	return true;
}

bool take_same(struct conform_kit *k, const struct conform_take *a, const struct conform_take *b,
	const char *what)
{
	for (uint32_t i = 0; i < a->count; i++) {
		if (a->digests[i] == NULL) {
			continue;
		}
		uint8_t x[EVL_SHA256_BYTES], y[EVL_SHA256_BYTES];
		evl_sha256_peek(a->digests[i], x);
		evl_sha256_peek(b->digests[i], y);
		if (a->captured[i] != b->captured[i]) {
			return kit_fail(k,
				"%s: channel %s captured %" PRIu64 " bytes, before %" PRIu64, what,
				k->channels[a->arms[i].channel].name, b->captured[i],
				a->captured[i]);
		}
		if (memcmp(x, y, sizeof x) != 0) {
			return kit_fail(k, "%s: channel %s captured other bits", what,
				k->channels[a->arms[i].channel].name);
		}
	}
	return true;
}
