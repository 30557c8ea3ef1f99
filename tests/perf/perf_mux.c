/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast clients become an SDH line and clients again, as a ratio to the line rate (155.52 or
 * 622.08 Mbit/s) on one core (processor time of this process, so that other work on the machine
 * counts little). Writes JSON to $EVL_PERF_JSON (a file, or a folder that gets perf_mux.json), else
 * to perf_mux.json in $EVL_BUILD_ROOT or here. Fails when a figure is below its least (30 times the
 * line rate for 63 E1 and 84 T1, 8 times for 252 E1 in STM-4, 4 GB/s for scrambler and BIP, 1 GB/s
 * for the frame search) on an optimised build without sanitizers, or when a bit came out wrong.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "core/frame/mux63.h"
#include "core/frame/sdh.h"
#include "core/frame/section_rx.h"
#include "core/signal/bip.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"
#include "core/signal/scramble.h"
#include "core/signal/prbs.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define FRAMES   64 /* of a slab: 8 ms */
#define SDH_SLAB 16 /* frames: 2 ms, so that STM-4 with all its clients stays in the cache */
#define LEAST    30.0
#define MIN_TIME 0.15 /* s of a round */
#define ROUNDS   7
#define E1_SLAB  (FRAMES * EVL_MUX63_E1_BYTES)

struct bench {
	struct evl_mux63_tx *tx;
	struct evl_mux63_rx *rx;
	uint8_t *line;
	uint8_t *in[EVL_MUX63_TRIBS], *out[EVL_MUX63_TRIBS];
};

enum what { ENCODE = 1, DECODE = 2, BOTH = 3 };

struct result {
	const char *name;
	uint32_t au_pointer, tu_pointer;
	enum what what;
	double ratio;
	double least; /* 0: not judged */
};

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void slab(struct bench *b, enum what what)
{
	if ((what & ENCODE) != 0) {
		evl_mux63_encode(b->tx, (const uint8_t *const *)b->in, FRAMES, b->line);
	}
	if ((what & DECODE) != 0) {
		evl_mux63_decode(b->rx, b->line, FRAMES, b->out, NULL);
	}
}

/* Best of several rounds. */
static double measure(struct bench *b, const struct result *r)
{
	double best = 0;
	evl_mux63_tx_reset(b->tx);
	evl_mux63_rx_reset(b->rx);
	(void)evl_mux63_tx_set_au_pointer(b->tx, r->au_pointer);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		(void)evl_mux63_tx_set_tu_pointer(b->tx, t, r->tu_pointer);
	}
	for (int i = 0; i < 4; i++) {
		slab(b, BOTH);
	}
	for (int round = 0; round < ROUNDS; round++) {
		double start = now(), took;
		uint64_t frames = 0;
		do {
			for (int i = 0; i < 8; i++) {
				slab(b, r->what);
			}
			frames += 8 * FRAMES;
			took = now() - start;
		} while (took < MIN_TIME);
		double ratio = (double)frames / 8000 / took;
		best = ratio > best ? ratio : best;
	}
	return best;
}

/* The inputs are the same in every slab, so the output is the input moved round by the delay. */
static bool right(const struct bench *b)
{
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		for (uint32_t i = 0; i < E1_SLAB; i++) {
			uint32_t from = (i + E1_SLAB - EVL_MUX63_DELAY_BITS / 8) % E1_SLAB;
			if (b->out[t][i] != b->in[t][from]) {
				return false;
			}
		}
	}
	return true;
}

static int write_json(const struct result *r, size_t n)
{
	char path[4096];
	const char *where = getenv("EVL_PERF_JSON");
	const char *root = getenv("EVL_BUILD_ROOT");
	struct stat st;
	if (where != NULL && stat(where, &st) == 0 && S_ISDIR(st.st_mode)) {
		snprintf(path, sizeof(path), "%s/perf_mux.json", where);
	} else if (where != NULL) {
		snprintf(path, sizeof(path), "%s", where);
	} else {
		snprintf(
			path, sizeof(path), "%s%sperf_mux.json", root ? root : "", root ? "/" : "");
	}
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fprintf(stderr, "perf_mux: cannot write %s\n", path);
		return 1;
	}
	fprintf(f,
		"{\"benchmark\": \"mux\", \"judged\": %s, \"unit\": \"times the line rate, or "
		"GB/s\", "
		"\"results\": [",
		JUDGED ? "true" : "false");
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "%s\n  {\"name\": \"%s\", \"value\": %.2f, \"least\": %.0f}",
			i > 0 ? "," : "", r[i].name, r[i].ratio, r[i].least);
	}
	fprintf(f, "\n]}\n");
	return fclose(f) == 0 ? 0 : 1;
}

