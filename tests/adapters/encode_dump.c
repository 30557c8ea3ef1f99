/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The encoder of core/frame alone, with pointers that move, for the independent decoder:
 *
 *	encode_dump OUT FRAMES [au=VALUE] [au+=N] [au-=N] [tu=VALUE] [tu+=N] [tu-=N]
 *
 * writes OUT/line.raw and OUT/in-1.raw to in-63.raw (column order). "tu" means tributary 8. The
 * settings in the order given: values hold from the first frame on, movements come after frame 64.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/frame/sdh.h"
#include "tests/adapters/rig.h"

#define TRIBS  63u
#define BEFORE 64u

static const struct evl_sdh_at high = {EVL_SDH_HIGH, 0};
static const struct evl_sdh_at low = {EVL_SDH_CLIENT, 7}; /* tributary 8 */

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

static void set(struct evl_sdh_tx *tx, const char *arg, bool moving)
{
	const char *equals = strchr(arg, '=');
	int32_t value = equals != NULL ? (int32_t)strtol(equals + 1, NULL, 10) : 0;
	size_t name = equals != NULL ? (size_t)(equals - arg) : 0;
	bool up = name == 3 && arg[2] == '+', down = name == 3 && arg[2] == '-';
	bool au = strncmp(arg, "au", 2) == 0;

	if ((!au && strncmp(arg, "tu", 2) != 0) || (name != 2 && !up && !down)) {
		fprintf(stderr, "encode_dump: %s is not known\n", arg);
		exit(64);
	}
	if ((up || down) != moving) {
		return;
	}
	if (moving) {
		evl_require(evl_sdh_tx_justify(tx, au ? high : low, up ? value : -value) == EVL_OK);
	} else {
		evl_require(evl_sdh_tx_set_pointer(tx, au ? high : low, (uint32_t)value) == EVL_OK);
	}
}

int main(int argc, char **argv)
{
	struct evl_sdh_tx *tx = NULL;
	struct evl_sdh_map map;
	const uint8_t *e1[TRIBS];
	uint8_t *in[TRIBS];
	uint32_t frames = argc > 2 ? (uint32_t)strtoul(argv[2], NULL, 10) : 0;
	uint8_t *line;

	if (frames <= BEFORE || frames % 8 != 0 || frames > 8000) {
		fprintf(stderr, "usage: encode_dump OUT FRAMES [au=VALUE] [au+=N] ...\n");
		return 64;
	}
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	evl_require(evl_sdh_tx_create(&tx, &map, NULL) == EVL_OK);
	line = evl_xmalloc((size_t)frames * RIG_LINE_BYTES);
	for (uint32_t t = 0; t < TRIBS; t++) {
		char name[32];

		in[t] = evl_xmalloc(frames * RIG_E1_BYTES);
		rig_pattern(in[t], frames * RIG_E1_BYTES, t);
		snprintf(name, sizeof(name), "in-%u.raw", t + 1);
		save(argv[1], name, in[t], frames * RIG_E1_BYTES);
	}
	for (int moving = 0; moving <= 1; moving++) {
		uint32_t from = moving ? BEFORE : 0;

		for (int i = 3; i < argc; i++) {
			set(tx, argv[i], moving);
		}
		for (uint32_t t = 0; t < TRIBS; t++) {
			e1[t] = in[t] + from * RIG_E1_BYTES;
		}
		evl_require(evl_sdh_encode(tx, e1, NULL, moving ? frames - BEFORE : BEFORE,
				    line + (size_t)from * RIG_LINE_BYTES, NULL) == EVL_OK);
	}
	save(argv[1], "line.raw", line, (size_t)frames * RIG_LINE_BYTES);
	for (uint32_t t = 0; t < TRIBS; t++) {
		free(in[t]);
	}
	free(line);
	evl_sdh_tx_destroy(tx);
	return 0;
}
