/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/writer.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/recording/internal.h"
#include "core/recording/stream_digest.h"

/* All channels' collecting buffers together, two for each. */
#define STAGED_BYTES_MAX (64u * 1024 * 1024)

struct lane {
	struct evl_rec_channel channel; /* owns its name */
	struct evl_stream_digest *digest;
	/* Head, data, options: as it goes to the file. One is filled while the other is written. */
	uint8_t *blocks[2];
	bool busy[2];
	uint8_t *block; /* the one that is filled */
	size_t cap, used;
	size_t limit; /* of the block that is filled: `cap`, or less for the first one, so that the
		       * channels' blocks do not all become full at once */
	uint64_t first_bit; /* of the collected data */
	uint64_t next_bit;  /* after the last accepted bit */
	uint64_t gap_bits;  /* missing before the collected data */
	uint32_t flags;
};

struct evl_rec_writer {
	struct rec_out *out;
	char *path;
	char *comment; /* of the section header */
	uint8_t *head; /* HEAD_BLOCK_MAX bytes */
	bool headed;   /* the head of the file at hand is written */
	bool begun;    /* ... or that of an earlier part of the set */
	uint32_t count;
	struct lane *lanes;
	struct evl_rec_info *infos;
	struct rec_seek seek;
	struct rec_marks marks;
	uint8_t mark[MARK_BLOCK_MAX];
	bool mark_busy;
	struct rec_index *index; /* of a set, else NULL */
	struct evl_rec_limits limits;
	char *meta;                  /* for the next part's head */
	uint64_t collected;          /* bytes that are not in blocks yet */
	uint64_t since_ns;           /* of a set: instant of the part's first bits */
	struct evl_rec_totals whole; /* over all files that were ended */
};

static void destroy(struct evl_rec_writer *w)
{
	if (w == NULL) {
		return;
	}
	rec_index_destroy(w->index);
	free(w->meta);
	rec_out_destroy(w->out); /* first: its thread may still read a lane's block */
	for (uint32_t c = 0; w->lanes != NULL && c < w->count; c++) {
		free((char *)w->lanes[c].channel.name);
		free(w->lanes[c].blocks[0]);
		free(w->lanes[c].blocks[1]);
		evl_stream_digest_destroy(w->lanes[c].digest);
	}
	rec_seek_finish(&w->seek);
	rec_marks_finish(&w->marks);
	free(w->lanes);
	free(w->infos);
	free(w->comment);
	free(w->head);
	free(w->path);
	free(w);
}

/* Spreads the ends of the channels' next blocks over half a block. */
static void stagger(struct evl_rec_writer *w)
{
	for (uint32_t c = 0; c < w->count; c++) {
		struct lane *l = &w->lanes[c];
		size_t eight = evl_rate_bytes(l->channel.rate, EVL_SLAB_FRAMES_MIN);
		size_t half = l->cap / eight / 2;
		l->limit = l->cap - half * c / w->count * eight;
	}
}

static bool make_lane(struct lane *l, const struct evl_rec_channel *ch, uint32_t count)
{
	l->channel = *ch;
	l->channel.name = evl_xstrdup(ch->name);
	l->digest = evl_stream_digest_create();
	/* 1/8 s, or as many 8 frames as fit a block, or this channel's share of all memory. */
	size_t eight = evl_rate_bytes(ch->rate, EVL_SLAB_FRAMES_MIN);
	size_t cap = eight * (EVL_FRAMES_PER_S / 8 / EVL_SLAB_FRAMES_MIN + 3);
	size_t share = STAGED_BYTES_MAX / 2 / count;
	cap = cap < SNAPLEN ? cap : SNAPLEN;
	cap = cap < share ? cap : share;
	l->cap = cap / eight * eight;
	for (int i = 0; i < 2; i++) {
		l->blocks[i] = malloc(PACKET_BYTES + l->cap + PACKET_OPTIONS_MAX + 8);
	}
	l->block = l->blocks[0];
	return l->blocks[0] != NULL && l->blocks[1] != NULL;
}

