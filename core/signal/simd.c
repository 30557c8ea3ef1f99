/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/simd.h"

#include <stdatomic.h>

#include "core/signal/kernels.h"

static atomic_int in_use = -1;

static enum evl_simd best(void)
{
#if EVL_X86
	if (__builtin_cpu_supports("avx2")) {
		return EVL_SIMD_AVX2;
	}
	return EVL_SIMD_SSE2; /* part of x86-64 */
#else
	return EVL_SIMD_NONE;
#endif
}

enum evl_simd evl_simd_now(void)
{
	int level = atomic_load_explicit(&in_use, memory_order_relaxed);
	if (level < 0) {
		level = (int)best();
		atomic_store_explicit(&in_use, level, memory_order_relaxed);
	}
	return (enum evl_simd)level;
}

void evl_simd_limit(enum evl_simd most)
{
	enum evl_simd level = best();
	atomic_store_explicit(&in_use, (int)(most < level ? most : level), memory_order_relaxed);
}

const char *evl_simd_name(enum evl_simd level)
{
	switch (level) {
	case EVL_SIMD_AVX2:
		return "AVX2";
	case EVL_SIMD_SSE2:
		return "SSE2";
	case EVL_SIMD_NONE:
		return "portable";
	}
	return "portable";
}
