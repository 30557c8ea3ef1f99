/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Plays a pattern into each tributary of simmux and writes what was played and the line that came
 * out, for the independent decoder:
 *
 *	line_dump OUT BUILD AT_NS FRAMES INJECT [PATH=VALUE]...
 *
 * writes OUT/line.raw and OUT/in-1.raw to in-63.raw. INJECT is "none" or ALARM@CHANNEL, such as
 * 12@4 for TU-AIS on trib-5, put in from the start to the end.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/base/rate.h"
#include "tests/adapters/rig.h"

static void save(const char *dir, const char *name, const uint8_t *data, size_t bytes)
{
	char path[1024];
	FILE *f;

	snprintf(path, sizeof(path), "%s/%s", dir, name);
	f = fopen(path, "wb");
	if (f == NULL || fwrite(data, 1, bytes, f) != bytes || fclose(f) != 0) {
		perror(path);
		exit(1);
	}
}

int main(int argc, char **argv)
{
	static struct rig rig;
	struct evl_inject inject = {.version = 1, .kind = EVL_INJECT_ALARM};
	uint32_t frames;
	char *at;

	if (argc < 6) {
		fprintf(stderr, "usage: line_dump OUT BUILD AT_NS FRAMES INJECT [PATH=VALUE]...\n");
		return 64;
	}
	rig_open(&rig, argv[2], 1, (const char *const *)argv + 6);
	rig.only_line = true;
	inject.at_ns = strtoull(argv[3], NULL, 10);
	frames = (uint32_t)strtoul(argv[4], NULL, 10);
	inject.duration_ns = (uint64_t)frames * EVL_FRAME_NS;
	at = strchr(argv[5], '@');
	if (at != NULL) {
		inject.alarm = (uint32_t)strtoul(argv[5], NULL, 10);
		inject.channel = (uint32_t)strtoul(at + 1, NULL, 10);
	}
	rig_take(&rig, inject.at_ns, frames, 64, at != NULL ? &inject : NULL);
	save(argv[1], "line.raw", rig.out[RIG_LINE], (size_t)frames * RIG_LINE_BYTES);
	for (uint32_t t = 0; t < RIG_TRIBS; t++) {
		char name[32];

		snprintf(name, sizeof(name), "in-%u.raw", t + 1);
		save(argv[1], name, rig.in[t], (size_t)frames * RIG_E1_BYTES);
	}
	rig_close(&rig);
	return 0;
}
