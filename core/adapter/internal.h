/* SPDX-License-Identifier: Apache-2.0 */
/* Shared within the room: text that comes from an adapter and cannot be trusted. */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/adapter/adapter.h"

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
