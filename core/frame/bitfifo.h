/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A small first-in first-out store of bits that lies in one piece of memory: the elastic store of
 * a tributary. Nothing is checked here but by evl_require: the user looks at the level first.
 *
 *	struct evl_bitfifo f;
 *	evl_bitfifo_init(&f);
 *	evl_bitfifo_push(&f, e1, 256);
 *	evl_bitfifo_pull(&f, out, 256);
 */
#pragma once

#include <stdint.h>
#include <string.h>

#include "core/base/err.h"
#include "core/signal/bits.h"

#define EVL_BITFIFO_BITS  4608u /* most that it holds */
#define EVL_BITFIFO_BYTES 1024u
#define EVL_BITFIFO_SLACK 16u   /* after them, touched by copies of whole words */
#define EVL_BITFIFO_BACK  128u /* bytes before the read position that are kept */

struct evl_bitfifo {
	uint32_t read, write; /* bit positions in buf */
	uint8_t buf[EVL_BITFIFO_BYTES + EVL_BITFIFO_SLACK];
};

static inline void evl_bitfifo_init(struct evl_bitfifo *f)
{
	f->read = f->write = 8 * EVL_BITFIFO_BACK;
	memset(f->buf, 0xff, sizeof(f->buf));
}

static inline uint32_t evl_bitfifo_level(const struct evl_bitfifo *f)
{
	return f->write - f->read;
}

static inline void evl_bitfifo_make_room(struct evl_bitfifo *f, uint32_t bits)
{
	if (f->write + bits <= 8 * EVL_BITFIFO_BYTES) {
		return;
	}
	uint32_t back = 8 * EVL_BITFIFO_BACK;
	uint32_t from = f->read >= back ? f->read / 8 - EVL_BITFIFO_BACK : 0;
	memmove(f->buf, f->buf + from, (f->write + 7) / 8 - from);
	f->read -= 8 * from;
	f->write -= 8 * from;
}

/* Appends the first `bits` bits of src, starting src_bit (0..7) bits into it. */
static inline void evl_bitfifo_push(struct evl_bitfifo *f, const uint8_t *src, uint32_t src_bit,
				    uint32_t bits)
{
	evl_require(evl_bitfifo_level(f) + bits <= EVL_BITFIFO_BITS);
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
static inline void evl_bitfifo_pull(struct evl_bitfifo *f, uint8_t *dst, uint32_t dst_bit,
				    uint32_t bits)
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
 * forward. bits <= 8 * EVL_BITFIFO_BACK. */
static inline void evl_bitfifo_set_level(struct evl_bitfifo *f, uint32_t bits)
{
	evl_require(bits <= f->write);
	f->read = f->write - bits;
}

/* Empty but for so many ones, which begin at a whole byte; bits <= 8 * EVL_BITFIFO_BACK. */
static inline void evl_bitfifo_prefill(struct evl_bitfifo *f, uint32_t bits)
{
	evl_require(bits <= 8 * EVL_BITFIFO_BACK);
	evl_bitfifo_init(f);
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
