/* SPDX-License-Identifier: Apache-2.0 */
/*
 * VC-12 and VC-11 with 2048 and 1544 kbit/s, ITU-T G.707 10.1.4, 10.1.5 and 9.3.2: 140 or 104 bytes
 * in 500 us, in four quarters of 35 or 26 bytes that begin with V5, J2, N2, K4.
 *
 * E1, asynchronous:
 *	quarter   byte 1  byte 2            bytes 3..34                 byte 35
 *	0         V5      R                 32 data                     R
 *	1, 2      J2, N2  C1 C2 O O O O R R 32 data                     R
 *	3         K4      C1 C2 R R R R R S1  S2 D D D D D D D, 31 data R
 * E1, byte-synchronous: byte 2 and 35 are R, bytes 3..34 are timeslots 0..31.
 * T1, asynchronous (layout from memory; I is data):
 *	quarter   byte 1  byte 2                bytes 3..26
 *	0         V5      R R R R R R I R       24 data
 *	1, 2      J2, N2  C1 C2 O O O O I R     24 data
 *	3         K4      C1 C2 R R R S1 S2 R   24 data
 * T1, byte-synchronous (from memory): byte 2 is P1 P0 S1 S2 S3 S4 F R, bytes 3..26 are timeslots.
 * T1 in TU-12: a VC-11 with one column of 9 stuff bytes a frame, the 4th of the TU-12 (place of the
 * column from memory), all zero: their parity is even, so BIP-2 is that of the VC-11.
 *
 * C1 C1 C1 = 111: S1 is stuff, 000: data; C2 likewise for S2; majority of three. Nominal: S1 stuff
 * and S2 data, 1024 (772) bits. The input store decides: too full, S1 carries data too; too empty,
 * S2 is stuff too. Byte-synchronous: there is no justification, a client with another clock slips.
 *
 *	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
 *	evl_bitfifo_push(&tx.fifo, e1, 0, 256);		// any number of bits
 *	evl_vc1_tx_quarter(&tx, when, quarter);		// 35 or 26 bytes
 *
 * Instants are in units of 1 / EVL_VC1_TICKS of a frame of 125 us. `when` counts from the start of
 * the frame whose input bits were pushed last; it is less than zero when bits were pushed ahead of
 * their time. The store's level is judged as if bits came in evenly, so that it depends neither on
 * where in a frame a VC begins nor on how many frames are pushed at once. The store slips by a
 * frame of the client when it is half a frame too empty or a whole one too full.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/bitfifo.h"
#include "core/frame/trace.h"

#define EVL_VC12_QUARTER 35
#define EVL_VC11_QUARTER 26
#define EVL_VC12_BYTES   140
#define EVL_VC11_BYTES   104
#define EVL_VC12_E1_BITS 256u /* E1 bits in 125 us */
#define EVL_VC11_T1_BITS 193u /* T1 bits in 125 us */

/* Of a frame: 36 x 261 = 27 x 348. A byte of a TU-12 is 261, of a TU-11 348, a payload byte of
 * STM-1 4. */
#define EVL_VC1_TICKS 9396u

/* Bits from the input of the encoder to the place in the line, and from there to the output: five
 * frames of the client in all. */
#define EVL_VC12_TX_DELAY_BITS 640u
#define EVL_VC12_RX_DELAY_BITS 640u
#define EVL_VC11_TX_DELAY_BITS 482u
#define EVL_VC11_RX_DELAY_BITS 483u

#define EVL_LABEL_UNEQUIPPED   0
#define EVL_LABEL_EQUIPPED     1
#define EVL_LABEL_ASYNCHRONOUS 2
#define EVL_LABEL_BYTE         4
#define EVL_LABEL_VC_AIS       7

enum evl_vc1_mode {
	EVL_VC1_E1_ASYNC = 0,
	EVL_VC1_E1_BYTE = 1,
	EVL_VC1_T1_ASYNC = 2,
	EVL_VC1_T1_BYTE = 3,
	EVL_VC1_T1_ASYNC_TU12 = 4,
	EVL_VC1_T1_BYTE_TU12 = 5,
	EVL_VC1_MODES
};

