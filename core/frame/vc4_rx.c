/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/vc4_rx.h"

#include "core/signal/bip.h"

#define PERSISTENCE 5
#define SEQUENCE    4 /* H4 values in sequence that make alignment */
#define G1_RDI      0x08
#define REI_MAX     8

void evl_vc4_rx_init(struct evl_vc4_rx *rx, uint32_t rdi_limit, uint32_t lom_limit)
{
	*rx = (struct evl_vc4_rx){.columns = EVL_VC4_COLUMNS,
		.tug = true,
		.label = EVL_C2_TUG,
		.rdi_limit = rdi_limit,
		.lom_limit = lom_limit};
}

static void toggle_after(bool *state, uint32_t *run, bool now, uint32_t limit)
{
	if (now == *state) {
		*run = 0;
	} else if (++*run >= limit) {
		*state = now;
		*run = 0;
	}
}

static uint32_t ones(uint8_t v)
{
	uint32_t n = 0;
	for (; v != 0; v = (uint8_t)(v & (v - 1))) {
		n++;
	}
	return n;
}

static void label(struct evl_vc4_rx *rx, uint8_t c2)
{
	toggle_after(&rx->uneq, &rx->uneq_run, c2 == EVL_C2_UNEQUIPPED, PERSISTENCE);
	if (rx->c2_run == 0 || c2 != rx->c2) {
		rx->c2_run = 1;
	} else if (rx->c2_run < PERSISTENCE) {
		rx->c2_run++;
	}
	rx->c2 = c2;
	if (rx->c2_run == PERSISTENCE) {
		rx->plm = rx->label >= 0 && c2 != rx->label && c2 != EVL_C2_UNEQUIPPED &&
			  c2 != EVL_C2_EQUIPPED && c2 != EVL_C2_VC_AIS;
	}
}

/* H4 of this VC-4 tells the phase of the next. One wrong value means out of multiframe, four in
 * sequence in multiframe; meanwhile the old phase counts on, until LOM. */
static void multiframe(struct evl_vc4_rx *rx, uint8_t h4, struct evl_vc4_rx_result *result)
{
	result->phase = rx->phase;
	uint8_t next = (rx->phase + 1) & 3;
	if (rx->h4_run > 0 && h4 == ((rx->h4 + 1) & 3)) {
		rx->h4_run = (uint8_t)(rx->h4_run + (rx->h4_run < SEQUENCE));
	} else {
		rx->h4_run = 1;
	}
	rx->h4 = h4;
	if (rx->h4_run == SEQUENCE) {
		result->phase_jump = !rx->in_multiframe || h4 != next;
		rx->in_multiframe = true;
		rx->lom_run = 0;
		rx->lom = false;
		next = h4;
	} else if (rx->lom_run < rx->lom_limit && ++rx->lom_run == rx->lom_limit) {
		rx->lom = true;
		rx->in_multiframe = false;
	}
	rx->phase = next;
}

void evl_vc4_rx_take(struct evl_vc4_rx *rx, const uint8_t *vc4, struct evl_vc4_rx_result *result)
{
	*result = (struct evl_vc4_rx_result){0};
	const uint32_t columns = rx->columns;
	if (rx->have_b3) {
		result->b3_errors = ones(vc4[EVL_POH_B3 * columns] ^ rx->b3);
	}
	if (!rx->no_b3) {
		rx->b3 = evl_bip8(vc4, (size_t)EVL_STM1_ROWS * columns);
		rx->have_b3 = true;
	}
	uint8_t g1 = vc4[EVL_POH_G1 * columns];
	result->hp_rei = g1 >> 4 <= REI_MAX ? g1 >> 4 : 0;
	toggle_after(&rx->rdi, &rx->rdi_run, (g1 & G1_RDI) != 0, rx->rdi_limit);
	label(rx, vc4[EVL_POH_C2 * columns]);
	if (rx->tug) {
		multiframe(rx, vc4[EVL_POH_H4 * columns] & 3, result);
	}
}

void evl_vc4_rx_miss(struct evl_vc4_rx *rx)
{
	evl_vc4_rx_cut(rx);
	rx->phase = (rx->phase + 1) & 3;
	rx->h4_run = 0;
	rx->lom_run = 0;
	rx->in_multiframe = false;
	rx->uneq_run = rx->rdi_run = 0;
	rx->c2_run = 0;
	rx->uneq = rx->plm = rx->rdi = rx->lom = false;
}

void evl_vc4_rx_cut(struct evl_vc4_rx *rx)
{
	rx->have_b3 = false;
}
