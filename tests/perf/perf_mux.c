/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast clients become an SDH line, clients again, and are compared with their pattern, as a
 * ratio to the line rate (155.52 or 622.08 Mbit/s) on one core (processor time of this process, so
 * that other work on the machine counts less; making the patterns is not counted). What supervision
 * costs, what receivers cost that only supervise, and the parts by themselves. A figure is the best
 * of many short rounds, as is usual for the least time that work needs on a machine shared with
 * other work; that of supervision is the middle one of many rounds. Writes JSON to
 * $EVL_PERF_JSON (a file, or a folder that gets perf_mux.json), else to perf_mux.json in
 * $EVL_BUILD_ROOT or here. Fails when a figure misses its limit (30 times the line rate for 63 E1
 * and 84 T1, 8 times for 252 E1 in STM-4, 10 % for supervision, 4 GB/s for scrambler and BIP, 1
 * GB/s for the frame search) on an optimised build without sanitizers, or when a bit came out
 * wrong.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/frame/sdh.h"
#include "core/frame/section_rx.h"
#include "core/measure/checker.h"
#include "core/signal/bip.h"
#include "core/signal/prbs.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"
#include "tests/perf/json_path.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define SDH_SLAB 16 /* frames: 2 ms, so that STM-4 with all its clients stays in the cache */
#define LEAST    30.0
#define MIN_TIME 0.02 /* s of a round: short, so that the best is hardly disturbed */
#define ROUNDS   50

struct result {
	const char *name;
	const char *unit;
	double value;
	double least, most; /* 0: not judged */
};

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int write_json(const struct result *r, size_t n)
{
	char path[PERF_PATH];
	perf_json_path(path, "perf_mux");
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fprintf(stderr, "perf_mux: cannot write %s\n", path);
		return 1;
	}
	fprintf(f,
		"{\"benchmark\": \"mux\", \"judged\": %s, "
		"\"results\": [",
		JUDGED ? "true" : "false");
	for (size_t i = 0; i < n; i++) {
		fprintf(f,
			"%s\n  {\"name\": \"%s\", \"value\": %.2f, \"unit\": \"%s\", \"least\": "
			"%.0f, \"most\": %.0f}",
			i > 0 ? "," : "", r[i].name, r[i].value, r[i].unit, r[i].least, r[i].most);
	}
	fprintf(f, "\n]}\n");
	return fclose(f) == 0 ? 0 : 1;
}

/* ---- clients through the line ---- */

static const struct sdh_case {
	const char *name;
	uint32_t stm;
	enum evl_sdh_au au;
	enum evl_sdh_kind kind;
	bool own_clocks; /* with a desynchroniser */
	bool mid;        /* pointers in mid-row and mid-TU, so that VCs lie across frames */
	double least;
} sdh_cases[] = {
	{"63 E1 in AU-4", 1, EVL_SDH_AU4, EVL_SDH_E1, false, false, LEAST},
	{"63 E1, own clocks", 1, EVL_SDH_AU4, EVL_SDH_E1, true, false, LEAST},
	{"63 E1, pointers in mid-row", 1, EVL_SDH_AU4, EVL_SDH_E1, false, true, 0},
	{"84 T1 in AU-4", 1, EVL_SDH_AU4, EVL_SDH_T1, false, false, LEAST},
	{"84 T1, own clocks", 1, EVL_SDH_AU4, EVL_SDH_T1, true, false, 0},
	{"84 T1 in 3 AU-3", 1, EVL_SDH_AU3, EVL_SDH_T1, false, false, 0},
	{"252 E1 in STM-4", 4, EVL_SDH_AU4, EVL_SDH_E1, false, false, 8},
	{"336 T1 in OC-12", 4, EVL_SDH_AU3, EVL_SDH_T1, false, false, 0},
	{"VC-4 bulk", 1, EVL_SDH_AU4, EVL_SDH_VC4, false, false, 0},
	{"VC-4-4c bulk", 4, EVL_SDH_AU4_4C, EVL_SDH_VC4_4C, false, false, 0},
};
#define SDH_CASES (sizeof(sdh_cases) / sizeof(sdh_cases[0]))

