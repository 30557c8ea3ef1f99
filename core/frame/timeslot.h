/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Access to timeslots: any one, or N of them as one N x 64 kbit/s group, contiguous or not, always
 * in timeslot order (ITU-T G.704 5.2, 3.3).
 *
 *	struct evl_timeslots ts;
 *	evl_timeslots_parse(&ts, EVL_RATE_E1, "1-15,17-31", &err);
 *	evl_timeslots_extract(&ts, group, frames, n);	// n * ts.count bytes
 *	evl_timeslots_insert(&ts, frames, group, n);
 *
 * E1: timeslots 0 to 31, frames of 32 bytes. T1: timeslots 1 to 24; either frames of 24 bytes, as
 * evl_t1_receive gives them, or packed slabs of 193-bit frames.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/base/rate.h"

#define EVL_TIMESLOTS_MAX 32

/* A group; read count and mask, the rest is private. */
struct evl_timeslots {
	enum evl_rate rate;
	uint32_t mask;   /* bit n: timeslot n of E1 (0..31), n of T1 (1..24) */
	uint32_t count;  /* bytes that a frame carries; the group has count * 64 kbit/s */
	uint32_t stride; /* bytes of a frame */
	uint32_t runs;
	struct {
		uint8_t at, len;
	} run[16]; /* contiguous parts, as bytes of the frame */
};

/* EVL_E_INVALID when the mask is 0, names a timeslot that the rate does not have, or the rate is
 * neither E1 nor T1. */
enum evl_status evl_timeslots_init(
	struct evl_timeslots *ts, enum evl_rate rate, uint32_t mask, struct evl_err *err);

/* `text`: numbers and ranges, "0,5,16-31"; each timeslot once, any order. EVL_E_INVALID with a
 * message that quotes the part that is wrong. */
enum evl_status evl_timeslots_parse(
	struct evl_timeslots *ts, enum evl_rate rate, const char *text, struct evl_err *err);

/* group = the group's bytes of `count` frames: E1 frames of 32 bytes, T1 of 24 bytes. */
void evl_timeslots_extract(
	const struct evl_timeslots *ts, uint8_t *group, const uint8_t *frames, uint32_t count);

/* The other way; all other timeslots keep their value. */
void evl_timeslots_insert(
	const struct evl_timeslots *ts, uint8_t *frames, const uint8_t *group, uint32_t count);

/* T1 only: the same on a packed slab of 193-bit frames, the first of which begins at bit 0. `count`
 * is any number of frames; the slab has (193 * count + 7) / 8 bytes. F bits are kept. */
void evl_timeslots_extract_t1(
	const struct evl_timeslots *ts, uint8_t *group, const uint8_t *slab, uint32_t count);
void evl_timeslots_insert_t1(
	const struct evl_timeslots *ts, uint8_t *slab, const uint8_t *group, uint32_t count);
