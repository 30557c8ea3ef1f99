/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The general encoder and decoder back to back with a different pattern in each client:
 *
 *	static struct sdh_rig rig;
 *	sdh_start(&rig, &map, NULL);
 *	rig.ppb[3] = 50000;
 *	sdh_run(&rig, 64, true);	// frames; with a desynchroniser
 *	sdh_finish(&rig);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/sdh.h"
#include "core/signal/prbs.h"

#define SDH_RIG_FRAMES 8u
#define SDH_RIG_EVENTS 4096u

struct sdh_rig_event {
	enum evl_alarm alarm;
	struct evl_sdh_at at;
	bool raised;
	uint64_t bit;
};

struct sdh_rig {
	struct evl_sdh_map map;
	struct evl_sdh_tx *tx;
	struct evl_sdh_rx *rx;
	const struct evl_sdh_client *client;
	uint32_t clients;
	int32_t ppb[EVL_SDH_MOST_CLIENTS];
	int64_t owed[EVL_SDH_MOST_CLIENTS]; /* 1e-9 / 8 bytes of input still to come */
	struct evl_prbs in[EVL_SDH_MOST_CLIENTS], out[EVL_SDH_MOST_CLIENTS];
	bool found[EVL_SDH_MOST_CLIENTS]; /* `out` follows the output */
	uint64_t given[EVL_SDH_MOST_CLIENTS], taken[EVL_SDH_MOST_CLIENTS];
	uint64_t errors[EVL_SDH_MOST_CLIENTS]; /* bytes; of the last sdh_run */
	uint64_t ones[EVL_SDH_MOST_CLIENTS];   /* bytes of FF; of the last sdh_run */
	uint64_t shift[EVL_SDH_MOST_CLIENTS];  /* bit of input that the first byte judged began */
	uint8_t *from[EVL_SDH_MOST_CLIENTS], *to[EVL_SDH_MOST_CLIENTS], *want;
	uint8_t line[SDH_RIG_FRAMES * 9720];
	uint64_t frame;
	void (*alter)(struct sdh_rig *rig, uint8_t *line, uint64_t frame);
	uint32_t arg;
	uint64_t told; /* bit of the last event of this call */
	uint32_t events;
	struct sdh_rig_event event[SDH_RIG_EVENTS];
};

static void sdh_note(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	struct sdh_rig *rig = ctx;
	assert_true(bit >= rig->told); /* in the order of the line within a call */
	rig->told = bit;
	if (rig->events < SDH_RIG_EVENTS) {
		rig->event[rig->events++] = (struct sdh_rig_event){alarm, at, raised, bit};
	}
}

static inline void sdh_start(
	struct sdh_rig *rig, const struct evl_sdh_map *map, const struct evl_rx_options *options)
{
	struct evl_err err = {0};
	memset(rig, 0, sizeof(*rig));
	rig->map = *map;
	assert_int_equal(evl_sdh_tx_create(&rig->tx, map, &err), EVL_OK);
	assert_int_equal(evl_sdh_rx_create(&rig->rx, map, options, &err), EVL_OK);
	rig->client = evl_sdh_tx_clients(rig->tx, &rig->clients);
	for (uint32_t i = 0; i < rig->clients; i++) {
		uint32_t least, most;
		evl_sdh_limits(&rig->client[i], SDH_RIG_FRAMES, &least, &most);
		rig->from[i] = malloc(most);
		rig->to[i] = malloc(evl_sdh_rx_room(&rig->client[i], SDH_RIG_FRAMES));
		evl_prbs_init(&rig->in[i], EVL_PRBS15, 90u * i);
	}
	rig->want = malloc(100000);
}

static inline void sdh_finish(struct sdh_rig *rig)
{
	evl_sdh_tx_destroy(rig->tx);
	evl_sdh_rx_destroy(rig->rx);
	for (uint32_t i = 0; i < rig->clients; i++) {
		free(rig->from[i]);
		free(rig->to[i]);
	}
	free(rig->want);
}

