/* SPDX-License-Identifier: Apache-2.0 */
#include "core/recording/internal.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/bytes.h"

#define NS_LIMIT ((uint64_t)1 << 62)

const char *evl_rec_direction_name(enum evl_rec_direction direction)
{
	return direction == EVL_REC_SENT ? "sent" : "received";
}

bool rec_bits_to_ns(enum evl_rate rate, uint64_t bit_offset, uint64_t *ns)
{
	uint32_t frame_bits = evl_rate_frame_bits(rate);
	uint64_t frames = bit_offset / frame_bits;
	if (frames >= NS_LIMIT / EVL_FRAME_NS) {
		return false;
	}
	*ns = frames * EVL_FRAME_NS + bit_offset % frame_bits * EVL_FRAME_NS / frame_bits;
	return true;
}

uint64_t rec_rate_bit_s(enum evl_rate rate)
{
	return (uint64_t)evl_rate_frame_bits(rate) * EVL_FRAMES_PER_S;
}

bool rec_count(struct evl_rec_info *info, uint64_t bit_offset, uint32_t bytes, uint32_t flags,
	bool later)
{
	if (bit_offset < info->end_bits) {
		return false;
	}
	bool starts = later && info->blocks == 0; /* what was before is in another part */
	if (starts ? (flags & EVL_REC_GAP) != 0 : bit_offset > info->end_bits) {
		info->gaps++;
	}
	if (info->blocks == 0) {
		info->first_bit = bit_offset;
	}
	info->blocks++;
	info->bits += (uint64_t)bytes * 8;
	info->end_bits = bit_offset + (uint64_t)bytes * 8;
	if (flags & (EVL_REC_OVERRUN | EVL_REC_FILLER)) {
		info->overruns++;
	}
	return true;
}

/* ---- writing ---- */

static uint8_t *put_option_head(uint8_t *p, uint16_t code, size_t bytes)
{
	evl_store_le16(p, code);
	evl_store_le16(p + 2, (uint16_t)bytes);
	return p + 4;
}

static uint8_t *put_option(uint8_t *p, uint16_t code, const void *value, size_t bytes)
{
	p = put_option_head(p, code, bytes);
	memcpy(p, value, bytes);
	size_t padded = rec_padded((uint32_t)bytes);
	memset(p + bytes, 0, padded - bytes);
	return p + padded;
}

/* The end that every block before the trailer has; returns the length of the block. */
size_t rec_put_tail(uint8_t *block, uint8_t *p)
{
	p = put_option_head(p, OPT_CUSTOM_FIXED, 4 + CHECK_BYTES);
	evl_store_le32(p, ENTERPRISE);
	memset(p + 4, 0, CHECK_BYTES);
	p += 4 + CHECK_BYTES;
	p = put_option_head(p, OPT_END, 0);
	size_t bytes = (size_t)(p - block) + 4;
	evl_store_le32(p, (uint32_t)bytes);
	evl_store_le32(block + 4, (uint32_t)bytes);
	return bytes;
}

void rec_seal(struct evl_sha256 *sha, uint8_t *block, size_t bytes)
{
	uint8_t digest[EVL_SHA256_BYTES];
	uint8_t *check = block + bytes - 8 - CHECK_BYTES;
	evl_sha256_update(sha, block, bytes - 8 - CHECK_BYTES);
	evl_sha256_peek(sha, digest);
	memcpy(check, digest, CHECK_BYTES);
	evl_sha256_update(sha, check, CHECK_BYTES + 8);
}

bool rec_check(struct evl_sha256 *sha, const uint8_t *block, size_t bytes)
{
	uint8_t digest[EVL_SHA256_BYTES];
	const uint8_t *check = block + bytes - 8 - CHECK_BYTES;
	evl_sha256_update(sha, block, bytes - 8 - CHECK_BYTES);
	evl_sha256_peek(sha, digest);
	evl_sha256_update(sha, check, CHECK_BYTES + 8);
	return rec_has_tail(block, bytes) && memcmp(check, digest, CHECK_BYTES) == 0;
}

