/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Takes that end when all is proved, and errored blocks, over a loopback. Times follow from the
 * formula in core/measure/sequential.h: without errors a ratio is proved after 3.13775 / ratio bits
 * at 95 %; blocks from ITU-T G.826 (2048 bits of an E1, 1000 in a second).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <string.h>

#include "rig.h"

#define SECOND 8000u /* frames */

static const uint64_t never = UINT64_MAX;

static struct evl_take_result *take(struct rig *rig)
{
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(rig, never, NULL, &r, &err), EVL_OK);
	return r;
}

static void ends_when_all_are_proved(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 8, 20 * SECOND);
	/* 3137747 bits at 1e-6: in the second second. */
	rig.plan.until_proved = (struct evl_take_proof){1e-6, 0.95};
	struct evl_take_result *r = take(&rig);
	assert_true(r->ended_early);
	assert_int_equal(r->frames, 2 * SECOND);
	assert_int_equal(r->frames_planned, 20 * SECOND);
	assert_false(r->interrupted);
	for (uint32_t i = 0; i < 8; i++) {
		assert_int_equal(r->meters[i].proved_ns, 2000000000);
	}
	evl_take_result_destroy(r);
	/* Not provable in the time: to the end, and nothing is proved. */
	rig.plan.frames = 2 * SECOND;
	rig.plan.until_proved.ratio = 1e-7;
	r = take(&rig);
	assert_false(r->ended_early);
	assert_int_equal(r->frames, 2 * SECOND);
	assert_int_equal(r->meters[3].proved_ns, -1);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void waits_for_the_slowest(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 60 * SECOND);
	rig.plan.until_proved = (struct evl_take_proof){1e-6, 0.95};
	/* Some 20 errors in the first 100 ms of channel 1, and none afterwards: a fail at once, and
	 * still one a second later. */
	struct evl_take_injection inject = {.channel = 1,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 10000,
		.at_ns = 0,
		.lasting_ns = 100000000};
	rig.plan.injections = &inject;
	rig.plan.injection_count = 1;
	struct evl_take_result *r = take(&rig);
	assert_true(r->ended_early);
	assert_int_equal(r->frames, 2 * SECOND); /* the clean one is proved then */
	assert_in_range(r->meters[1].errors, 20, 21);
	assert_int_equal(r->meters[1].proved_ns, 1000000000);
	assert_int_equal(r->meters[0].proved_ns, 2000000000);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

/* A channel that brings no pattern can prove nothing: after ten severely errored seconds the take
 * waits for it no more (ITU-T G.821 Annex A: unavailable). */
static void does_not_wait_for_the_dead(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, 60 * SECOND);
	rig.parts[1].played = (struct evl_take_content){.kind = EVL_CONTENT_NONE};
	rig.plan.until_proved = (struct evl_take_proof){1e-6, 0.95};
	struct evl_take_result *r = take(&rig);
	assert_true(r->ended_early);
	assert_int_equal(r->frames, 10 * SECOND);
	assert_int_equal(r->meters[1].proved_ns, -1);
	assert_int_equal(r->meters[0].proved_ns, 2000000000);
	assert_int_equal(r->meters[1].by_blocks.unavailable, 10);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void bad_values_are_refused(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 2, SECOND);
	rig.plan.until_proved = (struct evl_take_proof){1e-6, 1};
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, NULL, &r, &err), EVL_E_INVALID);
	assert_null(r);
	assert_non_null(strstr(err.text, "until proved"));
	rig.plan.until_proved.ratio = 0;
	r = take(&rig); /* the engine is usable as before */
	evl_take_result_destroy(r);
	rig_down(&rig);
}

static void blocks(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	rig_patterns(&rig, 3, 3 * SECOND);
	/* The mock wrongs every Nth bit while it injects. Channel 1: 20 bits of the second second,
	 * each in a block of its own. Channel 2: every 4096th, one bit in every second block of it,
	 * 500 of 1000: severe by blocks (30 %), although the bit error ratio is below 1e-3. */
	struct evl_take_injection inject[] = {
		{.channel = 1,
			.kind = EVL_INJECT_ERRORS,
			.numerator = 1,
			.denominator = 100000,
			.at_ns = 1000000000,
			.lasting_ns = 1000000000},
		{.channel = 2,
			.kind = EVL_INJECT_ERRORS,
			.numerator = 1,
			.denominator = 4096,
			.at_ns = 1000000000,
			.lasting_ns = 1000000000},
	};
	rig.plan.injections = inject;
	rig.plan.injection_count = 2;
	struct evl_take_result *r = take(&rig);
	const struct evl_performance_totals *clean = &r->meters[0].by_blocks;
	assert_int_equal(clean->available, 3);
	assert_int_equal(clean->es, 0);
	/* The pattern is found within the first block. */
	assert_int_equal(clean->units, 3000);
	const struct evl_performance_totals *some = &r->meters[1].by_blocks;
	assert_int_equal(some->es, 1);
	assert_int_equal(some->ses, 0);
	assert_in_range(some->background, 20, 21);
	assert_int_equal(some->background, r->meters[1].errors);
	const struct evl_performance_totals *many = &r->meters[2].by_blocks;
	assert_int_equal(many->ses, 1);
	assert_int_equal(many->background, 0);
	assert_int_equal(many->units, 2000);
	assert_in_range(many->errored, 499, 501);
	assert_int_equal(r->meters[2].severely_errored_seconds, 0);
	evl_take_result_destroy(r);
	rig_down(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(ends_when_all_are_proved),
		cmocka_unit_test(waits_for_the_slowest),
		cmocka_unit_test(does_not_wait_for_the_dead),
		cmocka_unit_test(bad_values_are_refused),
		cmocka_unit_test(blocks),
	};
	return cmocka_run_group_tests_name("engine.prove", tests, NULL, NULL);
}
