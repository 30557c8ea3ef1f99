/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A pattern of the user's own: any bits, repeated without end. Made once, then shared by all that
 * send or check it; nothing changes it.
 *
 *	struct evl_user_pattern *u = NULL;
 *	if (evl_user_pattern_create(&u, "idle.bin", bytes, bits, &err) < 0) { ... }
 *	struct evl_pattern p = evl_pattern_user(u);		// pattern.h
 *	...
 *	evl_user_pattern_destroy(u);
 *
 * A receiver finds its place by 64 bits that occur only once in the pattern, and never inverted
 *(windows). Windows are kept one each evl_user_pattern_step bits, at most 32768 of them.
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_USER_PATTERN_BITS_MIN 65                  /* shorter ones are words (pattern.h) */
#define EVL_USER_PATTERN_BITS_MAX (UINT64_C(1) << 26) /* 8 MiB */
#define EVL_USER_PATTERN_NONE     UINT64_MAX

struct evl_user_pattern;

/* Copies the first `bits` bits (most significant bit of byte 0 first). `name` is for people: a
 * file's name; at most 60 bytes are used. Keeps 8 KiB to 64 MiB, at most 8 times the bits.
 * EVL_E_INVALID: too short or too long, or no 64 bits of those kept occur once only (all the same,
 * or the pattern repeats itself: give one period). */
enum evl_status evl_user_pattern_create(struct evl_user_pattern **out, const char *name,
	const uint8_t *data, uint64_t bits, struct evl_err *err);
void evl_user_pattern_destroy(struct evl_user_pattern *u); /* takes NULL */

uint64_t evl_user_pattern_bits(const struct evl_user_pattern *u); /* one period */
const char *evl_user_pattern_name(const struct evl_user_pattern *u);
uint32_t evl_user_pattern_step(const struct evl_user_pattern *u); /* bits between two windows */

/* Writes the 8 * bytes bits that begin at bit `phase` (below the period) of the pattern. */
void evl_user_pattern_fill(
	const struct evl_user_pattern *u, uint64_t phase, uint8_t *out, size_t bytes);

/* Where these 64 bits begin, if they are one of the windows kept; else EVL_USER_PATTERN_NONE. */
uint64_t evl_user_pattern_find(const struct evl_user_pattern *u, uint64_t window);
