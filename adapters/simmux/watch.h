/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The unit's own watch over the framing of a tributary input: LOS, AIS, LOF, RAI, LOM, TS16-x of an
 * E1, LOS, AIS, OOF, LOF, RAI of a T1. Only ports whose framing is set have one.
 *
 *	struct simmux_watch *w = NULL;
 *	simmux_watch_read(&framing, true, "CRC-4 CAS");
 *	simmux_watch_create(&w, &framing);
 *	simmux_watch_feed(w, u, channel, data, bytes);	// a chunk
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/e1_receive.h"
#include "core/frame/t1_receive.h"

struct simmux_unit;
struct simmux_pending;

/* Time to come into alignment after a start, before it is reported: 5 ms, a T1 25 ms. */
#define SIMMUX_GRACE_FRAMES(e1) ((e1) ? 40u : 200u)

/* What the settings said of a port. */
struct simmux_framing {
	bool set, e1, cas;
	uint8_t framing; /* enum evl_e1_framing or evl_t1_framing */
};

struct simmux_watch {
	struct simmux_framing framing;
	struct simmux_unit *u; /* during a feed */
	uint32_t channel;
	bool running;
	bool told;           /* the grace is over and what was there then is reported */
	uint64_t began;      /* frame of the unit with which the receiver began */
	uint64_t fed;        /* bits before the present chunk */
	uint64_t chunk_bits; /* of the present chunk */
	struct evl_e1_receiver e1;
	struct evl_t1_receiver t1;
};

/* "unframed", "FAS", "CRC-4", the last two with " CAS" behind; T1: "unframed", "SF", "ESF". */
bool simmux_framing_read(struct simmux_framing *out, bool e1, const char *text);

/* NULL: out of memory. */
struct simmux_watch *simmux_watch_create(const struct simmux_framing *framing, uint32_t channel);
void simmux_watch_destroy(struct simmux_watch *w); /* takes NULL */

/* Begins anew with the next chunk that is fed; what was reported is cleared. */
void simmux_watch_stop(struct simmux_watch *w, struct simmux_unit *u);

/* Takes the chunk that arrives; reports changes. */
void simmux_watch_feed(
	struct simmux_watch *w, struct simmux_unit *u, const uint8_t *data, uint32_t bytes);

/* All ones shall be sent instead of the input: LOF, or LOS that was not injected. */
bool simmux_watch_lost(const struct simmux_watch *w);

/* Can such a defect be shown? NULL, or why not. */
const char *simmux_watch_check(const struct simmux_watch *w, uint32_t alarm);

/* Puts an injected defect of the framing into the chunk, before it is fed. */
void simmux_watch_spoil(struct simmux_watch *w, struct simmux_pending *p, uint64_t begin_bit,
	uint64_t end_bit, uint8_t *data, uint64_t bits);

/* Sets a timeslot to a value in every frame of the chunk, after it was fed. */
void simmux_watch_stick(const struct simmux_watch *w, uint32_t timeslot, uint8_t value,
	uint8_t *data, uint64_t bits);
