/* SPDX-License-Identifier: Apache-2.0 */
/* E1 AIS and LOS: ITU-T G.775 5.2 and 4. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/e1.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"

struct log {
	uint32_t n;
	struct {
		enum evl_alarm alarm;
		bool raised;
		uint64_t at;
	} e[64];
};

static void note(void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t at)
{
	struct log *log = ctx;
	assert_int_equal(channel, 7);
	assert_true(log->n < 64);
	log->e[log->n].alarm = alarm;
	log->e[log->n].raised = raised;
	log->e[log->n++].at = at;
}

static void expect(
	const struct log *log, uint32_t i, enum evl_alarm alarm, bool raised, uint64_t at)
{
	assert_true(i < log->n);
	assert_int_equal(log->e[i].alarm, alarm);
	assert_int_equal(log->e[i].raised, raised);
	assert_int_equal(log->e[i].at, at);
}

static void clear_bit(uint8_t *p, uint32_t bit)
{
	p[bit / 8] = (uint8_t)(p[bit / 8] & ~(0x80u >> bit % 8));
}

static void test_ais(void **state)
{
	(void)state;
	/* Periods of 64 bytes: 55 (many zeros), then ones with 2 zeros each, then one period with 3
	 * zeros between two with 2, then two with 3. */
	uint8_t bits[64 * 12];
	memset(bits, 0xff, sizeof(bits));
	memset(bits, 0x55, 64);
	static const uint32_t zeros[12] = {0, 2, 2, 0, 3, 2, 3, 3, 2, 3, 0, 2};
	for (uint32_t p = 1; p < 12; p++) {
		for (uint32_t z = 0; z < zeros[p]; z++) {
			clear_bit(bits, 512 * p + 100 * z + 37);
		}
	}
	/* <= 2 in periods 1 and 2: raised at the end of period 2; 3 in periods 6 and 7: cleared at
	 * the end of 7; periods 10, 11: raised again. */
	for (size_t step = 1; step <= sizeof(bits); step = step * 3 + 1) {
		struct log log = {0};
		struct evl_e1_monitor mon;
		assert_int_equal(evl_e1_monitor_init(&mon, 0), EVL_OK);
		for (size_t i = 0; i < sizeof(bits); i += step) {
			size_t n = sizeof(bits) - i < step ? sizeof(bits) - i : step;
			evl_e1_monitor_feed(&mon, 7, bits + i, n, note, &log);
		}
		assert_int_equal(log.n, 3);
		expect(&log, 0, EVL_ALARM_AIS, true, 512 * 3);
		expect(&log, 1, EVL_ALARM_AIS, false, 512 * 8);
		expect(&log, 2, EVL_ALARM_AIS, true, 512 * 12);
		assert_true(mon.ais);
	}
}

/* The rule word by word, one bit at a time. */
static void slow_los(const uint8_t *bits, size_t n, uint32_t limit, struct log *log)
{
	bool los = false, have = false;
	uint64_t first = 0;
	uint32_t run = 0;
	for (uint64_t i = 0; i < 8 * (uint64_t)n; i++) {
		if (evl_bits_get(bits, i)) {
			run = 0;
			if (los && !have) {
				have = true;
				first = i;
			} else if (los && i - first >= limit) {
				los = have = false;
				note(log, 7, EVL_ALARM_LOS, false, i + 1);
			}
		} else if (++run >= limit) {
			have = false;
			if (!los) {
				los = true;
				note(log, 7, EVL_ALARM_LOS, true, i + 1);
			}
		}
	}
}

static void test_los_exact(void **state)
{
	(void)state;
	/* One, 254 zeros, ones (too few for AIS): nothing at N = 255; 255 zeros: raised with the
	 * last of them. */
	uint8_t bits[128];
	struct log log = {0};
	struct evl_e1_monitor mon;
	memset(bits, 0xff, sizeof(bits));
	for (uint32_t b = 101; b < 101 + 254; b++) {
		clear_bit(bits, b);
	}
	evl_e1_monitor_init(&mon, 255);
	evl_e1_monitor_feed(&mon, 7, bits, sizeof(bits), note, &log);
	assert_int_equal(log.n, 0);
	clear_bit(bits, 101 + 254);
	evl_e1_monitor_init(&mon, 255);
	evl_e1_monitor_set_offset(&mon, 1000);
	evl_e1_monitor_feed(&mon, 7, bits, sizeof(bits), note, &log);
	assert_int_equal(log.n, 2);
	expect(&log, 0, EVL_ALARM_LOS, true, 1000 + 101 + 255);
	/* First one at 356; the one 255 bits later clears. */
	expect(&log, 1, EVL_ALARM_LOS, false, 1000 + 356 + 255 + 1);
}

static void test_los_random(void **state)
{
	(void)state;
	static uint8_t bits[6000];
	struct evl_rng rng;
	evl_rng_init(&rng, 1, 2);
	static const uint32_t limits[] = {10, 11, 14, 15, 16, 17, 100, 255};
	for (int round = 0; round < 400; round++) {
		/* Stretches of zeros and of noise, of any length in bits, few enough events. */
		memset(bits, 0, sizeof(bits));
		size_t at = 0;
		while (at < 1500 * 8) {
			at += evl_rng_below(&rng, 300);
			uint64_t n = evl_rng_below(&rng, 800);
			for (uint64_t i = 0; i < n && at < sizeof(bits) * 8; i++, at++) {
				if (evl_rng_below(&rng, 3) == 0) {
					evl_bits_flip(bits, at);
				}
			}
		}
		uint32_t limit = limits[round % 8];
		size_t size = 200 + evl_rng_below(&rng, 200);
		struct log fast = {0}, slow = {0};
		struct evl_e1_monitor mon;
		evl_e1_monitor_init(&mon, limit);
		mon.ais = false;
		for (size_t i = 0; i < size;) {
			size_t n = 1 + evl_rng_below(&rng, 40);
			n = n < size - i ? n : size - i;
			evl_e1_monitor_feed(&mon, 7, bits + i, n, note, &fast);
			i += n;
		}
		slow_los(bits, size, limit, &slow);
		assert_int_equal(fast.n, slow.n);
		for (uint32_t i = 0; i < fast.n; i++) {
			expect(&fast, i, slow.e[i].alarm, slow.e[i].raised, slow.e[i].at);
		}
	}
}

static void test_options(void **state)
{
	(void)state;
	struct evl_e1_monitor mon;
	assert_int_equal(evl_e1_monitor_init(&mon, 9), EVL_E_INVALID);
	assert_int_equal(evl_e1_monitor_init(&mon, 256), EVL_E_INVALID);
	assert_int_equal(evl_e1_monitor_init(&mon, 10), EVL_OK);
	uint8_t zero[2] = {0, 0x3f};
	evl_e1_monitor_feed(&mon, 0, zero, 2, NULL, NULL);
	assert_true(mon.los);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_ais),
		cmocka_unit_test(test_los_exact),
		cmocka_unit_test(test_los_random),
		cmocka_unit_test(test_options),
	};
	return cmocka_run_group_tests_name("frame.e1", tests, NULL, NULL);
}
