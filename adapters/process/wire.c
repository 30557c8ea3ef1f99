/* SPDX-License-Identifier: Apache-2.0 */
/* Headers, numbers and text of the pipe protocol; whole messages are in records.c. */
#include "adapters/process/wire.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"

const char *wire_call_name(unsigned call)
{
	static const char *const names[WIRE_CALLS] = {"?", "hello", "open", "channels", "arm",
		"start", "exchange", "poll", "inject", "setup", "stop", "close"};
	return call < WIRE_CALLS ? names[call] : "?";
}

bool wire_get_header(const uint8_t bytes[WIRE_HEADER_BYTES], struct wire_header *out)
{
	uint32_t call = evl_load_le16(bytes + 4);
	out->body_bytes = evl_load_le32(bytes);
	out->reply = (call & WIRE_REPLY) != 0;
	out->call = (uint16_t)(call & ~WIRE_REPLY);
	out->code = evl_load_le16(bytes + 6);
	out->number = evl_load_le32(bytes + 8);
	return out->call >= WIRE_HELLO && out->call < WIRE_CALLS &&
	       out->code <= (out->reply ? (uint32_t)-EVL_ADAPTER_E_NOMEM : 0u);
}

bool wire_reserve(struct wire_buffer *b, size_t bytes)
{
	if (b->failed || bytes <= b->cap) {
		return !b->failed;
	}
	uint8_t *data = realloc(b->data, bytes);
	if (data == NULL) {
		b->failed = true;
		return false;
	}
	b->data = data;
	b->cap = bytes;
	return true;
}

void wire_put_bytes(struct wire_buffer *b, const void *data, size_t n)
{
	if (n > b->cap - b->len && !wire_reserve(b, b->len + n + b->cap / 2 + 256)) {
		return;
	}
	if (!b->failed && n > 0) {
		memcpy(b->data + b->len, data, n);
		b->len += n;
	}
}

void wire_put_u32(struct wire_buffer *b, uint32_t v)
{
	uint8_t bytes[4];
	evl_store_le32(bytes, v);
	wire_put_bytes(b, bytes, sizeof bytes);
}

void wire_put_u64(struct wire_buffer *b, uint64_t v)
{
	uint8_t bytes[8];
	evl_store_le64(bytes, v);
	wire_put_bytes(b, bytes, sizeof bytes);
}

void wire_put_text(struct wire_buffer *b, const char *text)
{
	size_t n = strlen(text);
	wire_put_u32(b, (uint32_t)n);
	wire_put_bytes(b, text, n);
}

static void begin(struct wire_buffer *b, uint32_t call, uint32_t number, uint32_t code)
{
	uint8_t header[WIRE_HEADER_BYTES] = {0};
	b->len = 0;
	evl_store_le16(header + 4, (uint16_t)call);
	evl_store_le16(header + 6, (uint16_t)code);
	evl_store_le32(header + 8, number);
	wire_put_bytes(b, header, sizeof header);
}

void wire_begin(struct wire_buffer *b, enum wire_call call, uint32_t number)
{
	begin(b, call, number, 0);
}

void wire_begin_reply(struct wire_buffer *b, unsigned call, uint32_t number, int code)
{
	begin(b, call | WIRE_REPLY, number, (uint32_t)-code);
}

void wire_end_with(struct wire_buffer *b, size_t more)
{
	if (!b->failed) {
		evl_store_le32(b->data, (uint32_t)(b->len - WIRE_HEADER_BYTES + more));
	}
}

void wire_end(struct wire_buffer *b)
{
	wire_end_with(b, 0);
}

void wire_finish(struct wire_buffer *b)
{
	free(b->data);
	*b = (struct wire_buffer){0};
}

struct wire_reader wire_read(const void *body, size_t bytes)
{
	return (struct wire_reader){.at = body, .left = bytes};
}

bool wire_used_up(const struct wire_reader *r)
{
	return !r->bad && r->left == 0;
}

/* The next n bytes, or NULL. */
static const uint8_t *take(struct wire_reader *r, size_t n)
{
	if (r->bad || n > r->left) {
		r->bad = true;
		return NULL;
	}
	const uint8_t *p = r->at;
	r->at += n;
	r->left -= n;
	return p;
}

uint32_t wire_get_u32(struct wire_reader *r)
{
	const uint8_t *p = take(r, 4);
	return p != NULL ? evl_load_le32(p) : 0;
}

uint64_t wire_get_u64(struct wire_reader *r)
{
	const uint8_t *p = take(r, 8);
	return p != NULL ? evl_load_le64(p) : 0;
}

void wire_get_text(struct wire_reader *r, char *out, size_t cap)
{
	uint32_t n = wire_get_u32(r);
	out[0] = '\0';
	if (n >= cap) {
		r->bad = true;
	}
	const uint8_t *p = take(r, n);
	if (p == NULL || n == 0) {
		return;
	}
	if (memchr(p, '\0', n) != NULL) {
		r->bad = true;
		return;
	}
	memcpy(out, p, n);
	out[n] = '\0';
}
