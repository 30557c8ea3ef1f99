/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A set as one recording. The index tells which bits of each channel are in which part; a part is
 * opened when its bits are asked for, two of them at a time.
 */
#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "core/recording/internal.h"
#include "core/recording/stream_digest.h"

enum { LINE_MAX_BYTES = 1024 * 1024, OPEN_PARTS = 2 };

struct part {
	char *path;
	uint64_t bytes;
	uint8_t sha256[EVL_SHA256_BYTES];
	bool listed;
	uint64_t *first, *end; /* [channels]; first == end: none here, both the end before */
};

struct rec_set {
	struct part *parts;
	uint32_t count, cap;
	struct {
		struct evl_rec *r;
		uint32_t part;
		uint64_t stamp;
	} open[OPEN_PARTS];
	uint64_t clock;
	bool compress;                   /* parts are */
	uint8_t check[EVL_SHA256_BYTES]; /* of the index */
};

void rec_set_close(struct rec_set *s)
{
	if (s == NULL) {
		return;
	}
	for (int i = 0; i < OPEN_PARTS; i++) {
		evl_rec_close(s->open[i].r);
	}
	for (uint32_t p = 0; p < s->count; p++) {
		free(s->parts[p].path);
		free(s->parts[p].first);
		free(s->parts[p].end);
	}
	free(s->parts);
	free(s);
}

