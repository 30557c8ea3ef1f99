/* SPDX-License-Identifier: Apache-2.0 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/recording/diff.h"
#include "sample.h"

/* One channel to be written: content of stream `seed` with some bits changed. */
struct made {
	const char *name;
	enum evl_rate rate;
	int64_t seed; /* -1: all ones */
	size_t bytes;
	const uint64_t *flips; /* bit numbers, rising */
	size_t flip_count;
	uint64_t gap_at, gap_bytes; /* bytes left out, 0: none */
};

static struct evl_rec *make(const char *path, const struct made *m, uint32_t count, bool finish)
{
	struct evl_rec_channel ch[16];
	struct evl_rec_writer *w = NULL;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	for (uint32_t c = 0; c < count; c++) {
		ch[c] = (struct evl_rec_channel){m[c].name, m[c].rate, EVL_REC_RECEIVED, 0, 0, 0};
	}
	unlink(path);
	assert_int_equal(evl_rec_writer_create(&w, path, ch, count, NULL, &err), EVL_OK);
	for (uint32_t c = 0; c < count; c++) {
		uint8_t *b = malloc(m[c].bytes);
		assert_non_null(b);
		if (m[c].seed < 0) {
			memset(b, 0xFF, m[c].bytes);
		} else {
			sample_fill(b, (uint64_t)m[c].seed, 0, m[c].bytes);
		}
		for (size_t i = 0; i < m[c].flip_count; i++) {
			uint64_t bit = m[c].flips[i];
			b[bit / 8] ^= (uint8_t)(0x80 >> bit % 8);
		}
		size_t first = m[c].gap_bytes ? (size_t)m[c].gap_at : m[c].bytes;
		size_t second = first + (size_t)m[c].gap_bytes;
		assert_int_equal(evl_rec_write(w, c, 0, b, first, 0, &err), EVL_OK);
		if (second < m[c].bytes) {
			assert_int_equal(evl_rec_write(w, c, second * 8, b + second,
						       m[c].bytes - second, 0, &err),
					 EVL_OK);
		}
		free(b);
	}
	if (finish) {
		assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	} else {
		evl_rec_abandon(w);
	}
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	return r;
}

struct seen {
	struct evl_rec_difference d[32];
	size_t count;
};

static void keep(void *context, const struct evl_rec_difference *d)
{
	struct seen *s = context;
	assert_true(s->count < 32);
	s->d[s->count++] = *d;
}

/* Planted differences are found at the place where they were planted: frame, byte and bit worked
 * out by hand from 256, 193 and 19 440 bits a frame. */
