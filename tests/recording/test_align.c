/* SPDX-License-Identifier: Apache-2.0 */
/* Alignment where recordings have gaps; test_align.py has the rest, planted by NumPy. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/recording/align.h"
#include "sample.h"

/* Bytes [from, from + bytes) of stream 1, recorded at byte `at`. */
struct part {
	uint64_t from, bytes, at;
};

static struct evl_rec *make(const char *path, const struct part *parts, size_t count)
{
	const struct evl_rec_channel ch = {"e1", EVL_RATE_E1, EVL_REC_RECEIVED, 0, 0, 0};
	static uint8_t b[200000];
	struct evl_rec_writer *w = NULL;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	unlink(path);
	assert_int_equal(evl_rec_writer_create(&w, path, &ch, 1, NULL, &err), EVL_OK);
	for (size_t i = 0; i < count; i++) {
		assert_true(parts[i].bytes <= sizeof b);
		sample_fill(b, 1, parts[i].from, (size_t)parts[i].bytes);
		assert_int_equal(
			evl_rec_write(w, 0, parts[i].at * 8, b, (size_t)parts[i].bytes, 0, &err),
			EVL_OK);
	}
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	return r;
}

struct seen {
	struct evl_rec_aligned d;
	struct evl_rec_slip slips[8];
	size_t slip_count;
};

static void on_slip(void *context, const struct evl_rec_aligned *d, const struct evl_rec_slip *s)
{
	struct seen *seen = context;
	(void)d;
	assert_true(seen->slip_count < 8);
	seen->slips[seen->slip_count++] = *s;
}

static void on_channel(void *context, const struct evl_rec_aligned *d)
{
	((struct seen *)context)->d = *d;
}

static struct seen compare(const struct part *a, size_t na, const struct part *b, size_t nb)
{
	struct seen seen = {.slip_count = 0};
	struct evl_rec *ra = make(sample_path("a.pcapng"), a, na);
	struct evl_rec *rb = make(sample_path("b.pcapng"), b, nb);
	struct evl_rec_align_plan plan = {.slip = on_slip, .channel = on_channel, .context = &seen};
	struct evl_err err = {0};
	assert_int_equal(evl_rec_align(ra, rb, &plan, NULL, &err), EVL_OK);
	evl_rec_close(ra);
	evl_rec_close(rb);
	return seen;
}

/* A gap that the recording tells of is no slip: the bits beyond it keep their offsets. */
static void gaps(void **state)
{
	(void)state;
	/* the first lacks its bytes 30000 to 39999, the second what the first has at 70000 to
	 * 70500; the second is 1000 bytes later */
	const struct part a[] = {{0, 30000, 0}, {40000, 60000, 40000}};
	const struct part b[] = {{0, 70000, 1000}, {70501, 29499, 71501}};
	struct seen s = compare(a, 2, b, 2);
	assert_true(s.d.found);
	assert_int_equal(s.d.delay_bits, 8000);
	assert_int_equal(s.d.changed_bits, 0);
	assert_int_equal(s.slip_count, 0);
	assert_int_equal(s.d.compared_bits, (100000 - 10000 - 501) * 8);
	assert_int_equal(s.d.only_a_bits, 501 * 8);
	assert_int_equal(s.d.only_b_bits, 10000 * 8);
	assert_int_equal(s.d.relation, EVL_REC_LENGTH);
}

/* A gap across which the second lost a frame more than it tells. */
static void slip_in_a_gap(void **state)
{
	(void)state;
	const struct part a[] = {{0, 100000, 0}};
	const struct part b[] = {{0, 50000, 0}, {60032, 39968, 60000}};
	struct seen s = compare(a, 1, b, 2);
	assert_int_equal(s.d.delay_bits, 0);
	assert_int_equal(s.slip_count, 1);
	assert_int_equal(s.slips[0].kind, EVL_REC_LOST);
	assert_int_equal(s.slips[0].bits, 256);
	assert_int_equal(s.slips[0].frames, 1);
	assert_int_equal(s.slips[0].delay_bits, -256);
	/* somewhere in what the second did not record */
	assert_in_range(s.slips[0].bit, 50000 * 8, 60032 * 8);
	assert_int_equal(s.d.changed_bits, 0);
}

/* Parts of both: what lies outside is neither compared nor searched, and all counts from there. */
static void parts(void **state)
{
	(void)state;
	struct seen seen = {.slip_count = 0};
	/* the second has bytes 20000 to 80000 of the first from its byte 1300 on, with another
	 * stretch before and behind */
	const struct part a[] = {{0, 100000, 0}};
	const struct part b[] = {{110000, 1300, 0}, {20000, 60000, 1300}, {120000, 9000, 61300}};
	struct evl_rec *ra = make(sample_path("a.pcapng"), a, 1);
	struct evl_rec *rb = make(sample_path("b.pcapng"), b, 3);
	struct evl_rec_align_plan plan = {.slip = on_slip,
		.channel = on_channel,
		.context = &seen,
		.a_part = {20000 * 8, 70000 * 8},
		.b_part = {1000 * 8, 61300 * 8}};
	struct evl_err err = {0};
	assert_int_equal(evl_rec_align(ra, rb, &plan, NULL, &err), EVL_OK);
	assert_true(seen.d.found);
	assert_int_equal(seen.d.delay_bits, 300 * 8);
	assert_int_equal(seen.d.changed_bits, 0);
	assert_int_equal(seen.slip_count, 0);
	assert_int_equal(seen.d.compared_bits, 50000 * 8);
	assert_int_equal(seen.d.a_recorded_bits, 50000 * 8);
	assert_int_equal(seen.d.b_recorded_bits, 60300 * 8);
	assert_int_equal(seen.d.only_a_bits, 0);
	assert_int_equal(seen.d.only_b_bits, 10300 * 8);
	bool found = false;
	int64_t delay = 0;
	assert_int_equal(evl_rec_find_delay(ra, 0, rb, 0, &plan, &found, &delay, &err), EVL_OK);
	assert_true(found);
	assert_int_equal(delay, 300 * 8);
	plan.range_ns = 1000000; /* 2048 bits: too little for 2400 */
	assert_int_equal(evl_rec_find_delay(ra, 0, rb, 0, &plan, &found, &delay, &err), EVL_OK);
	assert_false(found);
	/* To the end of both, the stretch behind is 10000 bytes that are not the same. */
	plan = (struct evl_rec_align_plan){.channel = on_channel,
		.context = &seen,
		.a_part = {20000 * 8, 0},
		.b_part = {1000 * 8, 0}};
	assert_int_equal(evl_rec_align(ra, rb, &plan, NULL, &err), EVL_OK);
	assert_int_equal(seen.d.delay_bits, 300 * 8);
	assert_in_range(seen.d.first_bit, 60000 * 8, 60000 * 8 + 64);
	assert_in_range(seen.d.changed_bits, 9000 * 4 - 2000, 9000 * 4 + 2000);
	evl_rec_close(ra);
	evl_rec_close(rb);
}

/* The message says which limit was passed. */
static void range(void **state)
{
	(void)state;
	const struct part a[] = {{0, 4096, 0}};
	struct evl_rec *r = make(sample_path("a.pcapng"), a, 1);
	struct evl_rec_align_plan plan = {.range_ns = EVL_REC_ALIGN_RANGE_NS_MAX + 1};
	struct evl_err err = {0};
	assert_int_equal(evl_rec_align(r, r, &plan, NULL, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "the most is 2000000000 ns"));
	evl_rec_close(r);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(gaps),
		cmocka_unit_test(slip_in_a_gap),
		cmocka_unit_test(parts),
		cmocka_unit_test(range),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
