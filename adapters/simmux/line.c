/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/line.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/text.h"

#define BIT(alarm)     (1u << (alarm))
#define WRONG_C2       0xfcu  /* no mapping of ours (G.707 9.3.1.3) */
#define WRONG_LABEL    3u     /* bit-synchronous, obsolete (G.707 9.3.2.1): never expected here */
#define WRONG_POINTER  0x0800 /* NNNN = 0000: neither normal nor new data */
#define A1_INVERTED    0x09
#define A2_INVERTED    0xd7
#define FRAMING_ALARMS (BIT(EVL_ALARM_OOF) | BIT(EVL_ALARM_LOF))

static struct evl_sdh_at at(enum evl_sdh_level level, uint32_t index)
{
	return (struct evl_sdh_at){level, index};
}

/* ---- which client goes where ---- */

static uint32_t klm_key(const struct evl_sdh_client *c)
{
	return ((c->aug * 4u + c->k) * 8u + c->l) * 8u + c->m;
}

/* The place of client i among those of its kind, by K-L-M. */
static uint32_t klm_place(const struct simmux_line *l, uint32_t i)
{
	uint32_t before = 0;

	for (uint32_t j = 0; j < l->clients; j++) {
		before += simmux_kind_of(&l->client[j]) == simmux_kind_of(&l->client[i]) &&
			  klm_key(&l->client[j]) < klm_key(&l->client[i]);
	}
	return before;
}

static uint32_t table_place(
	const struct simmux_options *o, const struct evl_sdh_client *c, enum simmux_kind kind)
{
	const struct simmux_klm klm = {c->aug, c->k, c->l, c->m};

	for (uint32_t i = 0; i < EVL_SDH_MOST_CLIENTS; i++) {
		if (memcmp(&o->table[kind][i], &klm, sizeof(klm)) == 0) {
			return i;
		}
	}
	return UINT32_MAX;
}

static void connect_ports(
	struct simmux_line *l, const struct simmux_options *o, enum simmux_order order)
{
	uint32_t have[SIMMUX_LINE] = {0};

	for (uint32_t i = 0; i < l->clients; i++) {
		enum simmux_kind kind = simmux_kind_of(&l->client[i]);
		uint32_t place = have[kind]++;

		if (order == SIMMUX_BY_KLM) {
			place = klm_place(l, i);
		} else if (order == SIMMUX_BY_TABLE && kind <= SIMMUX_T1) {
			place = table_place(o, &l->client[i], kind);
		}
		l->port_of[i] = place < o->ports.per_line[kind]
					? (int32_t)simmux_port_at(&o->ports, kind, l->group, place)
					: -1;
	}
}

int32_t simmux_line_client(const struct simmux_line *l, uint32_t channel)
{
	for (uint32_t i = 0; i < l->clients; i++) {
		if (l->port_of[i] == (int32_t)channel) {
			return (int32_t)i;
		}
	}
	return -1;
}

/* ---- building ---- */

static void high_defaults(struct simmux_line *l, uint32_t index, uint8_t label)
{
	struct simmux_place *p = &l->high[index];

	l->highs[l->high_count++] = (uint8_t)index;
	(void)evl_trace_set(&p->sent, EVL_TRACE_16, "evenlode", NULL);
	p->label = label;
}

/* As the encoder begins (sdh.h). */
static void defaults(struct simmux_line *l)
{
	const bool joined = l->map.aug[0].au == EVL_SDH_AU4_4C;

	(void)evl_trace_set(&l->section.sent, EVL_TRACE_16, "evenlode", NULL);
	for (uint32_t a = 0; a < l->map.stm && (a == 0 || !joined); a++) {
		const struct evl_sdh_aug *aug = &l->map.aug[a];

		for (uint32_t k = 0; aug->au == EVL_SDH_AU3 && k < EVL_SDH_PARTS; k++) {
			high_defaults(l, 3 * a + k,
				aug->part[k].hold == EVL_SDH_TUG    ? 0x02
				: aug->part[k].hold == EVL_SDH_BULK ? 0x04
								    : 0x00);
		}
		if (aug->au != EVL_SDH_AU3) {
			high_defaults(l, 3 * a,
				aug->hold == EVL_SDH_TUG    ? 0x02
				: aug->hold == EVL_SDH_BULK ? 0x01
							    : 0x00);
		}
	}
	for (uint32_t i = 0; i < l->clients; i++) {
		const uint8_t kind = l->client[i].kind;
		struct simmux_place *p = &l->low[i];

		(void)evl_trace_set(&p->sent, EVL_TRACE_16, "evenlode", NULL);
		p->label = kind == EVL_SDH_VC3                                  ? 0x04
			   : kind == EVL_SDH_E1_BYTE || kind == EVL_SDH_T1_BYTE ? 4
										: 2;
	}
}

