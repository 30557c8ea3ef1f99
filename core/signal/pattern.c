/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/pattern.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"
#include "core/signal/bits.h"
#include "core/signal/crc.h"

/* ITU-T O.150 and ANSI T1.403 usage (from memory). */
static const struct named {
	const char *name;
	const char *bits;
} words[] = {
	{"all ones", "1"},
	{"all zeros", "0"},
	{"alternating", "10"},
	{"1 in 8", "01000000"},
	{"2 in 8", "01000010"},
	{"3 in 24", "010001000000000000000100"},
};
#define WORDS (sizeof(words) / sizeof(words[0]))

static uint64_t mask_of(unsigned bits)
{
	return bits == 64 ? UINT64_MAX : ((uint64_t)1 << bits) - 1;
}

static uint64_t word_of(const char *bits)
{
	uint64_t word = 0;
	for (; *bits != '\0'; bits++) {
		word = word << 1 | (*bits == '1');
	}
	return word;
}

struct evl_pattern evl_pattern_prbs(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return (struct evl_pattern){.kind = EVL_PATTERN_PRBS, .prbs = kind};
}

struct evl_pattern evl_pattern_word(uint64_t word, unsigned bits)
{
	evl_require(bits >= 1 && bits <= 64);
	word &= mask_of(bits);
	for (unsigned p = 1; p < bits; p++) {
		/* Shifted by a divisor of its length onto itself. */
		if (bits % p == 0 && (word >> p) == (word & mask_of(bits - p))) {
			word &= mask_of(p);
			bits = p;
		}
	}
	return (struct evl_pattern){.kind = EVL_PATTERN_WORD, .word = word, .word_bits = bits};
}

struct evl_pattern evl_pattern_user(const struct evl_user_pattern *u)
{
	return (struct evl_pattern){.kind = EVL_PATTERN_USER, .user = u};
}

struct evl_pattern evl_pattern_counter(unsigned block_bytes, unsigned channel)
{
	evl_require(block_bytes >= EVL_COUNTER_BLOCK_MIN && block_bytes <= EVL_COUNTER_BLOCK_MAX);
	evl_require(channel <= UINT16_MAX);
	return (struct evl_pattern){.kind = EVL_PATTERN_COUNTER,
		.block_bytes = (uint16_t)block_bytes,
		.channel = (uint16_t)channel};
}

const char *evl_pattern_known(size_t i)
{
	if (i < EVL_PRBS_KINDS) {
		return evl_prbs_name((enum evl_prbs_kind)i);
	}
	i -= EVL_PRBS_KINDS;
	if (i < WORDS) {
		return words[i].name;
	}
	return i == WORDS ? "counter" : NULL;
}

static enum evl_status parse_word(struct evl_pattern *out, const char *bits, struct evl_err *err)
{
	size_t n = strlen(bits);
	if (n < 1 || n > 64 || strspn(bits, "01") != n) {
		return evl_err_set(err, EVL_E_INVALID,
			"pattern \"word %.80s\": give 1 to 64 digits 0 or 1, the first "
			"in time first",
			bits);
	}
	*out = evl_pattern_word(word_of(bits), (unsigned)n);
	return EVL_OK;
}

static enum evl_status parse_counter(
	struct evl_pattern *out, const char *number, struct evl_err *err)
{
	size_t n = strlen(number);
	unsigned long bytes =
		n < 6 && strspn(number, "0123456789") == n ? strtoul(number, NULL, 10) : 0;
	if (bytes < EVL_COUNTER_BLOCK_MIN || bytes > EVL_COUNTER_BLOCK_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"pattern \"counter %.40s\": a block has %d to %d bytes", number,
			EVL_COUNTER_BLOCK_MIN, EVL_COUNTER_BLOCK_MAX);
	}
	*out = evl_pattern_counter((unsigned)bytes, 0);
	return EVL_OK;
}

