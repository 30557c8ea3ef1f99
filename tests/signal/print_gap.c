/* SPDX-License-Identifier: Apache-2.0 */
/* Prints the thresholds of struct evl_rng_gap for "numerator denominator" lines; for test_gap.py.
 */
#include <inttypes.h>
#include <stdio.h>

#include "core/signal/rng.h"

int main(void)
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
