/* SPDX-License-Identifier: Apache-2.0 */
/*
 * 63 E1 signals (2048 kbit/s) into one STM-1 line signal and back:
 * E1 -> VC-12 (asynchronous) -> TU-12 -> TUG-2 -> TUG-3 -> VC-4 -> AU-4 -> STM-1, ITU-T G.707.
 *
 *	struct evl_mux63_tx *tx = NULL;
 *	struct evl_mux63_rx *rx = NULL;
 *	evl_mux63_tx_create(&tx, &err);
 *	evl_mux63_rx_create(&rx, NULL, &err);
 *	evl_mux63_encode(tx, e1_in, 8, line);		// 8 frames: 63 x 256 bytes -> 19440 bytes
 *	evl_mux63_decode(rx, line, 8, e1_out, &events);
 *
 * Shapes: one frame is 125 us; an E1 has 32 bytes a frame, the line 2430; most significant bit
 * first. `frames` is a multiple of 8; all state is carried over calls, so a stream may be cut into
 * calls at any such place without a change of its bits. Index 0..62 is the column order of klm.h.
 *
 * Encoder: the line starts at bit 0 with A1 of the STM-1 frame; each line frame t is made after
 * E1 frame t was taken in. Decoder: accepts the frame at any bit alignment. Its output has exactly
 * 256 bits for every 2430 line bytes that came in. While a tributary has no valid signal its output
 * is AIS (all ones).
 *
 * Transit delay of encoder and decoder back to back, from E1 in to E1 out: exactly
 * EVL_MUX63_DELAY_BITS E1 bits (5 frames) for every tributary and for every pointer value; pointer
 * increments and decrements do not change it, as long as no slip is counted. Whole line frames that
 * lie between encoder and decoder add 256 bits each; a line shifted by a part of a frame counts as
 * one frame more. A new pointer value set under way (NDF) and every loss of the tributary is a hit:
 * the bits in flight are lost and AIS is put out instead. Afterwards the delay is the same again;
 * but once there were pointer moves, a decoder that finds the tributary anew may come out up to 9
 * bits off, and by what the encoder has then not yet made up for by justification.
 *
 * Tributary clocks that are not locked to the line: the calls with `_bytes` take and give for each
 * tributary the bytes that belong to the slab by its own clock, some more or fewer than 32 a
 * frame; C1/C2 justification carries the difference and every bit comes out again, in order.
 * Clocks of VC-4 and VC-12 that differ from the line's (pointer moves): the _offset functions.
 *
 *	evl_mux63_encode_bytes(tx, e1_in, in_bytes, 8, line);	// in_bytes[i]: 248..264
 *	evl_mux63_decode_bytes(rx, line, 8, e1_out, out_bytes, &events);
 *
 * The functions here never allocate after create and never fail on bad line bits: whatever comes
 * in, defects and counts say what was wrong. An object is used by one thread at a time.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/err.h"
#include "core/frame/klm.h"
#include "core/frame/rx_options.h"

#define EVL_MUX63_TRIBS      63
#define EVL_MUX63_LINE_BYTES 2430 /* per frame */
#define EVL_MUX63_E1_BYTES   32   /* per frame */
#define EVL_MUX63_LINE       (-1) /* "tributary" of a defect of the line, AU-4 or VC-4 */
#define EVL_MUX63_TRACE      15   /* characters of a 16-byte trace */

/* ---- encoder ---- */

struct evl_mux63_tx;

/* Defaults: AU pointer 522 (J1 at row 1 column 10), TU pointers 105 (V5 after V1), C2 = 02, label
 * 010, S1 = 0F (do not use), traces "evenlode" padded with spaces, nothing inserted. */
enum evl_status evl_mux63_tx_create(struct evl_mux63_tx **out, struct evl_err *err);
void evl_mux63_tx_destroy(struct evl_mux63_tx *tx);

/* Back to the state after create with the settings (pointers, traces, labels, insertions) kept. */
void evl_mux63_tx_reset(struct evl_mux63_tx *tx);

