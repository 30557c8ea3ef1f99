/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/pointer.h"

#include "core/base/err.h"

#define NDF_ON   0x9u
#define NDF_OFF  0x6u
#define I_BITS   0x2aau
#define D_BITS   0x155u
#define ALL_BITS 0x3ffu
#define SPACING  4 /* frames between two changes: three unchanged words in between */
#define SAME     3 /* equal words that make a new value, or AIS, count */

static uint32_t ones(uint32_t v)
{
	uint32_t n = 0;
	for (; v != 0; v &= v - 1) {
		n++;
	}
	return n;
}

uint16_t evl_ptr_word(uint16_t value, uint8_t ss, bool ndf)
{
	return (uint16_t)((ndf ? NDF_ON : NDF_OFF) << 12 | (uint32_t)ss << 10 | value);
}

void evl_ptr_tx_init(struct evl_ptr_tx *tx, uint16_t range, uint16_t value)
{
	evl_require(value < range);
	*tx = (struct evl_ptr_tx){
		.range = range, .value = value, .since_change = SPACING, .ss = EVL_PTR_SS};
}

uint16_t evl_ptr_tx_next(struct evl_ptr_tx *tx, enum evl_ptr_action *action)
{
	*action = EVL_PTR_HOLD;
	if (tx->since_change < SPACING) {
		tx->since_change++;
	}
	if (tx->since_change < SPACING || (!tx->has_new && tx->pending == 0)) {
		return evl_ptr_word(tx->value, tx->ss, false);
	}
	tx->since_change = 0;
	if (tx->has_new) {
		tx->has_new = false;
		tx->value = tx->new_value;
		*action = EVL_PTR_NEW;
		return evl_ptr_word(tx->value, tx->ss, true);
	}
	uint16_t word = evl_ptr_word(tx->value, tx->ss, false);
	if (tx->pending > 0) {
		tx->pending--;
		*action = EVL_PTR_INC;
		tx->value = (uint16_t)((tx->value + 1) % tx->range);
		return word ^ I_BITS;
	}
	tx->pending++;
	*action = EVL_PTR_DEC;
	tx->value = (uint16_t)((tx->value + tx->range - 1) % tx->range);
	return word ^ D_BITS;
}

void evl_ptr_rx_init(struct evl_ptr_rx *rx, uint16_t range, uint8_t lop_limit)
{
	*rx = (struct evl_ptr_rx){.range = range, .lop_limit = lop_limit, .since_change = SPACING};
}

static enum evl_ptr_action take_value(struct evl_ptr_rx *rx, uint16_t value)
{
	rx->value = value;
	rx->state = EVL_PTR_NORMAL;
	rx->invalid = 0;
	rx->same = 0;
	rx->since_change = 0;
	return EVL_PTR_NEW;
}

/* In normal state: same value, increment or decrement. */
static bool follow(struct evl_ptr_rx *rx, uint16_t value, enum evl_ptr_action *action)
{
	*action = EVL_PTR_HOLD;
	uint32_t diff = (uint32_t)(value ^ rx->value);
	if (diff != 0) {
		if (rx->since_change < SPACING) {
			return false;
		}
		if (ones(diff ^ I_BITS) <= 2) {
			*action = EVL_PTR_INC;
			rx->value = (uint16_t)((rx->value + 1) % rx->range);
		} else if (ones(diff ^ D_BITS) <= 2) {
			*action = EVL_PTR_DEC;
			rx->value = (uint16_t)((rx->value + rx->range - 1) % rx->range);
		} else {
			return false;
		}
		rx->since_change = 0;
	}
	rx->same = 0;
	rx->invalid = 0;
	return true;
}

enum evl_ptr_action evl_ptr_rx_word(struct evl_ptr_rx *rx, uint16_t word)
{
	enum evl_ptr_action action = EVL_PTR_HOLD;
	if (rx->since_change < SPACING) {
		rx->since_change++;
	}
	if (word == EVL_PTR_ALL_ONES) {
		rx->invalid = 0;
		rx->ndf = 0;
		rx->same = 0;
		if (rx->ones < SAME && ++rx->ones == SAME) {
			rx->state = EVL_PTR_AIS;
		}
		return EVL_PTR_HOLD;
	}
	rx->ones = 0;

	uint32_t flag = (uint32_t)word >> 12;
	uint16_t value = word & ALL_BITS;
	bool ndf = ones(flag ^ NDF_ON) <= 1;
	bool normal = ones(flag ^ NDF_OFF) <= 1;

	if (ndf && value < rx->range) {
		rx->invalid = 0;
		rx->same = 0;
		if (rx->ndf < rx->lop_limit && ++rx->ndf == rx->lop_limit) {
			rx->state = EVL_PTR_LOP;
			return EVL_PTR_HOLD;
		}
		if (rx->state == EVL_PTR_NORMAL || rx->state == EVL_PTR_AIS) {
			return take_value(rx, value);
		}
		return EVL_PTR_HOLD;
	}
	rx->ndf = 0;
	if (normal && rx->state == EVL_PTR_NORMAL && follow(rx, value, &action)) {
		return action;
	}
	if (normal && value < rx->range) {
		rx->same = rx->same > 0 && value == rx->candidate ? (uint8_t)(rx->same + 1) : 1;
		rx->candidate = value;
		if (rx->same == SAME) {
			return take_value(rx, value);
		}
	} else {
		rx->same = 0;
	}
	if (rx->invalid < rx->lop_limit && ++rx->invalid == rx->lop_limit) {
		rx->state = EVL_PTR_LOP;
	}
	return EVL_PTR_HOLD;
}
