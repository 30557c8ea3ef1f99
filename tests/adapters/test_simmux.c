/* SPDX-License-Identifier: Apache-2.0 */
/* The software multiplexer as a module, by the driver ABI: passage, planted defects, order of
 * calls. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/base/rate.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define DELAY        1280u /* E1 bits from in to out: 5 frames (core/frame/sdh.h) */
#define SETTLED      (128u * 256u) /* bits: the lead-in that the engine gives */
#define MS           1000000u
#define OPTIONS(...) ((const char *[]){__VA_ARGS__, NULL})
#define B0           "builds.B.faults[0]."

static struct rig rig, other;

static void all_arrive(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 128, 64, NULL);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_true(rig_arrives(&rig, t, t, DELAY, DELAY, &wrong));
		/* Before the take the inputs were idle: all ones. */
		for (uint32_t b = 0; b < DELAY; b++) {
			assert_true(evl_bits_get(rig.out[t], b));
		}
	}
	assert_int_equal(rig.event_count, 0);
	rig_close(&rig);
}

static void same_outputs(const struct rig *a, const struct rig *b)
{
	for (uint32_t c = 0; c < RIG_CHANNELS; c++) {
		assert_memory_equal(a->out[c], b->out[c],
				    a->frames * (c == RIG_LINE ? RIG_LINE_BYTES : RIG_E1_BYTES));
	}
}

/* Slab size, and takes on the same 8 ms phase later in the life of the unit, change no bit. */
static void takes_are_equal(void **state)
{
	static const char *const faults[] = {B0 "kind=swap",
					     B0 "first=3",
					     B0 "second=50",
					     "builds.B.faults[1].kind=line-delay",
					     "builds.B.faults[1].bits=4321",
					     NULL};

	(void)state;
	rig_open(&rig, "B", 1, faults);
	rig_open(&other, "B", 1, faults);
	rig_take(&rig, 0, 128, 64, NULL);
	rig_take(&other, 0, 128, 8, NULL);
	same_outputs(&rig, &other);
	rig_take(&other, 5000u * 8u * (uint64_t)MS, 128, 128, NULL);
	same_outputs(&rig, &other);
	rig_take(&other, 6000u * 8u * (uint64_t)MS + 3 * EVL_FRAME_NS, 64, 64, NULL);
	assert_memory_not_equal(rig.out[RIG_LINE], other.out[RIG_LINE], 64 * RIG_LINE_BYTES);
	rig_close(&rig);
	rig_close(&other);
}

/* Without a pause the unit simply goes on: two takes have the bits of one. */
static void takes_back_to_back(void **state)
{
	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_open(&other, "A", 1, NULL);
	rig.idle = other.idle = true;
	rig_take(&rig, 0, 128, 64, NULL);
	rig_take(&rig, 128 * (uint64_t)EVL_FRAME_NS, 128, 64, NULL);
	rig_take(&other, 0, 256, 64, NULL);
	assert_memory_equal(rig.out[RIG_LINE], other.out[RIG_LINE] + 128 * RIG_LINE_BYTES,
			    128 * RIG_LINE_BYTES);
	rig_close(&rig);
	rig_close(&other);
}

static void start_is_on_a_frame(void **state)
{
	uint64_t started;
	struct evl_arm arm = {1, 0, true, true, 0};

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 249999, 64, 64, NULL);
	assert_int_equal(rig.started_ns, 125000);
	/* Time does not run backwards. */
	assert_int_equal(rig.adapter->arm(rig.self, &arm, 1, 8, &rig.err), 0);
	assert_int_equal(rig.adapter->start(rig.self, 8124999, &started, &rig.err),
			 EVL_ADAPTER_E_STATE);
	assert_non_null(strstr(rig.err.text, "8125000 ns, where the last take ended"));
	rig_close(&rig);
}

