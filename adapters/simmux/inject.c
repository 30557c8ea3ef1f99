/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/inject.h"

#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"
#include "core/base/alarm.h"

#define CHUNK_NS    ((uint64_t)SIMMUX_CHUNK_FRAMES * EVL_FRAME_NS)
#define E1_AIS_BITS 1024u  /* G.775 5.2: two periods of 512 bits */
#define T1_AIS_BITS 18528u /* G.775 5.4: 3 to 75 ms; here 12 ms */

/* Which alarm can be injected where. */
enum place { NEVER = 0, ON_LINE = 1, ON_LOW = 2, ON_E1 = 4, ON_T1 = 8 };

static const struct {
	uint8_t place;
	uint8_t where; /* enum simmux_where on a line or a low-order path */
} rules[EVL_ALARM_COUNT] = {
	[EVL_ALARM_LOS] = {ON_LINE | ON_E1 | ON_T1, SIMMUX_IN_BITS},
	[EVL_ALARM_OOF] = {ON_LINE | ON_T1, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LOF] = {ON_LINE | ON_E1 | ON_T1, SIMMUX_IN_ENCODER},
	[EVL_ALARM_MS_AIS] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_MS_RDI] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_AU_AIS] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_AU_LOP] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_HP_UNEQ] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_HP_PLM] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_HP_RDI] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_HP_LOM] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_RS_TIM] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_HP_TIM] = {ON_LINE, SIMMUX_IN_ENCODER},
	[EVL_ALARM_TU_AIS] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_TU_LOP] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LP_UNEQ] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LP_PLM] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LP_RDI] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LP_TIM] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_LP_RFI] = {ON_LOW, SIMMUX_IN_ENCODER},
	[EVL_ALARM_AIS] = {ON_E1 | ON_T1, SIMMUX_IN_BITS},
	[EVL_ALARM_RAI] = {ON_E1 | ON_T1, SIMMUX_IN_FRAMES},
	[EVL_ALARM_LOM] = {ON_E1, SIMMUX_IN_FRAMES},
	[EVL_ALARM_TS16_LOM] = {ON_E1, SIMMUX_IN_FRAMES},
	[EVL_ALARM_TS16_AIS] = {ON_E1, SIMMUX_IN_FRAMES},
	[EVL_ALARM_TS16_RAI] = {ON_E1, SIMMUX_IN_FRAMES},
};

static const struct simmux_port *port_of(const struct simmux_unit *u, uint32_t channel)
{
	return &u->ports->list[channel];
}

static bool is_path_alarm(uint32_t alarm)
{
	return alarm == EVL_ALARM_AU_AIS || alarm == EVL_ALARM_AU_LOP ||
	       (alarm >= EVL_ALARM_HP_UNEQ && alarm <= EVL_ALARM_HP_LOM) ||
	       alarm == EVL_ALARM_HP_TIM;
}

/* ---- what can be done ---- */

/* A high-order path that cannot show the defect. */
static const char *check_path(const struct simmux_line *l, uint32_t alarm, uint32_t h)
{
	const struct simmux_place *p = &l->high[h];
	const bool tug = p->label == 0x02 || l->map.aug[h / 3].hold == EVL_SDH_TUG;

	if (alarm == EVL_ALARM_HP_TIM && !p->expects) {
		return "cannot show: any trace is expected; set an expected J1 first";
	}
	if (alarm == EVL_ALARM_HP_LOM && !tug) {
		return "cannot show: a path without tributary units has no multiframe";
	}
	if (alarm == EVL_ALARM_HP_PLM && !tug && !p->expects_label) {
		return "cannot show: any label is expected; set an expected C2 first";
	}
	return NULL;
}

static const char *check_line_alarm(
	const struct simmux_unit *u, const struct simmux_injection *what)
{
	const struct simmux_line *l = u->line[port_of(u, what->channel)->line];

	if (what->alarm == EVL_ALARM_RS_TIM && !l->section.expects) {
		return "cannot show: any trace is expected; set an expected J0 first";
	}
	if (!is_path_alarm(what->alarm)) {
		return what->path == 0 ? NULL : "is of the section and has no path";
	}
	if (what->path > l->high_count) {
		return "names a path that the mapping does not have";
	}
	for (uint32_t i = 0; i < l->high_count; i++) {
		const char *why = what->path == 0 || what->path == i + 1
					  ? check_path(l, what->alarm, l->highs[i])
					  : NULL;

		if (why != NULL) {
			return why;
		}
	}
	return NULL;
}

