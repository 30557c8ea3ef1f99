/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Compression under writer and reader: the file is cut into frames of at most 1 MiB, each a zstd
 * frame (RFC 8878) that can be unpacked alone, with a table of them at the end in the seekable
 * format of the zstd project (contrib/seekable_format, version 0.1.0): a skippable frame, so that
 * `zstd -dc` gives the plain recording.
 */
#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <zstd.h>
#include <zstd_errors.h>

#include "core/base/bytes.h"
#include "core/recording/internal.h"

enum {
	FRAME = 1024 * 1024,    /* bytes of content */
	SLOTS = 48,             /* unpacked frames that are kept: channels are read in step */
	LEVEL = 1,              /* measured in docs/recording.md */
	TABLE_ROOM = 64 * 1024, /* frames that the table has room for from the start */
	TABLE_MAGIC = 0x184D2A5E,
	FOOT_MAGIC = (int)0x8F92EAB1,
	FOOT_BYTES = 9,
	ENTRY_BYTES = 8, /* packed and plain length */
	FRAME_HEAD_MAX = 18,
};

bool rec_is_packed_name(const char *path)
{
	size_t n = strlen(path);
	return n > 4 && strcmp(path + n - 4, ".zst") == 0;
}

/* ---- writing ---- */

struct rec_packer {
	ZSTD_CCtx *zstd;
	uint8_t *plain; /* FRAME bytes */
	size_t used;
	uint8_t *packed;
	size_t packed_cap;
	uint32_t (*table)[2]; /* packed and plain length of each frame */
	uint32_t count, cap;
};

struct rec_packer *rec_packer_create(void)
{
	struct rec_packer *p = evl_xcalloc(1, sizeof *p);
	p->packed_cap = ZSTD_compressBound(FRAME);
	p->plain = evl_xmalloc(FRAME);
	p->packed = evl_xmalloc(p->packed_cap);
	p->cap = TABLE_ROOM;
	p->table = evl_xcalloc(p->cap, sizeof *p->table);
	p->zstd = ZSTD_createCCtx();
	evl_require(p->zstd != NULL);
	ZSTD_CCtx_setParameter(p->zstd, ZSTD_c_compressionLevel, LEVEL);
	ZSTD_CCtx_setParameter(p->zstd, ZSTD_c_checksumFlag, 1);
	return p;
}

void rec_packer_destroy(struct rec_packer *p)
{
	if (p == NULL) {
		return;
	}
	ZSTD_freeCCtx(p->zstd);
	free(p->table);
	free(p->packed);
	free(p->plain);
	free(p);
}

void rec_packer_begin(struct rec_packer *p)
{
	p->used = 0;
	p->count = 0;
}

size_t rec_packer_take(struct rec_packer *p, const uint8_t *data, size_t bytes)
{
	size_t n = bytes < FRAME - p->used ? bytes : FRAME - p->used;
	memcpy(p->plain + p->used, data, n);
	p->used += n;
	return n;
}

bool rec_packer_full(const struct rec_packer *p)
{
	return p->used == FRAME;
}

const uint8_t *rec_packer_frame(struct rec_packer *p, size_t *bytes)
{
	*bytes = 0;
	if (p->used == 0) {
		return p->packed;
	}
	size_t n = ZSTD_compress2(p->zstd, p->packed, p->packed_cap, p->plain, p->used);
	evl_require(!ZSTD_isError(n)); /* there is room for the worst case */
	if (p->count == p->cap) {
		p->cap *= 2;
		p->table = evl_xrealloc(p->table, p->cap * sizeof *p->table);
	}
	p->table[p->count][0] = (uint32_t)n;
	p->table[p->count][1] = (uint32_t)p->used;
	p->count++;
	p->used = 0;
	*bytes = n;
	return p->packed;
}

uint8_t *rec_packer_table(const struct rec_packer *p, size_t *bytes)
{
	size_t content = (size_t)p->count * ENTRY_BYTES + FOOT_BYTES;
	uint8_t *out = evl_xmalloc(8 + content);
	evl_store_le32(out, TABLE_MAGIC);
	evl_store_le32(out + 4, (uint32_t)content);
	uint8_t *at = out + 8;
	for (uint32_t i = 0; i < p->count; i++, at += ENTRY_BYTES) {
		evl_store_le32(at, p->table[i][0]);
		evl_store_le32(at + 4, p->table[i][1]);
	}
	evl_store_le32(at, p->count);
	at[4] = 0; /* no checksums here: each frame has its own */
	evl_store_le32(at + 5, (uint32_t)FOOT_MAGIC);
	*bytes = 8 + content;
	return out;
}

/* ---- reading ---- */

struct frame {
	uint64_t at;    /* in the file */
	uint64_t first; /* byte of the content */
};

struct slot {
	uint32_t frame; /* UINT32_MAX: empty */
	uint64_t stamp;
};

