/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/trace.h"

#include <stdio.h>
#include <string.h>

#include "core/signal/crc.h"

#define MARK     0x80u /* bit 1 of byte 1 of 16, Annex B */
#define CR       0x0du
#define LF       0x0au
#define MASK     (EVL_TRACE_BYTES_MAX - 1u)
#define PERIODS  3u /* identical ones until a trace is accepted */
#define SAME_MAX (EVL_TRACE_BYTES_MAX * (PERIODS - 1u))

/* ---- making one ---- */

static int hex_digit(char c)
{
	static const char digits[] = "0123456789abcdef";
	const char *p = c == '\0' ? NULL : strchr(digits, c >= 'A' && c <= 'F' ? c + 32 : c);
	return p == NULL ? -1 : (int)(p - digits);
}

static enum evl_status set_hex(struct evl_trace *out, const char *text, struct evl_err *err)
{
	int high = hex_digit(text[0]), low = high < 0 ? -1 : hex_digit(text[1]);
	if (low < 0 || text[2] != '\0') {
		return evl_err_set(err, EVL_E_INVALID,
			"a 1-byte trace is two hexadecimal digits, such as 01, not \"%.40s\"",
			text);
	}
	evl_trace_set_byte(out, (uint8_t)(high << 4 | low));
	return EVL_OK;
}

enum evl_status evl_trace_set(
	struct evl_trace *out, enum evl_trace_kind kind, const char *text, struct evl_err *err)
{
	*out = (struct evl_trace){0};
	evl_require(kind == EVL_TRACE_ONE || kind == EVL_TRACE_16 || kind == EVL_TRACE_64);
	if (kind == EVL_TRACE_ONE) {
		return set_hex(out, text, err);
	}
	size_t length = strlen(text), room = kind == EVL_TRACE_16 ? 15u : 62u;
	if (length > room) {
		return evl_err_set(err, EVL_E_INVALID,
			"a %u-byte trace holds %zu characters, \"%.40s%s\" has %zu", (unsigned)kind,
			room, text, length > 40 ? "..." : "", length);
	}
	for (size_t i = 0; i < length; i++) {
		uint8_t c = (uint8_t)text[i];
		if (c < 0x20 || c > 0x7e) {
			return evl_err_set(err, EVL_E_INVALID,
				"character %zu of the trace is 0x%02X; only 0x20 to "
				"0x7E (ITU-T T.50) can be sent",
				i + 1, c);
		}
	}
	out->kind = kind;
	if (kind == EVL_TRACE_64) {
		memcpy(out->bytes, text, length);
		out->bytes[62] = CR;
		out->bytes[63] = LF;
		return EVL_OK;
	}
	memset(out->bytes + 1, ' ', room);
	memcpy(out->bytes + 1, text, length);
	out->bytes[0] = evl_crc7_trace(out->bytes + 1);
	return EVL_OK;
}

void evl_trace_set_byte(struct evl_trace *out, uint8_t value)
{
	*out = (struct evl_trace){.kind = EVL_TRACE_ONE, .bytes = {value}};
}

bool evl_trace_equal(const struct evl_trace *a, const struct evl_trace *b)
{
	return a->kind == b->kind && memcmp(a->bytes, b->bytes, (size_t)a->kind) == 0;
}

static char *add_hex(char *to, uint8_t byte)
{
	static const char digits[] = "0123456789ABCDEF";
	*to++ = digits[byte >> 4];
	*to++ = digits[byte & 15];
	return to;
}

const char *evl_trace_text(const struct evl_trace *trace, char text[EVL_TRACE_TEXT])
{
	char *to = text;
	size_t first = trace->kind == EVL_TRACE_16 ? 1 : 0;
	size_t end = trace->kind == EVL_TRACE_64 ? 62 : (size_t)trace->kind;

	if (trace->kind == EVL_TRACE_ONE) {
		*add_hex(text, trace->bytes[0]) = '\0';
		return text;
	}
	while (end > first && (trace->bytes[end - 1] == ' ' || trace->bytes[end - 1] == 0)) {
		end--;
	}
	for (size_t i = first; i < end; i++) {
		uint8_t c = trace->bytes[i];
		if (c >= 0x20 && c <= 0x7e && c != '\\') {
			*to++ = (char)c;
		} else {
			*to++ = '\\';
			*to++ = 'x';
			to = add_hex(to, c);
		}
	}
	*to = '\0';
	return text;
}

