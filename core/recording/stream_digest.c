/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/stream_digest.h"

#include <stdbool.h>
#include <stdlib.h>

#include "core/base/bytes.h"

struct evl_stream_digest {
	struct evl_sha256 *sha;
	bool in_run;
	uint64_t run_start; /* bits */
	uint64_t next;      /* bits */
};

static void begin(struct evl_stream_digest *d)
{
	evl_sha256_reset(d->sha);
	evl_sha256_update(d->sha, EVL_STREAM_DIGEST_TAG, sizeof EVL_STREAM_DIGEST_TAG - 1);
	d->in_run = false;
	d->run_start = 0;
	d->next = 0;
}

static void add_number(struct evl_stream_digest *d, uint64_t v)
{
	uint8_t le[8];
	evl_store_le64(le, v);
	evl_sha256_update(d->sha, le, sizeof le);
}

static void end_run(struct evl_stream_digest *d)
{
	if (d->in_run) {
		add_number(d, d->next - d->run_start);
		d->in_run = false;
	}
}

struct evl_stream_digest *evl_stream_digest_create(void)
{
	struct evl_stream_digest *d = evl_xcalloc(1, sizeof *d);
	d->sha = evl_sha256_create();
	begin(d);
	return d;
}

void evl_stream_digest_destroy(struct evl_stream_digest *d)
{
	if (d != NULL) {
		evl_sha256_destroy(d->sha);
		free(d);
	}
}

enum evl_status evl_stream_digest_update(struct evl_stream_digest *d, uint64_t bit_offset,
					 const void *data, size_t bytes)
{
	if (bit_offset % 8 != 0 || bit_offset < d->next || bit_offset > INT64_MAX ||
	    bytes > ((uint64_t)INT64_MAX - bit_offset) / 8) {
		return EVL_E_INVALID;
	}
	if (bytes == 0) {
		return EVL_OK;
	}
	if (!d->in_run || bit_offset != d->next) {
		end_run(d);
		d->in_run = true;
		d->run_start = bit_offset;
		add_number(d, bit_offset);
	}
	evl_sha256_update(d->sha, data, bytes);
	d->next = bit_offset + (uint64_t)bytes * 8;
	return EVL_OK;
}

uint64_t evl_stream_digest_next_bit(const struct evl_stream_digest *d)
{
	return d->next;
}

void evl_stream_digest_peek(const struct evl_stream_digest *d, uint8_t out[EVL_SHA256_BYTES])
{
	uint8_t le[8];
	evl_store_le64(le, d->next - d->run_start);
	evl_sha256_peek_with(d->sha, le, d->in_run ? sizeof le : 0, out);
}

void evl_stream_digest_end(struct evl_stream_digest *d, uint8_t out[EVL_SHA256_BYTES])
{
	end_run(d);
	evl_sha256_peek(d->sha, out);
	begin(d);
}
