/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Takes that run at once over a loopback fare as each does alone: the same digests (SHA-256 over
 * what was sent and received), the same counts, and one that fails does not touch the other.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/recording/reader.h"
#include "rig.h"

#define NEVER UINT64_MAX

/* Two plans on one rig: channels 0 to 2, and 3 to 7; both recorded. */
struct two {
	struct rig rig;
	struct evl_take_plan plans[2];
	char paths[2][64];
	struct evl_take_order orders[2];
};

static void two_up(struct two *t, const char *options, uint64_t first, uint64_t second)
{
	static int made;
	memset(t, 0, sizeof *t);
	rig_up(&t->rig, "loopback", options, 1);
	rig_patterns(&t->rig, 8, first);
	for (int k = 0; k < 2; k++) {
		t->plans[k] = t->rig.plan;
		t->plans[k].holder = k ? "case b" : "case a";
		t->plans[k].parts = t->rig.parts + (k ? 3 : 0);
		t->plans[k].part_count = k ? 5 : 3;
		t->plans[k].frames = k ? second : first;
		snprintf(t->paths[k], sizeof t->paths[k], "/tmp/evl-group-%ld-%d.pcapng",
			(long)getpid(), made++);
		t->plans[k].record_path = t->paths[k];
		t->plans[k].begin_ns = 0;
		t->orders[k] = (struct evl_take_order){.plan = &t->plans[k], .deadline_ns = NEVER};
	}
	for (int i = 0; i < 8; i++) {
		t->rig.parts[i].record_sent = t->rig.parts[i].record_received = true;
	}
}

static void two_down(struct two *t)
{
	for (int k = 0; k < 2; k++) {
		evl_take_result_destroy(t->orders[k].result);
		unlink(t->paths[k]);
	}
	rig_down(&t->rig);
}

static void same_result(const struct evl_take_result *a, const struct evl_take_result *b)
{
	assert_int_equal(a->frames, b->frames);
	assert_int_equal(a->start_ns, b->start_ns);
	assert_int_equal(a->ended_early, b->ended_early);
	assert_int_equal(a->meter_count, b->meter_count);
	assert_int_equal(a->stream_count, b->stream_count);
	assert_int_equal(a->event_count, b->event_count);
	for (uint32_t i = 0; i < a->stream_count; i++) {
		assert_int_equal(a->streams[i].channel, b->streams[i].channel);
		assert_int_equal(a->streams[i].bits, b->streams[i].bits);
		assert_int_equal(strlen(a->streams[i].digest), 64);
		assert_string_equal(a->streams[i].digest, b->streams[i].digest);
	}
	for (uint32_t i = 0; i < a->meter_count; i++) {
		const struct evl_take_meter *x = &a->meters[i], *y = &b->meters[i];
		assert_int_equal(x->channel, y->channel);
		assert_int_equal(x->bits, y->bits);
		assert_int_equal(x->errors, y->errors);
		assert_int_equal(x->errored_seconds, y->errored_seconds);
		assert_int_equal(x->first_error_bit, y->first_error_bit);
		assert_int_equal(x->delay_bits, y->delay_bits);
		assert_int_equal(x->arrival, y->arrival);
		assert_int_equal(x->proved_ns, y->proved_ns);
	}
}

struct fare {
	uint64_t frames[2];
	bool proves; /* the first ends by itself when all is proved; else it has errors */
};

static void fare_up(struct two *t, const struct fare *f)
{
	static const struct evl_take_injection errors = {.channel = 1,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 1000,
		.at_ns = 100000000,
		.lasting_ns = 300000000};
	two_up(t, "delay_frames: 5", f->frames[0], f->frames[1]);
	if (f->proves) {
		/* 2.05 million bits prove 1e-4 at 95 %, from the first second on. */
		t->plans[0].until_proved = (struct evl_take_proof){1e-4, 0.95};
	} else {
		t->plans[0].injections = &errors;
		t->plans[0].injection_count = 1;
	}
}

static void each_fares_as_alone(void **state)
{
	(void)state;
	/* The shorter first and last, and one that proves. */
	static const struct fare cases[] = {
		{{8000, 20032}, false}, {{20032, 8000}, false}, {{80000, 9600}, true}};
	for (size_t n = 0; n < sizeof cases / sizeof *cases; n++) {
		struct evl_take_result *alone[2];
		for (int k = 0; k < 2; k++) {
			struct two t;
			struct evl_err err = {0};
			fare_up(&t, &cases[n]);
			assert_int_equal(evl_engine_take(t.rig.engine, &t.plans[k], NEVER, NULL,
						 &alone[k], &err),
				EVL_OK);
			two_down(&t);
		}
		struct two t;
		fare_up(&t, &cases[n]);
		evl_engine_group(t.rig.engine, t.orders, 2);
		for (int k = 0; k < 2; k++) {
			assert_int_equal(t.orders[k].status, EVL_OK);
			assert_int_equal(t.orders[k].result->frames_planned, cases[n].frames[k]);
			same_result(t.orders[k].result, alone[k]);
			evl_take_result_destroy(alone[k]);
			struct evl_rec *rec = NULL;
			struct evl_err err = {0};
			assert_int_equal(evl_rec_open(&rec, t.paths[k], &err), EVL_OK);
			assert_true(evl_rec_is_finished(rec));
			evl_rec_close(rec);
		}
		assert_int_equal(t.orders[0].result->ended_early, cases[n].proves);
		assert_int_equal(t.orders[0].result->meters[1].errors > 0, !cases[n].proves);
		assert_int_equal(t.orders[1].result->meters[1].errors, 0);
		/* The clock is where the longer one ended, or where all was proved. */
		uint64_t last = t.orders[0].result->frames > t.orders[1].result->frames
					? t.orders[0].result->frames
					: t.orders[1].result->frames;
		assert_int_equal(evl_engine_now(t.rig.engine),
			(last + EVL_TAKE_LEAD_IN) * (uint64_t)EVL_FRAME_NS);
		two_down(&t);
	}
}