static void planted(void **state)
{
	(void)state;
	/* E1: frame 100, byte 17, third bit: 100 * 256 + 17 * 8 + 2; then two more, one in the
	 * next chunk of reading and one in the last bit of all */
	const uint64_t e1[] = {25738, 1200000, 100000 * 8 * 2 - 1};
	/* T1: frame 9, bit 192, the last of the frame */
	const uint64_t t1[] = {9 * 193 + 192};
	/* STM-1: frame 3, byte 2429, last bit */
	const uint64_t stm[] = {4 * 19440 - 1};
	const struct made am[] = {{"same", EVL_RATE_E1, 1, 200000, NULL, 0, 0, 0},
				  {"e1", EVL_RATE_E1, 2, 200000, NULL, 0, 0, 0},
				  {"t1", EVL_RATE_T1, 3, 193 * 8, NULL, 0, 0, 0},
				  {"stm", EVL_RATE_STM1, 4, 2430 * 200, NULL, 0, 0, 0},
				  {"short", EVL_RATE_E1, 5, 4096, NULL, 0, 0, 0},
				  {"gap", EVL_RATE_E1, 6, 4096, NULL, 0, 1024, 512},
				  {"rate", EVL_RATE_E1, 7, 4096, NULL, 0, 0, 0},
				  {"only-a", EVL_RATE_E1, 8, 4096, NULL, 0, 0, 0}};
	const struct made bm[] = {{"only-b", EVL_RATE_E1, 9, 4096, NULL, 0, 0, 0},
				  {"same", EVL_RATE_E1, 1, 200000, NULL, 0, 0, 0},
				  {"e1", EVL_RATE_E1, 2, 200000, e1, 3, 0, 0},
				  {"t1", EVL_RATE_T1, 3, 193 * 8, t1, 1, 0, 0},
				  {"stm", EVL_RATE_STM1, 4, 2430 * 200, stm, 1, 0, 0},
				  {"short", EVL_RATE_E1, 5, 3072, NULL, 0, 0, 0},
				  {"gap", EVL_RATE_E1, 6, 4096, NULL, 0, 0, 0},
				  {"rate", EVL_RATE_T1, 7, 4096, NULL, 0, 0, 0}};
	for (int finish = 0; finish < 2; finish++) {
		struct evl_rec *a = make(sample_path("a.pcapng"), am, 8, true);
		struct evl_rec *b = make(sample_path("b.pcapng"), bm, 8, finish);
		struct evl_err err = {0};
		struct seen s = {.count = 0};
		struct evl_rec_diff_summary sum;
		assert_int_equal(evl_rec_diff(a, b, NULL, 0, keep, &s, &sum, &err), EVL_OK);
		assert_int_equal(s.count, 9);
		assert_int_equal(s.d[0].relation, EVL_REC_EQUAL);
		assert_int_equal(s.d[0].compared_bits, 1600000);
		assert_int_equal(s.d[1].relation, EVL_REC_DIFFERENT);
		assert_int_equal(s.d[1].different_bits, 3);
		assert_int_equal(s.d[1].first_bit, 25738);
		assert_int_equal(s.d[1].first_frame, 100);
		assert_int_equal(s.d[1].first_byte, 17);
		assert_int_equal(s.d[1].first_bit_no, 3);
		assert_int_equal(s.d[1].crossing, EVL_REC_NOT_CROSSED);
		assert_int_equal(s.d[2].first_frame, 9);
		assert_int_equal(s.d[2].first_byte, 24);
		assert_int_equal(s.d[2].first_bit_no, 1);
		assert_int_equal(s.d[3].first_frame, 3);
		assert_int_equal(s.d[3].first_byte, 2429);
		assert_int_equal(s.d[3].first_bit_no, 8);
		assert_int_equal(s.d[4].relation, EVL_REC_LENGTH);
		assert_int_equal(s.d[4].only_a_bits, 8192);
		assert_int_equal(s.d[4].only_b_bits, 0);
		assert_int_equal(s.d[4].compared_bits, 3072 * 8);
		assert_int_equal(s.d[5].relation, EVL_REC_LENGTH);
		assert_int_equal(s.d[5].only_b_bits, 4096);
		assert_int_equal(s.d[5].compared_bits, 3584 * 8);
		assert_int_equal(s.d[6].relation, EVL_REC_RATE);
		assert_int_equal(s.d[7].relation, EVL_REC_ONLY_A);
		assert_string_equal(s.d[7].a_name, "only-a");
		assert_int_equal(s.d[7].b_channel, -1);
		assert_int_equal(s.d[8].relation, EVL_REC_ONLY_B);
		assert_string_equal(s.d[8].b_name, "only-b");
		assert_int_equal(sum.pairs, 7);
		assert_int_equal(sum.equal, 1);
		assert_int_equal(sum.only_a, 1);
		assert_int_equal(sum.only_b, 1);
		assert_int_equal(sum.different_bits, 5);
		evl_rec_close(a);
		evl_rec_close(b);
	}
}

/* Two tributaries swapped are named, by digest, and by content when there are errors too; a
 * channel with errors of its own is not; all ones name nobody. */