static void swapped(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "B", 1, OPTIONS(B0 "kind=swap", B0 "first=12", B0 "second=40"));
	rig_take(&rig, 0, 128, 64, NULL);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		uint32_t from = t == 11 ? 39 : t == 39 ? 11 : t;

		assert_true(rig_arrives(&rig, t, from, DELAY, DELAY, &wrong));
	}
	rig_close(&rig);
}

static void klm_order_changes_no_tributary(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, OPTIONS("numbering=klm-order"));
	rig_take(&rig, 0, 64, 64, NULL);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_true(rig_arrives(&rig, t, t, DELAY, DELAY, &wrong));
	}
	rig_close(&rig);
}

/* 1e-2 on 512 frames (131072 bits): mean 1310.72; 99.99 % of all seeds give 1172 to 1454 (SciPy
 * 1.10, scipy.stats.poisson.ppf). */
static void errors_on_one(void **state)
{
	static const char *const faults[] = {B0 "kind=errors", B0 "tributary=17", B0 "ratio=1e-2",
					     NULL};
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_take(&rig, 0, 512, 64, NULL);
	rig_open(&other, "B", 1, faults);
	rig_take(&other, 0, 512, 64, NULL);
	wrong = (uint32_t)evl_bits_count_diff(rig.out[16], other.out[16], 512 * RIG_E1_BYTES);
	assert_in_range(wrong, 1172, 1454);
	for (uint32_t c = 0; c < RIG_CHANNELS; c++) {
		if (c != 16) {
			assert_memory_equal(rig.out[c], other.out[c],
					    512 * (c == RIG_LINE ? RIG_LINE_BYTES : RIG_E1_BYTES));
		}
	}
	rig_close(&rig);
	/* The same seed gives the same errors, another seed others. */
	rig_open(&rig, "B", 1, faults);
	rig_take(&rig, 0, 512, 8, NULL);
	assert_memory_equal(rig.out[16], other.out[16], 512 * RIG_E1_BYTES);
	rig_close(&rig);
	rig_open(&rig, "B", 2, faults);
	rig_take(&rig, 0, 512, 64, NULL);
	assert_memory_not_equal(rig.out[16], other.out[16], 512 * RIG_E1_BYTES);
	rig_close(&rig);
	rig_close(&other);
}

/* The line is open, so that the unit's own REI does not add to the difference. 1e-4 on 64 frames of
 * line (1244160 bits): mean 124.416; 99.99 %: 83 to 170 (as above). */
static void errors_on_the_line(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, OPTIONS("line=open"));
	rig_take(&rig, 0, 64, 64, NULL);
	rig_open(&other, "B", 1, OPTIONS("line=open", B0 "kind=line-errors", B0 "ratio=1e-4"));
	rig_take(&other, 0, 64, 64, NULL);
	wrong = (uint32_t)evl_bits_count_diff(rig.out[RIG_LINE], other.out[RIG_LINE],
					      64 * RIG_LINE_BYTES);
	assert_in_range(wrong, 83, 170);
	rig_close(&rig);
	rig_close(&other);
}

static void delayed(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "B", 1,
		 OPTIONS(B0 "kind=delay", B0 "tributary=63", B0 "bits=1001",
			 "builds.B.faults[1].kind=line-delay", "builds.B.faults[1].bits=100003"));
	rig_take(&rig, 0, 128, 64, NULL);
	/* The line comes 5 frames and 2803 bits later; in E1 bits, rounded up to where the decoder
	 * can give it out, that is 5 to 6 frames of 256 bits. */
	wrong = 1;
	for (uint32_t more = 5 * 256; more <= 6 * 256 && wrong > 0; more++) {
		if (rig_arrives(&rig, 0, 0, DELAY + more, DELAY + more, &wrong)) {
			assert_true(rig_arrives(&rig, 61, 61, DELAY + more, DELAY + more, &wrong));
			assert_true(rig_arrives(&rig, 62, 62, DELAY + more + 1001,
						DELAY + more + 1001, &wrong));
		}
	}
	assert_int_equal(wrong, 0);
	assert_int_equal(rig.event_count, 0);
	rig_close(&rig);
}

