/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Reads lines "BASIS PATH NEAR [FAR]", where NEAR and FAR are lists UNITS:ERRORED:DEFECT with
 * commas between (DEFECT 2: unread); prints the totals of each direction, then those of the near
 * end per quarter of an hour; for test_performance_model.py.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/measure/performance.h"

static size_t parse(struct evl_performance_second *out, char *text)
{
	size_t n = 0;
	for (char *one = strtok(text, ","); one != NULL; one = strtok(NULL, ",")) {
		unsigned defect = 0;
		if (sscanf(one, "%" SCNu64 ":%" SCNu64 ":%u", &out[n].units, &out[n].errored,
			    &defect) != 3) {
			exit(1);
		}
		out[n].defect = defect == 1;
		out[n].unread = defect == 2;
		n++;
	}
	return n;
}

static void print(const struct evl_performance_totals *t)
{
	printf(" %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64,
		t->available, t->unavailable, t->es, t->ses, t->background, t->units, t->unread);
}

int main(void)
{
	static char line[200000], near_text[100000], far_text[100000];
	static struct evl_performance_second near[5000], far[5000];
	static struct evl_performance p;
	char basis[16], path[16];
	while (fgets(line, sizeof(line), stdin) != NULL) {
		int got =
			sscanf(line, "%15s %15s %99999s %99999s", basis, path, near_text, far_text);
		if (got < 3) {
			return 1;
		}
		bool both = got == 4;
		size_t n = parse(near, near_text);
		if (both && parse(far, far_text) != n) {
			return 1;
		}
		evl_performance_init(&p, evl_performance_path(path),
			strcmp(basis, "bits") == 0     ? EVL_PERFORMANCE_BITS
			: strcmp(basis, "blocks") == 0 ? EVL_PERFORMANCE_BLOCKS
						       : EVL_PERFORMANCE_IN_SERVICE,
			both);
		for (size_t i = 0; i < n; i++) {
			evl_performance_add(&p, &near[i], both ? &far[i] : NULL);
		}
		evl_performance_finish(&p);
		print(&p.near);
		if (both) {
			print(&p.far);
		}
		/* The bins, one after the other. */
		for (uint64_t q = 0; q * 900 < n; q++) {
			print(&evl_performance_quarter(&p, q)->near);
		}
		puts("");
	}
	return 0;
}
