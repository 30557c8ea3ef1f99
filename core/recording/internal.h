/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Inside of the recording room: the blocks as bytes (block.c), the index of seek points (seek.c),
 * and what reader.c, window.c and verify.c share. The layout is described in docs/recording.md;
 * block types and option codes are those of draft-ietf-opsawg-pcapng.
 */
#pragma once

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/recording/align.h"
#include "core/recording/channel.h"
#include "core/recording/diff.h"
#include "core/recording/reader.h"
#include "core/recording/stream_digest.h"
#include "core/recording/writer.h"

enum {
	BLOCK_SECTION = 0x0A0D0D0A,
	BLOCK_INTERFACE = 1,
	BLOCK_PACKET = 6,
	BLOCK_MARK = 0x00000BAD,         /* custom, may be copied */
	BLOCK_CUSTOM_FIXED = 0x40000BAD, /* custom, not to be copied by tools */
	BYTE_ORDER_MAGIC = 0x1A2B3C4D,
	ENTERPRISE = 32473, /* reserved for documentation, RFC 5612 */
	LINKTYPE = 147,     /* first of the private-use types */
	SNAPLEN = 262144,   /* bytes of channel data in one block, at most */
	FORMAT_VERSION = 1,

	OPT_END = 0,
	OPT_COMMENT = 1,
	OPT_USERAPPL = 4, /* section */
	OPT_NAME = 2,     /* interface */
	OPT_DESCRIPTION = 3,
	OPT_SPEED = 8,
	OPT_TSRESOL = 9,
	OPT_FLAGS = 2,            /* packet */
	OPT_CUSTOM = 2989,        /* binary, copyable */
	OPT_CUSTOM_FIXED = 19373, /* binary, not to be copied */

	CHECK_BYTES = 16,   /* of SHA-256 over all file bytes before it */
	TAIL_BYTES = 32,    /* check option, end of options, block length */
	SECTION_BYTES = 24, /* section block without options and closing length */
	INTERFACE_BYTES = 16,
	PACKET_BYTES = 28,
	PACKET_OPTIONS_MAX = 512,
	HEAD_BLOCK_MAX = 70000, /* section or interface block */
	PACKET_BLOCK_MAX = PACKET_BYTES + SNAPLEN + PACKET_OPTIONS_MAX + 4,
	TRAILER_FIXED = 80,
	TRAILER_CHANNEL = 80,
	TRAILER_BLOCK_MAX = 12 * 1024 * 1024, /* libpcap refuses blocks over 16 MiB */
};

#define TRAILER_TAG   "evl-end1"
#define MARK_TAG      "evl-mark"
#define SOFTWARE_NAME "evenlode"
#define NO_OFFSET     UINT64_MAX

/* ---- block.c: blocks as bytes ---- */

/* Nanoseconds from a channel's start to a bit, rounded down. False when it would pass 2^62. */
bool rec_bits_to_ns(enum evl_rate rate, uint64_t bit_offset, uint64_t *ns);
uint64_t rec_rate_bit_s(enum evl_rate rate); /* bit/s */

/* Fills in the check of the block in `block` (its last TAIL_BYTES hold the tail) and takes the
 * whole block into `sha`, the digest of the file so far. */
void rec_seal(struct evl_sha256 *sha, uint8_t *block, size_t bytes);
/* Takes a whole block into `sha`; true when its check fits. bytes >= TAIL_BYTES. */
bool rec_check(struct evl_sha256 *sha, const uint8_t *block, size_t bytes);
/* True when the block ends in a tail of ours, whatever the check says. */
bool rec_has_tail(const uint8_t *block, size_t bytes);

/* Writers return the length of the block, unsealed. `out` holds HEAD_BLOCK_MAX bytes. */
/* Closes a block whose last option ends at `p`; returns its length. */
size_t rec_put_tail(uint8_t *block, uint8_t *p);
size_t rec_put_section(uint8_t *out, const char *comment);
size_t rec_put_interface(uint8_t *out, const struct evl_rec_channel *ch);
/* `block` holds the data at PACKET_BYTES already, with PACKET_OPTIONS_MAX + 8 bytes after it. */
size_t rec_put_packet(uint8_t *block, size_t data_bytes, uint32_t channel,
	const struct evl_rec_channel *ch, uint64_t bit_offset, uint32_t flags, uint64_t gap_bits);

/* An option found in a block; value NULL when it is not there. */
struct rec_option {
	const uint8_t *value;
	uint32_t bytes;
};

/* Finds the first option of `code`. False when the list is not well formed. */
bool rec_find_option(const uint8_t *options, size_t bytes, uint16_t code, struct rec_option *out);

