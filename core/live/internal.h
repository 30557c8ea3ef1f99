/* SPDX-License-Identifier: Apache-2.0 */
/* Shared within the room. */
#pragma once

#include "core/base/text.h"
#include "core/live/live.h"

/* The state as one line of JSON (RFC 8259). */
void evl_live_json(struct evl_text *out, const struct evl_live_state *state);

/* page.html with its style and script, and what may be run of it (made by embed_page.py). */
extern const char evl_live_page[];
extern const char evl_live_policy[]; /* Content-Security-Policy */
