/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One timeslot of an E1 or T1 channel as a sound file: RIFF WAVE with the 8-bit codes of ITU-T
 * G.711 as they are on the line, 8000 a second, one channel (format tags 6, A-law, and 7, mu-law;
 * RFC 2361 A.3 lists them).
 *
 *	struct evl_rec_wav_plan plan = {.timeslot = 5, .law = EVL_REC_A_LAW};
 *	struct evl_rec_wav_result result;
 *	evl_rec_export_wav(r, channel, &plan, f, "speech.wav", &result, &err);
 */
#pragma once

#include <stdint.h>
#include <stdio.h>

#include "core/base/err.h"
#include "core/recording/reader.h"

enum evl_rec_law {
	EVL_REC_LAW_OF_RATE = 0, /* A-law for E1, mu-law for T1, as G.711 clause 3.1 has it for most
				  * networks */
	EVL_REC_A_LAW = 1,
	EVL_REC_MU_LAW = 2,
};

struct evl_rec_wav_plan {
	uint32_t timeslot; /* 0..31 of E1, 1..24 of T1 */
	enum evl_rec_law law;
};

struct evl_rec_wav_result {
	uint64_t samples;
	uint64_t unaligned; /* among them: of frames without frame alignment, written as all ones */
	uint64_t silence;   /* among them: in the place of bits that were not recorded */
	enum evl_rec_law law;
};

/* Writes the file to `out`, which must be able to go back to its start. Frames are found by their
 * alignment signal (E1: FAS; T1: ESF, else SF), wherever it lies. The file has one sample for each
 * frame time from the channel's first to its last bit: where bits were not recorded the code for
 * silence, so that times stay true. Bits robbed for signalling are left as they are.
 * EVL_E_INVALID: the rate has no such timeslot, nothing was recorded, or it is too long for the
 * format (2^32 bytes); EVL_E_IO: `out` cannot be written, or is a pipe. */
enum evl_status evl_rec_export_wav(struct evl_rec *r, uint32_t channel,
	const struct evl_rec_wav_plan *plan, FILE *out, const char *out_name,
	struct evl_rec_wav_result *result, struct evl_err *err);
