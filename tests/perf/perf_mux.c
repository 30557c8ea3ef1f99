/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast 63 E1 become an STM-1 line and E1 again, as a ratio to the line rate of 155.52 Mbit/s on
 * one core (processor time of this process, so that other work on the machine counts little).
 * Writes JSON to $EVL_PERF_JSON (a file, or a folder that gets perf_mux.json), else to
 * perf_mux.json in $EVL_BUILD_ROOT or here. Fails when encoding and decoding together are below 30
 * times the line rate on an optimised build without sanitizers, or when a bit came out wrong.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "core/frame/mux63.h"
#include "core/signal/prbs.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

#define FRAMES   64 /* of a slab: 8 ms */
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
		snprintf(path, sizeof(path), "%s%sperf_mux.json", root ? root : "",
			 root ? "/" : "");
	}
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fprintf(stderr, "perf_mux: cannot write %s\n", path);
		return 1;
	}
	fprintf(f,
		"{\"benchmark\": \"mux\", \"judged\": %s, \"line_rate_bit_per_s\": 155520000, "
		"\"results\": [",
		JUDGED ? "true" : "false");
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "%s\n  {\"name\": \"%s\", \"times_line_rate\": %.2f, \"least\": %.0f}",
			i > 0 ? "," : "", r[i].name, r[i].ratio, r[i].least);
	}
	fprintf(f, "\n]}\n");
	return fclose(f) == 0 ? 0 : 1;
}

int main(void)
{
	struct result r[] = {
		{"encode 63 E1", 522, 105, ENCODE, 0, 0},
		{"decode 63 E1", 522, 105, DECODE, 0, 0},
		{"encode and decode 63 E1", 522, 105, BOTH, 0, LEAST},
		{"both, pointers in mid-row", 700, 17, BOTH, 0, 0},
	};
	const size_t n = sizeof(r) / sizeof(r[0]);
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
	if (!JUDGED) {
		printf("sanitizers or no optimisation: figures are not judged\n");
	}
	bad |= write_json(r, n);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		free(b.in[t]);
		free(b.out[t]);
	}
	free(b.line);
	evl_mux63_tx_destroy(b.tx);
	evl_mux63_rx_destroy(b.rx);
	return bad;
}