/* Says that the next frame to be encoded has this number since time zero. TU multiframe (H4) and
 * trace phase follow from it, so that the overhead is a function of absolute time. Call it before
 * the first frame or after a reset; number 0 is the default. */
void evl_mux63_tx_set_frame(struct evl_mux63_tx *tx, uint64_t frame_number);

/* e1[i]: frames * 32 bytes of tributary i, or NULL for AIS (all ones).
 * line: frames * 2430 bytes. */
void evl_mux63_encode(struct evl_mux63_tx *tx, const uint8_t *const e1[EVL_MUX63_TRIBS],
	uint32_t frames, uint8_t *line);

/* Bytes of a tributary that one call of evl_mux63_encode_bytes may bring: 31 to 33 a frame. */
#define EVL_MUX63_LEAST_BYTES(frames) (31u * (frames))
#define EVL_MUX63_MOST_BYTES(frames)  (33u * (frames))

/* The same with clocks of their own: bytes[i] is the number of bytes of tributary i that came in
 * during these line frames, and e1[i] holds them (NULL: AIS at the nominal rate, bytes[i] is not
 * read). The input store of each tributary steers C1/C2: up to 1 bit more or less in 500 us, that
 * is 976 ppm; beyond that the store slips (evl_mux63_tx_slips). EVL_E_INVALID names the tributary
 * whose count is out of range, then nothing was encoded. ITU-T G.707 10.1.4.1. */
enum evl_status evl_mux63_encode_bytes(struct evl_mux63_tx *tx,
	const uint8_t *const e1[EVL_MUX63_TRIBS], const uint32_t bytes[EVL_MUX63_TRIBS],
	uint32_t frames, uint8_t *line, struct evl_err *err);

#define EVL_MUX63_MOST_PPB 100000 /* 100 ppm, largest clock offset of a VC */

/* Clock of the VC-4 against the line, and of a VC-12 against its VC-4, in 1e-9: the encoder moves
 * the pointer by itself, one increment for each 24 (8) bits that the VC falls behind (`ppb` < 0), a
 * decrement when ahead. The E1 clock does not change, so C1/C2 make up for it. EVL_E_INVALID beyond
 * EVL_MUX63_MOST_PPB or for a tributary outside 0..62. ITU-T G.707 8.1.3, 8.3.3. */
enum evl_status evl_mux63_tx_set_au_offset(struct evl_mux63_tx *tx, int32_t ppb);
enum evl_status evl_mux63_tx_set_tu_offset(
	struct evl_mux63_tx *tx, uint32_t tributary, int32_t ppb);

/* Pointer values: before the first frame they just hold; later they are sent with a new data flag.
 * EVL_E_INVALID outside 0..782 or 0..139, or a tributary outside 0..62. ITU-T G.707 8.1, 8.3. */
enum evl_status evl_mux63_tx_set_au_pointer(struct evl_mux63_tx *tx, uint32_t value);
enum evl_status evl_mux63_tx_set_tu_pointer(
	struct evl_mux63_tx *tx, uint32_t tributary, uint32_t value);

/* Queues `count` pointer increments (> 0) or decrements (< 0); they are sent as far apart as the
 * standard allows (every 4th frame, for a TU every 4th multiframe of 500 us). */
void evl_mux63_tx_justify_au(struct evl_mux63_tx *tx, int32_t count);
void evl_mux63_tx_justify_tu(struct evl_mux63_tx *tx, uint32_t tributary, int32_t count);

/* Traces: up to 15 characters 0x20..0x7e, padded with spaces; sent in 16-byte frames with CRC-7
 * (ITU-T G.707 Annex B). EVL_E_INVALID for a longer or other text. */
enum evl_status evl_mux63_tx_set_j0(struct evl_mux63_tx *tx, const char *text);
enum evl_status evl_mux63_tx_set_j1(struct evl_mux63_tx *tx, const char *text);
enum evl_status evl_mux63_tx_set_j2(struct evl_mux63_tx *tx, uint32_t tributary, const char *text);