static enum evl_status unknown(const char *text, struct evl_err *err)
{
	char list[512];
	size_t len = 0;
	for (size_t i = 0; evl_pattern_known(i) != NULL; i++) {
		len += (size_t)snprintf(
			list + len, sizeof(list) - len, "%s, ", evl_pattern_known(i));
	}
	return evl_err_set(err, EVL_E_INVALID,
		"pattern \"%.80s\" is not known; use one of %sword 1100 (1 to 64 bits), "
		"each with \" inverted\" behind it if so wanted",
		text, list);
}

enum evl_status evl_pattern_parse(struct evl_pattern *out, const char *text, struct evl_err *err)
{
	static const char suffix[] = " inverted";
	char name[128];
	size_t n = strlen(text);
	bool inverted = n > strlen(suffix) && strcmp(text + n - strlen(suffix), suffix) == 0;
	n -= inverted ? strlen(suffix) : 0;
	if (n >= sizeof(name)) {
		return unknown(text, err);
	}
	memcpy(name, text, n);
	name[n] = '\0';

	enum evl_status st = EVL_OK;
	enum evl_prbs_kind kind;
	size_t w = 0;
	while (w < WORDS && strcmp(name, words[w].name) != 0) {
		w++;
	}
	if (evl_prbs_by_name(&kind, name)) {
		*out = evl_pattern_prbs(kind);
	} else if (w < WORDS) {
		st = parse_word(out, words[w].bits, err);
	} else if (strncmp(name, "word ", 5) == 0) {
		st = parse_word(out, name + 5, err);
	} else if (strcmp(name, "counter") == 0) {
		*out = evl_pattern_counter(EVL_COUNTER_BLOCK_USUAL, 0);
	} else if (strncmp(name, "counter ", 8) == 0) {
		st = parse_counter(out, name + 8, err);
	} else {
		st = unknown(text, err);
	}
	if (st == EVL_OK) {
		out->inverted = inverted;
	}
	return st;
}

static void word_name(char *out, size_t cap, const struct evl_pattern *p)
{
	for (size_t w = 0; w < WORDS; w++) {
		if (strlen(words[w].bits) == p->word_bits && word_of(words[w].bits) == p->word) {
			snprintf(out, cap, "%s", words[w].name);
			return;
		}
	}
	char bits[65];
	for (unsigned i = 0; i < p->word_bits; i++) {
		bits[i] = (p->word >> (p->word_bits - 1 - i) & 1) ? '1' : '0';
	}
	bits[p->word_bits] = '\0';
	snprintf(out, cap, "word %s", bits);
}

char *evl_pattern_name(char out[EVL_PATTERN_NAME_MAX], const struct evl_pattern *p)
{
	char name[EVL_PATTERN_NAME_MAX - 12];
	switch (p->kind) {
	case EVL_PATTERN_PRBS:
		snprintf(name, sizeof(name), "%s", evl_prbs_name(p->prbs));
		break;
	case EVL_PATTERN_WORD:
		word_name(name, sizeof(name), p);
		break;
	case EVL_PATTERN_USER:
		snprintf(name, sizeof(name), "user %.50s, %" PRIu64 " bits",
			evl_user_pattern_name(p->user), evl_user_pattern_bits(p->user));
		break;
	case EVL_PATTERN_COUNTER:
		snprintf(name, sizeof(name), "counter %u", p->block_bytes);
		break;
	}
	snprintf(out, EVL_PATTERN_NAME_MAX, "%s%s", name, p->inverted ? " inverted" : "");
	return out;
}

bool evl_pattern_same(const struct evl_pattern *a, const struct evl_pattern *b)
{
	if (a->kind != b->kind || a->inverted != b->inverted) {
		return false;
	}
	switch (a->kind) {
	case EVL_PATTERN_PRBS:
		return a->prbs == b->prbs;
	case EVL_PATTERN_WORD:
		return a->word == b->word && a->word_bits == b->word_bits;
	case EVL_PATTERN_USER:
		return a->user == b->user;
	case EVL_PATTERN_COUNTER:
		return a->block_bytes == b->block_bytes;
	}
	return false;
}

