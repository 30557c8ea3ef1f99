/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Line bytes and client bytes of a named scenario, for decoders written apart from core/frame:
 *
 *	sdh_dump OUT SCENARIO FRAMES [--ppm PPM] [--pointer-moves N] [--vc-ppm PPM]
 *		[--data prbs|random] [--pointers default|edge] [--trace short|long]
 *
 * OUT (a folder) gets line.raw, in-N.raw for client N = 1.. in the order of evl_sdh_map_clients,
 * and map.json: stm, the AU of each AUG, and for each client its kind, aug, k, l, m, tu11 and
 *number of bytes. Scenarios are those of sdh_maps.h: 63e1 84t1 mixed au3 stm4 vc4 vc4-4c 3vc3 63t1
 *63e1-byte au3mix stm4mix stm4-t1. --ppm: asynchronous clients are off by +PPM, 0, -PPM in turn.
 *--pointer-moves: N pointer increments for even paths and TUs and N decrements for odd ones are
 *queued after frame 64.
 * --vc-ppm: clock of the high-order VCs. Client n is PRBS 2^15-1 (O.150) from phase 90 n on, or
 *random bits that nothing else in the line has; each in-N.raw holds what was put in from the first
 *frame on. --pointers edge: first values at and next to the ends of each range. --trace long: 64
 *bytes in J0 and in J1 of the first path.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "core/signal/prbs.h"
#include "core/signal/rng.h"
#include "tests/frame/sdh_maps.h"

#define SLAB   8u
#define BEFORE 64u
#define MOST   80000ul /* frames: 10 s */

static void die(const char *what)
{
	fprintf(stderr, "sdh_dump: %s: %s\n", what, strerror(errno));
	exit(1);
}

static FILE *create(const char *dir, const char *name)
{
	char path[1024];
	snprintf(path, sizeof(path), "%s/%s", dir, name);
	FILE *f = fopen(path, "wb");
	if (f == NULL) {
		die(path);
	}
	return f;
}

static int usage(void)
{
	fprintf(stderr,
		"usage: sdh_dump OUT SCENARIO FRAMES [--ppm PPM] [--pointer-moves N] "
		"[--vc-ppm PPM]\n\t[--data prbs|random] [--pointers default|edge] [--trace "
		"short|long]\nFRAMES: a multiple of 8 up to %lu; scenarios:",
		MOST);
	for (uint32_t m = 0; m < SDH_MAPS; m++) {
		struct evl_sdh_map map;
		fprintf(stderr, " %s", sdh_map_make(&map, m));
	}
	fprintf(stderr, "\n");
	return 64;
}

struct options {
	uint32_t scenario, frames;
	double ppm, vc_ppm;
	int32_t moves;
	bool random, edge, long_trace;
};

static bool number(const char *text, double least, double most, double *out)
{
	char *end;
	*out = strtod(text, &end);
	return end != text && *end == '\0' && *out >= least && *out <= most;
}

static bool choice(const char *text, const char *no, const char *yes, bool *out)
{
	*out = strcmp(text, yes) == 0;
	return *out || strcmp(text, no) == 0;
}

static bool parse(int argc, char **argv, struct options *o)
{
	struct evl_sdh_map map;
	double value;
	if (argc < 4 || argc % 2 != 0) {
		return false;
	}
	while (strcmp(sdh_map_make(&map, o->scenario), argv[2]) != 0) {
		if (++o->scenario == SDH_MAPS) {
			return false;
		}
	}
	if (!number(argv[3], SLAB, MOST, &value) || (uint32_t)value % SLAB != 0) {
		return false;
	}
	o->frames = (uint32_t)value;
	for (int i = 4; i < argc; i += 2) {
		if (strcmp(argv[i], "--ppm") == 0 && number(argv[i + 1], -100, 100, &value)) {
			o->ppm = value;
		} else if (strcmp(argv[i], "--vc-ppm") == 0 &&
			   number(argv[i + 1], -100, 100, &value)) {
			o->vc_ppm = value;
		} else if (strcmp(argv[i], "--pointer-moves") == 0 &&
			   number(argv[i + 1], 0, 1000, &value)) {
			o->moves = (int32_t)value;
		} else if (strcmp(argv[i], "--data") == 0) {
			if (!choice(argv[i + 1], "prbs", "random", &o->random)) {
				return false;
			}
		} else if (strcmp(argv[i], "--pointers") == 0) {
			if (!choice(argv[i + 1], "default", "edge", &o->edge)) {
				return false;
			}
		} else if (strcmp(argv[i], "--trace") == 0) {
			if (!choice(argv[i + 1], "short", "long", &o->long_trace)) {
				return false;
			}
		} else {
			return false;
		}
	}
	return true;
}