static const char *check_low_alarm(const struct simmux_unit *u, const struct simmux_injection *what)
{
	const struct simmux_line *l = u->line[port_of(u, what->channel)->line];
	const int32_t i = u->trib[what->channel].client;
	const struct evl_sdh_client *c;

	if (i < 0) {
		return "cannot show: the mapping does not connect this tributary";
	}
	c = &l->client[i];
	if (c->kind > EVL_SDH_VC3 ||
		(c->kind == EVL_SDH_VC3 && l->map.aug[c->aug - 1].au != EVL_SDH_AU4)) {
		return "cannot show: this tributary is a high-order path; inject on the line";
	}
	if (what->alarm == EVL_ALARM_LP_TIM && !l->low[i].expects) {
		return "cannot show: any trace is expected; set an expected J2 (VC-3: J1) first";
	}
	if (what->alarm == EVL_ALARM_LP_PLM && c->kind == EVL_SDH_VC3 && !l->low[i].expects_label) {
		return "cannot show: any label is expected; set an expected C2 first";
	}
	if (what->alarm == EVL_ALARM_LP_RFI && c->kind != EVL_SDH_T1_BYTE) {
		return "cannot show: only a byte-synchronous VC-11 has RFI";
	}
	return NULL;
}

static const char *check_alarm(
	const struct simmux_unit *u, const struct simmux_injection *what, enum simmux_where *where)
{
	const struct simmux_port *port = port_of(u, what->channel);
	const uint8_t here = port->kind == SIMMUX_LINE ? ON_LINE
			     : port->kind == SIMMUX_E1 ? ON_E1 | ON_LOW
			     : port->kind == SIMMUX_T1 ? ON_T1 | ON_LOW
						       : ON_LOW;

	if ((rules[what->alarm].place & here) == 0) {
		return port->kind == SIMMUX_LINE
			       ? "cannot be injected on a line; possible are LOS, OOF, LOF, "
				 "MS-AIS, "
				 "MS-RDI, RS-TIM, AU-AIS, AU-LOP, HP-UNEQ, HP-PLM, HP-TIM, HP-RDI, "
				 "HP-LOM"
			       : "cannot be injected on this tributary; possible are TU-AIS, "
				 "TU-LOP, "
				 "LP-UNEQ, LP-PLM, LP-TIM, LP-RDI, LP-RFI, of an E1 or T1 LOS and "
				 "AIS";
	}
	*where = (enum simmux_where)rules[what->alarm].where;
	if (port->kind == SIMMUX_LINE) {
		return check_line_alarm(u, what);
	}
	if ((rules[what->alarm].place & here & ON_LOW) != 0) {
		return check_low_alarm(u, what);
	}
	if (what->alarm == EVL_ALARM_LOS || what->alarm == EVL_ALARM_AIS) {
		return NULL;
	}
	*where = SIMMUX_IN_FRAMES;
	return simmux_watch_check(u->trib[what->channel].watch, what->alarm);
}

static uint64_t seen_after(const struct simmux_port *port, uint32_t alarm)
{
	const bool e1 = port->kind == SIMMUX_E1;

	return alarm == EVL_ALARM_LOS ? (e1 ? SIMMUX_E1_LOS_BITS : SIMMUX_T1_LOS_BITS)
				      : (e1 ? E1_AIS_BITS : T1_AIS_BITS);
}

