/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Receivers that only supervise see of the section and the high-order paths what the whole decoder
 * sees (which is checked against G.707 and G.783 elsewhere), on the same line, and nothing below.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/sdh.h"
#include "core/signal/rng.h"
#include "tests/frame/sdh_maps.h"

#define FRAMES 512u
#define EVENTS 2048u

struct seen {
	uint64_t told; /* bit of the last event of this call */
	uint32_t events, lost;
	struct {
		enum evl_alarm alarm;
		struct evl_sdh_at at;
		bool raised;
		uint64_t bit;
	} event[EVENTS];
};

static struct seen whole, light;
static uint8_t line[FRAMES * 9720];
static const struct evl_sdh_at section = {EVL_SDH_SECTION, 0};

static void note(void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	struct seen *s = ctx;
	assert_true(bit >= s->told);
	s->told = bit;
	if (at.level == EVL_SDH_CLIENT) {
		return;
	}
	if (s->events == EVENTS) {
		s->lost++;
		return;
	}
	s->event[s->events].alarm = alarm;
	s->event[s->events].at = at;
	s->event[s->events].raised = raised;
	s->event[s->events++].bit = bit;
}

/* A line with every sort of damage above the tributaries: one frame to 40 of each in turn. */
static void make_line(const struct evl_sdh_map *map)
{
	static uint8_t noise[2 * 8 * 9360];
	const uint8_t *in[EVL_SDH_MOST_CLIENTS];
	const size_t frame = EVL_SDH_LINE_BYTES(map->stm);
	struct evl_sdh_tx *tx = NULL;
	struct evl_rng rng;
	evl_rng_init(&rng, 7, 0);
	for (size_t i = 0; i < sizeof(noise); i++) {
		noise[i] = (uint8_t)evl_rng_next(&rng);
	}
	for (uint32_t i = 0; i < EVL_SDH_MOST_CLIENTS; i++) {
		in[i] = noise + 37 * i;
	}
	assert_int_equal(evl_sdh_tx_create(&tx, map, NULL), EVL_OK);
	for (uint32_t f = 0; f < FRAMES; f += 8) {
		const struct evl_sdh_at path = {EVL_SDH_HIGH, 0};
		(void)evl_sdh_tx_force_poh(
			tx, path, EVL_SDH_H4, f >= 64 && f < 96 ? (int32_t)(f & 0xff) : -1);
		(void)evl_sdh_tx_insert_ais(tx, path, f >= 128 && f < 160);
		(void)evl_sdh_tx_insert_ais(tx, section, f >= 176 && f < 200);
		(void)evl_sdh_tx_force_poh(tx, path, EVL_SDH_C2, f >= 208 && f < 240 ? 0x55 : -1);
		(void)evl_sdh_tx_force_poh(tx, path, EVL_SDH_G1, f >= 240 && f < 264 ? 0x18 : -1);
		(void)evl_sdh_tx_justify(tx, path, f == 16 ? 3 : f == 24 ? -2 : 0);
		if (f == 272) {
			(void)evl_sdh_tx_set_pointer(tx, path, 33);
		}
		assert_int_equal(evl_sdh_encode(tx, in, NULL, 8, line + f * frame, NULL), EVL_OK);
	}
	evl_sdh_tx_destroy(tx);
	for (uint32_t i = 0; i < 40; i++) { /* single errors: parities, and REI to be sent back */
		size_t at = (size_t)(evl_rng_next(&rng) % (40 * frame));
		line[280 * frame + at] ^= (uint8_t)(1u << i % 8);
	}
	memset(line + 340 * frame + 1000, 0, 30 * frame);                 /* LOS */
	memmove(line + 420 * frame, line + 420 * frame + 11, 80 * frame); /* another alignment */
}

