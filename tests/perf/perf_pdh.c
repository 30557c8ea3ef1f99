/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast E1 and T1 frames are made and received, as a ratio to the line rate of all channels on
 * one core (1: as fast as the line), and how fast alignment is searched in garbage (GB/s). Writes
 * JSON to $EVL_PERF_JSON (a file, or a folder that gets perf_pdh.json), else to perf_pdh.json in
 * $EVL_BUILD_ROOT or here. Fails on an optimised build without sanitizers when a figure is below
 * its least.
 */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/frame/e1_build.h"
#include "core/frame/e1_receive.h"
#include "core/frame/e1_search.h"
#include "core/frame/t1_build.h"
#include "core/frame/t1_receive.h"
#include "core/frame/timeslot.h"
#include "core/signal/rng.h"
#include "tests/perf/json_path.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define E1_CHANNELS 63
#define T1_CHANNELS 84
#define FRAMES      512u /* a slab: 64 ms */
#define SLABS       8
#define GARBAGE     (128u << 10)
#define MIN_TIME    0.4

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

struct e1_set {
	struct evl_e1_builder b[E1_CHANNELS];
	struct evl_e1_receiver r[E1_CHANNELS];
	uint8_t slab[FRAMES * 32];
	uint8_t out[EVL_E1_OUT_BYTES(FRAMES * 32)];
	bool build, receive;
};

struct t1_set {
	struct evl_t1_builder b[T1_CHANNELS];
	struct evl_t1_receiver r[T1_CHANNELS];
	uint8_t slab[FRAMES * 193 / 8];
	uint8_t out[EVL_T1_OUT_BYTES(FRAMES * 193 / 8)];
	bool build, receive;
};

static struct e1_set e1;
static struct t1_set t1;
static struct evl_timeslots ts;
static uint8_t *garbage;
static uint64_t sink;

/* One slab of all channels. */
static void run_e1(void)
{
	for (int c = 0; c < E1_CHANNELS; c++) {
		if (e1.build) {
			evl_e1_build(&e1.b[c], e1.slab, FRAMES);
		}
		if (e1.receive) {
			sink += evl_e1_receive(&e1.r[c], e1.slab, sizeof(e1.slab), e1.out);
		}
	}
}

static void run_t1(void)
{
	for (int c = 0; c < T1_CHANNELS; c++) {
		if (t1.build) {
			evl_t1_build(&t1.b[c], t1.slab, FRAMES);
		}
		if (t1.receive) {
			sink += evl_t1_receive(&t1.r[c], t1.slab, sizeof(t1.slab), t1.out);
		}
	}
}

static void run_timeslots_e1(void)
{
	evl_timeslots_extract(&ts, e1.out, e1.slab, FRAMES);
	evl_timeslots_insert(&ts, e1.slab, e1.out, FRAMES);
	sink += e1.out[sink % 1000];
}

static void run_timeslots_t1(void)
{
	evl_timeslots_extract_t1(&ts, t1.out, t1.slab, FRAMES);
	evl_timeslots_insert_t1(&ts, t1.slab, t1.out, FRAMES);
	sink += t1.out[sink % 1000];
}

static void run_search_e1(void)
{
	uint64_t at = 0, from = 0;
	while (evl_e1_search(&at, garbage, GARBAGE, from)) {
		from = at + 1;
		sink++;
	}
}

static void search_t1(enum evl_t1_framing framing)
{
	uint64_t at = 0, from = 0;
	unsigned number;
	while (evl_t1_search(&at, &number, framing, false, garbage, GARBAGE, from)) {
		from = at + 1;
		sink++;
	}
}

static void run_search_esf(void)
{
	search_t1(EVL_T1_ESF);
}

static void run_search_sf(void)
{
	search_t1(EVL_T1_SF);
}

/* Seconds of the best round. */
static double best_of(void (*run)(void))
{
	double best = 1e9;
	double until = now() + MIN_TIME;
	do {
		double start = now();
		run();
		double took = now() - start;
		best = took < best ? took : best;
	} while (now() < until);
	return best;
}

struct result {
	const char *name;
	const char *unit;
	double value;
	double least; /* 0: not judged */
};

static int write_json(const struct result *r, size_t n)
{
	char path[PERF_PATH];
	perf_json_path(path, "perf_pdh");
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fprintf(stderr, "perf_pdh: cannot write %s\n", path);
		return 1;
	}
	fprintf(f, "{\"benchmark\": \"pdh\", \"judged\": %s, \"results\": [",
		JUDGED ? "true" : "false");
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "%s\n  {\"name\": \"%s\", \"unit\": \"%s\", \"value\": %.3f}",
			i > 0 ? "," : "", r[i].name, r[i].unit, r[i].value);
	}
	fprintf(f, "\n]}\n");
	return fclose(f) == 0 ? 0 : 1;
}

