/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast patterns are made and checked, as a ratio to memcpy of the same slabs in the same run,
 * so that figures of different machines compare. Writes JSON to $EVL_PERF_JSON (a file, or a folder
 * that gets perf_pattern.json), else to perf_pattern.json in $EVL_BUILD_ROOT or here. Fails when a
 * pattern is made or checked at less than 1 GB/s on an optimised build without sanitizers.
 */
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "core/measure/checker.h"
#include "core/signal/bip.h"
#include "core/signal/bits.h"
#include "core/signal/crc.h"
#include "core/signal/prbs.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define SLAB     16384 /* bytes: 64 ms of one E1 channel */
#define SLABS    64
#define FRAMES   6 /* whole STM-1 frames in a slab */
#define MIN_TIME 0.25

struct bench {
	uint8_t *data; /* SLABS slabs, filled beforehand where a check needs it */
	uint8_t *out;
	struct evl_prbs prbs;
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
	evl_prbs_fill(&b->prbs, b->out, SLAB);
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
	enum evl_prbs_kind kind;
};

static void begin_check(void *arg)
{
	struct begin_check *a = arg;
	evl_checker_init(&a->b->checker, a->kind);
}

struct result {
	const char *name;
	double rate;
	double least; /* GB/s, 0: not judged */
};

static int write_json(const struct result *r, size_t n, double copy)
{
	char path[4096];
	const char *where = getenv("EVL_PERF_JSON");
	const char *root = getenv("EVL_BUILD_ROOT");
	struct stat st;
	if (where != NULL && stat(where, &st) == 0 && S_ISDIR(st.st_mode)) {
		snprintf(path, sizeof(path), "%s/perf_pattern.json", where);
	} else if (where != NULL) {
		snprintf(path, sizeof(path), "%s", where);
	} else {
		snprintf(path, sizeof(path), "%s%sperf_pattern.json", root ? root : "",
			 root ? "/" : "");
	}
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
	fprintf(f, "\n]}\n");
	return fclose(f) == 0 ? 0 : 1;
}

int main(void)
{
	struct bench b = {.data = malloc((size_t)SLABS * SLAB), .out = calloc(1, SLAB)};
	if (b.data == NULL || b.out == NULL) {
		return 1;
	}
	static const enum evl_prbs_kind kinds[] = {EVL_PRBS15, EVL_PRBS23};
	struct result r[16];
	size_t n = 0;
	int bad = 0;
	memset(b.data, 0x55, (size_t)SLABS * SLAB);
	double copy = measure(&b, SLAB, run_memcpy, NULL, NULL);
	for (size_t v = 0; v < 2; v++) {
		bool p15 = kinds[v] == EVL_PRBS15;
		struct begin_check arg = {&b, kinds[v]};
		evl_prbs_init(&b.prbs, kinds[v], 77);
		r[n++] = (struct result){p15 ? "make 2^15-1" : "make 2^23-1",
					 measure(&b, SLAB, run_make, NULL, NULL), 1};
		evl_prbs_init(&b.prbs, kinds[v], 77);
		evl_prbs_fill(&b.prbs, b.data, (size_t)SLABS * SLAB);
		r[n++] = (struct result){p15 ? "check 2^15-1" : "check 2^23-1",
					 measure(&b, SLAB, run_check, begin_check, &arg), 1};
		if (b.checker.errors != 0 || !b.checker.locked) {
			fprintf(stderr, "perf_pattern: the checker did not see a clean pattern\n");
			bad = 1;
		}
		struct evl_rng rng;
		struct evl_rng_gap gap;
		uint64_t made = 0;
		evl_rng_init(&rng, 1, v);
		evl_rng_gap_init(&gap, 1, 100000);
		for (uint64_t at = 200; at < (uint64_t)SLABS * SLAB * 8;
		     at += 1 + evl_rng_gap_next(&gap, &rng)) {
			evl_bits_flip(b.data, at);
			made++;
		}
		r[n++] = (struct result){p15 ? "check 2^15-1, 1e-5" : "check 2^23-1, 1e-5",
					 measure(&b, SLAB, run_check, begin_check, &arg), 0};
		if (b.checker.errors != made) {
			fprintf(stderr,
				"perf_pattern: %" PRIu64 " errors made, %" PRIu64 " counted\n",
				made, b.checker.errors);
			bad = 1;
		}
		memset(b.data, 0xff, (size_t)SLABS * SLAB);
		r[n++] = (struct result){p15 ? "search 2^15-1 in AIS" : "search 2^23-1 in AIS",
					 measure(&b, SLAB, run_check, begin_check, &arg), 0};
	}
	r[n++] = (struct result){"shift by 3 bits", measure(&b, SLAB, run_shift, NULL, NULL), 0};
	r[n++] =
		(struct result){"count differing bits", measure(&b, SLAB, run_diff, NULL, NULL), 0};
	r[n++] = (struct result){"BIP-8", measure(&b, SLAB, run_bip8, NULL, NULL), 0};
	r[n++] = (struct result){"BIP-24", measure(&b, SLAB / 270 * 270, run_bip24, NULL, NULL), 0};
	r[n++] = (struct result){"scramble STM-1",
				 measure(&b, FRAMES * 2430, run_scramble, NULL, NULL), 0};
	r[n++] = (struct result){"CRC-32", measure(&b, SLAB, run_crc32, NULL, NULL), 0};

	printf("memcpy of %d byte slabs: %.2f GB/s\n", SLAB, copy);
	for (size_t i = 0; i < n; i++) {
		bool slow = JUDGED && r[i].rate < r[i].least;
		printf("%-24s %7.2f GB/s, %5.2f of memcpy%s\n", r[i].name, r[i].rate,
		       r[i].rate / copy, slow ? "  TOO SLOW" : "");
		bad |= slow;
	}
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	bad |= write_json(r, n, copy);
	volatile uint64_t keep = b.sink; /* so that the work is not left out */
	(void)keep;
	free(b.data);
	free(b.out);
	return bad;
}