/* What an enhanced packet block says. */
struct rec_block {
	uint64_t data_pos; /* in the file */
	uint64_t bit_offset;
	uint32_t bytes;
	uint32_t channel;
	uint32_t flags;
	uint32_t block_bytes;
};

/* Reads the fixed part of a packet block (PACKET_BYTES at `head`) that begins at `pos`; NULL when
 * sound, else what is wrong. Fills all but bit_offset and flags; *time_ns is its time stamp. */
const char *rec_get_packet_head(struct rec_block *b, uint64_t *time_ns, const uint8_t *head,
	uint64_t pos, uint32_t channels);
/* Reads what follows the padded data up to the block's end. */
const char *rec_get_packet_tail(struct rec_block *b, uint64_t time_ns, const uint8_t *tail,
	size_t bytes, const struct evl_rec_channel *channels);
static inline uint32_t rec_padded(uint32_t bytes)
{
	return (bytes + 3) & ~3u;
}

/* ---- mark.c ---- */

enum {
	MARK_BYTES = 36, /* before the text */
	MARK_BLOCK_MAX = MARK_BYTES + 4 + EVL_REC_MARK_TEXT_MAX + TAIL_BYTES,
	MARK_CHANNEL = -1, /* rec_block.channel of a mark, as uint32_t */
};

struct rec_marks {
	uint32_t count;
	uint64_t *position;         /* [EVL_REC_MARKS_MAX], in the file */
	struct evl_rec_mark *marks; /* [EVL_REC_MARKS_MAX] with texts of their own, or NULL */
};

bool rec_marks_init(struct rec_marks *m, bool with_texts); /* false: no memory */
void rec_marks_finish(struct rec_marks *m);
/* Takes a mark; NULL or why not (too many). */
const char *rec_marks_add(struct rec_marks *m, uint64_t position, const struct evl_rec_mark *mark);
/* The block, unsealed; `out` holds MARK_BLOCK_MAX bytes. */
size_t rec_put_mark(uint8_t *out, const struct evl_rec_mark *mark);
/* NULL when sound; `text` holds EVL_REC_MARK_TEXT_MAX + 1 bytes and gets the mark's text. */
const char *rec_get_mark(struct evl_rec_mark *mark, char *text, const uint8_t *block, size_t bytes,
	uint32_t channels);
/* A line that may stand in a file: 1 to `most` bytes of UTF-8 without control characters. */
bool rec_is_line(const char *text, size_t most);

/* ---- seek.c: a bounded number of places in the file ---- */

struct rec_seek {
	uint32_t channels;
	uint32_t cap, count;
	uint64_t stride;    /* packet blocks from one point to the next */
	uint64_t blocks;    /* seen so far */
	uint64_t *position; /* of a packet block in the file */
	uint64_t *first;  /* [point * channels + c]: bit offset of the first block of c at or after
			   * the  point, NO_OFFSET when there is none */
	uint32_t *filled; /* per channel: points whose `first` is known */
};

uint32_t rec_seek_cap(uint32_t channels);
bool rec_seek_init(struct rec_seek *t, uint32_t channels); /* false: no memory */
void rec_seek_finish(struct rec_seek *t);
void rec_seek_clear(struct rec_seek *t); /* back to no block */
void rec_seek_add(struct rec_seek *t, uint64_t position, uint32_t channel, uint64_t bit_offset);
/* Bytes of the points in the trailer, and the points as bytes. */
size_t rec_seek_bytes(uint32_t channels, uint32_t points);
void rec_seek_put(const struct rec_seek *t, uint8_t *out);
/* Fills an empty table; false when the points are out of order or not within [from, to). */
bool rec_seek_get(
	struct rec_seek *t, const uint8_t *in, uint32_t points, uint64_t from, uint64_t to);

/* ---- trailer.c ---- */

struct rec_trailer {
	uint64_t position;
	uint64_t blocks;                       /* packet blocks */
	uint8_t file_digest[EVL_SHA256_BYTES]; /* over all bytes before `position` */
};

size_t rec_trailer_bytes(uint32_t channels, uint32_t points, uint32_t marks);
/* `infos[c]` gives counts and digest of channel c. */
void rec_trailer_put(uint8_t *out, size_t bytes, const struct rec_trailer *t,
	const struct evl_rec_info *infos, const struct rec_seek *seek,
	const struct rec_marks *marks);
/* NULL when sound; then infos' counts and digests, the empty `seek` and the positions of the empty
 * `marks` are filled. `data_from` is
 * where packet blocks may begin, `position` where the trailer stands. */
