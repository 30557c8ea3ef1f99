/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/protect.h"

#include <string.h>

#include "adapters/simmux/parts.h"

#define CHUNK_NS   ((uint64_t)SIMMUX_CHUNK_FRAMES * EVL_FRAME_NS)
#define BIT(alarm) (1u << (alarm))
#define SF_ALARMS                                                                                  \
	(BIT(EVL_ALARM_LOS) | BIT(EVL_ALARM_LOF) | BIT(EVL_ALARM_MS_AIS) | BIT(EVL_ALARM_RS_TIM))

/* Requests of K1, bits 1 to 4. */
enum request {
	NO_REQUEST = 0x0,
	DO_NOT_REVERT = 0x1,
	WAIT_TO_RESTORE = 0x6,
	SIGNAL_FAIL = 0xd, /* high priority */
};

void simmux_protect_init(struct simmux_unit *u)
{
	memset(&u->protect, 0, sizeof(u->protect));
}

void simmux_protect_reset(struct simmux_unit *u)
{
	memset(u->protect.fails, 0, sizeof(u->protect.fails));
	u->protect.failed = false;
}

static void on_section(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	const struct simmux_hearer *h = ctx;
	const uint32_t n = h->line->index;
	struct simmux_protect *p = &h->u->protect;
	uint32_t now = raised ? p->fails[n] | (BIT(alarm) & SF_ALARMS) : p->fails[n] & ~BIT(alarm);

	if (p->fails[n] == 0 && now != 0) {
		p->fails_since[n] = simmux_ns_of(
			bit, h->u->ports->list[simmux_line_channel(h->u->ports, n)].frame_bits);
	}
	p->fails[n] = now;
	simmux_on_defect(ctx, alarm, at, raised, bit);
}

void simmux_protect_decode(struct simmux_unit *u, struct simmux_line *l, const uint8_t *line)
{
	struct simmux_hearer hearer = {u, l};
	const struct evl_sdh_events events = {on_section, &hearer};
	struct evl_sdh_remote heard;

	evl_sdh_decode(l->section_rx, line, SIMMUX_CHUNK_FRAMES, NULL, NULL, &events);
	evl_sdh_rx_take_remote(l->section_rx, &heard);
	l->heard_rdi = heard.ms_rdi;
	l->heard_rei = heard.ms_rei;
}

const uint8_t *simmux_protect_select(struct simmux_unit *u, const uint8_t *const in[SIMMUX_LINES])
{
	const uint32_t n = u->protect.selected;
	struct simmux_line *l = u->line[n];
	static const uint8_t *const nothing[EVL_SDH_MOST_CLIENTS];

	if (!u->protect.failed || u->protect.fails[n] == 0) {
		return in[n];
	}
	/* The bits of that line have been listened to; nobody needs them any more. */
	evl_sdh_tx_set_frame(l->ais_tx, u->now);
	evl_require(evl_sdh_encode(l->ais_tx, nothing, NULL, SIMMUX_CHUNK_FRAMES, u->line_in[n],
			    NULL) == EVL_OK);
	return u->line_in[n];
}

static void move(struct simmux_unit *u, uint32_t to)
{
	struct simmux_protect *p = &u->protect;

	p->selected = to;
	p->moves++;
	p->moving = false;
	p->waiting = false;
	if (u->quiet) {
		return; /* what is so after the lead is reported then */
	}
	simmux_defects_note(&u->defects, simmux_line_channel(u->ports, SIMMUX_PROTECTION),
		EVL_ALARM_PSE, to == SIMMUX_PROTECTION, u->now * EVL_FRAME_NS);
}

static void decide(struct simmux_unit *u)
{
	const struct simmux_protection *o = &u->options->protection;
	struct simmux_protect *p = &u->protect;
	const uint64_t now = u->now * EVL_FRAME_NS;
	const uint32_t other = p->selected ^ 1u;

	if (p->fails[p->selected] != 0 && p->fails[other] == 0 && !p->moving) {
		uint64_t since = p->fails_since[p->selected];

		/* One that stood already while the other section failed too counts from now. */
		p->moving = true;
		p->move_ns = (since + CHUNK_NS >= now ? since : now) + o->switch_ns;
	}
	if (p->moving && p->fails[other] != 0) {
		p->moving = false; /* nothing to be gained */
	}
	if (p->moving && now >= p->move_ns) {
		move(u, other);
		return;
	}
	if (!o->revertive || p->selected == SIMMUX_WORKING || p->fails[SIMMUX_WORKING] != 0) {
		p->waiting = false;
		return;
	}
	if (!p->waiting) {
		p->waiting = true;
		p->restore_ns = now + o->wait_ns;
	}
	if (now >= p->restore_ns) {
		move(u, SIMMUX_WORKING);
	}
}

void simmux_protect_step(struct simmux_unit *u)
{
	struct simmux_protect *p = &u->protect;

	decide(u);
	p->failed = p->fails[p->selected] != 0;
}

void simmux_protect_tell(struct simmux_unit *u)
{
	const struct simmux_protect *p = &u->protect;
	enum request request = NO_REQUEST;
	uint8_t section = 0; /* 0: the protection section, or nothing */

	if (p->fails[SIMMUX_PROTECTION] != 0) {
		request = SIGNAL_FAIL;
	} else if (p->fails[SIMMUX_WORKING] != 0) {
		request = SIGNAL_FAIL;
		section = 1;
	} else if (p->selected == SIMMUX_PROTECTION) {
		request = u->options->protection.revertive ? WAIT_TO_RESTORE : DO_NOT_REVERT;
		section = 1;
	}
	evl_sdh_tx_set_aps(u->line[SIMMUX_PROTECTION]->tx,
		(uint8_t)((uint32_t)request << 4 | section), (uint8_t)(section << 4));
}