/* Signal labels: C2 (default 02) and V5 bits 5-7 (default 2), for UNEQ and PLM. */
void evl_mux63_tx_set_c2(struct evl_mux63_tx *tx, uint8_t c2);
void evl_mux63_tx_set_label(struct evl_mux63_tx *tx, uint32_t tributary, uint8_t label);

/* Insertions hold from the next encoded frame until switched off. */
void evl_mux63_tx_insert_ms_ais(struct evl_mux63_tx *tx, bool on); /* all but the RSOH is ones */
void evl_mux63_tx_insert_au_ais(struct evl_mux63_tx *tx, bool on);
void evl_mux63_tx_insert_tu_ais(struct evl_mux63_tx *tx, uint32_t tributary, bool on);
void evl_mux63_tx_insert_e1_ais(struct evl_mux63_tx *tx, uint32_t tributary, bool on);

/* What a receiver tells the transmitter of the other direction: RDI states, and REI block or bit
 * errors to be reported. Counts are added to those still waiting to be sent. */
struct evl_mux63_remote {
	bool ms_rdi;     /* K2 bits 6-8 = 110 */
	bool hp_rdi;     /* G1 bit 5 */
	uint64_t lp_rdi; /* bit i: V5 bit 8 of tributary i */
	uint32_t ms_rei; /* B2 errors since the last take (M1, at most 24 a frame) */
	uint32_t hp_rei; /* B3 errors since the last take (G1, at most 8 a frame) */
	uint8_t lp_rei[EVL_MUX63_TRIBS]; /* errored VC-12 since the last take (V5 bit 3) */
};

void evl_mux63_tx_set_remote(struct evl_mux63_tx *tx, const struct evl_mux63_remote *remote);

/* E1 bits lost or repeated at the input store of a tributary because pointer moves were forced
 * faster than justification makes up for; each slip is 256 bits. */
uint64_t evl_mux63_tx_slips(const struct evl_mux63_tx *tx, uint32_t tributary);

/* ---- decoder ---- */

struct evl_mux63_rx;

/* Delay from E1 in to E1 out, in E1 bits: 640 bits at either end. */
#define EVL_MUX63_DELAY_BITS 1280

/* Called for each defect that begins or ends. `tributary` is 0..62, or EVL_MUX63_LINE for LOS to
 * HP-LOM. `bit_offset` counts line bits since create, reset or set_frame, up to and including the
 * bit that decided. Calls come frame by frame; within one frame by layer, not by offset. Consequent
 * defects (such as MS-AIS while LOS) are delivered too: see evl_mux63_rx_root_cause. */
typedef void (*evl_mux63_event_fn)(
	void *ctx, enum evl_alarm alarm, int tributary, bool raised, uint64_t bit_offset);

struct evl_mux63_events {
	evl_mux63_event_fn fn;
	void *ctx;
};

/* `options` may be NULL. EVL_E_INVALID names the field that is out of range. */
enum evl_status evl_mux63_rx_create(
	struct evl_mux63_rx **out, const struct evl_rx_options *options, struct evl_err *err);
void evl_mux63_rx_destroy(struct evl_mux63_rx *rx);

/* Back to the state after create: no defect, no alignment, counts zero, offset 0. No events. */
void evl_mux63_rx_reset(struct evl_mux63_rx *rx);

/* bit_offset of events continues from frame_number * 19440. */
void evl_mux63_rx_set_frame(struct evl_mux63_rx *rx, uint64_t frame_number);

/* line: frames * 2430 bytes; e1[i]: room for frames * 32 bytes, or NULL when not wanted (its
 * defects and counts are kept all the same); events may be NULL. */
void evl_mux63_decode(struct evl_mux63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[EVL_MUX63_TRIBS], const struct evl_mux63_events *events);