const char *rec_trailer_get(const uint8_t *in, size_t bytes, struct rec_trailer *t,
	struct evl_rec_info *infos, struct rec_seek *seek, struct rec_marks *marks,
	uint64_t data_from, uint64_t position);

/* ---- head.c ---- */

enum evl_status rec_check_channels(
	const char *path, const struct evl_rec_channel *ch, uint32_t count, struct evl_err *err);
/* The section's comment: what marks the file as ours, and the caller's metadata; `part` of a set,
 * or 0. The caller frees *out. */
enum evl_status rec_make_comment(char **out, const char *path, uint32_t count,
	const char *meta_json, uint32_t part, struct evl_err *err);

/* ---- set_index.c: the index of a set, while it is written ---- */

#define SET_FORMAT "evenlode-recording-set"
enum { SET_PARTS_MAX = 9999, SET_CELLS_MAX = 4 * 1024 * 1024 /* parts times channels */ };

struct rec_index;

enum evl_status rec_index_create(struct rec_index **out, const char *path, uint32_t channels,
	const char *meta_json, const struct evl_rec_limits *limits, struct evl_err *err);
void rec_index_destroy(struct rec_index *x);        /* takes NULL */
void rec_index_remove(struct rec_index *x);         /* unlinks the file; takes NULL */
uint32_t rec_index_part(const struct rec_index *x); /* the one that is written, from 1 */
const char *rec_index_part_path(const struct rec_index *x);
/* The part is whole; the next one begins. */
enum evl_status rec_index_add(struct rec_index *x, uint64_t bytes,
	const uint8_t sha256[EVL_SHA256_BYTES], uint32_t marks, const struct evl_rec_info *infos,
	struct evl_err *err);
/* May there be another part? */
enum evl_status rec_index_room(const struct rec_index *x, struct evl_err *err);
/* All is whole: `infos` have the digests. Adds the index to the totals. */
enum evl_status rec_index_end(struct rec_index *x, const struct evl_rec_info *infos,
	struct evl_rec_totals *totals, struct evl_err *err);
/* The path of part `part` of the set at `path`; the caller frees it. */
char *rec_set_part_path(const char *path, uint32_t part, bool compress);

/* ---- packed.c: compressed frames under writer and reader ---- */

bool rec_is_packed_name(const char *path); /* "*.zst" */

struct rec_packer;
struct rec_packer *rec_packer_create(void);
void rec_packer_destroy(struct rec_packer *p); /* takes NULL */
void rec_packer_begin(struct rec_packer *p);   /* another file */
/* Takes as many bytes as the frame has room for. */
size_t rec_packer_take(struct rec_packer *p, const uint8_t *data, size_t bytes);
bool rec_packer_full(const struct rec_packer *p);
/* Ends the frame; its bytes are valid until the next call. *bytes 0: there was nothing in it. */
const uint8_t *rec_packer_frame(struct rec_packer *p, size_t *bytes);
/* The table that ends the file; the caller frees it. */
uint8_t *rec_packer_table(const struct rec_packer *p, size_t *bytes);

struct rec_packed;
/* Finds out whether the open file is compressed; then r->packed is set, and r->size is that of the
 * content. */
enum evl_status rec_packed_open(struct evl_rec *r, struct evl_err *err);
bool rec_packed_has_table(const struct rec_packed *p);
void rec_packed_close(struct rec_packed *p); /* takes NULL */
enum evl_status rec_packed_read(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err);

/* ---- out.c: the file under a writer ---- */

struct rec_job {
	uint8_t *block;
	size_t bytes;
	bool *busy;
};

struct rec_out {
	int fd;
	char *path;
	struct evl_sha256 *sha;    /* of the file so far */
	uint64_t bytes;            /* in whole blocks that were written */
	uint64_t stored;           /* bytes of the file: as `bytes`, or in whole frames */
	struct rec_packer *packer; /* NULL: not compressed */
	uint64_t position;         /* where the next block that is handed over will stand */
	atomic_bool failed;        /* set after `failure`; then nothing more is written */
	struct evl_err failure;
	bool threaded;
	pthread_t thread;
	pthread_mutex_t lock; /* over what follows, and each job's *busy */
	pthread_cond_t more, less;
	struct rec_job *jobs; /* a ring */
	uint32_t jobs_cap, next, waiting;
	bool quit;
};