static void open_line_is_dark(void **state)
{
	uint8_t *line;
	uint32_t wrong;

	(void)state;
	rig_open(&rig, "A", 1, OPTIONS("line=open"));
	rig_take(&rig, 0, 64, 64, NULL);
	assert_non_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, true));
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_true(rig_is_ais(&rig, t, 0, 8 * MS));
	}
	/* Playing the captured line into it brings the tributaries back, after it has settled. */
	line = malloc(256 * RIG_LINE_BYTES);
	assert_non_null(line);
	rig_open(&other, "A", 1, NULL);
	rig_take(&other, 0, 256, 64, NULL);
	memcpy(line, other.out[RIG_LINE], 256 * RIG_LINE_BYTES);
	rig.line_source = line;
	rig_take(&rig, 8 * MS, 256, 64, NULL);
	assert_non_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, false));
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_true(rig_arrives(&rig, t, t, DELAY, SETTLED, &wrong));
	}
	free(line);
	rig_close(&rig);
	rig_close(&other);
}

/* A unit that has lost its line tells the far end: MS-RDI, HP-RDI, LP-RDI x 63 (G.783). */
static void far_end_is_told(void **state)
{
	uint32_t wrong;

	(void)state;
	rig_open(&other, "B", 1, OPTIONS(B0 "kind=line-loss", B0 "at=0 s", B0 "for=1 s"));
	rig_take(&other, 0, 256, 64, NULL);
	rig_open(&rig, "A", 1, NULL);
	rig.line_source = other.out[RIG_LINE];
	rig_take(&rig, 0, 256, 64, NULL);
	assert_non_null(rig_event(&rig, RIG_LINE, EVL_ALARM_MS_RDI, true));
	assert_non_null(rig_event(&rig, RIG_LINE, EVL_ALARM_HP_RDI, true));
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		assert_non_null(rig_event(&rig, t, EVL_ALARM_LP_RDI, true));
		assert_true(rig_arrives(&rig, t, t, DELAY, SETTLED, &wrong));
	}
	assert_null(rig_event(&rig, RIG_LINE, EVL_ALARM_LOS, true));
	rig_close(&rig);
	rig_close(&other);
}

static uint64_t monotonic_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

/* On the real clock an exchange ends when its last frame has gone over the line. */
static void paced_in_real_time(void **state)
{
	const struct evl_open_args args = {.version = 1, .build = "A", .seed = 1};
	struct evl_arm arm = {1, 20, true, true, 0};
	struct evl_inject los = {1, EVL_INJECT_ALARM, 20, EVL_ABI_LOS, 0, 0, 0, 20 * MS, 0, 0};
	uint8_t tx[64 * RIG_E1_BYTES], rx[64 * RIG_E1_BYTES + EVL_SLAB_SLACK];
	struct evl_slab slab = {1, 20, sizeof(tx), sizeof(rx), tx, rx, 0};
	struct evl_event e[2];
	uint64_t at, started;
	uint32_t count;
	void *self = NULL;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	rig_pattern(tx, sizeof(tx), 20);
	assert_int_equal(rig.adapter->open(&self, &args, &rig.err), 0);
	at = monotonic_ns() + 20 * (uint64_t)MS; /* time enough to arm, on a busy machine */
	assert_int_equal(rig.adapter->arm(self, &arm, 1, 64, &rig.err), 0);
	assert_int_equal(rig.adapter->start(self, at, &started, &rig.err), 0);
	assert_in_range(started, at - 125000, at);
	los.at_ns = at;
	assert_int_equal(rig.adapter->inject(self, &los, &rig.err), 0);
	for (uint64_t n = 1; n <= 3; n++) {
		slab.rx_bytes = sizeof(rx);
		assert_int_equal(rig.adapter->exchange(self, 64, &slab, 1, &rig.err), 0);
		assert_int_equal(slab.rx_bytes, 64 * RIG_E1_BYTES);
		assert_true(monotonic_ns() >= started + n * 8 * MS);
	}
	assert_int_equal(rig.adapter->poll(self, e, 2, &count, &rig.err), 0);
	assert_int_equal(count, 2);
	assert_true(e[0].raised && !e[1].raised);
	assert_in_range(e[0].at_ns, at, at + MS);
	assert_in_range(e[1].at_ns, at + 20 * MS, at + 21 * MS);
	assert_int_equal(rig.adapter->stop(self, &rig.err), 0);
	rig.adapter->close(self);
	rig_close(&rig);
}

