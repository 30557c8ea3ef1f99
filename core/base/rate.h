/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The rates that a channel can have, and time in whole frames. All rates of this trade repeat
 * every 125 us (8 kHz), so offsets are frames or nanoseconds, never floating point.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define EVL_FRAME_NS        125000u /* 125 us */
#define EVL_FRAMES_PER_S    8000u
#define EVL_SLAB_FRAMES_MIN 8u /* slabs are a multiple of 8 frames: each rate fills whole bytes */

/* Values are those of the driver ABI (core/adapter/adapter.h) and never change. */
enum evl_rate {
	EVL_RATE_NONE = 0,
	EVL_RATE_E1 = 1,   /* 2 048 kbit/s, 256 bits a frame, ITU-T G.704 2.3 */
	EVL_RATE_T1 = 2,   /* 1 544 kbit/s, 193 bits a frame, ITU-T G.704 2.1 */
	EVL_RATE_STM1 = 3, /* 155 520 kbit/s, 19 440 bits a frame, ITU-T G.707 6.2 */
	EVL_RATE_STM4 = 4, /* 622 080 kbit/s, 77 760 bits a frame, ITU-T G.707 6.2 */
	/* Payload of a container, without path overhead and fixed stuff: ITU-T G.707 6.1, 10.2 */
	EVL_RATE_VC3 = 5,    /* 48 384 kbit/s, 6048 bits a frame */
	EVL_RATE_VC4 = 6,    /* 149 760 kbit/s, 18 720 bits a frame */
	EVL_RATE_VC4_4C = 7, /* 599 040 kbit/s, 74 880 bits a frame */
	EVL_RATE_COUNT
};

static inline const char *evl_rate_name(enum evl_rate rate)
{
	static const char *const names[EVL_RATE_COUNT] = {
		"none", "E1", "T1", "STM-1", "STM-4", "VC-3", "VC-4", "VC-4-4c"};
	return rate > EVL_RATE_NONE && rate < EVL_RATE_COUNT ? names[rate] : "none";
}

/* EVL_RATE_NONE when the name is not known. */
static inline enum evl_rate evl_rate_by_name(const char *name)
{
	for (int r = EVL_RATE_E1; r < EVL_RATE_COUNT; r++) {
		if (strcmp(name, evl_rate_name((enum evl_rate)r)) == 0) {
			return (enum evl_rate)r;
		}
	}
	return EVL_RATE_NONE;
}

/* A line that carries others. */
static inline bool evl_rate_is_line(enum evl_rate rate)
{
	return rate == EVL_RATE_STM1 || rate == EVL_RATE_STM4;
}

/* Bits that a channel of this rate carries in one frame of 125 us; 0 for EVL_RATE_NONE. */
static inline uint32_t evl_rate_frame_bits(enum evl_rate rate)
{
	static const uint32_t bits[EVL_RATE_COUNT] = {
		0, 256, 193, 19440, 77760, 6048, 18720, 74880};
	return rate > EVL_RATE_NONE && rate < EVL_RATE_COUNT ? bits[rate] : 0;
}

/* Bytes in `frames` frames; `frames` is a multiple of EVL_SLAB_FRAMES_MIN. */
static inline size_t evl_rate_bytes(enum evl_rate rate, uint32_t frames)
{
	return (size_t)evl_rate_frame_bits(rate) * frames / 8;
}
