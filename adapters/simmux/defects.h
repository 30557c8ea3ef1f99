/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Defects on their way to the host: what each channel has at present, and a queue of changes in
 * the order of their instants. Several places of the unit (the paths of a line) may have a defect
 * for one channel; it is raised with the first and cleared with the last.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/ports.h"
#include "core/adapter/adapter.h"
#include "core/base/alarm.h"

#define SIMMUX_EVENTS 65536u

/* Planted: how one defect of one channel is reported. */
struct simmux_report {
	bool hidden; /* never reported */
	bool stuck;  /* its end is never reported */
	uint64_t late_ns;
};

struct simmux_defects {
	uint8_t present[SIMMUX_CHANNELS][EVL_ALARM_COUNT]; /* places that have it */
	uint32_t reported[SIMMUX_CHANNELS];                /* bit a: raised and not cleared */
	struct evl_event queue[SIMMUX_EVENTS];
	uint32_t head, count;
	uint64_t lost; /* changes that found the queue full */
	/* What was planted; NULL while nothing is. */
	const struct simmux_report (*planted)[EVL_ALARM_COUNT];
};

/* A place begins or ceases to have the defect; every call is a change of that place. */
void simmux_defects_change(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised, uint64_t at_ns);

/* The same, where only one place can have it: queues a change, and only a change. */
void simmux_defects_note(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised, uint64_t at_ns);

/* Says how many places have it at an instant, whatever was said before. */
void simmux_defects_set(struct simmux_defects *d, uint32_t channel, uint32_t alarm, uint32_t places,
	uint64_t at_ns);

/* The oldest change not yet taken that lies before `until_ns`. False: none. */
bool simmux_defects_take(struct simmux_defects *d, uint64_t until_ns, struct evl_event *out);