struct rig {
	struct evl_sdh_tx *tx;
	struct evl_sdh_rx *rx;
	uint32_t clients;
	const struct evl_sdh_client *list;
	uint8_t *line;
	uint8_t *in[EVL_SDH_MOST_CLIENTS], *out[EVL_SDH_MOST_CLIENTS];
	uint32_t bytes[EVL_SDH_MOST_CLIENTS], got[EVL_SDH_MOST_CLIENTS];
	struct evl_prbs prbs[EVL_SDH_MOST_CLIENTS];
	struct evl_checker *checker;
};

static void need(bool good, const char *what)
{
	if (!good) {
		fprintf(stderr, "perf_mux: %s\n", what);
		exit(1);
	}
}

static void rig_open(struct rig *b, uint32_t stm, enum evl_sdh_au au, enum evl_sdh_kind kind)
{
	struct evl_sdh_map map;
	struct evl_err err = {0};
	const struct evl_pattern pattern = evl_pattern_prbs(EVL_PRBS15);
	memset(b, 0, sizeof(*b));
	evl_sdh_map_fill(&map, stm, au, kind);
	need(evl_sdh_tx_create(&b->tx, &map, &err) == EVL_OK &&
			evl_sdh_rx_create(&b->rx, &map, NULL, &err) == EVL_OK,
		err.text);
	b->list = evl_sdh_tx_clients(b->tx, &b->clients);
	b->line = calloc(SDH_SLAB, EVL_SDH_LINE_BYTES(stm));
	b->checker = calloc(b->clients, sizeof(b->checker[0]));
	need(b->line != NULL && b->checker != NULL, "no memory");
	for (uint32_t i = 0; i < b->clients; i++) {
		b->bytes[i] = b->list[i].frame_bits * SDH_SLAB / 8;
		b->in[i] = malloc(b->bytes[i]);
		b->out[i] = calloc(1, evl_sdh_rx_room(&b->list[i], SDH_SLAB));
		need(b->in[i] != NULL && b->out[i] != NULL, "no memory");
		evl_prbs_init(&b->prbs[i], EVL_PRBS15, 500u * i);
		evl_checker_init(&b->checker[i], &pattern);
	}
}

static void rig_close(struct rig *b)
{
	for (uint32_t i = 0; i < b->clients; i++) {
		free(b->in[i]);
		free(b->out[i]);
	}
	free(b->line);
	free(b->checker);
	evl_sdh_tx_destroy(b->tx);
	evl_sdh_rx_destroy(b->rx);
}

static void patterns(struct rig *b)
{
	for (uint32_t i = 0; i < b->clients; i++) {
		evl_prbs_fill(&b->prbs[i], b->in[i], b->bytes[i]);
	}
}

static void encode(struct rig *b)
{
	(void)evl_sdh_encode(
		b->tx, (const uint8_t *const *)b->in, b->bytes, SDH_SLAB, b->line, NULL);
}

/* Mapping, demapping and checking; 0 when a bit came out wrong. */
static double measure_sdh(const struct sdh_case *c)
{
	static struct rig b;
	rig_open(&b, c->stm, c->au, c->kind);
	const bool counted = c->own_clocks || b.list[0].kind >= EVL_SDH_VC3;
	for (uint32_t i = 0; c->mid && i < b.clients; i++) {
		(void)evl_sdh_tx_set_pointer(b.tx, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, 17);
	}
	for (uint32_t i = 0; c->mid && i < EVL_SDH_MOST_HIGH; i++) {
		(void)evl_sdh_tx_set_pointer(b.tx, (struct evl_sdh_at){EVL_SDH_HIGH, i}, 700);
	}
	double best = 0;
	for (int round = 0; round < ROUNDS; round++) {
		double took = 0;
		uint64_t frames = 0;
		while (took < MIN_TIME) {
			patterns(&b);
			double begin = now();
			encode(&b);
			evl_sdh_decode(b.rx, b.line, SDH_SLAB, b.out, counted ? b.got : NULL, NULL);
			for (uint32_t i = 0; i < b.clients; i++) {
				evl_checker_feed(
					&b.checker[i], b.out[i], counted ? b.got[i] : b.bytes[i]);
			}
			took += now() - begin;
			frames += SDH_SLAB;
		}
		double ratio = (double)frames / 8000 / took;
		best = ratio > best ? ratio : best;
	}
	for (uint32_t i = 0; i < b.clients; i++) {
		const struct evl_checker *k = &b.checker[i];
		if (!k->locked || k->errors > 0 || k->slips > 0 || k->sync_losses > 0) {
			best = 0;
		}
	}
	rig_close(&b);
	return best;
}

