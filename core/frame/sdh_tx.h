/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Inside of the encoder of sdh.h, shared by sdh_tx.c, sdh_tx_vc.c and sdh_tx_set.c only:
 *
 *	#include "core/frame/sdh_tx.h"
 */
#pragma once

#include "core/frame/au.h"
#include "core/frame/columns.h"
#include "core/frame/sdh.h"
#include "core/frame/tu1.h"

#define SDH_BATCH     8u  /* frames; calls are a multiple of it */
#define SDH_MULTI     4u  /* frames of a TU multiframe */
#define SDH_QUEUE     16u /* containers that a bulk queue holds */
#define SDH_POH_BYTES 9u

/* Containers of a bulk client on their way into the VC. */
struct sdh_queue {
	uint8_t *bytes; /* part of the encoder's one piece of memory */
	uint32_t size, head, used;
	uint64_t starved, lost;
};

/* A high-order VC, or a VC-3 in TU-3. */
struct sdh_tx_path {
	struct evl_sdh_tx *tx;
	bool exists;
	uint8_t hold;   /* enum evl_sdh_hold */
	uint8_t aug, k; /* from 0; k: the AU-3 or TUG-3 */
	bool ais;
	bool word_forced; /* the pointer word is `word` */
	uint16_t word;
	int32_t client;   /* bulk, -1 otherwise */
	uint16_t columns; /* of the VC */
	uint8_t c2, b3;
	bool rdi;
	uint32_t rei;
	uint64_t number; /* of the next VC */
	struct evl_trace trace;
	uint16_t forced; /* bit r: row r of the overhead is poh[r]; rows made otherwise only so */
	uint8_t poh[SDH_POH_BYTES];
	int32_t ppb;
	int64_t behind;
	uint16_t tu_first, tu_count; /* of tx->tu */
	bool any12, any11;
	const uint8_t *take11; /* mixed: 261 or 84 bytes, FF in the columns of TU-11 */
	bool jump;             /* a new pointer value was waiting at the start of this frame */
	uint8_t ready;         /* VCs whose TUs are made already, the last ones of tx->ready */
	struct evl_au_tx au;
};

struct sdh_tx_tu {
	uint8_t row; /* in the block */
	bool tu11, ais, client_ais;
	bool word_forced; /* V1 V2 are `word` */
	uint16_t word;
	int16_t client; /* -1: none */
	int32_t ppb;
	int64_t behind;
	struct evl_trace trace;
	struct evl_tu1_tx tu;
};

struct evl_sdh_tx {
	struct evl_sdh_map map;
	uint32_t n;
	bool started, ms_ais, offsets;
	uint32_t ahead; /* frames of client bits that were taken in ahead of the present one */
	uint32_t clients, tus;
	struct evl_stm_tx section;
	struct evl_sdh_client client[EVL_SDH_MOST_CLIENTS];
	struct sdh_queue queue[EVL_SDH_MOST_HIGH]; /* by 3 aug + part, for bulk */
	int16_t tu_of[EVL_SDH_MOST_CLIENTS];       /* -1: bulk */
	struct sdh_tx_path high[EVL_SDH_MOST_HIGH], tu3[EVL_SDH_MOST_HIGH];
	uint8_t mask[EVL_SDH_MOST_HIGH][EVL_VC4_COLUMNS];
	/* The TUs of one frame, or of four. */
	uint8_t block12[SDH_MULTI][EVL_TU12_ROWS][EVL_TU_STRIDE];
	uint8_t block11[SDH_MULTI][EVL_TU11_ROWS][EVL_TU_STRIDE];
	uint8_t ready[EVL_SDH_MOST_HIGH][SDH_MULTI][EVL_VC4_ROOM];
	uint8_t vc[EVL_VC4_ROOM]; /* mixed TU-11, and payload of VC-3 */
	uint8_t vc3[EVL_VC3_ROOM];
	uint8_t payload[EVL_SDH_AUGS][EVL_VC4_BYTES + 16];
	_Alignas(16) uint8_t au3[EVL_SDH_PARTS][EVL_AU3_STRIDE * 9];
	struct sdh_tx_tu *tu;
};

/* The path of a place that has a high-order VC or a VC-3, or NULL. */
struct sdh_tx_path *sdh_tx_path_at(struct evl_sdh_tx *tx, struct evl_sdh_at at);
struct sdh_tx_tu *sdh_tx_tu_at(struct evl_sdh_tx *tx, struct evl_sdh_at at);
struct sdh_queue *sdh_tx_queue(struct evl_sdh_tx *tx, uint32_t client);

/* evl_vc_source of a path. */
const uint8_t *sdh_make_vc(void *ctx, uint8_t *room, uint32_t start);

/* The state of frame `frame_number`, with the settings as they are. */
void sdh_restart(struct evl_sdh_tx *tx, uint64_t frame_number);