/* Room for `jobs` blocks that wait; the caller never has more of them busy. */
struct rec_out *rec_out_create(uint32_t jobs);
void rec_out_destroy(struct rec_out *o); /* takes NULL */
/* Creates the file, compressed when it is named so, and forgets what was known of one before. */
enum evl_status rec_out_open(struct rec_out *o, const char *path, struct evl_err *err);
void rec_out_start(struct rec_out *o); /* the thread, when it is of use */
void rec_out_stop(struct rec_out *o);  /* after all that waits is written */
/* Hands a block over, to be sealed and written; *busy is true as long as it is needed. */
void rec_out_block(struct rec_out *o, uint8_t *block, size_t bytes, bool *busy);
/* Waits until *busy is false, or with NULL until all blocks are written. */
void rec_out_wait(struct rec_out *o, const bool *busy);
/* Writes at once; nothing may wait. */
void rec_out_append(struct rec_out *o, uint8_t *block, size_t bytes, bool seal);
/* All that was written so far can be read after a kill; nothing may wait. */
void rec_out_settle(struct rec_out *o);
void rec_out_fail(struct rec_out *o, enum evl_status status, const char *text);
enum evl_status rec_out_status(struct rec_out *o, struct evl_err *err);
/* Closes; on the disk when `sync`. */
enum evl_status rec_out_close(struct rec_out *o, bool sync, struct evl_err *err);

/* ---- counts: the writer, the scan and verify keep them in one way (block.c) ---- */

/* Takes a block into the counts; false when it begins before the channel's end.
 * `later`: the file is a part of a set and not its first. */
bool rec_count(
	struct evl_rec_info *info, uint64_t bit_offset, uint32_t bytes, uint32_t flags, bool later);

/* ---- the reader ---- */

struct rec_window {
	uint64_t from, to; /* file bytes; from == to: empty slot */
	uint64_t stamp;    /* of last use */
	bool last;         /* nothing follows `to` */
	uint32_t *first; /* [channels + 1]: blocks of channel c are first[c] .. first[c + 1] - 1 */
	struct rec_block *blocks; /* by channel, each in the order of the file */
};

enum { WINDOW_BLOCKS = 8192, WINDOWS = 4, FETCH_BYTES = 4096 };

struct rec_set;

struct rec_lane {
	uint8_t *buf; /* read ahead */
	uint64_t from;
	uint32_t bytes;
	struct rec_window *window; /* where the last block was found ... */
	uint64_t window_from;      /* ... the window's `from` then, for it may be reused ... */
	uint32_t block;            /* ... and the block's place in it */
};

struct evl_rec {
	int fd;
	char *path;
	uint64_t size;             /* of the content */
	struct rec_packed *packed; /* NULL: not compressed */
	char *software, *meta;
	uint32_t channels;      /* described in the file */
	uint32_t channels_told; /* said by the section header */
	struct evl_rec_info *infos;
	struct evl_rec_channel *plain; /* infos[c].channel, for block.c */
	uint64_t data_from, data_to;   /* packet blocks */
	struct rec_set *set;           /* not NULL: of all that follows only `missing` is used */
	uint32_t part;                 /* of a set, from 1; 0: a recording of its own */
	bool finished;
	char missing[1200];
	struct rec_trailer trailer;
	struct rec_seek seek;
	struct rec_marks marks;
	uint64_t clock; /* counts uses of windows */
	struct rec_window windows[WINDOWS];
	struct rec_block *scratch; /* WINDOW_BLOCKS */
	struct rec_lane *lanes;
	uint32_t lane_bytes;
	uint8_t *fetched;
	uint64_t fetched_from;
	uint32_t fetched_bytes;
};

/* Reads exactly `bytes` at `pos` of the file, and of its content. */
enum evl_status rec_file_pread(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err);
enum evl_status rec_pread(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err);
/* The packet block or mark at `pos` (< limit); of a mark only block_bytes and channel
 * (MARK_CHANNEL) are filled. EVL_E_CORRUPT words what is wrong there without the path; *cut is then
 * true when the block merely runs past `limit`. */
enum evl_status rec_block_at(struct evl_rec *r, uint64_t pos, uint64_t limit, struct rec_block *out,
	bool *cut, struct evl_err *err);
/* The first block of a channel that ends after `bit_offset`; EVL_E_END when there is none. */
enum evl_status rec_locate(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	const struct rec_block **out, struct evl_err *err);
/* Windows and lanes. */
bool rec_windows_init(struct evl_rec *r);
void rec_windows_finish(struct evl_rec *r);

/* ---- set_read.c ---- */

