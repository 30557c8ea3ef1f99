/* SPDX-License-Identifier: Apache-2.0 */
/* Reads lines "BUILDS MISSED FALSE_ALARM SHARE BUILD FAILED BUILD FAILED ...", prints the next
 * build (-1: none), the range of SHARE, and all probabilities; for test_bisect_model.py. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/measure/bisect.h"

int main(void)
{
	static char line[100000];
	while (fgets(line, sizeof(line), stdin) != NULL) {
		struct evl_bisect *b = NULL;
		struct evl_err err = {0};
		size_t builds = strtoul(strtok(line, " \n"), NULL, 10);
		struct evl_bisect_noise noise;
		noise.missed = strtod(strtok(NULL, " \n"), NULL);
		noise.false_alarm = strtod(strtok(NULL, " \n"), NULL);
		double share = strtod(strtok(NULL, " \n"), NULL);
		if (evl_bisect_create(&b, builds, &noise, &err) < 0) {
			return 1;
		}
		bool refused = false;
		for (char *one = strtok(NULL, " \n"); one != NULL; one = strtok(NULL, " \n")) {
			size_t build = strtoul(one, NULL, 10);
			bool failed = strtok(NULL, " \n")[0] == '1';
			refused = evl_bisect_add(b, build, failed, &err) < 0 || refused;
		}
		size_t next, first, last;
		bool more = evl_bisect_next(b, &next);
		evl_bisect_range(b, share, &first, &last);
		printf("%d %ld %zu %zu", refused, more ? (long)next : -1L, first, last);
		for (size_t i = 0; i <= builds; i++) {
			printf(" %.17g", evl_bisect_probability(b, i));
		}
		puts("");
		evl_bisect_destroy(b);
	}
	return 0;
}
