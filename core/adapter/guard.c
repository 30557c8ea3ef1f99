/* SPDX-License-Identifier: Apache-2.0 */
#include "core/adapter/guard.h"

#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "core/base/err.h"

#define OUTSIDE UINT64_C(0)
#define CLAIMED UINT64_MAX

/* When the present call began; the texts are written before it and read after it. */
static _Atomic uint64_t since;
static _Atomic(const char *) who;
static _Atomic(const char *) what;

static uint64_t now_ns(void)
{
	struct timespec t;
	evl_require(clock_gettime(CLOCK_MONOTONIC, &t) == 0);
	return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec + 1; /* never OUTSIDE */
}

void evl_guard_enter(const char *instance, const char *call)
{
	atomic_store(&who, instance);
	atomic_store(&what, call);
	atomic_store(&since, now_ns());
}

void evl_guard_leave(void)
{
	uint64_t began = atomic_load(&since);
	if (began == CLAIMED || !atomic_compare_exchange_strong(&since, &began, OUTSIDE)) {
		for (;;) {
			pause(); /* the other thread is ending the process */
		}
	}
}

bool evl_guard_claim(char text[EVL_GUARD_TEXT], uint64_t limit_ns)
{
	uint64_t began = atomic_load(&since);
	if (began == OUTSIDE || began == CLAIMED || now_ns() - began <= limit_ns) {
		return false;
	}
	/* A new call in between has another beginning, and the claim fails. */
	if (!atomic_compare_exchange_strong(&since, &began, CLAIMED)) {
		return false;
	}
	snprintf(text, EVL_GUARD_TEXT,
		"the adapter of instance %s hangs: its %s has not come back within %llu s",
		atomic_load(&who), atomic_load(&what),
		(unsigned long long)(limit_ns / 1000000000u));
	return true;
}

bool evl_guard_is_in(const char *instance)
{
	return atomic_load(&since) == CLAIMED && strcmp(atomic_load(&who), instance) == 0;
}
