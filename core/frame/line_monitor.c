/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/line_monitor.h"

#include <stdlib.h>

#include "core/frame/section_rx.h"

struct evl_line_monitor {
	struct evl_rx_options options;
	struct evl_section_rx section;
};

enum evl_status evl_line_monitor_create(
	struct evl_line_monitor **out, const struct evl_rx_options *options, struct evl_err *err)
{
	struct evl_rx_options resolved;
	enum evl_status status = evl_rx_options_resolve(&resolved, options, err);
	if (status != EVL_OK) {
		return status;
	}
	struct evl_line_monitor *mon = malloc(sizeof(*mon));
	if (mon == NULL) {
		return evl_err_set(
			err, EVL_E_NOMEM, "no memory for a line monitor (%zu bytes)", sizeof(*mon));
	}
	mon->options = resolved;
	evl_section_rx_init(&mon->section, 1, &resolved);
	*out = mon;
	return EVL_OK;
}

void evl_line_monitor_destroy(struct evl_line_monitor *mon)
{
	free(mon);
}

void evl_line_monitor_reset(struct evl_line_monitor *mon)
{
	evl_section_rx_init(&mon->section, 1, &mon->options);
}

void evl_line_monitor_set_frame(struct evl_line_monitor *mon, uint64_t frame_number)
{
	mon->section.base = frame_number * EVL_STM1_FRAME_BITS - mon->section.end;
}

void evl_line_monitor_feed(struct evl_line_monitor *mon, const uint8_t *line, uint32_t frames,
	const struct evl_mux63_events *events)
{
	for (uint32_t f = 0; f < frames; f++) {
		evl_section_rx_feed(
			&mon->section, line + (size_t)EVL_MUX63_LINE_BYTES * f, events, NULL, NULL);
	}
}

uint32_t evl_line_monitor_defects(const struct evl_line_monitor *mon)
{
	return mon->section.defects;
}

void evl_line_monitor_counts(const struct evl_line_monitor *mon, struct evl_mux63_line_counts *out)
{
	*out = mon->section.counts;
}

enum evl_status evl_line_extract(struct evl_klm klm, const uint8_t *line, uint32_t frames,
	uint8_t *e1, uint64_t *first_bit, struct evl_err *err)
{
	if (!evl_klm_valid(klm)) {
		return evl_err_set(err, EVL_E_INVALID,
			"K-L-M %u-%u-%u does not exist; K is 1 to 3, L 1 to 7, M 1 to 3", klm.k,
			klm.l, klm.m);
	}
	if (frames % 8 != 0) {
		return evl_err_set(
			err, EVL_E_INVALID, "%u line frames are no multiple of 8", frames);
	}
	uint32_t index = evl_klm_index(klm);
	const struct evl_rx_options options = {.tributaries = UINT64_C(1) << index};
	struct evl_mux63_rx *rx = NULL;
	enum evl_status status = evl_mux63_rx_create(&rx, &options, err);
	if (status != EVL_OK) {
		return status;
	}
	uint8_t *out[EVL_MUX63_TRIBS] = {NULL};
	*first_bit = 8u * EVL_MUX63_E1_BYTES * (uint64_t)frames;
	bool found = false;
	for (uint32_t f = 0; f < frames; f += 8) {
		out[index] = e1 + (size_t)EVL_MUX63_E1_BYTES * f;
		evl_mux63_decode(rx, line + (size_t)EVL_MUX63_LINE_BYTES * f, 8, out, NULL);
		uint64_t first = evl_mux63_rx_first_bit(rx, index);
		if (!found && first != UINT64_MAX) {
			found = true;
			*first_bit = first;
		}
	}
	evl_mux63_rx_destroy(rx);
	return EVL_OK;
}