static void compare(const struct evl_sdh_map *map, uint32_t depth, uint32_t step)
{
	const struct evl_rx_options options = {.depth = depth};
	struct evl_sdh_rx *a = NULL, *b = NULL;
	static uint8_t *none[EVL_SDH_MOST_CLIENTS];
	uint32_t bytes[EVL_SDH_MOST_CLIENTS];
	const size_t frame = EVL_SDH_LINE_BYTES(map->stm);
	struct evl_trace wrong;
	assert_int_equal(evl_trace_set(&wrong, EVL_TRACE_16, "another", NULL), EVL_OK);
	memset(&whole, 0, sizeof(whole));
	memset(&light, 0, sizeof(light));
	assert_int_equal(evl_sdh_rx_create(&a, map, NULL, NULL), EVL_OK);
	assert_int_equal(evl_sdh_rx_create(&b, map, &options, NULL), EVL_OK);
	const struct evl_sdh_at path = {EVL_SDH_HIGH, 1};
	(void)evl_sdh_rx_expect_trace(a, path, &wrong);
	assert_int_equal(evl_sdh_rx_expect_trace(b, path, &wrong) == EVL_OK,
		depth == EVL_RX_HIGH && map->aug[0].au == EVL_SDH_AU3);
	const struct evl_sdh_events ea = {note, &whole}, eb = {note, &light};
	for (uint32_t f = 0; f < FRAMES; f += 8) {
		whole.told = 0;
		evl_sdh_decode(a, line + f * frame, 8, none, bytes, &ea);
	}
	for (uint32_t f = 0; f < FRAMES; f += step) {
		uint32_t n = FRAMES - f < step ? FRAMES - f : step;
		bytes[0] = 77;
		light.told = 0;
		evl_sdh_decode(b, line + f * frame, n, NULL, bytes, &eb);
		assert_int_equal(bytes[0], 0);
	}
	assert_int_equal(whole.lost, 0);
	uint32_t k = 0;
	for (uint32_t i = 0; i < whole.events; i++) {
		if (whole.event[i].at.level > depth - EVL_RX_SECTION) {
			continue;
		}
		assert_true(k < light.events);
		assert_int_equal(light.event[k].alarm, whole.event[i].alarm);
		assert_int_equal(light.event[k].at.level, whole.event[i].at.level);
		assert_int_equal(light.event[k].at.index, whole.event[i].at.index);
		assert_int_equal(light.event[k].raised, whole.event[i].raised);
		assert_int_equal(light.event[k].bit, whole.event[i].bit);
		k++;
	}
	assert_int_equal(k, light.events);
	assert_true(k > 8);
	for (uint32_t i = 0; i <= EVL_SDH_MOST_HIGH; i++) {
		const struct evl_sdh_at at = {
			i == 0 ? EVL_SDH_SECTION : EVL_SDH_HIGH, i == 0 ? 0 : i - 1};
		struct evl_sdh_rx_counts ca, cb;
		bool there = evl_sdh_rx_counts(a, at, &ca) == EVL_OK;
		there = there && (i == 0 || depth == EVL_RX_HIGH);
		assert_int_equal(evl_sdh_rx_counts(b, at, &cb) == EVL_OK, there);
		if (!there) {
			assert_int_equal(evl_sdh_rx_defects(b, at), 0);
			assert_null(evl_sdh_rx_trace(b, at));
			continue;
		}
		assert_memory_equal(&ca, &cb, sizeof(ca));
		assert_int_equal(evl_sdh_rx_defects(b, at), evl_sdh_rx_defects(a, at));
		assert_int_equal(evl_sdh_rx_pointer(b, at), evl_sdh_rx_pointer(a, at));
		assert_true(evl_trace_equal(evl_sdh_rx_trace(b, at), evl_sdh_rx_trace(a, at)));
		for (uint32_t p = 0; i > 0 && p <= EVL_SDH_N1; p++) {
			assert_int_equal(evl_sdh_rx_poh(b, at, p), evl_sdh_rx_poh(a, at, p));
		}
	}
	for (uint32_t i = 0; i < 81 * map->stm; i++) {
		uint32_t n = 1 + i / 81, row = 1 + i % 81 / 9, col = 1 + i % 9;
		assert_int_equal(evl_sdh_rx_soh(b, n, row, col), evl_sdh_rx_soh(a, n, row, col));
	}
	struct evl_sdh_remote ra, rb;
	evl_sdh_rx_take_remote(a, &ra);
	evl_sdh_rx_take_remote(b, &rb);
	assert_int_equal(rb.ms_rei, ra.ms_rei);
	assert_true(rb.ms_rei > 0);
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH && depth == EVL_RX_HIGH; i++) {
		assert_int_equal(rb.high[i].rei, ra.high[i].rei);
		assert_int_equal(rb.high[i].rdi, ra.high[i].rdi);
	}
	/* Nothing below. */
	struct evl_sdh_rx_counts c;
	const struct evl_sdh_at client = {EVL_SDH_CLIENT, 0};
	assert_int_equal(evl_sdh_rx_counts(b, client, &c), EVL_E_INVALID);
	assert_int_equal(evl_sdh_rx_defects(b, client), 0);
	assert_int_equal(evl_sdh_rx_first_bit(b, 0), UINT64_MAX);
	evl_sdh_rx_destroy(a);
	evl_sdh_rx_destroy(b);
}

