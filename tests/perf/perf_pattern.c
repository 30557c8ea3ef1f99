/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast patterns are made and checked, as a ratio to memcpy of the same slabs in the same run,
 * so that figures of different machines compare. Writes JSON to $EVL_PERF_JSON (a file, or a folder
 * that gets perf_pattern.json), else to perf_pattern.json in $EVL_BUILD_ROOT or here. Fails on an
 * optimised build without sanitizers when a pattern is made or checked at less than half of 5/10 of
 * memcpy or of 5 GB/s, whichever is less (half, as the machine may be shared), or when 252 channels
 * are checked at less than 0.9 of one stream's speed in most of eleven pairs of runs.
 */
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/measure/checker.h"
#include "core/signal/bip.h"
#include "core/signal/bits.h"
#include "core/signal/crc.h"
#include "core/signal/pattern.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"
#include "core/signal/simd.h"
#include "tests/perf/json_path.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define SLAB     16384 /* bytes: 64 ms of one E1 channel */
#define SLABS    64
#define FRAMES   6 /* whole STM-1 frames in a slab */
#define MIN_TIME 0.1
#define CHANNELS 252

struct bench {
	uint8_t *data; /* SLABS slabs, filled beforehand where a check needs it */
	uint8_t *out;
	struct evl_source source;
	struct evl_checker checker;
	uint64_t sink;
};

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void run_memcpy(struct bench *b, uint8_t *slab)
{
	memcpy(b->out, slab, SLAB);
	b->sink += b->out[b->sink % SLAB];
}

static void run_make(struct bench *b, uint8_t *slab)
{
	(void)slab;
	evl_source_fill(&b->source, b->out, SLAB);
	b->sink += b->out[b->sink % SLAB];
}

static void run_check(struct bench *b, uint8_t *slab)
{
	evl_checker_feed(&b->checker, slab, SLAB);
}

static void run_shift(struct bench *b, uint8_t *slab)
{
	evl_bits_shift(b->out, slab, SLAB - 1, 3);
	b->sink += b->out[b->sink % SLAB];
}

static void run_diff(struct bench *b, uint8_t *slab)
{
	b->sink += evl_bits_count_diff(b->data, slab, SLAB);
}

static void run_bip8(struct bench *b, uint8_t *slab)
{
	b->sink += evl_bip8(slab, SLAB);
}

static void run_bip24(struct bench *b, uint8_t *slab)
{
	uint8_t acc[3] = {0};
	evl_bip24_rows(acc, slab, 270, SLAB / 270, 270);
	b->sink += acc[0];
}

static void run_scramble(struct bench *b, uint8_t *slab)
{
	memcpy(b->out, slab, 64);
	evl_scramble_stm1(b->out, FRAMES);
	b->sink += b->out[100];
}

static void run_crc32(struct bench *b, uint8_t *slab)
{
	b->sink += evl_crc32(0, slab, SLAB);
}

/* GB/s (1e9 bytes) of the best of several rounds over all slabs; a run handles `bytes` of each. */
static double measure(struct bench *b, size_t bytes, void (*run)(struct bench *, uint8_t *),
	void (*begin)(void *), void *arg)
{
	double best = 0;
	double until = now() + MIN_TIME;
	do {
		if (begin != NULL) {
			begin(arg);
		}
		double start = now();
		for (int s = 0; s < SLABS; s++) {
			run(b, b->data + (size_t)s * SLAB);
		}
		double rate = (double)SLABS * (double)bytes / (now() - start) / 1e9;
		best = rate > best ? rate : best;
	} while (now() < until);
	return best;
}

struct begin_check {
	struct bench *b;
	struct evl_pattern pattern;
};

static void begin_check(void *arg)
{
	struct begin_check *a = arg;
	/* Found beforehand, by what comes before bit 77 of the pattern. */
	struct evl_source s;
	uint8_t before[4096];
	uint64_t period = evl_pattern_period(&a->pattern);
	evl_source_start(&s, &a->pattern, period + 77 - sizeof(before) * 8 % period);
	evl_source_fill(&s, before, sizeof(before));
	evl_checker_init(&a->b->checker, &a->pattern);
	evl_checker_feed(&a->b->checker, before, sizeof(before));
}

struct result {
	char name[64];
	double rate;
	double least; /* GB/s, 0: not judged */
};

static int write_json(const struct result *r, size_t n, double copy, const double many[2])
{
	char path[PERF_PATH];
	perf_json_path(path, "perf_pattern");
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fprintf(stderr, "perf_pattern: cannot write %s\n", path);
		return 1;
	}
	fprintf(f,
		"{\"benchmark\": \"pattern\", \"judged\": %s, \"memcpy_gb_per_s\": %.3f, "
		"\"results\": [",
		JUDGED ? "true" : "false", copy);
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "%s\n  {\"name\": \"%s\", \"gb_per_s\": %.3f, \"of_memcpy\": %.4f}",
			i > 0 ? "," : "", r[i].name, r[i].rate, r[i].rate / copy);
	}
	fprintf(f,
		"\n], \"channels\": %d, \"channels_of_one_stream\": {\"2^15-1\": %.4f, \"2^23-1\": "
		"%.4f}}\n",
		CHANNELS, many[0], many[1]);
	return fclose(f) == 0 ? 0 : 1;
}

