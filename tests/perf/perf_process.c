/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What isolation costs: the same exchanges on simmux in this process and in a child, with 63 E1 and
 * the line, and on the mock `loopback`, which does next to nothing, so that the pipe is what is
 * measured. Wall-clock time, as two processes share the work; best of three. Writes JSON to
 * $EVL_PERF_JSON (a file, or a folder that gets perf_process.json), else to $EVL_BUILD_ROOT or
 * here.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/adapter/instance.h"
#include "core/base/rate.h"
#include "tests/perf/json_path.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define SLABS 100u
#else
#define SLABS 2500u /* 20 s */
#endif
#define FRAMES   64u /* of the engine's slabs: 8 ms */
#define CHANNELS 64u

static void must(enum evl_status st, const struct evl_err *err)
{
	if (st < 0) {
		fprintf(stderr, "perf_process: %s\n", err->text);
		exit(1);
	}
}

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static uint8_t *tx[CHANNELS], *rx[CHANNELS];

/* Times line rate; `digest` is over all that came back. */
static double run(const char *const *dirs, const char *driver, const struct evl_bench_option *o,
	size_t options, char digest[EVL_SHA256_HEX])
{
	struct evl_err err = {0};
	struct evl_loaded *loaded = NULL;
	struct evl_instance *in = NULL;
	struct evl_arm arms[CHANNELS] = {{0}};
	struct evl_slab slabs[CHANNELS] = {{0}};
	uint64_t started[CHANNELS];
	uint8_t sum[EVL_SHA256_BYTES];
	const struct evl_instance_args args = {.name = "perf",
		.options = o,
		.option_count = options,
		.build = "",
		.seed = 1,
		.virtual_time = true};
	must(evl_loader_load(&loaded, dirs, 2, driver, &err), &err);
	must(evl_instance_open(&in, loaded, &args, &err), &err);
	for (uint32_t c = 0; c < CHANNELS; c++) {
		arms[c] = (struct evl_arm){.channel = c, .play = c < 63, .capture = true};
		slabs[c] =
			(struct evl_slab){.channel = c, .tx = c < 63 ? tx[c] : NULL, .rx = rx[c]};
	}
	must(evl_instance_arm(in, arms, CHANNELS, FRAMES, &err), &err);
	must(evl_instance_start(in, 0, started, &err), &err);
	double begun = now();
	for (uint32_t k = 0; k < SLABS; k++) {
		must(evl_instance_exchange(in, FRAMES, slabs, CHANNELS, &err), &err);
	}
	double took = now() - begun;
	struct evl_sha256 *sha = evl_sha256_create();
	for (uint32_t c = 0; c < CHANNELS; c++) {
		evl_sha256_update(sha, rx[c], slabs[c].rx_bytes);
	}
	evl_sha256_peek(sha, sum);
	evl_hex(sum, sizeof sum, digest);
	evl_sha256_destroy(sha);
	evl_instance_close(in);
	evl_loader_unload(loaded);
	return (double)SLABS * FRAMES / EVL_FRAMES_PER_S / took;
}

int main(void)
{
	const char *root = getenv("EVL_BUILD_ROOT");
	char adapters[1024], mocks[1024], serve[1024], path[PERF_PATH];
	snprintf(adapters, sizeof adapters, "%s/adapters", root ? root : ".");
	snprintf(mocks, sizeof mocks, "%s/tests/adapter", root ? root : ".");
	snprintf(serve, sizeof serve, "%s/evenlode-serve", root ? root : ".");
	const char *dirs[] = {adapters, mocks};
	static const char *const names[] = {"simmux", "loopback"};
	double ratio[2], direct[2];
	for (uint32_t c = 0; c < CHANNELS; c++) {
		size_t room = evl_slab_room(c < 63 ? 32 * FRAMES : 2430 * FRAMES);
		tx[c] = evl_xcalloc(1, room);
		rx[c] = evl_xcalloc(1, room);
		for (size_t i = 0; i < room; i++) {
			tx[c][i] = (uint8_t)(i * 37 + c);
		}
	}
	for (int a = 0; a < 2; a++) {
		const struct evl_bench_option near[] = {{"e1_channels", "63", 1}};
		const struct evl_bench_option far[] = {{"command[0]", serve, 1},
			{"command[1]", "--adapters", 1}, {"command[2]", mocks, 1},
			{"command[3]", names[a], 1}, {"options.e1_channels", "63", 1}};
		double best_near = 0, best_far = 0;
		for (int k = 0; k < 3; k++) {
			char x[EVL_SHA256_HEX], y[EVL_SHA256_HEX];
			double n = run(dirs, names[a], near, (size_t)a, x);
			double f = run(dirs, "process", far, 4 + (size_t)a, y);
			best_near = n > best_near ? n : best_near;
			best_far = f > best_far ? f : best_far;
			if (strcmp(x, y) != 0) {
				fprintf(stderr, "perf_process: other bits through the pipe\n");
				return 1;
			}
		}
		direct[a] = best_near;
		ratio[a] = best_far / best_near;
		printf("%-8s 63 E1 and the line: %7.1f x line rate here, %7.1f x in a child: "
		       "ratio %.2f\n",
			names[a], best_near, best_far, ratio[a]);
	}
	perf_json_path(path, "perf_process");
	FILE *f = fopen(path, "w");
	if (f != NULL) {
		fprintf(f,
			"{\"simmux\": %.2f, \"simmux_ratio\": %.3f, \"loopback\": %.2f, "
			"\"loopback_ratio\": %.3f}\n",
			direct[0], ratio[0], direct[1], ratio[1]);
		fclose(f);
	}
	for (uint32_t c = 0; c < CHANNELS; c++) {
		free(tx[c]);
		free(rx[c]);
	}
	return 0;
}
