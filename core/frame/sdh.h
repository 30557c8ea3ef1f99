/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Encoder and decoder of an STM-1, STM-4, OC-3 or OC-12 line of any map (sdh_map.h), ITU-T G.707
 * and G.783.
 *
 *	evl_sdh_tx_create(&tx, &map, &err);
 *	evl_sdh_rx_create(&rx, &map, NULL, &err);
 *	evl_sdh_encode(tx, in, in_bytes, 8, line, &err);	// 8 frames
 *	evl_sdh_decode(rx, line, 8, out, out_bytes, &events);
 *
 * Shapes: a frame is 125 us and 2430 bytes of line for each STM-1; `frames` is a multiple of 8, so
 * that a T1 is 193 bytes for 8 frames. Clients are numbered as evl_sdh_map_clients lists them. All
 * state is carried over calls. The line starts at bit 0 with A1; the decoder takes any alignment.
 *
 * Clients of 1544 and 2048 kbit/s: in_bytes[i] bytes came in by the client's clock, out_bytes[i]
 * came out. C1/C2 carry the difference, up to one bit in 500 us; beyond that the stores slip. The
 * output clock of a client follows the average rate of what is carried: the line's clock plus
 * (level - nominal level) / 0.512 s, where the level of the output store is judged as if bits came
 * in evenly. So 50 ppm of an E1 (102.4 bit/s) settle at 52 bits above the nominal level, and a
 * pointer move (8 bits at once) is given out over about 2 s. AIS is put out at the nominal rate.
 *
 * With NULL for the counts everything is nominal and the transit delay of encoder and decoder back
 * to back is exactly 5 frames of the client, for every pointer value; pointer moves do not change
 * it, as long as no slip is counted. Whole line frames between encoder and decoder add a frame of
 * the client each; a line shifted by a part of a frame counts as one frame more. A new pointer
 *value set under way (NDF) and every loss of the client is a hit: the bits in flight are lost and
 *AIS is put out instead. Afterwards the delay is the same again; but once there were pointer moves,
 *a decoder that finds the client anew may come out up to 9 bits off, and by what the encoder has
 *then not yet made up for by justification. A stream may be cut into calls at any place without a
 *change of its bits.
 *
 * Byte-synchronous clients must come frame by frame from the first byte on (E1: TS0; T1: the F
 *bit); they have no justification, so another clock makes the stores slip by whole frames.
 *
 * Bulk containers: the encoder queues what it is given and takes a container (VC-3 756, VC-4 2340,
 * VC-4-4c 9360 bytes) at each start of the VC; when the queue has less, the container is zeros and
 * counted as starved; what does not fit in the queue of 16 containers is lost and counted. The
 * decoder gives whole containers, so their bytes keep their place; while the path is down it gives
 * none.
 *
 * Never allocates after create; never fails on bad line bits. One thread at a time.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/err.h"
#include "core/frame/rx_options.h"
#include "core/frame/sdh_map.h"
#include "core/frame/trace.h"

#define EVL_SDH_LINE_BYTES(stm) (2430u * (stm)) /* per frame */

/* What a call is about. */
enum evl_sdh_level {
	EVL_SDH_SECTION = 0, /* index 0 */
	EVL_SDH_HIGH = 1,    /* high-order path: 3 (aug - 1), and A - 1 more for AU-3 */
	EVL_SDH_CLIENT =
		2, /* index of the client: its TU and low-order path. A VC-3 in TU-3 is one;
		    * a client that is a high-order path itself has only EVL_SDH_HIGH */
};

struct evl_sdh_at {
	enum evl_sdh_level level;
	uint32_t index;
};

/* Path overhead by name. The first nine for VC-4, VC-4-4c and VC-3, the others for VC-12, VC-11. */
enum evl_sdh_poh {
	EVL_SDH_J1 = 0,
	EVL_SDH_B3 = 1,
	EVL_SDH_C2 = 2,
	EVL_SDH_G1 = 3,
	EVL_SDH_F2 = 4,
	EVL_SDH_H4 = 5,
	EVL_SDH_F3 = 6,
	EVL_SDH_K3 = 7,
	EVL_SDH_N1 = 8,
	EVL_SDH_V5 = 9,
	EVL_SDH_J2 = 10,
	EVL_SDH_N2 = 11,
	EVL_SDH_K4 = 12,
};