/* A VC-3 in TU-3, or a TU-12 or TU-11: it has a low-order path. */
static bool is_low(const struct simmux_line *l, uint32_t i)
{
	const struct evl_sdh_client *c = &l->client[i];

	return c->kind < EVL_SDH_VC3 ||
	       (c->kind == EVL_SDH_VC3 && l->map.aug[c->aug - 1].au == EVL_SDH_AU4);
}

static bool set_offsets(struct simmux_line *l, const struct simmux_options *o)
{
	const int32_t ppb = o->vc4_ppb - o->line_ppb;
	bool good = true;

	for (uint32_t i = 0; ppb != 0 && i < l->high_count; i++) {
		good = good &&
		       evl_sdh_tx_set_offset(l->tx, at(EVL_SDH_HIGH, l->highs[i]), ppb) == EVL_OK;
	}
	for (uint32_t i = 0; i < l->clients; i++) {
		int32_t own = l->port_of[i] >= 0 ? o->vc_ppb[l->port_of[i]] : 0;

		if (own != 0 && is_low(l, i)) {
			good = good &&
			       evl_sdh_tx_set_offset(l->tx, at(EVL_SDH_CLIENT, i), own) == EVL_OK;
		}
	}
	return good;
}

struct simmux_line *simmux_line_create(const struct simmux_options *o, uint32_t index,
	const char *mapping, enum simmux_order order, struct evl_adapter_error *err)
{
	const uint32_t stm = o->ports.stm;
	/* 155.52 Mbit/s are 19.44 bytes a microsecond. */
	const struct evl_rx_options rx = {
		.los_bytes = (o->los_threshold_us * 1944u * stm + 99u) / 100u};
	struct evl_rx_options section = rx;
	struct simmux_line *l = calloc(1, sizeof(*l));
	struct evl_err why = {0};

	section.depth = EVL_RX_SECTION;
	if (l == NULL) {
		(void)simmux_fail(err, EVL_ADAPTER_E_NOMEM, "out of memory for a line");
		return NULL;
	}
	l->index = index;
	l->group = o->ports.protection ? 0 : index;
	l->chunk_bytes = EVL_SDH_LINE_BYTES(stm) * SIMMUX_CHUNK_FRAMES;
	if (evl_sdh_map_parse(&l->map, stm, mapping, &why) < 0 ||
		evl_sdh_tx_create(&l->tx, &l->map, &why) < 0 ||
		evl_sdh_rx_create(&l->rx, &l->map, &rx, &why) < 0 ||
		(o->ports.protection &&
			(evl_sdh_rx_create(&l->section_rx, &l->map, &section, &why) < 0 ||
				evl_sdh_tx_create(&l->ais_tx, &l->map, &why) < 0))) {
		(void)simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED, "mapping: %s", why.text);
		simmux_line_destroy(l);
		return NULL;
	}
	l->client = evl_sdh_tx_clients(l->tx, &l->clients);
	connect_ports(l, o, order);
	defaults(l);
	for (uint32_t i = 0; i < l->high_count && l->ais_tx != NULL; i++) {
		(void)evl_sdh_tx_insert_ais(l->ais_tx, at(EVL_SDH_HIGH, l->highs[i]), true);
	}
	if (!set_offsets(l, o)) {
		(void)simmux_fail(err, EVL_ADAPTER_E_OPTION,
			"options clock.vc4_ppm and clock.line_ppm are more than 100 ppm apart");
		simmux_line_destroy(l);
		return NULL;
	}
	return l;
}