static void crossed(void **state)
{
	(void)state;
	static uint64_t errors[300];
	for (size_t i = 0; i < 300; i++) {
		errors[i] = i * 801 + 5; /* about 1 in 800 bits */
	}
	const struct made am[] = {{"trib-1", EVL_RATE_E1, 1, 32768, NULL, 0, 0, 0},
				  {"trib-2", EVL_RATE_E1, 2, 32768, NULL, 0, 0, 0},
				  {"trib-3", EVL_RATE_E1, 3, 32768, NULL, 0, 0, 0},
				  {"trib-4", EVL_RATE_E1, 4, 32768, NULL, 0, 0, 0},
				  {"trib-5", EVL_RATE_E1, 5, 32768, NULL, 0, 0, 0},
				  {"ones-1", EVL_RATE_E1, -1, 32768, NULL, 0, 0, 0},
				  {"ones-2", EVL_RATE_E1, -1, 32768, NULL, 0, 0, 0},
				  {"ones-3", EVL_RATE_E1, -1, 32768, NULL, 0, 0, 0}};
	const struct made bm[] = {{"trib-1", EVL_RATE_E1, 2, 32768, NULL, 0, 0, 0},
				  {"trib-2", EVL_RATE_E1, 1, 32768, errors, 300, 0, 0},
				  {"trib-3", EVL_RATE_E1, 3, 32768, errors, 300, 0, 0},
				  {"trib-4", EVL_RATE_E1, 40, 32768, NULL, 0, 0, 0},
				  {"trib-5", EVL_RATE_E1, 5, 32768, NULL, 0, 0, 0},
				  {"ones-1", EVL_RATE_E1, 41, 32768, NULL, 0, 0, 0},
				  {"ones-2", EVL_RATE_E1, -1, 32768, NULL, 0, 0, 0},
				  {"ones-3", EVL_RATE_E1, -1, 32768, NULL, 0, 0, 0}};
	for (int finish = 0; finish < 2; finish++) {
		struct evl_rec *a = make(sample_path("a.pcapng"), am, 8, finish);
		struct evl_rec *b = make(sample_path("b.pcapng"), bm, 8, true);
		struct evl_err err = {0};
		struct seen s = {.count = 0};
		struct evl_rec_diff_summary sum;
		assert_int_equal(evl_rec_diff(a, b, NULL, 0, keep, &s, &sum, &err), EVL_OK);
		assert_int_equal(s.count, 8);
		/* a's trib-1 came out on b's trib-2, with errors */
		assert_int_equal(s.d[0].crossing, EVL_REC_CROSSED_BY_CONTENT);
		assert_string_equal(s.d[0].crossed_name, "trib-2");
		assert_int_equal(s.d[0].sample_bits, 16 * 256 * 8);
		assert_true(s.d[0].sample_different > 0 && s.d[0].sample_different < 100);
		/* a's trib-2 came out on b's trib-1, bit for bit */
		assert_int_equal(s.d[1].crossing, EVL_REC_CROSSED_BY_DIGEST);
		assert_string_equal(s.d[1].crossed_name, "trib-1");
		assert_int_equal(s.d[2].relation, EVL_REC_DIFFERENT);
		assert_int_equal(s.d[2].different_bits, 300);
		assert_int_equal(s.d[2].crossing, EVL_REC_NOT_CROSSED);
		assert_int_equal(s.d[3].relation, EVL_REC_DIFFERENT);
		assert_int_equal(s.d[3].crossing, EVL_REC_NOT_CROSSED);
		assert_int_equal(s.d[4].relation, EVL_REC_EQUAL);
		assert_int_equal(s.d[5].relation, EVL_REC_DIFFERENT);
		assert_int_equal(s.d[5].crossing, EVL_REC_NOT_CROSSED);
		assert_int_equal(s.d[6].relation, EVL_REC_EQUAL);
		assert_int_equal(sum.crossed, 2);
		evl_rec_close(a);
		evl_rec_close(b);
	}
}

/* What was sent against what came back, in one recording, by a map of names. */
static void mapped(void **state)
{
	(void)state;
	const struct made m[] = {{"trib-1.in", EVL_RATE_E1, 1, 4096, NULL, 0, 0, 0},
				 {"trib-2.in", EVL_RATE_E1, 2, 4096, NULL, 0, 0, 0},
				 {"trib-1.out", EVL_RATE_E1, 1, 4096, NULL, 0, 0, 0},
				 {"trib-2.out", EVL_RATE_E1, 1, 4096, NULL, 0, 0, 0}};
	struct evl_rec *r = make(sample_path("a.pcapng"), m, 4, true);
	struct evl_err err = {0};
	struct seen s = {.count = 0};
	const struct evl_rec_pair map[] = {{"trib-1.in", "trib-1.out"},
					   {"trib-2.in", "trib-2.out"}};
	assert_int_equal(evl_rec_diff(r, r, map, 2, keep, &s, NULL, &err), EVL_OK);
	assert_int_equal(s.count, 2);
	assert_int_equal(s.d[0].relation, EVL_REC_EQUAL);
	assert_int_equal(s.d[1].relation, EVL_REC_DIFFERENT);
	/* it came out nowhere; that it equals itself in the same file is no crossing */
	assert_int_equal(s.d[1].crossing, EVL_REC_NOT_CROSSED);
	const struct evl_rec_pair unknown[] = {{"trib-1.in", "trib-9.out"}};
	assert_int_equal(evl_rec_diff(r, r, unknown, 1, keep, &s, NULL, &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "has no channel trib-9.out"));
	const struct evl_rec_pair twice[] = {{"trib-1.in", "trib-1.out"},
					     {"trib-1.in", "trib-2.out"}};
	assert_int_equal(evl_rec_diff(r, r, twice, 2, keep, &s, NULL, &err), EVL_E_INVALID);
	evl_rec_close(r);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(planted),
		cmocka_unit_test(crossed),
		cmocka_unit_test(mapped),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
