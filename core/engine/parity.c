/* SPDX-License-Identifier: Apache-2.0 */
/* In-service error performance: the parities that a captured signal carries, second by second, near
 * and far end, into core/measure/performance.h. Defects are looked at after each slab (8 ms). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"

struct parity {
	struct evl_take_performance out;
	struct line_receiver *line; /* NULL: frames */
	struct evl_sdh_at at;
	bool section_b1, section_b2;
	struct framed_rx *framed;
	uint32_t blocks_per_frame_num, blocks_per_frame_den; /* of line frames, when not counted */
	uint64_t last_errored, last_rei, last_units;
	bool near_defect, far_defect; /* in this second */
};

/* Remote defects, which are the far end's. */
static bool is_remote(enum evl_alarm a)
{
	return a == EVL_ALARM_MS_RDI || a == EVL_ALARM_HP_RDI || a == EVL_ALARM_LP_RDI ||
	       a == EVL_ALARM_LP_RFI || a == EVL_ALARM_RAI;
}

static struct parity *add(struct take *t, const char *path, const char *near, const char *far,
	enum evl_performance_basis basis)
{
	struct parity *p = &t->parities[t->parity_count++];
	p->out.near_code = near;
	p->out.far_code = far;
	p->out.performance = evl_xcalloc(1, sizeof *p->out.performance);
	evl_performance_init(p->out.performance, evl_performance_path(path), basis, far != NULL);
	p->blocks_per_frame_num = p->out.performance->path->blocks_per_second;
	p->blocks_per_frame_den = EVL_FRAMES_PER_S;
	return p;
}

static struct parity *add_place(struct take *t, struct line_receiver *line, struct evl_sdh_at at,
	const char *path, const char *near, const char *far)
{
	struct parity *p = add(t, path, near, far, EVL_PERFORMANCE_IN_SERVICE);
	p->line = line;
	p->at = at;
	p->out.channel = line->part->plan->channel;
	return p;
}

static void add_high(struct take *t, struct line_receiver *line)
{
	uint32_t number = 1;
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH && i < 3u * line->map.stm; i++) {
		const enum evl_sdh_au au = (enum evl_sdh_au)line->map.aug[i / 3].au;
		const bool whole = line->map.aug[0].au == EVL_SDH_AU4_4C;
		if (whole ? i > 0 : au != EVL_SDH_AU3 && i % 3 > 0) {
			continue;
		}
		const char *path = whole ? "VC-4-4c" : au == EVL_SDH_AU3 ? "VC-3" : "VC-4";
		struct parity *p =
			add_place(t, line, (struct evl_sdh_at){EVL_SDH_HIGH, i}, path, "B3", "G1");
		snprintf(p->out.place, sizeof p->out.place, "%s %u", path, number++);
	}
}

static void add_clients(struct take *t, struct line_receiver *line)
{
	for (uint32_t i = 0; i < line->client_count && line->deep; i++) {
		const struct evl_sdh_client *c = &line->clients[i];
		if (line->channel_of[i] == UINT32_MAX) {
			continue; /* nobody's: mostly not equipped */
		}
		if (c->l == 0 &&
			!(c->kind == EVL_SDH_VC3 && line->map.aug[c->aug - 1].au == EVL_SDH_AU4)) {
			continue; /* a high-order path itself */
		}
		const bool vc3 = c->l == 0;
		const char *path = vc3 ? "VC-3" : c->tu11 ? "VC-11" : "VC-12";
		struct parity *p = add_place(t, line, (struct evl_sdh_at){EVL_SDH_CLIENT, i}, path,
			vc3 ? "B3" : "BIP-2", vc3 ? "G1" : "V5");
		char aug[8] = "";
		if (line->map.stm > 1) {
			snprintf(aug, sizeof aug, "%u-", c->aug);
		}
		snprintf(p->out.place, sizeof p->out.place, "%s %s%u-%u-%u", path, aug, c->k, c->l,
			c->m);
	}
}

static void add_framed(void *ctx, struct framed_rx *f)
{
	struct take *t = ctx;
	const bool e1 = f->e1 != NULL;
	if (e1 ? f->out.framing.e1 < EVL_E1_CRC4 : f->out.framing.t1 != EVL_T1_ESF) {
		return; /* no CRC in it */
	}
	struct parity *p = add(t, e1 ? "E1" : "T1", e1 ? "CRC-4" : "CRC-6", e1 ? "E bits" : NULL,
		EVL_PERFORMANCE_IN_SERVICE);
	p->framed = f;
	p->out.channel = f->out.channel;
	p->out.in_line = f->out.place == EVL_PLACE_LINE;
	snprintf(p->out.place, sizeof p->out.place, "%s%s", e1 ? "E1" : "T1",
		p->out.in_line ? " in the line" : "");
}

static void count_one(void *ctx, struct framed_rx *f)
{
	(void)f;
	++*(uint32_t *)ctx;
}