/* ---- the general encoder and decoder ---- */

static const struct sdh_case {
	const char *name;
	uint32_t stm;
	enum evl_sdh_au au;
	enum evl_sdh_kind kind;
	bool own_clocks;
	double least;
} sdh_cases[] = {
	{"sdh 63 E1 in AU-4", 1, EVL_SDH_AU4, EVL_SDH_E1, false, LEAST},
	{"sdh 63 E1, own clocks", 1, EVL_SDH_AU4, EVL_SDH_E1, true, LEAST},
	{"sdh 84 T1 in AU-4", 1, EVL_SDH_AU4, EVL_SDH_T1, false, LEAST},
	{"sdh 84 T1 in 3 AU-3", 1, EVL_SDH_AU3, EVL_SDH_T1, false, LEAST},
	{"sdh 252 E1 in STM-4", 4, EVL_SDH_AU4, EVL_SDH_E1, false, 8},
	{"sdh 336 T1 in OC-12", 4, EVL_SDH_AU3, EVL_SDH_T1, false, 0},
	{"sdh VC-4 bulk", 1, EVL_SDH_AU4, EVL_SDH_VC4, false, 0},
	{"sdh VC-4-4c bulk", 4, EVL_SDH_AU4_4C, EVL_SDH_VC4_4C, false, 0},
};
#define SDH_CASES (sizeof(sdh_cases) / sizeof(sdh_cases[0]))

