/* SPDX-License-Identifier: Apache-2.0 */
/* Cross-connections made here, so that the right answer is known; delays of 0 to 15 ms at 2048
 * kbit/s (30 720 bits), to which each receiver adds a little of its own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/measure/phase.h"
#include "core/signal/rng.h"

#define N         63
#define MAX_DELAY 30720
#define TOLERANCE 16

static const uint32_t period = 32767;
static const struct evl_pattern pattern = {.kind = EVL_PATTERN_PRBS, .prbs = EVL_PRBS15};
static const struct evl_pattern pattern23 = {.kind = EVL_PATTERN_PRBS, .prbs = EVL_PRBS23};

struct scene {
	uint32_t sent[N];
	size_t source[N];  /* whose pattern receiver i gets */
	uint32_t extra[N]; /* delay on top of the common one */
	bool dead[N];
	struct evl_phase_seen seen[N];
	struct evl_phase_arrival at[N];
	struct evl_phase_match m;
};

static void setup(struct scene *s, uint64_t seed)
{
	struct evl_err err = {0};
	memset(s, 0, sizeof(*s));
	assert_int_equal(evl_phase_assign(s->sent, N, &pattern, seed, &err), EVL_OK);
	for (size_t i = 0; i < N; i++) {
		s->source[i] = i;
	}
}

static void run(struct scene *s, uint32_t delay, struct evl_rng *rng)
{
	struct evl_err err = {0};
	for (size_t i = 0; i < N; i++) {
		uint32_t wander = rng ? (uint32_t)evl_rng_below(rng, TOLERANCE) : 0;
		uint32_t d = (delay + wander + s->extra[i]) % period;
		s->seen[i].present = !s->dead[i];
		s->seen[i].offset = (s->sent[s->source[i]] + period - d) % period;
	}
	enum evl_status status = evl_phase_match(
		&s->m, s->at, s->sent, s->seen, N, &pattern, MAX_DELAY, TOLERANCE, &err);
	assert_string_equal(err.text, "");
	assert_int_equal(status, EVL_OK);
}

static void check(const struct scene *s, uint32_t delay, size_t deviating)
{
	size_t own = 0, crossed = 0, nothing = 0;
	for (size_t i = 0; i < N; i++) {
		const struct evl_phase_arrival *a = &s->at[i];
		if (s->dead[i]) {
			assert_int_equal(a->place, EVL_PHASE_NOTHING);
			nothing++;
		} else if (s->extra[i] > 0) {
			assert_int_equal(a->place, EVL_PHASE_DEVIATING);
			assert_true(a->delay_bits - delay - s->extra[i] < TOLERANCE);
			assert_int_equal(a->channel, i);
		} else if (s->source[i] == i) {
			assert_int_equal(a->place, EVL_PHASE_OWN);
			assert_int_equal(a->channel, i);
			assert_true(a->delay_bits - delay < TOLERANCE);
			own++;
		} else {
			assert_int_equal(a->place, EVL_PHASE_CROSSED);
			assert_int_equal(a->channel, s->source[i]);
			assert_true(a->delay_bits - delay < TOLERANCE);
			crossed++;
		}
	}
	assert_int_equal(s->m.own, own);
	assert_int_equal(s->m.crossed, crossed);
	assert_int_equal(s->m.nothing, nothing);
	assert_int_equal(s->m.deviating, deviating);
	assert_int_equal(s->m.agree, own + crossed);
	assert_true(s->m.certain);
	assert_true(s->m.delay_bits - delay < TOLERANCE);
}

static void shuffle(size_t *source, size_t n, struct evl_rng *rng)
{
	for (size_t i = n; i > 1; i--) {
		size_t j = (size_t)evl_rng_below(rng, i);
		size_t t = source[i - 1];
		source[i - 1] = source[j];
		source[j] = t;
	}
}

static void told_apart(void **state)
{
	(void)state;
	struct evl_rng rng;
	evl_rng_init(&rng, 30, 0);
	for (int round = 0; round < 150; round++) {
		struct scene s;
		uint32_t delay = (uint32_t)evl_rng_below(&rng, MAX_DELAY - TOLERANCE);
		delay = round == 0 ? 0 : delay;
		struct evl_rng *wander = round % 2 ? &rng : NULL;

		setup(&s, (uint64_t)round);
		run(&s, delay, wander);
		check(&s, delay, 0);

		/* Two swapped. */
		size_t a = (size_t)evl_rng_below(&rng, N);
		size_t b = (a + 1 + (size_t)evl_rng_below(&rng, N - 1)) % N;
		s.source[a] = b;
		s.source[b] = a;
		run(&s, delay, wander);
		check(&s, delay, 0);

		/* All moved on by one, by any number, and in any order. */
		for (size_t by = 1; by < N; by += by == 1 ? 5 : 9) {
			for (size_t i = 0; i < N; i++) {
				s.source[i] = (i + by) % N;
			}
			run(&s, delay, wander);
			check(&s, delay, 0);
		}
		shuffle(s.source, N, &rng);
		run(&s, delay, wander);
		check(&s, delay, 0);

		/* Half of the receivers dead, the others as they were. */
		for (size_t i = 0; i < N; i++) {
			s.dead[i] = evl_rng_below(&rng, 2) == 0;
		}
		run(&s, delay, wander);
		check(&s, delay, 0);

		/* One channel late by a frame (256 bits) or by 24 bits; a late pattern that happens
		 * to stand where another channel's would is left out, nothing could tell them
		 * apart. */
		setup(&s, (uint64_t)round);
		uint32_t late = round % 3 ? 256 : 24 + TOLERANCE;
		bool like_another = false;
		for (size_t j = 0; j < N; j++) {
			uint32_t d = (s.sent[j] + period - s.sent[a] + late) % period;
			d = d < period - d ? d : period - d;
			like_another |= j != a && d <= 3 * TOLERANCE;
		}
		if (!like_another) {
			s.extra[a] = late;
			run(&s, delay, wander);
			check(&s, delay, 1);
		}
	}
}

