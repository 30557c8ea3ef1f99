/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Where a benchmark writes its figures: to $EVL_PERF_JSON, a file or a folder that gets NAME.json,
 * else to NAME.json in $EVL_BUILD_ROOT or here.
 *
 *	char path[PERF_PATH];
 *	perf_json_path(path, "perf_store");
 *	FILE *f = fopen(path, "w");
 */
#pragma once

#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

#define PERF_PATH 4096

static inline void perf_json_path(char path[PERF_PATH], const char *name)
{
	const char *to = getenv("EVL_PERF_JSON");
	const char *root = getenv("EVL_BUILD_ROOT");
	struct stat sb;
	if (to != NULL && (stat(to, &sb) != 0 || !S_ISDIR(sb.st_mode))) {
		snprintf(path, PERF_PATH, "%s", to);
	} else {
		snprintf(path, PERF_PATH, "%s/%s.json", to ? to : root ? root : ".", name);
	}
}