static void begin_e1(bool cas)
{
	const struct evl_e1_options o = {.framing = EVL_E1_CRC4, .cas = cas};
	for (int c = 0; c < E1_CHANNELS; c++) {
		evl_e1_builder_init(&e1.b[c], EVL_E1_CRC4, cas);
		evl_e1_receiver_init(&e1.r[c], &o, (uint32_t)c, NULL, NULL, NULL);
	}
}

static void begin_t1(void)
{
	const struct evl_t1_options o = {.framing = EVL_T1_ESF};
	for (int c = 0; c < T1_CHANNELS; c++) {
		evl_t1_builder_init(&t1.b[c], EVL_T1_ESF);
		t1.b[c].robbed = 0xffffff;
		evl_t1_receiver_init(&t1.r[c], &o, (uint32_t)c, NULL, NULL, NULL);
	}
}

static double line_ratio(void (*run)(void))
{
	return FRAMES / 8000.0 / best_of(run);
}

/* True when all channels were received without an error. */
static bool clean(void)
{
	for (int c = 0; c < E1_CHANNELS; c++) {
		const struct evl_e1_counts *n = &e1.r[c].counts;
		if (e1.r[c].multiframe != EVL_E1_MF_ALIGNED || n->crc_blocks == 0 ||
			n->crc_errors[0] + n->crc_errors[1] + n->losses != 0) {
			return false;
		}
	}
	for (int c = 0; c < T1_CHANNELS; c++) {
		const struct evl_t1_counts *n = &t1.r[c].counts;
		if (n->crc_blocks == 0 || n->crc_errors + n->losses != 0) {
			return false;
		}
	}
	return true;
}

int main(void)
{
	struct result r[24];
	size_t n = 0;
	struct evl_rng rng;
	garbage = malloc(GARBAGE);
	if (garbage == NULL) {
		return 1;
	}
	evl_rng_init(&rng, 1, 1);
	for (size_t i = 0; i < GARBAGE; i++) {
		garbage[i] = (uint8_t)evl_rng_next(&rng);
	}
	memset(e1.slab, 0xd5, sizeof(e1.slab));
	memset(t1.slab, 0x55, sizeof(t1.slab));
	begin_e1(true);
	e1.build = true;
	r[n++] =
		(struct result){"build 63 E1, CRC-4 and TS16", "line rates", line_ratio(run_e1), 0};
	begin_e1(false);
	r[n++] = (struct result){"build 63 E1, CRC-4", "line rates", line_ratio(run_e1), 0};
	begin_e1(false);
	e1.receive = true;
	r[n++] = (struct result){
		"build and receive 63 E1, CRC-4", "line rates", line_ratio(run_e1), 30};
	begin_e1(true);
	r[n++] = (struct result){
		"build and receive 63 E1, CRC-4 and TS16", "line rates", line_ratio(run_e1), 0};
	begin_t1();
	t1.build = true;
	r[n++] = (struct result){
		"build 84 T1, ESF and robbed bits", "line rates", line_ratio(run_t1), 0};
	begin_t1();
	t1.receive = true;
	r[n++] = (struct result){
		"build and receive 84 T1, ESF", "line rates", line_ratio(run_t1), 20};
	bool good = clean();

	double slab_gb = sizeof(e1.slab) / 1e9;
	evl_timeslots_parse(&ts, EVL_RATE_E1, "1-15,17-31", NULL);
	r[n++] = (struct result){
		"timeslots 1-15,17-31 out and in", "GB/s", slab_gb / best_of(run_timeslots_e1), 0};
	evl_timeslots_parse(&ts, EVL_RATE_E1, "16", NULL);
	r[n++] = (struct result){
		"timeslot 16 out and in", "GB/s", slab_gb / best_of(run_timeslots_e1), 0};
	evl_timeslots_parse(&ts, EVL_RATE_T1, "1-24", NULL);
	r[n++] = (struct result){"T1 timeslots 1-24 out and in, packed", "GB/s",
		sizeof(t1.slab) / 1e9 / best_of(run_timeslots_t1), 0};
	r[n++] = (struct result){
		"search E1 in garbage", "GB/s", GARBAGE / 1e9 / best_of(run_search_e1), 1};
	r[n++] = (struct result){
		"search T1 ESF in garbage", "GB/s", GARBAGE / 1e9 / best_of(run_search_esf), 0};
	r[n++] = (struct result){
		"search T1 SF in garbage", "GB/s", GARBAGE / 1e9 / best_of(run_search_sf), 0};

	int bad = 0;
	for (size_t i = 0; i < n; i++) {
		bool slow = JUDGED && r[i].value < r[i].least;
		printf("%-42s %9.2f %s%s\n", r[i].name, r[i].value, r[i].unit,
			slow ? "  TOO SLOW" : "");
		bad |= slow;
	}
	if (!good) {
		fprintf(stderr, "perf_pdh: the signals were not received without errors\n");
		bad = 1;
	}
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	bad |= write_json(r, n);
	volatile uint64_t keep = sink; /* so that the work is not left out */
	(void)keep;
	free(garbage);
	return bad;
}