const char *evl_trace_kind_name(enum evl_trace_kind kind)
{
	switch (kind) {
	case EVL_TRACE_ONE:
		return "1-byte";
	case EVL_TRACE_16:
		return "16-byte";
	case EVL_TRACE_64:
		return "64-byte";
	default:
		return "none";
	}
}

/* ---- receiving ---- */

void evl_trace_rx_init(struct evl_trace_rx *rx, uint32_t patience)
{
	bool short_one = patience != 0 && patience < EVL_TRACE_BYTES_MAX;
	*rx = (struct evl_trace_rx){.patience = short_one ? EVL_TRACE_BYTES_MAX : patience};
}

void evl_trace_rx_expect(struct evl_trace_rx *rx, const struct evl_trace *expected)
{
	rx->expecting = expected != NULL;
	if (expected == NULL) {
		rx->tim = false;
		return;
	}
	rx->expected = *expected;
	if (rx->accepted.kind != EVL_TRACE_NONE) {
		rx->tim = !evl_trace_equal(&rx->accepted, expected);
	}
}

void evl_trace_rx_cut(struct evl_trace_rx *rx)
{
	rx->tim = false;
	rx->accepted = (struct evl_trace){0};
	rx->quiet = 0;
	rx->filled = rx->run = rx->same = rx->lock = rx->lag = 0;
}

/* The byte that came `ago` bytes before the last one. */
static uint8_t back(const struct evl_trace_rx *rx, unsigned ago)
{
	return rx->history[(rx->at - 1u - ago) & MASK];
}

/* Copies the last `bytes`, that end `ago` bytes before the last one. */
static void copy_back(uint8_t *to, const struct evl_trace_rx *rx, unsigned bytes, unsigned ago)
{
	for (unsigned i = 0; i < bytes; i++) {
		to[i] = back(rx, ago + bytes - 1 - i);
	}
}

static uint32_t judge(struct evl_trace_rx *rx, bool mismatch)
{
	bool before = rx->tim;
	rx->tim = rx->expecting && mismatch;
	return rx->tim != before ? EVL_TRACE_CHANGE_TIM : 0;
}

/* A trace was seen whole and checked. */
static uint32_t accept(struct evl_trace_rx *rx, const struct evl_trace *seen)
{
	uint32_t changes = 0;
	rx->quiet = 0;
	if (!evl_trace_equal(&rx->accepted, seen)) {
		rx->accepted = *seen;
		changes = EVL_TRACE_CHANGE_ACCEPTED;
	}
	return changes | judge(rx, !evl_trace_equal(seen, &rx->expected));
}

/* True when the 16 bytes that end `ago` bytes before the last one look like a period. */
static bool period_16(const struct evl_trace_rx *rx, unsigned ago)
{
	if (rx->filled < ago + 16 || (back(rx, ago + 15) & MARK) == 0) {
		return false;
	}
	for (unsigned i = 0; i < 15; i++) {
		if (back(rx, ago + i) & MARK) {
			return false;
		}
	}
	return true;
}

/* The last byte ends a period of 16, if any does; the marker carries the CRC of the period before.
 */
static uint32_t end_16(struct evl_trace_rx *rx)
{
	struct evl_trace seen = {.kind = EVL_TRACE_16};
	uint8_t before[15], third[15];

	if (!period_16(rx, 0) || !period_16(rx, 16)) {
		return 0;
	}
	copy_back(seen.bytes + 1, rx, 15, 0);
	copy_back(before, rx, 15, 16);
	uint8_t marker = evl_crc7_trace(before);
	if (back(rx, 15) != marker) {
		rx->crc_errors++;
		return 0;
	}
	if (memcmp(seen.bytes + 1, before, 15) != 0 || !period_16(rx, 32)) {
		return 0;
	}
	copy_back(third, rx, 15, 32);
	if (memcmp(third, before, 15) != 0 || back(rx, 31) != marker) {
		return 0;
	}
	seen.bytes[0] = marker;
	rx->lock = 1;
	return accept(rx, &seen);
}

