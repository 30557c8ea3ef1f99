/* SPDX-License-Identifier: Apache-2.0 */
/* The bodies of the messages of the pipe protocol, in the order of docs/process.md. */
#include <stdlib.h>
#include <string.h>

#include "adapters/process/wire.h"

/* Copies text that is not a NUL-terminated string for sure. */
static void put_field(struct wire_buffer *b, const char *field, size_t bytes)
{
	const char *end = memchr(field, '\0', bytes);
	size_t n = end != NULL ? (size_t)(end - field) : bytes;
	wire_put_u32(b, (uint32_t)n);
	wire_put_bytes(b, field, n);
}

static bool get_magic(struct wire_reader *r, uint32_t *major, uint32_t *minor)
{
	char magic[8];
	for (size_t i = 0; i < 2; i++) {
		uint32_t v = wire_get_u32(r);
		for (size_t k = 0; k < 4; k++) {
			magic[4 * i + k] = (char)(v >> 8 * k);
		}
	}
	*major = wire_get_u32(r);
	*minor = wire_get_u32(r);
	return !r->bad && memcmp(magic, WIRE_MAGIC, sizeof magic) == 0;
}

void wire_put_hello(struct wire_buffer *b)
{
	wire_put_bytes(b, WIRE_MAGIC, 8);
	wire_put_u32(b, WIRE_MAJOR);
	wire_put_u32(b, WIRE_MINOR);
}

bool wire_get_hello(struct wire_reader *r, uint32_t *major, uint32_t *minor)
{
	return get_magic(r, major, minor) && wire_used_up(r);
}

void wire_put_hello_reply(struct wire_buffer *b, const struct wire_hello *h)
{
	wire_put_bytes(b, WIRE_MAGIC, 8);
	wire_put_u32(b, h->major);
	wire_put_u32(b, h->minor);
	wire_put_u32(b, h->abi_major);
	wire_put_u32(b, h->abi_minor);
	wire_put_u32(b, h->capabilities);
	wire_put_u32(b, h->offers);
	wire_put_text(b, h->name);
	wire_put_text(b, h->version);
	wire_put_text(b, h->description);
}

bool wire_get_hello_reply(struct wire_reader *r, struct wire_hello *h)
{
	if (!get_magic(r, &h->major, &h->minor)) {
		return false;
	}
	h->abi_major = wire_get_u32(r);
	h->abi_minor = wire_get_u32(r);
	h->capabilities = wire_get_u32(r);
	h->offers = wire_get_u32(r);
	wire_get_text(r, h->name, sizeof h->name);
	wire_get_text(r, h->version, sizeof h->version);
	wire_get_text(r, h->description, sizeof h->description);
	return wire_used_up(r);
}

void wire_put_open(struct wire_buffer *b, const struct evl_open_args *args)
{
	wire_put_u64(b, args->seed);
	wire_put_u32(b, args->virtual_time);
	wire_put_text(b, args->build);
	wire_put_u32(b, args->option_count);
	for (uint32_t i = 0; i < args->option_count; i++) {
		wire_put_text(b, args->options[i].path);
		wire_put_text(b, args->options[i].value);
		wire_put_u32(b, args->options[i].line);
	}
}

/* The next text, copied to *to, which moves on. */
static const char *next_text(struct wire_reader *r, char **to)
{
	char *text = *to;
	wire_get_text(r, text, r->left + 1);
	*to += strlen(text) + 1;
	return text;
}

bool wire_get_open(struct wire_reader *r, struct evl_open_args *args, void **memory)
{
	*args = (struct evl_open_args){.version = 1};
	*memory = NULL;
	args->seed = wire_get_u64(r);
	uint32_t virtual_time = wire_get_u32(r);
	args->virtual_time = virtual_time == 1;
	/* Every text takes 4 bytes of length in the message and 1 of NUL here. */
	size_t options_at = (r->left + 16) / 16 * 16;
	struct wire_reader ahead = *r;
	uint32_t n = wire_get_u32(&ahead);
	if (r->bad || ahead.bad || virtual_time > 1 || n > ahead.left) {
		return false;
	}
	ahead.at += n;
	ahead.left -= n;
	uint32_t count = wire_get_u32(&ahead);
	if (ahead.bad || count > WIRE_OPTIONS_MAX || count > ahead.left / 12) {
		return false;
	}
	struct evl_adapter_option *options;
	*memory = malloc(options_at + count * sizeof *options);
	if (*memory == NULL) {
		return false;
	}
	char *text = *memory;
	options = (struct evl_adapter_option *)(void *)(text + options_at);
	args->build = next_text(r, &text);
	args->option_count = wire_get_u32(r);
	args->options = options;
	for (uint32_t i = 0; i < count && !r->bad; i++) {
		options[i].path = next_text(r, &text);
		options[i].value = next_text(r, &text);
		options[i].line = wire_get_u32(r);
	}
	return wire_used_up(r);
}

