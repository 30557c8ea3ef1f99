/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which vector instructions the hot loops of this room use: chosen at run time from what the
 * processor has. All levels give the same bits; tests lower the level to prove it.
 *
 *	evl_simd_limit(EVL_SIMD_NONE);		// portable C from here on
 *	...
 *	evl_simd_limit(EVL_SIMD_AVX2);		// whatever the processor has
 */
#pragma once

enum evl_simd {
	EVL_SIMD_NONE, /* portable C, 8 bytes at a time */
	EVL_SIMD_SSE2, /* 16 bytes */
	EVL_SIMD_AVX2, /* 32 bytes */
};

/* The level in use: the best of this processor and of this build, or the limit if that is lower. */
enum evl_simd evl_simd_now(void);

/* Uses nothing above `most` from now on, in all threads. */
void evl_simd_limit(enum evl_simd most);

const char *evl_simd_name(enum evl_simd level); /* "portable", "SSE2", "AVX2" */
