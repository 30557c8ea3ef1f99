/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Writes a recording: a pcapng file, streamed and append-only, compressed (zstd) when its name ends
 * in ".zst". Memory is bounded whatever the length (20 MB for 128 channels, under 100 MB for 1024);
 * create gets all that writing needs.
 *
 *	struct evl_rec_channel ch[] = {
 *		{"trib-1.out", EVL_RATE_E1, EVL_REC_RECEIVED, 0, 0, 0},
 *	};
 *	struct evl_rec_writer *w = NULL;
 *	if (evl_rec_writer_create(&w, "take.pcapng", ch, 1, "{\"case\":\"crossing\"}", &err) < 0)
 *... while (...) { if (evl_rec_write(w, 0, bit_offset, slab, bytes, 0, &err) < 0) ...
 *	}
 *	evl_rec_finish(w, digests, NULL, &err);
 *
 * One writer belongs to one thread at a time. On a machine with two processors or more it has a
 * thread of its own that digests and writes the file; the bytes of the file do not depend on it. An
 * error of the disk is then told by a later call than the one whose bits are lost.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/recording/channel.h"

struct evl_rec_writer;

struct evl_rec_totals {
	uint64_t file_bytes;                   /* on the disk */
	uint64_t blocks;                       /* of channel data */
	uint64_t gaps;                         /* over all channels */
	uint8_t file_sha256[EVL_SHA256_BYTES]; /* of the whole file, as sha256sum prints it; of a
						* compressed one after zstd -dc */
};

/* Creates the file `path`, which must not exist yet (EVL_E_CONFLICT), and copies what is in
 * `channels`. `meta_json` is a JSON object as text (campaign, build, case, take, numbering label
 * ...) or NULL for an empty one. EVL_E_INVALID names the channel or the fault in the metadata. */
enum evl_status evl_rec_writer_create(struct evl_rec_writer **out, const char *path,
	const struct evl_rec_channel *channels, uint32_t count, const char *meta_json,
	struct evl_err *err);

/* Rotation. A part ends before the bits that would pass either limit; 0: no such limit. */
struct evl_rec_limits {
	uint64_t part_bytes; /* at least 65536 */
	uint64_t part_ns;    /* of line time, at least 100 ms */
	bool compress;       /* the parts are "night-0001.pcapng.zst" ...; part_bytes counts what is
			      * in them */
};

/* Writes a set: numbered parts, each a recording by itself, and the index `path`, which
 * evl_rec_open opens as one recording. For the index "night.set" the parts are "night-0001.pcapng"
 * and so on beside it. A part is listed in the index when it is whole. Beginning a part allocates.
 * Only the last part is synced, by finish. At most 9999 parts, and 4194304 parts times channels;
 * then EVL_E_INVALID. totals->file_sha256 is that of the index, which holds the parts'. A path that
 * ends in ".pcapng" and limits that cannot be are EVL_E_INVALID. `limits` NULL: one file, as
 * evl_rec_writer_create makes it. */
enum evl_status evl_rec_writer_create_set(struct evl_rec_writer **out, const char *path,
	const struct evl_rec_channel *channels, uint32_t count, const char *meta_json,
	const struct evl_rec_limits *limits, struct evl_err *err);

/* Sets the measured start of a channel when it was not known yet at create. Only before the first
 * evl_rec_write of any channel: it goes into the head of the file. A start of 2^62 ns or more is
 * reported by the next call that returns a status. */
void evl_rec_set_start(
	struct evl_rec_writer *w, uint32_t channel, uint64_t start_ns, int64_t skew_ns);

/* Appends `bytes` whole bytes that begin `bit_offset` bits after the channel's start. The offset
 * is a multiple of 8 and not before the end of the channel's previous bits; beyond it a gap is
 * recorded. `flags` are EVL_REC_FILLER and EVL_REC_OVERRUN (those of a
 * struct evl_slab fit). Does not allocate. Bits are collected into blocks of about
 * 1/8 s (STM-1: 13 ms) before they go to the file; as much again may wait to be written.
 * EVL_E_INVALID: offset out of order; nothing is recorded of this call. EVL_E_IO: the disk is full
 * or failed; the message names the path and how much is kept; every later call says the same. */
enum evl_status evl_rec_write(struct evl_rec_writer *w, uint32_t channel, uint64_t bit_offset,
	const void *data, size_t bytes, uint32_t flags, struct evl_err *err);

/* Marks an instant; marks stand in the file in the order of the calls. The text is copied.
 * EVL_E_INVALID: no text, longer than EVL_REC_MARK_TEXT_MAX, with control characters or not UTF-8;
 * an instant of 2^62 ns or more; more than EVL_REC_MARKS_MAX marks. Else as evl_rec_write. */
enum evl_status evl_rec_mark(
	struct evl_rec_writer *w, const struct evl_rec_mark *mark, struct evl_err *err);

/* Hands all collected bits to the operating system, as short blocks. A long real-time take calls
 * it about once a second, so that a killed process loses no more than that. */
enum evl_status evl_rec_flush(struct evl_rec_writer *w, struct evl_err *err);

/* Writes the trailer, syncs and closes the file, and frees `w` also on error. `digests` (may be
 * NULL) receives one stream digest per channel, `totals` may be NULL. On error the file is left
 * as an unfinished recording, readable up to its last whole block. */
enum evl_status evl_rec_finish(struct evl_rec_writer *w, uint8_t (*digests)[EVL_SHA256_BYTES],
	struct evl_rec_totals *totals, struct evl_err *err);

/* Closes the file without a trailer and frees `w`: the file stays an unfinished recording with
 * all that was written. Takes NULL. */
void evl_rec_abandon(struct evl_rec_writer *w);