static void miss(struct evl_rec *r, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/* The first thing that is missing is told. */
static void miss(struct evl_rec *r, const char *fmt, ...)
{
	if (r->missing[0] == '\0') {
		va_list ap;
		va_start(ap, fmt);
		vsnprintf(r->missing, sizeof r->missing, fmt, ap);
		va_end(ap);
	}
}

/* The descriptions of the channels, from the first part that can be opened; each other part must
 * have the same. NULL when it fits. */
static const char *take_channels(struct evl_rec *r, const struct evl_rec *part)
{
	if (part->channels != r->channels) {
		return "it has another number of channels";
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		const struct evl_rec_channel *a = &r->plain[c];
		const struct evl_rec_channel *b = &part->plain[c];
		if (a->name == NULL) {
			r->plain[c] = *b;
			r->plain[c].name = evl_xstrdup(b->name);
			r->infos[c].channel = r->plain[c];
		} else if (strcmp(a->name, b->name) != 0 || a->rate != b->rate ||
			   a->direction != b->direction || a->start_ns != b->start_ns ||
			   a->skew_ns != b->skew_ns || a->clock_ppb != b->clock_ppb) {
			return "it describes other channels";
		}
	}
	return NULL;
}

/* Opens part `index`, or gives it when it is open. EVL_E_CORRUPT when it is not of this set. */
static enum evl_status part_at(
	struct evl_rec *r, uint32_t index, struct evl_rec **out, struct evl_err *err)
{
	struct rec_set *s = r->set;
	int oldest = 0;
	for (int i = 0; i < OPEN_PARTS; i++) {
		if (s->open[i].r != NULL && s->open[i].part == index) {
			s->open[i].stamp = ++s->clock;
			*out = s->open[i].r;
			return EVL_OK;
		}
		oldest = s->open[i].stamp < s->open[oldest].stamp ? i : oldest;
	}
	struct evl_rec *p = NULL;
	enum evl_status st = rec_open_file(&p, s->parts[index].path, err);
	if (st < 0) {
		return st;
	}
	const char *wrong =
		p->part != index + 1 ? "it is another part, or of no set" : take_channels(r, p);
	if (wrong != NULL) {
		evl_rec_close(p);
		return evl_err_set(err, EVL_E_CORRUPT,
			"%s: is not part %" PRIu32 " of the set %s: %s", s->parts[index].path,
			index + 1, r->path, wrong);
	}
	evl_rec_close(s->open[oldest].r);
	s->open[oldest].r = p;
	s->open[oldest].part = index;
	s->open[oldest].stamp = ++s->clock;
	*out = p;
	return EVL_OK;
}

/* Adds a part's counts of a channel. False when it begins before the end of what is there. */
static bool add_row(struct evl_rec *r, struct part *p, uint32_t c, const struct evl_rec_info *row)
{
	struct evl_rec_info *to = &r->infos[c];
	p->first[c] = p->end[c] = to->end_bits;
	if (row->blocks == 0) {
		return true;
	}
	if (row->first_bit < to->end_bits || row->end_bits <= row->first_bit ||
		row->bits > row->end_bits - row->first_bit || row->first_bit % 8 != 0 ||
		row->end_bits % 8 != 0) {
		return false;
	}
	p->first[c] = row->first_bit;
	p->end[c] = row->end_bits;
	to->first_bit = to->blocks == 0 ? row->first_bit : to->first_bit;
	to->end_bits = row->end_bits;
	to->blocks += row->blocks;
	to->bits += row->bits;
	to->gaps += row->gaps;
	to->overruns += row->overruns;
	return true;
}

static struct part *new_part(struct evl_rec *r, const char *path)
{
	struct rec_set *s = r->set;
	if (s->count == s->cap) {
		s->cap = s->cap == 0 ? 16 : s->cap * 2;
		s->parts = evl_xrealloc(s->parts, s->cap * sizeof *s->parts);
	}
	struct part *p = &s->parts[s->count++];
	memset(p, 0, sizeof *p);
	p->path = evl_xstrdup(path);
	p->first = evl_xcalloc(r->channels, sizeof *p->first);
	p->end = evl_xcalloc(r->channels, sizeof *p->end);
	return p;
}

/* Takes the counts from the part's file itself, and its marks. */
static enum evl_status take_part(struct evl_rec *r, uint32_t index, bool rows, struct evl_err *err)
{
	struct evl_rec *p = NULL;
	enum evl_status st = part_at(r, index, &p, err);
	for (uint32_t c = 0; st == EVL_OK && rows && c < r->channels; c++) {
		if (!add_row(r, &r->set->parts[index], c, &p->infos[c])) {
			miss(r, "damaged: part %" PRIu32 " repeats bits of an earlier part",
				index + 1);
		}
	}
	for (uint32_t i = 0; st == EVL_OK && i < p->marks.count; i++) {
		if (rec_marks_add(&r->marks, 0, &p->marks.marks[i]) != NULL) {
			miss(r, "the set has more than %u marks; the others are in its parts",
				EVL_REC_MARKS_MAX);
			break;
		}
	}
	return st;
}

/* One line about a part. NULL when sound. */
static const char *read_part(struct evl_rec *r, json_t *line, struct evl_err *err)
{
	struct rec_set *s = r->set;
	json_int_t number, bytes, marks;
	const char *file, *hex;
	json_t *rows;
	if (json_unpack(line, "{s:I, s:s, s:I, s:s, s:I, s:o}", "part", &number, "file", &file,
		    "bytes", &bytes, "sha256", &hex, "marks", &marks, "channels", &rows) != 0 ||
		json_array_size(rows) != r->channels) {
		return "it is not that of a part";
	}
	if (number != (json_int_t)s->count + 1 || number > SET_PARTS_MAX ||
		(uint64_t)number * r->channels > SET_CELLS_MAX) {
		return "its number cannot be";
	}
	char *path = rec_set_part_path(r->path, (uint32_t)number, r->set->compress);
	const char *slash = strrchr(path, '/');
	uint8_t sha256[EVL_SHA256_BYTES];
	bool named = strcmp(file, slash != NULL ? slash + 1 : path) == 0;
	/* A set that was given another name keeps its parts' names: look beside the index. */
	if (!named && strchr(file, '/') == NULL && file[0] != '\0') {
		int folder = slash != NULL ? (int)(slash + 1 - path) : 0;
		size_t size = (size_t)folder + strlen(file) + 1;
		char *other = evl_xmalloc(size);
		snprintf(other, size, "%.*s%s", folder, path, file);
		free(path);
		path = other;
		named = true;
	}
	if (!named || evl_unhex(hex, sha256, sizeof sha256) < 0 || bytes < 0) {
		free(path);
		return "its file, length or digest cannot be";
	}
	struct part *p = new_part(r, path);
	free(path);
	p->listed = true;
	p->bytes = (uint64_t)bytes;
	memcpy(p->sha256, sha256, sizeof sha256);
	struct stat sb;
	bool there = stat(p->path, &sb) == 0;
	bool whole = there && (uint64_t)sb.st_size == p->bytes;
	if (!there) {
		miss(r, "damaged: part %lld (%s) is missing: %s", (long long)number, p->path,
			strerror(errno));
	} else if (!whole) {
		miss(r, "damaged: part %lld (%s) has %lld bytes in the place of %lld",
			(long long)number, p->path, (long long)sb.st_size, (long long)bytes);
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		json_int_t v[6];
		if (json_unpack(json_array_get(rows, c), "[I, I, I, I, I, I]", &v[0], &v[1], &v[2],
			    &v[3], &v[4], &v[5]) != 0) {
			return "its counts are not numbers";
		}
		struct evl_rec_info row = {.first_bit = (uint64_t)v[0],
			.end_bits = (uint64_t)v[1],
			.bits = (uint64_t)v[2],
			.blocks = (uint64_t)v[3],
			.gaps = (uint64_t)v[4],
			.overruns = (uint64_t)v[5]};
		if (!whole && row.blocks > 0) {
			r->infos[c].gaps++;
			p->first[c] = p->end[c] = r->infos[c].end_bits;
		} else if (!add_row(r, p, c, &row)) {
			return "its counts do not follow those of the part before";
		}
	}
	if ((there && !whole) || (whole && marks > 0) || s->count == 1) {
		struct evl_err why = {0};
		if (take_part(r, s->count - 1, there && !whole, &why) < 0) {
			miss(r, "damaged: %s", why.text);
			if (why.status == EVL_E_NOMEM) {
				*err = why;
			}
		}
	}
	return NULL;
}

/* The line at the end. NULL when sound. */
static const char *read_end(struct evl_rec *r, json_t *line, const uint8_t sha[EVL_SHA256_BYTES])
{
	json_int_t parts;
	const char *check;
	json_t *digests;
	uint8_t told[EVL_SHA256_BYTES];
	if (json_unpack(line, "{s:I, s:o, s:s}", "end", &parts, "digests", &digests, "check",
		    &check) != 0 ||
		json_array_size(digests) != r->channels ||
		evl_unhex(check, told, sizeof told) < 0) {
		return "it is not that of an end";
	}
	if (memcmp(told, sha, sizeof told) != 0) {
		return "its check does not fit the lines before it";
	}
	if (parts != (json_int_t)r->set->count) {
		return "the number of parts is wrong";
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		const char *hex = json_string_value(json_array_get(digests, c));
		if (hex == NULL || evl_unhex(hex, r->infos[c].digest, EVL_SHA256_BYTES) < 0) {
			return "a digest is none";
		}
		r->infos[c].has_digest = true;
	}
	r->finished = true;
	return NULL;
}

static const char *read_first(struct evl_rec *r, json_t *line, bool *later)
{
	const char *format, *software;
	json_int_t version, channels;
	json_t *meta;
	int compress = 0;
	if (json_unpack(line, "{s:s, s:I, s:s, s:I, s?b, s:o}", "format", &format, "version",
		    &version, "software", &software, "channels", &channels, "compressed", &compress,
		    "meta", &meta) != 0 ||
		strcmp(format, SET_FORMAT) != 0) {
		return "it is not that of a set of recordings";
	}
	*later = version > FORMAT_VERSION;
	if (version != FORMAT_VERSION || channels < 1 || channels > EVL_REC_CHANNELS_MAX ||
		!json_is_object(meta)) {
		return "its version, number of channels or metadata cannot be";
	}
	r->set->compress = compress != 0;
	r->channels = (uint32_t)channels;
	r->software = evl_xstrdup(software);
	r->meta = json_dumps(meta, JSON_COMPACT);
	r->infos = evl_xcalloc(r->channels, sizeof *r->infos);
	r->plain = evl_xcalloc(r->channels, sizeof *r->plain);
	return r->meta == NULL ? "its metadata cannot be read" : NULL;
}

/* Reads the lines of the index. Damage further on ends what is read; it is told in r->missing. */
static enum evl_status read_index(struct evl_rec *r, FILE *f, struct evl_err *err)
{
	char *line = evl_xmalloc(LINE_MAX_BYTES);
	struct evl_sha256 *sha = evl_sha256_create();
	enum evl_status st = EVL_OK;
	for (uint32_t number = 1; st == EVL_OK && fgets(line, LINE_MAX_BYTES, f) != NULL;
		number++) {
		size_t n = strlen(line);
		uint8_t before[EVL_SHA256_BYTES];
		evl_sha256_peek(sha, before);
		evl_sha256_update(sha, line, n);
		if (n == 0 || line[n - 1] != '\n') {
			if (number == 1) {
				st = evl_err_set(err, EVL_E_CORRUPT,
					"%s: is cut within its first line; its parts can still be "
					"opened one by one",
					r->path);
			}
			miss(r, "unfinished: the index is cut within line %" PRIu32, number);
			break;
		}
		bool later = false;
		json_t *o = json_loadb(line, n, JSON_REJECT_DUPLICATES, NULL);
		const char *wrong = o == NULL                           ? "it is no JSON"
				    : number == 1                       ? read_first(r, o, &later)
				    : r->finished                       ? "it stands after the end"
				    : json_object_get(o, "end") != NULL ? read_end(r, o, before)
									: read_part(r, o, err);
		json_decref(o);
		if (wrong != NULL && number == 1) {
			st = evl_err_set(err, later ? EVL_E_VERSION : EVL_E_CORRUPT,
				"%s: line 1: %s%s", r->path, wrong,
				later ? "; a newer version of this program made it" : "");
		} else if (wrong != NULL) {
			r->finished = false;
			miss(r, "damaged: line %" PRIu32 " of the index: %s", number, wrong);
			break;
		}
	}
	evl_sha256_peek(sha, r->set->check);
	evl_sha256_destroy(sha);
	free(line);
	return st;
}

/* The part that was written when the set broke off is not listed. */
static void take_unlisted(struct evl_rec *r)
{
	char *path = rec_set_part_path(r->path, r->set->count + 1, r->set->compress);
	struct stat sb;
	struct evl_err why = {0};
	if (stat(path, &sb) != 0) {
		miss(r, "unfinished: the index ends after part %" PRIu32, r->set->count);
	} else {
		struct part *p = new_part(r, path);
		uint32_t number = r->set->count;
		p->bytes = (uint64_t)sb.st_size;
		if (take_part(r, number - 1, true, &why) < 0) {
			r->set->count--;
			free(p->path);
			free(p->first);
			free(p->end);
			miss(r,
				"unfinished: the index ends after part %" PRIu32
				"; what follows cannot be read: %s",
				number - 1, why.text);
		} else {
			struct evl_rec *last = NULL;
			const char *state = part_at(r, number - 1, &last, &why) == EVL_OK
						    ? evl_rec_missing(last)
						    : "";
			miss(r,
				"unfinished: the index ends after part %" PRIu32 "; part %" PRIu32
				" is read too%s%s",
				number - 1, number, state[0] != '\0' ? ": " : "", state);
		}
	}
	free(path);
}

enum evl_status rec_set_open(struct evl_rec **out, const char *path, struct evl_err *err)
{
	*out = NULL;
	struct evl_rec *r = evl_xcalloc(1, sizeof *r);
	r->fd = -1;
	r->path = evl_xstrdup(path);
	r->set = evl_xcalloc(1, sizeof *r->set);
	enum evl_status st = EVL_OK;
	FILE *f = fopen(path, "rb");
	if (f == NULL) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be opened: %s", path, strerror(errno));
	} else if (!rec_marks_init(&r->marks, true)) {
		st = evl_err_set(err, EVL_E_NOMEM, "%s: no memory to read it", path);
	} else {
		st = read_index(r, f, err);
	}
	if (st == EVL_OK && !r->finished && r->set->count < SET_PARTS_MAX) {
		take_unlisted(r);
	}
	for (uint32_t p = 0; st == EVL_OK && r->plain[0].name == NULL && p < r->set->count; p++) {
		struct evl_rec *part = NULL;
		struct evl_err why = {0};
		(void)part_at(r, p, &part, &why); /* the first that opens describes the channels */
	}
	if (st == EVL_OK && r->plain[0].name == NULL) {
		st = evl_err_set(err, EVL_E_CORRUPT, "%s: none of its parts can be read: %s", path,
			r->missing);
	}
	if (st == EVL_OK && r->missing[0] != '\0') {
		r->finished = false;
		for (uint32_t c = 0; c < r->channels; c++) { /* what is left has other digests */
			r->infos[c].has_digest = false;
		}
	}
	if (f != NULL) {
		fclose(f);
	}
	if (st < 0) {
		evl_rec_close(r);
		return st;
	}
	*out = r;
	return EVL_OK;
}