struct evl_vc1_shape {
	uint8_t quarter; /* bytes */
	bool t1, byte;   /* client, mapping */
	uint8_t label;   /* V5 bits 5-7 */
	uint16_t bits;   /* of the client in 125 us */
	uint16_t tx_delay, rx_delay;
	uint16_t unit; /* bits, to which stores are set at the start */
};

extern const struct evl_vc1_shape evl_vc1_shapes[EVL_VC1_MODES];

/* ---- encoder ---- */

#define EVL_VC1_CHANNELS 24    /* of a T1 */
#define EVL_VC1_TX_BITS  4608u /* of the store: 8 frames of the client at once and half as much */
#define EVL_VC1_TX_BACK  128u  /* bytes: a store that is set at the start takes in old bits */

/* What every quarter needs comes first and the long store last but for what is seldom needed: there
 * are many of these, and few cache lines for each are the better half of the speed. */
struct evl_vc1_tx {
	uint8_t mode; /* enum evl_vc1_mode */
	uint8_t label;
	bool rdi;
	bool rfi;        /* V5 bit 4, byte-synchronous VC-11 only */
	uint8_t rei;     /* errored blocks still to report */
	uint8_t quarter; /* 0..3, the next one */
	int8_t justify;  /* this VC: +1 extra bit, 0, -1 missing bit */
	bool fresh;      /* no VC yet since init or cut: the store's level is set, not judged */
	bool relevel;    /* set by the user: at the next VC the store is set as at the start */
	uint8_t forced; /* bit q: overhead byte of quarter q is poh[q]; only V5 is made otherwise */
	uint8_t poh[4]; /* N2 and K4 always come from here, J2 when forced */
	uint64_t parity;         /* XOR of this VC so far, as words of 8 bytes */
	int64_t target;          /* level * EVL_VC1_TICKS + client bits * when to be kept */
	uint64_t number;         /* of the next VC; J2 follows from it */
	struct evl_bitfifo fifo; /* client bits; the user pushes up to EVL_VC1_TX_BITS */
	uint8_t j2[EVL_TRACE_16];
	const uint8_t *long_j2;  /* 64 bytes owned by the user: a trace of SONET; else NULL */
	uint64_t slips;          /* of a client frame, because the store ran over or empty */
	uint64_t extra, missing; /* VCs with a bit more or less than nominal */
	uint8_t abcd[EVL_VC1_CHANNELS]; /* byte-synchronous T1: signalling in S1..S4 */
	uint8_t store[EVL_VC1_TX_BITS / 8 + EVL_VC1_TX_BACK + EVL_BITFIFO_SLACK];
};

/* Stores and counts empty, label as the mapping has it, overhead zero, signalling ones. */
void evl_vc1_tx_init(struct evl_vc1_tx *tx, enum evl_vc1_mode mode, uint64_t number);

/* As after init, with the settings (label, overhead, traces, signalling, RDI) kept. */
void evl_vc1_tx_restart(struct evl_vc1_tx *tx, uint64_t number);

/* The VC in progress is given up; the next quarter is the first of a new VC. */
void evl_vc1_tx_cut(struct evl_vc1_tx *tx);

/* Makes the next 35 or 26 bytes; takes a frame of the client from the store, or one bit more or
 * less. */
void evl_vc1_tx_quarter(struct evl_vc1_tx *tx, int32_t when, uint8_t *out);

/* Four quarters at once, a frame apart from `when` on, the q-th to out + q * stride; the bits of
 * the client for all must be in the store and the next quarter must be the first. */
void evl_vc1_tx_whole(struct evl_vc1_tx *tx, int32_t when, uint8_t *out, uint32_t stride);

/* ---- decoder ---- */

/* The store slips when there are more than 6 frames in it, and repeats one or two. */
#define EVL_VC1_RX_BITS      2432u
#define EVL_VC1_RX_BACK      96u /* bytes */
#define EVL_VC1_MOST_PREFILL 1024

struct evl_vc1_counts {
	uint64_t bip2_errors, bip2_blocks, lp_rei, extra, missing, slips_lost, slips_repeated;
};

