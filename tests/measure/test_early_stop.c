/* SPDX-License-Identifier: Apache-2.0 */
/*
 * False verdicts of the tests that stop early, by simulation: 100 000 runs for each true ratio,
 * seeded, each run a Poisson process seen at every look until it is decided or cut off. The rates
 * must stay below what is stated (sequential.h: Ville's inequality; sprt.h: Wald's bound), and
 * outlook.h, which computes the same by other means, must agree within five standard deviations.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "core/measure/outlook.h"
#include "core/measure/poisson.h"
#include "core/signal/rng.h"

#define RUNS  100000u
#define LOOKS 600u /* of 0.05 expected errors at the limit: 30 in all */
#define LIMIT 1e-4
#define BITS  500u /* of one look */

struct border {
	uint32_t pass[LOOKS]; /* passes below this count of errors */
	uint32_t fail[LOOKS]; /* fails from this count on */
};

struct tally {
	double pass, fail, open, mean_bits;
};

static double uniform(struct evl_rng *rng)
{
	return ((double)(evl_rng_next(rng) >> 11) + 1) * 0x1p-53; /* above 0, 1 at most */
}

static struct tally simulate(const struct border *b, double ratio, uint64_t stream)
{
	struct evl_rng rng;
	struct tally t = {0};
	double mean = ratio * BITS; /* errors in a look */
	evl_rng_init(&rng, 2026, stream);
	for (uint32_t run = 0; run < RUNS; run++) {
		uint32_t errors = 0, look = 0;
		double next = mean > 0 ? -log(uniform(&rng)) / mean : INFINITY; /* in looks */
		for (; look < LOOKS; look++) {
			while (next < look + 1.0) {
				errors++;
				next += -log(uniform(&rng)) / mean;
			}
			if (errors < b->pass[look]) {
				t.pass++;
				break;
			}
			if (errors >= b->fail[look]) {
				t.fail++;
				break;
			}
		}
		t.open += look == LOOKS;
		t.mean_bits += (double)BITS * (look < LOOKS ? look + 1 : LOOKS);
	}
	t.pass /= RUNS;
	t.fail /= RUNS;
	t.open /= RUNS;
	t.mean_bits /= RUNS;
	return t;
}

typedef enum evl_verdict (*decide_fn)(const void *plan, uint64_t errors, uint64_t bits);

static enum evl_verdict by_sequential(const void *plan, uint64_t errors, uint64_t bits)
{
	return evl_sequential_decide(plan, errors, bits);
}

static enum evl_verdict by_sprt(const void *plan, uint64_t errors, uint64_t bits)
{
	return evl_sprt_decide(plan, errors, bits);
}

static void borders(struct border *b, decide_fn decide, const void *plan)
{
	for (uint32_t look = 0; look < LOOKS; look++) {
		uint64_t bits = (uint64_t)BITS * (look + 1);
		uint32_t n = 0;
		while (decide(plan, n, bits) == EVL_VERDICT_PASS) {
			n++;
		}
		b->pass[look] = n;
		while (decide(plan, n, bits) != EVL_VERDICT_FAIL) {
			n++;
		}
		b->fail[look] = n;
	}
}

/* Five standard deviations of a share over RUNS. */
static double slack(double p)
{
	return 5 * sqrt((p * (1 - p) + 1e-9) / RUNS) + 1e-9;
}

static void agrees(const struct tally *t, const struct evl_outlook *o)
{
	assert_float_equal(t->pass, o->pass, slack(o->pass));
	assert_float_equal(t->fail, o->fail, slack(o->fail));
	assert_float_equal(t->open, o->open, slack(o->open));
	assert_float_equal(t->mean_bits, o->mean_bits, o->mean_bits * 0.02 + 1);
}