const char *rec_set_path_of(const struct evl_rec *r, uint32_t part)
{
	return r->set->parts[part].path;
}

uint32_t evl_rec_part_count(const struct evl_rec *r)
{
	return r->set != NULL ? r->set->count : 0;
}

/* The first part, from `from` on, whose bits of the channel end after the offset. */
static uint32_t find_part(const struct evl_rec *r, uint32_t from, uint32_t channel, uint64_t bit)
{
	uint32_t lo = from;
	uint32_t hi = r->set->count;
	while (lo < hi) {
		uint32_t mid = lo + (hi - lo) / 2;
		if (r->set->parts[mid].end[channel] > bit) {
			hi = mid;
		} else {
			lo = mid + 1;
		}
	}
	return lo;
}

enum evl_status rec_set_piece(struct evl_rec *r, uint32_t channel, uint64_t bit_offset,
	struct evl_rec_piece *out, struct evl_err *err)
{
	uint32_t p = find_part(r, 0, channel, bit_offset);
	for (; p < r->set->count; p = find_part(r, p + 1, channel, bit_offset)) {
		struct evl_rec *part;
		enum evl_status st = part_at(r, p, &part, err);
		if (st == EVL_OK) {
			st = evl_rec_piece(part, channel, bit_offset, out, err);
		}
		if (st != EVL_E_END) {
			return st;
		}
	}
	return evl_err_set(err, EVL_E_END, "%s: channel %s ends before bit %" PRIu64, r->path,
		r->plain[channel].name, bit_offset);
}

