/* SPDX-License-Identifier: Apache-2.0 */
/* What the unit is set to: its lines are built anew for each list of settings. */
#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"
#include "adapters/simmux/text.h"

#define SETTLE_FRAMES 128u /* 16 ms: LOF 3 ms, pointers 1.5 ms, labels and RDI 2.5 ms */

/* Traces as well: three of 16 J2 in 96 ms (trace.h), and a first one that began in between. */
#define SETTLE_TRACE_FRAMES 896u

struct setup {
	struct simmux_line *line[SIMMUX_LINES];
	bool traces; /* some trace is expected */
	struct simmux_framing framing[SIMMUX_CHANNELS];
	struct simmux_watch *watch[SIMMUX_CHANNELS];
};

static int refuse(const struct simmux_unit *u, const struct evl_setting *s,
	struct evl_adapter_error *err, const char *why)
{
	char name[EVL_NAME_MAX];

	simmux_port_name(u->ports, s->channel, name);
	return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED, "setting %u on %s: '%.80s': %s", s->kind,
		name, s->text, why);
}

static int check_list(const struct simmux_unit *u, const struct evl_setting *list, uint32_t count,
	struct evl_adapter_error *err)
{
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_setting *s = &list[i];

		if (s->channel >= u->ports->count) {
			return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"setting %u: there is no channel %u", i, s->channel);
		}
		if (memchr(s->text, 0, sizeof(s->text)) == NULL ||
			memchr(s->field, 0, sizeof(s->field)) == NULL) {
			return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
				"setting %u: a text does not end", i);
		}
		if (s->kind < EVL_SETTING_MAPPING || s->kind > EVL_SETTING_EXPECTED) {
			return refuse(u, s, err, "this kind of setting is not known");
		}
		if (s->kind == EVL_SETTING_MAPPING &&
			u->ports->list[s->channel].kind != SIMMUX_LINE) {
			return refuse(u, s, err, "only a line has a mapping");
		}
	}
	return EVL_ADAPTER_OK;
}

static enum simmux_order order_of(const struct simmux_options *o)
{
	for (uint32_t i = 0; i < o->fault_count; i++) {
		if (o->faults[i].kind == SIMMUX_WRONG_NUMBERING) {
			return o->faults[i].by_klm ? SIMMUX_BY_KLM : SIMMUX_BY_COLUMN;
		}
	}
	return (enum simmux_order)o->order;
}

static int build_lines(const struct simmux_unit *u, struct setup *to,
	const struct evl_setting *list, uint32_t count, struct evl_adapter_error *err)
{
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		const char *mapping = u->options->mapping[n];

		for (uint32_t i = 0; i < count; i++) {
			if (list[i].kind == EVL_SETTING_MAPPING &&
				(u->ports->protection ||
					u->ports->list[list[i].channel].line == n)) {
				mapping = list[i].text;
			}
		}
		to->line[n] = simmux_line_create(u->options, n, mapping, order_of(u->options), err);
		if (to->line[n] == NULL) {
			return EVL_ADAPTER_E_UNSUPPORTED;
		}
	}
	return EVL_ADAPTER_OK;
}

/* On one tributary, or on all that know such a framing. */
static int set_framing(const struct simmux_unit *u, struct setup *to, const struct evl_setting *s,
	struct evl_adapter_error *err)
{
	const uint32_t bulk = u->ports->first[SIMMUX_VC3];
	bool any = false;

	for (uint32_t c = 0; c < bulk; c++) {
		if (s->channel == SIMMUX_ALL || s->channel == c) {
			any |= simmux_framing_read(
				&to->framing[c], u->ports->list[c].kind == SIMMUX_E1, s->text);
		}
	}
	return any ? EVL_ADAPTER_OK
		   : simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED,
			     "framing '%.40s': no tributary that is meant knows it; an E1 has "
			     "unframed, FAS, CRC-4, FAS CAS, CRC-4 CAS, a T1 unframed, SF, ESF",
			     s->text);
}

static bool make_watches(const struct simmux_unit *u, struct setup *to)
{
	for (uint32_t c = 0; c < u->ports->count; c++) {
		if (to->framing[c].set) {
			to->watch[c] = simmux_watch_create(&to->framing[c], c);
			if (to->watch[c] == NULL) {
				return false;
			}
		}
	}
	return true;
}

