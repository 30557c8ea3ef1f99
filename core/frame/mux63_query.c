/* SPDX-License-Identifier: Apache-2.0 */
/* What a decoder tells about itself: defects, root cause, counts, RDI and REI. */
#include "core/frame/mux63.h"

#include "core/frame/mux63_rx.h"

#define BIT(alarm)   (1u << (alarm))
#define SECTION_FAIL (BIT(EVL_ALARM_LOS) | BIT(EVL_ALARM_LOF) | BIT(EVL_ALARM_MS_AIS))
#define AU_FAIL      (BIT(EVL_ALARM_AU_AIS) | BIT(EVL_ALARM_AU_LOP))

uint32_t evl_mux63_rx_defects(const struct evl_mux63_rx *rx, int tributary)
{
	evl_require(tributary >= EVL_MUX63_LINE && tributary < EVL_MUX63_TRIBS);
	return tributary == EVL_MUX63_LINE ? rx->section.defects | rx->high
					   : rx->tu[tributary].defects;
}

bool evl_mux63_rx_defect(const struct evl_mux63_rx *rx, enum evl_alarm alarm, int tributary)
{
	return (evl_mux63_rx_defects(rx, tributary) >> alarm & 1) != 0;
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

enum evl_alarm evl_mux63_rx_root_cause(const struct evl_mux63_rx *rx, int tributary)
{
	/* The RDIs last: they tell of the far end and explain nothing here. */
	static const enum evl_alarm line[] = {EVL_ALARM_LOS, EVL_ALARM_LOF, EVL_ALARM_OOF,
		EVL_ALARM_MS_AIS, EVL_ALARM_AU_AIS, EVL_ALARM_AU_LOP, EVL_ALARM_HP_UNEQ,
		EVL_ALARM_HP_PLM, EVL_ALARM_HP_LOM, EVL_ALARM_MS_RDI, EVL_ALARM_HP_RDI};
	static const enum evl_alarm trib[] = {EVL_ALARM_TU_AIS, EVL_ALARM_TU_LOP, EVL_ALARM_LP_UNEQ,
		EVL_ALARM_LP_PLM, EVL_ALARM_LP_RDI};
	const size_t lines = sizeof(line) / sizeof(line[0]);
	uint32_t defects = evl_mux63_rx_defects(rx, EVL_MUX63_LINE);
	if (tributary == EVL_MUX63_LINE) {
		return first_of(line, lines, defects);
	}
	enum evl_alarm cause = first_of(line, lines - 2, defects);
	if (cause != EVL_ALARM_NONE) {
		return cause;
	}
	return first_of(trib, sizeof(trib) / sizeof(trib[0]), evl_mux63_rx_defects(rx, tributary));
}

bool evl_mux63_rx_output_ais(const struct evl_mux63_rx *rx, uint32_t tributary)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	return !rx->tu[tributary].vc.open;
}

uint64_t evl_mux63_rx_first_bit(const struct evl_mux63_rx *rx, uint32_t tributary)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	return rx->first_bit[tributary];
}

void evl_mux63_rx_line_counts(const struct evl_mux63_rx *rx, struct evl_mux63_line_counts *out)
{
	*out = rx->section.counts;
	out->b3_errors = rx->counts.b3_errors;
	out->hp_rei = rx->counts.hp_rei;
	out->au_increments = rx->counts.au_increments;
	out->au_decrements = rx->counts.au_decrements;
	out->au_new_pointers = rx->counts.au_new_pointers;
}

void evl_mux63_rx_trib_counts(
	const struct evl_mux63_rx *rx, uint32_t tributary, struct evl_mux63_trib_counts *out)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	const struct evl_tu1_rx *tu = &rx->tu[tributary];
	const struct evl_vc1_counts *c = &tu->vc.counts;
	*out = (struct evl_mux63_trib_counts){
		.bip2_errors = c->bip2_errors,
		.lp_rei = c->lp_rei,
		.tu_increments = tu->increments,
		.tu_decrements = tu->decrements,
		.tu_new_pointers = tu->new_pointers,
		.extra_bits = c->extra,
		.missing_bits = c->missing,
		.slips_lost = c->slips_lost,
		.slips_repeated = c->slips_repeated,
	};
}

void evl_mux63_rx_take_remote(struct evl_mux63_rx *rx, struct evl_mux63_remote *out)
{
	uint32_t section = rx->section.defects & SECTION_FAIL;
	*out = (struct evl_mux63_remote){
		.ms_rdi = section != 0,
		.hp_rdi = section != 0 || (rx->high & (AU_FAIL | BIT(EVL_ALARM_HP_UNEQ))) != 0,
		.ms_rei = rx->section.rei_out,
		.hp_rei = rx->hp_rei_out,
	};
	rx->section.rei_out = 0;
	rx->hp_rei_out = 0;
	const uint32_t lp = BIT(EVL_ALARM_TU_AIS) | BIT(EVL_ALARM_TU_LOP) | BIT(EVL_ALARM_LP_UNEQ);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		struct evl_tu1_rx *tu = &rx->tu[t];
		if ((tu->defects & lp) != 0) {
			out->lp_rdi |= UINT64_C(1) << t;
		}
		out->lp_rei[t] = tu->vc.rei_out;
		tu->vc.rei_out = 0;
	}
}

int32_t evl_mux63_rx_au_pointer(const struct evl_mux63_rx *rx)
{
	return rx->au.ptr.state == EVL_PTR_NORMAL ? rx->au.ptr.value : -1;
}

int32_t evl_mux63_rx_tu_pointer(const struct evl_mux63_rx *rx, uint32_t tributary)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	const struct evl_ptr_rx *ptr = &rx->tu[tributary].ptr;
	return ptr->state == EVL_PTR_NORMAL ? ptr->value : -1;
}