bool rec_has_tail(const uint8_t *block, size_t bytes)
{
	const uint8_t *p = block + bytes - TAIL_BYTES;
	return evl_load_le16(p) == OPT_CUSTOM_FIXED && evl_load_le16(p + 2) == 4 + CHECK_BYTES &&
	       evl_load_le32(p + 4) == ENTERPRISE && evl_load_le32(p + TAIL_BYTES - 8) == 0 &&
	       evl_load_le32(p + TAIL_BYTES - 4) == bytes;
}

size_t rec_put_section(uint8_t *out, const char *comment)
{
	static const char software[] = SOFTWARE_NAME " " EVL_VERSION;
	evl_store_le32(out, BLOCK_SECTION);
	evl_store_le32(out + 8, BYTE_ORDER_MAGIC);
	evl_store_le16(out + 12, 1);
	evl_store_le16(out + 14, 0);
	memset(out + 16, 0xFF, 8); /* length of the section: not known while streaming */
	uint8_t *p = put_option(out + SECTION_BYTES, OPT_COMMENT, comment, strlen(comment));
	p = put_option(p, OPT_USERAPPL, software, sizeof software - 1);
	return rec_put_tail(out, p);
}

size_t rec_put_interface(uint8_t *out, const struct evl_rec_channel *ch)
{
	evl_store_le32(out, BLOCK_INTERFACE);
	evl_store_le16(out + 8, LINKTYPE);
	evl_store_le16(out + 10, 0);
	evl_store_le32(out + 12, SNAPLEN);
	char text[256];
	uint64_t rate = rec_rate_bit_s(ch->rate);
	char clock[40] = "";
	if (ch->clock_ppb != 0) {
		snprintf(clock, sizeof clock, ",\"clock_ppb\":%" PRId32, ch->clock_ppb);
	}
	int n = snprintf(text, sizeof text,
		"{\"rate\":\"%s\",\"direction\":\"%s\",\"start_ns\":%" PRIu64
		",\"skew_ns\":%" PRId64 "%s}",
		evl_rate_name(ch->rate), evl_rec_direction_name(ch->direction), ch->start_ns,
		ch->skew_ns, clock);
	uint8_t *p = put_option(out + INTERFACE_BYTES, OPT_COMMENT, text, (size_t)n);
	p = put_option(p, OPT_NAME, ch->name, strlen(ch->name));
	n = snprintf(text, sizeof text, "%s, %" PRIu64 " bit/s, %s the unit under test",
		evl_rate_name(ch->rate), rate,
		ch->direction == EVL_REC_SENT ? "sent into" : "received from");
	p = put_option(p, OPT_DESCRIPTION, text, (size_t)n);
	uint8_t speed[8];
	evl_store_le64(speed, rate);
	p = put_option(p, OPT_SPEED, speed, sizeof speed);
	uint8_t ns = 9; /* time stamps count 10^-9 s */
	p = put_option(p, OPT_TSRESOL, &ns, 1);
	return rec_put_tail(out, p);
}