struct rec_packed {
	struct frame *frames; /* count + 1: the last is the end */
	uint32_t count, cap;
	bool table; /* there is one at the end of the file */
	bool cut;   /* the last frame is not whole */
	ZSTD_DCtx *zstd;
	uint8_t *packed;
	size_t packed_cap;
	uint8_t *plain; /* slot_count * FRAME */
	struct slot slots[SLOTS];
	uint32_t slot_count;
	uint64_t clock;
};

void rec_packed_close(struct rec_packed *p)
{
	if (p == NULL) {
		return;
	}
	ZSTD_freeDCtx(p->zstd);
	free(p->frames);
	free(p->packed);
	free(p->plain);
	free(p);
}

static void add_frame(struct rec_packed *p, uint64_t packed, uint64_t plain)
{
	if (p->count + 2 > p->cap) {
		p->cap = p->cap == 0 ? 1024 : p->cap * 2;
		p->frames = evl_xrealloc(p->frames, p->cap * sizeof *p->frames);
	}
	struct frame *f = &p->frames[p->count++];
	if (p->count == 1) {
		*f = (struct frame){0, 0};
	}
	f[1].at = f->at + packed;
	f[1].first = f->first + plain;
}

/* The table at the end; false when there is none that fits the file. */
static bool read_table(
	struct evl_rec *r, struct rec_packed *p, uint64_t file, bool *found, struct evl_err *err)
{
	uint8_t foot[FOOT_BYTES], head[8];
	*found = false;
	if (file < 8 + FOOT_BYTES) {
		return true;
	}
	if (rec_file_pread(r, file - FOOT_BYTES, foot, sizeof foot, err) < 0) {
		return false;
	}
	uint64_t count = evl_load_le32(foot);
	uint64_t content = count * ENTRY_BYTES + FOOT_BYTES;
	if (evl_load_le32(foot + 5) != (uint32_t)FOOT_MAGIC || foot[4] != 0 || content + 8 > file) {
		return true;
	}
	uint64_t at = file - content;
	if (rec_file_pread(r, at - 8, head, sizeof head, err) < 0) {
		return false;
	}
	if (evl_load_le32(head) != TABLE_MAGIC || evl_load_le32(head + 4) != content) {
		return true;
	}
	uint8_t *table = evl_xmalloc((size_t)content);
	bool read = rec_file_pread(r, at, table, (size_t)content, err) == EVL_OK;
	bool fits = read;
	for (uint64_t i = 0; fits && i < count; i++) {
		uint32_t packed = evl_load_le32(table + i * ENTRY_BYTES);
		uint32_t plain = evl_load_le32(table + i * ENTRY_BYTES + 4);
		fits = packed > 0 && packed <= p->packed_cap && plain > 0 && plain <= FRAME;
		if (fits) {
			add_frame(p, packed, plain);
		}
	}
	*found = fits && count > 0 && p->frames[p->count].at == at - 8;
	if (!*found) {
		p->count = 0;
	}
	free(table);
	return read;
}

/* Unpacks what is there of a frame that is cut. */
static size_t unpack_cut(struct rec_packed *p, size_t packed, uint8_t *out)
{
	ZSTD_DCtx_reset(p->zstd, ZSTD_reset_session_only);
	ZSTD_inBuffer in = {p->packed, packed, 0};
	ZSTD_outBuffer to = {out, FRAME, 0};
	size_t before;
	do {
		before = in.pos + to.pos;
		if (ZSTD_isError(ZSTD_decompressStream(p->zstd, &to, &in))) {
			break;
		}
	} while (in.pos + to.pos != before);
	return to.pos;
}

/* Without a table, as after a kill: frame by frame, up to the first that is not whole. */
static enum evl_status walk(
	struct evl_rec *r, struct rec_packed *p, uint64_t file, struct evl_err *err)
{
	p->plain = evl_xmalloc(FRAME); /* of a frame that is cut */
	for (uint64_t at = 0; at < file;) {
		uint64_t left = file - at;
		size_t have = left < p->packed_cap ? (size_t)left : p->packed_cap;
		enum evl_status st = rec_file_pread(r, at, p->packed, have, err);
		if (st < 0) {
			return st;
		}
		if (have < 4 || evl_load_le32(p->packed) != ZSTD_MAGICNUMBER) {
			break; /* damage, or the table */
		}
		unsigned long long plain = ZSTD_getFrameContentSize(p->packed, have);
		size_t packed = ZSTD_findFrameCompressedSize(p->packed, have);
		bool told = plain != ZSTD_CONTENTSIZE_UNKNOWN && plain != ZSTD_CONTENTSIZE_ERROR;
		if ((!told || plain == 0 || plain > FRAME) &&
			(plain != ZSTD_CONTENTSIZE_ERROR || have >= FRAME_HEAD_MAX)) {
			return p->count > 0 ? EVL_OK
					    : evl_err_set(err, EVL_E_INVALID,
						      "%s: is compressed, but not by %s; unpack it "
						      "with zstd -d first",
						      r->path, SOFTWARE_NAME);
		}
		if (ZSTD_isError(packed)) {
			size_t n = unpack_cut(p, have, p->plain);
			if (n > 0) {
				add_frame(p, have, n);
				p->cut = true;
			}
			break;
		}
		add_frame(p, packed, plain);
		at += packed;
	}
	if (p->count == 0) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: is cut within its first compressed frame; nothing of it can be read",
			r->path);
	}
	return EVL_OK;
}

