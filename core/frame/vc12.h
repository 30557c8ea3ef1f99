/* SPDX-License-Identifier: Apache-2.0 */
/*
 * VC-12 with the asynchronous mapping of 2048 kbit/s, ITU-T G.707 10.1.4.1 and 9.3.2: 140 bytes in
 * 500 us, in four quarters of 35 bytes that begin with V5, J2, N2, K4.
 *
 *	quarter   byte 1  byte 2            bytes 3..34                 byte 35
 *	0         V5      R                 32 data                     R
 *	1, 2      J2, N2  C1 C2 O O O O R R 32 data                     R
 *	3         K4      C1 C2 R R R R R S1  S2 D D D D D D D, 31 data R
 *
 * C1 C1 C1 = 111: S1 is stuff, 000: data; C2 likewise for S2; majority of three. Nominal: S1 stuff
 * and S2 data, 1024 bits. The input store decides: too full, S1 carries data too (1025 bits); too
 * empty, S2 is stuff too (1023 bits).
 *
 *	evl_vc12_tx_init(&tx, 0);
 *	evl_bitfifo_push(&tx.fifo, e1, 0, 256);		// any number of bits
 *	evl_vc12_tx_quarter(&tx, when, quarter);	// 35 bytes
 *
 * Instants are in units of 1 / EVL_VC12_TICKS of a frame of 125 us. `when` counts from the start of
 * the frame whose input bits were pushed last; it is less than zero when bits were pushed ahead of
 * their time. The store's level is judged as if bits came in evenly, so that it depends neither on
 * where in a frame a VC begins nor on how many frames are pushed at once. The store slips by 256
 * bits when it is 128 bits too empty or 256 too full.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/frame/bitfifo.h"
#include "core/frame/stm1.h"

#define EVL_VC12_QUARTER 35
#define EVL_VC12_BYTES   140
#define EVL_VC12_E1_BITS 256u /* E1 bits in 125 us */
#define EVL_VC12_TICKS                                                                             \
	9396u /* 36 x 261: a byte of a TU-12 is 261, a payload byte of STM-1 is 4                  \
	       */

/* E1 bits from the input of the encoder to the place in the line, and from there to the output. */
#define EVL_VC12_TX_DELAY_BITS 640u
#define EVL_VC12_RX_DELAY_BITS 640u

#define EVL_LABEL_UNEQUIPPED   0
#define EVL_LABEL_EQUIPPED     1
#define EVL_LABEL_ASYNCHRONOUS 2
#define EVL_LABEL_VC_AIS       7

/* ---- encoder ---- */

/* What every quarter needs comes first and the long store last but for what is seldom needed: there
 * are 63 of these, and few cache lines for each are the better half of the speed. */
struct evl_vc12_tx {
	uint8_t label;
	bool rdi;
	uint8_t rei;     /* errored blocks still to report */
	uint8_t quarter; /* 0..3, the next one */
	int8_t justify;  /* this VC: +1 extra bit, 0, -1 missing bit */
	bool fresh;      /* no VC yet since init or cut: the store's level is set, not judged */
	bool relevel;    /* set by the user: at the next VC the store is set as at the start */
	uint64_t parity; /* XOR of this VC so far, as words of 8 bytes */
	int64_t target;  /* level * EVL_VC12_TICKS + 256 * when to be kept */
	uint64_t number; /* of the next VC; J2 follows from it */
	struct evl_bitfifo fifo; /* E1 bits; the user pushes */
	uint8_t j2[EVL_TRACE_BYTES];
	uint64_t slips;          /* of 256 bits, because the store ran over or empty */
	uint64_t extra, missing; /* VCs with 1025 and 1023 bits */
};

void evl_vc12_tx_init(struct evl_vc12_tx *tx, uint64_t number);

/* The VC in progress is given up; the next quarter is the first of a new VC. */
void evl_vc12_tx_cut(struct evl_vc12_tx *tx);

/* Makes the next 35 bytes; takes 255, 256 or 257 bits from the store. */
void evl_vc12_tx_quarter(struct evl_vc12_tx *tx, int32_t when, uint8_t out[EVL_VC12_QUARTER]);

/* ---- decoder ---- */

struct evl_vc12_counts {
	uint64_t bip2_errors, lp_rei, extra, missing, slips_lost, slips_repeated;
};

struct evl_vc12_rx {
	bool open;               /* bits are taken in; otherwise the output is AIS */
	bool have_parity;        /* the VC before was whole */
	uint8_t quarter;         /* 0..3, the next one */
	uint8_t c1, c2;          /* ones seen in C1, C2 of this VC */
	uint8_t rdi_limit;       /* VCs until RDI is raised or cleared */
	uint8_t rdi_run;         /* VCs in a row whose RDI bit differs from the state */
	uint8_t uneq_run;        /* VCs in a row that differ from the state */
	uint8_t label;           /* last label, and ... */
	uint8_t label_run;       /* ... how often in a row, saturates at 5 */
	bool uneq, plm, rdi;     /* defects */
	uint8_t rei_out;         /* errored VCs to be reported to the far end, saturates at 255 */
	uint32_t prefill;        /* ones that were put in the store when it opened */
	int32_t late;            /* of the last quarter, see below, plus the frames pulled since */
	int64_t owed;            /* part of a byte of output, in 1 / EVL_VC12_OWED of a bit */
	uint64_t parity;         /* XOR of this VC so far, as words of 8 bytes */
	struct evl_bitfifo fifo; /* E1 bits on their way out */
	struct evl_vc12_counts counts;
};

void evl_vc12_rx_init(struct evl_vc12_rx *rx, uint8_t rdi_limit);

/* The VC stream was cut or is not valid: drops the bits in the store and the defects; the next
 * quarter is the first of a VC. */
void evl_vc12_rx_cut(struct evl_vc12_rx *rx);

/* Takes the next 35 bytes. `late` is the time from the first byte of this quarter, as it came, to
 * the output frame that will be pulled next (may be less than zero); it counts only when the store
 * opens. Label and RDI: 5 and rdi_limit VCs in a row (G.783). */
void evl_vc12_rx_quarter(struct evl_vc12_rx *rx, const uint8_t in[EVL_VC12_QUARTER], int32_t late);

/* 32 bytes of output: E1 bits, or AIS. Counts a slip when the store is too full or too empty. */
void evl_vc12_rx_pull(struct evl_vc12_rx *rx, uint8_t out[32]);

/* Desynchroniser: the output of one frame time, 31 to 33 bytes; returns how many. The rate is the
 * nominal one plus (level - nominal level) / EVL_VC12_DESYNC_FRAMES bits a frame. */
#define EVL_VC12_DESYNC_FRAMES 4096u /* 0.512 s */
#define EVL_VC12_OWED          ((int64_t)EVL_VC12_TICKS * EVL_VC12_DESYNC_FRAMES)
#define EVL_VC12_MOST_BYTES    33u
uint32_t evl_vc12_rx_pull_bytes(struct evl_vc12_rx *rx, uint8_t out[EVL_VC12_MOST_BYTES]);
