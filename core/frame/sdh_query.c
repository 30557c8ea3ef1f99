/* SPDX-License-Identifier: Apache-2.0 */
/* What the general decoder tells about itself, and what it is told to expect. */
#include "core/frame/sdh_rx.h"

#define BIT          SDH_BIT
#define COUNT(a)     (sizeof(a) / sizeof((a)[0]))
#define SECTION_FAIL (BIT(EVL_ALARM_LOS) | BIT(EVL_ALARM_LOF) | BIT(EVL_ALARM_MS_AIS))
#define AU_FAIL      (BIT(EVL_ALARM_AU_AIS) | BIT(EVL_ALARM_AU_LOP))

struct sdh_rx_path *sdh_rx_path_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	const struct sdh_rx_path *p = NULL;
	if (at.level == EVL_SDH_HIGH && at.index < EVL_SDH_MOST_HIGH) {
		p = &rx->high[at.index];
	} else if (at.level == EVL_SDH_CLIENT && at.index < rx->clients &&
		   rx->client[at.index].kind == EVL_SDH_VC3) {
		const struct evl_sdh_client *c = &rx->client[at.index];
		p = &rx->tu3[3 * (c->aug - 1) + c->k - 1];
	}
	return p != NULL && p->exists ? (struct sdh_rx_path *)p : NULL;
}

struct sdh_rx_tu *sdh_rx_tu_at(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	if (at.level != EVL_SDH_CLIENT || at.index >= rx->clients || rx->tu_of[at.index] < 0) {
		return NULL;
	}
	return &rx->tu[rx->tu_of[at.index]];
}

static bool is_section(struct evl_sdh_at at)
{
	return at.level == EVL_SDH_SECTION && at.index == 0;
}

enum evl_status evl_sdh_rx_expect_trace(
	struct evl_sdh_rx *rx, struct evl_sdh_at at, const struct evl_trace *trace)
{
	struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	struct evl_trace_rx *to = is_section(at) ? &rx->j0
				  : p != NULL    ? &p->trace
				  : t != NULL    ? &t->trace
						 : NULL;
	if (to == NULL) {
		return EVL_E_INVALID;
	}
	evl_trace_rx_expect(to, trace);
	return EVL_OK;
}

enum evl_status evl_sdh_rx_expect_label(struct evl_sdh_rx *rx, struct evl_sdh_at at, int32_t label)
{
	struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	if (p == NULL || p->hold != EVL_SDH_BULK || label < -1 || label > 0xff) {
		return EVL_E_INVALID;
	}
	p->hp.label = (int16_t)label;
	p->hp.plm = p->hp.plm && label >= 0;
	return EVL_OK;
}

uint32_t evl_sdh_rx_defects(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	const struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	if (is_section(at)) {
		return rx->section.defects | (rx->rs_tim ? BIT(EVL_ALARM_RS_TIM) : 0);
	}
	uint32_t defects = p != NULL ? p->defects : t != NULL ? t->tu.defects : 0;
	if (t != NULL && rx->own[at.index].ais) {
		defects |= BIT(EVL_ALARM_AIS);
	}
	return defects;
}

static enum evl_alarm first_of(const enum evl_alarm *order, size_t n, uint32_t defects)
{
	for (size_t i = 0; i < n; i++) {
		if ((defects >> order[i] & 1) != 0) {
			return order[i];
		}
	}
	return EVL_ALARM_NONE;
}

enum evl_alarm evl_sdh_rx_root_cause(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	/* G.783. The RDIs and RFI last: they tell of the far end and explain nothing here. */
	static const enum evl_alarm section[] = {
		EVL_ALARM_LOS, EVL_ALARM_LOF, EVL_ALARM_OOF, EVL_ALARM_RS_TIM, EVL_ALARM_MS_AIS};
	static const enum evl_alarm high[] = {EVL_ALARM_AU_AIS, EVL_ALARM_AU_LOP, EVL_ALARM_HP_UNEQ,
		EVL_ALARM_HP_TIM, EVL_ALARM_HP_PLM, EVL_ALARM_HP_LOM};
	static const enum evl_alarm low[] = {EVL_ALARM_TU_AIS, EVL_ALARM_TU_LOP, EVL_ALARM_LP_UNEQ,
		EVL_ALARM_LP_TIM, EVL_ALARM_LP_PLM, EVL_ALARM_AIS};
	static const enum evl_alarm remote[] = {
		EVL_ALARM_MS_RDI, EVL_ALARM_HP_RDI, EVL_ALARM_LP_RFI, EVL_ALARM_LP_RDI};
	uint32_t own = evl_sdh_rx_defects(rx, at);
	const struct evl_sdh_at top = {EVL_SDH_SECTION, 0};
	enum evl_alarm cause = first_of(section, COUNT(section), evl_sdh_rx_defects(rx, top));
	if (cause == EVL_ALARM_NONE && at.level == EVL_SDH_CLIENT && at.index < rx->clients) {
		const struct evl_sdh_at path = {EVL_SDH_HIGH, rx->client[at.index].high};
		cause = first_of(high, COUNT(high), evl_sdh_rx_defects(rx, path));
	}
	if (cause == EVL_ALARM_NONE && at.level == EVL_SDH_HIGH) {
		cause = first_of(high, COUNT(high), own);
	}
	if (cause == EVL_ALARM_NONE && at.level == EVL_SDH_CLIENT) {
		cause = first_of(low, COUNT(low), own);
	}
	return cause != EVL_ALARM_NONE ? cause : first_of(remote, COUNT(remote), own);
}