static void calls_out_of_order(void **state)
{
	struct evl_arm arm[2] = {{1, 0, true, true, 0}, {1, 0, true, true, 0}};
	uint8_t bits[64] = {0};
	struct evl_slab slab = {1, 0, 32 * 8, 32 * 8 + EVL_SLAB_SLACK, NULL, bits, 0};
	uint64_t started;

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	assert_int_equal(rig.adapter->start(rig.self, 0, &started, &rig.err), EVL_ADAPTER_E_STATE);
	assert_int_equal(rig.adapter->exchange(rig.self, 8, &slab, 1, &rig.err),
			 EVL_ADAPTER_E_STATE);
	assert_int_equal(rig.adapter->arm(rig.self, arm, 2, 8, &rig.err),
			 EVL_ADAPTER_E_UNSUPPORTED);
	assert_int_equal(rig.adapter->arm(rig.self, arm, 1, 12, &rig.err), EVL_ADAPTER_E_STATE);
	arm[0].channel = 64;
	assert_int_equal(rig.adapter->arm(rig.self, arm, 1, 8, &rig.err),
			 EVL_ADAPTER_E_UNSUPPORTED);
	arm[0] = (struct evl_arm){1, 0, false, false, 0};
	assert_int_equal(rig.adapter->arm(rig.self, arm, 1, 8, &rig.err),
			 EVL_ADAPTER_E_UNSUPPORTED);
	arm[0] = arm[1];
	assert_int_equal(rig.adapter->arm(rig.self, arm, 1, 8, &rig.err), 0);
	assert_int_equal(rig.adapter->arm(rig.self, arm, 1, 8, &rig.err), EVL_ADAPTER_E_STATE);
	assert_int_equal(rig.adapter->start(rig.self, 0, &started, &rig.err), 0);
	/* Armed for play, but nothing to play. */
	assert_int_equal(rig.adapter->exchange(rig.self, 8, &slab, 1, &rig.err),
			 EVL_ADAPTER_E_STATE);
	assert_non_null(strstr(rig.err.text, "slab 0 (channel 0)"));
	assert_int_equal(rig.adapter->exchange(rig.self, 16, &slab, 1, &rig.err),
			 EVL_ADAPTER_E_STATE);
	assert_int_equal(rig.adapter->stop(rig.self, &rig.err), 0);
	assert_int_equal(rig.adapter->stop(rig.self, &rig.err), 0);
	rig_close(&rig);
	assert_int_equal(rig_try(&rig, "A", 1, OPTIONS("speed=fast")), EVL_ADAPTER_E_OPTION);
	assert_null(rig.self);
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(all_arrive),
		cmocka_unit_test(takes_are_equal),
		cmocka_unit_test(takes_back_to_back),
		cmocka_unit_test(start_is_on_a_frame),
		cmocka_unit_test(swapped),
		cmocka_unit_test(klm_order_changes_no_tributary),
		cmocka_unit_test(errors_on_one),
		cmocka_unit_test(errors_on_the_line),
		cmocka_unit_test(delayed),
		cmocka_unit_test(open_line_is_dark),
		cmocka_unit_test(far_end_is_told),
		cmocka_unit_test(paced_in_real_time),
		cmocka_unit_test(calls_out_of_order),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