/* ---- encoder ---- */

struct evl_sdh_tx;

/* Defaults: AU pointer 522, TU-3 0, TU-12 105, TU-11 78, labels by the map (bulk in VC-3: C2 = 04,
 * in VC-4: 01), S1 = 0F, traces "evenlode" of 16 bytes, nothing inserted. EVL_E_INVALID by
 * evl_sdh_map_check. */
enum evl_status evl_sdh_tx_create(
	struct evl_sdh_tx **out, const struct evl_sdh_map *map, struct evl_err *err);
void evl_sdh_tx_destroy(struct evl_sdh_tx *tx);

/* State as after create, with all settings kept; the next frame has this number since time zero. */
void evl_sdh_tx_set_frame(struct evl_sdh_tx *tx, uint64_t frame_number);

/* The clients, owned by the encoder. */
const struct evl_sdh_client *evl_sdh_tx_clients(const struct evl_sdh_tx *tx, uint32_t *count);

/* Bytes that a call may bring for a client: E1 31 to 33 a frame; T1 8 frames' 193 bytes and one a
 * frame more or less; bulk 0 to 2 containers a frame. */
void evl_sdh_limits(
	const struct evl_sdh_client *client, uint32_t frames, uint32_t *least, uint32_t *most);

/* data[i] NULL: AIS (bulk: nothing). bytes NULL: nominal counts. line: frames * 2430 * stm bytes.
 * EVL_E_INVALID names the client whose count is out of range; then nothing was encoded. */
enum evl_status evl_sdh_encode(struct evl_sdh_tx *tx, const uint8_t *const data[],
	const uint32_t bytes[], uint32_t frames, uint8_t *line, struct evl_err *err);

/* Settings of a place; EVL_E_INVALID when it does not exist or the value does not fit. */

/* HIGH: AU pointer; CLIENT: TU pointer. Before the first frame it just holds, later NDF goes along.
 */
enum evl_status evl_sdh_tx_set_pointer(struct evl_sdh_tx *tx, struct evl_sdh_at at, uint32_t value);
/* From the next frame (multiframe for TU-12, TU-11) on the pointer word H1 H2 or V1 V2 is sent as
 * given, whatever the pointer is; the payload stays where it is. -1 releases it. */
enum evl_status evl_sdh_tx_force_pointer(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t word);
/* Queues increments (> 0) or decrements (< 0). */
enum evl_status evl_sdh_tx_justify(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t count);
#define EVL_SDH_MOST_PPB 100000 /* 100 ppm, largest clock offset of a VC */

/* Clock of the VC against its carrier, in 1e-9: the encoder moves the pointer by itself, one
 * increment for each step of it that the VC falls behind (`ppb` < 0), a decrement when ahead. The
 * clocks of the clients do not change, so C1/C2 make up for it. ITU-T G.707 8.1.3, 8.3.3. */
enum evl_status evl_sdh_tx_set_offset(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t ppb);
/* SECTION: J0; HIGH: J1; CLIENT: J2, or J1 of a VC-3 in TU-3. A trace of kind NONE sends zeros. */
enum evl_status evl_sdh_tx_set_trace(
	struct evl_sdh_tx *tx, struct evl_sdh_at at, const struct evl_trace *trace);
/* HIGH, VC-3 in TU-3: C2; CLIENT: V5 bits 5-7, 0..7. */
enum evl_status evl_sdh_tx_set_label(struct evl_sdh_tx *tx, struct evl_sdh_at at, uint8_t label);
/* SECTION: MS-AIS; HIGH: AU-AIS; CLIENT: TU-AIS. */
enum evl_status evl_sdh_tx_insert_ais(struct evl_sdh_tx *tx, struct evl_sdh_at at, bool on);
/* All ones in place of the client's bits; not for bulk. */
enum evl_status evl_sdh_tx_insert_client_ais(struct evl_sdh_tx *tx, uint32_t client, bool on);
/* V5 bit 4 of a byte-synchronous VC-11. */
enum evl_status evl_sdh_tx_set_rfi(struct evl_sdh_tx *tx, uint32_t client, bool on);
/* Outslot signalling of channel 1..24 of a byte-synchronous T1: abcd in bits 4 to 1. */
enum evl_status evl_sdh_tx_set_signalling(
	struct evl_sdh_tx *tx, uint32_t client, uint32_t channel, uint8_t abcd);
