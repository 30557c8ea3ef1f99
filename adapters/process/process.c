/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The adapter "process": an adapter that lives in a child process, over the pipe protocol of
 * docs/process.md. A child that crashes, hangs or talks nonsense costs one case: it is killed, and
 * the next arm starts another one. See README.md for options and what the isolation costs.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "adapters/process/child.h"
#include "adapters/process/options.h"
#include "core/adapter/adapter.h"
#include "core/base/rate.h"

#define MS          1000000u
#define END_WAIT_MS 1000u       /* for a child to end by itself after close */
#define BYTES_MAX   0xF0000000u /* of the bits of one message */

enum state { STOPPED, ARMED, STARTED, FAILED };

struct process {
	struct child child;
	struct process_options options;
	uint64_t seed;
	bool virtual_time;
	struct wire_hello hello;
	struct evl_channel_info *channels;
	uint32_t channel_count;
	struct evl_setting *settings; /* as last set, for a new child */
	uint32_t setting_count;
	enum state state;
	struct evl_arm *arms; /* channel_count of them */
	uint32_t arm_count, max_frames;
	struct wire_buffer request, reply, table;
	struct iovec *vectors; /* channel_count + 1 of them */
};

/* Asks with the request made so far. */
static int ask(struct process *p, uint32_t limit_ms, struct evl_adapter_error *err)
{
	wire_end(&p->request);
	return child_call(&p->child, &p->request, limit_ms, WIRE_BODY_MAX, &p->reply, err);
}

static void begin(struct process *p, enum wire_call call)
{
	wire_begin(&p->request, call, child_next(&p->child));
}

/* A reply that must have no body. */
static int wants_nothing(
	struct process *p, enum wire_call call, int rc, struct evl_adapter_error *err)
{
	return rc == EVL_ADAPTER_OK && p->reply.len > 0
		       ? child_broken(&p->child, call, err, "sent %zu bytes where none are due",
				 p->reply.len)
		       : rc;
}

static int bad_body(struct process *p, enum wire_call call, struct evl_adapter_error *err)
{
	return child_broken(&p->child, call, err, "sent a reply that is not as the protocol says");
}