/* A slip needs its store, which fills from now on. */
static const char *ready_store(struct simmux_unit *u, const struct simmux_injection *what)
{
	const struct simmux_port *port = port_of(u, what->channel);
	struct simmux_store *s = port->kind == SIMMUX_LINE ? &u->line_store[port->line]
							   : &u->trib[what->channel].store;

	for (uint32_t i = 0; i < u->injections.count; i++) {
		const struct simmux_injection *other = &u->injections.list[i].what;

		if (other->kind == EVL_INJECT_SLIP && other->channel == what->channel &&
			other->at_ns / CHUNK_NS == what->at_ns / CHUNK_NS) {
			return "is in the same millisecond as another slip";
		}
	}
	if (what->slip_bits == 0 || what->slip_bits > SIMMUX_SLIP_STORE ||
		what->slip_bits < -(int64_t)SIMMUX_SLIP_STORE) {
		return "must be 1 to 8192 bits, more or fewer";
	}
	if (s->memory == NULL && !simmux_store_init(s, 0, simmux_unit_most(u, what->channel))) {
		return "needs memory that is not there";
	}
	if ((int64_t)s->slipper.delay_bits + what->slip_bits < 0) {
		return "would leave out bits that have not come yet; set the option slip_room, or "
		       "let bits come again first";
	}
	if ((int64_t)s->slipper.delay_bits + what->slip_bits > (int64_t)SIMMUX_SLIP_STORE) {
		return "is more than the store of 8192 bits holds";
	}
	return NULL;
}

const char *simmux_inject_add(struct simmux_unit *u, const struct simmux_injection *what, int *code)
{
	struct simmux_injections *in = &u->injections;
	struct simmux_pending *p = &in->list[in->count];
	const struct simmux_port *port = port_of(u, what->channel);
	const bool once = what->kind == EVL_INJECT_BIT || what->kind == EVL_INJECT_SLIP;
	const bool loop = u->options->looped && !u->line_played[port->line];
	enum simmux_where where = SIMMUX_IN_BITS;
	const char *why = NULL;

	*code = EVL_ADAPTER_E_UNSUPPORTED;
	if (what->kind == EVL_INJECT_ALARM) {
		why = check_alarm(u, what, &where);
	} else if (what->path != 0) {
		why = "has no path";
	}
	if (why != NULL) {
		return why;
	}
	if (where == SIMMUX_IN_ENCODER && !loop) {
		return "needs the line looped and nobody playing into it";
	}
	*code = EVL_ADAPTER_E_STATE;
	if (where == SIMMUX_IN_ENCODER && what->lasting_ns < CHUNK_NS) {
		return "must last 1 ms or longer";
	}
	if (!once && what->lasting_ns == 0) {
		return "must last longer than nothing";
	}
	if (what->at_ns < u->now * EVL_FRAME_NS) {
		return "would begin in the past";
	}
	if (in->count == SIMMUX_INJECTIONS) {
		return "is one too many: 256 are waiting already";
	}
	if (what->kind == EVL_INJECT_SLIP) {
		*code = EVL_ADAPTER_E_UNSUPPORTED;
		why = ready_store(u, what);
		if (why != NULL) {
			return why;
		}
	}
	memset(p, 0, sizeof(*p));
	p->what = *what;
	p->where = where;
	p->span = simmux_span_of(
		what->at_ns, what->lasting_ns, where == SIMMUX_IN_ENCODER ? 1 : port->frame_bits);
	if (once) {
		p->span.end = p->span.begin + 1;
	}
	if (what->kind == EVL_INJECT_ALARM && where == SIMMUX_IN_BITS &&
		port->kind != SIMMUX_LINE) {
		p->raise_bits = seen_after(port, what->alarm);
	}
	if (what->kind == EVL_INJECT_ERRORS || what->kind == EVL_INJECT_BURST) {
		simmux_errors_of(
			u, &p->errors, what->channel, true, what->numerator, what->denominator);
	}
	in->count++;
	*code = EVL_ADAPTER_OK;
	return NULL;
}

bool simmux_unit_needs_loop(const struct simmux_unit *u, uint32_t line)
{
	for (uint32_t i = 0; i < u->injections.count; i++) {
		const struct simmux_pending *p = &u->injections.list[i];

		if (p->where == SIMMUX_IN_ENCODER && port_of(u, p->what.channel)->line == line) {
			return true;
		}
	}
	return false;
}

/* ---- in the bits ---- */

/* A part of a nominal chunk in one that has `bits` bits. */
static struct evl_span fitted(struct evl_span part, uint64_t nominal, uint64_t bits)
{
	part.begin = part.begin < bits ? part.begin : bits;
	part.end = part.end == nominal || part.end > bits ? bits : part.end;
	return part;
}

/* How long an injection is of consequence. */
static struct evl_span reach_of(const struct simmux_pending *p)
{
	struct evl_span span = p->span;

	if (p->raise_bits > 0 && span.end - span.begin >= p->raise_bits) {
		span.end += p->raise_bits;
	}
	return span;
}

