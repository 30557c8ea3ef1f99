/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Lets a script see what the room makes, for test_against_scipy.py:
 *	print_signal gap		reads lines "numerator denominator", prints the thresholds
 *	print_signal prbs NAME BYTES PHASE	writes the pattern from that phase on, raw
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/signal/prbs.h"
#include "core/signal/rng.h"

static int gaps(void)
{
	uint64_t n, d;
	while (scanf("%" SCNu64 " %" SCNu64, &n, &d) == 2) {
		struct evl_rng_gap gap;
		evl_rng_gap_init(&gap, n, d);
		for (unsigned j = 0; j < gap.digits; j++) {
			printf("%" PRIu64 " ", gap.threshold[j]);
		}
		printf("\n");
	}
	return 0;
}

static int pattern(const char *name, size_t bytes, uint64_t phase)
{
	enum evl_prbs_kind kind;
	struct evl_prbs p;
	uint8_t slab[1000];
	if (!evl_prbs_by_name(&kind, name)) {
		return 1;
	}
	evl_prbs_init(&p, kind, phase);
	while (bytes > 0) {
		size_t part = bytes < sizeof(slab) ? bytes : sizeof(slab);
		evl_prbs_fill(&p, slab, part);
		if (fwrite(slab, 1, part, stdout) != part) {
			return 1;
		}
		bytes -= part;
	}
	return 0;
}

int main(int argc, char **argv)
{
	if (argc == 2 && strcmp(argv[1], "gap") == 0) {
		return gaps();
	}
	if (argc == 5 && strcmp(argv[1], "prbs") == 0) {
		return pattern(argv[2], (size_t)strtoull(argv[3], NULL, 10),
			       strtoull(argv[4], NULL, 10));
	}
	fprintf(stderr, "usage: print_signal gap | prbs NAME BYTES PHASE\n");
	return 2;
}