enum evl_status rec_set_read(struct evl_rec *r, uint32_t channel, uint64_t bit_offset, void *buf,
	size_t bytes, struct evl_err *err)
{
	uint8_t *out = buf;
	while (bytes > 0) {
		uint32_t p = find_part(r, 0, channel, bit_offset);
		if (p == r->set->count) {
			return evl_err_set(err, EVL_E_END,
				"%s: channel %s ends before bit %" PRIu64 " (frame %" PRIu64 ")",
				r->path, r->plain[channel].name, bit_offset,
				bit_offset / evl_rate_frame_bits(r->plain[channel].rate));
		}
		const struct part *at = &r->set->parts[p];
		if (at->first[channel] > bit_offset) {
			return evl_err_set(err, EVL_E_NOTFOUND,
				"%s: channel %s has a gap: bits %" PRIu64 " to %" PRIu64
				" were not recorded",
				r->path, r->plain[channel].name, bit_offset,
				at->first[channel] - 1);
		}
		uint64_t left = (at->end[channel] - bit_offset) / 8;
		size_t n = left < bytes ? (size_t)left : bytes;
		struct evl_rec *part;
		enum evl_status st = part_at(r, p, &part, err);
		if (st == EVL_OK) {
			st = evl_rec_read(part, channel, bit_offset, out, n, err);
		}
		if (st < 0) {
			return st;
		}
		out += n;
		bytes -= n;
		bit_offset += (uint64_t)n * 8;
	}
	return EVL_OK;
}

