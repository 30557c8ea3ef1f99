/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Feeds any bytes to every reader of the pipe protocol (adapters/process/wire.h). The first byte
 * says which one. What a reader takes is written again and must be the same bytes: no reader passes
 * over anything.
 *
 *	CC=clang meson setup build-fuzz -Dfuzz=true -Db_sanitize=address,undefined -Db_lundef=false
 *	ninja -C build-fuzz && build-fuzz/tests/fuzz/fuzz_process corpus/
 *
 * tests/adapters/test_wire.c calls the same function in a seeded loop.
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "adapters/process/wire.h"
#include "core/base/err.h"

#define SLABS  5u
#define EVENTS 16u

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void same(struct wire_buffer *b, const uint8_t *data, size_t size)
{
	evl_require(!b->failed && b->len == size + WIRE_HEADER_BYTES);
	evl_require(size == 0 || memcmp(b->data + WIRE_HEADER_BYTES, data, size) == 0);
}

static void read_one(unsigned which, const uint8_t *data, size_t size, struct wire_buffer *b)
{
	struct wire_reader r = wire_read(data, size);
	wire_begin(b, WIRE_POLL, 1);
	if (which == 0) {
		uint32_t major, minor;
		(void)wire_get_hello(&r, &major, &minor);
	} else if (which == 1) {
		struct wire_hello h;
		if (wire_get_hello_reply(&r, &h)) {
			wire_put_hello_reply(b, &h);
			same(b, data, size);
		}
	} else if (which == 2) {
		struct evl_open_args args;
		void *memory;
		if (wire_get_open(&r, &args, &memory)) {
			wire_put_open(b, &args);
			same(b, data, size);
		}
		free(memory);
	} else if (which == 3) {
		static struct evl_channel_info list[64];
		uint32_t n;
		if (wire_get_channels(&r, list, 64, &n)) {
			wire_put_channels(b, list, n);
			same(b, data, size);
		}
	} else if (which == 4) {
		static struct evl_arm arms[64];
		uint32_t n, frames;
		if (wire_get_arm(&r, arms, 64, &n, &frames)) {
			wire_put_arm(b, arms, n, frames);
			same(b, data, size);
		}
	} else if (which == 5) {
		uint64_t started[SLABS];
		if (wire_get_started(&r, started, SLABS)) {
			wire_put_started(b, started, SLABS);
			same(b, data, size);
		}
	} else if (which == 6) {
		struct evl_event e[EVENTS];
		uint32_t n;
		if (wire_get_events(&r, e, EVENTS, &n)) {
			wire_put_events(b, e, n);
			same(b, data, size);
		}
	} else if (which == 7) {
		struct evl_inject what;
		if (wire_get_inject(&r, &what)) {
			wire_put_inject(b, &what);
			same(b, data, size);
		}
	} else if (which == 8) {
		struct evl_setting *list;
		uint32_t n;
		if (wire_get_settings(&r, &list, &n)) {
			wire_put_settings(b, list, n);
			same(b, data, size);
		}
		free(list);
	} else if (which == 9) {
		struct evl_slab slabs[SLABS];
		uint32_t frames;
		memset(slabs, 0, sizeof slabs);
		if (wire_get_slabs(&r, slabs, SLABS, &frames)) {
			wire_put_slabs(b, slabs, SLABS, frames);
			same(b, data, size);
		}
	} else {
		struct evl_slab slabs[SLABS];
		memset(slabs, 0, sizeof slabs);
		for (unsigned i = 0; i < SLABS; i++) {
			slabs[i].rx_bytes = 4000;
		}
		if (wire_get_slabs_reply(&r, slabs, SLABS)) {
			for (unsigned i = 0; i < SLABS; i++) {
				evl_require(slabs[i].rx_bytes <= 4000);
			}
			wire_put_slabs_reply(b, slabs, SLABS);
			same(b, data, size);
		}
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct wire_buffer b = {0};
	struct wire_header h;
	if (size < 1) {
		return 0;
	}
	/* Memory of exactly this size, so that a read beyond its end is seen. */
	uint8_t *copy = malloc(size);
	evl_require(copy != NULL);
	memcpy(copy, data + 1, size - 1);
	if (size > WIRE_HEADER_BYTES && wire_get_header(copy, &h)) {
		evl_require(h.call >= WIRE_HELLO && h.call < WIRE_CALLS && h.code <= 5);
		evl_require(wire_call_name(h.call)[0] != '?');
	}
	uint8_t *exact = realloc(copy, size > 1 ? size - 1 : 1);
	evl_require(exact != NULL);
	read_one(data[0] % 11u, exact, size - 1, &b);
	free(exact);
	wire_finish(&b);
	return 0;
}
