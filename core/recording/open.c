/* SPDX-License-Identifier: Apache-2.0 */
/* Opening: is it ours, which channels, is there a trailer; if not, a walk over all blocks. */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/bytes.h"
#include "core/recording/internal.h"

/* How the first option's value begins in every recording. */
#define COMMENT_MARK "{\"format\":\"evenlode-recording\""

void evl_rec_close(struct evl_rec *r)
{
	if (r == NULL) {
		return;
	}
	rec_set_close(r->set);
	rec_windows_finish(r);
	rec_packed_close(r->packed);
	for (uint32_t c = 0; r->plain != NULL && c < r->channels; c++) {
		free((char *)r->plain[c].name);
	}
	rec_seek_finish(&r->seek);
	rec_marks_finish(&r->marks);
	free(r->plain);
	free(r->infos);
	free(r->fetched);
	free(r->software);
	free(r->meta);
	free(r->path);
	if (r->fd >= 0) {
		close(r->fd);
	}
	free(r);
}

static enum evl_status altered(
	struct evl_rec *r, uint64_t pos, const char *block, const char *what, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_CORRUPT, "%s: the %s at byte %" PRIu64 " is altered: %s",
		r->path, block, pos, what);
}

/* Says what a file is that does not begin as a recording does. */
static enum evl_status foreign(
	struct evl_rec *r, const uint8_t *head, size_t bytes, struct evl_err *err)
{
	uint32_t type = bytes >= 4 ? evl_load_le32(head) : 0;
	if (type == 0xA1B2C3D4 || type == 0xA1B23C4D || type == 0xD4C3B2A1 || type == 0x4D3CB2A1) {
		return evl_err_set(err, EVL_E_INVALID, "%s: is a pcap file, not a recording of %s",
			r->path, SOFTWARE_NAME);
	}
	if (type == BLOCK_SECTION && bytes >= 12 && evl_load_be32(head + 8) == BYTE_ORDER_MAGIC) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is a pcapng file of another program (most significant byte first), "
			"not a recording of %s",
			r->path, SOFTWARE_NAME);
	}
	if (type == BLOCK_SECTION && bytes < SECTION_BYTES) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: is cut within its section header, after %zu bytes; nothing "
			"of it can be "
			"read",
			r->path, bytes);
	}
	return evl_err_set(err, EVL_E_INVALID,
		"%s: is not a recording of %s (no pcapng section header at its start)", r->path,
		SOFTWARE_NAME);
}

static char *copy_text(const struct rec_option *o)
{
	char *text = evl_xmalloc(o->bytes + 1u);
	memcpy(text, o->value, o->bytes);
	text[o->bytes] = '\0';
	for (char *p = text; *p != '\0'; p++) {
		if ((unsigned char)*p < 0x20 || *p == 0x7F) {
			*p = ' ';
		}
	}
	return text;
}

/* Takes the section's comment apart. NULL when sound. */
static const char *read_comment(
	struct evl_rec *r, const struct rec_option *comment, json_int_t *version)
{
	const char *wrong = NULL;
	json_t *meta = NULL;
	const char *format = NULL;
	json_int_t channels = 0;
	json_int_t part = 0;
	json_t *all = json_loadb(
		(const char *)comment->value, comment->bytes, JSON_REJECT_DUPLICATES, NULL);
	if (all == NULL ||
		json_unpack(all, "{s:s, s:I, s:I, s:o, s?{s:I}}", "format", &format, "version",
			version, "channels", &channels, "meta", &meta, "set", "part", &part) != 0 ||
		part < 0 || part > SET_PARTS_MAX) {
		wrong = "its comment is not that of a recording";
	} else if (strcmp(format, "evenlode-recording") != 0) {
		wrong = "its comment names another format";
	} else if (channels < 1 || channels > EVL_REC_CHANNELS_MAX || !json_is_object(meta)) {
		wrong = "its comment has a number of channels or metadata that cannot be";
	} else {
		r->part = (uint32_t)part;
		r->channels_told = (uint32_t)channels;
		r->meta = json_dumps(meta, JSON_COMPACT);
		wrong = r->meta == NULL ? "its metadata cannot be read" : NULL;
	}
	json_decref(all);
	return wrong;
}

