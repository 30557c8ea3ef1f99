/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Reads a recording, also one that was cut at any byte: it yields all whole blocks before the cut.
 * Many channels are read well in step. Memory is bounded whatever the length; the file is read by
 * pread, so a file that shrinks meanwhile gives an error and no signal.
 *
 *	struct evl_rec *r = NULL;
 *	if (evl_rec_open(&r, "take.pcapng", &err) < 0) ...
 *	uint32_t c;
 *	if (evl_rec_find(r, "trib-1.out", &c)) {
 *		evl_rec_read(r, c, 0, slab, sizeof slab, &err);
 *	}
 *	evl_rec_close(r);
 *
 * One reader belongs to one thread at a time.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "core/base/err.h"
#include "core/recording/channel.h"

struct evl_rec;

/* Opens a recording, or the index of a set as one recording. EVL_E_NOTFOUND: no such file;
 * EVL_E_INVALID: not a recording of ours (the message says what it is when that can be told: pcap,
 * another pcapng, empty, a folder); EVL_E_VERSION: a later format; EVL_E_CORRUPT: so damaged that
 * no channel can be read. A recording that is cut or damaged further on opens; ask evl_rec_missing.
 * Open does not read all bits: evl_rec_verify does. Of a set parts that are missing are gaps, and a
 * part that was being written when the set broke off is read too; evl_rec_verify gives the digest
 * of the index as file_sha256. A part opened by itself has the offsets that it has in the set, and
 * no stream digests but for the first. */
enum evl_status evl_rec_open(struct evl_rec **out, const char *path, struct evl_err *err);
void evl_rec_close(struct evl_rec *r); /* takes NULL */

const char *evl_rec_path(const struct evl_rec *r);
const char *evl_rec_software(const struct evl_rec *r); /* writer's name and version */
const char *evl_rec_meta(const struct evl_rec *r);     /* the metadata, one JSON object */

uint32_t evl_rec_part_count(const struct evl_rec *r); /* of a set; 0: one file */

/* True when the trailer is there and sound. */
bool evl_rec_is_finished(const struct evl_rec *r);
/* One line on what is missing or damaged as far as open could see ("unfinished: ..."), or "". */
const char *evl_rec_missing(const struct evl_rec *r);

/* What is known of a channel; pointers are valid until close. */
struct evl_rec_info {
	struct evl_rec_channel channel;
	uint64_t blocks;
	uint64_t bits;      /* recorded bits, gaps not counted */
	uint64_t first_bit; /* offset of the first recorded bit; 0 when there is none */
	uint64_t end_bits;  /* offset after the last recorded bit; 0 when there is none */
	uint64_t gaps;      /* places where bits are missing, also before the first bit */
	uint64_t overruns;  /* blocks flagged EVL_REC_OVERRUN or EVL_REC_FILLER */
	bool has_digest;    /* the recording is finished */
	uint8_t digest[EVL_SHA256_BYTES]; /* stream digest as stored in the trailer */
};

uint32_t evl_rec_channel_count(const struct evl_rec *r);
const struct evl_rec_info *evl_rec_info(const struct evl_rec *r, uint32_t channel);
bool evl_rec_find(const struct evl_rec *r, const char *name, uint32_t *channel);

/* The marks in the order in which they were set; pointers are valid until close. */
uint32_t evl_rec_mark_count(const struct evl_rec *r);
const struct evl_rec_mark *evl_rec_mark_at(const struct evl_rec *r, uint32_t index);

/* Reads exactly `bytes` bytes that begin at `bit_offset` (a multiple of 8). Does not allocate.
 * EVL_E_END: the channel ends before the last of them. EVL_E_NOTFOUND: a gap is in between (the
 * message says where). EVL_E_CORRUPT: the file is damaged there. On error `buf` is undefined. */
enum evl_status evl_rec_read(struct evl_rec *r, uint32_t channel, uint64_t bit_offset, void *buf,
	size_t bytes, struct evl_err *err);

/* A piece of a channel that is stored in one block. */
struct evl_rec_piece {
	uint64_t bit_offset; /* of the piece's first bit */
	uint64_t bits;
	uint32_t flags; /* EVL_REC_x; GAP only when the piece begins where its block does */
};

/* The recorded piece at or after `bit_offset`: it begins there when that bit is recorded, else at
 * the next one that is. The following piece may adjoin. EVL_E_END when there is none. */
enum evl_status evl_rec_piece(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	struct evl_rec_piece *out, struct evl_err *err);

/* Computes the stream digest of a channel anew from its bits. */
enum evl_status evl_rec_digest(
	struct evl_rec *r, uint32_t channel, uint8_t out[EVL_SHA256_BYTES], struct evl_err *err);

/* Writes all bytes of a channel to `out`, in order, gaps left out; *bytes and *gaps (both may be
 * NULL) say how many bytes were written and how many gaps were stepped over. `out_name` is for
 * the message when `out` cannot be written. */
enum evl_status evl_rec_extract(struct evl_rec *r, uint32_t channel, FILE *out,
	const char *out_name, uint64_t *bytes, uint64_t *gaps, struct evl_err *err);

/* One thing that verify found wrong. */
struct evl_rec_finding {
	uint64_t position; /* file byte at which the block begins; 0 when no block is meant */
	uint64_t block;    /* number of the block in the file, the section header being 0 */
	int64_t channel;   /* or -1 */
	const char *text;  /* one line, valid during the call */
	bool end; /* nothing is altered: it is not finished, or a part of a set is not there */
};

struct evl_rec_verdict {
	bool finished;   /* the trailer is there and sound */
	bool intact;     /* finished and nothing found */
	uint64_t blocks; /* whole sound blocks, of all kinds */
	uint64_t bytes;  /* in them */
	uint64_t findings;
	uint8_t file_sha256[EVL_SHA256_BYTES]; /* as in evl_rec_totals */
};

typedef void (*evl_rec_report)(void *context, const struct evl_rec_finding *finding);

/* Reads every byte again: each block's fields and its check, the digest of every channel, the
 * index and the digest of the file. `report` (may be NULL) is called for each finding; the first
 * altered block is named, and after it each channel whose digest differs. Returns EVL_OK when the
 * recording is intact, EVL_E_CORRUPT with the first finding as message when it is not (an
 * unfinished recording is not intact), another error when it could not be checked. */
enum evl_status evl_rec_verify(struct evl_rec *r, evl_rec_report report, void *context,
	struct evl_rec_verdict *verdict, struct evl_err *err);