static void move(struct evl_sdh_tx *tx, int32_t moves, uint32_t clients)
{
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		const struct evl_sdh_at at = {EVL_SDH_HIGH, i};
		(void)evl_sdh_tx_justify(tx, at, i % 2 == 0 ? moves : -moves);
	}
	for (uint32_t i = 0; i < clients; i++) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
		(void)evl_sdh_tx_justify(tx, at, i % 2 == 0 ? moves : -moves);
	}
}

/* Places that do not exist (a client that is a path of its own) refuse; that is all right. */
static void set_edges(struct evl_sdh_tx *tx, const struct evl_sdh_client *list, uint32_t clients)
{
	static const uint32_t high[] = {0, 782, 1, 781, 522, 86};
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		const struct evl_sdh_at at = {EVL_SDH_HIGH, i};
		(void)evl_sdh_tx_set_pointer(tx, at, high[i % 6]);
	}
	for (uint32_t i = 0; i < clients; i++) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
		uint32_t most = list[i].kind >= EVL_SDH_VC3 ? 764 : list[i].tu11 ? 103 : 139;
		const uint32_t low[] = {0, most, 1, most - 1, most / 4, most / 2};
		(void)evl_sdh_tx_set_pointer(tx, at, low[i % 6]);
	}
}

static void set_long_traces(struct evl_sdh_tx *tx)
{
	const struct evl_sdh_at section = {EVL_SDH_SECTION, 0}, path = {EVL_SDH_HIGH, 0};
	struct evl_trace trace;
	evl_require(
		evl_trace_set(&trace, EVL_TRACE_64, "An invented place, line 1", NULL) == EVL_OK);
	evl_require(evl_sdh_tx_set_trace(tx, section, &trace) == EVL_OK);
	evl_require(evl_sdh_tx_set_trace(tx, path, &trace) == EVL_OK);
}

static void fill_random(struct evl_rng *rng, uint8_t *data, uint32_t bytes)
{
	for (uint32_t i = 0; i < bytes; i++) {
		data[i] = (uint8_t)(evl_rng_next(rng) >> 32);
	}
}