/* Reads a whole block of the head; *bytes 0 and EVL_OK when it is cut. */
static enum evl_status head_block(struct evl_rec *r, uint64_t pos, uint8_t *buf, uint32_t *bytes,
	const char *name, struct evl_err *err)
{
	uint64_t left = r->size - pos;
	*bytes = 0;
	if (left < 8) {
		return EVL_OK;
	}
	enum evl_status st = rec_pread(r, pos, buf, 8, err);
	if (st < 0) {
		return st;
	}
	uint32_t n = evl_load_le32(buf + 4);
	if (n % 4 != 0 || n < SECTION_BYTES + TAIL_BYTES - 4 || n > HEAD_BLOCK_MAX) {
		return altered(r, pos, name, "its length cannot be", err);
	}
	if (n > left) {
		return EVL_OK;
	}
	*bytes = n;
	return rec_pread(r, pos, buf, n, err);
}

static enum evl_status read_section(
	struct evl_rec *r, struct evl_sha256 *sha, uint8_t *buf, struct evl_err *err)
{
	uint8_t head[SECTION_BYTES + 4 + sizeof COMMENT_MARK - 1];
	size_t have = r->size < sizeof head ? (size_t)r->size : sizeof head;
	enum evl_status st = rec_pread(r, 0, head, have, err);
	if (st < 0) {
		return st;
	}
	if (have < SECTION_BYTES || evl_load_le32(head) != BLOCK_SECTION ||
		evl_load_le32(head + 8) != BYTE_ORDER_MAGIC) {
		return foreign(r, head, have, err);
	}
	bool marked = have == sizeof head &&
		      memcmp(head + SECTION_BYTES + 4, COMMENT_MARK, sizeof COMMENT_MARK - 1) == 0;
	uint32_t n = evl_load_le32(head + 4);
	if (!marked && (n % 4 != 0 || n < SECTION_BYTES + TAIL_BYTES || n > HEAD_BLOCK_MAX)) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is a pcapng file of another program, not a recording of %s", r->path,
			SOFTWARE_NAME);
	}
	st = head_block(r, 0, buf, &n, "section header", err);
	if (st < 0) {
		return st;
	}
	if (n == 0) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: is cut within its section header, after %" PRIu64
			" bytes; nothing of it can be read",
			r->path, r->size);
	}
	struct rec_option software, comment;
	const uint8_t *options = buf + SECTION_BYTES;
	size_t bytes = n - SECTION_BYTES - 4;
	bool listed = rec_find_option(options, bytes, OPT_USERAPPL, &software) &&
		      rec_find_option(options, bytes, OPT_COMMENT, &comment);
	if (!marked && !rec_has_tail(buf, n)) {
		char *name = listed && software.value != NULL ? copy_text(&software) : NULL;
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: is a pcapng file of %s, not a recording of %s", r->path,
			name != NULL ? name : "another program", SOFTWARE_NAME);
		free(name);
		return st;
	}
	if (!rec_check(sha, buf, n)) {
		return altered(r, 0, "section header",
			"its check value is missing or does not fit (changed, or rewritten by "
			"another program)",
			err);
	}
	json_int_t version = 0;
	const char *wrong = !listed || software.value == NULL || comment.value == NULL
				    ? "it lacks name or comment"
				    : read_comment(r, &comment, &version);
	if (version > FORMAT_VERSION) {
		return evl_err_set(err, EVL_E_VERSION,
			"%s: has recording format %lld; this program reads up to %d, a "
			"newer one is "
			"needed",
			r->path, (long long)version, FORMAT_VERSION);
	}
	if (wrong != NULL || version != FORMAT_VERSION) {
		return altered(r, 0, "section header", wrong ? wrong : "its version is wrong", err);
	}
	r->software = copy_text(&software);
	r->data_from = n;
	return EVL_OK;
}