/* ---- what supervision costs ---- */

static uint64_t told;

static void note(void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	(void)ctx, (void)at, (void)raised, (void)bit;
	told += alarm;
}

static int rising(const void *a, const void *b)
{
	const double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

/* The same slabs through a decoder that watches everything and one that only gives the bits, by
 * turns first; per cent of mapping and demapping, the middle one of many short rounds. */
static double measure_supervision(uint32_t stm, enum evl_sdh_kind kind)
{
	static struct rig b;
	struct evl_sdh_rx *bare = NULL;
	struct evl_sdh_map map;
	const struct evl_rx_options options = {.depth = EVL_RX_BITS};
	const struct evl_sdh_events events = {note, NULL};
	double cost[2 * ROUNDS];
	rig_open(&b, stm, EVL_SDH_AU4, kind);
	evl_sdh_map_fill(&map, stm, EVL_SDH_AU4, kind);
	need(evl_sdh_rx_create(&bare, &map, &options, NULL) == EVL_OK, "no memory");
	for (int round = 0; round < 2 * ROUNDS; round++) {
		double took[2] = {0, 0}, mapping = 0;
		for (int slab = 0; slab < 20; slab++) {
			patterns(&b);
			double begin = now();
			encode(&b);
			double last = now();
			mapping += last - begin;
			for (int turn = 0; turn < 2; turn++) {
				const int watched = (slab + turn) % 2;
				evl_sdh_decode(watched ? b.rx : bare, b.line, SDH_SLAB, b.out, NULL,
					watched ? &events : NULL);
				double then = now();
				took[watched] += then - last;
				last = then;
			}
		}
		cost[round] = 100 * (took[1] - took[0]) / (mapping + took[0]);
	}
	qsort(cost, 2 * ROUNDS, sizeof(cost[0]), rising);
	evl_sdh_rx_destroy(bare);
	rig_close(&b);
	return cost[ROUNDS];
}

/* ---- receivers that only supervise ---- */

static const struct watch_case {
	const char *name;
	uint32_t stm;
	enum evl_sdh_au au;
	enum evl_sdh_kind kind;
	uint32_t depth;
} watch_cases[] = {
	{"watch section, STM-1", 1, EVL_SDH_AU4, EVL_SDH_E1, EVL_RX_SECTION},
	{"watch AU-4, STM-1", 1, EVL_SDH_AU4, EVL_SDH_E1, EVL_RX_HIGH},
	{"watch 3 AU-3, OC-3", 1, EVL_SDH_AU3, EVL_SDH_T1, EVL_RX_HIGH},
	{"watch 4 AU-4, STM-4", 4, EVL_SDH_AU4, EVL_SDH_E1, EVL_RX_HIGH},
};
#define WATCH_CASES (sizeof(watch_cases) / sizeof(watch_cases[0]))

static double measure_watch(const struct watch_case *c)
{
	struct evl_sdh_map map;
	struct evl_sdh_tx *tx = NULL;
	struct evl_sdh_rx *rx = NULL;
	struct evl_err err = {0};
	const uint8_t *in[EVL_SDH_MOST_CLIENTS] = {NULL};
	static uint8_t *out[EVL_SDH_MOST_CLIENTS];
	const struct evl_rx_options options = {.depth = c->depth};
	evl_sdh_map_fill(&map, c->stm, c->au, c->kind);
	uint8_t *line = calloc(SDH_SLAB, EVL_SDH_LINE_BYTES(c->stm));
	if (line == NULL || evl_sdh_tx_create(&tx, &map, &err) != EVL_OK ||
		evl_sdh_rx_create(&rx, &map, &options, &err) != EVL_OK) {
		fprintf(stderr, "perf_mux: %s\n", err.text);
		exit(1);
	}
	(void)evl_sdh_encode(tx, in, NULL, SDH_SLAB, line, NULL);
	double best = 0;
	for (int round = 0; round < ROUNDS; round++) {
		double begin = now(), took;
		uint64_t frames = 0;
		do {
			for (int i = 0; i < 16; i++) {
				evl_sdh_decode(rx, line, SDH_SLAB, out, NULL, NULL);
			}
			frames += 16 * SDH_SLAB;
			took = now() - begin;
		} while (took < MIN_TIME / 3);
		double ratio = (double)frames / 8000 / took;
		best = ratio > best ? ratio : best;
	}
	free(line);
	evl_sdh_tx_destroy(tx);
	evl_sdh_rx_destroy(rx);
	return best;
}

/* ---- parts, in GB/s ---- */

static uint8_t block[1 << 14];
static volatile uint32_t sink;

static void part_scramble(void)
{
	evl_scramble_stm1(block, 6);
}

static void part_bip8(void)
{
	sink += evl_bip8(block, 6 * 2430);
}

static void part_section(void)
{
	static struct evl_stm_tx tx;
	if (tx.n == 0) {
		evl_stm_tx_init(&tx, 1, 0);
	}
	for (uint32_t i = 0; i < 6; i++) {
		evl_stm_tx_frame(&tx, block + 2430 * i, false); /* scrambler, B1 and B2 */
	}
}

static void part_search(void)
{
	static struct evl_section_rx rx;
	if (rx.n == 0) {
		struct evl_rx_options o;
		struct evl_rng rng;
		(void)evl_rx_options_resolve(&o, NULL, NULL);
		evl_section_rx_init(&rx, 1, &o);
		evl_rng_init(&rng, 1, 0);
		for (size_t i = 0; i < sizeof(block); i++) {
			block[i] = (uint8_t)evl_rng_next(&rng);
		}
	}
	for (uint32_t i = 0; i < 6; i++) {
		evl_section_rx_feed(&rx, block + 2430 * i, NULL, NULL, NULL);
	}
	sink += rx.defects;
}

static double measure_part(void (*part)(void))
{
	double best = 0;
	for (int round = 0; round < ROUNDS; round++) {
		double begin = now(), took;
		uint64_t times = 0;
		do {
			for (int i = 0; i < 200; i++) {
				part();
			}
			times += 200;
			took = now() - begin;
		} while (took < MIN_TIME / 3);
		double rate = (double)times * 6 * 2430 / took / 1e9;
		best = rate > best ? rate : best;
	}
	return best;
}

static bool show(struct result *r)
{
	bool slow = JUDGED &&
		    ((r->least > 0 && r->value < r->least) || (r->most > 0 && r->value > r->most));
	printf("%-28s %7.2f %s%s\n", r->name, r->value, r->unit, slow ? "  MISSED" : "");
	return slow;
}

int main(void)
{
	static struct result r[SDH_CASES + 2 + WATCH_CASES + 4];
	size_t n = 0;
	bool bad = false;
	/* First, in fresh memory: after STM-4 the same code shows some per cent more. */
	r[n] = (struct result){
		"supervision of 63 E1", "% more", measure_supervision(1, EVL_SDH_E1), 0, 10};
	bad |= show(&r[n++]);
	r[n] = (struct result){
		"supervision of 84 T1", "% more", measure_supervision(1, EVL_SDH_T1), 0, 10};
	bad |= show(&r[n++]);
	for (size_t i = 0; i < SDH_CASES; i++, n++) {
		r[n] = (struct result){sdh_cases[i].name, "times the line rate",
			measure_sdh(&sdh_cases[i]), sdh_cases[i].least, 0};
		bad |= show(&r[n]);
		if (r[n].value == 0) {
			fprintf(stderr, "perf_mux: %s: wrong bits came out\n", r[n].name);
			bad = true;
		}
	}
	for (size_t i = 0; i < WATCH_CASES; i++, n++) {
		r[n] = (struct result){watch_cases[i].name, "times the line rate",
			measure_watch(&watch_cases[i]), 0, 0};
		bad |= show(&r[n]);
	}
	static const struct {
		const char *name;
		void (*part)(void);
		double least;
	} parts[4] = {{"scrambler", part_scramble, 4}, {"BIP-8", part_bip8, 4},
		{"scrambler, B1, B2", part_section, 4}, {"frame search, noise", part_search, 1}};
	for (size_t i = 0; i < 4; i++, n++) {
		r[n] = (struct result){
			parts[i].name, "GB/s", measure_part(parts[i].part), parts[i].least, 0};
		bad |= show(&r[n]);
	}
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	return write_json(r, n) != 0 || bad;
}