static int set_all(const struct simmux_unit *u, struct setup *to, const struct evl_setting *list,
	uint32_t count, bool strict, struct evl_adapter_error *err)
{
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_setting *s = &list[i];

		if (s->kind == EVL_SETTING_FRAMING) {
			int rc = set_framing(u, to, s, err);

			if (rc != EVL_ADAPTER_OK) {
				return rc;
			}
			continue;
		}
		for (uint32_t n = 0; n < u->ports->lines && s->kind != EVL_SETTING_MAPPING; n++) {
			int rc = simmux_line_set(to->line[n], u->options, s, strict, err);

			if (rc != EVL_ADAPTER_OK) {
				return rc;
			}
		}
		/* J0 and J1 of 16 bytes are judged within the shorter time. */
		to->traces = to->traces || (s->kind == EVL_SETTING_EXPECTED && s->field[0] == 'J' &&
						   (s->field[1] == '2' || s->text[0] == '6'));
	}
	return EVL_ADAPTER_OK;
}

/* The lead must fill the delays of lines and then settle, in whole J2 trace cycles. */
static uint64_t lead_of(const struct simmux_unit *u, bool traces)
{
	uint64_t lead = traces ? SETTLE_TRACE_FRAMES : SETTLE_FRAMES, most = 0;

	for (uint32_t n = 0; n < u->ports->lines; n++) {
		const uint32_t c = simmux_line_channel(u->ports, n);
		const struct simmux_plant *p = u->line_plant[n];
		uint64_t frames =
			p != NULL && p->delay.bits > 0
				? (p->delay.bits / u->ports->list[c].frame_bits / 64 + 1) * 64
				: 0;

		most = frames > most ? frames : most;
	}
	return lead + most < SIMMUX_LEAD_FRAMES ? lead + most : SIMMUX_LEAD_FRAMES - 64;
}

static void adopt(struct simmux_unit *u, const struct setup *from)
{
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		for (uint32_t i = 0; i < u->options->fault_count; i++) {
			simmux_line_plant(from->line[n], u->options, &u->options->faults[i]);
		}
		simmux_line_destroy(u->line[n]);
		u->line[n] = from->line[n];
	}
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		u->trib[c].client = -1;
		if (u->trib[c].watch != NULL) {
			simmux_watch_stop(u->trib[c].watch, u);
			simmux_watch_destroy(u->trib[c].watch);
		}
		u->trib[c].watch = from->watch[c];
	}
	for (uint32_t n = 0; n < simmux_ports_groups(u->ports); n++) {
		const struct simmux_line *l = u->line[n];

		for (uint32_t i = 0; i < l->clients; i++) {
			if (l->port_of[i] >= 0) {
				u->trib[l->port_of[i]].client = (int32_t)i;
			}
		}
	}
	u->lead = lead_of(u, from->traces);
	u->settled = false;
}

int simmux_unit_setup(struct simmux_unit *u, const struct evl_setting *list, uint32_t count,
	struct evl_adapter_error *err)
{
	const struct simmux_options *o = u->options;
	const bool first = u->line[0] == NULL;
	struct setup *to = calloc(1, sizeof(*to));
	int rc = to != NULL ? check_list(u, list, count, err)
			    : simmux_fail(err, EVL_ADAPTER_E_NOMEM, "out of memory for a setup");

	if (rc == EVL_ADAPTER_OK) {
		rc = build_lines(u, to, list, count, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = set_all(u, to, o->settings, o->setting_count, first, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = set_all(u, to, list, count, true, err);
	}
	if (rc == EVL_ADAPTER_OK && !make_watches(u, to)) {
		rc = simmux_fail(err, EVL_ADAPTER_E_NOMEM, "out of memory for a setup");
	}
	if (rc == EVL_ADAPTER_OK) {
		simmux_inject_drop(u);
		adopt(u, to);
		free(to);
		return EVL_ADAPTER_OK;
	}
	for (uint32_t n = 0; to != NULL && n < SIMMUX_LINES; n++) {
		simmux_line_destroy(to->line[n]);
	}
	for (uint32_t c = 0; to != NULL && c < u->ports->count; c++) {
		simmux_watch_destroy(to->watch[c]);
	}
	free(to);
	return first && rc == EVL_ADAPTER_E_UNSUPPORTED ? EVL_ADAPTER_E_OPTION : rc;
}