/* Looks for the place of the output in the pattern: the whole slab must fit. */
static inline void sdh_find(struct sdh_rig *rig, uint32_t i, uint32_t bytes)
{
	for (uint32_t phase = 0; phase < 32767; phase++) {
		struct evl_prbs prbs;
		uint8_t first[8];
		evl_prbs_init(&prbs, EVL_PRBS15, phase);
		evl_prbs_fill(&prbs, first, sizeof(first));
		if (memcmp(first, rig->to[i], sizeof(first)) == 0) {
			rig->found[i] = true;
			evl_prbs_init(&rig->out[i], EVL_PRBS15, phase);
			/* Input bit, modulo the period, minus output bit. */
			rig->shift[i] =
				(8 * rig->taken[i] + 90u * i + 40u * 32767u - phase) % 32767;
			return;
		}
	}
	(void)bytes;
}

static inline void sdh_run(struct sdh_rig *rig, uint64_t frames, bool steer)
{
	const struct evl_sdh_events events = {sdh_note, rig};
	uint32_t n_in[EVL_SDH_MOST_CLIENTS], n_out[EVL_SDH_MOST_CLIENTS];
	struct evl_err err = {0};
	bool bulk = false;
	for (uint32_t i = 0; i < rig->clients; i++) {
		bulk |= rig->client[i].kind >= EVL_SDH_VC3;
	}
	memset(rig->errors, 0, sizeof(rig->errors));
	memset(rig->ones, 0, sizeof(rig->ones));
	for (uint64_t done = 0; done < frames; done += SDH_RIG_FRAMES) {
		for (uint32_t i = 0; i < rig->clients; i++) {
			rig->owed[i] += (int64_t)rig->client[i].frame_bits *
					(1000000000 + (int64_t)rig->ppb[i]);
			n_in[i] = (uint32_t)(rig->owed[i] / 1000000000);
			rig->owed[i] %= 1000000000;
			evl_prbs_fill(&rig->in[i], rig->from[i], n_in[i]);
			rig->given[i] += n_in[i];
		}
		assert_int_equal(evl_sdh_encode(rig->tx, (const uint8_t *const *)rig->from, n_in,
					 SDH_RIG_FRAMES, rig->line, &err),
			EVL_OK);
		for (uint32_t f = 0; f < SDH_RIG_FRAMES && rig->alter != NULL; f++) {
			rig->alter(rig, rig->line + 2430 * rig->map.stm * f, rig->frame + f);
		}
		rig->told = 0;
		evl_sdh_decode(rig->rx, rig->line, SDH_RIG_FRAMES, rig->to,
			steer || bulk ? n_out : NULL, &events);
		rig->frame += SDH_RIG_FRAMES;
		for (uint32_t i = 0; i < rig->clients; i++) {
			uint32_t n = steer || bulk ? n_out[i]
						   : rig->client[i].frame_bits * SDH_RIG_FRAMES / 8;
			for (uint32_t b = 0; b < n; b++) {
				rig->ones[i] += rig->to[i][b] == 0xff;
			}
			if (!rig->found[i] && rig->frame >= 48 && n > 0) {
				sdh_find(rig, i, n);
			}
			rig->taken[i] += n;
			if (!rig->found[i] || n > 100000) {
				rig->errors[i] += rig->frame >= 64 ? n : 0;
				continue;
			}
			evl_prbs_fill(&rig->out[i], rig->want, n);
			for (uint32_t b = 0; b < n; b++) {
				rig->errors[i] += rig->want[b] != rig->to[i][b];
			}
		}
	}
}

/* The next event of this alarm and place after *from, which moves behind it; NULL: none. */
static inline const struct sdh_rig_event *sdh_event(
	const struct sdh_rig *rig, uint32_t *from, enum evl_alarm alarm, struct evl_sdh_at at)
{
	for (uint32_t i = *from; i < rig->events; i++) {
		const struct sdh_rig_event *e = &rig->event[i];
		if (e->alarm == alarm && e->at.level == at.level && e->at.index == at.index) {
			*from = i + 1;
			return e;
		}
	}
	return NULL;
}
