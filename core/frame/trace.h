/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Trace messages in J0, J1, J2 and N2: 16 bytes with CRC-7 (ITU-T G.707 Annex B), 64 bytes that end
 * in CR LF (SONET, ANSI T1.105, from memory), or one byte that is sent again and again.
 *
 * Sender: the byte is a function of the absolute number of the unit that carries it (frame for J0
 * and J1, multiframe for J2), so any take can begin anywhere.
 *
 *	struct evl_trace trace;
 *	if (evl_trace_set(&trace, EVL_TRACE_16, "EXCHANGE 7", &err) < 0) ...
 *	frame[J0] = evl_trace_byte(&trace, frame_number);
 *
 * Receiver, with an expected trace; `at` is the unit in which TIM was raised or cleared:
 *
 *	struct evl_trace_rx rx;
 *	evl_trace_rx_init(&rx, EVL_TRACE_PATIENCE);
 *	evl_trace_rx_expect(&rx, &trace);
 *	for (size_t i = 0; i < count;) {
 *		uint32_t changes;
 *		i += evl_trace_rx_take(&rx, j0 + i * stride, stride, count - i, &changes);
 *		if (changes & EVL_TRACE_CHANGE_TIM) ...	// rx.tim since unit i - 1
 *	}
 *
 * States are plain structs without pointers: copy them freely, nothing to finish.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_TRACE_BYTES_MAX 64u
#define EVL_TRACE_TEXT      (4u * EVL_TRACE_BYTES_MAX + 1u) /* longest text with the NUL */

/* The value is the period in bytes. */
enum evl_trace_kind {
	EVL_TRACE_NONE = 0,
	EVL_TRACE_ONE = 1, /* one repeated byte, allowed for J0 (ITU-T G.707 9.2.2.2) */
	EVL_TRACE_16 = 16, /* 1 C1..C7, then 15 characters with bit 1 = 0 */
	EVL_TRACE_64 = 64, /* 62 characters, CR, LF */
};

/* The bytes of one period as they are sent. Make it with the functions below. */
struct evl_trace {
	enum evl_trace_kind kind;
	uint8_t bytes[EVL_TRACE_BYTES_MAX]; /* `kind` of them, the rest is 0 */
};

/* ---- making one ---- */

/* 16: up to 15 characters 0x20..0x7e, padded with spaces (common practice, no source). 64: up to
 * 62, padded with NUL (from memory). ONE: two hexadecimal digits, such as "01". EVL_E_INVALID: the
 * message names the character or the length; *out is NONE then. */
enum evl_status evl_trace_set(
	struct evl_trace *out, enum evl_trace_kind kind, const char *text, struct evl_err *err);
void evl_trace_set_byte(struct evl_trace *out, uint8_t value);

/* Two traces are equal when kind and all bytes are. */
bool evl_trace_equal(const struct evl_trace *a, const struct evl_trace *b);

/* What people read: the characters without the padding (spaces and NUL at the end), others than
 * 0x20..0x7e and the backslash as \xNN; ONE: two hexadecimal digits; NONE: "". Returns `text`. */
const char *evl_trace_text(const struct evl_trace *trace, char text[EVL_TRACE_TEXT]);

/* "none", "1-byte", "16-byte", "64-byte". */
const char *evl_trace_kind_name(enum evl_trace_kind kind);

/* ---- sending ---- */

/* The byte of unit number `unit`, counted from time zero; byte 1 is in unit 0. The trace must not
 * be NONE. */
static inline uint8_t evl_trace_byte(const struct evl_trace *trace, uint64_t unit)
{
	return trace->bytes[unit & ((uint64_t)trace->kind - 1u)];
}

/* ---- receiving ---- */

/* Bytes without any trace that could be accepted, until an expected trace counts as mismatched:
 * 100 ms of J0 and J1 bytes, and of J2 bytes (ITU-T G.806 6.2.2.2, from memory). */
#define EVL_TRACE_PATIENCE    800u
#define EVL_TRACE_PATIENCE_J2 200u

/* What one byte, or a slab, changed. */
enum evl_trace_change {
	EVL_TRACE_CHANGE_ACCEPTED = 1, /* rx.accepted is another than before */
	EVL_TRACE_CHANGE_LOST = 2,     /* no trace for `patience` bytes: rx.accepted is NONE */
	EVL_TRACE_CHANGE_TIM = 4,      /* rx.tim is another than before */
};

/* A trace is accepted at the last byte of the third of three identical periods in a row (ITU-T
 * G.783 wants persistence of the message, 3 is common practice). Of 16 bytes: the 15 characters
 * count, and the markers of the second and third period must carry the CRC-7 of the period before.
 * One byte: 64 equal bytes in a row, which no other kind can have (common practice, no source).
 * TIM (ITU-T G.783): an expected trace is set, and the accepted one differs or none can be
 * accepted for `patience` bytes. */
struct evl_trace_rx {
	bool tim;
	bool expecting;
	/* private; in step only these and the first bytes of `accepted` are touched */
	uint8_t lock; /* place + 1 in the accepted 16 bytes that comes next; 0: not in step */
	uint8_t lag;  /* bytes in step that `history`, `at` and `filled` do not know of yet; from
		       * 64 on those of 64 before are left out */

	struct evl_trace accepted; /* NONE until there is one */
	struct evl_trace expected; /* when `expecting` */
	uint64_t crc_errors;       /* periods of 16 bytes that disagree with the next marker */

	/* private */
	uint32_t patience, quiet; /* bytes; since a trace was last confirmed; not kept in step */
	uint8_t filled, at;       /* bytes in `history`, saturates; next place */
	uint8_t run;              /* equal bytes in a row, saturates at 64 */
	uint8_t same;             /* bytes in a row equal to the one 64 ago, to 192 */
	uint8_t history[EVL_TRACE_BYTES_MAX];
};

/* `patience` in bytes, 64 at least; 0: never give up waiting. */
void evl_trace_rx_init(struct evl_trace_rx *rx, uint32_t patience);

/* NULL: any trace is good. TIM is judged anew at once when a trace is accepted already: rx.tim may
 * have changed when this returns. */
void evl_trace_rx_expect(struct evl_trace_rx *rx, const struct evl_trace *expected);

/* The bytes before and after do not belong together, or a defect of the layers below began: drops
 * history, accepted trace and TIM; the expected trace and the counter stay. */
void evl_trace_rx_cut(struct evl_trace_rx *rx);

/* True when the accepted 16 bytes go on with this byte: then evl_trace_rx_byte changes nothing. */
static inline bool evl_trace_rx_in_step(const struct evl_trace_rx *rx, uint8_t byte)
{
	return rx->lock != 0 && byte == rx->accepted.bytes[rx->lock - 1];
}

/* evl_trace_rx_byte with a byte of which that is true. */
static inline void evl_trace_rx_step(struct evl_trace_rx *rx)
{
	rx->lock = (uint8_t)(rx->lock % EVL_TRACE_16 + 1);
	rx->lag++;
	if (rx->lag == 2 * EVL_TRACE_BYTES_MAX) {
		rx->lag = EVL_TRACE_BYTES_MAX;
	}
}

/* The next byte; returns a set of enum evl_trace_change. */
uint32_t evl_trace_rx_byte(struct evl_trace_rx *rx, uint8_t byte);

/* Up to `count` bytes, the i-th at bytes[i * stride]; stops after the first that changes anything.
 * Returns how many were taken (at least 1 when count is); *changes as of the last one. */
size_t evl_trace_rx_take(struct evl_trace_rx *rx, const uint8_t *bytes, size_t stride, size_t count,
	uint32_t *changes);
