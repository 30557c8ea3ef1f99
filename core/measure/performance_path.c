/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Sizes, thresholds and objectives per kind of path, all from memory of the Recommendations: 30 %
 * of the blocks make an SES in G.826 and G.828; the shares of G.829 are given with each row. Sizes
 * times blocks per second give the rates of the VCs exactly (tests compute that).
 */
#include <string.h>

#include "core/measure/performance.h"

static const struct evl_performance_path paths[] = {
	/* G.826 12/2002 Table 1. In service 805 CRC-4 or 320 CRC-6 errors a second stand for an
	 * error ratio of 1e-3, as the code cannot see several errors of one block. */
	{"E1", "ITU-T G.826", EVL_EDC_CRC4, 2048, 1000, 300, 805, 0.04, 0.002, 2e-4},
	{"T1", "ITU-T G.826", EVL_EDC_CRC6, 4632, 333, 100, 320, 0.04, 0.002, 2e-4},
	/* G.828 03/2000 Table 1. */
	{"VC-11", "ITU-T G.828", EVL_EDC_BIP2, 832, 2000, 600, 600, 0.01, 0.002, 5e-5},
	{"VC-12", "ITU-T G.828", EVL_EDC_BIP2, 1120, 2000, 600, 600, 0.01, 0.002, 5e-5},
	{"VC-2", "ITU-T G.828", EVL_EDC_BIP2, 3424, 2000, 600, 600, 0.01, 0.002, 5e-5},
	{"VC-3", "ITU-T G.828", EVL_EDC_BIP8, 6120, 8000, 2400, 2400, 0.02, 0.002, 5e-5},
	{"VC-4", "ITU-T G.828", EVL_EDC_BIP8, 18792, 8000, 2400, 2400, 0.04, 0.002, 1e-4},
	{"VC-4-4c", "ITU-T G.828", EVL_EDC_BIP8, 75168, 8000, 2400, 2400, 0, 0.002, 1e-4},
	/* G.829: events only, no objectives. Shares 10, 30, 15, 15, 25 and 30 %. */
	{"RS-0", "ITU-T G.829", EVL_EDC_B1, 6480, 8000, 800, 800, 0, 0, 0},
	{"RS-1", "ITU-T G.829", EVL_EDC_B1, 19440, 8000, 2400, 2400, 0, 0, 0},
	{"RS-4", "ITU-T G.829", EVL_EDC_B1, 77760, 8000, 2400, 2400, 0, 0, 0}, /* from memory */
	{"MS-0", "ITU-T G.829", EVL_EDC_B2, 801, 64000, 9600, 9600, 0, 0, 0},
	{"MS-1", "ITU-T G.829", EVL_EDC_B2, 801, 192000, 28800, 28800, 0, 0, 0},
	{"MS-4", "ITU-T G.829", EVL_EDC_B2, 801, 768000, 192000, 192000, 0, 0, 0},
	{"MS-16", "ITU-T G.829", EVL_EDC_B2, 801, 3072000, 921600, 921600, 0, 0, 0},
};

const struct evl_performance_path *evl_performance_paths(size_t *count)
{
	*count = sizeof(paths) / sizeof(paths[0]);
	return paths;
}

const struct evl_performance_path *evl_performance_path(const char *name)
{
	for (size_t i = 0; i < sizeof(paths) / sizeof(paths[0]); i++) {
		if (strcmp(paths[i].name, name) == 0) {
			return &paths[i];
		}
	}
	return NULL;
}

uint32_t evl_edc_errored_blocks(enum evl_edc edc, uint32_t violated_bits)
{
	return edc == EVL_EDC_B2 ? violated_bits : violated_bits > 0;
}