static bool cut(struct evl_span *out, const struct simmux_unit *u, const struct simmux_pending *p,
	uint32_t channel, struct evl_span span)
{
	const uint64_t bits = port_of(u, channel)->frame_bits;

	return p->what.channel == channel && p->where != SIMMUX_IN_ENCODER &&
	       evl_span_cut(out, span, u->now * bits, SIMMUX_CHUNK_FRAMES * bits);
}

static const struct simmux_store *store_of(const struct simmux_unit *u, uint32_t channel)
{
	const struct simmux_port *port = port_of(u, channel);

	return port->kind == SIMMUX_LINE ? &u->line_store[port->line] : &u->trib[channel].store;
}

bool simmux_inject_touches(const struct simmux_unit *u, uint32_t channel)
{
	struct evl_span part;

	for (uint32_t i = 0; i < u->injections.count; i++) {
		const struct simmux_pending *p = &u->injections.list[i];

		if (cut(&part, u, p, channel, reach_of(p))) {
			return true;
		}
	}
	return store_of(u, channel)->memory != NULL;
}

static void apply_one(struct simmux_pending *p, struct evl_span part, uint64_t first,
	uint64_t nominal, uint8_t *data, uint64_t bits)
{
	/* A byte more than nominal has no errors, one less none beyond. */
	const uint64_t end = part.end < bits ? part.end : bits;
	const uint64_t seen = nominal < bits ? nominal : bits;

	switch (p->what.kind) {
	case EVL_INJECT_ERRORS:
		if (part.begin < end) {
			(void)evl_errors_apply(&p->errors, data, part.begin,
				first + part.begin - p->span.begin, end - part.begin);
		}
		break;
	case EVL_INJECT_BURST:
		(void)evl_impair_burst(&p->errors, data, first, seen, p->span);
		break;
	case EVL_INJECT_INVERT:
		part = fitted(part, nominal, bits);
		(void)evl_impair_invert(data, 0, bits, part);
		break;
	case EVL_INJECT_BIT:
		(void)evl_impair_single(data, first, seen, p->span.begin);
		break;
	case EVL_INJECT_ALARM:
		simmux_span_set(data, fitted(part, nominal, bits), p->what.alarm == EVL_ALARM_AIS);
		break;
	default:
		break;
	}
}

/* The slip of this chunk; there is at most one. */
static void slip(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint64_t bits)
{
	struct simmux_store *s = (struct simmux_store *)store_of(u, channel);
	struct evl_span part;
	bool done = false;

	if (s->memory == NULL) {
		return;
	}
	for (uint32_t i = 0; i < u->injections.count && !done; i++) {
		const struct simmux_pending *p = &u->injections.list[i];

		if (p->what.kind == EVL_INJECT_SLIP && cut(&part, u, p, channel, p->span)) {
			uint64_t at = part.begin < bits ? part.begin : bits - 1;

			/* A slip for which there is no more room does not happen. */
			done = evl_slipper_apply(&s->slipper, data, bits / 8, at, p->what.slip_bits,
				       NULL) == EVL_OK;
		}
	}
	if (!done) {
		(void)evl_slipper_apply(&s->slipper, data, bits / 8, 0, 0, NULL);
	}
}

void simmux_inject_apply(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint64_t bits)
{
	const uint64_t frame_bits = port_of(u, channel)->frame_bits;
	const uint64_t nominal = SIMMUX_CHUNK_FRAMES * frame_bits;

	slip(u, channel, data, bits);
	for (uint32_t i = 0; i < u->injections.count; i++) {
		struct simmux_pending *p = &u->injections.list[i];
		struct evl_span part;

		if (!cut(&part, u, p, channel, p->span)) {
			continue;
		}
		if (p->where == SIMMUX_IN_BITS) {
			apply_one(p, part, u->now * frame_bits, nominal, data, bits);
		} else {
			part = fitted(part, nominal, bits);
			simmux_watch_spoil(
				u->trib[channel].watch, p, part.begin, part.end, data, bits);
		}
	}
}

void simmux_inject_consequences(
	struct simmux_unit *u, uint32_t channel, uint8_t *data, uint64_t bits)
{
	const uint32_t frame_bits = port_of(u, channel)->frame_bits;
	const uint64_t first = u->now * frame_bits;
	const uint64_t nominal = (uint64_t)SIMMUX_CHUNK_FRAMES * frame_bits;

