/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The section part of an STM-1 receiver alone: LOS, OOF, LOF, MS-AIS, MS-RDI and B1/B2 counts of a
 * captured line; and the E1 bits of one tributary out of it.
 *
 *	struct evl_line_monitor *mon = NULL;
 *	evl_line_monitor_create(&mon, NULL, &err);
 *	evl_line_monitor_feed(mon, line, 8, &events);	// 8 frames of 2430 bytes
 *
 * Framing may be at any bit alignment. Sources: ITU-T G.707 9.2, G.783, T1.231 (see mux63.h).
 */
#pragma once

#include "core/frame/mux63.h"

struct evl_line_monitor;

/* `options` may be NULL; only los_bytes and k2_frames are used. */
enum evl_status evl_line_monitor_create(
	struct evl_line_monitor **out, const struct evl_rx_options *options, struct evl_err *err);
void evl_line_monitor_destroy(struct evl_line_monitor *mon);
void evl_line_monitor_reset(struct evl_line_monitor *mon);
void evl_line_monitor_set_frame(struct evl_line_monitor *mon, uint64_t frame_number);

/* line: frames * 2430 bytes, any number of frames; events may be NULL and name EVL_MUX63_LINE. */
void evl_line_monitor_feed(struct evl_line_monitor *mon, const uint8_t *line, uint32_t frames,
	const struct evl_mux63_events *events);

uint32_t evl_line_monitor_defects(const struct evl_line_monitor *mon);

/* Only frames, b1_errors, b2_errors and ms_rei are counted here; the others are 0. */
void evl_line_monitor_counts(const struct evl_line_monitor *mon, struct evl_mux63_line_counts *out);

/*
 * One call, one slab: decodes `frames` (a multiple of 8) frames from a fresh start and writes
 * frames * 32 bytes of the E1 in TU-12 `klm`. The output is AIS until the receiver has found the
 * tributary. *first_bit is set to the offset of the first E1 bit of the signal in e1, or to
 * frames * 256 when there was none; every bit from there on is as received, or AIS again after a
 * loss. For longer streams use evl_mux63_decode with one bit of `tributaries`.
 * EVL_E_INVALID for a klm out of range, EVL_E_NOMEM.
 */
enum evl_status evl_line_extract(struct evl_klm klm, const uint8_t *line, uint32_t frames,
	uint8_t *e1, uint64_t *first_bit, struct evl_err *err);
