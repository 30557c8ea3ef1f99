/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which known pattern is this signal? For when the expected one was not found.
 *
 *	struct evl_recognised r;
 *	evl_recognise(&r, slab, bytes, NULL, 0);
 *	if (r.found) {
 *		printf("this is %s\n", evl_pattern_name(name, &r.pattern));
 *	}
 *
 * Looked for, in this order: a word of 1 to 64 bits (all ones is AIS, all zeros is loss of signal
 * or idle), numbered blocks, every pseudo-random pattern in both senses, then the patterns that
 * the caller adds. Give at least 2048 bits; about 16 384 find a pattern at an error ratio of 0.05.
 *
 * A word is named when at most 1 bit in 100 differs from it (a word of 64 bits with a single other
 * bit is 1 in 64 away from the next shorter one). A pseudo-random pattern is named when the checker
 * locks and stays locked on less than 0.2 errors. Random data are named with a probability of
 * less than 8 * 2^-63 for each bit given, plus 65 * 2^-(0.9 n) for words in n bits.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/signal/pattern.h"

struct evl_recognised {
	bool found;
	struct evl_pattern pattern; /* with its sense; COUNTER: block size and channel as seen */
	uint64_t bits;              /* compared */
	uint64_t errors;            /* of these, wrong */
	uint64_t offset;            /* phase of bit 0 of the data */
};

/* `also` are n more patterns to try (the user's own). Allocates nothing; uses some 20 KiB of stack.
 */
void evl_recognise(struct evl_recognised *out, const uint8_t *data, size_t bytes,
	const struct evl_pattern *also, size_t n);
