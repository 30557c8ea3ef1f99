/* SPDX-License-Identifier: Apache-2.0 */
/* Inside the conformance kit: checked calls (conform_calls.c) for the items (conform.c). */
#pragma once

#include "core/adapter/conform.h"
#include "core/base/digest.h"

#define SLAB           64u /* frames */
#define CONFORM_OPTION "evl-conform.no-such-option"

struct conform_kit {
	const struct evl_adapter *adapter;
	const struct evl_conform_args *args;
	struct evl_conform_report *report;
	size_t current;                    /* item that calls report to */
	struct evl_channel_info *channels; /* of the first good list; NULL before */
	uint32_t channel_count;
	bool virtual_time;
	char text_problem[512]; /* first bad error text, "" when there is none */
	char late_problem[512]; /* first call over its time limit, "" when there is none */
	char said[512];         /* cleaned error text of the last call */
};

/* Begins the next item; all kit_fail until the next begin belong to it. */
void kit_begin(struct conform_kit *k, const char *name, const char *rule);
/* Marks the item failed; the first text stays. Returns false. */
bool kit_fail(struct conform_kit *k, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
void kit_skip(struct conform_kit *k, const char *why);
bool kit_passes(const struct conform_kit *k); /* the present item, so far */

/* Calls of the adapter, timed, with codes and error texts looked at. `extra` adds the unknown
 * option. */
int kit_open(struct conform_kit *k, void **self, bool virtual_time, uint64_t seed, bool extra);
int kit_channels(struct conform_kit *k, void *self, struct evl_channel_info *out, uint32_t capacity,
		 uint32_t *count);
int kit_arm(struct conform_kit *k, void *self, const struct evl_arm *arms, uint32_t count,
	    uint32_t max_frames);
int kit_start(struct conform_kit *k, void *self, uint64_t at_ns, uint64_t *started_ns);
int kit_exchange(struct conform_kit *k, void *self, uint32_t frames, struct evl_slab *slabs,
		 uint32_t count);
int kit_poll(struct conform_kit *k, void *self, struct evl_event *out, uint32_t capacity,
	     uint32_t *count);
int kit_inject(struct conform_kit *k, void *self, const struct evl_inject *what);
int kit_stop(struct conform_kit *k, void *self);

/* Fails the item unless `code` is good, or is a refusal. `call` names it. */
bool kit_wants_good(struct conform_kit *k, int code, const char *call);
bool kit_wants_refused(struct conform_kit *k, int code, int wanted, const char *call);

/* Opens with the given options; false when the item failed. */
bool kit_opened(struct conform_kit *k, void **self);

/* Items about streams (conform_stream.c). */
void conform_takes(struct conform_kit *k);
void conform_independent(struct conform_kit *k);
void conform_poll(struct conform_kit *k);
void conform_inject(struct conform_kit *k);

/* A take of all channels with seeded bits. Begin, then step as often as wanted, then end. */
struct conform_take {
	void *self;
	uint32_t count, max_frames;
	struct evl_arm *arms;
	struct evl_slab *slabs;
	uint8_t **tx, **rx;
	uint8_t *sent; /* room to see that tx is as it was */
	uint64_t *started_ns;
	struct evl_sha256 **digests; /* of what was captured, per channel; NULL entries if not */
	uint64_t *played, *captured; /* bytes since begin, per channel */
	uint64_t at_ns, frames;
};

/* Memory and arms for all channels as they are able; nothing is called yet. */
void take_init(struct conform_take *t, const struct conform_kit *k, void *self,
	       uint32_t max_frames);
void take_finish(struct conform_take *t); /* takes a zeroed object */
/* The same offset for all channels that take one; how many do. */
uint32_t take_set_clock(struct conform_take *t, const struct conform_kit *k, int32_t ppb);
/* Sets the slabs of the next exchange and fills tx. */
void take_fill(const struct conform_kit *k, struct conform_take *t, uint32_t frames);
/* arm and start; false when the item failed. In real time `at_ns` is replaced by now. */
bool take_begin(struct conform_kit *k, struct conform_take *t, uint64_t at_ns);
/* One exchange with rx filled with `prefill` before. */
bool take_step(struct conform_kit *k, struct conform_take *t, uint32_t frames, uint8_t prefill);
/* Fails the item when a channel of b captured other bits than in a. */
bool take_same(struct conform_kit *k, const struct conform_take *a, const struct conform_take *b,
	       const char *what);