	for (uint32_t i = 0; i < u->injections.count; i++) {
		const struct simmux_pending *p = &u->injections.list[i];
		struct evl_span seen = reach_of(p), part;

		if (p->raise_bits == 0 || p->span.end - p->span.begin < p->raise_bits) {
			continue; /* too short to be seen */
		}
		seen.begin += p->raise_bits;
		if (!cut(&part, u, p, channel, seen)) {
			continue;
		}
		if (p->what.alarm == EVL_ALARM_LOS) {
			simmux_span_set(data, fitted(part, nominal, bits), true);
		}
		/* Where framing is watched, the receiver sees it by itself. */
		if (u->quiet || u->trib[channel].watch != NULL) {
			continue;
		}
		simmux_defects_note(&u->defects, channel, p->what.alarm, true,
			simmux_ns_of(first + part.begin, frame_bits));
		if (first + part.end == seen.end) {
			simmux_defects_note(&u->defects, channel, p->what.alarm, false,
				simmux_ns_of(seen.end, frame_bits));
		}
	}
}

/* ---- in the encoder ---- */

static void wish_for(const struct simmux_unit *u, const struct simmux_pending *p,
	const struct simmux_line *l, struct simmux_wish *wish)
{
	const uint32_t alarm = p->what.alarm;

	if (port_of(u, p->what.channel)->kind != SIMMUX_LINE) {
		wish->low[u->trib[p->what.channel].client] |= 1u << alarm;
	} else if (!is_path_alarm(alarm)) {
		wish->section |= 1u << alarm;
	} else {
		for (uint32_t i = 0; i < l->high_count; i++) {
			if (p->what.path == 0 || p->what.path == i + 1) {
				wish->high[l->highs[i]] |= 1u << alarm;
			}
		}
	}
}

bool simmux_inject_wish(const struct simmux_unit *u, uint32_t line, struct simmux_wish *wish)
{
	bool any = false;

	for (uint32_t i = 0; i < u->injections.count; i++) {
		const struct simmux_pending *p = &u->injections.list[i];

		if (p->where != SIMMUX_IN_ENCODER || u->now < p->span.begin ||
			u->now >= p->span.end || port_of(u, p->what.channel)->line != line) {
			continue;
		}
		if (!any) {
			memset(wish, 0, sizeof(*wish));
		}
		any = true;
		wish_for(u, p, u->line[line], wish);
	}
	return any;
}

/* ---- the end ---- */

void simmux_inject_forget(struct simmux_unit *u)
{
	struct simmux_injections *in = &u->injections;
	uint32_t kept = 0;

	for (uint32_t i = 0; i < in->count; i++) {
		struct simmux_pending *p = &in->list[i];
		uint64_t unit =
			p->where == SIMMUX_IN_ENCODER ? 1 : port_of(u, p->what.channel)->frame_bits;

		if (reach_of(p).end > u->now * unit) {
			if (kept != i) {
				in->list[kept] = *p;
			}
			kept++;
		}
	}
	in->count = kept;
}

/* What was slipped stays so until the take stops; then the store is as at the start. */
static void forget_store(struct simmux_store *s, uint64_t delay_bits)
{
	if (s->memory != NULL && delay_bits == 0) {
		free(s->memory);
		s->memory = NULL;
	} else if (s->memory != NULL) {
		s->slipper.delay_bits = delay_bits;
	}
}

void simmux_inject_drop(struct simmux_unit *u)
{
	struct simmux_injections *in = &u->injections;

	for (uint32_t i = 0; i < in->count; i++) {
		const struct simmux_pending *p = &in->list[i];

		if (p->raise_bits > 0 && u->trib[p->what.channel].watch == NULL) {
			simmux_defects_note(&u->defects, p->what.channel, p->what.alarm, false,
				u->now * EVL_FRAME_NS);
		}
	}
	in->count = 0;
	for (uint32_t c = 0; c < u->ports->count; c++) {
		forget_store(&u->trib[c].store, u->options->slip_room_bits);
	}
	for (uint32_t l = 0; l < SIMMUX_LINES; l++) {
		forget_store(&u->line_store[l], 0);
	}
}