/* Opens the next file: of a set part 1, 2 ..., else the only one. */
static enum evl_status open_file(struct evl_rec_writer *w, struct evl_err *err)
{
	const char *path = w->index != NULL ? rec_index_part_path(w->index) : w->path;
	free(w->comment);
	w->comment = NULL;
	enum evl_status st = rec_make_comment(&w->comment, path, w->count, w->meta,
		w->index != NULL ? rec_index_part(w->index) : 0, err);
	w->headed = false;
	return st < 0 ? st : rec_out_open(w->out, path, err);
}

enum evl_status evl_rec_writer_create_set(struct evl_rec_writer **out, const char *path,
	const struct evl_rec_channel *channels, uint32_t count, const char *meta_json,
	const struct evl_rec_limits *limits, struct evl_err *err)
{
	*out = NULL;
	enum evl_status st = rec_check_channels(path, channels, count, err);
	if (st < 0) {
		return st;
	}
	struct evl_rec_writer *w = evl_xcalloc(1, sizeof *w);
	w->path = evl_xstrdup(path);
	w->count = count;
	w->meta = evl_xstrdup(meta_json != NULL ? meta_json : "{}");
	w->lanes = evl_xcalloc(count, sizeof *w->lanes);
	w->infos = evl_xcalloc(count, sizeof *w->infos);
	w->out = rec_out_create(2 * count + 1);
	w->head = evl_xmalloc(HEAD_BLOCK_MAX);
	bool good = rec_seek_init(&w->seek, count) && rec_marks_init(&w->marks, false);
	for (uint32_t c = 0; c < count; c++) {
		good = make_lane(&w->lanes[c], &channels[c], count) && good;
	}
	stagger(w);
	if (!good) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to record %" PRIu32 " channels",
			path, count);
		goto out;
	}
	if (limits != NULL) {
		w->limits = *limits;
		st = rec_index_create(&w->index, path, count, w->meta, limits, err);
	}
	if (st == EVL_OK) {
		st = open_file(w, err);
	}
	if (st < 0) {
		rec_index_remove(w->index);
		goto out;
	}
	rec_out_start(w->out);
	*out = w;
	w = NULL;
out:
	destroy(w);
	return st;
}

enum evl_status evl_rec_writer_create(struct evl_rec_writer **out, const char *path,
	const struct evl_rec_channel *channels, uint32_t count, const char *meta_json,
	struct evl_err *err)
{
	return evl_rec_writer_create_set(out, path, channels, count, meta_json, NULL, err);
}

void evl_rec_set_start(
	struct evl_rec_writer *w, uint32_t channel, uint64_t start_ns, int64_t skew_ns)
{
	evl_require(channel < w->count && !w->begun);
	w->lanes[channel].channel.start_ns = start_ns;
	w->lanes[channel].channel.skew_ns = skew_ns;
	if (start_ns >= (uint64_t)1 << 62 && rec_out_status(w->out, NULL) == EVL_OK) {
		struct evl_err e;
		evl_err_set(&e, EVL_E_INVALID,
			"%s: the start of channel %s is out of range: %" PRIu64 " ns", w->path,
			w->lanes[channel].channel.name, start_ns);
		rec_out_fail(w->out, EVL_E_INVALID, e.text);
	}
}

static void write_head(struct evl_rec_writer *w)
{
	if (w->headed) {
		return;
	}
	rec_out_append(w->out, w->head, rec_put_section(w->head, w->comment), true);
	for (uint32_t c = 0; c < w->count; c++) {
		rec_out_append(
			w->out, w->head, rec_put_interface(w->head, &w->lanes[c].channel), true);
	}
	w->headed = w->begun = true;
}

static void write_block(struct evl_rec_writer *w, uint32_t channel)
{
	struct lane *l = &w->lanes[channel];
	if (l->used == 0) {
		return;
	}
	enum evl_status st =
		evl_stream_digest_update(l->digest, l->first_bit, l->block + PACKET_BYTES, l->used);
	evl_require(st == EVL_OK);
	bool later = w->index != NULL && rec_index_part(w->index) > 1;
	evl_require(
		rec_count(&w->infos[channel], l->first_bit, (uint32_t)l->used, l->flags, later));
	rec_seek_add(&w->seek, w->out->position, channel, l->first_bit);
	size_t n = rec_put_packet(
		l->block, l->used, channel, &l->channel, l->first_bit, l->flags, l->gap_bits);
	int other = l->block == l->blocks[0];
	rec_out_block(w->out, l->block, n, &l->busy[!other]);
	rec_out_wait(w->out, &l->busy[other]);
	l->block = l->blocks[other];
	l->limit = l->cap;
	w->collected -= l->used;
	l->used = 0;
	l->gap_bits = 0;
}

