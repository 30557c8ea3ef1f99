/* SPDX-License-Identifier: Apache-2.0 */
/* Delays and spans of the software multiplexer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "adapters/simmux/delay.h"
#include "core/signal/bits.h"

static void delay_is_exact(void **state)
{
	static const uint64_t delays[] = {1, 7, 8, 13, 800, 2047, 2048, 2049, 5000, 16384};
	static uint8_t in[8192], out[8192];

	(void)state;
	for (size_t i = 0; i < sizeof(in); i++) {
		in[i] = (uint8_t)(i * 37 ^ i >> 5);
	}
	for (size_t i = 0; i < sizeof(delays) / sizeof(delays[0]); i++) {
		struct simmux_delay d;

		assert_true(simmux_delay_init(&d, delays[i], 256));
		simmux_delay_fill(&d, 0xff);
		memcpy(out, in, sizeof(out));
		for (size_t at = 0; at < sizeof(out); at += 256) {
			simmux_delay_apply(&d, out + at, 256);
		}
		for (uint64_t b = 0; b < sizeof(out) * 8; b++) {
			bool want = b < delays[i] || evl_bits_get(in, b - delays[i]);

			assert_int_equal(evl_bits_get(out, b), want);
		}
		simmux_delay_finish(&d);
	}
}

static void spans(void **state)
{
	struct evl_span s, cut;

	(void)state;
	/* 19440 bits in 125 us: 1 us is 155.52 bits, the first whole bit at or after it is 156. */
	s = simmux_span_of(1000, 1000, 19440);
	assert_int_equal(s.begin, 156);
	assert_int_equal(s.end, 312); /* 311.04 */
	s = simmux_span_of(125000, UINT64_MAX, 256);
	assert_int_equal(s.begin, 256);
	assert_true(s.end > (uint64_t)1 << 53);
	assert_false(evl_span_cut(&cut, (struct evl_span){10, 20}, 20, 100));
	assert_false(evl_span_cut(&cut, (struct evl_span){10, 10}, 0, 100));
	assert_true(evl_span_cut(&cut, (struct evl_span){10, 20}, 15, 100));
	assert_int_equal(cut.begin, 0);
	assert_int_equal(cut.end, 5);
	for (unsigned from = 0; from < 24; from++) {
		for (unsigned to = from + 1; to <= 24; to++) {
			uint8_t zero[3] = {0}, one[3] = {0xff, 0xff, 0xff};

			simmux_span_set(zero, (struct evl_span){from, to}, true);
			simmux_span_set(one, (struct evl_span){from, to}, false);
			for (unsigned b = 0; b < 24; b++) {
				assert_int_equal(evl_bits_get(zero, b), b >= from && b < to);
				assert_int_equal(evl_bits_get(one, b), b < from || b >= to);
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(delay_is_exact),
		cmocka_unit_test(spans),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
