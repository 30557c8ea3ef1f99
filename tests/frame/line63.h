/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The general encoder and decoder for the one map of 63 E1 in STM-1, with shorter calls: no places
 * to be spelled out, texts for traces, and one "tributary" LINE63_LINE for section and VC-4.
 *
 *	struct line63_tx *tx = NULL;
 *	line63_tx_create(&tx, &err);
 *	line63_encode(tx, e1_in, 8, line);
 *
 * What is left out of the decoder's events: AIS of the clients themselves (frame.sdh_defects).
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "core/frame/vc1.h"

#define LINE63_TRIBS      63
#define LINE63_LINE_BYTES 2430
#define LINE63_E1_BYTES   32
#define LINE63_LINE       (-1)
/* Five frames from the input of the encoder to the output of the decoder. */
#define LINE63_DELAY_BITS         1280
#define LINE63_MOST_BYTES(frames) (33u * (frames))

/* ---- encoder ---- */

struct line63_tx;

static inline struct evl_sdh_at line63_at(uint32_t tributary)
{
	return (struct evl_sdh_at){EVL_SDH_CLIENT, tributary};
}

static const struct evl_sdh_at line63_section = {EVL_SDH_SECTION, 0},
			       line63_vc4 = {EVL_SDH_HIGH, 0};

static inline struct evl_sdh_tx *line63_sdh_tx(const struct line63_tx *tx)
{
	return (struct evl_sdh_tx *)tx;
}

static inline enum evl_status line63_tx_create(struct line63_tx **out, struct evl_err *err)
{
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	return evl_sdh_tx_create((struct evl_sdh_tx **)out, &map, err);
}

static inline void line63_tx_destroy(struct line63_tx *tx)
{
	evl_sdh_tx_destroy(line63_sdh_tx(tx));
}

static inline void line63_tx_set_frame(struct line63_tx *tx, uint64_t frame_number)
{
	evl_sdh_tx_set_frame(line63_sdh_tx(tx), frame_number);
}

static inline void line63_tx_reset(struct line63_tx *tx)
{
	line63_tx_set_frame(tx, 0);
}

static inline void line63_encode(
	struct line63_tx *tx, const uint8_t *const e1[LINE63_TRIBS], uint32_t frames, uint8_t *line)
{
	(void)evl_sdh_encode(line63_sdh_tx(tx), e1, NULL, frames, line, NULL);
}

static inline enum evl_status line63_encode_bytes(struct line63_tx *tx,
	const uint8_t *const e1[LINE63_TRIBS], const uint32_t bytes[LINE63_TRIBS], uint32_t frames,
	uint8_t *line, struct evl_err *err)
{
	return evl_sdh_encode(line63_sdh_tx(tx), e1, bytes, frames, line, err);
}

static inline enum evl_status line63_tx_set_au_offset(struct line63_tx *tx, int32_t ppb)
{
	return evl_sdh_tx_set_offset(line63_sdh_tx(tx), line63_vc4, ppb);
}

static inline enum evl_status line63_tx_set_tu_offset(
	struct line63_tx *tx, uint32_t tributary, int32_t ppb)
{
	return evl_sdh_tx_set_offset(line63_sdh_tx(tx), line63_at(tributary), ppb);
}

static inline enum evl_status line63_tx_set_au_pointer(struct line63_tx *tx, uint32_t value)
{
	return evl_sdh_tx_set_pointer(line63_sdh_tx(tx), line63_vc4, value);
}

static inline enum evl_status line63_tx_set_tu_pointer(
	struct line63_tx *tx, uint32_t tributary, uint32_t value)
{
	return evl_sdh_tx_set_pointer(line63_sdh_tx(tx), line63_at(tributary), value);
}

static inline void line63_tx_justify_au(struct line63_tx *tx, int32_t count)
{
	(void)evl_sdh_tx_justify(line63_sdh_tx(tx), line63_vc4, count);
}

static inline void line63_tx_justify_tu(struct line63_tx *tx, uint32_t tributary, int32_t count)
{
	(void)evl_sdh_tx_justify(line63_sdh_tx(tx), line63_at(tributary), count);
}

static inline enum evl_status line63_tx_set_trace(
	struct line63_tx *tx, struct evl_sdh_at at, const char *text)
{
	struct evl_trace trace;
	enum evl_status status = evl_trace_set(&trace, EVL_TRACE_16, text, NULL);
	return status == EVL_OK ? evl_sdh_tx_set_trace(line63_sdh_tx(tx), at, &trace) : status;
}

static inline enum evl_status line63_tx_set_j1(struct line63_tx *tx, const char *text)
{
	return line63_tx_set_trace(tx, line63_vc4, text);
}