size_t rec_put_packet(uint8_t *block, size_t data_bytes, uint32_t channel,
	const struct evl_rec_channel *ch, uint64_t bit_offset, uint32_t flags, uint64_t gap_bits)
{
	uint64_t time_ns = 0;
	evl_require(rec_bits_to_ns(ch->rate, bit_offset, &time_ns));
	time_ns += ch->start_ns;
	evl_store_le32(block, BLOCK_PACKET);
	evl_store_le32(block + 8, channel);
	evl_store_le32(block + 12, (uint32_t)(time_ns >> 32));
	evl_store_le32(block + 16, (uint32_t)time_ns);
	evl_store_le32(block + 20, (uint32_t)data_bytes);
	evl_store_le32(block + 24, (uint32_t)data_bytes);
	uint8_t *p = block + PACKET_BYTES + data_bytes;
	size_t padding = rec_padded((uint32_t)data_bytes) - data_bytes;
	memset(p, 0, padding);
	p += padding;

	uint8_t value[16];
	evl_store_le32(value, ch->direction == EVL_REC_SENT ? 2 : 1); /* outbound, inbound */
	p = put_option(p, OPT_FLAGS, value, 4);
	if (flags != 0) {
		char text[160] = "";
		size_t n = 0;
		if (flags & EVL_REC_GAP) {
			n += (size_t)snprintf(text + n, sizeof text - n,
				"gap: %" PRIu64 " bits are missing before this block", gap_bits);
		}
		if (flags & EVL_REC_OVERRUN) {
			n += (size_t)snprintf(text + n, sizeof text - n,
				"%soverrun: bits were lost", n > 0 ? "; " : "");
		}
		if (flags & EVL_REC_FILLER) {
			n += (size_t)snprintf(text + n, sizeof text - n,
				"%sfiller in the place of lost bits", n > 0 ? "; " : "");
		}
		p = put_option(p, OPT_COMMENT, text, n);
	}
	evl_store_le32(value, ENTERPRISE);
	evl_store_le64(value + 4, bit_offset);
	evl_store_le32(value + 12, flags);
	p = put_option(p, OPT_CUSTOM, value, sizeof value);
	return rec_put_tail(block, p);
}

/* ---- reading ---- */

bool rec_find_option(const uint8_t *options, size_t bytes, uint16_t code, struct rec_option *out)
{
	out->value = NULL;
	out->bytes = 0;
	size_t at = 0;
	while (bytes - at >= 4) {
		uint16_t got = evl_load_le16(options + at);
		uint32_t len = evl_load_le16(options + at + 2);
		at += 4;
		if (got == OPT_END) {
			return len == 0 && at == bytes;
		}
		if (rec_padded(len) > bytes - at) {
			return false;
		}
		if (got == code && out->value == NULL) {
			out->value = options + at;
			out->bytes = len;
		}
		at += rec_padded(len);
	}
	return at == bytes;
}

const char *rec_get_packet_head(struct rec_block *b, uint64_t *time_ns, const uint8_t *head,
	uint64_t pos, uint32_t channels)
{
	uint32_t bytes = evl_load_le32(head + 4);
	uint32_t captured = evl_load_le32(head + 20);
	b->block_bytes = bytes;
	b->channel = evl_load_le32(head + 8);
	b->bytes = captured;
	b->data_pos = pos + PACKET_BYTES;
	*time_ns = (uint64_t)evl_load_le32(head + 12) << 32 | evl_load_le32(head + 16);
	if (b->channel >= channels) {
		return "its channel number is not described";
	}
	if (captured == 0 || captured > SNAPLEN || captured != evl_load_le32(head + 24)) {
		return "its data length is wrong";
	}
	uint32_t least = PACKET_BYTES + rec_padded(captured) + TAIL_BYTES;
	if (bytes % 4 != 0 || bytes < least || bytes - least > PACKET_OPTIONS_MAX) {
		return "its block length does not fit its data length";
	}
	return NULL;
}

const char *rec_get_packet_tail(struct rec_block *b, uint64_t time_ns, const uint8_t *tail,
	size_t bytes, const struct evl_rec_channel *channels)
{
	if (evl_load_le32(tail + bytes - 4) != b->block_bytes) {
		return "its length at the end differs from that at the start";
	}
	struct rec_option slab;
	if (!rec_find_option(tail, bytes - 4, OPT_CUSTOM, &slab) || slab.bytes != 16 ||
		evl_load_le32(slab.value) != ENTERPRISE) {
		return "its options are not as a recording has them";
	}
	const struct evl_rec_channel *ch = &channels[b->channel];
	b->bit_offset = evl_load_le64(slab.value + 4);
	b->flags = evl_load_le32(slab.value + 12);
	uint64_t ns;
	if (b->bit_offset % 8 != 0 || !rec_bits_to_ns(ch->rate, b->bit_offset, &ns)) {
		return "its bit offset is out of range";
	}
	if (ch->start_ns + ns != time_ns) {
		return "its time stamp does not fit its bit offset";
	}
	return NULL;
}