static enum evl_status roll(struct evl_rec_writer *w, struct evl_err *err);

/* True when a part that has begun would pass its limits with these bits. */
static bool is_full(struct evl_rec_writer *w, const struct lane *l, uint64_t ns, size_t bytes)
{
	if (w->index == NULL) {
		return false;
	}
	uint64_t now = l->channel.start_ns + ns;
	if (w->collected == 0 && w->seek.blocks == 0) {
		w->since_ns = now;
		return false;
	}
	return (w->limits.part_bytes > 0 &&
		       w->out->position + w->collected + bytes > w->limits.part_bytes) ||
	       (w->limits.part_ns > 0 && now >= w->since_ns + w->limits.part_ns);
}

enum evl_status evl_rec_write(struct evl_rec_writer *w, uint32_t channel, uint64_t bit_offset,
	const void *data, size_t bytes, uint32_t flags, struct evl_err *err)
{
	const uint32_t lossy = EVL_REC_OVERRUN | EVL_REC_FILLER;
	evl_require(channel < w->count && (flags & ~lossy) == 0);
	enum evl_status st = rec_out_status(w->out, err);
	if (st < 0) {
		return st;
	}
	struct lane *l = &w->lanes[channel];
	uint64_t ns;
	if (bit_offset % 8 != 0 || bit_offset < l->next_bit || bytes > INT32_MAX ||
		bit_offset > INT64_MAX ||
		!rec_bits_to_ns(l->channel.rate, bit_offset + (uint64_t)bytes * 8, &ns)) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: channel %s: %zu bytes at bit %" PRIu64 " cannot follow bit %" PRIu64,
			w->path, l->channel.name, bytes, bit_offset, l->next_bit);
	}
	if (bytes == 0) {
		return EVL_OK;
	}
	rec_bits_to_ns(l->channel.rate, bit_offset, &ns);
	if (is_full(w, l, ns, bytes)) {
		st = roll(w, err);
		if (st < 0) {
			return st;
		}
		is_full(w, l, ns, bytes); /* the next part begins with these */
	}
	write_head(w);
	uint64_t gap = bit_offset - l->next_bit;
	if (gap > 0 || flags != (l->flags & lossy)) {
		write_block(w, channel);
	}
	const uint8_t *p = data;
	l->next_bit = bit_offset + (uint64_t)bytes * 8;
	while (bytes > 0) {
		if (l->used == 0) {
			l->first_bit = bit_offset;
			l->gap_bits = gap;
			l->flags = flags | (gap > 0 ? EVL_REC_GAP : 0u);
			gap = 0;
		}
		size_t room = l->limit - l->used;
		size_t n = bytes < room ? bytes : room;
		memcpy(l->block + PACKET_BYTES + l->used, p, n);
		l->used += n;
		w->collected += n;
		p += n;
		bytes -= n;
		bit_offset += (uint64_t)n * 8;
		if (l->used == l->limit) {
			write_block(w, channel);
		}
	}
	return rec_out_status(w->out, err);
}

enum evl_status evl_rec_mark(
	struct evl_rec_writer *w, const struct evl_rec_mark *mark, struct evl_err *err)
{
	evl_require(mark->channel < (int64_t)w->count);
	enum evl_status st = rec_out_status(w->out, err);
	if (st < 0) {
		return st;
	}
	if (!rec_is_line(mark->text, EVL_REC_MARK_TEXT_MAX)) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the text of a mark must be 1 to %u bytes of UTF-8 without "
			"control characters",
			w->path, EVL_REC_MARK_TEXT_MAX);
	}
	if (mark->time_ns >= (uint64_t)1 << 62) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the instant of mark \"%s\" is out of range: %" PRIu64 " ns", w->path,
			mark->text, mark->time_ns);
	}
	if (w->marks.count == EVL_REC_MARKS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: mark \"%s\" is one too many; a recording has at most %u", w->path,
			mark->text, EVL_REC_MARKS_MAX);
	}
	write_head(w);
	rec_out_wait(w->out, &w->mark_busy);
	rec_marks_add(&w->marks, w->out->position, mark);
	rec_out_block(w->out, w->mark, rec_put_mark(w->mark, mark), &w->mark_busy);
	return rec_out_status(w->out, err);
}

