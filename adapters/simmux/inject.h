/* SPDX-License-Identifier: Apache-2.0 */
/* What the host injects into the multiplexer: a short list of what waits or goes on. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/defects.h"
#include "adapters/simmux/impair.h"

#define SIMMUX_INJECTIONS   64u  /* waiting or going on at one time */
#define SIMMUX_LINE         63u  /* channel index; 0..62 are trib-1..trib-63 */
#define SIMMUX_CHUNK_FRAMES 8u   /* the unit works in steps of 1 ms */
#define SIMMUX_E1_LOS_BITS  255u /* G.775 4: 10..255 pulse intervals to see LOS, and it gone */

/* Times count from the moment at which the unit was switched on. */
struct simmux_injection {
	uint32_t channel;
	uint32_t alarm;     /* EVL_ABI_x when numerator is 0 */
	uint64_t numerator; /* 0: a defect, not errors */
	uint64_t denominator;
	uint64_t at_ns;
	uint64_t lasting_ns;
};

struct simmux_pending {
	struct simmux_injection what;
	struct simmux_span span; /* in bits of the channel; in frames for AIS by the encoder */
	struct simmux_errors errors;
};

struct simmux_injections {
	struct simmux_pending list[SIMMUX_INJECTIONS];
	uint32_t count;
};

/* MS-AIS, AU-AIS and TU-AIS are put in by the encoder and come back by the loop. */
struct simmux_ais {
	bool ms;
	bool au;
	uint64_t tu; /* bit c: on the TU-12 of channel c */
};

/* Returns NULL, or why it cannot be done (*code is then the code to return). `now` is the next
 * frame, `loop` whether the line output comes back to the line input. */
const char *simmux_inject_add(struct simmux_injections *in, const struct simmux_injection *what,
	uint64_t now, bool loop, uint64_t seed, int *code);

/* Is any AIS waiting that needs the loop? */
bool simmux_inject_needs_loop(const struct simmux_injections *in);

/* Is there anything for the bits of this channel in the chunk that begins with frame `now`? */
bool simmux_inject_touches(const struct simmux_injections *in, uint32_t channel, uint64_t now);

/* Puts it into the `bits` bits of the chunk, a few more or fewer than nominal when the channel has
 * a clock of its own; what goes on beyond the chunk reaches its last bit. A loss on a tributary is
 * noted in `defects` as the unit sees it; NULL while nothing is to be reported. */
void simmux_inject_apply(struct simmux_injections *in, uint32_t channel, uint64_t now,
	uint8_t *data, uint64_t bits, struct simmux_defects *defects);

/* What the encoder has to put in during that chunk. */
struct simmux_ais simmux_inject_ais(const struct simmux_injections *in, uint64_t now);

/* Forgets what ended before frame `now`. */
void simmux_inject_forget(struct simmux_injections *in, uint64_t now);

/* Ends everything at frame `now`. */
void simmux_inject_drop(struct simmux_injections *in, uint64_t now, struct simmux_defects *defects);