void evl_sdh_tx_set_aps(struct evl_sdh_tx *tx, uint8_t k1, uint8_t k2); /* RDI goes over it */
void evl_sdh_tx_set_s1(struct evl_sdh_tx *tx, uint8_t s1);

/* From the next frame on the byte is sent as given, whatever it would be (also B1, B2, A1); release
 * with value -1. SOH: row 1..9 but 4, column b 1..9 of STM-1 number a = 1..N. */
enum evl_status evl_sdh_tx_force_soh(
	struct evl_sdh_tx *tx, uint32_t a, uint32_t row, uint32_t b, int32_t value);
enum evl_status evl_sdh_tx_force_poh(
	struct evl_sdh_tx *tx, struct evl_sdh_at at, enum evl_sdh_poh byte, int32_t value);

/* What a receiver tells the transmitter of the other direction; error counts are added up. */
struct evl_sdh_remote {
	bool ms_rdi;
	uint32_t ms_rei;
	struct evl_sdh_remote_path {
		bool rdi;
		uint32_t rei;
	} high[EVL_SDH_MOST_HIGH], client[EVL_SDH_MOST_CLIENTS];
};
void evl_sdh_tx_set_remote(struct evl_sdh_tx *tx, const struct evl_sdh_remote *remote);

struct evl_sdh_tx_counts {
	uint64_t slips;               /* of a client frame at the input store */
	uint64_t extra, missing;      /* VC with a bit more or less than nominal */
	uint64_t starved, lost_bytes; /* bulk */
};
enum evl_status evl_sdh_tx_counts(
	const struct evl_sdh_tx *tx, uint32_t client, struct evl_sdh_tx_counts *out);

/* ---- decoder ---- */

struct evl_sdh_rx;

/* `bit` counts line bits since create, reset or set_frame, up to and with the one that decided (in
 * a VC-3 of TU-3 and in AIS of a client: the end of the line frame). The events of one call are
 * told at its end in the order of `bit`, at one bit from the section down to the clients; the next
 * call may begin with one that is up to two frames earlier, because what decided came with a later
 * byte.
 */
typedef void (*evl_sdh_event_fn)(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit);

struct evl_sdh_events {
	evl_sdh_event_fn fn;
	void *ctx;
};

/*
 * `options` may be NULL; options->tributaries is not used. options->depth says how deep to look
 * (rx_options.h):
 *
 *	const struct evl_rx_options options = {.depth = EVL_RX_HIGH};
 *	evl_sdh_rx_create(&rx, &map, &options, &err);
 *	evl_sdh_decode(rx, line, frames, NULL, NULL, &events);	// any number of frames
 *
 * With EVL_RX_SECTION or EVL_RX_HIGH a receiver only supervises: clients are listed by the map but
 * give no bytes, places that are not looked at have no defects, and evl_sdh_rx_counts and the
 * others below refuse them. What is read, and what a frame of STM-1 costs on one core, all of it
 * without memory beyond the receiver's own:
 * - EVL_RX_SECTION, about 0.5 us: search, descrambling, B1, B2, J0, M1, K1, K2, S1, all SOH.
 * - EVL_RX_HIGH, about 0.7 us: and the pointer, J1, B3, C2, G1 and H4 of each VC-4 or VC-3.
 * - EVL_RX_ALL, about 2 us for 63 E1: and V5, J2, N2, K4, BIP-2, justification and all bits.
 * - EVL_RX_BITS, some % less than ALL: the same bits without traces, B3, AIS of the clients, SOH
 *   and path overhead; expected traces have no effect. For bits of a recording.
 * Reading counts, overhead and traces costs nothing in the decoder: they are kept anyway.
 */
enum evl_status evl_sdh_rx_create(struct evl_sdh_rx **out, const struct evl_sdh_map *map,
	const struct evl_rx_options *options, struct evl_err *err);
