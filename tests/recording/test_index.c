/* SPDX-License-Identifier: Apache-2.0 */
/* The seek points against a plain list of all blocks, with file positions past 4 GiB. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/recording/internal.h"
#include "sample.h"

enum { CHANNELS = 3, BLOCKS = 40000 };

static struct {
	uint64_t position, bit_offset;
	uint32_t channel;
} all[BLOCKS];

static void points(void **state)
{
	(void)state;
	struct rec_seek t;
	assert_true(rec_seek_init(&t, CHANNELS));
	uint64_t next[CHANNELS] = {0};
	uint64_t position = ((uint64_t)1 << 32) - 4000000; /* crosses 4 GiB on the way */
	for (int i = 0; i < BLOCKS; i++) {
		uint8_t x = sample_byte(1, (uint64_t)i);
		uint32_t c = x < 3 ? 2 : x & 1; /* channel 2 is rare */
		all[i].position = position;
		all[i].channel = c;
		all[i].bit_offset = next[c];
		rec_seek_add(&t, position, c, next[c]);
		next[c] += ((uint64_t)1 << 20) + x * 8u;
		position += 400 + 4u * x;
	}
	assert_int_equal(t.blocks, BLOCKS);
	assert_true(t.count <= t.cap && t.count > t.cap / 2 - 1);
	/* every `stride`-th block is a point, and each point has the next block of each channel */
	assert_int_equal(t.count, (BLOCKS + t.stride - 1) / t.stride);
	for (uint32_t p = 0; p < t.count; p++) {
		size_t from = (size_t)(p * t.stride);
		assert_int_equal(t.position[p], all[from].position);
		for (uint32_t c = 0; c < CHANNELS; c++) {
			size_t i = from;
			while (i < BLOCKS && all[i].channel != c) {
				i++;
			}
			assert_int_equal(t.first[p * CHANNELS + c],
				i < BLOCKS ? all[i].bit_offset : NO_OFFSET);
		}
	}
	/* as bytes and back */
	size_t bytes = rec_seek_bytes(CHANNELS, t.count);
	uint8_t *b = malloc(bytes);
	assert_non_null(b);
	rec_seek_put(&t, b);
	struct rec_seek u;
	assert_true(rec_seek_init(&u, CHANNELS));
	assert_true(rec_seek_get(&u, b, t.count, all[0].position, position));
	assert_int_equal(u.count, t.count);
	assert_memory_equal(u.position, t.position, t.count * sizeof *t.position);
	assert_memory_equal(u.first, t.first, t.count * CHANNELS * sizeof *t.first);
	/* out of the file, out of order, too many */
	assert_false(rec_seek_get(&u, b, t.count, all[0].position + 4, position));
	assert_false(rec_seek_get(&u, b, t.count, all[0].position, t.position[t.count - 1]));
	assert_false(rec_seek_get(&u, b, u.cap + 1, 0, UINT64_MAX));
	b[8 * (1 + CHANNELS)] ^= 1;
	assert_false(rec_seek_get(&u, b, t.count, all[0].position, position));
	free(b);
	rec_seek_finish(&u);
	rec_seek_finish(&t);
}

/* The trailer of the most channels with a full index stays below what libpcap takes as a block
 * (16 MiB in libpcap 1.10, sf-pcapng.c). */
static void trailer_fits(void **state)
{
	(void)state;
	for (uint32_t c = 1; c <= EVL_REC_CHANNELS_MAX; c++) {
		assert_true(rec_seek_cap(c) >= 1000);
		assert_true(rec_trailer_bytes(c, rec_seek_cap(c), EVL_REC_MARKS_MAX) <=
			    TRAILER_BLOCK_MAX);
	}
	assert_true(TRAILER_BLOCK_MAX < 16 * 1024 * 1024);
}

/* Times from bit offsets: 125 us a frame, any part of a frame rounded down (worked by hand). */
static void times(void **state)
{
	(void)state;
	static const struct {
		enum evl_rate rate;
		uint64_t bit_offset, ns;
		bool good;
	} rows[] = {
		{EVL_RATE_E1, 0, 0, true},
		{EVL_RATE_E1, 256, 125000, true},
		{EVL_RATE_E1, 8, 3906, true},                   /* 8 / 2.048 MHz = 3906.25 ns */
		{EVL_RATE_T1, 1544, 1000000, true},             /* 8 frames */
		{EVL_RATE_T1, 8, 5181, true},                   /* 8 / 1.544 MHz = 5181.3 ns */
		{EVL_RATE_STM1, 155520000u, 1000000000u, true}, /* one second */
		{EVL_RATE_STM1, 19440, 125000, true},
		{EVL_RATE_E1, (uint64_t)2048000 * 4000000000u, (uint64_t)4000000000000000000u,
			true},
		{EVL_RATE_E1, (uint64_t)2048000 * 5000000000u, 0, false}, /* past 2^62 ns */
		{EVL_RATE_T1, UINT64_MAX, 0, false},
	};
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		uint64_t ns = 0;
		assert_int_equal(
			rec_bits_to_ns(rows[i].rate, rows[i].bit_offset, &ns), rows[i].good);
		if (rows[i].good) {
			assert_int_equal(ns, rows[i].ns);
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(points),
		cmocka_unit_test(trailer_fits),
		cmocka_unit_test(times),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
