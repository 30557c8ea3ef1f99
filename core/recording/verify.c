/* SPDX-License-Identifier: Apache-2.0 */
/* Reads every byte again, independently of the index and of what open found. */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"
#include "core/recording/internal.h"
#include "core/recording/stream_digest.h"

struct verifying {
	struct evl_rec *r;
	evl_rec_report report;
	void *context;
	struct evl_rec_verdict *verdict;
	struct evl_err *err;
	struct evl_sha256 *sha;
	struct evl_stream_digest **digests;
	bool alone; /* the digests are of this file, not of a set */
	struct evl_rec_info *infos;
	struct rec_seek seek;
	struct rec_marks marks;
	uint8_t *block;
	uint64_t pos, number; /* of the block at hand */
	bool check_failed;    /* from there on no check can fit */
	bool end;             /* of what is found next: evl_rec_finding.end */
};

static void found(struct verifying *v, uint64_t pos, int64_t channel, const char *fmt, ...)
	__attribute__((format(printf, 4, 5)));

static void found(struct verifying *v, uint64_t pos, int64_t channel, const char *fmt, ...)
{
	char text[768];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(text, sizeof text, fmt, ap);
	va_end(ap);
	if (v->verdict->findings++ == 0) {
		evl_err_set(v->err, EVL_E_CORRUPT, "%s: %s", v->r->path, text);
	}
	if (v->report != NULL) {
		struct evl_rec_finding f = {.position = pos,
			.block = v->number,
			.channel = channel,
			.text = text,
			.end = v->end};
		v->report(v->context, &f);
	}
	v->end = false;
}

/* One packet block as a whole; NULL when its fields are sound. */
static const char *take_packet(struct verifying *v, uint32_t bytes, struct rec_block *b)
{
	struct evl_rec *r = v->r;
	uint64_t time_ns;
	const char *wrong = rec_get_packet_head(b, &time_ns, v->block, v->pos, r->channels);
	if (wrong == NULL && b->block_bytes != bytes) {
		wrong = "its length is wrong";
	}
	if (wrong == NULL) {
		uint32_t skip = PACKET_BYTES + rec_padded(b->bytes);
		wrong = rec_get_packet_tail(b, time_ns, v->block + skip, bytes - skip, r->plain);
	}
	if (wrong == NULL && (b->bit_offset < v->infos[b->channel].end_bits ||
				     evl_stream_digest_update(v->digests[b->channel], b->bit_offset,
					     v->block + PACKET_BYTES, b->bytes) < 0)) {
		wrong = "its bit offset is before the end of the channel's previous block";
	}
	if (wrong == NULL) {
		rec_count(&v->infos[b->channel], b->bit_offset, b->bytes, b->flags, v->r->part > 1);
		rec_seek_add(&v->seek, v->pos, b->channel, b->bit_offset);
	}
	return wrong;
}

static const char *take_mark(struct verifying *v, uint32_t bytes)
{
	char text[EVL_REC_MARK_TEXT_MAX + 1];
	struct evl_rec_mark mark;
	const char *wrong = rec_get_mark(&mark, text, v->block, bytes, v->r->channels);
	return wrong != NULL ? wrong : rec_marks_add(&v->marks, v->pos, &mark);
}

