/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/wav.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/bytes.h"
#include "core/frame/e1_receive.h"
#include "core/frame/t1_receive.h"
#include "core/frame/timeslot.h"

enum {
	CHUNK = 32 * 1024,
	HEADER = 58,      /* RIFF, fmt with 18 bytes, fact, head of data */
	SILENCE_A = 0xD5, /* G.711 Table 1: the codes of the values next to 0 */
	SILENCE_MU = 0xFF,
};

struct export
{
	struct evl_rec *r;
	uint32_t channel;
	enum evl_rate rate;
	struct evl_timeslots slots;
	uint8_t silence;
	FILE *out;
	const char *name;
	struct evl_rec_wav_result *result;
	enum evl_t1_framing t1;
	struct evl_e1_receiver e1_receiver;
	struct evl_t1_receiver t1_receiver;
	uint64_t aligned; /* frames received in alignment, over all runs */
	uint8_t *bits, *frames, *codes;
};

static void no_event(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset)
{
	(void)ctx;
	(void)channel;
	(void)alarm;
	(void)raised;
	(void)bit_offset;
}

static enum evl_status put(struct export *x, const void *data, size_t bytes, struct evl_err *err)
{
	if (fwrite(data, 1, bytes, x->out) != bytes) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", x->name, strerror(errno));
	}
	return EVL_OK;
}

static enum evl_status put_header(struct export *x, struct evl_err *err)
{
	uint8_t h[HEADER] = {0};
	uint32_t n = (uint32_t)x->result->samples;
	memcpy(h, "RIFF", 4);
	evl_store_le32(h + 4, HEADER - 8 + n + (n & 1));
	memcpy(h + 8, "WAVEfmt ", 8);
	evl_store_le32(h + 16, 18);
	evl_store_le16(h + 20, x->result->law == EVL_REC_A_LAW ? 6 : 7);
	evl_store_le16(h + 22, 1);    /* channels */
	evl_store_le32(h + 24, 8000); /* samples a second */
	evl_store_le32(h + 28, 8000); /* bytes a second */
	evl_store_le16(h + 32, 1);    /* bytes of a sample */
	evl_store_le16(h + 34, 8);    /* bits of a sample */
	evl_store_le16(h + 36, 0);    /* no further fields */
	memcpy(h + 38, "fact", 4);
	evl_store_le32(h + 42, 4);
	evl_store_le32(h + 46, n);
	memcpy(h + 50, "data", 4);
	evl_store_le32(h + 54, n);
	return put(x, h, sizeof h, err);
}

static enum evl_status put_codes(struct export *x, size_t count, struct evl_err *err)
{
	x->result->samples += count;
	if (x->result->samples > UINT32_MAX - HEADER) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: channel %s is too long for a sound file of this format (2^32 bytes)",
			evl_rec_path(x->r), evl_rec_info(x->r, x->channel)->channel.name);
	}
	return put(x, x->codes, count, err);
}

static enum evl_status put_silence(struct export *x, uint64_t count, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	memset(x->codes, x->silence, CHUNK);
	x->result->silence += count;
	while (st == EVL_OK && count > 0) {
		size_t n = count < CHUNK ? (size_t)count : CHUNK;
		st = put_codes(x, n, err);
		count -= n;
	}
	return st;
}

static enum evl_status start_receiver(struct export *x, struct evl_err *err)
{
	if (x->rate == EVL_RATE_E1) {
		const struct evl_e1_options o = {.framing = EVL_E1_FAS_ONLY};
		return evl_e1_receiver_init(&x->e1_receiver, &o, 0, no_event, NULL, err);
	}
	const struct evl_t1_options o = {.framing = x->t1};
	return evl_t1_receiver_init(&x->t1_receiver, &o, 0, no_event, NULL, err);
}

/* Feeds bytes; writes the codes of at most `most` frames. */
static enum evl_status feed(
	struct export *x, size_t bytes, uint64_t most, uint64_t *given, struct evl_err *err)
{
	uint32_t n = x->rate == EVL_RATE_E1
			     ? evl_e1_receive(&x->e1_receiver, x->bits, bytes, x->frames)
			     : evl_t1_receive(&x->t1_receiver, x->bits, bytes, x->frames);
	n = n < most ? n : (uint32_t)most;
	*given += n;
	evl_timeslots_extract(&x->slots, x->codes, x->frames, n);
	return put_codes(x, n, err);
}

/* The recorded bits from `from` on up to a gap; *to is where they end. */
static enum evl_status put_run(struct export *x, uint64_t from, uint64_t *to, struct evl_err *err)
{
	uint64_t at = from;
	uint64_t given = 0;
	enum evl_status st = start_receiver(x, err);
	while (st == EVL_OK) {
		struct evl_rec_piece p;
		st = evl_rec_piece(x->r, x->channel, at, &p, err);
		if (st == EVL_E_END || (st == EVL_OK && p.bit_offset != at)) {
			st = EVL_OK;
			break;
		}
		size_t n = p.bits / 8 < CHUNK ? (size_t)(p.bits / 8) : CHUNK;
		if (st == EVL_OK) {
			st = evl_rec_read(x->r, x->channel, at, x->bits, n, err);
		}
		if (st == EVL_OK) {
			st = feed(x, n, UINT64_MAX, &given, err);
		}
		at += (uint64_t)n * 8;
	}
	*to = at;
	uint64_t aligned = x->rate == EVL_RATE_E1 ? x->e1_receiver.counts.frames
						  : x->t1_receiver.counts.frames;
	/* What the receiver still holds comes out behind more bits, which themselves do not count.
	 */
	uint64_t due = (at - from) / evl_rate_frame_bits(x->rate);
	memset(x->bits, 0xFF, CHUNK);
	for (int i = 0; st == EVL_OK && given < due && i < 8; i++) {
		st = feed(x, CHUNK / 8, due - given, &given, err);
	}
	x->aligned += aligned < given ? aligned : given;
	return st;
}

