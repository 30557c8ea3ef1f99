/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Feeds any line bytes to the decoders of core/frame: the general one with a map that the first
 *bytes choose, and that of 63 E1. With bit 0 of byte 1 the input is XORed over a good line, so that
 *what lies behind framing and pointers is reached too.
 *
 *	CC=clang meson setup build-fuzz -Dfuzz=true -Db_sanitize=address,undefined -Db_lundef=false
 *	ninja -C build-fuzz tests/fuzz/fuzz_sdh && build-fuzz/tests/fuzz/fuzz_sdh corpus/
 *
 * tests/frame/test_sdh_hostile.c calls the same function in a seeded loop.
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "tests/frame/sdh_maps.h"

#define FRAMES 8u
#define HEAD   3u

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct seen {
	uint64_t last;
	uint32_t events;
};

static void note(void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	struct seen *seen = ctx;
	evl_require(
		alarm > EVL_ALARM_NONE && alarm < EVL_ALARM_COUNT && at.level <= EVL_SDH_CLIENT);
	evl_require(bit >= seen->last); /* in the order of the line within a call */
	seen->events += raised;
	seen->last = bit;
}

/* Asks everything there is to be asked. */
static void query(struct evl_sdh_rx *rx, struct evl_sdh_tx *tx, uint32_t clients)
{
	struct evl_sdh_remote remote;
	struct evl_sdh_rx_counts counts;
	for (uint32_t i = 0; i < clients; i++) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
		(void)evl_sdh_rx_root_cause(rx, at);
		(void)evl_sdh_rx_pointer(rx, at);
		(void)evl_sdh_rx_trace(rx, at);
		(void)evl_sdh_rx_counts(rx, at, &counts);
	}
	evl_sdh_rx_take_remote(rx, &remote);
	evl_sdh_tx_set_remote(tx, &remote);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	if (size < HEAD || size > 1u << 20) {
		return 0;
	}
	struct evl_sdh_map map;
	struct evl_err err = {0};
	struct evl_sdh_tx *tx = NULL;
	struct evl_sdh_rx *rx = NULL;
	(void)sdh_map_make(&map, data[0] % SDH_MAPS);
	for (uint32_t k = 0; k < 2 && (data[1] & 8) != 0; k++) { /* another map, good or not */
		((uint8_t *)&map)[data[2 - k] % sizeof(map)] ^= data[2];
	}
	/* A flag is 0 or 1 for the compiler. */
	for (uint32_t i = 0; i < EVL_SDH_AUGS * EVL_SDH_PARTS * EVL_SDH_TUG2S; i++) {
		struct evl_sdh_tug2 *g = &map.aug[i / 21].part[i / 7 % 3].tug2[i % 7];
		uint8_t flag;
		memcpy(&flag, &g->tu11, 1);
		flag &= 1;
		memcpy(&g->tu11, &flag, 1);
	}
	uint8_t flag;
	memcpy(&flag, &map.sonet, 1);
	flag &= 1;
	memcpy(&map.sonet, &flag, 1);
	if (evl_sdh_tx_create(&tx, &map, &err) != EVL_OK) {
		evl_require(err.text[0] != '\0');
		return 0;
	}
	evl_require(evl_sdh_rx_create(&rx, &map, NULL, &err) == EVL_OK);
	uint32_t clients, bytes[EVL_SDH_MOST_CLIENTS];
	const struct evl_sdh_client *list = evl_sdh_tx_clients(tx, &clients);
	uint8_t *out[EVL_SDH_MOST_CLIENTS];
	const uint8_t *in[EVL_SDH_MOST_CLIENTS];
	for (uint32_t i = 0; i < clients; i++) {
		out[i] = malloc(evl_sdh_rx_room(&list[i], FRAMES));
		evl_require(out[i] != NULL);
		in[i] = NULL;
	}
	const size_t slab = (size_t)FRAMES * EVL_SDH_LINE_BYTES(map.stm);
	uint8_t *line = malloc(slab);
	evl_require(line != NULL);
	struct seen seen = {0};
	const struct evl_sdh_events events = {note, &seen};
	size_t at = HEAD;
	for (uint32_t s = 0; s < 40 && at < size; s++) {
		size_t n = size - at < slab ? size - at : slab;
		(void)evl_sdh_encode(tx, in, NULL, FRAMES, line, &err);
		if (s >= 4) { /* after a good start, if it is one */
			for (size_t i = 0; i < n; i++) {
				line[i] =
					(data[1] & 1) != 0 ? line[i] ^ data[at + i] : data[at + i];
			}
			at += n;
		} else if ((data[1] & 2) != 0) {
			memset(line, data[2], slab);
		}
		seen.last = 0;
		evl_sdh_decode(rx, line, FRAMES, out, bytes, &events);
		for (uint32_t i = 0; i < clients; i++) {
			evl_require(bytes[i] <= evl_sdh_rx_room(&list[i], FRAMES));
		}
		query(rx, tx, clients);
	}
	if (map.stm == 1) {
		struct evl_mux63_rx *mux = NULL;
		uint8_t *none[EVL_MUX63_TRIBS] = {NULL};
		uint32_t counts[EVL_MUX63_TRIBS];
		evl_require(evl_mux63_rx_create(&mux, NULL, &err) == EVL_OK);
		for (uint32_t s = 0; s < 8; s++) {
			evl_mux63_decode_bytes(mux, line, FRAMES, none, counts, NULL);
		}
		evl_mux63_rx_destroy(mux);
	}
	for (uint32_t i = 0; i < clients; i++) {
		free(out[i]);
	}
	free(line);
	evl_sdh_tx_destroy(tx);
	evl_sdh_rx_destroy(rx);
	return 0;
}