/* The same with a desynchroniser: e1[i] has room for EVL_MUX63_MOST_BYTES(frames) or is NULL;
 * bytes[i] is set to the number of bytes that came out in these line frames. The output clock of a
 * tributary follows the average rate of what is carried: it is the line's clock plus (level -
 * nominal level) / 0.512 s, where the level of the output store is judged as if bits came in
 * evenly. So an offset of 50 ppm (102.4 bit/s) settles at 52 bits above the nominal level, and a
 * pointer move (8 bits at once) is given out over about 2 s; the transit delay moves by as many
 * bits. AIS is put out at the nominal rate. */
void evl_mux63_decode_bytes(struct evl_mux63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[EVL_MUX63_TRIBS], uint32_t bytes[EVL_MUX63_TRIBS],
	const struct evl_mux63_events *events);

/* Present defects as a set: bit a is alarm a. tributary 0..62 or EVL_MUX63_LINE. */
uint32_t evl_mux63_rx_defects(const struct evl_mux63_rx *rx, int tributary);
bool evl_mux63_rx_defect(const struct evl_mux63_rx *rx, enum evl_alarm alarm, int tributary);

/* The defect that explains the others: the highest of LOS > LOF > OOF > MS-AIS > AU-AIS, AU-LOP >
 * HP-UNEQ, HP-PLM > HP-LOM > TU-AIS, TU-LOP > LP-UNEQ, LP-PLM (ITU-T G.783), then the RDI; for a
 * tributary the line's comes first, without MS-RDI and HP-RDI. EVL_ALARM_NONE when all is well. */
enum evl_alarm evl_mux63_rx_root_cause(const struct evl_mux63_rx *rx, int tributary);

/* True while the output of the tributary is AIS put in by the decoder. */
bool evl_mux63_rx_output_ais(const struct evl_mux63_rx *rx, uint32_t tributary);

/* Offset, in bits of E1 output since create or reset, of the first bit of the tributary's signal;
 * UINT64_MAX while none came. It is not moved by a later loss. */
uint64_t evl_mux63_rx_first_bit(const struct evl_mux63_rx *rx, uint32_t tributary);

struct evl_mux63_line_counts {
	uint64_t frames;    /* aligned STM-1 frames evaluated */
	uint64_t b1_errors; /* bits of BIP-8; not counted while LOS or LOF */
	uint64_t b2_errors; /* bits of BIP-24; not counted while MS-AIS or above */
	uint64_t b3_errors; /* bits of BIP-8; not counted while AU-AIS, AU-LOP or above */
	uint64_t ms_rei;    /* far-end B2 errors, from M1 */
	uint64_t hp_rei;    /* far-end B3 errors, from G1 */
	uint64_t au_increments, au_decrements, au_new_pointers;
};

struct evl_mux63_trib_counts {
	uint64_t bip2_errors; /* bits of BIP-2 */
	uint64_t lp_rei;      /* far-end errored VC-12 */
	uint64_t tu_increments, tu_decrements, tu_new_pointers;
	uint64_t extra_bits;     /* multiframes with 1025 bits (S1 and S2 data) */
	uint64_t missing_bits;   /* multiframes with 1023 bits (S1 and S2 stuff) */
	uint64_t slips_lost;     /* output store ran over: 256 bits were skipped, each */
	uint64_t slips_repeated; /* output store ran empty: 256 bits were sent twice, each */
};

void evl_mux63_rx_line_counts(const struct evl_mux63_rx *rx, struct evl_mux63_line_counts *out);
void evl_mux63_rx_trib_counts(
	const struct evl_mux63_rx *rx, uint32_t tributary, struct evl_mux63_trib_counts *out);

/* RDI and REI for the transmitter of the other direction; REI counts restart at zero. */
void evl_mux63_rx_take_remote(struct evl_mux63_rx *rx, struct evl_mux63_remote *out);

/* The received AU and TU pointer values; -1 when there is none. */
int32_t evl_mux63_rx_au_pointer(const struct evl_mux63_rx *rx);
int32_t evl_mux63_rx_tu_pointer(const struct evl_mux63_rx *rx, uint32_t tributary);