static inline enum evl_status line63_tx_set_j2(
	struct line63_tx *tx, uint32_t tributary, const char *text)
{
	return line63_tx_set_trace(tx, line63_at(tributary), text);
}

static inline void line63_tx_set_c2(struct line63_tx *tx, uint8_t c2)
{
	(void)evl_sdh_tx_set_label(line63_sdh_tx(tx), line63_vc4, c2);
}

static inline void line63_tx_set_label(struct line63_tx *tx, uint32_t tributary, uint8_t label)
{
	(void)evl_sdh_tx_set_label(line63_sdh_tx(tx), line63_at(tributary), label);
}

static inline void line63_tx_insert_ms_ais(struct line63_tx *tx, bool on)
{
	(void)evl_sdh_tx_insert_ais(line63_sdh_tx(tx), line63_section, on);
}

static inline void line63_tx_insert_au_ais(struct line63_tx *tx, bool on)
{
	(void)evl_sdh_tx_insert_ais(line63_sdh_tx(tx), line63_vc4, on);
}

static inline void line63_tx_insert_tu_ais(struct line63_tx *tx, uint32_t tributary, bool on)
{
	(void)evl_sdh_tx_insert_ais(line63_sdh_tx(tx), line63_at(tributary), on);
}

static inline void line63_tx_insert_e1_ais(struct line63_tx *tx, uint32_t tributary, bool on)
{
	(void)evl_sdh_tx_insert_client_ais(line63_sdh_tx(tx), tributary, on);
}

/* evl_sdh_remote with the clients' RDI as bits. */
struct line63_remote {
	bool ms_rdi, hp_rdi;
	uint64_t lp_rdi;
	uint32_t ms_rei, hp_rei;
	uint8_t lp_rei[LINE63_TRIBS];
};

static inline void line63_tx_set_remote(struct line63_tx *tx, const struct line63_remote *remote)
{
	struct evl_sdh_remote sdh = {.ms_rdi = remote->ms_rdi, .ms_rei = remote->ms_rei};
	sdh.high[0].rdi = remote->hp_rdi;
	sdh.high[0].rei = remote->hp_rei;
	for (uint32_t t = 0; t < LINE63_TRIBS; t++) {
		sdh.client[t].rdi = (remote->lp_rdi >> t & 1) != 0;
		sdh.client[t].rei = remote->lp_rei[t];
	}
	evl_sdh_tx_set_remote(line63_sdh_tx(tx), &sdh);
}

static inline uint64_t line63_tx_slips(const struct line63_tx *tx, uint32_t tributary)
{
	struct evl_sdh_tx_counts c = {0};
	(void)evl_sdh_tx_counts(line63_sdh_tx(tx), tributary, &c);
	return c.slips;
}

/* ---- decoder ---- */

struct line63_rx;

typedef void (*line63_event_fn)(
	void *ctx, enum evl_alarm alarm, int tributary, bool raised, uint64_t bit_offset);

struct line63_events {
	line63_event_fn fn;
	void *ctx;
};

static inline struct evl_sdh_rx *line63_sdh_rx(const struct line63_rx *rx)
{
	return (struct evl_sdh_rx *)rx;
}

static inline enum evl_status line63_rx_create(
	struct line63_rx **out, const struct evl_rx_options *options, struct evl_err *err)
{
	struct evl_sdh_map map;
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	return evl_sdh_rx_create((struct evl_sdh_rx **)out, &map, options, err);
}

static inline void line63_rx_destroy(struct line63_rx *rx)
{
	evl_sdh_rx_destroy(line63_sdh_rx(rx));
}

static inline void line63_rx_reset(struct line63_rx *rx)
{
	evl_sdh_rx_reset(line63_sdh_rx(rx));
}

static inline void line63_rx_set_frame(struct line63_rx *rx, uint64_t frame_number)
{
	evl_sdh_rx_set_frame(line63_sdh_rx(rx), frame_number);
}

static inline void line63_pass(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	const struct line63_events *events = ctx;
	int tributary = at.level == EVL_SDH_CLIENT ? (int)at.index : LINE63_LINE;
	if (alarm != EVL_ALARM_AIS && events->fn != NULL) {
		events->fn(events->ctx, alarm, tributary, raised, bit);
	}
}

/* `bytes` may be NULL: nominal rates. */
static inline void line63_decode_bytes(struct line63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[LINE63_TRIBS], uint32_t bytes[LINE63_TRIBS],
	const struct line63_events *events)
{
	struct line63_events none = {NULL, NULL}, pass = events != NULL ? *events : none;
	const struct evl_sdh_events sdh = {line63_pass, &pass};
	evl_sdh_decode(line63_sdh_rx(rx), line, frames, e1, bytes, &sdh);
}

