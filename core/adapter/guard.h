/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Tells how long the host has been inside one call of an adapter, so that another thread can notice
 * one that never comes back.
 *
 *	evl_guard_enter(instance, "exchange");		// the thread that calls adapters
 *	code = adapter->exchange(...);
 *	evl_guard_leave();
 *
 *	char text[EVL_GUARD_TEXT];			// another thread, now and then
 *	if (evl_guard_claim(text, 30 * 1000000000u)) {
 *		... the first thread will never go on: record and end the process ...
 *	}
 *
 * One thread of the process calls adapters. After a claim its evl_guard_leave does not return, so
 * the claiming thread has the state of the other to itself.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define EVL_GUARD_TEXT 256

/* The texts must live until the leave. Costs a look at the clock. */
void evl_guard_enter(const char *instance, const char *call);
void evl_guard_leave(void);

/* True when the present call has lasted longer than `limit_ns`: words it, and the process now
 * belongs to the caller. */
bool evl_guard_claim(char text[EVL_GUARD_TEXT], uint64_t limit_ns);

/* After a claim: is it a call of this instance? */
bool evl_guard_is_in(const char *instance);
