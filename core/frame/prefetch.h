/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Asks the processor to fetch memory that will be worked on soon; does nothing where it cannot be
 * asked. For the states of many tributaries, which lie too far apart for it to guess.
 *
 *	evl_prefetch(&tu[i + 1], sizeof(tu[0]));
 */
#pragma once

#include <stdint.h>

#ifdef __SSE2__
#include <xmmintrin.h>
#endif

static inline void evl_prefetch(const void *memory, uint32_t bytes)
{
#ifdef __SSE2__
	const char *p = memory;
	for (uint32_t i = 0; i < bytes; i += 64) {
		_mm_prefetch(p + i, _MM_HINT_T0);
	}
#else
	(void)memory;
	(void)bytes;
#endif
}