void simmux_line_destroy(struct simmux_line *l)
{
	if (l != NULL) {
		evl_sdh_tx_destroy(l->tx);
		evl_sdh_rx_destroy(l->rx);
		evl_sdh_rx_destroy(l->section_rx);
		evl_sdh_tx_destroy(l->ais_tx);
		free(l);
	}
}

/* ---- defects that the encoder puts in ---- */

static struct simmux_place *place_at(struct simmux_line *l, struct evl_sdh_at a)
{
	return a.level == EVL_SDH_SECTION ? &l->section
	       : a.level == EVL_SDH_HIGH  ? &l->high[a.index]
					  : &l->low[a.index];
}

static bool has_c2(const struct simmux_line *l, struct evl_sdh_at a)
{
	return a.level == EVL_SDH_HIGH ||
	       (a.level == EVL_SDH_CLIENT && l->client[a.index].kind >= EVL_SDH_VC3);
}

/* A trace that nobody expects here. */
static void send_trace(struct simmux_line *l, struct evl_sdh_at a, bool wrong)
{
	const struct simmux_place *p = place_at(l, a);
	struct evl_trace other;

	(void)evl_trace_set(&other, EVL_TRACE_16, "another trace", NULL);
	if (p->expects && evl_trace_equal(&p->expected, &other)) {
		(void)evl_trace_set(&other, EVL_TRACE_16, "a third trace", NULL);
	}
	(void)evl_sdh_tx_set_trace(l->tx, a, wrong ? &other : &p->sent);
}

static void send_framing(struct simmux_line *l, bool wrong)
{
	for (uint32_t i = 0; i < 6 * l->map.stm; i++) {
		uint32_t b = i / l->map.stm + 1;

		(void)evl_sdh_tx_force_soh(l->tx, i % l->map.stm + 1, 1, b,
			!wrong   ? -1
			: b <= 3 ? A1_INVERTED
				 : A2_INVERTED);
	}
}

/* Changes what is put in at one place from `before` to `now`. */
static void put_in(struct simmux_line *l, struct evl_sdh_at a, uint32_t before, uint32_t now)
{
	const uint32_t changed = before ^ now;
	const uint32_t ais = BIT(EVL_ALARM_MS_AIS) | BIT(EVL_ALARM_AU_AIS) | BIT(EVL_ALARM_TU_AIS);
	const uint32_t lop = BIT(EVL_ALARM_AU_LOP) | BIT(EVL_ALARM_TU_LOP);
	const uint32_t uneq = BIT(EVL_ALARM_HP_UNEQ) | BIT(EVL_ALARM_LP_UNEQ);
	const uint32_t plm = BIT(EVL_ALARM_HP_PLM) | BIT(EVL_ALARM_LP_PLM);
	const uint32_t tim = BIT(EVL_ALARM_RS_TIM) | BIT(EVL_ALARM_HP_TIM) | BIT(EVL_ALARM_LP_TIM);

	if ((changed & ais) != 0) {
		(void)evl_sdh_tx_insert_ais(l->tx, a, (now & ais) != 0);
	}
	if ((changed & lop) != 0) {
		(void)evl_sdh_tx_force_pointer(l->tx, a, (now & lop) != 0 ? WRONG_POINTER : -1);
	}
	if ((changed & (uneq | plm)) != 0) {
		uint32_t wrong = has_c2(l, a) ? WRONG_C2 : WRONG_LABEL;

		(void)evl_sdh_tx_set_label(l->tx, a,
			(uint8_t)((now & uneq) != 0  ? 0
				  : (now & plm) != 0 ? wrong
						     : place_at(l, a)->label));
	}
	if ((changed & tim) != 0) {
		send_trace(l, a, (now & tim) != 0);
	}
	if ((changed & BIT(EVL_ALARM_HP_LOM)) != 0) {
		(void)evl_sdh_tx_force_poh(
			l->tx, a, EVL_SDH_H4, (now & BIT(EVL_ALARM_HP_LOM)) != 0 ? 0xff : -1);
	}
	if ((changed & BIT(EVL_ALARM_LP_RFI)) != 0) {
		(void)evl_sdh_tx_set_rfi(l->tx, a.index, (now & BIT(EVL_ALARM_LP_RFI)) != 0);
	}
	if ((changed & FRAMING_ALARMS) != 0 &&
		((before & FRAMING_ALARMS) != 0) != ((now & FRAMING_ALARMS) != 0)) {
		send_framing(l, (now & FRAMING_ALARMS) != 0);
	}
}

