/* SPDX-License-Identifier: Apache-2.0 */
/* Lines "ZONE FROM TO NOW" in, "FROM_S TO_S" out: for test_window.py. */
#include <inttypes.h>
#include <stdio.h>

#include "core/night/window.h"

int main(void)
{
	char zone[64];
	uint32_t from, to;
	int64_t now;
	while (scanf("%63s %" SCNu32 " %" SCNu32 " %" SCNd64, zone, &from, &to, &now) == 4) {
		int64_t a, b;
		struct evl_err err = {0};
		if (evl_window_next(&a, &b, zone, from, to, now, &err) < 0) {
			printf("error %s\n", err.text);
		} else {
			printf("%" PRId64 " %" PRId64 "\n", a, b);
		}
	}
	return 0;
}
