/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/ports.h"

#include <stdio.h>
#include <string.h>

/* Bits in 125 us; containers by ITU-T G.707 figure 6-1: C-3 84 and C-4 260 columns of 9 rows. */
static const uint32_t frame_bits[SIMMUX_LINE] = {256, 193, 8 * 756, 8 * 2340, 8 * 9360};

void simmux_ports_make(struct simmux_ports *p, uint32_t lines, bool protection, uint32_t stm,
	const uint32_t per_line[SIMMUX_LINE])
{
	memset(p, 0, sizeof(*p));
	p->lines = lines;
	p->protection = protection;
	p->stm = stm;
	for (uint32_t kind = 0; kind < SIMMUX_LINE; kind++) {
		p->per_line[kind] = per_line[kind];
		p->first[kind] = p->count;
		for (uint32_t i = 0; i < simmux_ports_groups(p) * per_line[kind]; i++) {
			p->list[p->count++] = (struct simmux_port){.kind = (uint8_t)kind,
				.line = (uint8_t)(i / per_line[kind]),
				.number = (uint16_t)(i + 1),
				.frame_bits = frame_bits[kind]};
		}
	}
	p->first[SIMMUX_LINE] = p->count;
	for (uint32_t l = 0; l < lines; l++) {
		p->list[p->count++] = (struct simmux_port){.kind = SIMMUX_LINE,
			.line = (uint8_t)l,
			.number = (uint16_t)(l + 1),
			.frame_bits = 8 * 2430 * stm};
	}
}

enum simmux_kind simmux_kind_of(const struct evl_sdh_client *client)
{
	switch (client->kind) {
	case EVL_SDH_T1:
	case EVL_SDH_T1_BYTE:
		return SIMMUX_T1;
	case EVL_SDH_VC3:
		return SIMMUX_VC3;
	case EVL_SDH_VC4:
		return SIMMUX_VC4;
	case EVL_SDH_VC4_4C:
		return SIMMUX_VC4_4C;
	default:
		return SIMMUX_E1;
	}
}

void simmux_port_name(const struct simmux_ports *p, uint32_t channel, char name[EVL_NAME_MAX])
{
	static const char *const words[SIMMUX_LINE] = {"e1", "t1", "vc3", "vc4", "vc4-4c"};
	const struct simmux_port *port = &p->list[channel];
	const bool alone = p->per_line[SIMMUX_E1] == 0 || p->per_line[SIMMUX_T1] == 0;

	if (port->kind == SIMMUX_LINE && p->lines == 1) {
		snprintf(name, EVL_NAME_MAX, "line");
	} else {
		snprintf(name, EVL_NAME_MAX, "%s-%u",
			port->kind == SIMMUX_LINE          ? "line"
			: port->kind <= SIMMUX_T1 && alone ? "trib"
							   : words[port->kind],
			(unsigned)port->number);
	}
}

uint32_t simmux_port_find(const struct simmux_ports *p, const char *name)
{
	for (uint32_t c = 0; c < p->count; c++) {
		char own[EVL_NAME_MAX];

		simmux_port_name(p, c, own);
		if (strcmp(own, name) == 0) {
			return c;
		}
	}
	return UINT32_MAX;
}