static void few_receivers(void **state)
{
	(void)state;
	struct scene s;
	/* One alive out of 63: its own pattern is the plain reading, but not a certain one. */
	setup(&s, 7);
	memset(s.dead, 1, sizeof(s.dead));
	s.dead[20] = false;
	run(&s, 1000, NULL);
	assert_int_equal(s.at[20].place, EVL_PHASE_OWN);
	assert_int_equal(s.at[20].delay_bits, 1000);
	assert_false(s.m.certain);
	assert_int_equal(s.m.nothing, N - 1);
	/* None at all. */
	s.dead[20] = true;
	run(&s, 1000, NULL);
	assert_int_equal(s.m.nothing, N);
	assert_int_equal(s.m.agree, 0);
	assert_false(s.m.certain);
	/* Two channels, swapped: both fit one delay only when read as crossed. */
	for (uint64_t seed = 0; seed < 50; seed++) {
		struct evl_err err = {0};
		uint32_t sent[2];
		assert_int_equal(evl_phase_assign(sent, 2, &pattern, seed, &err), EVL_OK);
		struct evl_phase_seen seen[2] = {{true, (sent[1] + period - 300) % period},
			{true, (sent[0] + period - 300) % period}};
		struct evl_phase_arrival at[2];
		struct evl_phase_match m;
		assert_int_equal(evl_phase_match(&m, at, sent, seen, 2, &pattern, MAX_DELAY,
					 TOLERANCE, &err),
			EVL_OK);
		assert_int_equal(m.crossed, 2);
		assert_int_equal(m.delay_bits, 300);
	}
}

static int by_value(const void *x, const void *y)
{
	uint32_t a = *(const uint32_t *)x, b = *(const uint32_t *)y;
	return a < b ? -1 : a > b;
}

static void assigned_phases(void **state)
{
	(void)state;
	static uint32_t phase[1024], again[1024];
	for (size_t v = 0; v < 2; v++) {
		const struct evl_pattern *kind = v ? &pattern23 : &pattern;
		uint32_t all = (uint32_t)evl_pattern_period(kind);
		for (size_t n = 1; n <= 127; n += n < 8 ? 1 : 17) {
			for (uint64_t seed = 0; seed < 5; seed++) {
				struct evl_err err = {0};
				assert_int_equal(
					evl_phase_assign(phase, n, kind, seed, &err), EVL_OK);
				assert_int_equal(
					evl_phase_assign(again, n, kind, seed, &err), EVL_OK);
				assert_memory_equal(phase, again, n * sizeof(phase[0]));
				bool equal = true;
				size_t falls = 0; /* 1 when in order round the period */
				for (size_t i = 1; i < n; i++) {
					falls += phase[i] < phase[i - 1];
				}
				qsort(phase, n, sizeof(phase[0]), by_value);
				for (size_t i = 0; i < n && n > 1; i++) {
					uint32_t gap = (phase[(i + 1) % n] + all - phase[i]) % all;
					assert_true(phase[i] < all);
					assert_true(gap >= all / (2 * n));
					uint32_t even = all / (uint32_t)n;
					equal &= gap + 40 > even && gap < even + 40;
				}
				if (n > 8) {
					assert_true(falls > 1);
				}
				if (n > 1) {
					assert_false(equal);
				}
			}
		}
	}
	/* Another seed, other phases. */
	struct evl_err err = {0};
	assert_int_equal(evl_phase_assign(phase, N, &pattern, 1, &err), EVL_OK);
	assert_int_equal(evl_phase_assign(again, N, &pattern, 2, &err), EVL_OK);
	assert_memory_not_equal(phase, again, N * sizeof(phase[0]));
	assert_int_equal(evl_phase_assign(phase, 1024, &pattern23, 1, &err), EVL_OK);
}

static void refused(void **state)
{
	(void)state;
	struct evl_err err = {0};
	uint32_t phase[2] = {100, 120};
	struct evl_phase_seen seen[2] = {{true, 1}, {true, 2}};
	struct evl_phase_arrival at[2];
	struct evl_phase_match m;
	assert_int_equal(evl_phase_assign(phase, 0, &pattern, 1, &err), EVL_E_INVALID);
	assert_int_equal(evl_phase_assign(phase, 128, &pattern, 1, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "128 channels"));
	assert_int_equal(
		evl_phase_match(&m, at, phase, seen, 2, &pattern, 1000, 16, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "channels 0 and 1"));
	assert_int_equal(
		evl_phase_match(&m, at, phase, seen, 2, &pattern, 32767, 4, &err), EVL_E_INVALID);
	assert_int_equal(evl_phase_match(&m, at, phase, seen, 2, &pattern, 1000, 20000, &err),
		EVL_E_INVALID);
	phase[0] = 32767;
	assert_int_equal(
		evl_phase_match(&m, at, phase, seen, 2, &pattern, 1000, 4, &err), EVL_E_INVALID);
	assert_int_equal(
		evl_phase_match(&m, at, phase, seen, 0, &pattern, 1000, 4, &err), EVL_E_INVALID);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(told_apart),
		cmocka_unit_test(few_receivers),
		cmocka_unit_test(assigned_phases),
		cmocka_unit_test(refused),
	};
	return cmocka_run_group_tests_name("measure.phase", tests, NULL, NULL);
}