/* The block at v->pos, up to `limit`. EVL_E_END: nothing sound follows; a finding says why. */
static enum evl_status take_block(struct verifying *v, uint64_t limit, struct evl_err *err)
{
	struct evl_rec *r = v->r;
	uint64_t left = limit - v->pos;
	uint8_t head[8] = {0};
	enum evl_status st = rec_pread(r, v->pos, head, left < 8 ? (size_t)left : 8, err);
	if (st < 0) {
		return st;
	}
	uint32_t type = evl_load_le32(head);
	uint32_t bytes = evl_load_le32(head + 4);
	bool in_head = v->pos < r->data_from;
	uint32_t most = in_head ? HEAD_BLOCK_MAX : PACKET_BLOCK_MAX;
	if (left >= 8 && type == BLOCK_CUSTOM_FIXED && !in_head) {
		found(v, v->pos, -1, "block %" PRIu64 " at byte %" PRIu64 " (the trailer) is %s",
			v->number, v->pos, bytes > left ? "cut or altered" : "altered");
		return EVL_E_END;
	}
	bool is_mark = left >= 8 && !in_head && type == BLOCK_MARK;
	if (left >= 8 && !in_head && type != BLOCK_PACKET && !is_mark) {
		found(v, v->pos, -1,
			"block %" PRIu64 " at byte %" PRIu64
			" is altered: its type is not one that a recording has there",
			v->number, v->pos);
		return EVL_E_END;
	}
	if (left >= 8 && (bytes % 4 != 0 || bytes < PACKET_BYTES + TAIL_BYTES || bytes > most)) {
		found(v, v->pos, -1,
			"block %" PRIu64 " at byte %" PRIu64 " is altered: its length cannot be",
			v->number, v->pos);
		return EVL_E_END;
	}
	if (left < 8 || bytes > left) {
		v->end = !r->finished;
		found(v, v->pos, -1,
			"block %" PRIu64 " at byte %" PRIu64 " is cut or altered: %" PRIu64
			" bytes of it are there",
			v->number, v->pos, left);
		return EVL_E_END;
	}
	st = rec_pread(r, v->pos, v->block, bytes, err);
	if (st < 0) {
		return st;
	}
	struct rec_block b = {0};
	const char *wrong = is_mark   ? take_mark(v, bytes)
			    : in_head ? NULL
				      : take_packet(v, bytes, &b);
	bool fits = rec_check(v->sha, v->block, bytes);
	if (wrong == NULL && !fits && !v->check_failed) {
		wrong = "its check value does not fit";
	}
	v->check_failed = v->check_failed || !fits;
	if (wrong != NULL && (in_head || is_mark || b.channel >= r->channels)) {
		found(v, v->pos, -1, "block %" PRIu64 " at byte %" PRIu64 " is altered: %s",
			v->number, v->pos, wrong);
	} else if (wrong != NULL) {
		found(v, v->pos, b.channel,
			"block %" PRIu64 " at byte %" PRIu64
			" is altered: %s (channel %s, from frame %" PRIu64 ")",
			v->number, v->pos, wrong, r->plain[b.channel].name,
			b.bit_offset / evl_rate_frame_bits(r->plain[b.channel].rate));
	} else {
		v->verdict->blocks++;
		v->verdict->bytes += bytes;
	}
	v->pos += bytes;
	v->number++;
	return EVL_OK;
}

static void compare_trailer(struct verifying *v)
{
	struct evl_rec *r = v->r;
	uint8_t digest[EVL_SHA256_BYTES];
	evl_sha256_peek(v->sha, digest);
	uint64_t at = r->trailer.position;
	if (memcmp(digest, r->trailer.file_digest, sizeof digest) != 0) {
		found(v, at, -1,
			"the digest of the file is not the one in the trailer: something before "
			"byte "
			"%" PRIu64 " was altered",
			at);
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		const struct evl_rec_info *is = &v->infos[c];
		const struct evl_rec_info *told = &r->infos[c];
		evl_stream_digest_peek(v->digests[c], digest);
		if (is->blocks != told->blocks || is->bits != told->bits ||
			is->first_bit != told->first_bit || is->end_bits != told->end_bits ||
			is->gaps != told->gaps || is->overruns != told->overruns) {
			found(v, at, c,
				"channel %s has %" PRIu64 " bits in %" PRIu64
				" blocks, the trailer says %" PRIu64 " in %" PRIu64,
				r->plain[c].name, is->bits, is->blocks, told->bits, told->blocks);
		}
		/* Of a part of a set by itself the digest cannot be known. */
		bool known = !v->alone || r->part <= 1;
		if (known && memcmp(digest, told->digest, sizeof digest) != 0) {
			found(v, at, c,
				"channel %s: the digest of its bits is not the one in the trailer",
				r->plain[c].name);
		}
	}
	size_t row = (size_t)v->seek.count * r->channels * sizeof *v->seek.first;
	if (v->seek.blocks != r->trailer.blocks || v->seek.count != r->seek.count ||
		memcmp(v->seek.position, r->seek.position,
			v->seek.count * sizeof *v->seek.position) != 0 ||
		memcmp(v->seek.first, r->seek.first, row) != 0) {
		found(v, at, -1, "the index in the trailer does not fit the blocks");
	}
	if (v->marks.count != r->marks.count ||
		memcmp(v->marks.position, r->marks.position,
			v->marks.count * sizeof *v->marks.position) != 0) {
		found(v, at, -1, "the list of marks in the trailer does not fit the marks");
	}
}