static void test_same_as_whole(void **state)
{
	(void)state;
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		struct evl_sdh_map map;
		(void)sdh_map_make(&map, m);
		make_line(&map);
		compare(&map, EVL_RX_SECTION, 1 + m);
		compare(&map, EVL_RX_HIGH, 7);
	}
}

/* EVL_RX_BITS gives the same bits, from a line with damage too, in calls of any size. */
static void test_bits(void **state)
{
	(void)state;
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		const struct evl_rx_options options = {.depth = EVL_RX_BITS};
		struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
		uint32_t na[EVL_SDH_MOST_CLIENTS], nb[EVL_SDH_MOST_CLIENTS];
		uint8_t *oa[EVL_SDH_MOST_CLIENTS], *ob[EVL_SDH_MOST_CLIENTS];
		struct evl_sdh_rx *a = NULL, *b = NULL;
		struct evl_sdh_map map;
		(void)sdh_map_make(&map, m);
		const size_t frame = EVL_SDH_LINE_BYTES(map.stm);
		uint32_t clients = evl_sdh_map_clients(&map, list);
		make_line(&map);
		assert_int_equal(evl_sdh_rx_create(&a, &map, NULL, NULL), EVL_OK);
		assert_int_equal(evl_sdh_rx_create(&b, &map, &options, NULL), EVL_OK);
		for (uint32_t i = 0; i < clients; i++) {
			oa[i] = malloc(evl_sdh_rx_room(&list[i], FRAMES));
			ob[i] = malloc(evl_sdh_rx_room(&list[i], FRAMES));
			na[i] = 0;
		}
		for (uint32_t f = 0; f < FRAMES; f += 8) { /* small calls one after the other */
			uint32_t n[EVL_SDH_MOST_CLIENTS];
			uint8_t *to[EVL_SDH_MOST_CLIENTS];
			for (uint32_t i = 0; i < clients; i++) {
				to[i] = oa[i] + na[i];
			}
			evl_sdh_decode(a, line + f * frame, 8, to, n, NULL);
			for (uint32_t i = 0; i < clients; i++) {
				na[i] += n[i];
			}
		}
		evl_sdh_decode(b, line, FRAMES, ob, nb, NULL);
		for (uint32_t i = 0; i < clients; i++) {
			assert_int_equal(nb[i], na[i]);
			assert_memory_equal(ob[i], oa[i], na[i]);
			free(oa[i]);
			free(ob[i]);
		}
		assert_int_equal(evl_sdh_rx_soh(b, 1, 1, 1), -1);
		evl_sdh_rx_destroy(a);
		evl_sdh_rx_destroy(b);
	}
}

static void test_refused(void **state)
{
	(void)state;
	const struct evl_rx_options options = {.depth = 4};
	struct evl_sdh_rx *rx = NULL;
	struct evl_sdh_map map;
	struct evl_err err = {0};
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_int_equal(evl_sdh_rx_create(&rx, &map, &options, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "depth is 4"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_same_as_whole),
		cmocka_unit_test(test_bits),
		cmocka_unit_test(test_refused),
	};
	return cmocka_run_group_tests_name("frame.sdh_light", tests, NULL, NULL);
}
