/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Feeds any line bytes to the decoder of core/frame, with a map that the first bytes choose, and to
 *a second one that looks less deep (bits 4 and 5 of byte 1) and must find the same of what it looks
 * at. With bit 0 of byte 1 the input is XORed over a good line, so that what lies behind framing
 *and pointers is reached too; with bit 6 clients have clocks of their own, with bit 7 the settings
 *of the encoder change under way.
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

/* The second decoder found what the first did. */
static void same(struct evl_sdh_rx *a, struct evl_sdh_rx *b, uint32_t depth)
{
	for (uint32_t i = 0; i <= EVL_SDH_MOST_HIGH; i++) {
		const struct evl_sdh_at at = {
			i == 0 ? EVL_SDH_SECTION : EVL_SDH_HIGH, i == 0 ? 0 : i - 1};
		struct evl_sdh_rx_counts ca, cb;
		bool there = evl_sdh_rx_counts(a, at, &ca) == EVL_OK;
		bool there_b = evl_sdh_rx_counts(b, at, &cb) == EVL_OK;
		evl_require(there_b == (there && (i == 0 || depth != EVL_RX_SECTION)));
		if (!there_b) {
			continue;
		}
		evl_require(evl_sdh_rx_pointer(a, at) == evl_sdh_rx_pointer(b, at));
		if (depth == EVL_RX_BITS) {
			ca.errors = cb.errors = ca.rei = cb.rei = 0;
			ca.errored_blocks = cb.errored_blocks = 0;
			ca.rei_blocks = cb.rei_blocks = 0;
		} else {
			evl_require(evl_sdh_rx_defects(a, at) == evl_sdh_rx_defects(b, at));
		}
		evl_require(memcmp(&ca, &cb, sizeof(ca)) == 0);
	}
}

/* One setting somewhere, as three bytes say. */
static void set(struct evl_sdh_tx *tx, const uint8_t *what, uint32_t clients)
{
	struct evl_sdh_at at = {what[0] % 3u, 0};
	at.index = at.level == EVL_SDH_SECTION ? 0
		   : at.level == EVL_SDH_HIGH  ? what[1] % 12u
		   : clients > 0               ? what[1] % clients
					       : 0;
	switch (what[0] / 3 % 6) {
	case 0:
		(void)evl_sdh_tx_justify(tx, at, (int8_t)what[2] / 16);
		break;
	case 1:
		(void)evl_sdh_tx_set_pointer(tx, at, what[2]);
		break;
	case 2:
		(void)evl_sdh_tx_insert_ais(tx, at, (what[2] & 1) != 0);
		break;
	case 3:
		(void)evl_sdh_tx_force_poh(tx, at, what[2] % 13, what[1]);
		break;
	case 4:
		(void)evl_sdh_tx_set_offset(tx, at, (int8_t)what[2] * 700);
		break;
	default:
		(void)evl_sdh_tx_set_label(tx, at, what[2] % 8);
		break;
	}
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
	const struct evl_rx_options options = {.depth = data[1] >> 4 & 3u};
	const bool deep = options.depth == EVL_RX_ALL || options.depth == EVL_RX_BITS;
	struct evl_sdh_rx *other = NULL;
	evl_require(evl_sdh_rx_create(&rx, &map, NULL, &err) == EVL_OK);
	evl_require(evl_sdh_rx_create(&other, &map, &options, &err) == EVL_OK);
	uint32_t clients, bytes[EVL_SDH_MOST_CLIENTS], n_in[EVL_SDH_MOST_CLIENTS];
	uint32_t n_other[EVL_SDH_MOST_CLIENTS];
	uint8_t *out_other[EVL_SDH_MOST_CLIENTS];
	const struct evl_sdh_client *list = evl_sdh_tx_clients(tx, &clients);
	uint8_t *out[EVL_SDH_MOST_CLIENTS];
	const uint8_t *in[EVL_SDH_MOST_CLIENTS];
	for (uint32_t i = 0; i < clients; i++) {
		uint32_t least, most;
		out[i] = malloc(evl_sdh_rx_room(&list[i], FRAMES));
		out_other[i] = malloc(evl_sdh_rx_room(&list[i], FRAMES));
		evl_require(out[i] != NULL && out_other[i] != NULL);
		evl_sdh_limits(&list[i], FRAMES, &least, &most);
		n_in[i] = least + (data[2] + i) % (most - least + 1);
		in[i] = (data[1] & 64) != 0 && most <= size ? data : NULL;
	}
	const size_t slab = (size_t)FRAMES * EVL_SDH_LINE_BYTES(map.stm);
	uint8_t *line = malloc(slab);
	evl_require(line != NULL);
	struct seen seen = {0};
	const struct evl_sdh_events events = {note, &seen};
	size_t at = HEAD;
	for (uint32_t s = 0; s < 40 && at < size; s++) {
		size_t n = size - at < slab ? size - at : slab;
		if ((data[1] & 128) != 0 && at + 3 <= size) {
			set(tx, data + at, clients);
		}
		evl_require(evl_sdh_encode(tx, in, n_in, FRAMES, line, &err) == EVL_OK);
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
		evl_sdh_decode(other, line, FRAMES, deep ? out_other : NULL, n_other, NULL);
		for (uint32_t i = 0; i < clients; i++) {
			evl_require(n_other[i] == (deep ? bytes[i] : 0));
			evl_require(!deep || memcmp(out[i], out_other[i], bytes[i]) == 0);
		}
		same(rx, other, options.depth);
		query(rx, tx, clients);
	}
	for (uint32_t i = 0; i < clients; i++) {
		free(out[i]);
		free(out_other[i]);
	}
	free(line);
	evl_sdh_tx_destroy(tx);
	evl_sdh_rx_destroy(rx);
	evl_sdh_rx_destroy(other);
	return 0;
}