uint64_t evl_pattern_period(const struct evl_pattern *p)
{
	switch (p->kind) {
	case EVL_PATTERN_PRBS:
		return evl_prbs_period(p->prbs);
	case EVL_PATTERN_WORD:
		return p->word_bits;
	case EVL_PATTERN_USER:
		return evl_user_pattern_bits(p->user);
	case EVL_PATTERN_COUNTER:
		return EVL_COUNTER_BLOCKS * 8 * p->block_bytes;
	}
	return 1;
}

enum evl_pattern_identity evl_pattern_identity(const struct evl_pattern *p, size_t n)
{
	if (p->kind == EVL_PATTERN_COUNTER) {
		return EVL_IDENTITY_NUMBER;
	}
	return evl_pattern_period(p) / EVL_PATTERN_BITS_PER_CHANNEL >= n ? EVL_IDENTITY_PHASE
									 : EVL_IDENTITY_NONE;
}

void evl_source_start(struct evl_source *s, const struct evl_pattern *pattern, uint64_t phase)
{
	s->pattern = *pattern;
	s->phase = phase % evl_pattern_period(pattern);
	if (pattern->kind == EVL_PATTERN_PRBS) {
		evl_prbs_init_sense(&s->prbs, pattern->prbs, pattern->inverted, s->phase);
	}
}

static void invert(uint8_t *out, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		out[i] = (uint8_t)~out[i];
	}
}

/* 64 bits of the word from `phase` on. */
static uint64_t word_chunk(const struct evl_pattern *p, unsigned phase)
{
	unsigned n = p->word_bits;
	/* The word turned to begin at the phase, then repeated by doubling. */
	uint64_t v = p->word;
	if (phase > 0) {
		v = (v << phase | v >> (n - phase)) & mask_of(n);
	}
	uint64_t chunk = v << (64 - n);
	for (unsigned have = n; have < 64; have *= 2) {
		chunk |= chunk >> have;
	}
	return p->inverted ? ~chunk : chunk;
}

static void fill_word(const struct evl_pattern *p, uint64_t phase, uint8_t *out, size_t bytes)
{
	/* word_bits bytes are eight whole words; then everything is a copy of what is there. */
	uint8_t unit[136];
	size_t whole = (64 + p->word_bits - 1) / p->word_bits * p->word_bits;
	unsigned at = (unsigned)phase;
	for (size_t i = 0; i < whole && i < bytes; i += 8) {
		evl_store_be64(unit + i, word_chunk(p, at));
		at = (at + 64) % p->word_bits;
	}
	size_t have = whole < bytes ? whole : bytes;
	memcpy(out, unit, have);
	while (have < bytes) {
		size_t part = have < bytes - have ? have : bytes - have;
		memcpy(out + have, out, part);
		have += part;
	}
}

#define MARKER       0xf628a53cu
#define CHANNEL_MASK 0x5a96u
#define NUMBER_MASK  0xc35aa53c695au

void evl_counter_header(uint8_t out[EVL_COUNTER_HEADER], unsigned channel, uint64_t number)
{
	number = (number % EVL_COUNTER_BLOCKS) ^ NUMBER_MASK;
	evl_store_be32(out, MARKER);
	evl_store_be16(out + 4, (uint16_t)(channel ^ CHANNEL_MASK));
	evl_store_be16(out + 6, (uint16_t)(number >> 32));
	evl_store_be32(out + 8, (uint32_t)number);
	evl_store_be32(out + 12, evl_crc32(0, out, 12));
}

bool evl_counter_read(const uint8_t in[EVL_COUNTER_HEADER], unsigned *channel, uint64_t *number)
{
	if (evl_load_be32(in) != MARKER || evl_load_be32(in + 12) != evl_crc32(0, in, 12)) {
		return false;
	}
	*channel = evl_load_be16(in + 4) ^ CHANNEL_MASK;
	*number = ((uint64_t)evl_load_be16(in + 6) << 32 | evl_load_be32(in + 8)) ^ NUMBER_MASK;
	return true;
}

