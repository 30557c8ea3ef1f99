/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a replay must have sent, told by the recording alone: the rounds are laid out one after the
 * other and the recording is read once more, whatever play.c did while the take ran. The digest is
 * that of core/recording/stream_digest.h over what a channel sends from bit 0 of the take.
 */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

#define CHUNK ((size_t)65536)

struct laying {
	struct evl_stream_digest *digest;
	uint8_t *chunk;
	uint64_t at, end; /* bits of the take */
};

static void lay(struct laying *l, size_t bytes)
{
	enum evl_status st = evl_stream_digest_update(l->digest, l->at, l->chunk, bytes);
	evl_require(st == EVL_OK);
	l->at += (uint64_t)bytes * 8;
}

static size_t next(const struct laying *l, uint64_t bits)
{
	uint64_t left = l->end - l->at < bits ? l->end - l->at : bits;
	return left / 8 < CHUNK ? (size_t)(left / 8) : CHUNK;
}

static void lay_idle(struct laying *l, uint64_t bits)
{
	for (size_t n; (n = next(l, bits)) > 0; bits -= (uint64_t)n * 8) {
		memset(l->chunk, EVL_TAKE_IDLE, n);
		lay(l, n);
	}
}

static enum evl_status lay_recorded(struct laying *l, const struct evl_take_content *c,
	uint64_t from_bit, uint64_t bits, struct evl_err *err)
{
	for (size_t n; (n = next(l, bits)) > 0; bits -= (uint64_t)n * 8) {
		enum evl_status st =
			evl_rec_read(c->reader, c->reader_channel, from_bit, l->chunk, n, err);
		if (st < 0) {
			return st;
		}
		lay(l, n);
		from_bit += (uint64_t)n * 8;
	}
	return EVL_OK;
}

enum evl_status evl_identity_expected(const struct evl_take_content *c, uint64_t bits,
	uint8_t out[EVL_SHA256_BYTES], struct evl_err *err)
{
	const struct evl_rec_info *info = evl_rec_info(c->reader, c->reader_channel);
	const struct evl_take_window *w = &c->window;
	if (w->bits == 0 && info->has_digest && info->bits == bits) {
		memcpy(out, info->digest, EVL_SHA256_BYTES); /* as it was made when recording */
		return EVL_OK;
	}
	struct laying l = {.digest = evl_stream_digest_create(), .end = bits};
	l.chunk = evl_xmalloc(CHUNK);
	enum evl_status st = EVL_OK;
	if (w->bits == 0) {
		st = lay_recorded(&l, c, 0, info->end_bits, err);
	} else {
		lay_idle(&l, w->lead_bits);
		uint64_t round = 0;
		do {
			lay_idle(&l, round > 0 ? w->seam_bits : 0);
			st = lay_recorded(&l, c, w->from_bit, w->bits, err);
		} while (st == EVL_OK && ++round < w->times && l.at < l.end);
	}
	if (st == EVL_OK) {
		lay_idle(&l, UINT64_MAX);
		evl_stream_digest_end(l.digest, out);
	}
	evl_stream_digest_destroy(l.digest);
	free(l.chunk);
	return st;
}