/* ---- verify ---- */

struct set_check {
	struct evl_rec *r;
	evl_rec_report report;
	void *context;
	struct evl_rec_verdict *verdict;
	struct evl_err *err;
	uint32_t part;
	bool broken; /* a part was altered: the digests that go on beyond it tell nothing */
};

static void found(struct set_check *v, int64_t channel, uint64_t position, uint64_t block,
	const char *text, bool end)
{
	char line[1400];
	if (v->part > 0) {
		snprintf(line, sizeof line, "part %" PRIu32 ": %s", v->part, text);
		text = line;
	}
	if (v->verdict->findings++ == 0) {
		evl_err_set(v->err, EVL_E_CORRUPT, "%s: %s", v->r->path, text);
	}
	if (v->report != NULL) {
		struct evl_rec_finding f = {.position = position,
			.block = block,
			.channel = channel,
			.text = text,
			.end = end};
		v->report(v->context, &f);
	}
}

static void of_part(void *context, const struct evl_rec_finding *f)
{
	found(context, f->channel, f->position, f->block, f->text, f->end);
}

static enum evl_status check_part(
	struct set_check *v, uint32_t p, struct evl_stream_digest **digests, struct evl_err *err)
{
	const struct part *part = &v->r->set->parts[p];
	struct evl_rec *open = NULL;
	struct evl_rec_verdict own;
	struct evl_err why = {0};
	v->part = p + 1;
	uint64_t before = v->verdict->findings;
	enum evl_status st = part_at(v->r, p, &open, &why);
	if (st < 0) {
		v->broken = true;
		found(v, -1, 0, 0, why.text, st == EVL_E_NOTFOUND);
		return st == EVL_E_NOMEM ? evl_err_set(err, st, "%s", why.text) : EVL_OK;
	}
	st = rec_verify_file(open, v->broken ? NULL : digests, of_part, v, &own, &why);
	if (st < 0 && st != EVL_E_CORRUPT) {
		return evl_err_set(err, st, "%s", why.text);
	}
	v->verdict->blocks += own.blocks;
	v->verdict->bytes += own.bytes;
	if (part->listed && memcmp(part->sha256, own.file_sha256, sizeof part->sha256) != 0) {
		found(v, -1, 0, 0, "the digest of the file is not the one in the index", false);
	}
	v->broken = v->broken || v->verdict->findings > before;
	return EVL_OK;
}

