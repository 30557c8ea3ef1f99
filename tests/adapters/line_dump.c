/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Plays a pattern into each tributary of simmux and writes what was played and the line that came
 * out, for the independent decoder:
 *
 *	line_dump OUT BUILD AT_NS FRAMES INJECT [+PPM] [PATH=VALUE]...
 *
 * writes OUT/line.raw, or line-1.raw and line-2.raw, OUT/in-1.raw to in-63.raw of trib-1 to
 *trib-63, and in-NAME.raw of others. INJECT is "none" or ALARM@CHANNEL, such as 12@4 for TU-AIS on
 *trib-5, put in from the start to the end. +PPM: of three E1 or T1 in turn one is so many ppm fast,
 *one right, one slow.
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
	int options;
	char *at;

	if (argc < 6) {
		fprintf(stderr, "usage: line_dump OUT BUILD AT_NS FRAMES INJECT [PATH=VALUE]...\n");
		return 64;
	}
	options = argv[6] != NULL && argv[6][0] == '+' ? 7 : 6;
	rig_open(&rig, argv[2], 1, (const char *const *)argv + options);
	for (uint32_t c = 0; c < rig.count && options == 7; c++) {
		rig.clock_ppb[c] = rig.info[c].abilities & EVL_CH_CLOCK
					   ? (1 - (int32_t)(c % 3)) * 1000 *
						     (int32_t)strtol(argv[6] + 1, NULL, 10)
					   : 0;
	}
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
	for (uint32_t c = 0; c < rig.count; c++) {
		const char *is = rig.info[c].name;
		char name[80];

		if (rig.in[c] != NULL) {
			uint64_t bytes = (uint64_t)frames * rig_frame_bits(&rig, c) / 8;

			snprintf(name, sizeof(name), "in-%s.raw",
				strncmp(is, "trib-", 5) == 0 ? is + 5 : is);
			save(argv[1], name, rig.in[c], evl_clock_bytes(bytes, rig.clock_ppb[c]));
		} else if (rig.out[c] != NULL) {
			snprintf(name, sizeof(name), "%s.raw", is);
			save(argv[1], name, rig.out[c], rig.out_bytes[c]);
		}
	}
	rig_close(&rig);
	return 0;
}
