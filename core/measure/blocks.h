/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Receiver of the counter pattern (core/signal/pattern.h): finds blocks at any bit alignment,
 *counts bit errors, and tells what became of the blocks: lost, late, repeated, of another channel.
 *
 *	struct evl_blocks b;
 *	evl_blocks_init(&b, &pattern);			// kind EVL_PATTERN_COUNTER
 *	evl_blocks_feed(&b, slab, bytes);
 *	if (b.lost > 0 || b.late > 0) { ... }
 *
 * All counters only grow, except that a block that was counted as lost and arrives later is taken
 * off `lost` again and counted as late. The outcome does not depend on how the stream is cut.
 * Feeding never allocates.
 *
 * Found: marker and CRC of a header fit, in either polarity: 64 bits, so random data pass with
 *2^-63 at each bit. From then on blocks follow each other. A block whose header is destroyed is
 *taken as the next in order; when a fifth or more of its bits are wrong, it is `damaged` and not
 * compared. Four damaged blocks in a row lose the synchronisation (a slip by bits does that);
 * blocks that pass while it searches count as lost.
 *
 * Order: the numbers of the channel that was found first are followed. A number ahead of the one
 * that is due means that those in between are lost; a number behind is late when it was missing
 * among the latest 1024, else repeated. A jump by more than 2^24, or back by more than 1024, is
 * a restart of the sender.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/signal/pattern.h"

#define EVL_BLOCKS_WINDOW  1024 /* numbers that are remembered as missing or seen */
#define EVL_BLOCKS_DAMAGED 4    /* in a row: lost */
#define EVL_BLOCKS_KEPT    32   /* error positions */

struct evl_blocks {
	/* Results. */
	struct evl_pattern pattern; /* as expected; its channel is the own one */
	bool locked;
	bool ever_locked;
	bool inverted;           /* by the latest lock */
	unsigned channel;        /* whose blocks are followed, once ever_locked */
	uint64_t offset;         /* by the latest lock: phase of bit 0 of the stream */
	uint64_t first_lock_bit; /* first bit behind the first good header */
	uint64_t fed_bits;
	uint64_t bits;   /* compared */
	uint64_t errors; /* of these, wrong */
	uint64_t blocks; /* with a good header, of the channel that is followed */
	uint64_t damaged;
	uint64_t lost;
	uint64_t late;
	uint64_t repeated;
	uint64_t restarts;
	uint64_t foreign; /* with a good header of another channel */
	unsigned last_foreign;
	uint64_t sync_losses;
	uint64_t slips; /* found again at an offset that is no whole number of blocks away */
	int64_t last_slip_bits;
	size_t error_positions;
	uint64_t error_bit[EVL_BLOCKS_KEPT];

	/* Workings. */
	uint64_t due;      /* locked: number that comes next */
	unsigned bad_run;  /* damaged blocks in a row */
	uint64_t older;    /* hunting: the 64 bits before `newer` */
	uint64_t newer;    /* hunting: the latest 64 bits */
	unsigned have;     /* hunting: bits in both, at most 128 */
	uint64_t block_at; /* locked: position of the first bit of the block to come */
	size_t held;       /* bytes in `hold` */
	uint8_t missing[EVL_BLOCKS_WINDOW / 8];
	uint8_t hold[EVL_COUNTER_BLOCK_MAX + 1]; /* stream bytes from the one that holds block_at */
};

void evl_blocks_init(struct evl_blocks *b, const struct evl_pattern *pattern);

/* The next 8 * bytes bits of the stream. */
void evl_blocks_feed(struct evl_blocks *b, const uint8_t *data, size_t bytes);
