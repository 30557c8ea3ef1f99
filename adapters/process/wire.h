/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The pipe protocol, version 1.0: the driver ABI as bytes, so that an adapter can live in a process
 * of its own and in any language. docs/process.md describes every message. This file makes and
 *reads messages in memory; it does no input or output.
 *
 *	struct wire_buffer b = {0};
 *	wire_begin(&b, WIRE_POLL, number);
 *	wire_put_u32(&b, capacity);
 *	wire_end(&b);				// then send b.data, b.len
 *	wire_finish(&b);
 *
 *	struct wire_reader r = wire_read(body, bytes);
 *	if (!wire_get_events(&r, events, capacity, &count)) { ... }	// not as the protocol says
 *
 * Readers take any bytes: they read nothing beyond the end, and they refuse what is too short, too
 * long or out of range. A body must be used up to its last byte.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/adapter/adapter.h"

#define WIRE_MAGIC        "evenlode" /* 8 bytes, without a NUL */
#define WIRE_MAJOR        1u
#define WIRE_MINOR        0u
#define WIRE_HEADER_BYTES 12u
#define WIRE_REPLY        0x8000u     /* set in the call of a reply */
#define WIRE_BODY_MAX     (16u << 20) /* of every message but an exchange */
#define WIRE_CHANNELS_MAX 4096u
#define WIRE_EVENTS_MAX   4096u  /* of one poll */
#define WIRE_FRAMES_MAX   80000u /* of one slab: 10 s */
#define WIRE_SETTINGS_MAX 16384u
#define WIRE_OPTIONS_MAX  20000u

enum wire_call {
	WIRE_HELLO = 1,
	WIRE_OPEN = 2,
	WIRE_CHANNELS = 3,
	WIRE_ARM = 4,
	WIRE_START = 5,
	WIRE_EXCHANGE = 6,
	WIRE_POLL = 7,
	WIRE_INJECT = 8,
	WIRE_SETUP = 9,
	WIRE_STOP = 10,
	WIRE_CLOSE = 11,
	WIRE_CALLS
};

const char *wire_call_name(unsigned call); /* "exchange"; "?" when there is none */

struct wire_header {
	uint32_t body_bytes;
	uint16_t call; /* enum wire_call */
	bool reply;
	uint32_t code; /* of a reply: 0 good, else -enum evl_adapter_code; the body is text then */
	uint32_t number; /* of the request, from 1; a reply repeats it */
};

/* False: no header of this protocol. */
bool wire_get_header(const uint8_t bytes[WIRE_HEADER_BYTES], struct wire_header *out);

/* Messages being made. Puts set `failed` when memory is short, and do nothing from then on. */
struct wire_buffer {
	uint8_t *data; /* owned */
	size_t len, cap;
	bool failed;
};

bool wire_reserve(struct wire_buffer *b, size_t bytes); /* later puts up to this do not allocate */
void wire_begin(struct wire_buffer *b, enum wire_call call, uint32_t number);
void wire_begin_reply(struct wire_buffer *b, unsigned call, uint32_t number, int code);
void wire_end(struct wire_buffer *b); /* sets the length in the header */
/* The same for a body of which `more` bytes follow that are not in the buffer. */
void wire_end_with(struct wire_buffer *b, size_t more);
void wire_finish(struct wire_buffer *b); /* frees; takes a zeroed object */

void wire_put_u32(struct wire_buffer *b, uint32_t v);
void wire_put_u64(struct wire_buffer *b, uint64_t v);
void wire_put_text(struct wire_buffer *b, const char *text);            /* with its length */
void wire_put_bytes(struct wire_buffer *b, const void *data, size_t n); /* without */

/* Messages being read; `bad` once something was not there. */
struct wire_reader {
	const uint8_t *at;
	size_t left;
	bool bad;
};

struct wire_reader wire_read(const void *body, size_t bytes);
bool wire_used_up(const struct wire_reader *r); /* nothing was bad, nothing is left */
uint32_t wire_get_u32(struct wire_reader *r);
uint64_t wire_get_u64(struct wire_reader *r);
/* Into `out` with a NUL; bad when it does not fit or has a NUL in it. */
void wire_get_text(struct wire_reader *r, char *out, size_t cap);

/*
 * Bodies of whole messages. Gets return false for a body that is not as the protocol says.
 */
struct wire_hello {
	uint32_t major, minor;         /* of the protocol */
	uint32_t abi_major, abi_minor; /* that the adapter keeps */
	uint32_t capabilities;         /* EVL_CAP_x */
	uint32_t offers;               /* WIRE_OFFERS_x */
	char name[EVL_NAME_MAX];
	char version[64];
	char description[256];
};
enum { WIRE_OFFERS_INJECT = 1u << 0, WIRE_OFFERS_SETUP = 1u << 1 };

void wire_put_hello(struct wire_buffer *b);
bool wire_get_hello(struct wire_reader *r, uint32_t *major, uint32_t *minor);
void wire_put_hello_reply(struct wire_buffer *b, const struct wire_hello *h);
bool wire_get_hello_reply(struct wire_reader *r, struct wire_hello *h);

void wire_put_open(struct wire_buffer *b, const struct evl_open_args *args);
/* *memory is to be freed after use, also on failure; the pointers of *args lie in it. */
bool wire_get_open(struct wire_reader *r, struct evl_open_args *args, void **memory);

void wire_put_channels(struct wire_buffer *b, const struct evl_channel_info *list, uint32_t count);
bool wire_get_channels(
	struct wire_reader *r, struct evl_channel_info *out, uint32_t capacity, uint32_t *count);

void wire_put_arm(
	struct wire_buffer *b, const struct evl_arm *arms, uint32_t count, uint32_t max_frames);
bool wire_get_arm(struct wire_reader *r, struct evl_arm *out, uint32_t capacity, uint32_t *count,
	uint32_t *max_frames);

void wire_put_started(struct wire_buffer *b, const uint64_t *started_ns, uint32_t count);
bool wire_get_started(struct wire_reader *r, uint64_t *started_ns, uint32_t count);

void wire_put_events(struct wire_buffer *b, const struct evl_event *events, uint32_t count);
bool wire_get_events(
	struct wire_reader *r, struct evl_event *out, uint32_t capacity, uint32_t *count);

#define WIRE_EVENTS_BYTES(count) (4u + 20u * (size_t)(count))

void wire_put_inject(struct wire_buffer *b, const struct evl_inject *what);
bool wire_get_inject(struct wire_reader *r, struct evl_inject *out);

void wire_put_settings(struct wire_buffer *b, const struct evl_setting *list, uint32_t count);
/* *list is to be freed after use, also on failure. */
bool wire_get_settings(struct wire_reader *r, struct evl_setting **list, uint32_t *count);

/* The tables of an exchange, without the bits that follow them in the message. */
#define WIRE_SLABS_BYTES(count)       (8u + 12u * (size_t)(count))
#define WIRE_SLABS_REPLY_BYTES(count) (4u + 8u * (size_t)(count))
void wire_put_slabs(
	struct wire_buffer *b, const struct evl_slab *slabs, uint32_t count, uint32_t frames);
/* Sets channel, tx_bytes and rx_bytes (the room) of slabs[0..count-1]. */
bool wire_get_slabs(
	struct wire_reader *r, struct evl_slab *slabs, uint32_t count, uint32_t *frames);
void wire_put_slabs_reply(struct wire_buffer *b, const struct evl_slab *slabs, uint32_t count);
/* Sets rx_bytes and flags; more than the room that rx_bytes said before is bad. */
bool wire_get_slabs_reply(struct wire_reader *r, struct evl_slab *slabs, uint32_t count);