void simmux_line_wish(struct simmux_line *l, const struct simmux_wish *wish)
{
	struct simmux_wish *have = &l->wish;

	if (memcmp(have, wish, sizeof(*have)) == 0) {
		return;
	}
	put_in(l, at(EVL_SDH_SECTION, 0), have->section, wish->section);
	for (uint32_t i = 0; i < l->high_count; i++) {
		uint32_t h = l->highs[i];

		put_in(l, at(EVL_SDH_HIGH, h), have->high[h], wish->high[h]);
	}
	for (uint32_t i = 0; i < l->clients; i++) {
		if (have->low[i] != wish->low[i]) {
			put_in(l, at(EVL_SDH_CLIENT, i), have->low[i], wish->low[i]);
		}
	}
	*have = *wish;
}

/* ---- settings ---- */

static int bad(const struct simmux_options *o, const struct evl_setting *s,
	struct evl_adapter_error *err, const char *why)
{
	char name[EVL_NAME_MAX] = "all channels";

	if (s->channel != SIMMUX_ALL) {
		simmux_port_name(&o->ports, s->channel, name);
	}
	return simmux_fail(err, EVL_ADAPTER_E_UNSUPPORTED, "%s %.8s '%.80s' on %s: %s",
		s->kind == EVL_SETTING_SENT ? "sent" : "expected", s->field, s->text, name, why);
}

static int set_trace(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, struct evl_sdh_at a, struct evl_adapter_error *err)
{
	const bool sent = s->kind == EVL_SETTING_SENT;
	struct evl_sdh_rx *rx = simmux_line_rx(l, a);
	struct simmux_place *p = place_at(l, a);
	struct evl_trace trace;
	struct evl_err why = {0};

	if (!sent && strcmp(s->text, "any") == 0) {
		p->expects = false;
		(void)evl_sdh_rx_expect_trace(rx, a, NULL);
		return EVL_ADAPTER_OK;
	}
	if (!simmux_read_trace(s->text, &trace, &why)) {
		return bad(o, s, err, why.text);
	}
	if (sent) {
		p->sent = trace;
		(void)evl_sdh_tx_set_trace(l->tx, a, &trace);
	} else {
		p->expects = true;
		p->expected = trace;
		(void)evl_sdh_rx_expect_trace(rx, a, &trace);
	}
	return EVL_ADAPTER_OK;
}

static int set_label(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, struct evl_sdh_at a, struct evl_adapter_error *err)
{
	const uint32_t own = place_at(l, a)->label;
	const bool bulk = has_c2(l, a) && own != 0x02;
	uint32_t value;

	if (s->kind == EVL_SETTING_EXPECTED && strcmp(s->text, "any") == 0 && bulk) {
		place_at(l, a)->expects_label = false;
		(void)evl_sdh_rx_expect_label(l->rx, a, -1);
		return EVL_ADAPTER_OK;
	}
	if (!simmux_read_hex(s->text, &value) || (!has_c2(l, a) && value > 7)) {
		return bad(o, s, err,
			has_c2(l, a) ? "write two hexadecimal digits" : "write 00 to 07");
	}
	if (s->kind == EVL_SETTING_SENT) {
		place_at(l, a)->label = (uint8_t)value;
		(void)evl_sdh_tx_set_label(l->tx, a, (uint8_t)value);
		return EVL_ADAPTER_OK;
	}
	if (evl_sdh_rx_expect_label(l->rx, a, (int32_t)value) == EVL_OK) {
		place_at(l, a)->expects_label = true;
		return EVL_ADAPTER_OK;
	}
	/* The label of TUGs and of VC-12, VC-11 is that of the mapping. */
	return value == own ? EVL_ADAPTER_OK
			    : bad(o, s, err, "the mapping says which label is expected");
}