static void add(struct result *r, size_t *n, const char *what, const char *pattern, double rate,
	double least)
{
	snprintf(r[*n].name, sizeof(r[*n].name), "%s%s", what, pattern);
	r[*n].rate = rate;
	r[(*n)++].least = least;
}

/* ---- many channels ---- */

#define PART       2048 /* bytes: 8 ms of one E1 channel, a slab of the engine */
#define ROUNDS     32
#define PAIRS      11
#define PER_SECOND 125 /* slabs */

struct many {
	struct evl_checker *checker; /* CHANNELS, and one more */
	struct evl_checker_counts *last;
	uint8_t *data; /* ROUNDS * CHANNELS * PART */
	uint64_t sum;
};

/* The same bytes in the same order: as one stream, or as so many channels in turn. */
static double feed_all(struct many *m, bool one)
{
	double start = now();
	for (size_t k = 0; k < (size_t)ROUNDS * CHANNELS; k++) {
		size_t c = one ? CHANNELS : k % CHANNELS;
		size_t round = k / CHANNELS;
		evl_checker_feed(&m->checker[c], m->data + k * PART, PART);
		if (round % PER_SECOND == PER_SECOND - 1 || round == ROUNDS - 1) {
			m->sum += evl_checker_since(&m->checker[c], &m->last[c]).bits;
		}
	}
	return (double)ROUNDS * CHANNELS * PART / (now() - start) / 1e9;
}

/* Median over pairs of runs of the speed of 252 channels by that of one stream. */
static double many_by_one(const struct evl_pattern *p, double *rate)
{
	struct many m = {.checker = malloc((CHANNELS + 1) * sizeof(*m.checker)),
		.last = calloc(CHANNELS + 1, sizeof(*m.last)),
		.data = malloc((size_t)ROUNDS * CHANNELS * PART)};
	double ratio[PAIRS];
	if (m.checker == NULL || m.last == NULL || m.data == NULL) {
		exit(1);
	}
	for (int i = 0; i < PAIRS; i++) {
		double speed[2];
		for (int one = 0; one < 2; one++) {
			for (size_t c = 0; c <= CHANNELS; c++) {
				evl_checker_init(&m.checker[c], p);
				m.last[c] = (struct evl_checker_counts){0};
			}
			struct evl_source s;
			for (size_t c = 0; c < CHANNELS && !one; c++) {
				evl_source_start(&s, p, c * 33331);
				for (size_t r = 0; r < ROUNDS; r++) {
					evl_source_fill(
						&s, m.data + (r * CHANNELS + c) * PART, PART);
				}
			}
			if (one) {
				evl_source_start(&s, p, 0);
				evl_source_fill(&s, m.data, (size_t)ROUNDS * CHANNELS * PART);
			}
			/* All are synchronised before the clock runs: finding a pattern is another
			 * matter, and happens once. */
			uint8_t before[512];
			uint64_t period = evl_pattern_period(p);
			for (size_t c = 0; c <= CHANNELS; c++) {
				uint64_t phase = one ? 0 : c * 33331;
				evl_source_start(&s, p, phase % period + period - 4096);
				evl_source_fill(&s, before, sizeof(before));
				evl_checker_feed(&m.checker[c], before, sizeof(before));
			}
			speed[one] = feed_all(&m, one != 0);
		}
		ratio[i] = speed[0] / speed[1];
		*rate = speed[0] > *rate ? speed[0] : *rate;
	}
	for (int i = 0; i < PAIRS; i++) {
		for (int j = i + 1; j < PAIRS; j++) {
			if (ratio[j] < ratio[i]) {
				double t = ratio[i];
				ratio[i] = ratio[j];
				ratio[j] = t;
			}
		}
	}
	free(m.checker);
	free(m.last);
	free(m.data);
	return ratio[PAIRS / 2];
}

/* Errors at a ratio of 1e-5 behind the bits that find the pattern; returns how many. */
static uint64_t spoil(struct bench *b)
{
	struct evl_rng rng;
	struct evl_rng_gap gap;
	uint64_t made = 0;
	evl_rng_init(&rng, 1, 0);
	evl_rng_gap_init(&gap, 1, 100000);
	for (uint64_t at = 9000; at < (uint64_t)SLABS * SLAB * 8;
		at += 1 + evl_rng_gap_next(&gap, &rng)) {
		evl_bits_flip(b->data, at);
		made++;
	}
	return made;
}

