/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Defects on their way to the host: what each channel has at present, and a queue of changes in
 * the order of their instants.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/adapter/adapter.h"

#define SIMMUX_CHANNELS 64u
#define SIMMUX_EVENTS   16384u

struct simmux_defects {
	uint32_t present[SIMMUX_CHANNELS]; /* bit a: alarm a was raised and not cleared */
	struct evl_event queue[SIMMUX_EVENTS];
	uint32_t head, count;
	uint64_t lost; /* changes that found the queue full */
};

/* Notes the state of one defect; queues a change, and only a change. */
void simmux_defects_note(struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised,
			 uint64_t at_ns);

/* The oldest change not yet taken. False: none. */
bool simmux_defects_take(struct simmux_defects *d, struct evl_event *out);