/* Bytes of the section overhead: place as G.707 9.2.1 has them. */
static int set_section_byte(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, struct evl_adapter_error *err)
{
	static const struct {
		const char *name;
		uint8_t row, b;
	} bytes[] = {{"F1", 2, 7}, {"E1", 2, 4}, {"E2", 9, 7}};
	uint32_t value;

	if (s->kind != EVL_SETTING_SENT) {
		return bad(o, s, err, "only J0, J1, J2, C2 and V5 can be expected");
	}
	if (!simmux_read_hex(s->text, &value)) {
		return bad(o, s, err, "write two hexadecimal digits");
	}
	if (strcmp(s->field, "S1") == 0) {
		evl_sdh_tx_set_s1(l->tx, (uint8_t)value);
		return EVL_ADAPTER_OK;
	}
	if (s->field[0] == 'K' && l->section_rx != NULL && l->index == SIMMUX_PROTECTION) {
		return bad(o, s, err, "K1 and K2 of the protection section tell of the protection");
	}
	if (s->field[0] == 'K') {
		*(s->field[1] == '1' ? &l->k1 : &l->k2) = (uint8_t)value;
		evl_sdh_tx_set_aps(l->tx, l->k1, l->k2);
		return EVL_ADAPTER_OK;
	}
	for (uint32_t i = 0; i < 3; i++) {
		if (strcmp(s->field, bytes[i].name) == 0) {
			(void)evl_sdh_tx_force_soh(
				l->tx, 1, bytes[i].row, bytes[i].b, (int32_t)value);
		}
	}
	return EVL_ADAPTER_OK;
}

static int set_line(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, bool strict, struct evl_adapter_error *err)
{
	const bool trace = strcmp(s->field, "J1") == 0;

	if (strcmp(s->field, "J0") == 0) {
		return set_trace(l, o, s, at(EVL_SDH_SECTION, 0), err);
	}
	if (!trace && strcmp(s->field, "C2") != 0) {
		return set_section_byte(l, o, s, err);
	}
	if (s->path > l->high_count) {
		return strict ? bad(o, s, err, "the mapping has no such path") : EVL_ADAPTER_OK;
	}
	for (uint32_t i = 0; i < l->high_count; i++) {
		const struct evl_sdh_at a = at(EVL_SDH_HIGH, l->highs[i]);

		if (s->path == 0 || s->path == i + 1) {
			int rc = (trace ? set_trace : set_label)(l, o, s, a, err);

			if (rc != EVL_ADAPTER_OK) {
				return rc;
			}
		}
	}
	return EVL_ADAPTER_OK;
}

/* J2 and V5 belong to VC-12 and VC-11, J1 and C2 of a tributary to a VC-3 in TU-3. */
static bool fits_client(const struct simmux_line *l, uint32_t i, const char *field)
{
	const bool vc1 = l->client[i].kind < EVL_SDH_VC3;

	return is_low(l, i) &&
	       ((strcmp(field, "J2") == 0) || strcmp(field, vc1 ? "V5" : "C2") == 0 ||
		       (!vc1 && strcmp(field, "J1") == 0));
}

static int set_client(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, uint32_t i, struct evl_adapter_error *err)
{
	const struct evl_sdh_at a = at(EVL_SDH_CLIENT, i);

	if (!fits_client(l, i, s->field)) {
		return bad(o, s, err,
			is_low(l, i) ? "a VC-12 or VC-11 has J2 and V5, a VC-3 in TU-3 J1 and C2"
				     : "this tributary is a high-order path: set it on the line");
	}
	return (s->field[0] == 'J' ? set_trace : set_label)(l, o, s, a, err);
}

static bool is_line_field(const char *field)
{
	static const char *const fields[] = {"J0", "S1", "K1", "K2", "F1", "E1", "E2", "J1", "C2"};

	for (uint32_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		if (strcmp(field, fields[i]) == 0) {
			return true;
		}
	}
	return false;
}

/* With protection both lines carry the same paths; only the section is a line's own. */
static bool concerns(const struct simmux_line *l, const struct simmux_options *o,
	const struct simmux_port *port, const char *field)
{
	const bool path = strcmp(field, "J1") == 0 || strcmp(field, "C2") == 0;

	if (port->kind == SIMMUX_LINE && !path) {
		return port->line == l->index;
	}
	return l->group == (o->ports.protection ? 0 : port->line);
}