enum evl_status rec_open_file(struct evl_rec **out, const char *path, struct evl_err *err);
enum evl_status rec_set_open(struct evl_rec **out, const char *path, struct evl_err *err);
const char *rec_set_path_of(const struct evl_rec *r, uint32_t part); /* from 0 */
void rec_set_close(struct rec_set *s);                               /* takes NULL */
enum evl_status rec_set_piece(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	struct evl_rec_piece *out, struct evl_err *err);
enum evl_status rec_set_read(struct evl_rec *r, uint32_t channel, uint64_t bit_offset, void *buf,
	size_t bytes, struct evl_err *err);
enum evl_status rec_set_verify(struct evl_rec *r, evl_rec_report report, void *context,
	struct evl_rec_verdict *verdict, struct evl_err *err);
/* evl_rec_verify of one file. `digests` [channels] go on from the parts before, or NULL. */
enum evl_status rec_verify_file(struct evl_rec *r, struct evl_stream_digest **digests,
	evl_rec_report report, void *context, struct evl_rec_verdict *verdict, struct evl_err *err);

/* ---- align_bits.c: runs of bits at any bit offset ---- */

enum {
	ALIGN_CHUNK_BITS = 512 * 1024, /* read at once */
	ALIGN_BYTES = ALIGN_CHUNK_BITS / 8 + 16,
};

/* One channel, with memory to shift what was read. */
struct rec_side {
	struct evl_rec *r;
	uint32_t channel;
	int64_t from, to; /* bits of the channel; all others count from `from` */
	uint8_t *raw;     /* ALIGN_BYTES */
};

struct rec_span {
	int64_t from, to; /* recorded bits; from == to: none */
};

/* The recorded bits at or after `at`, up to `most` of them without a gap between. */
enum evl_status rec_span_at(
	struct rec_side *s, int64_t at, int64_t most, struct rec_span *out, struct evl_err *err);
/* out = `bits` bits (at most ALIGN_CHUNK_BITS) that begin at `from`, all recorded; what is left of
 * the last byte is 0, and 8 bytes more are written as 0. */
enum evl_status rec_span_read(
	struct rec_side *s, int64_t from, int64_t bits, uint8_t *out, struct evl_err *err);

/* ---- align_search.c ---- */

/* Two channels that are compared across a delay. */
struct rec_aligning {
	struct rec_side a, b;
	uint8_t *bits_a, *bits_b, *bits_c; /* ALIGN_BYTES each */
	struct rec_search *search;
	int64_t range; /* bits */
	int64_t near;  /* bits: slips are looked for this near first */
};

bool rec_aligning_init(struct rec_aligning *x); /* false: no memory */
void rec_aligning_finish(struct rec_aligning *x);

struct rec_fit {
	int64_t delay;
	int64_t different; /* of the probe's bits; -1: nothing fits */
};

/* A part of the first channel whose place in the second is asked for. */
struct rec_probe {
	int64_t from, bits; /* bits 0: none */
	bool plain;         /* it repeats itself too much to be found by its words */
};

/* The first probe at or after `at`. */
enum evl_status rec_probe_at(
	struct rec_aligning *x, int64_t at, struct rec_probe *out, struct evl_err *err);
/* Differing bits of the probe at a delay, into fit->different. */
enum evl_status rec_probe_fit(struct rec_aligning *x, const struct rec_probe *p, int64_t delay,
	struct rec_fit *fit, struct evl_err *err);
/* The delay within `centre` - reach and + reach with the fewest differing bits, at most 1/8 of the
 * probe; the nearest to `centre` when several are equal, and never `without` (NO_DELAY: all).
 * Looks no further out once none differs. */
enum evl_status rec_probe_search(struct rec_aligning *x, const struct rec_probe *p, int64_t centre,
	int64_t reach, int64_t without, struct rec_fit *best, struct evl_err *err);
#define NO_DELAY INT64_MIN

/* ---- align_walk.c ---- */

/* Compares from the start of both, at d->delay_bits; fills what d counts but for only_x_bits. */
enum evl_status rec_walk(struct rec_aligning *x, const struct evl_rec_align_plan *plan,
	struct evl_rec_aligned *d, struct evl_err *err);

/* ---- pairs.c: which channel is compared with which ---- */

struct rec_pairs {
	int64_t *partner; /* [channels of a]: of b, -1 none, -2 left out */
	bool *taken;      /* [channels of b]: somebody's partner */
	bool *candidate;  /* [channels of b]: may be crossed with; with a map, those it names */
};

enum evl_status rec_pairs_init(struct rec_pairs *p, const struct evl_rec *a,
	const struct evl_rec *b, const struct evl_rec_pair *map, uint32_t map_count,
	struct evl_err *err);
void rec_pairs_finish(struct rec_pairs *p);