enum evl_status evl_rec_flush(struct evl_rec_writer *w, struct evl_err *err)
{
	enum evl_status st = rec_out_status(w->out, err);
	if (st < 0) {
		return st;
	}
	write_head(w);
	for (uint32_t c = 0; c < w->count; c++) {
		write_block(w, c);
	}
	stagger(w);
	rec_out_wait(w->out, NULL);
	rec_out_settle(w->out);
	return rec_out_status(w->out, err);
}

static enum evl_status write_trailer(struct evl_rec_writer *w, struct evl_err *err)
{
	struct rec_trailer t = {.position = w->out->bytes, .blocks = w->seek.blocks};
	evl_sha256_peek(w->out->sha, t.file_digest);
	for (uint32_t c = 0; c < w->count; c++) {
		evl_stream_digest_peek(w->lanes[c].digest, w->infos[c].digest);
	}
	size_t n = rec_trailer_bytes(w->count, w->seek.count, w->marks.count);
	uint8_t *buf = malloc(n);
	if (buf == NULL) {
		return evl_err_set(err, EVL_E_NOMEM,
			"%s: no memory for the trailer; the recording stays unfinished",
			w->out->path);
	}
	rec_trailer_put(buf, n, &t, w->infos, &w->seek, &w->marks);
	rec_out_append(w->out, buf, n, false);
	free(buf);
	return rec_out_status(w->out, err);
}

/* Ends the file at hand, and of a set tells the index so. */
static enum evl_status end_file(struct evl_rec_writer *w, bool sync, struct evl_err *err)
{
	enum evl_status st = evl_rec_flush(w, err);
	if (st == EVL_OK) {
		st = write_trailer(w, err);
	}
	if (st == EVL_OK) {
		st = rec_out_close(w->out, sync, err);
	}
	if (st < 0) {
		return st;
	}
	w->whole.file_bytes += w->out->stored;
	w->whole.blocks += w->seek.blocks;
	for (uint32_t c = 0; c < w->count; c++) {
		w->whole.gaps += w->infos[c].gaps;
	}
	evl_sha256_peek(w->out->sha, w->whole.file_sha256);
	return w->index == NULL ? EVL_OK
				: rec_index_add(w->index, w->out->stored, w->whole.file_sha256,
					  w->marks.count, w->infos, err);
}

/* Ends a part and begins the next one. After a failure every later call fails. */
static enum evl_status roll(struct evl_rec_writer *w, struct evl_err *err)
{
	struct evl_err why = {0};
	enum evl_status st = end_file(w, false, &why);
	if (st == EVL_OK) {
		st = rec_index_room(w->index, &why);
	}
	if (st == EVL_OK) {
		st = open_file(w, &why);
	}
	if (st < 0) {
		if (rec_out_status(w->out, NULL) == EVL_OK) {
			rec_out_fail(w->out, st, why.text);
		}
		return evl_err_set(err, st, "%s", why.text);
	}
	memset(w->infos, 0, w->count * sizeof *w->infos);
	rec_seek_clear(&w->seek);
	w->marks.count = 0;
	return EVL_OK;
}

enum evl_status evl_rec_finish(struct evl_rec_writer *w, uint8_t (*digests)[EVL_SHA256_BYTES],
	struct evl_rec_totals *totals, struct evl_err *err)
{
	enum evl_status st = end_file(w, true, err);
	if (st == EVL_OK && w->index != NULL) {
		st = rec_index_end(w->index, w->infos, &w->whole, err);
	}
	for (uint32_t c = 0; st == EVL_OK && digests != NULL && c < w->count; c++) {
		memcpy(digests[c], w->infos[c].digest, EVL_SHA256_BYTES);
	}
	if (st == EVL_OK && totals != NULL) {
		*totals = w->whole;
	}
	destroy(w);
	return st;
}

void evl_rec_abandon(struct evl_rec_writer *w)
{
	if (w != NULL) {
		(void)evl_rec_flush(
			w, NULL); /* what cannot be kept is lost; nobody is left to ask */
		destroy(w);
	}
}