/* Takes the bytes up to `limit` into the file's digest without looking at them. */
static enum evl_status hash_until(struct verifying *v, uint64_t limit, struct evl_err *err)
{
	while (v->pos < limit) {
		uint64_t left = limit - v->pos;
		size_t n = left < PACKET_BLOCK_MAX ? (size_t)left : PACKET_BLOCK_MAX;
		enum evl_status st = rec_pread(v->r, v->pos, v->block, n, err);
		if (st < 0) {
			return st;
		}
		evl_sha256_update(v->sha, v->block, n);
		v->pos += n;
	}
	return EVL_OK;
}

static enum evl_status run(struct verifying *v, struct evl_err *err)
{
	struct evl_rec *r = v->r;
	uint64_t limit = r->finished ? r->trailer.position : r->size;
	enum evl_status st = EVL_OK;
	while (st == EVL_OK && v->pos < limit) {
		st = take_block(v, limit, err);
	}
	if (st < 0 && st != EVL_E_END) {
		return st;
	}
	st = hash_until(v, limit, err); /* after a damage that ended the walk */
	if (st < 0) {
		return st;
	}
	if (r->finished) {
		compare_trailer(v);
	} else if (v->verdict->findings == 0) {
		v->end = true;
		found(v, v->pos, -1, "%s", r->missing);
	}
	if (r->finished && r->packed != NULL && !rec_packed_has_table(r->packed)) {
		found(v, r->size, -1,
			"the table of compressed frames at its end is missing or altered");
	}
	if (r->finished && v->verdict->findings == 0) {
		v->verdict->blocks++;
		v->verdict->bytes += r->size - r->trailer.position;
	}
	st = hash_until(v, r->size, err);
	evl_sha256_peek(v->sha, v->verdict->file_sha256);
	return st;
}

enum evl_status evl_rec_verify(struct evl_rec *r, evl_rec_report report, void *context,
	struct evl_rec_verdict *verdict, struct evl_err *err)
{
	return r->set != NULL ? rec_set_verify(r, report, context, verdict, err)
			      : rec_verify_file(r, NULL, report, context, verdict, err);
}

enum evl_status rec_verify_file(struct evl_rec *r, struct evl_stream_digest **digests,
	evl_rec_report report, void *context, struct evl_rec_verdict *verdict, struct evl_err *err)
{
	memset(verdict, 0, sizeof *verdict);
	verdict->finished = r->finished;
	struct verifying v = {
		.r = r, .report = report, .context = context, .verdict = verdict, .err = err};
	v.sha = evl_sha256_create();
	v.alone = digests == NULL;
	v.digests = digests != NULL ? digests : evl_xcalloc(r->channels, sizeof *v.digests);
	v.infos = evl_xcalloc(r->channels, sizeof *v.infos);
	v.block = evl_xmalloc(PACKET_BLOCK_MAX);
	for (uint32_t c = 0; v.alone && c < r->channels; c++) {
		v.digests[c] = evl_stream_digest_create();
	}
	struct evl_err io = {0};
	enum evl_status st;
	if (!rec_seek_init(&v.seek, r->channels) || !rec_marks_init(&v.marks, false)) {
		st = evl_err_set(&io, EVL_E_NOMEM, "%s: no memory to check it", r->path);
	} else {
		st = run(&v, &io);
	}
	if (st == EVL_E_CORRUPT) { /* a compressed frame; nothing behind it can be checked */
		found(&v, v.pos, -1, "%s", io.text + strlen(r->path) + 2);
	}
	if (st < 0 && st != EVL_E_CORRUPT) {
		evl_err_set(err, st, "%s", io.text);
	} else if (verdict->findings > 0) {
		st = EVL_E_CORRUPT;
	} else {
		verdict->intact = true;
	}
	for (uint32_t c = 0; v.alone && c < r->channels; c++) {
		evl_stream_digest_destroy(v.digests[c]);
	}
	rec_seek_finish(&v.seek);
	rec_marks_finish(&v.marks);
	evl_sha256_destroy(v.sha);
	free(v.alone ? v.digests : NULL);
	free(v.infos);
	free(v.block);
	return st;
}