struct evl_vc1_rx {
	uint8_t mode;              /* enum evl_vc1_mode */
	bool open;                 /* bits are taken in; otherwise the output is AIS */
	bool held;                 /* set by the user (LP-TIM): the store stays closed */
	bool fresh_j2;             /* poh[1] is new; cleared by the user */
	bool have_parity;          /* the VC before was whole */
	uint8_t quarter;           /* 0..3, the next one */
	uint8_t c1, c2;            /* ones seen in C1, C2 of this VC */
	uint8_t rdi_limit;         /* VCs until RDI is raised or cleared */
	uint8_t rdi_run;           /* VCs in a row whose RDI bit differs from the state */
	uint8_t rfi_run, uneq_run; /* likewise */
	uint8_t label;             /* last label, and ... */
	uint8_t label_run;         /* ... how often in a row, saturates at 5 */
	bool uneq, plm, rdi, rfi;  /* defects */
	uint8_t rei_out;           /* errored VCs to be reported to the far end, saturates at 255 */
	uint8_t poh[4];            /* V5, J2, N2, K4 as last received */
	uint32_t prefill;          /* ones that were put in the store when it opened */
	int32_t late;            /* of the last quarter, see below, plus the frames pulled since */
	int64_t owed;            /* part of a byte of output, in 1 / EVL_VC1_OWED of a bit */
	uint64_t parity;         /* XOR of this VC so far, as words of 8 bytes */
	struct evl_bitfifo fifo; /* client bits on their way out */
	struct evl_vc1_counts counts;
	uint8_t p, s_at; /* byte-synchronous T1: last P1 P0, and frames since it changed */
	uint8_t abcd[EVL_VC1_CHANNELS];
	uint8_t store[EVL_VC1_RX_BITS / 8 + EVL_VC1_RX_BACK + EVL_BITFIFO_SLACK];
};

void evl_vc1_rx_init(struct evl_vc1_rx *rx, enum evl_vc1_mode mode, uint8_t rdi_limit);

/* The VC stream was cut or is not valid: drops the bits in the store and the defects; the next
 * quarter is the first of a VC. */
void evl_vc1_rx_cut(struct evl_vc1_rx *rx);

/* Takes the next 35 or 26 bytes. `late` is the time from the first byte of this quarter, as it
 * came, to the output frame that will be pulled next (may be less than zero). Label, RFI: 5 VCs in
 * a row, RDI: rdi_limit (G.783). */
void evl_vc1_rx_quarter(struct evl_vc1_rx *rx, const uint8_t *in, int32_t late);

/* Four quarters and the output of four frames in turn, if all of it is plain: quarter q at in + q *
 * stride, late[q], then bytes[q] of output as evl_vc1_rx_pull_bytes gives them. Returns where the
 * output begins, in the store, valid until the next call; NULL when something was not plain: then
 * nothing was done. */
const uint8_t *evl_vc1_rx_whole(struct evl_vc1_rx *rx, const uint8_t *in, uint32_t stride,
	const int32_t late[4], bool steer, uint32_t bytes[4]);

/* E1 only: 32 bytes of output: client bits, or AIS. Counts a slip when the store is too full or too
 * empty. */
void evl_vc1_rx_pull(struct evl_vc1_rx *rx, uint8_t out[32]);

/* The output of one frame time in whole bytes; returns how many: 31 to 33 for an E1, 23 to 26 for a
 * T1. With `steer` as a desynchroniser: the rate is the nominal one plus (level - nominal level) /
 * EVL_VC1_DESYNC_FRAMES bits a frame. Otherwise the nominal rate. */
#define EVL_VC1_DESYNC_FRAMES 4096u /* 0.512 s */
#define EVL_VC1_OWED          ((int64_t)EVL_VC1_TICKS * EVL_VC1_DESYNC_FRAMES)
#define EVL_VC12_MOST_BYTES   33u
#define EVL_VC11_MOST_BYTES   26u
uint32_t evl_vc1_rx_pull_bytes(struct evl_vc1_rx *rx, bool steer, uint8_t *out);