/* NULL when sound. */
static const char *read_interface(struct evl_rec *r, const uint8_t *buf, uint32_t bytes)
{
	struct rec_option name, comment, resolution;
	const uint8_t *options = buf + INTERFACE_BYTES;
	size_t n = bytes - INTERFACE_BYTES - 4;
	if (evl_load_le32(buf) != BLOCK_INTERFACE || evl_load_le16(buf + 8) != LINKTYPE ||
		evl_load_le32(buf + 12) != SNAPLEN) {
		return "its fixed part is not as a recording has it";
	}
	if (!rec_find_option(options, n, OPT_NAME, &name) ||
		!rec_find_option(options, n, OPT_COMMENT, &comment) ||
		!rec_find_option(options, n, OPT_TSRESOL, &resolution) || name.value == NULL ||
		name.bytes == 0 || name.bytes >= EVL_REC_NAME_MAX || comment.value == NULL ||
		resolution.bytes != 1 || resolution.value[0] != 9) {
		return "its options are not as a recording has them";
	}
	const char *rate, *direction;
	json_int_t start, skew, clock = 0;
	json_t *all = json_loadb(
		(const char *)comment.value, comment.bytes, JSON_REJECT_DUPLICATES, NULL);
	if (all == NULL || json_unpack(all, "{s:s, s:s, s:I, s:I, s?I}", "rate", &rate, "direction",
				   &direction, "start_ns", &start, "skew_ns", &skew, "clock_ppb",
				   &clock) != 0) {
		json_decref(all);
		return "its comment is not that of a channel";
	}
	struct evl_rec_channel ch = {.rate = evl_rate_by_name(rate),
		.direction = strcmp(direction, "sent") == 0       ? EVL_REC_SENT
			     : strcmp(direction, "received") == 0 ? EVL_REC_RECEIVED
								  : 0,
		.start_ns = (uint64_t)start,
		.skew_ns = skew};
	json_decref(all);
	if (ch.rate == EVL_RATE_NONE || ch.direction == 0 || start < 0 ||
		start >= (json_int_t)1 << 62) {
		return "its rate, direction or start cannot be";
	}
	if (clock < -EVL_REC_CLOCK_PPB_MAX || clock > EVL_REC_CLOCK_PPB_MAX ||
		(clock != 0 && ch.direction != EVL_REC_SENT)) {
		return "its clock offset cannot be";
	}
	ch.clock_ppb = (int32_t)clock;
	char *text = copy_text(&name);
	uint32_t other;
	if (strlen(text) != name.bytes || evl_rec_find(r, text, &other)) {
		free(text);
		return "its name is used twice or is not a name";
	}
	ch.name = text;
	r->plain[r->channels] = ch;
	r->infos[r->channels].channel = ch;
	r->channels++;
	return NULL;
}

static enum evl_status read_interfaces(
	struct evl_rec *r, struct evl_sha256 *sha, uint8_t *buf, struct evl_err *err)
{
	r->infos = evl_xcalloc(r->channels_told, sizeof *r->infos);
	r->plain = evl_xcalloc(r->channels_told, sizeof *r->plain);
	while (r->channels < r->channels_told) {
		char block[48];
		snprintf(block, sizeof block, "description of channel %" PRIu32, r->channels);
		uint32_t n;
		enum evl_status st = head_block(r, r->data_from, buf, &n, block, err);
		if (st < 0) {
			return st;
		}
		if (n == 0) {
			snprintf(r->missing, sizeof r->missing,
				"unfinished: cut after the descriptions of %" PRIu32 " of %" PRIu32
				" channels; nothing was recorded",
				r->channels, r->channels_told);
			break;
		}
		if (!rec_check(sha, buf, n)) {
			return altered(r, r->data_from, block, "its check value does not fit", err);
		}
		const char *wrong = read_interface(r, buf, n);
		if (wrong != NULL) {
			return altered(r, r->data_from, block, wrong, err);
		}
		r->data_from += n;
	}
	if (r->channels == 0) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: is cut before its first channel is described; nothing of "
			"it can be read",
			r->path);
	}
	return EVL_OK;
}

