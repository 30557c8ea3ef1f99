/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Identity of one channel's bits: SHA-256 over (offset, bits), the same however the stream was cut
 * into slabs. Two channels with equal digests carried the same bits at the same offsets.
 *
 *	struct evl_stream_digest *d = evl_stream_digest_create();
 *	evl_stream_digest_update(d, 0, slab, sizeof slab);
 *	evl_stream_digest_end(d, digest);
 *	evl_stream_digest_destroy(d);
 *
 * The bytes hashed (our own construction; docs/recording.md has a worked example):
 *
 *	the 12 ASCII bytes "evl-stream-1", then for each longest run of bits without a gap:
 *	offset of its first bit (64 bits, least significant byte first), its bytes (first bit of
 *	the channel in the most significant bit), number of its bits (64 bits, likewise)
 *
 * Offsets count bits from the channel's start in the take. The number comes last so that a run
 * can be hashed before its length is known; read from the end, the text has one meaning only.
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/status.h"

#define EVL_STREAM_DIGEST_TAG "evl-stream-1"

struct evl_stream_digest;

/* Gets all memory that it will ever need. */
struct evl_stream_digest *evl_stream_digest_create(void);
void evl_stream_digest_destroy(struct evl_stream_digest *d); /* takes NULL */

/* Adds whole bytes beginning at `bit_offset`, a multiple of 8 that is not before the end of what
 * was added last; beyond that end it is a gap. Zero bytes add nothing. EVL_E_INVALID (and nothing
 * is added) when the offset is not so, or when the end would not fit 63 bits. */
enum evl_status evl_stream_digest_update(struct evl_stream_digest *d, uint64_t bit_offset,
					 const void *data, size_t bytes);

/* Offset of the bit after the last one added; 0 when nothing was. */
uint64_t evl_stream_digest_next_bit(const struct evl_stream_digest *d);

/* Writes the digest of what was added so far, as if it ended here; more may be added. */
void evl_stream_digest_peek(const struct evl_stream_digest *d, uint8_t out[EVL_SHA256_BYTES]);

/* Writes the digest and starts again from nothing. */
void evl_stream_digest_end(struct evl_stream_digest *d, uint8_t out[EVL_SHA256_BYTES]);
