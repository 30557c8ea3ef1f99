/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Framing of an E1 or T1 by name, as bench files, campaigns and adapters write it:
 *
 *	E1: "unframed", "FAS", "CRC-4", and "FAS CAS", "CRC-4 CAS" with the multiframe of timeslot
 *16 T1: "unframed", "SF", "ESF"
 *
 *	struct evl_framing f;
 *	if (evl_framing_parse(&f, EVL_RATE_E1, "CRC-4 CAS", &err) < 0) ...
 */
#pragma once

#include <stdbool.h>

#include "core/base/err.h"
#include "core/base/rate.h"
#include "core/frame/e1_frame.h"
#include "core/frame/t1_frame.h"

/* All zero: unframed. */
struct evl_framing {
	enum evl_e1_framing e1; /* of an E1 ... */
	bool cas;
	enum evl_t1_framing t1; /* ... or of a T1; the other is 0 */
};

/* EVL_E_INVALID: the message says what may be written for this rate. */
enum evl_status evl_framing_parse(
	struct evl_framing *out, enum evl_rate rate, const char *text, struct evl_err *err);

const char *evl_framing_name(const struct evl_framing *f);

static inline bool evl_framing_is_framed(const struct evl_framing *f)
{
	return f->e1 != EVL_E1_UNFRAMED || f->t1 != EVL_T1_UNFRAMED;
}

/* Timeslots that carry user data: E1 1 to 31, without 16 when that has signalling; T1 1 to 24. Bit
 * n is timeslot n, as in timeslot.h. ITU-T G.704 5.1, 3.1. */
uint32_t evl_framing_payload(const struct evl_framing *f);