enum evl_status rec_packed_open(struct evl_rec *r, struct evl_err *err)
{
	uint8_t magic[4] = {0};
	uint64_t file = r->size;
	enum evl_status st = file < 4 ? EVL_OK : rec_file_pread(r, 0, magic, sizeof magic, err);
	if (st < 0 || evl_load_le32(magic) != ZSTD_MAGICNUMBER) {
		return st;
	}
	struct rec_packed *p = evl_xcalloc(1, sizeof *p);
	p->packed_cap = ZSTD_compressBound(FRAME);
	p->packed = evl_xmalloc(p->packed_cap);
	p->zstd = ZSTD_createDCtx();
	bool found = false;
	if (p->zstd == NULL) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to unpack it", r->path);
	} else if (!read_table(r, p, file, &found, err)) {
		st = EVL_E_IO;
	} else if (!found) {
		st = walk(r, p, file, err);
	}
	p->slot_count = p->count < SLOTS ? p->count : SLOTS;
	free(p->plain);
	p->plain = st == EVL_OK ? malloc((size_t)p->slot_count * FRAME) : NULL;
	if (st == EVL_OK && p->plain == NULL) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to unpack it", r->path);
	}
	if (st < 0) {
		rec_packed_close(p);
		return st;
	}
	for (uint32_t i = 0; i < p->slot_count; i++) {
		p->slots[i].frame = UINT32_MAX;
	}
	p->table = found;
	r->packed = p;
	r->size = p->frames[p->count].first;
	return EVL_OK;
}

bool rec_packed_has_table(const struct rec_packed *p)
{
	return p->table;
}

/* The content of a frame, in a slot. */
static enum evl_status load(
	const struct evl_rec *r, uint32_t frame, const uint8_t **out, struct evl_err *err)
{
	struct rec_packed *p = r->packed;
	uint32_t oldest = 0;
	for (uint32_t i = 0; i < p->slot_count; i++) {
		if (p->slots[i].frame == frame) {
			p->slots[i].stamp = ++p->clock;
			*out = p->plain + (size_t)i * FRAME;
			return EVL_OK;
		}
		oldest = p->slots[i].stamp < p->slots[oldest].stamp ? i : oldest;
	}
	const struct frame *f = &p->frames[frame];
	size_t packed = (size_t)(f[1].at - f->at);
	size_t plain = (size_t)(f[1].first - f->first);
	uint8_t *to = p->plain + (size_t)oldest * FRAME;
	p->slots[oldest].frame = UINT32_MAX;
	enum evl_status st = rec_file_pread(r, f->at, p->packed, packed, err);
	if (st < 0) {
		return st;
	}
	size_t n = p->cut && frame == p->count - 1
			   ? unpack_cut(p, packed, to)
			   : ZSTD_decompressDCtx(p->zstd, to, FRAME, p->packed, packed);
	if (n != plain) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: the compressed frame %" PRIu32 " at byte %" PRIu64 " is altered: %s",
			r->path, frame, f->at,
			ZSTD_isError(n) ? ZSTD_getErrorName(n) : "it has another length");
	}
	p->slots[oldest].frame = frame;
	p->slots[oldest].stamp = ++p->clock;
	*out = to;
	return EVL_OK;
}

enum evl_status rec_packed_read(
	const struct evl_rec *r, uint64_t pos, void *buf, size_t bytes, struct evl_err *err)
{
	const struct rec_packed *p = r->packed;
	uint8_t *to = buf;
	if (pos > r->size || bytes > r->size - pos) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: ends before byte %" PRIu64 " of its content", r->path, pos + bytes);
	}
	uint32_t low = 0, high = p->count;
	while (high - low > 1) {
		uint32_t middle = low + (high - low) / 2;
		*(p->frames[middle].first <= pos ? &low : &high) = middle;
	}
	for (; bytes > 0; low++) {
		const uint8_t *content = NULL;
		enum evl_status st = load(r, low, &content, err);
		if (st < 0) {
			return st;
		}
		uint64_t into = pos - p->frames[low].first;
		uint64_t left = p->frames[low + 1].first - pos;
		size_t n = left < bytes ? (size_t)left : bytes;
		memcpy(to, content + into, n);
		to += n;
		pos += n;
		bytes -= n;
	}
	return EVL_OK;
}
