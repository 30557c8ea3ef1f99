/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Drives the simmux module for the tests, by the driver ABI alone: opens it with "path=value"
 * options, plays a pattern of its own into each tributary, keeps what comes out.
 *
 *	struct rig rig;
 *	rig_open(&rig, "B", 1, (const char *[]){"builds.B.faults[0].kind=swap", ..., NULL});
 *	rig_take(&rig, 0, 256, 64);	// 256 frames from time 0 in slabs of 64
 *	rig.out[3] ...
 *	rig_close(&rig);
 *
 * Anything that the module refuses, where the test does not expect it, ends the process.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/adapter/adapter.h"

/* Of a unit without options. */
#define RIG_TRIBS      63u
#define RIG_LINE       63u
#define RIG_CHANNELS   64u
#define RIG_MOST       1300u /* channels of any unit */
#define RIG_EVENTS     32768u
#define RIG_E1_BYTES   32u
#define RIG_LINE_BYTES 2430u

struct rig {
	void *library;
	const struct evl_adapter *adapter;
	void *self;
	struct evl_adapter_error err;
	uint32_t count; /* channels */
	struct evl_channel_info info[RIG_MOST];
	uint32_t frames; /* of the last take */
	uint64_t started_ns;
	uint8_t *in[RIG_MOST];               /* what was played; NULL for lines */
	uint8_t *out[RIG_MOST];              /* what was captured ... */
	uint64_t out_bytes[RIG_MOST];        /* ... so many bytes of it */
	int32_t clock_ppb[RIG_MOST];         /* set before a take: clock of what is played */
	struct evl_event events[RIG_EVENTS]; /* of the last take */
	uint32_t event_count;
	const uint8_t *line_source; /* set before a take: play this into the (first) line */
	/* Set before a take: makes frames of what is played, `frames` of them and some more. */
	void (*shape)(uint8_t *data, uint32_t frames, uint32_t channel);
	bool idle;      /* set before a take: play into no tributary */
	bool only_line; /* set before a take: capture the line only */
};

/* The channel of that name; the test ends when there is none. */
uint32_t rig_channel(const struct rig *rig, const char *name);

/* Nominal bits of a channel in 125 us. */
uint32_t rig_frame_bits(const struct rig *rig, uint32_t channel);

/* Sets the unit; the test ends when it refuses. */
void rig_setup(struct rig *rig, const struct evl_setting *list, uint32_t count);

/* Returns the code of open; the adapter must be there. */
int rig_try(struct rig *rig, const char *build, uint64_t seed, const char *const *options);
void rig_open(struct rig *rig, const char *build, uint64_t seed, const char *const *options);
void rig_close(struct rig *rig);

/* One take: arm, start at at_ns, then `frames` frames in slabs, stop. `inject` may be NULL; it is
 * given after start and must be taken. */
void rig_take(struct rig *rig, uint64_t at_ns, uint32_t frames, uint32_t slab,
	const struct evl_inject *inject);

/* The pattern of a tributary, 2^23-1 with a phase of its own, from the first bit of any take. */
void rig_pattern(uint8_t *out, uint32_t bytes, uint32_t tributary);

/* First event of this kind, or NULL. */
const struct evl_event *rig_event(
	const struct rig *rig, uint32_t channel, uint32_t alarm, bool raised);

/* True when out[] of the channel is, from bit `from` on, in[] of tributary `tributary` delayed by
 * `delay` bits; *wrong counts the bits that differ. */
bool rig_arrives(const struct rig *rig, uint32_t channel, uint32_t tributary, uint32_t delay,
	uint32_t from, uint32_t *wrong);

/* True when the captured bits of a tributary between two instants of the take are all ones. */
bool rig_is_ais(const struct rig *rig, uint32_t channel, uint64_t from_ns, uint64_t to_ns);
