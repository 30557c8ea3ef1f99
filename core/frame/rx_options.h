/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a receiver of an SDH or SONET line is told at the start: how deep to look, and how long a
 * defect must last (ITU-T G.783, T1.231). Zero in a field means its default.
 *
 *	const struct evl_rx_options options = {.depth = EVL_RX_HIGH, .los_bytes = 1944};
 *	evl_sdh_rx_create(&rx, &map, &options, &err);
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"

/* How deep a receiver looks. What is not looked at has no defects, no counts and no output. */
enum evl_rx_depth {
	EVL_RX_ALL = 0,     /* everything, with the bits of the clients */
	EVL_RX_SECTION = 1, /* LOS to MS-RDI, J0, B1, B2, M1 and all bytes of the overhead */
	EVL_RX_HIGH = 2,    /* and the high-order paths: AU pointers, J1, B3, C2, G1, H4 */
	EVL_RX_BITS = 3,    /* as ALL without what the bits do not need: SOH bytes, traces, path
			     * overhead and its defects but UNEQ, PLM and LOM, B3, AIS of the
			     * clients */
};

struct evl_rx_options {
	uint32_t los_bytes; /* run of zero bytes that is LOS: 45..1944 (2.3..100 us), 389 (20 us) */
	uint32_t k2_frames; /* MS-AIS, MS-RDI persistence: 3..5, default 5 */
	uint32_t rdi_frames; /* HP-RDI frames, LP-RDI multiframes: 3..10, default 5 */
	uint32_t lop_frames; /* invalid pointers or NDF until LOP: 8..10, default 8 */
	uint32_t lom_frames; /* H4 not recovered until HP-LOM: 8..40 (1..5 ms), default 8 */
	uint32_t depth;      /* enum evl_rx_depth */
};

/* Checks ranges and puts the defaults in place of zeros; `in` may be NULL. EVL_E_INVALID names the
 * field that is out of range. */
enum evl_status evl_rx_options_resolve(
	struct evl_rx_options *out, const struct evl_rx_options *in, struct evl_err *err);
