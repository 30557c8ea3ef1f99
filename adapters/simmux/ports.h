/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The ports of the unit, which are its channels: tributaries by kind, those of line 1 before those
 * of line 2, then the lines. The list is made once at open and never changes.
 *
 *	struct simmux_ports ports;
 *	simmux_ports_make(&ports, 1, false, 1, (const uint32_t[]){[SIMMUX_E1] = 63});
 *	ports.list[11]					// kind E1, line 0, number 12
 *	simmux_port_name(&ports, 11, name);		// "trib-12"
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/adapter/adapter.h"
#include "core/frame/sdh_map.h"

#define SIMMUX_LINES    2u
#define SIMMUX_CHANNELS 1300u /* 2 x (252 E1, 336 T1, 12 VC-3, 4 VC-4, 1 VC-4-4c), 2 lines */

enum simmux_kind {
	SIMMUX_E1 = 0,
	SIMMUX_T1,
	SIMMUX_VC3,
	SIMMUX_VC4,
	SIMMUX_VC4_4C,
	SIMMUX_LINE,
	SIMMUX_KINDS_OF_PORT
};

struct simmux_port {
	uint8_t kind;        /* enum simmux_kind */
	uint8_t line;        /* from 0: the line that it belongs to, or is */
	uint16_t number;     /* from 1, over both lines */
	uint32_t frame_bits; /* nominal, in 125 us */
};

struct simmux_ports {
	uint32_t lines, stm;
	bool protection; /* line 2 carries the same as line 1 and has no tributaries of its own */
	uint32_t per_line[SIMMUX_LINE];       /* ports of each kind for each line */
	uint32_t first[SIMMUX_KINDS_OF_PORT]; /* index of the first of the kind */
	uint32_t count;                       /* of all ports */
	struct simmux_port list[SIMMUX_CHANNELS];
};

void simmux_ports_make(struct simmux_ports *p, uint32_t lines, bool protection, uint32_t stm,
	const uint32_t per_line[SIMMUX_LINE]);

/* Lines that have tributaries of their own. */
static inline uint32_t simmux_ports_groups(const struct simmux_ports *p)
{
	return p->protection ? 1 : p->lines;
}

/* The port of kind and line that has this place, from 0, among those of its line. */
static inline uint32_t simmux_port_at(
	const struct simmux_ports *p, uint32_t kind, uint32_t line, uint32_t place)
{
	return p->first[kind] + (kind == SIMMUX_LINE ? line : line * p->per_line[kind] + place);
}

static inline uint32_t simmux_line_channel(const struct simmux_ports *p, uint32_t line)
{
	return p->first[SIMMUX_LINE] + line;
}

static inline bool simmux_is_bulk(const struct simmux_port *p)
{
	return p->kind == SIMMUX_VC3 || p->kind == SIMMUX_VC4 || p->kind == SIMMUX_VC4_4C;
}

/* Where a client of a map plugs in. */
enum simmux_kind simmux_kind_of(const struct evl_sdh_client *client);

/* "trib-12" where there is one kind of E1 and T1, else "e1-12"; "vc3-1", "line", "line-2". */
void simmux_port_name(const struct simmux_ports *p, uint32_t channel, char name[EVL_NAME_MAX]);

/* The channel of that name; UINT32_MAX: none. */
uint32_t simmux_port_find(const struct simmux_ports *p, const char *name);
