/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One line of the unit: encoder and decoder of its mapping, which client of it goes to which port,
 * what is sent and expected at each place, and which defects the encoder puts in at present.
 *
 *	struct simmux_line *l = simmux_line_create(&options, 0, "AU-4/TU-12/E1", by_klm, err);
 *	simmux_line_set(l, &setting, true, err);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/options.h"
#include "core/base/alarm.h"
#include "core/frame/sdh.h"

#define SIMMUX_CHUNK_FRAMES 8u /* the unit works in steps of 1 ms */

/* Defects that the encoder puts in: bit a is alarm a. */
struct simmux_wish {
	uint32_t section, high[EVL_SDH_MOST_HIGH], low[EVL_SDH_MOST_CLIENTS];
};

struct simmux_place {
	struct evl_trace sent;     /* of kind NONE: zeros are sent */
	struct evl_trace expected; /* when `expects` */
	bool expects;
	bool expects_label; /* bulk: the label, otherwise any */
	uint8_t label;      /* sent: C2 or bits 5 to 7 of V5 */
};

struct simmux_line {
	uint32_t index;       /* from 0 */
	uint32_t group;       /* the line whose tributaries it carries */
	uint32_t chunk_bytes; /* of the line */
	struct evl_sdh_map map;
	struct evl_sdh_tx *tx;
	struct evl_sdh_rx *rx; /* with protection that of line 1 takes what the selector gives */
	struct evl_sdh_rx *section_rx; /* with protection, else NULL: the section alone */
	struct evl_sdh_tx *ais_tx;     /* with protection: what the paths get while SF stands */
	bool heard_rdi;                /* by it, in this chunk */
	uint32_t heard_rei;
	uint32_t clients;
	const struct evl_sdh_client *client;   /* of tx */
	int32_t port_of[EVL_SDH_MOST_CLIENTS]; /* channel, -1: none */
	uint8_t highs[EVL_SDH_MOST_HIGH];      /* the high-order paths that there are */
	uint32_t high_count;
	struct simmux_place section, high[EVL_SDH_MOST_HIGH], low[EVL_SDH_MOST_CLIENTS];
	uint8_t k1, k2;
	struct simmux_wish wish; /* at present */
	struct evl_sdh_remote remote;
	/* During a chunk. */
	const uint8_t *data[EVL_SDH_MOST_CLIENTS];
	uint32_t bytes[EVL_SDH_MOST_CLIENTS];
	uint8_t *out[EVL_SDH_MOST_CLIENTS];
	uint32_t out_bytes[EVL_SDH_MOST_CLIENTS];
};

/* The receiver that knows of a place: a protected section has one of its own. */
static inline struct evl_sdh_rx *simmux_line_rx(const struct simmux_line *l, struct evl_sdh_at at)
{
	return at.level == EVL_SDH_SECTION && l->section_rx != NULL ? l->section_rx : l->rx;
}

/* NULL: err->text says why: the mapping, or out of memory. */
struct simmux_line *simmux_line_create(const struct simmux_options *o, uint32_t index,
	const char *mapping, enum simmux_order order, struct evl_adapter_error *err);
void simmux_line_destroy(struct simmux_line *l); /* takes NULL */

/* Does a setting (SENT, EXPECTED) at this line, or at the client of one of its ports, or at every
 * place that it fits when its channel is SIMMUX_ALL. With `strict` a place that the mapping does
 * not have is an error. EVL_ADAPTER_E_UNSUPPORTED. */
int simmux_line_set(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, bool strict, struct evl_adapter_error *err);

/* Plants what a fault changes in what is sent; others are passed over. */
void simmux_line_plant(
	struct simmux_line *l, const struct simmux_options *o, const struct simmux_fault *f);

/* Makes the encoder put in what is wished, and no more. RDI comes with the next remote. */
void simmux_line_wish(struct simmux_line *l, const struct simmux_wish *wish);

/* The client of a channel on this line, -1: none. */
int32_t simmux_line_client(const struct simmux_line *l, uint32_t channel);