void wire_put_channels(struct wire_buffer *b, const struct evl_channel_info *list, uint32_t count)
{
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		put_field(b, list[i].name, sizeof list[i].name);
		put_field(b, list[i].port, sizeof list[i].port);
		wire_put_u32(b, list[i].rate);
		wire_put_u32(b, list[i].abilities);
	}
}

/* A count of records of at least `bytes` each; 0 and bad when it cannot be. */
static uint32_t get_count(struct wire_reader *r, uint32_t most, size_t bytes)
{
	uint32_t n = wire_get_u32(r);
	if (n > most || n > r->left / bytes) {
		r->bad = true;
		return 0;
	}
	return n;
}

bool wire_get_channels(
	struct wire_reader *r, struct evl_channel_info *out, uint32_t capacity, uint32_t *count)
{
	*count = get_count(r, capacity, 16);
	for (uint32_t i = 0; i < *count && !r->bad; i++) {
		memset(&out[i], 0, sizeof out[i]);
		out[i].version = 1;
		wire_get_text(r, out[i].name, sizeof out[i].name);
		wire_get_text(r, out[i].port, sizeof out[i].port);
		out[i].rate = wire_get_u32(r);
		out[i].abilities = wire_get_u32(r);
	}
	return wire_used_up(r);
}

#define ARM_PLAY    1u
#define ARM_CAPTURE 2u

void wire_put_arm(
	struct wire_buffer *b, const struct evl_arm *arms, uint32_t count, uint32_t max_frames)
{
	wire_put_u32(b, max_frames);
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u32(b, arms[i].channel);
		wire_put_u32(
			b, (arms[i].play ? ARM_PLAY : 0) | (arms[i].capture ? ARM_CAPTURE : 0));
		wire_put_u32(b, (uint32_t)arms[i].clock_ppb);
	}
}

bool wire_get_arm(struct wire_reader *r, struct evl_arm *out, uint32_t capacity, uint32_t *count,
	uint32_t *max_frames)
{
	*max_frames = wire_get_u32(r);
	*count = get_count(r, capacity, 12);
	for (uint32_t i = 0; i < *count && !r->bad; i++) {
		out[i] = (struct evl_arm){.version = 1, .channel = wire_get_u32(r)};
		uint32_t flags = wire_get_u32(r);
		r->bad = r->bad || (flags & ~(ARM_PLAY | ARM_CAPTURE)) != 0;
		out[i].play = (flags & ARM_PLAY) != 0;
		out[i].capture = (flags & ARM_CAPTURE) != 0;
		out[i].clock_ppb = (int32_t)wire_get_u32(r);
	}
	return wire_used_up(r);
}

void wire_put_started(struct wire_buffer *b, const uint64_t *started_ns, uint32_t count)
{
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u64(b, started_ns[i]);
	}
}

bool wire_get_started(struct wire_reader *r, uint64_t *started_ns, uint32_t count)
{
	if (get_count(r, count, 8) != count) {
		return false;
	}
	for (uint32_t i = 0; i < count; i++) {
		started_ns[i] = wire_get_u64(r);
	}
	return wire_used_up(r);
}

void wire_put_events(struct wire_buffer *b, const struct evl_event *events, uint32_t count)
{
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u32(b, events[i].channel);
		wire_put_u32(b, events[i].alarm);
		wire_put_u32(b, events[i].raised);
		wire_put_u64(b, events[i].at_ns);
	}
}

