/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Mock adapters that the loader must refuse; each is this file with one MOCK_x defined by
 * tests/adapter/meson.build. Their functions must never be called, so they abort.
 */
#include <stdlib.h>

#include "core/adapter/adapter.h"

#ifndef MOCK_MAJOR
#define MOCK_MAJOR EVL_ABI_MAJOR
#endif
#ifndef MOCK_MINOR
#define MOCK_MINOR EVL_ABI_MINOR
#endif

#ifdef MOCK_NO_SYMBOL
EVL_ADAPTER_EXPORT extern const int evl_some_other_symbol;
const int evl_some_other_symbol = 1;
#else

static int bad_open(void **self, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	(void)self, (void)args, (void)err;
	abort();
}

static int bad_channels(void *self, struct evl_channel_info *out, uint32_t capacity,
			uint32_t *count, struct evl_adapter_error *err)
{
	(void)self, (void)out, (void)capacity, (void)count, (void)err;
	abort();
}

static int bad_arm(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
		   struct evl_adapter_error *err)
{
	(void)self, (void)arms, (void)count, (void)max_frames, (void)err;
	abort();
}

static int bad_start(void *self, uint64_t at_ns, uint64_t *started_ns,
		     struct evl_adapter_error *err)
{
	(void)self, (void)at_ns, (void)started_ns, (void)err;
	abort();
}

#ifndef MOCK_NO_FUNCTION
static int bad_exchange(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
			struct evl_adapter_error *err)
{
	(void)self, (void)frames, (void)slabs, (void)count, (void)err;
	abort();
}
#endif

static int bad_poll(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
		    struct evl_adapter_error *err)
{
	(void)self, (void)out, (void)capacity, (void)count, (void)err;
	abort();
}

static int bad_stop(void *self, struct evl_adapter_error *err)
{
	(void)self, (void)err;
	abort();
}

static void bad_close(void *self)
{
	(void)self;
	abort();
}

EVL_ADAPTER_EXPORT const struct evl_adapter evl_adapter = {
	.abi_major = MOCK_MAJOR,
	.abi_minor = MOCK_MINOR,
	.name = MOCK_NAME,
	.version = "1.0",
	.description = "mock: must be refused",
	.open = bad_open,
	.channels = bad_channels,
	.arm = bad_arm,
	.start = bad_start,
#ifndef MOCK_NO_FUNCTION
	.exchange = bad_exchange,
#endif
	.poll = bad_poll,
	.stop = bad_stop,
	.close = bad_close,
};
#endif
