/* SPDX-License-Identifier: Apache-2.0 */
/* A clock on the wall that can be set: preloaded before the C library, it adds to each time() the
 * seconds that stand in the file EVL_TEST_CLOCK. Other clocks stay as they are. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

__attribute__((visibility("default"))) time_t time(time_t *out)
{
	struct timespec now = {0};
	long long offset = 0;
	const char *path = getenv("EVL_TEST_CLOCK");
	FILE *f = path != NULL ? fopen(path, "r") : NULL;
	if (f != NULL) {
		char digits[32] = "";
		if (fgets(digits, sizeof digits, f) != NULL) {
			offset = strtoll(digits, NULL, 10);
		}
		fclose(f);
	}
	clock_gettime(CLOCK_REALTIME, &now);
	now.tv_sec += (time_t)offset;
	if (out != NULL) {
		*out = now.tv_sec;
	}
	return now.tv_sec;
}
