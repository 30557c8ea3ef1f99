/* SPDX-License-Identifier: Apache-2.0 */
/* Settings of the general encoder. */
#include <string.h>

#include "core/frame/sdh_tx.h"

struct sdh_tx_path *sdh_tx_path_at(struct evl_sdh_tx *tx, struct evl_sdh_at at)
{
	if (at.level == EVL_SDH_HIGH && at.index < EVL_SDH_MOST_HIGH) {
		return tx->high[at.index].exists ? &tx->high[at.index] : NULL;
	}
	if (at.level == EVL_SDH_CLIENT && at.index < tx->clients) {
		const struct evl_sdh_client *c = &tx->client[at.index];
		if (c->kind == EVL_SDH_VC3) {
			struct sdh_tx_path *p = &tx->tu3[3 * (c->aug - 1) + c->k - 1];
			return p->exists ? p : NULL;
		}
	}
	return NULL;
}

struct sdh_tx_tu *sdh_tx_tu_at(struct evl_sdh_tx *tx, struct evl_sdh_at at)
{
	if (at.level != EVL_SDH_CLIENT || at.index >= tx->clients || tx->tu_of[at.index] < 0) {
		return NULL;
	}
	return &tx->tu[tx->tu_of[at.index]];
}

static struct sdh_tx_tu *client_tu(struct evl_sdh_tx *tx, uint32_t client)
{
	return sdh_tx_tu_at(tx, (struct evl_sdh_at){EVL_SDH_CLIENT, client});
}

const struct evl_sdh_client *evl_sdh_tx_clients(const struct evl_sdh_tx *tx, uint32_t *count)
{
	*count = tx->clients;
	return tx->client;
}

void evl_sdh_tx_set_frame(struct evl_sdh_tx *tx, uint64_t frame_number)
{
	sdh_restart(tx, frame_number);
}

static struct evl_ptr_tx *pointer_at(struct evl_sdh_tx *tx, struct evl_sdh_at at)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	return p != NULL ? &p->au.ptr : t != NULL ? &t->tu.ptr : NULL;
}

enum evl_status evl_sdh_tx_set_pointer(struct evl_sdh_tx *tx, struct evl_sdh_at at, uint32_t value)
{
	struct evl_ptr_tx *ptr = pointer_at(tx, at);
	if (ptr == NULL || value >= ptr->range) {
		return EVL_E_INVALID;
	}
	ptr->new_value = (uint16_t)value;
	ptr->has_new = true;
	if (!tx->started) {
		sdh_restart(tx, tx->section.frame);
	}
	return EVL_OK;
}

enum evl_status evl_sdh_tx_force_pointer(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t word)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	if ((p == NULL && t == NULL) || word < -1 || word > 0xffff) {
		return EVL_E_INVALID;
	}
	*(p != NULL ? &p->word_forced : &t->word_forced) = word >= 0;
	*(p != NULL ? &p->word : &t->word) = (uint16_t)(word >= 0 ? word : 0);
	return EVL_OK;
}

enum evl_status evl_sdh_tx_justify(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t count)
{
	struct evl_ptr_tx *ptr = pointer_at(tx, at);
	if (ptr == NULL) {
		return EVL_E_INVALID;
	}
	ptr->pending += count;
	return EVL_OK;
}

enum evl_status evl_sdh_tx_set_offset(struct evl_sdh_tx *tx, struct evl_sdh_at at, int32_t ppb)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	if ((p == NULL && t == NULL) || ppb < -EVL_SDH_MOST_PPB || ppb > EVL_SDH_MOST_PPB) {
		return EVL_E_INVALID;
	}
	*(p != NULL ? &p->ppb : &t->ppb) = ppb;
	tx->offsets = true;
	return EVL_OK;
}

enum evl_status evl_sdh_tx_set_trace(
	struct evl_sdh_tx *tx, struct evl_sdh_at at, const struct evl_trace *trace)
{
	static const struct evl_trace zero = {EVL_TRACE_ONE, {0}};
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	const struct evl_trace *use = trace->kind != EVL_TRACE_NONE ? trace : &zero;
	if (at.level == EVL_SDH_SECTION && at.index == 0) {
		memcpy(tx->section.j0, use->bytes, sizeof(tx->section.j0));
		tx->section.j0_period = (uint8_t)use->kind;
	} else if (p != NULL) {
		p->trace = *use;
	} else if (t != NULL) {
		/* 64 places of the longest trace hold the shorter ones over and over. */
		t->trace.kind = EVL_TRACE_64;
		for (uint32_t i = 0; i < EVL_TRACE_64; i++) {
			t->trace.bytes[i] = use->bytes[i % (uint32_t)use->kind];
		}
		t->tu.vc.long_j2 = t->trace.bytes;
	} else {
		return EVL_E_INVALID;
	}
	return EVL_OK;
}

enum evl_status evl_sdh_tx_set_label(struct evl_sdh_tx *tx, struct evl_sdh_at at, uint8_t label)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	if (p != NULL) {
		p->c2 = label;
	} else if (t != NULL && label < 8) {
		t->tu.vc.label = label;
	} else {
		return EVL_E_INVALID;
	}
	return EVL_OK;
}

enum evl_status evl_sdh_tx_insert_ais(struct evl_sdh_tx *tx, struct evl_sdh_at at, bool on)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	if (at.level == EVL_SDH_SECTION && at.index == 0) {
		tx->ms_ais = on;
	} else if (p != NULL) {
		p->ais = on;
	} else if (t != NULL) {
		t->ais = on;
	} else {
		return EVL_E_INVALID;
	}
	return EVL_OK;
}