int main(int argc, char **argv)
{
	static struct evl_prbs prbs[EVL_SDH_MOST_CLIENTS];
	static struct evl_rng rng[EVL_SDH_MOST_CLIENTS];
	static uint8_t line[SLAB * EVL_SDH_LINE_BYTES(4)];
	static double owed[EVL_SDH_MOST_CLIENTS];
	static uint64_t total[EVL_SDH_MOST_CLIENTS];
	const uint8_t *in[EVL_SDH_MOST_CLIENTS];
	uint8_t *buf[EVL_SDH_MOST_CLIENTS];
	uint32_t bytes[EVL_SDH_MOST_CLIENTS], clients;
	FILE *file[EVL_SDH_MOST_CLIENTS];
	struct options o = {0};
	struct evl_sdh_tx *tx = NULL;
	struct evl_sdh_map map;
	struct evl_err err = {0};

	if (!parse(argc, argv, &o)) {
		return usage();
	}
	(void)sdh_map_make(&map, o.scenario);
	if (evl_sdh_tx_create(&tx, &map, &err) != EVL_OK) {
		fprintf(stderr, "sdh_dump: %s\n", err.text);
		return 1;
	}
	const struct evl_sdh_client *list = evl_sdh_tx_clients(tx, &clients);
	FILE *out = create(argv[1], "line.raw");
	for (uint32_t i = 0; i < clients; i++) {
		char name[32];
		uint32_t least, most;
		evl_sdh_limits(&list[i], SLAB, &least, &most);
		in[i] = buf[i] = evl_xmalloc(most);
		evl_prbs_init(&prbs[i], EVL_PRBS15, 90u * i);
		evl_rng_init(&rng[i], 1, i);
		snprintf(name, sizeof(name), "in-%u.raw", i + 1);
		file[i] = create(argv[1], name);
	}
	for (uint32_t i = 0; o.vc_ppm != 0 && i < EVL_SDH_MOST_HIGH; i++) {
		const struct evl_sdh_at at = {EVL_SDH_HIGH, i};
		(void)evl_sdh_tx_set_offset(tx, at, (int32_t)(1000 * o.vc_ppm));
	}
	if (o.edge) {
		set_edges(tx, list, clients);
	}
	if (o.long_trace) {
		set_long_traces(tx);
	}
	for (uint32_t f = 0; f < o.frames; f += SLAB) {
		if (f == BEFORE) {
			move(tx, o.moves, clients);
		}
		for (uint32_t i = 0; i < clients; i++) {
			bool free_clock = list[i].kind == EVL_SDH_E1 || list[i].kind == EVL_SDH_T1;
			double ppm = free_clock ? o.ppm * (1 - (int)(i % 3)) : 0;
			owed[i] += list[i].frame_bits * (1 + 1e-6 * ppm);
			bytes[i] = (uint32_t)owed[i];
			owed[i] -= bytes[i];
			if (o.random) {
				fill_random(&rng[i], buf[i], bytes[i]);
			} else {
				evl_prbs_fill(&prbs[i], buf[i], bytes[i]);
			}
			if (fwrite(buf[i], 1, bytes[i], file[i]) != bytes[i]) {
				die("in");
			}
			total[i] += bytes[i];
		}
		if (evl_sdh_encode(tx, in, bytes, SLAB, line, &err) != EVL_OK) {
			fprintf(stderr, "sdh_dump: %s\n", err.text);
			return 1;
		}
		if (fwrite(line, EVL_SDH_LINE_BYTES(map.stm), SLAB, out) != SLAB) {
			die("line");
		}
	}
	FILE *json = create(argv[1], "map.json");
	fprintf(json, "{\"scenario\": \"%s\", \"stm\": %u, \"sonet\": %s, \"augs\": [", argv[2],
		map.stm, map.sonet ? "true" : "false");
	for (uint32_t a = 0; a < map.stm; a++) {
		static const char *const au[] = {"AU-4", "AU-3", "AU-4-4c"};
		fprintf(json, "%s\"%s\"", a > 0 ? ", " : "", au[map.aug[a].au]);
	}
	fprintf(json, "], \"clients\": [");
	for (uint32_t i = 0; i < clients; i++) {
		const struct evl_sdh_client *c = &list[i];
		fprintf(json,
			"%s\n {\"client\": %u, \"kind\": \"%s\", \"aug\": %u, \"k\": %u, \"l\": "
			"%u, "
			"\"m\": %u, \"tu11\": %s, \"bytes\": %llu}",
			i > 0 ? "," : "", i + 1, evl_sdh_kind_name(c->kind), c->aug, c->k, c->l,
			c->m, c->tu11 ? "true" : "false", (unsigned long long)total[i]);
		if (fclose(file[i]) != 0) {
			die("in");
		}
		free(buf[i]);
	}
	fprintf(json, "\n]}\n");
	if (fclose(json) != 0 || fclose(out) != 0) {
		die("close");
	}
	evl_sdh_tx_destroy(tx);
	return 0;
}