int simmux_line_set(struct simmux_line *l, const struct simmux_options *o,
	const struct evl_setting *s, bool strict, struct evl_adapter_error *err)
{
	const bool all = s->channel == SIMMUX_ALL;
	const struct simmux_port *port = all ? NULL : &o->ports.list[s->channel];
	int rc = EVL_ADAPTER_OK;

	if (!is_line_field(s->field) && strcmp(s->field, "J2") != 0 &&
		strcmp(s->field, "V5") != 0) {
		return bad(o, s, err,
			"the field is not known; known are J0, J1, J2, S1, K1, K2, F1, E1, E2, C2, "
			"V5");
	}
	if (!all && !concerns(l, o, port, s->field)) {
		return EVL_ADAPTER_OK;
	}
	if (all ? is_line_field(s->field) : port->kind == SIMMUX_LINE) {
		return is_line_field(s->field)
			       ? set_line(l, o, s, strict, err)
			       : bad(o, s, err, "a line has no such field; name a tributary");
	}
	if (!all) {
		int32_t i = simmux_line_client(l, s->channel);

		if (i < 0) {
			return strict ? bad(o, s, err,
						"the mapping does not connect this tributary")
				      : EVL_ADAPTER_OK;
		}
		return set_client(l, o, s, (uint32_t)i, err);
	}
	for (uint32_t i = 0; i < l->clients && rc == EVL_ADAPTER_OK; i++) {
		if (fits_client(l, i, s->field)) {
			rc = set_client(l, o, s, i, err);
		}
	}
	return rc;
}

/* ---- planted ---- */

static void plant_trace(struct simmux_line *l, const struct simmux_fault *f, struct evl_sdh_at a)
{
	struct simmux_place *p = place_at(l, a);

	p->sent = (struct evl_trace){EVL_TRACE_NONE, {0}};
	if (f->kind == SIMMUX_WRONG_TRACE) {
		(void)simmux_read_trace(f->text, &p->sent, NULL);
	}
	(void)evl_sdh_tx_set_trace(l->tx, a, &p->sent);
}

static void plant_label(struct simmux_line *l, const struct simmux_fault *f, struct evl_sdh_at a)
{
	place_at(l, a)->label = (uint8_t)f->value;
	(void)evl_sdh_tx_set_label(l->tx, a, (uint8_t)f->value);
}

static void plant_parity(struct simmux_line *l, const struct simmux_fault *f)
{
	for (uint32_t a = 1; f->field[1] == '2' && a <= l->map.stm; a++) {
		for (uint32_t b = 1; b <= 3; b++) {
			(void)evl_sdh_tx_force_soh(l->tx, a, 5, b, 0);
		}
	}
	if (f->field[1] == '1') {
		(void)evl_sdh_tx_force_soh(l->tx, 1, 2, 1, 0);
	}
	for (uint32_t i = 0; f->field[1] == '3' && i < l->high_count; i++) {
		(void)evl_sdh_tx_force_poh(l->tx, at(EVL_SDH_HIGH, l->highs[i]), EVL_SDH_B3, 0);
	}
}

void simmux_line_plant(
	struct simmux_line *l, const struct simmux_options *o, const struct simmux_fault *f)
{
	const bool label = f->kind == SIMMUX_WRONG_LABEL;

	if (!label && f->kind != SIMMUX_WRONG_TRACE && f->kind != SIMMUX_NO_TRACE &&
		f->kind != SIMMUX_WRONG_PARITY) {
		return;
	}
	if (f->channel != SIMMUX_NOWHERE) {
		int32_t i = o->ports.list[f->channel].line == l->group
				    ? simmux_line_client(l, f->channel)
				    : -1;

		if (i >= 0 && is_low(l, (uint32_t)i)) {
			(label ? plant_label : plant_trace)(l, f, at(EVL_SDH_CLIENT, (uint32_t)i));
		}
		return;
	}
	if (f->line != SIMMUX_NOWHERE && f->line != l->index) {
		return;
	}
	if (f->kind == SIMMUX_WRONG_PARITY) {
		plant_parity(l, f);
	} else if (strcmp(f->field, "J0") == 0) {
		plant_trace(l, f, at(EVL_SDH_SECTION, 0));
	} else {
		for (uint32_t i = 0; i < l->high_count; i++) {
			(label ? plant_label : plant_trace)(l, f, at(EVL_SDH_HIGH, l->highs[i]));
		}
	}
}