enum evl_status evl_sdh_tx_insert_client_ais(struct evl_sdh_tx *tx, uint32_t client, bool on)
{
	struct sdh_tx_tu *t = client_tu(tx, client);
	if (t == NULL) {
		return EVL_E_INVALID;
	}
	t->client_ais = on;
	return EVL_OK;
}

static struct sdh_tx_tu *byte_t1(struct evl_sdh_tx *tx, uint32_t client)
{
	struct sdh_tx_tu *t = client_tu(tx, client);
	return t != NULL && tx->client[client].kind == EVL_SDH_T1_BYTE ? t : NULL;
}

enum evl_status evl_sdh_tx_set_rfi(struct evl_sdh_tx *tx, uint32_t client, bool on)
{
	struct sdh_tx_tu *t = byte_t1(tx, client);
	if (t == NULL) {
		return EVL_E_INVALID;
	}
	t->tu.vc.rfi = on;
	return EVL_OK;
}

enum evl_status evl_sdh_tx_set_signalling(
	struct evl_sdh_tx *tx, uint32_t client, uint32_t channel, uint8_t abcd)
{
	struct sdh_tx_tu *t = byte_t1(tx, client);
	if (t == NULL || channel < 1 || channel > EVL_VC1_CHANNELS || abcd > 15) {
		return EVL_E_INVALID;
	}
	t->tu.vc.abcd[channel - 1] = abcd;
	return EVL_OK;
}

void evl_sdh_tx_set_aps(struct evl_sdh_tx *tx, uint8_t k1, uint8_t k2)
{
	tx->section.k1 = k1;
	tx->section.k2 = k2;
}

void evl_sdh_tx_set_s1(struct evl_sdh_tx *tx, uint8_t s1)
{
	tx->section.s1 = s1;
}

enum evl_status evl_sdh_tx_force_soh(
	struct evl_sdh_tx *tx, uint32_t a, uint32_t row, uint32_t b, int32_t value)
{
	struct evl_stm_tx *s = &tx->section;
	if (a < 1 || a > tx->n || row < 1 || row > 9 || row == 4 || b < 1 || b > 9 || value < -1 ||
		value > 0xff) {
		return EVL_E_INVALID;
	}
	uint32_t i = 9 * tx->n * (row - 1) + tx->n * (b - 1) + a - 1;
	s->forced_count -= s->forced[i];
	s->forced[i] = value >= 0;
	s->forced_count += s->forced[i];
	s->soh[i] = (uint8_t)(value >= 0 ? value : 0);
	return EVL_OK;
}

enum evl_status evl_sdh_tx_force_poh(
	struct evl_sdh_tx *tx, struct evl_sdh_at at, enum evl_sdh_poh byte, int32_t value)
{
	struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
	struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
	uint32_t bit = 1u << (byte % EVL_SDH_V5);
	if (value < -1 || value > 0xff || byte > EVL_SDH_K4) {
		return EVL_E_INVALID;
	}
	uint8_t set = (uint8_t)(value >= 0 ? value : 0);
	if (p != NULL && byte <= EVL_SDH_N1) {
		p->forced = (uint16_t)(value >= 0 ? p->forced | bit : p->forced & ~bit);
		p->poh[byte] = set;
	} else if (t != NULL && byte >= EVL_SDH_V5) {
		struct evl_vc1_tx *vc = &t->tu.vc;
		vc->forced = (uint8_t)(value >= 0 ? vc->forced | bit : vc->forced & ~bit);
		vc->poh[byte - EVL_SDH_V5] = set;
	} else {
		return EVL_E_INVALID;
	}
	return EVL_OK;
}

static uint32_t add_up_to(uint32_t a, uint32_t b, uint32_t max)
{
	return b > max - a ? max : a + b;
}

void evl_sdh_tx_set_remote(struct evl_sdh_tx *tx, const struct evl_sdh_remote *remote)
{
	tx->section.ms_rdi = remote->ms_rdi;
	tx->section.ms_rei = add_up_to(tx->section.ms_rei, remote->ms_rei, UINT32_MAX);
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		tx->high[i].rdi = remote->high[i].rdi;
		tx->high[i].rei = add_up_to(tx->high[i].rei, remote->high[i].rei, UINT32_MAX);
	}
	for (uint32_t i = 0; i < tx->clients; i++) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, i};
		struct sdh_tx_path *p = sdh_tx_path_at(tx, at);
		struct sdh_tx_tu *t = sdh_tx_tu_at(tx, at);
		if (p != NULL) {
			p->rdi = remote->client[i].rdi;
			p->rei = add_up_to(p->rei, remote->client[i].rei, UINT32_MAX);
		} else if (t != NULL) {
			struct evl_vc1_tx *vc = &t->tu.vc;
			uint32_t rei = remote->client[i].rei < 255 ? remote->client[i].rei : 255;
			vc->rdi = remote->client[i].rdi;
			vc->rei = (uint8_t)add_up_to(vc->rei, rei, UINT8_MAX);
		}
	}
}

enum evl_status evl_sdh_tx_counts(
	const struct evl_sdh_tx *tx, uint32_t client, struct evl_sdh_tx_counts *out)
{
	*out = (struct evl_sdh_tx_counts){0};
	if (client >= tx->clients) {
		return EVL_E_INVALID;
	}
	if (tx->tu_of[client] >= 0) {
		const struct evl_vc1_tx *vc = &tx->tu[tx->tu_of[client]].tu.vc;
		out->slips = vc->slips;
		out->extra = vc->extra;
		out->missing = vc->missing;
		return EVL_OK;
	}
	const struct evl_sdh_client *c = &tx->client[client];
	const struct sdh_queue *q = &tx->queue[3 * (c->aug - 1) + (c->k > 0 ? c->k - 1 : 0)];
	out->starved = q->starved;
	out->lost_bytes = q->lost;
	return EVL_OK;
}