/* CR LF ends a period of 64 when the two periods before were the same bytes. */
static uint32_t end_64(struct evl_trace_rx *rx)
{
	struct evl_trace seen = {.kind = EVL_TRACE_64};

	if (rx->same < SAME_MAX || period_16(rx, 0)) {
		return 0;
	}
	copy_back(seen.bytes, rx, EVL_TRACE_BYTES_MAX, 0);
	for (size_t i = 0; i + 3 < EVL_TRACE_BYTES_MAX; i++) {
		if (seen.bytes[i] == CR && seen.bytes[i + 1] == LF) {
			return 0; /* two places could be the end */
		}
	}
	return accept(rx, &seen);
}

static uint32_t end_1(struct evl_trace_rx *rx, uint8_t byte)
{
	struct evl_trace seen;

	if (rx->accepted.kind == EVL_TRACE_ONE && rx->accepted.bytes[0] == byte) {
		rx->quiet = 0;
		return 0;
	}
	evl_trace_set_byte(&seen, byte);
	return accept(rx, &seen);
}

static uint32_t give_up(struct evl_trace_rx *rx)
{
	uint32_t changes = 0;
	if (rx->accepted.kind != EVL_TRACE_NONE) {
		rx->accepted = (struct evl_trace){0};
		changes = EVL_TRACE_CHANGE_LOST;
	}
	return changes | judge(rx, true);
}

/* In step with the accepted 16 bytes nothing can change: the markers are right and the text is the
 * same. The byte that is not the expected one ends that; then all is made as if every byte had been
 * looked at. */
static void out_of_step(struct evl_trace_rx *rx)
{
	const uint32_t lag = rx->lag, known = lag < EVL_TRACE_BYTES_MAX ? lag : EVL_TRACE_BYTES_MAX;
	rx->quiet = rx->lock - 1u; /* the last byte of each 16 confirms the trace */
	rx->at = (uint8_t)((rx->at + lag) & MASK);
	for (uint32_t ago = 0; ago < known; ago++) {
		rx->history[(rx->at - 1u - ago) & MASK] =
			rx->accepted.bytes[(rx->lock - 2u - ago) % EVL_TRACE_16];
	}
	rx->filled = rx->filled + known < EVL_TRACE_BYTES_MAX ? (uint8_t)(rx->filled + known)
							      : EVL_TRACE_BYTES_MAX;
	rx->lock = rx->lag = 0;
	rx->same = 0; /* that of 64 bytes ago was the one that did not come */
	rx->run = 1;
	while (rx->run < rx->filled && back(rx, rx->run) == back(rx, 0)) {
		rx->run++;
	}
}

uint32_t evl_trace_rx_byte(struct evl_trace_rx *rx, uint8_t byte)
{
	if (evl_trace_rx_in_step(rx, byte)) {
		evl_trace_rx_step(rx);
		return 0;
	}
	if (rx->lock != 0) {
		out_of_step(rx);
	}
	uint8_t last = back(rx, 0), old = rx->history[rx->at];
	uint32_t changes = 0;

	rx->run = rx->filled > 0 && byte == last ? (uint8_t)(rx->run + (rx->run < 64)) : 1;
	if (rx->filled < EVL_TRACE_BYTES_MAX) {
		rx->filled++;
		rx->same = 0;
	} else {
		rx->same = byte == old ? (uint8_t)(rx->same + (rx->same < SAME_MAX)) : 0;
	}
	rx->history[rx->at] = byte;
	rx->at = (rx->at + 1) & MASK;
	rx->quiet += rx->quiet < UINT32_MAX;

	if (rx->run == EVL_TRACE_BYTES_MAX) {
		changes = end_1(rx, byte);
	} else if (byte == LF && last == CR) {
		changes = end_64(rx);
	}
	if (rx->filled >= 32 && (back(rx, 15) & MARK)) {
		changes |= end_16(rx);
	}
	return rx->patience != 0 && rx->quiet == rx->patience ? give_up(rx) : changes;
}

size_t evl_trace_rx_take(struct evl_trace_rx *rx, const uint8_t *bytes, size_t stride, size_t count,
	uint32_t *changes)
{
	*changes = 0;
	for (size_t i = 0; i < count; i++) {
		*changes = evl_trace_rx_byte(rx, bytes[i * stride]);
		if (*changes != 0) {
			return i + 1;
		}
	}
	return count;
}