static int start_child(struct process *p, struct evl_adapter_error *err)
{
	int rc = child_start(&p->child, p->options.command, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	begin(p, WIRE_HELLO);
	wire_put_hello(&p->request);
	rc = ask(p, p->options.limits.open_ms, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	struct wire_reader r = wire_read(p->reply.data, p->reply.len);
	if (!wire_get_hello_reply(&r, &p->hello)) {
		return child_broken(&p->child, WIRE_HELLO, err,
			"does not speak the pipe protocol; it must read and write it on standard "
			"input and output");
	}
	const struct wire_hello *h = &p->hello;
	if (h->major != WIRE_MAJOR || h->minor > WIRE_MINOR) {
		return child_broken(&p->child, WIRE_HELLO, err,
			"speaks version %u.%u of the pipe protocol, this program %u.%u",
			(unsigned)h->major, (unsigned)h->minor, WIRE_MAJOR, WIRE_MINOR);
	}
	if (h->abi_major != EVL_ABI_MAJOR || h->abi_minor > EVL_ABI_MINOR) {
		return child_broken(&p->child, WIRE_HELLO, err,
			"keeps version %u.%u of the driver ABI, this program %u.%u",
			(unsigned)h->abi_major, (unsigned)h->abi_minor, EVL_ABI_MAJOR,
			EVL_ABI_MINOR);
	}
	return EVL_ADAPTER_OK;
}

static int open_child(struct process *p, struct evl_adapter_error *err)
{
	if (p->virtual_time && !(p->hello.capabilities & EVL_CAP_VIRTUAL_TIME)) {
		return process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"the adapter %s in the child runs in real time only", p->hello.name);
	}
	const struct evl_open_args args = {.version = 1,
		.options = p->options.handed,
		.option_count = p->options.handed_count,
		.build = p->options.build,
		.seed = p->seed,
		.virtual_time = p->virtual_time};
	begin(p, WIRE_OPEN);
	wire_put_open(&p->request, &args);
	int rc = ask(p, p->options.limits.open_ms, err);
	if (rc == EVL_ADAPTER_E_OPTION) {
		process_options_reword(&p->options, err);
	}
	return wants_nothing(p, WIRE_OPEN, rc, err);
}

/* The list of the child, in memory of its own. */
static int read_channels(struct process *p, struct evl_channel_info **list, uint32_t *count,
	struct evl_adapter_error *err)
{
	*list = NULL;
	begin(p, WIRE_CHANNELS);
	int rc = ask(p, p->options.limits.open_ms, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	*list = calloc(WIRE_CHANNELS_MAX, sizeof **list);
	if (*list == NULL) {
		return process_fail(err, EVL_ADAPTER_E_NOMEM, "no memory for the channel list");
	}
	struct wire_reader r = wire_read(p->reply.data, p->reply.len);
	if (!wire_get_channels(&r, *list, WIRE_CHANNELS_MAX, count) || *count == 0) {
		return child_broken(&p->child, WIRE_CHANNELS, err,
			"sent a channel list that is not as the protocol says; 1 to %u are "
			"possible",
			WIRE_CHANNELS_MAX);
	}
	return EVL_ADAPTER_OK;
}

static int apply(struct process *p, const struct evl_setting *list, uint32_t count,
	struct evl_adapter_error *err)
{
	if (!(p->hello.offers & WIRE_OFFERS_SETUP)) {
		return count == 0 ? EVL_ADAPTER_OK
				  : process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
					    "the adapter %s in the child has no settings",
					    p->hello.name);
	}
	begin(p, WIRE_SETUP);
	wire_put_settings(&p->request, list, count);
	return wants_nothing(p, WIRE_SETUP, ask(p, p->options.limits.call_ms, err), err);
}

/* A new child in the place of one that is gone: the same options, the same settings. */
static int revive(struct process *p, struct evl_adapter_error *err)
{
	struct evl_channel_info *list = NULL;
	uint32_t count = 0;
	if (child_is_there(&p->child)) {
		return EVL_ADAPTER_OK;
	}
	int rc = start_child(p, err);
	if (rc == EVL_ADAPTER_OK) {
		rc = open_child(p, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = read_channels(p, &list, &count, err);
	}
	if (rc == EVL_ADAPTER_OK && (count != p->channel_count ||
					    memcmp(list, p->channels, count * sizeof *list) != 0)) {
		rc = child_broken(&p->child, WIRE_CHANNELS, err,
			"has other channels after it was started again");
	}
	if (rc == EVL_ADAPTER_OK && p->setting_count > 0) {
		rc = apply(p, p->settings, p->setting_count, err);
	}
	free(list);
	if (rc != EVL_ADAPTER_OK) {
		child_end(&p->child, 0);
	}
	return rc;
}

static void process_close(void *self)
{
	struct process *p = self;
	if (p == NULL) {
		return;
	}
	if (child_is_there(&p->child) && p->channels != NULL) {
		struct evl_adapter_error ignored = {.version = 1};
		begin(p, WIRE_CLOSE);
		(void)ask(p, p->options.limits.call_ms, &ignored);
	}
	child_end(&p->child, END_WAIT_MS);
	process_options_finish(&p->options);
	wire_finish(&p->request);
	wire_finish(&p->reply);
	wire_finish(&p->table);
	free(p->channels);
	free(p->settings);
	free(p->arms);
	free(p->vectors);
	free(p);
}

/* Up to and with hello. */
static int create(
	struct process **out, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct process *p = calloc(1, sizeof *p);
	*out = p;
	if (p == NULL) {
		return process_fail(err, EVL_ADAPTER_E_NOMEM, "no memory for the instance");
	}
	p->seed = args->seed;
	p->virtual_time = args->virtual_time;
	int rc = process_options_read(&p->options, args, err);
	return rc == EVL_ADAPTER_OK ? start_child(p, err) : rc;
}

static int process_open(
	void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct process *p;
	*self = NULL;
	int rc = create(&p, args, err);
	if (rc == EVL_ADAPTER_OK) {
		rc = open_child(p, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = read_channels(p, &p->channels, &p->channel_count, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		p->arms = calloc(p->channel_count, sizeof *p->arms);
		p->vectors = calloc(p->channel_count + 1u, sizeof *p->vectors);
		if (p->arms == NULL || p->vectors == NULL) {
			rc = process_fail(err, EVL_ADAPTER_E_NOMEM, "no memory for the channels");
		}
	}
	if (rc != EVL_ADAPTER_OK) {
		process_close(p);
		return rc;
	}
	*self = p;
	return EVL_ADAPTER_OK;
}

static int process_channels(void *self, struct evl_channel_info *out, uint32_t capacity,
	uint32_t *count, struct evl_adapter_error *err)
{
	const struct process *p = self;
	(void)err;
	*count = p->channel_count;
	uint32_t n = capacity < p->channel_count ? capacity : p->channel_count;
	if (n > 0) {
		memcpy(out, p->channels, n * sizeof *out);
	}
	return EVL_ADAPTER_OK;
}

/* Bytes of one armed channel in `frames` frames by its rate. */
static uint64_t nominal(const struct process *p, uint32_t channel, uint32_t frames)
{
	return evl_rate_bytes((enum evl_rate)p->channels[channel].rate, frames);
}

static int process_arm(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
	struct evl_adapter_error *err)
{
	struct process *p = self;
	uint64_t bytes = 0;
	if (p->state != STOPPED) {
		return process_fail(err, EVL_ADAPTER_E_STATE, "arm: stop the present take first");
	}
	if (count > p->channel_count || max_frames == 0 || max_frames % EVL_SLAB_FRAMES_MIN != 0 ||
		max_frames > WIRE_FRAMES_MAX) {
		return process_fail(err, EVL_ADAPTER_E_STATE,
			"arm: %u channels, slabs of %u frames; at most %u channels and a multiple "
			"of %u frames up to %u are possible",
			count, max_frames, p->channel_count, EVL_SLAB_FRAMES_MIN, WIRE_FRAMES_MAX);
	}
	for (uint32_t i = 0; i < count; i++) {
		if (arms[i].channel >= p->channel_count) {
			return process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"arm: there is no channel %u", arms[i].channel);
		}
		bytes += evl_slab_room((uint32_t)nominal(p, arms[i].channel, max_frames));
	}
	if (bytes > BYTES_MAX) {
		return process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"arm: slabs of %u frames on these channels are more than a message holds",
			max_frames);
	}
	int rc = revive(p, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	/* All memory of the stream. */
	if (!wire_reserve(&p->request, WIRE_HEADER_BYTES + WIRE_SLABS_BYTES(count)) ||
		!wire_reserve(&p->table, WIRE_SLABS_REPLY_BYTES(count)) ||
		!wire_reserve(&p->reply, WIRE_EVENTS_BYTES(WIRE_EVENTS_MAX) + 1)) {
		return process_fail(err, EVL_ADAPTER_E_NOMEM, "arm: no memory for the messages");
	}
	begin(p, WIRE_ARM);
	wire_put_arm(&p->request, arms, count, max_frames);
	rc = wants_nothing(p, WIRE_ARM, ask(p, p->options.limits.take_ms, err), err);
	p->state = rc == EVL_ADAPTER_OK ? ARMED : FAILED;
	if (rc == EVL_ADAPTER_OK) {
		if (count > 0) {
			memcpy(p->arms, arms, count * sizeof *arms);
		}
		p->arm_count = count;
		p->max_frames = max_frames;
	}
	return rc;
}

static int gone(const char *call, struct evl_adapter_error *err)
{
	return process_fail(err, EVL_ADAPTER_E_STATE,
		"%s: the child is gone; the next arm starts it again", call);
}

static int process_start(
	void *self, uint64_t at_ns, uint64_t *started_ns, struct evl_adapter_error *err)
{
	struct process *p = self;
	if (p->state != ARMED) {
		return process_fail(err, EVL_ADAPTER_E_STATE, "start: arm first");
	}
	if (!child_is_there(&p->child)) {
		return gone("start", err);
	}
	begin(p, WIRE_START);
	wire_put_u64(&p->request, at_ns);
	/* In real time it may wait for the instant. */
	int rc = ask(p, p->options.limits.take_ms + (p->virtual_time ? 0 : 1000), err);
	if (rc == EVL_ADAPTER_OK) {
		struct wire_reader r = wire_read(p->reply.data, p->reply.len);
		if (!wire_get_started(&r, started_ns, p->arm_count)) {
			rc = bad_body(p, WIRE_START, err);
		}
	}
	p->state = rc == EVL_ADAPTER_OK ? STARTED : FAILED;
	return rc;
}

static int check_slabs(const struct process *p, uint32_t frames, const struct evl_slab *slabs,
	uint32_t count, struct evl_adapter_error *err)
{
	if (p->state != STARTED) {
		return process_fail(err, EVL_ADAPTER_E_STATE, "exchange: start first");
	}
	if (!child_is_there(&p->child)) {
		return gone("exchange", err);
	}
	if (frames == 0 || frames % EVL_SLAB_FRAMES_MIN != 0 || frames > p->max_frames ||
		count != p->arm_count) {
		return process_fail(err, EVL_ADAPTER_E_STATE,
			"exchange: %u frames of %u channels; %u channels and a multiple of %u "
			"frames up to %u were armed",
			frames, count, p->arm_count, EVL_SLAB_FRAMES_MIN, p->max_frames);
	}
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &p->arms[i];
		uint32_t room = evl_slab_room((uint32_t)nominal(p, a->channel, frames));
		if (slabs[i].channel != a->channel || (slabs[i].tx != NULL) != a->play ||
			(slabs[i].rx != NULL) != a->capture ||
			slabs[i].tx_bytes > (a->play ? room : 0) ||
			slabs[i].rx_bytes < (a->capture ? room : 0)) {
			return process_fail(err, EVL_ADAPTER_E_STATE,
				"exchange: slab %u (channel %u) does not match what was armed", i,
				slabs[i].channel);
		}
	}
	return EVL_ADAPTER_OK;
}

/* Reads the table of the reply and then the bits, straight to where they belong. */
static int take_reply(struct process *p, struct evl_slab *slabs, uint32_t count, size_t body_bytes,
	uint64_t deadline_ns, struct evl_adapter_error *err)
{
	size_t table_bytes = WIRE_SLABS_REPLY_BYTES(count), bits = 0;
	struct iovec v = {.iov_base = p->table.data, .iov_len = table_bytes};
	int rc = child_take(&p->child, &v, 1, deadline_ns, WIRE_EXCHANGE, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	for (uint32_t i = 0; i < count; i++) { /* the caller may offer more room than is due */
		const struct evl_arm *a = &p->arms[i];
		slabs[i].rx_bytes = a->capture ? slabs[i].rx_bytes : 0;
	}
	struct wire_reader r = wire_read(p->table.data, table_bytes);
	if (!wire_get_slabs_reply(&r, slabs, count)) {
		return bad_body(p, WIRE_EXCHANGE, err);
	}
	for (uint32_t i = 0; i < count; i++) {
		p->vectors[i] =
			(struct iovec){.iov_base = slabs[i].rx, .iov_len = slabs[i].rx_bytes};
		bits += slabs[i].rx_bytes;
	}
	if (bits != body_bytes - table_bytes) {
		return child_broken(&p->child, WIRE_EXCHANGE, err,
			"sent %zu bytes of bits where its table says %zu", body_bytes - table_bytes,
			bits);
	}
	return child_take(&p->child, p->vectors, count, deadline_ns, WIRE_EXCHANGE, err);
}

static int process_exchange(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
	struct evl_adapter_error *err)
{
	struct process *p = self;
	size_t sent = 0, most = WIRE_SLABS_REPLY_BYTES(count), body = 0;
	int rc = check_slabs(p, frames, slabs, count, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	uint64_t limit =
		(uint64_t)frames * EVL_FRAME_NS + (uint64_t)p->options.limits.exchange_ms * MS;
	uint64_t deadline = child_deadline(limit);
	begin(p, WIRE_EXCHANGE);
	wire_put_slabs(&p->request, slabs, count, frames);
	for (uint32_t i = 0; i < count; i++) {
		p->vectors[i + 1] = (struct iovec){
			.iov_base = (void *)(uintptr_t)slabs[i].tx, .iov_len = slabs[i].tx_bytes};
		sent += slabs[i].tx_bytes;
		most += slabs[i].rx_bytes;
	}
	wire_end_with(&p->request, sent);
	p->vectors[0] = (struct iovec){.iov_base = p->request.data, .iov_len = p->request.len};
	rc = child_ask(&p->child, p->vectors, count + 1u, deadline, WIRE_EXCHANGE,
		WIRE_SLABS_REPLY_BYTES(count), most, &body, err);
	if (rc == EVL_ADAPTER_OK) {
		rc = take_reply(p, slabs, count, body, deadline, err);
	}
	if (rc != EVL_ADAPTER_OK) {
		p->state = FAILED;
	}
	return rc;
}

static int process_poll(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
	struct evl_adapter_error *err)
{
	struct process *p = self;
	*count = 0;
	if (!child_is_there(&p->child)) {
		/* The call that lost it has said so; a child that is not there sees nothing. */
		return p->state == STOPPED ? EVL_ADAPTER_OK : gone("poll", err);
	}
	while (*count < capacity) {
		uint32_t left = capacity - *count, got = 0;
		uint32_t room = left < WIRE_EVENTS_MAX ? left : WIRE_EVENTS_MAX;
		begin(p, WIRE_POLL);
		wire_put_u32(&p->request, room);
		int rc = ask(p, p->options.limits.call_ms, err);
		if (rc != EVL_ADAPTER_OK) {
			return rc;
		}
		struct wire_reader r = wire_read(p->reply.data, p->reply.len);
		if (!wire_get_events(&r, out + *count, room, &got)) {
			*count = 0;
			return bad_body(p, WIRE_POLL, err);
		}
		*count += got;
		if (got < room) {
			break;
		}
	}
	return EVL_ADAPTER_OK;
}

static int process_inject(void *self, const struct evl_inject *what, struct evl_adapter_error *err)
{
	struct process *p = self;
	if (!child_is_there(&p->child)) {
		return gone("inject", err);
	}
	if (!(p->hello.offers & WIRE_OFFERS_INJECT)) {
		return process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"inject: the adapter %s in the child injects nothing", p->hello.name);
	}
	begin(p, WIRE_INJECT);
	wire_put_inject(&p->request, what);
	return wants_nothing(p, WIRE_INJECT, ask(p, p->options.limits.call_ms, err), err);
}

static int process_apply(
	void *self, const struct evl_setting *list, uint32_t count, struct evl_adapter_error *err)
{
	struct process *p = self;
	struct evl_setting *copy = NULL;
	if (p->state != STOPPED) {
		return process_fail(err, EVL_ADAPTER_E_STATE, "setup: stop the present take first");
	}
	if (count > WIRE_SETTINGS_MAX) {
		return process_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			"setup: %u settings; at most %u are possible", count, WIRE_SETTINGS_MAX);
	}
	int rc = revive(p, err);
	if (rc == EVL_ADAPTER_OK && count > 0) {
		copy = malloc(count * sizeof *copy);
		if (copy == NULL) {
			return process_fail(err, EVL_ADAPTER_E_NOMEM, "setup: no memory");
		}
		memcpy(copy, list, count * sizeof *copy);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = apply(p, list, count, err);
	}
	if (rc != EVL_ADAPTER_OK) {
		free(copy);
		return rc;
	}
	free(p->settings);
	p->settings = copy;
	p->setting_count = count;
	return EVL_ADAPTER_OK;
}

static int process_stop(void *self, struct evl_adapter_error *err)
{
	struct process *p = self;
	int rc = EVL_ADAPTER_OK;
	if (child_is_there(&p->child)) {
		begin(p, WIRE_STOP);
		rc = wants_nothing(p, WIRE_STOP, ask(p, p->options.limits.take_ms, err), err);
	}
	/* A child that is gone has stopped for sure. */
	if (rc == EVL_ADAPTER_OK || !child_is_there(&p->child)) {
		p->state = STOPPED;
	}
	return rc;
}

static int identify(
	const struct evl_open_args *args, struct evl_identity *out, struct evl_adapter_error *err)
{
	struct process *p;
	int rc = create(&p, args, err);
	if (rc == EVL_ADAPTER_OK) {
		memset(out, 0, sizeof *out);
		out->version = 1;
		out->capabilities = p->hello.capabilities;
		memcpy(out->name, p->hello.name, sizeof out->name);
		snprintf(out->release, sizeof out->release, "%s", p->hello.version);
		snprintf(out->description, sizeof out->description, "%s", p->hello.description);
	}
	process_close(p);
	return rc;
}

static const void *get_extension(const char *id)
{
	static const struct evl_setup_extension setup = {.version = 1, .apply = process_apply};
	static const struct evl_identity_extension identity = {.version = 1, .identify = identify};
	return strcmp(id, EVL_SETUP_EXTENSION) == 0      ? (const void *)&setup
	       : strcmp(id, EVL_IDENTITY_EXTENSION) == 0 ? (const void *)&identity
							 : NULL;
}

EVL_ADAPTER_EXPORT const struct evl_adapter evl_adapter = {
	.abi_major = EVL_ABI_MAJOR,
	.abi_minor = EVL_ABI_MINOR,
	.name = "process",
	.version = EVL_VERSION,
	.description = "an adapter in a child process, over a pipe",
	.capabilities = EVL_CAP_VIRTUAL_TIME, /* as far as the child has it: see identify */
	.open = process_open,
	.channels = process_channels,
	.arm = process_arm,
	.start = process_start,
	.exchange = process_exchange,
	.poll = process_poll,
	.inject = process_inject,
	.stop = process_stop,
	.close = process_close,
	.get_extension = get_extension,
};