static void anytime(void **state)
{
	(void)state;
	static struct border b;
	static const double confidences[] = {0.95, 0.99};
	/* Ratios in units of the limit. */
	static const double ratios[] = {0, 0.1, 0.3, 0.7, 1, 1.4, 3, 10, 1000};
	struct evl_err err = {0};
	for (int c = 0; c < 2; c++) {
		struct evl_sequential s;
		double alpha = 1 - confidences[c];
		assert_int_equal(evl_sequential_init(&s, LIMIT, confidences[c], &err), EVL_OK);
		borders(&b, by_sequential, &s);
		for (size_t i = 0; i < sizeof(ratios) / sizeof(ratios[0]); i++) {
			struct tally t = simulate(&b, ratios[i] * LIMIT, (uint64_t)c * 100 + i);
			struct evl_outlook o;
			assert_int_equal(evl_outlook_sequential(
						 &o, &s, ratios[i] * LIMIT, BITS, LOOKS, &err),
				EVL_OK);
			agrees(&t, &o);
			if (ratios[i] >= 1) {
				assert_true(t.pass <= alpha); /* false passes */
			}
			if (ratios[i] <= 1) {
				assert_true(t.fail <= alpha); /* false fails */
			}
			print_message("# %g %%, true ratio %g of the limit: pass %.5f, fail %.5f, "
				      "open %.5f; mean %.2f expected errors of 30, %.1f %% of the "
				      "time saved\n",
				confidences[c] * 100, ratios[i], t.pass, t.fail, t.open,
				t.mean_bits * LIMIT, 100 * (1 - t.mean_bits / (BITS * LOOKS)));
		}
	}
}

static void wald(void **state)
{
	(void)state;
	static struct border b;
	struct evl_err err = {0};
	const struct evl_sprt t = {
		.good = LIMIT / 3, .bad = LIMIT, .false_fail = 0.05, .false_pass = 0.05};
	borders(&b, by_sprt, &t);
	for (int bad = 0; bad < 2; bad++) {
		double ratio = bad ? t.bad : t.good;
		struct tally seen = simulate(&b, ratio, 1000 + (uint64_t)bad);
		struct evl_outlook o;
		assert_int_equal(evl_outlook_sprt(&o, &t, ratio, BITS, LOOKS, &err), EVL_OK);
		agrees(&seen, &o);
		/* Wald: a <= A / (1 - B), and both together at most A + B. */
		double wrong = bad ? seen.pass : seen.fail;
		assert_true(wrong <= 0.05 / 0.95 + slack(0.05));
		/* The fixed test with these risks takes 5.24 / good (9 errors allowed). */
		print_message("# Wald, good 1/3 of bad, true ratio %s: wrong %.5f of 0.05, mean "
			      "%.3f / good; %.1f %% of the fixed test saved\n",
			bad ? "bad" : "good", wrong, seen.mean_bits * t.good,
			100 * (1 - seen.mean_bits * t.good / 5.24));
		assert_true(seen.mean_bits * t.good < 5.24);
	}
}

static void outlook_refuses(void **state)
{
	(void)state;
	struct evl_sequential s;
	struct evl_outlook o;
	struct evl_err err = {0};
	assert_int_equal(evl_sequential_init(&s, LIMIT, 0.95, &err), EVL_OK);
	assert_int_equal(evl_outlook_sequential(&o, &s, -1, 1, 1, &err), EVL_E_INVALID);
	assert_int_equal(evl_outlook_sequential(&o, &s, 0, 0, 1, &err), EVL_E_INVALID);
	assert_int_equal(evl_outlook_sequential(&o, &s, 0, 1, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_outlook_sequential(&o, &s, 0, UINT64_MAX, 2, &err), EVL_E_INVALID);
	assert_int_equal(evl_outlook_sequential(&o, &s, 0, 1000000000, 1000, &err), EVL_E_LIMIT);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(anytime),
		cmocka_unit_test(wald),
		cmocka_unit_test(outlook_refuses),
	};
	return cmocka_run_group_tests_name("measure.early_stop", tests, NULL, NULL);
}