static void one_that_cannot_begin_leaves_the_other(void **state)
{
	(void)state;
	for (int wrong = 0; wrong < 4; wrong++) {
		struct two t;
		two_up(&t, "", 1600, 1600);
		struct evl_take_part again[5];
		memcpy(again, t.plans[1].parts, sizeof again);
		static const struct evl_take_injection bad = {
			.channel = 4, .kind = EVL_INJECT_ALARM, .alarm = EVL_ALARM_LOS};
		const char *says = "";
		switch (wrong) {
		case 0: /* a channel of the other */
			again[4].channel = 0;
			t.plans[1].parts = again;
			says = "held by case a";
			break;
		case 1:
			t.orders[1].deadline_ns = 1000;
			says = "after the time limit of its case";
			break;
		case 2:
			t.plans[1].record_path = "/no/such/folder/x.pcapng";
			says = "/no/such/folder/x.pcapng";
			break;
		case 3: /* only known when it is injected: it lasts no time */
			t.plans[1].injections = &bad;
			t.plans[1].injection_count = 1;
			says = "inject";
			break;
		}
		evl_engine_group(t.rig.engine, t.orders, 2);
		assert_true(t.orders[1].status < 0);
		assert_non_null(strstr(t.orders[1].err.text, says));
		assert_null(t.orders[1].result);
		assert_int_equal(t.orders[0].status, EVL_OK);
		assert_int_equal(t.orders[0].result->meters[2].errors, 0);
		assert_int_equal(t.orders[0].result->meters[2].arrival, EVL_ARRIVAL_OWN);
		/* All leases are given back. */
		t.plans[1].parts = t.rig.parts + 3;
		t.plans[1].injection_count = 0;
		t.plans[1].record_path = NULL;
		for (int i = 3; i < 8; i++) {
			t.rig.parts[i].record_sent = t.rig.parts[i].record_received = false;
		}
		t.plans[1].begin_ns = evl_engine_next_begin(t.rig.engine);
		struct evl_err err = {0};
		assert_int_equal(evl_engine_take(t.rig.engine, &t.plans[1], NEVER, NULL,
					 &t.orders[1].result, &err),
			EVL_OK);
		two_down(&t);
	}
}

static void a_failing_adapter_ends_all_that_move_on_it(void **state)
{
	(void)state;
	/* In the lead-in, in both, and when the shorter (1600 frames, 25 slabs) has ended. */
	static const struct {
		const char *options;
		bool first, begins;
	} cases[] = {{"fail_arm: yes", true, false}, {"fail_start: yes", true, false},
		{"fail_exchange: 2", true, true}, {"fail_exchange: 9", true, true},
		{"fail_exchange: 40", false, true}};
	for (size_t n = 0; n < sizeof cases / sizeof *cases; n++) {
		struct two t;
		two_up(&t, cases[n].options, 1600, 8000);
		evl_engine_group(t.rig.engine, t.orders, 2);
		assert_int_equal(t.orders[1].status, EVL_E_ADAPTER);
		assert_int_equal(t.orders[1].result != NULL, cases[n].begins);
		if (cases[n].first) {
			assert_int_equal(t.orders[0].status, EVL_E_ADAPTER);
			for (int k = 0; k < 2; k++) {
				assert_non_null(strstr(t.orders[k].err.text,
					"it ends all that ran on it at once: case a, case b"));
			}
		} else {
			assert_int_equal(t.orders[0].status, EVL_OK);
			assert_int_equal(t.orders[0].result->meters[0].errors, 0);
			assert_null(strstr(t.orders[1].err.text, "at once"));
		}
		two_down(&t);
	}
}

static volatile sig_atomic_t *flag;

static void raise_flag(void *ctx, uint64_t done, uint64_t all, uint64_t errors)
{
	(void)ctx;
	(void)all;
	(void)errors;
	*flag = *flag || done >= 4000;
}

static void an_interrupt_ends_all(void **state)
{
	(void)state;
	struct two t;
	two_up(&t, "", 1600, 80000);
	static const struct evl_take_sink sink = {.progress = raise_flag};
	flag = &t.rig.stop;
	t.orders[1].sink = &sink;
	evl_engine_group(t.rig.engine, t.orders, 2);
	assert_int_equal(t.orders[0].status, EVL_OK);
	assert_false(t.orders[0].result->interrupted); /* it had ended */
	assert_int_equal(t.orders[1].status, EVL_OK);
	assert_true(t.orders[1].result->interrupted);
	assert_in_range(t.orders[1].result->frames, 4000, 4000 + EVL_TAKE_SLAB_FRAMES);
	two_down(&t);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_fares_as_alone),
		cmocka_unit_test(one_that_cannot_begin_leaves_the_other),
		cmocka_unit_test(a_failing_adapter_ends_all_that_move_on_it),
		cmocka_unit_test(an_interrupt_ends_all),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