bool wire_get_events(
	struct wire_reader *r, struct evl_event *out, uint32_t capacity, uint32_t *count)
{
	*count = get_count(r, capacity, 20);
	for (uint32_t i = 0; i < *count && !r->bad; i++) {
		memset(&out[i], 0, sizeof out[i]);
		out[i].version = 1;
		out[i].channel = wire_get_u32(r);
		out[i].alarm = wire_get_u32(r);
		uint32_t raised = wire_get_u32(r);
		out[i].raised = raised == 1;
		out[i].at_ns = wire_get_u64(r);
		r->bad = r->bad || raised > 1;
	}
	return wire_used_up(r);
}

void wire_put_inject(struct wire_buffer *b, const struct evl_inject *what)
{
	wire_put_u32(b, what->kind);
	wire_put_u32(b, what->channel);
	wire_put_u32(b, what->alarm);
	wire_put_u32(b, what->path);
	wire_put_u64(b, what->numerator);
	wire_put_u64(b, what->denominator);
	wire_put_u64(b, what->at_ns);
	wire_put_u64(b, what->duration_ns);
	wire_put_u64(b, (uint64_t)what->slip_bits);
}

bool wire_get_inject(struct wire_reader *r, struct evl_inject *out)
{
	*out = (struct evl_inject){.version = 1};
	out->kind = wire_get_u32(r);
	out->channel = wire_get_u32(r);
	out->alarm = wire_get_u32(r);
	out->path = wire_get_u32(r);
	out->numerator = wire_get_u64(r);
	out->denominator = wire_get_u64(r);
	out->at_ns = wire_get_u64(r);
	out->duration_ns = wire_get_u64(r);
	out->slip_bits = (int64_t)wire_get_u64(r);
	return wire_used_up(r);
}

void wire_put_settings(struct wire_buffer *b, const struct evl_setting *list, uint32_t count)
{
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u32(b, list[i].kind);
		wire_put_u32(b, list[i].channel);
		wire_put_u32(b, list[i].path);
		put_field(b, list[i].field, sizeof list[i].field);
		put_field(b, list[i].text, sizeof list[i].text);
	}
}

bool wire_get_settings(struct wire_reader *r, struct evl_setting **list, uint32_t *count)
{
	*count = get_count(r, WIRE_SETTINGS_MAX, 20);
	*list = calloc(*count > 0 ? *count : 1, sizeof **list);
	if (*list == NULL) {
		return false;
	}
	for (uint32_t i = 0; i < *count && !r->bad; i++) {
		struct evl_setting *s = &(*list)[i];
		s->version = 1;
		s->kind = wire_get_u32(r);
		s->channel = wire_get_u32(r);
		s->path = wire_get_u32(r);
		wire_get_text(r, s->field, sizeof s->field);
		wire_get_text(r, s->text, sizeof s->text);
	}
	return wire_used_up(r);
}

void wire_put_slabs(
	struct wire_buffer *b, const struct evl_slab *slabs, uint32_t count, uint32_t frames)
{
	wire_put_u32(b, frames);
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u32(b, slabs[i].channel);
		wire_put_u32(b, slabs[i].tx_bytes);
		wire_put_u32(b, slabs[i].rx_bytes);
	}
}

bool wire_get_slabs(struct wire_reader *r, struct evl_slab *slabs, uint32_t count, uint32_t *frames)
{
	*frames = wire_get_u32(r);
	if (get_count(r, count, 12) != count || r->bad) {
		return false;
	}
	for (uint32_t i = 0; i < count; i++) {
		slabs[i].channel = wire_get_u32(r);
		slabs[i].tx_bytes = wire_get_u32(r);
		slabs[i].rx_bytes = wire_get_u32(r);
	}
	return wire_used_up(r);
}

void wire_put_slabs_reply(struct wire_buffer *b, const struct evl_slab *slabs, uint32_t count)
{
	wire_put_u32(b, count);
	for (uint32_t i = 0; i < count; i++) {
		wire_put_u32(b, slabs[i].rx_bytes);
		wire_put_u32(b, slabs[i].flags);
	}
}

bool wire_get_slabs_reply(struct wire_reader *r, struct evl_slab *slabs, uint32_t count)
{
	if (get_count(r, count, 8) != count || r->bad) {
		return false;
	}
	for (uint32_t i = 0; i < count && !r->bad; i++) {
		uint32_t bytes = wire_get_u32(r);
		r->bad = r->bad || bytes > slabs[i].rx_bytes;
		slabs[i].rx_bytes = bytes;
		slabs[i].flags = wire_get_u32(r);
	}
	return wire_used_up(r);
}