static enum evl_status put_all(struct export *x, struct evl_err *err)
{
	const struct evl_rec_info *info = evl_rec_info(x->r, x->channel);
	uint64_t frame_bits = evl_rate_frame_bits(x->rate);
	uint64_t at = info->first_bit;
	memset(x->result, 0, offsetof(struct evl_rec_wav_result, law));
	x->aligned = 0;
	enum evl_status st = put_header(x, err);
	while (st == EVL_OK) {
		struct evl_rec_piece p;
		st = evl_rec_piece(x->r, x->channel, at, &p, err);
		if (st == EVL_E_END) {
			break;
		}
		if (st == EVL_OK) {
			/* Counted from the start, so that many gaps do not add up to an error. */
			uint64_t due = (p.bit_offset - info->first_bit) / frame_bits;
			uint64_t have = x->result->samples;
			st = put_silence(x, due > have ? due - have : 0, err);
		}
		if (st == EVL_OK) {
			st = put_run(x, p.bit_offset, &at, err);
		}
	}
	st = st == EVL_E_END ? EVL_OK : st;
	uint64_t heard = x->result->samples - x->result->silence;
	x->result->unaligned = heard > x->aligned ? heard - x->aligned : 0;
	if (st == EVL_OK && x->result->samples % 2 != 0) {
		st = put(x, "", 1, err); /* a chunk has an even number of bytes in the file */
	}
	if (st == EVL_OK && fseek(x->out, 0, SEEK_SET) != 0) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written as a sound file: %s",
			x->name, strerror(errno));
	}
	if (st == EVL_OK) {
		st = put_header(x, err);
	}
	if (st == EVL_OK && fflush(x->out) != 0) {
		st = evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", x->name, strerror(errno));
	}
	return st;
}

/* Writes all of it anew. */
static enum evl_status again(struct export *x, struct evl_err *err)
{
	if (fseek(x->out, 0, SEEK_SET) != 0 || ftruncate(fileno(x->out), 0) != 0) {
		return evl_err_set(err, EVL_E_IO, "%s: cannot be written as a sound file: %s",
			x->name, strerror(errno));
	}
	return put_all(x, err);
}

enum evl_status evl_rec_export_wav(struct evl_rec *r, uint32_t channel,
	const struct evl_rec_wav_plan *plan, FILE *out, const char *out_name,
	struct evl_rec_wav_result *result, struct evl_err *err)
{
	const struct evl_rec_info *info = evl_rec_info(r, channel);
	enum evl_rate rate = info->channel.rate;
	struct export *x = evl_xcalloc(1, sizeof *x);
	struct evl_err why = {0};
	x->r = r;
	x->channel = channel;
	x->rate = rate;
	x->out = out;
	x->name = out_name;
	x->result = result;
	result->law = plan->law != EVL_REC_LAW_OF_RATE ? plan->law
		      : rate == EVL_RATE_T1            ? EVL_REC_MU_LAW
						       : EVL_REC_A_LAW;
	x->silence = result->law == EVL_REC_A_LAW ? SILENCE_A : SILENCE_MU;
	uint32_t mask = plan->timeslot < 32 ? 1u << plan->timeslot : 0;
	enum evl_status st = evl_timeslots_init(&x->slots, rate, mask, &why);
	if (st < 0) {
		st = evl_err_set(err, EVL_E_INVALID,
			"%s: channel %s is %s, which has no timeslot %" PRIu32
			" (E1 has 0 to 31, T1 1 to 24)",
			evl_rec_path(r), info->channel.name, evl_rate_name(rate), plan->timeslot);
	} else if (info->bits == 0) {
		st = evl_err_set(err, EVL_E_INVALID, "%s: nothing was recorded of channel %s",
			evl_rec_path(r), info->channel.name);
	}
	size_t frames = EVL_E1_OUT_BYTES(CHUNK) > EVL_T1_OUT_BYTES(CHUNK) ? EVL_E1_OUT_BYTES(CHUNK)
									  : EVL_T1_OUT_BYTES(CHUNK);
	x->bits = evl_xmalloc(CHUNK);
	x->frames = evl_xmalloc(frames);
	x->codes = evl_xmalloc(CHUNK);
	if (st == EVL_OK) {
		x->t1 = EVL_T1_ESF;
		st = put_all(x, err);
	}
	/* ESF can be found for a while by chance. */
	uint64_t esf = x->aligned;
	if (st == EVL_OK && rate == EVL_RATE_T1 && esf < result->samples / 2) {
		x->t1 = EVL_T1_SF;
		st = again(x, err);
		if (st == EVL_OK && x->aligned < esf) {
			x->t1 = EVL_T1_ESF;
			st = again(x, err);
		}
	}
	free(x->bits);
	free(x->frames);
	free(x->codes);
	free(x);
	return st;
}
