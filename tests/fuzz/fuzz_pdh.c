/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Feeds any bits, cut anyhow, to the E1 and T1 receivers. The first four bytes choose options and
 * the length of the pieces; with bit 0 of the second set, frames are built over the rest first, so
 * that the receivers get past alignment. Checks: frames fit the stated room, alarms alternate, the
 * events of a call are in the order of their bits, and one call gives the same counts as many.
 *
 *	CC=clang meson setup build-fuzz -Dfuzz=true -Db_sanitize=address,undefined -Db_lundef=false
 *	ninja -C build-fuzz tests/fuzz/fuzz_pdh && build-fuzz/tests/fuzz/fuzz_pdh corpus/
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/e1_build.h"
#include "core/frame/e1_receive.h"
#include "core/frame/t1_build.h"
#include "core/frame/t1_receive.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct seen {
	uint32_t alarms;
	uint64_t last; /* offset of an event of the present call */
};

static void on_event(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset)
{
	struct seen *seen = ctx;
	(void)channel;
	evl_require((seen->alarms >> alarm & 1) != raised);
	evl_require(bit_offset >= seen->last);
	seen->alarms ^= 1u << alarm;
	seen->last = bit_offset;
}

static void try_e1(const uint8_t *options, const uint8_t *bits, size_t size, uint8_t *out)
{
	const struct evl_e1_options o = {.framing = (enum evl_e1_framing)(options[0] & 3),
		.cas = (options[0] & 3) != 0 && (options[0] & 4) != 0,
		.check_bit2 = (options[0] & 8) != 0,
		.cas_zero = 1 + (options[0] >> 4 & 1)};
	static struct evl_e1_receiver one, many;
	struct seen seen[2] = {{0}};
	struct evl_err err = {0};
	evl_require(evl_e1_receiver_init(&one, &o, 0, on_event, &seen[0], &err) == EVL_OK);
	evl_require(evl_e1_receiver_init(&many, &o, 0, on_event, &seen[1], &err) == EVL_OK);
	uint32_t all = evl_e1_receive(&one, bits, size, out);
	evl_require((size_t)all * 32 <= EVL_E1_OUT_BYTES(size));
	uint32_t sum = 0;
	size_t piece = 1 + options[2];
	for (size_t at = 0; at < size; at += piece) {
		size_t n = size - at < piece ? size - at : piece;
		seen[1].last = 0;
		uint32_t got = evl_e1_receive(&many, bits + at, n, out);
		evl_require((size_t)got * 32 <= EVL_E1_OUT_BYTES(n));
		sum += got;
	}
	evl_require(sum == all && seen[0].alarms == seen[1].alarms && seen[0].alarms == one.alarms);
	evl_require(memcmp(&one.counts, &many.counts, sizeof(one.counts)) == 0);
}

static void try_t1(const uint8_t *options, const uint8_t *bits, size_t size, uint8_t *out)
{
	const struct evl_t1_options o = {.framing = (enum evl_t1_framing)(options[0] % 3),
		.japan = (options[0] & 0x80) != 0,
		.oof_window = 2 + (options[0] >> 4 & 3),
		.false_crc = 1 + (options[0] >> 2 & 3),
		.ais_ms = 3,
		.lof_raise_ms = 1,
		.lof_clear_ms = 1};
	static struct evl_t1_receiver one, many;
	struct seen seen[2] = {{0}};
	struct evl_err err = {0};
	evl_require(evl_t1_receiver_init(&one, &o, 0, on_event, &seen[0], &err) == EVL_OK);
	evl_require(evl_t1_receiver_init(&many, &o, 0, on_event, &seen[1], &err) == EVL_OK);
	uint32_t all = evl_t1_receive(&one, bits, size, out);
	evl_require((size_t)all * 24 <= EVL_T1_OUT_BYTES(size));
	uint32_t sum = 0;
	size_t piece = 1 + options[2];
	for (size_t at = 0; at < size; at += piece) {
		size_t n = size - at < piece ? size - at : piece;
		seen[1].last = 0;
		uint32_t got = evl_t1_receive(&many, bits + at, n, out);
		evl_require((size_t)got * 24 <= EVL_T1_OUT_BYTES(n));
		sum += got;
	}
	evl_require(sum == all && seen[0].alarms == seen[1].alarms && seen[0].alarms == one.alarms);
	evl_require(memcmp(&one.counts, &many.counts, sizeof(one.counts)) == 0);
}

/* Frames over all but the first options[3] bytes. */
static void overlay(const uint8_t *options, uint8_t *bits, size_t size)
{
	size_t skip = options[3] < size ? options[3] : size;
	if ((options[1] & 2) != 0) {
		struct evl_e1_builder b;
		evl_e1_builder_init(&b, EVL_E1_CRC4, true);
		b.bad_fas = options[1] >> 6;
		evl_e1_build(&b, bits + skip, (uint32_t)((size - skip) / 32));
	} else {
		struct evl_t1_builder b;
		evl_t1_builder_init(&b, (options[1] & 4) != 0 ? EVL_T1_ESF : EVL_T1_SF);
		b.robbed = 0xffffff;
		b.rai = (options[1] & 8) != 0;
		evl_t1_build(&b, bits + skip, (uint32_t)((size - skip) * 8 / EVL_T1_FRAME_BITS));
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	if (size < 5 || size > (1u << 18)) {
		return 0;
	}
	const uint8_t *options = data;
	size -= 4;
	/* Sizes as stated, so that a sanitizer sees a byte too many. */
	size_t room = EVL_E1_OUT_BYTES(size) > EVL_T1_OUT_BYTES(size) ? EVL_E1_OUT_BYTES(size)
								      : EVL_T1_OUT_BYTES(size);
	uint8_t *bits = malloc(size);
	uint8_t *out = malloc(room);
	evl_require(bits != NULL && out != NULL);
	memcpy(bits, data + 4, size);
	if ((options[1] & 1) != 0) {
		overlay(options, bits, size);
	}
	try_e1(options, bits, size, out);
	try_t1(options, bits, size, out);
	free(bits);
	free(out);
	return 0;
}
