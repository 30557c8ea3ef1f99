/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Encoder and decoder back to back with 63 different inputs, a log of events, and a place to alter
 * line frames in between:
 *
 *	static struct rig rig;
 *	rig_start(&rig, NULL);
 *	rig_run(&rig, 64);
 *	rig_expect(&rig, EVL_ALARM_LOS, LINE63_LINE, true, bit);
 *	rig_finish(&rig);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "core/frame/au.h"
#include "tests/frame/line63.h"
#include "core/signal/prbs.h"

#define RIG_FRAMES 8
#define RIG_E1     (RIG_FRAMES * 32)
#define RIG_LINE   (RIG_FRAMES * 2430)
#define RIG_EVENTS 4096
#define FRAME_BITS 19440u

struct rig_event {
	enum evl_alarm alarm;
	int tributary;
	bool raised;
	uint64_t bit;
};

struct rig {
	struct line63_tx *tx;
	struct line63_rx *rx;
	struct evl_prbs in[63], out[63]; /* inputs; outputs as they should be */
	uint8_t e1_in[63][RIG_E1], e1_out[63][RIG_E1], line[RIG_LINE];
	uint64_t frame;      /* frames done */
	uint64_t errors[63]; /* bytes of output that differ from the delayed input */
	uint64_t ones[63];   /* bytes of output that are FF */
	uint32_t events;
	struct rig_event event[RIG_EVENTS];
	/* Alters one line frame (scrambled); NULL: nothing. */
	void (*alter)(struct rig *rig, uint8_t *line, uint64_t frame);
	uint64_t from, to; /* for alter */
	uint32_t arg;
	bool b1_errors_expected;
};

static void rig_note(void *ctx, enum evl_alarm alarm, int tributary, bool raised, uint64_t bit)
{
	struct rig *rig = ctx;
	assert_true(rig->events < RIG_EVENTS);
	rig->event[rig->events++] = (struct rig_event){alarm, tributary, raised, bit};
}

static inline void rig_start(struct rig *rig, const struct evl_rx_options *options)
{
	memset(rig, 0, sizeof(*rig));
	assert_int_equal(line63_tx_create(&rig->tx, NULL), EVL_OK);
	assert_int_equal(line63_rx_create(&rig->rx, options, NULL), EVL_OK);
	for (uint32_t t = 0; t < 63; t++) {
		evl_prbs_init(&rig->in[t], EVL_PRBS15, 500u * t);
		/* Output bit b is input bit b - delay. */
		evl_prbs_init(&rig->out[t], EVL_PRBS15, 500u * t + 2u * 32767u - LINE63_DELAY_BITS);
	}
}

static inline void rig_finish(struct rig *rig)
{
	line63_tx_destroy(rig->tx);
	line63_rx_destroy(rig->rx);
}

/* `frames` is a multiple of 8. Counts of output bytes start anew with each call. */
static inline void rig_run(struct rig *rig, uint64_t frames)
{
	const struct line63_events events = {rig_note, rig};
	const uint8_t *in[63];
	uint8_t *out[63];
	memset(rig->errors, 0, sizeof(rig->errors));
	memset(rig->ones, 0, sizeof(rig->ones));
	for (uint64_t done = 0; done < frames; done += RIG_FRAMES) {
		for (uint32_t t = 0; t < 63; t++) {
			evl_prbs_fill(&rig->in[t], rig->e1_in[t], RIG_E1);
			in[t] = rig->e1_in[t];
			out[t] = rig->e1_out[t];
		}
		line63_encode(rig->tx, in, RIG_FRAMES, rig->line);
		for (uint32_t f = 0; f < RIG_FRAMES && rig->alter != NULL; f++) {
			rig->alter(rig, rig->line + 2430 * f, rig->frame + f);
		}
		line63_decode(rig->rx, rig->line, RIG_FRAMES, out, &events);
		rig->frame += RIG_FRAMES;
		for (uint32_t t = 0; t < 63; t++) {
			uint8_t want[RIG_E1];
			evl_prbs_fill(&rig->out[t], want, RIG_E1);
			for (uint32_t i = 0; i < RIG_E1; i++) {
				rig->errors[t] += want[i] != rig->e1_out[t][i];
				rig->ones[t] += rig->e1_out[t][i] == 0xff;
			}
		}
	}
}

static inline void rig_expect_clean(const struct rig *rig)
{
	for (uint32_t t = 0; t < 63; t++) {
		assert_int_equal(rig->errors[t], 0);
	}
}

/* The next event of this alarm and tributary after *at must be as said; *at moves behind it. */
static inline void rig_expect(const struct rig *rig, uint32_t *at, enum evl_alarm alarm,
	int tributary, bool raised, uint64_t bit)
{
	for (uint32_t i = *at; i < rig->events; i++) {
		const struct rig_event *e = &rig->event[i];
		if (e->alarm == alarm && e->tributary == tributary) {
			if (e->raised != raised || e->bit != bit) {
				print_error("%s %d: %s at %llu, expected %s at %llu\n",
					evl_alarm_name(alarm), tributary,
					e->raised ? "raised" : "cleared",
					(unsigned long long)e->bit, raised ? "raised" : "cleared",
					(unsigned long long)bit);
			}
			assert_int_equal(e->raised, raised);
			assert_int_equal(e->bit, bit);
			*at = i + 1;
			return;
		}
	}
	print_error("%s %d: no event, expected at %llu\n", evl_alarm_name(alarm), tributary,
		(unsigned long long)bit);
	fail();
}

static inline uint32_t rig_count(const struct rig *rig, enum evl_alarm alarm, int tributary)
{
	uint32_t n = 0;
	for (uint32_t i = 0; i < rig->events; i++) {
		n += rig->event[i].alarm == alarm && rig->event[i].tributary == tributary;
	}
	return n;
}

static inline void rig_dump(const struct rig *rig)
{
	for (uint32_t i = 0; i < rig->events; i++) {
		const struct rig_event *e = &rig->event[i];
		print_message("# %s %d %s %llu = frame %llu + %llu bytes %llu bits\n",
			evl_alarm_name(e->alarm), e->tributary, e->raised ? "raised" : "cleared",
			(unsigned long long)e->bit, (unsigned long long)(e->bit / FRAME_BITS),
			(unsigned long long)(e->bit % FRAME_BITS / 8),
			(unsigned long long)(e->bit % 8));
	}
}

/* Line bit after the byte in row and column (from 1) of frame `frame` of a line that starts with a
 * frame. */
static inline uint64_t rig_bit(uint64_t frame, uint32_t row, uint32_t column)
{
	return frame * FRAME_BITS + 8u * (uint64_t)((row - 1) * 270 + column);
}
