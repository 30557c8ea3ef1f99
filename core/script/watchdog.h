/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Watches a run from a thread of its own. When an adapter does not come back from a call, the
 * running case gets verdict `error` in the store, the run ends as interrupted, and args->hung is
 * called, which ends the process: a call that hangs cannot be taken back.
 */
#pragma once

#include "core/script/internal.h"

struct evl_watchdog;

/* Without args->hung or with a limit of 0 there is none (NULL). */
struct evl_watchdog *evl_watchdog_start(struct run_state *r);
void evl_watchdog_stop(struct evl_watchdog *w); /* takes NULL */