enum evl_status rec_set_verify(struct evl_rec *r, evl_rec_report report, void *context,
	struct evl_rec_verdict *verdict, struct evl_err *err)
{
	memset(verdict, 0, sizeof *verdict);
	verdict->finished = r->finished;
	memcpy(verdict->file_sha256, r->set->check, sizeof verdict->file_sha256);
	struct evl_err first = {0};
	struct set_check v = {r, report, context, verdict, &first, 0, false};
	struct evl_stream_digest **digests = evl_xcalloc(r->channels, sizeof *digests);
	enum evl_status st = EVL_OK;
	for (uint32_t c = 0; c < r->channels; c++) {
		digests[c] = evl_stream_digest_create();
	}
	for (uint32_t p = 0; st == EVL_OK && p < r->set->count; p++) {
		st = check_part(&v, p, digests, err);
	}
	v.part = 0;
	for (uint32_t c = 0; st == EVL_OK && c < r->channels; c++) {
		uint8_t digest[EVL_SHA256_BYTES];
		evl_stream_digest_peek(digests[c], digest);
		if (r->infos[c].has_digest && !v.broken &&
			memcmp(digest, r->infos[c].digest, sizeof digest) != 0) {
			char text[256];
			snprintf(text, sizeof text,
				"channel %s: the digest of its bits is not the one in the index",
				r->plain[c].name);
			found(&v, c, 0, 0, text, false);
		}
	}
	if (st == EVL_OK && r->missing[0] != '\0') {
		found(&v, -1, 0, 0, r->missing, true);
	}
	for (uint32_t c = 0; c < r->channels; c++) {
		evl_stream_digest_destroy(digests[c]);
	}
	free(digests);
	if (st == EVL_OK && verdict->findings > 0) {
		st = evl_err_set(err, EVL_E_CORRUPT, "%s", first.text);
	}
	verdict->intact = st == EVL_OK;
	return st;
}