/* Encoding and decoding; 0 when a bit came out wrong (nominal clocks). */
static double measure_sdh(const struct sdh_case *c)
{
	struct evl_sdh_map map;
	struct evl_sdh_tx *tx = NULL;
	struct evl_sdh_rx *rx = NULL;
	struct evl_err err = {0};
	static uint8_t *in[EVL_SDH_MOST_CLIENTS], *out[EVL_SDH_MOST_CLIENTS];
	static uint32_t bytes[EVL_SDH_MOST_CLIENTS], got[EVL_SDH_MOST_CLIENTS];
	evl_sdh_map_fill(&map, c->stm, c->au, c->kind);
	if (evl_sdh_tx_create(&tx, &map, &err) != EVL_OK ||
		evl_sdh_rx_create(&rx, &map, NULL, &err) != EVL_OK) {
		fprintf(stderr, "perf_mux: %s\n", err.text);
		exit(1);
	}
	uint32_t clients;
	const struct evl_sdh_client *list = evl_sdh_tx_clients(tx, &clients);
	bool bulk = list[0].kind >= EVL_SDH_VC3;
	uint8_t *line = calloc(SDH_SLAB, EVL_SDH_LINE_BYTES(c->stm));
	for (uint32_t i = 0; i < clients; i++) {
		struct evl_prbs prbs;
		bytes[i] = list[i].frame_bits * SDH_SLAB / 8;
		in[i] = malloc(bytes[i]);
		out[i] = calloc(1, evl_sdh_rx_room(&list[i], SDH_SLAB));
		if (line == NULL || in[i] == NULL || out[i] == NULL) {
			exit(1);
		}
		evl_prbs_init(&prbs, EVL_PRBS15, 500u * i);
		evl_prbs_fill(&prbs, in[i], bytes[i]);
	}
	double best = 0;
	bool counted = bulk || c->own_clocks;
	for (int round = 0; round < ROUNDS; round++) {
		double begin = now(), took;
		uint64_t frames = 0;
		do {
			for (int i = 0; i < 4; i++) {
				(void)evl_sdh_encode(tx, (const uint8_t *const *)in, bytes,
					SDH_SLAB, line, NULL);
				evl_sdh_decode(rx, line, SDH_SLAB, out, counted ? got : NULL, NULL);
			}
			frames += 4 * SDH_SLAB;
			took = now() - begin;
		} while (took < MIN_TIME);
		double ratio = (double)frames / 8000 / took;
		best = ratio > best ? ratio : best;
	}
	/* The inputs are the same in every slab, so the output is the input moved round. */
	uint32_t delay = 5 * list[0].frame_bits;
	for (uint32_t i = 0; i < clients && !counted; i++) {
		for (uint32_t b = 0; b < 8 * bytes[i]; b++) {
			uint32_t from = (b + 8 * bytes[i] - delay) % (8 * bytes[i]);
			if (evl_bits_get(out[i], b) != evl_bits_get(in[i], from)) {
				best = 0;
			}
		}
	}
	for (uint32_t i = 0; i < clients; i++) {
		free(in[i]);
		free(out[i]);
	}
	free(line);
	evl_sdh_tx_destroy(tx);
	evl_sdh_rx_destroy(rx);
	return best;
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
	{"decode 63 E1, STM-1", 1, EVL_SDH_AU4, EVL_SDH_E1, EVL_RX_ALL},
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

int main(void)
{
	static struct result r[4 + SDH_CASES + WATCH_CASES + 4] = {
		{"encode 63 E1", 522, 105, ENCODE, 0, 0},
		{"decode 63 E1", 522, 105, DECODE, 0, 0},
		{"encode and decode 63 E1", 522, 105, BOTH, 0, LEAST},
		{"both, pointers in mid-row", 700, 17, BOTH, 0, 0},
	};
	const size_t n = 4;
	size_t all = n;
	struct bench b = {0};
	struct evl_err err = {0};
	int bad = 0;
	if (evl_mux63_tx_create(&b.tx, &err) != EVL_OK ||
		evl_mux63_rx_create(&b.rx, NULL, &err) != EVL_OK) {
		fprintf(stderr, "perf_mux: %s\n", err.text);
		return 1;
	}
	b.line = calloc(FRAMES, EVL_MUX63_LINE_BYTES);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		struct evl_prbs prbs;
		b.in[t] = malloc(E1_SLAB);
		b.out[t] = calloc(1, E1_SLAB);
		if (b.line == NULL || b.in[t] == NULL || b.out[t] == NULL) {
			return 1;
		}
		evl_prbs_init(&prbs, EVL_PRBS15, 500u * t);
		evl_prbs_fill(&prbs, b.in[t], E1_SLAB);
	}
	for (size_t i = 0; i < n; i++) {
		r[i].ratio = measure(&b, &r[i]);
		bool slow = JUDGED && r[i].ratio < r[i].least;
		printf("%-28s %7.1f times the line rate%s\n", r[i].name, r[i].ratio,
			slow ? "  TOO SLOW" : "");
		bad |= slow;
		if (r[i].what == BOTH && !right(&b)) {
			fprintf(stderr, "perf_mux: %s: wrong bits came out\n", r[i].name);
			bad = 1;
		}
	}
	for (size_t i = 0; i < SDH_CASES; i++, all++) {
		r[all].name = sdh_cases[i].name;
		r[all].least = sdh_cases[i].least;
		r[all].ratio = measure_sdh(&sdh_cases[i]);
		bool slow = JUDGED && r[all].ratio < r[all].least;
		printf("%-28s %7.1f times the line rate%s\n", r[all].name, r[all].ratio,
			slow ? "  TOO SLOW" : "");
		if (r[all].ratio == 0) {
			fprintf(stderr, "perf_mux: %s: wrong bits came out\n", r[all].name);
		}
		bad |= slow || r[all].ratio == 0;
	}
	for (size_t i = 0; i < WATCH_CASES; i++, all++) {
		r[all].name = watch_cases[i].name;
		r[all].ratio = measure_watch(&watch_cases[i]);
		printf("%-28s %7.1f times the line rate, %.2f us a frame\n", r[all].name,
			r[all].ratio, 125 / r[all].ratio);
	}
	static const struct {
		const char *name;
		void (*part)(void);
		double least;
	} parts[4] = {{"scrambler GB/s", part_scramble, 4}, {"BIP-8 GB/s", part_bip8, 4},
		{"scrambler, B1, B2 GB/s", part_section, 4},
		{"frame search, noise GB/s", part_search, 1}};
	for (size_t i = 0; i < 4; i++, all++) {
		r[all].name = parts[i].name;
		r[all].least = parts[i].least;
		r[all].ratio = measure_part(parts[i].part);
		bool slow = JUDGED && r[all].ratio < r[all].least;
		printf("%-28s %7.2f%s\n", r[all].name, r[all].ratio, slow ? "  TOO SLOW" : "");
		bad |= slow;
	}
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	bad |= write_json(r, all);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		free(b.in[t]);
		free(b.out[t]);
	}
	free(b.line);
	evl_mux63_tx_destroy(b.tx);
	evl_mux63_rx_destroy(b.rx);
	return bad;
}