int main(void)
{
	static const char *const names[] = {"2^9-1", "2^11-1", "2^15-1", "2^20-1", "QRSS", "2^23-1",
		"2^29-1", "2^31-1", "all ones", "alternating", "3 in 24", "2^23-1 inverted",
		"word 110010100111011", "counter", "counter 1024", "user"};
	struct bench b = {.data = malloc((size_t)SLABS * SLAB), .out = calloc(1, SLAB)};
	if (b.data == NULL || b.out == NULL) {
		return 1;
	}
	struct result r[96];
	size_t n = 0;
	int bad = 0;
	memset(b.data, 0x55, (size_t)SLABS * SLAB);
	double copy = measure(&b, SLAB, run_memcpy, NULL, NULL);
	double least = (copy < 10 ? copy / 2 : 5) / 2;
	struct evl_user_pattern *user = NULL;
	struct evl_rng rng;
	struct evl_err err = {0};
	uint8_t some[12500];
	evl_rng_init(&rng, 3, 0);
	for (size_t i = 0; i < sizeof(some); i++) {
		some[i] = (uint8_t)evl_rng_next(&rng);
	}
	if (evl_user_pattern_create(&user, "noise", some, 99991, &err) < 0) {
		return 1;
	}
	for (size_t v = 0; v < sizeof(names) / sizeof(names[0]); v++) {
		struct begin_check arg = {.b = &b, .pattern = evl_pattern_user(user)};
		if (strcmp(names[v], "user") != 0 &&
			evl_pattern_parse(&arg.pattern, names[v], &err) < 0) {
			return 1;
		}
		evl_source_start(&b.source, &arg.pattern, 77);
		add(r, &n, "make ", names[v], measure(&b, SLAB, run_make, NULL, NULL), least);
		evl_source_start(&b.source, &arg.pattern, 77);
		for (int i = 0; i < SLABS; i++) {
			evl_source_fill(&b.source, b.data + (size_t)i * SLAB, SLAB);
		}
		add(r, &n, "check ", names[v], measure(&b, SLAB, run_check, begin_check, &arg),
			least);
		if (b.checker.errors != 0 || !b.checker.locked) {
			fprintf(stderr, "perf_pattern: the checker did not see a clean %s\n",
				names[v]);
			bad = 1;
		}
		if (v != 2 && v != 5) {
			continue;
		}
		uint64_t made = spoil(&b);
		add(r, &n, "check with errors 1e-5 ", names[v],
			measure(&b, SLAB, run_check, begin_check, &arg), 0);
		if (b.checker.errors != made) {
			fprintf(stderr,
				"perf_pattern: %" PRIu64 " errors made, %" PRIu64 " counted\n",
				made, b.checker.errors);
			bad = 1;
		}
		memset(b.data, 0xff, (size_t)SLABS * SLAB);
		add(r, &n, "search in AIS ", names[v],
			measure(&b, SLAB, run_check, begin_check, &arg), 0);
	}
	for (int level = EVL_SIMD_NONE; level <= EVL_SIMD_SSE2; level++) {
		evl_simd_limit((enum evl_simd)level);
		struct begin_check arg = {.b = &b, .pattern = evl_pattern_prbs(EVL_PRBS23)};
		evl_source_start(&b.source, &arg.pattern, 0);
		evl_source_fill(&b.source, b.data, (size_t)SLABS * SLAB);
		add(r, &n, level ? "SSE2: check " : "portable: check ", "2^23-1",
			measure(&b, SLAB, run_check, begin_check, &arg), 0);
	}
	evl_simd_limit(EVL_SIMD_AVX2);
	add(r, &n, "shift by 3 bits", "", measure(&b, SLAB, run_shift, NULL, NULL), 0);
	add(r, &n, "count differing bits", "", measure(&b, SLAB, run_diff, NULL, NULL), 0);
	add(r, &n, "BIP-8", "", measure(&b, SLAB, run_bip8, NULL, NULL), 0);
	add(r, &n, "BIP-24", "", measure(&b, SLAB / 270 * 270, run_bip24, NULL, NULL), 0);
	add(r, &n, "scramble STM-1", "", measure(&b, FRAMES * 2430, run_scramble, NULL, NULL), 0);
	add(r, &n, "CRC-32", "", measure(&b, SLAB, run_crc32, NULL, NULL), 0);
	double many[2];
	for (int k = 0; k < 2; k++) {
		struct evl_pattern p = evl_pattern_prbs(k ? EVL_PRBS23 : EVL_PRBS15);
		double rate = 0;
		double by_one = many_by_one(&p, &rate);
		many[k] = by_one;
		add(r, &n, "252 channels ", k ? "2^23-1" : "2^15-1", rate, 0);
		printf("252 channels of %s: %.3f of one stream\n", k ? "2^23-1" : "2^15-1", by_one);
		if (JUDGED && by_one < 0.9) {
			fprintf(stderr, "perf_pattern: 252 channels cost more than 10 %%\n");
			bad = 1;
		}
	}

	printf("%s; memcpy of %d byte slabs: %.2f GB/s\n", evl_simd_name(evl_simd_now()), SLAB,
		copy);
	for (size_t i = 0; i < n; i++) {
		bool slow = JUDGED && r[i].rate < r[i].least;
		printf("%-32s %7.2f GB/s, %5.2f of memcpy%s\n", r[i].name, r[i].rate,
			r[i].rate / copy, slow ? "  TOO SLOW" : "");
		bad |= slow;
	}
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	bad |= write_json(r, n, copy, many);
	volatile uint64_t keep = b.sink; /* so that the work is not left out */
	(void)keep;
	evl_user_pattern_destroy(user);
	free(b.data);
	free(b.out);
	return bad;
}
