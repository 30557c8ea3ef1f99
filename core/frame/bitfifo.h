/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A small first-in first-out store of bits that lies in one piece of memory: the elastic store of
 * a tributary. Nothing is checked here but by evl_require: the user looks at the level first.
 *
 *	struct evl_bitfifo f;
 *	uint8_t store[400 + EVL_BITFIFO_SLACK];
 *	evl_bitfifo_init(&f, store, sizeof(store), 96);
 *	evl_bitfifo_push(&f, e1, 0, 256);
 *	evl_bitfifo_pull(&f, out, 0, 256);
 *
 * The memory is the user's and must not move. Bits that were read stay for a while, so that they
 * can be given once more. There are many of these, so each is as small as its user can do with.
 */
#pragma once

#include <stdint.h>
#include <string.h>

#include "core/base/err.h"
#include "core/signal/bits.h"

#define EVL_BITFIFO_SLACK 16u /* bytes at the end, touched by copies of whole words */

struct evl_bitfifo {
	uint32_t read, write; /* bit positions in buf */
	uint16_t bytes;       /* of buf without the slack */
	uint16_t back;        /* bytes before the read position that are kept, at least */
	uint8_t *buf;
};

/* Empty, with ones before it. `size` is that of buf with the slack. */
static inline void evl_bitfifo_init(
	struct evl_bitfifo *f, uint8_t *buf, uint32_t size, uint32_t back)
{
	f->buf = buf;
	f->bytes = (uint16_t)(size - EVL_BITFIFO_SLACK);
	f->back = (uint16_t)back;
	f->read = f->write = 8 * back;
	memset(buf, 0xff, size);
}

static inline uint32_t evl_bitfifo_level(const struct evl_bitfifo *f)
{
	return f->write - f->read;
}

/* Most bits that it holds. */
static inline uint32_t evl_bitfifo_most(const struct evl_bitfifo *f)
{
	return 8u * ((uint32_t)f->bytes - f->back);
}

static inline void evl_bitfifo_make_room(struct evl_bitfifo *f, uint32_t bits)
{
	if (f->write + bits <= 8u * f->bytes) {
		return;
	}
	uint32_t from = f->read >= 8u * f->back ? f->read / 8 - f->back : 0;
	memmove(f->buf, f->buf + from, (f->write + 7) / 8 - from);
	f->read -= 8 * from;
	f->write -= 8 * from;
}

/* Appends the first `bits` bits of src, starting src_bit (0..7) bits into it. */
static inline void evl_bitfifo_push(
	struct evl_bitfifo *f, const uint8_t *src, uint32_t src_bit, uint32_t bits)
{
	evl_require(evl_bitfifo_level(f) + bits <= evl_bitfifo_most(f));
	evl_bitfifo_make_room(f, bits);
	if (bits == 256 && src_bit == 0 && f->write % 8 == 0) {
		memcpy(f->buf + f->write / 8, src, 32);
	} else if ((bits | src_bit | f->write) % 8 == 0) {
		memcpy(f->buf + f->write / 8, src, bits / 8);
	} else {
		evl_bits_copy(f->buf, f->write, src, src_bit, bits);
	}
	f->write += bits;
}

/* Takes `bits` bits into dst from dst_bit (0..7) on. */
static inline void evl_bitfifo_pull(
	struct evl_bitfifo *f, uint8_t *dst, uint32_t dst_bit, uint32_t bits)
{
	evl_require(evl_bitfifo_level(f) >= bits);
	if (bits == 256 && dst_bit == 0) {
		if (f->read % 8 == 0) {
			memcpy(dst, f->buf + f->read / 8, 32);
		} else {
			evl_bits_shift(dst, f->buf + f->read / 8, 32, f->read % 8);
		}
	} else {
		evl_bits_copy(dst, dst_bit, f->buf, f->read, bits);
	}
	f->read += bits;
}

/* Sets the level by moving the read position: back over bits already read (ones after init), or
 * forward. */
static inline void evl_bitfifo_set_level(struct evl_bitfifo *f, uint32_t bits)
{
	evl_require(bits <= f->write);
	f->read = f->write - bits;
}

/* Empty but for so many ones, which begin at a whole byte. */
static inline void evl_bitfifo_prefill(struct evl_bitfifo *f, uint32_t bits)
{
	evl_require(bits <= evl_bitfifo_most(f));
	evl_bitfifo_init(f, f->buf, f->bytes + EVL_BITFIFO_SLACK, f->back);
	f->write += bits;
}

/* Controlled slips of a frame of `bits`: leave it out, or give the last bits once more. */
static inline void evl_bitfifo_skip(struct evl_bitfifo *f, uint32_t bits)
{
	f->read += bits;
}

static inline void evl_bitfifo_repeat(struct evl_bitfifo *f, uint32_t bits)
{
	f->read -= bits;
}