enum evl_status evl_sdh_rx_counts(
	const struct evl_sdh_rx *rx, struct evl_sdh_at at, struct evl_sdh_rx_counts *out)
{
	const struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	*out = (struct evl_sdh_rx_counts){0};
	if (is_section(at)) {
		const struct evl_section_counts *c = &rx->section.counts;
		out->frames = c->frames;
		out->b1_errors = c->b1_errors;
		out->b1_blocks = c->b1_blocks;
		out->b2_errors = c->b2_errors;
		out->rei = c->ms_rei;
	} else if (p != NULL) {
		out->errors = p->errors;
		out->rei = p->rei;
		out->errored_blocks = p->errored_blocks;
		out->rei_blocks = p->rei_blocks;
		out->increments = p->increments;
		out->decrements = p->decrements;
		out->new_pointers = p->new_pointers;
	} else if (t != NULL) {
		const struct evl_vc1_counts *c = &t->tu.vc.counts;
		out->errors = c->bip2_errors;
		out->rei = c->lp_rei;
		out->errored_blocks = c->bip2_blocks;
		out->rei_blocks = c->lp_rei;
		out->increments = t->tu.increments;
		out->decrements = t->tu.decrements;
		out->new_pointers = t->tu.new_pointers;
		out->extra = c->extra;
		out->missing = c->missing;
		out->slips_lost = c->slips_lost;
		out->slips_repeated = c->slips_repeated;
	} else {
		return EVL_E_INVALID;
	}
	return EVL_OK;
}

int32_t evl_sdh_rx_pointer(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	const struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	const struct evl_ptr_rx *ptr = p != NULL ? &p->au.ptr : t != NULL ? &t->tu.ptr : NULL;
	return ptr != NULL && ptr->state == EVL_PTR_NORMAL ? ptr->value : -1;
}

int32_t evl_sdh_rx_soh(const struct evl_sdh_rx *rx, uint32_t a, uint32_t row, uint32_t b)
{
	if (!rx->seen || a < 1 || a > rx->n || row < 1 || row > 9 || b < 1 || b > 9) {
		return -1;
	}
	return rx->soh[9 * rx->n * (row - 1) + rx->n * (b - 1) + a - 1];
}

int32_t evl_sdh_rx_poh(const struct evl_sdh_rx *rx, struct evl_sdh_at at, enum evl_sdh_poh byte)
{
	const struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	if (p != NULL && byte <= EVL_SDH_N1) {
		return p->seen ? p->poh[byte] : -1;
	}
	if (t != NULL && byte >= EVL_SDH_V5 && byte <= EVL_SDH_K4) {
		return t->tu.ptr.state == EVL_PTR_NORMAL ? t->tu.vc.poh[byte - EVL_SDH_V5] : -1;
	}
	return -1;
}

const struct evl_trace *evl_sdh_rx_trace(const struct evl_sdh_rx *rx, struct evl_sdh_at at)
{
	const struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
	return is_section(at) ? &rx->j0.accepted
	       : p != NULL    ? &p->trace.accepted
	       : t != NULL    ? &t->trace.accepted
			      : NULL;
}

int32_t evl_sdh_rx_signalling(const struct evl_sdh_rx *rx, uint32_t client, uint32_t channel)
{
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, (struct evl_sdh_at){EVL_SDH_CLIENT, client});
	if (t == NULL || rx->client[client].kind != EVL_SDH_T1_BYTE || channel < 1 ||
		channel > EVL_VC1_CHANNELS) {
		return -1;
	}
	return t->tu.vc.abcd[channel - 1];
}

bool evl_sdh_rx_output_ais(const struct evl_sdh_rx *rx, uint32_t client)
{
	const struct sdh_rx_tu *t = sdh_rx_tu_at(rx, (struct evl_sdh_at){EVL_SDH_CLIENT, client});
	return t != NULL && !t->tu.vc.open;
}

uint64_t evl_sdh_rx_first_bit(const struct evl_sdh_rx *rx, uint32_t client)
{
	evl_require(client < rx->clients);
	return rx->own[client].first_bit;
}

void evl_sdh_rx_take_remote(struct evl_sdh_rx *rx, struct evl_sdh_remote *out)
{
	bool section = (rx->section.defects & SECTION_FAIL) != 0 || rx->rs_tim;
	*out = (struct evl_sdh_remote){.ms_rdi = section, .ms_rei = rx->section.rei_out};
	rx->section.rei_out = 0;
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		struct sdh_rx_path *p = &rx->high[i];
		const uint32_t hp = AU_FAIL | BIT(EVL_ALARM_HP_UNEQ) | BIT(EVL_ALARM_HP_TIM);
		out->high[i].rdi = p->exists && (section || (p->defects & hp) != 0);
		out->high[i].rei = p->rei_out;
		p->rei_out = 0;
	}
	const uint32_t lp = BIT(EVL_ALARM_TU_AIS) | BIT(EVL_ALARM_TU_LOP) | BIT(EVL_ALARM_LP_UNEQ) |
			    BIT(EVL_ALARM_LP_TIM);
	for (uint32_t i = 0; i < rx->clients; i++) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
		struct sdh_rx_path *p = sdh_rx_path_at(rx, at);
		struct sdh_rx_tu *t = sdh_rx_tu_at(rx, at);
		if (p != NULL) {
			out->client[i].rdi = (p->defects & lp) != 0;
			out->client[i].rei = p->rei_out;
			p->rei_out = 0;
		} else if (t != NULL) {
			out->client[i].rdi = (t->tu.defects & lp) != 0;
			out->client[i].rei = t->tu.vc.rei_out;
			t->tu.vc.rei_out = 0;
		}
	}
}