void evl_sdh_rx_destroy(struct evl_sdh_rx *rx);
void evl_sdh_rx_reset(struct evl_sdh_rx *rx); /* expected traces and labels are kept */
void evl_sdh_rx_set_frame(struct evl_sdh_rx *rx, uint64_t frame_number);

/* Largest number of bytes that a client may give in so many frames. */
uint32_t evl_sdh_rx_room(const struct evl_sdh_client *client, uint32_t frames);

/* data[i]: room for evl_sdh_rx_room bytes, or NULL. bytes NULL: nominal rates without
 * desynchroniser (only for maps without bulk). A receiver that only supervises takes any number of
 * frames, NULL for data, and sets bytes[] to 0. */
void evl_sdh_decode(struct evl_sdh_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const data[], uint32_t bytes[], const struct evl_sdh_events *events);

/* Expected trace (NULL: any); TIM puts AIS out downstream. Default: any. */
enum evl_status evl_sdh_rx_expect_trace(
	struct evl_sdh_rx *rx, struct evl_sdh_at at, const struct evl_trace *trace);
/* Expected C2 of a bulk path, -1: any (default). Others follow from the map. */
enum evl_status evl_sdh_rx_expect_label(struct evl_sdh_rx *rx, struct evl_sdh_at at, int32_t label);

/* Present defects, bit a: alarm a; 0 for a place that does not exist. */
uint32_t evl_sdh_rx_defects(const struct evl_sdh_rx *rx, struct evl_sdh_at at);

/* The defect that explains the others at that place: section first, then the high-order path, then
 * the place itself, in the order of G.783; RDI and RFI last and only the place's own. */
enum evl_alarm evl_sdh_rx_root_cause(const struct evl_sdh_rx *rx, struct evl_sdh_at at);

struct evl_sdh_rx_counts {
	uint64_t frames;               /* SECTION: evaluated */
	uint64_t b1_errors, b2_errors; /* SECTION: bits */
	uint64_t errors;               /* HIGH, CLIENT: bits of B3 or BIP-2 */
	uint64_t rei;                  /* far-end errors from M1, G1, V5 */
	uint64_t b1_blocks;            /* SECTION: frames with an error in B1 */
	uint64_t errored_blocks;       /* HIGH, CLIENT: VCs with an error in B3 or BIP-2 ... */
	uint64_t rei_blocks;           /* ... and those that the far end says had one */
	uint64_t increments, decrements, new_pointers;
	uint64_t extra, missing;             /* CLIENT: C1/C2 */
	uint64_t slips_lost, slips_repeated; /* CLIENT: of a client frame */
};
enum evl_status evl_sdh_rx_counts(
	const struct evl_sdh_rx *rx, struct evl_sdh_at at, struct evl_sdh_rx_counts *out);

int32_t evl_sdh_rx_pointer(const struct evl_sdh_rx *rx, struct evl_sdh_at at); /* -1: none */
/* Bytes as last received; -1 when the place does not exist or nothing came. */
int32_t evl_sdh_rx_soh(const struct evl_sdh_rx *rx, uint32_t a, uint32_t row, uint32_t b);
int32_t evl_sdh_rx_poh(const struct evl_sdh_rx *rx, struct evl_sdh_at at, enum evl_sdh_poh byte);
/* The accepted trace; kind NONE while there is none. NULL for a place that does not exist. */
const struct evl_trace *evl_sdh_rx_trace(const struct evl_sdh_rx *rx, struct evl_sdh_at at);
/* abcd of channel 1..24 of a byte-synchronous T1; -1 for others. */
int32_t evl_sdh_rx_signalling(const struct evl_sdh_rx *rx, uint32_t client, uint32_t channel);
bool evl_sdh_rx_output_ais(const struct evl_sdh_rx *rx, uint32_t client);
/* First bit of output that is the client's, UINT64_MAX while there was none. */
uint64_t evl_sdh_rx_first_bit(const struct evl_sdh_rx *rx, uint32_t client);

void evl_sdh_rx_take_remote(struct evl_sdh_rx *rx, struct evl_sdh_remote *out);
