/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Leases: two takes, or two cases, cannot hold one channel at the same time.
 *
 *	struct evl_leases *l = evl_leases_create(channel_count);
 *	if (evl_lease_take(l, 17, "case bit-errors", "trib 17", &err) < 0) { ... names the holder }
 *	evl_lease_release(l, "case bit-errors");
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"

struct evl_leases;

struct evl_leases *evl_leases_create(uint32_t channels);
void evl_leases_destroy(struct evl_leases *l); /* takes NULL */

/* Leases one channel to `holder` (copied, at most 95 bytes). EVL_E_CONFLICT when it is held, also
 * by the same holder; the message says by whom and names the channel by `label`. */
enum evl_status evl_lease_take(struct evl_leases *l, uint32_t channel, const char *holder,
	const char *label, struct evl_err *err);

/* Gives back all that `holder` holds. */
void evl_lease_release(struct evl_leases *l, const char *holder);

/* NULL when the channel is free. */
const char *evl_lease_holder(const struct evl_leases *l, uint32_t channel);