/* Bytes of the counter pattern from byte `at` of it on. */
static void counter_bytes(const struct evl_pattern *p, uint64_t at, uint8_t *out, size_t bytes)
{
	uint64_t block = at / p->block_bytes;
	size_t into = (size_t)(at % p->block_bytes);
	size_t body = (size_t)p->block_bytes - EVL_COUNTER_HEADER;
	while (bytes > 0) {
		if (into < EVL_COUNTER_HEADER) {
			uint8_t header[EVL_COUNTER_HEADER];
			size_t part = EVL_COUNTER_HEADER - into;
			part = part < bytes ? part : bytes;
			evl_counter_header(header, p->channel, block);
			memcpy(out, header + into, part);
			out += part;
			bytes -= part;
			into += part;
			continue;
		}
		size_t part = p->block_bytes - into;
		part = part < bytes ? part : bytes;
		struct evl_prbs prbs;
		uint64_t from = block % EVL_COUNTER_BLOCKS * body + into - EVL_COUNTER_HEADER;
		evl_prbs_init(&prbs, EVL_PRBS15, from * 8);
		evl_prbs_fill(&prbs, out, part);
		out += part;
		bytes -= part;
		into = 0;
		block++;
	}
}

static void fill_counter(const struct evl_pattern *p, uint64_t phase, uint8_t *out, size_t bytes)
{
	if (phase % 8 == 0) {
		counter_bytes(p, phase / 8, out, bytes);
	} else {
		uint8_t some[2049];
		uint64_t at = phase / 8;
		for (size_t done = 0; done < bytes;) {
			size_t part = bytes - done < 2048 ? bytes - done : 2048;
			counter_bytes(p, at, some, part + 1);
			evl_bits_shift(out + done, some, part, (unsigned)(phase % 8));
			at += part;
			done += part;
		}
	}
	if (p->inverted) {
		invert(out, bytes);
	}
}

const uint8_t *evl_source_lend(struct evl_source *s, uint8_t *scratch, size_t *bytes)
{
	const struct evl_pattern *p = &s->pattern;
	switch (p->kind) {
	case EVL_PATTERN_PRBS:
		return evl_prbs_lend(&s->prbs, scratch, bytes);
	case EVL_PATTERN_WORD:
		fill_word(p, s->phase, scratch, *bytes);
		break;
	case EVL_PATTERN_USER:
		evl_user_pattern_fill(p->user, s->phase, scratch, *bytes);
		if (p->inverted) {
			invert(scratch, *bytes);
		}
		break;
	case EVL_PATTERN_COUNTER:
		fill_counter(p, s->phase, scratch, *bytes);
		break;
	}
	s->phase = (s->phase + (uint64_t)*bytes * 8) % evl_pattern_period(p);
	return scratch;
}

void evl_source_fill(struct evl_source *s, uint8_t *out, size_t bytes)
{
	if (s->pattern.kind == EVL_PATTERN_PRBS) {
		evl_prbs_fill(&s->prbs, out, bytes);
	} else if (bytes > 0) {
		(void)evl_source_lend(s, out, &bytes);
	}
}

bool evl_source_follow(struct evl_source *s, const uint8_t *got, size_t bytes)
{
	return s->pattern.kind == EVL_PATTERN_PRBS && evl_prbs_follow(&s->prbs, got, bytes);
}

void evl_source_skip(struct evl_source *s, uint64_t bits)
{
	uint64_t period = evl_pattern_period(&s->pattern);
	struct evl_pattern same = s->pattern;
	evl_source_start(s, &same, evl_source_phase(s) + bits % period);
}

uint64_t evl_source_phase(const struct evl_source *s)
{
	return s->pattern.kind == EVL_PATTERN_PRBS ? evl_prbs_phase(&s->prbs) : s->phase;
}
