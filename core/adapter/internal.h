/* SPDX-License-Identifier: Apache-2.0 */
/* Shared within the room: an instance, and judging what comes from an adapter. */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/adapter/adapter.h"
#include "core/adapter/instance.h"

/* Copies text of at most `max` bytes (the end is a NUL or `max`) and returns `out`: control
 * characters become spaces, bad UTF-8 becomes '?', what does not fit is cut. */
const char *evl_adapter_text(char *out, size_t out_bytes, const char *text, size_t max);

/* "the equipment failed" for EVL_ADAPTER_E_HARDWARE, and so on; NULL when not in the ABI. */
const char *evl_adapter_code_name(int code);

/* What is wrong with the i-th entry of a channel list, or NULL. Looks at the entries before it for
 * names that come twice. */
const char *evl_channel_problem(const struct evl_channel_info *list, uint32_t i);

/* What is wrong with an event, or NULL. Times outside from_ns .. until_ns are wrong. */
const char *evl_event_problem(const struct evl_event *event, uint32_t channel_count,
			      uint64_t from_ns, uint64_t until_ns);

struct evl_instance {
	const struct evl_adapter *adapter;
	void *self;
	const struct evl_setup_extension *setup; /* NULL: none */
	char *name;
	bool virtual_time;
	struct evl_channel_info *channels;
	uint32_t channel_count;
	enum evl_instance_state state;
	struct evl_arm *arms;   /* channel_count of them */
	struct evl_slab *slabs; /* as handed over, to see what came back; channel_count of them */
	int64_t *ahead;         /* bytes captured beyond nominal since the start, by arm */
	uint32_t arm_count;
	uint32_t max_frames;
	uint64_t frames; /* since the last start */
	uint64_t now_ns; /* host's clock as far as the adapter knows it; virtual time */
};

/* The caller's mistake; the adapter was not called: "adapter A (instance I): CALL refused: ...",
 * EVL_E_INVALID. */
enum evl_status evl_instance_refuse(const struct evl_instance *in, struct evl_err *err,
				    const char *call, const char *fmt, ...)
	__attribute__((format(printf, 4, 5)));
/* The adapter's mistake: "... CALL broke the driver ABI: ...", EVL_E_ADAPTER. */
enum evl_status evl_instance_broken(const struct evl_instance *in, struct evl_err *err,
				    const char *call, const char *fmt, ...)
	__attribute__((format(printf, 4, 5)));
/* Words what a call returned: "... CALL failed: TEXT", EVL_E_ADAPTER; EVL_OK for code 0. */
enum evl_status evl_instance_judge(const struct evl_instance *in, struct evl_err *err,
				   const char *call, int code,
				   const struct evl_adapter_error *said);
struct evl_adapter_error evl_no_error(void); /* empty, version set */