void evl_parity_prepare(struct take *t)
{
	uint32_t n = 0;
	evl_framed_each(t, count_one, &n);
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		const struct line_receiver *line = t->parts[i].line;
		n += line != NULL ? 2 + EVL_SDH_MOST_HIGH + line->client_count : 0;
	}
	t->parities = evl_xcalloc(n, sizeof *t->parities);
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct line_receiver *line = t->parts[i].line;
		if (line == NULL || !line->part->plan->watch) {
			continue;
		}
		const struct evl_sdh_at section = {EVL_SDH_SECTION, 0};
		const bool one = line->map.stm == 1;
		struct parity *p = add_place(t, line, section, one ? "RS-1" : "RS-4", "B1", NULL);
		p->section_b1 = true;
		snprintf(p->out.place, sizeof p->out.place, "RS");
		p = add_place(t, line, section, one ? "MS-1" : "MS-4", "B2", "M1");
		p->section_b2 = true;
		snprintf(p->out.place, sizeof p->out.place, "MS");
		add_high(t, line);
		add_clients(t, line);
	}
	evl_framed_each(t, add_framed, t);
}

/* Totals of errored blocks, of those of the far end, and of blocks (0: as many as frames bring). */
static void totals(const struct parity *p, uint64_t *errored, uint64_t *rei, uint64_t *units)
{
	*units = 0;
	if (p->framed != NULL && p->framed->e1 != NULL) {
		const struct evl_e1_counts *c = &p->framed->e1->counts;
		*errored = c->crc_errors[0] + c->crc_errors[1];
		*rei = c->e_bits;
		*units = c->crc_blocks;
		return;
	}
	if (p->framed != NULL) {
		*errored = p->framed->t1->counts.crc_errors;
		*rei = 0;
		*units = p->framed->t1->counts.crc_blocks;
		return;
	}
	struct evl_sdh_rx_counts c;
	enum evl_status st = evl_sdh_rx_counts(p->line->rx, p->at, &c);
	evl_require(st == EVL_OK);
	*errored = p->section_b1 ? c.b1_blocks : p->section_b2 ? c.b2_errors : c.errored_blocks;
	*rei = p->section_b2 ? c.rei : c.rei_blocks;
}

/* What the lead-in brought does not count. */
void evl_parity_start(struct take *t)
{
	for (uint32_t i = 0; i < t->parity_count; i++) {
		struct parity *p = &t->parities[i];
		totals(p, &p->last_errored, &p->last_rei, &p->last_units);
		p->near_defect = p->far_defect = false;
	}
}

static void look(struct parity *p)
{
	if (p->framed != NULL) {
		uint32_t alarms =
			p->framed->e1 != NULL ? p->framed->e1->alarms : p->framed->t1->alarms;
		const uint32_t near = 1u << EVL_ALARM_LOS | 1u << EVL_ALARM_AIS |
				      1u << EVL_ALARM_LOF | 1u << EVL_ALARM_OOF |
				      1u << EVL_ALARM_LOM;
		p->near_defect = p->near_defect || (alarms & near) != 0;
		p->far_defect = p->far_defect || (alarms & 1u << EVL_ALARM_RAI) != 0;
		return;
	}
	if (p->section_b1) {
		const uint32_t near =
			1u << EVL_ALARM_LOS | 1u << EVL_ALARM_LOF | 1u << EVL_ALARM_RS_TIM;
		p->near_defect =
			p->near_defect || (evl_sdh_rx_defects(p->line->rx, p->at) & near) != 0;
		return;
	}
	enum evl_alarm cause = evl_sdh_rx_root_cause(p->line->rx, p->at);
	if (is_remote(cause)) {
		p->far_defect = true;
	} else if (cause != EVL_ALARM_NONE && cause != EVL_ALARM_OOF) {
		p->near_defect = true;
	}
}

void evl_parity_look(struct take *t)
{
	for (uint32_t i = 0; i < t->parity_count; i++) {
		look(&t->parities[i]);
	}
}

void evl_parity_second(struct take *t)
{
	uint64_t frames = t->done % EVL_FRAMES_PER_S;
	frames = frames == 0 ? EVL_FRAMES_PER_S : frames;
	for (uint32_t i = 0; i < t->parity_count; i++) {
		struct parity *p = &t->parities[i];
		uint64_t errored, rei, units;
		totals(p, &errored, &rei, &units);
		struct evl_performance_second near = {
			.units = p->framed != NULL ? units - p->last_units
						   : frames * p->blocks_per_frame_num /
							     p->blocks_per_frame_den,
			.errored = errored - p->last_errored,
			.defect = p->near_defect};
		/* A block may have begun in the second before. */
		near.errored = near.errored < near.units ? near.errored : near.units;
		struct evl_performance_second far = {.units = near.units,
			.errored = rei - p->last_rei,
			.defect = p->far_defect,
			.unread = p->near_defect || near.units == 0};
		far.errored = far.errored < far.units ? far.errored : far.units;
		evl_performance_add(
			p->out.performance, &near, p->out.far_code != NULL ? &far : NULL);
		p->last_errored = errored;
		p->last_rei = rei;
		p->last_units = units;
		p->near_defect = p->far_defect = false;
	}
}

void evl_parity_collect(struct take *t)
{
	t->result->performances = evl_xcalloc(t->parity_count, sizeof *t->result->performances);
	for (uint32_t i = 0; i < t->parity_count; i++) {
		evl_performance_finish(t->parities[i].out.performance);
		t->result->performances[i] = t->parities[i].out;
		t->parities[i].out.performance = NULL;
	}
	t->result->performance_count = t->parity_count;
}

void evl_parity_finish(struct take *t)
{
	for (uint32_t i = 0; i < t->parity_count; i++) {
		free(t->parities[i].out.performance);
	}
	free(t->parities);
}