static inline void line63_decode(struct line63_rx *rx, const uint8_t *line, uint32_t frames,
	uint8_t *const e1[LINE63_TRIBS], const struct line63_events *events)
{
	line63_decode_bytes(rx, line, frames, e1, NULL, events);
}

static inline uint32_t line63_rx_defects(const struct line63_rx *rx, int tributary)
{
	struct evl_sdh_rx *sdh = line63_sdh_rx(rx);
	if (tributary >= 0) {
		return evl_sdh_rx_defects(sdh, line63_at((uint32_t)tributary)) &
		       ~(1u << EVL_ALARM_AIS);
	}
	return evl_sdh_rx_defects(sdh, line63_section) | evl_sdh_rx_defects(sdh, line63_vc4);
}

static inline bool line63_rx_defect(const struct line63_rx *rx, enum evl_alarm alarm, int tributary)
{
	return (line63_rx_defects(rx, tributary) >> alarm & 1) != 0;
}

static inline enum evl_alarm line63_rx_root_cause(const struct line63_rx *rx, int tributary)
{
	struct evl_sdh_rx *sdh = line63_sdh_rx(rx);
	if (tributary >= 0) {
		return evl_sdh_rx_root_cause(sdh, line63_at((uint32_t)tributary));
	}
	enum evl_alarm high = evl_sdh_rx_root_cause(sdh, line63_vc4);
	enum evl_alarm section = evl_sdh_rx_root_cause(sdh, line63_section);
	bool remote = high == EVL_ALARM_NONE || high == EVL_ALARM_HP_RDI;
	return remote && section != EVL_ALARM_NONE ? section : high;
}

static inline bool line63_rx_output_ais(const struct line63_rx *rx, uint32_t tributary)
{
	return evl_sdh_rx_output_ais(line63_sdh_rx(rx), tributary);
}

static inline uint64_t line63_rx_first_bit(const struct line63_rx *rx, uint32_t tributary)
{
	return evl_sdh_rx_first_bit(line63_sdh_rx(rx), tributary);
}

struct line63_line_counts {
	uint64_t frames, b1_errors, b2_errors, b3_errors, ms_rei, hp_rei;
	uint64_t au_increments, au_decrements, au_new_pointers;
};

struct line63_trib_counts {
	uint64_t bip2_errors, lp_rei, tu_increments, tu_decrements, tu_new_pointers;
	uint64_t extra_bits, missing_bits, slips_lost, slips_repeated;
};

static inline void line63_rx_line_counts(const struct line63_rx *rx, struct line63_line_counts *out)
{
	struct evl_sdh_rx_counts s, h;
	(void)evl_sdh_rx_counts(line63_sdh_rx(rx), line63_section, &s);
	(void)evl_sdh_rx_counts(line63_sdh_rx(rx), line63_vc4, &h);
	*out = (struct line63_line_counts){s.frames, s.b1_errors, s.b2_errors, h.errors, s.rei,
		h.rei, h.increments, h.decrements, h.new_pointers};
}

static inline void line63_rx_trib_counts(
	const struct line63_rx *rx, uint32_t tributary, struct line63_trib_counts *out)
{
	struct evl_sdh_rx_counts c;
	(void)evl_sdh_rx_counts(line63_sdh_rx(rx), line63_at(tributary), &c);
	*out = (struct line63_trib_counts){c.errors, c.rei, c.increments, c.decrements,
		c.new_pointers, c.extra, c.missing, c.slips_lost, c.slips_repeated};
}

static inline void line63_rx_take_remote(struct line63_rx *rx, struct line63_remote *out)
{
	struct evl_sdh_remote sdh;
	evl_sdh_rx_take_remote(line63_sdh_rx(rx), &sdh);
	*out = (struct line63_remote){.ms_rdi = sdh.ms_rdi,
		.ms_rei = sdh.ms_rei,
		.hp_rdi = sdh.high[0].rdi,
		.hp_rei = sdh.high[0].rei};
	for (uint32_t t = 0; t < LINE63_TRIBS; t++) {
		out->lp_rdi |= (uint64_t)sdh.client[t].rdi << t;
		out->lp_rei[t] = (uint8_t)sdh.client[t].rei;
	}
}

static inline int32_t line63_rx_au_pointer(const struct line63_rx *rx)
{
	return evl_sdh_rx_pointer(line63_sdh_rx(rx), line63_vc4);
}

static inline int32_t line63_rx_tu_pointer(const struct line63_rx *rx, uint32_t tributary)
{
	return evl_sdh_rx_pointer(line63_sdh_rx(rx), line63_at(tributary));
}