/* Reads the marks at the places that the trailer names. A place without a mark, which only verify
 * can explain, is left out and told. */
static enum evl_status read_marks(
	struct evl_rec *r, const struct rec_marks *places, struct evl_err *err)
{
	uint8_t block[MARK_BLOCK_MAX];
	char text[EVL_REC_MARK_TEXT_MAX + 1];
	for (uint32_t i = 0; i < places->count; i++) {
		uint64_t pos = places->position[i];
		uint64_t left = r->data_to - pos;
		size_t have = left < sizeof block ? (size_t)left : sizeof block;
		struct evl_rec_mark mark;
		enum evl_status st = rec_pread(r, pos, block, have, err);
		if (st < 0) {
			return st;
		}
		uint32_t n = have >= 8 ? evl_load_le32(block + 4) : 0;
		const char *wrong = n > have || evl_load_le32(block) != BLOCK_MARK
					    ? "it is no mark"
					    : rec_get_mark(&mark, text, block, n, r->channels);
		if (wrong != NULL) {
			snprintf(r->missing, sizeof r->missing,
				"damaged: the mark at byte %" PRIu64 " is altered: %s", pos, wrong);
			continue;
		}
		rec_marks_add(&r->marks, pos, &mark);
	}
	return EVL_OK;
}

/* Looks for a trailer at the end of the file; EVL_OK also when there is none. */
static enum evl_status read_trailer(struct evl_rec *r, struct evl_err *err)
{
	uint8_t word[12];
	if (r->size - r->data_from < TRAILER_FIXED) {
		return EVL_OK;
	}
	enum evl_status st = rec_pread(r, r->size - 4, word, 4, err);
	uint32_t n = st == EVL_OK ? evl_load_le32(word) : 0;
	if (st < 0 || n < TRAILER_FIXED || n > TRAILER_BLOCK_MAX || n > r->size - r->data_from) {
		return st;
	}
	uint64_t pos = r->size - n;
	st = rec_pread(r, pos, word, sizeof word, err);
	if (st < 0 || evl_load_le32(word) != BLOCK_CUSTOM_FIXED || evl_load_le32(word + 4) != n ||
		evl_load_le32(word + 8) != ENTERPRISE) {
		return st;
	}
	struct rec_marks places = {0};
	uint8_t *buf = malloc(n);
	if (buf == NULL || !rec_marks_init(&places, false)) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory for its index", r->path);
		goto out;
	}
	st = rec_pread(r, pos, buf, n, err);
	if (st == EVL_OK) {
		const char *wrong = rec_trailer_get(
			buf, n, &r->trailer, r->infos, &r->seek, &places, r->data_from, pos);
		if (wrong == NULL) {
			r->finished = true;
			/* Digests of a later part cover the parts before it too: only the set can
			 * tell. */
			for (uint32_t c = 0; c < r->channels; c++) {
				r->infos[c].has_digest = r->part <= 1;
			}
			r->data_to = pos;
			st = read_marks(r, &places, err);
		}
	}
out:
	rec_marks_finish(&places);
	free(buf);
	return st;
}

