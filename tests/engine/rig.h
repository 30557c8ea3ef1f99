/* SPDX-License-Identifier: Apache-2.0 */
/* A bench with one mock adapter, brought up for the tests of this room. */
#pragma once

#include "core/engine/engine.h"

struct rig {
	struct evl_bench *bench;
	struct evl_loaded *loaded;
	struct evl_instance *instance;
	struct evl_binding *binding;
	struct evl_engine *engine;
	volatile sig_atomic_t stop;
	struct evl_take_part parts[16];
	struct evl_take_plan plan;
};

/* `options` are YAML lines in flow style, such as "delay_frames: 5". Eight E1 in role trib. */
void rig_up(struct rig *rig, const char *driver, const char *options, uint64_t seed);
/* The same with a reserve of the disk, and what there is of it (NULL: the disk's own). */
void rig_up_on(struct rig *rig, const char *driver, const char *options, uint64_t seed,
	       uint64_t reserve_bytes,
	       enum evl_status (*space)(uint64_t *bytes, const char *path, struct evl_err *err));
void rig_down(struct rig *rig);

/* A plan in which `count` tributaries play and expect their own phase of 2^15-1. */
void rig_patterns(struct rig *rig, uint32_t count, uint64_t frames);

/* evl_engine_take at the next possible instant. */
enum evl_status rig_take(struct rig *rig, uint64_t deadline_ns, const struct evl_take_sink *sink,
			 struct evl_take_result **out, struct evl_err *err);