/* Without a sound trailer: the blocks themselves say what is there. */
static enum evl_status walk(struct evl_rec *r, struct evl_err *err)
{
	for (uint32_t c = 0; c < r->channels; c++) { /* what a half-read trailer may have left */
		memset(&r->infos[c], 0, sizeof r->infos[c]);
		r->infos[c].channel = r->plain[c];
	}
	uint64_t pos = r->data_from;
	r->data_to = r->size; /* where marks may stand, for now */
	struct evl_err why = {0};
	bool cut = false;
	while (pos < r->size) {
		struct rec_block b;
		enum evl_status st = rec_block_at(r, pos, r->size, &b, &cut, &why);
		if (st == EVL_OK && b.channel == (uint32_t)MARK_CHANNEL) {
			struct rec_marks one = {1, &pos, NULL};
			st = read_marks(r, &one, err);
			if (st < 0) {
				return st;
			}
			pos += b.block_bytes;
			continue;
		}
		if (st == EVL_OK && !rec_count(&r->infos[b.channel], b.bit_offset, b.bytes, b.flags,
					    r->part > 1)) {
			evl_err_set(&why, EVL_E_CORRUPT,
				"the block at byte %" PRIu64
				" is altered: its bit offset is before "
				"the end of the channel's previous block",
				pos);
			break;
		}
		if (st == EVL_E_CORRUPT) {
			break;
		}
		if (st < 0) {
			*err = why;
			return st;
		}
		rec_seek_add(&r->seek, pos, b.channel, b.bit_offset);
		pos += b.block_bytes;
	}
	r->data_to = pos;
	if (r->missing[0] == '\0') {
		snprintf(r->missing, sizeof r->missing,
			"%s: %s; %" PRIu64 " whole blocks before it can be read",
			why.text[0] != '\0' && !cut ? "damaged" : "unfinished",
			why.text[0] != '\0' ? why.text : "the trailer is missing", r->seek.blocks);
	}
	return EVL_OK;
}

enum evl_status evl_rec_open(struct evl_rec **out, const char *path, struct evl_err *err)
{
	static const char set[] = "{\"format\":\"" SET_FORMAT "\"";
	char head[sizeof set] = "";
	int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
	if (fd >= 0) {
		struct stat sb;
		bool regular = fstat(fd, &sb) == 0 && S_ISREG(sb.st_mode);
		ssize_t n = regular ? read(fd, head, sizeof set - 1) : 0;
		close(fd);
		if (n == (ssize_t)sizeof set - 1 && memcmp(head, set, sizeof set - 1) == 0) {
			return rec_set_open(out, path, err);
		}
	}
	return rec_open_file(out, path, err);
}

enum evl_status rec_open_file(struct evl_rec **out, const char *path, struct evl_err *err)
{
	*out = NULL;
	struct evl_rec *r = evl_xcalloc(1, sizeof *r);
	struct evl_sha256 *sha = evl_sha256_create();
	uint8_t *buf = evl_xmalloc(HEAD_BLOCK_MAX);
	enum evl_status st = EVL_OK;
	struct stat sb;
	r->path = evl_xstrdup(path);
	r->fetched = evl_xmalloc(FETCH_BYTES);
	r->fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
	if (r->fd < 0) {
		st = evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
		goto out;
	}
	if (fstat(r->fd, &sb) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
		goto out;
	}
	if (!S_ISREG(sb.st_mode)) {
		st = evl_err_set(err, EVL_E_INVALID, "%s: is not a regular file", path);
		goto out;
	}
	r->size = (uint64_t)sb.st_size;
	if (r->size == 0) {
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: is empty; a recording that never began leaves such a file", path);
		goto out;
	}
	st = rec_packed_open(r, err);
	if (st == EVL_OK) {
		st = read_section(r, sha, buf, err);
	}
	if (st == EVL_OK) {
		st = read_interfaces(r, sha, buf, err);
	}
	if (st < 0) {
		goto out;
	}
	if (!rec_seek_init(&r->seek, r->channels) || !rec_windows_init(r) ||
		!rec_marks_init(&r->marks, true)) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to read %" PRIu32 " channels",
			path, r->channels);
		goto out;
	}
	if (r->channels == r->channels_told) {
		st = read_trailer(r, err);
		if (st == EVL_OK && !r->finished) {
			st = walk(r, err);
		}
	} else {
		r->data_to = r->data_from;
	}
	if (st == EVL_OK) {
		*out = r;
		r = NULL;
	}
out:
	evl_rec_close(r);
	evl_sha256_destroy(sha);
	free(buf);
	return st;
}
